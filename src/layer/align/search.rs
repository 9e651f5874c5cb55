//! Lag and polarity that make a sum strongest.

use realfft::num_complex::Complex;
use std::f64::consts::TAU;

/// Lags are tried this far apart, samples per 48,000 Hz of nothing finer than a twentieth of a wave; then refined.
const COARSE: f64 = 4.0;
/// A lag must earn itself: dB that each ms of distance costs in the comparison, so that attacks stay together.
const DISTANCE: f64 = 0.15;
/// Gains above this count no more in a mean, dB: a stroke that hardly sounds in the real mic must not decide for all.
const ENOUGH: f64 = 9.0;
/// Real power below this is silence (bins of unnormalised transforms of full-scale audio).
const SILENT: f64 = 1e-7;

/// A way to lay a shot.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Candidate {
    /// Samples later than attack on attack.
    pub lag: f64,
    /// +1 or −1.
    pub polarity: f64,
}

/// One stroke's real drum and shot in the low band.
pub(super) struct Term {
    /// conj(real)·shot, bin by bin.
    cross: Vec<Complex<f64>>,
    /// Real bins.
    real: Vec<Complex<f64>>,
    /// Shot bins at its gain.
    shot: Vec<Complex<f64>>,
    real_power: f64,
    shot_power: f64,
    first: usize,
    frame: f64,
}

fn wide(v: &Complex<f32>) -> Complex<f64> {
    Complex::new(f64::from(v.re), f64::from(v.im))
}

fn power(x: &[Complex<f64>]) -> f64 {
    x.iter().map(Complex::norm_sqr).sum()
}

impl Term {
    pub fn new(
        real: &[Complex<f32>],
        shot: &[Complex<f32>],
        gain: f64,
        (first, last): (usize, usize),
        frame: f64,
    ) -> Self {
        let band = |x: &[Complex<f32>]| -> Vec<Complex<f64>> {
            x.get(first..=last.min(x.len().saturating_sub(1))).unwrap_or(&[]).iter().map(wide).collect()
        };
        let real = band(real);
        let shot: Vec<_> = band(shot).into_iter().map(|v| v * gain).collect();
        let cross: Vec<_> = real.iter().zip(&shot).map(|(r, s)| r.conj() * s).collect();
        let (real_power, shot_power) = (power(&real), power(&shot));
        Self { cross, real, shot, real_power, shot_power, first, frame }
    }

    fn turn(&self, lag: f64) -> (Complex<f64>, Complex<f64>) {
        let step = -TAU * lag / self.frame;
        (Complex::from_polar(1.0, step * self.first as f64), Complex::from_polar(1.0, step))
    }

    /// Sum over bins of Re(cross turned by a lag).
    fn joint(&self, lag: f64) -> f64 {
        let (mut turn, step) = self.turn(lag);
        let mut sum = 0.0;
        for c in &self.cross {
            sum += (c * turn).re;
            turn *= step;
        }
        sum
    }

    /// dB of real drum and shot together against the real drum; `None` where that is silent.
    pub fn gain(&self, c: Candidate) -> Option<f64> {
        (self.real_power > SILENT).then(|| {
            decibels(self.real_power + self.shot_power + 2.0 * c.polarity * self.joint(c.lag), self.real_power)
        })
    }

    fn scored(&self, c: Candidate) -> f64 {
        self.gain(c).map_or(0.0, |g| g.min(ENOUGH))
    }

    /// dB of real drum, earlier tails and this stroke as rendered.
    pub fn exact_gain(&self, tails: &[Complex<f32>], stroke: &[Complex<f32>]) -> Option<f64> {
        let all = self.real.iter().zip(tails.iter().skip(self.first).zip(stroke.iter().skip(self.first)));
        let total: f64 = all.map(|(r, (t, s))| (r + wide(t) + wide(s)).norm_sqr()).sum();
        (self.real_power > SILENT).then(|| decibels(total, self.real_power))
    }
}

fn decibels(total: f64, alone: f64) -> f64 {
    (10.0 * (total / alone).max(1e-9).log10()).clamp(-60.0, 60.0)
}

/// Mean gain of strokes under one answer, dB.
pub(super) fn mean_gain(terms: &[Term], of: &[usize], c: Candidate) -> f64 {
    let total: f64 = of.iter().filter_map(|&i| terms.get(i)).map(|t| t.scored(c)).sum();
    total / of.len().max(1) as f64
}

