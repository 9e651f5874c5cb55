//! What a musician should look at before anything else is judged.
//!
//! In: the check of a take. Out: findings, in the order in which they should be read.

use super::super::feel::{CROWDED, FEW, Relation, circle, relation};
use super::super::place::{Placed, place};
use super::super::slide::{Slide, ToldBy};
use super::super::stats::Circular;
use super::super::strokes::strokes;
use super::super::wander::Wander;
use super::super::words::early_late;
use super::Timing;
use crate::finding::{Finding, Weight};
use crate::hits::HitList;
use crate::song::Section;
use crate::tempo::{Grid, TempoMap};
use crate::units::Seconds;
use std::f64::consts::TAU;

/// `common_ms`: the offset that all drums have alike, though the take may wander about it.
pub(super) fn findings(
    t: &Timing,
    common_ms: Option<f64>,
    list: &HitList,
    map: &TempoMap,
    form: &[Section],
    end: Option<Seconds>,
) -> Vec<Finding> {
    let mut out = Vec::new();
    let sounding = t.strokes + t.before_bar_one;
    if sounding == 0 {
        out.push(Finding::song(
            "There are no hits to check.",
            "Look at the hit list: a lower --threshold or --floor finds more, and rows with state `dropped` do not count.",
        ));
        return out;
    }
    if t.strokes == 0 {
        out.push(Finding::song(
            format!("All {sounding} hits lie before bar 1, which begins at {}.", map.bar_one()),
            "Check where bar 1 begins in the audio, and that tempo and recording start at the same point.",
        ));
        return out;
    }
    if t.before_bar_one > 0 {
        let (lie, they) = if t.before_bar_one == 1 { ("lies", "it is") } else { ("lie", "they are") };
        let mut note = Finding::song(
            format!(
                "{} of {sounding} strokes {lie} before bar 1 (which begins at {}); {they} not counted and not moved.",
                t.before_bar_one,
                map.bar_one()
            ),
            "",
        );
        note.weight = Weight::Note;
        out.push(note);
    }
    if t.strokes == 1 {
        out.push(Finding::song(
            "There is only one hit: it has an offset, but one hit is no feel.",
            "Check a longer take, or a lower --threshold.",
        ));
    } else if t.strokes < FEW {
        out.push(Finding::song(
            format!("There are only {} hits, too few to tell whether they follow the grid.", t.strokes),
            "Check a longer take, or a lower --threshold.",
        ));
    }
    if let Some(slide) = &t.slide {
        // Everything else that could be said is said of strokes on the wrong lines.
        out.push(slide_finding(t, slide, list, map));
    } else if let Some(short) = short_map(t, map) {
        out.push(short);
    } else if let Some(bar) = t.leaves_in_bar {
        out.push(leaves_finding(bar));
    } else {
        out.extend(tempo_finding(t, map));
        out.extend(match (common_ms, &t.wander) {
            (Some(ms), Some(wander)) => Some(wander_finding(ms, wander)),
            _ => common_finding(t, map),
        });
        out.extend(relation_finding(t, map));
        out.extend(grid_findings(t));
    }
    out.extend(form_findings(t, map, form, end));
    let last = list.hits.iter().map(|h| h.pos).max().unwrap_or_default().at(list.rate);
    if let Some(end) = end
        && last > end
    {
        out.push(Finding::song(
            format!("The last hit lies at {last}, after the end of the audio at {end}."),
            "Check that hit list and audio belong together.",
        ));
    }
    out
}

/// The map is right and only bar 1 lies elsewhere.
fn slide_finding(t: &Timing, slide: &Slide, list: &HitList, map: &TempoMap) -> Finding {
    let (at, set) = (slide.bar_one, map.bar_one());
    let moved = map.clone().with_bar_one(at);
    let (placed, _) = place(list, &strokes(list, Some((&moved, t.settings.grid))), &moved, t.settings.grid, &[]);
    let own: Vec<&Placed> = placed.iter().filter(|p| p.on_own_line).collect();
    let inside = own.iter().filter(|p| p.offset_ms.abs() <= t.settings.window_ms).count();
    let within = 100.0 * inside as f64 / own.len().max(1) as f64;
    let window = t.settings.window_ms;
    let key = format!("bar_one = {:.3} in [tempo] of the sheet", at.0);
    let other: Vec<String> = slide.also.iter().take(3).map(ToString::to_string).collect();
    let also = match other.split_last() {
        None => String::new(),
        Some((one, [])) => format!(" Bar 1 at {one} fits about as well."),
        Some((last, rest)) => format!(" Bar 1 at {} or {last} fits about as well.", rest.join(", ")),
    };
    let bars = if map.tempos_from_bar_one().len() == 1 {
        " Whole bars earlier or later fit alike: check the bar numbers against your session."
    } else {
        ""
    };
    match slide.told_by {
        ToldBy::Tempos => Finding::song(
            format!(
                "The take fits this map if bar 1 lies at {at} and not at {set}: {within:.0} % of the strokes then lie within {window:.0} ms."
            ),
            format!("Put {key}, and check again before you judge or pull anything.{also}"),
        ),
        ToldBy::Beats => Finding::song(
            format!(
                "Bar 1 probably lies at {at} and not at {set}: there the kick lies on 1 and the snare on 2 and 4, and {within:.0} % of the strokes within {window:.0} ms of the grid."
            ),
            format!("If the recording does not begin with bar 1, put {key}.{bars}{also}"),
        ),
    }
}

