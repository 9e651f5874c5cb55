//! Streaming readers.

use super::{AudioFault, AudioInfo, Channel, SampleFormat};
use crate::error::{Located, Result};
use crate::units::SampleRate;
use std::fs::File;
use std::io::BufReader;
use std::path::Path;

/// Reads one audio file front to back, as often as wanted, in blocks of interleaved samples.
pub struct AudioReader {
    info: AudioInfo,
    wav: hound::WavReader<BufReader<File>>,
}

impl AudioReader {
    /// Opens a file, read-only.
    ///
    /// # Errors
    /// [`AudioFault`] when the file is missing, not audio, empty, or outside what is supported.
    pub fn open(path: &Path) -> Result<Self> {
        let file = File::open(path).map_err(|e| match e.kind() {
            std::io::ErrorKind::NotFound => Located::whole(path, AudioFault::Missing),
            _ => Located::whole(path, AudioFault::Unreadable(e.to_string())),
        })?;
        let wav = hound::WavReader::new(BufReader::with_capacity(1 << 16, file))
            .map_err(|e| Located::whole(path, AudioFault::NotAudio(e.to_string())))?;
        let spec = wav.spec();
        let rate = SampleRate::new(spec.sample_rate).ok_or_else(|| {
            Located::whole(path, AudioFault::Unsupported(format!("the rate is {} Hz", spec.sample_rate)))
        })?;
        let format = match (spec.sample_format, spec.bits_per_sample) {
            (hound::SampleFormat::Float, _) => SampleFormat::Float32,
            (_, 8) => SampleFormat::Int8,
            (_, 16) => SampleFormat::Int16,
            (_, 24) => SampleFormat::Int24,
            _ => SampleFormat::Int32,
        };
        let frames = u64::from(wav.duration());
        if frames == 0 {
            return Err(Located::whole(path, AudioFault::Empty).into());
        }
        let info = AudioInfo {
            path: path.to_owned(),
            rate,
            channels: spec.channels,
            frames,
            format,
            bext: None,
            cues: Vec::new(),
            repairs: Vec::new(),
        };
        Ok(Self { info, wav })
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
        let channels = usize::from(self.info.channels);
        let want = frames * channels;
        let path = &self.info.path;
        let fail = |e: hound::Error| Located::whole(path, AudioFault::Unreadable(e.to_string()));
        if self.info.format == SampleFormat::Float32 {
            for s in self.wav.samples::<f32>().take(want) {
                out.push(s.map_err(fail)?);
            }
        } else {
            let scale = 1.0 / (1u64 << (self.info.format.bits() - 1)) as f32;
            for s in self.wav.samples::<i32>().take(want) {
                out.push(s.map_err(fail)? as f32 * scale);
            }
        }
        Ok(out.len() / channels)
    }

    /// Goes to a frame; the next [`read`](Self::read) begins there.
    ///
    /// # Errors
    /// [`AudioFault`] when the system cannot seek.
    pub fn seek(&mut self, frame: u64) -> Result<()> {
        let frame = u32::try_from(frame).unwrap_or(u32::MAX);
        self.wav.seek(frame).map_err(|e| Located::whole(&self.info.path, AudioFault::Unreadable(e.to_string())).into())
    }
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
        let n = self.reader.read(&mut self.block, frames)?;
        let channels = usize::from(self.reader.info().channels);
        match (channels, self.channel) {
            (1, _) => out.extend_from_slice(&self.block),
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
}

/// Reads a whole file as one channel. For one-shots and tests; long takes should stream.
///
/// # Errors
/// As [`AudioReader::open`] and [`AudioReader::read`].
pub fn read_mono(path: &Path, channel: Channel) -> Result<(AudioInfo, Vec<f32>)> {
    let mut reader = MonoReader::open(path, channel)?;
    let mut out = Vec::new();
    while reader.read(&mut out, 1 << 16)? > 0 {}
    Ok((reader.info().clone(), out))
}
