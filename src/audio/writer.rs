//! Writing WAV files beside their target.

use super::SampleFormat;
use crate::error::{Located, Result};
use crate::output::{AtomicFile, fault_of};
use crate::units::SampleRate;
use std::io::{Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// What kind of WAV file to write.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WavSpec {
    /// Sampling rate.
    pub rate: SampleRate,
    /// Channels.
    pub channels: u16,
    /// `Int16`, `Int24` or `Float32`.
    pub format: SampleFormat,
}

/// A WAV file being written; it appears under its name on [`finish`](Self::finish).
pub struct WavWriter {
    path: PathBuf,
    file: AtomicFile,
    spec: WavSpec,
    bytes: Vec<u8>,
    data: u64,
}

impl WavWriter {
    /// Starts a file.
    ///
    /// # Errors
    /// [`OutputFault`](crate::output::OutputFault).
    pub fn create(path: &Path, spec: WavSpec) -> Result<Self> {
        let file = AtomicFile::create(path)?;
        let mut w = Self { path: path.to_owned(), file, spec, bytes: Vec::new(), data: 0 };
        w.put_header()?;
        Ok(w)
    }

    fn put_header(&mut self) -> Result<()> {
        let bytes = self.spec.format.bits() / 8;
        let block = bytes * self.spec.channels;
        let data = self.data as u32;
        let mut h = Vec::with_capacity(44);
        h.extend_from_slice(b"RIFF");
        h.extend_from_slice(&(36 + data + (data & 1)).to_le_bytes());
        h.extend_from_slice(b"WAVEfmt ");
        h.extend_from_slice(&16u32.to_le_bytes());
        h.extend_from_slice(&(if self.spec.format == SampleFormat::Float32 { 3u16 } else { 1 }).to_le_bytes());
        h.extend_from_slice(&self.spec.channels.to_le_bytes());
        h.extend_from_slice(&self.spec.rate.hz().to_le_bytes());
        h.extend_from_slice(&(self.spec.rate.hz() * u32::from(block)).to_le_bytes());
        h.extend_from_slice(&block.to_le_bytes());
        h.extend_from_slice(&self.spec.format.bits().to_le_bytes());
        h.extend_from_slice(b"data");
        h.extend_from_slice(&data.to_le_bytes());
        self.put(&h)
    }

    fn put(&mut self, bytes: &[u8]) -> Result<()> {
        self.file.write_all(bytes).map_err(|e| Located::whole(&self.path, fault_of(&e)).into())
    }

    /// Writes interleaved samples, 1.0 = full scale; integers are rounded to nearest and held at full scale.
    ///
    /// # Errors
    /// [`OutputFault`](crate::output::OutputFault).
    pub fn write(&mut self, samples: &[f32]) -> Result<()> {
        let mut bytes = std::mem::take(&mut self.bytes);
        bytes.clear();
        for &s in samples {
            match self.spec.format {
                SampleFormat::Float32 => bytes.extend_from_slice(&s.to_le_bytes()),
                SampleFormat::Int16 => {
                    bytes.extend_from_slice(
                        &((f64::from(s) * 32768.0).round().clamp(-32768.0, 32767.0) as i16).to_le_bytes(),
                    );
                }
                _ => {
                    let v = (f64::from(s) * 8_388_608.0).round().clamp(-8_388_608.0, 8_388_607.0) as i32;
                    bytes.extend_from_slice(&v.to_le_bytes()[..3]);
                }
            }
        }
        self.data += bytes.len() as u64;
        let done = self.put(&bytes);
        self.bytes = bytes;
        done
    }

    /// Completes the header and gives the file its name.
    ///
    /// # Errors
    /// [`OutputFault`](crate::output::OutputFault).
    pub fn finish(mut self) -> Result<()> {
        if self.data & 1 == 1 {
            self.put(&[0])?;
        }
        self.file.seek(SeekFrom::Start(0)).map_err(|e| Located::whole(&self.path, fault_of(&e)))?;
        self.put_header()?;
        self.file.commit()
    }
}
