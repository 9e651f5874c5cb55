//! What a value that a field cannot take was meant to be, where that is certain.
//!
//! In: a field and what stands behind its `=`, without quotes. Out: a value that the field takes, or nothing.

use super::time::clock;
use crate::song::Field;
use std::ops::RangeInclusive;

/// What kind of value a field takes.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Kind {
    /// A number in a range, or one of a few; `whole` where it has no decimals.
    Number { range: RangeInclusive<f64>, whole: bool },
    /// True or false.
    Truth,
    /// Several texts.
    List,
    /// Names with a value each.
    Table,
    /// Text.
    Text,
}

/// The kind of a field, as it is documented.
pub(super) fn kind_of(field: &Field) -> Kind {
    let takes = field.takes;
    let number = |words: &str| words.rsplit([' ', ',']).find_map(|w| w.parse::<f64>().ok());
    let to = takes.split_once(" to ").and_then(|(low, high)| {
        let low = number(low)?;
        let high = high.split([' ', ',']).next()?.parse().ok()?;
        Some(low..=high)
    });
    let whole = ["Hz", "bar", "MIDI key", "16, ", "whole"].iter().any(|unit| takes.starts_with(unit));
    match to {
        Some(range) => Kind::Number { range, whole },
        None if takes.starts_with("seconds above 0") => Kind::Number { range: f64::MIN_POSITIVE..=345_600.0, whole },
        None if takes == "16, 24 or 32" => Kind::Number { range: 16.0..=32.0, whole },
        None if takes.starts_with("whole number") => Kind::Number { range: 0.0..=f64::from(u32::MAX), whole },
        None if takes == "true or false" => Kind::Truth,
        None if takes.contains("list") || takes.starts_with("paths") || takes.starts_with("five") => Kind::List,
        None if takes.starts_with("table") => Kind::Table,
        None => Kind::Text,
    }
}

/// Whether any text will do for a field.
pub(super) fn any_text(field: &Field) -> bool {
    field.takes.starts_with("text") && !field.takes.contains('{')
}

/// The one number that `typed` can mean in this field, as it would be written: without its unit, a decimal comma, marks
/// between thousands; `None` where there is none, or more than one.
pub(super) fn number(field: &Field, typed: &str) -> Option<String> {
    let Kind::Number { range, whole } = kind_of(field) else { return None };
    let typed = typed.trim().trim_end_matches([';', ',']).trim_end();
    if let Some(time) = clock(typed).filter(|_| field.takes.starts_with("seconds")) {
        return range.contains(&time).then(|| written(time));
    }
    // A true minus, or a dash that a word processor made of it.
    let minus = ['-', '\u{2212}', '\u{2013}'];
    let (sign, size) = match typed.strip_prefix(minus) {
        Some(rest) => (-1.0, rest),
        None => (1.0, typed.strip_prefix('+').unwrap_or(typed)),
    };
    let size = size.trim_start();
    let digits = |c: char| c.is_ascii_digit() || matches!(c, '.' | ',' | '\'') || c.is_whitespace();
    let (size, unit) = size.split_at(size.find(|c| !digits(c)).unwrap_or(size.len()));
    let factor = factor(field, unit)?;
    let fits = |n: &f64| {
        let one_of = !field.takes.starts_with("16, ") || [16.0, 24.0, 32.0].contains(n);
        range.contains(n) && one_of && (!whole || n.fract() == 0.0)
    };
    let round = |n: f64| (n * 1e6).round() / 1e6 + 0.0;
    let mut meant = readings(size.trim_end()).into_iter().map(|n| round(sign * n * factor)).filter(fits);
    let first = meant.next()?;
    meant.all(|n| n == first).then(|| written(first))
}

fn written(n: f64) -> String {
    ((n * 1e6).round() / 1e6).to_string()
}

/// What digits with points, commas and spaces between them can mean: a decimal, or thousands apart.
fn readings(size: &str) -> Vec<f64> {
    let all = |text: &str| text.bytes().all(|b| b.is_ascii_digit());
    let mut readings = Vec::with_capacity(2);
    let marks: Vec<char> = size.chars().filter(|c| !c.is_ascii_digit()).collect();
    let (whole, part) = size.split_once(['.', ',']).unwrap_or((size, ""));
    if marks.len() <= 1 && all(whole) && all(part) && !(whole.is_empty() && part.is_empty()) {
        readings.extend(format!("{whole}.{part}0").trim_start_matches('0').parse::<f64>().ok());
    }
    let Some(mark) = marks.first().filter(|m| **m != '.' && marks.iter().all(|c| c == *m)) else { return readings };
    let groups: Vec<&str> = size.split(*mark).collect();
    let first = groups.first().is_some_and(|g| (1..=3).contains(&g.len()) && !g.starts_with('0'));
    if first && groups.iter().skip(1).all(|g| g.len() == 3) {
        readings.extend(groups.concat().parse::<f64>().ok());
    }
    readings
}

