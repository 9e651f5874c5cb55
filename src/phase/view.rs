//! A drum's mics added up, before and after: the data of a picture.

use super::cross::Spectra;
use crate::song::Drum;
use crate::units::{SampleRate, Seconds};
use realfft::RealFftPlanner;
use realfft::num_complex::Complex;
use serde::Serialize;
use std::f64::consts::TAU;

/// Only up to here is drawn: the body of the drum, where signs and arrivals are seen, Hz.
const DRAWN: f64 = 1000.0;

/// The average stroke of a drum as the sum of its mics, up to 1 kHz, levels as recorded.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SumView {
    /// The drum.
    pub drum: Drum,
    /// The mics added, the main one first.
    pub mics: Vec<String>,
    /// Time of the first value, relative to the stroke.
    pub start: Seconds,
    /// Time between values.
    pub step: Seconds,
    /// The main mic alone, 1.0 = full scale.
    pub alone: Vec<f32>,
    /// The sum as the files are.
    pub before: Vec<f32>,
    /// The sum with the recommended signs.
    pub after: Vec<f32>,
    /// The sum with the recommended signs and every mic moved to arrive together; for comparison only.
    pub together: Vec<f32>,
}

/// One mic's part in a [`SumView`].
pub struct Part {
    /// The mic.
    pub mic: String,
    /// Its averaged spectrum.
    pub mean: Vec<Complex<f64>>,
    /// Recommended sign, +1.0 or −1.0.
    pub sign: f64,
    /// Its lag against the main mic, samples.
    pub lag: f64,
}

/// Average of spectra over strokes, bin by bin.
pub(super) fn mean_spectrum(spectra: &Spectra) -> Vec<Complex<f64>> {
    let mut mean = vec![Complex::<f64>::default(); spectra.first().map_or(0, Vec::len)];
    for s in spectra {
        for (m, v) in mean.iter_mut().zip(s) {
            *m += super::cross::wide(*v);
        }
    }
    let k = 1.0 / spectra.len().max(1) as f64;
    mean.iter_mut().for_each(|m| *m *= k);
    mean
}

/// Sign and advance (samples) that a part is added with; `None` leaves it out.
type Weight<'a> = &'a dyn Fn(usize, &Part) -> Option<(f64, f64)>;

/// Adds up the parts (the first is the drum's main mic). `frame` samples a transform, `before` of them ahead of the stroke.
#[must_use]
pub fn sum_view(drum: Drum, parts: &[Part], frame: usize, before: usize, rate: SampleRate) -> SumView {
    let add = |weight: Weight<'_>| -> Vec<f32> {
        let mut total = vec![Complex::<f64>::default(); frame / 2 + 1];
        for (n, part) in parts.iter().enumerate() {
            let Some((sign, advance)) = weight(n, part) else { continue };
            for (k, (t, v)) in total.iter_mut().zip(&part.mean).enumerate() {
                let hz = k as f64 * rate.hz_f64() / frame as f64;
                if hz <= DRAWN {
                    *t += v * Complex::from_polar(sign, TAU * k as f64 * advance / frame as f64);
                }
            }
        }
        back(&mut total, frame, before, rate)
    };
    SumView {
        drum,
        mics: parts.iter().map(|p| p.mic.clone()).collect(),
        start: Seconds(-(before as f64) / rate.hz_f64()),
        step: Seconds(stride(rate) as f64 / rate.hz_f64()),
        alone: add(&|n, _| (n == 0).then_some((1.0, 0.0))),
        before: add(&|_, _| Some((1.0, 0.0))),
        after: add(&|_, p| Some((p.sign, 0.0))),
        together: add(&|_, p| Some((p.sign, p.lag))),
    }
}

/// Every how many samples a value is kept: at least eight values a cycle of the highest frequency drawn.
fn stride(rate: SampleRate) -> usize {
    ((rate.hz_f64() / (8.0 * DRAWN)) as usize).max(1)
}

fn back(spectrum: &mut [Complex<f64>], frame: usize, before: usize, rate: SampleRate) -> Vec<f32> {
    if let Some(first) = spectrum.first_mut() {
        first.im = 0.0;
    }
    if let Some(last) = spectrum.last_mut() {
        last.im = 0.0;
    }
    let inverse = RealFftPlanner::<f64>::new().plan_fft_inverse(frame);
    let mut time = inverse.make_output_vec();
    if inverse.process(spectrum, &mut time).is_err() {
        return Vec::new();
    }
    // 80 ms behind the stroke tell the story; the window has faded out by the frame's end.
    let shown = before + rate.samples(Seconds::from_ms(80.0)) as usize;
    time.iter().take(shown).step_by(stride(rate)).map(|v| (*v / frame as f64) as f32).collect()
}
