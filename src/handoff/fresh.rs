//! Whether a printed layer still fits the sheet and the hit list.
//!
//! In: the map that was written with the layers (`layer.csv`), the song and its hit list as they stand. Out: a finding for
//! each layer that was printed with other settings or from another list.

use crate::finding::Finding;
use crate::hits::{Hit, HitList, State};
use crate::layer::PrintedWith;
use crate::mix::PrintedLayer;
use crate::song::{Drum, LayerPlan, Song};
use crate::timing::{PullSettings, pull};
use crate::units::{Decibels, SamplePos, Seconds, Velocity};
use std::collections::BTreeMap;
use std::path::Path;

/// Strokes nearer than this may share one printed sample.
const TOGETHER: Seconds = Seconds(0.005);
/// What is wrong with a map without its columns.
const UNREADABLE: &str = "its map cannot be read";

/// Checks printed layers against sheet and hit list, where there is one. `map` is the text of `layer.csv`, `None` where
/// there is none.
#[must_use]
pub fn out_of_date(
    song: &Song,
    layers: &[PrintedLayer],
    hits: Option<&HitList>,
    map: Option<&str>,
    csv: &Path,
) -> Vec<Finding> {
    let Some(text) = map else {
        if layers.is_empty() {
            return Vec::new();
        }
        let what = "there is no map of the printed layers, so it cannot be told whether they fit the hit list";
        return vec![Finding::song(what, "Print the layers again with `underlay print`.")];
    };
    layers.iter().filter_map(|l| stale(song, &l.plan, hits, text, csv)).collect()
}

/// How a layer does not fit the hit list, or the mic that it lies under, as a clause about it; `None` where it does. `map`
/// is the text of `layer.csv`. How the sheet wants it is not asked: it may have been printed by hand.
#[must_use]
pub fn how_out_of_date(song: &Song, plan: &LayerPlan, hits: &HitList, map: &str) -> Option<String> {
    let Some(printed) = Printed::read(map, &plan.name) else { return Some(UNREADABLE.into()) };
    let other_mic = printed.with.as_ref().and_then(|with| with.other_mic(&PrintedWith::of(song, plan)));
    other_mic.map(|how| format!("it was {how}")).or_else(|| differs(song, plan, hits, &printed))
}

fn stale(song: &Song, plan: &LayerPlan, hits: Option<&HitList>, map: &str, csv: &Path) -> Option<Finding> {
    let error = |what: String, remedy: &str| Some(Finding::error(csv, what, remedy));
    let again = "Print the layers again with `underlay print`, so that they lie under the strokes of the hit list.";
    let out_of_date = |how: String| error(format!("the layer {} is out of date: {how}", plan.name), again);
    if !song.layers.iter().any(|l| l.name == plan.name) {
        return out_of_date(how_out_of_date(song, plan, hits?, map)?);
    }
    let Some(printed) = Printed::read(map, &plan.name) else { return out_of_date(UNREADABLE.into()) };
    let others = match &printed.with {
        Some(with) => with.differences(&PrintedWith::of(song, plan)),
        None if printed.rows.is_empty() => Vec::new(),
        None => {
            return error(
                format!("it does not tell which settings the layer {} was printed with", plan.name),
                "Print the layers again with `underlay print`.",
            );
        }
    };
    if !others.is_empty() {
        return error(
            format!("the layer {} was printed with other settings ({})", plan.name, others.join("; ")),
            "Print the layers again with `underlay print`; what was given on its command line goes into the sheet first.",
        );
    }
    out_of_date(differs(song, plan, hits?, &printed)?)
}

/// A layer as its map tells it.
struct Printed {
    /// Its settings; `None` where the map does not tell.
    with: Option<PrintedWith>,
    /// Its strokes, by the sample of the real stroke.
    rows: BTreeMap<u64, Row>,
}

/// A printed stroke. What the map does not tell is `None`.
#[derive(Debug, PartialEq)]
struct Row {
    /// Sample that it was to fall on: the real stroke's, or its place on the grid.
    target: Option<i64>,
    velocity: Option<Velocity>,
    section: Option<String>,
}

impl Printed {
    fn read(text: &str, layer: &str) -> Option<Self> {
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let headers = reader.headers().ok()?.clone();
        let column = |name: &str| headers.iter().position(|h| h == name);
        let (name, real) = (column("layer")?, column("real_sample")?);
        let [attack, lag, velocity, section, with] =
            ["attack_sample", "lag_samples", "velocity", "section", "printed_with"].map(column);
        let mut out = Self { with: None, rows: BTreeMap::new() };
        for row in reader.records() {
            let row = row.ok()?;
            if row.get(name)? != layer {
                continue;
            }
            let cell = |at: Option<usize>| at.and_then(|at| row.get(at));
            let number = |at| cell(at).and_then(|text| text.parse::<f64>().ok());
            out.with = out.with.or_else(|| cell(with).and_then(PrintedWith::read));
            let told = Row {
                target: number(attack).zip(number(lag)).map(|(attack, lag)| attack as i64 - lag.round() as i64),
                velocity: number(velocity).map(Velocity::nearest),
                section: cell(section).filter(|s| !s.is_empty()).map(str::to_owned),
            };
            out.rows.insert(row.get(real)?.parse().ok()?, told);
        }
        Some(out)
    }
}

