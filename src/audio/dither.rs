//! Dither: rounding to fewer bits without tying the error to the music.
//!
//! In: samples as `f32` and a seed. Out: integers for [`WavWriter::write_ints`](super::WavWriter::write_ints).
//! Triangular noise of ±1 step (Lipshitz, Wannamaker, Vanderkooy, "Quantization and Dither: A Theoretical
//! Survey", JAES 40(5), 1992): mean and power of the error, half a step RMS, do not depend on the signal.
//! Audio that is not changed must be copied as integers instead.

use super::{SampleFormat, pcm};

/// A source of dither; the same seed gives the same noise.
#[derive(Clone, Debug)]
pub struct Dither {
    state: u64,
}

impl Dither {
    /// A source that starts at a seed. Give every file of a session another seed, so that their noises do not add up.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self { state: seed }
    }

    /// Appends the dithered integers of `samples` (1.0 = full scale) to `out`, held at full scale of `format`,
    /// which is an integer format; others give nothing. Samples are finite numbers.
    pub fn quantise(&mut self, format: SampleFormat, samples: &[f32], out: &mut Vec<i32>) {
        if !format.is_integer() {
            return;
        }
        let scale = pcm::full_scale(format);
        out.extend(samples.iter().map(|&s| {
            let noisy = f64::from(s) * scale + self.triangular();
            pcm::step(noisy, scale)
        }));
    }

    /// Triangular noise between −1 and 1: the difference of two independent even ones.
    fn triangular(&mut self) -> f64 {
        let bits = self.next();
        let even = |b: u64| (b & 0xffff_ffff) as f64;
        (even(bits >> 32) - even(bits)) * (1.0 / 4_294_967_296.0)
    }

    /// SplitMix64 (Steele, Lea, Flood, "Fast Splittable Pseudorandom Number Generators", OOPSLA 2014).
    fn next(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LSB: f64 = 1.0 / 8_388_608.0;

    fn errors(dc: f64) -> Vec<f64> {
        let mut out = Vec::new();
        Dither::new(1).quantise(SampleFormat::Int24, &vec![(dc * LSB) as f32; 1_000_000], &mut out);
        out.iter().map(|&v| f64::from(v) - dc).collect()
    }

    /// Theory (Lipshitz, Wannamaker, Vanderkooy 1992): mean error 0, error power LSB²/12 + LSB²/6 = LSB²/4.
    #[test]
    fn the_error_is_half_a_step_rms_with_mean_zero_whatever_the_signal() {
        for dc in [0.0, 0.3, 0.5, -0.25] {
            let e = errors(dc);
            let mean = e.iter().sum::<f64>() / e.len() as f64;
            let rms = (e.iter().map(|x| x * x).sum::<f64>() / e.len() as f64).sqrt();
            assert!(mean.abs() < 0.005, "mean {mean} at {dc}");
            assert!((rms - 0.5).abs() < 0.005, "rms {rms} at {dc}");
        }
    }

    #[test]
    fn without_dither_a_third_of_a_step_is_lost() {
        assert_eq!(pcm::nearest(SampleFormat::Int24, (0.3 * LSB) as f32), 0);
    }

    /// The noise floor of 16-bit triangular dither is −96.33 dB re 1.0 RMS: 20·log10(0.5/32768).
    #[test]
    fn sixteen_bit_silence_lies_at_minus_96_33_db() {
        let mut out = Vec::new();
        Dither::new(7).quantise(SampleFormat::Int16, &vec![0.0; 500_000], &mut out);
        let power = out.iter().map(|&v| (f64::from(v) / 32_768.0).powi(2)).sum::<f64>() / 500_000.0;
        assert!((10.0 * power.log10() + 96.33).abs() < 0.05);
    }

    #[test]
    fn one_seed_gives_one_noise_and_another_seed_another() {
        let run = |seed| {
            let mut out = Vec::new();
            Dither::new(seed).quantise(SampleFormat::Int16, &[0.0; 64], &mut out);
            out
        };
        assert_eq!(run(3), run(3));
        assert_ne!(run(3), run(4));
    }

    #[test]
    fn full_scale_is_held() {
        let mut out = Vec::new();
        Dither::new(0).quantise(SampleFormat::Int16, &[1.0, -1.0, 5.0, -5.0].repeat(20), &mut out);
        assert!(out.iter().all(|v| (-32_768..=32_767).contains(v)));
    }

    /// First outputs of the generator from seed 1234567, as published with its reference code (from memory).
    #[test]
    fn the_generator_is_the_published_one() {
        let mut d = Dither::new(1_234_567);
        assert_eq!([d.next(), d.next()], [6_457_827_717_110_365_317, 3_203_168_211_198_807_973]);
    }
}
