//! Which of the periods that fit is the beat, and which place in it is the beat's beginning.
//!
//! In: onsets, strength curve. Out: beats with the runners-up and how far behind they came.

use super::period::{Lags, path};
use super::strength::{FRAMES, Onset};
use super::track::track;
use crate::song::Drum;
use crate::units::Bpm;
use serde::Serialize;

/// Slowest and fastest beat that is looked for, BPM.
pub const SLOWEST: f64 = 40.0;
/// Fastest beat that is looked for, BPM.
pub const FASTEST: f64 = 240.0;

/// Where drummers' beats usually lie, BPM; the listener's own preference is broad around 120 (Ellis 2007, from memory).
const USUAL: f64 = 108.0;
/// How broad that is, octaves (standard deviation), where nothing is known of the tempo.
const BROAD: f64 = 0.45;
/// How narrow it is around a tempo that the user named.
const NARROW: f64 = 0.08;
/// A stroke this close to a beat is on it, seconds.
const ON_BEAT: f64 = 0.045;

/// One reading of the pulse.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Reading {
    /// Mean tempo, beats a minute.
    pub bpm: f64,
    /// Score; only differences mean something.
    pub score: f64,
    /// How plainly the strokes carry it, 0..=1: beats that are struck, or kick and snare that take turns.
    pub carried: f64,
}

/// Chosen beats.
#[derive(Clone, Debug, PartialEq)]
pub struct Chosen {
    /// Beats, seconds.
    pub beats: Vec<f64>,
    /// The chosen reading first, then the others, best first.
    pub readings: Vec<Reading>,
    /// How much likelier a stroke is under the chosen beginning of the beat than under the next best (log, a stroke).
    pub phase_margin: f64,
}

/// Tracks every period that might be the beat and keeps the reading that scores best. `None` when no period fits.
#[must_use]
pub fn choose(onsets: &[Onset], curve: &[f32], end: f64, about: Option<Bpm>) -> Option<Chosen> {
    let lags = Lags::of(onsets);
    let mut read: Vec<(Reading, Vec<f64>)> = candidates(&lags, about)
        .into_iter()
        .filter_map(|period| {
            let beats: Vec<f64> = track(curve, &path(onsets, period, end)).iter().map(|&b| b as f64 / FRAMES).collect();
            let reading = judge(onsets, &beats, lags.comb(period), about)?;
            Some((reading, beats))
        })
        .collect();
    read.sort_by(|a, b| b.0.score.total_cmp(&a.0.score));
    // Two candidates may have led to the same beats.
    let mut readings: Vec<Reading> = Vec::new();
    for (r, _) in &read {
        if !readings.iter().any(|o| (o.bpm / r.bpm).log2().abs() < 0.04) {
            readings.push(*r);
        }
    }
    let beats = read.into_iter().next()?.1;
    let (beats, phase_margin) = begin(onsets, &beats);
    Some(Chosen { beats, readings, phase_margin })
}

/// Periods worth tracking: the best peaks, their halves and doubles.
fn candidates(lags: &Lags, about: Option<Bpm>) -> Vec<f64> {
    let (shortest, longest) = (60.0 / FASTEST, 60.0 / SLOWEST);
    let mut out: Vec<f64> = Vec::new();
    let mut add = |p: f64| {
        if (shortest..=longest).contains(&p) && !out.iter().any(|o| (o / p).log2().abs() < 0.04) {
            out.push(p);
        }
    };
    if let Some(bpm) = about {
        add(60.0 / bpm.get());
    }
    for p in lags.peaks(shortest, longest).into_iter().take(6) {
        add(p);
        add(p / 2.0);
        add(p * 2.0);
    }
    out
}

/// Strength of the strongest stroke of a drum near a time.
fn near(onsets: &[Onset], time: f64, drum: Option<Drum>) -> f64 {
    let first = onsets.partition_point(|o| o.time < time - ON_BEAT);
    let close = onsets.get(first..).unwrap_or_default().iter().take_while(|o| o.time <= time + ON_BEAT);
    close.filter(|o| drum.is_none_or(|d| d == o.drum)).map(|o| o.weight).fold(0.0, f64::max)
}

