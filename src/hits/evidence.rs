//! What the finder saw of a drum, condensed for pictures.

use crate::song::Drum;
use crate::units::{Dbfs, SampleRate, Seconds};
use crate::wide::wide;
use pulp::Arch;
use serde::Serialize;

/// Most columns of a picture.
const MOST: u64 = 1 << 16;
/// Shortest column, milliseconds.
const SHORTEST_MS: f64 = 5.0;

/// What the finder saw of one drum: one column every `step`, at most 65,536 columns.
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
    /// Threshold in force at each column, dB: what lies below is never taken for a stroke.
    pub threshold: Vec<f32>,
    /// Quietest stroke that counts.
    pub floor: Dbfs,
    /// Least time between two strokes.
    pub min_gap: Seconds,
}

/// How a take is cut into columns.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Columns {
    /// Samples a column.
    pub width: u64,
    /// Number of columns.
    pub count: usize,
}

impl Columns {
    /// Columns of 5 ms, or as long as it takes for 65,536 to reach.
    #[must_use]
    pub fn new(samples: u64, rate: SampleRate) -> Self {
        let width = rate.samples(Seconds::from_ms(SHORTEST_MS)).max(samples.div_ceil(MOST)).max(1);
        Self { width, count: samples.div_ceil(width) as usize }
    }
}

/// The waveform of a mic, lowest and highest sample of each column.
#[derive(Clone, Debug)]
pub struct Outline {
    columns: Columns,
    /// Lowest of each column.
    pub low: Vec<f32>,
    /// Highest of each column.
    pub high: Vec<f32>,
}

impl Outline {
    /// Of a silent take.
    #[must_use]
    pub fn new(columns: Columns) -> Self {
        Self { columns, low: vec![0.0; columns.count], high: vec![0.0; columns.count] }
    }

    /// Draws samples that begin at a position.
    pub fn push(&mut self, at: u64, samples: &[f32]) {
        let width = self.columns.width as usize;
        let mut rest = samples;
        let mut column = (at / self.columns.width) as usize;
        let mut room = width - (at % self.columns.width) as usize;
        while !rest.is_empty() && column < self.low.len() {
            let (now, later) = rest.split_at(room.min(rest.len()));
            let (low, high) = extremes(now);
            self.low[column] = self.low[column].min(low);
            self.high[column] = self.high[column].max(high);
            (rest, column, room) = (later, column + 1, width);
        }
    }
}

/// Samples that are looked at side by side.
const LANES: usize = 16;

/// Lowest and highest of some samples and zero.
fn extremes(samples: &[f32]) -> (f32, f32) {
    let (rows, rest) = samples.as_chunks::<LANES>();
    let of_rows = wide!(Arch::new(), lanes(rows: &'a [[f32; LANES]] = rows) -> (f32, f32));
    rest.iter().fold(of_rows, |(low, high), &s| (low.min(s), high.max(s)))
}

/// Lowest and highest of zero and the samples of all lanes.
#[inline(always)]
fn lanes(rows: &[[f32; LANES]]) -> (f32, f32) {
    let (mut low, mut high) = ([0.0f32; LANES], [0.0f32; LANES]);
    for row in rows {
        for l in 0..LANES {
            low[l] = if row[l] < low[l] { row[l] } else { low[l] };
            high[l] = if row[l] > high[l] { row[l] } else { high[l] };
        }
    }
    // Half with half, until one is left.
    let mut left = LANES / 2;
    while left > 0 {
        for l in 0..left {
            low[l] = if low[l + left] < low[l] { low[l + left] } else { low[l] };
            high[l] = if high[l + left] > high[l] { high[l + left] } else { high[l] };
        }
        left /= 2;
    }
    (low[0], high[0])
}

/// Raises `columns` to the highest of the curve values that fall into each; value `t` lies at sample `start + t·hop`.
pub fn highest(columns: &mut [f32], width: u64, start: u64, hop: u64, curve: &[f32]) {
    for (t, &v) in curve.iter().enumerate() {
        if let Some(c) = columns.get_mut(((start + t as u64 * hop) / width) as usize) {
            *c = c.max(v);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_outline_is_the_same_however_the_samples_come() {
        let x: Vec<f32> = (0..5000).map(|i| ((i * 7919) % 201) as f32 / 100.0 - 1.0).collect();
        let columns = Columns::new(5000, SampleRate::SESSION);
        let mut whole = Outline::new(columns);
        whole.push(0, &x);
        let mut parts = Outline::new(columns);
        for (i, block) in x.chunks(77).enumerate() {
            parts.push(77 * i as u64, block);
        }
        assert_eq!((&whole.low, &whole.high), (&parts.low, &parts.high));
        assert!(whole.high.iter().all(|&h| h <= 1.0) && whole.high[3] > 0.9);
    }

    #[test]
    fn eight_hours_have_no_more_columns_than_allowed() {
        let columns = Columns::new(8 * 3600 * 48_000, SampleRate::SESSION);
        assert!(columns.count as u64 <= MOST && columns.count as u64 * columns.width >= 8 * 3600 * 48_000);
    }
}
