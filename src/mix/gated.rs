//! Gated loudness and the loudest 400 ms alone, quickly: what is asked of every file of a delivery and every trial of a mix.
//!
//! In: interleaved samples of one or two channels. Out: integrated and momentary loudness, the highest sample. The same as
//! [`Meter`](super::Meter) makes through the `ebur128` crate for everything else; the tests hold one to the other.

use crate::units::SampleRate;

/// Blocks below this are left out, LUFS (ITU-R BS.1770, absolute gate).
const ABSOLUTE: f64 = -70.0;
/// Blocks this far below the mean of the rest are left out, LU (relative gate).
const RELATIVE: f64 = -10.0;
/// What makes a 997 Hz sine at full scale in one channel read −3.01 (same standard).
const OFFSET: f64 = -0.691;
/// Filter memories below this are silence; numbers near the smallest that a machine knows are slow to reckon with.
const NOTHING: f64 = 1e-60;

/// A second-order filter: `y = b0·x + b1·x₁ + b2·x₂ − a1·y₁ − a2·y₂`, transposed direct form.
#[derive(Clone, Copy, Debug)]
struct Biquad {
    b: [f64; 3],
    a: [f64; 2],
}

impl Biquad {
    /// First stage of K-weighting at any rate: a shelf of +4 dB above 1.7 kHz. The bilinear transform of the analogue
    /// shelf whose digital form at 48 kHz BS.1770 tabulates.
    fn shelf(rate: SampleRate) -> Self {
        let k = libm::tan(std::f64::consts::PI * 1_681.974_450_955_533 / rate.hz_f64());
        let (q, high) = (0.707_175_236_955_419_6, libm::pow(10.0, 3.999_843_853_973_347 / 20.0));
        let band = libm::pow(high, 0.499_666_774_154_541_6);
        let a0 = 1.0 + k / q + k * k;
        Self {
            b: [(high + band * k / q + k * k) / a0, 2.0 * (k * k - high) / a0, (high - band * k / q + k * k) / a0],
            a: [2.0 * (k * k - 1.0) / a0, (1.0 - k / q + k * k) / a0],
        }
    }

    /// Second stage: a high-pass at 38 Hz, likewise.
    fn high_pass(rate: SampleRate) -> Self {
        let k = libm::tan(std::f64::consts::PI * 38.135_470_876_024_44 / rate.hz_f64());
        let q = 0.500_327_037_323_877_3;
        let a0 = 1.0 + k / q + k * k;
        Self { b: [1.0, -2.0, 1.0], a: [2.0 * (k * k - 1.0) / a0, (1.0 - k / q + k * k) / a0] }
    }
}

/// Integrated loudness of a stream; memory grows by 8 bytes every 100 ms.
pub(super) struct Gated {
    stages: [Biquad; 2],
    /// Two memories a stage, for each channel.
    memory: Vec<[f64; 4]>,
    /// Frames of a tenth of a second, and how many of them are in.
    step: usize,
    since: usize,
    /// Energy of the tenth under way, and of the three before it.
    now: f64,
    before: [f64; 3],
    tenths: u64,
    /// Mean energies of all 400 ms blocks above the absolute gate, a new one every 100 ms.
    blocks: Vec<f64>,
    /// Mean energy of the loudest 400 ms.
    loudest: f64,
    peak: f32,
}

impl Gated {
    /// For one or two channels, which both count in full.
    pub fn new(rate: SampleRate, channels: usize) -> Self {
        Self {
            stages: [Biquad::shelf(rate), Biquad::high_pass(rate)],
            memory: vec![[0.0; 4]; channels.max(1)],
            step: (rate.hz() as usize + 5) / 10,
            since: 0,
            now: 0.0,
            before: [0.0; 3],
            tenths: 0,
            blocks: Vec::new(),
            loudest: 0.0,
            peak: 0.0,
        }
    }

