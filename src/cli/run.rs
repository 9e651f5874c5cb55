//! `underlay run SHEET`: every stage in order, only where something has changed, and one page at the end.

use super::batch;
use super::files::OutFolder;
use super::hits::HITS;
use super::outcome::Outcome;
use super::page;
use super::print::MAP;
use super::results::{folder_for, layers};
use crate::error::{Error, Located, Result};
use crate::finding::{Finding, Weight};
use crate::mix::MIX;
use crate::output::{Inputs, Unwritten, fault_of, write_whole};
use crate::progress::Progress;
use crate::run::{Key, Places, RECORD, Record, Stage, StageRecord, Standing, Sums, sum_of};
use crate::song::{LayerPlan, Song};
use clap::Parser;
use serde::Serialize;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::ffi::OsString;
use std::fs;
use std::path::{Component, Path, PathBuf};
use std::time::SystemTime;

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
hits.csv are kept and used. Change a line of the sheet and run again: that is a revision.";

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

/// A run on its way.
struct Run<'a> {
    args: &'a Args,
    sheet: PathBuf,
    song: Song,
    out: PathBuf,
    record: Record,
    sums: Sums,
    /// What the sheet leaves open, as it is now: told with every run, and never noted with a stage.
    open: Vec<Finding>,
    steps: Vec<Step>,
    findings: Vec<Finding>,
    progress: &'a dyn Progress,
}

pub(super) fn execute(args: &Args, progress: &dyn Progress) -> Result<Outcome> {
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
    let findings = told.findings.iter().take(TOLD).cloned().collect();
    Outcome::new("run", page::text(told), told, findings)
}

/// Does one song.
fn one(args: &Args, sheet: &Path, progress: &dyn Progress) -> Result<Told> {
    let song = Song::read(sheet)?;
    let out = folder_for(sheet, args.out.as_deref());
    let inputs = Inputs::of(song.files());
    inputs.refuse(&out.join(PAGE))?;
    inputs.refuse(&out.join(RECORD))?;
    let folder = OutFolder::prepare(&out)?;
    let record = Record::read(places(sheet, &out));
    let open = song.left_open();
    let (steps, findings) = (Vec::new(), open.clone());
    let sheet = sheet.to_owned();
    let mut run = Run { args, sheet, song, out, record, sums: Sums::default(), open, steps, findings, progress };
    let mut stopped = None;
    for stage in Stage::ALL.into_iter().filter(|s| *s <= args.until && is_there(*s)) {
        if let Err(e) = run.stage(stage) {
            run.step(stage, Did::Failed, vec![first_line(&e.to_string())]);
            stopped = Some(e);
            break;
        }
    }
    let told = run.told(folder.path());
    write_whole(&told.page, page::html(&told).as_bytes())?;
    match stopped {
        Some(e) => Err(e),
        None => Ok(told),
    }
}

fn places<'a>(sheet: &'a Path, out: &'a Path) -> Places<'a> {
    Places { results: out, song: sheet.parent().unwrap_or(Path::new("")) }
}

/// Whether the command of a stage exists in this build.
fn is_there(stage: Stage) -> bool {
    super::definition().find_subcommand(stage.word()).is_some()
}

fn first_line(text: &str) -> String {
    text.lines().next().unwrap_or_default().to_owned()
}

/// Adds the record of strokes that were found by hand to the files that are about to be written: the list is then known as
/// the tool's own as long as nobody has edited it. What a run has noted of the very same files stays.
pub(super) fn note_found(song: &Song, out: &Path, files: &mut Unwritten) -> Result<()> {
    let places = places(&song.sheet, out);
    let mut record = Record::read(places);
    let found_with = Some(Key::of_search(song));
    let same = |(p, bytes): &(PathBuf, Vec<u8>)| {
        let made = record.of(Stage::Hits).filter(|r| r.finished);
        let name = p.strip_prefix(out).ok();
        made.zip(name).is_some_and(|(r, name)| r.outputs.get(name) == Some(&sum_of(bytes)))
    };
    let noted = |record: &Record| record.of(Stage::Hits).is_some_and(|r| r.found_with == found_with);
    if !noted(&record) || !files.iter().all(same) {
        record.announce(Stage::Hits, Key::unknown(), out, files)?;
        if let Some(made) = record.of(Stage::Hits).cloned() {
            record.note(Stage::Hits, StageRecord { found_with: found_with.clone(), ..made });
        }
        // First, so that it is in place before the list is.
        files.insert(0, (out.join(RECORD), record.text(places)));
    }
    Ok(())
}

