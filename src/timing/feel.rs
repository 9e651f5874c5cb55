//! The feel of a group of strokes: where it sits, how tightly, and whether it follows the grid at all.
//!
//! In: placed strokes. Out: [`Feel`]; no mean is given where there is no relation to the grid.

use super::place::Placed;
use super::stats::{Circular, median, robust_spread};
use super::words::{Lean, just_noticed_ms};
use serde::Serialize;

/// Whether strokes follow the grid.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "is")]
pub enum Relation {
    /// They gather at one place of the grid.
    Follows,
    /// They run through the grid at an even rate: the tempo differs. `bpm_factor` × the map's tempo would fit.
    RunsAway {
        /// What the map's tempo must be multiplied with.
        bpm_factor: f64,
    },
    /// They lie anywhere.
    None,
    /// Too few to tell.
    TooFew,
}

/// Below this resultant the offsets' standard deviation is over 0.19 of a grid step: about one stroke in a
/// hundred lies nearer to a line that was not meant (normal distribution).
pub(super) const CROWDED: f64 = 0.5;
/// Fewer strokes than this tell nothing about a relation.
pub(super) const FEW: usize = 5;
/// A chance of more than this that strokes without any relation look so (Rayleigh) means no relation.
const CHANCE: f64 = 0.01;
/// Mean vectors shorter than this mean no relation, however many strokes there are: their circular standard
/// deviation is over a quarter of a grid step.
const RESULTANT: f64 = 0.3;

/// Where a group of strokes sits. Early is negative, late positive.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Feel {
    /// Strokes in the group.
    pub strokes: usize,
    /// Median offset, ms.
    pub median_ms: f64,
    /// Median offset, ticks at 960 a quarter.
    pub median_ticks: f64,
    /// Two standard errors of the median, ms: it may be wrong by so much with so few strokes. `None` for one stroke.
    pub error_ms: Option<f64>,
    /// Robust standard deviation of the offsets, 1.4826·MAD, ms. `None` for one stroke.
    pub spread_ms: Option<f64>,
    /// Share of strokes within the window around the line, 0..=1.
    pub within: f64,
    /// Length of the mean vector on the circle of one grid step, 0..=1.
    pub concentration: f64,
    /// Which way it leans.
    pub lean: Lean,
}

impl Feel {
    /// Of a group; `None` for an empty one. `window_ms` is the half width that [`within`](Self::within) counts.
    #[must_use]
    pub fn of<'a>(group: impl IntoIterator<Item = &'a Placed>, window_ms: f64) -> Option<Self> {
        let group: Vec<&Placed> = group.into_iter().collect();
        let circle = circle(&group)?;
        let turned: Vec<f64> = group.iter().map(|p| unwrap_ms(p, circle.mean)).collect();
        let ticks: Vec<f64> = group.iter().zip(&turned).map(|(p, ms)| ms * ticks_a_ms(p)).collect();
        let median_ms = median(&turned)?;
        let spread_ms = robust_spread(&turned);
        // Standard error of a median of normal values: √(π/2)·σ/√n.
        let error_ms = spread_ms.map(|s| 2.0 * 1.2533 * s / (group.len() as f64).sqrt());
        let inside = group.iter().filter(|p| p.offset_ms.abs() <= window_ms).count();
        let steps: Vec<f64> = group.iter().map(|p| p.step_ms).collect();
        Some(Self {
            strokes: group.len(),
            median_ms,
            median_ticks: median(&ticks)?,
            error_ms,
            spread_ms,
            within: inside as f64 / group.len() as f64,
            concentration: circle.resultant,
            lean: if group.len() >= FEW && circle.resultant < CROWDED {
                Lean::Astray
            } else {
                Lean::of(median_ms, error_ms.unwrap_or(0.0), just_noticed_ms(median(&steps)?))
            },
        })
    }

    /// The words for where it sits.
    #[must_use]
    pub fn words(&self) -> &'static str {
        self.lean.words()
    }
}

/// The group on the circle of one grid step.
pub(super) fn circle(group: &[&Placed]) -> Option<Circular> {
    Circular::of(group.iter().map(|p| std::f64::consts::TAU * turn(p)))
}

/// Whether a group follows the grid, without looking for another tempo.
pub(super) fn relation(circle: Option<Circular>) -> Relation {
    match circle {
        Some(c) if c.n < FEW => Relation::TooFew,
        None => Relation::TooFew,
        Some(c) if c.chance() < CHANCE && c.resultant >= RESULTANT => Relation::Follows,
        Some(_) => Relation::None,
    }
}

/// Offset as a share of the grid step.
pub(super) fn turn(p: &Placed) -> f64 {
    p.offset_ms / p.step_ms
}

/// The offset counted from the line on whose side the group lies: a stroke just past the middle between two
/// lines belongs to the same feel as one just before it. `mean` in radians.
fn unwrap_ms(p: &Placed, mean: f64) -> f64 {
    let centre = mean / std::f64::consts::TAU;
    let away = turn(p) - centre;
    (centre + away - away.round()) * p.step_ms
}

fn ticks_a_ms(p: &Placed) -> f64 {
    if p.offset_ms.abs() > 1e-6 { p.offset_ticks / p.offset_ms } else { 0.0 }
}
