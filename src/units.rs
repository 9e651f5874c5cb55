//! Quantities that must not be mixed up: a sample position is not a time, a level is not a gain.
//!
//! Every type here is a thin, copyable wrapper; conversions name what they need (a rate, a map).

use serde::{Deserialize, Serialize};
use std::fmt;

/// Sampling rate in hertz, 8,000 to 192,000.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(transparent)]
pub struct SampleRate(u32);

impl SampleRate {
    /// Lowest rate that is read, Hz.
    pub const MIN: u32 = 8_000;
    /// Highest rate that is read, Hz.
    pub const MAX: u32 = 192_000;
    /// The usual rate of a session, 48,000 Hz.
    pub const SESSION: SampleRate = SampleRate(48_000);

    /// A rate in hertz, or `None` outside 8,000..=192,000.
    #[must_use]
    pub fn new(hz: u32) -> Option<Self> {
        (Self::MIN..=Self::MAX).contains(&hz).then_some(Self(hz))
    }

    /// Hertz.
    #[must_use]
    pub fn hz(self) -> u32 {
        self.0
    }

    /// Hertz as a float.
    #[must_use]
    pub fn hz_f64(self) -> f64 {
        f64::from(self.0)
    }

    /// Whole samples nearest to a duration; negative durations give 0.
    #[must_use]
    pub fn samples(self, duration: Seconds) -> u64 {
        (duration.0 * self.hz_f64()).round().max(0.0) as u64
    }
}

impl fmt::Display for SampleRate {
    /// `48 kHz`, `44.1 kHz`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} kHz", self.hz_f64() / 1000.0)
    }
}

/// Samples from the first sample of a file (frame index; 0 is the first).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(transparent)]
pub struct SamplePos(pub u64);

impl SamplePos {
    /// Time of this sample after the file's first, at a rate.
    #[must_use]
    pub fn at(self, rate: SampleRate) -> Seconds {
        Seconds(self.0 as f64 / rate.hz_f64())
    }
}

impl fmt::Display for SamplePos {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

/// A time or duration in seconds; a time counts from the file's first sample.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Seconds(pub f64);

impl Seconds {
    /// From milliseconds.
    #[must_use]
    pub fn from_ms(ms: f64) -> Self {
        Self(ms / 1000.0)
    }

    /// Milliseconds.
    #[must_use]
    pub fn ms(self) -> f64 {
        self.0 * 1000.0
    }

    /// Nearest sample at a rate; times before zero give sample 0.
    #[must_use]
    pub fn sample(self, rate: SampleRate) -> SamplePos {
        SamplePos(rate.samples(self))
    }
}

impl std::ops::Add for Seconds {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0 + other.0)
    }
}

impl std::ops::Sub for Seconds {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0 - other.0)
    }
}

impl fmt::Display for Seconds {
    /// `m:ss.mmm`, as on a transport; from an hour on `h:mm:ss.mmm`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let ms = (self.0.abs() * 1000.0).round() as u64;
        let sign = if self.0 < 0.0 && ms > 0 { "-" } else { "" };
        let (hours, minutes) = (ms / 3_600_000, ms / 60_000 % 60);
        if hours > 0 {
            write!(f, "{sign}{hours}:{minutes:02}")?;
        } else {
            write!(f, "{sign}{minutes}")?;
        }
        write!(f, ":{:02}.{:03}", ms / 1000 % 60, ms % 1000)
    }
}

/// A level relative to full scale, dB: 20·log10(|x|), so a full-scale peak is 0.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Dbfs(pub f64);

impl Dbfs {
    /// What digital silence is reported as, so that every level stays a finite number: −200 dBFS.
    pub const SILENCE: Dbfs = Dbfs(-200.0);

    /// Level of a linear peak (1.0 = full scale); silence and non-numbers give [`Dbfs::SILENCE`].
    #[must_use]
    pub fn from_peak(peak: f64) -> Self {
        if peak > 1e-10 { Self(20.0 * peak.log10()) } else { Self::SILENCE }
    }

