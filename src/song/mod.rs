//! The song sheet: what is recorded where, the tempo and form, and every decision taken, as one TOML file.
//!
//! In: a sheet, or a folder to guess one from. Out: [`Song`], checked once and trusted by every later room.

mod drum;
mod fault;
mod field;
mod findings;
mod guess;
mod kind;
mod lacking;
mod model;
mod open;
mod relative;
mod revise;
mod sheet;
mod shots;
mod single;
mod spelling;
mod write;

pub use drum::{Drum, Place};
pub use fault::SheetFault;
pub use field::{FIELDS, Field, SECTIONS, fields_of};
pub use guess::{Draft, Guess, Role, Sureness};
pub use kind::{BAR_ONE, FLOOR_DBFS, Kind, MIN_GAP_MS, Number, SONG_BPM, THRESHOLD_DB, Unit};
pub use model::{
    Curve, FinderSettings, HandoffPlan, LayerPlan, Mic, MicSettings, Polarity, RoughPlan, Section, Song, Track,
    TrackKind,
};
pub use revise::with_polarity;
pub use shots::one_shots;
pub use single::SingleFiles;
pub use write::may_write;
