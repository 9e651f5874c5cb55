//! Swing: how long the first of two equal notes is played.
//!
//! In: song ticks of strokes. Out: [`Swing`] for eighths and for sixteenths.

use super::place::Placed;
use super::stats::{median, robust_spread};
use crate::tempo::TempoMap;
use serde::Serialize;

/// A pair of notes that swing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Level {
    /// Two eighths a quarter.
    Eighths,
    /// Two sixteenths an eighth.
    Sixteenths,
}

impl Level {
    /// The word.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Level::Eighths => "eighths",
            Level::Sixteenths => "sixteenths",
        }
    }
}

/// How a pair of notes is played.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Swing {
    /// Which notes.
    pub level: Level,
    /// Pairs that were measured.
    pub pairs: usize,
    /// Share of the pair that the first note takes: 0.5 = straight, 0.667 = triplet swing.
    pub share: f64,
    /// Two standard errors of the share.
    pub error: f64,
    /// First note against the second (Friberg & Sundström 2002, Music Perception 19(3), from memory): 1 = straight, 2 = triplet swing.
    pub ratio: f64,
}

impl Swing {
    /// In words.
    #[must_use]
    pub fn words(&self) -> &'static str {
        match self.share {
            s if (s - 0.5).abs() <= self.error && self.error > 0.03 => "too uneven to tell",
            s if (s - 0.5).abs() <= self.error.max(0.01) => "straight",
            s if s < 0.5 => "the off-beats come early",
            s if s < 0.55 => "straight with late off-beats",
            s if s < 0.63 => "lightly swung",
            _ => "swung in triplets",
        }
    }
}

/// Fewer pairs than this tell nothing.
const FEW: usize = 8;
/// A stroke this close to the beginning of the pair counts as its first note, as a share of the pair.
const START: f64 = 0.17;
/// Second notes are looked for here. Above lies the dotted rhythm (3/4), which is written out and no swing.
const SECOND: std::ops::Range<f64> = 0.40..0.71;

/// Measures pairs whose second note is the only other stroke in them; a level with fewer than 8 pairs is left out.
/// The take's own lean is taken out: places count from where its first notes usually lie.
#[must_use]
pub fn swing(placed: &[Placed]) -> Vec<Swing> {
    [(Level::Eighths, TempoMap::PPQ as f64), (Level::Sixteenths, TempoMap::PPQ as f64 / 2.0)]
        .into_iter()
        .filter_map(|(level, unit)| measure(placed, level, unit))
        .collect()
}

fn measure(placed: &[Placed], level: Level, unit: f64) -> Option<Swing> {
    // (pair, place in it as a share, from −START to 1 − START)
    let mut at: Vec<(i64, f64)> = placed
        .iter()
        .map(|p| {
            let units = (p.line.tick + p.offset_ticks) / unit;
            let pair = (units + START).floor();
            (pair as i64, units - pair)
        })
        .collect();
    at.sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let firsts: Vec<f64> = at.iter().map(|a| a.1).filter(|f| f.abs() < START).collect();
    let lean = median(&firsts).unwrap_or(0.0);
    let mut seconds = Vec::new();
    for pair in at.chunk_by(|a, b| a.0 == b.0) {
        let inner: Vec<f64> = pair.iter().map(|a| a.1 - lean).filter(|f| *f >= START).collect();
        // Two drums at once count once: strokes within 8 % of the pair are one note.
        let (Some(low), Some(high)) = (inner.first(), inner.last()) else { continue };
        if high - low < 0.08 && inner.iter().all(|f| SECOND.contains(f)) {
            seconds.push(inner.iter().sum::<f64>() / inner.len() as f64);
        }
    }
    if seconds.len() < FEW {
        return None;
    }
    let share = median(&seconds)?;
    let error = 2.0 * 1.2533 * robust_spread(&seconds)? / (seconds.len() as f64).sqrt();
    Some(Swing { level, pairs: seconds.len(), share, error, ratio: share / (1.0 - share) })
}
