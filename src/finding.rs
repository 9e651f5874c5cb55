//! Findings: things a run noticed that the user should look at, as data.
//!
//! A finding never stops the work by itself; an error ([`crate::Error`]) does. The report, the
//! terminal summary and `--json` all render the same values.

use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// How much a finding matters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Weight {
    /// Good to know; the exit code stays 0.
    Note,
    /// Look at it; the exit code becomes 1.
    Caution,
    /// Must be put right before a delivery.
    Error,
}

/// One thing noticed: where, what, and what to do.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// How much it matters.
    pub weight: Weight,
    /// The file concerned, where there is one.
    pub file: Option<PathBuf>,
    /// What was noticed, one sentence.
    pub what: String,
    /// What to do about it, one sentence; empty where nothing needs doing.
    pub remedy: String,
}

impl Finding {
    /// A note on a file.
    pub fn note(file: &Path, what: impl Into<String>) -> Self {
        Self { weight: Weight::Note, file: Some(file.to_owned()), what: what.into(), remedy: String::new() }
    }

    /// A caution on a file.
    pub fn caution(file: &Path, what: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { weight: Weight::Caution, file: Some(file.to_owned()), what: what.into(), remedy: remedy.into() }
    }

    /// An error on a file.
    pub fn error(file: &Path, what: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { weight: Weight::Error, file: Some(file.to_owned()), what: what.into(), remedy: remedy.into() }
    }

    /// A caution on the song as a whole.
    pub fn song(what: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { weight: Weight::Caution, file: None, what: what.into(), remedy: remedy.into() }
    }
}
