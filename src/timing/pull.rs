//! Hits moved a share of the way to the grid, within limits, never past one another.
//!
//! In: hit list, tempo map, grid, [`PullSettings`]. Out: [`Pulled`]: a target for every hit of the list, with the
//! reason why, and counts. The list itself is not changed.

use super::feel::{Relation, circle, relation};
use super::place::{Placed, before_bar_one, place};
use super::stats::median;
use super::strokes::{Stroke, grid_step, strokes};
use crate::error::{Error, Result};
use crate::hits::{HitList, State};
use crate::song::Drum;
use crate::tempo::{Grid, TempoMap};
use crate::units::{SamplePos, SampleRate, Seconds};
use serde::Serialize;
use std::collections::BTreeMap;

mod doubt;
#[cfg(test)]
mod tests;

pub use doubt::pull_doubts;

/// How far to pull.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct PullSettings {
    /// Share of the way to the grid, 0..=100 per cent.
    pub percent: f64,
    /// Hits further than this from their line stay where they are, ms. `None` = 40 % of the grid step:
    /// beyond that the nearest line may not be the one that was meant.
    pub limit_ms: Option<f64>,
    /// Hits closer than this to their line stay where they are, ms.
    pub leave_ms: f64,
}

impl PullSettings {
    /// The limit where none is set, as a share of the grid step.
    pub const LIMIT_OF_STEP: f64 = 0.4;
    /// A larger share of strokes that are left says that the grid is another one, or the take no take to pull.
    pub const MANY_LEFT: f64 = 0.2;

    /// A pull of some per cent with the usual limit.
    ///
    /// # Errors
    /// A usage error outside 0..=100.
    pub fn percent(percent: f64) -> Result<Self> {
        Self { percent, limit_ms: None, leave_ms: 0.0 }.checked()
    }

    /// The settings, if they make sense.
    ///
    /// # Errors
    /// A usage error when the percentage is outside 0..=100 or a limit is negative or not a number.
    pub fn checked(self) -> Result<Self> {
        if !(0.0..=100.0).contains(&self.percent) {
            return Err(Error::usage(
                format!("a pull of {} % is not possible", self.percent),
                "Choose 0 (as played) to 100 (on the grid) per cent.",
            ));
        }
        for (value, name) in [(self.limit_ms.unwrap_or(1.0), "limit"), (self.leave_ms, "leave")] {
            if !(value >= 0.0 && value.is_finite()) {
                return Err(Error::usage(
                    format!("{value} ms is no --{name} for a pull"),
                    "Choose 0 or more milliseconds.",
                ));
            }
        }
        Ok(self)
    }
}

/// Why a hit goes where it goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Because {
    /// Moved the wanted share of the way.
    Moved,
    /// Moved with its main stroke (flam, drag, roll, or a second hit at the same line).
    WithMain,
    /// Moved less than wanted, so as not to pass a neighbour.
    Neighbour,
    /// Already on its line, or closer than the hits that are to be left alone.
    Close,
    /// Further from its line than the limit.
    TooFar,
    /// Belongs before bar 1, where the grid is only an assumption.
    BeforeBarOne,
    /// Of a drum that has no relation to the grid, so that no line can be the one that was meant.
    NoRelation,
    /// Dropped by hand.
    Dropped,
}

impl Because {
    /// Whether the hit stays where it was played though its line lies elsewhere.
    #[must_use]
    pub fn leaves(self) -> bool {
        matches!(self, Because::TooFar | Because::BeforeBarOne | Because::NoRelation)
    }

    /// In words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Because::Moved => "moved",
            Because::WithMain => "moved with its main stroke",
            Because::Neighbour => "held back by a neighbour",
            Because::Close => "close enough",
            Because::TooFar => "too far from the grid",
            Because::BeforeBarOne => "before bar 1",
            Because::NoRelation => "of a drum with no relation to the grid",
            Because::Dropped => "dropped",
        }
    }
}

