//! What can be wrong with a sheet.

use crate::error::{ExitCode, Fault};

/// A mistake in a song sheet.
#[derive(Clone, Debug, thiserror::Error)]
pub enum SheetFault {
    /// The sheet cannot be read.
    #[error("cannot be read ({0})")]
    Unreadable(String),
    /// A line or field is wrong.
    #[error("{what}")]
    Wrong {
        /// What is wrong, one sentence without the final stop.
        what: String,
        /// What to do.
        remedy: String,
    },
}

impl Fault for SheetFault {
    fn remedy(&self) -> String {
        match self {
            SheetFault::Unreadable(_) => {
                "Check the spelling and the folder; `underlay prep FOLDER` writes a new sheet.".into()
            }
            SheetFault::Wrong { remedy, .. } => remedy.clone(),
        }
    }

    fn exit_code(&self) -> ExitCode {
        ExitCode::Input
    }
}
