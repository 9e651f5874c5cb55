//! The rough mix and its loudness.
//!
//! In: the mics of a take with their roles and polarity decisions, printed layers, the client's two-mix and programmed
//! parts. Out: [`Rough`]: stereo WAV files at a stated loudness, and a table of what was done to get there.

mod annex;
mod balance;
mod bus;
mod feed;
mod gated;
mod heard;
mod limiter;
mod loudness;
mod peak;
mod rough;
mod survey;
mod version;

pub use balance::{Fader, LIFT, balance, balance_stereo, pan_mono, role_level};
pub use heard::{SoundSum, sheet_words};
pub use limiter::{AUDIBLE, LOOK_AHEAD, Limited, Limiter, RELEASE};
pub use loudness::{Dbtp, Loudness, Lufs, Meter, Watch};
pub use rough::{
    DRUMS_ONLY, MIX, PROGRAMMING_LEVEL, PrintedLayer, Rough, Row, TABLE, WITHOUT_LAYERS, aim_words, kind_word, make,
};
pub use version::{GENTLE, MOST, UNASKED, Version};
