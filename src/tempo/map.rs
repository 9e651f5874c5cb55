//! Tempo map: seconds to ticks and back, ticks to bars and beats.

use super::{Meter, TempoFault};
use crate::units::{Bpm, Seconds};
use serde::Serialize;
use std::fmt;

#[cfg(test)]
mod tests;

/// From this song tick on, a quarter lasts so many microseconds (the integer that a MIDI file stores).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct TempoChange {
    /// Song tick, 0 = where the map begins.
    pub tick: u64,
    /// Microseconds a quarter note, 24 bits.
    pub us_per_quarter: u32,
}

impl TempoChange {
    /// Quarter notes a minute that are really stored.
    #[must_use]
    pub fn bpm(self) -> f64 {
        60e6 / f64::from(self.us_per_quarter)
    }
}

/// From this song tick on, bars have this meter. Always at a bar line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct MeterChange {
    /// Song tick, 0 = where the map begins.
    pub tick: u64,
    /// The meter.
    pub meter: Meter,
}

/// A named place, such as the start of a verse.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Marker {
    /// Song tick, 0 = where the map begins.
    pub tick: u64,
    /// Its text.
    pub name: String,
}

/// Bar, beat and tick as a sequencer shows them: bar 1 beat 1 tick 0 is the song's start; bars before are 0, −1, ...
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct BarBeat {
    /// Bar, 1 is the first of the song.
    pub bar: i64,
    /// Beat in the bar, from 1.
    pub beat: u32,
    /// Tick in the beat, from 0, at [`TempoMap::PPQ`] a quarter.
    pub tick: u32,
}

impl fmt::Display for BarBeat {
    /// `12.3.480`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{}.{}", self.bar, self.beat, self.tick)
    }
}

/// When every tick of the song sounds.
///
/// Song tick 0 is where the map begins: bar 1, unless the map begins with a count-in of whole bars
/// ([`with_count_in`](Self::with_count_in)). Bar 1 may lie anywhere in the audio, before its first sample too.
/// Before tick 0 the first tempo and meter run on backwards. Times follow the *stored* whole microseconds a
/// quarter (RP-001), summed in integers, so that hours of changes leave no drift.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TempoMap {
    tempos: Vec<TempoChange>,
    meters: Vec<MeterChange>,
    markers: Vec<Marker>,
    /// Time of song tick 0.
    start: Seconds,
    bar_one: Seconds,
    first_bar: i64,
    /// Time from tick 0 to each tempo change, in microseconds × [`Self::PPQ`]: exact.
    #[serde(skip)]
    elapsed: Vec<i64>,
    /// Bars from tick 0 to each meter change.
    #[serde(skip)]
    bars_before: Vec<i64>,
}

impl TempoMap {
    /// Ticks a quarter note, everywhere inside underlay.
    pub const PPQ: u64 = 960;
    /// Longest map, hours.
    pub const MAX_HOURS: u64 = 100;
    /// Last song tick that a change or marker may have: 2^36, so that sums of 24-bit tempos stay within 63 bits.
    pub const MAX_TICK: u64 = 1 << 36;
    /// Fewest microseconds a quarter: only the lead-in of a trigger file may run faster than [`Bpm::MAX`].
    pub const MIN_US: u32 = 1_000;
    /// Most microseconds a quarter that a MIDI tempo event stores (RP-001: 24 bits).
    pub const MAX_US: u32 = 0xFF_FFFF;

    /// One tempo and meter throughout. The tempo is stored as whole microseconds a quarter: round(60e6 / BPM).
    /// A meter that is out of range is taken as 4/4, a `bar_one` that is no number as 0; use [`new`](Self::new) to be told.
    #[must_use]
    pub fn constant(bpm: Bpm, meter: Meter, bar_one: Seconds) -> Self {
        let meter = if meter.is_legal() { meter } else { Meter::FOUR_FOUR };
        let start = if bar_one.0.is_finite() { bar_one } else { Seconds(0.0) };
        Self {
            tempos: vec![TempoChange { tick: 0, us_per_quarter: stored_us(bpm) }],
            meters: vec![MeterChange { tick: 0, meter }],
            markers: Vec::new(),
            start,
            bar_one: start,
            first_bar: 1,
            elapsed: vec![0],
            bars_before: vec![0],
        }
    }

