//! Files that a check writes: the page with its pictures, a found tempo, the moves, the click, triggers as played and pulled.

use super::super::files::OutFolder;
use super::super::take::{Batch, put_pictures};
use super::{Args, Checked, FOUND_TEMPO, Plan, tempo_words};
use crate::audio::{SampleFormat, WavExtras, WavSpec, WavWriter};
use crate::error::{Located, Result};
use crate::finding::{Finding, Weight, counted};
use crate::hits::HitList;
use crate::midi::{MidiFault, TriggerPlan, Version, make_triggers, tempo_map};
use crate::output::AtomicFile;
use crate::report::{timing_pictures, timing_report};
use crate::song::Drum;
use crate::timing::{Click, Pulled, moves_csv, moves_cues, moves_midi, write_click};
use crate::units::Seconds;
use std::path::{Path, PathBuf};

/// Writes everything that a check makes, all together. Gives the files in order, and what was noticed.
pub(super) fn write(
    args: &Args,
    plan: &Plan,
    checked: &Checked,
    click: Option<&Click>,
    folder: &OutFolder,
) -> Result<(Vec<PathBuf>, Vec<Finding>)> {
    let mut batch = Batch { inputs: &plan.inputs, begun: Vec::new() };
    let mut noticed = Vec::new();
    put_report(&mut batch, folder, args, plan, checked)?;
    if checked.found.is_some() {
        let path = folder.file(FOUND_TEMPO);
        let file = tempo_map(&plan.title, &checked.map, Some(checked.end))
            .map_err(|e| Located::whole(&path, MidiFault::Tempo(e)))?;
        batch.put(&path, &file.bytes)?;
    }
    if let Some(pulled) = &checked.pulled {
        put_moves(&mut batch, folder, args, plan, checked, pulled)?;
    }
    if let Some(click) = click {
        let path = folder.file("click.wav");
        batch.check(&path)?;
        batch.add(write_click(&path, click)?);
        noticed = click.findings(&path);
    }
    if let Some(pulled) = &checked.pulled {
        noticed.extend(put_versions(&mut batch, folder, plan, checked, pulled, Versions::of(args))?);
    }
    Ok((batch.commit()?, noticed))
}

/// The page and its pictures.
fn put_report(batch: &mut Batch<'_>, folder: &OutFolder, args: &Args, plan: &Plan, checked: &Checked) -> Result<()> {
    let Checked { list, map, form, end, timing, pulled, .. } = checked;
    let pictures = timing_pictures(timing, list, map, form, *end);
    put_pictures(batch, folder.path(), &pictures, args.png)?;
    let facts = vec![
        tempo_words(map),
        format!("grid {}, {:.0} ms between lines", plan.grid, timing.step_ms),
        counted(timing.strokes, "stroke"),
    ];
    let page = timing_report(&plan.title, facts, timing, pulled.as_ref(), pictures, plan.findings.clone());
    batch.put(&folder.file("timing.html"), page.html().as_bytes())
}

/// The move list as a table, as MIDI markers and, where asked for, as cue points.
fn put_moves(
    batch: &mut Batch<'_>,
    folder: &OutFolder,
    args: &Args,
    plan: &Plan,
    checked: &Checked,
    pulled: &Pulled,
) -> Result<()> {
    let Checked { list, map, end, .. } = checked;
    batch.put(&folder.file("moves.csv"), moves_csv(list, pulled, map, plan.grid).as_bytes())?;
    let path = folder.file("moves.mid");
    batch.put(&path, &moves_midi(&path, &plan.title, list, pulled, map, Some(*end))?)?;
    if args.pulling.cues {
        let path = folder.file("moves.wav");
        batch.check(&path)?;
        batch.add(cue_file(&path, list, pulled, *end)?);
    }
    Ok(())
}

/// A silent file that carries the moves as cue points.
fn cue_file(path: &Path, list: &HitList, pulled: &Pulled, end: Seconds) -> Result<AtomicFile> {
    let spec = WavSpec { rate: list.rate, channels: 1, format: SampleFormat::Int16 };
    let frames = end.sample(list.rate).0.max(list.hits.last().map_or(0, |h| h.pos.0 + 1));
    let extras = WavExtras { cues: moves_cues(list, pulled), frames: Some(frames), ..WavExtras::default() };
    let mut wav = WavWriter::create_with(path, spec, extras)?;
    let silence = vec![0.0; 1 << 15];
    let mut left = frames as usize;
    while left > 0 {
        let n = left.min(silence.len());
        wav.write(silence.get(..n).unwrap_or_default())?;
        left -= n;
    }
    wav.close()
}

fn drums_of(list: &HitList) -> Vec<Drum> {
    Drum::FOUND.into_iter().filter(|d| list.of(*d).next().is_some()).collect()
}

/// Which trigger files a pull writes.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Versions {
    /// As played and pulled, side by side.
    Both,
    /// Pulled only: a pull that stands in the sheet is made beside what `hits` wrote.
    Pulled,
}

impl Versions {
    fn of(args: &Args) -> Self {
        if args.pulling.pull.is_some() { Versions::Both } else { Versions::Pulled }
    }
}

/// Triggers pulled, and as played beside them where that is wanted; they appear together with the other files. Gives back
/// what was noticed.
fn put_versions(
    batch: &mut Batch<'_>,
    folder: &OutFolder,
    plan: &Plan,
    checked: &Checked,
    pulled: &Pulled,
    versions: Versions,
) -> Result<Vec<Finding>> {
    let Checked { list, map, end, .. } = checked;
    let triggers = TriggerPlan {
        title: &plan.title,
        tempo: Some(map),
        end: Some(*end),
        ..plan.song.as_ref().map_or_else(TriggerPlan::default, TriggerPlan::of)
    };
    let targets = pulled.times();
    let mut findings = Vec::new();
    let as_played = (versions == Versions::Both).then_some(Version::AsPlayed);
    for version in as_played.into_iter().chain([Version::OnGrid(&targets)]) {
        let (report, files) = make_triggers(folder.path(), list, &drums_of(list), triggers, version)?;
        for (path, bytes) in &files {
            batch.put(path, bytes)?;
        }
        findings.extend(report.findings.into_iter().filter(|f| f.weight > Weight::Note));
    }
    Ok(findings)
}
