//! Own stroke or bleed: the decision on every candidate.
//!
//! In: a [`Survey`]. Out: the log-odds that each candidate is the drum's own stroke, and which are kept.

use super::attack::median;
use super::judge::total_level;
use super::model::Model;
use super::pick::threshold;
use super::survey::Survey;
use crate::song::Drum;

/// Log-odds above which a candidate is sure enough to teach the second round what this drum sounds like.
const SURE: f32 = 2.0;
/// Novelty, dB, that bleed does not reach once the other mics have explained their share.
const CLEAR: f32 = 6.0;
/// Fewest clear strokes that may put the prior in doubt.
const FEWEST: usize = 4;
/// Farthest log-odds that the height alone may give: it is a poorer witness than the prior.
const MOST_BY_HEIGHT: f32 = 3.0;
/// Fewest sure strokes, and fewest sure bleed, whose likenesses mean anything.
const FEWEST_LIKE: usize = 8;
const FEWEST_UNLIKE: usize = 20;
/// Likeness of bleed where too little of it is sure.
const BLEED: Spread = Spread { middle: 0.5, width: 0.12 };
/// Least width of a distribution of likenesses: real strokes differ more than a sampled drum's.
const LEAST_WIDTH: f32 = 0.1;
/// Most log-odds that likeness may add or take.
const MOST_BY_LIKENESS: f32 = 2.0;
/// Two candidates closer than this many frames (10.7 ms) are one stroke; the likelier is kept.
const ONE_STROKE: usize = 8;

/// Log-odds of every candidate, natural logarithm, in the order of `survey.candidates`.
///
/// Where the prior disowns what stands clear of all bleed, it meets a sound that it knows nothing of, and the height of
/// the novelty decides alone (see [`threshold`]).
///
/// Two rounds: the first compares every candidate with the strokes that are sure at sight, the second with those
/// that the first found sure, so that a wrong first impression does not stay.
#[must_use]
pub fn log_odds(survey: &Survey, drum: Drum) -> Vec<f32> {
    let model = Model::of(drum);
    let weigh = |sure: &[usize]| -> Vec<f32> {
        survey.features(sure).iter().map(|(alone, kit)| model.log_odds(alone, kit)).collect()
    };
    let at_sight = survey.sure_at_sight();
    let first = weigh(&at_sight);
    if disowned(survey, &at_sight, &first) {
        let cut = threshold(&survey.heights);
        return survey.heights.iter().map(|h| (h - cut).clamp(-MOST_BY_HEIGHT, MOST_BY_HEIGHT)).collect();
    }
    let sure: Vec<usize> =
        survey.candidates.iter().zip(&first).filter(|(_, odds)| **odds > SURE).map(|(&t, _)| t).collect();
    if sure.len() < 4 {
        return first;
    }
    weigh(&loud_ones(survey, &sure))
}

/// Whether most strokes that are sure at sight, and stand well clear of what the other mics explain, are called bleed.
/// One other drum's mic is no witness: the hat in a lone snare mic stands just as clear.
fn disowned(survey: &Survey, at_sight: &[usize], odds: &[f32]) -> bool {
    let clear: Vec<usize> = survey
        .candidates
        .iter()
        .enumerate()
        .filter(|&(i, t)| survey.heights[i] >= CLEAR && at_sight.binary_search(t).is_ok())
        .map(|(i, _)| i)
        .collect();
    let owned = clear.iter().filter(|&&i| odds[i] > 0.0).count();
    survey.well_informed && clear.len() >= FEWEST && 4 * owned < clear.len()
}

/// The louder half of the sure strokes.
fn loud_ones(survey: &Survey, sure: &[usize]) -> Vec<usize> {
    let Some(main) = survey.power.first() else { return Vec::new() };
    let levels: Vec<f32> = sure.iter().map(|&t| total_level(main, t)).collect();
    let mut sorted = levels.clone();
    sorted.sort_unstable_by(f32::total_cmp);
    let middle = sorted[sorted.len() / 2];
    sure.iter().zip(&levels).filter(|(_, l)| **l >= middle).map(|(&t, _)| t).collect()
}

