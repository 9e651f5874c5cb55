//! What can go wrong, told so that a musician can put it right.
//!
//! Every error names the file, the place in it, what is wrong and one remedy, and maps to an
//! exit code. Rooms define their own fault enums; [`Located`] ties a fault to a file and place.

use crate::audio::AudioFault;
use crate::handoff::HandoffFault;
use crate::hits::HitListFault;
use crate::layer::SetFault;
use crate::midi::MidiFault;
use crate::output::OutputFault;
use crate::song::SheetFault;
use crate::timing::NoTempo;
use std::fmt;
use std::path::{Path, PathBuf};

/// Result of everything in this crate.
pub type Result<T, E = Error> = std::result::Result<T, E>;

/// Exit codes of the command, part of its contract with scripts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum ExitCode {
    /// Everything was done.
    Done = 0,
    /// Done, with findings to look at.
    Findings = 1,
    /// The command was used wrongly.
    Usage = 2,
    /// An input cannot be read or is not valid.
    Input = 3,
    /// An output cannot be written.
    Output = 4,
}

/// Where in a file something is.
#[derive(Clone, Debug, Default, PartialEq)]
pub enum Place {
    /// The file as a whole.
    #[default]
    Whole,
    /// A byte offset, from 0.
    Byte(u64),
    /// A sample frame, from 0.
    Frame(u64),
    /// A text line, from 1, and the field in it where known.
    Line(usize, Option<String>),
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Place::Whole => Ok(()),
            Place::Byte(b) => write!(f, "byte {b}"),
            Place::Frame(n) => write!(f, "sample {n}"),
            Place::Line(l, None) => write!(f, "line {l}"),
            Place::Line(l, Some(field)) => write!(f, "line {l}, {field}"),
        }
    }
}

/// A fault that says what is wrong (its `Display`) and what to do about it.
pub trait Fault: fmt::Display + fmt::Debug {
    /// One sentence: what the user can do.
    fn remedy(&self) -> String;
    /// The exit code that a run ends with on this fault.
    fn exit_code(&self) -> ExitCode;
}

/// A fault in one file, at one place.
#[derive(Clone, Debug)]
pub struct Located<F> {
    /// The file as the user named it.
    pub file: PathBuf,
    /// Where in the file.
    pub place: Place,
    /// What is wrong.
    pub fault: F,
}

impl<F> Located<F> {
    /// A fault of the file as a whole.
    pub fn whole(file: &Path, fault: F) -> Self {
        Self { file: file.to_owned(), place: Place::Whole, fault }
    }

    /// A fault at a place.
    pub fn at(file: &Path, place: Place, fault: F) -> Self {
        Self { file: file.to_owned(), place, fault }
    }
}

impl<F: Fault> fmt::Display for Located<F> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.file.display())?;
        if self.place != Place::Whole {
            write!(f, ", {}", self.place)?;
        }
        write!(f, ": {}", self.fault)
    }
}

impl<F: Fault> std::error::Error for Located<F> {}

/// The command or a library call was used in a way that cannot work.
#[derive(Clone, Debug)]
pub struct Misuse {
    /// What is wrong, a full sentence without the final stop.
    pub what: String,
    /// What to do instead, one sentence.
    pub remedy: String,
}

impl Misuse {
    /// From two sentences.
    pub fn new(what: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { what: what.into(), remedy: remedy.into() }
    }
}

/// Any error of this crate.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// Wrong use: options that contradict each other, a value outside its range.
    #[error("{}", .0.what)]
    Usage(Misuse),
    /// An audio file that cannot be used.
    #[error(transparent)]
    Audio(#[from] Located<AudioFault>),
    /// A Standard MIDI File that cannot be used.
    #[error(transparent)]
    Midi(#[from] Located<MidiFault>),
    /// A song sheet with a mistake.
    #[error(transparent)]
    Sheet(#[from] Located<SheetFault>),
    /// A hit list with a mistake.
    #[error(transparent)]
    HitList(#[from] Located<HitListFault>),
    /// Hits that no tempo can be found from.
    #[error(transparent)]
    Tempo(#[from] Located<NoTempo>),
    /// A handoff that cannot be made or trusted.
    #[error(transparent)]
    Handoff(#[from] Located<HandoffFault>),
    /// A sample set that cannot be used.
    #[error(transparent)]
    Samples(#[from] Located<SetFault>),
    /// Something that could not be written.
    #[error(transparent)]
    Output(#[from] Located<OutputFault>),
}

impl Error {
    /// A usage error from two sentences: what is wrong, what to do.
    pub fn usage(what: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self::Usage(Misuse::new(what, remedy))
    }

    /// What the user can do, one sentence.
    #[must_use]
    pub fn remedy(&self) -> String {
        match self {
            Error::Usage(m) => m.remedy.clone(),
            Error::Audio(e) => e.fault.remedy(),
            Error::Midi(e) => e.fault.remedy(),
            Error::Sheet(e) => e.fault.remedy(),
            Error::HitList(e) => e.fault.remedy(),
            Error::Tempo(e) => e.fault.remedy(),
            Error::Handoff(e) => e.fault.remedy(),
            Error::Samples(e) => e.fault.remedy(),
            Error::Output(e) => e.fault.remedy(),
        }
    }

    /// The exit code that a run ends with.
    #[must_use]
    pub fn exit_code(&self) -> ExitCode {
        match self {
            Error::Usage(_) => ExitCode::Usage,
            Error::Audio(e) => e.fault.exit_code(),
            Error::Midi(e) => e.fault.exit_code(),
            Error::Sheet(e) => e.fault.exit_code(),
            Error::HitList(e) => e.fault.exit_code(),
            Error::Tempo(e) => e.fault.exit_code(),
            Error::Handoff(e) => e.fault.exit_code(),
            Error::Samples(e) => e.fault.exit_code(),
            Error::Output(e) => e.fault.exit_code(),
        }
    }
}
