//! What earlier runs made, kept beside the results.

use super::{Key, Stage, Sums, sum_of};
use crate::error::Result;
use crate::finding::Finding;
use crate::handoff::{Sent, name};
use crate::output::write_whole;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// File name of the record.
pub const RECORD: &str = "run.json";
/// Layout of the record; another one counts as no record. Records of layout 1 may hold files that the tool did not write.
const LAYOUT: u32 = 2;

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
    /// Whether the stage came to its end. Before it writes anything that people edit, it notes what it is about to write, so
    /// that a run that was killed does not take its own file for one that was edited.
    #[serde(default = "yes", skip_serializing_if = "Clone::clone")]
    pub finished: bool,
    /// While it is not finished: SHA-256 of the files that were there before it began, by their paths in the folder.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub replaces: BTreeMap<PathBuf, String>,
    /// Of strokes: what they were found from, so that what only concerns MIDI and pictures does not count as a change.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub found_from: Option<Key>,
    /// Of strokes: the settings that they were found with, whatever the recordings hold.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub found_with: Option<Key>,
    /// Where the list is the user's own: the list and settings that MIDI and report were last made from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub told_from: Option<Key>,
}

impl StageRecord {
    /// Of a stage that has written nothing yet.
    #[must_use]
    pub fn new(key: Key) -> Self {
        let (outputs, replaces, lines, findings) = (BTreeMap::new(), BTreeMap::new(), Vec::new(), Vec::new());
        let (found_from, found_with, told_from) = (None, None, None);
        Self { key, outputs, lines, findings, finished: true, replaces, found_from, found_with, told_from }
    }

    /// Whether a result is there that this stage did not write: SHA-256 of it as it is now, `None` where it is gone.
    #[must_use]
    pub fn is_edited(&self, path: &Path, now: Option<&str>) -> bool {
        let Some(written) = self.outputs.get(path) else { return false };
        now.is_some_and(|now| now != written && self.replaces.get(path).is_none_or(|before| now != before))
    }
}

fn yes() -> bool {
    true
}

/// Where a song lies now: its results, and the folder of its sheet.
#[derive(Clone, Copy, Debug)]
pub struct Places<'a> {
    /// Folder of the results.
    pub results: &'a Path,
    /// Folder of the sheet; empty for the folder at hand.
    pub song: &'a Path,
}

/// What stands in the record in place of the results' folder and the sheet's.
const RESULTS: &str = "{results}";
const SONG: &str = "{song}";

impl Places<'_> {
    /// Findings and lines as the record keeps them, naming no folder that may be moved.
    fn take_out(self, made: &StageRecord) -> StageRecord {
        let song = self.song.to_string_lossy();
        let text = |t: &str| {
            let t = swap(t, &self.results.to_string_lossy(), RESULTS);
            if song.is_empty() { t } else { swap(&t, &song, SONG) }
        };
        let file = |p: &Path| match text(&p.to_string_lossy()) {
            t if song.is_empty() && p.is_relative() && !t.starts_with(RESULTS) => format!("{SONG}/{t}"),
            t => t,
        };
        each_text(made, text, file)
    }

    /// The same with the folders as they are called now.
    fn put_in(self, made: &StageRecord) -> StageRecord {
        let inside = |t: &str| {
            let song = self.song.to_string_lossy();
            let t = t.replace(RESULTS, &self.results.to_string_lossy());
            if song.is_empty() { t.replace(&format!("{SONG}/"), "") } else { t.replace(SONG, &song) }
        };
        each_text(made, inside, |p| inside(&p.to_string_lossy()))
    }
}

fn each_text(made: &StageRecord, text: impl Fn(&str) -> String, file: impl Fn(&Path) -> String) -> StageRecord {
    let mut out = made.clone();
    out.lines.iter_mut().for_each(|l| *l = text(l));
    for f in &mut out.findings {
        // A name that is no text stays as it is.
        if let Some(path) = f.file.as_mut().filter(|p| p.to_str().is_some()) {
            *path = file(path).into();
        }
        (f.what, f.remedy) = (text(&f.what), text(&f.remedy));
    }
    out
}

/// Replaces a folder's name wherever it stands at the beginning of a path.
fn swap(text: &str, folder: &str, with: &str) -> String {
    let begins = |at: usize| {
        let before = text.get(..at).and_then(|t| t.chars().next_back());
        before.is_none_or(|c| c.is_whitespace() || matches!(c, '"' | '\'' | '`' | '('))
    };
    let (mut out, mut from) = (String::with_capacity(text.len()), 0);
    for (at, found) in text.match_indices(folder) {
        let end = at + found.len();
        let goes_on = text.get(end..).is_some_and(|t| t.starts_with(['/', std::path::MAIN_SEPARATOR]));
        if !folder.is_empty() && at >= from && begins(at) && goes_on {
            out.push_str(text.get(from..at).unwrap_or_default());
            out.push_str(with);
            from = end;
        }
    }
    out.push_str(text.get(from..).unwrap_or_default());
    out
}

/// What earlier runs made of a song.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Record {
    layout: u32,
    stages: BTreeMap<Stage, StageRecord>,
    /// The newest delivery of each title, as names of files spell it: its number counts on wherever its zip is now.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    sent: BTreeMap<String, Sent>,
}

/// How a stage's results stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// Made from just what is there now, and untouched since.
    UpToDate,
    /// Never made, or something it depends on has changed, or a result is missing or damaged.
    Due,
    /// A result that people edit was changed by hand since it was made.
    Edited,
}