    /// Linear peak (1.0 = full scale).
    #[must_use]
    pub fn peak(self) -> f64 {
        Decibels(self.0).gain()
    }
}

impl fmt::Display for Dbfs {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.1} dBFS", self.0)
    }
}

/// A level difference or gain in dB.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Decibels(pub f64);

impl Decibels {
    /// The linear amplitude factor, 10^(dB/20).
    #[must_use]
    pub fn gain(self) -> f64 {
        10f64.powf(self.0 / 20.0)
    }
}

impl fmt::Display for Decibels {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:+.1} dB", self.0)
    }
}

/// MIDI note-on velocity of a sounding note, 1..=127 (0 would mean note-off; MIDI 1.0).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(transparent)]
pub struct Velocity(u8);

impl Velocity {
    /// The strongest, 127.
    pub const MAX: Velocity = Velocity(127);
    /// The softest that sounds, 1.
    pub const MIN: Velocity = Velocity(1);

    /// `None` outside 1..=127.
    #[must_use]
    pub fn new(value: u8) -> Option<Self> {
        (1..=127).contains(&value).then_some(Self(value))
    }

    /// The nearest legal velocity to a number; not-a-number gives 1.
    #[must_use]
    pub fn nearest(value: f64) -> Self {
        Self(value.round().clamp(1.0, 127.0) as u8)
    }

    /// The number.
    #[must_use]
    pub fn get(self) -> u8 {
        self.0
    }
}

impl fmt::Display for Velocity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

/// Quarter notes a minute, within what a MIDI tempo event can store: above 3.58 (60e6/0xFFFFFF), up to 1000.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize)]
#[serde(transparent)]
pub struct Bpm(f64);

impl Bpm {
    /// Slowest tempo that is accepted.
    pub const MIN: f64 = 3.6;
    /// Fastest tempo that is accepted.
    pub const MAX: f64 = 1000.0;
    /// What a MIDI file without a tempo event means, 120 BPM (RP-001).
    pub const MIDI_DEFAULT: Bpm = Bpm(120.0);

    /// `None` outside 3.6..=1000 or for a non-number.
    #[must_use]
    pub fn new(value: f64) -> Option<Self> {
        (Self::MIN..=Self::MAX).contains(&value).then_some(Self(value))
    }

    /// Quarter notes a minute.
    #[must_use]
    pub fn get(self) -> f64 {
        self.0
    }
}

impl fmt::Display for Bpm {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let shown = (self.0 * 1000.0).round() / 1000.0;
        write!(f, "{shown} BPM")
    }
}

/// MIDI ticks from the start of the file (tick 0 is sample 0), or within a beat where said.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(transparent)]
pub struct Tick(pub u64);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_second_is_as_many_samples_as_the_rate() {
        let rate = SampleRate::new(44_100).unwrap();
        assert_eq!(Seconds(1.0).sample(rate), SamplePos(44_100));
        assert_eq!(SamplePos(22_050).at(rate), Seconds(0.5));
    }

    #[test]
    fn rates_and_tempos_outside_the_range_do_not_exist() {
        assert!(SampleRate::new(7_999).is_none());
        assert!(Bpm::new(0.0).is_none() && Bpm::new(f64::NAN).is_none());
        assert!(Velocity::new(0).is_none() && Velocity::new(128).is_none());
    }

    #[test]
    fn half_amplitude_is_six_decibels_down() {
        assert!((Dbfs::from_peak(0.5).0 + 6.0206).abs() < 1e-4);
        assert_eq!(Dbfs::from_peak(0.0), Dbfs::SILENCE);
        assert!((Decibels(-6.0206).gain() - 0.5).abs() < 1e-5);
    }

    #[test]
    fn times_read_like_a_transport() {
        assert_eq!(Seconds(83.0455).to_string(), "1:23.046");
        assert_eq!(Seconds(-0.25).to_string(), "-0:00.250");
        assert_eq!(Seconds(59.9996).to_string(), "1:00.000");
        assert_eq!(Seconds(3600.0).to_string(), "1:00:00.000");
        assert_eq!(Seconds(-36_125.5).to_string(), "-10:02:05.500");
    }
}
