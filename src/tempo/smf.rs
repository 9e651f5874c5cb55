//! Tempo tracks of Standard MIDI Files (RP-001), formats 0 and 1.
//!
//! In: a file's bytes and the place of its tick 0 in the audio. Out: a [`TempoTrack`]: the tempo map with its
//! markers, the title, and what had to be assumed or bent. The chunks are walked here, so that damage is found and
//! placed; events are read by midly, which stops silently at a damaged one: a track that does not end in its
//! end-of-track event is refused.

mod build;
#[cfg(test)]
mod tests;

use super::{MidiFault, TempoMap};
use crate::error::{Located, Place, Result};
use crate::finding::Finding;
use crate::output::reading_in_words;
use crate::units::Seconds;
use midly::{MetaMessage, TrackEventKind};
use std::fs::File;
use std::io::Read;
use std::path::Path;

/// What a MIDI file says about the song's time.
#[derive(Clone, Debug, PartialEq)]
pub struct TempoTrack {
    /// Tempo, meter and markers. Its tick 0 is the file's.
    pub map: TempoMap,
    /// Name of the sequence, where the file has one.
    pub title: Option<String>,
    /// Largest change of any time because tempo changes lie between two of our ticks; 0 where none does.
    pub rounding: Seconds,
    /// What was assumed, rounded or bent, and what looks odd.
    pub findings: Vec<Finding>,
}

/// Largest file that is read, bytes: a tempo track takes kilobytes.
const MAX_BYTES: u64 = 32 << 20;

/// Reads the tempo track of a MIDI file. `start` is where the file's tick 0 lies in the audio: usually 0.
///
/// # Errors
/// [`Error::Midi`](crate::Error::Midi) when the file cannot be read, is damaged, is timed in frames (SMPTE), is of
/// format 2, or holds changes that make no map.
pub fn read_tempo_track(path: &Path, start: Seconds) -> Result<TempoTrack> {
    let unreadable = |e: std::io::Error| Located::whole(path, MidiFault::Unreadable(reading_in_words(&e)));
    let mut bytes = Vec::new();
    let file = File::open(path).map_err(unreadable)?;
    file.take(MAX_BYTES + 1).read_to_end(&mut bytes).map_err(unreadable)?;
    parse_tempo_track(path, &bytes, start)
}

/// Reads a tempo track from a file's bytes; `path` serves messages only.
///
/// # Errors
/// As [`read_tempo_track`].
pub fn parse_tempo_track(path: &Path, bytes: &[u8], start: Seconds) -> Result<TempoTrack> {
    if bytes.len() as u64 > MAX_BYTES {
        let what = format!("this file is larger than {} MiB, too large for a tempo track", MAX_BYTES >> 20);
        return Err(Located::whole(path, MidiFault::Unsupported(what)).into());
    }
    let fault = |(at, fault): Spot| Located::at(path, Place::Byte(at), fault);
    let file = Chunks::walk(bytes).map_err(fault)?;
    let mut events = Events::default();
    for (index, track) in file.tracks.iter().enumerate() {
        events.take(track, index == 0).map_err(fault)?;
    }
    let mut track =
        build::build(path, file.ppq, events, start).map_err(|tempo| Located::whole(path, MidiFault::Tempo(tempo)))?;
    if file.tracks.len() > usize::from(file.stated_tracks) {
        track.findings.push(Finding::note(
            path,
            format!("The file says it has {} tracks and holds {}.", file.stated_tracks, file.tracks.len()),
        ));
    }
    Ok(track)
}

/// A fault and the byte where it was seen.
type Spot = (u64, MidiFault);

fn damaged<T>(at: usize, what: impl Into<String>) -> std::result::Result<T, Spot> {
    Err((at as u64, MidiFault::Damaged(what.into())))
}

/// One track chunk.
struct TrackChunk<'a> {
    /// Byte of the file where its data begins.
    at: usize,
    data: &'a [u8],
}

/// The file's header and tracks.
struct Chunks<'a> {
    /// Ticks a quarter note, 1..=32767.
    ppq: u16,
    stated_tracks: u16,
    tracks: Vec<TrackChunk<'a>>,
}

impl<'a> Chunks<'a> {
    /// Splits a file into its chunks; unknown ones are skipped by their length, as RP-001 asks.
    fn walk(bytes: &'a [u8]) -> std::result::Result<Self, Spot> {
        if bytes.is_empty() {
            return damaged(0, "it is empty");
        }
        if !bytes.starts_with(b"MThd") {
            return Err((0, MidiFault::NotMidi(looks_like(bytes).into())));
        }
        let mut header = None;
        let mut tracks = Vec::new();
        let mut at = 0;
        while let Some((kind, length)) = chunk_head(bytes, at) {
            let data_at = at + 8;
            let end = data_at.saturating_add(length);
            let Some(data) = bytes.get(data_at..end) else {
                return damaged(at, format!("it ends {} bytes before the end of this chunk", end - bytes.len()));
            };
            match kind {
                b"MThd" if header.is_none() => header = Some(read_header(data, data_at)?),
                b"MTrk" => tracks.push(TrackChunk { at: data_at, data }),
                _ => {}
            }
            at = end;
        }
        let Some((ppq, stated_tracks)) = header else { return damaged(0, "its header is cut off") };
        if tracks.is_empty() {
            return damaged(at, "it holds no track");
        }
        if tracks.len() < usize::from(stated_tracks) {
            return damaged(at, format!("{} tracks are stated and only {} are there", stated_tracks, tracks.len()));
        }
        Ok(Self { ppq, stated_tracks, tracks })
    }
}

