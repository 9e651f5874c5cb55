//! The highest true peak of a stream, looked for only where it can be.
//!
//! In: interleaved samples. Out: the highest true peak (ITU-R BS.1770 Annex 2) by two meters, whichever reads more: the
//! `ebur128` crate, whose filter is a windowed sinc, and the filter that the standard prints. Whoever gets a mix may read it by
//! either; on drums they lie up to a tenth of a decibel apart. Between samples a wave can rise above its samples by no more
//! than the taps allow, so a stretch whose samples stay far below the highest peak so far is not oversampled; the result is
//! the same number.

use super::annex;
use super::gated::loudest;
use crate::units::SampleRate;
use ebur128::{EbuR128, Error, Mode};

/// Frames that are looked at or left out together.
const STRETCH: usize = 64;
/// Frames before a stretch that its first peaks depend on: the crate's interpolator has 12 taps, or 24 above 88.2 kHz.
const BEFORE: usize = 24;
/// The most that the crate's interpolator can make of samples of size 1, and a little for rounding: the greatest sum of absolute
/// taps of any phase of a sinc under a Hann window is 1.864 for four phases of 12 taps, 2.307 for two of 24.
const MOST_OF_FOUR: f32 = 1.87;
const MOST_OF_TWO: f32 = 2.32;

/// The highest true peak of a stream. Cost: a comparison a sample, and 96 operations where a new highest peak may lie.
pub(super) struct TruePeak {
    all: EbuR128,
    channels: usize,
    most: f32,
    /// The last frames of the block before, then the block under way.
    samples: Vec<f32>,
    /// Room for the standard's filter.
    sums: Vec<f32>,
    highest: f64,
}

impl TruePeak {
    /// For 1 to 64 channels.
    pub fn new(rate: SampleRate, channels: usize) -> Result<Self, Error> {
        let all = EbuR128::new(channels as u32, rate.hz(), Mode::TRUE_PEAK)?;
        let most = if rate.hz() < 96_000 { MOST_OF_FOUR } else { MOST_OF_TWO };
        // Before the stream there is silence.
        let samples = vec![0.0; BEFORE * channels];
        Ok(Self { all, channels, most, samples, sums: Vec::new(), highest: 0.0 })
    }

    /// Takes whole interleaved frames.
    pub fn add(&mut self, block: &[f32]) -> Result<(), Error> {
        let before = BEFORE * self.channels;
        self.samples.extend_from_slice(block);
        // Whether the crate has heard everything up to the stretch.
        let mut joined = false;
        let mut at = before;
        while at < self.samples.len() {
            let end = (at + STRETCH * self.channels).min(self.samples.len());
            let (Some(past), Some(now)) = (self.samples.get(at - before..at), self.samples.get(at..end)) else { break };
            let loudest = loudest(past).max(loudest(now));
            if f64::from(loudest * self.most) > self.highest {
                if !joined {
                    self.all.seed_frames_f32(past)?;
                }
                self.all.add_frames_f32(now)?;
                for c in 0..self.channels as u32 {
                    self.highest = self.highest.max(self.all.true_peak(c)?);
                }
                joined = true;
            } else {
                joined = false;
            }
            if f64::from(loudest * annex::MOST) > self.highest {
                let both = self.samples.get(at - before..end).unwrap_or_default();
                let between = annex::highest(both, before, self.channels, &mut self.sums);
                self.highest = self.highest.max(f64::from(between));
            }
            at = end;
        }
        self.samples.drain(..self.samples.len() - before);
        Ok(())
    }

