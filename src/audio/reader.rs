//! Streaming readers.

use super::coded::{CodedSource, Kind};
use super::plain::PlainSource;
use super::{AudioFault, AudioInfo, Channel};
use crate::error::{Located, Result};
use std::fs::File;
use std::io::Read;
use std::path::Path;

/// Reads one audio file front to back, as often as wanted, in blocks of interleaved samples.
///
/// WAV (RIFF, RF64, BW64) and AIFF are decoded here; FLAC and MP3 through symphonia. What had to be repaired to
/// read the file is in [`AudioInfo::repairs`].
pub struct AudioReader {
    info: AudioInfo,
    source: Source,
}

enum Source {
    Plain(PlainSource),
    Coded(Box<CodedSource>),
}

impl AudioReader {
    /// Opens a file, read-only. Its kind is told by its first bytes, not by its name.
    ///
    /// # Errors
    /// [`AudioFault`] when the file is missing, not audio, empty, cut off, damaged, or outside what is supported.
    pub fn open(path: &Path) -> Result<Self> {
        let fail = |e: &std::io::Error| Located::whole(path, AudioFault::of_system(e));
        let mut file = File::open(path).map_err(|e| fail(&e))?;
        if file.metadata().map_err(|e| fail(&e))?.is_dir() {
            return Err(Located::whole(path, AudioFault::Folder).into());
        }
        let mut head = Vec::with_capacity(12);
        file.by_ref().take(12).read_to_end(&mut head).map_err(|e| fail(&e))?;
        let (source, info) = match head.get(..4).unwrap_or(&head) {
            [] => return Err(Located::whole(path, AudioFault::Empty).into()),
            b"RIFF" | b"RF64" | b"BW64" => {
                let (wav, info) = PlainSource::wav(file, path)?;
                (Source::Plain(wav), info)
            }
            b"FORM" if matches!(head.get(8..), Some(b"AIFF" | b"AIFC")) => {
                let (aiff, info) = PlainSource::aiff(file, path)?;
                (Source::Plain(aiff), info)
            }
            _ => match Kind::of(&head) {
                Some(kind) => {
                    let (coded, info) = CodedSource::open(path, kind)?;
                    (Source::Coded(Box::new(coded)), info)
                }
                None => return Err(Located::whole(path, AudioFault::NotAudio(looks_like(&head))).into()),
            },
        };
        Ok(Self { info, source })
    }

    /// What is known of the file.
    #[must_use]
    pub fn info(&self) -> &AudioInfo {
        &self.info
    }

    /// Fills `out` with the next frames, interleaved, at most `frames` of them; returns how many. 0 at the end.
    ///
    /// # Errors
    /// [`AudioFault`] with the frame at which reading failed; a float that is not a number is such a failure.
    pub fn read(&mut self, out: &mut Vec<f32>, frames: usize) -> Result<usize> {
        out.clear();
        self.append(out, frames)
    }

    /// As [`read`](Self::read), but behind what `out` holds already.
    ///
    /// # Errors
    /// As [`read`](Self::read).
    pub fn append(&mut self, out: &mut Vec<f32>, frames: usize) -> Result<usize> {
        let path = &self.info.path;
        let n = match &mut self.source {
            Source::Plain(w) => w.read(out, frames, path),
            Source::Coded(c) => c.read(out, frames, path),
        };
        Ok(n?)
    }

    /// Fills `out` with the next frames as the integers that the file stores (16-bit: −32,768..=32,767; where
    /// fewer bits than the container are valid they sit at its top), interleaved; returns how many, 0 at the end.
    /// With [`WavWriter::write_ints`](super::WavWriter::write_ints) a copy is bit-identical.
    ///
    /// # Errors
    /// As [`read`](Self::read); [`AudioFault::Unsupported`] where the file does not store integers.
    pub fn read_ints(&mut self, out: &mut Vec<i32>, frames: usize) -> Result<usize> {
        out.clear();
        let path = &self.info.path;
        if !self.info.format.is_integer() {
            let what = "its samples are not stored as whole numbers".into();
            return Err(Located::whole(path, AudioFault::Unsupported(what)).into());
        }
        let n = match &mut self.source {
            Source::Plain(w) => w.read_ints(out, frames, path),
            Source::Coded(c) => c.read_ints(out, frames, path),
        };
        Ok(n?)
    }

    /// Goes to a frame; the next [`read`](Self::read) begins there. Behind the end counts as the end. Quick in
    /// WAV and AIFF files; the other formats decode up to the frame, so that it is exact.
    ///
    /// # Errors
    /// [`AudioFault`] when the system cannot seek or the way there is damaged.
    pub fn seek(&mut self, frame: u64) -> Result<()> {
        let path = &self.info.path;
        let done = match &mut self.source {
            Source::Plain(w) => w.seek(frame, path),
            Source::Coded(c) => c.seek(frame, path),
        };
        Ok(done?)
    }
}

