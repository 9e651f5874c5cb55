//! What earlier commands left in the results folder, for the commands that build on it.

use super::hits::{HITS, OUT};
use super::print::{MAP, default_plan, layer_file};
use crate::error::Result;
use crate::finding::Finding;
use crate::handoff::how_out_of_date;
use crate::hits::HitList;
use crate::layer::{plays, silent};
use crate::mix::PrintedLayer;
use crate::song::{Drum, Song};
use std::path::{Path, PathBuf};

/// The folder for results: the one asked for, else `underlay` beside the sheet.
pub(super) fn folder_for(sheet: &Path, out: Option<&Path>) -> PathBuf {
    out.map_or_else(|| sheet.with_file_name(OUT), Path::to_owned)
}

/// The layers that go along, and why others do not.
#[derive(Default)]
pub(super) struct Layers {
    /// Printed layers.
    pub printed: Vec<PrintedLayer>,
    /// A caution for each of the sheet's layers that should have been printed and was not.
    pub missing: Vec<Finding>,
    /// A caution for each layer that is left out: without a stroke to play, or printed by hand from another hit list.
    pub left_out: Vec<Finding>,
    /// A caution for each of the printed layers that was printed by hand.
    pub by_hand: Vec<Finding>,
}

/// The layers that have been printed: the sheet's, or, where it asks for none, the built-in ones that were printed by hand
/// and still fit the hit list.
pub(super) fn layers(song: &Song, folder: &Path) -> Layers {
    let mut layers = Layers::default();
    // A list that cannot be read is told by whoever works from it.
    let hits = hit_list(song, folder).ok().flatten();
    for plan in &song.layers {
        let file = layer_file(folder, &plan.name);
        if hits.as_ref().is_some_and(|hits| !plays(song, plan, hits)) {
            layers.left_out.push(silent(plan));
        } else if file.is_file() {
            layers.printed.push(PrintedLayer { plan: plan.clone(), file });
        } else {
            layers.missing.push(Finding::caution(
                &file,
                format!("the layer {} has not been printed, so it is left out", plan.name),
                "Run `underlay print` on the sheet first.",
            ));
        }
    }
    if song.layers.is_empty() {
        let map = std::fs::read_to_string(folder.join(MAP)).ok();
        for plan in Drum::FOUND.map(default_plan) {
            let file = layer_file(folder, &plan.name);
            if !file.is_file() {
                continue;
            }
            let why = match (&hits, &map) {
                (Some(hits), _) if !plays(song, &plan, hits) => Some(format!("there is no {} stroke", plan.drum)),
                (Some(hits), Some(map)) => how_out_of_date(song, &plan, hits, map),
                (Some(_), None) => Some(format!("its map {MAP} is not there to tell")),
                (None, _) => None,
            };
            match why {
                None => {
                    layers.by_hand.push(Finding::caution(
                        &file,
                        format!("the layer {} was printed by hand and goes along", plan.name),
                        "To keep it out, delete this file. To have it for good, write a [[layer]] into the sheet, which \
                         `underlay run` keeps up to date.",
                    ));
                    layers.printed.push(PrintedLayer { plan, file });
                }
                Some(why) => layers.left_out.push(Finding::caution(
                    &file,
                    format!("this layer was printed by hand and is left out, as it does not fit the hit list: {why}"),
                    "Print it again as you did, or delete this file. A [[layer]] in the sheet is kept up to date by \
                     `underlay run`.",
                )),
            }
        }
    }
    layers
}

/// The hit list of the folder, hand edits included, every column in agreement; `None` where there is none yet.
pub(super) fn hit_list(song: &Song, folder: &Path) -> Result<Option<HitList>> {
    let file = folder.join(HITS);
    if !file.is_file() {
        return Ok(None);
    }
    let mut list = HitList::read(&file, song.rate(), Some(song.reach()))?.list;
    complete(song, &mut list);
    Ok(Some(list))
}

/// Brings a list that was edited into agreement with itself: a stroke that was moved or added gets its sample, bar, beat and
/// offset, all as the list's own file would tell them.
pub(super) fn complete(song: &Song, list: &mut HitList) {
    list.place(song.tempo.as_ref(), song.grid);
    list.settle();
}
