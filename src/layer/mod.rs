//! Sample layers: sets, choice, alignment with the real drum, printing.
//!
//! In: a [`LayerPlan`](crate::song::LayerPlan) of the song sheet, a [`HitList`](crate::hits::HitList), one-shots. Out: a
//! [`Layer`] that renders itself block by block, its WAV file, its map ([`layer_csv`]), and a [`LayerReport`].

mod align;
mod choice;
mod delay;
mod lay;
mod level;
mod map;
mod prepare;
mod preview;
mod report;
mod set;
mod settings;
mod synth;
mod triggers;

pub use align::FARTHEST_MS;
pub use choice::choose;
pub use level::Loudness;
pub use map::{LAYER_COLUMNS, layer_csv, map_at_rate, only, with_others};
pub use prepare::{Layer, plays, prepare, silent};
pub use preview::{Preview, loudest_stretch, preview};
pub use report::{LaidHit, LayerReport, SumSummary};
pub use set::{Listed, SampleSet, SetFault, Shot, ToldBy, VelocityLayer, load};
pub use settings::PrintedWith;
pub use synth::{BUILT_IN, BuiltIn, built_in, other_drum};
pub use triggers::layer_triggers;
