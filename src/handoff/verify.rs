//! Checking a zip against its own manifest: at the sender's before it gets its name, at the receiver's after it came.
//!
//! In: a zip file. Out: [`Verified`]: every entry was read to its end, its CRC, size and SHA-256 are right, nothing is
//! missing, nothing was added, nothing would land outside the folder it is unpacked into, and every program that unpacks it
//! finds the same files under the same names.

use super::fault::HandoffFault;
use super::manifest::{CHECKSUMS, FileEntry, KIND, LAYOUT, MANIFEST, Manifest, hex};
use crate::error::{Located, Result};
use crate::output::kept_by_windows;
use crate::progress::Progress;
use rayon::prelude::*;
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::collections::HashMap;
use std::fs::File;
use std::io::{BufReader, ErrorKind, Read};
use std::path::{Path, PathBuf};
use zip::result::ZipError;
use zip::{ZipArchive, ZipReadOptions};

/// Entries that a zip may hold; a delivery has some dozens.
const MOST_ENTRIES: usize = 10_000;
/// Largest manifest that is read, bytes.
const MOST_MANIFEST: u64 = 64 << 20;
/// The most that a zip may claim to hold for each of its own bytes: deflate packs at the best 1032 to 1 (RFC 1951, 258
/// bytes in two bits).
const MOST_PACKED: u64 = 1_100;

/// A zip that was checked.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Verified {
    /// The zip.
    pub zip: PathBuf,
    /// What its manifest says.
    #[serde(skip)]
    pub manifest: Manifest,
    /// Files that were compared.
    pub files: usize,
    /// Bytes that were read.
    pub bytes: u64,
    /// What is wrong, one sentence each; empty for a good zip.
    pub wrong: Vec<String>,
}

impl Verified {
    /// The fault that a bad zip stands for; `None` for a good one.
    #[must_use]
    pub fn fault(&self) -> Option<HandoffFault> {
        let first = self.wrong.first()?;
        let more = match self.wrong.len() {
            1 => String::new(),
            n => format!(" (and {} more)", n - 1),
        };
        Some(HandoffFault::Broken(format!("{first}{more}")))
    }
}

type Archive = ZipArchive<BufReader<File>>;

fn open(zip: &Path) -> Result<Archive, Located<HandoffFault>> {
    let bad = |e: String| Located::whole(zip, HandoffFault::NotAZip(e));
    let file = File::open(zip).map_err(|e| match e.kind() {
        ErrorKind::NotFound => Located::whole(zip, HandoffFault::Missing),
        ErrorKind::PermissionDenied => Located::whole(zip, HandoffFault::Unreadable("you may not read it".into())),
        _ => bad(e.to_string()),
    })?;
    if file.metadata().is_ok_and(|m| m.is_dir()) {
        return Err(bad("it is a folder".into()));
    }
    let archive = ZipArchive::new(BufReader::with_capacity(1 << 18, file)).map_err(|e| match e {
        ZipError::InvalidArchive(_) => bad("it is another kind of file, or its end is missing".into()),
        other => bad(other.to_string()),
    })?;
    if archive.len() > MOST_ENTRIES {
        return Err(bad(format!("it holds {} files", archive.len())));
    }
    let size = std::fs::metadata(zip).map_or(0, |m| m.len());
    let claimed = archive.decompressed_size().unwrap_or(0);
    if claimed > u128::from(size.saturating_mul(MOST_PACKED)) {
        return Err(bad(format!("it claims to hold {claimed} bytes in {size}")));
    }
    Ok(archive)
}

/// Reads the manifest of a zip, and the top folder that it lies in.
///
/// # Errors
/// [`HandoffFault::NotAZip`], [`HandoffFault::NoManifest`].
pub fn manifest_of(zip: &Path) -> Result<(Manifest, String)> {
    let mut archive = open(zip)?;
    Ok(read_manifest(zip, &mut archive)?)
}

fn read_manifest(zip: &Path, archive: &mut Archive) -> Result<(Manifest, String), Located<HandoffFault>> {
    let none = |why: String| Located::whole(zip, HandoffFault::NoManifest(why));
    let names: Vec<String> = archive.file_names().filter_map(|n| n.ok().map(|n| n.into_owned())).collect();
    let mut found = names.iter().filter_map(|n| n.strip_suffix(MANIFEST)?.strip_suffix('/').map(|root| (n, root)));
    let (name, root) = found
        .find(|(_, root)| !root.contains('/'))
        .ok_or_else(|| none(format!("there is no {MANIFEST} in its top folder")))?;
    let entry = archive.by_name(name).map_err(|e| none(e.to_string()))?;
    let mut text = Vec::new();
    entry.take(MOST_MANIFEST).read_to_end(&mut text).map_err(|e| none(e.to_string()))?;
    let manifest: Manifest =
        serde_json::from_slice(&text).map_err(|e| none(format!("its manifest is damaged: {e}")))?;
    if manifest.kind != KIND {
        return Err(none("its manifest is another program's".into()));
    }
    if manifest.layout > LAYOUT {
        return Err(none(format!("its manifest was made by a newer version, {}", manifest.made_by)));
    }
    Ok((manifest, root.to_owned()))
}

