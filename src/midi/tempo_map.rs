//! A MIDI file of tempo, meter and markers alone, for whoever lays the song out in their own session.

use super::encode::{Track, encode};
use super::{FileMap, LeadIn, MidiFault};
use crate::error::{Located, Result};
use crate::finding::Finding;
use crate::output::write_whole;
use crate::tempo::TempoMap;
use crate::units::Seconds;
use std::path::Path;

/// A tempo map file's bytes and what its making had to do.
#[derive(Clone, Debug, PartialEq)]
pub struct TempoFile {
    /// The file.
    pub bytes: Vec<u8>,
    /// The odd bar at the start, where one was needed.
    pub lead_in: Option<LeadIn>,
    /// How far the song's bar lines lie from where they belong; positive = late.
    pub bar_line_error: Seconds,
}

/// The file of a song's tempo map: one track of title, meters, tempos and markers; its tick 0 is sample 0 of the
/// audio. `end` is the song's length, where the track ends.
///
/// # Errors
/// [`TempoFault`](crate::tempo::TempoFault) when the lead-in pushes the map beyond its limits.
pub fn tempo_map(
    title: &str,
    song: &TempoMap,
    end: Option<Seconds>,
) -> std::result::Result<TempoFile, crate::tempo::TempoFault> {
    let FileMap { map, lead_in, bar_line_error, .. } = FileMap::of(song)?;
    let end = end.map_or(0.0, |end| map.tick_at(end)).round().max(0.0) as u64;
    Ok(TempoFile { bytes: encode(&[Track::of_map(title, &map, end)]), lead_in, bar_line_error })
}

/// Writes the file of a song's tempo map in one step, and says what is odd about it.
///
/// # Errors
/// [`Error::Output`](crate::Error::Output), or [`Error::Midi`](crate::Error::Midi) when the map reaches too far.
pub fn write_tempo_map(path: &Path, title: &str, song: &TempoMap, end: Option<Seconds>) -> Result<Vec<Finding>> {
    let file = tempo_map(title, song, end).map_err(|e| Located::whole(path, MidiFault::Tempo(e)))?;
    write_whole(path, &file.bytes)?;
    Ok(odd_start(path, file.lead_in).into_iter().collect())
}

/// Says so where the odd bar at the start runs faster than programs usually follow.
pub(super) fn odd_start(path: &Path, lead_in: Option<LeadIn>) -> Option<Finding> {
    let lead = lead_in.filter(|l| l.bpm > FAST)?;
    let what = format!(
        "Bar 1 comes only {:.1} ms after the start, so the file begins with a bar of {} at {:.0} BPM.",
        lead.length.ms(),
        lead.meter,
        lead.bpm
    );
    let remedy = "If your session does not follow so fast a tempo, let bar 1 begin at 0 or a beat later.";
    Some(Finding::caution(path, what, remedy))
}

/// BPM beyond which some programs do not follow; common practice.
const FAST: f64 = 300.0;
