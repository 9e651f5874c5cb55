//! What can stop a handoff, or be wrong with one that was received.

use crate::error::{ExitCode, Fault};

/// Why a handoff cannot be made, or why one cannot be trusted.
#[derive(Clone, Debug, thiserror::Error)]
pub enum HandoffFault {
    /// Findings of the weight of an error.
    #[error("{0}")]
    NotFit(String),
    /// A source changed while it was being read.
    #[error("this file changed while the handoff was being made")]
    SourceChanged,
    /// A document cannot be read.
    #[error("cannot be read ({0})")]
    Unreadable(String),
    /// There is no such file.
    #[error("this file does not exist")]
    Missing,
    /// The zip cannot be read at all.
    #[error("this is not a zip that can be read ({0})")]
    NotAZip(String),
    /// The zip holds no manifest of ours.
    #[error("this zip is not an underlay handoff ({0})")]
    NoManifest(String),
    /// What was written reads back wrongly.
    #[error("what was written reads back wrongly: {0}")]
    BadCopy(String),
    /// A received zip that does not hold what its manifest says.
    #[error("{0}")]
    Broken(String),
    /// A received zip that holds all that its manifest says, unaltered, and more.
    #[error("{0}")]
    Added(String),
}

impl Fault for HandoffFault {
    fn remedy(&self) -> String {
        match self {
            HandoffFault::NotFit(_) => "Put right what is marked as an error and run handoff again.".into(),
            HandoffFault::SourceChanged => {
                "Let every other program finish writing to the song's folder, then run handoff again.".into()
            }
            HandoffFault::Unreadable(_) => "Check that the file is there and that you may read it.".into(),
            HandoffFault::Missing => "Check the spelling and the folder.".into(),
            HandoffFault::NotAZip(_) => {
                "Check that it is the zip you were sent; download or copy it again if it is.".into()
            }
            HandoffFault::NoManifest(_) => "Name a zip that `underlay handoff` has made.".into(),
            HandoffFault::BadCopy(_) => "The disk may be failing: choose another one with --out.".into(),
            HandoffFault::Added(_) => {
                "Use the files of the delivery; of what was added, only what its sender tells you about.".into()
            }
            HandoffFault::Broken(_) => "Ask the sender for the zip again and do not use this one.".into(),
        }
    }

    fn exit_code(&self) -> ExitCode {
        match self {
            HandoffFault::BadCopy(_) => ExitCode::Output,
            _ => ExitCode::Input,
        }
    }
}
