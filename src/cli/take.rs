//! What `phase`, `print` and `timing` start from: a song sheet and its hit list.

use super::hits::HITS;
use super::results::{complete, folder_for};
use crate::error::{Error, Located, Result};
use crate::finding::Finding;
use crate::hits::{HitList, find};
use crate::output::{AtomicFile, Inputs, OutputFault, commit_all, fault_of, file_stem, make_folder};
use crate::progress::Progress;
use crate::report::Picture;
use crate::song::Song;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Options that name sheet, folder and hit list.
#[derive(clap::Args)]
pub(super) struct TakeArgs {
    /// The song sheet (.toml)
    #[arg(value_name = "SHEET")]
    sheet: PathBuf,
    /// Folder for the results [default: "underlay" beside the sheet]
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Hit list to work from, edited by hand or not [default: hits.csv in the folder for results, where it is there;
    /// otherwise hits are found anew]
    #[arg(long, value_name = "CSV")]
    from_list: Option<PathBuf>,
}

/// A song with its hits.
pub(super) struct Take {
    pub song: Song,
    pub out: PathBuf,
    pub list: HitList,
    /// The list's file; `None` when hits were found anew.
    pub list_from: Option<PathBuf>,
    /// Files that must not be written to.
    pub inputs: Vec<PathBuf>,
    pub findings: Vec<Finding>,
}

impl TakeArgs {
    /// The sheet, before any work.
    pub fn song(&self) -> Result<(Song, PathBuf)> {
        // What is not there has no kind: its reader says that it is missing.
        if self.sheet.exists() && !self.sheet.extension().is_some_and(|e| e.eq_ignore_ascii_case("toml")) {
            return Err(Error::usage(
                format!("{} is no song sheet", self.sheet.display()),
                "Name a sheet (.toml); `underlay prep FOLDER` writes one.",
            ));
        }
        let song = Song::read(&self.sheet)?;
        let out = folder_for(&self.sheet, self.out.as_deref());
        Ok((song, out))
    }

    /// Reads or finds the hits.
    pub fn open(&self, song: Song, out: PathBuf, progress: &dyn Progress) -> Result<Take> {
        let list_from = list_for(self.from_list.as_deref(), &out);
        let mut findings = song.findings();
        let list = hits_of(&song, list_from.as_deref(), &mut findings, progress)?;
        let mut inputs = song.files();
        inputs.extend(list_from.clone());
        Ok(Take { song, out, list, list_from, inputs, findings })
    }
}

/// The hit list to work from: the one that is named, else the one in the folder for results; `None` where neither is there.
pub(super) fn list_for(named: Option<&Path>, out: &Path) -> Option<PathBuf> {
    let known = out.join(HITS);
    named.map(Path::to_owned).or_else(|| known.is_file().then_some(known))
}

/// A song's hits, every column in agreement: read from a list where there is one, else found anew. What is noticed joins the
/// findings.
///
/// # Errors
/// A list or a recording that cannot be used.
pub(super) fn hits_of(
    song: &Song,
    list: Option<&Path>,
    findings: &mut Vec<Finding>,
    progress: &dyn Progress,
) -> Result<HitList> {
    let (mut list, noticed) = match list {
        Some(path) => {
            let mut read = HitList::read(path, song.rate(), Some(song.reach()))?;
            song.tempo.iter().for_each(|map| read.hold_against(map, song.grid));
            (read.list, read.findings)
        }
        None => {
            let found = find(song, progress)?;
            (found.list, found.findings)
        }
    };
    findings.extend(noticed);
    complete(song, &mut list);
    Ok(list)
}

impl Take {
    /// A phrase that says where the strokes come from.
    pub fn source(&self) -> String {
        match &self.list_from {
            Some(path) => format!("strokes from {}", path.display()),
            None => "strokes found anew (`underlay hits` writes them to a list that you can edit)".into(),
        }
    }

    /// For files that appear together and replace none of the inputs.
    pub fn batch(&self) -> Batch<'_> {
        Batch { inputs: &self.inputs, begun: Vec::new() }
    }
}

