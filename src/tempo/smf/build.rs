//! From a file's events to a tempo map at 960 ticks a quarter.
//!
//! Positions are kept as fractions (ticks · 960 over the file's ticks a quarter), so that meters meet bar lines
//! exactly at any resolution and only tempo changes and markers between two of our ticks are rounded.

use super::{Events, TempoTrack};
use crate::finding::Finding;
use crate::tempo::{Marker, Meter, MeterChange, TempoChange, TempoFault, TempoMap};
use crate::units::{Bpm, Seconds};
use std::path::Path;

/// What RP-001 says where a file has no tempo event: 120 BPM.
const DEFAULT_US: u32 = 500_000;
/// Shortest note value that a cut bar is measured in: a 32nd.
const SHORTEST: u64 = TempoMap::PPQ / 8;

/// Makes the map of a file's events.
pub(super) fn build(path: &Path, ppq: u16, events: Events, start: Seconds) -> Result<TempoTrack, TempoFault> {
    let Events { mut tempos, mut meters, mut markers, title, misplaced } = events;
    let mut findings = Vec::new();
    tempos.sort_by_key(|t| t.0);
    meters.sort_by_key(|m| m.0);
    markers.sort_by_key(|m| m.0);
    if misplaced {
        findings
            .push(Finding::note(path, "Tempo or meter events lie outside the first track; they were taken as well."));
    }
    if tempos.first().is_none_or(|t| t.0 != 0) {
        findings
            .push(Finding::note(path, "No tempo is given at the start; 120 BPM is taken, as the MIDI standard says."));
        tempos.insert(0, (0, DEFAULT_US));
    }
    if meters.first().is_none_or(|m| m.0 != 0) {
        findings.push(Finding::note(path, "No meter is given at the start; 4/4 is taken, as the MIDI standard says."));
        meters.insert(0, (0, 4, 2));
    }
    let scale = Scale { ppq: u64::from(ppq) };
    let limit = tempos.last().map(|t| t.0).max(meters.last().map(|m| m.0)).max(markers.last().map(|m| m.0));
    if limit.unwrap_or(0) > TempoMap::MAX_TICK / TempoMap::PPQ * scale.ppq {
        return Err(TempoFault::TooLong);
    }
    let meters = place_meters(path, scale, &meters, &mut findings)?;
    let placed = place_tempos(scale, &tempos);
    let markers = markers.into_iter().map(|(tick, name)| Marker { tick: scale.nearest(tick), name }).collect();
    let map = TempoMap::new(start, placed, meters, markers)?;
    if let Some(us) = worst_rounding(scale, &tempos, &map) {
        findings.push(Finding::note(
            path,
            format!(
                "Some tempo changes lie between two of {} ticks a quarter and were moved to the nearest; \
                 no time changes by more than {us:.1} microseconds.",
                TempoMap::PPQ
            ),
        ));
    }
    if let Some(fast) = map.tempos().iter().find(|t| t.bpm() > Bpm::MAX) {
        let bar = map.bar_beat(fast.tick as f64).bar;
        findings.push(Finding::caution(
            path,
            format!("The tempo at bar {bar} is {:.0} BPM.", fast.bpm()),
            "Check the tempo track there, unless it is a deliberately short bar that sets the place of bar 1.",
        ));
    }
    Ok(TempoTrack { map, title, findings })
}

/// Between the file's ticks and ours.
#[derive(Clone, Copy)]
struct Scale {
    ppq: u64,
}

impl Scale {
    /// Our tick nearest to a tick of the file, halves upwards.
    fn nearest(self, tick: u64) -> u64 {
        (tick * TempoMap::PPQ * 2 + self.ppq) / (2 * self.ppq)
    }

    /// Ticks of ours as a multiple of 1/ppq.
    fn parts(self, ours: u64) -> u64 {
        ours * self.ppq
    }
}

