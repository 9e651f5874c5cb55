//! The map of printed strokes, as CSV.

use super::report::LayerReport;
use super::settings::PrintedWith;
use crate::audio::resampled_frames;
use crate::output::csv_field;
use crate::timing::Because;
use crate::units::SampleRate;
use std::fmt::Write as _;

/// Columns of `layer.csv`.
pub const LAYER_COLUMNS: [&str; 18] = [
    "layer",
    "drum",
    "hit",
    "real_sample",
    "sample_file",
    "start_sample",
    "attack_sample",
    "time_s",
    "gain_db",
    "lag_samples",
    "polarity",
    "velocity",
    "section",
    "sum_before_db",
    "sum_db",
    "own",
    "why",
    "printed_with",
];

/// The map of one or more layers (RFC 4180, UTF-8, `.` decimals): which one-shot plays which hit, where its first sample and
/// its attack fall in the printed track, with what gain, lag and polarity, and what the sum gains in the drum's low band. `why` says
/// why a stroke of a pulled layer lies where it does, in the words of the list of moves; it is empty in one that is printed as
/// played. The first row of a layer also tells the settings that it was printed with.
#[must_use]
pub fn layer_csv<'a>(layers: impl IntoIterator<Item = &'a LayerReport>) -> String {
    let mut text = LAYER_COLUMNS.join(",");
    text.push_str("\r\n");
    for layer in layers {
        for (i, h) in layer.hits.iter().enumerate() {
            let db = |v: Option<f64>| v.map_or_else(String::new, |v| format!("{v:.2}"));
            let time = h.attack.max(0) as f64 / layer.rate.hz_f64();
            // Writing to a string cannot fail.
            let _ = write!(
                text,
                "{},{},{},{},{},{},{},{time:.6},{:.2},{},{},{},{},{},{},{},{},{}\r\n",
                csv_field(&layer.name),
                layer.drum,
                h.hit,
                h.real,
                csv_field(&h.shot),
                h.start,
                h.attack,
                h.gain.0,
                h.lag_samples,
                if h.inverted { "inverted" } else { "as-is" },
                h.velocity,
                csv_field(h.section.as_deref().unwrap_or("")),
                db(h.sum_before),
                db(h.sum_after),
                if h.own { "yes" } else { "no" },
                h.pulled.map_or("", Because::words),
                csv_field(if i == 0 { &layer.printed_with } else { "" }),
            );
        }
    }
    text
}

/// A fresh map with rows of an older one: those of layers that are not in it and that `keep` says to keep, by their names.
/// Layers stand in the order of `order`, others behind. An older map with other columns is left out.
#[must_use]
pub fn with_others(fresh: &str, old: &str, order: &[String], keep: impl Fn(&str) -> bool) -> String {
    let (columns, mut layers) = by_layer(fresh);
    let (old_columns, older) = by_layer(old);
    if old_columns.trim_end() == columns.trim_end() {
        let is_new = |name: &String| !layers.iter().any(|(n, _)| n == name);
        let others: Vec<_> = older.into_iter().filter(|(name, _)| is_new(name) && keep(name)).collect();
        layers.extend(others);
    }
    layers.sort_by_key(|(name, _)| order.iter().position(|o| o == name).unwrap_or(usize::MAX));
    let end = |rows: &str| if rows.ends_with('\n') { "" } else { "\r\n" };
    layers.into_iter().fold(columns.to_owned(), |text, (_, rows)| text + &rows + end(&rows))
}

/// A map with the rows of these layers alone, as they stand there.
#[must_use]
pub fn only(map: &str, layers: &[&str]) -> String {
    let (columns, rows) = by_layer(map);
    rows.iter()
        .filter(|(name, _)| layers.contains(&name.as_str()))
        .fold(columns.to_owned(), |text, (_, rows)| text + rows)
}

/// A map for recordings at another rate: all that counts samples, counted there. As it is where it cannot be read.
#[must_use]
pub fn map_at_rate(map: &str, from: SampleRate, to: SampleRate) -> String {
    if from == to {
        return map.to_owned();
    }
    let mut reader = csv::ReaderBuilder::new().has_headers(false).flexible(true).from_reader(map.as_bytes());
    let mut columns: Vec<String> = Vec::new();
    let mut text = String::with_capacity(map.len());
    for row in reader.records() {
        let Ok(row) = row else { return map.to_owned() };
        let cells = row.iter().enumerate().map(|(i, cell)| {
            let moved = columns.get(i).and_then(|column| cell_at_rate(column, cell, from, to));
            csv_field(&moved.unwrap_or_else(|| cell.to_owned()))
        });
        let line = cells.collect::<Vec<_>>().join(",");
        text.push_str(&line);
        text.push_str("\r\n");
        if columns.is_empty() {
            columns = row.iter().map(str::to_owned).collect();
        }
    }
    text
}

