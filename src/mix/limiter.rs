//! The safety limiter of the rough mix: holds true peaks below a ceiling and leaves everything else alone.
//!
//! In: interleaved stereo in blocks. Out: the same number of frames, delayed by nothing (the look-ahead is made up for),
//! and how much was taken away where. Where no peak comes near the ceiling the samples pass bit for bit.

use super::Dbtp;
use crate::units::{Decibels, SamplePos, SampleRate, Seconds};
use serde::Serialize;
use std::collections::VecDeque;

/// Look-ahead: the gain bends down over this time before a peak (common practice: 1 to 5 ms).
pub const LOOK_AHEAD: Seconds = Seconds(0.003);
/// Time in which the gain recovers by 63 % after a peak (common practice: 50 to 200 ms).
pub const RELEASE: Seconds = Seconds(0.080);

/// Reduction from which on a frame counts as touched in the report.
pub const AUDIBLE: Decibels = Decibels(0.1);

/// Gain as an integer, so that running sums of it are exact and "no reduction" is exactly 1.
const UNITY: u64 = 1 << 30;
/// Samples on either side that the interpolator looks at.
const HALF: usize = 8;
/// Points between two samples that are looked at: quarters, as ITU-R BS.1770 Annex 2 asks for at 48 kHz.
const BETWEEN: usize = 3;

/// What a limiter did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Limited {
    /// Greatest reduction, a positive number of dB; 0 when nothing was touched.
    pub deepest: Decibels,
    /// Where that was.
    pub at: SamplePos,
    /// Frames with a reduction of [`AUDIBLE`] or more.
    pub frames: u64,
}

/// A look-ahead peak limiter for stereo. Cost: about 60 operations a frame near the ceiling, 10 elsewhere.
pub struct Limiter {
    ceiling: f32,
    taps: [[f32; 2 * HALF]; BETWEEN],
    /// Sum of the absolute taps of the worst phase: no peak between samples can exceed this times the sample peak.
    bound: f32,
    /// Frames waiting for their gain, interleaved; the first belongs to `out_pos`.
    held: VecDeque<[f32; 2]>,
    /// The last `2 * HALF` frames for the interpolator, oldest first.
    recent: [[f32; 2]; 2 * HALF],
    /// Peak of the point group before the frame that comes next out of the interpolator.
    between_before: f32,
    minimum: SlidingMinimum,
    release: f64,
    released: f64,
    smooth: [RunningSum; 2],
    in_frames: u64,
    out_pos: u64,
    delay: u64,
    limited: Limited,
}

impl Limiter {
    /// A limiter that keeps true peaks at or below `ceiling`.
    #[must_use]
    pub fn new(rate: SampleRate, ceiling: Dbtp) -> Self {
        let half = (rate.samples(LOOK_AHEAD).max(2) / 2) as usize;
        let window = 2 * half - 1;
        let taps = interpolator();
        let bound = taps.iter().map(|p| p.iter().map(|t| t.abs()).sum::<f32>()).fold(1.0, f32::max);
        Self {
            ceiling: Decibels(ceiling.0).gain() as f32,
            taps,
            bound,
            held: VecDeque::new(),
            recent: [[0.0; 2]; 2 * HALF],
            between_before: 0.0,
            minimum: SlidingMinimum::new(window),
            release: 1.0 - (-1.0 / (RELEASE.0 * rate.hz_f64())).exp(),
            released: 1.0,
            smooth: [RunningSum::new(half), RunningSum::new(half)],
            in_frames: 0,
            out_pos: 0,
            delay: (window - 1 + HALF) as u64,
            limited: Limited::default(),
        }
    }

    /// Takes interleaved stereo and appends what is ready to `out`.
    pub fn push(&mut self, stereo: &[f32], out: &mut Vec<f32>) {
        for frame in stereo.chunks_exact(2) {
            self.step([frame[0], frame[1]]);
            self.in_frames += 1;
            self.held.push_back([frame[0], frame[1]]);
            self.give(out);
        }
    }

    /// Appends the rest to `out` after the last [`push`](Self::push).
    pub fn finish(&mut self, out: &mut Vec<f32>) {
        for _ in 0..self.delay {
            self.step([0.0; 2]);
            self.in_frames += 1;
            self.give(out);
        }
    }

    /// What was taken away so far.
    #[must_use]
    pub fn limited(&self) -> Limited {
        self.limited
    }