/// The grid fits a first part of the take and no more after it: that is no matter of a coarser grid.
fn leaves_finding(bar: i64) -> Finding {
    Finding::song(
        format!("The take fits this grid up to bar {}, and from bar {bar} on it does not.", bar - 1),
        "If the tempo changes there, give the song's tempo track in place of one tempo, or let it be found from the hits with \
         --find-tempo; if it does not, listen to that bar for an edit.",
    )
}

fn common_finding(t: &Timing, map: &TempoMap) -> Option<Finding> {
    let ms = t.common_ms?;
    let way = if ms < 0.0 { "before" } else { "behind" };
    // Under one tempo a grid step more fits alike.
    let steps =
        if map.tempos_from_bar_one().len() == 1 { ", and so does any place whole grid steps from there" } else { "" };
    Some(Finding::song(
        format!(
            "All drums lie about {:.0} ms {way} the grid alike: that is more likely the recording's latency, or where bar 1 is set, than playing.",
            ms.abs()
        ),
        format!(
            "Check the interface's latency and where bar 1 begins before you judge or pull anything; bar_one = {:.3} in [tempo] of the sheet puts the grid where the take lies{steps}.",
            map.bar_one().0 + ms / 1000.0
        ),
    ))
}

/// Every drum lies off alike, but not in every bar: no latency does that.
fn wander_finding(ms: f64, wander: &Wander) -> Finding {
    Finding::song(
        format!(
            "All drums lie about {} alike, but not steadily: the take wanders {}; {}.",
            early_late(ms),
            wander.between(),
            wander.runs()
        ),
        "Listen to those bars against the click. Latency would be the same in every bar, so leave bar_one as it is unless the \
         bars that sit well lie off too; where there was no click, let the tempo be found from the hits.",
    )
}

fn relation_finding(t: &Timing, map: &TempoMap) -> Option<Finding> {
    match t.relation {
        Relation::None if t.likely_bpm_factor.is_some() => None,
        Relation::None => other_grid(t).or_else(|| Some(match coarser_grid(t) {
            Some(lines) => Finding::song(
                format!(
                    "The hits have no relation to this grid: its lines lie only {:.0} ms apart, finer than the hits are spaced and spread.",
                    t.step_ms
                ),
                format!("Choose --grid {lines}, which the hits follow."),
            ),
            None => Finding::song(
                "The hits have no relation to this grid: they lie anywhere between its lines.",
                "Check the tempo, the start of bar 1 and the grid; where there was no click, let the tempo be found from the hits.",
            ),
        })),
        Relation::RunsAway { bpm_factor } => {
            let bpm = map.tempos_from_bar_one().first().map_or(0.0, |c| 60e6 / f64::from(c.us_per_quarter));
            let said = if map.tempos_from_bar_one().len() == 1 {
                format!("the take fits {:.2} BPM, the map says {bpm:.2}", bpm * bpm_factor)
            } else {
                format!("the take runs {:+.2} % against the map", (bpm_factor - 1.0) * 100.0)
            };
            let over = t.drift.map_or(0.0, |d| d.over_song_ms.abs());
            Some(Finding::song(
                format!("The hits run through the grid, {over:.0} ms over the song: {said}."),
                "Check the tempo; where there was no click, let the tempo be found from the hits.",
            ))
        }
        Relation::Follows | Relation::TooFew => None,
    }
}

/// Strokes fit another grid clearly better where their mean vector there is longer by this much.
const CLEARLY: f64 = 0.2;

/// Whether strokes follow a grid so well that it may be advised: the strokes of a song gather a little on many grids that
/// nobody plays to.
fn is_worth_naming(there: Option<Circular>) -> bool {
    relation(there) == Relation::Follows && there.is_some_and(|c| c.resultant >= CROWDED)
}

/// How the strokes lie on the circle of a grid whose step is `share` times this grid's.
fn on_step(t: &Timing, share: f64) -> Option<Circular> {
    let step = t.settings.grid.step_ticks() * share;
    Circular::of(t.placed.iter().map(|p| TAU * (p.line.tick + p.offset_ticks) / step))
}

