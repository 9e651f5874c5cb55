//! What is known of an audio file besides its samples.

use crate::error::{ExitCode, Fault};
use crate::finding::Finding;
use crate::output::in_words;
use crate::units::{SamplePos, SampleRate, Seconds};
use serde::Serialize;
use std::path::PathBuf;

/// How samples are stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum SampleFormat {
    /// Unsigned 8-bit integer.
    Int8,
    /// 16-bit integer.
    Int16,
    /// 24-bit integer.
    Int24,
    /// 32-bit integer.
    Int32,
    /// 32-bit float.
    Float32,
    /// 64-bit float.
    Float64,
    /// A compressed format that does not store linear samples (MP3).
    Lossy,
}

impl SampleFormat {
    /// Bits a sample; 0 for a lossy format.
    #[must_use]
    pub fn bits(self) -> u16 {
        match self {
            SampleFormat::Int8 => 8,
            SampleFormat::Int16 => 16,
            SampleFormat::Int24 => 24,
            SampleFormat::Int32 | SampleFormat::Float32 => 32,
            SampleFormat::Float64 => 64,
            SampleFormat::Lossy => 0,
        }
    }

    /// Whether samples are stored as whole numbers.
    #[must_use]
    pub fn is_integer(self) -> bool {
        matches!(self, Self::Int8 | Self::Int16 | Self::Int24 | Self::Int32)
    }
}

/// Broadcast extension of a WAV file (EBU Tech 3285), the fields that matter to a session.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Bext {
    /// Free text, at most 256 ASCII characters.
    pub description: String,
    /// Who made the file, at most 32 ASCII characters.
    pub originator: String,
    /// yyyy-mm-dd.
    pub date: String,
    /// hh-mm-ss, any separator.
    pub time: String,
    /// Samples from midnight (or from the session's zero) to the first sample.
    pub time_reference: u64,
}

impl Bext {
    /// The same with a `?` for every letter that the standard does not allow, as an accent of some recorder's is, and no longer than
    /// it allows.
    #[must_use]
    pub fn in_plain_letters(self) -> Self {
        let plain = |text: String, most: usize| -> String {
            text.chars().map(|c| if c.is_ascii() && !c.is_control() { c } else { '?' }).take(most).collect()
        };
        let [description, originator, date, time] = Self::LONGEST;
        Self {
            description: plain(self.description, description),
            originator: plain(self.originator, originator),
            date: plain(self.date, date),
            time: plain(self.time, time),
            time_reference: self.time_reference,
        }
    }

    /// Most letters of description, originator, date and time.
    pub(super) const LONGEST: [usize; 4] = [256, 32, 10, 8];
}

/// A cue point of a WAV file with its label.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Cue {
    /// Position of the point.
    pub pos: SamplePos,
    /// Its label; empty where none is stored.
    pub label: String,
}

/// What is known of an audio file besides its samples.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct AudioInfo {
    /// The file as the user named it.
    pub path: PathBuf,
    /// Sampling rate.
    pub rate: SampleRate,
    /// Channels, 1 or more.
    pub channels: u16,
    /// Frames (samples a channel) that can be read.
    pub frames: u64,
    /// How samples are stored.
    pub format: SampleFormat,
    /// Broadcast extension, if there.
    pub bext: Option<Bext>,
    /// Cue points in file order.
    pub cues: Vec<Cue>,
    /// What had to be repaired to read the file (a length left at zero by a crashed recorder, ...).
    pub repairs: Vec<Finding>,
}

impl AudioInfo {
    /// Length of the audio.
    #[must_use]
    pub fn duration(&self) -> Seconds {
        SamplePos(self.frames).at(self.rate)
    }
}

/// Why an audio file cannot be used.
#[derive(Clone, Debug, thiserror::Error)]
pub enum AudioFault {
    /// The file is not there.
    #[error("this file does not exist")]
    Missing,
    /// The system would not open or read it.
    #[error("cannot be read ({0})")]
    Unreadable(String),
    /// A folder was named where a file is wanted.
    #[error("this is a folder, not an audio file")]
    Folder,
    /// Not a format that is understood.
    #[error("this is not a WAV, AIFF, FLAC or MP3 file ({0})")]
    NotAudio(String),
    /// The file holds no samples.
    #[error("there is no audio in this file")]
    Empty,
    /// Cue markers were asked for, and the file has none.
    #[error("this file holds no cue markers")]
    NoMarkers,
    /// Something in the file contradicts itself or the format.
    #[error("{what}")]
    Damaged {
        /// What was expected and found, one sentence.
        what: String,
        /// What to do.
        remedy: String,
    },
    /// A rate, channel count or sample type outside what is read.
    #[error("{0}")]
    Unsupported(String),
}

impl AudioFault {
    /// The fault that an error of the system stands for.
    #[must_use]
    pub fn of_system(e: &std::io::Error) -> Self {
        match e.kind() {
            std::io::ErrorKind::NotFound => Self::Missing,
            _ => Self::Unreadable(in_words(e)),
        }
    }
}

impl Fault for AudioFault {
    fn remedy(&self) -> String {
        match self {
            AudioFault::Missing => "Check the spelling and the folder.".into(),
            AudioFault::Folder => "Name a file inside it.".into(),
            AudioFault::Unreadable(_) => "Check that the disk is connected and that you may read the file.".into(),
            AudioFault::NotAudio(_) => "Export the track again as WAV, 24 bit.".into(),
            AudioFault::Empty => "Export the track again; the recording may have been stopped before it began.".into(),
            AudioFault::NoMarkers => "Export it again with its markers, or give the form in the sheet.".into(),
            AudioFault::Damaged { remedy, .. } => remedy.clone(),
            AudioFault::Unsupported(_) => "Export the track as WAV, 24 bit, 8 to 192 kHz.".into(),
        }
    }

    fn exit_code(&self) -> ExitCode {
        ExitCode::Input
    }
}
