//! Kinds of strokes: ghost notes, flams, rolls.
//!
//! In: times and peak levels of one drum's strokes, in order. Out: a [`Kind`] each.

use super::Kind;
use crate::units::{Dbfs, Seconds};

/// A grace note lies at most this long before its main stroke. Common practice; no published value.
pub const FLAM: Seconds = Seconds(0.045);
/// Strokes closer than this belong to a roll.
pub const ROLL: Seconds = Seconds(0.090);
/// A ghost note lies at least this far under the drum's accents, dB.
const GHOST_BELOW: f64 = 12.0;

/// The kind of every stroke: `Flam` for a softer stroke up to 45 ms before a louder one, `Roll` for strokes closer
/// than 90 ms (the main stroke of a flam stays a `Hit`), `Ghost` for one at least 12 dB below the drum's accents
/// (the 80th percentile of its peaks), `Hit` for the rest.
#[must_use]
pub fn kinds(strokes: &[(Seconds, Dbfs)]) -> Vec<Kind> {
    let mut sorted: Vec<f64> = strokes.iter().map(|s| s.1.0).collect();
    sorted.sort_by(f64::total_cmp);
    let accent = sorted.get(sorted.len().saturating_sub(1) * 8 / 10).copied().unwrap_or(0.0);
    let gap = |i: usize, j: usize| (strokes[j].0.0 - strokes[i].0.0).abs();
    let grace: Vec<bool> = (0..strokes.len())
        .map(|i| i + 1 < strokes.len() && gap(i, i + 1) < FLAM.0 && strokes[i].1.0 < strokes[i + 1].1.0)
        .collect();
    (0..strokes.len())
        .map(|i| {
            let after = i + 1 < strokes.len() && gap(i, i + 1) < ROLL.0;
            // The main stroke of a flam is no roll because of its grace note alone.
            let before = i > 0 && gap(i - 1, i) < ROLL.0 && !(grace[i - 1] && (i < 2 || gap(i - 2, i) >= ROLL.0));
            if grace[i] {
                Kind::Flam
            } else if before || after {
                Kind::Roll
            } else if strokes[i].1.0 <= accent - GHOST_BELOW {
                Kind::Ghost
            } else {
                Kind::Hit
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(strokes: &[(f64, f64)]) -> Vec<Kind> {
        kinds(&strokes.iter().map(|&(t, p)| (Seconds(t), Dbfs(p))).collect::<Vec<_>>())
    }

    #[test]
    fn a_soft_stroke_just_before_a_loud_one_is_a_flam_and_the_loud_one_a_hit() {
        assert_eq!(of(&[(1.0, -6.0), (1.97, -20.0), (2.0, -6.0)]), [Kind::Hit, Kind::Flam, Kind::Hit]);
    }

    #[test]
    fn strokes_in_quick_succession_are_a_roll() {
        assert_eq!(of(&[(1.0, -6.0), (1.06, -7.0), (1.12, -8.0), (2.0, -6.0)])[..3], [Kind::Roll; 3]);
    }

    #[test]
    fn a_stroke_far_under_the_accents_is_a_ghost_note() {
        assert_eq!(of(&[(1.0, -6.0), (1.5, -24.0), (2.0, -6.0)])[1], Kind::Ghost);
        assert!(of(&[]).is_empty());
    }
}
