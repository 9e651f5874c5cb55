//! What was laid where, as plain data.

use super::set::{Listed, ToldBy};
use crate::finding::{Finding, counted};
use crate::phase::Band;
use crate::song::Drum;
use crate::timing::{Because, PullSettings};
use crate::units::{Dbfs, Decibels, SamplePos, SampleRate, Velocity};
use serde::Serialize;
use std::collections::BTreeMap;

/// One printed stroke: a row of the map.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LaidHit {
    /// Number of the hit among its drum's in the hit list, from 1, dropped ones counted.
    pub hit: usize,
    /// Attack of the real stroke.
    pub real: SamplePos,
    /// Where the stroke was to be printed: `real`, or its place on the grid.
    pub target: SamplePos,
    /// Why it lies there, where the layer is pulled to the grid.
    pub pulled: Option<Because>,
    /// Name of the one-shot.
    pub shot: String,
    /// Frame of the printed track at which the one-shot's first frame falls; negative where it begins before zero.
    pub start: i64,
    /// Frame of the printed track nearest to the one-shot's attack: `target` + `lag_samples`, rounded.
    pub attack: i64,
    /// Later than the target by so many samples, a multiple of 1/16, within ±2 ms.
    pub lag_samples: f64,
    /// Whether the one-shot is printed with its sign flipped.
    pub inverted: bool,
    /// Gain on the one-shot, dB, layer and section level and headroom included.
    pub gain: Decibels,
    /// Velocity in the hit list.
    pub velocity: Velocity,
    /// Section of the form, where there is one.
    pub section: Option<String>,
    /// Level of real drum and layer against the real drum alone in the low band with attack on attack, dB; `None` without a
    /// real drum to compare with.
    pub sum_before: Option<f64>,
    /// The same as printed, earlier tails included; never below 0.
    pub sum_after: Option<f64>,
    /// Whether the stroke got a lag or polarity of its own.
    pub own: bool,
    /// Whether earlier tails end here because they would have taken from the stroke.
    pub cut_before: bool,
}

/// What the layer does to the real drum's low band.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct SumSummary {
    /// The band, Hz.
    pub band: Band,
    /// Median over strokes, attack on attack, dB.
    pub median_before: f64,
    /// Lowest over strokes, attack on attack, dB.
    pub lowest_before: f64,
    /// Strokes that would have lost level.
    pub losing_before: usize,
    /// Median over strokes, as printed, dB.
    pub median_after: f64,
    /// Lowest over strokes, as printed, dB.
    pub lowest_after: f64,
    /// Strokes that lose level as printed.
    pub losing_after: usize,
    /// Strokes with a lag or polarity of their own.
    pub own: usize,
}

/// Everything about a printed layer.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LayerReport {
    /// Name of the layer.
    pub name: String,
    /// Drum that it lies under.
    pub drum: Drum,
    /// Name of the sample set.
    pub set: String,
    /// How its velocity layers were told apart.
    pub told_by: ToldBy,
    /// The set as it was understood.
    pub listing: Vec<Listed>,
    /// Rate of the printed track.
    pub rate: SampleRate,
    /// Frames of the printed track.
    pub frames: u64,
    /// Channels of the printed track.
    pub channels: usize,
    /// Mic that it was aligned with.
    pub aligned_with: Option<String>,
    /// Polarity and lag that most strokes share, samples.
    pub common_lag: f64,
    /// Whether most strokes are inverted.
    pub common_inverted: bool,
    /// What it does to the drum's low band.
    pub sum: Option<SumSummary>,
    /// Highest peak of the printed track.
    pub peak: Dbfs,
    /// Gain that was taken back from the whole layer so that it stays below −1 dBFS; 0 where there was room.
    pub headroom: Decibels,
    /// Strokes left out because their section is off.
    pub off: usize,
    /// Strokes by why they lie where they do; empty where the layer is printed as played.
    pub pulled: BTreeMap<Because, usize>,
    /// The settings that it was printed with, as one line; see [`PrintedWith`](super::PrintedWith).
    pub printed_with: String,
    /// The strokes.
    pub hits: Vec<LaidHit>,
    /// Things to look at.
    pub findings: Vec<Finding>,
}

impl LayerReport {
    /// Which strokes of a pulled layer stay where they were played, and why; `None` where none does.
    #[must_use]
    pub fn left_words(&self) -> Option<String> {
        let left: Vec<(Because, usize)> =
            self.pulled.iter().filter(|(because, _)| because.leaves()).map(|(because, n)| (*because, *n)).collect();
        let n: usize = left.iter().map(|l| l.1).sum();
        let why = match left.as_slice() {
            [] => return None,
            [(one, _)] => why_left(*one),
            many => many.iter().map(|(b, n)| format!("{n} {}", why_left(*b))).collect::<Vec<_>>().join(", "),
        };
        let (stay, it) = if n == 1 { ("stays", "it was") } else { ("stay", "they were") };
        Some(format!("{n} of {} {stay} where {it} played: {why}", counted(self.hits.len(), "stroke")))
    }
}

fn why_left(because: Because) -> String {
    match because {
        Because::TooFar => {
            format!("{} (more than {:.0} % of a grid step)", because.words(), 100.0 * PullSettings::LIMIT_OF_STEP)
        }
        Because::NoRelation => "the drum has no relation to the grid".into(),
        _ => because.words().to_owned(),
    }
}
