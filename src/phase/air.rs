//! The speed of sound, which turns a lag into metres of air.

use crate::units::{SampleRate, Seconds};
use serde::{Deserialize, Serialize};

/// Air temperature, degrees Celsius, −30..=60.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Celsius(f64);

impl Celsius {
    /// A heated room, 20 °C.
    pub const ROOM: Celsius = Celsius(20.0);
    /// Coldest air that is accepted.
    pub const MIN: f64 = -30.0;
    /// Warmest air that is accepted.
    pub const MAX: f64 = 60.0;

    /// `None` outside −30..=60 or for a non-number.
    #[must_use]
    pub fn new(degrees: f64) -> Option<Self> {
        (Self::MIN..=Self::MAX).contains(&degrees).then_some(Self(degrees))
    }

    /// Degrees Celsius.
    #[must_use]
    pub fn degrees(self) -> f64 {
        self.0
    }

    /// Speed of sound in dry air, metres a second: 331.3·√(1 + T/273.15), the ideal-gas form of acoustics
    /// handbooks; published constants differ by 0.2 %.
    #[must_use]
    pub fn speed(self) -> f64 {
        331.3 * (1.0 + self.0 / 273.15).sqrt()
    }

    /// The way that sound travels in a time, metres; negative for a negative time.
    #[must_use]
    pub fn metres(self, time: Seconds) -> f64 {
        time.0 * self.speed()
    }

    /// Samples that sound needs for a way in metres.
    #[must_use]
    pub fn samples(self, metres: f64, rate: SampleRate) -> f64 {
        metres / self.speed() * rate.hz_f64()
    }
}

impl Default for Celsius {
    fn default() -> Self {
        Self::ROOM
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 331.3 m/s at 0 °C and the rows computed from the same form; J. O. Smith, *Physical Audio Signal
    /// Processing*, gives 342.63 m/s (1124.1 ft/s) at 20 °C, within the 0.3 % spread of published constants.
    #[test]
    fn sound_travels_as_fast_as_handbooks_say() {
        let table = [(-10.0, 325.18), (0.0, 331.30), (15.0, 340.28), (20.0, 343.21), (30.0, 349.02)];
        for (t, c) in table {
            assert!((Celsius::new(t).unwrap().speed() - c).abs() < 0.01, "{t} degrees");
        }
        assert!((Celsius::ROOM.speed() / 342.63 - 1.0).abs() < 0.003);
    }

    #[test]
    fn a_metre_of_air_is_about_140_samples_at_48_khz() {
        let n = Celsius::ROOM.samples(1.0, SampleRate::SESSION);
        assert!((n - 139.85).abs() < 0.01, "{n}");
        assert!((Celsius::ROOM.metres(Seconds(n / 48_000.0)) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn temperatures_of_no_studio_do_not_exist() {
        assert!(Celsius::new(-40.0).is_none() && Celsius::new(f64::NAN).is_none());
    }
}
