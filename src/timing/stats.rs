//! Statistics of offsets: robust middle and spread, directions on a circle, slope of a drift.
//!
//! In: slices of plain numbers (ms, radians). Out: numbers in the same unit, `None` where there are too few.

use std::f64::consts::TAU;

#[cfg(test)]
mod tests;

/// 1/Φ⁻¹(0.75): makes the median absolute deviation of a normal distribution its standard deviation
/// (Rousseeuw & Croux 1993, Journal of the American Statistical Association 88, from memory; recomputed).
pub const MAD_TO_SD: f64 = 1.482_602_218_505_602;

/// The middle value; of an even number of values the mean of the middle two. `None` for no values.
///
/// Takes any order; values must be numbers (not-a-number sorts last). Cost O(n).
#[must_use]
pub fn median(values: &[f64]) -> Option<f64> {
    quantile(values, 0.5)
}

/// The value below which a share `q` (0..=1) lies, interpolated linearly between neighbours. `None` for no values. Cost O(n).
#[must_use]
pub fn quantile(values: &[f64], q: f64) -> Option<f64> {
    let mut values = values.to_vec();
    let last = values.len().checked_sub(1)?;
    let at = q.clamp(0.0, 1.0) * last as f64;
    let low = at.floor() as usize;
    let (_, &mut a, above) = values.select_nth_unstable_by(low, f64::total_cmp);
    let b = above.iter().copied().min_by(f64::total_cmp).unwrap_or(a);
    Some(a + (b - a) * (at - low as f64))
}

/// Robust standard deviation, 1.4826·MAD: half of all values may be anything without moving it far.
/// `None` for fewer than two values.
#[must_use]
pub fn robust_spread(values: &[f64]) -> Option<f64> {
    if values.len() < 2 {
        return None;
    }
    let middle = median(values)?;
    let away: Vec<f64> = values.iter().map(|v| (v - middle).abs()).collect();
    Some(MAD_TO_SD * median(&away)?)
}

/// Directions on a circle (Mardia & Jupp, Directional Statistics, Wiley 2000, ch. 2, from memory).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Circular {
    /// How many directions.
    pub n: usize,
    /// Mean direction, radians in (−π, π]; means nothing when `resultant` is near 0.
    pub mean: f64,
    /// Length of the mean vector: 1 = all alike, 0 = no direction preferred.
    pub resultant: f64,
}

impl Circular {
    /// From angles in radians. `None` for no angles.
    #[must_use]
    pub fn of(angles: impl IntoIterator<Item = f64>) -> Option<Self> {
        let (mut n, mut c, mut s) = (0usize, 0.0, 0.0);
        for a in angles {
            n += 1;
            c += a.cos();
            s += a.sin();
        }
        if n == 0 {
            return None;
        }
        let (c, s) = (c / n as f64, s / n as f64);
        Some(Self { n, mean: s.atan2(c), resultant: c.hypot(s).min(1.0) })
    }

    /// From positions on a circle of a given length (offsets in ms on a grid that many ms wide).
    #[must_use]
    pub fn of_period(values: &[f64], period: f64) -> Option<Self> {
        Self::of(values.iter().map(|v| TAU * v / period))
    }

    /// Circular standard deviation √(−2 ln R), radians; infinite for R = 0.
    #[must_use]
    pub fn sd(&self) -> f64 {
        (-2.0 * self.resultant.ln()).max(0.0).sqrt()
    }

    /// Probability that directions without any preference look at least this concentrated
    /// (Rayleigh test, exp(−n·R²), the large-sample form). 0..=1.
    #[must_use]
    pub fn chance(&self) -> f64 {
        (-(self.n as f64) * self.resultant * self.resultant).exp()
    }
}

