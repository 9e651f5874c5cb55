//! A close look at every recording before anything is delivered.
//!
//! In: a file and where the song ends in it. Out: [`Facts`]: what it holds, and a fingerprint by which a later change is
//! known. One pass, in blocks; memory does not depend on the length.

use super::depth::Depth;
use super::plan::{Item, Kind};
use crate::audio::levels::SOUND_FLOOR;
use crate::audio::{AudioInfo, AudioReader, Channel, LevelMeter, Levels, Resampler};
use crate::error::Result;
use crate::mix::{Dbtp, Loudness, Meter, SoundSum, Watch};
use crate::progress::Progress;
use crate::units::{Dbfs, SampleRate, Seconds};
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::path::Path;
use std::time::SystemTime;

/// Stretch at the end of a file in which nothing should sound any more.
pub const TAIL: Seconds = Seconds(0.010);

/// Size and time of a file, by which a change is noticed before its contents are read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Stamp {
    bytes: u64,
    modified: Option<SystemTime>,
}

impl Stamp {
    pub fn of(path: &Path) -> Option<Self> {
        let meta = std::fs::metadata(path).ok()?;
        Some(Self { bytes: meta.len(), modified: meta.modified().ok() })
    }
}

/// What is in a recording, up to the song's end.
#[derive(Clone, Debug, Serialize)]
pub struct Facts {
    /// What the file says of itself.
    pub info: AudioInfo,
    /// Frames that belong to the song; fewer than the file holds where the song ends before it.
    pub frames: u64,
    /// Peak, clipped places, offset, first and last sound.
    pub levels: Levels,
    /// Highest sample at the rate of the delivery: between two samples a wave may stand higher than on them.
    pub peak: Dbfs,
    /// Highest true peak at the rate of the delivery; only of a rough mix that is brought to another rate.
    pub true_peak: Option<Dbtp>,
    /// Bits that its samples need, 1..=32: a 24-bit recording that was exported with 32 needs 24. `None` where only a rounded
    /// copy can be made.
    pub bits: Option<u16>,
    /// Loudness; true peak is not measured.
    pub loudness: Loudness,
    /// Highest sample in the last [`TAIL`].
    pub tail: Dbfs,
    /// SHA-256 of the samples.
    #[serde(skip)]
    pub samples_sha: [u8; 32],
    /// CRC-32 of the same bytes: quick to compute once more while the file is copied.
    #[serde(skip)]
    pub samples_crc: u32,
    /// Checksum of them as sound, as the table of the rough mix tells it.
    #[serde(skip)]
    pub heard: String,
    #[serde(skip)]
    pub(super) stamp: Option<Stamp>,
}

/// Samples of a file as stored where it stores integers, as floats otherwise: what conversions start from.
pub(super) struct Block {
    /// Stored integers; empty for other formats.
    pub ints: Vec<i32>,
    /// The same samples as floats, 1.0 = full scale.
    pub floats: Vec<f32>,
    bytes: Vec<u8>,
}

/// What is known of the part of a file that a mic takes: of a side, as of a mono file.
pub(super) fn heard(info: &AudioInfo, channel: Channel) -> AudioInfo {
    AudioInfo { channels: channel.taken(info.channels), ..info.clone() }
}

/// Reads a file block by block up to the song's end.
pub(super) struct Source {
    reader: AudioReader,
    info: AudioInfo,
    channel: Channel,
    left: u64,
    pub block: Block,
    /// Whether `block.floats` is to be filled for integer files too.
    floats: bool,
}

impl Source {
    /// Opens a file: one side of it as mono, or all of it.
    pub fn open(path: &Path, channel: Channel, floats: bool) -> Result<Self> {
        let reader = AudioReader::open(path)?;
        let info = heard(reader.info(), channel);
        let block = Block { ints: Vec::new(), floats: Vec::new(), bytes: Vec::new() };
        Ok(Self { left: info.frames, reader, info, channel, block, floats })
    }

    /// What is known of the file; of a side, as of a mono file.
    pub fn info(&self) -> &AudioInfo {
        &self.info
    }

    /// Stops after so many frames.
    pub fn until(mut self, frames: u64) -> Self {
        self.left = self.left.min(frames);
        self
    }

    /// Reads the next block; returns its frames, 0 at the end.
    pub fn next(&mut self, frames: usize) -> Result<usize> {
        let want = (frames as u64).min(self.left) as usize;
        self.block.ints.clear();
        self.block.floats.clear();
        if want == 0 {
            return Ok(0);
        }
        let format = self.info.format;
        let channels = self.reader.info().channels;
        let got = if format.is_integer() {
            let got = self.reader.read_ints(&mut self.block.ints, want)?;
            self.channel.keep(&mut self.block.ints, channels);
            if self.floats {
                let scale = 1.0 / (1u64 << (format.bits() - 1)) as f32;
                self.block.floats.extend(self.block.ints.iter().map(|&v| v as f32 * scale));
            }
            got
        } else {
            let got = self.reader.read(&mut self.block.floats, want)?;
            self.channel.keep(&mut self.block.floats, channels);
            got
        };
        self.left -= got as u64;
        Ok(got)
    }
}

