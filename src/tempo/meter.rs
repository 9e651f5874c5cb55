//! Time signatures.

use super::{TempoFault, TempoMap};
use serde::Serialize;
use std::fmt;
use std::str::FromStr;

/// A time signature.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Meter {
    /// Beats a bar, 1..=99.
    pub beats: u8,
    /// Note value of a beat: 1, 2, 4, 8, 16 or 32.
    pub unit: u8,
}

impl Meter {
    /// Four quarters.
    pub const FOUR_FOUR: Meter = Meter { beats: 4, unit: 4 };

    /// A meter of 1..=99 beats of a note value 1, 2, 4, 8, 16 or 32.
    ///
    /// # Errors
    /// [`TempoFault::Meter`] for anything else.
    pub fn new(beats: u8, unit: u8) -> Result<Self, TempoFault> {
        let meter = Meter { beats, unit };
        if meter.is_legal() { Ok(meter) } else { Err(TempoFault::Meter { beats, unit }) }
    }

    /// Whether both numbers are in range.
    #[must_use]
    pub(super) fn is_legal(self) -> bool {
        (1..=99).contains(&self.beats) && self.unit.is_power_of_two() && self.unit <= 32
    }

    /// Ticks of one beat at [`TempoMap::PPQ`].
    #[must_use]
    pub fn beat_ticks(self) -> u64 {
        TempoMap::PPQ * 4 / u64::from(self.unit.max(1))
    }

    /// Ticks of one bar at [`TempoMap::PPQ`].
    #[must_use]
    pub fn bar_ticks(self) -> u64 {
        self.beat_ticks() * u64::from(self.beats)
    }
}

impl fmt::Display for Meter {
    /// `7/8`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.beats, self.unit)
    }
}

impl FromStr for Meter {
    type Err = TempoFault;

    /// Reads `7/8`.
    fn from_str(word: &str) -> Result<Self, TempoFault> {
        let (beats, unit) = word.split_once('/').unwrap_or((word, ""));
        let number = |s: &str| s.trim().parse::<u8>().unwrap_or(0);
        Meter::new(number(beats), number(unit))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bar_of_seven_eighths_is_three_and_a_half_quarters() {
        assert_eq!("7/8".parse::<Meter>().unwrap().bar_ticks(), 3360);
        assert_eq!("6/8".parse::<Meter>().unwrap().beat_ticks(), 480);
        assert_eq!(Meter::FOUR_FOUR.to_string(), "4/4");
    }

    #[test]
    fn what_is_no_meter_is_refused() {
        for word in ["", "4", "0/4", "4/0", "4/3", "4/64", "100/4", "-3/4", "x/8", "4/4/4"] {
            assert!(word.parse::<Meter>().is_err(), "{word}");
        }
    }
}
