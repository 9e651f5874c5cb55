//! The strength of a stroke: its peak as it would be alone.
//!
//! In: levels at every stroke in the main mic as recorded and, where other mics tell of it, with bleed taken off, and what its clear
//! likes have. Out: its peak.

use super::attack::median;
use super::likeness::Likeness;
use super::measure::{Levels, Measured};

/// Decibels by which the level may be wrong that clear strokes give to another: so much always, and so much more times the
/// likeness that is missing.
const LIKES_ERR_DB: f32 = 0.1;
/// See [`LIKES_ERR_DB`].
const UNLIKE_ERR_DB: f32 = 18.0;
/// Most that bleed is believed to add to a peak and to take from it, dB.
const MOST_ADDED_DB: f32 = 12.0;
/// See [`MOST_ADDED_DB`].
const MOST_TAKEN_DB: f32 = 6.0;
/// Least share of a drum's own peaks that must be left with bleed taken off: of one that another mic hears as well, or that has a
/// copy under another name, hardly anything is.
const LEAST_LEFT: f32 = 0.6;
/// Most that may be taken off them. The other mics hear the drum too, and what of that comes by the paths of their bleed is nothing
/// that was in the main mic: it differs from stroke to stroke, by such a share of itself.
const MOST_TAKEN: f32 = 0.4;
/// See [`MOST_TAKEN`].
const OWN_DIFFERS: f32 = 0.5;

/// A stroke with bleed taken off.
#[derive(Clone, Copy, Debug)]
pub struct Left {
    /// What is left.
    pub levels: Levels,
    /// Highest absolute sample of what was taken off its beginning, 1.0 = full scale.
    pub taken: f32,
}

/// Peaks (1.0 = full scale) of measured strokes as they would be alone, in their order; `left` has the same strokes with bleed taken off, and is empty
/// where nothing tells of it.
#[must_use]
pub fn peaks(strokes: &[Measured], left: &[Left]) -> Vec<f32> {
    let own = Own::of(strokes, left);
    if own.left < LEAST_LEFT || own.taken > MOST_TAKEN || left.len() != strokes.len() {
        return strokes.iter().map(|stroke| freed(stroke.seen, stroke.like.as_ref())).collect();
    }
    strokes.iter().zip(left).map(|(stroke, left)| own.peak(stroke, left)).collect()
}

/// What taking bleed off does to the drum's own strokes, which sound in the other mics too.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Own {
    /// Share of their peak that is left.
    left: f32,
    /// Share that is taken off.
    taken: f32,
}

impl Own {
    /// By that quarter of the strokes of which least is taken off and before which it is quietest: on others something bleeds.
    fn of(strokes: &[Measured], left: &[Left]) -> Self {
        let of = |(stroke, left): (&Measured, &Left)| {
            let share = |x: f32| x / stroke.seen.peak;
            (stroke.seen.peak > 0.0).then(|| (share(left.taken), share(stroke.seen.before), share(left.levels.peak)))
        };
        let mut least: Vec<(f32, f32, f32)> = strokes.iter().zip(left).filter_map(of).collect();
        least.sort_unstable_by(|a, b| a.0.max(a.1).total_cmp(&b.0.max(b.1)).then(a.2.total_cmp(&b.2)));
        least.truncate(least.len() / 4 + 1);
        if least.is_empty() {
            return Self { left: 1.0, taken: 0.0 };
        }
        let taken = median(&mut least.iter().map(|(taken, ..)| *taken).collect::<Vec<_>>());
        Self { left: median(&mut least.iter().map(|(.., left)| *left).collect::<Vec<_>>()), taken }
    }

    /// The peak of a stroke as it would be alone. The more bleed there was, the more counts what is left of it, at the level that it
    /// would have had nothing of its own been taken off; the recording's level and this are weighted by the inverse squares of their
    /// errors.
    fn peak(&self, stroke: &Measured, left: &Left) -> f32 {
        let Levels { peak: seen, before } = stroke.seen;
        let whole = Levels { peak: left.levels.peak / self.left, before: left.levels.before / self.left };
        let alone = freed(whole, stroke.like.as_ref());
        if seen <= 0.0 || alone <= 0.0 {
            return seen;
        }
        let bleed = (left.taken / seen - self.taken).max(before / seen).max(0.0);
        let off = 20.0 * (1.0 + bleed).log10();
        let err = LIKES_ERR_DB + 20.0 * (1.0 + OWN_DIFFERS * self.taken).log10();
        let weight = off * off / (off * off + err * err);
        seen * (alone / seen).powf(weight)
    }
}