/// Whether the strokes follow a grid whose step is `share` times this grid's, and clearly better than this one.
fn fits_better(t: &Timing, share: f64) -> bool {
    let here = on_step(t, 1.0).map_or(0.0, |c| c.resultant);
    let there = on_step(t, share);
    is_worth_naming(there) && there.is_some_and(|c| c.resultant >= here + CLEARLY)
}

/// Another grid at the same tempo that strokes follow which have no relation to this one, as what to say and what to choose.
fn other_grid(t: &Timing) -> Option<Finding> {
    let lines = t.settings.grid.lines_per_whole;
    if t.relation != Relation::None || !is_straight(t.settings.grid) {
        return None;
    }
    // Triplets on a straight grid look like a tempo half as fast again; they are far more usual.
    let triplets = [lines * 3 / 4, lines * 3 / 2];
    if let Some(n) = triplets.into_iter().find(|n| lines >= 8 && fits_better(t, f64::from(lines) / f64::from(*n))) {
        return Some(Finding::song(
            "The hits have no relation to this grid, but they follow triplets.",
            format!("Choose --grid 1/{}t.", n * 2 / 3),
        ));
    }
    (lines <= 8 && fits_better(t, 0.5)).then(|| {
        Finding::song(
            "The hits have no relation to this grid: they lie on lines that it does not have.",
            format!("Choose --grid 1/{}, which the hits follow.", lines * 2),
        )
    })
}

fn is_straight(grid: Grid) -> bool {
    grid.swing == 0.5 && !grid.is_triplet()
}

/// What the map's tempo must be multiplied with where the same strokes fit twice, half or two thirds of it clearly better.
pub(super) fn likely_factor(t: &Timing) -> Option<f64> {
    let none = t.relation == Relation::None;
    if (!none && t.relation != Relation::Follows) || other_grid(t).is_some() {
        return None;
    }
    // A tempo twice as high has lines half as far apart.
    let tried: &[f64] = if none { &[2.0, 0.5, 2.0 / 3.0] } else { &[0.5] };
    let length = |factor: &f64| on_step(t, 1.0 / factor).map_or(0.0, |c| c.resultant);
    let fitting = tried.iter().copied().filter(|factor| fits_better(t, 1.0 / factor));
    fitting.max_by(|a, b| length(a).total_cmp(&length(b)))
}

/// The figures cannot tell a tempo from a grid, so both are named where both are usual. Hits that follow the grid and half the
/// tempo better are as often eighths, played loosely on a grid of sixteenths: that is worth a note and no doubt of the tempo.
fn tempo_finding(t: &Timing, map: &TempoMap) -> Option<Finding> {
    let factor = t.likely_bpm_factor?;
    let (share, than) = match factor {
        f if f > 1.0 => ("twice", "twice the map's"),
        0.5 => ("half", "half the map's"),
        _ => ("two thirds of", "two thirds of the map's"),
    };
    let bpm = match map.tempos_from_bar_one() {
        [one] => Some((short(one.bpm() * factor), short(one.bpm()))),
        _ => None,
    };
    let lines = t.settings.grid.lines_per_whole;
    let other = if factor > 1.0 { lines * 2 } else { lines / 2 };
    let either = is_straight(t.settings.grid) && (4..=32).contains(&other) && (factor > 1.0 || factor == 0.5);
    let grid = if either {
        format!(" If the tempo is right, choose --grid 1/{other}, which the hits follow too.")
    } else {
        String::new()
    };
    if t.relation == Relation::Follows {
        let may = bpm.map_or_else(|| than.to_owned(), |(fits, set)| format!("{fits} rather than {set} BPM"));
        let what = format!("The hits fit {share} the tempo clearly better: it may be {may}.");
        return Some(Finding { weight: Weight::Note, ..Finding::song(what, grid.trim_start()) });
    }
    let is = bpm.map_or_else(|| than.to_owned(), |(fits, set)| format!("{fits}, not {set} BPM"));
    Some(Finding::song(
        format!(
            "The hits have no relation to this grid: they fit {share} the tempo clearly better, so the tempo is probably {is}."
        ),
        format!("Check the tempo before you judge or pull anything.{grid}"),
    ))
}

