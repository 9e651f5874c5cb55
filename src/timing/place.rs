//! Where strokes lie: nearest grid line, offset, place in the bar, section.
//!
//! In: strokes, tempo map, grid, form. Out: one [`Placed`] a stroke that lies in the song.

use super::strokes::{OWN_STEP, Stroke, grid_step};
use crate::hits::HitList;
use crate::song::{Drum, Section};
use crate::tempo::{BarBeat, Grid, GridLine, TempoMap};
use crate::units::Seconds;
use serde::{Serialize, Serializer};
use std::fmt;

/// A place in the bar, as musicians count it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Count {
    /// Beat in the bar, from 1.
    pub beat: u32,
    /// Grid line in the beat, from 0.
    pub part: u32,
    /// Grid lines a beat.
    pub parts: u32,
}

impl fmt::Display for Count {
    /// `2`, `2 and`, `2 e`, `2 a`; triplets `2 trip`, `2 let`; anything else `2 + 3/8`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let part = match (self.part, self.parts) {
            (0, _) => return write!(f, "{}", self.beat),
            (1, 2) | (2, 4) | (4, 8) | (3, 6) => "and",
            (1, 4) | (2, 8) => "e",
            (3, 4) | (6, 8) => "a",
            (1, 3) => "trip",
            (2, 3) => "let",
            (part, parts) => return write!(f, "{} + {part}/{parts}", self.beat),
        };
        write!(f, "{} {part}", self.beat)
    }
}

impl Serialize for Count {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

/// One stroke against the grid. Early is negative, late positive.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Placed {
    /// Index of the main hit in the hit list.
    pub hit: usize,
    /// The drum.
    pub drum: Drum,
    /// Time of the main hit.
    pub time: Seconds,
    /// Nearest grid line.
    pub line: GridLine,
    /// Distance from that line, ms.
    pub offset_ms: f64,
    /// Distance from that line, ticks at 960 a quarter.
    pub offset_ticks: f64,
    /// Time between two lines here, ms.
    pub step_ms: f64,
    /// Bar, beat, tick of the line.
    pub at: BarBeat,
    /// The line as musicians count it.
    pub count: Count,
    /// Index into the form, where the line lies in a section.
    pub section: Option<usize>,
    /// Whether the line is this stroke's own. A stroke of a double or roll faster than the grid lies between two lines: the
    /// one nearest to it belongs to its neighbour, and the distance says nothing of how it was played.
    pub on_own_line: bool,
}

impl Placed {
    /// Quarter notes from bar 1 to the line.
    #[must_use]
    pub fn quarters(&self) -> f64 {
        self.line.tick / TempoMap::PPQ as f64
    }
}

/// Places strokes. Those whose nearest line lies before bar 1 come back as the second part, as indices of their main hits.
#[must_use]
pub fn place(
    list: &HitList,
    strokes: &[Stroke],
    map: &TempoMap,
    grid: Grid,
    form: &[Section],
) -> (Vec<Placed>, Vec<usize>) {
    let (mut placed, mut before) = (Vec::with_capacity(strokes.len()), Vec::new());
    for stroke in strokes {
        let Some(hit) = list.hits.get(stroke.main) else { continue };
        let time = hit.pos.at(list.rate);
        let line = map.nearest_line(time, grid);
        if before_bar_one(map, line.tick) {
            before.push(stroke.main);
            continue;
        }
        let at = map.bar_beat(line.tick);
        placed.push(Placed {
            hit: stroke.main,
            drum: stroke.drum,
            time,
            line,
            offset_ms: (time - line.time).ms(),
            offset_ticks: map.tick_at(time) - line.tick,
            step_ms: grid_step(map, grid, time).ms(),
            at,
            count: count(map, grid, line.tick, at),
            section: form.iter().position(|s| (s.first_bar..s.end_bar).contains(&at.bar)),
            on_own_line: true,
        });
    }
    part_fast(&mut placed);
    (placed, before)
}

/// Finds strokes of one drum that follow each other faster than the grid: of those closer together than three quarters of
/// a grid step the one nearest to its line owns it, the others own none. `placed` is sorted by time.
fn part_fast(placed: &mut [Placed]) {
    let mut order: Vec<usize> = (0..placed.len()).collect();
    let away = |p: &Placed| p.offset_ms.abs();
    order.sort_by(|&a, &b| away(&placed[a]).total_cmp(&away(&placed[b])).then(a.cmp(&b)));
    let mut owners = vec![false; placed.len()];
    for i in order {
        let me = &placed[i];
        let near = |j: &usize| {
            let gap = (placed[*j].time - me.time).ms().abs();
            (gap < OWN_STEP * me.step_ms).then_some(placed[*j].drum == me.drum && owners[*j])
        };
        let taken =
            (0..i).rev().map_while(|j| near(&j)).chain((i + 1..placed.len()).map_while(|j| near(&j))).any(|t| t);
        owners[i] = !taken;
    }
    for (p, owner) in placed.iter_mut().zip(owners) {
        p.on_own_line = owner;
    }
}

