//! Revisions: which number a delivery gets, and what changed against the one before.
//!
//! In: the folder of deliveries, and two manifests. Out: the next number, and [`Changes`] in files, seconds and decisions.

use super::manifest::{AudioEntry, FileEntry, Manifest, STROKES};
use super::verify::manifest_of;
use crate::units::{SampleRate, Seconds};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// File name of a revision's zip.
#[must_use]
pub fn zip_name(song: &str, revision: u32) -> String {
    format!("{}.zip", root_name(song, revision))
}

/// Top folder inside a revision's zip.
pub(super) fn root_name(song: &str, revision: u32) -> String {
    format!("{song}_Handoff_R{revision:02}")
}

/// The newest delivery of a song in a folder.
pub(super) struct Former {
    pub revision: u32,
    pub zip: PathBuf,
    /// `None` where it cannot be read any more.
    pub manifest: Option<Manifest>,
}

/// Looks for the newest delivery of a song.
pub(super) fn former(folder: &Path, song: &str) -> Option<Former> {
    let prefix = format!("{song}_Handoff_R").to_lowercase();
    let number = |name: &str| {
        let lower = name.to_lowercase();
        lower.strip_prefix(&prefix)?.strip_suffix(".zip")?.parse::<u32>().ok()
    };
    let (revision, zip) = std::fs::read_dir(folder)
        .ok()?
        .filter_map(|e| {
            let path = e.ok()?.path();
            let n = number(path.file_name()?.to_str()?)?;
            Some((n, path))
        })
        .max()?;
    let manifest = manifest_of(&zip).ok().map(|(m, _)| m);
    Some(Former { revision, zip, manifest })
}

/// The newest delivery of a song as it is remembered, wherever its zip is now.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Sent {
    /// Its manifest, with its number.
    pub manifest: Manifest,
    /// What its notes say of the delivery before it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub changes: Option<Changes>,
}

/// A file whose sound changed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChangedFile {
    /// Its path in the new delivery.
    pub path: String,
    /// Its path in the former one, where it was another.
    pub was: Option<String>,
    /// Whole seconds that differ, from and to, the last of which the file's end may cut; empty where the sound is the same and only the name changed, or where length,
    /// rate or channels changed as a whole.
    pub seconds: Vec<(u64, u64)>,
    /// In words: what is different.
    pub what: String,
}

/// A decision that changed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ChangedDecision {
    /// Which.
    pub what: String,
    /// Before; `None` when it is new.
    pub was: Option<String>,
    /// Now; `None` when it is gone.
    pub is: Option<String>,
}

/// Strokes of a drum that are not where they were.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ChangedStrokes {
    /// The drum.
    pub drum: String,
    /// Strokes that are no longer there, whether their rows were deleted or marked as dropped.
    pub gone: usize,
    /// Strokes that were not there.
    pub new: usize,
    /// Strokes that lie elsewhere, by no more than [`MOVED`].
    pub moved: usize,
}

impl ChangedStrokes {
    /// In words, such as `3 gone, 1 new`.
    #[must_use]
    pub fn in_words(&self) -> String {
        let counts = [(self.gone, "gone"), (self.new, "new"), (self.moved, "moved")];
        let told: Vec<String> = counts.iter().filter(|c| c.0 > 0).map(|(n, how)| format!("{n} {how}")).collect();
        told.join(", ")
    }
}

/// A stroke that lies nearer than this to one that is gone is that stroke, moved: under the least distance of two
/// strokes.
pub const MOVED: Seconds = Seconds(0.015);

/// What changed from one delivery to the next.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Changes {
    /// The former revision.
    pub since: u32,
    /// Audio files that are new.
    pub added: Vec<String>,
    /// Audio files that are gone.
    pub removed: Vec<String>,
    /// Audio files that differ.
    pub changed: Vec<ChangedFile>,
    /// Audio files that are the same to the sample and in name.
    pub same: usize,
    /// MIDI files that are new or differ, which whoever works with the old ones must load anew.
    pub midi: Vec<String>,
    /// MIDI files that are gone.
    #[serde(default)]
    pub midi_gone: Vec<String>,
    /// Drums whose strokes differ; none where rates differ or the former delivery does not tell its strokes.
    #[serde(default)]
    pub strokes: Vec<ChangedStrokes>,
    /// Decisions that differ.
    pub decisions: Vec<ChangedDecision>,
}

