//! Checking a zip against its own manifest: at the sender's before it gets its name, at the receiver's after it came.
//!
//! In: a zip file. Out: [`Verified`]: every file of the delivery was read to its end, its CRC, size and SHA-256 are
//! right, nothing is missing, nothing was added, nothing would land outside the folder it is unpacked into, and every
//! program that unpacks it finds the same files under the same names. What packing it again with a file manager does
//! to it is no fault: files of the manager's own, another top folder or none, accents stored behind their letters.

use super::fault::HandoffFault;
use super::manifest::{CHECKSUMS, FileEntry, KIND, LAYOUT, MANIFEST, Manifest, hex};
use crate::error::{Located, Result};
use crate::output::{composed, kept_by_windows};
use crate::progress::Progress;
use rayon::prelude::*;
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, HashMap, HashSet};
use std::fs::File;
use std::io::{BufReader, ErrorKind, Read};
use std::path::{Path, PathBuf};
use zip::result::ZipError;
use zip::{ZipArchive, ZipReadOptions};

/// Entries that a zip may hold; a delivery has some dozens.
const MOST_ENTRIES: usize = 10_000;
/// Largest manifest that is read, bytes.
const MOST_MANIFEST: u64 = 64 << 20;
/// Longest path in a manifest whose folders are known; those of a delivery are far shorter.
const LONGEST_PATH: usize = 4096;
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
    /// Files of the delivery that were compared.
    pub files: usize,
    /// Bytes that were read.
    pub bytes: u64,
    /// What is wrong, one sentence each; empty for a good zip.
    pub wrong: Vec<String>,
    /// Whether nothing else is wrong than that something was added: every file of the delivery is there, unaltered.
    pub intact: bool,
    /// What is otherwise than it was sent and does no harm, one sentence each.
    pub harmless: Vec<String>,
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

/// Reads the manifest of a zip, and what the paths of the delivery begin with: its folder with a `/` behind, or
/// nothing.
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
    let of_root = |n: &'_ String| {
        let root = n.strip_suffix(MANIFEST)?.to_owned();
        ((root.is_empty() || root.ends_with('/')) && !n.split('/').any(|p| p == MAC)).then_some(root)
    };
    // The least deep one, the first in the zip where two are alike in that: a delivery may lie in a folder, or in none.
    let found = names.iter().filter_map(|n| Some((n, of_root(n)?)));
    let (name, root) = found
        .min_by_key(|(_, root)| root.matches('/').count())
        .ok_or_else(|| none(format!("there is no {MANIFEST} in it")))?;
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
    Ok((manifest, root))
}

/// Where an entry lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Lies {
    /// In the folder of the delivery; its path is that in it.
    Inside,
    /// In the folder or not, of a file manager's own.
    Aside,
    /// Beside the folder; its path is its whole name.
    Beside,
}

/// What one entry of the zip turned out to be.
struct Read1 {
    path: String,
    /// A folder, as file managers write one before its files.
    folder: bool,
    lies: Lies,
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
    let root = composed(&root);
    // A manifest can claim any sizes.
    let total = manifest.files.iter().fold(0u64, |sum, f| sum.saturating_add(f.bytes));
    progress.begin("checking the zip", total);
    let delivery = Delivery::of(&manifest, &root);
    // One reader a thread; entries are taken in order and compared in order, so the outcome does not depend on threads.
    let entries: Vec<Read1> = (0..archive.len())
        .into_par_iter()
        .map_init(|| open(zip).ok(), |archive, i| read_entry(archive.as_mut(), i, &delivery, progress))
        .collect();
    progress.end();
    let mut wrong = harmed(&manifest, &entries);
    if archive.has_duplicate_names() {
        wrong.push("two files in the zip have one name".into());
    } else {
        // What each entry says of itself was compared above; this finds files that overlap and files that no list names.
        wrong.extend(archive.validate_header_consistency().err().map(|e| format!("the zip contradicts itself ({e})")));
    }
    let intact = wrong.is_empty();
    wrong.extend(all_added(&manifest, &root, &entries));
    let bytes = entries.iter().map(|e| e.bytes).sum();
    let files = entries.iter().filter(|e| !e.folder && e.lies != Lies::Aside).count();
    let harmless = harmless(&entries, &root);
    Ok(Verified { zip: zip.to_owned(), manifest, files, bytes, wrong, intact, harmless })
}