/// The line at a song tick, as musicians count it.
fn count(map: &TempoMap, grid: Grid, tick: f64, at: BarBeat) -> Count {
    let step = grid.step_ticks();
    let bar = map.bar_start(at.bar) as f64;
    let beat_ticks = map.meter_of(at.bar).beat_ticks() as f64;
    let inside = tick.round() - bar;
    // Swing moves every second line of a pair: count the pair first, so that a hard swing still counts as its own line.
    let pair = (inside / (2.0 * step) + 1e-6).floor();
    let second = inside - pair * 2.0 * step > step / 2.0;
    let straight = (pair * 2.0 + f64::from(u8::from(second))) * step;
    let beat = (straight / beat_ticks + 1e-6).floor();
    Count {
        beat: beat as u32 + 1,
        part: ((straight - beat * beat_ticks) / step).round() as u32,
        parts: (beat_ticks / step).round().max(1.0) as u32,
    }
}

/// Whether a line lies before bar 1. Half a tick of room: the line of bar 1 itself may come out a rounding error early.
pub(super) fn before_bar_one(map: &TempoMap, tick: f64) -> bool {
    tick < map.bar_start(1) as f64 - 0.5
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tempo::Meter;
    use crate::timing::made::{hit, list};
    use crate::timing::strokes::strokes;
    use crate::units::Bpm;

    fn placed(ms: &[f64], grid: Grid) -> (Vec<Placed>, Vec<usize>) {
        // 120 BPM, bar 1 at 2 s: a quarter lasts 500 ms, a sixteenth 125 ms, a bar 2 s.
        let map = TempoMap::constant(Bpm::new(120.0).unwrap(), Meter::FOUR_FOUR, Seconds(2.0));
        let l = list(ms.iter().map(|&m| hit(Drum::Snare, m, 100)).collect());
        let form = [
            Section { name: "intro".into(), first_bar: 1, end_bar: 2 },
            Section { name: "verse".into(), first_bar: 2, end_bar: 4 },
        ];
        place(&l, &strokes(&l, Some((&map, grid))), &map, grid, &form)
    }

    #[test]
    fn a_stroke_six_ms_behind_the_second_sixteenth_of_beat_two() {
        let (p, _) = placed(&[2631.0], Grid::SIXTEENTH);
        assert!((p[0].offset_ms - 6.0).abs() < 1e-6);
        assert!((p[0].offset_ticks - 6.0 * 960.0 / 500.0).abs() < 1e-6);
        assert_eq!((p[0].at.bar, p[0].count.to_string()), (1, "2 e".into()));
        assert!((p[0].step_ms - 125.0).abs() < 1e-9);
    }

    #[test]
    fn a_stroke_just_before_a_section_belongs_to_it() {
        let (p, _) = placed(&[3990.0], Grid::SIXTEENTH);
        assert_eq!((p[0].section, p[0].at.bar, p[0].count.to_string()), (Some(1), 2, "1".into()));
        assert!((p[0].offset_ms + 10.0).abs() < 1e-6);
    }

    #[test]
    fn a_stroke_just_before_bar_one_belongs_to_the_song_and_a_pick_up_does_not() {
        let (p, before) = placed(&[1875.0, 1995.0], Grid::SIXTEENTH);
        assert_eq!((p.len(), before.len()), (1, 1));
        assert_eq!(p[0].at.bar, 1);
    }

    #[test]
    fn of_a_double_faster_than_the_grid_only_one_stroke_has_a_line_of_its_own() {
        let own = |ms: &[f64]| placed(ms, Grid::SIXTEENTH).0.iter().map(|p| p.on_own_line).collect::<Vec<_>>();
        // Sixteenths are 125 ms apart; two thirty-seconds from beat 1, then two that end on beat 2.
        assert_eq!(own(&[2003.0, 2064.0, 2440.0, 2501.0]), [true, false, false, true]);
        // Thirty-seconds all along: every second one lies on a line.
        assert_eq!(own(&[2000.0, 2062.5, 2125.0, 2187.5, 2250.0]), [true, false, true, false, true]);
        // Sixteenths, one of them 30 ms late and so 95 ms before the next: each is its own stroke.
        assert_eq!(own(&[2000.0, 2155.0, 2250.0, 2375.0]), [true; 4]);
    }

    #[test]
    fn a_bar_of_sixteenths_and_triplets_is_counted_as_musicians_count() {
        let say = |ms: &[f64], lines_per_whole, swing| {
            let (p, _) = placed(ms, Grid { lines_per_whole, swing });
            p.iter().map(|p| p.count.to_string()).collect::<Vec<_>>().join("|")
        };
        assert_eq!(say(&[2000.0, 2125.0, 2250.0, 2375.0, 2500.0], 16, 0.5), "1|1 e|1 and|1 a|2");
        assert_eq!(say(&[2000.0, 2166.7, 2333.3, 2500.0], 12, 0.5), "1|1 trip|1 let|2");
        assert_eq!(say(&[2000.0, 2250.0, 3750.0], 8, 0.5), "1|1 and|4 and");
        assert_eq!(say(&[2062.5], 32, 0.5), "1 + 1/8");
    }
}
