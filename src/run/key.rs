//! What a stage's results depend on, as one hash.

use crate::error::{Located, Result};
use crate::finding::Finding;
use crate::handoff::HandoffFault;
use crate::output::in_words;
use crate::song::{LayerPlan, Song};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

/// The stages of a song, in their order.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Stage {
    /// Finding strokes.
    Hits,
    /// The take against the grid.
    Timing,
    /// Polarity and arrival.
    Phase,
    /// Layers.
    Print,
    /// Rough mix.
    Rough,
    /// Delivery.
    Handoff,
}

impl Stage {
    /// All, in order.
    pub const ALL: [Stage; 6] = [Stage::Hits, Stage::Timing, Stage::Phase, Stage::Print, Stage::Rough, Stage::Handoff];

    /// The command of the same name.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Stage::Hits => "hits",
            Stage::Timing => "timing",
            Stage::Phase => "phase",
            Stage::Print => "print",
            Stage::Rough => "rough",
            Stage::Handoff => "handoff",
        }
    }

    /// Parts of the song that its results depend on, and the names of its files, which results tell; recordings and results
    /// of other stages come by their contents.
    fn settings(self, song: &Song) -> Value {
        let mics = |fields: &[&str]| part_of_each(&song.mics, fields);
        let recordings = song.mics.iter().map(|m| here(song, &m.info.path)).collect::<Vec<_>>();
        let base = json!({ "title": song.title, "end": song.end, "tempo": song.tempo, "grid": song.grid });
        let own = match self {
            Stage::Hits => json!([
                mics(&["name", "drum", "place", "channel", "settings"]),
                recordings,
                song.finder,
                song.keys,
                song.trigger_shift_ms,
                song.form,
                song.drummer,
                noticed(song),
            ]),
            Stage::Timing => json!([
                song.form,
                song.trigger_pull,
                song.keys,
                song.trigger_shift_ms,
                // Its strokes come as a list; where the take ends only the recordings tell.
                song.frames(),
                song.rate(),
                noticed(song),
            ]),
            Stage::Phase => json!([mics(&["name", "drum", "place", "channel", "polarity"]), recordings]),
            Stage::Print => json!([
                mics(&["name", "drum", "place", "channel", "polarity"]),
                recordings,
                layers(song),
                song.form,
                song.keys,
                // Strokes entered by hand are measured, and their loudness told from it.
                song.finder.curve,
            ]),
            Stage::Rough => json!([
                mics(&["name", "drum", "place", "channel", "polarity", "level", "pan"]),
                recordings,
                part_of_each(&song.tracks, &["name", "kind", "level", "pan"]),
                tracks(song),
                layers(song),
                song.rough,
            ]),
            Stage::Handoff => json!([
                mics(&["name", "drum", "place", "channel", "polarity", "note"]),
                recordings,
                part_of_each(&song.tracks, &["name", "kind"]),
                tracks(song),
                layers(song),
                song.form,
                song.keys,
                song.trigger_shift_ms,
                song.trigger_pull,
                song.handoff,
                song.drummer,
            ]),
        };
        json!([base, own])
    }
}

/// A file as seen from the sheet: where the whole folder lies changes nothing.
fn here(song: &Song, file: &Path) -> PathBuf {
    let base = song.sheet.parent().unwrap_or(Path::new(""));
    file.strip_prefix(base).unwrap_or(file).to_owned()
}

/// What is noticed of the song as a whole, which stands on the pages that stages make.
fn noticed(song: &Song) -> Value {
    let told = |f: Finding| (f.weight, f.file.map(|p| here(song, &p)), f.what, f.remedy);
    json!(song.findings().into_iter().map(told).collect::<Vec<_>>())
}

/// The files of the song's other tracks.
fn tracks(song: &Song) -> Value {
    json!(song.tracks.iter().map(|t| here(song, &t.info.path)).collect::<Vec<_>>())
}

/// The song's layers, each with the names of its one-shots, which tell velocity and drum.
fn layers(song: &Song) -> Value {
    let own = |l: &LayerPlan| LayerPlan { samples: l.files().iter().map(|p| here(song, p)).collect(), ..l.clone() };
    json!(song.layers.iter().map(own).collect::<Vec<_>>())
}

/// Only these fields of each value.
fn part_of_each<T: Serialize>(values: &[T], fields: &[&str]) -> Value {
    let pick = |v: &T| {
        let v = serde_json::to_value(v).unwrap_or_default();
        fields.iter().map(|f| v.get(f).cloned().unwrap_or_default()).collect::<Vec<Value>>()
    };
    values.iter().map(pick).collect::<Vec<_>>().into()
}

/// SHA-256 of everything that a stage depends on, in hexadecimal.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Key(String);

