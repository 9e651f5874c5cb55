//! A tempo that is constant for as long as the drummer's is, and follows where it is not.
//!
//! In: strokes on beats (beat index, time, weight). Out: knots (beat index, time); between two knots the tempo
//! is constant. A knot is added only where the strokes leave the straight line by more than their spread explains.

use crate::timing::stats::median;

/// A stroke that lies on a beat.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OnBeat {
    /// Beat index from bar 1.
    pub beat: f64,
    /// Seconds.
    pub time: f64,
    /// Weight in the fit.
    pub weight: f64,
}

/// A place where the tempo may change.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Knot {
    /// Beat index from bar 1, at a bar line.
    pub beat: f64,
    /// Seconds.
    pub time: f64,
}

/// A run of strokes off the line by less than this share of a beat is not followed: listeners do not notice it
/// (Friberg & Sundberg 1995).
const UNNOTICED: f64 = 0.025;
/// A run is followed when its median is off by so many standard errors.
const SURE: f64 = 3.5;
/// Bars between two knots, at least: closer ones would follow single strokes.
const NEAREST: f64 = 2.0;
/// Strokes that runs are made of.
const RUNS: [usize; 4] = [8, 16, 32, 64];

/// Follows the drummer. `points` in order of beats; `in_bar` beats a bar. At least the first and last knot come
/// back; none for fewer than two points.
#[must_use]
pub fn follow(points: &[OnBeat], in_bar: f64, last_bar: f64) -> Vec<Knot> {
    if points.len() < 2 {
        return Vec::new();
    }
    let mut knots = vec![0.0, last_bar * in_bar];
    let mut times = fit(points, &knots);
    let beat = match times.as_slice() {
        [a, b] => (b - a) / (last_bar * in_bar),
        _ => return Vec::new(),
    };
    // Every round adds at least one knot, at most one a bar.
    for _ in 0..last_bar as usize + 1 {
        let rest = residuals(points, &knots, &times);
        let added = wanted(points, &rest, &knots, in_bar, beat);
        if added.is_empty() {
            break;
        }
        knots.extend(added);
        knots.sort_by(f64::total_cmp);
        times = fit(points, &knots);
    }
    knots.into_iter().zip(times).map(|(beat, time)| Knot { beat, time }).collect()
}

/// Bar lines at which a knot would help most, none closer than four bars to another of this round.
fn wanted(points: &[OnBeat], rest: &[f64], knots: &[f64], in_bar: f64, beat: f64) -> Vec<f64> {
    // Neighbouring strokes share the tempo's error, so their difference shows the drummer's own spread.
    let steps: Vec<f64> = rest.iter().zip(rest.iter().skip(1)).map(|(a, b)| (b - a).abs()).collect();
    let spread = 1.4826 * median(&steps).unwrap_or(0.0) / std::f64::consts::SQRT_2;
    let mut off: Vec<(f64, f64)> = Vec::new();
    for run in RUNS {
        let error = 1.2533 * spread / (run as f64).sqrt();
        let limit = (SURE * error).max(UNNOTICED * beat);
        for (i, window) in rest.windows(run).enumerate().step_by((run / 4).max(1)) {
            let middle = median(window).unwrap_or(0.0).abs();
            if middle > limit
                && let Some(p) = points.get(i + run / 2)
            {
                off.push((middle / limit, (p.beat / in_bar).round() * in_bar));
            }
        }
    }
    off.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.total_cmp(&b.1)));
    let mut out: Vec<f64> = Vec::new();
    for (_, at) in off {
        let free = |row: &[f64], least: f64| row.iter().all(|k| (k - at).abs() >= least - 1e-9);
        if free(knots, NEAREST * in_bar) && free(&out, 4.0 * in_bar) {
            out.push(at);
        }
    }
    out
}

/// Distance of each point from the line through the knots, seconds.
fn residuals(points: &[OnBeat], knots: &[f64], times: &[f64]) -> Vec<f64> {
    points
        .iter()
        .map(|p| {
            let (k, share) = segment(knots, p.beat);
            let a = times.get(k).copied().unwrap_or_default();
            let b = times.get(k + 1).copied().unwrap_or_default();
            p.time - (a + (b - a) * share)
        })
        .collect()
}

/// Segment that a beat lies in and its share of the way; runs on beyond the ends.
fn segment(knots: &[f64], beat: f64) -> (usize, f64) {
    let k = knots.partition_point(|&k| k <= beat).saturating_sub(1).min(knots.len().saturating_sub(2));
    match (knots.get(k), knots.get(k + 1)) {
        (Some(a), Some(b)) => (k, (beat - a) / (b - a)),
        _ => (k, 0.0),
    }
}

/// Knot times of the broken line that fits best: weighted least squares, strokes far off weighing less (Huber's
/// weights, three rounds). The normal equations are tridiagonal. A little stiffness carries over empty stretches.
fn fit(points: &[OnBeat], knots: &[f64]) -> Vec<f64> {
    let n = knots.len();
    let mut times = vec![0.0; n];
    let mut huber = vec![1.0; points.len()];
    for _ in 0..4 {
        let (mut diag, mut off, mut right) = (vec![1e-12; n], vec![0.0; n], vec![0.0; n]);
        for (p, h) in points.iter().zip(&huber) {
            let (k, s) = segment(knots, p.beat);
            let w = p.weight * h;
            let parts = [(k, 1.0 - s), (k + 1, s)];
            for (i, a) in parts {
                if let (Some(d), Some(r)) = (diag.get_mut(i), right.get_mut(i)) {
                    *d += w * a * a;
                    *r += w * a * p.time;
                }
            }
            if let Some(o) = off.get_mut(k) {
                *o += w * s * (1.0 - s);
            }
        }
        times = solve(&diag, &off, &right);
        let rest = residuals(points, knots, &times);
        let size = 1.4826 * median(&rest.iter().map(|r| r.abs()).collect::<Vec<_>>()).unwrap_or(0.0) + 1e-4;
        for (h, r) in huber.iter_mut().zip(&rest) {
            let away = r.abs() / (1.5 * size);
            *h = if away > 1.0 { 1.0 / away } else { 1.0 };
        }
    }
    times
}

/// Solves a symmetric tridiagonal system (Thomas' elimination).
fn solve(diag: &[f64], off: &[f64], right: &[f64]) -> Vec<f64> {
    let (mut d, mut r) = (diag.to_vec(), right.to_vec());
    let n = d.len();
    for i in 1..n {
        let m = off[i - 1] / d[i - 1];
        d[i] -= m * off[i - 1];
        r[i] -= m * r[i - 1];
    }
    for i in (0..n).rev() {
        let next = if i + 1 < n { off[i] * r[i + 1] } else { 0.0 };
        r[i] = (r[i] - next) / d[i];
    }
    r
}
