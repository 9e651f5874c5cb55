//! Kick against snare, first half against second.
//!
//! In: placed strokes. Out: differences with what so few strokes leave uncertain, and a sentence each.

use super::feel::Feel;
use super::place::Placed;
use super::stats::median;
use super::words::{Lean, later_earlier};
use crate::song::Drum;
use serde::Serialize;

/// Kick against snare.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct KickSnare {
    /// Snare's median offset less the kick's, ms: positive = the snare lies behind the kick.
    pub snare_behind_ms: f64,
    /// Two standard errors of that, ms.
    pub error_ms: f64,
    /// Grid lines on which both were struck together.
    pub together: usize,
    /// There, median time from kick to snare, ms. `None` without any.
    pub together_ms: Option<f64>,
}

impl KickSnare {
    /// From both feels; `None` where one drum has fewer than two strokes.
    #[must_use]
    pub fn of(placed: &[Placed], kick: &Feel, snare: &Feel) -> Option<Self> {
        let snare_behind_ms = snare.median_ms - kick.median_ms;
        let error_ms = kick.error_ms?.hypot(snare.error_ms?);
        let mut both = Vec::new();
        let mut sorted: Vec<&Placed> = placed.iter().collect();
        sorted.sort_by(|a, b| a.line.tick.total_cmp(&b.line.tick).then(a.drum.cmp(&b.drum)));
        for line in sorted.chunk_by(|a, b| a.line.tick == b.line.tick) {
            let one = |drum| line.iter().find(|p| p.drum == drum);
            if let (Some(k), Some(s)) = (one(Drum::Kick), one(Drum::Snare)) {
                both.push((s.time - k.time).ms());
            }
        }
        Some(Self { snare_behind_ms, error_ms, together: both.len(), together_ms: median(&both) })
    }

    /// In words.
    #[must_use]
    pub fn sentence(&self) -> String {
        let d = self.snare_behind_ms;
        if d.abs() < 1.0 || d.abs() <= self.error_ms {
            "Kick and snare sit at the same place.".into()
        } else {
            let (front, back) = if d > 0.0 { ("kick", "snare") } else { ("snare", "kick") };
            format!("The {back} sits {:.0} ms behind the {front}.", d.abs())
        }
    }
}

/// First half of the take against the second, one drum.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Halves {
    /// First half.
    pub first: Feel,
    /// Second half.
    pub second: Feel,
    /// First bar of the second half.
    pub from_bar: i64,
}

impl Halves {
    /// Splits at the middle bar between first and last stroke; `None` when one half has no stroke or no place on the grid.
    #[must_use]
    pub fn of(placed: &[&Placed], window_ms: f64) -> Option<Self> {
        let first_bar = placed.iter().map(|p| p.at.bar).min()?;
        let last_bar = placed.iter().map(|p| p.at.bar).max()?;
        let from_bar = first_bar + (last_bar - first_bar + 1) / 2;
        let (a, b): (Vec<&Placed>, Vec<&Placed>) = placed.iter().partition(|p| p.at.bar < from_bar);
        let feel = |half: Vec<&Placed>| Feel::of(half, window_ms).filter(|f| f.lean != Lean::Astray);
        Some(Self { first: feel(a)?, second: feel(b)?, from_bar })
    }

    /// In words: a change is named where it is larger than its own uncertainty.
    #[must_use]
    pub fn sentence(&self) -> String {
        let (a, b) = (&self.first, &self.second);
        let moved = b.median_ms - a.median_ms;
        let unsure = a.error_ms.unwrap_or(f64::INFINITY).hypot(b.error_ms.unwrap_or(f64::INFINITY));
        let mut parts = Vec::new();
        if moved.abs() >= 1.0 && moved.abs() > unsure {
            parts.push(later_earlier(moved));
        }
        if let (Some(sa), Some(sb)) = (a.spread_ms, b.spread_ms) {
            // A standard deviation of n values is itself uncertain by about 1/√(2n); half as much again for the MAD.
            let loose = |n: usize| 1.5 / (2.0 * n as f64).sqrt();
            if (sb - sa).abs() > 2.0 * (sa * loose(a.strokes)).hypot(sb * loose(b.strokes)) && (sb - sa).abs() >= 1.0 {
                parts.push(format!("{} (spread {sa:.0} to {sb:.0} ms)", if sb > sa { "looser" } else { "tighter" }));
            }
        }
        if parts.is_empty() {
            "the second half sits as the first".into()
        } else {
            format!("the second half sits {}", parts.join(" and "))
        }
    }
}
