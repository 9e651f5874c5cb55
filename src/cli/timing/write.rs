//! Files that a pull writes: the moves, and triggers as played and pulled.

use super::super::files::OutFolder;
use super::super::take::Batch;
use super::{Args, Plan};
use crate::audio::{SampleFormat, WavExtras, WavSpec, WavWriter};
use crate::error::Result;
use crate::finding::{Finding, Weight};
use crate::hits::HitList;
use crate::midi::{TriggerPlan, Version, make_triggers};
use crate::output::AtomicFile;
use crate::song::Drum;
use crate::tempo::TempoMap;
use crate::timing::{Pulled, moves_csv, moves_cues, moves_midi};
use crate::units::Seconds;
use std::path::Path;

/// What moves and trigger files are made from.
pub(super) struct Checked<'a> {
    pub list: &'a HitList,
    pub map: &'a TempoMap,
    pub pulled: &'a Pulled,
    pub end: Seconds,
}

/// The move list as a table, as MIDI markers and, where asked for, as cue points.
pub(super) fn put_moves(
    batch: &mut Batch<'_>,
    folder: &OutFolder,
    args: &Args,
    plan: &Plan,
    checked: &Checked<'_>,
) -> Result<()> {
    let Checked { list, map, pulled, end } = checked;
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
pub(super) enum Versions {
    /// As played and pulled, side by side.
    Both,
    /// Pulled only: a pull that stands in the sheet is made beside what `hits` wrote.
    Pulled,
}

impl Versions {
    pub fn of(args: &Args) -> Self {
        if args.pulling.pull.is_some() { Versions::Both } else { Versions::Pulled }
    }
}

/// Triggers pulled, and as played beside them where that is wanted; they appear together with the other files. Gives back
/// what was noticed.
pub(super) fn put_versions(
    batch: &mut Batch<'_>,
    folder: &OutFolder,
    plan: &Plan,
    checked: &Checked<'_>,
    versions: Versions,
) -> Result<Vec<Finding>> {
    let Checked { list, map, pulled, end } = checked;
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
