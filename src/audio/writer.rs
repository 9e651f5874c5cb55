//! Writing WAV files beside their target.
//!
//! Plain RIFF whenever the file fits in 4 GiB, RF64 (EBU Tech 3306) when it does not. One or two channels
//! get the plain `fmt ` chunk, more get the extensible one; floats get a `fact` chunk (Microsoft, mmreg.h).

use super::pcm;
use super::{Bext, Cue, SampleFormat};
use crate::error::{Error, Located, Result};
use crate::output::{AtomicFile, OutputFault, fault_of};
use crate::units::SampleRate;
use std::io::{Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// What kind of WAV file to write.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WavSpec {
    /// Sampling rate.
    pub rate: SampleRate,
    /// Channels, 1..=128.
    pub channels: u16,
    /// `Int8`, `Int16`, `Int24`, `Int32` or `Float32`.
    pub format: SampleFormat,
}

/// What a WAV file carries besides samples.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct WavExtras {
    /// Broadcast extension (EBU Tech 3285 version 1, the unique identifier left at zero).
    pub bext: Option<Bext>,
    /// Cue points with labels; they must lie within the first 2^32 samples.
    pub cues: Vec<Cue>,
    /// How many frames will be written, where that is known. A file that fits in 4 GiB then gets no filler chunk
    /// in front; without it, 36 bytes are kept free for the 64-bit lengths that a longer file would need.
    pub frames: Option<u64>,
}

/// What stands around the samples of a WAV file.
struct Form {
    spec: WavSpec,
    extras: WavExtras,
    /// Whether room for `ds64` is kept in front.
    reserved: bool,
    /// Bytes of samples.
    data: u64,
    /// Greatest size of a plain RIFF file; only tests lower it.
    limit: u64,
}

/// A WAV file being written; it appears under its name on [`finish`](Self::finish).
pub struct WavWriter {
    path: PathBuf,
    file: AtomicFile,
    form: Form,
    bytes: Vec<u8>,
}

/// The bytes in front of and behind the samples of a WAV file whose length is known, filler byte included: for WAV
/// files that are written into something else, such as a zip.
///
/// # Errors
/// As [`WavWriter::create_with`].
pub fn around(spec: WavSpec, extras: WavExtras, frames: u64) -> Result<(Vec<u8>, Vec<u8>)> {
    check(&spec, &extras)?;
    let mut form = Form::new(spec, WavExtras { frames: Some(frames), ..extras }, PLAIN_LIMIT);
    form.data = frames.saturating_mul(form.block());
    let mut tail = vec![0; usize::from(form.data & 1 == 1)];
    tail.extend(form.tail());
    Ok((form.header(), tail))
}

/// A length field of this value means "see ds64", so a plain file stays below it.
const PLAIN_LIMIT: u64 = u32::MAX as u64;

impl WavWriter {
    /// Starts a file without extras.
    ///
    /// # Errors
    /// As [`create_with`](Self::create_with).
    pub fn create(path: &Path, spec: WavSpec) -> Result<Self> {
        Self::create_with(path, spec, WavExtras::default())
    }

    /// Starts a file.
    ///
    /// # Errors
    /// [`OutputFault`]; [`Error::Usage`] for a format or channel count that is not written, or text that is too
    /// long for its field.
    pub fn create_with(path: &Path, spec: WavSpec, extras: WavExtras) -> Result<Self> {
        Self::with_limit(path, spec, extras, PLAIN_LIMIT)
    }

    fn with_limit(path: &Path, spec: WavSpec, extras: WavExtras, limit: u64) -> Result<Self> {
        check(&spec, &extras)?;
        let file = AtomicFile::create(path)?;
        let mut w = Self { path: path.to_owned(), file, form: Form::new(spec, extras, limit), bytes: Vec::new() };
        let head = w.form.header();
        w.put(&head)?;
        Ok(w)
    }

    /// Writes interleaved samples, 1.0 = full scale; integers are rounded to nearest and held at full scale.
    /// Where dither is wanted, [`Dither`](super::Dither) makes integers for [`write_ints`](Self::write_ints).
    ///
    /// # Errors
    /// [`OutputFault`]; [`Error::Usage`] for a sample that is infinite or not a number.
    pub fn write(&mut self, samples: &[f32]) -> Result<()> {
        if pcm::first_not_finite(samples).is_some() {
            return Err(Error::usage(
                format!("{}: a sample that is not a number was to be written", self.path.display()),
                "Look for a broken input or an extreme setting.",
            ));
        }
        let format = self.form.spec.format;
        self.put_samples(|bytes| pcm::from_f32(format, samples, bytes))
    }

