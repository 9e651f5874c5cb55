//! The manifest of a delivery: every file with its size and SHA-256, and what was decided.
//!
//! Written as `manifest.json` into the zip, read back by [`verify`](super::verify) and by the next revision.

use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// File name of the manifest, in the zip's top folder.
pub const MANIFEST: &str = "manifest.json";
/// File name of the list of checksums beside it, in the form that `sha256sum -c` reads.
pub const CHECKSUMS: &str = "checksums.sha256";
/// What the manifest says it is.
pub const KIND: &str = "underlay handoff";
/// Layout of the manifest; a reader refuses a newer one.
pub const LAYOUT: u32 = 1;

/// What the decision that counts the strokes of a drum begins with.
pub(super) const STROKES: &str = "strokes of the ";

/// One delivery, as data.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Manifest {
    /// Always `KIND`.
    pub kind: String,
    /// Always at most `LAYOUT`.
    pub layout: u32,
    /// Version of the program that made it.
    pub made_by: String,
    /// Title.
    pub song: String,
    /// Who plays.
    pub drummer: String,
    /// 1 for the first delivery of a song.
    pub revision: u32,
    /// Rate of the delivered files, Hz.
    pub rate_hz: u32,
    /// Bits of the delivered files.
    pub bits: u16,
    /// Frames of every delivered mic, layer, part, guide and rough mix.
    pub frames: u64,
    /// SHA-256 over everything that went in: equal contents give an equal value, whatever the revision.
    pub content: String,
    /// Decisions in words, for the comparison with the next revision.
    pub decisions: BTreeMap<String, String>,
    /// For each drum the samples at which its strokes lie, in order, at the rate of the delivery, parted by spaces.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub strokes: BTreeMap<String, String>,
    /// Every file but the manifest and the checksums, in zip order.
    pub files: Vec<FileEntry>,
}

/// One delivered file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FileEntry {
    /// Path inside the top folder, `/` between folders.
    pub path: String,
    /// Size.
    pub bytes: u64,
    /// SHA-256 of the file, lower-case hexadecimal.
    pub sha256: String,
    /// For audio of the song: what is in it. `None` for documents.
    pub audio: Option<AudioEntry>,
}

/// What is known of one delivered audio file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct AudioEntry {
    /// Name in the song sheet.
    pub name: String,
    /// What it is, in words (`snare top`, `layer under the snare`).
    pub role: String,
    /// Microphone and the like, from the sheet; may be empty.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub note: String,
    /// File that it was made from, without folders.
    pub source: String,
    /// What was done to it, in order; empty = copied bit for bit.
    pub treatment: Vec<String>,
    /// Polarity decision (`keep`, `invert`, `undecided`) and whether it was applied, in words.
    pub polarity: String,
    /// Channels.
    pub channels: u16,
    /// Frames.
    pub frames: u64,
    /// Highest sample as recorded, dBFS.
    pub peak_dbfs: f64,
    /// Integrated loudness as recorded, LUFS; `None` where there is too little sound.
    pub loudness_lufs: Option<f64>,
    /// CRC-32 of the delivered samples of each second, eight hexadecimal digits a second, one after the other.
    pub seconds: String,
}

impl Manifest {
    /// As it stands in the zip.
    #[must_use]
    pub fn to_json(&self) -> String {
        // Plain strings and numbers: this cannot fail. Infinite or undefined levels never get this far.
        let mut text = serde_json::to_string_pretty(self).unwrap_or_default();
        text.push('\n');
        text
    }

    /// The list of checksums, as `sha256sum -c` reads it: two spaces between sum and path.
    #[must_use]
    pub fn checksums(&self, manifest_sha256: &str) -> String {
        let mut out = String::new();
        for f in &self.files {
            let _ = writeln!(out, "{}  {}", f.sha256, f.path);
        }
        let _ = writeln!(out, "{manifest_sha256}  {MANIFEST}");
        out
    }
}

/// Bytes as lower-case hexadecimal.
#[must_use]
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::with_capacity(2 * bytes.len()), |mut out, b| {
        let _ = write!(out, "{b:02x}");
        out
    })
}
