//! The record beside corrected copies: which recording each is of, and what was done to it.
//!
//! In: a folder that may hold copies of an earlier run. Out: whether a file there may be replaced, and the record of this run. A file
//! that the record does not know, or that has changed since, is somebody else's and stays.

use super::copies::Copied;
use crate::audio::AudioFault;
use crate::error::{Located, Result};
use crate::output::{OutputFault, csv_field};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

/// What the record is called.
pub const COPIES: &str = "copies.csv";
const HEAD: &str = "file,recording,sign,moved_samples,sha256";

/// What is known of the copies in a folder: the checksum of each, by its name.
#[derive(Debug, Default)]
pub struct CopiesRecord {
    folder: PathBuf,
    sums: BTreeMap<String, String>,
}

impl CopiesRecord {
    /// Reads the record of a folder; empty where there is none.
    ///
    /// # Errors
    /// [`OutputFault::Exists`] where a file of that name is no such record.
    pub fn read(folder: &Path) -> Result<Self> {
        let mut record = Self { folder: folder.to_owned(), sums: BTreeMap::new() };
        let path = folder.join(COPIES);
        if !path.exists() {
            return Ok(record);
        }
        let foreign = || Located::whole(&path, OutputFault::Exists);
        let mut rows = csv::Reader::from_path(&path).map_err(|_| foreign())?;
        if rows.headers().map_err(|_| foreign())?.iter().ne(HEAD.split(',')) {
            return Err(foreign().into());
        }
        for row in rows.records() {
            let row = row.map_err(|_| foreign())?;
            if let (Some(name), Some(sum)) = (row.get(0), row.get(4)) {
                record.sums.insert(name.to_owned(), sum.to_owned());
            }
        }
        Ok(record)
    }

    /// Whether a copy, which lies beside as `made`, may be put at `target`, in the record's folder: nothing is there, or an earlier
    /// copy as it was written, or the very same, as a run leaves it that ends before its record is written.
    ///
    /// # Errors
    /// [`OutputFault::Exists`] for somebody else's file; [`AudioFault`] for one that cannot be read.
    pub fn permit(&self, target: &Path, made: &Path) -> Result<()> {
        if !target.exists() {
            return Ok(());
        }
        let there = sha256(target)?;
        if self.sums.get(&name(target)) == Some(&there) || sha256(made)? == there {
            return Ok(());
        }
        Err(Located::whole(target, OutputFault::Exists).into())
    }

    /// The record once copies were made, CSV (RFC 4180): a row a copy, those of earlier runs that are still there among them.
    ///
    /// # Errors
    /// [`AudioFault`] where a copy cannot be read.
    pub fn with(mut self, copies: &[Copied]) -> Result<String> {
        let old = std::fs::read_to_string(self.folder.join(COPIES)).unwrap_or_default();
        let mut rows: BTreeMap<String, String> = BTreeMap::new();
        let mut reader = csv::Reader::from_reader(old.as_bytes());
        for row in reader.records().flatten() {
            let fields: Vec<String> = row.iter().map(csv_field).collect();
            if let Some(name) = row.get(0).filter(|name| self.folder.join(name).exists()) {
                rows.insert(name.to_owned(), fields.join(","));
            }
        }
        for copy in copies {
            let (file, sum) = (name(&copy.target), sha256(&copy.target)?);
            let sign = if copy.inverted { "inverted" } else { "kept" };
            let row = format!("{},{},{sign},{},{sum}", csv_field(&file), csv_field(&name(&copy.source)), copy.later);
            rows.insert(file.clone(), row);
            self.sums.insert(file, sum);
        }
        let rows: String = rows.into_values().map(|row| row + "\r\n").collect();
        Ok(format!("{HEAD}\r\n{rows}"))
    }
}

fn name(path: &Path) -> String {
    path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
}

fn sha256(path: &Path) -> Result<String> {
    let fault = |e: io::Error| Located::whole(path, AudioFault::of_system(&e));
    let mut file = File::open(path).map_err(fault)?;
    let (mut sha, mut block) = (Sha256::new(), vec![0u8; 1 << 16]);
    loop {
        match file.read(&mut block).map_err(fault)? {
            0 => break,
            n => sha.update(block.get(..n).unwrap_or_default()),
        }
    }
    Ok(sha.finalize().iter().map(|byte| format!("{byte:02x}")).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn copied(folder: &Path, name: &str, inverted: bool) -> Copied {
        Copied { source: folder.join("takes").join(name), target: folder.join(name), inverted, later: -6, held: 0 }
    }

    #[test]
    fn only_an_earlier_copy_as_it_was_written_may_be_replaced() {
        let dir = tempfile::tempdir().unwrap();
        let snare = dir.path().join("snare, lower.wav");
        let made = dir.path().join("made");
        std::fs::write(&made, b"the copy of now").unwrap();
        let empty = CopiesRecord::read(dir.path()).unwrap();
        assert!(empty.permit(&snare, &made).is_ok(), "nothing is there");
        std::fs::write(&snare, b"the copy of now").unwrap();
        assert!(empty.permit(&snare, &made).is_ok(), "the very same, left by a run that did not come to its record");
        std::fs::write(&snare, b"the copy").unwrap();
        assert!(empty.permit(&snare, &made).is_err(), "whose is it?");
        let record = empty.with(&[copied(dir.path(), "snare, lower.wav", true)]).unwrap();
        std::fs::write(dir.path().join(COPIES), &record).unwrap();
        assert!(CopiesRecord::read(dir.path()).unwrap().permit(&snare, &made).is_ok(), "{record}");
        // Another copy of a later run leaves its row.
        std::fs::write(dir.path().join("kick.wav"), b"another").unwrap();
        let both = CopiesRecord::read(dir.path()).unwrap().with(&[copied(dir.path(), "kick.wav", false)]).unwrap();
        assert!(both.lines().count() == 3 && both.contains(record.lines().nth(1).unwrap()), "{both}");
        std::fs::write(&snare, b"what somebody made of it").unwrap();
        assert!(CopiesRecord::read(dir.path()).unwrap().permit(&snare, &made).is_err());
        std::fs::write(dir.path().join(COPIES), "title,copies\r\nThe song,3\r\n").unwrap();
        assert!(CopiesRecord::read(dir.path()).is_err(), "a table of another kind is nobody's record");
    }
}
