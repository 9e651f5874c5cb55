//! The chunk walker that stands in front of every WAV file.
//!
//! In: an open file. Out: [`Riff`]: how its samples are stored, where they lie, and what else it carries.
//! It knows RIFF (Microsoft/IBM, *Multimedia Programming Interface and Data Specifications 1.0*, 1991),
//! RF64 (EBU Tech 3306) and BW64 (ITU-R BS.2088), takes chunks in any order, and repairs what recorders
//! leave behind when they crash or stream: lengths of 0, of 0xFFFFFFFF or of an earlier moment, and missing filler bytes.
//! Nothing it reads makes it allocate more than a few megabytes.

mod format;
mod notes;

use super::info::{AudioFault, Bext, Cue};
use crate::error::{Located, Place};
use crate::finding::Finding;
use crate::output::in_words;
use crate::units::SamplePos;
pub(crate) use format::Layout;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::Path;

type Faulty<T> = Result<T, Located<AudioFault>>;

/// Most chunks that are looked at; real files have fewer than twenty.
const MAX_CHUNKS: usize = 4096;
/// Most bytes of one descriptive chunk (cue points, labels) that are read.
const MAX_NOTES: u64 = 1 << 20;
/// Most entries of a `ds64` table that are read.
const MAX_TABLE: u64 = 64;
/// So many bytes behind the samples, at least, are no filler of a disk's block (common practice: 4 KiB).
const MORE_THAN_FILLER: u64 = 4096;
/// Bytes that are looked through at once.
const AT_ONCE: u64 = 1 << 16;
/// Chunks that say something about which way to go where a filler byte may be missing.
const KNOWN: [&[u8; 4]; 26] = [
    b"fmt ", b"data", b"bext", b"cue ", b"LIST", b"smpl", b"JUNK", b"junk", b"FLLR", b"PAD ", b"fact", b"ds64",
    b"iXML", b"axml", b"chna", b"PEAK", b"inst", b"id3 ", b"ID3 ", b"DISP", b"acid", b"plst", b"umid", b"levl",
    b"link", b"cart",
];

/// What the walk through a WAV file found.
#[derive(Debug)]
pub(crate) struct Riff {
    /// How samples are stored.
    pub layout: Layout,
    /// Byte at which the samples begin.
    pub data_at: u64,
    /// Whole frames that are there.
    pub frames: u64,
    /// Broadcast extension.
    pub bext: Option<Bext>,
    /// Cue points with labels.
    pub cues: Vec<Cue>,
    /// What had to be repaired.
    pub repairs: Vec<Finding>,
}

/// Walks through a file that begins with `RIFF`, `RF64` or `BW64`.
///
/// # Errors
/// [`AudioFault`] with the byte where the file contradicts itself, ends early, or is of an unknown kind.
pub(crate) fn walk<R: Read + Seek>(input: &mut R, path: &Path) -> Faulty<Riff> {
    let length = input.seek(SeekFrom::End(0)).map_err(|e| unreadable(path, &e))?;
    Walker { input, path, length, found: Found::default() }.run()
}

/// What the samples' chunk says of its own length.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Length {
    /// It fits in the file.
    Good(u64),
    /// It was never filled in: everything to the end of the file is taken.
    Open(u64),
    /// It says less than there is, as a recorder leaves it that notes the length now and then and stops: everything to the
    /// end of the file is taken.
    Short { said: u64, there: u64 },
    /// It promises more than there is.
    Cut { promised: u64, there: u64 },
}

#[derive(Default)]
struct Found {
    layout: Option<Layout>,
    data: Option<(u64, Length)>,
    wide: Option<Wide>,
    bext: Option<Bext>,
    cues: Vec<notes::Point>,
    labels: Vec<(u32, String)>,
    repairs: Vec<Finding>,
}

/// The 64-bit lengths of an RF64 file.
struct Wide {
    data: u64,
    table: Vec<([u8; 4], u64)>,
}

struct Head {
    id: [u8; 4],
    size: u32,
}

impl Head {
    fn is_printable(&self) -> bool {
        self.id.iter().all(|b| (0x20..0x7f).contains(b))
    }
}

