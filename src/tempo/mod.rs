//! The song's time: tempo map, bars and beats, grid lines, and tempo tracks read from Standard MIDI Files.
//!
//! In: a BPM, or a MIDI file's tempo track. Out: [`TempoMap`], which turns seconds into bars, beats
//! and ticks and back, and finds the nearest line of a [`Grid`].

mod bars;
mod fault;
mod grid;
mod map;
mod meter;
mod smf;

pub use bars::{BarLine, Beat};
pub use fault::{GridFault, MidiFault, TempoFault};
pub use grid::{Grid, GridLine};
pub use map::{BarBeat, Marker, MeterChange, TempoChange, TempoMap};
pub use meter::Meter;
pub use smf::{TempoTrack, parse_tempo_track, read_tempo_track};