    /// A map from its changes. `start` is the time of song tick 0, which is bar 1.
    ///
    /// # Errors
    /// [`TempoFault`] when the map does not begin at tick 0, changes are out of order, a meter begins inside a bar,
    /// a tempo is outside [`MIN_US`](Self::MIN_US)..=[`MAX_US`](Self::MAX_US), or a place is absurd.
    pub fn new(
        start: Seconds,
        tempos: Vec<TempoChange>,
        meters: Vec<MeterChange>,
        mut markers: Vec<Marker>,
    ) -> Result<Self, TempoFault> {
        if start.0.is_nan() || start.0.abs() > Self::MAX_HOURS as f64 * 3600.0 {
            return Err(TempoFault::BarOne(start.0));
        }
        markers.sort_by_key(|m| m.tick);
        let last = |ticks: Option<u64>| ticks.unwrap_or(0) > Self::MAX_TICK;
        if last(tempos.last().map(|t| t.tick))
            || last(meters.last().map(|m| m.tick))
            || last(markers.last().map(|m| m.tick))
        {
            return Err(TempoFault::TooLong);
        }
        let bars_before = count_bars(&meters)?;
        let mut map = Self {
            tempos: Vec::new(),
            meters,
            markers,
            start,
            bar_one: start,
            first_bar: 1,
            elapsed: Vec::new(),
            bars_before,
        };
        map.elapsed = map.sum_tempos(&tempos)?;
        map.tempos = tempos;
        Ok(map)
    }

    /// A map from changes at bars: meters, tempos (each at its bar's first beat) and named bars, bars counted from 1.
    ///
    /// # Errors
    /// As [`new`](Self::new).
    pub fn by_bars(
        bar_one: Seconds,
        meters: &[(i64, Meter)],
        tempos: &[(i64, Bpm)],
        markers: &[(i64, String)],
    ) -> Result<Self, TempoFault> {
        let mut placed: Vec<MeterChange> = Vec::with_capacity(meters.len());
        let mut before: Option<(i64, MeterChange)> = None;
        for &(bar, meter) in meters {
            let tick = match before {
                None if bar == 1 => 0,
                None => return Err(TempoFault::NoBeginning("meter")),
                Some((from, _)) if bar <= from => return Err(TempoFault::Order { what: "meter", bar }),
                Some((from, change)) => ticks_on(change, bar - from)?,
            };
            let change = MeterChange { tick, meter };
            placed.push(change);
            before = Some((bar, change));
        }
        let bars = Self { ..Self::new(bar_one, vec![ANY_TEMPO], placed.clone(), Vec::new())? };
        let tick = |bar: i64| u64::try_from(bars.bar_start(bar)).map_err(|_| TempoFault::Bar(bar));
        let tempos = tempos
            .iter()
            .map(|&(bar, bpm)| Ok(TempoChange { tick: tick(bar)?, us_per_quarter: stored_us(bpm) }))
            .collect::<Result<_, TempoFault>>()?;
        let markers = markers
            .iter()
            .map(|(bar, name)| Ok(Marker { tick: tick(*bar)?, name: name.clone() }))
            .collect::<Result<_, TempoFault>>()?;
        Self::new(bar_one, tempos, placed, markers)
    }

    /// The same map with its first bars counted as a count-in: bar 1 comes `bars` bars after tick 0, which stays
    /// where it is in the audio. The bars of the count-in are 0, −1, ... backwards from bar 1.
    #[must_use]
    pub fn with_count_in(mut self, bars: u32) -> Self {
        self.first_bar = 1 - i64::from(bars);
        self.bar_one = self.time_at(self.bar_start(1) as f64);
        self
    }

    /// The same map moved so that bar 1 lies at another place of the audio; a place that is no number changes nothing.
    #[must_use]
    pub fn with_bar_one(mut self, bar_one: Seconds) -> Self {
        if bar_one.0.is_finite() {
            self.start = self.start + (bar_one - self.bar_one);
            self.bar_one = bar_one;
        }
        self
    }

    /// The same map with other markers, put in order.
    ///
    /// # Errors
    /// [`TempoFault::TooLong`] for a marker beyond [`MAX_TICK`](Self::MAX_TICK).
    pub fn with_markers(mut self, mut markers: Vec<Marker>) -> Result<Self, TempoFault> {
        markers.sort_by_key(|m| m.tick);
        if markers.last().is_some_and(|m| m.tick > Self::MAX_TICK) {
            return Err(TempoFault::TooLong);
        }
        self.markers = markers;
        Ok(self)
    }

