//! What earlier runs made, kept beside the results.

use super::{Key, Stage, Sums};
use crate::error::Result;
use crate::finding::Finding;
use crate::output::write_whole;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// File name of the record.
pub const RECORD: &str = "run.json";
/// Layout of the record; another one counts as no record.
const LAYOUT: u32 = 1;

/// What one stage made.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StageRecord {
    /// What it depended on.
    pub key: Key,
    /// SHA-256 of every file that it wrote, by its path in the folder.
    pub outputs: BTreeMap<PathBuf, String>,
    /// What it had to say, in short lines.
    pub lines: Vec<String>,
    /// What was noticed.
    pub findings: Vec<Finding>,
}

/// What earlier runs made of a song.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Record {
    layout: u32,
    stages: BTreeMap<Stage, StageRecord>,
}

/// How a stage's results stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// Made from just what is there now, and untouched since.
    UpToDate,
    /// Never made, or something it depends on has changed, or a result is missing or damaged.
    Due,
    /// A result that people edit was changed by hand since it was made; nothing else has changed.
    Edited,
    /// A result that people edit was changed by hand, and what it was made from has changed too.
    EditedAndDue,
}

impl Record {
    /// The record of a folder; an empty one where there is none that can be used.
    #[must_use]
    pub fn read(folder: &Path) -> Self {
        let empty = || Self { layout: LAYOUT, stages: BTreeMap::new() };
        let Ok(text) = std::fs::read(folder.join(RECORD)) else { return empty() };
        serde_json::from_slice::<Self>(&text).ok().filter(|r| r.layout == LAYOUT).unwrap_or_else(empty)
    }

    /// Writes the record.
    ///
    /// # Errors
    /// [`OutputFault`](crate::output::OutputFault).
    pub fn write(&self, folder: &Path) -> Result<()> {
        // Strings and numbers only: this cannot fail.
        let mut text = serde_json::to_string_pretty(self).unwrap_or_default();
        text.push('\n');
        write_whole(&folder.join(RECORD), text.as_bytes())
    }

    /// What a stage made last.
    #[must_use]
    pub fn of(&self, stage: Stage) -> Option<&StageRecord> {
        self.stages.get(&stage)
    }

    /// Notes what a stage made.
    pub fn note(&mut self, stage: Stage, made: StageRecord) {
        self.stages.insert(stage, made);
    }

    /// Forgets a stage that is no longer asked for.
    pub fn forget(&mut self, stage: Stage) {
        self.stages.remove(&stage);
    }

    /// How a stage stands. `editable` is a result that people edit by hand, by its path in the folder.
    #[must_use]
    pub fn standing(&self, stage: Stage, key: &Key, folder: &Path, sums: &Sums, editable: Option<&Path>) -> Standing {
        let Some(made) = self.stages.get(&stage) else { return Standing::Due };
        let now = |path: &Path| sums.of(&folder.join(path));
        let is_editable = |path: &Path| editable == Some(path);
        let edited = made.outputs.iter().any(|(p, sum)| is_editable(p) && now(p).is_some_and(|s| s != sum));
        let whole = made.outputs.iter().all(|(p, sum)| now(p) == Some(sum) || (edited && is_editable(p)));
        match (edited, made.key == *key && whole) {
            (false, true) => Standing::UpToDate,
            (false, false) => Standing::Due,
            (true, true) => Standing::Edited,
            (true, false) => Standing::EditedAndDue,
        }
    }
}
