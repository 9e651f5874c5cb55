//! One run at a time in a folder of results.
//!
//! In: the folder. Out: a hold on it that the system lifts when the run ends, however it ends.

use crate::error::{Located, Result};
use crate::output::OutputFault;
use std::fs::{File, TryLockError};
use std::path::{Path, PathBuf};

/// A folder that this run alone works in.
#[derive(Debug)]
pub struct Claim {
    /// Locked as long as it is open; `None` where the disk knows no locks.
    held: Option<File>,
    /// A file that was made to be locked.
    mark: Option<PathBuf>,
}

impl Claim {
    /// Holds a folder of `song`'s results that is there. Where the disk knows no locks, as some network drives do, nobody is kept out.
    ///
    /// # Errors
    /// [`OutputFault::Busy`] on the song while another run holds it.
    pub fn of(folder: &Path, song: &Path) -> Result<Self> {
        let (file, mark) = lockable(folder);
        let Ok(file) = file else { return Ok(Self { held: None, mark: None }) };
        match file.try_lock() {
            Ok(()) => Ok(Self { held: Some(file), mark }),
            Err(TryLockError::WouldBlock) => Err(Located::whole(song, OutputFault::Busy).into()),
            Err(TryLockError::Error(_)) => Ok(Self { held: None, mark }),
        }
    }
}

impl Drop for Claim {
    fn drop(&mut self) {
        self.held.take();
        if let Some(mark) = self.mark.take() {
            // A failure here changes nothing for the user.
            let _ = std::fs::remove_file(mark);
        }
    }
}

/// What is locked: the folder itself, so that nothing is left behind.
#[cfg(unix)]
fn lockable(folder: &Path) -> (std::io::Result<File>, Option<PathBuf>) {
    (File::open(folder), None)
}

/// Where folders cannot be opened, a hidden file in it.
#[cfg(not(unix))]
fn lockable(folder: &Path) -> (std::io::Result<File>, Option<PathBuf>) {
    let mark = folder.join(".run.tmp-underlay");
    (std::fs::OpenOptions::new().write(true).create(true).truncate(false).open(&mark), Some(mark))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::error::ExitCode;

    #[test]
    fn a_folder_is_held_by_one_run_at_a_time_and_holds_nothing_afterwards() {
        let dir = tempfile::tempdir().unwrap();
        let song = Path::new("harbour.toml");
        let first = Claim::of(dir.path(), song).unwrap();
        let e = Claim::of(dir.path(), song).unwrap_err();
        assert_eq!(e.exit_code(), ExitCode::Output);
        assert!(e.to_string().starts_with("harbour.toml: another run") && e.remedy().contains("Wait"), "{e}");
        let other = tempfile::tempdir().unwrap();
        assert!(Claim::of(other.path(), song).is_ok(), "another song is free");
        drop(first);
        assert!(Claim::of(dir.path(), song).is_ok());
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 0);
    }
}
