//! Tempo found from the hits, where there was no click.
//!
//! In: a hit list. Out: [`FoundTempo`]: a tempo map that is constant for as long as the drummer is and follows
//! where they are not, with its certainty and the other readings of the pulse.
//!
//! Onset strength from the strokes, periods by autocorrelation, beats by dynamic programming (Ellis 2007), the
//! beginning of the bar from kick and backbeat, then a broken line through the strokes on beats.

mod choose;
mod downbeat;
mod fault;
mod follow;
mod period;
mod strength;
#[cfg(test)]
mod tests;
mod track;

pub use choose::Reading;
pub use fault::NoTempo;

use super::stats::Circular;
use crate::finding::Finding;
use crate::hits::HitList;
use crate::tempo::{Meter, TempoChange, TempoMap};
use crate::units::{Bpm, Seconds};
use choose::{Chosen, choose, index_of};
use downbeat::downbeat;
use follow::{Knot, OnBeat, follow};
use serde::Serialize;
use std::f64::consts::TAU;
use strength::{Onset, curve, onsets};

/// What is known before looking.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct TempoHints {
    /// Roughly the tempo, where known: decides between a tempo, its half and its double.
    pub about: Option<Bpm>,
    /// Meter of the whole song.
    pub meter: Meter,
    /// Roughly where bar 1 begins, where known.
    pub bar_one: Option<Seconds>,
}

impl Default for TempoHints {
    fn default() -> Self {
        Self { about: None, meter: Meter::FOUR_FOUR, bar_one: None }
    }
}

/// How sure the parts of a found tempo are, each 0..=1.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct TempoCertainty {
    /// That this reading of the pulse is the one meant, and not half or double or another.
    pub pulse: f64,
    /// That the strokes follow the beats found.
    pub fit: f64,
    /// That the beats begin where they should and not on the off-beat.
    pub place: f64,
    /// That the bars begin on the right beat.
    pub bar: f64,
    /// All of pulse, fit and place together.
    pub beats: f64,
}

/// A tempo map found from hits.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FoundTempo {
    /// The map; bar 1 is the bar of the first stroke, or where it was said to be.
    pub map: TempoMap,
    /// Slowest and fastest tempo in it, quarter notes a minute.
    pub range: (f64, f64),
    /// How sure it is.
    pub certainty: TempoCertainty,
    /// Other readings of the pulse, best first.
    pub others: Vec<Reading>,
    /// Things to look at.
    pub findings: Vec<Finding>,
}

impl FoundTempo {
    /// In words: `104.01 BPM throughout`, `98.2 to 104.5 BPM in 14 steps`.
    #[must_use]
    pub fn words(&self) -> String {
        let (low, high) = self.range;
        match self.map.tempos().len() {
            1 => format!("{low:.2} BPM throughout"),
            n => format!("{low:.1} to {high:.1} BPM in {n} steps"),
        }
    }
}

/// Fewer strokes than this tell no tempo.
pub const FEWEST: usize = 16;
/// Strokes this close to a beat, as a share of it, are taken for played on it.
const ON_BEAT: f64 = 0.15;
/// Below this certainty a caution is given.
const UNSURE: f64 = 0.5;

/// Finds beats, bars and a tempo map from hits.
///
/// # Errors
/// [`NoTempo`] when there are fewer than `FEWEST` strokes or they repeat in no way.
pub fn find_tempo(list: &HitList, hints: &TempoHints) -> Result<FoundTempo, NoTempo> {
    let onsets = onsets(list);
    if onsets.len() < FEWEST {
        return Err(NoTempo::TooFew(onsets.len()));
    }
    let end = onsets.last().map_or(0.0, |o| o.time) + 1.0;
    let chosen = choose(&onsets, &curve(&onsets, end), end, hints.about).ok_or(NoTempo::NoPulse)?;
    let quarters = beat_quarters(hints.meter);
    let in_bar = (hints.meter.bar_ticks() as f64 / (TempoMap::PPQ as f64 * quarters)).round().max(1.0);
    let (phase, bar_clear) = first_beat(&onsets, &chosen.beats, in_bar as usize, hints.bar_one);
    let points = on_beats(&onsets, &chosen.beats, phase);
    let last = points.last().map_or(in_bar, |p| p.beat);
    let knots = follow(&points, in_bar, (last / in_bar).ceil().max(1.0));
    let map = build(&knots, quarters, hints.meter).ok_or(NoTempo::NoPulse)?;
    let certainty = certainty(&onsets, &chosen, &map, quarters, bar_clear);
    let bpms: Vec<f64> = map.tempos().iter().map(|t| 60e6 / f64::from(t.us_per_quarter)).collect();
    let range = bpms.iter().fold((f64::INFINITY, 0.0), |a: (f64, f64), &b| (a.0.min(b), a.1.max(b)));
    let others = chosen.readings.iter().skip(1).take(3).copied().collect();
    let mut found = FoundTempo { map, range, certainty, others, findings: Vec::new() };
    found.findings = findings(&found);
    Ok(found)
}

