//! One blow as it was played.

use crate::hits::Kind;
use crate::song::Drum;
use crate::units::Seconds;
use serde::Serialize;

/// What is struck.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Voice {
    /// Bass drum.
    Kick,
    /// Snare drum.
    Snare,
    /// Hats, closed.
    HatClosed,
    /// Hats, open until the next stroke on them.
    HatOpen,
    /// Hats closed with the foot.
    HatPedal,
    /// High tom.
    TomHigh,
    /// Floor tom.
    TomFloor,
    /// Ride cymbal.
    Ride,
    /// Crash cymbal.
    Crash,
    /// Two sticks against each other: the count-in.
    Sticks,
}

impl Voice {
    /// All of them.
    pub const ALL: [Voice; 10] = [
        Voice::Kick,
        Voice::Snare,
        Voice::HatClosed,
        Voice::HatOpen,
        Voice::HatPedal,
        Voice::TomHigh,
        Voice::TomFloor,
        Voice::Ride,
        Voice::Crash,
        Voice::Sticks,
    ];

    /// Whether it is played on the hats.
    #[must_use]
    pub fn is_hat(self) -> bool {
        matches!(self, Voice::HatClosed | Voice::HatOpen | Voice::HatPedal)
    }

    /// The drum that hits are found for, if it is one of those.
    #[must_use]
    pub fn found(self) -> Option<Drum> {
        match self {
            Voice::Kick => Some(Drum::Kick),
            Voice::Snare => Some(Drum::Snare),
            _ => None,
        }
    }
}

/// How the snare is struck.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Touch {
    /// Stick on the head.
    #[default]
    Plain,
    /// Stick on head and hoop at once.
    Rimshot,
    /// Stick lying on the head, its shaft on the hoop.
    CrossStick,
    /// Brush.
    Brush,
}

/// One blow.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Stroke {
    /// When stick or beater touches, from the take's first sample.
    pub time: Seconds,
    /// What is struck.
    pub voice: Voice,
    /// How hard, 0..=1; the level follows at 30 dB a decade.
    pub strength: f64,
    /// How the snare is struck.
    pub touch: Touch,
}

/// Strokes of a snare softer than this count as ghost notes.
pub const GHOST_BELOW: f64 = 0.36;

/// What kind each stroke of one drum is, from its neighbours: a softer stroke less than 45 ms before a stronger
/// one is the grace note of a flam; strokes less than 90 ms apart (grace notes aside) are a roll; a soft stroke
/// on the snare is a ghost note. `strokes` are in order of time and of one drum.
#[must_use]
pub fn kinds(strokes: &[Stroke]) -> Vec<Kind> {
    let gap = |a: usize, b: usize| strokes[b].time.0 - strokes[a].time.0;
    let grace: Vec<bool> = (0..strokes.len())
        .map(|n| n + 1 < strokes.len() && gap(n, n + 1) < 0.045 && strokes[n].strength < strokes[n + 1].strength)
        .collect();
    (0..strokes.len())
        .map(|n| {
            let after_roll = n > 0 && gap(n - 1, n) < 0.090 && !grace[n - 1];
            let before_roll = n + 1 < strokes.len() && gap(n, n + 1) < 0.090;
            if grace[n] {
                Kind::Flam
            } else if after_roll || before_roll {
                Kind::Roll
            } else if strokes[n].voice == Voice::Snare && strokes[n].strength < GHOST_BELOW {
                Kind::Ghost
            } else {
                Kind::Hit
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn snare(at: &[(f64, f64)]) -> Vec<Stroke> {
        at.iter()
            .map(|&(t, strength)| Stroke { time: Seconds(t), voice: Voice::Snare, strength, touch: Touch::Plain })
            .collect()
    }

    #[test]
    fn a_grace_note_is_a_flam_and_its_main_stroke_a_hit() {
        assert_eq!(kinds(&snare(&[(1.0, 0.3), (1.03, 0.9)])), [Kind::Flam, Kind::Hit]);
    }

    #[test]
    fn close_strokes_are_a_roll_and_lone_soft_ones_are_ghosts() {
        let k = kinds(&snare(&[(1.0, 0.5), (1.07, 0.5), (1.14, 0.5), (2.0, 0.2), (3.0, 0.8)]));
        assert_eq!(k, [Kind::Roll, Kind::Roll, Kind::Roll, Kind::Ghost, Kind::Hit]);
    }
}
