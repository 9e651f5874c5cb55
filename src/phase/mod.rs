//! Polarity and arrival between the mics of a take.
//!
//! In: the mics of a [`Song`](crate::song::Song) and its [`HitList`](crate::hits::HitList). Out: a
//! [`PhaseReport`]: for every drum and mic the sign and the lag with which the drum reaches it, what
//! summing costs or gains in the drum's low band, and one piece of advice a file. [`write_copy`]
//! makes corrected copies on request; recordings are only ever read.

mod advise;
mod air;
mod copied;
mod copies;
mod cross;
mod frames;
mod lag;
mod measure;
mod misplaced;
mod moving;
mod report;
mod strokes;
mod sum;
mod table;
mod view;

pub use air::Celsius;
pub use copied::{COPIES, CopiesRecord};
pub use copies::{Copied, Shift, write_copy};
pub use cross::{Cross, Spectra};
pub(crate) use frames::Frames;
pub use lag::{Arrival, LagRange, arrival};
pub use measure::measure;
pub use moving::Stays;
pub use report::{Advice, Agreement, Band, Pair, PairKind, PhaseReport, PhaseSettings, Recommendation, mic_of};
pub use strokes::sure_strokes;
pub(crate) use sum::low_band;
pub use sum::{SumGain, comb_gain, first_notch};
pub use table::phase_csv;
pub use view::{SumView, sum_view};
