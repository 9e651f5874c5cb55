//! One source of the mix, read block by block in step with the others.
//!
//! In: a file, and which side of it counts. Out: blocks of one or two channels at the song's rate. Files of more channels are
//! folded to one.

use crate::audio::{AudioReader, Channel, Resampler};
use crate::error::Result;
use crate::units::SampleRate;
use std::path::Path;

/// A file read in step: one or two channels, at the song's rate.
pub(super) struct Feed {
    reader: AudioReader,
    channel: Channel,
    /// Present until the file's end where its rate is another than the song's.
    resampler: Option<Resampler>,
    /// Channels handed on, 1 or 2.
    pub channels: usize,
    raw: Vec<f32>,
    folded: Vec<f32>,
    /// Resampled samples that no block has taken yet.
    waiting: Vec<f32>,
    /// The block read last, interleaved.
    pub block: Vec<f32>,
}

impl Feed {
    /// Opens a file whose blocks come at `rate`: one side of it as mono, or all of it.
    pub fn open(path: &Path, channel: Channel, rate: SampleRate) -> Result<Self> {
        let reader = AudioReader::open(path)?;
        let channels: u16 = if reader.info().channels == 2 && channel == Channel::Sum { 2 } else { 1 };
        let own = reader.info().rate;
        let resampler = if own == rate { None } else { Some(Resampler::new(own, rate, channels)?) };
        let (raw, folded, waiting, block) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
        Ok(Self { reader, channel, resampler, channels: usize::from(channels), raw, folded, waiting, block })
    }

    /// Whether its samples are those of the file, not converted to another rate. Asked before the first block.
    pub fn as_stored(&self) -> bool {
        self.resampler.is_none()
    }

    /// Reads the next block of at most `frames` frames into [`block`](Self::block); empty after the end.
    pub fn next(&mut self, frames: usize) -> Result<()> {
        self.block.clear();
        let want = frames * self.channels;
        while let (true, Some(resampler)) = (self.waiting.len() < want, &mut self.resampler) {
            if self.reader.read(&mut self.raw, frames)? == 0 {
                if let Some(r) = self.resampler.take() {
                    r.finish(&mut self.waiting)?;
                }
                break;
            }
            fold(&self.raw, self.reader.info().channels, self.channel, self.channels, &mut self.folded);
            resampler.push(&self.folded, &mut self.waiting)?;
        }
        if self.resampler.is_some() || !self.waiting.is_empty() {
            let n = want.min(self.waiting.len());
            self.block.extend(self.waiting.drain(..n));
            return Ok(());
        }
        self.reader.read(&mut self.raw, frames)?;
        fold(&self.raw, self.reader.info().channels, self.channel, self.channels, &mut self.block);
        Ok(())
    }
}

/// Puts samples of `from` channels into `out` as `to` channels: the same, one side, or their mean as one.
fn fold(samples: &[f32], from: u16, channel: Channel, to: usize, out: &mut Vec<f32>) {
    out.clear();
    let channels = usize::from(from);
    match channel.side(from) {
        _ if channels == to => out.extend_from_slice(samples),
        Some(side) => out.extend(samples.iter().skip(side).step_by(channels)),
        None => {
            let k = 1.0 / channels as f32;
            out.extend(samples.chunks_exact(channels).map(|f| f.iter().sum::<f32>() * k));
        }
    }
}