    /// Writes interleaved integers as they are, held at full scale of the format: what
    /// [`AudioReader::read_ints`](super::AudioReader::read_ints) gave comes out bit-identical.
    ///
    /// # Errors
    /// [`OutputFault`]; [`Error::Usage`] when the file stores floats.
    pub fn write_ints(&mut self, samples: &[i32]) -> Result<()> {
        let format = self.form.spec.format;
        if !format.is_integer() {
            return Err(Error::usage(
                format!("{}: whole numbers cannot be copied into a float file", self.path.display()),
                "Choose 16, 24 or 32 bit for this file.",
            ));
        }
        self.put_samples(|bytes| pcm::from_ints(format, samples, bytes))
    }

    /// Completes the header and gives the file its name.
    ///
    /// # Errors
    /// [`OutputFault`].
    pub fn finish(self) -> Result<()> {
        self.close()?.commit()
    }

    /// Completes the header, but leaves the file under its passing name: for files that appear together
    /// ([`commit_all`](crate::output::commit_all)) or are read back first.
    ///
    /// # Errors
    /// [`OutputFault`].
    pub fn close(mut self) -> Result<AtomicFile> {
        if !self.form.data.is_multiple_of(self.form.block()) {
            return Err(Error::usage(
                format!("{}: the last frame lacks a channel", self.path.display()),
                "Write whole frames.",
            ));
        }
        if self.form.data & 1 == 1 {
            self.put(&[0])?;
        }
        let tail = self.form.tail();
        self.put(&tail)?;
        if self.form.is_long() && !self.form.reserved {
            let fault = OutputFault::Write("it became longer than 4 GiB, more than was announced".into());
            return Err(Located::whole(&self.path, fault).into());
        }
        self.file.seek(SeekFrom::Start(0)).map_err(|e| Located::whole(&self.path, fault_of(&e)))?;
        let head = self.form.header();
        self.put(&head)?;
        self.file.seek(SeekFrom::End(0)).map_err(|e| Located::whole(&self.path, fault_of(&e)))?;
        Ok(self.file)
    }

    fn put_samples(&mut self, fill: impl FnOnce(&mut Vec<u8>)) -> Result<()> {
        let mut bytes = std::mem::take(&mut self.bytes);
        bytes.clear();
        fill(&mut bytes);
        self.form.data += bytes.len() as u64;
        let done = self.put(&bytes);
        self.bytes = bytes;
        done
    }

    fn put(&mut self, bytes: &[u8]) -> Result<()> {
        self.file.write_all(bytes).map_err(|e| Located::whole(&self.path, fault_of(&e)).into())
    }
}

impl Form {
    fn new(spec: WavSpec, extras: WavExtras, limit: u64) -> Self {
        let mut form = Self { spec, extras, reserved: false, data: 0, limit };
        let expected = form.extras.frames.map(|n| n.saturating_mul(form.block()));
        form.reserved = expected.is_none_or(|data| form.total(data) >= limit);
        form
    }

    fn block(&self) -> u64 {
        u64::from(self.spec.channels) * u64::from(self.spec.format.bits() / 8)
    }

    fn is_long(&self) -> bool {
        self.total(self.data) >= self.limit
    }

    /// Size of the whole file with so many bytes of samples.
    fn total(&self, data: u64) -> u64 {
        (self.header().len() as u64).saturating_add(data).saturating_add(data & 1) + self.tail().len() as u64
    }

    /// Everything before the samples; always of the same length for one file.
    fn header(&self) -> Vec<u8> {
        let mut h = Vec::with_capacity(128);
        let short = |n: u64| u32::try_from(n).unwrap_or(u32::MAX).to_le_bytes();
        h.extend_from_slice(b"RIFF\0\0\0\0WAVE");
        if self.reserved {
            chunk(&mut h, b"JUNK", &[0; 28]);
        }
        if let Some(bext) = &self.extras.bext {
            chunk(&mut h, b"bext", &bext_bytes(bext));
        }
        chunk(&mut h, b"fmt ", &self.format_bytes());
        let frames = self.data / self.block();
        if self.spec.format == SampleFormat::Float32 {
            chunk(&mut h, b"fact", &short(frames));
        }
        h.extend_from_slice(b"data");
        h.extend_from_slice(&short(self.data));
        let riff = h.len() as u64 + self.data + (self.data & 1) + self.tail().len() as u64 - 8;
        if self.reserved && riff + 8 >= self.limit {
            let at = h.len() - 4;
            h[at..].copy_from_slice(&[0xff; 4]);
            h[..8].copy_from_slice(b"RF64\xff\xff\xff\xff");
            h[12..16].copy_from_slice(b"ds64");
            for (at, value) in [(20, riff), (28, self.data), (36, frames)] {
                h[at..at + 8].copy_from_slice(&value.to_le_bytes());
            }
        } else {
            h[4..8].copy_from_slice(&short(riff));
        }
        h
    }

