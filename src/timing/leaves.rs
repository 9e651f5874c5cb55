//! A take that fits its grid up to some bar and then no more, as under a tempo change that the map does not have.
//!
//! In: placed strokes in order of time. Out: the first bar that does not fit.

use super::feel::{FEW, turn};
use super::place::Placed;
use super::stats::{Circular, theil_sen};
use std::f64::consts::TAU;

/// Bars and strokes that either part must have at least.
const BARS: i64 = 4;
const STROKES: usize = 2 * FEW;
/// The first part fits: its mean vector is as long as this.
const FITS: f64 = 0.7;
/// The rest does not: seen from the first part's place its strokes gather by no more than this.
const FITS_NOT: f64 = 0.3;
/// Over the first part strokes creep by less than this share of a grid step; a take that creeps all along leaves at no bar.
const CREEPS: f64 = 0.15;

/// The first bar from which on the take no longer fits the grid; `None` where it fits to its end, or nowhere, or creeps away.
///
/// With every stroke a direction on the circle of one grid step, the bar at which |sum| − n/2 of all strokes before it is
/// largest: a stroke that fits adds up to a half, one that does not takes about a half away. Cost O(n log n).
#[must_use]
pub(super) fn leaves(placed: &[Placed]) -> Option<i64> {
    let (mut x, mut y) = (0.0, 0.0);
    let mut best: Option<(f64, usize)> = None;
    let mut n = 0usize;
    for bar in placed.chunk_by(|a, b| a.at.bar == b.at.bar) {
        for p in bar {
            let (sin, cos) = (TAU * turn(p)).sin_cos();
            (x, y, n) = (x + cos, y + sin, n + 1);
        }
        let score = f64::hypot(x, y) - n as f64 / 2.0;
        if best.is_none_or(|(most, _)| score > most) {
            best = Some((score, n));
        }
    }
    let (head, tail) = placed.split_at_checked(best?.1)?;
    let bars = |part: &[Placed]| Some(part.last()?.at.bar - part.first()?.at.bar + 1);
    if head.len() < STROKES || tail.len() < STROKES || bars(head)? < BARS || bars(tail)? < BARS {
        return None;
    }
    let place = Circular::of(head.iter().map(|p| TAU * turn(p)))?;
    let there = tail.iter().map(|p| (TAU * turn(p) - place.mean).cos()).sum::<f64>() / tail.len() as f64;
    let (at, off): (Vec<f64>, Vec<f64>) = head
        .iter()
        .map(|p| {
            let away = turn(p) - place.mean / TAU;
            (p.quarters(), away - away.round())
        })
        .unzip();
    let creeps = theil_sen(&at, &off)? * (at.last()? - at.first()?);
    let first = tail.first()?.at.bar;
    (place.resultant >= FITS && there <= FITS_NOT && creeps.abs() < CREEPS).then_some(first)
}

#[cfg(test)]
mod tests {
    use super::super::place::place;
    use super::super::strokes::strokes;
    use super::*;
    use crate::song::Drum;
    use crate::tempo::{Grid, Meter, TempoMap};
    use crate::timing::made::{hit, list, noise, normal};
    use crate::units::{Bpm, Seconds};

    fn bpm(of: f64) -> Bpm {
        Bpm::new(of).unwrap()
    }

    /// Where quarters and off-beats played to `played` leave the grid of 104 BPM; `loose` ms.
    fn left(played: &TempoMap, loose: f64, seed: u64) -> Option<i64> {
        let map = TempoMap::constant(bpm(104.0), Meter::FOUR_FOUR, Seconds(0.5));
        let mut n = normal(seed);
        let mut u = noise(seed);
        let mut hits = Vec::new();
        for eighth in 0..240 {
            if eighth % 2 == 0 || u() < 0.3 {
                let drum = if eighth % 4 == 2 { Drum::Snare } else { Drum::Kick };
                hits.push(hit(drum, played.time_at(f64::from(eighth) * 480.0).ms() + loose * n(), 100));
            }
        }
        let l = list(hits);
        leaves(&place(&l, &strokes(&l, Some((&map, Grid::SIXTEENTH))), &map, Grid::SIXTEENTH, &[]).0)
    }

    fn changes(to: f64, at: i64) -> TempoMap {
        let tempos = [(1, bpm(104.0)), (at, bpm(to))];
        TempoMap::by_bars(Seconds(0.5), &[(1, Meter::FOUR_FOUR)], &tempos, &[]).unwrap()
    }

    #[test]
    fn a_tempo_change_that_the_map_does_not_have_is_told_with_its_bar() {
        for seed in 1..12 {
            for to in [96.0, 100.0, 108.0, 117.0] {
                let bar = left(&changes(to, 14), 6.0, seed).unwrap_or_else(|| panic!("to {to}, seed {seed}: nothing"));
                assert!((14..=15).contains(&bar), "to {to}, seed {seed}: {bar}");
            }
        }
    }

    #[test]
    fn a_take_that_fits_or_creeps_away_or_fits_nowhere_leaves_at_no_bar() {
        for seed in 1..12 {
            for (played, loose) in
                [(104.0, 5.0), (104.0, 25.0), (104.5, 5.0), (103.0, 5.0), (96.0, 5.0), (104.0, 200.0)]
            {
                let map = TempoMap::constant(bpm(played), Meter::FOUR_FOUR, Seconds(0.5));
                assert_eq!(left(&map, loose, seed), None, "{played} BPM, {loose} ms, seed {seed}");
            }
        }
    }
}
