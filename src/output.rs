//! Writing files so that a run that fails or is killed leaves the old file or the new one, never half.
//!
//! [`AtomicFile`] is written beside its target and renamed into place by [`AtomicFile::commit`];
//! dropped without a commit, it removes what it wrote.

mod claim;
mod name;
mod table;

use crate::error::{ExitCode, Fault, Located, Result};
use std::fs::{self, File, OpenOptions};
use std::io::{self, BufWriter, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

pub use claim::Claim;
pub use name::{
    FOLDER_REMEDY, alike, composed, file_stem, folder_fault, is_accent, kept_by_windows, storable, without_accent,
};
pub use table::csv_field;

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
    /// Another file of the same run has this name already.
    #[error("two results would have this name")]
    Twice,
    /// The file that is to be replaced is no longer the one that was read.
    #[error("was changed in the meantime, so it is left as it is")]
    Changed,
    /// Another run is at work in the folder.
    #[error("another run is at work on this song's folder of results")]
    Busy,
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
            OutputFault::Twice => "Give what they are named after names that differ in letters or digits.".into(),
            OutputFault::Busy => "Wait until it has ended, then run again; nothing was changed.".into(),
            OutputFault::Changed => "Save your own change and run again.".into(),
            OutputFault::Exists => {
                "Name another file or folder (--out does it for most commands), or move the old one away first.".into()
            }
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
        _ => OutputFault::Write(in_words(e)),
    }
}

/// An error of the system in a musician's words.
#[must_use]
pub fn in_words(e: &io::Error) -> String {
    use io::ErrorKind as K;
    let words = match e.kind() {
        K::PermissionDenied => "you are not allowed to",
        K::NotFound => "the folder does not exist",
        K::ReadOnlyFilesystem => "the disk is write-protected",
        K::StorageFull | K::QuotaExceeded => "the disk is full",
        K::FileTooLarge => "the disk does not take files of this size",
        K::IsADirectory => "there is a folder of this name",
        K::NotADirectory => "a part of the path is a file, not a folder",
        K::InvalidFilename => "the name is too long or has characters that the disk does not take",
        K::AlreadyExists => "there is something of this name already",
        K::UnexpectedEof => "the file became shorter while it was read",
        K::StaleNetworkFileHandle | K::NetworkDown | K::NetworkUnreachable | K::TimedOut => "the network disk is gone",
        _ => return e.to_string(),
    };
    words.into()
}

/// The same for a file that was to be read.
#[must_use]
pub fn reading_in_words(e: &io::Error) -> String {
    if e.kind() == io::ErrorKind::NotFound { "there is no such file".into() } else { in_words(e) }
}

/// Files before they are written: names and whole contents.
pub type Unwritten = Vec<(PathBuf, Vec<u8>)>;

/// Makes a folder and its parents, and removes from it what killed runs have left.
///
/// # Errors
/// [`OutputFault::Folder`] when it cannot be made.
pub fn make_folder(path: &Path) -> Result<()> {
    fs::create_dir_all(path).map_err(|e| Located::whole(path, OutputFault::Folder(in_words(&e))))?;
    sweep(path);
    Ok(())
}

/// The recordings that are being read, links followed once for all: no result may take the place of one.
pub struct Inputs {
    known: Vec<(Option<PathBuf>, Option<fs::Metadata>)>,
}

impl Inputs {
    /// Of paths, however they are spelled.
    pub fn of<P: AsRef<Path>>(paths: impl IntoIterator<Item = P>) -> Self {
        let known = |path: P| (fs::canonicalize(path.as_ref()).ok(), fs::metadata(path.as_ref()).ok());
        Self { known: paths.into_iter().map(known).collect() }
    }

    /// Refuses a target that is one of them, however it is spelled: relative paths, links and hard links are seen through.
    ///
    /// # Errors
    /// [`OutputFault::WouldReplaceInput`] on the target; [`OutputFault::Write`] where its folder cannot be looked into.
    pub fn refuse(&self, target: &Path) -> Result<()> {
        let Ok(meta) = fs::metadata(target) else { return Ok(()) }; // What does not exist cannot be replaced.
        let real = fs::canonicalize(target).map_err(|e| Located::whole(target, fault_of(&e)))?;
        let same = |(path, other): &(Option<PathBuf>, Option<fs::Metadata>)| {
            path.as_ref() == Some(&real) || other.as_ref().is_some_and(|other| is_same_file(&meta, other))
        };
        if self.known.iter().any(same) {
            return Err(Located::whole(target, OutputFault::WouldReplaceInput).into());
        }
        Ok(())
    }
}