fn differs(song: &Song, plan: &LayerPlan, hits: &HitList, printed: &Printed) -> Option<String> {
    let end = song.frames();
    let share = printed.with.as_ref().and_then(PrintedWith::pull).unwrap_or(plan.pull);
    let targets = targets(song, plan.drum, hits, share);
    let target = |h: &Hit| targets.get(&h.pos.0).map_or(h.pos.0, |t| t.0);
    let mut now: BTreeMap<u64, &Hit> = BTreeMap::new();
    for hit in hits.of(plan.drum).filter(|h| h.pos.0 < end) {
        now.entry(hit.pos.0).or_insert(hit);
    }
    let gone = printed.rows.keys().filter(|p| !now.contains_key(p)).count();
    let near = song.rate().samples(TOGETHER);
    let has = |h: &Hit| printed.rows.range(h.pos.0.saturating_sub(near)..=h.pos.0).next().is_some();
    let sounds = |h: &Hit| h.pos.0 < end && target(h) < end && level_in(plan, section_of(song, h)).is_some();
    let new = hits.of(plan.drum).filter(|h| sounds(h) && !has(h)).count();
    match (gone, new) {
        (0, 0) => {}
        (1, 0) => return Some("it sounds at one place where the hit list has no stroke any more".into()),
        (0, 1) => return Some("one stroke of the hit list is not in it".into()),
        (gone, 0) => return Some(format!("it sounds at {gone} places where the hit list has no stroke any more")),
        (0, new) => return Some(format!("{new} strokes of the hit list are not in it")),
        (gone, new) => {
            return Some(format!("{gone} of its strokes are no longer in the hit list, and {new} are missing"));
        }
    }
    let count = |other: &dyn Fn(&Hit, &Row) -> bool| {
        printed.rows.iter().filter(|(pos, row)| now.get(pos).is_some_and(|hit| other(hit, row))).count()
    };
    let velocity = count(&|hit, row| row.velocity.is_some_and(|then| then != hit.velocity));
    let place = count(&|hit, row| row.target.is_some_and(|then| then != target(hit) as i64));
    let level = count(&|hit, row| level_in(plan, row.section.as_deref()) != level_in(plan, section_of(song, hit)));
    let ways = [
        (velocity, "another velocity in the hit list now"),
        (place, "another place on the grid now"),
        (level, "another level by the form now"),
    ];
    let (count, what) = ways.into_iter().find(|(n, _)| *n > 0)?;
    Some(if count == 1 {
        format!("one of its strokes has {what}")
    } else {
        format!("{count} of its strokes have {what}")
    })
}

/// Where the strokes of a drum are to be printed, by their samples; empty where they stay as played.
fn targets(song: &Song, drum: Drum, hits: &HitList, share: f64) -> BTreeMap<u64, SamplePos> {
    let mut out = BTreeMap::new();
    let Some(map) = song.tempo.as_ref().filter(|_| share > 0.0) else { return out };
    let Ok(pulled) = PullSettings::percent(share).and_then(|settings| pull(hits, map, song.grid, settings)) else {
        return out;
    };
    for (hit, target) in hits.hits.iter().zip(&pulled.targets) {
        if hit.drum == drum && hit.state != State::Dropped {
            out.entry(hit.pos.0).or_insert(target.to);
        }
    }
    out
}

/// Level of a layer in a section, dB; `None` where it is silent.
fn level_in(plan: &LayerPlan, section: Option<&str>) -> Option<Decibels> {
    let own = section.and_then(|s| plan.sections.iter().find(|(name, _)| name == s));
    own.map_or(Some(Decibels(0.0)), |(_, level)| *level)
}

/// The section that a stroke lies in.
fn section_of<'s>(song: &'s Song, hit: &Hit) -> Option<&'s str> {
    let bar = song.tempo.as_ref()?.bar_beat_at(hit.pos.at(song.rate())).bar;
    song.form.iter().find(|s| (s.first_bar..s.end_bar).contains(&bar)).map(|s| s.name.as_str())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_map_is_read_by_the_names_of_its_columns() {
        let text = "layer,drum,hit,real_sample\r\n\"fat, low\",snare,1,4800\r\nother,kick,1,9\r\n";
        let strokes = |text, layer| Printed::read(text, layer).map(|p| p.rows.into_keys().collect::<Vec<_>>());
        assert_eq!(strokes(text, "fat, low"), Some(vec![4800]));
        assert_eq!(strokes(text, "none"), Some(Vec::new()));
        assert_eq!(strokes("layer,drum\r\nx,snare\r\n", "x"), None);
    }

    #[test]
    fn the_map_tells_where_a_stroke_was_to_fall() {
        let text = "layer,real_sample,attack_sample,lag_samples,velocity,section\r\nfat,4800,4753,-46.5,99,verse\r\n";
        let row = Printed::read(text, "fat").and_then(|mut p| p.rows.remove(&4800));
        let velocity = Some(Velocity::nearest(99.0));
        assert_eq!(row, Some(Row { target: Some(4800), velocity, section: Some("verse".into()) }));
    }
}
