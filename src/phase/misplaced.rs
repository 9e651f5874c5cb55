//! Files that lie at the wrong time altogether: exported from another bar, or cut at the front.
//!
//! In: the strokes of a drum in its main mic, and a mic that hears none of them where they should be. Out: by how much later or
//! earlier it hears them, if it does.
//!
//! How loudness rises in both files is correlated over seconds, which gives a few places to look at; there the strokes
//! themselves must arrive one like the other, to half a millisecond. A groove repeats itself, but no hand so exactly.

use super::cross::{Cross, Spectra};
use super::frames::Frames;
use super::lag::{LagRange, arrival};
use super::report::Band;
use crate::audio::{Channel, MonoReader};
use crate::error::Result;
use crate::units::{SampleRate, Seconds};
use realfft::RealFftPlanner;
use std::path::Path;

/// Loudness is taken so often.
const STEP: Seconds = Seconds(0.005);
/// So much of the files is compared: enough strokes of any song.
const HEARD: Seconds = Seconds(120.0);
/// How far away strokes are looked for, and from where on a file lies elsewhere.
const FARTHEST: Seconds = Seconds(30.0);
/// See [`FARTHEST`].
const NEAREST: Seconds = Seconds(0.040);
/// Places at which the strokes themselves are looked at.
const PLACES: usize = 6;
/// How exactly loudness tells the place.
const WITHIN: Seconds = Seconds(0.012);
/// Fewest strokes that tell, and the share of them that must arrive alike.
const FEWEST: usize = 8;
/// See [`FEWEST`].
const MOST_ALIKE: f64 = 0.6;
/// What counts as silence beside a file's mean power.
const FLOOR: f64 = 1e-3;

/// A drum as its main mic hears it.
pub(super) struct Told<'a> {
    pub frames: &'a Frames,
    pub rate: SampleRate,
    /// Where the drum lives.
    pub home: Band,
    /// Its strokes, samples.
    pub strokes: &'a [u64],
    /// The main mic's file.
    pub main: (&'a Path, Channel),
}

impl Told<'_> {
    /// How much later (negative: earlier) a mic hears the strokes than the main mic, where that is more than 40 ms; `None` where it
    /// does not hear them within 30 s.
    ///
    /// # Errors
    /// A file that cannot be read.
    pub fn heard_elsewhere(&self, mic: (&Path, Channel)) -> Result<Option<Seconds>> {
        let (main, other) = (self.rises(self.main)?, self.rises(mic)?);
        let narrow = self.frames.window(self.rate, 2.0, 30.0, 60.0);
        let wide = self.frames.window(self.rate, 15.0, 75.0, 60.0);
        let reference = self.frames.spectra(self.main.0, self.main.1, self.strokes, &[&narrow])?.pop();
        let Some(reference) = reference else { return Ok(None) };
        let mut best: Option<(f64, Seconds)> = None;
        for steps in places(&main, &other) {
            let step = self.rate.samples(STEP) as i64;
            let moved = |stroke: u64| stroke.checked_add_signed(steps * step);
            let (mut strokes, mut of_main): (Vec<u64>, Spectra) = (Vec::new(), Vec::new());
            for (&stroke, spectrum) in self.strokes.iter().zip(&reference) {
                if let Some(stroke) = moved(stroke) {
                    strokes.push(stroke);
                    of_main.push(spectrum.clone());
                }
            }
            let Some(of_mic) = self.frames.spectra(mic.0, mic.1, &strokes, &[&wide])?.pop() else { continue };
            let cross = Cross::average(&of_main, &of_mic, self.frames.step, self.home);
            if cross.strokes < FEWEST {
                continue;
            }
            let reach = self.rate.samples(WITHIN) as f64;
            let range = LagRange { low: -reach, high: reach };
            let rate = self.rate.hz_f64();
            let found = arrival((&of_main, &of_mic), &cross, (self.home, range, None), self.frames.len, rate);
            let found = found
                .filter(|f| f.agreement >= MOST_ALIKE && best.is_none_or(|(agreement, _)| f.agreement > agreement));
            if let Some(found) = found {
                best = Some((found.agreement, Seconds(((steps * step) as f64 + found.lag) / rate)));
            }
        }
        Ok(best.map(|(_, later)| later).filter(|later| later.0.abs() >= NEAREST.0))
    }

    /// By how much loudness rises from each step to the next, at most two minutes of a file.
    fn rises(&self, (path, channel): (&Path, Channel)) -> Result<Vec<f32>> {
        let mut reader = MonoReader::open(path, channel)?;
        let step = self.rate.samples(STEP).max(1) as usize;
        let most = (HEARD.0 / STEP.0) as usize;
        let mut powers: Vec<f64> = Vec::with_capacity(most);
        let mut block = Vec::with_capacity(step);
        while powers.len() < most {
            block.clear();
            if reader.read(&mut block, step)? < step {
                break;
            }
            powers.push(block.iter().map(|x| f64::from(x * x)).sum());
        }
        let floor = FLOOR * powers.iter().sum::<f64>() / powers.len().max(1) as f64 + 1e-12;
        let levels: Vec<f32> = powers.iter().map(|p| (p + floor).log10() as f32).collect();
        Ok(levels.windows(2).map(|pair| (pair[1] - pair[0]).max(0.0)).collect())
    }
}

