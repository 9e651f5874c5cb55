//! The hit list and its CSV file: RFC 4180, UTF-8, `.` decimals, one row a hit.
//!
//! In: hits, or a file, also one that went through a spreadsheet. Out: the file, or the hits and what was noticed.

mod read;
#[cfg(test)]
mod tests;

use super::{GridPlace, Hit, State};
use crate::audio::resampled_frames;
use crate::error::{ExitCode, Fault, Result};
use crate::output::write_whole;
use crate::song::Drum;
use crate::units::{Dbfs, SampleRate, Seconds};
pub use read::ListRead;
use serde::Serialize;
use std::fmt::Write;
use std::path::Path;

/// Why a hit list cannot be read.
#[derive(Clone, Debug, thiserror::Error)]
pub enum HitListFault {
    /// The file cannot be read.
    #[error("cannot be read ({0})")]
    Unreadable(String),
    /// A row or column is wrong.
    #[error("{what}")]
    Wrong {
        /// What is wrong, one sentence without the final stop.
        what: String,
        /// What to do.
        remedy: String,
    },
}

impl Fault for HitListFault {
    fn remedy(&self) -> String {
        match self {
            HitListFault::Unreadable(_) => {
                "Check the spelling and the folder; `underlay hits` writes a new list.".into()
            }
            HitListFault::Wrong { remedy, .. } => remedy.clone(),
        }
    }

    fn exit_code(&self) -> ExitCode {
        ExitCode::Input
    }
}

/// Columns of the file, in the order that they are written.
pub const COLUMNS: [&str; 13] = [
    "drum",
    "hit",
    "time_s",
    "sample",
    "bar",
    "beat",
    "tick",
    "offset_ms",
    "velocity",
    "peak_dbfs",
    "certainty",
    "kind",
    "state",
];

/// Decimals of a time in the file: a tenth of a sample at the highest rate.
const TIME_DECIMALS: usize = 6;
/// Decimals of an offset in milliseconds.
const OFFSET_DECIMALS: usize = 3;
/// Decimals of a peak level in dB.
const PEAK_DECIMALS: usize = 2;
/// Decimals of a certainty.
const CERTAINTY_DECIMALS: usize = 3;
/// Room for a line of the file, bytes: most are shorter.
const LINE: usize = 96;

/// All hits of a take, every drum together, sorted by time and then drum.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct HitList {
    /// Rate that positions count in.
    pub rate: SampleRate,
    /// The hits.
    pub hits: Vec<Hit>,
}

impl HitList {
    /// Hits of one drum that are to sound (not dropped), in order.
    pub fn of(&self, drum: Drum) -> impl Iterator<Item = &Hit> {
        self.hits.iter().filter(move |h| h.drum == drum && h.state != State::Dropped)
    }

    /// Sorts by time and then drum; hits alike in both keep their order.
    pub fn sort(&mut self) {
        self.hits.sort_by_key(|h| (h.pos, h.drum));
    }

    /// Sorts, and rounds every value to what the file stores: peaks to 0.01 dB, certainty to 0.001 (kept in 0..=1),
    /// offsets to 0.001 ms; a level that is no number becomes [`Dbfs::SILENCE`]. What works on a settled list works
    /// alike, to the byte, on the list read back from its file.
    pub fn settle(&mut self) {
        self.sort();
        for hit in &mut self.hits {
            let peak = if hit.peak.0.is_finite() { hit.peak.0 } else { Dbfs::SILENCE.0 };
            hit.peak = Dbfs(rounded(peak, PEAK_DECIMALS));
            let certainty = if hit.certainty.is_nan() { 0.0 } else { hit.certainty.clamp(0.0, 1.0) };
            hit.certainty = rounded(certainty, CERTAINTY_DECIMALS);
            hit.place = hit.place.filter(|p| p.offset.0.is_finite());
            if let Some(place) = &mut hit.place {
                place.offset = Seconds::from_ms(rounded(place.offset.ms(), OFFSET_DECIMALS));
            }
        }
    }

    /// The same list for the recordings at another rate, every stroke at its nearest sample there.
    #[must_use]
    pub fn at_rate(&self, rate: SampleRate) -> Self {
        let mut out = Self { rate, hits: self.hits.clone() };
        out.hits.iter_mut().for_each(|hit| hit.pos.0 = resampled_frames(hit.pos.0, self.rate, rate));
        out
    }

    /// The file's text. Values are written as [`settle`](Self::settle) rounds them; hits are numbered for each drum
    /// from 1, dropped ones too; the grid columns stay empty where a hit has no place.
    #[must_use]
    pub fn to_csv(&self) -> String {
        let mut settled = self.clone();
        settled.settle();
        let mut numbers = std::collections::BTreeMap::<Drum, u64>::new();
        let mut text = String::with_capacity(LINE * (settled.hits.len() + 2));
        text.push_str(&COLUMNS.join(","));
        text.push_str("\r\n");
        for hit in &settled.hits {
            let number = numbers.entry(hit.drum).or_insert(0);
            *number += 1;
            let time = hit.pos.at(self.rate).0;
            let at = hit.place.map_or_else(|| ",,,".to_owned(), place_columns);
            // Writing to a string cannot fail.
            let _ = write!(
                text,
                "{},{number},{time:.TIME_DECIMALS$},{},{at},{},{:.PEAK_DECIMALS$},{:.CERTAINTY_DECIMALS$},{},{}\r\n",
                hit.drum, hit.pos, hit.velocity, hit.peak.0, hit.certainty, hit.kind, hit.state
            );
        }
        text
    }

    /// Writes the file in one step: the old one or the new one is there, never half.
    ///
    /// # Errors
    /// [`Error::Output`](crate::Error::Output).
    pub fn write(&self, path: &Path) -> Result<()> {
        write_whole(path, self.to_csv().as_bytes())
    }

    /// Reads a file that [`write`](Self::write) made, or that a spreadsheet saved after edits: `;` or tab between
    /// fields, `,` decimals, byte-order mark, CRLF, columns in any order, further columns, blank lines.
    ///
    /// A row needs a drum and a time. Without a state it is `added`; without a velocity it gets the median of its
    /// drum. Where `time_s` and `sample` disagree by more than a sample, the time was edited and counts. `rate` is
    /// the session's; `frames` how far the song reaches ([`Song::reach`](crate::song::Song::reach)), beyond which no hit may lie; where it is not known,
    /// [`TempoMap::MAX_HOURS`](crate::tempo::TempoMap::MAX_HOURS).
    ///
    /// # Errors
    /// [`Error::HitList`](crate::Error::HitList) with line and column: a missing column, a bad number, an unknown
    /// word, a time before zero or beyond the song.
    pub fn read(path: &Path, rate: SampleRate, frames: Option<u64>) -> Result<ListRead> {
        read::read(path, rate, frames)
    }

    /// As [`read`](Self::read), from the file's bytes; `path` serves messages only.
    ///
    /// # Errors
    /// As [`read`](Self::read).
    pub fn parse(path: &Path, bytes: &[u8], rate: SampleRate, frames: Option<u64>) -> Result<ListRead> {
        read::parse(path, bytes, rate, frames)
    }
}

fn place_columns(place: GridPlace) -> String {
    let GridPlace { at, offset } = place;
    format!("{},{},{},{:.OFFSET_DECIMALS$}", at.bar, at.beat, at.tick, rounded(offset.ms(), OFFSET_DECIMALS))
}

/// A number as it comes back from its decimal text; −0 becomes 0.
fn rounded(value: f64, decimals: usize) -> f64 {
    format!("{value:.decimals$}").parse::<f64>().unwrap_or(value) + 0.0
}