impl Changes {
    /// Compares two deliveries. Audio files are matched by their names in the song sheet.
    #[must_use]
    pub fn between(old: &Manifest, new: &Manifest) -> Self {
        let mut out = Self { since: old.revision, ..Self::default() };
        let mut before: BTreeMap<&str, (&FileEntry, &AudioEntry)> = audio(old).collect();
        let same_form = old.rate_hz == new.rate_hz && old.bits == new.bits;
        for (name, (file, now)) in audio(new) {
            match before.remove(name) {
                None => out.added.push(file.path.clone()),
                Some((was, then)) => match compare(was, then, file, now, same_form.then_some(new.rate_hz)) {
                    Some(change) => out.changed.push(change),
                    None => out.same += 1,
                },
            }
        }
        out.removed = before.into_values().map(|(f, _)| f.path.clone()).collect();
        let (old_midi, new_midi) = (midi(old), midi(new));
        let differs =
            |(name, file): &(&&str, &&FileEntry)| old_midi.get(**name).is_none_or(|f| f.sha256 != file.sha256);
        out.midi = new_midi.iter().filter(differs).map(|(_, f)| f.path.clone()).collect();
        let gone = old_midi.iter().filter(|(name, _)| !new_midi.contains_key(**name));
        out.midi_gone = gone.map(|(_, f)| f.path.clone()).collect();
        if let Some(rate) = SampleRate::new(new.rate_hz).filter(|_| old.rate_hz == new.rate_hz) {
            out.strokes = strokes(old, new, rate);
        }
        let keys: BTreeSet<&String> = old.decisions.keys().chain(new.decisions.keys()).collect();
        for key in keys {
            let (was, is) = (old.decisions.get(key), new.decisions.get(key));
            if was != is {
                out.decisions.push(ChangedDecision { what: key.clone(), was: was.cloned(), is: is.cloned() });
            }
        }
        out
    }

    /// Whether nothing changed that can be heard or was decided.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        let files = self.added.is_empty() && self.removed.is_empty() && self.changed.is_empty();
        files
            && self.midi.is_empty()
            && self.midi_gone.is_empty()
            && self.strokes.is_empty()
            && self.decisions.is_empty()
    }

    /// As plain text, for the documents and the terminal.
    #[must_use]
    pub fn to_text(&self) -> String {
        let mut t = format!("Changes since revision {}\n", self.since);
        if self.is_empty() {
            t.push_str("- nothing that can be heard; documents only\n");
        }
        for path in &self.added {
            let _ = writeln!(t, "- new: {path}");
        }
        for path in &self.removed {
            let _ = writeln!(t, "- gone: {path}");
        }
        for c in &self.changed {
            let _ = writeln!(t, "- {}: {}", c.path, c.what);
        }
        for path in &self.midi {
            let _ = writeln!(t, "- {path}: not as it was; load it anew");
        }
        for path in &self.midi_gone {
            let _ = writeln!(t, "- gone: {path}");
        }
        for s in &self.strokes {
            let _ = writeln!(t, "- strokes of the {} since then: {}", s.drum, s.in_words());
        }
        for d in &self.decisions {
            let none = || "nothing".to_owned();
            let (was, is) = (d.was.clone().unwrap_or_else(none), d.is.clone().unwrap_or_else(none));
            let _ = writeln!(t, "- {}: {is} (was: {was})", d.what);
        }
        let files = if self.same == 1 { "file is" } else { "files are" };
        let _ = writeln!(t, "- {} audio {files} the same to the sample", self.same);
        t
    }
}

fn audio(m: &Manifest) -> impl Iterator<Item = (&str, (&FileEntry, &AudioEntry))> {
    m.files.iter().filter_map(|f| f.audio.as_ref().map(|a| (a.name.as_str(), (f, a))))
}

/// The MIDI files of a delivery by their names, whatever folder they lie in.
fn midi(m: &Manifest) -> BTreeMap<&str, &FileEntry> {
    let name = |f: &'_ FileEntry| f.path.rfind('/').map_or(0, |at| at + 1);
    let files = m.files.iter().filter(|f| f.path.ends_with(".mid"));
    files.map(|f| (f.path.get(name(f)..).unwrap_or_default(), f)).collect()
}

/// Compares the strokes of each drum whose strokes both deliveries tell, or one tells and the other has none of.
fn strokes(old: &Manifest, new: &Manifest, rate: SampleRate) -> Vec<ChangedStrokes> {
    // A delivery of an earlier version counted its strokes and did not tell where they lie.
    let tells = |m: &Manifest, drum: &str| {
        m.strokes.contains_key(drum) || !m.decisions.contains_key(&format!("{STROKES}{drum}"))
    };
    let drums: BTreeSet<&String> = old.strokes.keys().chain(new.strokes.keys()).collect();
    let of = |m: &Manifest, drum: &str| -> BTreeSet<u64> {
        m.strokes.get(drum).map(|text| text.split(' ').filter_map(|p| p.parse().ok()).collect()).unwrap_or_default()
    };
    let near = rate.samples(MOVED);
    let change = |drum: &String| {
        let (was, is) = (of(old, drum), of(new, drum));
        let gone: Vec<u64> = was.difference(&is).copied().collect();
        let mut new: BTreeSet<u64> = is.difference(&was).copied().collect();
        let mut moved = 0;
        for pos in &gone {
            let at = new.range(pos.saturating_add(1).saturating_sub(near)..pos.saturating_add(near)).next().copied();
            moved += usize::from(at.is_some_and(|at| new.remove(&at)));
        }
        let all = ChangedStrokes { drum: drum.clone(), gone: gone.len() - moved, new: new.len(), moved };
        (all.gone + all.new + all.moved > 0).then_some(all)
    };
    drums.into_iter().filter(|d| tells(old, d) && tells(new, d)).filter_map(change).collect()
}

