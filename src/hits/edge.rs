//! The upper edge of a take's bleed.
//!
//! In: log-odds of all candidates of a drum, before and after the take's own strokes were heard. Out: what all of them gain.
//! The prior parts both at the same odds in every take; within one they lie far apart. Bleed lies close together: where
//! candidates are no denser than the likely strokes of a drum that is surely struck, it has not begun.

use super::decide::UNMISTAKABLE;
use super::others::Others;
use crate::song::Drum;

/// Fewest unmistakable strokes of a drum that is struck beyond doubt.
pub(super) const STRUCK: usize = 12;
/// Log-odds of likely strokes: from 0 up to this.
const LIKELY: f32 = 8.0;
/// Lowest that the edge may lie, log-odds.
const LOWEST: f32 = -2.0;
/// Distance that is kept from where it gets dense, log-odds.
const MARGIN: f32 = 1.0;
/// Width within which candidates are counted, and by how much it moves, log-odds.
const WIDTH: f32 = 1.0;
const STEP: f32 = 0.1;

/// Log-odds that every candidate gains, 0 to 2. 0 where not a dozen were unmistakable at `first`, and in a kick's mic alone, in
/// which the rings of a floor tom stand right below the strokes. Otherwise candidates are counted within one log-odds from
/// even odds downward, until they lie denser than the likely strokes (0 to 8) do in the mean; what lies 1 above that place
/// or higher, and above −2, comes out a stroke.
#[must_use]
pub fn benefit(others: Others, drum: Drum, first: &[f32], odds: &[f32]) -> f32 {
    let struck = first.iter().filter(|o| **o > UNMISTAKABLE).count() >= STRUCK;
    if !struck || (others == Others::None && drum == Drum::Kick) {
        return 0.0;
    }
    let within = |low: f32, high: f32| odds.iter().filter(|o| **o > low && **o <= high).count() as f32;
    let likely = within(0.0, LIKELY) / LIKELY;
    let steps = ((MARGIN - LOWEST) / STEP).round() as usize;
    let place = |k: usize| -STEP * k as f32;
    let dense = |k: &usize| within(place(*k) - 0.5 * WIDTH, place(*k) + 0.5 * WIDTH) / WIDTH > likely;
    let reached = (1..=steps).find(dense).map_or(steps, |k| k - 1);
    (-place(reached) - MARGIN).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// So many log-odds, evenly spread over a range.
    fn spread(count: usize, from: f32, to: f32) -> Vec<f32> {
        (0..count).map(|k| from + (to - from) * (k as f32 + 0.5) / count as f32).collect()
    }

    fn of(odds: &[f32]) -> f32 {
        benefit(Others::OneDrum, Drum::Snare, odds, odds)
    }

    #[test]
    fn soft_strokes_thinly_spread_above_the_bleed_are_the_drums() {
        let bleed = spread(800, -12.0, -5.0);
        let loud = spread(40, 1.0, 9.0);
        let ghosts = spread(6, -1.9, 1.0);
        let take = [bleed, loud, ghosts].concat();
        let gain = of(&take);
        assert_eq!(take.iter().filter(|o| **o + gain > 0.0).count(), 46, "{gain}");
    }

    #[test]
    fn bleed_that_crowds_below_even_odds_gains_nothing() {
        let take = [spread(800, -12.0, -0.5), spread(40, 1.0, 9.0)].concat();
        assert_eq!(of(&take), 0.0);
    }

    #[test]
    fn a_drum_that_is_hardly_struck_or_never_gains_nothing() {
        assert_eq!(of(&[]), 0.0);
        assert_eq!(of(&[spread(500, -9.0, -4.0), spread(11, 4.0, 9.0)].concat()), 0.0);
        assert!(of(&[spread(500, -9.0, -4.0), spread(12, 4.0, 9.0)].concat()) > 0.0);
    }

    #[test]
    fn a_kick_s_mic_alone_gains_nothing_for_a_floor_tom_rings_there() {
        let take = [spread(800, -12.0, -5.0), spread(40, 1.0, 9.0)].concat();
        assert_eq!(benefit(Others::None, Drum::Kick, &take, &take), 0.0);
        assert!(benefit(Others::OneDrum, Drum::Kick, &take, &take) > 0.0);
        assert!(benefit(Others::None, Drum::Snare, &take, &take) > 0.0);
    }

    #[test]
    fn nothing_is_fetched_from_far_below_however_empty_it_is_there() {
        assert_eq!(of(&spread(40, 4.0, 9.0)), -LOWEST);
        let lower = [spread(40, 1.0, 9.0), spread(9, -9.0, -2.1)].concat();
        assert!(lower.iter().all(|o| *o > 0.0 || *o + of(&lower) < 0.0));
    }
}