/// Where one hit of the list goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Target {
    /// As played.
    pub from: SamplePos,
    /// After the pull.
    pub to: SamplePos,
    /// Why.
    pub because: Because,
}

impl Target {
    /// How far it moves, ms; negative = earlier.
    #[must_use]
    pub fn move_ms(&self, rate: SampleRate) -> f64 {
        (self.to.at(rate) - self.from.at(rate)).ms()
    }
}

/// How many hits did what.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct PullCounts {
    /// Hits that moved.
    pub moved: usize,
    /// Hits that stayed.
    pub stayed: usize,
    /// Hits by reason.
    pub because: BTreeMap<Because, usize>,
    /// Median distance of those that moved, ms.
    pub median_ms: f64,
    /// Largest distance, ms.
    pub largest_ms: f64,
}

/// A pulled hit list.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Pulled {
    /// Rate that positions count in.
    pub rate: SampleRate,
    /// What was asked.
    pub settings: PullSettings,
    /// One target for each hit of the list, in the list's order.
    pub targets: Vec<Target>,
    /// How many did what.
    pub counts: PullCounts,
}

impl Pulled {
    /// Where the hit with an index in the list goes; `None` for an index outside the list.
    #[must_use]
    pub fn to(&self, hit: usize) -> Option<SamplePos> {
        self.targets.get(hit).map(|t| t.to)
    }

    /// Every target as a time, in the list's order: what trigger files take.
    #[must_use]
    pub fn times(&self) -> Vec<Seconds> {
        self.targets.iter().map(|t| t.to.at(self.rate)).collect()
    }

    /// The list with every hit at its target and no grid places, which no longer hold. Order is kept.
    #[must_use]
    pub fn applied(&self, list: &HitList) -> HitList {
        let mut out = list.clone();
        for (hit, target) in out.hits.iter_mut().zip(&self.targets) {
            hit.pos = target.to;
            hit.place = None;
        }
        out
    }

    /// One sentence: how many moved, how far, which not.
    #[must_use]
    pub fn sentence(&self) -> String {
        let c = &self.counts;
        let mut s = format!("{} of {} hits moved", c.moved, c.moved + c.stayed);
        if c.moved > 0 {
            s += &format!(", by {:.0} ms (median), {:.0} ms at the most", c.median_ms, c.largest_ms);
        }
        for (because, n) in &c.because {
            if !matches!(because, Because::Moved | Because::Dropped) {
                let words = because.words();
                s += &match because {
                    Because::WithMain if *n > 1 => format!("; {n} {}", words.replace(" its ", " their ")),
                    _ => format!("; {n} {words}"),
                };
            }
        }
        s
    }
}

/// Hits that share one shift.
struct Group {
    hits: Vec<usize>,
    main: usize,
    /// Samples; later is positive.
    shift: i64,
    because: Because,
}

/// Moves hits towards the grid. Hits of one drum stay apart, and no hit passes another of any drum. A drum without any
/// relation to the grid stays as played.
///
/// # Errors
/// A usage error for settings that make no sense.
pub fn pull(list: &HitList, map: &TempoMap, grid: Grid, settings: PullSettings) -> Result<Pulled> {
    let (placed, _) = place(list, &strokes(list, Some((map, grid))), map, grid, &[]);
    let scattered = |drum: &Drum| {
        let of: Vec<&Placed> = placed.iter().filter(|p| p.drum == *drum).collect();
        relation(circle(&of)) == Relation::None
    };
    let left: Vec<Drum> = Drum::FOUND.into_iter().filter(scattered).collect();
    pull_all_but(&left, list, map, grid, settings)
}

