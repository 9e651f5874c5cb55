//! Changing the sampling rate, delay taken out, to the exact length.
//!
//! In: interleaved samples at one rate, block by block or whole. Out: the same music at another rate;
//! `n` frames become exactly [`resampled_frames`]`(n)`. Done in the frequency domain (rubato), in `f64`.

use crate::error::{Error, Result};
use crate::units::SampleRate;
use rubato::audioadapter_buffers::direct::InterleavedSlice;
use rubato::{Fft, FixedSync, Indexing, Resampler as _, WindowFunction};

/// Frames, at the lower of the two rates, that the filter spans at the least: long enough that it falls from
/// flat to silent within the last percent below half the lower rate.
const SPAN: usize = 2048;

/// Frames after a change of rate: `n·to/from`, to the nearest (halves up).
#[must_use]
pub fn resampled_frames(n: u64, from: SampleRate, to: SampleRate) -> u64 {
    let (from, to) = (u128::from(from.hz()), u128::from(to.hz()));
    u64::try_from((u128::from(n) * to + from / 2) / from).unwrap_or(u64::MAX)
}

/// Changes the rate of a stream.
pub struct Resampler {
    from: SampleRate,
    to: SampleRate,
    channels: usize,
    /// `None` when both rates are the same.
    fft: Option<Fft<f64>>,
    waiting: Vec<f64>,
    made: Vec<f64>,
    /// Frames of delay that are still to be dropped.
    delay: usize,
    taken: u64,
    given: u64,
}

impl Resampler {
    /// A resampler between two rates.
    ///
    /// # Errors
    /// [`Error::Usage`] for no channels or rates that cannot be brought together.
    pub fn new(from: SampleRate, to: SampleRate, channels: u16) -> Result<Self> {
        let channels = usize::from(channels);
        if channels == 0 {
            return Err(Error::usage("audio without channels has no rate", "Give at least one channel."));
        }
        let mut made =
            Self { from, to, channels, fft: None, waiting: Vec::new(), made: Vec::new(), delay: 0, taken: 0, given: 0 };
        if from != to {
            let (a, b) = (from.hz() as usize, to.hz() as usize);
            let unit = a / gcd(a, b);
            // The span in input frames, in an even number of units, so that the filter's middle is a whole frame.
            let span = SPAN * a / a.min(b);
            let units = span.div_ceil(unit).next_multiple_of(2);
            let window = WindowFunction::BlackmanHarris2;
            let fft = Fft::new_custom(a, b, units * unit, 1, channels, window, FixedSync::Both)
                .map_err(|e| cannot(from, to, &e))?;
            made.delay = fft.output_delay();
            made.fft = Some(fft);
        }
        Ok(made)
    }

    /// Takes the next samples, interleaved, whole frames; appends what is ready to `out`.
    ///
    /// # Errors
    /// [`Error::Usage`] when the resampler refuses its input, which does not happen with whole frames.
    pub fn push(&mut self, samples: &[f32], out: &mut Vec<f32>) -> Result<()> {
        self.taken += (samples.len() / self.channels) as u64;
        let Some(fft) = &self.fft else {
            out.extend_from_slice(samples);
            self.given = self.taken;
            return Ok(());
        };
        let need = fft.input_frames_next() * self.channels;
        self.waiting.extend(samples.iter().map(|&s| f64::from(s)));
        let mut used = 0;
        while self.waiting.len() - used >= need {
            self.step(used, need / self.channels)?;
            used += need;
            self.give(out, u64::MAX);
        }
        self.waiting.drain(..used);
        Ok(())
    }

    /// Appends the rest to `out`, so that the whole has its exact length.
    ///
    /// # Errors
    /// As [`push`](Self::push).
    pub fn finish(mut self, out: &mut Vec<f32>) -> Result<()> {
        let total = resampled_frames(self.taken, self.from, self.to);
        while self.given < total {
            let rest = self.waiting.len() / self.channels;
            self.step(0, rest)?;
            self.waiting.clear();
            self.give(out, total);
        }
        Ok(())
    }

    /// Resamples one step of waiting frames from `at`; silence fills it up where there are fewer than needed.
    fn step(&mut self, at: usize, frames: usize) -> Result<()> {
        let Some(fft) = &mut self.fft else { return Ok(()) };
        let make = fft.output_frames_next();
        self.made.resize(make * self.channels, 0.0);
        let input = self.waiting.get(at..).unwrap_or_default();
        let wrong = |e: &dyn std::fmt::Display| cannot(self.from, self.to, e);
        let input = InterleavedSlice::new(input, self.channels, frames).map_err(|e| wrong(&e))?;
        let mut output = InterleavedSlice::new_mut(&mut self.made, self.channels, make).map_err(|e| wrong(&e))?;
        let part = (frames < fft.input_frames_next()).then(|| Indexing::new().partial_len(frames));
        fft.process_into_buffer(&input, &mut output, part.as_ref()).map_err(|e| wrong(&e))?;
        Ok(())
    }

    /// Hands on what a step made, without the delay in front and never beyond `total` frames.
    fn give(&mut self, out: &mut Vec<f32>, total: u64) {
        let frames = self.made.len() / self.channels;
        let skip = frames.min(self.delay);
        self.delay -= skip;
        let give = ((frames - skip) as u64).min(total - self.given);
        let samples = self.made.iter().skip(skip * self.channels).take(give as usize * self.channels);
        out.extend(samples.map(|&s| s as f32));
        self.given += give;
    }
}

/// Resamples a whole piece, interleaved.
///
/// # Errors
/// As [`Resampler::new`].
pub fn resample(samples: &[f32], from: SampleRate, to: SampleRate, channels: u16) -> Result<Vec<f32>> {
    let mut r = Resampler::new(from, to, channels)?;
    let mut out = Vec::new();
    r.push(samples, &mut out)?;
    r.finish(&mut out)?;
    Ok(out)
}

fn cannot(from: SampleRate, to: SampleRate, e: &dyn std::fmt::Display) -> Error {
    Error::usage(format!("audio cannot be brought from {from} to {to} ({e})"), "Choose one of the usual rates.")
}

fn gcd(a: usize, b: usize) -> usize {
    if b == 0 { a } else { gcd(b, a % b) }
}

#[cfg(test)]
mod tests;