/// Scores a reading: strokes on the beats, repetition after one, two and four beats, kick and snare taking turns
/// (the backbeat), and how usual the tempo is.
fn judge(onsets: &[Onset], beats: &[f64], comb: f64, about: Option<Bpm>) -> Option<Reading> {
    let (first, last) = (beats.first()?, beats.last()?);
    let n = beats.len().checked_sub(1).filter(|&n| n >= 3)? as f64;
    let bpm = 60.0 * n / (last - first);
    let (mut on, mut turns, mut both) = (0.0, 0.0, 0.0);
    for (i, &b) in beats.iter().enumerate() {
        let (k, s) = (near(onsets, b, Some(Drum::Kick)), near(onsets, b, Some(Drum::Snare)));
        on += near(onsets, b, None);
        turns += if i % 2 == 0 { s - k } else { k - s };
        both += k + s;
    }
    let turns = if both > 0.0 { turns.abs() / both } else { 0.0 };
    let (usual, width) = about.map_or((USUAL, BROAD), |b| (b.get(), NARROW));
    let away = (bpm / usual).log2() / width;
    let on = on / (n + 1.0);
    let score = 1.5 * on + turns + comb - 0.5 * away * away;
    Some(Reading { bpm, score, carried: turns.max(1.2 * on).min(1.0) })
}

/// Places in a beat where strokes are likely, in twelfths, with their share: the beat, its half, then the swung and
/// the dotted place before the next beat; early subdivisions are rarer. Common practice, not measured.
const PLACES: [f64; 12] = [0.40, 0.01, 0.01, 0.08, 0.05, 0.01, 0.20, 0.01, 0.12, 0.10, 0.01, 0.01];
/// Beginnings that are tried, in twelfths of a beat after the tracked one.
const SHIFTS: [usize; 6] = [0, 3, 4, 6, 8, 9];
/// A tracked beat is moved only when a stroke is likelier by this much (log), averaged over all.
const SHIFT_MARGIN: f64 = 0.05;

/// Where in the tracked pulse the beat begins. Chains of strong off-beats can capture the tracker.
fn begin(onsets: &[Onset], beats: &[f64]) -> (Vec<f64>, f64) {
    let places: Vec<(f64, f64)> = onsets.iter().filter_map(|o| Some((index_of(beats, o.time)?, o.weight))).collect();
    let total: f64 = places.iter().map(|p| p.1).sum();
    let likely = |shift: usize| {
        let sum: f64 = places.iter().map(|(u, w)| w * density(u - shift as f64 / 12.0).ln()).sum();
        if total > 0.0 { sum / total } else { 0.0 }
    };
    let mut scored: Vec<(f64, usize)> =
        SHIFTS.iter().map(|&s| (likely(s) + if s == 0 { SHIFT_MARGIN } else { 0.0 }, s)).collect();
    scored.sort_by(|a, b| b.0.total_cmp(&a.0));
    let shift = scored.first().map_or(0, |s| s.1);
    let margin = match scored.as_slice() {
        [a, b, ..] => a.0 - b.0,
        _ => 0.0,
    };
    let moved = |i: usize| {
        let here = beats.get(i).copied()?;
        let next = beats.get(i + 1).copied().or_else(|| Some(2.0 * here - beats.get(i.checked_sub(1)?)?))?;
        Some(here + (next - here) * shift as f64 / 12.0)
    };
    ((0..beats.len()).filter_map(moved).collect(), margin)
}

/// Likelihood of a place in the beat, the table smoothed by a drummer's spread (a twelfth of a beat is 40 ms at 120 BPM).
fn density(u: f64) -> f64 {
    PLACES
        .iter()
        .enumerate()
        .map(|(i, p)| {
            let away = (u - i as f64 / 12.0) * 12.0;
            let away = away - 12.0 * (away / 12.0).round();
            p * (-0.5 * (away / 0.5).powi(2)).exp()
        })
        .sum::<f64>()
        .max(1e-3)
}

/// Index of a time on a row of beats, fractional; runs on evenly before the first and after the last.
#[must_use]
pub fn index_of(beats: &[f64], time: f64) -> Option<f64> {
    let last = beats.len().checked_sub(2)?;
    let i = beats.partition_point(|&b| b <= time).saturating_sub(1).min(last);
    let (a, b) = (beats.get(i)?, beats.get(i + 1)?);
    Some(i as f64 + (time - a) / (b - a))
}