impl Record {
    /// The record of a folder; an empty one where there is none that can be used.
    #[must_use]
    pub fn read(places: Places<'_>) -> Self {
        let folder = places.results;
        let empty = || Self { layout: LAYOUT, ..Self::default() };
        let Ok(text) = std::fs::read(folder.join(RECORD)) else { return empty() };
        let read = serde_json::from_slice::<Self>(&text).ok().filter(|r| r.layout == LAYOUT);
        let mut read = read.unwrap_or_else(empty);
        read.stages.values_mut().for_each(|made| *made = places.put_in(made));
        read
    }

    /// Writes the record.
    ///
    /// # Errors
    /// [`OutputFault`](crate::output::OutputFault).
    pub fn write(&self, places: Places<'_>) -> Result<()> {
        write_whole(&places.results.join(RECORD), &self.text(places))
    }

    /// The record as it is written.
    #[must_use]
    pub fn text(&self, places: Places<'_>) -> Vec<u8> {
        let stages = self.stages.iter().map(|(s, made)| (*s, places.take_out(made))).collect();
        let kept = Self { layout: self.layout, stages, sent: self.sent.clone() };
        // Strings and numbers only: this cannot fail.
        let mut text = serde_json::to_string_pretty(&kept).unwrap_or_default();
        text.push('\n');
        text.into_bytes()
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

    /// The newest delivery of a title that was noted.
    #[must_use]
    pub fn sent(&self, title: &str) -> Option<&Sent> {
        self.sent.get(&name::title(title))
    }

    /// Notes a delivery of a title, unless a newer one is noted already. Says whether it is new.
    pub fn note_sent(&mut self, title: &str, sent: Sent) -> bool {
        let revision = sent.manifest.revision;
        let is_new = self.sent(title).is_none_or(|s| s.manifest.revision < revision);
        if is_new {
            self.sent.insert(name::title(title), sent);
        }
        is_new
    }

    /// Takes over what another record has noted of deliveries.
    pub fn take_sent(&mut self, from: Self) {
        self.sent = from.sent;
    }

    /// How a stage stands. `editable` is a result that people edit by hand, by its path in the folder.
    #[must_use]
    pub fn standing(&self, stage: Stage, key: &Key, folder: &Path, sums: &Sums, editable: Option<&Path>) -> Standing {
        let Some(made) = self.stages.get(&stage) else { return Standing::Due };
        let now = |path: &Path| sums.of(&folder.join(path));
        if editable.is_some_and(|path| made.is_edited(path, now(path))) {
            return Standing::Edited;
        }
        let whole = made.finished && made.outputs.iter().all(|(p, sum)| now(p) == Some(sum));
        if made.key == *key && whole { Standing::UpToDate } else { Standing::Due }
    }

    /// Notes what a stage is about to write, so that a run that is killed while it writes does not take its own files for
    /// ones that were edited by hand. A list that was edited stays known as such until it is replaced.
    ///
    /// # Errors
    /// A file that is there and cannot be read.
    pub fn announce(&mut self, stage: Stage, key: Key, folder: &Path, files: &[(PathBuf, Vec<u8>)]) -> Result<()> {
        let inside = |p: &PathBuf| p.strip_prefix(folder).ok().map(Path::to_owned);
        let outputs: BTreeMap<PathBuf, String> =
            files.iter().filter_map(|(p, bytes)| Some((inside(p)?, sum_of(bytes)))).collect();
        let there: Vec<PathBuf> = files.iter().map(|(p, _)| p.clone()).collect();
        let mut sums = Sums::default();
        sums.add(&there)?;
        let before = self.stages.get(&stage);
        let edited = |p: &Path, now: &str| before.is_some_and(|made| made.is_edited(p, Some(now)));
        let replaces = there
            .iter()
            .filter_map(|p| Some((inside(p)?, sums.of(p)?.to_owned())))
            .filter(|(p, now)| !edited(p, now))
            .collect();
        self.note(stage, StageRecord { outputs, replaces, finished: false, ..StageRecord::new(key) });
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_song_that_was_moved_has_its_notes_at_the_new_place() {
        let old = Places { results: Path::new("in/Low Tide/underlay"), song: Path::new("in/Low Tide") };
        let key: Key = serde_json::from_str("\"k\"").unwrap();
        let findings = vec![
            Finding::note(Path::new("in/Low Tide/underlay/hits.csv"), "it was used, in/Low Tide/underlay/x too"),
            Finding::note(
                Path::new("in/Low Tide/kick.wav"),
                "see \"in/Low Tide/song.toml\"; again/in/Low Tide/x is another",
            ),
            Finding::note(Path::new("/elsewhere/room.wav"), "the kick, in/out"),
        ];
        let lines = vec!["written: in/Low Tide/underlay/a".into()];
        let made = StageRecord { lines, findings, ..StageRecord::new(key) };
        let kept = old.take_out(&made);
        assert_eq!(old.put_in(&kept), made);
        let text = serde_json::to_string(&kept).unwrap();
        assert!(!text.replace("again/in/Low Tide", "").contains("in/Low Tide"), "{text}");
        let here = Places { results: Path::new("underlay"), song: Path::new("") };
        let now = here.put_in(&kept);
        let files: Vec<&str> = now.findings.iter().map(|f| f.file.as_ref().unwrap().to_str().unwrap()).collect();
        assert_eq!(files, ["underlay/hits.csv", "kick.wav", "/elsewhere/room.wav"]);
        assert_eq!(now.findings[1].what, "see \"song.toml\"; again/in/Low Tide/x is another");
        assert_eq!(now.lines, ["written: underlay/a"]);
        // And from the folder at hand to somewhere else.
        assert_eq!(
            old.put_in(&here.take_out(&now)).findings[..2].iter().map(|f| &f.file).collect::<Vec<_>>(),
            made.findings[..2].iter().map(|f| &f.file).collect::<Vec<_>>()
        );
    }
}