/// What a file that is no audio looks like, from its first bytes.
fn looks_like(head: &[u8]) -> String {
    let known: [(&[u8], &str); 9] = [
        (b"MThd", "it is a MIDI file"),
        (b"PK", "it is a zip archive or a document"),
        (b"OggS", "it is an Ogg file"),
        (b"caff", "it is a CAF file"),
        (b"riff", "it is a Wave64 file"),
        (b"RIFX", "it is a WAV file with its bytes in the other order"),
        (b"%PDF", "it is a PDF"),
        (b"\x89PNG", "it is a picture"),
        (b"\0\0\0\0", "it begins with zeros where the kind of file should stand"),
    ];
    if head.get(4..8) == Some(b"ftyp") {
        return "it is an MP4 file".into();
    }
    let found = known.iter().find(|(start, _)| head.starts_with(start));
    found.map_or("its first bytes are not those of any kind that is read", |(_, name)| name).into()
}

/// An [`AudioReader`] reduced to one channel.
pub struct MonoReader {
    reader: AudioReader,
    channel: Channel,
    block: Vec<f32>,
}

impl MonoReader {
    /// Opens a file and picks a channel of it.
    ///
    /// # Errors
    /// As [`AudioReader::open`]; `Right` of a mono file is [`AudioFault::Unsupported`].
    pub fn open(path: &Path, channel: Channel) -> Result<Self> {
        let reader = AudioReader::open(path)?;
        if channel == Channel::Right && reader.info().channels < 2 {
            return Err(Located::whole(
                path,
                AudioFault::Unsupported("there is no right channel in a mono file".into()),
            )
            .into());
        }
        Ok(Self { reader, channel, block: Vec::new() })
    }

    /// Opens a file that was looked at before: it has to be as it was.
    ///
    /// # Errors
    /// As [`open`](Self::open); [`AudioFault::Damaged`] where it is longer or shorter now, or stored otherwise.
    pub fn open_again(info: &AudioInfo, channel: Channel) -> Result<Self> {
        let reader = Self::open(&info.path, channel)?;
        let now = reader.info();
        if (now.frames, now.rate, now.channels, now.format) != (info.frames, info.rate, info.channels, info.format) {
            let fault = AudioFault::Damaged {
                what: "another program has changed this recording while it was read".into(),
                remedy: "Wait until it is written whole, then start again.".into(),
            };
            return Err(Located::whole(&info.path, fault).into());
        }
        Ok(reader)
    }

    /// What is known of the file.
    #[must_use]
    pub fn info(&self) -> &AudioInfo {
        self.reader.info()
    }

    /// Appends at most `frames` samples to `out`; returns how many, 0 at the end.
    ///
    /// # Errors
    /// As [`AudioReader::read`].
    pub fn read(&mut self, out: &mut Vec<f32>, frames: usize) -> Result<usize> {
        let channels = usize::from(self.reader.info().channels);
        if channels == 1 {
            return self.reader.append(out, frames);
        }
        let n = self.reader.read(&mut self.block, frames)?;
        match (channels, self.channel) {
            (2, Channel::Sum) => out.extend(self.block.chunks_exact(2).map(|f| (f[0] + f[1]) * 0.5)),
            (_, Channel::Left) => out.extend(self.block.chunks_exact(channels).map(|f| f[0])),
            (_, Channel::Right) => out.extend(self.block.chunks_exact(channels).map(|f| f[1])),
            (_, Channel::Sum) => {
                let k = 1.0 / channels as f32;
                out.extend(self.block.chunks_exact(channels).map(|f| f.iter().sum::<f32>() * k));
            }
        }
        Ok(n)
    }

    /// Goes to a frame.
    ///
    /// # Errors
    /// As [`AudioReader::seek`].
    pub fn seek(&mut self, frame: u64) -> Result<()> {
        self.reader.seek(frame)
    }

    /// Appends the samples from number `start` on, `frames` of them, or as many as there are.
    ///
    /// # Errors
    /// As [`AudioReader::read`].
    pub fn read_from(&mut self, start: u64, frames: usize, out: &mut Vec<f32>) -> Result<()> {
        if start >= self.info().frames {
            return Ok(());
        }
        self.seek(start)?;
        let end = out.len() + frames;
        while out.len() < end && self.read(out, end - out.len())? > 0 {}
        Ok(())
    }
}

/// Reads a whole file as one channel. For one-shots and tests; long takes should stream.
///
/// # Errors
/// As [`AudioReader::open`] and [`AudioReader::read`].
pub fn read_mono(path: &Path, channel: Channel) -> Result<(AudioInfo, Vec<f32>)> {
    let mut reader = MonoReader::open(path, channel)?;
    // The walk has held the length against the file's size, but a compressed file can promise anything.
    let mut out = Vec::with_capacity(reader.info().frames.min(1 << 24) as usize);
    while reader.read(&mut out, 1 << 16)? > 0 {}
    Ok((reader.info().clone(), out))
}
