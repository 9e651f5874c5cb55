//! One source of the mix, read block by block in step with the others.
//!
//! In: a file. Out: blocks of one or two channels at the song's rate. Files of more channels are folded to one.

use crate::audio::{AudioFault, AudioReader};
use crate::error::{Located, Result};
use crate::units::SampleRate;
use std::path::Path;

/// A file read in step: one or two channels, at the song's rate.
pub(super) struct Feed {
    reader: AudioReader,
    /// Channels handed on, 1 or 2.
    pub channels: usize,
    raw: Vec<f32>,
    /// The block read last, interleaved.
    pub block: Vec<f32>,
}

impl Feed {
    /// Opens a file whose blocks come at `rate`.
    pub fn open(path: &Path, rate: SampleRate) -> Result<Self> {
        let reader = AudioReader::open(path)?;
        let channels = if reader.info().channels == 2 { 2 } else { 1 };
        if reader.info().rate != rate {
            let what = format!("the rate is {}, the song's is {rate}", reader.info().rate);
            return Err(Located::whole(path, AudioFault::Unsupported(what)).into());
        }
        Ok(Self { reader, channels, raw: Vec::new(), block: Vec::new() })
    }

    /// Reads the next block of at most `frames` frames into [`block`](Self::block); empty after the end.
    pub fn next(&mut self, frames: usize) -> Result<()> {
        let read = usize::from(self.reader.info().channels);
        self.reader.read(&mut self.raw, frames)?;
        self.block.clear();
        if read == self.channels {
            self.block.extend_from_slice(&self.raw);
        } else {
            let k = 1.0 / read as f32;
            self.block.extend(self.raw.chunks_exact(read).map(|f| f.iter().sum::<f32>() * k));
        }
        Ok(())
    }
}
