//! Audio in and out: WAV (with its chunks), FLAC, AIFF, MP3; samples as `f32`, 1.0 = full scale.
//!
//! In: paths. Out: [`AudioInfo`], blocks of samples, WAV files written beside and renamed.
//! Readers stream: memory does not grow with a file's length. Inputs are opened read-only.

mod aiff;
mod channel;
mod coded;
mod dither;
mod info;
pub mod levels;
mod named;
pub(crate) mod pcm;
mod plain;
mod reader;
mod resample;
pub(crate) mod riff;
mod writer;

pub use channel::Channel;
pub use dither::Dither;
pub use info::{AudioFault, AudioInfo, Bext, Cue, SampleFormat};
pub use levels::{LevelMeter, Levels, SOUND_FLOOR};
pub use named::is_named_audio;
pub use reader::{AudioReader, MonoReader, read_mono};
pub use resample::{Resampler, resample, resampled_frames};
pub use writer::{WavExtras, WavSpec, WavWriter, around};