    fn format_bytes(&self) -> Vec<u8> {
        let WavSpec { rate, channels, format } = self.spec;
        let block = self.block();
        let is_float = format == SampleFormat::Float32;
        let tag: u16 = if is_float { 3 } else { 1 };
        let extensible = channels > 2;
        let mut f = Vec::with_capacity(40);
        f.extend_from_slice(&(if extensible { 0xfffe } else { tag }).to_le_bytes());
        f.extend_from_slice(&channels.to_le_bytes());
        f.extend_from_slice(&rate.hz().to_le_bytes());
        f.extend_from_slice(&(rate.hz() * block as u32).to_le_bytes());
        f.extend_from_slice(&(block as u16).to_le_bytes());
        f.extend_from_slice(&format.bits().to_le_bytes());
        if extensible {
            f.extend_from_slice(&22u16.to_le_bytes());
            f.extend_from_slice(&format.bits().to_le_bytes());
            f.extend_from_slice(&0u32.to_le_bytes()); // No loudspeaker is meant: these are mics.
            f.extend_from_slice(&tag.to_le_bytes());
            f.extend_from_slice(&[0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71]);
        } else if is_float {
            f.extend_from_slice(&0u16.to_le_bytes());
        }
        f
    }

    /// Everything behind the samples: cue points and their labels.
    fn tail(&self) -> Vec<u8> {
        let mut t = Vec::new();
        if self.extras.cues.is_empty() {
            return t;
        }
        let mut cue = (self.extras.cues.len() as u32).to_le_bytes().to_vec();
        let mut list = b"adtl".to_vec();
        for (c, id) in self.extras.cues.iter().zip(1u32..) {
            let pos = (c.pos.0 as u32).to_le_bytes();
            cue.extend_from_slice(&id.to_le_bytes());
            cue.extend_from_slice(&pos);
            cue.extend_from_slice(b"data\0\0\0\0\0\0\0\0");
            cue.extend_from_slice(&pos);
            let mut label = id.to_le_bytes().to_vec();
            label.extend_from_slice(c.label.replace('\0', " ").as_bytes());
            label.push(0);
            chunk(&mut list, b"labl", &label);
        }
        chunk(&mut t, b"cue ", &cue);
        chunk(&mut t, b"LIST", &list);
        t
    }
}

/// A chunk with its filler byte where the body is odd.
fn chunk(to: &mut Vec<u8>, id: &[u8; 4], body: &[u8]) {
    to.extend_from_slice(id);
    to.extend_from_slice(&(body.len() as u32).to_le_bytes());
    to.extend_from_slice(body);
    if body.len() & 1 == 1 {
        to.push(0);
    }
}

/// The 602 bytes of a version-1 `bext` chunk without coding history (EBU Tech 3285).
fn bext_bytes(bext: &Bext) -> Vec<u8> {
    let mut b = vec![0; 602];
    let mut text = |at: usize, s: &str| b[at..at + s.len()].copy_from_slice(s.as_bytes());
    text(0, &bext.description);
    text(256, &bext.originator);
    text(320, &bext.date);
    text(330, &bext.time);
    b[338..346].copy_from_slice(&bext.time_reference.to_le_bytes());
    b[346..348].copy_from_slice(&1u16.to_le_bytes());
    b
}

/// Everything that the format cannot hold, before a file is begun.
fn check(spec: &WavSpec, extras: &WavExtras) -> Result<()> {
    if matches!(spec.format, SampleFormat::Float64 | SampleFormat::Lossy) {
        return Err(Error::usage("WAV files are written as 8, 16, 24, 32 bit or 32-bit float", "Choose one of them."));
    }
    if !(1..=128).contains(&spec.channels) {
        let what = format!("a WAV file of {} channels was asked for", spec.channels);
        return Err(Error::usage(what, "Choose 1 to 128 channels."));
    }
    if let Some(cue) = extras.cues.iter().find(|c| c.pos.0 > u64::from(u32::MAX)) {
        let what = format!("the marker at sample {} lies further in than a WAV file can say", cue.pos);
        return Err(Error::usage(what, "Leave this marker out, or split the file."));
    }
    let Some(bext) = &extras.bext else { return Ok(()) };
    let fields = [
        ("description", &bext.description),
        ("originator", &bext.originator),
        ("date", &bext.date),
        ("time", &bext.time),
    ];
    for ((name, text), most) in fields.into_iter().zip(Bext::LONGEST) {
        if text.len() > most || !text.is_ascii() {
            let what = format!("the {name} of the file's time stamp is not plain text of at most {most} letters");
            return Err(Error::usage(what, "Shorten it and use letters without accents."));
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests;
