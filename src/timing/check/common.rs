//! An offset that all drums have in common: latency, or a bar 1 that is set a little off.
//!
//! In: drums with their feels. Out: that offset, where it is larger than playing and chance explain.

use super::super::feel::{FEW, Feel};
use super::super::words::Lean;
use super::DrumTiming;

/// Offset from which every drum alike is no playing any more, ms: professionals with a metronome play about 10 ms early
/// (Fujii et al. 2011, Music Perception 28(5), abstract).
pub(in super::super) const NO_PLAYING_MS: f64 = 15.0;
/// A median so many times its own uncertainty away from the line is there for certain.
const FAR: f64 = 3.0;
/// Drums whose medians lie so close sit at one place, ms; or as close as their uncertainty lets one tell.
const ALIKE_MS: f64 = 5.0;
/// What drums have in common explains more than what sets them apart where it is so many times as large: a snare that sits
/// 6 ms behind its kick does so under a latency of 25 ms too.
const IN_COMMON: f64 = 2.0;

/// The offset that two drums or more have alike, ms, weighted by their strokes.
///
/// Every drum must lie off by more than playing explains, beyond its own uncertainty, and on the same side; and the drums
/// must sit at one place, or what the least of them lies off must be twice what sets them apart.
pub(super) fn common(drums: &[DrumTiming]) -> Option<f64> {
    let feels: Vec<&Feel> = drums.iter().filter_map(|d| d.feel.as_ref().filter(|f| f.strokes >= FEW)).collect();
    let far = |f: &&Feel| {
        f.lean != Lean::Astray && f.error_ms.is_some_and(|e| f.median_ms.abs() >= (NO_PLAYING_MS + e).max(FAR * e))
    };
    if feels.len() < 2 || feels.len() < drums.len() || !feels.iter().all(far) {
        return None;
    }
    let (low, high) = feels
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), f| (low.min(f.median_ms), high.max(f.median_ms)));
    let unsure = feels.iter().filter_map(|f| f.error_ms).fold(0.0, f64::hypot);
    let least = if low > 0.0 { low } else { -high };
    let weight: f64 = feels.iter().map(|f| f.strokes as f64).sum();
    let mean = feels.iter().map(|f| f.median_ms * f.strokes as f64).sum::<f64>() / weight;
    (high - low <= ALIKE_MS.max(unsure).max(least / IN_COMMON)).then_some(mean)
}
