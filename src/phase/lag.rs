//! The lag and sign with which a drum reaches a second mic: generalised cross-correlation, to a fraction of a sample.

use super::cross::{Cross, Spectra, wide};
use super::report::Band;
use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner};
use std::f64::consts::TAU;
use std::sync::Arc;

/// How much the search leans towards where the drum is strong: power to a quarter. Whitened fully, other instruments
/// that play along win; unwhitened, the drum's ring makes every second peak look alike.
const LEAN: f64 = 0.25;
/// Lags this close count as the same arrival, ms.
const SAME: f64 = 0.5;
/// The fine lag is looked for this far around the arrival, ms.
const NEAR: f64 = 0.7;
/// Fewer strokes than this lower the confidence in proportion.
const FEW: f64 = 4.0;
/// Rivals above this share begin to count against the sign; at 1 nothing is left.
const RIVAL: f64 = 0.7;

/// Lags that are searched, samples; positive = later than the reference.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LagRange {
    /// Lowest lag.
    pub low: f64,
    /// Highest lag.
    pub high: f64,
}

/// When and with which sign a drum arrives.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Arrival {
    /// Lag against the reference, samples; median over the strokes that agree.
    pub lag: f64,
    /// +1.0 or −1.0.
    pub sign: f64,
    /// 1.4826 · median absolute deviation of the lag over strokes, samples.
    pub spread: f64,
    /// Share of strokes that agree on sign and lag, 0..=1.
    pub agreement: f64,
    /// Strongest correlation of the other sign against this one, 0..=1.
    pub rival: f64,
    /// 0..=1: agreement, lowered by a rival above 0.7 and by fewer than 4 strokes.
    pub confidence: f64,
}

/// Finds the arrival of a drum in mic `b` against mic `a` from spectra of the same strokes (`frame` samples each,
/// unnormalised real transforms) at `rate` Hz, searching `range` within `band`; where the sign is `known` (+1.0 or −1.0), only
/// arrivals with that sign.
///
/// The averaged cross-spectrum, weighted by its coherence ([`Cross::weights`]), gives sign and place; every stroke is then
/// measured by itself, and the median of those that agree is the lag. `None` where one mic is silent, or nothing has the known
/// sign. Cost: two inverse transforms a stroke.
#[must_use]
pub fn arrival(
    (a, b): (&Spectra, &Spectra),
    cross: &Cross,
    (band, range, known): (Band, LagRange, Option<f64>),
    frame: usize,
    rate: f64,
) -> Option<Arrival> {
    let mut correlator = Correlator::new(frame, range);
    let weights = cross.weights(band, LEAN);
    correlator.load(cross.ab.iter().copied(), &weights);
    let only = known.map(|sign| (sign, range.low, range.high));
    let best = correlator.peak(only)?;
    let (place, sign) = (correlator.refine(best.0), best.1);
    let rival = correlator.highest(-sign).max(0.0) / best.2;

    let even = cross.weights(band, 0.0);
    let (same, near) = (SAME * rate / 1000.0, NEAR * rate / 1000.0);
    let mut lags = Vec::with_capacity(a.len());
    let mut counted = 0usize;
    for (x, y) in a.iter().zip(b) {
        let product = |()| x.iter().zip(y).map(|(p, q)| wide(*p).conj() * wide(*q));
        correlator.load(product(()), &weights);
        let Some((lag, s, _)) = correlator.peak(only) else { continue };
        counted += 1;
        if s == sign && (lag - place).abs() <= same {
            correlator.load(product(()), &even);
            if let Some((fine, ..)) = correlator.peak(Some((sign, place - near, place + near))) {
                lags.push(correlator.refine(fine));
            }
        }
    }
    let agreement = if counted == 0 { 0.0 } else { lags.len() as f64 / counted as f64 };
    let lag = median(&mut lags).unwrap_or(place);
    let mut off: Vec<f64> = lags.iter().map(|l| (l - lag).abs()).collect();
    let spread = 1.4826 * median(&mut off).unwrap_or(0.0);
    let clarity = ((1.0 - rival) / (1.0 - RIVAL)).clamp(0.0, 1.0);
    let confidence = agreement * clarity * (counted as f64 / FEW).min(1.0);
    Some(Arrival { lag, sign, spread, agreement, rival: rival.min(1.0), confidence })
}

