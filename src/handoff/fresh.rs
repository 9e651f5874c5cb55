//! Whether a printed layer still fits the hit list.
//!
//! In: the map that was written with the layers (`layer.csv`), the hit list as it stands. Out: a finding for each layer
//! that was printed from another list.

use crate::finding::Finding;
use crate::hits::{Hit, HitList};
use crate::mix::PrintedLayer;
use crate::song::{LayerPlan, Song};
use crate::units::Seconds;
use std::collections::BTreeSet;
use std::path::Path;

/// Strokes nearer than this may share one printed sample.
const TOGETHER: Seconds = Seconds(0.005);

/// Checks printed layers against the hit list. `map` is the text of `layer.csv`, `None` where there is none.
#[must_use]
pub fn out_of_date(
    song: &Song,
    layers: &[PrintedLayer],
    hits: &HitList,
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
    layers
        .iter()
        .map(|l| &l.plan)
        .filter_map(|plan| how_out_of_date(song, plan, hits, text).map(|what| stale(csv, plan, &what)))
        .collect()
}

/// How a layer does not fit the hit list, as a clause about it; `None` where it does. `map` is the text of `layer.csv`.
#[must_use]
pub fn how_out_of_date(song: &Song, plan: &LayerPlan, hits: &HitList, map: &str) -> Option<String> {
    match strokes(map, &plan.name) {
        Some(printed) => differs(song, plan, hits, &printed),
        None => Some("its map cannot be read".into()),
    }
}

fn stale(csv: &Path, plan: &LayerPlan, what: &str) -> Finding {
    Finding::error(
        csv,
        format!("the layer {} is out of date: {what}", plan.name),
        "Print the layers again with `underlay print`, so that they lie under the strokes of the hit list.",
    )
}

/// Samples of the real strokes that a layer was printed under.
fn strokes(text: &str, layer: &str) -> Option<BTreeSet<u64>> {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let headers = reader.headers().ok()?.clone();
    let column = |name: &str| headers.iter().position(|h| h == name);
    let (name, real) = (column("layer")?, column("real_sample")?);
    let mut out = BTreeSet::new();
    for row in reader.records() {
        let row = row.ok()?;
        if row.get(name)? == layer {
            out.insert(row.get(real)?.parse().ok()?);
        }
    }
    Some(out)
}

fn differs(song: &Song, plan: &LayerPlan, hits: &HitList, printed: &BTreeSet<u64>) -> Option<String> {
    let end = song.frames();
    let now: BTreeSet<u64> = hits.of(plan.drum).map(|h| h.pos.0).filter(|&p| p < end).collect();
    let gone = printed.iter().filter(|p| !now.contains(p)).count();
    let near = song.rate().samples(TOGETHER);
    let has = |h: &Hit| printed.range(h.pos.0.saturating_sub(near)..=h.pos.0).next().is_some();
    let new = hits.of(plan.drum).filter(|h| h.pos.0 < end && !silent_there(song, plan, h) && !has(h)).count();
    match (gone, new) {
        (0, 0) => None,
        (1, 0) => Some("it sounds at one place where the hit list has no stroke any more".into()),
        (0, 1) => Some("one stroke of the hit list is not in it".into()),
        (gone, 0) => Some(format!("it sounds at {gone} places where the hit list has no stroke any more")),
        (0, new) => Some(format!("{new} strokes of the hit list are not in it")),
        (gone, new) => Some(format!("{gone} of its strokes are no longer in the hit list, and {new} are missing")),
    }
}

/// Whether the layer is switched off where this stroke lies.
fn silent_there(song: &Song, plan: &LayerPlan, hit: &Hit) -> bool {
    let Some(tempo) = &song.tempo else { return false };
    let bar = tempo.bar_beat_at(hit.pos.at(song.rate())).bar;
    let section = song.form.iter().find(|s| (s.first_bar..s.end_bar).contains(&bar));
    section.is_some_and(|s| plan.sections.iter().any(|(name, level)| *name == s.name && level.is_none()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_map_is_read_by_the_names_of_its_columns() {
        let text = "layer,drum,hit,real_sample\r\n\"fat, low\",snare,1,4800\r\nother,kick,1,9\r\n";
        assert_eq!(strokes(text, "fat, low"), Some(BTreeSet::from([4800])));
        assert_eq!(strokes(text, "none"), Some(BTreeSet::new()));
        assert_eq!(strokes("layer,drum\r\nx,snare\r\n", "x"), None);
    }
}
