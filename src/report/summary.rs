//! What the report says of a hit list in numbers: plain data, computed once, shown by whoever likes.

use crate::hits::{DOUBTFUL_BELOW, Hit, HitList, Kind, State};
use crate::song::{Drum, Song};
use crate::timing::{Feel, feels};
use crate::units::Seconds;
use serde::Serialize;

/// One drum's hits in numbers.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct DrumSummary {
    /// The drum.
    pub drum: Drum,
    /// Strokes that sound, all kinds.
    pub strokes: usize,
    /// Strokes of each kind: hits, ghost notes, grace notes, rolls.
    pub kinds: [usize; 4],
    /// Strokes found by the tool with a certainty below one half.
    pub doubtful: usize,
    /// Strokes added and dropped by hand.
    pub by_hand: (usize, usize),
    /// Softest, median and loudest velocity.
    pub velocity: Option<(u8, u8, u8)>,
    /// Median offset from the grid, ms (late is positive), and its spread (1.4826·MAD), where a tempo is known and the drum
    /// follows its grid; as the check of the timing tells it.
    pub offset_ms: Option<(f64, f64)>,
}

/// Kinds in the order of [`DrumSummary::kinds`].
pub const KINDS: [Kind; 4] = [Kind::Hit, Kind::Ghost, Kind::Flam, Kind::Roll];

impl DrumSummary {
    /// Counts every drum of a song that strokes are found for.
    #[must_use]
    pub fn all(song: &Song, list: &HitList) -> Vec<Self> {
        let feels = song.tempo.as_ref().map_or_else(Vec::new, |tempo| feels(list, tempo, song.grid));
        let feel = |drum| feels.iter().find(|(d, _)| *d == drum).map(|(_, feel)| feel);
        song.drums().into_iter().map(|drum| Self::of(list, drum, feel(drum))).collect()
    }

    fn of(list: &HitList, drum: Drum, feel: Option<&Feel>) -> Self {
        let hits: Vec<&Hit> = list.of(drum).collect();
        let all = || list.hits.iter().filter(|h| h.drum == drum);
        let mut velocities: Vec<u8> = hits.iter().map(|h| h.velocity.get()).collect();
        velocities.sort_unstable();
        let velocity = match (velocities.first(), velocities.get(velocities.len() / 2), velocities.last()) {
            (Some(a), Some(b), Some(c)) => Some((*a, *b, *c)),
            _ => None,
        };
        Self {
            drum,
            strokes: hits.len(),
            kinds: KINDS.map(|k| hits.iter().filter(|h| h.kind == k).count()),
            doubtful: hits.iter().filter(|h| is_doubtful(h)).count(),
            by_hand: (
                all().filter(|h| h.state == State::Added).count(),
                all().filter(|h| h.state == State::Dropped).count(),
            ),
            velocity,
            offset_ms: feel.and_then(|f| Some((f.median_ms, f.spread_ms?))),
        }
    }
}

/// Whether a person should listen to this hit: found by the tool, and not surely.
#[must_use]
pub fn is_doubtful(hit: &Hit) -> bool {
    hit.state == State::Found && hit.certainty < DOUBTFUL_BELOW
}

/// The stretch of four bars (8 seconds where no tempo is known) in which a drum is struck most often; the earliest
/// of equals. `None` for a drum without hits.
#[must_use]
pub fn busiest(song: &Song, list: &HitList, drum: Drum) -> Option<(Seconds, Seconds)> {
    let times: Vec<f64> = list.of(drum).map(|h| h.pos.at(list.rate).0).collect();
    let mut best: Option<(usize, f64, f64)> = None;
    for &t in &times {
        let (from, to) = match &song.tempo {
            Some(tempo) => {
                let bar = tempo.bar_beat_at(Seconds(t)).bar;
                let edge = |bar| tempo.time_at(tempo.bar_start(bar) as f64).0;
                (edge(bar), edge(bar + 4))
            }
            None => (t - 0.1, t + 7.9),
        };
        let count = times.partition_point(|x| *x < to) - times.partition_point(|x| *x < from);
        if best.is_none_or(|(most, _, _)| count > most) {
            best = Some((count, from, to));
        }
    }
    best.map(|(_, from, to)| (Seconds(from.max(0.0)), Seconds(to)))
}