/// Quarter notes a felt beat: meters in eighths that group in threes are felt in dotted quarters.
fn beat_quarters(meter: Meter) -> f64 {
    if meter.unit == 8 && meter.beats.is_multiple_of(3) { 1.5 } else { 4.0 / f64::from(meter.unit) }
}

/// Beat index on which bar 1 begins, and how clear that is.
fn first_beat(onsets: &[Onset], beats: &[f64], in_bar: usize, bar_one: Option<Seconds>) -> (f64, f64) {
    if let Some(said) = bar_one.and_then(|t| index_of(beats, t.0)) {
        return (said.round(), 1.0);
    }
    let (phase, clear) = downbeat(onsets, beats, in_bar);
    let first = onsets.first().and_then(|o| index_of(beats, o.time)).unwrap_or(0.0).round();
    let bar = ((first - phase as f64) / in_bar as f64).floor();
    (phase as f64 + bar * in_bar as f64, clear)
}

/// Strokes on beats, counted from bar 1; beats without a stroke count a little, to carry over rests.
fn on_beats(onsets: &[Onset], beats: &[f64], bar_one: f64) -> Vec<OnBeat> {
    let mut points: Vec<OnBeat> = onsets
        .iter()
        .filter_map(|o| {
            let u = index_of(beats, o.time)?;
            let beat = u.round();
            ((u - beat).abs() <= ON_BEAT).then_some(OnBeat { beat: beat - bar_one, time: o.time, weight: o.weight })
        })
        .collect();
    let struck: std::collections::BTreeSet<i64> = points.iter().map(|p| p.beat as i64).collect();
    points.extend(beats.iter().enumerate().filter_map(|(i, &time)| {
        let beat = i as f64 - bar_one;
        (!struck.contains(&(beat as i64))).then_some(OnBeat { beat, time, weight: 0.02 })
    }));
    points.sort_by(|a, b| a.beat.total_cmp(&b.beat).then(a.time.total_cmp(&b.time)));
    points
}

/// The map through the knots. Each stored tempo is rounded against the time that has really passed, so that
/// rounding never adds up.
fn build(knots: &[Knot], quarters: f64, meter: Meter) -> Option<TempoMap> {
    let start = knots.first()?.time;
    let mut passed = 0.0;
    let mut tempos: Vec<TempoChange> = Vec::with_capacity(knots.len());
    for pair in knots.windows(2) {
        let [a, b] = pair else { continue };
        let n = (b.beat - a.beat) * quarters;
        let us = ((b.time - start - passed) * 1e6 / n).round();
        if us.is_nan() || us <= 0.0 {
            return None;
        }
        let us = Bpm::new(60e6 / us).map(|_| us as u32)?;
        passed += f64::from(us) * n * 1e-6;
        let tick = (a.beat * quarters * TempoMap::PPQ as f64).round() as u64;
        if tempos.last().is_none_or(|t| t.us_per_quarter != us) {
            tempos.push(TempoChange { tick, us_per_quarter: us });
        }
    }
    let meters = vec![crate::tempo::MeterChange { tick: 0, meter }];
    TempoMap::new(Seconds(start), tempos, meters, Vec::new()).ok()
}

fn certainty(onsets: &[Onset], chosen: &Chosen, map: &TempoMap, quarters: f64, bar: f64) -> TempoCertainty {
    let lead = match chosen.readings.as_slice() {
        [a, b, ..] => a.score - b.score,
        _ => 1.0,
    };
    let sure = |margin: f64, scale: f64| 1.0 - 0.5 * (-margin / scale).exp();
    let pulse = sure(lead, 0.25);
    // Strokes gather on quarters or thirds of a beat, whichever they follow better; chance alone gives about 1/√n.
    let gather = |parts: f64| {
        let places =
            onsets.iter().map(|o| TAU * parts * map.tick_at(Seconds(o.time)) / (TempoMap::PPQ as f64 * quarters));
        Circular::of(places).map_or(0.0, |c| c.resultant)
    };
    let chance = 1.0 / (onsets.len() as f64).sqrt();
    let fit = ((gather(4.0).max(gather(3.0)) - chance) / (0.7 - chance)).clamp(0.0, 1.0);
    let carried = chosen.readings.first().map_or(0.0, |r| r.carried);
    let place = sure(chosen.phase_margin, 0.15) * carried;
    TempoCertainty { pulse, fit, place, bar: sure(bar, 0.05), beats: pulse * fit * place }
}

fn findings(found: &FoundTempo) -> Vec<Finding> {
    let mut out = Vec::new();
    let other = found.others.first().map_or(String::new(), |o| format!(" (next best: {:.0} BPM)", o.bpm));
    let c = found.certainty;
    if c.beats < UNSURE {
        out.push(Finding::song(
            format!("The tempo was found from the hits with little certainty ({:.0} %){other}.", c.beats * 100.0),
            "Listen to it as a click; name a rough tempo with --about, or give the true one.",
        ));
    }
    if c.bar < 0.7 {
        out.push(Finding::song(
            format!("It is not clear on which beat the bars begin; bar 1 was put at {}.", found.map.bar_one()),
            "Listen to it as a click; if bar 1 lies elsewhere, give its time with --bar-one.",
        ));
    }
    out
}
