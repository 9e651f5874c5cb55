//! Grid lines.

use super::TempoMap;
use crate::units::Seconds;
use serde::Serialize;

/// The note value that hits are compared with.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Grid {
    /// Lines a whole note: 4, 8, 16, 32, or 6, 12, 24, 48 for triplets.
    pub lines_per_whole: u32,
    /// Place of every second line inside its pair, 0.5 = straight, 2/3 = triplet swing; 0.5..=0.75.
    pub swing: f64,
}

impl Grid {
    /// Straight sixteenths.
    pub const SIXTEENTH: Grid = Grid { lines_per_whole: 16, swing: 0.5 };
}

/// A line of the grid.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct GridLine {
    /// Song tick of the line (fractional under swing); negative before bar 1.
    pub tick: f64,
    /// Its time in the audio.
    pub time: Seconds,
}

impl TempoMap {
    /// The grid line nearest to a time. Lines restart at every bar line.
    #[must_use]
    pub fn nearest_line(&self, time: Seconds, grid: Grid) -> GridLine {
        let step = Self::PPQ as f64 * 4.0 / f64::from(grid.lines_per_whole);
        let tick = (self.tick_at(time) / step).round() * step;
        GridLine { tick, time: self.time_at(tick) }
    }
}
