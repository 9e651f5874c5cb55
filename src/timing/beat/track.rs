//! Beats by dynamic programming over onset strength (Ellis 2007, Beat Tracking by Dynamic Programming,
//! Journal of New Music Research 36(1), from memory): the best chain of beats scores the strength at each beat
//! less α·ln²(interval / expected period) for each interval.
//!
//! In: strength curve, expected period over time. Out: beat frames.

use super::period::PATH_STEP;
use super::strength::FRAMES;

/// Weight of a regular pulse against strong onsets, with the curve scaled to standard deviation 1. Stiffer than
/// Ellis' 100 (from memory): drummers' tempo wanders little, and syncopated kicks must not pull the pulse away.
const ALPHA: f64 = 400.0;

/// Best chain of beats, as frames. `periods` are seconds, one every [`PATH_STEP`].
#[must_use]
pub fn track(curve: &[f32], periods: &[f64]) -> Vec<usize> {
    let scaled = scale(curve);
    let mut score = vec![0.0f64; curve.len()];
    let mut before = vec![usize::MAX; curve.len()];
    let mut penalty: (f64, usize, Vec<f64>) = (0.0, 0, Vec::new());
    for (frame, strength) in scaled.iter().enumerate() {
        let step = (frame as f64 / FRAMES / PATH_STEP).round() as usize;
        let period = periods.get(step).or(periods.last()).copied().unwrap_or(0.5) * FRAMES;
        if penalty.0 != period {
            let shortest = (period / 2.0).ceil().max(1.0) as usize;
            let longest = (period * 2.0).floor() as usize;
            let costs = (shortest..=longest).map(|lag| ALPHA * (lag as f64 / period).ln().powi(2)).collect();
            penalty = (period, shortest, costs);
        }
        // A chain may begin anywhere before the first onset: its score is then 0.
        let mut best = (0.0, usize::MAX);
        for (k, cost) in penalty.2.iter().enumerate() {
            let Some(earlier) = frame.checked_sub(penalty.1 + k) else { break };
            let value = score.get(earlier).copied().unwrap_or_default() - cost;
            if value > best.0 {
                best = (value, earlier);
            }
        }
        if let (Some(s), Some(b)) = (score.get_mut(frame), before.get_mut(frame)) {
            *s = strength + best.0;
            *b = best.1;
        }
    }
    chain(&score, &before)
}

/// The curve scaled to a standard deviation of 1 around 0.
fn scale(curve: &[f32]) -> Vec<f64> {
    let n = curve.len().max(1) as f64;
    let square = curve.iter().map(|&v| f64::from(v).powi(2)).sum::<f64>() / n;
    let mean = curve.iter().map(|&v| f64::from(v)).sum::<f64>() / n;
    let sd = (square - mean * mean).max(1e-12).sqrt();
    curve.iter().map(|&v| f64::from(v) / sd).collect()
}

/// Follows the best chain back from its end.
fn chain(score: &[f64], before: &[usize]) -> Vec<usize> {
    let end = score.iter().enumerate().fold((0, 0.0), |a, (i, &v)| if v >= a.1 { (i, v) } else { a });
    let mut beats = Vec::new();
    let mut at = end.0;
    while let Some(&earlier) = before.get(at) {
        beats.push(at);
        if earlier == usize::MAX {
            break;
        }
        at = earlier;
    }
    beats.reverse();
    beats
}