/// Slope of y over x as the median of all pairwise slopes (Theil 1950, Sen 1968): 29 % of the points may be
/// anything. Pairs with equal x do not count. `None` when no two x differ or the slices differ in length.
///
/// Exact for any number of points: counts the pairs below a trial slope by merge sort and halves the
/// interval, O(n log n) a step, about 60 steps; no sampling, so no seed.
#[must_use]
pub fn theil_sen(x: &[f64], y: &[f64]) -> Option<f64> {
    if x.len() != y.len() {
        return None;
    }
    let mut points: Vec<(f64, f64)> = x.iter().copied().zip(y.iter().copied()).collect();
    points.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    if points.len() <= SMALL {
        let slopes = all_slopes(&points);
        return median(&slopes);
    }
    let pairs = count_pairs(&points);
    if pairs == 0 {
        return None;
    }
    let low = slope_of_rank(&points, (pairs - 1) / 2);
    let high = if pairs.is_multiple_of(2) { slope_of_rank(&points, pairs / 2) } else { low };
    Some((low + high) / 2.0)
}

/// Up to here every slope is written out.
const SMALL: usize = 400;

fn all_slopes(points: &[(f64, f64)]) -> Vec<f64> {
    let mut slopes = Vec::with_capacity(points.len() * points.len() / 2);
    for (i, a) in points.iter().enumerate() {
        for b in points.iter().skip(i + 1) {
            if b.0 > a.0 {
                slopes.push((b.1 - a.1) / (b.0 - a.0));
            }
        }
    }
    slopes
}

/// Pairs whose x differ.
fn count_pairs(points: &[(f64, f64)]) -> u64 {
    let n = points.len() as u64;
    let ties: u64 = points.chunk_by(|a, b| a.0 == b.0).map(|g| g.len() as u64 * (g.len() as u64 - 1) / 2).sum();
    n * n.saturating_sub(1) / 2 - ties
}

/// The slope with `rank` smaller ones among all pairs.
fn slope_of_rank(points: &[(f64, f64)], rank: u64) -> f64 {
    // The steepest pairs are always neighbours in x, so they bound every slope.
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    let groups: Vec<&[(f64, f64)]> = points.chunk_by(|a, b| a.0 == b.0).collect();
    for pair in groups.windows(2) {
        if let [a, b] = pair
            && let (Some(a0), Some(a1), Some(b0), Some(b1)) = (a.first(), a.last(), b.first(), b.last())
        {
            low = low.min((b0.1 - a1.1) / (b0.0 - a0.0));
            high = high.max((b1.1 - a0.1) / (b0.0 - a0.0));
        }
    }
    let mut rest = vec![0.0; points.len()];
    let mut scratch = rest.clone();
    // Invariant: at most `rank` slopes lie below `low`, more than `rank` lie at or below `high`.
    for _ in 0..64 {
        let trial = low + (high - low) / 2.0;
        if trial <= low || trial >= high {
            break;
        }
        for (r, p) in rest.iter_mut().zip(points) {
            *r = p.1 - trial * p.0;
        }
        if inversions(&mut rest, &mut scratch) <= rank {
            low = trial;
        } else {
            high = trial;
        }
    }
    low
}

/// Pairs in which the later value is smaller; sorts `values` (bottom-up merge sort).
fn inversions(values: &mut [f64], scratch: &mut [f64]) -> u64 {
    let n = values.len();
    let mut count = 0u64;
    let mut width = 1;
    while width < n {
        for (run, out) in values.chunks(2 * width).zip(scratch.chunks_mut(2 * width)) {
            let (left, right) = run.split_at(width.min(run.len()));
            let (mut l, mut r) = (left.iter().copied().peekable(), right.iter().copied().peekable());
            let mut left_over = left.len() as u64;
            for slot in out {
                let take_right = match (l.peek(), r.peek()) {
                    (Some(a), Some(b)) => b < a,
                    (None, Some(_)) => true,
                    _ => false,
                };
                let next = if take_right {
                    count += left_over;
                    r.next()
                } else {
                    left_over = left_over.saturating_sub(1);
                    l.next()
                };
                *slot = next.unwrap_or_default();
            }
        }
        values.copy_from_slice(scratch);
        width *= 2;
    }
    count
}
