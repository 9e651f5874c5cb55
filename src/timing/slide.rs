//! The whole map slid over the take: is it only bar 1 that lies elsewhere?
//!
//! In: strokes, tempo map, grid. Out: [`Slide`], where bar 1 must lie for the take to fit the map.

use super::place::before_bar_one;
use super::stats::Circular;
use super::strokes::{Stroke, grid_step};
use crate::hits::HitList;
use crate::song::Drum;
use crate::tempo::{BarBeat, Grid, TempoMap};
use crate::units::Seconds;
use serde::Serialize;
use std::f64::consts::TAU;

/// Where bar 1 must lie for the take to fit its map.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Slide {
    /// Bar 1 in the audio.
    pub bar_one: Seconds,
    /// What tells so.
    pub told_by: ToldBy,
    /// Other places that fit about as well, nearest first.
    pub also: Vec<Seconds>,
}

/// What tells where bar 1 lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ToldBy {
    /// The changes of tempo: strokes lie on lines there and not where the map has bar 1.
    Tempos,
    /// Kick and snare: on lines they lie here as there, but only there on their usual beats. Under one tempo known but for
    /// whole bars.
    Beats,
}

/// Fewer strokes tell nothing.
const FEWEST: usize = 20;
/// So many strokes, spread over the song, are enough to look with.
const ENOUGH: usize = 500;
/// Places tried within a grid step.
const TRIES_A_STEP: f64 = 10.0;
/// The map is slid back by this much, as for audio that was cut ...
const BACK: Seconds = Seconds(10.0);
/// ... and on by this much, as for audio that begins before the song.
const ON: Seconds = Seconds(60.0);
/// A map fits whose strokes have a mean vector as long as this.
const FITS: f64 = 0.5;
/// One place fits clearly better than another where the mean vector is longer by this much ...
const BETTER: f64 = 0.15;
/// ... and on beats where this much more speaks for it, of at most 1.5.
const BEATS_BETTER: f64 = 0.3;
/// Of the snare on beats, the least share on 2 and 4, and of the kick's the least on 1, where both lie as usual.
const BACKBEAT: f64 = 0.8;
const ON_ONE: f64 = 0.4;
/// Two places whose sums of both differ by less cannot be told apart.
const SAME: f64 = 0.05;
/// The best of all places may be there by chance with this probability.
const CHANCE: f64 = 0.001;

/// A main stroke: when, which drum, how strong (0..=1).
struct Beaten {
    time: Seconds,
    drum: Drum,
    weight: f64,
}

/// How the take fits a map slid by so much.
#[derive(Clone, Copy, Debug)]
struct Fit {
    by: Seconds,
    /// Length of the mean vector of the strokes from bar 1 on; strokes before it count as fitting nowhere.
    lines: f64,
    /// What speaks for kick and snare lying on their usual beats, −1.5..=1.5.
    beats: f64,
    /// Whether nearly all of what lies on beats is kick on 1 and snare on 2 and on 4, as in no part by chance.
    usual: bool,
}

impl Fit {
    fn sum(self) -> f64 {
        self.lines + self.beats
    }
}

/// Where bar 1 must lie for the take to fit; `None` where it fits as well as it is, or nowhere, or where nothing tells places
/// apart.
///
/// A map with tempo changes fits at one place only, so it is slid over the take. Under one tempo every grid step fits alike:
/// there only kick and snare tell, whose usual beats are kick on 1 and 3, snare on 2 and 4. Cost: under changing tempos some thousand
/// places with [`ENOUGH`] strokes, under one tempo the grid steps of a bar.
#[must_use]
pub(super) fn slide(list: &HitList, strokes: &[Stroke], map: &TempoMap, grid: Grid) -> Option<Slide> {
    let mut look = Look::new(list, strokes, map, grid)?;
    let here = look.settled(Seconds(0.0));
    let steady = map.tempos().len() == 1;
    let places = if steady { look.steps_of_a_bar(here) } else { look.peaks(here) };
    let best = places.iter().copied().max_by(|a, b| a.sum().total_cmp(&b.sum()))?;
    let chance = Circular { n: look.strokes.len(), mean: 0.0, resultant: best.lines }.chance() * look.tries;
    let far = best.by.0.abs() >= look.step.0 / 2.0;
    if !far || best.lines < FITS || chance > CHANCE || best.sum() < here.sum() + BEATS_BETTER {
        return None;
    }
    let told_by = if best.lines >= here.lines + BETTER { ToldBy::Tempos } else { ToldBy::Beats };
    let apart = |a: &Fit, b: &Fit| (a.by.0 - b.by.0).abs() > look.step.0 / 2.0;
    let mut also: Vec<Fit> =
        places.iter().filter(|p| apart(p, &best) && p.sum() > best.sum() - SAME).copied().collect();
    let clear = best.usual && best.beats >= here.beats + BEATS_BETTER && also.iter().all(|p| p.usual);
    if told_by == ToldBy::Beats && !clear {
        return None;
    }
    also.sort_by(|a, b| (a.by.0 - best.by.0).abs().total_cmp(&(b.by.0 - best.by.0).abs()));
    also.dedup_by(|a, b| !apart(a, b));
    let at = |p: &Fit| map.bar_one() + p.by;
    Some(Slide { bar_one: at(&best), told_by, also: also.iter().map(at).collect() })
}

/// A take and its map, ready to be slid.
struct Look<'a> {
    map: &'a TempoMap,
    grid: Grid,
    strokes: Vec<Beaten>,
    step: Seconds,
    bar: Seconds,
    tries: f64,
}

