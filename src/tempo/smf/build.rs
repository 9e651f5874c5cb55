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
    let (placed, worst_us) = place_tempos(scale, &tempos);
    let markers = markers.into_iter().map(|(tick, name)| Marker { tick: scale.nearest(tick), name }).collect();
    let map = with_marked_bar_one(TempoMap::new(start, placed, meters, markers)?)?;
    if worst_us > 0.0 {
        findings.push(Finding::note(
            path,
            format!(
                "Some tempo changes lie between two of {} ticks a quarter and were moved to one of them; \
                 no time changes by more than {:.3} ms.",
                TempoMap::PPQ,
                worst_us / 1000.0
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
    Ok(TempoTrack { map, title, rounding: Seconds(worst_us * 1e-6), findings })
}

/// The marker by which a tempo track says that its bars before are a count-in or fill the time before the song.
const BAR_ONE: &str = "bar 1";

/// The map with bar 1 where a marker of that name lies at a later bar line; the marker has then done its work.
fn with_marked_bar_one(map: TempoMap) -> Result<TempoMap, TempoFault> {
    let marked = map.markers().iter().find(|m| m.tick > 0 && m.name == BAR_ONE).map(|m| m.tick);
    let Some(tick) = marked else { return Ok(map) };
    let at = map.bar_beat(tick as f64);
    let bars = u32::try_from(at.bar - 1).unwrap_or(0);
    if (at.beat, at.tick) != (1, 0) || bars == 0 {
        return Ok(map);
    }
    let others = map.markers().iter().filter(|m| m.name != BAR_ONE).cloned().collect();
    Ok(map.with_markers(others)?.with_count_in(bars))
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

/// Tempo changes on our ticks, and the largest change of any time by it, microseconds; of several on one tick the last
/// counts.
///
/// A change between two ticks goes to the one that leaves times after it nearest to the file's: moving a change by d
/// ticks adds d · (tempo before − tempo after) to all of them, and the choice of sign keeps the sum from growing.
fn place_tempos(scale: Scale, tempos: &[(u64, u32)]) -> (Vec<TempoChange>, f64) {
    let mut placed: Vec<TempoChange> = Vec::with_capacity(tempos.len());
    // What times are off by, and at worst were: microseconds · 960 · the file's ticks a quarter.
    let (mut off, mut worst) = (0i128, 0i128);
    let mut before = tempos.first().map_or(DEFAULT_US, |t| t.1);
    for &(tick, us_per_quarter) in tempos {
        let exact = tick * TempoMap::PPQ;
        let step = i128::from(before) - i128::from(us_per_quarter);
        let off_at = |ours: u64| off + (i128::from(scale.parts(ours)) - i128::from(exact)) * step;
        let below = exact / scale.ppq;
        let above = exact.div_ceil(scale.ppq);
        let nearest = if off_at(above).abs() < off_at(below).abs() { above } else { below };
        // Of two changes between the same two of our ticks the first may have gone up: no later one goes below it.
        let ours = placed.last().map_or(nearest, |last| nearest.max(last.tick));
        off = off_at(ours);
        worst = worst.max(off.abs());
        before = us_per_quarter;
        let change = TempoChange { tick: ours, us_per_quarter };
        match placed.last_mut() {
            Some(last) if last.tick == change.tick => *last = change,
            _ => placed.push(change),
        }
    }
    (placed, worst as f64 / (TempoMap::PPQ * scale.ppq) as f64)
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
