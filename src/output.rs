//! Writing files so that a run that fails or is killed leaves the old file or the new one, never half.
//!
//! [`AtomicFile`] is written beside its target and renamed into place by [`AtomicFile::commit`];
//! dropped without a commit, it removes what it wrote.

use crate::error::{ExitCode, Fault, Located, Result};
use std::fs::{self, File, OpenOptions};
use std::io::{self, BufWriter, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// Why something could not be written.
#[derive(Clone, Debug, thiserror::Error)]
pub enum OutputFault {
    /// The folder cannot be made.
    #[error("this folder cannot be made ({0})")]
    Folder(String),
    /// The file cannot be created, written or renamed.
    #[error("cannot be written ({0})")]
    Write(String),
    /// The disk is full.
    #[error("the disk is full")]
    Full,
    /// The target would replace one of the inputs.
    #[error("this would replace one of the recordings that are being read")]
    WouldReplaceInput,
    /// The target exists and is never replaced without being asked to.
    #[error("exists already and is not replaced")]
    Exists,
}

impl Fault for OutputFault {
    fn remedy(&self) -> String {
        match self {
            OutputFault::Folder(_) | OutputFault::Write(_) => {
                "Choose another folder with --out, or check that you may write there.".into()
            }
            OutputFault::Full => {
                "Free some space or choose another disk with --out; nothing half-written was left.".into()
            }
            OutputFault::WouldReplaceInput => {
                "Choose another folder with --out; recordings are never written to.".into()
            }
            OutputFault::Exists => "Name another file with --out, or move the old one away first.".into(),
        }
    }

    fn exit_code(&self) -> ExitCode {
        ExitCode::Output
    }
}

/// The fault that an input/output error of the system stands for.
pub fn fault_of(e: &io::Error) -> OutputFault {
    match e.kind() {
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => OutputFault::Full,
        _ => OutputFault::Write(e.to_string()),
    }
}

/// Makes a folder and its parents.
///
/// # Errors
/// [`OutputFault::Folder`] when it cannot be made.
pub fn make_folder(path: &Path) -> Result<()> {
    fs::create_dir_all(path).map_err(|e| Located::whole(path, OutputFault::Folder(e.to_string())).into())
}

/// A file that appears under its name only when complete.
#[derive(Debug)]
pub struct AtomicFile {
    target: PathBuf,
    beside: PathBuf,
    file: Option<BufWriter<File>>,
}

impl AtomicFile {
    /// Starts a file beside `target` (same folder, hidden name ending in `.tmp-underlay`).
    ///
    /// # Errors
    /// [`OutputFault`] when the folder is missing or not writable.
    pub fn create(target: &Path) -> Result<Self> {
        let name = target.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let short: String = name.chars().take(40).collect();
        let beside = target.with_file_name(format!(".{short}.{}.tmp-underlay", std::process::id()));
        let file = OpenOptions::new().write(true).read(true).create(true).truncate(true).open(&beside);
        let file = file.map_err(|e| Located::whole(target, fault_of(&e)))?;
        Ok(Self { target: target.to_owned(), beside, file: Some(BufWriter::with_capacity(1 << 18, file)) })
    }

    /// The name that the file will have.
    #[must_use]
    pub fn target(&self) -> &Path {
        &self.target
    }

    /// The file under its passing name, for programs that must re-read it before [`commit`](Self::commit).
    #[must_use]
    pub fn beside(&self) -> &Path {
        &self.beside
    }

    /// Flushes to the disk and gives the file its name, replacing an older one in one step.
    ///
    /// # Errors
    /// [`OutputFault`] when flushing or renaming fails; the old file is then still there.
    pub fn commit(mut self) -> Result<()> {
        let target = self.target.clone();
        let done = self.finish();
        done.map_err(|e| Located::whole(&target, fault_of(&e)).into())
    }

    fn finish(&mut self) -> io::Result<()> {
        if let Some(mut w) = self.file.take() {
            w.flush()?;
            w.get_ref().sync_data()?;
        }
        fs::rename(&self.beside, &self.target)
    }

    fn writer(&mut self) -> io::Result<&mut BufWriter<File>> {
        self.file.as_mut().ok_or_else(|| io::Error::other("file already finished"))
    }
}

impl Write for AtomicFile {
    fn write(&mut self, buf: &[u8]) -> io::Result<usize> {
        self.writer()?.write(buf)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.writer()?.flush()
    }
}

impl Seek for AtomicFile {
    fn seek(&mut self, pos: SeekFrom) -> io::Result<u64> {
        self.writer()?.seek(pos)
    }
}

impl Drop for AtomicFile {
    fn drop(&mut self) {
        self.file.take();
        // After a commit the passing name is gone; otherwise remove it. A failure here changes nothing for the user.
        let _ = fs::remove_file(&self.beside);
    }
}

/// Writes whole contents to a file, atomically.
///
/// # Errors
/// [`OutputFault`].
pub fn write_whole(target: &Path, contents: &[u8]) -> Result<()> {
    let mut f = AtomicFile::create(target)?;
    f.write_all(contents).map_err(|e| Located::whole(target, fault_of(&e)))?;
    f.commit()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_abandoned_file_leaves_the_old_one_and_nothing_else() {
        let dir = tempfile::tempdir().unwrap();
        let target = dir.path().join("hits.csv");
        write_whole(&target, b"old").unwrap();
        let mut f = AtomicFile::create(&target).unwrap();
        f.write_all(b"half").unwrap();
        drop(f);
        assert_eq!(fs::read(&target).unwrap(), b"old");
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);
    }

    #[test]
    fn a_missing_folder_is_an_output_error() {
        let dir = tempfile::tempdir().unwrap();
        let e = write_whole(&dir.path().join("no/such/hits.csv"), b"x").unwrap_err();
        assert_eq!(e.exit_code(), ExitCode::Output);
    }
}
