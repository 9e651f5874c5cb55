//! What adding two mics does to a drum's low band.

use super::cross::Cross;
use super::report::Band;
use crate::song::Drum;
use crate::units::{Decibels, Seconds};
use realfft::num_complex::Complex;
use serde::Serialize;
use std::f64::consts::{PI, TAU};

/// Level of the sum of two mics in a drum's low band against the reference mic alone: +6.0 dB is the most at equal levels.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct SumGain {
    /// As the files are.
    pub as_is: Decibels,
    /// With the second mic's sign flipped.
    pub flipped: Decibels,
    /// With the second mic moved to arrive together, and its sign turned where the two are opposite.
    pub aligned: Decibels,
}

/// Lowest level that a cancelled sum is reported as, dB.
const DEEPEST: f64 = -60.0;

/// The sum's level from an averaged cross-spectrum. Sign (+1.0 or −1.0) of the arrival and its lag in frame samples of
/// `frame`-point transforms, `equal` = both mics set to the same level in the band first. Silence in either mic gives 0 dB.
pub(super) fn sum_gain(cross: &Cross, band: Band, (sign, lag): (f64, f64), frame: usize, equal: bool) -> SumGain {
    let bins = || (0..cross.ab.len()).filter(|&i| band.holds(cross.hz(i)));
    let total = |x: &[f64]| bins().filter_map(|i| x.get(i)).sum::<f64>();
    let (aa, bb) = (total(&cross.aa), total(&cross.bb));
    if aa <= 0.0 || bb <= 0.0 {
        return SumGain { as_is: Decibels(0.0), flipped: Decibels(0.0), aligned: Decibels(0.0) };
    }
    let level = if equal { (aa / bb).sqrt() } else { 1.0 };
    let joint = |lag: f64| -> f64 {
        let turned = bins().filter_map(|i| {
            cross.ab.get(i).map(|s| (s * Complex::from_polar(1.0, TAU * i as f64 * lag / frame as f64)).re)
        });
        turned.sum()
    };
    let gain = |joint: f64| {
        let power = (aa + level * level * bb + 2.0 * level * joint) / aa;
        Decibels((10.0 * power.max(1e-12).log10()).max(DEEPEST))
    };
    let (now, together) = (joint(0.0), joint(lag));
    SumGain { as_is: gain(now), flipped: gain(-now), aligned: gain(sign * together) }
}

/// The band that holds a drum's body: the strongest low partial of the averaged strokes and what lies within 10 dB of it
/// around, at least an octave. Searched 30..150 Hz for a kick, 90..400 Hz for a snare. In: mean power a bin, Hz a bin.
pub(crate) fn low_band(drum: Drum, power: &[f64], step: f64) -> Band {
    let (from, to) = if drum == Drum::Kick { (30.0, 150.0) } else { (90.0, 400.0) };
    let hz = |i: usize| i as f64 * step;
    let inside = |i: &usize| (from..=to).contains(&hz(*i));
    let top = (0..power.len()).filter(inside).max_by(|&a, &b| {
        let at = |i: usize| power.get(i).copied().unwrap_or(0.0);
        at(a).total_cmp(&at(b))
    });
    let Some(top) = top else { return Band { low: from, high: to } };
    let limit = power.get(top).copied().unwrap_or(0.0) / 10.0;
    let strong = |i: usize| power.get(i).is_some_and(|&p| p >= limit);
    let (mut low, mut high) = (top, top);
    while low > 0 && hz(low - 1) >= from && strong(low - 1) {
        low -= 1;
    }
    while hz(high + 1) <= to && strong(high + 1) {
        high += 1;
    }
    let centre = hz(top);
    Band { low: hz(low).min(centre / 2f64.sqrt()), high: hz(high).max(centre * 2f64.sqrt()) }
}

/// Level of a steady tone when a copy of equal level, `delay` later and flipped or not, is added: 2·|cos(π·f·dt)| for the
/// same sign, 2·|sin(π·f·dt)| flipped (comb filter, standard theory). At least −60 dB.
#[must_use]
pub fn comb_gain(hz: f64, delay: Seconds, flipped: bool) -> Decibels {
    let angle = PI * hz * delay.0;
    let factor = 2.0 * if flipped { angle.sin().abs() } else { angle.cos().abs() };
    Decibels((20.0 * factor.max(1e-12).log10()).max(DEEPEST))
}

/// Lowest frequency that vanishes when a copy of the same sign, `delay` later, is added: 1/(2·dt), Hz.
/// `None` for no delay.
#[must_use]
pub fn first_notch(delay: Seconds) -> Option<f64> {
    (delay.0 != 0.0).then(|| 0.5 / delay.0.abs())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Standard theory: notches at (2k+1)/(2·dt), peaks of 6.02 dB at k/dt.
    #[test]
    fn a_copy_24_samples_later_kills_1_khz_and_doubles_2_khz() {
        let dt = Seconds(24.0 / 48_000.0);
        assert!(comb_gain(1000.0, dt, false).0 <= -60.0);
        assert!((comb_gain(2000.0, dt, false).0 - 6.0206).abs() < 1e-3);
        assert!(comb_gain(0.0, dt, true).0 <= -60.0 && comb_gain(2000.0, dt, true).0 <= -60.0);
        for (ms, notch) in [(0.1, 5000.0), (0.25, 2000.0), (1.0, 500.0), (3.0, 166.67), (5.0, 100.0)] {
            assert!((first_notch(Seconds::from_ms(ms)).unwrap() - notch).abs() < 0.01);
        }
        assert!(first_notch(Seconds(0.0)).is_none());
    }

    #[test]
    fn a_tone_and_its_copy_sum_as_the_comb_says() {
        let (frame, bin, delay) = (4096, 8, 24.0);
        let mut cross = Cross {
            step: 48_000.0 / 4096.0,
            strokes: 1,
            ab: vec![Complex::default(); 64],
            aa: vec![0.0; 64],
            bb: vec![0.0; 64],
        };
        let turn = Complex::from_polar(1.0, -TAU * f64::from(bin) * delay / f64::from(frame));
        (cross.ab[bin as usize], cross.aa[bin as usize], cross.bb[bin as usize]) = (turn, 1.0, 1.0);
        let band = Band { low: 60.0, high: 120.0 };
        let got = sum_gain(&cross, band, (1.0, delay), frame as usize, true);
        let dt = Seconds(delay / 48_000.0);
        let hz = f64::from(bin) * cross.step;
        assert!((got.as_is.0 - comb_gain(hz, dt, false).0).abs() < 1e-9);
        assert!((got.flipped.0 - comb_gain(hz, dt, true).0).abs() < 1e-9);
        assert!((got.aligned.0 - 6.0206).abs() < 1e-3);
    }
}