/// The peak of a stroke freed from what went before it: `seen` with the highest sample `before` the stroke, and as the clear strokes
/// have it that it is so like. Bleed as high as what went before may have moved the peak by
/// 20·log10(1 + before / seen) dB; the two levels are weighted by the inverse squares of their errors.
fn freed(Levels { peak: seen, before }: Levels, like: Option<&Likeness>) -> f32 {
    let Some(like) = like.filter(|_| seen > 0.0 && before > 0.0) else { return seen };
    let off = 20.0 * (1.0 + before / seen).log10();
    let err = LIKES_ERR_DB + UNLIKE_ERR_DB * (1.0 - like.score);
    let weight = off * off / (off * off + err * err);
    let moved = 20.0 * (like.peak.max(0.0) / seen).max(1e-6).log10();
    seen * 10f32.powf(weight * moved.clamp(-MOST_ADDED_DB, MOST_TAKEN_DB) / 20.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hits::measure::Span;

    fn like(score: f32, peak: f32) -> Likeness {
        Likeness { score, begins: 0.0, peak }
    }

    fn db(x: f32) -> f32 {
        20.0 * x.log10()
    }

    #[test]
    fn a_stroke_that_stands_clear_keeps_its_peak() {
        assert_eq!(freed(Levels { peak: 0.5, before: 0.0 }, Some(&like(0.99, 0.4))), 0.5);
        // 40 dB over what went before, bleed cannot have added more than 0.09 dB.
        assert!(db(freed(Levels { peak: 0.5, before: 0.005 }, Some(&like(0.99, 0.4))) / 0.5).abs() < 0.2);
        assert_eq!(freed(Levels { peak: 0.5, before: 0.3 }, None), 0.5);
    }

    #[test]
    fn under_bleed_the_peak_moves_towards_what_it_is_like_and_never_beyond() {
        for score in [0.5, 0.8, 0.9, 0.99, 1.0] {
            for likes in [0.0, 0.1, 0.3, 0.5, 0.7] {
                let peak = freed(Levels { peak: 0.5, before: 0.25 }, Some(&like(score, likes)));
                assert!(peak >= likes.min(0.5) - 1e-6 && peak <= likes.max(0.5) + 1e-6, "{score} {likes}: {peak}");
            }
        }
        let moved = |score: f32| db(freed(Levels { peak: 0.5, before: 0.25 }, Some(&like(score, 0.3))) / 0.5).abs();
        assert!(moved(0.99) > 4.0 && moved(0.6) < 1.0, "the more alike, the farther");
    }

    fn stroke(peak: f32, before: f32) -> Measured {
        Measured { pos: 0, span: Span { quiet: 0..1, beginning: 1..2 }, seen: Levels { peak, before }, like: None }
    }

    fn left(peak: f32, taken: f32) -> Left {
        Left { levels: Levels { peak, before: 0.0 }, taken }
    }

    #[test]
    fn what_bled_on_a_stroke_is_not_its_strength() {
        // The drum's own sound in the other mics takes a fiftieth off every stroke; on the last a cymbal adds a fifth.
        let mut strokes = vec![stroke(0.5, 0.0); 8];
        strokes.push(stroke(0.6, 0.0));
        let mut cleaned = vec![left(0.49, 0.01); 8];
        cleaned.push(left(0.49, 0.11));
        let found = peaks(&strokes, &cleaned);
        assert!(found[..8].iter().all(|peak| db(peak / 0.5).abs() < 1e-3), "{found:?}");
        assert!(db(found[8] / 0.5).abs() < 0.05, "{found:?}");
    }

    #[test]
    fn a_stroke_on_which_nothing_bled_keeps_its_peak_whatever_is_taken_off() {
        let strokes = [stroke(0.5, 0.0), stroke(0.5, 0.0), stroke(0.25, 0.0)];
        let found = peaks(&strokes, &[left(0.45, 0.05), left(0.45, 0.05), left(0.15, 0.0125)]);
        assert!(db(found[2] / 0.25).abs() < 0.01);
    }

    #[test]
    fn the_more_of_the_drum_itself_is_taken_off_the_less_counts_what_is_left() {
        let moved = |taken: f32| {
            let mut strokes = vec![stroke(0.5, 0.0); 8];
            strokes.push(stroke(0.6, 0.0));
            let mut cleaned = vec![left(0.5, 0.5 * taken); 8];
            cleaned.push(left(0.5, 0.5 * taken + 0.05));
            db(0.6 / peaks(&strokes, &cleaned)[8])
        };
        assert!(moved(0.0) > moved(0.1) && moved(0.1) > moved(0.3) && moved(0.3) > 0.0);
        // So much of it that nothing is known of the rest.
        assert_eq!(moved(0.5), 0.0);
    }

    #[test]
    fn where_hardly_anything_of_the_drum_is_left_nothing_counts_but_the_recording() {
        let strokes = [stroke(0.5, 0.2), stroke(0.4, 0.2), stroke(0.5, 0.2)];
        assert_eq!(peaks(&strokes, &[left(0.1, 0.4), left(0.08, 0.3), left(0.1, 0.4)]), [0.5, 0.4, 0.5]);
        assert_eq!(peaks(&strokes, &[]), [0.5, 0.4, 0.5]);
        assert!(peaks(&[], &[]).is_empty());
    }
}