    /// Takes whole interleaved frames.
    pub fn add(&mut self, mut samples: &[f32]) {
        let channels = self.memory.len();
        while !samples.is_empty() {
            let n = ((self.step - self.since) * channels).min(samples.len());
            let (part, rest) = samples.split_at(n);
            let energy = match self.memory.as_mut_slice() {
                [one] => {
                    let (sums, state) = energy(&self.stages, [*one], part.iter().map(|x| [*x]));
                    *one = state[0];
                    sums[0]
                }
                [left, right] => {
                    let frames = part.as_chunks().0.iter().copied();
                    let (sums, state) = energy(&self.stages, [*left, *right], frames);
                    [*left, *right] = state;
                    sums[0] + sums[1]
                }
                _ => 0.0,
            };
            self.took(part, energy);
            samples = rest;
        }
    }

    /// Takes as many frames of several mono streams at once, each to its own meter: quicker, to the same digits, than one
    /// after the other. Gives `false`, and takes nothing, where the streams are not equally long or not in step.
    pub fn add_side_by_side<const N: usize>(mut meters: [&mut Gated; N], mut streams: [&[f32]; N]) -> bool {
        let Some((step, since)) = meters.first().map(|m| (m.step, m.since)) else { return true };
        let alike = |m: &&mut Gated| m.memory.len() == 1 && (m.step, m.since) == (step, since);
        let length = streams.first().map_or(0, |s| s.len());
        if !meters.iter().all(alike) || streams.iter().any(|s| s.len() != length) {
            return false;
        }
        let mut since = since;
        while streams.iter().any(|s| !s.is_empty()) {
            let n = (step - since).min(streams.iter().map(|s| s.len()).min().unwrap_or(0));
            let parts = streams.map(|s| s.split_at(n).0);
            let Some(stages) = meters.first().map(|m| m.stages) else { break };
            let state = meters.each_ref().map(|m| m.memory.first().copied().unwrap_or_default());
            let (sums, state) = energy(&stages, state, (0..n).map(|i| parts.map(|p| p[i])));
            for (meter, (part, (sum, state))) in meters.iter_mut().zip(parts.iter().zip(sums.iter().zip(state))) {
                meter.memory.fill(state);
                meter.took(part, *sum);
            }
            since = (since + n) % step;
            streams = streams.map(|s| s.split_at(n).1);
        }
        true
    }

    /// Counts frames whose energy is known.
    fn took(&mut self, part: &[f32], energy: f64) {
        self.now += energy;
        self.peak = self.peak.max(loudest(part));
        self.since += part.len() / self.memory.len();
        if self.since == self.step {
            self.close();
        }
    }

    fn close(&mut self) {
        self.tenths += 1;
        let mean = (self.before.iter().sum::<f64>() + self.now) / (4 * self.step) as f64;
        self.loudest = self.loudest.max(mean);
        if self.tenths >= 4 && mean >= power(ABSOLUTE) {
            self.blocks.push(mean);
        }
        self.before = [self.before[1], self.before[2], self.now];
        (self.now, self.since) = (0.0, 0);
        for m in self.memory.iter_mut().flatten().filter(|m| m.abs() < NOTHING) {
            *m = 0.0;
        }
    }

    /// LUFS; `None` under 400 ms or where nothing is above the absolute gate.
    pub fn integrated(&self) -> Option<f64> {
        let mean = |least: f64| {
            let (sum, n) =
                self.blocks.iter().filter(|b| **b >= least).fold((0.0, 0u64), |(sum, n), b| (sum + b, n + 1));
            (n > 0).then(|| sum / n as f64)
        };
        let gate = mean(0.0)? * libm::pow(10.0, RELATIVE / 10.0);
        mean(gate).map(lufs)
    }

    /// LUFS of the loudest 400 ms, looked at every 100 ms; `None` in silence.
    pub fn momentary(&self) -> Option<f64> {
        (self.loudest > 0.0).then(|| lufs(self.loudest))
    }

