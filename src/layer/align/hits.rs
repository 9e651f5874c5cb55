//! The real drum around its strokes, in its low band.

use super::Stroke;
use crate::audio::MonoReader;
use crate::error::Result;
use crate::phase::{Band, Frames, low_band};
use crate::song::{Drum, Mic, Polarity};
use crate::units::SampleRate;
use rayon::prelude::*;
use realfft::num_complex::Complex;

/// Window around a stroke: begins this many ms before it ...
pub(super) const LEAD: f64 = 2.0;
/// ... is flat for at most this long ...
pub(super) const LONG: f64 = 90.0;
/// ... and at least this long, ...
const SHORT: f64 = 18.0;
/// ... and falls for this long.
pub(super) const FALL: f64 = 30.0;
/// Bins up to here are kept, Hz.
const TOP: f64 = 600.0;

/// One real stroke.
pub(super) struct RealHit {
    /// Its low bins, until the band's terms are made of them.
    pub bins: Vec<Complex<f32>>,
    /// Flat part of its window, ms: shorter where the next stroke is near.
    pub flat: f64,
}

/// Bins kept of a spectrum.
pub(super) fn kept_bins(frames: &Frames) -> usize {
    (TOP / frames.step) as usize + 1
}

/// The window of a stroke.
pub(super) fn window(frames: &Frames, rate: SampleRate, flat: f64) -> Vec<f32> {
    frames.window(rate, LEAD, flat, FALL.min(flat * 0.5))
}

/// Reads the mic around every stroke, flipped where it is to be inverted, as it will sound in mix and delivery; also finds the
/// drum's low band. Strokes in order.
pub(super) fn real_hits(
    frames: &Frames,
    mic: &Mic,
    strokes: &[Stroke],
    drum: Drum,
    rate: SampleRate,
) -> Result<(Band, Vec<RealHit>)> {
    let flats: Vec<f64> = strokes
        .iter()
        .enumerate()
        .map(|(i, s)| {
            let next = strokes
                .get(i + 1)
                .map_or(f64::INFINITY, |n| n.real.saturating_sub(s.real) as f64 * 1000.0 / rate.hz_f64());
            ((next - 2.0) / 1.5).clamp(SHORT, LONG)
        })
        .collect();
    let work: Vec<(&Stroke, f64)> = strokes.iter().zip(flats).collect();
    let read: Result<Vec<Vec<RealHit>>> = work
        .par_chunks(64)
        .map(|chunk| {
            let mut reader = MonoReader::open(&mic.info.path, mic.channel)?;
            let mut stretch = Vec::with_capacity(frames.len);
            let mut out = Vec::with_capacity(chunk.len());
            for (stroke, flat) in chunk {
                frames.stretch(&mut reader, stroke.real, &mut stretch)?;
                let mut bins = frames.spectrum(&stretch, &window(frames, rate, *flat));
                bins.truncate(kept_bins(frames));
                bins.shrink_to_fit();
                if mic.polarity == Polarity::Invert {
                    bins.iter_mut().for_each(|b| *b = -*b);
                }
                out.push(RealHit { bins, flat: *flat });
            }
            Ok(out)
        })
        .collect();
    let real: Vec<RealHit> = read?.into_iter().flatten().collect();
    let mut power = vec![0.0f64; kept_bins(frames)];
    for r in &real {
        let energy: f64 = r.bins.iter().map(|b| f64::from(b.norm_sqr())).sum::<f64>() + 1e-12;
        for (p, b) in power.iter_mut().zip(&r.bins) {
            *p += f64::from(b.norm_sqr()) / energy;
        }
    }
    Ok((low_band(drum, &power, frames.step), real))
}
