//! Drums and mic places.

use serde::{Deserialize, Serialize};
use std::fmt;

/// What a mic is meant for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Drum {
    /// Bass drum.
    Kick,
    /// Snare drum.
    Snare,
    /// Hi-hat.
    Hat,
    /// A tom; the mic's name tells which.
    Tom,
    /// Ride cymbal.
    Ride,
    /// Any other cymbal with its own mic.
    Cymbal,
    /// The kit as a whole, from above.
    Overhead,
    /// The kit as a whole, from further away.
    Room,
    /// Hand or auxiliary percussion that was recorded with the kit.
    Percussion,
}

impl Drum {
    /// Drums that hits are found for.
    pub const FOUND: [Drum; 2] = [Drum::Kick, Drum::Snare];

    /// The word used in sheets, hit lists and file names.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Drum::Kick => "kick",
            Drum::Snare => "snare",
            Drum::Hat => "hat",
            Drum::Tom => "tom",
            Drum::Ride => "ride",
            Drum::Cymbal => "cymbal",
            Drum::Overhead => "overhead",
            Drum::Room => "room",
            Drum::Percussion => "percussion",
        }
    }
}

impl fmt::Display for Drum {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// Where on its drum a mic stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Place {
    /// Near its drum; nothing more is known.
    #[default]
    Close,
    /// Inside the kick.
    In,
    /// Outside the kick.
    Out,
    /// A low-frequency transducer in front of the kick.
    Sub,
    /// Above the batter head.
    Top,
    /// Below the resonant head.
    Bottom,
    /// At the shell.
    Side,
    /// The kit's left as the file names it.
    Left,
    /// The kit's right as the file names it.
    Right,
    /// One mic for the whole.
    Mono,
    /// Both channels of a stereo file.
    Stereo,
}

impl Place {
    /// The word used in sheets and file names.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Place::Close => "close",
            Place::In => "in",
            Place::Out => "out",
            Place::Sub => "sub",
            Place::Top => "top",
            Place::Bottom => "bottom",
            Place::Side => "side",
            Place::Left => "left",
            Place::Right => "right",
            Place::Mono => "mono",
            Place::Stereo => "stereo",
        }
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}
