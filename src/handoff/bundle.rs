//! The zip being written: entries one after the other, each with its size and SHA-256, under one top folder.
//!
//! In: names and bytes. Out: a complete zip under its passing name, to be re-read before it gets its own. Time stamps are
//! fixed, so that equal contents give equal bytes. Audio is stored as it is, documents are deflated (docs/handoff.md has
//! the figures behind that).

use super::manifest::hex;
use crate::error::{Located, Result};
use crate::output::{AtomicFile, OutputFault, fault_of};
use sha2::{Digest, Sha256};
use std::cell::RefCell;
use std::io::{self, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::rc::Rc;
use zip::result::ZipError;
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, DateTime, ZipWriter};

/// An entry that was written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Written {
    /// Path inside the top folder.
    pub path: String,
    pub bytes: u64,
    pub sha256: String,
}

/// A zip being written.
pub(super) struct Bundle {
    target: PathBuf,
    root: String,
    /// `None` once it is finished.
    zip: Option<ZipWriter<Shared>>,
    file: Shared,
    open: Option<(String, u64, Sha256)>,
}

impl Bundle {
    /// Starts a zip beside `target`; everything in it lies under the folder `root`.
    pub fn create(target: &Path, root: &str) -> Result<Self> {
        let file = Shared(Rc::new(RefCell::new(Some(AtomicFile::create(target)?))));
        let zip = Some(ZipWriter::new(file.clone()));
        Ok(Self { target: target.to_owned(), root: root.to_owned(), zip, file, open: None })
    }

    /// Adds a whole document, deflated.
    pub fn add(&mut self, path: &str, contents: &[u8]) -> Result<Written> {
        self.start(path, CompressionMethod::Deflated, contents.len() as u64)?;
        self.write(contents)?;
        self.end()
    }

    /// Starts an audio entry of so many bytes, stored.
    pub fn start_audio(&mut self, path: &str, bytes: u64) -> Result<()> {
        self.start(path, CompressionMethod::Stored, bytes)
    }

    /// Starts a document of so many bytes: audio is stored, everything else deflated.
    pub fn start_copy(&mut self, path: &str, bytes: u64) -> Result<()> {
        let audio = Path::new(path).extension().is_some_and(|e| e.eq_ignore_ascii_case("wav"));
        self.start(path, if audio { CompressionMethod::Stored } else { CompressionMethod::Deflated }, bytes)
    }

    fn start(&mut self, path: &str, method: CompressionMethod, bytes: u64) -> Result<()> {
        let options = SimpleFileOptions::default()
            .compression_method(method)
            .last_modified_time(DateTime::default())
            .unix_permissions(0o644)
            // ZIP64 only where the 32-bit fields cannot hold the size; a deflated entry may grow a little.
            .large_file(bytes >= u64::from(u32::MAX) - (1 << 20));
        let name = format!("{}/{path}", self.root);
        let started = self.writer()?.start_file(name, options);
        started.map_err(|e| fault(&self.target, e))?;
        self.open = Some((path.to_owned(), 0, Sha256::new()));
        Ok(())
    }

    /// Writes into the entry that was started last.
    pub fn write(&mut self, bytes: &[u8]) -> Result<()> {
        if let Some((_, size, sha)) = &mut self.open {
            *size += bytes.len() as u64;
            sha.update(bytes);
        }
        let written = self.writer()?.write_all(bytes);
        written.map_err(|e| Located::whole(&self.target, fault_of(&e)).into())
    }

    /// Ends the entry that was started last.
    pub fn end(&mut self) -> Result<Written> {
        let (path, bytes, sha) = self.open.take().unwrap_or_default();
        Ok(Written { path, bytes, sha256: hex(&sha.finalize()) })
    }

    /// Completes the zip under its passing name.
    pub fn finish(mut self) -> Result<AtomicFile> {
        if let Some(zip) = self.zip.take() {
            zip.finish().map_err(|e| fault(&self.target, e))?;
        }
        let mut file = self.file.0.borrow_mut().take().ok_or_else(|| fault(&self.target, gone().into()))?;
        file.flush().map_err(|e| Located::whole(&self.target, fault_of(&e)))?;
        Ok(file)
    }

    fn writer(&mut self) -> Result<&mut ZipWriter<Shared>> {
        let target = &self.target;
        self.zip.as_mut().ok_or_else(|| fault(target, gone().into()))
    }
}

impl Drop for Bundle {
    fn drop(&mut self) {
        // The file vanishes now. The writer of a zip that is given up would still try to write its directory when it is
        // dropped, complain of the full disk a second time, or worse; so it is left behind instead.
        self.file.0.borrow_mut().take();
        if let Some(zip) = self.zip.take() {
            std::mem::forget(zip);
        }
    }
}

fn fault(target: &Path, e: ZipError) -> crate::Error {
    let fault = match e {
        ZipError::Io(e) => fault_of(&e),
        e => OutputFault::Write(e.to_string()),
    };
    Located::whole(target, fault).into()
}

fn gone() -> io::Error {
    io::Error::other("the zip was given up")
}

/// The file, held by the zip's writer and by the bundle, which takes it away when the zip is given up.
#[derive(Clone)]
struct Shared(Rc<RefCell<Option<AtomicFile>>>);

impl Shared {
    fn with<T>(&self, act: impl FnOnce(&mut AtomicFile) -> io::Result<T>) -> io::Result<T> {
        self.0.borrow_mut().as_mut().map_or_else(|| Err(gone()), act)
    }
}

impl Write for Shared {
    fn write(&mut self, buf: &[u8]) -> io::Result<usize> {
        self.with(|f| f.write(buf))
    }

    fn flush(&mut self) -> io::Result<()> {
        self.with(Write::flush)
    }
}

impl Seek for Shared {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.with(|f| f.seek(to))
    }
}
