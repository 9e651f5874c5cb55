//! Trigger MIDI files out (Standard MIDI File 1.0, format 1), and what can be wrong with a MIDI file coming in.
//!
//! In: hit lists and a tempo map. Out: files whose tick 0 is sample 0 of the audio, so that MIDI and audio dragged to
//! one point line up: [`write_triggers`] for the drums, [`write_tempo_map`] for tempo, meter and markers alone.

mod encode;
mod lead_in;
mod tempo_map;
mod trigger;
mod write;

pub use crate::tempo::MidiFault;
pub use lead_in::{FileMap, LeadIn};
pub use tempo_map::{TempoFile, tempo_map, write_tempo_map};
pub use trigger::{Rounding, Trigger, TriggerFile, TriggerTrack, triggers};
pub use write::{TriggerPlan, TriggerReport, Version, WrittenTriggers, make_triggers, write_triggers};

/// General MIDI key of a kick (GM System Level 1, percussion map: Bass Drum 1).
pub const KICK_KEY: u8 = 36;
/// General MIDI key of a snare (GM System Level 1, percussion map: Acoustic Snare).
pub const SNARE_KEY: u8 = 38;
/// Largest shift of triggers either way, ms: far more than any sampler's latency.
pub const MAX_SHIFT_MS: f64 = 1000.0;
