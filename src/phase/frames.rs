//! Short stretches of a mic around strokes, and their spectra.

use super::cross::Spectra;
use crate::audio::{Channel, MonoReader};
use crate::error::Result;
use crate::units::{SampleRate, Seconds};
use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};
use std::path::Path;
use std::sync::Arc;

/// Highest frequency that is kept, Hz.
const TOP: f64 = 8_000.0;
/// Stretch before a stroke, ms.
const BEFORE: f64 = 8.0;
/// Length of the stretch, ms.
const LENGTH: f64 = 160.0;

/// Length, start and transform of the stretches at one rate.
pub(crate) struct Frames {
    /// Samples a stretch; a power of two.
    pub len: usize,
    /// Samples of it that lie before the stroke.
    pub before: usize,
    /// Bins kept, from 0 Hz to 8 kHz or half the rate.
    pub bins: usize,
    /// Hz a bin.
    pub step: f64,
    fft: Arc<dyn RealToComplex<f32>>,
}

impl Frames {
    pub fn new(rate: SampleRate) -> Self {
        let len = (rate.samples(Seconds::from_ms(LENGTH)) as usize).next_power_of_two();
        let step = rate.hz_f64() / len as f64;
        let bins = ((TOP / step) as usize).min(len / 2) + 1;
        let before = rate.samples(Seconds::from_ms(BEFORE)) as usize;
        Self { len, before, bins, step, fft: RealFftPlanner::<f32>::new().plan_fft_forward(len) }
    }

    /// A window over the stretch: 0 until `lead` ms before the stroke, rising 2 ms, flat for `flat` ms, falling for `fall` ms
    /// with raised-cosine edges.
    pub fn window(&self, rate: SampleRate, lead: f64, flat: f64, fall: f64) -> Vec<f32> {
        let samples = |ms: f64| rate.samples(Seconds::from_ms(ms)) as usize;
        let start = self.before.saturating_sub(samples(lead));
        let (rise, flat, fall) = (samples(2.0).max(1), samples(flat), samples(fall).max(1));
        (0..self.len)
            .map(|i| {
                if i < start {
                    0.0
                } else if i < start + rise {
                    half_cosine((i - start) as f64 / rise as f64)
                } else if i < start + rise + flat {
                    1.0
                } else {
                    half_cosine(1.0 - ((i - start - rise - flat) as f64 / fall as f64).min(1.0))
                }
            })
            .collect()
    }

    /// Spectra of a file's stretches at `strokes`; beyond the file's ends there is silence.
    pub fn spectra(&self, path: &Path, channel: Channel, strokes: &[u64], windows: &[&[f32]]) -> Result<Vec<Spectra>> {
        let mut reader = MonoReader::open(path, channel)?;
        let mut out: Vec<Spectra> = windows.iter().map(|_| Vec::with_capacity(strokes.len())).collect();
        let mut stretch = Vec::with_capacity(self.len);
        for &at in strokes {
            self.stretch(&mut reader, at, &mut stretch)?;
            for (spectra, window) in out.iter_mut().zip(windows) {
                spectra.push(self.spectrum(&stretch, window));
            }
        }
        Ok(out)
    }

    /// Fills `out` with the stretch around a stroke, from `before` samples ahead of it.
    pub fn stretch(&self, reader: &mut MonoReader, at: u64, out: &mut Vec<f32>) -> Result<()> {
        out.clear();
        let missing = (self.before as u64).saturating_sub(at) as usize;
        out.resize(missing, 0.0);
        reader.read_from(at.saturating_sub(self.before as u64), self.len.saturating_sub(missing), out)?;
        out.resize(self.len, 0.0);
        Ok(())
    }

    /// The kept bins of one windowed stretch, unnormalised.
    pub fn spectrum(&self, stretch: &[f32], window: &[f32]) -> Vec<Complex<f32>> {
        let mut time: Vec<f32> = stretch.iter().zip(window).map(|(x, w)| x * w).collect();
        time.resize(self.len, 0.0);
        let mut bins = self.fft.make_output_vec();
        // Both lengths come from the plan itself, so the transform cannot refuse them.
        if self.fft.process(&mut time, &mut bins).is_err() {
            bins.fill(Complex::default());
        }
        // Of many strokes only what is kept may take room.
        bins.truncate(self.bins);
        bins.shrink_to_fit();
        bins
    }
}

fn half_cosine(x: f64) -> f32 {
    (0.5 - 0.5 * (std::f64::consts::PI * x).cos()) as f32
}
