//! What is worth looking at in a song before any work is done: repairs, lengths, mixed rates and depths.

use super::{Drum, Mic, Place, Song};
use crate::audio::{Channel, Levels};
use crate::finding::{Finding, Weight};
use crate::tempo::TempoMap;
use crate::units::SamplePos;
use std::path::PathBuf;

impl Mic {
    /// Whether this is a close mic recorded to a file of several channels of which the sheet chooses none: all are listened to
    /// together.
    #[must_use]
    pub fn summed(&self) -> bool {
        let close =
            matches!(self.drum, Drum::Kick | Drum::Snare | Drum::Hat | Drum::Tom) && self.place != Place::Stereo;
        close && self.info.channels > 1 && self.channel == Channel::Sum
    }

    /// What is to be said of a close mic in a file whose channels differ, from the file's levels.
    #[must_use]
    pub fn summed_finding(&self, levels: &Levels) -> Option<Finding> {
        (self.summed() && !levels.same_channels).then(|| {
            let kind = if self.info.channels == 2 { "a stereo file whose two sides differ" } else { "a file of several channels that differ" };
            Finding::caution(
                &self.info.path,
                format!("the close mic {} is {kind}: their sum is listened to", self.name),
                "Where one side is the mic, set channel = \"left\" or \"right\" for it in the song sheet, or export that side as a mono file.",
            )
        })
    }
}

impl Song {
    /// Findings about the song's files: what had to be repaired to read them, lengths that differ, tracks of another
    /// rate than the mics, an end after the last sample, a bar 1 after the end.
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
        let bar_one = self.tempo.as_ref().map(TempoMap::bar_one).unwrap_or_default();
        let end = SamplePos(self.frames()).at(self.rate());
        if bar_one >= end && bar_one.0 > 0.0 {
            findings.push(Finding::song(
                format!(
                    "bar 1 lies at {bar_one}, after the end of the audio at {end}: no stroke has a place in the song"
                ),
                "Correct bar_one: it is the time in the audio, in seconds, at which bar 1 begins.",
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