/// The steps by which `other` is most likely later than `main` (negative: earlier), the likeliest first.
fn places(main: &[f32], other: &[f32]) -> Vec<i64> {
    let reach = (FARTHEST.0 / STEP.0) as usize;
    let length = (main.len().max(other.len()) + reach).next_power_of_two();
    let mut planner = RealFftPlanner::<f32>::new();
    let (forward, inverse) = (planner.plan_fft_forward(length), planner.plan_fft_inverse(length));
    let spectrum = |x: &[f32]| {
        let mean = x.iter().sum::<f32>() / x.len().max(1) as f32;
        let mut time: Vec<f32> = x.iter().map(|x| x - mean).collect();
        time.resize(length, 0.0);
        let mut bins = forward.make_output_vec();
        // Lengths come from the plan; a refusal leaves silence, in which nothing is found.
        forward.process(&mut time, &mut bins).map(|()| bins).unwrap_or_else(|_| forward.make_output_vec())
    };
    let (main, other) = (spectrum(main), spectrum(other));
    let mut product: Vec<_> = main.iter().zip(&other).map(|(a, b)| a.conj() * b).collect();
    for end in [0, length / 2] {
        product[end].im = 0.0;
    }
    let mut alike = inverse.make_output_vec();
    if inverse.process(&mut product, &mut alike).is_err() {
        return Vec::new();
    }
    let at = |steps: i64| alike[steps.rem_euclid(length as i64) as usize];
    let reach = reach as i64;
    let mut peaks: Vec<(f32, i64)> = (1 - reach..reach)
        .filter(|&s| at(s) > 0.0 && at(s) >= at(s - 1) && at(s) > at(s + 1))
        .map(|s| (at(s), s))
        .collect();
    peaks.sort_by(|a, b| b.0.total_cmp(&a.0));
    peaks.into_iter().take(PLACES).map(|(_, steps)| steps).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_likeliest_place_is_where_one_lies_in_the_other() {
        let mut seed = 7u64;
        let mut noise = || {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (seed >> 40) as f32 / (1u64 << 24) as f32
        };
        let main: Vec<f32> = (0..4_000).map(|_| noise()).collect();
        let later: Vec<f32> = (0..400).map(|_| noise()).chain(main.iter().copied()).collect();
        assert_eq!(places(&main, &later).first(), Some(&400));
        assert_eq!(places(&later, &main).first(), Some(&-400));
        assert!(places(&[], &main).is_empty() && places(&[0.0; 50], &[0.0; 50]).is_empty());
    }
}