/// `rate_hz`: the rate of both; `None` where rate or depth differ.
fn compare(
    was: &FileEntry,
    then: &AudioEntry,
    file: &FileEntry,
    now: &AudioEntry,
    rate_hz: Option<u32>,
) -> Option<ChangedFile> {
    let renamed = (was.path != file.path).then(|| was.path.clone());
    let name = renamed.as_ref().map_or_else(String::new, |old| format!("; it was called {old}"));
    let change = |seconds, what: String| {
        Some(ChangedFile { path: file.path.clone(), was: renamed.clone(), seconds, what: what + &name })
    };
    let Some(rate_hz) = rate_hz.filter(|_| then.channels == now.channels) else {
        return change(Vec::new(), "another rate, depth or number of channels".into());
    };
    if then.seconds == now.seconds {
        return renamed.map(|old| {
            let what = format!("the same sound under a new name; it was called {old}");
            ChangedFile { path: file.path.clone(), was: Some(old), seconds: Vec::new(), what }
        });
    }
    let seconds = different(&then.seconds, &now.seconds);
    let end = Seconds(now.frames as f64 / f64::from(rate_hz.max(1)));
    let mut what = Vec::new();
    // What only the former file had is told by its length.
    let heard: Vec<(u64, u64)> = seconds.iter().copied().filter(|s| (s.0 as f64) < end.0).collect();
    if !heard.is_empty() {
        what.push(format!("differs at {}", spans(&heard, end)));
    }
    if then.frames != now.frames {
        what.push(format!("its length changed by {} samples", now.frames.abs_diff(then.frames)));
    }
    change(seconds, what.join("; "))
}

/// Seconds whose sums differ, joined to stretches: from the first to the one after the last.
fn different(a: &str, b: &str) -> Vec<(u64, u64)> {
    let each = |s: &str| s.as_bytes().chunks(8).map(<[u8]>::to_vec).collect::<Vec<_>>();
    let (a, b) = (each(a), each(b));
    let mut out: Vec<(u64, u64)> = Vec::new();
    for i in 0..a.len().max(b.len()) {
        if a.get(i) != b.get(i) {
            let at = i as u64;
            match out.last_mut() {
                Some(last) if last.1 == at => last.1 = at + 1,
                _ => out.push((at, at + 1)),
            }
        }
    }
    out
}

/// Stretches in words, none beyond the file's end; a long list is cut.
fn spans(seconds: &[(u64, u64)], end: Seconds) -> String {
    const MOST: usize = 6;
    let time = |s: u64| {
        let t = Seconds((s as f64).min(end.0)).to_string();
        t.strip_suffix(".000").map_or_else(|| t.clone(), str::to_owned)
    };
    let mut t: Vec<String> = seconds.iter().take(MOST).map(|&(a, b)| format!("{} to {}", time(a), time(b))).collect();
    if seconds.len() > MOST {
        t.push(format!("{} more places", seconds.len() - MOST));
    }
    t.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn changed_seconds_are_joined_to_stretches() {
        let a = "aaaaaaaabbbbbbbbccccccccdddddddd";
        let b = "aaaaaaaaxxxxxxxxyyyyyyyydddddddd";
        assert_eq!(different(a, b), [(1, 3)]);
        assert_eq!(different(a, a), []);
        assert_eq!(different(a, &a[..16]), [(2, 4)]);
        let end = Seconds(65.013);
        assert_eq!(spans(&[(1, 3), (61, 62)], end), "0:01 to 0:03, 1:01 to 1:02");
        assert_eq!(spans(&[(0, 66)], end), "0:00 to 1:05.013");
    }

    #[test]
    fn the_newest_zip_of_the_song_counts_and_others_do_not() {
        let dir = tempfile::tempdir().unwrap();
        for name in
            ["LowTide_Handoff_R01.zip", "lowtide_handoff_r12.ZIP", "Other_Handoff_R40.zip", "LowTide_Handoff_Rx.zip"]
        {
            std::fs::write(dir.path().join(name), b"no zip").unwrap();
        }
        let f = former(dir.path(), "LowTide").unwrap();
        assert_eq!(f.revision, 12);
        assert!(f.manifest.is_none());
        assert!(former(dir.path(), "Else").is_none());
    }
}