/// Lags to try within ±most.
fn lags(most: f64) -> impl Iterator<Item = f64> {
    let n = (most / COARSE).floor() as i64;
    (-n..=n).map(|i| i as f64 * COARSE)
}

/// The answer that gains most for a group of strokes on average, of one polarity or either.
pub(super) fn layer_answer(terms: &[Term], of: &[usize], most: f64, polarity: Option<f64>) -> Candidate {
    let per_sample = DISTANCE * 2.0 / most;
    let score = |c: Candidate| mean_gain(terms, of, c) - per_sample * c.lag.abs();
    let mut best = (Candidate { lag: 0.0, polarity: polarity.unwrap_or(1.0) }, f64::NEG_INFINITY);
    for p in [1.0, -1.0].into_iter().filter(|p| polarity.is_none_or(|want| want == *p)) {
        for lag in lags(most) {
            let c = Candidate { lag, polarity: p };
            let s = score(c);
            // Unflipped wins a draw.
            if s > best.1 + 1e-9 {
                best = (c, s);
            }
        }
    }
    let mut step = COARSE / 2.0;
    while step >= 1.0 / 16.0 {
        for lag in [best.0.lag - step, best.0.lag + step] {
            let c = Candidate { lag, ..best.0 };
            let s = score(c);
            if lag.abs() <= most && s > best.1 {
                best = (c, s);
            }
        }
        step /= 2.0;
    }
    best.0
}

/// The answer for one stroke: the common one, or its own where that is clearly better or the common one would lose level.
/// Own answers keep the shot's fraction of a sample. Returns whether it is its own.
pub(super) fn stroke_answer(
    term: &Term,
    common: Candidate,
    fraction: f64,
    most: f64,
    clearly: f64,
) -> (Candidate, bool) {
    let Some(with_common) = term.gain(common) else { return (common, false) };
    let own = best_own(term, common, fraction, most);
    let Some((own, gain)) = own else { return (common, false) };
    if (with_common < 0.0 && gain > with_common) || gain > with_common + clearly {
        (own, true)
    } else {
        (common, false)
    }
}

/// Best answer of a stroke on the lags that share a fraction; the common polarity where it does not lose.
fn best_own(term: &Term, common: Candidate, fraction: f64, most: f64) -> Option<(Candidate, f64)> {
    let per_sample = DISTANCE * 2.0 / most;
    let best_of = |polarity: f64| {
        let tried = lags(most).map(|l| l + fraction).filter(|l| l.abs() <= most).filter_map(|lag| {
            let c = Candidate { lag, polarity };
            Some((c, term.gain(c)?))
        });
        tried.max_by(|a, b| {
            let score = |x: &(Candidate, f64)| x.1 - per_sample * (x.0.lag - common.lag).abs();
            score(a).total_cmp(&score(b))
        })
    };
    let (same, other) = (best_of(common.polarity)?, best_of(-common.polarity)?);
    Some(if same.1 >= 0.1 || same.1 >= other.1 { same } else { other })
}

/// Answers for a stroke among the tails of earlier ones, the most promising first; a handful.
pub(super) fn best_with_tails(term: &Term, tails: &[Complex<f32>], fraction: f64, most: f64) -> Vec<Candidate> {
    let with: Vec<Complex<f64>> =
        term.real.iter().zip(tails.iter().skip(term.first)).map(|(r, t)| r + wide(t)).collect();
    let mut all: Vec<(Candidate, f64)> = Vec::new();
    for polarity in [1.0, -1.0] {
        for lag in lags(most).map(|l| l + fraction).filter(|l| l.abs() <= most) {
            let (mut turn, step) = term.turn(lag);
            let mut joint = 0.0;
            for (w, s) in with.iter().zip(&term.shot) {
                joint += (w.conj() * s * turn).re;
                turn *= step;
            }
            all.push((Candidate { lag, polarity }, polarity * joint));
        }
    }
    all.sort_by(|a, b| b.1.total_cmp(&a.1));
    let (mut out, mut signs): (Vec<Candidate>, [usize; 2]) = (Vec::new(), [0; 2]);
    for (c, _) in all {
        let side = usize::from(c.polarity < 0.0);
        if let Some(n) = signs.get_mut(side).filter(|n| **n < 3) {
            *n += 1;
            out.push(c);
        }
    }
    out
}
