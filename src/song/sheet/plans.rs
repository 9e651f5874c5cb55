//! `[hits]`, `[[layer]]`, `[rough]` and `[handoff]`.

use super::mics::{level, settings};
use super::part::{Part, number_of};
use crate::error::Result;
use crate::output::{FOLDER_REMEDY, file_stem, folder_fault};
use crate::song::kind::LEVEL_DB;
use crate::song::spelling::did_you_mean;
use crate::song::{Curve, Drum, FinderSettings, HandoffPlan, LayerPlan, RoughPlan, Section, Song};
use crate::tempo::TempoMap;
use crate::units::{Decibels, SampleRate};
use std::path::Path;
use toml::de::DeValue;

/// What may stand in braces in `names`.
const NAME_FIELDS: [&str; 8] = ["artist", "song", "drum", "place", "name", "take", "rate", "bits"];

/// Those of them that tell one file from another by themselves; a place does not: a kick and a tom may both have a
/// close mic.
const TELLING_FIELDS: [&str; 2] = ["drum", "name"];

/// What `[hits]` says: the finder's settings, the MIDI keys, shift and pull of triggers.
pub(super) struct Hits {
    pub finder: FinderSettings,
    pub keys: (u8, u8),
    pub shift_ms: f64,
    pub pull: f64,
}

pub(super) fn hits(part: Part<'_>) -> Result<Hits> {
    let all = settings(&part)?;
    let curve = part.word("curve", &Curve::WORDS)?.unwrap_or_default();
    let key = |name: &str, default: u8| Ok::<u8, crate::Error>(part.whole(name)?.map_or(default, |k| k as u8));
    let keys = (key("kick_key", Song::KEYS.0)?, key("snare_key", Song::KEYS.1)?);
    if keys.0 == keys.1 {
        return Err(part.wrong(
            if part.has("snare_key") { "snare_key" } else { "kick_key" },
            format!("kick and snare would both play key {}", keys.0),
            "Give them different keys.",
        ));
    }
    let shift_ms = part.number("shift_ms")?.unwrap_or(0.0);
    let pull = part.number("pull")?.unwrap_or(0.0);
    part.finish()?;
    Ok(Hits { finder: FinderSettings { all, curve }, keys, shift_ms, pull })
}

/// The layers, whose printed files all have names of their own; one that is pulled needs a tempo.
pub(super) fn layers(
    parts: Vec<Part<'_>>,
    folder: &Path,
    form: &[Section],
    tempo: Option<&TempoMap>,
) -> Result<Vec<LayerPlan>> {
    let mut layers: Vec<LayerPlan> = Vec::with_capacity(parts.len());
    // Some disks do not tell letters by their case.
    let stem = |l: &LayerPlan| file_stem(&l.name).to_lowercase();
    for part in parts {
        let layer = layer(&part, folder, form)?;
        if let Some(other) = layers.iter().find(|l| stem(l) == stem(&layer)) {
            let (what, remedy) = if other.name == layer.name {
                (format!("two layers are called \"{}\"", layer.name), "Give every layer a name of its own.")
            } else {
                (
                    format!(
                        "the layers \"{}\" and \"{}\" would be printed to files of one name",
                        other.name, layer.name
                    ),
                    "Give them names that differ in letters or digits.",
                )
            };
            return Err(part.wrong("name", what, remedy));
        }
        if layer.pull > 0.0 && tempo.is_none() {
            return Err(part.wrong(
                "pull",
                format!("the layer \"{}\" cannot be pulled to the grid: the song has no tempo", layer.name),
                "Give [tempo] a bpm or a file, or take pull out to print as played.",
            ));
        }
        part.finish()?;
        layers.push(layer);
    }
    Ok(layers)
}

fn layer(part: &Part<'_>, folder: &Path, form: &[Section]) -> Result<LayerPlan> {
    let name = part.required("name")?.trim().to_owned();
    if !name.contains(char::is_alphanumeric) {
        return Err(part.wrong(
            "name",
            format!("\"{name}\" leaves nothing to call the layer's files by"),
            "Give it a name with a letter or a digit in it.",
        ));
    }
    part.required("drum")?;
    let drum = part.word("drum", &Drum::FOUND.map(|d| (d.word(), d)))?.unwrap_or(Drum::Snare);
    let samples = part.texts("samples")?.unwrap_or_default();
    let built_in = part.text("set")?.map(str::to_owned);
    if !samples.is_empty() && built_in.is_some() {
        return Err(part.wrong(
            "set",
            "one-shots are given twice: by samples and by set",
            "Keep one of the two and remove the other.",
        ));
    }
    Ok(LayerPlan {
        name,
        drum,
        samples: samples.iter().map(|s| folder.join(s)).collect(),
        built_in,
        level: level(part)?.unwrap_or_default(),
        dynamics: part.number("dynamics")?.unwrap_or(100.0),
        seed: part.whole("seed")?.unwrap_or(1) as u64,
        choke: part.truth("choke")?.unwrap_or(false),
        sections: levels(part, form)?,
        pull: part.number("pull")?.unwrap_or(0.0),
        pan: part.number("pan")?.unwrap_or(0.0),
    })
}