/// What a number with this unit is multiplied by to be in the field's own; `None` for words that are no unit of it.
fn factor(field: &Field, unit: &str) -> Option<f64> {
    let unit = unit.trim().trim_end_matches('.').to_lowercase();
    let known: &[(&[&str], f64)] = match field.takes.split([' ', ',']).next()? {
        "dB" | "dBFS" | "dBTP" | "LUFS" => &[(&["db", "dbfs", "dbtp", "lufs"], 1.0)],
        "ms" => &[(&["ms", "msec"], 1.0), (&["s", "sec", "seconds"], 1000.0)],
        "seconds" => &[
            (&["s", "sec", "secs", "second", "seconds"], 1.0),
            (&["ms", "msec"], 0.001),
            (&["min", "minute", "minutes"], 60.0),
        ],
        "Hz" => &[(&["hz"], 1.0), (&["khz", "k"], 1000.0)],
        "per" => &[(&["%", "percent", "per cent"], 1.0)],
        "quarter" => &[(&["bpm"], 1.0)],
        "16" => &[(&["bit", "bits"], 1.0)],
        "bar" | "bars" => &[(&["bar", "bars"], 1.0)],
        _ => &[],
    };
    if unit.is_empty() {
        return Some(1.0);
    }
    known.iter().find(|(names, _)| names.contains(&unit.as_str())).map(|(_, factor)| *factor)
}

/// True or false, in other words.
pub(super) fn truth(typed: &str) -> Option<bool> {
    match typed.trim().trim_end_matches(';').to_lowercase().as_str() {
        "true" | "yes" | "on" | "y" | "1" => Some(true),
        "false" | "no" | "off" | "n" | "0" => Some(false),
        _ => None,
    }
}

/// The list of texts that stand with commas between them, as it would be written.
pub(super) fn list(typed: &str) -> Option<String> {
    let inner = typed.trim().trim_start_matches('[').trim_end_matches(']').trim().trim_end_matches(',');
    let bare = |t: &str| t.trim().trim_matches(['"', '\'']).trim().to_owned();
    let texts: Vec<String> = inner.split(',').map(bare).collect();
    let fit = |t: &String| !t.is_empty() && !t.contains(['"', '\\', '[', ']', '{', '}', '=']);
    texts
        .iter()
        .all(fit)
        .then(|| format!("[{}]", texts.iter().map(|t| format!("\"{t}\"")).collect::<Vec<_>>().join(", ")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::song::FIELDS;

    fn field(section: &str, name: &str) -> &'static Field {
        FIELDS.iter().find(|f| f.section == section && f.name == name).unwrap()
    }

    #[test]
    fn every_field_takes_the_kind_of_value_that_its_example_has() {
        for field in FIELDS {
            let e = field.example;
            let fits = match kind_of(field) {
                Kind::Number { range, .. } => {
                    e.parse().map_or(e == "\"auto\"" && field.name == "bar_one", |n| range.contains(&n))
                }
                Kind::Truth => ["true", "false"].contains(&e),
                Kind::List => e.starts_with('['),
                Kind::Table => e.starts_with('{'),
                Kind::Text => e.starts_with('"'),
            };
            assert!(fits, "{} {} is taken for {:?}", field.section, field.name, kind_of(field));
        }
    }

    #[test]
    fn a_number_keeps_its_value_whatever_stands_round_it() {
        for (section, name, typed, meant) in [
            ("[handoff]", "rate", "48 000", Some("48000")),
            ("[handoff]", "rate", "48,000", Some("48000")),
            ("[handoff]", "rate", "44.1 kHz", Some("44100")),
            ("[handoff]", "rate", "44,1kHz", Some("44100")),
            ("[handoff]", "rate", "48000 Hz;", Some("48000")),
            ("[handoff]", "rate", "48", None),
            ("[handoff]", "bits", "24bit", Some("24")),
            ("[handoff]", "bits", "20 bit", None),
            ("[[layer]]", "pull", "60%", Some("60")),
            ("[[layer]]", "pull", "60 per cent", Some("60")),
            ("[[layer]]", "pull", "060", Some("60")),
            ("[[layer]]", "pull", "600%", None),
            ("[[layer]]", "pull", "60 or 70", None),
            ("[[layer]]", "level", "-6dB", Some("-6")),
            ("[[layer]]", "level", "\u{2212}6", Some("-6")),
            ("[[layer]]", "level", "-6,5 dB", Some("-6.5")),
            ("[[layer]]", "level", "+3 dB", Some("3")),
            ("[[layer]]", "pan", ".5", Some("0.5")),
            ("[[layer]]", "pan", "50%", None),
            ("[song]", "end", "90s", Some("90")),
            ("[song]", "end", "90.", Some("90")),
            ("[song]", "end", "3:21.5", Some("201.5")),
            ("[song]", "end", "90000 ms", Some("90")),
            // A second and a half, or fifteen hundred: not certain.
            ("[tempo]", "bar_one", "1,500", None),
            ("[tempo]", "bar_one", "-0,027", Some("-0.027")),
            ("[tempo]", "bpm", "80,500", Some("80.5")),
            ("[tempo]", "bpm", "104 120", None),
            ("[[section]]", "bar", "4-11", None),
            ("[[section]]", "bar", "4.5", None),
            ("[hits]", "min_gap", "0.03 s", Some("30")),
        ] {
            assert_eq!(number(field(section, name), typed).as_deref(), meant, "{name} = {typed}");
        }
    }
}