/// What was done to a zip that leaves the delivery as it was.
fn harmless(entries: &[Read1], root: &str) -> Vec<String> {
    let mut out = Vec::new();
    if root.is_empty() {
        out.push("it was packed without its top folder: unpack it into a folder of its own".into());
    }
    let aside = || entries.iter().filter(|e| e.lies == Lies::Aside && e.wrong.is_none());
    let count = aside().filter(|e| !e.folder).count();
    if let Some(first) = aside().next() {
        let files = match count {
            0 => "a folder".to_owned(),
            1 => "one file".to_owned(),
            n => format!("{n} files"),
        };
        out.push(format!(
            "{files} of a file manager lie in it too, such as \"{}\"; they do no harm",
            first.path.trim_end()
        ));
    }
    out
}

/// Folder of a Mac's own files in a zip.
const MAC: &str = "__MACOSX";
/// What a Mac's file of a folder's icon is called: the one name with a control character that is let pass.
const ICON: &str = "Icon\r";

/// What a manifest says of the zip.
struct Delivery<'a> {
    root: &'a str,
    /// By their paths, composed as those of entries are.
    sizes: HashMap<String, u64>,
    /// Whole names of its files and folders, and of the folders that it lies in.
    names: HashSet<String>,
}

impl<'a> Delivery<'a> {
    fn of(manifest: &'a Manifest, root: &'a str) -> Self {
        let paths = manifest.files.iter().map(|f| f.path.as_str()).chain([MANIFEST, CHECKSUMS]);
        let whole = paths.filter(|p| p.len() <= LONGEST_PATH).map(|p| format!("{root}{}", composed(p)));
        let names = whole.flat_map(|p| folders(&p).map(str::to_owned).chain([p.clone()]).collect::<Vec<_>>()).collect();
        Self { root, sizes: manifest.files.iter().map(|f| (composed(&f.path), f.bytes)).collect(), names }
    }

    fn expected(&self, path: &str) -> Expected {
        match path {
            MANIFEST | CHECKSUMS => Expected::AtMost(MOST_MANIFEST),
            path => self.sizes.get(path).map_or(Expected::Nothing, |&n| Expected::Size(n)),
        }
    }

    /// Files that file managers put into zips and folders for themselves: on a Mac `.DS_Store`, `Icon` with a carriage
    /// return and, for each file and folder, one with `._` before its name, beside it or in the same place under
    /// `__MACOSX`; on Windows `Thumbs.db` and `desktop.ini` (from memory). One of a file that is not of the delivery
    /// was added as that file would be.
    fn is_of_a_file_manager(&self, name: &str, folder: bool) -> bool {
        const OWN: [&str; 3] = [".ds_store", "thumbs.db", "desktop.ini"];
        let own = |file: &str| file == ICON || OWN.contains(&file.to_lowercase().as_str());
        let parts: Vec<&str> = name.split('/').collect();
        let in_mac = parts.contains(&MAC);
        let mut place: Vec<&str> = parts.into_iter().filter(|p| *p != MAC).collect();
        if folder {
            return in_mac && (place.is_empty() || self.names.contains(&place.join("/")));
        }
        let last = place.pop().unwrap_or_default();
        match last.strip_prefix("._") {
            Some(of) => own(of) || self.names.contains(&place.into_iter().chain([of]).collect::<Vec<_>>().join("/")),
            None => own(last),
        }
    }
}

/// What the manifest lets one expect of an entry; more than that is never unpacked.
#[derive(Clone, Copy)]
enum Expected {
    Size(u64),
    AtMost(u64),
    /// It is not in the manifest.
    Nothing,
}