#[cfg(unix)]
fn is_same_file(a: &fs::Metadata, b: &fs::Metadata) -> bool {
    use std::os::unix::fs::MetadataExt;
    a.is_file() && (a.dev(), a.ino()) == (b.dev(), b.ino())
}

#[cfg(not(unix))]
fn is_same_file(_: &fs::Metadata, _: &fs::Metadata) -> bool {
    false
}

/// Whether two paths name one file or folder, links followed.
#[must_use]
pub fn same_file(a: &Path, b: &Path) -> bool {
    a == b || matches!((a.canonicalize(), b.canonicalize()), (Ok(a), Ok(b)) if a == b)
}

/// Marks a passing file as being written by a living run: the system lifts the mark when the run ends, however it ends.
/// `false` where another run has just taken the file for a leftover and sweeps it up.
#[cfg(unix)]
fn hold(file: &File) -> bool {
    use std::os::unix::fs::MetadataExt;
    match file.try_lock() {
        Err(fs::TryLockError::WouldBlock) => false,
        // A file system without locks only keeps leftovers from being swept up.
        Ok(()) | Err(fs::TryLockError::Error(_)) => file.metadata().is_ok_and(|m| m.nlink() > 0),
    }
}

#[cfg(not(unix))]
fn hold(_: &File) -> bool {
    // Elsewhere a lock would keep the file from being read back under its passing name.
    true
}

/// Removes the passing files that killed runs have left in a folder. Files of living runs stay.
pub fn sweep(folder: &Path) {
    #[cfg(unix)]
    for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
        let name = entry.file_name();
        let name = name.to_string_lossy();
        if !(name.starts_with('.') && name.ends_with(".tmp-underlay")) {
            continue;
        }
        let free = File::open(entry.path()).is_ok_and(|f| f.try_lock().is_ok());
        if free {
            // A failure here changes nothing for the user.
            let _ = fs::remove_file(entry.path());
        }
    }
    #[cfg(not(unix))]
    let _ = folder;
}

/// Numbers the passing names of one run, so that two files never share one.
static NEXT: AtomicU64 = AtomicU64::new(0);

/// A file that appears under its name only when complete.
///
/// It can be read back, written and sought while it has its passing name.
#[derive(Debug)]
pub struct AtomicFile {
    target: PathBuf,
    beside: PathBuf,
    file: Option<BufWriter<File>>,
    placed: bool,
}

