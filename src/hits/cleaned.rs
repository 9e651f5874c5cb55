//! A drum's main mic around its strokes, less the bleed that the other mics heard.
//!
//! In: the recordings, the [`Paths`] into the main mic, and ranges of samples. Out: what is left of each, and what was taken off, in
//! memory; no recording is altered.

use super::paths::Paths;
use super::rest::Rest;
use super::take::read_range;
use crate::audio::MonoReader;
use crate::error::Result;
use crate::song::Mic;
use crate::wide::wide;
use pulp::Arch;
use realfft::num_complex::Complex32;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use std::ops::Range;
use std::sync::Arc;

/// Takes off a main mic what came by some paths, by fast convolution (Oppenheim and Schafer, *Discrete-Time Signal Processing*,
/// from memory).
pub struct Cleaner {
    main: MonoReader,
    rest: Rest,
    sources: Vec<Source>,
    early: usize,
    /// Samples of a path before its last: so many of a transform's do not hold all of what came by it.
    past: usize,
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    time: Vec<f32>,
    spectrum: Vec<Complex32>,
    sum: Vec<Complex32>,
    scratch: Vec<Complex32>,
    left: Vec<f32>,
}

/// A stretch of a main mic with bleed taken off.
#[derive(Clone, Copy, Debug)]
pub struct Cleaned<'a> {
    /// Number of its first sample.
    pub start: u64,
    /// What is left, as far as the recording goes.
    pub left: &'a [f32],
    /// What was taken off, as long.
    pub bleed: &'a [f32],
}

/// A mic that bleeds.
struct Source {
    reader: MonoReader,
    rest: Rest,
    /// Spectrum of its path, over the length of the transform.
    response: Vec<Complex32>,
}

impl Cleaner {
    /// For stretches of mic `main` of at most `longest` samples.
    ///
    /// # Errors
    /// As [`MonoReader::open_again`].
    pub fn new(mics: &[Mic], rest: &[Rest], main: usize, paths: &Paths, longest: usize) -> Result<Self> {
        let past = paths.all.iter().map(|path| path.taps.len()).max().unwrap_or(1).saturating_sub(1);
        let length = transform_length(longest + past);
        let mut planner = RealFftPlanner::<f32>::new();
        let (forward, inverse) = (planner.plan_fft_forward(length), planner.plan_fft_inverse(length));
        let mut cleaner = Self {
            main: MonoReader::open_again(&mics[main].info, mics[main].channel)?,
            rest: rest[main],
            sources: Vec::with_capacity(paths.all.len()),
            early: paths.early,
            past,
            time: forward.make_input_vec(),
            spectrum: forward.make_output_vec(),
            sum: forward.make_output_vec(),
            scratch: vec![Complex32::default(); forward.get_scratch_len().max(inverse.get_scratch_len())],
            left: Vec::with_capacity(longest),
            forward,
            inverse,
        };
        for path in &paths.all {
            cleaner.time.fill(0.0);
            cleaner.time.iter_mut().zip(&path.taps).for_each(|(x, tap)| *x = tap / length as f32);
            cleaner.transform();
            let mic = &mics[path.mic];
            let reader = MonoReader::open_again(&mic.info, mic.channel)?;
            cleaner.sources.push(Source { reader, rest: rest[path.mic], response: cleaner.spectrum.clone() });
        }
        Ok(cleaner)
    }

    /// The main mic in a range of samples without what came by the paths.
    ///
    /// Cost: one transform of every mic that a path comes from, and one more.
    ///
    /// # Errors
    /// As [`MonoReader::read`].
    pub fn clean(&mut self, range: Range<u64>) -> Result<Cleaned<'_>> {
        let start = range.start;
        self.left.clear();
        read_range(&mut self.main, self.rest, range, &mut self.left)?;
        self.hear(start)?;
        let bleed = self.time.get(self.past..).unwrap_or_default();
        let bleed = &bleed[..self.left.len().min(bleed.len())];
        self.left.iter_mut().zip(bleed).for_each(|(x, bleed)| *x -= bleed);
        Ok(Cleaned { start, left: &self.left, bleed })
    }

    /// The spectrum of the time.
    fn transform(&mut self) {
        // The lengths come from the plan itself.
        let done = self.forward.process_with_scratch(&mut self.time, &mut self.spectrum, &mut self.scratch);
        debug_assert!(done.is_ok());
    }

    /// What came by the paths from sample `at` on, as long as what is left; it lies behind what is past in the time.
    fn hear(&mut self, at: u64) -> Result<()> {
        let arch = Arch::new();
        self.sum.fill(Complex32::default());
        for k in 0..self.sources.len() {
            // What lies before the recording is silent.
            let first = at as i64 + self.early as i64 - self.past as i64;
            let wanted = self.left.len() + self.past;
            let silent = first.min(0).unsigned_abs().min(wanted as u64) as usize;
            self.time.clear();
            self.time.resize(silent, 0.0);
            let Source { reader, rest, .. } = &mut self.sources[k];
            let from = first.max(0) as u64;
            read_range(reader, *rest, from..from + (wanted - silent) as u64, &mut self.time)?;
            self.time.resize(self.forward.len(), 0.0);
            self.transform();
            wide!(
                arch,
                add_product(
                    sum: &'a mut [Complex32] = &mut self.sum,
                    x: &'a [Complex32] = &self.spectrum,
                    h: &'a [Complex32] = &self.sources[k].response,
                )
            );
        }
        // A real sound's spectrum is real at both ends.
        for end in [0, self.sum.len() - 1] {
            self.sum[end].im = 0.0;
        }
        let done = self.inverse.process_with_scratch(&mut self.sum, &mut self.time, &mut self.scratch);
        debug_assert!(done.is_ok());
        Ok(())
    }
}

