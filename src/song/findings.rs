//! What is worth looking at in a song before any work is done: repairs, lengths, mixed rates and depths.

use super::Song;
use crate::finding::{Finding, Weight};
use crate::units::SamplePos;
use std::path::PathBuf;

impl Song {
    /// Findings about the song's files: what had to be repaired to read them, lengths that differ, tracks of another
    /// rate than the mics, an end after the last sample.
    #[must_use]
    pub fn findings(&self) -> Vec<Finding> {
        let infos = self.mics.iter().map(|m| &m.info).chain(self.tracks.iter().map(|t| &t.info));
        let mut findings = self.noticed.clone();
        findings.extend(infos.flat_map(|i| i.repairs.iter().cloned()));
        let lengths = self.mics.iter().map(|m| (m.info.frames, &m.info));
        let (short, long) = (lengths.clone().min_by_key(|l| l.0), lengths.rev().max_by_key(|l| l.0));
        if let (Some((fewest, short)), Some((most, long))) = (short, long)
            && fewest < most
        {
            let shown = |frames: u64| SamplePos(frames).at(self.rate());
            let name = |p: &PathBuf| p.file_name().unwrap_or_default().to_string_lossy().into_owned();
            findings.push(Finding::caution(
                &short.path,
                format!(
                    "the mics are not equally long: this one ends at {}, {} at {}",
                    shown(fewest),
                    name(&long.path),
                    shown(most)
                ),
                "If they were exported from one session, export all from the same start to the same end.",
            ));
        }
        if self
            .end
            .is_some_and(|end| end.sample(self.rate()).0 > self.mics.iter().map(|m| m.info.frames).max().unwrap_or(0))
        {
            findings.push(Finding::song(
                "the song's end in the sheet lies after the end of every mic",
                "Correct end in [song], or leave it out.",
            ));
        }
        for track in self.tracks.iter().filter(|t| t.info.rate != self.rate()) {
            findings.push(Finding {
                weight: Weight::Note,
                file: Some(track.info.path.clone()),
                what: format!("this track is at {}, the mics at {}", track.info.rate, self.rate()),
                remedy: String::new(),
            });
        }
        findings
    }
}
