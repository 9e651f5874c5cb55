//! One writer at a time in a folder of results.
//!
//! In: the folder. Out: a hold on it that the system lifts when the command ends, however it ends.

use crate::error::{Located, Result};
use crate::output::{OutputFault, same_file};
use std::fs::{File, TryLockError};
use std::path::{Path, PathBuf};

/// A folder that this command alone writes into.
#[derive(Debug)]
pub struct Claim {
    folder: PathBuf,
    /// Locked as long as it is open; `None` where the disk knows no locks.
    held: Option<File>,
    /// A file that was made to be locked.
    mark: Option<PathBuf>,
}

impl Claim {
    /// Holds a folder of `song`'s results that is there. Where the disk knows no locks, as some network drives do, nobody is kept out.
    ///
    /// # Errors
    /// [`OutputFault::Busy`] on the song while another command holds it.
    pub fn of(folder: &Path, song: &Path) -> Result<Self> {
        let (file, mark) = lockable(folder);
        let folder = folder.to_owned();
        let Ok(file) = file else { return Ok(Self { folder, held: None, mark: None }) };
        match file.try_lock() {
            Ok(()) => Ok(Self { folder, held: Some(file), mark }),
            Err(TryLockError::WouldBlock) => Err(Located::whole(song, OutputFault::Busy).into()),
            Err(TryLockError::Error(_)) => Ok(Self { folder, held: None, mark }),
        }
    }

    /// The same beside a hold that this command, or the run that it is a stage of, has already; `None` where that is on this
    /// very folder, by whatever path.
    ///
    /// # Errors
    /// [`OutputFault::Busy`] on the song while another command holds it.
    pub fn beside(held: Option<&Self>, folder: &Path, song: &Path) -> Result<Option<Self>> {
        if held.is_some_and(|held| same_file(&held.folder, folder)) {
            return Ok(None);
        }
        Self::of(folder, song).map(Some)
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
    fn a_folder_is_held_by_one_command_at_a_time_and_holds_nothing_afterwards() {
        let dir = tempfile::tempdir().unwrap();
        let song = Path::new("harbour.toml");
        let first = Claim::of(dir.path(), song).unwrap();
        let e = Claim::of(dir.path(), song).unwrap_err();
        assert_eq!(e.exit_code(), ExitCode::Output);
        assert!(e.to_string().starts_with("harbour.toml: another run") && e.remedy().contains("Wait"), "{e}");
        let other = tempfile::tempdir().unwrap();
        assert!(Claim::of(other.path(), song).is_ok(), "another song is free");
        // A stage of the run that holds it works in it by whatever path.
        assert!(Claim::beside(Some(&first), &dir.path().join("."), song).unwrap().is_none());
        assert!(Claim::beside(Some(&first), other.path(), song).unwrap().is_some());
        assert!(Claim::beside(None, dir.path(), song).is_err());
        drop(first);
        assert!(Claim::of(dir.path(), song).is_ok());
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 0);
    }
}
