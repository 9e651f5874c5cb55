//! The valley between a take's own strokes and its bleed.
//!
//! In: log-odds of all candidates of a drum. Out: where they part. The prior does not know every drum: of one that it hardly
//! knows all strokes may come out at about even odds, and still stand far above all bleed of the same take. Where few or
//! no candidates lie between the two, that is the better place to part them.

/// Where a valley is looked for, log-odds, and in what steps.
pub(super) const FROM: f32 = -3.0;
/// See [`FROM`].
pub(super) const TO: f32 = 1.5;
const STEPS: usize = 45;
/// Half the width of the kernel, log-odds.
const REACH: f32 = 1.2;
/// Most of the density of the strokes above that a valley may have: one in five.
pub(super) const DEPTH: f32 = 0.2;
/// What counts as its bottom, candidates.
const FLAT: f32 = 0.1;
/// Density of candidates that are taken for strokes although all of them are below even odds.
const SEVERAL: f32 = 4.0;

/// Log-odds at which the candidates part: the middle of the deepest valley within −3..=1.5 of their density (kernel of
/// Epanechnikov 1969, Theory of Probability and its Applications 14(1), from memory), if the candidates above it make it
/// one; 0 where there is none, or where its bottom reaches to both sides of 0.
#[must_use]
pub fn valley(odds: &[f32]) -> f32 {
    let near: Vec<f32> = odds.iter().copied().filter(|o| (FROM - REACH..=TO + REACH).contains(o)).collect();
    let at = |k: usize| FROM + (TO - FROM) * k as f32 / STEPS as f32;
    let density: Vec<f32> = (0..=STEPS).map(|k| density(&near, at(k))).collect();
    let lowest = (0..=STEPS).min_by(|&a, &b| density[a].total_cmp(&density[b])).unwrap_or(0);
    let above = density[lowest..].iter().fold(0.0f32, |m, &d| m.max(d));
    if density[lowest] > DEPTH * above {
        return 0.0;
    }
    let flat = |k: &usize| density[*k] <= density[lowest] + FLAT;
    // Where nothing comes out above even odds, what is empty up there is no valley: only an empty place below several can be one.
    let bottom: Vec<f32> = if odds.iter().all(|o| *o <= 0.0) {
        if above < SEVERAL || density[lowest] > FLAT {
            return 0.0;
        }
        (lowest..=STEPS).take_while(flat).map(at).collect()
    } else {
        (0..=STEPS).filter(flat).map(at).collect()
    };
    let (Some(first), Some(last)) = (bottom.first(), bottom.last()) else { return 0.0 };
    if (*first..=*last).contains(&0.0) { 0.0 } else { bottom.iter().sum::<f32>() / bottom.len() as f32 }
}

/// Density of candidates at a place in log-odds, in candidates: the kernel's sum.
pub(super) fn density(odds: &[f32], at: f32) -> f32 {
    let kernel = |d: f32| (1.0 - d * d / (REACH * REACH)).max(0.0);
    odds.iter().map(|o| kernel(at - o)).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// So many log-odds, evenly spread over a range.
    fn spread(count: usize, from: f32, to: f32) -> Vec<f32> {
        (0..count).map(|k| from + (to - from) * (k as f32 + 0.5) / count as f32).collect()
    }

    #[test]
    fn strokes_at_about_even_odds_part_from_bleed_far_below_them() {
        let take = [spread(70, -0.9, 1.5), spread(400, -9.0, -4.8)].concat();
        let parted = valley(&take);
        assert!(take.iter().filter(|o| **o > parted).count() == 70, "{parted}");
    }

    #[test]
    fn all_of_a_drums_strokes_may_be_just_below_even_odds() {
        let take = [spread(12, -0.9, -0.1), spread(400, -9.0, -5.0)].concat();
        let parted = valley(&take);
        assert!(take.iter().filter(|o| **o > parted).count() == 12, "{parted}");
        // A few of them with bleed close below are none.
        assert_eq!(valley(&[spread(3, -0.9, -0.1), spread(400, -9.0, -1.0)].concat()), 0.0);
        assert_eq!(valley(&spread(400, -9.0, -4.5)), 0.0, "nothing at all is no stroke");
    }

    #[test]
    fn bleed_at_about_even_odds_parts_from_strokes_far_above_it() {
        let take = [spread(70, 2.7, 6.0), spread(400, -9.0, 0.2)].concat();
        let parted = valley(&take);
        assert!((0.2..2.7).contains(&parted), "{parted}");
    }

    #[test]
    fn where_the_prior_parts_them_itself_it_is_believed() {
        for strokes in [0, 1, 2, 70] {
            let take = [spread(strokes, 2.5, 6.0), spread(400, -9.0, -2.5)].concat();
            assert_eq!(valley(&take), 0.0, "{strokes}");
        }
    }

    #[test]
    fn without_a_valley_nothing_changes() {
        assert_eq!(valley(&spread(300, -9.0, 6.0)), 0.0);
        assert_eq!(valley(&[]), 0.0);
    }
}
