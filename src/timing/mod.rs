//! The take against the song's grid: offsets, feel, report, and triggers pulled towards the grid.
//!
//! In: a hit list, a tempo map, the form. Out: [`Timing`], the whole check as plain data; [`Pulled`] triggers
//! and the list of their moves; a printed click; and, where there was no click, a tempo map found from the hits.
//! Early is negative, late positive, everywhere.

mod bars;
mod beat;
mod check;
mod click;
mod compare;
mod context;
mod drift;
mod feel;
mod leaves;
#[cfg(test)]
mod made;
mod misfit;
mod moves;
mod place;
mod pull;
mod slide;
mod sources;
pub mod stats;
mod strokes;
mod summary;
mod swing;
mod wander;
mod words;

pub use bars::{BarTightness, Outlier};
pub use beat::{FoundTempo, NoTempo, Reading, TempoCertainty, TempoHints, find_tempo};
pub use check::{CheckSettings, DrumTiming, Group, SectionSpan, Timing, check, feels};
pub use click::{Click, ClickBeat, MOST_COUNT_IN, plan_click, render, write_click};
pub use compare::{Halves, KickSnare};
pub use context::Context;
pub use drift::Drift;
pub use feel::{Feel, Relation};
pub use misfit::misfit;
pub use moves::{moves_csv, moves_cues, moves_midi};
pub use place::{Count, Placed};
pub use pull::{Because, PullCounts, PullSettings, Pulled, Target, pull, pull_doubts};
pub use slide::{Slide, ToldBy};
pub use sources::{Parting, form_of_cues, parting};
pub use strokes::{Stroke, grid_step, strokes};
pub use summary::{drum_words, feel_words, halfway_words, summary, worst_bars_words};
pub use swing::{Level, Swing};
pub use wander::{BarPlace, Wander};
pub use words::{Lean, early_late, just_noticed_ms, later_earlier, tightness};