fn read_entry(archive: Option<&mut Archive>, index: usize, delivery: &Delivery<'_>, progress: &dyn Progress) -> Read1 {
    let path = format!("entry {}", index + 1);
    let mut out = Read1 { path, folder: false, lies: Lies::Beside, bytes: 0, sha256: String::new(), wrong: None };
    out.wrong = match archive {
        Some(archive) => out.fill(archive, index, delivery, progress).err(),
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
        delivery: &Delivery<'_>,
        progress: &dyn Progress,
    ) -> Result<(), String> {
        // A zip tells name, size and CRC of a file twice, in its list and before the file itself; programs take either.
        let strict = ZipReadOptions::new().enforce_header_consistency(!archive.has_duplicate_names());
        let one_name = archive.by_index_with_options(index, strict).map(|_| ());
        let mut entry = archive.by_index(index).map_err(|e| format!("{} cannot be read ({e})", self.path))?;
        let name = entry.name().map_err(|e| format!("{} has no readable name ({e})", self.path))?;
        let name = composed(&name);
        let (name, folder) = name.strip_suffix('/').map_or((name.as_str(), false), |folder| (folder, true));
        (self.path, self.folder) = (name.to_owned(), folder);
        let plain = if name.ends_with(ICON) { name.trim_end_matches('\r') } else { name };
        if unsafe_path(plain) {
            return Err(format!("\"{name}\" would be unpacked outside the folder"));
        }
        if entry.is_symlink() {
            return Err(format!("\"{name}\" is a link to another place, not a file"));
        }
        one_name.map_err(|e| format!("\"{name}\" is described twice in the zip, and not alike ({e})"))?;
        // Folders that the top folder lies in count as that one.
        let above = folder && delivery.root.strip_prefix(name).is_some_and(|rest| rest.starts_with('/'));
        let inside = if above { Some("") } else { name.strip_prefix(delivery.root) };
        let is_sent = inside.is_some_and(|path| !matches!(delivery.expected(path), Expected::Nothing));
        (self.lies, self.path) = match inside {
            _ if !is_sent && delivery.is_of_a_file_manager(name, folder) => (Lies::Aside, name.to_owned()),
            Some(path) => (Lies::Inside, path.to_owned()),
            None => (Lies::Beside, name.to_owned()),
        };
        let declared = entry.size();
        if folder {
            let holds = || format!("\"{name}\" is called a folder but holds {declared} bytes");
            return if declared > 0 { Err(holds()) } else { Ok(()) };
        }
        let wanted = if self.lies == Lies::Inside { delivery.expected(&self.path) } else { Expected::Nothing };
        match wanted {
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

/// What is wrong with the files of the delivery.
fn harmed(manifest: &Manifest, entries: &[Read1]) -> Vec<String> {
    let mut wrong: Vec<String> = entries.iter().filter_map(|e| e.wrong.clone()).collect();
    let mut read: HashMap<&str, &Read1> = HashMap::new();
    let inside = || entries.iter().filter(|e| e.lies == Lies::Inside);
    for e in inside().filter(|e| e.wrong.is_none() && !e.folder) {
        if read.insert(&e.path, e).is_some() {
            wrong.push(format!("{} is in the zip twice", e.path));
        }
    }
    for f in &manifest.files {
        let path = composed(&f.path);
        match read.remove(path.as_str()) {
            Some(e) => wrong.extend(differs(f, e)),
            None if inside().any(|e| e.path == path && !e.folder) => {}
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
    wrong
}

/// What lies in the zip and is of no delivery.
fn all_added(manifest: &Manifest, root: &str, entries: &[Read1]) -> Vec<String> {
    let well = |lies: Lies| entries.iter().filter(move |e| e.lies == lies && e.wrong.is_none());
    let composed: Vec<String> = manifest.files.iter().map(|f| composed(&f.path)).collect();
    let paths = || composed.iter().map(String::as_str);
    let known: HashSet<&str> = paths().chain([MANIFEST, CHECKSUMS]).collect();
    // The top folder has an empty path.
    let in_use: HashSet<&str> = paths().filter(|p| p.len() <= LONGEST_PATH).flat_map(folders).chain([""]).collect();
    let strange = |e: &&Read1| if e.folder { !in_use.contains(&*e.path) } else { !known.contains(&*e.path) };
    let each = |e: &Read1| (e.path.clone(), e.folder);
    let mut out = added(well(Lies::Inside).filter(strange).map(each), |folder| in_use.contains(folder));
    out.extend(added(well(Lies::Beside).map(each), |folder| folders(root).any(|f| f == folder)));
    out
}

/// The folders that a path lies in, from the top one down.
fn folders(path: &str) -> impl Iterator<Item = &str> {
    path.match_indices('/').filter_map(|(at, _)| path.get(..at))
}

/// A sentence for everything that was added, `true` with a folder: one for a file beside files of the delivery, one
/// for a folder that holds none of them.
fn added(all: impl Iterator<Item = (String, bool)>, known: impl Fn(&str) -> bool) -> Vec<String> {
    let mut count: BTreeMap<(String, bool), usize> = BTreeMap::new();
    for (path, folder) in all {
        let above = folders(&path).find(|above| !known(above));
        let told = above.map_or_else(|| (path.clone(), folder), |above| (above.to_owned(), true));
        *count.entry(told).or_default() += usize::from(!folder);
    }
    let sentence = |((path, folder), files): (&(String, bool), &usize)| match (folder, files) {
        (false, _) => format!("\"{path}\" was added to the zip"),
        (true, 0) => format!("the folder \"{path}\" was added to the zip"),
        (true, 1) => format!("the folder \"{path}\" with one file was added to the zip"),
        (true, n) => format!("the folder \"{path}\" with {n} files was added to the zip"),
    };
    count.iter().map(sentence).collect()
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