/// What one entry of the zip turned out to be.
struct Read1 {
    path: String,
    /// A folder, as file managers write one before its files.
    folder: bool,
    bytes: u64,
    sha256: String,
    wrong: Option<String>,
}

/// Reads every entry of a zip to its end and compares it with the manifest. Memory does not depend on any size.
///
/// # Errors
/// [`HandoffFault::NotAZip`] and [`HandoffFault::NoManifest`]; everything else that is wrong is listed in the result.
pub fn verify(zip: &Path, progress: &dyn Progress) -> Result<Verified> {
    let mut archive = open(zip)?;
    let (manifest, root) = read_manifest(zip, &mut archive)?;
    // A manifest can claim any sizes.
    let total = manifest.files.iter().fold(0u64, |sum, f| sum.saturating_add(f.bytes));
    progress.begin("checking the zip", total);
    let sizes: HashMap<&str, u64> = manifest.files.iter().map(|f| (f.path.as_str(), f.bytes)).collect();
    let expected = |path: &str| match path {
        MANIFEST | CHECKSUMS => Expected::AtMost(MOST_MANIFEST),
        path => sizes.get(path).map_or(Expected::Nothing, |&n| Expected::Size(n)),
    };
    // One reader a thread; entries are taken in order and compared in order, so the outcome does not depend on threads.
    let entries: Vec<Read1> = (0..archive.len())
        .into_par_iter()
        .map_init(|| open(zip).ok(), |archive, i| read_entry(archive.as_mut(), i, &root, &expected, progress))
        .collect();
    progress.end();
    let mut wrong = compare(&manifest, &entries);
    if archive.has_duplicate_names() {
        wrong.push("two files in the zip have one name".into());
    } else if wrong.is_empty() {
        // What each entry says of itself was compared above; this finds files that overlap and files that no list names.
        wrong.extend(archive.validate_header_consistency().err().map(|e| format!("the zip contradicts itself ({e})")));
    }
    let bytes = entries.iter().map(|e| e.bytes).sum();
    let files = entries.iter().filter(|e| !e.folder).count();
    Ok(Verified { zip: zip.to_owned(), manifest, files, bytes, wrong })
}

/// What the manifest lets one expect of an entry; more than that is never unpacked.
#[derive(Clone, Copy)]
enum Expected {
    Size(u64),
    AtMost(u64),
    /// It is not in the manifest.
    Nothing,
}

fn read_entry(
    archive: Option<&mut Archive>,
    index: usize,
    root: &str,
    expected: &(dyn Fn(&str) -> Expected + Sync),
    progress: &dyn Progress,
) -> Read1 {
    let path = format!("entry {}", index + 1);
    let mut out = Read1 { path, folder: false, bytes: 0, sha256: String::new(), wrong: None };
    out.wrong = match archive {
        Some(archive) => out.fill(archive, index, root, expected, progress).err(),
        None => Some("the zip cannot be opened a second time".into()),
    };
    out
}

impl Read1 {
    /// Reads the entry to its end; gives what is wrong with it.
    fn fill(
        &mut self,
        archive: &mut Archive,
        index: usize,
        root: &str,
        expected: &(dyn Fn(&str) -> Expected + Sync),
        progress: &dyn Progress,
    ) -> Result<(), String> {
        // A zip tells name, size and CRC of a file twice, in its list and before the file itself; programs take either.
        let strict = ZipReadOptions::new().enforce_header_consistency(!archive.has_duplicate_names());
        let one_name = archive.by_index_with_options(index, strict).map(|_| ());
        let mut entry = archive.by_index(index).map_err(|e| format!("{} cannot be read ({e})", self.path))?;
        let name = entry.name().map_err(|e| format!("{} has no readable name ({e})", self.path))?.into_owned();
        let (name, folder) = name.strip_suffix('/').map_or((name.as_str(), false), |folder| (folder, true));
        (self.path, self.folder) = (name.to_owned(), folder);
        if unsafe_path(name) {
            return Err(format!("\"{name}\" would be unpacked outside the folder"));
        }
        if entry.is_symlink() {
            return Err(format!("\"{name}\" is a link to another place, not a file"));
        }
        one_name.map_err(|e| format!("\"{name}\" is described twice in the zip, and not alike ({e})"))?;
        let inside =
            name.strip_prefix(root).and_then(|n| n.strip_prefix('/').or((folder && n.is_empty()).then_some(n)));
        self.path = inside.ok_or_else(|| format!("\"{name}\" was added to the zip"))?.to_owned();
        let declared = entry.size();
        if folder {
            let holds = || format!("\"{name}\" is called a folder but holds {declared} bytes");
            return if declared > 0 { Err(holds()) } else { Ok(()) };
        }
        match expected(&self.path) {
            Expected::Size(n) if n != declared => {
                Err(format!("{} has {declared} bytes, the manifest says {n}", self.path))
            }
            Expected::AtMost(n) if declared > n => Err(format!("{} has {declared} bytes, which is absurd", self.path)),
            // What was added is told by its name; nobody needs to know what is in it.
            Expected::Nothing => Ok(()),
            _ => self.sum(&mut entry, declared, progress),
        }
    }