impl Block {
    /// The samples as bytes, for fingerprints.
    pub fn bytes(&mut self) -> &[u8] {
        // In fixed steps of four bytes: this runs over every sample twice.
        self.bytes.resize(4 * self.ints.len().max(self.floats.len()), 0);
        let (steps, _) = self.bytes.as_chunks_mut::<4>();
        if self.ints.is_empty() {
            steps.iter_mut().zip(&self.floats).for_each(|(b, v)| *b = v.to_le_bytes());
        } else {
            steps.iter_mut().zip(&self.ints).for_each(|(b, v)| *b = v.to_le_bytes());
        }
        &self.bytes
    }
}

/// Frames read at a time.
pub(super) const AT_ONCE: usize = 1 << 14;

/// Looks through an item's file, or one side of it. `end` is the song's end in frames of this file, `to` the rate of the
/// delivery.
///
/// # Errors
/// Audio faults of the file.
pub(super) fn scan(item: &Item, end: u64, to: SampleRate, progress: &dyn Progress) -> Result<Facts> {
    let stamp = Stamp::of(&item.source);
    let mut source = Source::open(&item.source, item.channel, true)?.until(end);
    let info = source.info().clone();
    let mut meter = Meter::new(info.rate, info.channels, Watch { true_peak: false, ..Watch::MIX })?;
    let mut levels = LevelMeter::new(info.channels, info.format, SOUND_FLOOR);
    let (mut depth, mut arriving) = (Depth::default(), Arriving::new(&info, to, item.kind == Kind::Mix)?);
    let mut tail = Tail::new(TAIL.sample(info.rate).0 as usize * usize::from(info.channels));
    let (mut sha, mut crc, mut heard) = (Sha256::new(), crc32fast::Hasher::new(), SoundSum::default());
    loop {
        let n = source.next(AT_ONCE)?;
        if n == 0 {
            break;
        }
        let bytes = source.block.bytes();
        sha.update(bytes);
        crc.update(bytes);
        heard.add(&source.block.floats);
        meter.add(&source.block.floats)?;
        levels.push(&source.block.floats);
        tail.push(&source.block.floats);
        depth.add(&source.block.ints, &source.block.floats);
        arriving.push(&source.block.floats)?;
        progress.advance(n as u64);
    }
    let levels = levels.finish();
    let (peak, true_peak) = arriving.finish()?;
    Ok(Facts {
        frames: levels.frames,
        peak: peak.unwrap_or(levels.peak),
        true_peak,
        bits: depth.bits(info.format),
        levels,
        loudness: meter.loudness(),
        tail: tail.peak(),
        samples_sha: sha.finalize().into(),
        samples_crc: crc.finalize(),
        heard: heard.finish(),
        stamp,
        info,
    })
}

/// The highest sample of a stream once it is brought to another rate, and where that is asked for its highest true peak.
struct Arriving {
    resampler: Option<Resampler>,
    out: Vec<f32>,
    highest: f32,
    between: Option<Meter>,
}

impl Arriving {
    fn new(info: &AudioInfo, to: SampleRate, between: bool) -> Result<Self> {
        let resampler = if info.rate == to { None } else { Some(Resampler::new(info.rate, to, info.channels)?) };
        let between =
            (between && resampler.is_some()).then(|| Meter::new(to, info.channels, Watch::MIX)).transpose()?;
        Ok(Self { resampler, out: Vec::new(), highest: 0.0, between })
    }

    fn push(&mut self, x: &[f32]) -> Result<()> {
        if let Some(resampler) = &mut self.resampler {
            self.out.clear();
            resampler.push(x, &mut self.out)?;
            self.look()?;
        }
        Ok(())
    }

    fn look(&mut self) -> Result<()> {
        self.highest = peak(self.highest, &self.out);
        self.between.as_mut().map_or(Ok(()), |meter| meter.add(&self.out))
    }

    /// `None` where the rate stays.
    fn finish(mut self) -> Result<(Option<Dbfs>, Option<Dbtp>)> {
        let Some(resampler) = self.resampler.take() else { return Ok((None, None)) };
        self.out.clear();
        resampler.finish(&mut self.out)?;
        self.look()?;
        let between = self.between.map(|meter| meter.loudness().true_peak);
        Ok((Some(Dbfs::from_peak(f64::from(self.highest))), between))
    }
}

fn peak(highest: f32, samples: &[f32]) -> f32 {
    samples.iter().fold(highest, |m, x| m.max(x.abs()))
}

/// The last samples of a stream.
struct Tail {
    keep: usize,
    last: Vec<f32>,
}

impl Tail {
    fn new(keep: usize) -> Self {
        Self { keep: keep.max(1), last: Vec::new() }
    }

    fn push(&mut self, x: &[f32]) {
        let old = self.keep.saturating_sub(x.len());
        let drop = self.last.len().saturating_sub(old);
        self.last.drain(..drop);
        self.last.extend_from_slice(x.get(x.len().saturating_sub(self.keep)..).unwrap_or(x));
    }

    fn peak(&self) -> Dbfs {
        Dbfs::from_peak(f64::from(peak(0.0, &self.last)))
    }
}
