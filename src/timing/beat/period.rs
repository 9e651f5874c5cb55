//! Which times between beats fit: autocorrelation of the strokes on a logarithmic scale of lags.
//!
//! In: onsets. Out: a [`Lags`] score for a stretch, and a smooth path of periods through the song.

use super::strength::Onset;

/// Shortest lag, seconds: a sixteenth at 200 BPM.
const SHORTEST: f64 = 0.075;
/// Lags an octave.
const PER_OCTAVE: f64 = 60.0;
/// Octaves covered: up to 4.8 s.
const OCTAVES: f64 = 6.0;
/// Tolerance of a lag, seconds (standard deviation of a bell).
const WIDTH: f64 = 0.018;

/// How well strokes repeat after each lag.
#[derive(Clone, Debug, PartialEq)]
pub struct Lags {
    score: Vec<f64>,
}

fn lag_of(bin: usize) -> f64 {
    SHORTEST * 2f64.powf(bin as f64 / PER_OCTAVE)
}

fn bin_of(lag: f64) -> f64 {
    (lag / SHORTEST).log2() * PER_OCTAVE
}

impl Lags {
    /// Autocorrelation of onsets: every pair counts at its lag with the product of its weights. Cost: pairs within 5 s.
    #[must_use]
    pub fn of(onsets: &[Onset]) -> Self {
        let mut score = vec![0.0; (PER_OCTAVE * OCTAVES) as usize];
        let longest = lag_of(score.len());
        let power: f64 = onsets.iter().map(|o| o.weight * o.weight).sum();
        for (i, a) in onsets.iter().enumerate() {
            for b in onsets.iter().skip(i + 1).take_while(|b| b.time - a.time < longest) {
                let lag = b.time - a.time;
                let low = bin_of((lag - 3.0 * WIDTH).max(SHORTEST)).floor().max(0.0) as usize;
                let high = bin_of(lag + 3.0 * WIDTH).ceil().max(0.0) as usize;
                for bin in low..=high {
                    if let Some(slot) = score.get_mut(bin) {
                        let away = (lag_of(bin) - lag) / WIDTH;
                        *slot += a.weight * b.weight * (-0.5 * away * away).exp();
                    }
                }
            }
        }
        if power > 0.0 {
            score.iter_mut().for_each(|s| *s /= power);
        }
        Self { score }
    }

    /// The score at a lag in seconds, interpolated; 0 outside the range.
    #[must_use]
    pub fn at(&self, lag: f64) -> f64 {
        let bin = bin_of(lag);
        if bin < 0.0 {
            return 0.0;
        }
        let low = bin.floor() as usize;
        let (a, b) = (self.score.get(low), self.score.get(low + 1));
        match (a, b) {
            (Some(a), Some(b)) => a + (b - a) * (bin - low as f64),
            _ => 0.0,
        }
    }

    /// How well a beat of this period carries the strokes: they repeat after one, two and four beats (Ellis 2007
    /// sums the same way over the tempo's multiples).
    #[must_use]
    pub fn comb(&self, period: f64) -> f64 {
        self.at(period) + 0.5 * self.at(2.0 * period) + 0.5 * self.at(4.0 * period)
    }

    /// Periods from `shortest` to `longest` at which the comb peaks, best first.
    #[must_use]
    pub fn peaks(&self, shortest: f64, longest: f64) -> Vec<f64> {
        let low = bin_of(shortest).ceil().max(1.0) as usize;
        let high = bin_of(longest).floor().max(0.0) as usize;
        let comb = |bin: usize| self.comb(lag_of(bin));
        let mut found: Vec<(f64, f64)> = (low..=high)
            .filter(|&b| comb(b) > 0.0 && comb(b) >= comb(b - 1) && comb(b) > comb(b + 1))
            .map(|b| (comb(b), lag_of(b)))
            .collect();
        found.sort_by(|a, b| b.0.total_cmp(&a.0));
        found.into_iter().map(|f| f.1).collect()
    }
}

/// Steps of the path of periods.
pub const PATH_STEP: f64 = 2.0;
/// Each step looks at the strokes this far around it, seconds.
const PATH_REACH: f64 = 7.0;
/// The path stays within this factor of the period it is looked for.
const PATH_RANGE: f64 = 1.3;
/// What a change of one bin (1.2 % of tempo) between steps costs, against a local comb of at most about 1.
const PATH_COST: f64 = 0.06;

/// The period at every [`PATH_STEP`] from 0 to `end`, near `about`, by dynamic programming: a good local
/// autocorrelation against sudden changes.
#[must_use]
pub fn path(onsets: &[Onset], about: f64, end: f64) -> Vec<f64> {
    let centre = bin_of(about);
    let half = (PATH_RANGE.log2() * PER_OCTAVE).round();
    let bins: Vec<f64> =
        (0..=2 * half as usize).map(|b| SHORTEST * 2f64.powf((centre - half + b as f64) / PER_OCTAVE)).collect();
    let steps = (end / PATH_STEP).ceil() as usize + 1;
    let mut best: Vec<f64> = vec![0.0; bins.len()];
    let mut from: Vec<Vec<usize>> = Vec::with_capacity(steps);
    for step in 0..steps {
        let t = step as f64 * PATH_STEP;
        let first = onsets.partition_point(|o| o.time < t - PATH_REACH);
        let last = onsets.partition_point(|o| o.time <= t + PATH_REACH);
        let near = onsets.get(first..last).unwrap_or_default();
        let lags = Lags::of(near);
        let mut next = Vec::with_capacity(bins.len());
        let mut came = Vec::with_capacity(bins.len());
        for (b, &period) in bins.iter().enumerate() {
            let low = b.saturating_sub(4);
            let high = (b + 4).min(bins.len() - 1);
            let reach = best.get(low..=high).unwrap_or_default();
            let (k, value) = reach
                .iter()
                .enumerate()
                .map(|(k, v)| (low + k, v - PATH_COST * ((low + k) as f64 - b as f64).powi(2)))
                .fold((b, f64::NEG_INFINITY), |acc, x| if x.1 > acc.1 { x } else { acc });
            // Staying near where the search began costs nothing; it only breaks ties where nothing is played.
            let off = (b as f64 - half) / PER_OCTAVE;
            next.push(value + lags.comb(period) - 0.05 * off * off);
            came.push(k);
        }
        best = next;
        from.push(came);
    }
    let mut at = best.iter().enumerate().fold((0, f64::NEG_INFINITY), |a, (i, &v)| if v > a.1 { (i, v) } else { a }).0;
    let mut out = vec![about; steps];
    for step in (0..steps).rev() {
        if let (Some(slot), Some(&period)) = (out.get_mut(step), bins.get(at)) {
            *slot = period;
        }
        at = from.get(step).and_then(|f| f.get(at)).copied().unwrap_or(at);
    }
    out
}