/// [`pull`], with the drums named that stay as played.
fn pull_all_but(left: &[Drum], list: &HitList, map: &TempoMap, grid: Grid, settings: PullSettings) -> Result<Pulled> {
    let settings = settings.checked()?;
    let mut groups = groups(list, map, grid, &settings);
    for group in &mut groups {
        let drum = list.hits.get(group.main).map(|h| h.drum);
        if drum.is_some_and(|d| left.contains(&d)) && group.because != Because::BeforeBarOne {
            (group.shift, group.because) = (0, Because::NoRelation);
        }
    }
    let order = order(list);
    let mut of = vec![None; list.hits.len()];
    for (g, group) in groups.iter().enumerate() {
        for &i in &group.hits {
            if let Some(slot) = of.get_mut(i) {
                *slot = Some(g);
            }
        }
    }
    hold_apart(list, &order, &of, &mut groups);
    let targets: Vec<Target> = list
        .hits
        .iter()
        .zip(&of)
        .enumerate()
        .map(|(i, (hit, g))| match g.and_then(|g| groups.get(g)) {
            None => Target { from: hit.pos, to: hit.pos, because: Because::Dropped },
            Some(group) => Target {
                from: hit.pos,
                to: SamplePos(hit.pos.0.saturating_add_signed(group.shift)),
                because: if i != group.main && group.because == Because::Moved {
                    Because::WithMain
                } else {
                    group.because
                },
            },
        })
        .collect();
    let counts = count(&targets, list.rate);
    Ok(Pulled { rate: list.rate, settings, targets, counts })
}

/// Strokes with the shift that each wants. A second stroke of a drum at one line goes with the stronger one.
fn groups(list: &HitList, map: &TempoMap, grid: Grid, settings: &PullSettings) -> Vec<Group> {
    let strokes = strokes(list, Some((map, grid)));
    let line = |s: &Stroke| list.hits.get(s.main).map(|h| map.nearest_line(h.pos.at(list.rate), grid));
    let mut by_line: BTreeMap<(Drum, i64), Vec<&Stroke>> = BTreeMap::new();
    for s in &strokes {
        // Lines of any grid lie more than a tick apart, so a quarter tick tells them apart.
        let key = line(s).map_or(i64::MIN, |l| (l.tick * 4.0).round() as i64);
        by_line.entry((s.drum, key)).or_default().push(s);
    }
    let mut out = Vec::with_capacity(strokes.len());
    for same in by_line.values() {
        let limit = |s: &Stroke| wish(list, map, grid, settings, s.main);
        let wishes: Vec<(&Stroke, i64, Because)> = same
            .iter()
            .map(|&s| {
                let (shift, because) = limit(s);
                (s, shift, because)
            })
            .collect();
        // Only strokes that would land on the line compete for it; those too far away stay where they are.
        let (near, far): (Vec<_>, Vec<_>) =
            wishes.into_iter().partition(|w| w.2 == Because::Moved || w.2 == Because::Close);
        out.extend(far.into_iter().map(|(s, shift, because)| Group {
            hits: s.hits.clone(),
            main: s.main,
            shift,
            because,
        }));
        let strongest = near
            .iter()
            .min_by_key(|(s, shift, _)| (std::cmp::Reverse(list.hits.get(s.main).map(|h| h.velocity)), shift.abs()));
        if let Some(&(lead, shift, because)) = strongest {
            let mut hits: Vec<usize> = near.iter().flat_map(|(s, ..)| s.hits.iter().copied()).collect();
            hits.sort_unstable();
            out.push(Group { hits, main: lead.main, shift, because });
        }
    }
    out
}