/// Median; sorts its input. `None` for nothing.
pub(super) fn median(x: &mut [f64]) -> Option<f64> {
    x.sort_by(f64::total_cmp);
    let n = x.len();
    let upper = *x.get(n / 2)?;
    if n % 2 == 1 { Some(upper) } else { x.get(n / 2 - 1).map(|lower| 0.5 * (lower + upper)) }
}

/// A correlation function over a range of lags, from a weighted cross-spectrum.
struct Correlator {
    inverse: Arc<dyn ComplexToReal<f64>>,
    spectrum: Vec<Complex<f64>>,
    weighted: Vec<Complex<f64>>,
    values: Vec<f64>,
    scratch: Vec<Complex<f64>>,
    range: (i64, i64),
}

impl Correlator {
    fn new(frame: usize, range: LagRange) -> Self {
        let inverse = RealFftPlanner::<f64>::new().plan_fft_inverse(frame);
        let half = frame as i64 / 2 - 1;
        Self {
            spectrum: inverse.make_input_vec(),
            weighted: Vec::new(),
            values: inverse.make_output_vec(),
            scratch: inverse.make_scratch_vec(),
            inverse,
            range: ((range.low.floor() as i64).max(-half), (range.high.ceil() as i64).min(half)),
        }
    }

    fn load(&mut self, cross: impl Iterator<Item = Complex<f64>>, weights: &[f64]) {
        self.weighted.clear();
        self.weighted.extend(cross.zip(weights).map(|(s, w)| s * w));
        self.spectrum.fill(Complex::default());
        for (to, from) in self.spectrum.iter_mut().zip(&self.weighted) {
            *to = *from;
        }
        // A real signal's spectrum is real at both ends.
        if let Some(first) = self.spectrum.first_mut() {
            first.im = 0.0;
        }
        if let Some(last) = self.spectrum.last_mut() {
            last.im = 0.0;
        }
        // Lengths come from the plan; a refusal leaves silence, which is reported as no arrival.
        if self.inverse.process_with_scratch(&mut self.spectrum, &mut self.values, &mut self.scratch).is_err() {
            self.values.fill(0.0);
        }
    }

    fn at(&self, lag: i64) -> f64 {
        let n = self.values.len() as i64;
        self.values.get(lag.rem_euclid(n) as usize).copied().unwrap_or(0.0)
    }

    /// Highest value of `sign`·correlation in the range.
    fn highest(&self, sign: f64) -> f64 {
        (self.range.0..=self.range.1).map(|l| sign * self.at(l)).fold(f64::NEG_INFINITY, f64::max)
    }

    /// Lag, sign and height of the strongest value, of either sign or of one sign between two lags; `None` for silence.
    fn peak(&self, only: Option<(f64, f64, f64)>) -> Option<(f64, f64, f64)> {
        let (low, high) = match only {
            Some((_, low, high)) => ((low.floor() as i64).max(self.range.0), (high.ceil() as i64).min(self.range.1)),
            None => self.range,
        };
        let mut best: Option<(f64, f64, f64)> = None;
        for lag in low..=high {
            let v = self.at(lag);
            let (sign, height) = match only {
                Some((sign, ..)) => (sign, sign * v),
                None => (if v < 0.0 { -1.0 } else { 1.0 }, v.abs()),
            };
            if height > best.map_or(1e-30, |b| b.2) {
                best = Some((lag as f64, sign, height));
            }
        }
        best
    }

    /// The exact place of the extremum near a lag: Newton's method on the correlation as a sum of cosines; stays within one
    /// sample of where it began.
    fn refine(&self, start: f64) -> f64 {
        let n = self.values.len() as f64;
        let mut lag = start;
        for _ in 0..6 {
            let (mut slope, mut bend) = (0.0, 0.0);
            for (k, s) in self.weighted.iter().enumerate() {
                if s.re == 0.0 && s.im == 0.0 {
                    continue;
                }
                let w = TAU * k as f64 / n;
                let turned = s * Complex::from_polar(1.0, w * lag);
                slope -= w * turned.im;
                bend -= w * w * turned.re;
            }
            if bend.abs() < 1e-30 {
                break;
            }
            let step = (slope / bend).clamp(-0.5, 0.5);
            lag = (lag - step).clamp(start - 1.0, start + 1.0);
            if step.abs() < 1e-6 {
                break;
            }
        }
        lag
    }
}

#[cfg(test)]
#[path = "lag_tests.rs"]
mod tests;
