//! The song sheet: what is recorded where, the tempo and form, and every decision taken, as one TOML file.
//!
//! In: a sheet, or a folder to guess one from. Out: [`Song`], checked once and trusted by every later room.

mod drum;
mod fault;
mod model;

pub use drum::{Drum, Place};
pub use fault::SheetFault;
pub use model::{
    Curve, FinderSettings, HandoffPlan, LayerPlan, Mic, MicSettings, Polarity, RoughPlan, Section, Song, Track,
    TrackKind,
};