    /// The highest so far, linear.
    pub fn highest(&self) -> f64 {
        self.highest
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn of_the_crate(hz: u32, channels: usize, x: &[f32]) -> f64 {
        let mut all = EbuR128::new(channels as u32, hz, Mode::TRUE_PEAK).unwrap();
        all.add_frames_f32(x).unwrap();
        (0..channels as u32).map(|c| all.true_peak(c).unwrap()).fold(0.0, f64::max)
    }

    /// As the standard says: every phase at every sample, silence in front.
    fn of_the_standard(channels: usize, x: &[f32]) -> f64 {
        let at = |i: usize, back: usize| i.checked_sub(back * channels).map_or(0.0, |at| x[at]);
        let value = |i: usize, phase: &[f32; annex::TAPS]| {
            phase.iter().enumerate().fold(0f32, |sum, (back, tap)| sum + tap * at(i, back))
        };
        let taps = annex::taps();
        let all = (0..x.len()).flat_map(|i| taps.iter().map(move |phase| (i, phase)));
        all.map(|(i, phase)| f64::from(value(i, phase).abs())).fold(0.0, f64::max)
    }

    fn of_both(hz: u32, channels: usize, x: &[f32]) -> f64 {
        of_the_crate(hz, channels, x).max(of_the_standard(channels, x))
    }

    fn of_ours(hz: u32, channels: usize, x: &[f32], block: usize) -> f64 {
        let mut ours = TruePeak::new(SampleRate::new(hz).unwrap(), channels).unwrap();
        x.chunks(channels * block).for_each(|b| ours.add(b).unwrap());
        ours.highest()
    }

    proptest! {
        #[test]
        fn it_reads_to_the_last_bit_the_higher_of_what_the_crate_and_the_standard_read_of_everything(
            rate in prop::sample::select(vec![8_000u32, 44_100, 48_000, 88_200, 96_000, 192_000]),
            channels in 1usize..3,
            block in 1usize..400,
            levels in prop::collection::vec(0.0f32..1.0, 1..40),
            seed in any::<u32>(),
        ) {
            let mut state = seed;
            let x: Vec<f32> = levels.iter().flat_map(|level| {
                let mut part = Vec::new();
                for _ in 0..70 * channels {
                    state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    // Full-scale noise of two values is what rises highest between samples.
                    part.push(if state >> 31 == 0 { *level } else { -level });
                }
                part
            }).collect();
            prop_assert_eq!(of_ours(rate, channels, &x, block), of_both(rate, channels, &x));
        }
    }

    /// The signs of the taps, backwards: no other signal of this size rises higher between its samples.
    #[test]
    fn the_worst_wave_between_quiet_samples_after_a_louder_sample_is_not_missed() {
        for (hz, factor) in [(48_000, 4usize), (96_000, 2)] {
            let taps = 48 / factor;
            let mut highest = 0f64;
            for phase in 1..factor {
                let sign = |tap: usize| {
                    let m = (tap * factor + phase) as f64 - 24.0;
                    (m * std::f64::consts::PI / factor as f64).sin() * m
                };
                let mut x = vec![0f32; 300];
                x[10] = 0.9;
                for tap in 0..taps {
                    x[200 - tap] = if sign(tap) >= 0.0 { 0.5 } else { -0.5 };
                }
                let want = of_the_crate(hz, 1, &x);
                highest = highest.max(want);
                assert_eq!(of_ours(hz, 1, &x, 300), of_both(hz, 1, &x), "{hz} Hz, phase {phase}");
            }
            assert!(highest > 0.9, "the wave does rise above the louder sample: {highest}");
            let most = if factor == 4 { MOST_OF_FOUR } else { MOST_OF_TWO };
            assert!(highest <= f64::from(0.5 * most) && highest > f64::from(0.5 * most) - 0.01, "{highest}");
        }
    }

    #[test]
    fn the_worst_wave_for_the_standards_filter_is_not_missed_after_a_louder_sample() {
        for phase in annex::taps() {
            let mut x = vec![0f32; 300];
            x[10] = 0.9;
            for (back, tap) in phase.iter().enumerate() {
                x[200 - back] = 0.45 * tap.signum();
            }
            assert_eq!(of_ours(48_000, 1, &x, 300), of_both(48_000, 1, &x));
        }
        let worst = annex::taps()[1].iter().map(|t| t.abs()).sum::<f32>();
        assert!(worst <= annex::MOST && worst > annex::MOST - 0.01, "{worst}");
    }
}
