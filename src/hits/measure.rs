//! Exact time and level of strokes, from the samples of the drum's main mic.
//!
//! In: the recording and the coarse positions of strokes. Out: the sample of each attack and its peak.

use super::attack::{AFTER_MS, AttackCalibration, AttackTimer, BEFORE_MS, Crossings};
use super::likeness::{Exemplars, LEAST, Sketch};
use crate::audio::MonoReader;
use crate::error::Result;
use crate::song::Mic;
use crate::units::{SampleRate, Seconds};

/// The peak of a stroke lies in its first 12 ms.
const PEAK_WITHIN: Seconds = Seconds(0.012);
/// Samples before the attack that may hold the peak already, 0.5 ms.
const PEAK_FROM: Seconds = Seconds(0.0005);

/// How far a crossing may lie from where the likeness to clear strokes puts the attack.
const AGREE: Seconds = Seconds(0.0006);

/// A measured stroke.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Measured {
    /// First sample of the attack.
    pub pos: u64,
    /// Highest absolute sample of the first 12 ms, 1.0 = full scale.
    pub peak: f32,
}

/// Measures strokes given by coarse positions, samples in order; `loud` tells which may teach the timing of the
/// others. Positions come back in the same order.
///
/// # Errors
/// As [`MonoReader::read`].
pub fn measure(mic: &Mic, coarse: &[u64], loud: &[bool], rate: SampleRate) -> Result<Vec<Measured>> {
    let (before, after) = (rate.samples(Seconds::from_ms(BEFORE_MS)), rate.samples(Seconds::from_ms(AFTER_MS)));
    let mut reader = MonoReader::open(&mic.info.path, mic.channel)?;
    let mut timer = AttackTimer::new(rate);
    let mut crossings: Vec<Crossings> = Vec::with_capacity(coarse.len());
    let mut sketches: Vec<(Sketch, f32)> = Vec::with_capacity(coarse.len());
    let mut window = Vec::new();
    for &at in coarse {
        let from = stretch(&mut reader, at, before, before + after, &mut window)?;
        crossings.push(timer.crossings(&window, (at - from) as usize));
        sketches.push((timer.sketch(), (at - from) as f32));
    }
    let sure: Vec<&Crossings> = crossings.iter().zip(loud).filter(|(_, l)| **l).map(|(c, _)| c).collect();
    let calibration = AttackCalibration::learn(&sure, rate);
    let clear: Vec<(&Sketch, f32, bool)> = (crossings.iter().zip(&sketches).zip(loud))
        .filter_map(|((c, (sketch, at)), &loud)| c.clear_attack().map(|attack| (sketch, at + attack, loud)))
        .collect();
    let exemplars = Exemplars::choose(&clear, rate);
    let agree = rate.samples(AGREE) as f32;
    let mut out = Vec::with_capacity(coarse.len());
    for (&at, (c, (sketch, inside))) in coarse.iter().zip(crossings.iter().zip(&sketches)) {
        let mut attack = calibration.attack(c);
        // Where the crossing and the likeness to clear strokes contradict each other, bleed reached the mic first.
        if let Some(like) = exemplars.best(sketch, inside - calibration.coarse())
            && like.score > LEAST
            && (like.begins - inside - attack).abs() > agree
        {
            attack = like.begins - inside;
        }
        let pos = (at as f64 + f64::from(attack)).round().max(0.0) as u64;
        stretch(&mut reader, pos, rate.samples(PEAK_FROM), rate.samples(PEAK_FROM + PEAK_WITHIN), &mut window)?;
        let peak = window.iter().fold(0.0f32, |m, v| m.max(v.abs()));
        out.push(Measured { pos, peak });
    }
    Ok(out)
}

/// Reads `length` samples from `before` samples before `at`; returns where they begin. Nothing beyond the end.
fn stretch(reader: &mut MonoReader, at: u64, before: u64, length: u64, out: &mut Vec<f32>) -> Result<u64> {
    let from = at.saturating_sub(before);
    out.clear();
    if from < reader.info().frames {
        reader.seek(from)?;
        reader.read(out, length as usize)?;
    }
    Ok(from)
}