    /// Tempo changes in order; the first is at tick 0.
    #[must_use]
    pub fn tempos(&self) -> &[TempoChange] {
        &self.tempos
    }

    /// Tempo changes in order from bar 1 on, the one in force there first: without a count-in, all.
    #[must_use]
    pub fn tempos_from_bar_one(&self) -> &[TempoChange] {
        let bar_one = u64::try_from(self.bar_start(1)).unwrap_or(0);
        let in_force = self.tempos.partition_point(|c| c.tick <= bar_one).saturating_sub(1);
        self.tempos.get(in_force..).unwrap_or_default()
    }

    /// Meter changes in order; the first is at tick 0.
    #[must_use]
    pub fn meters(&self) -> &[MeterChange] {
        &self.meters
    }

    /// Markers in order.
    #[must_use]
    pub fn markers(&self) -> &[Marker] {
        &self.markers
    }

    /// Where bar 1 lies in the audio.
    #[must_use]
    pub fn bar_one(&self) -> Seconds {
        self.bar_one
    }

    /// Where song tick 0 lies in the audio; the same as bar 1 unless the map begins with a count-in.
    #[must_use]
    pub fn start(&self) -> Seconds {
        self.start
    }

    /// Number of the bar that begins at song tick 0: 1, or less with a count-in.
    #[must_use]
    pub fn first_bar(&self) -> i64 {
        self.first_bar
    }

    /// Song tick at a time, fractional; negative before the map begins. The inverse of [`time_at`](Self::time_at).
    #[must_use]
    pub fn tick_at(&self, time: Seconds) -> f64 {
        let elapsed = (time.0 - self.start.0) * (Self::PPQ as f64 * 1e6);
        let i = self.elapsed.partition_point(|&e| e as f64 <= elapsed).saturating_sub(1);
        let (change, before) = (self.tempos[i], self.elapsed[i]);
        change.tick as f64 + (elapsed - before as f64) / f64::from(change.us_per_quarter)
    }

    /// Time of a song tick: the running sum of ticks · microseconds a quarter / 960 (RP-001).
    #[must_use]
    pub fn time_at(&self, tick: f64) -> Seconds {
        let i = self.tempos.partition_point(|c| c.tick as f64 <= tick).saturating_sub(1);
        let (change, before) = (self.tempos[i], self.elapsed[i]);
        let elapsed = before as f64 + (tick - change.tick as f64) * f64::from(change.us_per_quarter);
        Seconds(self.start.0 + elapsed / (Self::PPQ as f64 * 1e6))
    }

    /// The tempo in force at a song tick.
    #[must_use]
    pub fn tempo_at(&self, tick: f64) -> TempoChange {
        self.tempos[self.tempos.partition_point(|c| c.tick as f64 <= tick).saturating_sub(1)]
    }

    /// The meter in force at a song tick.
    #[must_use]
    pub fn meter_at(&self, tick: i64) -> Meter {
        self.meters[self.meter_index(tick)].meter
    }

    /// The meter of a bar.
    #[must_use]
    pub fn meter_of(&self, bar: i64) -> Meter {
        self.meters[self.meter_index_of_bar(bar)].meter
    }

    /// Bar, beat and tick of a song tick (rounded to a whole tick).
    #[must_use]
    pub fn bar_beat(&self, tick: f64) -> BarBeat {
        let tick = tick.round() as i64;
        let i = self.meter_index(tick);
        let MeterChange { tick: from, meter } = self.meters[i];
        let (bar_ticks, since) = (meter.bar_ticks() as i64, tick.saturating_sub(from as i64));
        let in_bar = since.rem_euclid(bar_ticks) as u64;
        BarBeat {
            bar: self.first_bar + self.bars_before[i] + since.div_euclid(bar_ticks),
            beat: (in_bar / meter.beat_ticks()) as u32 + 1,
            tick: (in_bar % meter.beat_ticks()) as u32,
        }
    }

    /// Bar, beat and tick of a time.
    #[must_use]
    pub fn bar_beat_at(&self, time: Seconds) -> BarBeat {
        self.bar_beat(self.tick_at(time))
    }

    /// Song tick of a bar, beat and tick; beats beyond the bar's end run on into the next.
    #[must_use]
    pub fn tick_of(&self, at: BarBeat) -> i64 {
        let beats = i64::from(at.beat.max(1) - 1) * self.meter_of(at.bar).beat_ticks() as i64;
        self.bar_start(at.bar).saturating_add(beats).saturating_add(i64::from(at.tick))
    }

