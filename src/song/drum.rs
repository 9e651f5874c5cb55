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
    /// Every drum, in the order that a kit is usually listed.
    pub const ALL: [Drum; 9] = [
        Drum::Kick,
        Drum::Snare,
        Drum::Hat,
        Drum::Tom,
        Drum::Ride,
        Drum::Cymbal,
        Drum::Overhead,
        Drum::Room,
        Drum::Percussion,
    ];
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

impl Drum {
    /// The drum of a sheet's word, `None` for any other text.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|d| d.word() == word)
    }

    /// Places that tell its mics apart, the usual one first. Two mics of one of these drums must stand at different
    /// places; toms, cymbals, rooms and percussion are told apart by name.
    #[must_use]
    pub fn places(self) -> &'static [Place] {
        use Place::{Bottom, Close, In, Left, Mono, Out, Right, Side, Stereo, Sub, Top};
        match self {
            Drum::Kick => &[In, Out, Sub, Close, Side, Left, Right, Top, Bottom],
            Drum::Snare => &[Top, Bottom, Side, Close, Left, Right],
            Drum::Overhead => &[Left, Right, Mono, Stereo, Close, Top],
            Drum::Hat | Drum::Tom | Drum::Ride | Drum::Cymbal | Drum::Percussion => {
                &[Close, Top, Bottom, Side, Left, Right, Stereo, Mono]
            }
            Drum::Room => &[Mono, Left, Right, Stereo, Close],
        }
    }

    /// Whether two of its mics at one place would claim one role.
    #[must_use]
    pub fn place_is_role(self) -> bool {
        matches!(self, Drum::Kick | Drum::Snare | Drum::Hat | Drum::Overhead)
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
    /// Which of a drum's own mics counts as its main mic: the lowest, kick inside and snare top first.
    #[must_use]
    pub fn main_rank(self) -> u8 {
        match self {
            Place::In | Place::Top => 0,
            Place::Close | Place::Mono | Place::Stereo => 1,
            Place::Side => 2,
            Place::Out => 3,
            Place::Bottom => 4,
            _ => 5,
        }
    }

    /// Every place.
    pub const ALL: [Place; 11] = [
        Place::Close,
        Place::In,
        Place::Out,
        Place::Sub,
        Place::Top,
        Place::Bottom,
        Place::Side,
        Place::Left,
        Place::Right,
        Place::Mono,
        Place::Stereo,
    ];

    /// The place of a sheet's word, `None` for any other text.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|p| p.word() == word)
    }

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
