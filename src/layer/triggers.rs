//! A printed layer as notes, and names for its files.

use super::report::LayerReport;
use crate::midi::{Trigger, TriggerTrack};
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
    let stem: String = name.trim().chars().map(plain).take(80).collect();
    if stem.is_empty() { "layer".into() } else { stem }
}

#[cfg(test)]
mod tests {
    use super::file_stem;

    #[test]
    fn names_cannot_leave_their_folder() {
        assert_eq!(file_stem("../../etc/snare fat"), "______etc_snare fat");
        assert_eq!(file_stem("Bässe-2"), "Bässe-2");
        assert_eq!(file_stem("  "), "layer");
    }
}