struct Walker<'a, R> {
    input: &'a mut R,
    path: &'a Path,
    length: u64,
    found: Found,
}

impl<R: Read + Seek> Walker<'_, R> {
    fn run(mut self) -> Faulty<Riff> {
        if self.length < 12 {
            return Err(cut_header(self.path, self.length));
        }
        if self.bytes(8, 4)? != b"WAVE" {
            let kind = AudioFault::NotAudio("it is built like a WAV file but holds something else".into());
            return Err(Located::at(self.path, Place::Byte(8), kind));
        }
        let mut pos = 12;
        for _ in 0..MAX_CHUNKS {
            let Some(head) = self.head(pos)? else { break };
            if !head.is_printable() {
                if self.found.data.is_some() {
                    break; // What trails behind the samples is not ours to judge.
                }
                return Err(self.damaged(pos, "the file's table of contents breaks off here before any audio"));
            }
            match self.chunk(pos + 8, &head)? {
                Some(next) => pos = next,
                None => break,
            }
        }
        self.conclude()
    }

    /// Takes up one chunk; gives the position of the next, or `None` where nothing more can follow.
    fn chunk(&mut self, body: u64, head: &Head) -> Faulty<Option<u64>> {
        let room = self.length - body;
        if &head.id == b"data" && self.found.data.is_none() {
            let length = self.data_length(body, head.size)?;
            self.found.data = Some((body, length));
            return match length {
                Length::Good(n) => self.after(body, n).map(Some),
                Length::Open(_) | Length::Short { .. } | Length::Cut { .. } => Ok(None),
            };
        }
        let size = self.stated(head);
        if size > room {
            if self.found.data.is_some() {
                let what = "the notes behind the audio (markers, labels) are cut off; the audio is complete";
                self.found.repairs.push(Finding::note(self.path, what));
                return Ok(None);
            }
            return Err(cut_header(self.path, self.length));
        }
        match &head.id {
            b"ds64" if self.found.wide.is_none() => self.wide(body, size)?,
            b"fmt " if self.found.layout.is_none() => {
                let bytes = self.bytes(body, size.min(40))?;
                self.found.layout =
                    Some(Layout::parse(&bytes).map_err(|f| Located::at(self.path, Place::Byte(body), f))?);
            }
            b"bext" if self.found.bext.is_none() => {
                let bytes = self.bytes(body, size.min(notes::BEXT_LEN))?;
                self.found.bext = notes::bext(&bytes);
                if self.found.bext.is_none() {
                    let what = "the file's time stamp (bext) is shorter than its standard and was left out";
                    self.found.repairs.push(Finding::note(self.path, what));
                }
            }
            b"cue " => {
                let bytes = self.bytes(body, size.min(MAX_NOTES))?;
                notes::cue_points(&bytes, &mut self.found.cues);
            }
            b"LIST" => {
                let bytes = self.bytes(body, size.min(MAX_NOTES))?;
                notes::labels(&bytes, &mut self.found.labels);
            }
            _ => {}
        }
        self.after(body, size).map(Some)
    }

    /// Length of a chunk other than the samples', through the RF64 table where the short field is marked.
    fn stated(&self, head: &Head) -> u64 {
        let table = self.found.wide.as_ref().filter(|_| head.size == u32::MAX);
        let wide = table.and_then(|w| w.table.iter().find(|(id, _)| *id == head.id));
        wide.map_or(u64::from(head.size), |&(_, n)| n)
    }

    /// What the stated length of the samples is worth, given the file's size.
    fn data_length(&mut self, body: u64, stated: u32) -> Faulty<Length> {
        let room = self.length - body;
        let wide = self.found.wide.as_ref().filter(|_| stated == u32::MAX).map(|w| w.data);
        let size = wide.unwrap_or(u64::from(stated));
        if size == 0 {
            let empty = room == 0 || self.is_chain(body)?;
            return Ok(if empty { Length::Good(0) } else { Length::Open(room) });
        }
        if size == u64::from(u32::MAX) && wide.is_none() || size == u64::MAX {
            return Ok(Length::Open(room));
        }
        if size <= room {
            let goes_on = self.goes_on(body, size)?;
            return Ok(if goes_on { Length::Short { said: size, there: room } } else { Length::Good(size) });
        }
        // Writers into a pipe put a length just under 2 or 4 GiB (common practice); no other file is that exact.
        let piped = (0x7fff_f000..=0x8000_0000).contains(&size) || (0xffff_ff00..=0xffff_ffff).contains(&size);
        Ok(if piped && wide.is_none() { Length::Open(room) } else { Length::Cut { promised: size, there: room } })
    }

    /// Whether more samples follow those that are stated: no chunk begins there, and it is more than filler and no silence.
    /// So it is where a length was noted early, or counted modulo 4 GiB; such a file is not searched for silence.
    fn goes_on(&mut self, body: u64, size: u64) -> Faulty<bool> {
        let mut pos = body + size;
        let next = self.after(body, size)?;
        if self.length - pos < MORE_THAN_FILLER || self.likeness(next)? > 0 {
            return Ok(false);
        }
        if self.length - body > u64::from(u32::MAX) {
            return Ok(true);
        }
        while pos < self.length {
            let n = AT_ONCE.min(self.length - pos);
            if self.bytes(pos, n)?.iter().any(|&b| b != 0) {
                return Ok(true);
            }
            pos += n;
        }
        Ok(false)
    }

    /// Whether whole chunks, and nothing else, lie from here to the end of the file.
    fn is_chain(&mut self, mut pos: u64) -> Faulty<bool> {
        for _ in 0..MAX_CHUNKS {
            if pos >= self.length {
                return Ok(pos <= self.length + 1);
            }
            match self.head(pos)? {
                Some(h) if h.is_printable() => pos += 8 + u64::from(h.size) + u64::from(h.size & 1),
                _ => return Ok(false),
            }
        }
        Ok(false)
    }

    /// Where the next chunk begins: behind the filler byte of an odd chunk, unless the writer forgot it.
    fn after(&mut self, body: u64, size: u64) -> Faulty<u64> {
        let end = body + size;
        if size & 1 == 0 {
            return Ok(end);
        }
        let forgotten = self.likeness(end)? > self.likeness(end + 1)?;
        Ok(if forgotten { end } else { end + 1 })
    }

    /// How much a place looks like the head of a chunk, 0 to 3.
    fn likeness(&mut self, pos: u64) -> Faulty<u8> {
        let Some(head) = self.head(pos)? else { return Ok(0) };
        let fits = u64::from(head.size) <= self.length - pos - 8;
        Ok(match (KNOWN.contains(&&head.id), head.is_printable()) {
            (true, _) => 2 + u8::from(fits),
            (false, true) => u8::from(fits),
            _ => 0,
        })
    }

    fn wide(&mut self, body: u64, size: u64) -> Faulty<()> {
        if size < 28 {
            return Err(self.damaged(body, "the part that holds the file's long lengths (ds64) is too short"));
        }
        let bytes = self.bytes(body, size.min(28 + 12 * MAX_TABLE))?;
        let table = bytes.get(28..).unwrap_or_default().chunks_exact(12);
        let table = table.map(|e| ([e[0], e[1], e[2], e[3]], u64_at(e, 4))).collect();
        self.found.wide = Some(Wide { data: u64_at(&bytes, 8), table });
        Ok(())
    }

    fn conclude(mut self) -> Faulty<Riff> {
        let Some((data_at, length)) = self.found.data else {
            return Err(self.damaged(self.length, "the file ends before any audio begins"));
        };
        let layout = self.found.layout.take();
        if let Length::Cut { promised, there } = length {
            let known = layout.map(|l| (l, promised / u64::from(l.block()), there / u64::from(l.block())));
            return Err(cut_short(self.path, self.length, known));
        }
        let Some(layout) = layout else {
            return Err(self.damaged(data_at, "the file does not say how its audio is stored (no fmt part)"));
        };
        let block = u64::from(layout.block());
        let (bytes, said) = match length {
            Length::Good(n) => (n, None),
            Length::Open(n) => (n, Some(0)),
            Length::Short { said, there } => (there, Some(said)),
            Length::Cut { .. } => (0, None),
        };
        let frames = bytes / block;
        if frames == 0 {
            return Err(Located::at(self.path, Place::Byte(data_at), AudioFault::Empty));
        }
        if let Some(said) = said {
            let time = |frames: u64| SamplePos(frames).at(layout.rate);
            let wrote = match said {
                0 => "never wrote how long this recording is".into(),
                _ => format!("wrote that this recording is {} long, but it goes on", time(said / block)),
            };
            self.found.repairs.push(Finding::caution(
                self.path,
                format!(
                    "the recorder {wrote} (it stopped without closing the file); \
                     everything up to the end of the file was taken: {} ({frames} samples)",
                    time(frames)
                ),
                "Listen to the end of the track, then save it again from your recording program.",
            ));
        } else if bytes % block != 0 {
            self.found.repairs.push(Finding::note(self.path, "the last sample is incomplete and was left out"));
        }
        let cues = notes::join(self.found.cues, &self.found.labels);
        Ok(Riff { layout, data_at, frames, bext: self.found.bext, cues, repairs: self.found.repairs })
    }

    fn damaged(&self, at: u64, what: &str) -> Located<AudioFault> {
        let remedy = "Copy the file again from the recorder, or export the track again as WAV, 24 bit.".into();
        Located::at(self.path, Place::Byte(at), AudioFault::Damaged { what: what.into(), remedy })
    }

    fn head(&mut self, pos: u64) -> Faulty<Option<Head>> {
        if pos.checked_add(8).is_none_or(|end| end > self.length) {
            return Ok(None);
        }
        let b = self.bytes(pos, 8)?;
        Ok(Some(Head { id: [b[0], b[1], b[2], b[3]], size: u32_at(&b, 4) }))
    }

    /// Exactly `n` bytes; the caller has checked that they are there and that `n` is bounded.
    fn bytes(&mut self, pos: u64, n: u64) -> Faulty<Vec<u8>> {
        let mut bytes = vec![0; n as usize];
        self.input.seek(SeekFrom::Start(pos)).map_err(|e| unreadable(self.path, &e))?;
        self.input.read_exact(&mut bytes).map_err(|e| unreadable(self.path, &e))?;
        Ok(bytes)
    }
}

