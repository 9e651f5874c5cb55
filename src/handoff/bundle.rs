//! The zip being written: entries one after the other, each with its size and SHA-256, under one top folder.
//!
//! In: names and bytes. Out: a complete zip under its passing name, to be re-read before it gets its own. Time stamps are
//! fixed, so that equal contents give equal bytes. Audio is stored as it is, documents are deflated (docs/handoff.md has
//! the figures behind that).

use super::manifest::hex;
use crate::error::{Located, Result};
use crate::output::{AtomicFile, OutputFault, fault_of};
use sha2::{Digest, Sha256};
use std::io::{self, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
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
    zip: ZipWriter<Latch>,
    open: Option<(String, u64, Sha256)>,
}

impl Bundle {
    /// Starts a zip beside `target`; everything in it lies under the folder `root`.
    pub fn create(target: &Path, root: &str) -> Result<Self> {
        let file = Latch { file: AtomicFile::create(target)?, failed: false, pos: 0 };
        Ok(Self { target: target.to_owned(), root: root.to_owned(), zip: ZipWriter::new(file), open: None })
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
        self.zip.start_file(format!("{}/{path}", self.root), options).map_err(|e| self.fail(e))?;
        self.open = Some((path.to_owned(), 0, Sha256::new()));
        Ok(())
    }

    /// Writes into the entry that was started last.
    pub fn write(&mut self, bytes: &[u8]) -> Result<()> {
        if let Some((_, size, sha)) = &mut self.open {
            *size += bytes.len() as u64;
            sha.update(bytes);
        }
        self.zip.write_all(bytes).map_err(|e| Located::whole(&self.target, fault_of(&e)).into())
    }

    /// Ends the entry that was started last.
    pub fn end(&mut self) -> Result<Written> {
        let (path, bytes, sha) = self.open.take().unwrap_or_default();
        Ok(Written { path, bytes, sha256: hex(&sha.finalize()) })
    }

    /// Completes the zip under its passing name.
    pub fn finish(self) -> Result<AtomicFile> {
        let target = self.target;
        let mut latch = self.zip.finish().map_err(|e| fault(&target, e))?;
        latch.file.flush().map_err(|e| Located::whole(&target, fault_of(&e)))?;
        Ok(latch.file)
    }

    fn fail(&self, e: ZipError) -> crate::Error {
        fault(&self.target, e)
    }
}

fn fault(target: &Path, e: ZipError) -> crate::Error {
    let fault = match e {
        ZipError::Io(e) => fault_of(&e),
        e => OutputFault::Write(e.to_string()),
    };
    Located::whole(target, fault).into()
}

/// Passes everything on until something fails, and from then on swallows it: a zip that is given up wants to write its
/// directory, and would complain of the full disk a second time.
struct Latch {
    file: AtomicFile,
    failed: bool,
    pos: u64,
}

impl Latch {
    fn keep<T>(&mut self, done: io::Result<T>) -> io::Result<T> {
        self.failed |= done.as_ref().is_err_and(|e| e.kind() != io::ErrorKind::Interrupted);
        done
    }
}

impl Write for Latch {
    fn write(&mut self, buf: &[u8]) -> io::Result<usize> {
        if self.failed {
            self.pos += buf.len() as u64;
            return Ok(buf.len());
        }
        let done = self.file.write(buf);
        self.keep(done)
    }

    fn flush(&mut self) -> io::Result<()> {
        if self.failed {
            return Ok(());
        }
        let done = self.file.flush();
        self.keep(done)
    }
}

impl Seek for Latch {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        if self.failed {
            if let SeekFrom::Start(n) = to {
                self.pos = n;
            }
            return Ok(self.pos);
        }
        let done = self.file.seek(to);
        self.keep(done)
    }
}
