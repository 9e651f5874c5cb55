//! Onset strength over time, from hits instead of audio.
//!
//! In: strokes with their strength. Out: [`Onset`]s and a strength curve in steps of 5 ms.

use crate::hits::{HitList, Kind};
use crate::song::Drum;
use crate::timing::strokes::strokes;

/// One stroke as beat tracking sees it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Onset {
    /// Seconds from the audio's first sample.
    pub time: f64,
    /// Strength, 0..=1.
    pub weight: f64,
    /// The drum.
    pub drum: Drum,
}

/// Frames a second of the strength curve.
pub const FRAMES: f64 = 200.0;
/// Half width of a stroke on the curve, seconds (standard deviation of a bell): wider than a drummer's spread.
const WIDTH: f64 = 0.016;
/// A stroke never counts less than this, however soft.
const SOFTEST: f64 = 0.1;

/// Every sounding stroke of a list, ornaments left out, in order of time.
#[must_use]
pub fn onsets(list: &HitList) -> Vec<Onset> {
    let own = strokes(list, None);
    own.iter()
        .filter_map(|s| list.hits.get(s.main))
        .map(|hit| {
            let level = f64::from(hit.velocity.get()) / 127.0;
            let ghost = if hit.kind == Kind::Ghost { 0.5 } else { 1.0 };
            Onset { time: hit.pos.at(list.rate).0, weight: (level * ghost).max(SOFTEST), drum: hit.drum }
        })
        .collect()
}

/// Strength at every frame: each stroke is a bell of its own height. `end` in seconds.
#[must_use]
pub fn curve(onsets: &[Onset], end: f64) -> Vec<f32> {
    let mut out = vec![0.0f32; (end * FRAMES).ceil().max(0.0) as usize + 1];
    let reach = (4.0 * WIDTH * FRAMES).ceil() as i64;
    for o in onsets {
        let centre = (o.time * FRAMES).round() as i64;
        for frame in centre - reach..=centre + reach {
            if let Some(slot) = usize::try_from(frame).ok().and_then(|f| out.get_mut(f)) {
                let away = (frame as f64 / FRAMES - o.time) / WIDTH;
                *slot += (o.weight * (-0.5 * away * away).exp()) as f32;
            }
        }
    }
    out
}
