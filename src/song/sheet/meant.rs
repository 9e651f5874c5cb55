//! What a value that a field cannot take was meant to be, where that is certain.
//!
//! In: what a field takes and what stands behind its `=`, without quotes. Out: a value that the field takes, or nothing.

use super::time::clock;
use crate::song::{Number, Unit};

/// The one number that `typed` can mean in a field, as it would be written: without its unit, a decimal comma, marks
/// between thousands; `None` where there is none, or more than one.
pub(super) fn number(takes: &Number, typed: &str) -> Option<String> {
    let typed = typed.trim().trim_end_matches([';', ',']).trim_end();
    if let Some(time) = clock(typed).filter(|_| takes.unit == Unit::Seconds) {
        return takes.takes(time).then(|| written(time));
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
    let factor = factor(takes.unit, unit)?;
    let round = |n: f64| (n * 1e6).round() / 1e6 + 0.0;
    let size = size.trim_end();
    let own = |n: f64| round(sign * n * factor);
    let read: Vec<f64> = readings(size).into_iter().map(own).collect();
    if !read.iter().any(|n| takes.range().contains(n)) {
        // A point parts thousands only where it can be nothing else.
        return thousands(size, '.').map(own).filter(|n| takes.takes(*n)).map(written);
    }
    let mut meant = read.into_iter().filter(|n| takes.takes(*n));
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
    readings.extend(thousands(size, *mark));
    readings
}

/// The number whose thousands are parted by a mark; `None` where they are not.
fn thousands(size: &str, mark: char) -> Option<f64> {
    let groups: Vec<&str> = size.split(mark).collect();
    let digits = groups.iter().all(|g| g.bytes().all(|b| b.is_ascii_digit()));
    let first = groups.first().is_some_and(|g| (1..=3).contains(&g.len()) && !g.starts_with('0'));
    let parted = groups.len() > 1 && groups.iter().skip(1).all(|g| g.len() == 3);
    if digits && first && parted { groups.concat().parse().ok() } else { None }
}

/// What a number with this unit is multiplied by to be in the field's own, `of`; `None` for words that are no unit of it.
fn factor(of: Unit, unit: &str) -> Option<f64> {
    let unit = unit.trim().trim_end_matches('.').to_lowercase();
    let known: &[(&[&str], f64)] = match of {
        Unit::Db | Unit::Dbfs | Unit::Dbtp | Unit::Lufs => &[(&["db", "dbfs", "dbtp", "lufs"], 1.0)],
        Unit::Ms => &[(&["ms", "msec"], 1.0), (&["s", "sec", "seconds"], 1000.0)],
        Unit::Seconds => &[
            (&["s", "sec", "secs", "second", "seconds"], 1.0),
            (&["ms", "msec"], 0.001),
            (&["min", "minute", "minutes"], 60.0),
        ],
        Unit::Hz => &[(&["hz"], 1.0), (&["khz", "k"], 1000.0)],
        Unit::PerCent => &[(&["%", "percent", "per cent"], 1.0)],
        Unit::Bpm => &[(&["bpm"], 1.0)],
        Unit::Bits => &[(&["bit", "bits"], 1.0)],
        Unit::Bar | Unit::Bars => &[(&["bar", "bars"], 1.0)],
        Unit::Key | Unit::Pan | Unit::Plain => &[],
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
    use crate::song::Kind;
    use crate::song::field::field_of;

    fn of(section: &str, name: &str) -> Number {
        let Kind::Number(takes) = field_of(section, name).unwrap().kind else { panic!("{name} is no number") };
        takes
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
            ("[handoff]", "rate", "48.000", Some("48000")),
            ("[handoff]", "rate", "44.100 Hz", Some("44100")),
            ("[handoff]", "rate", "44.1", None),
            ("[handoff]", "rate", "48.0", None),
            ("[[section]]", "bar", "1.000", Some("1")),
            ("[[section]]", "bars", "4.500", None),
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
            assert_eq!(number(&of(section, name), typed).as_deref(), meant, "{name} = {typed}");
        }
    }
}