    /// Counts and sums the bytes of an entry; the zip crate checks its CRC at the end.
    fn sum(&mut self, entry: &mut impl Read, declared: u64, progress: &dyn Progress) -> Result<(), String> {
        let mut sha = Sha256::new();
        let mut block = vec![0u8; 1 << 17];
        loop {
            match entry.read(&mut block).map_err(|e| format!("{} is damaged ({e})", self.path))? {
                0 => break,
                n => {
                    sha.update(block.get(..n).unwrap_or_default());
                    self.bytes += n as u64;
                    progress.advance(n as u64);
                }
            }
            if self.bytes > declared {
                return Err(format!("{} is longer than the zip says", self.path));
            }
        }
        self.sha256 = hex(&sha.finalize());
        Ok(())
    }
}

/// Whether unpacking an entry of this name could write outside the folder, or to a device, on any system. Windows takes dots
/// and spaces off the end of a name, so that `.. ` becomes `..` (its documentation on naming files, from memory).
fn unsafe_path(name: &str) -> bool {
    name.starts_with(['/', '\\'])
        || name.contains(['\\', ':'])
        || name.chars().any(char::is_control)
        || name.split('/').any(|part| part.is_empty() || part.ends_with(['.', ' ']) || kept_by_windows(part))
}

fn compare(manifest: &Manifest, entries: &[Read1]) -> Vec<String> {
    let mut wrong: Vec<String> = entries.iter().filter_map(|e| e.wrong.clone()).collect();
    let mut read: HashMap<&str, &Read1> = HashMap::new();
    for e in entries.iter().filter(|e| e.wrong.is_none() && !e.folder) {
        if read.insert(&e.path, e).is_some() {
            wrong.push(format!("{} is in the zip twice", e.path));
        }
    }
    for f in &manifest.files {
        match read.remove(f.path.as_str()) {
            Some(e) => wrong.extend(differs(f, e)),
            None if entries.iter().any(|e| e.path == f.path && !e.folder) => {}
            None => wrong.push(format!("{} is missing", f.path)),
        }
    }
    let manifest_sum = read.remove(MANIFEST).map_or("", |e| e.sha256.as_str());
    let sums = hex(&Sha256::digest(manifest.checksums(manifest_sum)));
    match read.remove(CHECKSUMS) {
        Some(e) if e.sha256 == sums => {}
        Some(_) => wrong.push(format!("{CHECKSUMS} and {MANIFEST} contradict each other: one was changed")),
        None => wrong.push(format!("{CHECKSUMS} is missing")),
    }
    // The top folder has an empty path.
    let holds =
        |folder: &str, path: &str| path.strip_prefix(folder).is_some_and(|p| folder.is_empty() || p.starts_with('/'));
    let strange = |e: &&Read1| e.folder && e.wrong.is_none() && !manifest.files.iter().any(|f| holds(&e.path, &f.path));
    let mut added: Vec<&str> =
        read.into_keys().chain(entries.iter().filter(strange).map(|e| e.path.as_str())).collect();
    added.sort_unstable();
    wrong.extend(added.into_iter().map(|path| format!("{path} was added to the zip")));
    wrong
}

fn differs(want: &FileEntry, got: &Read1) -> Option<String> {
    if want.bytes != got.bytes {
        return Some(format!("{} has {} bytes, the manifest says {}", want.path, got.bytes, want.bytes));
    }
    (want.sha256 != got.sha256).then(|| format!("{} was changed after it was packed (SHA-256 differs)", want.path))
}

#[cfg(test)]
mod tests {
    use super::unsafe_path;

    #[test]
    fn paths_that_leave_the_folder_are_known() {
        for bad in [
            "/etc/x",
            "..",
            "a/../b",
            "a\\b",
            "C:x",
            "a//b",
            "./a",
            "\\\\server\\x",
            "a/",
            "a/.. /b",
            "a/.../b",
            "a/b.",
            "a\nb",
            "x/con.wav",
            "nul",
            "a\0b",
        ] {
            assert!(unsafe_path(bad), "{bad}");
        }
        assert!(!unsafe_path("LowTide_Handoff_R01/Acoustic Kit/LowTide_Snare_Top_48k24.wav"));
    }
}