impl AtomicFile {
    /// Starts a file beside `target` (same folder, hidden name ending in `.tmp-underlay`).
    ///
    /// # Errors
    /// [`OutputFault`] when the folder is missing or not writable, or the target is a folder.
    pub fn create(target: &Path) -> Result<Self> {
        let fail = |e: &io::Error| Located::whole(target, fault_of(e));
        let Some(name) = target.file_name() else {
            return Err(fail(&io::ErrorKind::IsADirectory.into()).into());
        };
        if target.is_dir() {
            return Err(fail(&io::ErrorKind::IsADirectory.into()).into());
        }
        let short: String = name.to_string_lossy().chars().take(40).collect();
        loop {
            let n = NEXT.fetch_add(1, Ordering::Relaxed);
            let beside = target.with_file_name(format!(".{short}.{}-{n}.tmp-underlay", std::process::id()));
            match OpenOptions::new().write(true).read(true).create_new(true).open(&beside) {
                Ok(file) => {
                    if !hold(&file) {
                        continue;
                    }
                    let file = Some(BufWriter::with_capacity(1 << 18, file));
                    return Ok(Self { target: target.to_owned(), beside, file, placed: false });
                }
                // Left behind by a run of the same number that was killed: take the next name.
                Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {}
                Err(e) => return Err(fail(&e).into()),
            }
        }
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

    /// Brings everything written so far to the disk; the file keeps its passing name.
    ///
    /// # Errors
    /// [`OutputFault`], the disk being full among them.
    pub fn settle(&mut self) -> Result<()> {
        self.try_settle().map_err(|e| Located::whole(&self.target, fault_of(&e)).into())
    }

    /// Flushes to the disk and gives the file its name, replacing an older one in one step.
    ///
    /// # Errors
    /// [`OutputFault`] when flushing or renaming fails; the old file is then still there.
    pub fn commit(mut self) -> Result<()> {
        self.settle()?;
        self.place()
    }

    fn try_settle(&mut self) -> io::Result<()> {
        let w = self.writer()?;
        w.flush()?;
        w.get_ref().sync_data()
    }

    fn place(&mut self) -> Result<()> {
        self.file.take();
        fs::rename(&self.beside, &self.target).map_err(|e| Located::whole(&self.target, fault_of(&e)))?;
        self.placed = true;
        Ok(())
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

impl Read for AtomicFile {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        let w = self.writer()?;
        w.flush()?;
        w.get_mut().read(buf)
    }
}

impl Seek for AtomicFile {
    fn seek(&mut self, pos: SeekFrom) -> io::Result<u64> {
        self.writer()?.seek(pos)
    }
}

impl Drop for AtomicFile {
    fn drop(&mut self) {
        if !self.placed {
            self.file.take();
            // A failure here changes nothing for the user.
            let _ = fs::remove_file(&self.beside);
        }
    }
}

/// Gives several finished files their names together, in their order: all are on the disk before the first is renamed, so
/// that a full disk leaves none of them and every older file. A kill, or a name that cannot be given, in the moment of
/// renaming leaves some of them new and the others old, each whole.
///
/// # Errors
/// [`OutputFault`] of the first file that fails.
pub fn commit_all(mut files: Vec<AtomicFile>) -> Result<()> {
    for f in &mut files {
        f.settle()?;
    }
    files.iter_mut().try_for_each(AtomicFile::place)
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

/// Writes several whole files that appear together, as [`commit_all`] does.
///
/// # Errors
/// [`OutputFault`] of the first file that fails.
pub fn write_all_whole(files: &[(PathBuf, Vec<u8>)]) -> Result<()> {
    let begin = |(target, contents): &(PathBuf, Vec<u8>)| -> Result<AtomicFile> {
        let mut file = AtomicFile::create(target)?;
        file.write_all(contents).and_then(|()| file.flush()).map_err(|e| Located::whole(target, fault_of(&e)))?;
        Ok(file)
    };
    commit_all(files.iter().map(begin).collect::<Result<_>>()?)
}

#[cfg(test)]
mod tests {
    use super::*;

    impl AtomicFile {
        /// A file on a full disk, which takes no byte: `/dev/full` refuses every one of them (full(4)).
        #[cfg(target_os = "linux")]
        pub(crate) fn on_a_full_disk(target: &Path) -> Self {
            let mut file = Self::create(target).unwrap();
            file.file = Some(BufWriter::new(OpenOptions::new().write(true).open("/dev/full").unwrap()));
            file.write_all(b"not").unwrap();
            file
        }
    }

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

    #[cfg(unix)]
    #[test]
    fn what_a_killed_run_left_is_swept_up_and_what_a_living_one_writes_is_not() {
        let dir = tempfile::tempdir().unwrap();
        fs::write(dir.path().join(".hits.csv.1-0.tmp-underlay"), b"half").unwrap();
        fs::write(dir.path().join("notes.tmp-underlay"), b"a user's own").unwrap();
        let living = AtomicFile::create(&dir.path().join("a.wav")).unwrap();
        sweep(dir.path());
        assert!(living.beside().exists());
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 2);
    }

    #[test]
    fn a_missing_folder_is_an_output_error() {
        let dir = tempfile::tempdir().unwrap();
        let e = write_whole(&dir.path().join("no/such/hits.csv"), b"x").unwrap_err();
        assert_eq!(e.exit_code(), ExitCode::Output);
    }

    #[test]
    fn two_files_of_one_run_with_the_same_long_beginning_do_not_meet() {
        let dir = tempfile::tempdir().unwrap();
        let long = "a name that goes on and on so that its beginning says nothing ";
        let targets = [1, 2].map(|n| dir.path().join(format!("{long}{n}.csv")));
        let mut files = targets.each_ref().map(|t| AtomicFile::create(t).unwrap());
        files[0].write_all(b"first").unwrap();
        files[1].write_all(b"second").unwrap();
        commit_all(files.into()).unwrap();
        assert_eq!(fs::read(&targets[0]).unwrap(), b"first");
        assert_eq!(fs::read(&targets[1]).unwrap(), b"second");
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 2);
    }

    #[test]
    fn one_target_written_from_many_threads_is_one_of_them_whole() {
        let dir = tempfile::tempdir().unwrap();
        let target = dir.path().join("hits.csv");
        std::thread::scope(|s| {
            for n in 0..8u8 {
                let target = &target;
                s.spawn(move || write_whole(target, &[n; 50_000]).unwrap());
            }
        });
        let got = fs::read(&target).unwrap();
        assert!(got.len() == 50_000 && got.iter().all(|b| *b == got[0]));
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);
    }

