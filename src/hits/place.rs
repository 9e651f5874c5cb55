//! Where hits lie in the song: bar, beat, tick and distance from the grid.

use super::{GridPlace, HitList};
use crate::tempo::{Grid, TempoMap};
use crate::units::Seconds;

/// The place of a time: its bar, beat and tick (to the nearest tick), and how far it lies from the nearest grid line;
/// early is negative, late positive.
#[must_use]
pub fn place_of(time: Seconds, map: &TempoMap, grid: Grid) -> GridPlace {
    let line = map.nearest_line(time, grid);
    GridPlace { at: map.bar_beat_at(time), offset: time - line.time }
}

impl HitList {
    /// Gives every hit its place, dropped ones too; without a tempo map takes all places away.
    pub fn place(&mut self, map: Option<&TempoMap>, grid: Grid) {
        let rate = self.rate;
        for hit in &mut self.hits {
            hit.place = map.map(|map| place_of(hit.pos.at(rate), map, grid));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hits::{Hit, Kind, State};
    use crate::song::Drum;
    use crate::tempo::{BarBeat, Meter};
    use crate::units::{Bpm, Dbfs, SamplePos, SampleRate, Velocity};

    fn hit(time: f64) -> Hit {
        Hit {
            drum: Drum::Snare,
            pos: Seconds(time).sample(SampleRate::SESSION),
            velocity: Velocity::MAX,
            peak: Dbfs(-6.0),
            certainty: 1.0,
            kind: Kind::Hit,
            state: State::Found,
            place: None,
        }
    }

    #[test]
    fn a_stroke_ten_milliseconds_early_is_early_by_ten_milliseconds() {
        let map = TempoMap::constant(Bpm::new(120.0).unwrap(), Meter::FOUR_FOUR, Seconds(1.0));
        let mut list = HitList { rate: SampleRate::SESSION, hits: vec![hit(3.49), hit(3.505), hit(0.99)] };
        list.place(Some(&map), Grid::SIXTEENTH);
        let places: Vec<GridPlace> = list.hits.iter().map(|h| h.place.unwrap()).collect();
        assert!((places[0].offset.ms() + 10.0).abs() < 1e-9);
        assert_eq!(places[0].at, BarBeat { bar: 2, beat: 1, tick: 941 });
        assert!((places[1].offset.ms() - 5.0).abs() < 1e-9);
        assert_eq!(places[1].at, BarBeat { bar: 2, beat: 2, tick: 10 });
        assert_eq!(places[2].at.bar, 0);
        list.place(None, Grid::SIXTEENTH);
        assert!(list.hits.iter().all(|h| h.place.is_none()));
        assert_eq!(list.hits[0].pos, SamplePos(167_520));
    }
}