/// Notes that the files of [`note_found`] are all there: what was there before counts as edited from now on.
pub(super) fn note_written(sheet: &Path, out: &Path) -> Result<()> {
    let places = places(sheet, out);
    let mut record = Record::read(places);
    let Some(made) = record.of(Stage::Hits).filter(|r| !r.finished).cloned() else { return Ok(()) };
    record.note(Stage::Hits, StageRecord { finished: true, replaces: BTreeMap::new(), ..made });
    record.write(places)
}

/// Whether the hit list of a folder, with these contents, is another one than the tool wrote there last, or may be: without
/// a record nobody can tell.
pub(super) fn is_edited(sheet: &Path, out: &Path, list: &[u8]) -> bool {
    let record = Record::read(places(sheet, out));
    record.of(Stage::Hits).is_none_or(|r| r.is_edited(Path::new(HITS), Some(&sum_of(list))))
}

/// Says so where the strokes of a folder were found with other settings than the sheet has now.
pub(super) fn found_otherwise(song: &Song, out: &Path) -> Option<Finding> {
    let record = Record::read(places(&song.sheet, out));
    let found_with = record.of(Stage::Hits)?.found_with.as_ref()?;
    (*found_with != Key::of_search(song)).then(|| {
        Finding::caution(
            &out.join(HITS),
            "its strokes were found with other settings than the sheet has now",
            "Find them again with `underlay hits`, or put the settings that you used into the sheet.",
        )
    })
}

/// Whether hits wrote into a folder and left a record of it.
pub(super) fn has_found(sheet: &Path, out: &Path) -> bool {
    Record::read(places(sheet, out)).of(Stage::Hits).is_some()
}

