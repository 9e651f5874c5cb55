//! underlay measures and makes what a remote session drummer delivers: it finds every kick and snare
//! stroke of a multi-mic take, checks them against the song's grid, writes trigger MIDI and hit lists,
//! prints phase-aligned sample layers, checks polarity between mics, makes the rough mix and packs a
//! verified handoff. Raw recordings are only ever read.
//!
//! # The way of a take
//! Rooms in the order that a take flows through them; nothing points backwards.
//!
//! | room | in | out |
//! |---|---|---|
//! | [`audio`] | files | samples, file facts; WAV files written |
//! | [`tempo`] | BPM or MIDI tempo track | tempo map, grid lines |
//! | [`song`] | song sheet | mics, form, settings, checked |
//! | [`hits`] | mics | hit list |
//! | [`midi`] | hit list, tempo map | trigger files |
//! | [`timing`] | hit list, tempo map | offsets, feel, pulled triggers |
//! | [`phase`] | mics, hits | polarity and arrival |
//! | [`layer`] | hits, sample sets | printed layers |
//! | [`mix`] | mics, layers, guide | rough mix, loudness |
//! | [`handoff`] | everything | one verified zip |
//! | [`run`] | the song, what earlier runs made | which stages are up to date |
//! | [`report`] | values of the rooms above | pictures, HTML |
//! | [`demo`] | nothing | an invented song with known strokes |
//! | [`cli`] | arguments | the commands |

pub mod audio;
pub mod cli;
pub mod demo;
mod error;
mod finding;
pub mod handoff;
pub mod hits;
pub mod layer;
pub mod midi;
pub mod mix;
pub mod output;
pub mod phase;
mod progress;
pub mod report;
pub mod run;
pub mod song;
pub mod tempo;
pub mod timing;
pub mod units;
mod wide;

pub use error::{Error, ExitCode, Fault, Located, Misuse, Place, Result};
pub use finding::{Finding, Weight};
pub use progress::{Progress, Quiet};