    /// Feeds one frame through detection and gain smoothing.
    fn step(&mut self, frame: [f32; 2]) {
        self.recent.copy_within(1.., 0);
        self.recent[2 * HALF - 1] = frame;
        // The frame under judgement has HALF frames after it; the points judged lie behind it, those before it are known.
        let here = self.recent[HALF - 1];
        let loudest = self.recent.iter().fold(0f32, |m, f| m.max(f[0].abs()).max(f[1].abs()));
        let after = if loudest * self.bound > self.ceiling { self.between() } else { 0.0 };
        let peak = here[0].abs().max(here[1].abs()).max(after).max(self.between_before);
        self.between_before = after;
        let need = if peak > self.ceiling { f64::from(self.ceiling / peak) } else { 1.0 };
        let held = self.minimum.push(need);
        self.released = held.min(self.released + (1.0 - self.released) * self.release);
        if 1.0 - self.released < 1e-6 && held >= 1.0 {
            self.released = 1.0;
        }
        let fixed = (self.released * UNITY as f64) as u64;
        let first = self.smooth[0].push(fixed);
        self.smooth[1].push(first);
    }

    /// Highest absolute value of either channel at the quarter points after the frame under judgement.
    fn between(&self) -> f32 {
        let mut peak = 0f32;
        for phase in &self.taps {
            let (mut l, mut r) = (0f32, 0f32);
            for (t, f) in phase.iter().zip(&self.recent) {
                l += t * f[0];
                r += t * f[1];
            }
            peak = peak.max(l.abs()).max(r.abs());
        }
        peak
    }

    fn give(&mut self, out: &mut Vec<f32>) {
        if self.in_frames <= self.delay {
            return;
        }
        let Some([l, r]) = self.held.pop_front() else { return };
        let full = UNITY * (self.smooth[0].len() * self.smooth[1].len()) as u64;
        let sum = self.smooth[1].sum;
        if sum >= full {
            out.extend_from_slice(&[l, r]);
        } else {
            let gain = sum as f64 / full as f64;
            let deep = -20.0 * gain.log10();
            if deep > self.limited.deepest.0 {
                self.limited.deepest = Decibels(deep);
                self.limited.at = SamplePos(self.out_pos);
            }
            self.limited.frames += u64::from(deep >= AUDIBLE.0);
            out.extend_from_slice(&[(f64::from(l) * gain) as f32, (f64::from(r) * gain) as f32]);
        }
        self.out_pos += 1;
    }
}

/// Taps for the quarter points between the middle two of `2 * HALF` samples: a sinc under a Kaiser window (beta 6),
/// each phase scaled to unit gain at 0 Hz.
fn interpolator() -> [[f32; 2 * HALF]; BETWEEN] {
    let mut taps = [[0f32; 2 * HALF]; BETWEEN];
    for (phase, row) in taps.iter_mut().enumerate() {
        let at = HALF as f64 - 1.0 + (phase + 1) as f64 / (BETWEEN + 1) as f64;
        let raw: Vec<f64> = (0..2 * HALF).map(|i| windowed_sinc(i as f64 - at)).collect();
        let sum: f64 = raw.iter().sum();
        for (t, r) in row.iter_mut().zip(&raw) {
            *t = (r / sum) as f32;
        }
    }
    taps
}

fn windowed_sinc(x: f64) -> f64 {
    let px = std::f64::consts::PI * x;
    let sinc = if x == 0.0 { 1.0 } else { px.sin() / px };
    let u = x / HALF as f64;
    sinc * bessel_i0(6.0 * (1.0 - u * u).max(0.0).sqrt()) / bessel_i0(6.0)
}

/// Modified Bessel function of order 0, by its power series (Abramowitz & Stegun 9.6.12).
fn bessel_i0(x: f64) -> f64 {
    let q = x * x / 4.0;
    let (mut term, mut sum) = (1.0, 1.0);
    for k in 1..60 {
        term *= q / f64::from(k * k);
        sum += term;
    }
    sum
}

/// Smallest of the last `window` values, in constant time a value.
struct SlidingMinimum {
    window: u64,
    count: u64,
    /// (index, value), values rising from front to back.
    queue: VecDeque<(u64, f64)>,
}

impl SlidingMinimum {
    fn new(window: usize) -> Self {
        Self { window: window as u64, count: 0, queue: VecDeque::new() }
    }

    fn push(&mut self, value: f64) -> f64 {
        while self.queue.back().is_some_and(|&(_, v)| v >= value) {
            self.queue.pop_back();
        }
        self.queue.push_back((self.count, value));
        self.count += 1;
        while self.queue.front().is_some_and(|&(i, _)| i + self.window < self.count) {
            self.queue.pop_front();
        }
        self.queue.front().map_or(value, |&(_, v)| v)
    }
}

