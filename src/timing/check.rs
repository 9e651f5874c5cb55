//! The whole check of a take against its grid.
//!
//! In: hit list, tempo map, grid, form. Out: [`Timing`], everything that the report, the summary and `--json` show.

use super::bars::{BarTightness, Outlier, bars, halfway, worst, worst_bars};
use super::compare::{Halves, KickSnare};
use super::context::{Context, context};
use super::drift::{Drift, drift};
use super::feel::{Feel, Relation, circle, relation};
use super::leaves::leaves;
use super::place::{Count, Placed, place};
use super::slide::{Slide, slide};
use super::stats::median;
use super::strokes::{grid_step, strokes};
use super::swing::{Swing, swing};
use super::wander::{Wander, wander};
use super::words::Lean;
use crate::finding::Finding;
use crate::hits::HitList;
use crate::song::{Drum, Section};
use crate::tempo::{Grid, TempoMap};
use crate::units::Seconds;
pub(super) use common::NO_PLAYING_MS;
use common::common;
use findings::{findings, likely_factor};
use serde::Serialize;

mod common;
mod findings;
#[cfg(test)]
mod tests;

/// How to check.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct CheckSettings {
    /// Lines that strokes are compared with.
    pub grid: Grid,
    /// Half width of the window that counts as on the line, ms.
    pub window_ms: f64,
    /// How many bars to name as the worst.
    pub worst: usize,
}

impl CheckSettings {
    /// The usual window: ±10 ms.
    pub const WINDOW_MS: f64 = 10.0;
    /// The usual number of bars that are named.
    pub const WORST: usize = 8;

    /// Up to so many ms (rms) from where the drums usually sit a bar is even: half as much again as the window.
    #[must_use]
    pub fn even_bar_ms(&self) -> f64 {
        1.5 * self.window_ms
    }

    /// The usual settings on a grid.
    #[must_use]
    pub fn on(grid: Grid) -> Self {
        Self { grid, window_ms: Self::WINDOW_MS, worst: Self::WORST }
    }
}

/// A group of one drum's strokes and its feel.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Group<K> {
    /// What the group has in common: a section's name, a place in the bar.
    pub name: K,
    /// Its feel.
    pub feel: Feel,
}

/// One drum against the grid.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct DrumTiming {
    /// The drum.
    pub drum: Drum,
    /// Whether it follows the grid at all.
    pub relation: Relation,
    /// The whole take. `None` where it does not follow the grid: a mean would be invented.
    pub feel: Option<Feel>,
    /// Section by section, in the order of the form.
    pub sections: Vec<Group<String>>,
    /// Place in the bar by place in the bar.
    pub positions: Vec<Group<Count>>,
    /// First half against second.
    pub halves: Option<Halves>,
}

/// A section on the song's time line, for pictures.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SectionSpan {
    /// Its name.
    pub name: String,
    /// First bar.
    pub first_bar: i64,
    /// Bar after its last.
    pub end_bar: i64,
    /// Its start in the audio.
    pub from: Seconds,
    /// Its end in the audio.
    pub to: Seconds,
}

/// A take against its grid.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Timing {
    /// How it was checked.
    pub settings: CheckSettings,
    /// Strokes that were compared with the grid.
    pub strokes: usize,
    /// Grace notes and inner strokes of rolls, which count with their main stroke.
    pub ornaments: usize,
    /// Strokes of doubles and rolls faster than the grid that lie between its lines: no feel is taken from them.
    pub between_lines: usize,
    /// Strokes before bar 1, which count nowhere.
    pub before_bar_one: usize,
    /// Median time between two grid lines at the strokes, ms; without strokes at bar 1.
    pub step_ms: f64,
    /// Whether the take as a whole follows the grid.
    pub relation: Relation,
    /// What the map's tempo must be multiplied with where the same strokes fit twice, half or two thirds of it clearly better.
    pub likely_bpm_factor: Option<f64>,
    /// How offsets creep over the song.
    pub drift: Option<Drift>,
    /// Drum by drum.
    pub drums: Vec<DrumTiming>,
    /// An offset that every drum and every bar has alike and that is larger than playing explains, ms: more likely latency or
    /// the place of bar 1.
    pub common_ms: Option<f64>,
    /// Where bar 1 must lie for the take to fit its map, where only that is wrong.
    pub slide: Option<Slide>,
    /// The first bar of a second part that does not fit the grid, where the first part does.
    pub leaves_in_bar: Option<i64>,
    /// Where the take wanders about its usual place: whole bars that lie elsewhere.
    pub wander: Option<Wander>,
    /// Kick against snare.
    pub kick_snare: Option<KickSnare>,
    /// Swing of eighths and sixteenths, where enough pairs were played.
    pub swing: Vec<Swing>,
    /// Bar by bar.
    pub bars: Vec<BarTightness>,
    /// The bars furthest from where the drums usually sit, worst first.
    pub worst_bars: Vec<BarTightness>,
    /// The strokes that stand out, one a bar, worst first.
    pub worst: Vec<Outlier>,
    /// Strokes about half-way between two lines, in order of time: early or late cannot be told.
    pub halfway: Vec<Outlier>,
    /// The form on the time line.
    pub form: Vec<SectionSpan>,
    /// What the literature says.
    pub context: Vec<Context>,
    /// Things to look at.
    pub findings: Vec<Finding>,
    /// Every stroke.
    pub placed: Vec<Placed>,
}