/// The fault of a file that ends early, at its last byte; with what is known of how its audio is stored, and the
/// frames that are promised and there.
pub(super) fn cut_short(path: &Path, length: u64, known: Option<(Layout, u64, u64)>) -> Located<AudioFault> {
    cut(
        path,
        length,
        match known {
            Some((layout, promised, there)) => {
                let time = |frames: u64| SamplePos(frames).at(layout.rate);
                format!("the file is cut off: {} of audio is promised, {} is there", time(promised), time(there))
            }
            None => "the file is cut off: it promises more audio than is there".into(),
        },
    )
}

fn cut_header(path: &Path, length: u64) -> Located<AudioFault> {
    cut(path, length, "the file is cut off before its audio begins".into())
}

fn cut(path: &Path, length: u64, what: String) -> Located<AudioFault> {
    let remedy = "Copy the file again from the recorder; if that one is cut off too, open it in your recording \
                  program and save what is left as a new file."
        .into();
    Located::at(path, Place::Byte(length), AudioFault::Damaged { what, remedy })
}

fn unreadable(path: &Path, e: &io::Error) -> Located<AudioFault> {
    Located::whole(path, AudioFault::Unreadable(in_words(e)))
}

/// Little-endian 16 bits at an offset; 0 where the bytes are not there.
fn u16_at(bytes: &[u8], at: usize) -> u16 {
    bytes.get(at..at + 2).and_then(|b| b.try_into().ok()).map_or(0, u16::from_le_bytes)
}

/// Little-endian 32 bits at an offset; 0 where the bytes are not there.
fn u32_at(bytes: &[u8], at: usize) -> u32 {
    bytes.get(at..at + 4).and_then(|b| b.try_into().ok()).map_or(0, u32::from_le_bytes)
}

/// Little-endian 64 bits at an offset; 0 where the bytes are not there.
fn u64_at(bytes: &[u8], at: usize) -> u64 {
    bytes.get(at..at + 8).and_then(|b| b.try_into().ok()).map_or(0, u64::from_le_bytes)
}

#[cfg(test)]
mod tests;
