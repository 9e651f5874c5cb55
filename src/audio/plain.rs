//! Samples of a WAV or AIFF file, straight from where the chunk walk found them.

use super::aiff::{self, ByteOrder};
use super::info::{AudioFault, AudioInfo, SampleFormat};
use super::{pcm, riff};
use crate::error::{Located, Place};
use crate::output::in_words;
use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::Path;

/// Bytes that are converted at a time.
const BLOCK_BYTES: usize = 1 << 16;
/// Bytes that are read ahead: few, so that a look at single strokes costs little, and long reads pass them by.
const AHEAD_BYTES: usize = 1 << 13;

/// A file of uncompressed samples, open at some frame.
pub(super) struct PlainSource {
    input: BufReader<File>,
    layout: riff::Layout,
    order: ByteOrder,
    data_at: u64,
    frames: u64,
    pos: u64,
    /// Byte at which the input stands; unknown after a failure.
    at: Option<u64>,
    raw: Vec<u8>,
}

impl PlainSource {
    /// Walks through a WAV file's chunks and stands at the first frame.
    pub fn wav(file: File, path: &Path) -> Result<(Self, AudioInfo), Located<AudioFault>> {
        let mut input = BufReader::with_capacity(AHEAD_BYTES, file);
        let found = riff::walk(&mut input, path)?;
        Self::of(input, path, found, ByteOrder::Little)
    }

    /// Walks through an AIFF file's chunks and stands at the first frame.
    pub fn aiff(file: File, path: &Path) -> Result<(Self, AudioInfo), Located<AudioFault>> {
        let mut input = BufReader::with_capacity(AHEAD_BYTES, file);
        let (found, order) = aiff::walk(&mut input, path)?;
        Self::of(input, path, found, order)
    }

    fn of(
        input: BufReader<File>,
        path: &Path,
        found: riff::Riff,
        order: ByteOrder,
    ) -> Result<(Self, AudioInfo), Located<AudioFault>> {
        let info = AudioInfo {
            path: path.to_owned(),
            rate: found.layout.rate,
            channels: found.layout.channels,
            frames: found.frames,
            format: found.layout.format,
            bext: found.bext,
            cues: found.cues,
            repairs: found.repairs,
        };
        let (layout, data_at, frames) = (found.layout, found.data_at, found.frames);
        let mut source = Self { input, layout, order, data_at, frames, pos: 0, at: None, raw: Vec::new() };
        source.seek(0, path)?;
        Ok((source, info))
    }

    /// Appends up to `frames` frames, interleaved; gives how many.
    pub fn read(&mut self, out: &mut Vec<f32>, frames: usize, path: &Path) -> Result<usize, Located<AudioFault>> {
        let format = self.layout.format;
        self.blocks(frames, path, |bytes| pcm::to_f32(format, bytes, out))
    }

    /// Appends up to `frames` frames of stored integers, interleaved; gives how many.
    pub fn read_ints(&mut self, out: &mut Vec<i32>, frames: usize, path: &Path) -> Result<usize, Located<AudioFault>> {
        let format = self.layout.format;
        self.blocks(frames, path, |bytes| {
            pcm::to_ints(format, bytes, out);
            None
        })
    }

    /// Goes to a frame; behind the end counts as the end.
    pub fn seek(&mut self, frame: u64, path: &Path) -> Result<(), Located<AudioFault>> {
        self.pos = frame.min(self.frames);
        let to = self.data_at + self.pos * u64::from(self.layout.block());
        let done = match self.at.take() {
            // What was read ahead is kept where it reaches as far.
            Some(at) => self.input.seek_relative(to as i64 - at as i64),
            None => self.input.seek(SeekFrom::Start(to)).map(drop),
        };
        self.at = done.is_ok().then_some(to);
        done.map_err(|e| Located::whole(path, AudioFault::Unreadable(in_words(&e))))
    }

    /// Hands the raw bytes of the next frames to `take`, block by block; `take` gives the index of a bad sample.
    fn blocks(
        &mut self,
        frames: usize,
        path: &Path,
        mut take: impl FnMut(&[u8]) -> Option<usize>,
    ) -> Result<usize, Located<AudioFault>> {
        let block = self.layout.block() as usize;
        let want = (self.frames - self.pos).min(frames as u64) as usize;
        let at_once = (BLOCK_BYTES / block).max(1);
        let mut left = want;
        while left > 0 {
            let n = left.min(at_once);
            self.raw.resize(n * block, 0);
            let at = self.at.take();
            self.input
                .read_exact(&mut self.raw)
                .map_err(|e| Located::at(path, Place::Frame(self.pos), AudioFault::Unreadable(in_words(&e))))?;
            self.at = at.map(|at| at + self.raw.len() as u64);
            if self.order == ByteOrder::Big {
                turn(self.layout.format, &mut self.raw);
            }
            if let Some(bad) = take(&self.raw) {
                let frame = self.pos + (bad / usize::from(self.layout.channels)) as u64;
                return Err(not_a_number(path, frame, self.layout.rate));
            }
            self.pos += n as u64;
            left -= n;
        }
        Ok(want)
    }
}

/// Turns big-endian samples, as AIFF stores them, into the form that WAV files have.
fn turn(format: SampleFormat, bytes: &mut [u8]) {
    match format.bits() / 8 {
        1 => bytes.iter_mut().for_each(|b| *b ^= 0x80),
        2 => bytes.as_chunks_mut::<2>().0.iter_mut().for_each(|b| b.reverse()),
        3 => bytes.as_chunks_mut::<3>().0.iter_mut().for_each(|b| b.reverse()),
        4 => bytes.as_chunks_mut::<4>().0.iter_mut().for_each(|b| b.reverse()),
        _ => bytes.as_chunks_mut::<8>().0.iter_mut().for_each(|b| b.reverse()),
    }
}

/// The fault of a float sample that is infinite or not a number.
pub(super) fn not_a_number(path: &Path, frame: u64, rate: crate::units::SampleRate) -> Located<AudioFault> {
    let time = crate::units::SamplePos(frame).at(rate);
    let what = format!("the sample at {time} is not a number (a plug-in or a bounce went wrong there)");
    let remedy = "Export or bounce the track again, and listen to that place before you use it.".into();
    Located::at(path, Place::Frame(frame), AudioFault::Damaged { what, remedy })
}