/// A tempo with two decimals at the most: `80`, `92.5`.
fn short(bpm: f64) -> String {
    let text = format!("{bpm:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// The finest coarser grid that the hits follow.
fn coarser_grid(t: &Timing) -> Option<Grid> {
    let name = t.settings.grid.lines_per_whole;
    [2u32, 4].into_iter().filter(|f| name.is_multiple_of(*f) && name / f >= 4).find_map(|factor| {
        let step = t.settings.grid.step_ticks() * f64::from(factor);
        let turns = t.placed.iter().map(|p| TAU * (p.line.tick + p.offset_ticks) / step);
        is_worth_naming(Circular::of(turns)).then_some(Grid { lines_per_whole: name / factor, swing: 0.5 })
    })
}

/// Is the grid one that these strokes can be compared with?
fn grid_findings(t: &Timing) -> Vec<Finding> {
    let mut out = Vec::new();
    let all: Vec<&Placed> = t.placed.iter().collect();
    let name = t.settings.grid.lines_per_whole;
    let line_ms = format!("{:.0} ms", t.step_ms);
    let grid = t.settings.grid;
    let triplets = grid.triplets().map_or_else(String::new, |word| format!(" of {word}"));
    if t.strokes >= FEW && t.relation == Relation::Follows && circle(&all).is_some_and(|c| c.resultant < CROWDED) {
        out.push(Finding::song(
            format!(
                "The lines of a {grid} grid{triplets} lie only {line_ms} apart, closer than these hits can be told apart: some hits may be compared with the wrong line."
            ),
            coarser_grid(t).map_or_else(
                || "Check the tempo and the start of bar 1; where there was no click, let the tempo be found from the hits.".into(),
                |lines| format!("Choose --grid {lines}, which the hits follow."),
            ),
        ));
    } else if t.strokes >= 2 * FEW && t.settings.grid.swing == 0.5 {
        // Every second line unused: the same offsets come out of a grid half as fine, with less risk.
        let step = t.settings.grid.step_ticks();
        let odd = t.placed.iter().filter(|p| (p.line.tick / step).round().rem_euclid(2.0) == 1.0).count();
        if odd == 0 && name > 4 && name.is_multiple_of(2) {
            let mut note = Finding::song(
                format!(
                    "No hit uses the finest lines of the {grid} grid{triplets} ({line_ms} apart): the grid is finer than the hits' spacing."
                ),
                format!(
                    "--grid {} gives the same offsets, and no hit can fall to a wrong line.",
                    Grid { lines_per_whole: name / 2, ..grid }
                ),
            );
            note.weight = Weight::Note;
            out.push(note);
        }
    }
    out
}

/// Does the map with its changes reach as far as the hits? Its last tempo runs on for ever; where the hits leave it
/// there, the map is too short.
fn short_map(t: &Timing, map: &TempoMap) -> Option<Finding> {
    let last = map.tempos().last().filter(|_| map.tempos().len() > 1)?.tick as f64;
    let (head, tail): (Vec<&Placed>, Vec<&Placed>) = t.placed.iter().partition(|p| p.line.tick < last);
    let follows = |part: &[&Placed]| relation(circle(part));
    (follows(&head) == Relation::Follows && follows(&tail) == Relation::None).then(|| {
        Finding::song(
            format!(
                "The tempo map seems shorter than the song: from bar {} on, where its last change lies, the hits no longer follow the grid.",
                map.bar_beat(last).bar
            ),
            "Export the tempo track again for the whole song; where the tempo was found from the hits, it is wrong from there on.",
        )
    })
}

/// Does the form cover the hits, and do the markers lie in the song?
fn form_findings(t: &Timing, map: &TempoMap, form: &[Section], end: Option<Seconds>) -> Vec<Finding> {
    let mut out = Vec::new();
    if let (Some(first), Some(last)) = (form.first(), form.last()) {
        let outside = t.placed.iter().filter(|p| p.section.is_none());
        let bars: Vec<i64> = outside.map(|p| map.bar_beat(p.line.tick).bar).collect();
        let early = bars.iter().filter(|bar| **bar < first.first_bar).count();
        let late = bars.iter().filter(|bar| **bar >= last.end_bar).count();
        for (n, where_) in [
            (early, format!("before the first section, \"{}\" in bar {}", first.name, first.first_bar)),
            (bars.len() - early - late, "between sections of the form".into()),
            (late, format!("behind the form, which ends with \"{}\" before bar {}", last.name, last.end_bar)),
        ] {
            if n > 0 {
                let hits = if n == 1 { "One hit lies".to_owned() } else { format!("{n} hits lie") };
                let what = format!("{hits} in no section: {where_}.");
                out.push(Finding::song(what, "Add the missing section to the form."));
            }
        }
    }
    if let Some(end) = end {
        for m in map.markers() {
            let at = map.time_at(m.tick as f64);
            if at > end {
                out.push(Finding::song(
                    format!("The marker \"{}\" lies at {at}, after the end of the audio at {end}.", m.name),
                    "Move or remove the marker, or check that tempo track and audio belong together.",
                ));
            }
        }
    }
    out
}
