//! The invented song, synthesised: used by `underlay demo` and by tests that need known strokes.
//!
//! In: a [`DemoSpec`] (kit, drummer, mics, room; all numbers). Out: a [`DemoSong`], which knows every stroke it
//! plays and renders what each mic records: drums from the modes of struck membranes and filtered noise, each
//! stroke a little different, and natural bleed (time of flight, level, air and shells) from every drum into
//! every mic. The same spec gives the same samples on every machine: no chance but [`Dice`], no system maths.

mod band;
mod dice;
mod groove;
mod modes;
mod part;
mod plate;
mod room;
mod sheet;
mod song;
mod sound;
mod spec;
mod stage;
mod stroke;
mod take;
mod tempo_file;

pub use dice::Dice;
pub use song::{DemoSong, DemoTake, TrueStroke, truth_csv};
pub use spec::{CymbalKit, DemoSpec, Drummer, KickKit, Kit, SnareKit, Style, TomKit};
pub use stage::{DemoMic, SPEED_OF_SOUND};
pub use stroke::{GHOST_BELOW, Stroke, Touch, Voice, kinds};
