//! `[tempo]` and `[[section]]`: tempo map, grid and form.

use super::part::{Part, number_of};
use crate::error::{Fault, Result};
use crate::finding::Finding;
use crate::song::Section;
use crate::song::kind::{BAR, BARS, END};
use crate::tempo::{Grid, GridFault, Meter, TempoFault, TempoMap, read_tempo_track};
use crate::units::{Bpm, Seconds};
use std::collections::HashMap;
use std::path::{Path, PathBuf};

/// A time: a number of seconds, or text such as `3:21.5`.
pub(super) fn seconds(part: &Part<'_>, name: &str) -> Result<Option<Seconds>> {
    let Some(value) = part.any(name) else { return Ok(None) };
    let time = number_of(value).or_else(|| value.as_str().and_then(clock));
    match time {
        Some(t) if END.contains(&t) => Ok(Some(Seconds(t))),
        _ => Err(part.mistaken(name, value)),
    }
}

/// Seconds of `m:ss`, `m:ss.mmm` or `h:mm:ss`; what follows a colon lies below 60.
pub(super) fn clock(text: &str) -> Option<f64> {
    if !text.contains(':') {
        return None;
    }
    let fields: Vec<&str> = text.trim().split(':').collect();
    let last = fields.len() - 1;
    let plain = |field: &str| !field.is_empty() && field.bytes().all(|b| b.is_ascii_digit());
    fields.iter().enumerate().try_fold(0.0, |sum, (i, field)| {
        let (whole, part) = field.split_once('.').unwrap_or((field, "0"));
        let n: f64 = field.parse().ok()?;
        let fits = plain(whole) && plain(part) && (i == last || whole == *field) && (i == 0 || n < 60.0);
        (fits && last <= 2).then_some(sum * 60.0 + n)
    })
}

/// What `[tempo]` says.
pub(super) struct Tempo {
    pub map: Option<TempoMap>,
    pub file: Option<PathBuf>,
    pub grid: Grid,
    /// What was assumed or bent to read the tempo file.
    pub findings: Vec<Finding>,
}

pub(super) fn tempo(part: Part<'_>, folder: &Path) -> Result<Tempo> {
    let bpm = part.number("bpm")?;
    let meter = match part.text("meter")? {
        None => Meter::FOUR_FOUR,
        Some(text) => text
            .parse()
            .map_err(|e: TempoFault| part.wrong("meter", format!("\"{text}\" is not a meter"), e.remedy()))?,
    };
    let bar_one = match part.any("bar_one") {
        Some(value) if value.as_str() == Some("auto") => None,
        Some(value) if value.as_str().is_some() => return Err(part.mistaken("bar_one", value)),
        _ => part.number("bar_one")?.map(Seconds),
    };
    let grid = grid(&part)?;
    let file = part.text("file")?;
    let mut findings = Vec::new();
    let map = match (bpm, file) {
        (Some(_), Some(file)) => {
            return Err(part.wrong(
                "bpm",
                format!("a tempo is given twice: by bpm and by the file {file}"),
                "Keep one of the two and remove the other.",
            ));
        }
        (None, Some(_)) if part.has("meter") => {
            return Err(part.wrong(
                "meter",
                "the meter is given twice: here and by the tempo file",
                "Remove the meter; it is taken from the file.",
            ));
        }
        (None, Some(file)) => {
            let path = folder.join(file);
            if !path.exists() {
                return Err(part.wrong(
                    "file",
                    format!("the tempo file {} does not exist", path.display()),
                    "Check the spelling; paths in a sheet are relative to the sheet's folder.",
                ));
            }
            let track = read_tempo_track(&path, Seconds(0.0))?;
            findings = track.findings;
            Some(bar_one.map_or(track.map.clone(), |at| track.map.with_bar_one(at)))
        }
        (Some(bpm), None) => Bpm::new(bpm).map(|bpm| TempoMap::constant(bpm, meter, bar_one.unwrap_or_default())),
        (None, None) if bar_one.is_some() || part.has("meter") => {
            let given = if bar_one.is_some() { "bar_one" } else { "meter" };
            return Err(part.wrong(
                given,
                format!("{given} says nothing without a tempo"),
                "Add bpm = ... or file = \"tempo.mid\" to [tempo].",
            ));
        }
        (None, None) => None,
    };
    part.finish()?;
    Ok(Tempo { map, file: file.map(|f| folder.join(f)), grid, findings })
}