    /// The highest sample, linear.
    pub fn peak(&self) -> f64 {
        f64::from(self.peak)
    }
}

/// Mean energy of a block that reads so many LUFS.
fn power(lufs: f64) -> f64 {
    libm::pow(10.0, (lufs - OFFSET) / 10.0)
}

/// What a block of this mean energy reads.
fn lufs(mean: f64) -> f64 {
    OFFSET + 10.0 * libm::log10(mean)
}

/// Runs frames of `N` channels through both stages from a state on; gives the sum of the squares that come out of each
/// channel, and the state behind them. Channels go side by side, because each sample has to wait for the one before it in its own channel only.
fn energy<const N: usize>(
    stages: &[Biquad; 2],
    mut state: [[f64; 4]; N],
    frames: impl Iterator<Item = [f32; N]>,
) -> ([f64; N], [[f64; 4]; N]) {
    let [first, second] = stages;
    let mut sums = [0.0; N];
    for frame in frames {
        for c in 0..N {
            let x = f64::from(frame[c]);
            let [p, q, r, s] = state[c];
            let y = first.b[0] * x + p;
            let z = y + r;
            state[c] = [
                first.b[1] * x - first.a[0] * y + q,
                first.b[2] * x - first.a[1] * y,
                s - 2.0 * y - second.a[0] * z,
                y - second.a[1] * z,
            ];
            sums[c] += z * z;
        }
    }
    (sums, state)
}

