//! Strokes as a drummer counts them: a flam, drag or short roll is one stroke with its ornaments.
//!
//! In: a hit list. Out: main hits, each with the hits that belong to it, as indices into the list.

use crate::hits::{Hit, HitList, Kind, State};
use crate::song::Drum;
use crate::tempo::{Grid, TempoMap};
use crate::units::Seconds;

/// A main hit and the hits that must move with it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stroke {
    /// The drum.
    pub drum: Drum,
    /// Index of the main hit in the list.
    pub main: usize,
    /// Indices of every hit of the stroke in order of time, the main one included.
    pub hits: Vec<usize>,
}

/// A grace note lies at most so far before its main stroke.
const GRACE: Seconds = Seconds(0.045);
/// Strokes of a roll lie closer than this.
const ROLL: Seconds = Seconds(0.090);
/// A roll that is as slow as the grid is played on it, stroke by stroke: hits further apart than this share
/// of a grid step stand for themselves.
pub(super) const OWN_STEP: f64 = 0.75;
/// Up to so many hits the loudest is the main one (flam, drag, ruff); a longer roll is placed by its beginning.
const RUFF: usize = 4;
/// Hits whose velocities lie so close are equally loud: a double, not a drag whose grace notes are soft. Of those the one
/// nearest to its grid line is the main one, without a grid the first.
const EQUAL: u8 = 15;

/// Time between two lines of a straight grid near a time.
#[must_use]
pub fn grid_step(map: &TempoMap, grid: Grid, time: Seconds) -> Seconds {
    let ticks = grid.step_ticks();
    let tick = map.tick_at(time);
    map.time_at(tick + ticks / 2.0) - map.time_at(tick - ticks / 2.0)
}

/// Every sounding hit of the list, joined into strokes; sorted by the time of the main hit, then drum.
/// Without a map and grid only the ornaments' own spacing decides.
#[must_use]
pub fn strokes(list: &HitList, on: Option<(&TempoMap, Grid)>) -> Vec<Stroke> {
    let mut drums: Vec<Drum> = list.hits.iter().map(|h| h.drum).collect();
    drums.sort_unstable();
    drums.dedup();
    let mut out = Vec::new();
    for drum in drums {
        let mut of: Vec<(usize, &Hit)> =
            list.hits.iter().enumerate().filter(|(_, h)| h.drum == drum && h.state != State::Dropped).collect();
        of.sort_by_key(|(i, h)| (h.pos, *i));
        let joined = of.chunk_by(|a, b| belongs(list, on, a.1, b.1));
        out.extend(joined.filter_map(|group| stroke(list, on, drum, group)));
    }
    out.sort_by_key(|s| (list.hits.get(s.main).map(|h| h.pos), s.drum));
    out
}

/// Whether `next` continues the ornament that `hit` began.
fn belongs(list: &HitList, on: Option<(&TempoMap, Grid)>, hit: &Hit, next: &Hit) -> bool {
    let gap = next.pos.at(list.rate) - hit.pos.at(list.rate);
    let limit = match (hit.kind, next.kind) {
        (Kind::Flam, _) => GRACE,
        (Kind::Roll, Kind::Roll) => ROLL,
        _ => return false,
    };
    let own = on.is_some_and(|(map, grid)| gap.0 > OWN_STEP * grid_step(map, grid, hit.pos.at(list.rate)).0);
    gap <= limit && !own
}

