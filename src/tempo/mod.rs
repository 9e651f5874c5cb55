//! The song's time: tempo map, bars and beats, grid lines, and tempo tracks read from Standard MIDI Files.
//!
//! In: a BPM, or a MIDI file's tempo track. Out: [`TempoMap`], which turns seconds into bars, beats
//! and ticks and back, and finds the nearest line of a [`Grid`].

mod grid;
mod map;

pub use grid::{Grid, GridLine};
pub use map::{BarBeat, Marker, Meter, MeterChange, TempoChange, TempoMap};