/// Highest absolute value; several at a time, so that it goes through vector registers.
pub(super) fn loudest(samples: &[f32]) -> f32 {
    let mut lanes = [0f32; 16];
    let (rows, rest) = samples.as_chunks::<16>();
    for row in rows {
        for (lane, x) in lanes.iter_mut().zip(row) {
            *lane = lane.max(x.abs());
        }
    }
    lanes.iter().chain(rest).fold(0.0, |m, x| m.max(x.abs()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mix::{Meter, Watch};

    /// BS.1770 tabulates both stages at 48 kHz.
    #[test]
    fn at_48_khz_the_filters_are_those_of_the_standard() {
        let near = |got: &[f64], want: &[f64]| got.iter().zip(want).all(|(g, w)| (g - w).abs() < 1e-12);
        let (shelf, high) = (Biquad::shelf(SampleRate::SESSION), Biquad::high_pass(SampleRate::SESSION));
        assert!(near(&shelf.b, &[1.53512485958697, -2.69169618940638, 1.19839281085285]), "{shelf:?}");
        assert!(near(&shelf.a, &[-1.69065929318241, 0.73248077421585]), "{shelf:?}");
        assert!(near(&high.a, &[-1.99004745483398, 0.99007225036621]), "{high:?}");
    }

    fn sine(rate: u32, seconds: f64, dbfs: f64) -> Vec<f32> {
        let peak = 10f64.powf(dbfs / 20.0);
        (0..(seconds * f64::from(rate)) as usize)
            .flat_map(|i| {
                let x = (peak * (std::f64::consts::TAU * 1_000.0 * i as f64 / f64::from(rate)).sin()) as f32;
                [x, x]
            })
            .collect()
    }

    /// EBU Tech 3341, signals 1 to 5: stereo sines of 1 kHz at stated levels, ±0.1 LU.
    #[test]
    fn the_signals_of_tech_3341_read_as_they_should() {
        let cases: [(&[(f64, f64)], f64); 5] = [
            (&[(20.0, -23.0)], -23.0),
            (&[(20.0, -33.0)], -33.0),
            (&[(10.0, -36.0), (60.0, -23.0), (10.0, -36.0)], -23.0),
            (&[(10.0, -72.0), (10.0, -36.0), (60.0, -23.0), (10.0, -36.0), (10.0, -72.0)], -23.0),
            (&[(20.0, -26.0), (20.1, -20.0), (20.0, -26.0)], -23.0),
        ];
        for (parts, want) in cases {
            let mut g = Gated::new(SampleRate::SESSION, 2);
            parts.iter().for_each(|&(seconds, level)| g.add(&sine(48_000, seconds, level)));
            let got = g.integrated().unwrap();
            assert!((got - want).abs() < 0.1, "{got} for {want}");
        }
    }

    #[test]
    fn it_reads_as_the_crate_does_at_every_rate_and_in_blocks_of_any_size() {
        for (hz, channels) in [(44_100, 1usize), (48_000, 2), (96_000, 1), (8_000, 2), (192_000, 1)] {
            let rate = SampleRate::new(hz).unwrap();
            let mut state = 1u32;
            let n = hz as usize * 5 * channels;
            let x: Vec<f32> = (0..n)
                .map(|i| {
                    state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    let loud = if (i / channels) % (hz as usize) < hz as usize / 5 { 0.5 } else { 0.002 };
                    loud * ((state >> 8) as f32 / 8_388_608.0 - 1.0)
                })
                .collect();
            let mut crates = Meter::new(rate, channels as u16, Watch::ALL).unwrap();
            crates.add(&x).unwrap();
            let (want, loudest) = (crates.loudness().integrated.unwrap().0, crates.loudness().momentary.unwrap().0);
            let (mut whole, mut pieces) = (Gated::new(rate, channels), Gated::new(rate, channels));
            whole.add(&x);
            x.chunks(channels * 777).for_each(|b| pieces.add(b));
            assert!((whole.integrated().unwrap() - want).abs() < 1e-9, "{hz}: {:?}, {want}", whole.integrated());
            assert!((whole.momentary().unwrap() - loudest).abs() < 1e-9, "{hz}: {:?}, {loudest}", whole.momentary());
            assert!((whole.integrated().unwrap() - pieces.integrated().unwrap()).abs() < 1e-9);
            assert_eq!(whole.peak(), pieces.peak());
        }
    }

    #[test]
    fn several_streams_side_by_side_read_to_the_last_bit_as_one_after_the_other() {
        let tone = |hz: f32, n: usize| (0..n).map(|i| 0.3 * (i as f32 * hz / 7_000.0).sin()).collect::<Vec<f32>>();
        let mut alone: [Gated; 3] = std::array::from_fn(|_| Gated::new(SampleRate::SESSION, 1));
        let mut together: [Gated; 3] = std::array::from_fn(|_| Gated::new(SampleRate::SESSION, 1));
        for n in [1, 4_799, 1, 20_000, 0, 30_001] {
            let streams = [tone(50.0, n), tone(900.0, n), tone(7_300.0, n)];
            alone.iter_mut().zip(&streams).for_each(|(g, s)| g.add(s));
            assert!(Gated::add_side_by_side(together.each_mut(), streams.each_ref().map(Vec::as_slice)));
        }
        for (a, b) in alone.iter().zip(&together) {
            assert_eq!((a.integrated(), a.momentary(), a.peak()), (b.integrated(), b.momentary(), b.peak()));
            assert!(a.integrated().is_some());
        }
        // Not in step, or not equally long: nothing is taken.
        together[1].add(&[0.5]);
        assert!(!Gated::add_side_by_side(together.each_mut(), [&[0.1], &[0.1], &[0.1]]));
        assert!(!Gated::add_side_by_side(alone.each_mut(), [&[0.1], &[0.1], &[]]));
    }

    #[test]
    fn silence_and_very_short_audio_have_no_loudness() {
        let mut g = Gated::new(SampleRate::SESSION, 1);
        g.add(&vec![0.0; 480_000]);
        assert_eq!((g.integrated(), g.peak()), (None, 0.0));
        let mut g = Gated::new(SampleRate::SESSION, 1);
        g.add(&vec![0.5; 19_000]);
        assert_eq!(g.integrated(), None);
    }
}
