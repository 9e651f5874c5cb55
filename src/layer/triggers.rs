//! A printed layer as notes, and names for its files.

use super::report::LayerReport;
use crate::midi::{Trigger, TriggerTrack};
use crate::output::kept_by_windows;
use crate::units::Seconds;

/// The strokes of a layer as one MIDI track: each note falls where the printed attack falls, lag included, so that a sampler
/// in place of the print sounds at the same time to half a tick.
#[must_use]
pub fn layer_triggers(report: &LayerReport, key: u8) -> TriggerTrack {
    let rate = report.rate.hz_f64();
    let trigger = |h: &super::report::LaidHit| Trigger {
        time: Seconds((h.target.0 as f64 + h.lag_samples).max(0.0) / rate),
        velocity: h.velocity,
    };
    TriggerTrack { name: report.name.clone(), key, triggers: report.hits.iter().map(trigger).collect() }
}

/// A layer's name as the stem of a file name: letters, digits, `-`, `_` and spaces stay, everything else becomes `_`.
#[must_use]
pub fn file_stem(name: &str) -> String {
    let plain = |c: char| if c.is_alphanumeric() || matches!(c, '-' | '_' | ' ') { c } else { '_' };
    let mut stem: String = name.trim().chars().map(plain).take(80).collect();
    // A name has at most 255 bytes on the usual disks; letters take up to four.
    while stem.len() > 200 {
        stem.pop();
    }
    let stem = stem.trim_end();
    match stem {
        "" => "layer".into(),
        kept if kept_by_windows(kept) => format!("{kept}_layer"),
        stem => stem.into(),
    }
}

#[cfg(test)]
mod tests {
    use super::file_stem;

    #[test]
    fn names_cannot_leave_their_folder() {
        assert_eq!(file_stem("../../etc/snare fat"), "______etc_snare fat");
        assert_eq!(file_stem("Bässe-2"), "Bässe-2");
        assert_eq!(file_stem("  "), "layer");
        assert_eq!(file_stem("con"), "con_layer");
        assert!(file_stem(&"𐌰".repeat(300)).len() <= 200);
    }
}
