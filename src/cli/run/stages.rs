//! The stages of a run, each done only where something has changed.
//!
//! In: a song, its folder of results, and what earlier runs noted there. Out: what became of every stage, and what was noticed.

use super::noted::{found_otherwise, places};
use super::{Args, Did, PAGE, Step, Told};
use crate::cli::hits::{self, HITS};
use crate::cli::outcome::Outcome;
use crate::cli::page;
use crate::cli::print::{LAYERS, MAP, layer_file};
use crate::cli::results::layers;
use crate::cli::{self, Command};
use crate::error::{Error, Located, Result};
use crate::finding::Finding;
use crate::mix::MIX;
use crate::output::{Claim, Inputs, fault_of};
use crate::progress::Progress;
use crate::run::{Key, Record, Stage, StageRecord, Standing, Sums};
use crate::song::{LayerPlan, Song};
use clap::Parser;
use std::collections::BTreeMap;
use std::ffi::OsString;
use std::fs;
use std::path::{Component, Path, PathBuf};

/// A run on its way.
pub(super) struct Run<'a> {
    args: &'a Args,
    song: Song,
    out: PathBuf,
    /// The hold on the folder, which the stages' own commands are not to take again.
    held: Option<&'a Claim>,
    record: Record,
    sums: Sums,
    /// What is known without any stage, as it is now: told with every run, and never noted with a stage.
    now: Vec<Finding>,
    steps: Vec<Step>,
    findings: Vec<Finding>,
    progress: &'a dyn Progress,
}

impl<'a> Run<'a> {
    /// A song that nothing has been done of yet.
    pub fn new(args: &'a Args, song: Song, out: &Path, held: Option<&'a Claim>, progress: &'a dyn Progress) -> Self {
        let record = Record::read(places(&song.sheet, out));
        let now = [song.findings(), song.left_open()].concat();
        let (steps, findings, sums) = (Vec::new(), now.clone(), Sums::default());
        Self { args, song, out: out.to_owned(), held, record, sums, now, steps, findings, progress }
    }

    /// Every stage that is asked for, up to one that fails.
    ///
    /// # Errors
    /// Those of the stage that stops the run.
    pub fn all(&mut self) -> Result<()> {
        for stage in Stage::ALL.into_iter().filter(|s| *s <= self.args.until) {
            self.stage(stage).inspect_err(|e| self.step(stage, Did::Failed, vec![first_line(&e.to_string())]))?;
        }
        Ok(())
    }

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
        self.record.write(places(&self.song.sheet, &self.out))
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
            let outcome = self.command(Stage::Hits, &["--from-list".into(), list.into_os_string()], |_, _| Ok(()))?;
            let written = self.written(&outcome)?;
            let taken = self.take_back(Stage::Hits, &made, |p| written.contains_key(p))?;
            let mut outputs = made.outputs;
            outputs.retain(|p, _| !taken.contains(p));
            outputs.extend(written);
            let (lines, findings) = self.heard(&outcome);
            let made = StageRecord { outputs, lines, findings, told_from: Some(told_from), ..made };
            self.record.note(Stage::Hits, made.clone());
            self.record.write(places(&self.song.sheet, &self.out))?;
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
            self.song.sheet.clone().into_os_string(),
            "--out".into(),
            self.out.clone().into_os_string(),
        ];
        let args = cli::Args::try_parse_from(typed.iter().chain(more))
            .map_err(|e| Error::usage(first_line(&e.to_string()), "Give the sheet's file a plainer name."))?;
        match &args.command {
            Command::Hits(args) => {
                let progress = self.progress;
                hits::execute_noting(args, self.held, progress, |_, files| note(self, files))
            }
            other => cli::execute(other, self.held, self.progress),
        }
    }

    /// What a command itself has written into the folder, by paths in it, with sums. Nothing else that has changed there
    /// meanwhile is the stage's: people edit lists and save other files while a run goes on.
    fn written(&mut self, outcome: &Outcome) -> Result<BTreeMap<PathBuf, String>> {
        self.sums.forget(outcome.files());
        self.sums.add(outcome.files())?;
        let summed = |file: &PathBuf| {
            let sum = self.sums.of(file)?;
            Some((file.strip_prefix(&self.out).ok()?.to_owned(), sum.to_owned()))
        };
        Ok(outcome.files().iter().filter_map(summed).collect())
    }

    /// Does a stage as its own command would, and notes what it made.
    fn perform(&mut self, stage: Stage, key: Key) -> Result<()> {
        let former = self.record.of(stage).cloned();
        if let Some(former) = former.as_ref().filter(|_| stage == Stage::Print) {
            // First, because rows of the map stay as long as their layer lies there.
            let planned: Vec<PathBuf> = self.song.layers.iter().map(|l| layer_file(Path::new(""), &l.name)).collect();
            let stands = |p: &Path| !p.starts_with(LAYERS) || planned.contains(&p.with_extension("wav"));
            self.take_back(stage, former, stands)?;
        }
        let ended = self.command(stage, &[], |run, files| {
            run.record.announce(stage, key.clone(), &run.out, files)?;
            run.record.write(places(&run.song.sheet, &run.out))
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
        if stage == Stage::Handoff {
            // The command notes its delivery.
            self.record.take_sent(Record::read(places(&self.song.sheet, &self.out)));
        }
        let mut outputs = self.written(&outcome)?;
        if let Some(announced) = self.record.of(stage).filter(|r| !r.finished && r.key == key) {
            // What was noted before it was written holds even where somebody has edited it since.
            outputs.extend(announced.outputs.clone());
        }
        if let Some(former) = former {
            self.take_back(stage, &former, |p| outputs.contains_key(p))?;
        }
        let (lines, mut findings) = self.heard(&outcome);
        self.findings.extend(findings.iter().cloned());
        // Told once, when it happens, and not again with each run.
        findings.retain(|f| outcome.lasting().any(|l| l == f));
        let found_from =
            (stage == Stage::Hits).then(|| Key::of_strokes(&self.song, &self.sums, &self.inputs(Stage::Hits)));
        let found_with = (stage == Stage::Hits).then(|| Key::of_search(&self.song));
        let made =
            StageRecord { outputs, lines: lines.clone(), findings, found_from, found_with, ..StageRecord::new(key) };
        self.record.note(stage, made);
        self.record.write(places(&self.song.sheet, &self.out))?;
        self.step(stage, Did::Done, lines);
        Ok(())
    }

    /// What a command had to say: short lines, and what was noticed. What is known without it is told as it is now, with every
    /// run, and so not noted with a stage.
    fn heard(&self, outcome: &Outcome) -> (Vec<String>, Vec<Finding>) {
        let otherwise = found_otherwise(&self.song, &self.out);
        let now = |f: &Finding| self.now.contains(f) || otherwise.as_ref() == Some(f);
        let noticed = outcome.findings().iter().filter(|f| !now(f)).cloned().collect();
        (page::lines(outcome), noticed)
    }

    /// The whole run, to be shown.
    pub fn told(self, folder: &Path) -> Told {
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

fn first_line(text: &str) -> String {
    text.lines().next().unwrap_or_default().to_owned()
}
