//! Trigger MIDI files out (Standard MIDI File 1.0, format 1), and what can be wrong with a MIDI file coming in.
//!
//! In: hit lists and a tempo map. Out: files whose tick 0 is sample 0 of the audio.

use crate::error::{ExitCode, Fault};

/// Why a Standard MIDI File cannot be used.
#[derive(Clone, Debug, thiserror::Error)]
pub enum MidiFault {
    /// The file is not there or cannot be read.
    #[error("cannot be read ({0})")]
    Unreadable(String),
    /// Not a MIDI file, or damaged.
    #[error("this MIDI file is damaged ({0})")]
    Damaged(String),
    /// Readable, but of a kind that carries no usable tempo map.
    #[error("{0}")]
    Unsupported(String),
}

impl Fault for MidiFault {
    fn remedy(&self) -> String {
        match self {
            MidiFault::Unreadable(_) => "Check the spelling, the folder and that you may read the file.".into(),
            MidiFault::Damaged(_) => "Export the tempo track again as a Standard MIDI File.".into(),
            MidiFault::Unsupported(_) => {
                "Export the tempo track as a Standard MIDI File of format 0 or 1, in beats.".into()
            }
        }
    }

    fn exit_code(&self) -> ExitCode {
        ExitCode::Input
    }
}