/// Tempo changes on our ticks; of several on one tick the last counts.
fn place_tempos(scale: Scale, tempos: &[(u64, u32)]) -> Vec<TempoChange> {
    let mut placed: Vec<TempoChange> = Vec::with_capacity(tempos.len());
    for &(tick, us_per_quarter) in tempos {
        let change = TempoChange { tick: scale.nearest(tick), us_per_quarter };
        match placed.last_mut() {
            Some(last) if last.tick == change.tick => *last = change,
            _ => placed.push(change),
        }
    }
    placed
}

/// Meter changes at bar lines; a bar that the file cuts short gets a meter of its own.
fn place_meters(
    path: &Path,
    scale: Scale,
    meters: &[(u64, u8, u8)],
    findings: &mut Vec<Finding>,
) -> Result<Vec<MeterChange>, TempoFault> {
    let mut placed: Vec<MeterChange> = Vec::with_capacity(meters.len());
    let mut bars = 0;
    for &(tick, beats, power) in meters {
        let unit = 1u8.checked_shl(u32::from(power)).ok_or(TempoFault::Meter { beats, unit: 0 })?;
        let meter = Meter::new(beats, unit)?;
        let Some(&last) = placed.last() else {
            placed.push(MeterChange { tick: 0, meter });
            continue;
        };
        // Within one tick of the file counts as on the line: writers round.
        let slack = TempoMap::PPQ;
        let since = (tick * TempoMap::PPQ).saturating_sub(scale.parts(last.tick));
        let bar = scale.parts(last.meter.bar_ticks());
        let whole = (since + slack) / bar;
        let rest = since.saturating_sub(whole * bar);
        let line = last.tick + whole * last.meter.bar_ticks();
        let mut change = MeterChange { tick: line, meter };
        bars += whole;
        if rest > slack {
            let inside = || {
                let beat = rest / scale.parts(last.meter.beat_ticks()) + 1;
                TempoFault::InsideBar { meter, bar: bars as i64 + 1, beat: beat as u32 }
            };
            let short = (rest + scale.parts(SHORTEST) / 2) / scale.parts(SHORTEST);
            if rest.abs_diff(scale.parts(short * SHORTEST)) > slack {
                return Err(inside());
            }
            let cut = thirty_seconds(short).ok_or_else(inside)?;
            set(&mut placed, MeterChange { tick: line, meter: cut });
            change.tick = line + cut.bar_ticks();
            bars += 1;
            findings.push(Finding::note(
                path,
                format!(
                    "Bar {bars} of the file is cut short by the meter {meter} after it; it counts as a bar of {cut}."
                ),
            ));
        }
        set(&mut placed, change);
    }
    Ok(placed)
}

/// Adds a change; of several on one tick the last counts.
fn set(placed: &mut Vec<MeterChange>, change: MeterChange) {
    match placed.last_mut() {
        Some(last) if last.tick == change.tick => *last = change,
        _ => placed.push(change),
    }
}

/// The simplest meter that lasts so many 32nds.
fn thirty_seconds(count: u64) -> Option<Meter> {
    let (mut beats, mut unit) = (count, 32u8);
    while beats.is_multiple_of(2) && unit > 4 {
        beats /= 2;
        unit /= 2;
    }
    Meter::new(u8::try_from(beats).ok()?, unit).ok()
}

/// Largest time by which any tempo change of the file was moved, microseconds; `None` where none lies between ticks.
fn worst_rounding(scale: Scale, tempos: &[(u64, u32)], map: &TempoMap) -> Option<f64> {
    let mut worst = None;
    let mut exact = 0u128; // microseconds × the file's ticks a quarter
    let mut before = (0u64, DEFAULT_US);
    for &(tick, us) in tempos {
        exact += u128::from(tick - before.0) * u128::from(before.1);
        before = (tick, us);
        if !(tick * TempoMap::PPQ).is_multiple_of(scale.ppq) {
            let ours = (map.time_at(tick as f64 * TempoMap::PPQ as f64 / scale.ppq as f64) - map.start()).0 * 1e6;
            let off = (ours - exact as f64 / scale.ppq as f64).abs();
            worst = Some(off.max(worst.unwrap_or(0.0)));
        }
    }
    worst
}
