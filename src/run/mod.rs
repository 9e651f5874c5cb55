//! Doing only what has to be done: which stages of a song are up to date, by the contents of everything they depend on.
//!
//! In: the song, a stage, the folder of results. Out: a [`Key`] that changes when anything does that the stage's results
//! depend on, and a [`Record`] of what earlier runs made, kept in the folder as `run.json`.

mod key;
mod record;

pub use key::{Key, Stage, Sums, sum_of};
pub use record::{Places, RECORD, Record, StageRecord, Standing};