/// Checks a take. `end` is the end of the audio where known. Never fails: what cannot be told is told as a finding.
#[must_use]
pub fn check(
    list: &HitList,
    map: &TempoMap,
    form: &[Section],
    settings: &CheckSettings,
    end: Option<Seconds>,
) -> Timing {
    let grid = settings.grid;
    let strokes = strokes(list, Some((map, grid)));
    let ornaments = strokes.iter().map(|s| s.hits.len() - 1).sum();
    let (placed, before) = place(list, &strokes, map, grid, form);
    let (relation_of_all, drift) = drift(&placed);
    let own: Vec<Placed> = placed.iter().filter(|p| p.on_own_line).cloned().collect();
    let drums = drums(&placed, form, settings, relation_of_all);
    let usual =
        |drum: Drum| drums.iter().find(|d| d.drum == drum).and_then(|d| d.feel.as_ref()).map_or(0.0, |f| f.median_ms);
    let feel = |drum: Drum| drums.iter().find(|d| d.drum == drum).and_then(|d| d.feel.as_ref());
    let placed_one = |drum: Drum| feel(drum).filter(|f| f.lean != Lean::Astray);
    let kick_snare = placed_one(Drum::Kick).zip(placed_one(Drum::Snare)).and_then(|(k, s)| KickSnare::of(&own, k, s));
    let follows = relation_of_all == Relation::Follows;
    let wander = if follows { wander(&own, usual) } else { None };
    let common_ms = common(&drums);
    let bars = if follows { bars(&own, usual) } else { Vec::new() };
    let step_ms = median(&placed.iter().map(|p| p.step_ms).collect::<Vec<_>>())
        .unwrap_or_else(|| grid_step(map, grid, map.bar_one()).ms());
    let mut timing = Timing {
        settings: *settings,
        strokes: placed.len(),
        ornaments,
        between_lines: placed.len() - own.len(),
        before_bar_one: before.len(),
        step_ms,
        relation: relation_of_all,
        drift,
        // Latency is the same in every bar.
        common_ms: common_ms.filter(|_| wander.is_none()),
        wander,
        slide: slide(list, &strokes, map, grid),
        leaves_in_bar: leaves(&placed),
        kick_snare,
        swing: if follows { swing(&placed) } else { Vec::new() },
        worst_bars: worst_bars(&bars, settings.even_bar_ms(), settings.worst),
        bars,
        worst: if follows { worst(&own, usual, settings.worst) } else { Vec::new() },
        halfway: if follows { halfway(&own, usual) } else { Vec::new() },
        form: spans(form, map),
        likely_bpm_factor: None,
        context: if placed.is_empty() { Vec::new() } else { context(step_ms) },
        findings: Vec::new(),
        drums,
        placed,
    };
    timing.likely_bpm_factor = likely_factor(&timing);
    timing.findings = findings(&timing, common_ms, list, map, form, end);
    timing
}

/// Where each drum sits on a grid over the whole take, as [`check`] tells it; drums that do not follow the grid are left out.
#[must_use]
pub fn feels(list: &HitList, map: &TempoMap, grid: Grid) -> Vec<(Drum, Feel)> {
    let (placed, _) = place(list, &strokes(list, Some((map, grid))), map, grid, &[]);
    let (whole, _) = drift(&placed);
    let drums = drums(&placed, &[], &CheckSettings::on(grid), whole);
    drums.into_iter().filter_map(|d| Some((d.drum, d.feel?))).collect()
}

fn drums(placed: &[Placed], form: &[Section], settings: &CheckSettings, whole: Relation) -> Vec<DrumTiming> {
    Drum::FOUND.iter().filter_map(|&d| drum_timing(d, placed, form, settings, whole)).collect()
}

fn drum_timing(
    drum: Drum,
    placed: &[Placed],
    form: &[Section],
    settings: &CheckSettings,
    whole: Relation,
) -> Option<DrumTiming> {
    let of: Vec<&Placed> = placed.iter().filter(|p| p.drum == drum).collect();
    if of.is_empty() {
        return None;
    }
    // A drum with few strokes is judged by the take that it is part of.
    let relation = match (whole, relation(circle(&of))) {
        (Relation::RunsAway { .. }, _) => whole,
        (Relation::Follows, Relation::TooFew) => Relation::Follows,
        (_, own) => own,
    };
    // A stroke between two lines says nothing of where the drum sits on them.
    let of: Vec<&Placed> = of.into_iter().filter(|p| p.on_own_line).collect();
    let told = matches!(relation, Relation::Follows | Relation::TooFew);
    let window = settings.window_ms;
    let mut counts: Vec<Count> = of.iter().map(|p| p.count).collect();
    counts.sort_unstable();
    counts.dedup();
    let sections = form.iter().enumerate().filter_map(|(i, section)| {
        let feel = Feel::of(of.iter().copied().filter(|p| p.section == Some(i)), window)?;
        Some(Group { name: section.name.clone(), feel })
    });
    let positions = counts.into_iter().filter_map(|count| {
        let feel = Feel::of(of.iter().copied().filter(|p| p.count == count), window)?;
        Some(Group { name: count, feel })
    });
    Some(DrumTiming {
        drum,
        relation,
        feel: told.then(|| Feel::of(of.iter().copied(), window)).flatten(),
        sections: if told { sections.collect() } else { Vec::new() },
        positions: if told { positions.collect() } else { Vec::new() },
        halves: if told { Halves::of(&of, window) } else { None },
    })
}

fn spans(form: &[Section], map: &TempoMap) -> Vec<SectionSpan> {
    form.iter()
        .map(|s| SectionSpan {
            name: s.name.clone(),
            first_bar: s.first_bar,
            end_bar: s.end_bar,
            from: map.time_at(map.bar_start(s.first_bar) as f64),
            to: map.time_at(map.bar_start(s.end_bar) as f64),
        })
        .collect()
}