fn grid(part: &Part<'_>) -> Result<Grid> {
    match part.text("grid")? {
        None => Ok(Grid::SIXTEENTH),
        Some(text) => text.parse().map_err(|e: GridFault| part.wrong("grid", e.to_string(), e.remedy())),
    }
}

/// The form: from the sheet, else from the tempo file's markers.
pub(super) fn form(parts: Vec<Part<'_>>, tempo: Option<&TempoMap>, length: Seconds) -> Result<Vec<Section>> {
    let Some(map) = tempo else {
        return match parts.first() {
            None => Ok(Vec::new()),
            Some(part) => Err(part.wrong(
                "name",
                "sections are counted in bars, but the song has no tempo",
                "Add bpm or file to [tempo].",
            )),
        };
    };
    let last_bar = |from: i64| map.bar_beat(map.tick_at(length) - 1.0).bar.max(from) + 1;
    if parts.is_empty() {
        return Ok(form_of_markers(map, length));
    }
    let mut starts: Vec<(String, i64, Option<i64>)> = Vec::with_capacity(parts.len());
    for part in parts {
        let name = part.required("name")?.trim().to_owned();
        if starts.iter().any(|(n, ..)| *n == name) {
            return Err(part.wrong(
                "name",
                format!("two sections are called \"{name}\""),
                format!("Number them: \"{name} 1\", \"{name} 2\"."),
            ));
        }
        let bars = part.whole("bars")?;
        let given = part.whole("bar")?;
        let bar = match (starts.last(), given) {
            (None, given) => given.unwrap_or(1),
            (Some((before, from, length)), given) => {
                let next = length.map(|l| from + l);
                match (given, next) {
                    (Some(bar), next) if bar < next.unwrap_or(from + 1) => {
                        return Err(part.wrong(
                            "bar",
                            format!("bar {bar} still belongs to \"{before}\", which begins at bar {from}"),
                            "Put the sections in order of their bars, and check how many bars each has.",
                        ));
                    }
                    (Some(bar), _) => bar,
                    (None, Some(next)) => next,
                    (None, None) => {
                        return Err(part.wrong(
                            "bar",
                            format!("it is not said where \"{name}\" begins"),
                            format!("Add bar = ... here, or bars = ... to \"{before}\"."),
                        ));
                    }
                }
            }
        };
        part.finish()?;
        starts.push((name, bar, bars));
    }
    Ok(starts
        .iter()
        .enumerate()
        .map(|(i, (name, bar, bars))| {
            let next = starts.get(i + 1).map(|s| s.1);
            let end_bar = bars.map(|n| bar + n).or(next).unwrap_or_else(|| last_bar(*bar));
            Section { name: name.clone(), first_bar: *bar, end_bar }
        })
        .collect())
}

/// Sections that a song may have at the most; a tempo file with more markers than that is not a form.
const MOST_SECTIONS: usize = 1000;

/// Markers before the song's end become sections; repeated names are numbered. Bars that a sheet cannot say are left out.
pub(in crate::song) fn form_of_markers(map: &TempoMap, length: Seconds) -> Vec<Section> {
    let end = map.tick_at(length);
    let bars: Vec<(i64, &str)> = map
        .markers()
        .iter()
        .filter(|m| (m.tick as f64) < end && !m.name.trim().is_empty())
        .map(|m| (map.bar_beat(m.tick as f64).bar, m.name.trim()))
        .collect();
    let mut repeated: HashMap<&str, (usize, usize)> = HashMap::new();
    bars.iter().for_each(|b| repeated.entry(b.1).or_default().0 += 1);
    let mut form: Vec<Section> = Vec::new();
    for (i, (bar, name)) in bars.iter().enumerate().take(MOST_SECTIONS) {
        let end_bar = bars.get(i + 1).map_or_else(|| map.bar_beat(end - 1.0).bar + 1, |b| b.0);
        let (times, count) = repeated.entry(name).or_default();
        *count += 1;
        if end_bar <= *bar || !BAR.contains(bar) || !BARS.contains(&(end_bar - bar)) {
            continue;
        }
        let mut numbered = if *times > 1 { format!("{name} {count}") } else { (*name).to_owned() };
        // "A", "A", "A 1" would give one name twice.
        while form.iter().any(|s| s.name == numbered) {
            numbered.push_str(" b");
        }
        form.push(Section { name: numbered, first_bar: *bar, end_bar });
    }
    form
}
