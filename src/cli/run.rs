//! `underlay run SHEET`: every stage in order, only where something has changed, and one page at the end.

mod noted;
mod stages;

use super::batch;
use super::files::OutFolder;
use super::outcome::Outcome;
use super::page;
use super::results::folder_for;
use crate::error::{Error, Result};
use crate::finding::{Finding, Weight, grouped};
use crate::output::{Inputs, write_whole};
use crate::progress::Progress;
use crate::run::{RECORD, Stage};
use crate::song::Song;
pub(super) use noted::{found_otherwise, has_found, is_edited, note_found, note_sent, note_written, sent};
use serde::Serialize;
use stages::Run;
use std::path::{Path, PathBuf};

/// The page for the drummer, in the folder of results.
pub(super) const PAGE: &str = "summary.html";
/// Findings that are told on the terminal; the page holds all.
const TOLD: usize = 8;

const EXAMPLES: &str = "\
Examples:
  underlay run song.toml                all stages; then one page: summary.html
  underlay run song.toml --again print  print anew, and whatever depends on it
  underlay run song.toml --until phase  stop before layers are printed
  underlay run Songs                    every sheet in the folder Songs and below

A stage whose recordings, settings and hit list have not changed is not done again. Strokes that you edited in \
hits.csv are kept and used. Change a line of the sheet and run again: that is a revision. While one command writes into a \
song's folder of results, another one ends with code 4.";

/// Do the whole song: hits, timing, phase, layers, rough mix, handoff; only what has changed
#[derive(clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// The song sheet (.toml); several of them, or folders in which sheets lie, for many songs in one go
    #[arg(value_name = "SHEET", required = true)]
    sheets: Vec<PathBuf>,
    /// Folder for all results, for one song [default: "underlay" beside the sheet]
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Do this stage again even where nothing has changed; may be given several times
    #[arg(long, value_name = "STAGE", value_parser = stage)]
    again: Vec<Stage>,
    /// Stop after this stage: hits, timing, phase, print, rough or handoff
    #[arg(long, value_name = "STAGE", value_parser = stage, default_value = "handoff")]
    until: Stage,
}

fn stage(text: &str) -> std::result::Result<Stage, String> {
    let known = Stage::ALL.into_iter().find(|s| s.word() == text.trim());
    known.ok_or_else(|| "it takes hits, timing, phase, print, rough or handoff".into())
}

/// What became of a stage.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub(super) enum Did {
    /// Done now.
    Done,
    /// Up to date, not done again.
    Unchanged,
    /// Its result was edited by hand and is used as it is.
    Kept,
    /// Nothing for it to do.
    Skipped,
    /// It could not be done; the others went on or stopped here.
    Failed,
}

impl Did {
    pub fn word(self) -> &'static str {
        match self {
            Did::Done => "done",
            Did::Unchanged => "unchanged",
            Did::Kept => "kept",
            Did::Skipped => "left out",
            Did::Failed => "stopped",
        }
    }
}

/// A line of the page.
#[derive(Clone, Debug, Serialize)]
pub(super) struct Step {
    pub stage: Stage,
    pub did: Did,
    /// What came of it, in short lines.
    pub lines: Vec<String>,
    /// Results to open, by their paths in the folder.
    pub files: Vec<PathBuf>,
}

/// The whole run.
#[derive(Clone, Debug, Serialize)]
pub(super) struct Told {
    pub title: String,
    pub folder: PathBuf,
    pub steps: Vec<Step>,
    /// Everything to look at, worst first.
    pub findings: Vec<Finding>,
    pub page: PathBuf,
}

pub(super) fn execute(args: &Args, progress: &dyn Progress) -> Result<Outcome> {
    if let Some(behind) = args.again.iter().find(|s| **s > args.until) {
        let (again, until) = (behind.word(), args.until.word());
        return Err(Error::usage(
            format!("{again} cannot be done again: the run is to stop after {until}"),
            format!("Leave --until away, or say --until {again}."),
        ));
    }
    let sheets = batch::sheets(&args.sheets)?;
    if let [sheet] = sheets.as_slice() {
        return shown(&one(args, sheet, progress)?);
    }
    if args.out.is_some() {
        return Err(Error::usage(
            "--out is for one song, and there are several",
            "Leave it away: the results of each song go to the folder \"underlay\" beside its sheet.",
        ));
    }
    batch::run_all(&sheets, |sheet| one(args, sheet, progress))
}

/// Everything for one sheet with the usual settings, as `demo` does it.
pub(super) fn whole(sheet: &Path, progress: &dyn Progress) -> Result<Outcome> {
    let args = Args { sheets: vec![sheet.to_owned()], out: None, again: Vec::new(), until: Stage::Handoff };
    shown(&one(&args, sheet, progress)?)
}

fn shown(told: &Told) -> Result<Outcome> {
    let most: Vec<&Finding> = grouped(&told.findings).into_iter().take(TOLD).map(|(f, _)| f).collect();
    let is_told = |f: &&Finding| most.iter().any(|m| (m.weight, &m.what, &m.remedy) == (f.weight, &f.what, &f.remedy));
    let findings = told.findings.iter().filter(is_told).cloned().collect();
    Outcome::new("run", page::text(told), told, findings)
}

/// Does one song.
fn one(args: &Args, sheet: &Path, progress: &dyn Progress) -> Result<Told> {
    let song = Song::read(sheet)?;
    let out = folder_for(sheet, args.out.as_deref());
    let inputs = Inputs::of(song.files());
    inputs.refuse(&out.join(PAGE))?;
    inputs.refuse(&out.join(RECORD))?;
    let folder = OutFolder::hold(&out, sheet, None)?;
    let mut run = Run::new(args, song, &out, folder.claim(), progress);
    let ended = run.all();
    let told = run.told(folder.path());
    write_whole(&told.page, page::html(&told).as_bytes())?;
    ended.map(|()| told)
}

impl Told {
    /// Findings that the exit code tells of.
    pub fn serious(&self) -> impl Iterator<Item = &Finding> {
        self.findings.iter().filter(|f| f.weight >= Weight::Caution)
    }
}
