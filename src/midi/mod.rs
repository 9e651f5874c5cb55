//! Trigger MIDI files out (Standard MIDI File 1.0, format 1), and what can be wrong with a MIDI file coming in.
//!
//! In: hit lists and a tempo map. Out: files whose tick 0 is sample 0 of the audio.

pub use crate::tempo::MidiFault;
