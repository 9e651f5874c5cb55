//! The safety limiter of the rough mix: holds true peaks below a ceiling and leaves everything else alone.
//!
//! In: interleaved stereo in blocks. Out: the same number of frames, delayed by nothing (the look-ahead is made up for),
//! and how much was taken away where. Where no peak comes near the ceiling the samples pass bit for bit.

use super::Dbtp;
use super::gated::loudest;
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
/// Frames that pass together where there is nothing to do.
const AT_ONCE: usize = 256;
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

/// A look-ahead peak limiter for stereo. Cost: about 100 operations a frame within 6 dB of the ceiling, 20 while the gain
/// recovers, 2 where there is nothing to do.
pub struct Limiter {
    ceiling: f32,
    taps: [[f32; 2 * HALF]; BETWEEN],
    /// Sum of the absolute taps of the worst phase: no peak between samples can exceed this times the sample peak.
    bound: f32,
    /// Frames waiting for their gain, interleaved; the first belongs to `out_pos`.
    held: VecDeque<[f32; 2]>,
    /// The last `2 * HALF` frames for the interpolator, oldest first.
    recent: [[f32; 2]; 2 * HALF],
    /// Frames of `recent` from which on nothing is loud enough to rise above the ceiling between samples.
    hot: usize,
    /// Peak of the point group before the frame that comes next out of the interpolator.
    between_before: f32,
    minimum: SlidingMinimum,
    release: f64,
    released: f64,
    smooth: [RunningSum; 2],
    /// The gain as a sum of sums: none, [`AUDIBLE`], and the least so far.
    full: u64,
    audible: u64,
    least: u64,
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
        let full = UNITY * (half * half) as u64;
        let taps = interpolator();
        let bound = taps.iter().map(|p| p.iter().map(|t| t.abs()).sum::<f32>()).fold(1.0, f32::max);
        Self {
            ceiling: Decibels(ceiling.0).gain() as f32,
            taps,
            bound,
            held: VecDeque::new(),
            recent: [[0.0; 2]; 2 * HALF],
            hot: 0,
            between_before: 0.0,
            minimum: SlidingMinimum::new(window),
            release: 1.0 - (-1.0 / (RELEASE.0 * rate.hz_f64())).exp(),
            released: 1.0,
            smooth: [RunningSum::new(half), RunningSum::new(half)],
            full,
            audible: (full as f64 * Decibels(-AUDIBLE.0).gain()) as u64,
            least: full,
            in_frames: 0,
            out_pos: 0,
            delay: (window - 1 + HALF) as u64,
            limited: Limited::default(),
        }
    }

    /// Takes interleaved stereo and appends what is ready to `out`.
    pub fn push(&mut self, stereo: &[f32], out: &mut Vec<f32>) {
        let (frames, _) = stereo.as_chunks::<2>();
        for part in frames.chunks(AT_ONCE) {
            if self.rests() && loudest(part.as_flattened()) * self.bound <= self.ceiling {
                self.pass(part, out);
                continue;
            }
            for frame in part {
                self.step(*frame);
                self.in_frames += 1;
                self.held.push_back(*frame);
                self.give(out);
            }
        }
    }

    /// Whether nothing is being held down, recovering, or near the ceiling: what comes in and stays low passes as it is.
    fn rests(&self) -> bool {
        self.hot == 0
            && self.between_before == 0.0
            && self.released == 1.0
            && self.smooth[1].sum == self.full
            && self.in_frames > self.delay
            && self.minimum.is_one()
    }

    /// Takes frames while the limiter rests: what [`step`](Self::step) and [`give`](Self::give) would do to them, at once.
    fn pass(&mut self, frames: &[[f32; 2]], out: &mut Vec<f32>) {
        self.held.extend(frames);
        for frame in self.held.drain(..frames.len()) {
            out.extend_from_slice(&frame);
        }
        let n = frames.len() as u64;
        self.in_frames += n;
        self.out_pos += n;
        self.minimum.skip(n);
        self.recent.rotate_left(frames.len().min(2 * HALF));
        for (kept, new) in self.recent.iter_mut().rev().zip(frames.iter().rev()) {
            *kept = *new;
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
        let near = frame[0].abs().max(frame[1].abs()) * self.bound > self.ceiling;
        self.hot = if near { 2 * HALF } else { self.hot.saturating_sub(1) };
        let after = if self.hot > 0 { self.between() } else { 0.0 };
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
        let sum = self.smooth[1].sum;
        if sum >= self.full {
            out.extend_from_slice(&[l, r]);
        } else {
            let gain = sum as f64 / self.full as f64;
            if sum < self.least {
                self.least = sum;
                self.limited.deepest = Decibels(-20.0 * gain.log10());
                self.limited.at = SamplePos(self.out_pos);
            }
            self.limited.frames += u64::from(sum <= self.audible);
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

    /// Whether all values of the window are 1.
    fn is_one(&self) -> bool {
        self.queue.len() == 1 && self.queue.front().is_some_and(|&(_, v)| v == 1.0)
    }

    /// Takes `n` more values of 1 after [`is_one`](Self::is_one).
    fn skip(&mut self, n: u64) {
        self.count += n;
        for (at, _) in &mut self.queue {
            *at = self.count - 1;
        }
    }
}

/// Running sum over the last values, exact because it counts in integers.
struct RunningSum {
    last: Vec<u64>,
    oldest: usize,
    sum: u64,
}

impl RunningSum {
    fn new(len: usize) -> Self {
        Self { last: vec![0; len], oldest: 0, sum: 0 }
    }

    fn push(&mut self, value: u64) -> u64 {
        if let Some(old) = self.last.get_mut(self.oldest) {
            self.sum = self.sum + value - *old;
            *old = value;
        }
        self.oldest = if self.oldest + 1 < self.last.len() { self.oldest + 1 } else { 0 };
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

    /// The same frames with the resting limiter kept from passing them at once.
    fn step_by_step(x: &[f32], ceiling: f64) -> (Vec<f32>, Limited) {
        let mut limiter = Limiter::new(RATE, Dbtp(ceiling));
        let mut out = Vec::new();
        for frame in x.as_chunks().0 {
            limiter.step(*frame);
            limiter.in_frames += 1;
            limiter.held.push_back(*frame);
            limiter.give(&mut out);
        }
        limiter.finish(&mut out);
        (out, limiter.limited())
    }

    #[test]
    fn passing_at_once_while_nothing_is_to_do_changes_no_sample() {
        // Strokes four seconds apart: the gain comes back to exactly 1 in between.
        for (gap, block) in [(192_000, 4_096), (192_000, 300), (120_000, 1), (70_000, 999)] {
            let x: Vec<f32> = (0..400_000usize)
                .flat_map(|i| {
                    let t = (i % gap) as f32 / 48_000.0;
                    let x = 1.7 * (-t * 30.0).exp() * (std::f32::consts::TAU * 180.0 * t).sin();
                    [x, -0.4 * x]
                })
                .collect();
            let (y, did) = limited(&x, -1.0, block);
            assert_eq!((&y, did), (&step_by_step(&x, -1.0).0, step_by_step(&x, -1.0).1));
            assert!(did.frames > 1_000);
        }
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