    /// First song tick of a bar; negative before the map begins.
    #[must_use]
    pub fn bar_start(&self, bar: i64) -> i64 {
        let i = self.meter_index_of_bar(bar);
        let MeterChange { tick, meter } = self.meters[i];
        let bars = bar.saturating_sub(self.first_bar).saturating_sub(self.bars_before[i]);
        (tick as i64).saturating_add(bars.saturating_mul(meter.bar_ticks() as i64))
    }

    fn meter_index(&self, tick: i64) -> usize {
        self.meters.partition_point(|m| m.tick as i64 <= tick).saturating_sub(1)
    }

    fn meter_index_of_bar(&self, bar: i64) -> usize {
        let bars = bar.saturating_sub(self.first_bar);
        self.bars_before.partition_point(|&b| b <= bars).saturating_sub(1)
    }

    /// The exact time of each tempo change after tick 0, in microseconds × PPQ; the meters are known already.
    fn sum_tempos(&self, tempos: &[TempoChange]) -> Result<Vec<i64>, TempoFault> {
        if tempos.first().is_none_or(|t| t.tick != 0) {
            return Err(TempoFault::NoBeginning("tempo"));
        }
        let mut sums = Vec::with_capacity(tempos.len());
        let mut sum = 0i64;
        let mut before: Option<TempoChange> = None;
        for &change in tempos {
            let bar = || self.bar_beat(change.tick as f64).bar;
            if !(Self::MIN_US..=Self::MAX_US).contains(&change.us_per_quarter) {
                return Err(TempoFault::Tempo { bpm: change.bpm(), bar: bar() });
            }
            if let Some(b) = before {
                if change.tick <= b.tick {
                    return Err(TempoFault::Order { what: "tempo", bar: bar() });
                }
                sum += (change.tick - b.tick) as i64 * i64::from(b.us_per_quarter);
            }
            sums.push(sum);
            before = Some(change);
        }
        if sum > Self::MAX_HOURS as i64 * 3_600_000_000 * Self::PPQ as i64 {
            return Err(TempoFault::TooLong);
        }
        Ok(sums)
    }
}

/// Stands in while only bars are counted.
const ANY_TEMPO: TempoChange = TempoChange { tick: 0, us_per_quarter: 500_000 };

/// The whole microseconds a quarter that a MIDI file stores for a tempo: round(60e6 / BPM).
fn stored_us(bpm: Bpm) -> u32 {
    ((60e6 / bpm.get()).round() as u32).clamp(TempoMap::MIN_US, TempoMap::MAX_US)
}

/// Tick so many bars after a meter change.
fn ticks_on(change: MeterChange, bars: i64) -> Result<u64, TempoFault> {
    let bars = u64::try_from(bars).map_err(|_| TempoFault::TooLong)?;
    let ticks = bars.checked_mul(change.meter.bar_ticks()).and_then(|t| t.checked_add(change.tick));
    ticks.filter(|&t| t <= TempoMap::MAX_TICK).ok_or(TempoFault::TooLong)
}

/// Bars from tick 0 to each meter change, which must lie at bar lines.
fn count_bars(meters: &[MeterChange]) -> Result<Vec<i64>, TempoFault> {
    if meters.first().is_none_or(|m| m.tick != 0) {
        return Err(TempoFault::NoBeginning("meter"));
    }
    let mut counts = Vec::with_capacity(meters.len());
    let mut bars = 0i64;
    let mut before: Option<MeterChange> = None;
    for &change in meters {
        let Meter { beats, unit } = change.meter;
        if !change.meter.is_legal() {
            return Err(TempoFault::Meter { beats, unit });
        }
        if let Some(b) = before {
            let (bar_ticks, beat_ticks) = (b.meter.bar_ticks(), b.meter.beat_ticks());
            let since = change.tick.checked_sub(b.tick).filter(|&s| s > 0);
            let since = since.ok_or(TempoFault::Order { what: "meter", bar: bars + 1 })?;
            bars += (since / bar_ticks) as i64;
            if since % bar_ticks != 0 {
                let beat = (since % bar_ticks / beat_ticks) as u32 + 1;
                return Err(TempoFault::InsideBar { meter: change.meter, bar: bars + 1, beat });
            }
        }
        counts.push(bars);
        before = Some(change);
    }
    Ok(counts)
}
