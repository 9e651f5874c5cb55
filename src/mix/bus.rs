//! The mix as three stereo buses in a passing file, so that sources are read once however often the mix is weighed.
//!
//! In: faded sources. Out: the buses, to be added in any proportion, block by block. The file lies beside the mix and
//! vanishes with the value; it holds 24 bytes a frame.

use crate::error::{Located, Result};
use crate::output::{AtomicFile, fault_of};
use std::fs::File;
use std::io::{BufReader, Read, Write};
use std::path::Path;

/// The three groups of the mix.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Bus {
    /// Mics of the acoustic kit.
    Kit,
    /// Printed layers.
    Layers,
    /// The client's two-mix and programmed parts.
    Music,
}

/// Gains of the three buses in a version of the mix, linear.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sends {
    pub kit: f64,
    pub layers: f64,
    pub music: f64,
}

impl Sends {
    /// The same proportions, louder.
    pub fn times(self, gain: f64) -> Self {
        Self { kit: self.kit * gain, layers: self.layers * gain, music: self.music * gain }
    }
}

/// Samples of one frame: three stereo buses.
pub(super) const WIDTH: usize = 6;
const BYTES: usize = WIDTH * 4;
const FRAMES_AT_ONCE: usize = 1 << 13;

/// The buses of a whole song.
pub(super) struct Buses {
    file: AtomicFile,
    bytes: Vec<u8>,
    frames: u64,
}

impl Buses {
    /// Starts the passing file beside `mix`.
    pub fn create(mix: &Path) -> Result<Self> {
        Ok(Self { file: AtomicFile::create(&mix.with_extension("buses"))?, bytes: Vec::new(), frames: 0 })
    }

    /// Appends frames of [`WIDTH`] samples: kit, layers, music, each left and right.
    pub fn write(&mut self, samples: &[f32]) -> Result<()> {
        self.bytes.clear();
        self.bytes.extend(samples.iter().flat_map(|s| s.to_le_bytes()));
        self.frames += (samples.len() / WIDTH) as u64;
        self.file.write_all(&self.bytes).map_err(|e| Located::whole(self.file.target(), fault_of(&e)).into())
    }

    /// Makes what was written readable.
    pub fn flush(&mut self) -> Result<()> {
        self.file.flush().map_err(|e| Located::whole(self.file.target(), fault_of(&e)).into())
    }

    /// Adds the buses in these proportions and hands the stereo blocks to `take`, front to back.
    pub fn play(&self, sends: Sends, mut take: impl FnMut(&[f32]) -> Result<()>) -> Result<()> {
        let fail = |e: std::io::Error| Located::whole(self.file.target(), fault_of(&e));
        let mut reader = BufReader::new(File::open(self.file.beside()).map_err(fail)?);
        let mut bytes = vec![0u8; FRAMES_AT_ONCE * BYTES];
        let mut stereo = Vec::with_capacity(FRAMES_AT_ONCE * 2);
        let mut left = self.frames;
        while left > 0 {
            let now = left.min(FRAMES_AT_ONCE as u64) as usize;
            let part = &mut bytes[..now * BYTES];
            reader.read_exact(part).map_err(fail)?;
            stereo.clear();
            for frame in part.chunks_exact(BYTES) {
                let at = |i: usize| {
                    let b = &frame[4 * i..4 * i + 4];
                    f64::from(f32::from_le_bytes([b[0], b[1], b[2], b[3]]))
                };
                for side in 0..2 {
                    let x = sends.kit * at(side) + sends.layers * at(2 + side) + sends.music * at(4 + side);
                    stereo.push(x as f32);
                }
            }
            take(&stereo)?;
            left -= now as u64;
        }
        Ok(())
    }
}