impl<'a> Look<'a> {
    fn new(list: &HitList, strokes: &[Stroke], map: &'a TempoMap, grid: Grid) -> Option<Self> {
        let every = strokes.len().div_ceil(ENOUGH).max(1);
        let mains = strokes.iter().step_by(every).filter_map(|s| list.hits.get(s.main));
        let strokes: Vec<Beaten> = mains
            .map(|h| Beaten { time: h.pos.at(list.rate), drum: h.drum, weight: f64::from(h.velocity.get()) / 127.0 })
            .collect();
        if strokes.len() < FEWEST {
            return None;
        }
        let bar = map.time_at(map.bar_start(2) as f64) - map.bar_one();
        Some(Self { map, grid, strokes, step: grid_step(map, grid, map.bar_one()), bar, tries: 1.0 })
    }

    /// Distance of a stroke from its nearest line as a share of the grid step, and that line's tick; `None` before bar 1.
    fn turn(&self, stroke: &Beaten, by: Seconds) -> Option<(f64, f64)> {
        let time = stroke.time - by;
        let line = self.map.nearest_line(time, self.grid);
        let away = (self.map.tick_at(time) - line.tick) / self.grid.step_ticks();
        (!before_bar_one(self.map, line.tick)).then_some((away, line.tick))
    }

    fn circle(&self, by: Seconds) -> (f64, f64) {
        let turns = self.strokes.iter().filter_map(|s| self.turn(s, by));
        let counted = Circular::of(turns.map(|(away, _)| TAU * away));
        let all = self.strokes.len() as f64;
        counted.map_or((0.0, 0.0), |c| (c.resultant * c.n as f64 / all, c.mean / TAU))
    }

    /// The fit near a place, slid on so that strokes lie on the lines in the mean.
    fn settled(&self, by: Seconds) -> Fit {
        let by = by + Seconds(self.circle(by).1 * self.step.0);
        self.fit(by, self.circle(by).0)
    }

    /// The fit at a place. For usual beats speak: kick on the bar's first and, half as much, its other odd beats, snare on the
    /// even ones; each drum on the other's beats speaks against them. Nothing does in meters of eighths, whose beats are no
    /// quarters.
    fn fit(&self, by: Seconds, lines: f64) -> Fit {
        let (mut sum, mut all, mut four) = (0.0, 0.0, true);
        let (mut kick, mut snare) = ([0.0; 4], [0.0; 4]);
        for s in &self.strokes {
            all += s.weight;
            let Some((_, tick)) = self.turn(s, by) else { continue };
            let BarBeat { bar, beat, tick } = self.map.bar_beat(tick);
            let meter = self.map.meter_of(bar);
            if tick != 0 || meter.unit != 4 {
                continue;
            }
            let even_bar = meter.beats.is_multiple_of(2);
            let for_kick = match (beat, beat % 2) {
                (1, _) => 1.5,
                (_, 0) if even_bar => -1.0,
                (_, 0) => -0.5,
                _ if even_bar => 0.5,
                _ => 0.0,
            };
            let is_kick = s.drum == Drum::Kick;
            sum += s.weight * if is_kick { for_kick } else { -for_kick };
            // A bar of two or of six among bars of four tells nothing of the backbeat; a song of others has none.
            four &= meter.beats.is_multiple_of(2);
            let row = if is_kick { &mut kick } else { &mut snare };
            if let Some(slot) = row.get_mut(beat as usize - 1) {
                *slot += s.weight;
            }
        }
        let (kicks, snares): (f64, f64) = (kick.iter().sum(), snare.iter().sum());
        let ([one, ..], [_, two, _, last]) = (kick, snare);
        let usual =
            four && one > ON_ONE * kicks && two + last > BACKBEAT * snares && two.min(last) > (1.0 - BACKBEAT) * snares;
        Fit { by, lines, beats: if all > 0.0 { sum / all } else { 0.0 }, usual }
    }

    /// Under one tempo: every grid step of a bar from here on.
    fn steps_of_a_bar(&self, here: Fit) -> Vec<Fit> {
        let steps = (self.bar.0 / self.step.0).round().max(1.0);
        (0..steps as u32).map(|k| self.fit(here.by + Seconds(f64::from(k) * self.step.0), here.lines)).collect()
    }

    /// Under changing tempos: the places that fit better than those around them.
    fn peaks(&mut self, here: Fit) -> Vec<Fit> {
        let first = self.strokes.first().map_or(Seconds(0.0), |s| s.time) - self.map.bar_one();
        // A song begins with a stroke, with rests, or with a pick-up of less than a bar.
        let (from, to) = (-BACK.0, (first.0 + self.bar.0).min(ON.0));
        let every = self.step.0 / TRIES_A_STEP;
        let tries = ((to - from) / every).ceil().max(0.0) as usize;
        self.tries = tries as f64;
        // A map slid to where strokes lie between its lines fits as little as one that they scatter on.
        let on_lines = |by: f64| {
            let (length, turn) = self.circle(Seconds(by));
            length * (TAU * turn).cos()
        };
        let row: Vec<f64> = (0..=tries).map(|k| on_lines(from + k as f64 * every)).collect();
        let mut out = vec![here];
        for (k, around) in row.windows(3).enumerate() {
            if let [before, at, after] = around
                && at > before
                && at >= after
                && *at > FITS / 2.0
            {
                out.push(self.settled(Seconds(from + (k + 1) as f64 * every)));
            }
        }
        out
    }
}

#[cfg(test)]
mod tests;
