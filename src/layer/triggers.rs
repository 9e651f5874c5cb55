//! A printed layer as notes.

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