/// A cell that counts samples, counted at another rate; `None` where it counts none.
fn cell_at_rate(column: &str, cell: &str, from: SampleRate, to: SampleRate) -> Option<String> {
    let samples = |n: i64| {
        let moved = resampled_frames(n.unsigned_abs(), from, to) as i64;
        if n < 0 { -moved } else { moved }
    };
    match column {
        "real_sample" | "start_sample" | "attack_sample" => Some(samples(cell.parse().ok()?).to_string()),
        "lag_samples" => {
            let lag = cell.parse::<f64>().ok()? * to.hz_f64() / from.hz_f64();
            Some(((lag * 1e4).round() / 1e4).to_string())
        }
        "printed_with" => PrintedWith::read(cell).map(|settings| settings.at_rate(from, to).to_text()),
        _ => None,
    }
}

/// The first line of a map, and the rows of each of its layers as they stand there. Rows that cannot be read end it.
fn by_layer(map: &str) -> (&str, Vec<(String, String)>) {
    let mut reader = csv::Reader::from_reader(map.as_bytes());
    let at = |p: Option<&csv::Position>| {
        let byte = p.map_or(map.len(), |p| usize::try_from(p.byte()).unwrap_or(map.len()));
        // A line feed that ends the row before counts as the beginning of this one.
        byte + usize::from(map.get(byte..).is_some_and(|rest| rest.starts_with('\n')))
    };
    let rows: Vec<csv::StringRecord> = reader.records().map_while(Result::ok).collect();
    let starts: Vec<usize> = rows.iter().map(|r| at(r.position())).collect();
    let mut layers: Vec<(String, String)> = Vec::new();
    for (i, row) in rows.iter().enumerate() {
        let (from, to) = (starts.get(i).copied().unwrap_or(0), starts.get(i + 1).copied().unwrap_or(map.len()));
        let (name, text) = (row.get(0).unwrap_or(""), map.get(from..to).unwrap_or(""));
        match layers.iter_mut().find(|(n, _)| n == name) {
            Some((_, rows)) => rows.push_str(text),
            None => layers.push((name.to_owned(), text.to_owned())),
        }
    }
    let head = starts.first().copied().unwrap_or(map.len());
    (map.get(..head).unwrap_or(""), layers)
}

#[cfg(test)]
mod tests {
    use super::*;

    const HEAD: &str = "layer,drum,hit\r\n";

    #[test]
    fn rows_of_layers_that_were_not_printed_anew_stay_as_they_are() {
        let old =
            format!("{HEAD}kick low,kick,1\r\n\"fat, \"\"low\"\"\",snare,1\r\nkick low,kick,2\r\ngone,snare,1\r\n");
        let order = ["kick low", "fat, \"low\""].map(String::from);
        let kept = |fresh: &str| with_others(fresh, &old, &order, |name| name != "gone");
        assert_eq!(
            kept(&format!("{HEAD}kick low,kick,7\r\n")),
            format!("{HEAD}kick low,kick,7\r\n\"fat, \"\"low\"\"\",snare,1\r\n")
        );
        assert_eq!(
            kept(&format!("{HEAD}\"fat, \"\"low\"\"\",snare,9\r\n")),
            format!("{HEAD}kick low,kick,1\r\nkick low,kick,2\r\n\"fat, \"\"low\"\"\",snare,9\r\n")
        );
        assert_eq!(with_others(HEAD, HEAD, &[], |_| true), HEAD);
    }

    #[test]
    fn a_map_for_another_rate_counts_its_samples_there() {
        let (cd, session) = (SampleRate::new(44_100).unwrap(), SampleRate::SESSION);
        let columns = LAYER_COLUMNS.join(",");
        let row = "\"fat, low\",snare,1,44100,shot,-441,22050,0.500000,-3.00,14.7,as-is,90,Verse,0.10,1.20,no,moved";
        let map = format!("{columns}\r\n{row},level = -3 dB; length = 441000 samples\r\n");
        let moved = "\"fat, low\",snare,1,48000,shot,-480,24000,0.500000,-3.00,16,as-is,90,Verse,0.10,1.20,no,moved";
        assert_eq!(
            map_at_rate(&map, cd, session),
            format!("{columns}\r\n{moved},level = -3 dB; length = 480000 samples\r\n")
        );
        assert_eq!(map_at_rate(&map, session, session), map);
    }

    #[test]
    fn an_older_map_of_other_columns_is_left_out() {
        let fresh = format!("{HEAD}a,kick,1\r\n");
        assert_eq!(with_others(&fresh, "layer,drum\r\nb,kick\r\n", &[], |_| true), fresh);
        assert_eq!(with_others(&fresh, "", &[], |_| true), fresh);
    }
}
