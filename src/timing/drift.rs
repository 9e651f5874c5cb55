//! Drift: do offsets creep over the song, and if they run right through the grid, which tempo would fit?
//!
//! In: placed strokes of the whole take. Out: [`Drift`] and a [`Relation`].

use super::feel::{CROWDED, Relation, circle, relation, turn};
use super::place::Placed;
use super::stats::{Circular, theil_sen};
use serde::Serialize;
use std::f64::consts::TAU;

/// How offsets creep over the song.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Drift {
    /// Slope of the offsets, ms a quarter note (Theil-Sen); negative = getting earlier.
    pub ms_per_quarter: f64,
    /// What that makes from the first stroke to the last, ms.
    pub over_song_ms: f64,
    /// The map's tempo times this is the tempo that was played on average.
    pub bpm_factor: f64,
}

/// Tempos up to this share away from the map's are tried.
const REACH: f64 = 0.06;
/// A tempo is looked for in so many quarters from the first stroke on: longer searches cost more and tell no more.
const LOOK_QUARTERS: f64 = 400.0;
/// Above this resultant strokes stay on one side of their lines, so that no other tempo needs to be tried.
const STEADY: f64 = 0.8;

/// Whether the take follows the grid, and how it creeps. The slope is `None` for too few strokes or no relation.
#[must_use]
pub fn drift(placed: &[Placed]) -> (Relation, Option<Drift>) {
    let all: Vec<&Placed> = placed.iter().collect();
    let still = circle(&all);
    let plain = relation(still);
    let Some(still) = still.filter(|_| plain != Relation::TooFew) else { return (plain, None) };
    let rate = if still.resultant >= STEADY { 0.0 } else { best_rate(&all, still.resultant) };
    let moving = Circular::of(all.iter().map(|p| TAU * (turn(p) - rate * p.quarters())));
    let follows = relation(moving) == Relation::Follows;
    if !follows {
        return (plain, None);
    }
    let mean = moving.map_or(0.0, |c| c.mean) / TAU;
    let (x, y): (Vec<f64>, Vec<f64>) = all
        .iter()
        .map(|p| {
            let on = mean + rate * p.quarters();
            let away = turn(p) - on;
            (p.quarters(), (on + away - away.round()) * p.step_ms)
        })
        .unzip();
    let Some(ms_per_quarter) = theil_sen(&x, &y) else { return (plain, None) };
    let first = x.iter().copied().fold(f64::INFINITY, f64::min);
    let last = x.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let over_song_ms = ms_per_quarter * (last - first);
    let quarter_ms = mean_quarter_ms(&all);
    let found = Drift { ms_per_quarter, over_song_ms, bpm_factor: quarter_ms / (quarter_ms + ms_per_quarter) };
    let step = all.iter().map(|p| p.step_ms).fold(f64::INFINITY, f64::min);
    if over_song_ms.abs() > step / 2.0 {
        (Relation::RunsAway { bpm_factor: found.bpm_factor }, Some(found))
    } else {
        (plain, Some(found))
    }
}

/// Length of a quarter in the map, from first to last line, ms.
fn mean_quarter_ms(all: &[&Placed]) -> f64 {
    match (all.first(), all.last()) {
        (Some(a), Some(b)) if b.quarters() > a.quarters() => {
            (b.line.time - a.line.time).ms() / (b.quarters() - a.quarters())
        }
        _ => 500.0,
    }
}

/// The rate, in grid steps a quarter, at which strokes gather best; 0 unless another is clearly better.
fn best_rate(all: &[&Placed], still: f64) -> f64 {
    let Some(first) = all.first().map(|p| p.quarters()) else { return 0.0 };
    let look: Vec<&&Placed> = all.iter().filter(|p| p.quarters() - first <= LOOK_QUARTERS).collect();
    let span = look.last().map_or(0.0, |p| p.quarters() - first);
    let steps_a_quarter = mean_quarter_ms(all) / look.first().map_or(1.0, |p| p.step_ms);
    if span < 4.0 {
        return 0.0;
    }
    let gather = |rate: f64| {
        Circular::of(look.iter().map(|p| TAU * (turn(p) - rate * p.quarters()))).map_or(0.0, |c| c.resultant)
    };
    // A quarter turn over the whole stretch between trials finds every peak; then the peak is halved in on.
    let fine = 0.25 / span;
    let tries = (REACH * steps_a_quarter / fine).ceil() as i64;
    // From one trial to the next every stroke turns on by the same angle: one product instead of a sine and a cosine.
    let slowest = tries as f64 * fine;
    let mut strokes: Vec<Turning> =
        look.iter().map(|p| Turning::new(turn(p) + slowest * p.quarters(), -fine * p.quarters())).collect();
    let mut best = (still, 0.0);
    for k in -tries..=tries {
        let (x, y) = strokes.iter().fold((0.0, 0.0), |(x, y), s| (x + s.at.0, y + s.at.1));
        let r = f64::hypot(x, y) / look.len() as f64;
        if r > best.0 {
            best = (r, k as f64 * fine);
        }
        strokes.iter_mut().for_each(Turning::go_on);
    }
    let mut width = fine / 2.0;
    for _ in 0..16 {
        for rate in [best.1 - width, best.1 + width] {
            let r = gather(rate);
            if r > best.0 {
                best = (r, rate);
            }
        }
        width /= 2.0;
    }
    // So many tempos were tried that the best one gathers a little by chance alone.
    let chance = Circular { n: look.len(), mean: 0.0, resultant: best.0 }.chance() * (2 * tries + 1) as f64;
    if best.0 >= CROWDED && best.0 > still + 0.2 && chance < 0.01 { best.1 } else { 0.0 }
}

/// A direction that turns by the same angle again and again.
struct Turning {
    at: (f64, f64),
    by: (f64, f64),
}

impl Turning {
    /// From whole turns.
    fn new(at: f64, by: f64) -> Self {
        let direction = |turns: f64| {
            let (sin, cos) = (TAU * turns).sin_cos();
            (cos, sin)
        };
        Self { at: direction(at), by: direction(by) }
    }

    fn go_on(&mut self) {
        let ((x, y), (re, im)) = (self.at, self.by);
        self.at = (x * re - y * im, x * im + y * re);
    }
}
