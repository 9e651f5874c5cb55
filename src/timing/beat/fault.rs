//! Why hits tell no tempo.

use super::FEWEST;
use crate::error::{ExitCode, Fault};

/// Hits that no tempo can be found from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NoTempo {
    /// So many strokes, fewer than `FEWEST`.
    #[error("there are only {0} hits; a tempo needs at least {least}", least = FEWEST)]
    TooFew(usize),
    /// Nothing comes back in even steps.
    #[error("the hits do not repeat in any way that could be a beat")]
    NoPulse,
}

impl Fault for NoTempo {
    fn remedy(&self) -> String {
        match self {
            NoTempo::TooFew(_) => "Give the tempo with --bpm or --tempo, or find more hits with a lower --threshold.",
            NoTempo::NoPulse => "Give the tempo with --bpm or --tempo, or roughly with --about.",
        }
        .into()
    }

    fn exit_code(&self) -> ExitCode {
        ExitCode::Input
    }
}
