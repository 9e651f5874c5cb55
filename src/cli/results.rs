//! What earlier commands left in the results folder, for the commands that build on it.

use super::hits::{HITS, OUT};
use super::print::{default_plan, layer_file};
use crate::error::Result;
use crate::finding::Finding;
use crate::hits::HitList;
use crate::mix::PrintedLayer;
use crate::song::{Drum, Song};
use std::path::{Path, PathBuf};

/// The folder for results: the one asked for, else `underlay` beside the sheet.
pub(super) fn folder_for(sheet: &Path, out: Option<&Path>) -> PathBuf {
    out.map_or_else(|| sheet.with_file_name(OUT), Path::to_owned)
}

/// The layers that have been printed: the sheet's, and others that the map of layers names (built-in ones that were printed
/// for a sheet without layers). A finding for each of the sheet's that has not been printed.
pub(super) fn printed(song: &Song, folder: &Path) -> (Vec<PrintedLayer>, Vec<Finding>) {
    let mut findings = Vec::new();
    let mut layers = Vec::new();
    for plan in &song.layers {
        let file = layer_file(folder, &plan.name);
        if file.is_file() {
            layers.push(PrintedLayer { plan: plan.clone(), file });
        } else {
            findings.push(Finding::caution(
                &file,
                format!("the layer {} has not been printed, so it is left out", plan.name),
                "Run `underlay print` on the sheet first.",
            ));
        }
    }
    if song.layers.is_empty() {
        layers.extend(Drum::FOUND.map(default_plan).into_iter().filter_map(|plan| {
            let file = layer_file(folder, &plan.name);
            file.is_file().then_some(PrintedLayer { plan, file })
        }));
    }
    (layers, findings)
}

/// The hit list of the folder, hand edits included; `None` where there is none yet.
pub(super) fn hit_list(song: &Song, folder: &Path) -> Result<Option<HitList>> {
    let file = folder.join(HITS);
    if !file.is_file() {
        return Ok(None);
    }
    Ok(Some(HitList::read(&file, song.rate(), Some(song.frames()))?.list))
}