fn stroke(list: &HitList, on: Option<(&TempoMap, Grid)>, drum: Drum, group: &[(usize, &Hit)]) -> Option<Stroke> {
    let first = group.first()?;
    let main = if group.len() > RUFF {
        first
    } else {
        let loudest = group.iter().map(|(_, h)| h.velocity.get()).max()?;
        let away = |h: &Hit| {
            let time = h.pos.at(list.rate);
            on.map_or(0.0, |(map, grid)| (time - map.nearest_line(time, grid).time).0.abs())
        };
        let loud = group.iter().filter(|(_, h)| h.velocity.get() + EQUAL > loudest && h.kind != Kind::Flam);
        // Of two at the same distance `min_by` gives the first. A grace note is none, however loud.
        loud.min_by(|a, b| away(a.1).total_cmp(&away(b.1))).or_else(|| group.last())?
    };
    Some(Stroke { drum, main: main.0, hits: group.iter().map(|(i, _)| *i).collect() })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tempo::Meter;
    use crate::timing::made::{hit, list};
    use crate::units::Bpm;

    fn kinds(hits: &[(f64, Kind, u8)]) -> HitList {
        list(hits.iter().map(|&(ms, kind, v)| Hit { kind, ..hit(Drum::Snare, ms, v) }).collect())
    }

    #[test]
    fn a_grace_note_belongs_to_the_stroke_behind_it() {
        let l = kinds(&[(470.0, Kind::Flam, 40), (500.0, Kind::Hit, 110), (1000.0, Kind::Hit, 110)]);
        let s = strokes(&l, None);
        assert_eq!(s.len(), 2);
        assert_eq!((s[0].main, s[0].hits.clone()), (1, vec![0, 1]));
    }

    #[test]
    fn a_grace_note_without_a_stroke_stands_alone() {
        let l = kinds(&[(470.0, Kind::Flam, 40), (600.0, Kind::Hit, 110)]);
        assert_eq!(strokes(&l, None).len(), 2);
    }

    #[test]
    fn a_drag_is_placed_by_its_loud_end_and_a_long_roll_by_its_beginning() {
        let drag = kinds(&[(400.0, Kind::Roll, 30), (450.0, Kind::Roll, 32), (500.0, Kind::Roll, 100)]);
        assert_eq!(strokes(&drag, None)[0].main, 2);
        let roll = kinds(&(0..9).map(|i| (500.0 + 60.0 * f64::from(i), Kind::Roll, 60 + i as u8)).collect::<Vec<_>>());
        let s = strokes(&roll, None);
        assert_eq!((s.len(), s[0].main), (1, 0));
    }

    #[test]
    fn a_double_of_equal_strokes_is_placed_by_the_one_that_lies_on_the_grid() {
        let map = TempoMap::constant(Bpm::new(120.0).unwrap(), Meter::FOUR_FOUR, Seconds(0.0));
        let main = |hits: &[(f64, Kind, u8)], on| strokes(&kinds(hits), on)[0].main;
        let on = Some((&map, Grid::SIXTEENTH));
        for (first, second) in [(112, 114), (114, 112)] {
            // From the beat, and up to the beat.
            assert_eq!(main(&[(503.0, Kind::Roll, first), (565.0, Kind::Roll, second)], on), 0);
            assert_eq!(main(&[(438.0, Kind::Roll, first), (500.0, Kind::Roll, second)], on), 1);
            assert_eq!(main(&[(503.0, Kind::Roll, first), (565.0, Kind::Roll, second)], None), 0);
        }
        // A drag's soft stroke is not its place, even where it happens to lie on a line.
        assert_eq!(main(&[(500.0, Kind::Roll, 40), (560.0, Kind::Roll, 110)], on), 1);
    }

    #[test]
    fn a_roll_on_the_grid_is_played_stroke_by_stroke() {
        // Thirty-seconds at 120 BPM are 62.5 ms apart: on a grid of thirty-seconds each is its own stroke.
        let map = TempoMap::constant(Bpm::new(120.0).unwrap(), Meter::FOUR_FOUR, Seconds(0.0));
        let roll = kinds(&(0..8).map(|i| (62.5 * f64::from(i), Kind::Roll, 60)).collect::<Vec<_>>());
        let fine = Grid { lines_per_whole: 32, swing: 0.5 };
        assert_eq!(strokes(&roll, Some((&map, fine))).len(), 8);
        assert_eq!(strokes(&roll, Some((&map, Grid::SIXTEENTH))).len(), 1);
    }

    #[test]
    fn dropped_hits_are_no_strokes() {
        let mut l = kinds(&[(500.0, Kind::Hit, 100)]);
        l.hits[0].state = State::Dropped;
        assert!(strokes(&l, None).is_empty());
    }
}
