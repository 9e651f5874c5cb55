//! Which beat is the first of the bar.
//!
//! In: onsets, beats, beats a bar. Out: the phase of the bar and how clear it is.

use super::choose::index_of;
use super::strength::Onset;
use crate::song::Drum;

/// The beat index modulo `in_bar` on which bars begin, and the share by which it beats the runner-up (0..1).
///
/// Kick at the bar's beginning and, in bars of four, at the third beat; snare on the even beats (the backbeat,
/// common practice); strokes of every other place count nothing.
#[must_use]
pub fn downbeat(onsets: &[Onset], beats: &[f64], in_bar: usize) -> (usize, f64) {
    let mut kick = vec![0.0; in_bar];
    let mut snare = vec![0.0; in_bar];
    for o in onsets {
        let Some(u) = index_of(beats, o.time) else { continue };
        if (u - u.round()).abs() > 0.15 {
            continue;
        }
        let place = (u.round() as i64).rem_euclid(in_bar as i64) as usize;
        let row = if o.drum == Drum::Kick { &mut kick } else { &mut snare };
        if let Some(slot) = row.get_mut(place) {
            *slot += o.weight;
        }
    }
    let at = |row: &[f64], i: usize| row.get(i % in_bar).copied().unwrap_or_default();
    let score = |phase: usize| {
        let first = at(&kick, phase) - at(&snare, phase);
        let back: f64 = (1..in_bar).step_by(2).map(|i| at(&snare, phase + i) - at(&kick, phase + i)).sum();
        let third: f64 = (2..in_bar).step_by(2).map(|i| 0.5 * (at(&kick, phase + i) - at(&snare, phase + i))).sum();
        1.5 * first + if in_bar.is_multiple_of(2) { back + third } else { 0.5 * back }
    };
    let mut scored: Vec<(f64, usize)> = (0..in_bar).map(|p| (score(p), p)).collect();
    // The earliest wins a tie: takes usually begin on a bar.
    scored.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    let all: f64 = kick.iter().chain(&snare).sum();
    match scored.as_slice() {
        [a, b, ..] if all > 0.0 => (a.1, ((a.0 - b.0) / all).clamp(0.0, 1.0)),
        [a, ..] => (a.1, 0.0),
        [] => (0, 0.0),
    }
}