/// Shift in samples that one main hit wants.
fn wish(list: &HitList, map: &TempoMap, grid: Grid, settings: &PullSettings, main: usize) -> (i64, Because) {
    let Some(hit) = list.hits.get(main) else { return (0, Because::Dropped) };
    let time = hit.pos.at(list.rate);
    let line = map.nearest_line(time, grid);
    if before_bar_one(map, line.tick) {
        return (0, Because::BeforeBarOne);
    }
    let away = line.time - time;
    let limit =
        settings.limit_ms.map_or(Seconds(PullSettings::LIMIT_OF_STEP * grid_step(map, grid, time).0), Seconds::from_ms);
    if away.0.abs() > limit.0 {
        return (0, Because::TooFar);
    }
    let target = time + Seconds(away.0 * settings.percent / 100.0);
    let shift = target.sample(list.rate).0.cast_signed() - hit.pos.0.cast_signed();
    if away.ms().abs() < settings.leave_ms || shift == 0 { (0, Because::Close) } else { (shift, Because::Moved) }
}

/// Sounding hits in the order that must be kept.
fn order(list: &HitList) -> Vec<usize> {
    let mut order: Vec<usize> =
        (0..list.hits.len()).filter(|&i| list.hits.get(i).is_some_and(|h| h.state != State::Dropped)).collect();
    order.sort_by_key(|&i| (list.hits.get(i).map(|h| h.pos), i));
    order
}

/// Two hits of one drum stay at least this far apart, or as far as they were played where that was closer.
const APART: Seconds = Seconds(0.001);

/// Shortens shifts until no hit passes its neighbour. Shifts only ever shrink, and no shift at all breaks
/// nothing, so this ends.
fn hold_apart(list: &HitList, order: &[usize], of: &[Option<usize>], groups: &mut [Group]) {
    let apart = APART.sample(list.rate).0.cast_signed();
    let pairs = neighbours(list, order);
    loop {
        let mut changed = false;
        for &(a, b) in &pairs {
            let (Some(ha), Some(hb)) = (list.hits.get(a), list.hits.get(b)) else { continue };
            let (Some(&Some(ga)), Some(&Some(gb))) = (of.get(a), of.get(b)) else { continue };
            if ga == gb {
                continue;
            }
            let gap = hb.pos.0.cast_signed() - ha.pos.0.cast_signed();
            let least = if ha.drum == hb.drum { gap.min(apart) } else { 0 };
            let shift = |g: usize, groups: &[Group]| groups.get(g).map_or(0, |g| g.shift);
            let mut excess = shift(ga, groups) - shift(gb, groups) - gap + least;
            if excess <= 0 {
                continue;
            }
            changed = true;
            if let Some(g) = groups.get_mut(ga).filter(|g| g.shift > 0) {
                let take = excess.min(g.shift);
                g.shift -= take;
                g.because = Because::Neighbour;
                excess -= take;
            }
            if let Some(g) = groups.get_mut(gb).filter(|g| g.shift < 0 && excess > 0) {
                g.shift += excess.min(-g.shift);
                g.because = Because::Neighbour;
            }
        }
        if !changed {
            return;
        }
    }
}

/// Pairs whose order must hold: each hit with the next one, and with the next one of its own drum.
fn neighbours(list: &HitList, order: &[usize]) -> Vec<(usize, usize)> {
    let mut last = BTreeMap::new();
    let mut out = Vec::with_capacity(2 * order.len());
    let mut before = None;
    for &i in order {
        let Some(hit) = list.hits.get(i) else { continue };
        let own = last.insert(hit.drum, i);
        out.extend(before.map(|b| (b, i)));
        out.extend(own.filter(|o| Some(*o) != before).map(|o| (o, i)));
        before = Some(i);
    }
    out
}

fn count(targets: &[Target], rate: SampleRate) -> PullCounts {
    let mut counts = PullCounts::default();
    let mut moves = Vec::new();
    for t in targets {
        if t.because == Because::Dropped {
            continue;
        }
        *counts.because.entry(t.because).or_default() += 1;
        if t.from == t.to {
            counts.stayed += 1;
        } else {
            counts.moved += 1;
            moves.push(t.move_ms(rate).abs());
        }
    }
    counts.median_ms = median(&moves).unwrap_or(0.0);
    counts.largest_ms = moves.iter().copied().fold(0.0, f64::max);
    counts
}