/// `sections = { chorus = 2, bridge = "off" }`, in the order of the form.
fn levels(part: &Part<'_>, form: &[Section]) -> Result<Vec<(String, Option<Decibels>)>> {
    let Some(value) = part.any("sections") else { return Ok(Vec::new()) };
    let DeValue::Table(table) = value else { return Err(part.mistaken("sections", value)) };
    let mut levels = Vec::with_capacity(table.len());
    for (key, value) in table {
        let name = key.get_ref().as_ref();
        if !form.iter().any(|s| s.name == name) {
            let known: Vec<&str> = form.iter().map(|s| s.name.as_str()).collect();
            let remedy =
                if known.is_empty() { "Add the song's [[section]]s first.".into() } else { did_you_mean(name, &known) };
            return Err(part.wrong("sections", format!("the song has no section \"{name}\""), remedy));
        }
        let level = match (number_of(value.get_ref()), value.get_ref().as_str()) {
            (Some(db), _) if LEVEL_DB.contains(&db) => Some(Decibels(db)),
            (None, Some("off")) => None,
            _ => return Err(part.mistaken("sections", value.get_ref())),
        };
        levels.push((name.to_owned(), level));
    }
    levels.sort_by_key(|(name, _)| form.iter().position(|s| s.name == *name));
    Ok(levels)
}

pub(super) fn rough(part: Part<'_>) -> Result<RoughPlan> {
    let usual = RoughPlan::default();
    let plan = RoughPlan {
        loudness: part.number("loudness")?,
        true_peak: part.number("true_peak")?.unwrap_or(usual.true_peak),
        guide_level: part.number("guide_level")?.map_or(usual.guide_level, Decibels),
    };
    part.finish()?;
    Ok(plan)
}

pub(super) fn handoff(part: Part<'_>) -> Result<HandoffPlan> {
    let usual = HandoffPlan::default();
    let rate = part.whole("rate")?;
    let bits = part.whole("bits")?.map_or(usual.bits, |b| b as u16);
    if ![16, 24, 32].contains(&bits) {
        return Err(part.wrong("bits", format!("files of {bits} bits are not made"), "It takes 16, 24 or 32."));
    }
    let names = part.text("names")?.map_or(usual.names, str::to_owned);
    if let Some(unknown) = braces(&names).find(|field| !NAME_FIELDS.contains(field)) {
        return Err(part.wrong("names", format!("{{{unknown}}} is not known"), did_you_mean(unknown, &NAME_FIELDS)));
    }
    if names.split('{').skip(1).any(|rest| !rest.contains('}')) {
        return Err(part.wrong("names", "a brace is not closed", "Close it, as in \"{song}_{drum}_{place}\"."));
    }
    if !braces(&names).any(|field| TELLING_FIELDS.contains(&field)) {
        return Err(part.wrong(
            "names",
            "nothing in it tells one mic from another",
            "Put {drum} and {place}, or {name}, into it, as in \"{song}_{drum}_{place}_{rate}{bits}\".",
        ));
    }
    let folders = match part.texts("folders")? {
        None => usual.folders,
        Some(list) => {
            let count = list.len();
            if let Some((name, what)) = list.iter().find_map(|name| Some((name, folder_fault(name)?))) {
                return Err(part.wrong("folders", format!("the folder name \"{name}\" {what}"), FOLDER_REMEDY));
            }
            <[String; 5]>::try_from(list).map_err(|_| {
                part.wrong(
                    "folders",
                    format!("there are {count} names"),
                    "Give five, for kit, programming, layers, guide and documents.",
                )
            })?
        }
    };
    let text = |name: &str| Ok::<_, crate::Error>(part.text(name)?.unwrap_or_default().to_owned());
    let plan = HandoffPlan {
        rate: rate.and_then(|r| SampleRate::new(r as u32)).unwrap_or(usual.rate),
        bits,
        names,
        artist: text("artist")?,
        take: text("take")?,
        folders,
        apply_polarity: part.truth("apply_polarity")?.unwrap_or(usual.apply_polarity),
        notes: text("notes")?,
    };
    part.finish()?;
    Ok(plan)
}

fn braces(names: &str) -> impl Iterator<Item = &str> {
    names.split('{').skip(1).map(|rest| rest.split('}').next().unwrap_or(rest))
}
