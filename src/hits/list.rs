//! The hit list and its CSV file.

use super::Hit;
use crate::error::{ExitCode, Fault};
use crate::units::SampleRate;
use serde::Serialize;

/// Why a hit list cannot be read.
#[derive(Clone, Debug, thiserror::Error)]
pub enum HitListFault {
    /// The file cannot be read.
    #[error("cannot be read ({0})")]
    Unreadable(String),
    /// A row or column is wrong.
    #[error("{what}")]
    Wrong {
        /// What is wrong, one sentence without the final stop.
        what: String,
        /// What to do.
        remedy: String,
    },
}

impl Fault for HitListFault {
    fn remedy(&self) -> String {
        match self {
            HitListFault::Unreadable(_) => {
                "Check the spelling and the folder; `underlay hits` writes a new list.".into()
            }
            HitListFault::Wrong { remedy, .. } => remedy.clone(),
        }
    }

    fn exit_code(&self) -> ExitCode {
        ExitCode::Input
    }
}

/// All hits of a take, every drum together, sorted by time and then drum.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct HitList {
    /// Rate that positions count in.
    pub rate: SampleRate,
    /// The hits.
    pub hits: Vec<Hit>,
}

impl HitList {
    /// Hits of one drum that are to sound (not dropped), in order.
    pub fn of(&self, drum: crate::song::Drum) -> impl Iterator<Item = &Hit> {
        self.hits.iter().filter(move |h| h.drum == drum && h.state != super::State::Dropped)
    }
}