    /// `/dev/full` refuses every byte as a full disk does (full(4)).
    #[cfg(target_os = "linux")]
    #[test]
    fn of_files_that_belong_together_none_appears_when_the_disk_fills_up() {
        let dir = tempfile::tempdir().unwrap();
        let mut files = ["a.mid", "b.mid"].map(|n| AtomicFile::create(&dir.path().join(n)).unwrap());
        files[0].write_all(b"whole").unwrap();
        files[1].file = Some(BufWriter::new(OpenOptions::new().write(true).open("/dev/full").unwrap()));
        files[1].write_all(b"not").unwrap();
        assert!(commit_all(files.into()).is_err());
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 0);
    }

    #[test]
    fn a_name_of_200_letters_outside_ascii_is_written_and_one_too_long_is_explained() {
        let dir = tempfile::tempdir().unwrap();
        write_whole(&dir.path().join("ä".repeat(100)), b"x").unwrap();
        let e = write_whole(&dir.path().join("k".repeat(300)), b"x").unwrap_err();
        assert!(e.to_string().contains("too long"), "{e}");
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);
    }

    #[test]
    fn a_folder_in_the_place_of_the_file_is_an_output_error_and_stays() {
        let dir = tempfile::tempdir().unwrap();
        let e = write_whole(dir.path(), b"x").unwrap_err();
        assert!(e.to_string().contains("folder of this name"), "{e}");
        assert_eq!(e.exit_code(), ExitCode::Output);
    }

    #[test]
    fn a_path_through_a_file_is_told_in_words() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("song.toml");
        write_whole(&file, b"x").unwrap();
        let e = make_folder(&file.join("out")).unwrap_err();
        assert!(e.to_string().contains("a part of the path is a file"), "{e}");
    }

    /// 28 is ENOSPC, 122 EDQUOT on Linux (errno(3)).
    #[cfg(target_os = "linux")]
    #[test]
    fn a_full_disk_and_a_used_up_quota_are_called_full() {
        for code in [28, 122] {
            assert!(matches!(fault_of(&io::Error::from_raw_os_error(code)), OutputFault::Full));
        }
    }

    /// `/dev/full` refuses every byte as a full disk does (full(4)).
    #[cfg(target_os = "linux")]
    #[test]
    fn a_disk_that_fills_up_while_writing_is_called_full_and_leaves_the_old_file() {
        let dir = tempfile::tempdir().unwrap();
        let target = dir.path().join("hits.csv");
        write_whole(&target, b"old").unwrap();
        let mut f = AtomicFile::create(&target).unwrap();
        let full = OpenOptions::new().write(true).open("/dev/full").unwrap();
        f.file = Some(BufWriter::new(full));
        f.write_all(b"new").unwrap();
        let e = f.commit().unwrap_err();
        assert!(e.to_string().contains("the disk is full"), "{e}");
        assert_eq!(fs::read(&target).unwrap(), b"old");
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);
    }

    #[test]
    fn a_recording_is_never_replaced_however_it_is_spelled() {
        let dir = tempfile::tempdir().unwrap();
        let take = dir.path().join("kick.wav");
        fs::write(&take, b"x").unwrap();
        fs::create_dir(dir.path().join("sub")).unwrap();
        let crooked = dir.path().join("sub").join("..").join("kick.wav");
        let e = Inputs::of([&take]).refuse(&crooked).unwrap_err();
        assert!(e.to_string().contains("would replace one of the recordings"), "{e}");
        assert!(Inputs::of([&take]).refuse(&dir.path().join("snare.wav")).is_ok());
        let other = dir.path().join("hits.csv");
        fs::write(&other, b"x").unwrap();
        assert!(Inputs::of([&take]).refuse(&other).is_ok(), "an older result may be replaced");
    }

    #[cfg(unix)]
    #[test]
    fn a_recording_is_never_replaced_through_a_link() {
        let dir = tempfile::tempdir().unwrap();
        let take = dir.path().join("kick.wav");
        fs::write(&take, b"x").unwrap();
        let (soft, hard) = (dir.path().join("soft.wav"), dir.path().join("hard.wav"));
        std::os::unix::fs::symlink(&take, &soft).unwrap();
        fs::hard_link(&take, &hard).unwrap();
        assert!(Inputs::of([&take]).refuse(&soft).is_err());
        assert!(Inputs::of([&take]).refuse(&hard).is_err());
        assert!(Inputs::of([&soft]).refuse(&take).is_err());
    }
}
