//! Own stroke or bleed: the decision on every candidate.
//!
//! In: a [`Survey`]. Out: the log-odds that each candidate is the drum's own stroke, and which are kept.

use super::judge::total_level;
use super::model::Model;
use super::survey::Survey;
use crate::song::Drum;

/// Log-odds above which a candidate is sure enough to teach the second round what this drum sounds like.
const SURE: f32 = 2.0;
/// Two candidates closer than this many frames (10.7 ms) are one stroke; the likelier is kept.
const ONE_STROKE: usize = 8;

/// Log-odds of every candidate, natural logarithm, in the order of `survey.candidates`.
///
/// Two rounds: the first compares every candidate with the strokes that are sure at sight, the second with those
/// that the first found sure, so that a wrong first impression does not stay.
#[must_use]
pub fn log_odds(survey: &Survey, drum: Drum) -> Vec<f32> {
    let model = Model::of(drum);
    let weigh = |sure: &[usize]| -> Vec<f32> {
        survey.features(sure).iter().map(|(alone, kit)| model.log_odds(alone, kit)).collect()
    };
    let first = weigh(&survey.sure_at_sight());
    let sure: Vec<usize> =
        survey.candidates.iter().zip(&first).filter(|(_, odds)| **odds > SURE).map(|(&t, _)| t).collect();
    if sure.len() < 4 {
        return first;
    }
    weigh(&loud_ones(survey, &sure))
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