/// Type and length of the chunk at a byte; `None` where fewer than eight bytes are left.
fn chunk_head(bytes: &[u8], at: usize) -> Option<(&[u8; 4], usize)> {
    let kind = bytes.get(at..)?.first_chunk::<4>()?;
    let length = bytes.get(at + 4..)?.first_chunk::<4>()?;
    Some((kind, u32::from_be_bytes(*length) as usize))
}

/// Ticks a quarter note and number of tracks.
fn read_header(data: &[u8], at: usize) -> std::result::Result<(u16, u16), Spot> {
    let Some(&[f0, f1, n0, n1, d0, d1]) = data.first_chunk::<6>() else {
        return damaged(at, "its header is shorter than 6 bytes");
    };
    let (format, tracks) = (u16::from_be_bytes([f0, f1]), u16::from_be_bytes([n0, n1]));
    let division = u16::from_be_bytes([d0, d1]);
    let unsupported = |what: &str| Err((at as u64, MidiFault::Unsupported(what.into())));
    match format {
        0 | 1 => {}
        2 => return unsupported("this MIDI file is of format 2, a collection of songs without one common tempo"),
        _ => return damaged(at, format!("there is no format {format}")),
    }
    if division >= 0x8000 {
        return unsupported("this MIDI file counts in film frames (SMPTE) instead of beats");
    }
    if division == 0 {
        return damaged(at + 4, "a quarter note has 0 ticks");
    }
    Ok((division, tracks))
}

/// Names what a file that is no MIDI file seems to be.
fn looks_like(bytes: &[u8]) -> &'static str {
    match bytes.first_chunk::<4>() {
        Some(b"RIFF" | b"RF64" | b"BW64") if bytes.get(8..12) == Some(b"RMID") => "a MIDI file in a RIFF wrapper",
        Some(b"RIFF" | b"RF64" | b"BW64") => "it begins like a WAV file",
        Some(b"FORM") => "it begins like an AIFF file",
        Some(b"fLaC") => "it begins like a FLAC file",
        _ => "it does not begin with MThd",
    }
}

/// What matters of all tracks, ticks counted from the file's start.
#[derive(Default)]
struct Events {
    /// Tick and microseconds a quarter.
    tempos: Vec<(u64, u32)>,
    /// Tick, beats, power of two of the beat's note value.
    meters: Vec<(u64, u8, u8)>,
    markers: Vec<(u64, String)>,
    title: Option<String>,
    /// Tempo or meter events lay in another track than the first, against RP-001.
    misplaced: bool,
}

impl Events {
    /// Adds what one track holds.
    fn take(&mut self, track: &TrackChunk<'_>, first: bool) -> std::result::Result<(), Spot> {
        let mut events = midly::EventIter::new(track.data);
        let mut tick = 0u64;
        loop {
            let at = track.at + track.data.len() - events.unread().len();
            let Some(Ok(event)) = events.next() else {
                return damaged(at, "a track breaks off before its end mark");
            };
            // Track lengths are bounded by the file's size: at most 2^28 ticks for every byte, far below 2^64.
            tick += u64::from(event.delta.as_int());
            let TrackEventKind::Meta(meta) = event.kind else { continue };
            match meta {
                MetaMessage::EndOfTrack => return Ok(()),
                MetaMessage::Tempo(us) => {
                    self.tempos.push((tick, us.as_int()));
                    self.misplaced |= !first;
                }
                MetaMessage::TimeSignature(beats, power, _, _) => {
                    self.meters.push((tick, beats, power));
                    self.misplaced |= !first;
                }
                MetaMessage::Unknown(0x51 | 0x58, _) => return damaged(at, "a tempo or meter event is too short"),
                MetaMessage::Marker(text) => {
                    let name = words(text);
                    if !name.is_empty() {
                        self.markers.push((tick, name));
                    }
                }
                MetaMessage::TrackName(text) if first && self.title.is_none() => {
                    self.title = Some(words(text)).filter(|t| !t.is_empty());
                }
                _ => {}
            }
        }
    }
}

/// Text of a meta event. RP-001 leaves anything beyond ASCII open: read as UTF-8, or else as Latin-1.
fn words(text: &[u8]) -> String {
    let text = match std::str::from_utf8(text) {
        Ok(s) => s.to_owned(),
        Err(_) => text.iter().map(|&b| char::from(b)).collect(),
    };
    text.chars().filter(|c| !c.is_control()).collect::<String>().trim().to_owned()
}
