//! The mix as three stereo buses in a passing file, so that sources are read once however often the mix is weighed.
//!
//! In: faded sources. Out: the buses, to be added in any proportion, block by block. The file lies beside the mix and
//! vanishes with the value; it holds eight bytes a frame of every bus that has a source.

use crate::error::{Error, Located, Result};
use crate::output::{AtomicFile, fault_of};
use std::fs::File;
use std::io::{Read, Write};
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

/// Frames of a block.
pub(super) const FRAMES_AT_ONCE: usize = 1 << 13;

impl Bus {
    /// In the order of the passing file.
    pub const ALL: [Bus; 3] = [Bus::Kit, Bus::Layers, Bus::Music];
}

/// The buses of a whole song. The passing file holds, block by block, left and right of every bus that has a source.
pub(super) struct Buses {
    file: AtomicFile,
    used: [bool; 3],
    frames: u64,
}

/// [`FRAMES_AT_ONCE`] frames of the three buses, or fewer at the end: left and right of each.
pub(super) struct Block {
    pub sides: [[Vec<f32>; 2]; 3],
    bytes: Vec<u8>,
}

impl Block {
    pub fn new() -> Self {
        Self { sides: std::array::from_fn(|_| std::array::from_fn(|_| Vec::new())), bytes: Vec::new() }
    }

    /// Kit and layers together, interleaved.
    pub fn drums(&self, out: &mut Vec<f32>) {
        let [kit, layers, _] = &self.sides;
        out.resize(2 * kit[0].len(), 0.0);
        for (side, (kit, layer)) in kit.iter().zip(layers).enumerate() {
            let out = out.as_chunks_mut::<2>().0;
            out.iter_mut().zip(kit.iter().zip(layer)).for_each(|(y, (k, l))| y[side] = k + l);
        }
    }
}

impl Buses {
    /// Starts the passing file beside `mix`; `used` tells which buses have a source.
    pub fn create(mix: &Path, used: impl Fn(Bus) -> bool) -> Result<Self> {
        Ok(Self { file: AtomicFile::create(&mix.with_extension("buses"))?, used: Bus::ALL.map(used), frames: 0 })
    }

    /// Appends a block; all but the last are full.
    pub fn write(&mut self, block: &mut Block) -> Result<()> {
        block.bytes.clear();
        for (sides, _) in block.sides.iter().zip(self.used).filter(|(_, used)| *used) {
            for side in sides {
                block.bytes.extend(side.iter().flat_map(|s| s.to_le_bytes()));
            }
        }
        self.frames += block.sides[0][0].len() as u64;
        self.file.write_all(&block.bytes).map_err(|e| Located::whole(self.file.target(), fault_of(&e)).into())
    }

    /// Makes what was written readable.
    pub fn flush(&mut self) -> Result<()> {
        self.file.flush().map_err(|e| Located::whole(self.file.target(), fault_of(&e)).into())
    }

    /// Begins to add the buses in these proportions.
    pub fn player(&self, sends: Sends) -> Result<Player<'_>> {
        let gains = [sends.kit, sends.layers, sends.music];
        let gains: Vec<f64> = gains.into_iter().zip(self.used).filter_map(|(g, used)| used.then_some(g)).collect();
        Ok(Player {
            buses: self,
            reader: File::open(self.file.beside()).map_err(|e| self.unreadable(&e))?,
            bytes: vec![0u8; FRAMES_AT_ONCE * gains.len() * 8],
            gains,
            sums: [vec![0f64; FRAMES_AT_ONCE], vec![0f64; FRAMES_AT_ONCE]],
            stereo: vec![0f32; FRAMES_AT_ONCE * 2],
            left: self.frames,
        })
    }

    fn unreadable(&self, e: &std::io::Error) -> Error {
        Located::whole(self.file.target(), fault_of(e)).into()
    }
}

/// The buses added in certain proportions, block by block, front to back.
pub(super) struct Player<'a> {
    buses: &'a Buses,
    reader: File,
    gains: Vec<f64>,
    bytes: Vec<u8>,
    sums: [Vec<f64>; 2],
    stereo: Vec<f32>,
    left: u64,
}

impl Player<'_> {
    /// The next stereo block; `None` at the end.
    pub fn next(&mut self) -> Result<Option<&[f32]>> {
        let now = self.left.min(FRAMES_AT_ONCE as u64) as usize;
        if now == 0 {
            return Ok(None);
        }
        let part = self.bytes.get_mut(..now * self.gains.len() * 8).unwrap_or_default();
        self.reader.read_exact(part).map_err(|e| self.buses.unreadable(&e))?;
        self.sums.iter_mut().for_each(|s| s.fill(0.0));
        for (gain, bus) in self.gains.iter().zip(part.chunks_exact(now * 8)) {
            for (sum, side) in self.sums.iter_mut().zip(bus.chunks_exact(now * 4)) {
                let samples = side.as_chunks().0;
                sum.iter_mut().zip(samples).for_each(|(s, b)| *s += gain * f64::from(f32::from_le_bytes(*b)));
            }
        }
        self.stereo.truncate(now * 2);
        let [l, r] = &self.sums;
        let both = self.stereo.as_chunks_mut::<2>().0;
        both.iter_mut().zip(l.iter().zip(r)).for_each(|(y, (l, r))| *y = [*l as f32, *r as f32]);
        self.left -= now as u64;
        Ok(Some(&self.stereo))
    }
}