/// Output files that appear together: all are complete on the disk before the first takes its name, so whatever fails up to
/// there leaves every older file as it was ([`commit_all`]).
pub(super) struct Batch<'a> {
    /// Files that must not be replaced.
    pub inputs: &'a [PathBuf],
    /// Files so far.
    pub begun: Vec<AtomicFile>,
}

impl Batch<'_> {
    /// Refuses a target that is one of the inputs, or that a file of this batch has already.
    pub fn check(&self, target: &Path) -> Result<()> {
        Inputs::of(self.inputs).refuse(target)?;
        // Some disks do not tell letters by their case.
        let name = |path: &Path| path.file_name().map(|n| n.to_string_lossy().to_lowercase());
        let same =
            |begun: &AtomicFile| begun.target().parent() == target.parent() && name(begun.target()) == name(target);
        if self.begun.iter().any(same) {
            return Err(Located::whole(target, OutputFault::Twice).into());
        }
        Ok(())
    }

    /// A file whose contents are there.
    pub fn put(&mut self, target: &Path, contents: &[u8]) -> Result<()> {
        self.check(target)?;
        let mut file = AtomicFile::create(target)?;
        file.write_all(contents).and_then(|()| file.flush()).map_err(|e| Located::whole(target, fault_of(&e)))?;
        self.begun.push(file);
        Ok(())
    }

    /// A file that somebody else has filled, whose target was checked.
    pub fn add(&mut self, file: AtomicFile) {
        self.begun.push(file);
    }

    /// Gives all files their names; returns the names in order.
    pub fn commit(self) -> Result<Vec<PathBuf>> {
        let names = self.begun.iter().map(|f| f.target().to_owned()).collect();
        commit_all(self.begun)?;
        Ok(names)
    }
}

/// Puts pictures into `DIR/pictures`, as SVG and on request as PNG too.
pub(super) fn put_pictures(batch: &mut Batch<'_>, dir: &Path, pictures: &[Picture], png: bool) -> Result<()> {
    let folder = dir.join("pictures");
    make_folder(&folder)?;
    for p in pictures {
        // Names come from sheets too; none may lead out of the folder.
        let stem = file_stem(p.name());
        batch.put(&folder.join(format!("{stem}.svg")), p.svg().as_bytes())?;
        if png {
            batch.put(&folder.join(format!("{stem}.png")), &p.png(2.0)?)?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    fn names(dir: &Path) -> usize {
        fs::read_dir(dir).unwrap().count()
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_disk_that_is_full_for_the_last_file_leaves_every_older_one() {
        let dir = tempfile::tempdir().unwrap();
        let at = |name: &str| dir.path().join(name);
        fs::write(at("moves.csv"), b"old").unwrap();
        fs::write(at("triggers.mid"), b"old").unwrap();
        let mut batch = Batch { inputs: &[], begun: Vec::new() };
        batch.put(&at("moves.csv"), b"new").unwrap();
        batch.add(AtomicFile::on_a_full_disk(&at("triggers.mid")));
        assert!(batch.commit().is_err());
        assert_eq!(fs::read(at("moves.csv")).unwrap(), b"old");
        assert_eq!(fs::read(at("triggers.mid")).unwrap(), b"old");
        assert_eq!(names(dir.path()), 2);
    }

    #[test]
    fn two_results_of_one_name_and_a_hard_link_to_an_input_are_refused() {
        let dir = tempfile::tempdir().unwrap();
        let at = |name: &str| dir.path().join(name);
        let mut batch = Batch { inputs: &[], begun: Vec::new() };
        batch.put(&at("snare_layer.wav"), b"printed").unwrap();
        let e = batch.put(&at("Snare_Layer.wav"), b"preview").unwrap_err();
        assert!(e.to_string().contains("two results would have this name"), "{e}");
        batch.put(&at("snare.wav"), b"another").unwrap();
        assert_eq!(batch.commit().unwrap().len(), 2);
        assert_eq!(fs::read(at("snare_layer.wav")).unwrap(), b"printed");
        fs::hard_link(at("snare.wav"), at("linked.wav")).unwrap();
        let inputs = [at("snare.wav")];
        let batch = Batch { inputs: &inputs, begun: Vec::new() };
        assert!(!cfg!(unix) || batch.check(&at("linked.wav")).is_err());
    }
}