/// Log-odds of every candidate once its likeness to the take's own clear strokes is weighed in: this drum, this mic and
/// this hand, not drums at large.
///
/// The likenesses of the strokes that are sure and of the bleed that is sure give two normal distributions (median, and
/// 1.4826 times the median absolute deviation, at least 0.1); half the logarithm of their ratio at a candidate's likeness
/// is added, at most 2 either way. Nothing is added beyond the medians' own, nor where fewer than eight strokes are sure.
#[must_use]
pub fn adapted(odds: &[f32], likeness: &[Option<f32>]) -> Vec<f32> {
    let of = |wanted: fn(f32) -> bool| -> Vec<f32> {
        odds.iter().zip(likeness).filter(|(o, _)| wanted(**o)).filter_map(|(_, l)| *l).collect()
    };
    let own = of(|o| o > SURE);
    if own.len() < FEWEST_LIKE {
        return odds.to_vec();
    }
    let own = Spread::of(own);
    let bleed = of(|o| o < -SURE);
    let bleed = if bleed.len() < FEWEST_UNLIKE { BLEED } else { Spread::of(bleed) };
    let low = bleed.middle.min(own.middle);
    odds.iter()
        .zip(likeness)
        .map(|(&odds, like)| {
            let Some(like) = like.map(|l| l.clamp(low, own.middle)) else { return odds };
            odds + (0.5 * (own.log_density(like) - bleed.log_density(like))).clamp(-MOST_BY_LIKENESS, MOST_BY_LIKENESS)
        })
        .collect()
}

/// How sure log-odds of 0 and more make it that a candidate is the drum's own, 0.5..=1.
///
/// The prior is surer of itself than it is right, so its log-odds x count as 0.2·x + 0.055·x²: fitted by hand to the
/// share of right hits on kits that no training used (`tests/accuracy/calibration.py`).
#[must_use]
pub fn certainty(odds: f32) -> f64 {
    let x = f64::from(odds).max(0.0);
    1.0 / (1.0 + (-0.2 * x - 0.055 * x * x).exp())
}

/// A normal distribution, robustly fitted.
struct Spread {
    middle: f32,
    width: f32,
}

impl Spread {
    fn of(mut values: Vec<f32>) -> Self {
        let middle = median(&mut values);
        values.iter_mut().for_each(|v| *v = (*v - middle).abs());
        Self { middle, width: (1.4826 * median(&mut values)).max(LEAST_WIDTH) }
    }

    /// Logarithm of the density, less a constant.
    fn log_density(&self, x: f32) -> f32 {
        let z = (x - self.middle) / self.width;
        -0.5 * z * z - self.width.ln()
    }
}

/// Indices of the candidates that are kept: those likelier than not whose novelty reaches `threshold` dB, and of
/// several within 10 ms the likeliest.
#[must_use]
pub fn kept(survey: &Survey, odds: &[f32], threshold: f32) -> Vec<usize> {
    let mut order: Vec<usize> =
        (0..odds.len()).filter(|&i| odds[i] > 0.0 && survey.heights[i].max(survey.plain[i]) >= threshold).collect();
    order.sort_by(|&a, &b| odds[b].total_cmp(&odds[a]).then(a.cmp(&b)));
    let mut taken: Vec<usize> = Vec::new();
    for i in order {
        let t = survey.candidates[i];
        let at = taken.partition_point(|&j| survey.candidates[j] < t);
        let near = |j: Option<&usize>| j.is_some_and(|&j| survey.candidates[j].abs_diff(t) <= ONE_STROKE);
        if !near(taken.get(at)) && !near(at.checked_sub(1).and_then(|k| taken.get(k))) {
            taken.insert(at, i);
        }
    }
    taken
}

#[cfg(test)]
mod tests {
    use super::*;

    fn take(doubtful: f32) -> (Vec<f32>, Vec<Option<f32>>) {
        let mut odds = vec![6.0; 20];
        let mut like = vec![Some(0.95); 20];
        odds.extend([-5.0; 30]);
        like.extend([Some(0.5); 30]);
        odds.push(0.2);
        like.push(Some(doubtful));
        (odds, like)
    }

    #[test]
    fn a_doubtful_stroke_that_is_like_the_sure_ones_gains_and_one_like_the_bleed_loses() {
        let of = |doubtful| {
            let (odds, like) = take(doubtful);
            adapted(&odds, &like)[50]
        };
        assert_eq!((of(0.97), of(0.45)), (2.2, -1.8));
        assert!(of(0.7) < of(0.75) && of(0.75) < of(0.8));
    }

    #[test]
    fn without_sure_strokes_or_likeness_nothing_changes() {
        let (odds, like) = take(0.9);
        assert_eq!(adapted(&odds, &vec![None; odds.len()]), odds);
        assert_eq!(adapted(&odds[15..], &like[15..]), &odds[15..]);
    }
}