impl Run<'_> {
    fn stage(&mut self, stage: Stage) -> Result<()> {
        if self.nothing_to_do(stage).is_some() {
            // First, because layers that lie there would be taken for layers printed by hand, and go along.
            self.take_back_all(stage)?;
        }
        if let Some(why) = self.nothing_to_do(stage) {
            self.step(stage, Did::Skipped, vec![why.into()]);
            return Ok(());
        }
        let inputs = self.inputs(stage);
        self.sums.add(&inputs)?;
        let made: Vec<PathBuf> =
            self.record.of(stage).map(|r| r.outputs.keys().map(|p| self.out.join(p)).collect()).unwrap_or_default();
        self.sums.add(&made)?;
        let key = Key::of(stage, &self.song, &self.sums, &inputs);
        if self.args.again.contains(&stage) {
            return self.perform(stage, key);
        }
        let editable = (stage == Stage::Hits).then(|| Path::new(HITS));
        match self.record.standing(stage, &key, &self.out, &self.sums, editable) {
            Standing::Edited => {
                let found_from = self.record.of(stage).and_then(|r| r.found_from.as_ref());
                if found_from.is_some_and(|f| *f != Key::of_strokes(&self.song, &self.sums, &inputs)) {
                    self.findings.push(Finding::caution(
                        &self.out.join(HITS),
                        "it was edited by hand, and recordings or settings have changed since; the edited list is used",
                        "To find the strokes anew, move it away and run again.",
                    ));
                }
                self.keep_list(&key, format!("your edits in {HITS} are kept and used"))
            }
            _ if stage == Stage::Hits && self.found_before() => {
                let line = format!("{HITS} was there already and is used; move it away to find the strokes anew");
                self.keep_list(&key, line)
            }
            Standing::UpToDate => self.reuse(stage),
            Standing::Due => self.perform(stage, key),
        }
    }

    /// Why a stage has nothing to do for this song.
    fn nothing_to_do(&self, stage: Stage) -> Option<&'static str> {
        match stage {
            Stage::Timing if self.song.tempo.is_none() => Some("no tempo is known"),
            Stage::Phase if self.song.mics.len() < 2 => Some("there is one mic only"),
            Stage::Print if self.song.layers.is_empty() && layers(&self.song, &self.out).printed.is_empty() => {
                Some("the sheet asks for no layer")
            }
            Stage::Print if self.song.layers.is_empty() => {
                Some("the sheet asks for no layer; those printed by hand go along while they fit the hit list")
            }
            _ => None,
        }
    }

    /// Removes what an earlier run made of a stage that the song no longer asks for, as far as nobody has touched it since, and
    /// forgets the stage.
    fn take_back_all(&mut self, stage: Stage) -> Result<()> {
        let Some(made) = self.record.of(stage).cloned() else { return Ok(()) };
        self.take_back(stage, &made, |_| false)?;
        self.record.forget(stage);
        self.record.write(places(&self.sheet, &self.out))
    }

    /// Removes results of an earlier run that no longer apply: files that the stage made then and not now (`stands` is false),
    /// that nobody has touched since and that the song does not use itself. Hit lists and deliveries always stay. Gives their
    /// paths in the folder.
    fn take_back(&mut self, stage: Stage, made: &StageRecord, stands: impl Fn(&Path) -> bool) -> Result<Vec<PathBuf>> {
        let list = |p: &Path| stage == Stage::Hits && p.extension().is_some_and(|e| e == "csv");
        let inside = |p: &Path| p.components().all(|c| matches!(c, Component::Normal(_)));
        let due = |p: &Path| stage != Stage::Handoff && !list(p) && inside(p) && !stands(p);
        let former: Vec<(&PathBuf, &String)> = made.outputs.iter().filter(|(p, _)| due(p)).collect();
        let files: Vec<PathBuf> = former.iter().map(|(p, _)| self.out.join(p)).collect();
        self.sums.forget(&files);
        self.sums.add(&files)?;
        let inputs = Inputs::of(self.song.files());
        let mut taken = Vec::new();
        for ((path, sum), file) in former.into_iter().zip(&files) {
            if self.sums.of(file) == Some(sum) && inputs.refuse(file).is_ok() {
                fs::remove_file(file).map_err(|e| Located::whole(file, fault_of(&e)))?;
                taken.push(path.clone());
            }
        }
        self.sums.forget(&files);
        Ok(taken)
    }

    /// Files that a stage's results depend on, in a fixed order.
    fn inputs(&self, stage: Stage) -> Vec<PathBuf> {
        let song = &self.song;
        let mics = song.mics.iter().map(|m| m.info.path.clone());
        let tracks = song.tracks.iter().map(|t| t.info.path.clone());
        let list = self.out.join(HITS);
        let layers = || layers(song, &self.out).printed.into_iter().map(|l| l.file);
        match stage {
            Stage::Hits => mics.collect(),
            Stage::Timing => vec![list],
            Stage::Phase => mics.chain([list]).collect(),
            Stage::Print => {
                let shots = song.layers.iter().flat_map(LayerPlan::files);
                mics.chain([list]).chain(shots).collect()
            }
            Stage::Rough => mics.chain(tracks).chain(layers()).collect(),
            Stage::Handoff => {
                let papers = [list, self.out.join(MAP), self.out.join(MIX)];
                mics.chain(tracks).chain(layers()).chain(papers).collect()
            }
        }
    }

    /// Whether a hit list lies there that this tool is not known to have found: it may hold edits.
    fn found_before(&self) -> bool {
        self.record.of(Stage::Hits).is_none_or(|r| !r.outputs.contains_key(Path::new(HITS)))
            && self.out.join(HITS).is_file()
    }

    /// Keeps the hit list that is there, and makes MIDI and report from it where they are of another one.
    fn keep_list(&mut self, key: &Key, line: String) -> Result<()> {
        let list = self.out.join(HITS);
        self.sums.add(std::slice::from_ref(&list))?;
        let told_from = key.and(self.sums.of(&list).unwrap_or_default());
        let made = self.record.of(Stage::Hits).cloned().unwrap_or_else(|| StageRecord::new(Key::unknown()));
        let stands =
            |(p, sum): (&PathBuf, &String)| p == Path::new(HITS) || self.sums.of(&self.out.join(p)) == Some(sum);
        let made = if made.told_from.as_ref() == Some(&told_from) && made.outputs.iter().all(stands) {
            made
        } else {
            let before = listing(&self.out);
            let outcome = self.command(Stage::Hits, &["--from-list".into(), list.into_os_string()], |_, _| Ok(()))?;
            let written = self.written(&before, &outcome)?;
            let told_of = paths_in(&outcome.data());
            let out = self.out.clone();
            let stands = |p: &Path| written.contains_key(p) || told_of.contains(&out.join(p));
            let taken = self.take_back(Stage::Hits, &made, stands)?;
            let mut outputs = made.outputs;
            outputs.retain(|p, _| !taken.contains(p));
            outputs.extend(written);
            let (lines, findings) = self.heard(Stage::Hits, &outcome);
            let made = StageRecord { outputs, lines, findings, told_from: Some(told_from), ..made };
            self.record.note(Stage::Hits, made.clone());
            self.record.write(places(&self.sheet, &self.out))?;
            made
        };
        self.findings.extend(made.findings);
        self.step(Stage::Hits, Did::Kept, made.lines.into_iter().chain([line]).collect());
        Ok(())
    }

    /// Notes what became of a stage, and which of its results are worth opening.
    fn step(&mut self, stage: Stage, did: Did, lines: Vec<String>) {
        let made = self.record.of(stage).map(|r| r.outputs.keys().cloned().collect()).unwrap_or_default();
        let files = if matches!(did, Did::Failed | Did::Skipped) { Vec::new() } else { page::to_open(stage, made) };
        let files = files.into_iter().filter(|f| self.out.join(f).is_file()).collect();
        self.steps.push(Step { stage, did, lines, files });
    }

    fn reuse(&mut self, stage: Stage) -> Result<()> {
        let made = self.record.of(stage).cloned();
        let (lines, findings) = made.map(|r| (r.lines, r.findings)).unwrap_or_default();
        self.findings.extend(findings);
        self.step(stage, Did::Unchanged, lines);
        Ok(())
    }

    /// Runs a stage's own command on the song; `note` is shown what `hits` is about to write.
    fn command(
        &mut self,
        stage: Stage,
        more: &[OsString],
        note: impl FnOnce(&mut Self, &[(PathBuf, Vec<u8>)]) -> Result<()>,
    ) -> Result<Outcome> {
        let typed = [
            "underlay".into(),
            stage.word().into(),
            self.sheet.clone().into_os_string(),
            "--out".into(),
            self.out.clone().into_os_string(),
        ];
        let args = super::Args::try_parse_from(typed.iter().chain(more))
            .map_err(|e| Error::usage(first_line(&e.to_string()), "Give the sheet's file a plainer name."))?;
        match &args.command {
            super::Command::Hits(args) => {
                let progress = self.progress;
                super::hits::execute_noting(args, progress, |_, files| note(self, files))
            }
            other => super::execute(other, self.progress),
        }
    }

    /// What a command has written since a listing, with its sums.
    fn written(&mut self, before: &Listing, outcome: &Outcome) -> Result<BTreeMap<PathBuf, String>> {
        let mut written = changed(before, &listing(&self.out));
        if let Some(zip) = outcome.data().get("zip").and_then(|z| z.as_str()) {
            // An unchanged song gets no new zip; the former one is then this stage's result.
            written = Path::new(zip).strip_prefix(&self.out).map(Path::to_owned).into_iter().collect();
        }
        let files: Vec<PathBuf> = written.iter().map(|p| self.out.join(p)).collect();
        self.sums.forget(&files);
        self.sums.add(&files)?;
        let summed = |p: PathBuf| self.sums.of(&self.out.join(&p)).map(|s| (p.clone(), s.to_owned()));
        Ok(written.into_iter().filter_map(summed).collect())
    }

    /// Does a stage as its own command would, and notes what it made.
    fn perform(&mut self, stage: Stage, key: Key) -> Result<()> {
        let before = listing(&self.out);
        let former = self.record.of(stage).cloned();
        let ended = self.command(stage, &[], |run, files| {
            run.record.announce(stage, key.clone(), &run.out, files)?;
            run.record.write(places(&run.sheet, &run.out))
        });
        let outcome = match ended {
            Ok(outcome) => outcome,
            // A check that has nothing to go by does not keep the song from being made.
            Err(e @ Error::Usage(_)) if matches!(stage, Stage::Timing | Stage::Phase) => {
                self.findings.push(Finding::song(format!("{}: {e}", stage.word()), e.remedy()));
                self.take_back_all(stage)?;
                self.step(stage, Did::Failed, vec![first_line(&e.to_string())]);
                return Ok(());
            }
            Err(e) => return Err(e),
        };
        let outputs = self.written(&before, &outcome)?;
        if let Some(former) = former {
            let told_of = paths_in(&outcome.data());
            let out = self.out.clone();
            self.take_back(stage, &former, |p| outputs.contains_key(p) || told_of.contains(&out.join(p)))?;
        }
        let (lines, findings) = self.heard(stage, &outcome);
        self.findings.extend(findings.iter().cloned());
        let found_from =
            (stage == Stage::Hits).then(|| Key::of_strokes(&self.song, &self.sums, &self.inputs(Stage::Hits)));
        let found_with = (stage == Stage::Hits).then(|| Key::of_search(&self.song));
        let made =
            StageRecord { outputs, lines: lines.clone(), findings, found_from, found_with, ..StageRecord::new(key) };
        self.record.note(stage, made);
        self.record.write(places(&self.sheet, &self.out))?;
        self.step(stage, Did::Done, lines);
        Ok(())
    }

    /// What a command had to say: short lines, and what was noticed. What the sheet leaves open or has changed since the strokes were
    /// found is told as it is now, with every run, and so not noted with a stage.
    fn heard(&self, stage: Stage, outcome: &Outcome) -> (Vec<String>, Vec<Finding>) {
        let otherwise = found_otherwise(&self.song, &self.out);
        let now = |f: &Finding| self.open.contains(f) || otherwise.as_ref() == Some(f);
        let noticed = outcome.findings().iter().filter(|f| !now(f)).cloned().collect();
        (page::lines(stage, outcome), noticed)
    }

    fn told(self, folder: &Path) -> Told {
        let mut findings: Vec<Finding> = Vec::new();
        for f in self.findings {
            if !findings.contains(&f) {
                findings.push(f);
            }
        }
        findings.sort_by_key(|f| std::cmp::Reverse(f.weight));
        Told { title: self.song.title, folder: folder.to_owned(), steps: self.steps, findings, page: folder.join(PAGE) }
    }
}