impl Key {
    /// The key of a stage of a song, from its settings and the contents of its input files. Files that are not there count
    /// as not there.
    #[must_use]
    pub fn of(stage: Stage, song: &Song, sums: &Sums, inputs: &[PathBuf]) -> Self {
        Self::from(stage.word(), &stage.settings(song), sums, inputs)
    }

    /// The key of the strokes themselves: of what finding them depends on, without what MIDI and pictures need besides.
    #[must_use]
    pub fn of_strokes(song: &Song, sums: &Sums, inputs: &[PathBuf]) -> Self {
        let mics = part_of_each(&song.mics, &["drum", "place", "channel", "settings"]);
        Self::from("strokes", &json!([mics, song.finder]), sums, inputs)
    }

    /// The key of the settings that strokes are found with, whatever the recordings hold.
    #[must_use]
    pub fn of_search(song: &Song) -> Self {
        let mics = part_of_each(&song.mics, &["drum", "channel", "settings"]);
        Self::from("search", &json!([mics, song.finder]), &Sums::default(), &[])
    }

    /// A key that fits nothing: of results whose settings are not known.
    #[must_use]
    pub fn unknown() -> Self {
        Self(String::new())
    }

    /// The key of what was made from the same and a further file, by its sum.
    #[must_use]
    pub fn and(&self, sum: &str) -> Self {
        Self(sum_of(format!("{} {sum}", self.0).as_bytes()))
    }

    fn from(what: &str, settings: &Value, sums: &Sums, inputs: &[PathBuf]) -> Self {
        let mut sha = Sha256::new();
        let mut part = |bytes: &[u8]| {
            sha.update((bytes.len() as u64).to_le_bytes());
            sha.update(bytes);
        };
        part(env!("CARGO_PKG_VERSION").as_bytes());
        part(what.as_bytes());
        part(settings.to_string().as_bytes());
        for file in inputs {
            part(sums.0.get(file).map_or("", String::as_str).as_bytes());
        }
        Self(hex(&sha.finalize()))
    }
}

/// SHA-256 of files, each read once.
#[derive(Clone, Debug, Default)]
pub struct Sums(BTreeMap<PathBuf, String>);

impl Sums {
    /// Reads the files that are not known yet, side by side. Missing files are left out.
    ///
    /// # Errors
    /// A file that is there and cannot be read.
    pub fn add(&mut self, files: &[PathBuf]) -> Result<()> {
        let new: Vec<&PathBuf> = files.iter().filter(|f| !self.0.contains_key(*f) && f.is_file()).collect();
        let sums: Vec<Result<String>> = new.par_iter().map(|f| sum(f)).collect();
        for (file, sum) in new.into_iter().zip(sums) {
            self.0.insert(file.clone(), sum?);
        }
        Ok(())
    }

    /// Forgets files that may have been written anew.
    pub fn forget(&mut self, files: &[PathBuf]) {
        for f in files {
            self.0.remove(f);
        }
    }

    /// The sum of a file that was added.
    #[must_use]
    pub fn of(&self, file: &Path) -> Option<&str> {
        self.0.get(file).map(String::as_str)
    }
}

/// SHA-256 of bytes, in hexadecimal, as a file that holds them would give.
#[must_use]
pub fn sum_of(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

fn sum(path: &Path) -> Result<String> {
    let fail = |e: std::io::Error| Located::whole(path, HandoffFault::Unreadable(in_words(&e)));
    let mut file = File::open(path).map_err(fail)?;
    let mut sha = Sha256::new();
    let mut block = vec![0u8; 1 << 17];
    loop {
        match file.read(&mut block).map_err(fail)? {
            0 => return Ok(hex(&sha.finalize())),
            n => sha.update(block.get(..n).unwrap_or_default()),
        }
    }
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut t, b| {
        let _ = write!(t, "{b:02x}");
        t
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::{AudioInfo, Channel, SampleFormat};
    use crate::song::{Drum, Mic, Place};
    use crate::units::SampleRate;

    #[test]
    fn another_side_of_a_stereo_file_is_another_song_to_every_stage_that_listens() {
        let info = AudioInfo {
            path: "kit.wav".into(),
            rate: SampleRate::SESSION,
            channels: 2,
            frames: 48_000,
            format: SampleFormat::Int24,
            bext: None,
            cues: Vec::new(),
            repairs: Vec::new(),
        };
        let mic = Mic { channel: Channel::Left, ..Mic::new("kick", info, Drum::Kick, Place::In) };
        let left = Song { mics: vec![mic], ..Song::default() };
        let mut right = left.clone();
        right.mics[0].channel = Channel::Right;
        for stage in Stage::ALL.into_iter().filter(|s| *s != Stage::Timing) {
            let key = |song| Key::of(stage, song, &Sums::default(), &[]);
            assert_ne!(key(&left), key(&right), "{stage:?}");
        }
    }
}
