//! The map of printed strokes, as CSV.

use super::report::LayerReport;
use crate::phase::field;
use std::fmt::Write as _;

/// Columns of `layer.csv`.
pub const LAYER_COLUMNS: [&str; 17] = [
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
    "printed_with",
];

/// The map of one or more layers (RFC 4180, UTF-8, `.` decimals): which one-shot plays which hit, where its first sample and
/// its attack fall in the printed track, with what gain, lag and polarity, and what the sum gains in the drum's low band. The first
/// row of a layer also tells the settings that it was printed with.
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
                "{},{},{},{},{},{},{},{time:.6},{:.2},{},{},{},{},{},{},{},{}\r\n",
                field(&layer.name),
                layer.drum,
                h.hit,
                h.real,
                field(&h.shot),
                h.start,
                h.attack,
                h.gain.0,
                h.lag_samples,
                if h.inverted { "inverted" } else { "as-is" },
                h.velocity,
                field(h.section.as_deref().unwrap_or("")),
                db(h.sum_before),
                db(h.sum_after),
                if h.own { "yes" } else { "no" },
                field(if i == 0 { &layer.printed_with } else { "" }),
            );
        }
    }
    text
}