impl Told {
    /// Findings that the exit code tells of.
    pub fn serious(&self) -> impl Iterator<Item = &Finding> {
        self.findings.iter().filter(|f| f.weight >= Weight::Caution)
    }
}

/// Everything in an outcome's data that may be the name of a file.
fn paths_in(data: &Value) -> BTreeSet<PathBuf> {
    match data {
        Value::String(text) => BTreeSet::from([PathBuf::from(text)]),
        Value::Array(all) => all.iter().flat_map(paths_in).collect(),
        Value::Object(all) => all.values().flat_map(paths_in).collect(),
        _ => BTreeSet::new(),
    }
}

type Listing = BTreeMap<PathBuf, (u64, Option<SystemTime>)>;

/// Every file below a folder, with size and time; the run's own files and passing ones are left out.
fn listing(folder: &Path) -> Listing {
    let mut out = Listing::new();
    let mut folders = vec![PathBuf::new()];
    while let Some(sub) = folders.pop() {
        for e in fs::read_dir(folder.join(&sub)).into_iter().flatten().flatten() {
            let path = sub.join(e.file_name());
            let Ok(meta) = e.metadata() else { continue };
            let name = e.file_name();
            let name = name.to_string_lossy();
            if meta.is_dir() {
                folders.push(path);
            } else if !name.ends_with(".tmp-underlay") && name != RECORD && name != PAGE {
                out.insert(path, (meta.len(), meta.modified().ok()));
            }
        }
    }
    out
}

/// Files of the second listing that are new or differ.
fn changed(before: &Listing, after: &Listing) -> Vec<PathBuf> {
    after.iter().filter(|(p, meta)| before.get(*p) != Some(meta)).map(|(p, _)| p.clone()).collect()
}
