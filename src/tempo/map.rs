//! Tempo map: seconds to ticks and back, ticks to bars and beats.

use crate::units::{Bpm, Seconds};
use serde::Serialize;

/// A time signature.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Meter {
    /// Beats a bar, 1..=32.
    pub beats: u8,
    /// Note value of a beat: 1, 2, 4, 8, 16 or 32.
    pub unit: u8,
}

impl Meter {
    /// Four quarters.
    pub const FOUR_FOUR: Meter = Meter { beats: 4, unit: 4 };

    /// Ticks of one beat at [`TempoMap::PPQ`].
    #[must_use]
    pub fn beat_ticks(self) -> u64 {
        TempoMap::PPQ * 4 / u64::from(self.unit)
    }

    /// Ticks of one bar at [`TempoMap::PPQ`].
    #[must_use]
    pub fn bar_ticks(self) -> u64 {
        self.beat_ticks() * u64::from(self.beats)
    }
}

/// From this song tick on, a quarter lasts so many microseconds (the integer that a MIDI file stores).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct TempoChange {
    /// Song tick, 0 = bar 1.
    pub tick: u64,
    /// Microseconds a quarter note, 24 bits.
    pub us_per_quarter: u32,
}

/// From this song tick on, bars have this meter. Always at a bar line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct MeterChange {
    /// Song tick, 0 = bar 1.
    pub tick: u64,
    /// The meter.
    pub meter: Meter,
}

/// A named place, such as the start of a verse.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Marker {
    /// Song tick, 0 = bar 1.
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

/// When every tick of the song sounds. Song tick 0 is bar 1; bar 1 lies `bar_one` after the audio's first sample.
/// Before bar 1 the first tempo and meter run on backwards.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TempoMap {
    tempos: Vec<TempoChange>,
    meters: Vec<MeterChange>,
    markers: Vec<Marker>,
    bar_one: Seconds,
}

impl TempoMap {
    /// Ticks a quarter note, everywhere inside underlay.
    pub const PPQ: u64 = 960;

    /// One tempo and meter throughout.
    #[must_use]
    pub fn constant(bpm: Bpm, meter: Meter, bar_one: Seconds) -> Self {
        let us = (60e6 / bpm.get()).round() as u32;
        Self {
            tempos: vec![TempoChange { tick: 0, us_per_quarter: us }],
            meters: vec![MeterChange { tick: 0, meter }],
            markers: Vec::new(),
            bar_one,
        }
    }

    /// Tempo changes in order; the first is at tick 0.
    #[must_use]
    pub fn tempos(&self) -> &[TempoChange] {
        &self.tempos
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

    /// Song tick at a time, fractional; negative before bar 1.
    #[must_use]
    pub fn tick_at(&self, time: Seconds) -> f64 {
        (time.0 - self.bar_one.0) * 1e6 / f64::from(self.tempos[0].us_per_quarter) * Self::PPQ as f64
    }

    /// Time of a song tick.
    #[must_use]
    pub fn time_at(&self, tick: f64) -> Seconds {
        Seconds(self.bar_one.0 + tick / Self::PPQ as f64 * f64::from(self.tempos[0].us_per_quarter) * 1e-6)
    }

    /// Bar, beat and tick of a song tick (rounded to a whole tick).
    #[must_use]
    pub fn bar_beat(&self, tick: f64) -> BarBeat {
        let meter = self.meters[0].meter;
        let t = tick.round() as i64;
        let bar = t.div_euclid(meter.bar_ticks() as i64);
        let rest = t.rem_euclid(meter.bar_ticks() as i64) as u64;
        BarBeat { bar: bar + 1, beat: (rest / meter.beat_ticks()) as u32 + 1, tick: (rest % meter.beat_ticks()) as u32 }
    }

    /// First song tick of a bar; negative before bar 1.
    #[must_use]
    pub fn bar_start(&self, bar: i64) -> i64 {
        (bar - 1) * self.meters[0].meter.bar_ticks() as i64
    }
}
