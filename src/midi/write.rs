//! The trigger files of a hit list: one of all drums, and one a drum.

use super::tempo_map::odd_start;
use super::{FileMap, KICK_KEY, LeadIn, MidiFault, Rounding, SNARE_KEY, TriggerFile, TriggerTrack, triggers};
use crate::error::{Located, Result};
use crate::finding::Finding;
use crate::hits::HitList;
use crate::output::{Unwritten, make_folder, write_all_whole};
use crate::song::{Drum, Song};
use crate::tempo::TempoMap;
use crate::units::{SamplePos, Seconds};
use serde::Serialize;
use std::path::{Path, PathBuf};

/// What goes into every trigger file of a song.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TriggerPlan<'a> {
    /// Title, the name of the sequence.
    pub title: &'a str,
    /// Tempo map; without one the files run at 120 BPM and say so.
    pub tempo: Option<&'a TempoMap>,
    /// MIDI keys of kick and snare.
    pub keys: (u8, u8),
    /// Shift of every stroke, ms; negative = earlier.
    pub shift_ms: f64,
    /// The song's length.
    pub end: Option<Seconds>,
}

impl Default for TriggerPlan<'_> {
    /// No title, no tempo, General MIDI keys, no shift.
    fn default() -> Self {
        Self { title: "", tempo: None, keys: (KICK_KEY, SNARE_KEY), shift_ms: 0.0, end: None }
    }
}

impl<'a> TriggerPlan<'a> {
    /// As the song sheet says.
    #[must_use]
    pub fn of(song: &'a Song) -> Self {
        Self {
            title: &song.title,
            tempo: song.tempo.as_ref(),
            keys: song.keys,
            shift_ms: song.trigger_shift_ms,
            end: Some(SamplePos(song.frames()).at(song.rate())),
        }
    }

    fn key(&self, drum: Drum) -> u8 {
        if drum == Drum::Kick { self.keys.0 } else { self.keys.1 }
    }
}

/// Which times the strokes have.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Version<'a> {
    /// As played: `triggers.mid`, `kick.mid`, `snare.mid`.
    AsPlayed,
    /// On the grid, or pulled towards it: one target for every hit of the list, in its order; `triggers_on_grid.mid`, ...
    OnGrid(&'a [Seconds]),
}

impl Version<'_> {
    fn suffix(self) -> &'static str {
        match self {
            Version::AsPlayed => "",
            Version::OnGrid(_) => "_on_grid",
        }
    }
}

/// One file that was written.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct WrittenTriggers {
    /// The file.
    pub path: PathBuf,
    /// Its drums, one track each.
    pub drums: Vec<Drum>,
    /// What became of the strokes' times.
    pub rounding: Rounding,
}

/// What was written, and what was noticed.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TriggerReport {
    /// The files, the one of all drums first.
    pub files: Vec<WrittenTriggers>,
    /// The odd bar at the files' start, where one was needed.
    pub lead_in: Option<LeadIn>,
    /// How far bar lines lie from where they belong; positive = late.
    pub bar_line_error: Seconds,
    /// What to know or look at.
    pub findings: Vec<Finding>,
}

/// Writes `triggers.mid` with a track for each of the drums, and one file for each, into a folder (made where
/// missing). They appear together (`output::write_all_whole`).
///
/// # Errors
/// As [`make_triggers`]; [`Error::Output`](crate::Error::Output).
pub fn write_triggers(
    folder: &Path,
    list: &HitList,
    drums: &[Drum],
    plan: TriggerPlan<'_>,
    version: Version<'_>,
) -> Result<TriggerReport> {
    let (report, files) = make_triggers(folder, list, drums, plan, version)?;
    make_folder(folder)?;
    write_all_whole(&files)?;
    Ok(report)
}

/// Makes the files of [`write_triggers`] without writing them: their names in the folder, and their bytes.
///
/// # Errors
/// Usage errors as [`triggers`]; [`Error::Midi`](crate::Error::Midi) when the tempo map reaches too far.
pub fn make_triggers(
    folder: &Path,
    list: &HitList,
    drums: &[Drum],
    plan: TriggerPlan<'_>,
    version: Version<'_>,
) -> Result<(TriggerReport, Unwritten)> {
    let name = |stem: &str| folder.join(format!("{stem}{}.mid", version.suffix()));
    let all = name("triggers");
    let file = match plan.tempo {
        Some(map) => FileMap::of(map).map_err(|e| Located::whole(&all, MidiFault::Tempo(e)))?,
        None => FileMap::unknown(),
    };
    let track = |&drum: &Drum| match version {
        Version::AsPlayed => TriggerTrack::as_played(list, drum, plan.key(drum)),
        Version::OnGrid(targets) => TriggerTrack::at_targets(list, targets, drum, plan.key(drum)),
    };
    let tracks: Vec<TriggerTrack> = drums.iter().map(track).collect();
    let make = |tracks: &[TriggerTrack]| triggers(plan.title, &file, tracks, plan.shift_ms, plan.end);
    let mut made: Vec<(PathBuf, Vec<Drum>, TriggerFile)> = vec![(all.clone(), drums.to_vec(), make(&tracks)?)];
    for (&drum, track) in drums.iter().zip(&tracks) {
        made.push((name(drum.word()), vec![drum], make(std::slice::from_ref(track))?));
    }
    let findings = noticed(&all, &file, made.first().map(|m| m.2.rounding).unwrap_or_default(), plan);
    let FileMap { lead_in, bar_line_error, .. } = file;
    let mut report = TriggerReport { files: Vec::with_capacity(made.len()), lead_in, bar_line_error, findings };
    let mut files = Vec::with_capacity(made.len());
    for (path, drums, made) in made {
        report.files.push(WrittenTriggers { path: path.clone(), drums, rounding: made.rounding });
        files.push((path, made.bytes));
    }
    Ok((report, files))
}

fn noticed(path: &Path, file: &FileMap, rounding: Rounding, plan: TriggerPlan<'_>) -> Vec<Finding> {
    let mut findings = Vec::new();
    if plan.tempo.is_none() {
        findings.push(Finding::note(path, "No tempo is known; the file runs at 120 BPM, and its bars mean nothing."));
    }
    findings.extend(odd_start(path, file.lead_in));
    if rounding.merged > 0 {
        let what = format!("{} hits lie so close behind another that both became one note.", rounding.merged);
        findings.push(Finding::caution(path, what, "Look for doubled rows in the hit list."));
    }
    if rounding.held_at_start > 0 {
        let what = format!(
            "{} hits would lie before the start of the audio when shifted by {} ms; they were put on the start.",
            rounding.held_at_start, plan.shift_ms
        );
        findings.push(Finding::caution(
            path,
            what,
            "Choose a smaller shift, or leave some silence before the first hit.",
        ));
    }
    if file.markers_cut > 0 {
        let what = format!("{} markers lie before the start of the audio and are left out.", file.markers_cut);
        findings.push(Finding::note(path, what));
    }
    findings
}
