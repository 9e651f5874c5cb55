//! What `phase` and `print` start from: a song sheet and its hit list.

use super::files::same_file;
use crate::error::{Error, Located, Result};
use crate::finding::Finding;
use crate::hits::{HitList, find};
use crate::layer::file_stem;
use crate::output::{AtomicFile, OutputFault, fault_of, make_folder};
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
        if !self.sheet.extension().is_some_and(|e| e.eq_ignore_ascii_case("toml")) {
            return Err(Error::usage(
                format!("{} is no song sheet", self.sheet.display()),
                "Name a sheet (.toml); `underlay prep FOLDER` writes one.",
            ));
        }
        let song = Song::read(&self.sheet)?;
        let out = super::results::folder_for(&self.sheet, self.out.as_deref());
        Ok((song, out))
    }

    /// Reads or finds the hits.
    pub fn open(&self, song: Song, out: PathBuf, progress: &dyn Progress) -> Result<Take> {
        let known = out.join("hits.csv");
        let list_from = self.from_list.clone().or_else(|| known.is_file().then_some(known));
        let mut findings = song.findings();
        let mut list = match &list_from {
            Some(path) => {
                let mut read = HitList::read(path, song.rate(), Some(song.frames()))?;
                song.tempo.iter().for_each(|map| read.hold_against(map, song.grid));
                findings.extend(read.findings);
                read.list
            }
            None => {
                let found = find(&song, progress)?;
                findings.extend(found.findings);
                found.list
            }
        };
        super::results::complete(&song, &mut list);
        let mut inputs: Vec<PathBuf> = song.mics.iter().map(|m| m.info.path.clone()).collect();
        inputs.extend(song.tracks.iter().map(|t| t.info.path.clone()));
        inputs.extend(song.tempo_file.clone());
        inputs.extend(list_from.clone());
        inputs.push(self.sheet.clone());
        Ok(Take { song, out, list, list_from, inputs, findings })
    }
}

impl Take {
    /// A phrase that says where the strokes come from.
    pub fn source(&self) -> String {
        match &self.list_from {
            Some(path) => format!("strokes from {}", path.display()),
            None => "strokes found anew (`underlay hits` writes them to a list that you can edit)".into(),
        }
    }

    /// Files begun so far, kept from replacing inputs; all get their names together.
    pub fn batch(&self) -> Batch<'_> {
        Batch { inputs: &self.inputs, begun: Vec::new() }
    }
}

/// Output files that appear together or not at all.
pub(super) struct Batch<'a> {
    /// Files that must not be replaced.
    pub inputs: &'a [PathBuf],
    /// Files so far.
    pub begun: Vec<AtomicFile>,
}

impl Batch<'_> {
    /// Refuses a target that is one of the inputs.
    pub fn check(&self, target: &Path) -> Result<()> {
        if self.inputs.iter().any(|input| same_file(input, target)) {
            return Err(Located::whole(target, OutputFault::WouldReplaceInput).into());
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

    /// A file that somebody else has filled.
    pub fn add(&mut self, file: AtomicFile) {
        self.begun.push(file);
    }

    /// Gives all files their names; returns the names in order.
    pub fn commit(self) -> Result<Vec<PathBuf>> {
        let names = self.begun.iter().map(|f| f.target().to_owned()).collect();
        self.begun.into_iter().try_for_each(AtomicFile::commit)?;
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