/// The least length that a fast transform takes and that holds so many samples: a power of two or three halves of one.
fn transform_length(samples: usize) -> usize {
    let power = samples.next_power_of_two().max(8);
    if power / 4 * 3 >= samples { power / 4 * 3 } else { power }
}

#[inline(always)]
fn add_product(sum: &mut [Complex32], x: &[Complex32], h: &[Complex32]) {
    for ((sum, x), h) in sum.iter_mut().zip(x).zip(h) {
        sum.re += x.re * h.re - x.im * h.im;
        sum.im += x.re * h.im + x.im * h.re;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::{AudioReader, SampleFormat, WavSpec, WavWriter};
    use crate::hits::paths::Path;
    use crate::song::{Drum, Place};
    use crate::units::SampleRate;

    fn wave(seed: usize) -> Vec<f32> {
        (0..9_000).map(|i| ((i * 7_919 + seed * 104_729) % 2_003) as f32 / 4_006.0 - 0.25).collect()
    }

    #[test]
    fn what_is_left_is_the_recording_less_every_sound_by_its_path() {
        let dir = tempfile::tempdir().unwrap();
        let waves = [wave(0), wave(1), wave(2)];
        let mics: Vec<Mic> = waves
            .iter()
            .zip([Drum::Snare, Drum::Hat, Drum::Kick])
            .map(|(wave, drum)| {
                let path = dir.path().join(format!("{drum}.wav"));
                let spec = WavSpec { rate: SampleRate::SESSION, channels: 1, format: SampleFormat::Float32 };
                let mut writer = WavWriter::create(&path, spec).unwrap();
                writer.write(wave).unwrap();
                writer.finish().unwrap();
                Mic::new("", AudioReader::open(&path).unwrap().info().clone(), drum, Place::Close)
            })
            .collect();
        let taps = |seed: usize| -> Vec<f32> { wave(seed).iter().take(257).map(|x| 0.1 * x).collect() };
        let paths =
            Paths { all: vec![Path { mic: 1, taps: taps(3) }, Path { mic: 2, taps: taps(4) }], early: 16, told: 1.0 };
        let mut cleaner = Cleaner::new(&mics, &[Rest::default(); 3], 0, &paths, 2_500).unwrap();
        // At the beginning, in the middle, and beyond the end.
        for range in [0..1_000, 10..700, 3_000..5_500, 8_500..9_400, 9_500..9_600] {
            let Cleaned { start, left, bleed } = cleaner.clean(range.clone()).unwrap();
            assert_eq!((start, left.len() as u64), (range.start, range.end.min(9_000).saturating_sub(range.start)));
            assert_eq!(bleed.len(), left.len());
            for (n, (left, bleed)) in (start as i64..).zip(left.iter().zip(bleed)) {
                let by = |path: &Path| -> f32 {
                    let heard = |k: usize| waves[path.mic].get(usize::try_from(n + 16 - k as i64).ok()?).copied();
                    path.taps.iter().enumerate().filter_map(|(k, tap)| heard(k).map(|x| tap * x)).sum()
                };
                let came: f32 = paths.all.iter().map(by).sum();
                assert!((bleed - came).abs() < 1e-5, "{n} of {range:?}: {bleed} for {came}");
                assert!((left + bleed - waves[0][n as usize]).abs() < 1e-6, "{n} of {range:?}");
            }
        }
    }

    #[test]
    fn a_transform_is_as_long_as_is_needed_and_hardly_longer() {
        for samples in (1..9_000).step_by(7) {
            let length = transform_length(samples);
            assert!(
                length >= samples && length.is_multiple_of(2) && length < 2 * samples.max(4),
                "{samples}: {length}"
            );
        }
        assert_eq!((transform_length(2_752), transform_length(3_073), transform_length(4_096)), (3_072, 4_096, 4_096));
    }
}
