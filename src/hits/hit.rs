//! One found stroke.

use crate::song::Drum;
use crate::tempo::BarBeat;
use crate::units::{Dbfs, SamplePos, Seconds, Velocity};
use serde::{Deserialize, Serialize};
use std::fmt;

/// What kind of stroke it is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    /// A plain stroke.
    #[default]
    Hit,
    /// A soft stroke between the accents.
    Ghost,
    /// A grace note within 45 ms before a stronger stroke.
    Flam,
    /// One of several strokes closer than 90 ms.
    Roll,
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Kind::Hit => "hit",
            Kind::Ghost => "ghost",
            Kind::Flam => "flam",
            Kind::Roll => "roll",
        })
    }
}

/// Who decided on the stroke.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum State {
    /// Found by the tool.
    #[default]
    Found,
    /// Added by hand.
    Added,
    /// Dropped by hand: kept in the list, sounds nowhere.
    Dropped,
}

impl fmt::Display for State {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            State::Found => "found",
            State::Added => "added",
            State::Dropped => "dropped",
        })
    }
}

/// Where a hit lies in the song.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct GridPlace {
    /// Bar, beat, tick of the hit itself.
    pub at: BarBeat,
    /// Distance from the nearest grid line; early is negative, late positive.
    pub offset: Seconds,
}

/// A hit less certain than this, 0..=1, is called doubtful, marked in pictures and listed first: of those below, two or
/// three in ten are wrong (`docs/accuracy.md`).
pub const DOUBTFUL_BELOW: f64 = 0.8;

/// One stroke of one drum.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Hit {
    /// The drum.
    pub drum: Drum,
    /// First sample of the attack, counted from the take's first sample.
    pub pos: SamplePos,
    /// Strength as a MIDI velocity.
    pub velocity: Velocity,
    /// Peak of the stroke in its close mic, freed from bleed where possible.
    pub peak: Dbfs,
    /// 0..=1, how sure it is that this is the drum's own stroke.
    pub certainty: f64,
    /// What kind of stroke.
    pub kind: Kind,
    /// Found, added or dropped.
    pub state: State,
    /// Place in the song, where a tempo is known.
    pub place: Option<GridPlace>,
}
