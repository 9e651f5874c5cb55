//! Whether the rough mix that goes along was made from what is delivered.
//!
//! In: the table that lies beside the mix (`rough_mix.csv`), the plan, the facts of every file. Out: a finding that names
//! what has changed since. A loudness or a level of the guide is not asked for: it may have been for one mix alone.

use super::plan::{Document, Item, Kind, Plan, ROUGH_MIX};
use super::scan::Facts;
use crate::finding::Finding;
use crate::mix::{PrintedLayer, sheet_words};
use crate::song::{Polarity, Song};
use std::collections::BTreeMap;

/// Changes that are told one by one.
const TOLD: usize = 3;

/// A source of the mix as its table tells it.
struct Row {
    role: String,
    inverted: bool,
    sheet: String,
    /// Empty where none is told.
    checksum: String,
}

/// Holds the rough mix among the documents, if there is one, against what is to be delivered.
pub(super) fn out_of_date(
    song: &Song,
    layers: &[PrintedLayer],
    documents: &[Document],
    plan: &Plan,
    facts: &[Facts],
) -> Option<Finding> {
    let mix = &documents.iter().find(|d| d.what == ROUGH_MIX)?.file;
    let remedy = "Run `underlay rough` again, so that it fits the files that go with it.";
    let text = std::fs::read_to_string(mix.with_extension("csv")).ok();
    let Some(rows) = text.as_deref().and_then(read) else {
        let what = "its table is not there or does not tell what it was made from, so it may be out of date";
        return Some(Finding::caution(mix, what, remedy));
    };
    let mut changes: Vec<String> = Vec::new();
    for (item, f) in plan.items.iter().zip(facts).filter(|(i, _)| i.kind != Kind::Mix) {
        let now = sheet(song, layers, item);
        changes.extend(change(item, f, &now, rows.get(&item.name)).map(|how| format!("{} ({how})", item.name)));
    }
    let gone = rows.keys().filter(|name| plan.items.iter().all(|i| i.name != **name));
    changes.extend(gone.map(|name| format!("{name} (it is gone)")));
    let more = changes.len().saturating_sub(TOLD);
    changes.truncate(TOLD);
    let mut told = changes.join(", ");
    match more {
        _ if told.is_empty() => return None,
        0 => {}
        n => told += &format!(" and {n} more"),
    }
    Some(Finding::caution(mix, format!("it was made before the last change to {told}"), remedy))
}

/// What has changed of a source; `None` where nothing has.
fn change(item: &Item, facts: &Facts, sheet: &str, row: Option<&Row>) -> Option<String> {
    let Some(row) = row else { return Some("it is new".into()) };
    let usual = |words: &str| if words.is_empty() { "nothing set".to_owned() } else { words.to_owned() };
    let inverted = item.polarity == Polarity::Invert;
    if row.role != item.role {
        Some(format!("{}, now {}", row.role, item.role))
    } else if row.inverted != inverted {
        Some(if inverted { "inverted now".into() } else { "no longer inverted".into() })
    } else if row.sheet != sheet {
        Some(format!("{}, now {}", usual(&row.sheet), usual(sheet)))
    } else {
        (!row.checksum.is_empty() && row.checksum != facts.heard).then(|| "another sound".into())
    }
}

/// Level and pan of a source as the sheet sets them now.
fn sheet(song: &Song, layers: &[PrintedLayer], item: &Item) -> String {
    let mic = song.mics.iter().find(|m| m.name == item.name).map(|m| (m.level, m.pan));
    let layer = || layers.iter().find(|l| l.plan.name == item.name).map(|l| (None, l.own_pan()));
    let track = || song.tracks.iter().find(|t| t.name == item.name).map(|t| (t.level, t.pan));
    let (level, pan) = mic.or_else(layer).or_else(track).unwrap_or_default();
    sheet_words(level, pan)
}

/// The rows of a table by their names; `None` where it does not tell what the mix was made from.
fn read(text: &str) -> Option<BTreeMap<String, Row>> {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let headers = reader.headers().ok()?.clone();
    let at = |name: &str| headers.iter().position(|h| h == name);
    let [name, role, polarity, sheet, checksum] =
        [at("name")?, at("role")?, at("polarity")?, at("sheet")?, at("checksum")?];
    let mut rows = BTreeMap::new();
    for row in reader.records() {
        let row = row.ok()?;
        let cell = |at: usize| row.get(at).map(str::to_owned);
        let told = Row {
            role: cell(role)?,
            inverted: cell(polarity)? == "inverted",
            sheet: cell(sheet)?,
            checksum: cell(checksum)?,
        };
        rows.insert(cell(name)?, told);
    }
    Some(rows)
}
