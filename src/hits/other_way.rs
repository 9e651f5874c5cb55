//! Another way of playing a drum.
//!
//! In: log-odds of all candidates before and after the take's own strokes were heard, and how like the clear ones of these each is. Out:
//! the same, less what was taken from another way of playing. A verse on the rim, a chorus on the head: the clear strokes are those
//! of one, and to be unlike them says nothing against the other. What is unlike them is mostly bleed; but where the prior sets a
//! crowd of it apart, it is a way of playing, not the upper end of the bleed, which thins out without a gap.

use super::decide::UNMISTAKABLE;
use super::edge::STRUCK;
use super::valley::{DEPTH, FROM, TO, density};

/// Likeness below which a sound is another than the clear strokes.
const UNLIKE: f32 = 0.5;
/// How far up the crowd above the gap is looked for, and in what steps, log-odds.
const UP_TO: f32 = 5.0;
/// See [`UP_TO`].
const STEP: f32 = 0.1;
/// Fewest that are a way of playing.
const FEWEST: usize = 24;

/// Gives back to sounds that are another way of playing the drum what they lost for being unlike its clear strokes: `odds`, log-odds
/// after these were heard, `first` before, and how like them each is (−1..=1, where it was looked at), one for each candidate.
pub fn spare_another_way(odds: &mut [f32], first: &[f32], likeness: &[Option<f32>]) {
    let Some(least) = another_way(first, likeness) else { return };
    for (odds, (&first, &like)) in odds.iter_mut().zip(first.iter().zip(likeness)) {
        if unlike(like) && first > least {
            *odds = odds.max(first);
        }
    }
}

fn unlike(likeness: Option<f32>) -> bool {
    likeness.is_some_and(|like| like < UNLIKE)
}

/// Log-odds, 0 at least, from which what is unlike the clear strokes is the drum played another way: the lowest place within −3..=1.5 of
/// the density of what is unlike them, if a crowd of two dozen above it is five times as dense. `None` where there is none, or where
/// not a dozen strokes are unmistakable.
fn another_way(first: &[f32], likeness: &[Option<f32>]) -> Option<f32> {
    if first.iter().filter(|odds| **odds > UNMISTAKABLE).count() < STRUCK {
        return None;
    }
    let others: Vec<f32> =
        first.iter().zip(likeness).filter(|(_, like)| unlike(**like)).map(|(odds, _)| *odds).collect();
    let place = |k: usize| FROM + STEP * k as f32;
    let steps = |to: f32| ((to - FROM) / STEP).round() as usize;
    let dense: Vec<f32> = (0..=steps(UP_TO)).map(|k| density(&others, place(k))).collect();
    let lowest = (0..=steps(TO)).min_by(|&a, &b| dense[a].total_cmp(&dense[b]))?;
    let above = dense[lowest..].iter().fold(0.0f32, |m, &d| m.max(d));
    let crowd = others.iter().filter(|odds| **odds > place(lowest)).count();
    (dense[lowest] <= DEPTH * above && crowd >= FEWEST).then(|| place(lowest).max(0.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// So many sounds of log-odds evenly spread over a range, as like the clear strokes as given.
    fn spread(count: usize, from: f32, to: f32, like: f32) -> Vec<(f32, Option<f32>)> {
        (0..count).map(|k| (from + (to - from) * (k as f32 + 0.5) / count as f32, Some(like))).collect()
    }

    fn of(take: &[Vec<(f32, Option<f32>)>]) -> Option<f32> {
        let (odds, likeness): (Vec<f32>, Vec<Option<f32>>) = take.concat().into_iter().unzip();
        another_way(&odds, &likeness)
    }

    #[test]
    fn a_verse_on_the_rim_is_the_drum_though_it_is_unlike_the_chorus() {
        let head = spread(60, 3.6, 7.0, 0.98);
        let rim = spread(110, 0.3, 2.8, 0.32);
        let bleed = spread(900, -8.0, -2.4, 0.45);
        let least = of(&[head.clone(), rim, bleed.clone()]).unwrap();
        assert!((0.0..0.4).contains(&least), "{least}");
        // Without the rim nothing is.
        assert_eq!(of(&[head, bleed]), None);
    }

    #[test]
    fn strokes_of_the_other_way_get_back_what_they_lost_and_nothing_else_does() {
        let take = [spread(60, 3.6, 7.0, 0.98), spread(110, 0.3, 2.8, 0.32), spread(900, -8.0, -2.4, 0.45)].concat();
        let (first, likeness): (Vec<f32>, Vec<Option<f32>>) = take.into_iter().unzip();
        let heard: Vec<f32> = first.iter().map(|odds| if *odds > 3.0 { odds + 3.0 } else { odds - 3.5 }).collect();
        let mut odds = heard.clone();
        spare_another_way(&mut odds, &first, &likeness);
        assert_eq!(odds[..60], heard[..60], "the head");
        assert!(odds[70..170] == first[70..170], "the rim");
        assert_eq!(odds[170..], heard[170..], "bleed");
    }

    #[test]
    fn the_upper_end_of_the_bleed_is_no_way_of_playing() {
        let head = spread(60, 3.6, 7.0, 0.98);
        let thinning = [spread(800, -8.0, -3.0, 0.4), spread(60, -3.0, -1.0, 0.4), spread(20, -1.0, 1.0, 0.4)].concat();
        assert_eq!(of(&[head.clone(), thinning]), None);
        // Nor are a few odd sounds, nor what is like the strokes anyway.
        let bleed = spread(900, -8.0, -2.4, 0.45);
        assert_eq!(of(&[head.clone(), bleed.clone(), spread(15, 0.5, 2.5, 0.3)]), None);
        assert_eq!(of(&[head, bleed, spread(110, 0.3, 2.8, 0.7)]), None);
    }

    #[test]
    fn a_drum_that_is_never_struck_is_not_played_another_way() {
        assert_eq!(of(&[spread(900, -8.0, -2.4, 0.45), spread(60, 0.3, 2.8, 0.3)]), None);
    }
}