/// Running sum over the last values, exact because it counts in integers.
struct RunningSum {
    last: VecDeque<u64>,
    sum: u64,
}

impl RunningSum {
    fn new(len: usize) -> Self {
        Self { last: VecDeque::from(vec![0; len]), sum: 0 }
    }

    fn len(&self) -> usize {
        self.last.len()
    }

    fn push(&mut self, value: u64) -> u64 {
        self.sum += value;
        self.last.push_back(value);
        if let Some(old) = self.last.pop_front() {
            self.sum -= old;
        }
        self.sum
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mix::{Meter, Watch};
    use proptest::prelude::*;

    const RATE: SampleRate = SampleRate::SESSION;

    fn limited(x: &[f32], ceiling: f64, block: usize) -> (Vec<f32>, Limited) {
        let mut limiter = Limiter::new(RATE, Dbtp(ceiling));
        let mut out = Vec::new();
        for b in x.chunks(2 * block) {
            limiter.push(b, &mut out);
        }
        limiter.finish(&mut out);
        (out, limiter.limited())
    }

    fn true_peak(x: &[f32]) -> f64 {
        let mut m = Meter::new(RATE, 2, Watch::MIX).unwrap();
        m.add(x).unwrap();
        m.loudness().true_peak.0
    }

    /// Decaying strokes like a drum's, `peak` high.
    fn strokes(peak: f32) -> Vec<f32> {
        (0..48_000usize)
            .flat_map(|i| {
                let t = (i % 12_000) as f32 / 48_000.0;
                let x = peak * (-t * 30.0).exp() * (std::f32::consts::TAU * 180.0 * t).sin();
                [x, 0.7 * x]
            })
            .collect()
    }

    #[test]
    fn below_the_ceiling_every_sample_passes_bit_for_bit() {
        let x = strokes(0.85);
        let (y, did) = limited(&x, -1.0, 512);
        assert_eq!(x, y);
        assert_eq!(did, Limited::default());
    }

    #[test]
    fn a_peak_between_the_samples_is_seen() {
        // fs/4 at 45 degrees: the samples stay 3.01 dB below the wave (EBU Tech 3341, signal 16).
        let x: Vec<f32> = (0..48_000)
            .flat_map(|i| {
                let fade = (f64::from(i) / 2_400.0).min(f64::from(48_000 - i) / 2_400.0).min(1.0);
                let s = fade * (std::f64::consts::FRAC_PI_2 * f64::from(i) + std::f64::consts::FRAC_PI_4).sin();
                [s as f32, s as f32]
            })
            .collect();
        assert!(x.iter().all(|s| s.abs() < 0.71));
        let (y, did) = limited(&x, -1.0, 4_096);
        assert!(true_peak(&y) <= -0.9, "{}", true_peak(&y));
        assert!((did.deepest.0 - 1.0).abs() < 0.2, "{did:?}");
    }

    #[test]
    fn strokes_above_the_ceiling_come_down_to_it_and_the_rest_recovers() {
        let x = strokes(1.6);
        let (y, did) = limited(&x, -1.0, 999);
        assert_eq!(y.len(), x.len());
        assert!(true_peak(&y) <= -0.95, "{}", true_peak(&y));
        assert!(did.deepest.0 > 1.0 && did.deepest.0 < 6.0, "{did:?}");
        // Just before the next stroke the gain is back within 0.5 dB.
        let n = 2 * 11_800;
        assert!((y[n] / x[n]) > 0.94, "{}", y[n] / x[n]);
    }

    proptest! {
        #[test]
        fn no_block_size_and_no_noise_gets_past(seed in 0u32..1000, block in 1usize..3000, gain in 0.1f32..4.0) {
            let mut state = seed.wrapping_mul(747_796_405).wrapping_add(1);
            let x: Vec<f32> = (0..12_000)
                .map(|i| {
                    state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    let burst = if i % 4_000 < 300 { 1.0 } else { 0.1 };
                    gain * burst * ((state >> 8) as f32 / 8_388_608.0 - 1.0)
                })
                .collect();
            let (y, _) = limited(&x, -1.0, block);
            let (whole, _) = limited(&x, -1.0, 6_000);
            prop_assert_eq!(&y, &whole);
            let ceiling = Decibels(-1.0).gain() as f32 * 1.000_001;
            prop_assert!(y.iter().all(|s| s.abs() <= ceiling));
            prop_assert!(y.iter().zip(&x).all(|(a, b)| a.abs() <= b.abs() * 1.000_001));
        }
    }
}
