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

/// Findings that say the same of several files, told once: the first of each with all its files, in order of the first.
#[must_use]
pub(crate) fn grouped<'a>(findings: impl IntoIterator<Item = &'a Finding>) -> Vec<(&'a Finding, Vec<&'a Path>)> {
    let mut out: Vec<(&Finding, Vec<&Path>)> = Vec::new();
    for f in findings {
        let same = |(g, _): &&mut (&Finding, Vec<&Path>)| {
            g.file.is_some() && f.file.is_some() && (g.weight, &g.what, &g.remedy) == (f.weight, &f.what, &f.remedy)
        };
        match out.iter_mut().find(same) {
            Some((_, files)) => files.extend(f.file.as_deref()),
            None => out.push((f, f.file.as_deref().into_iter().collect())),
        }
    }
    out
}

/// The name of a file without its folders.
pub(crate) fn file_name(path: &Path) -> String {
    path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned()
}

/// Files that a finding of several names; the rest is counted.
const NAMED: usize = 3;

/// What a finding's words are said of, to stand before them: a file as `shown`, or `each of 9 files (kick.wav, snare.wav, hat.wav
/// and 6 more)`; empty for the song.
pub(crate) fn of_files(files: &[&Path], shown: impl Fn(&Path) -> String) -> String {
    match files {
        [] => String::new(),
        [one] => shown(one),
        many => {
            let names: Vec<String> = many.iter().take(NAMED).map(|p| file_name(p)).collect();
            let more = many.len() - names.len();
            let more = if more > 0 { format!(" and {more} more") } else { String::new() };
            format!("each of {} files ({}{more})", many.len(), names.join(", "))
        }
    }
}

/// `1 stroke`, `7 strokes`.
pub(crate) fn counted(n: usize, what: &str) -> String {
    format!("{n} {what}{}", if n == 1 { "" } else { "s" })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_the_same_of_many_files_is_told_once_for_all() {
        let mics = ["kick.wav", "snare.wav", "hat.wav", "room.wav"];
        let late = |m: &&str| Finding::note(Path::new(m), "its time stamp starts at 1:00:00.000");
        let mut all: Vec<Finding> = mics.iter().map(late).collect();
        all.insert(1, Finding::song("the song", ""));
        all.push(Finding::note(Path::new("tom.wav"), "its time stamp starts at 0:00.500"));
        all.push(Finding::song("the song", ""));
        let told: Vec<String> = grouped(&all)
            .iter()
            .map(|(f, files)| format!("{}: {}", of_files(files, |p| p.display().to_string()), f.what))
            .collect();
        assert_eq!(
            told,
            [
                "each of 4 files (kick.wav, snare.wav, hat.wav and 1 more): its time stamp starts at 1:00:00.000",
                ": the song",
                "tom.wav: its time stamp starts at 0:00.500",
                ": the song"
            ]
        );
        let two = [Path::new("a/kick.wav"), Path::new("b/snare.wav")];
        assert_eq!(of_files(&two, |_| String::new()), "each of 2 files (kick.wav, snare.wav)");
    }
}
