//! Short files to listen to: the real drum, the layer, both.

use super::prepare::Layer;
use crate::audio::{AudioReader, MonoReader, SampleFormat, WavExtras, WavSpec, WavWriter};
use crate::error::Result;
use crate::output::{AtomicFile, file_stem};
use crate::song::{Mic, Polarity, Song};
use crate::units::{Decibels, SamplePos, Seconds};
use serde::Serialize;
use std::path::{Path, PathBuf};

/// Highest peak of a preview, dBFS.
const CEILING: f64 = -1.0;
/// Steps in which the loudest stretch is looked for, s.
const STEP: f64 = 0.5;
/// Fade at both ends, ms.
const FADE: f64 = 10.0;

/// What a preview holds.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Preview {
    /// Where the stretch begins.
    pub start: SamplePos,
    /// How long it is, frames.
    pub frames: u64,
    /// The real drum's mic; `None` where the song has none, and only the layer is written.
    pub real: Option<String>,
    /// Gain on all files alike, so that none clips and they compare.
    pub gain: Decibels,
    /// The files.
    pub files: Vec<PathBuf>,
}

/// Start of the stretch of `length` with most energy in a mic, in steps of half a second; 0 in a shorter file.
///
/// # Errors
/// [`Error::Audio`](crate::Error::Audio) when the mic cannot be read.
pub fn loudest_stretch(mic: &Mic, length: Seconds) -> Result<SamplePos> {
    let mut reader = MonoReader::open(&mic.info.path, mic.channel)?;
    let step = mic.info.rate.samples(Seconds(STEP)).max(1) as usize;
    let mut energies: Vec<f64> = Vec::new();
    let mut block = Vec::new();
    loop {
        block.clear();
        if reader.read(&mut block, step)? == 0 {
            break;
        }
        energies.push(block.iter().map(|v| f64::from(*v).powi(2)).sum());
    }
    let window = ((length.0 / STEP).round() as usize).clamp(1, energies.len().max(1));
    let sums: Vec<f64> = energies.windows(window).map(|w| w.iter().sum()).collect();
    let mut best = (0usize, 0.0f64);
    for (i, &e) in sums.iter().enumerate() {
        if e > best.1 {
            best = (i, e);
        }
    }
    Ok(SamplePos((best.0 * step) as u64))
}

/// Renders the loudest stretch three times into `dir`: `NAME_real.wav`, `NAME_layer.wav`, `NAME_both.wav`, at one common gain.
/// The files appear when committed. A layer of its own may be called `NAME_layer`, so `dir` is to be another folder than that of
/// the printed layers.
///
/// # Errors
/// A mic that cannot be read; [`Error::Output`](crate::Error::Output).
pub fn preview(song: &Song, layer: &Layer, length: Seconds, dir: &Path) -> Result<(Preview, Vec<AtomicFile>)> {
    let mic = song.main_mic(layer.report.drum);
    let rate = layer.report.rate;
    let start = match mic {
        Some(mic) => loudest_stretch(mic, length)?,
        None => SamplePos(layer.report.hits.first().map_or(0, |h| h.attack.max(0) as u64)),
    };
    let frames = rate.samples(length).min(layer.frames().saturating_sub(start.0)).max(1);
    let width = layer.channels();
    let mut printed = vec![0.0f32; frames as usize * width];
    layer.render(start.0, &mut printed);
    let mut takes: Vec<(&str, Vec<f32>)> = Vec::new();
    if let Some(mic) = mic {
        let real = real(mic, start, frames as usize, width)?;
        let both = real.iter().zip(&printed).map(|(a, b)| a + b).collect();
        takes.push(("real", real));
        takes.push(("layer", printed));
        takes.push(("both", both));
    } else {
        takes.push(("layer", printed));
    }
    let peak = takes.iter().flat_map(|t| &t.1).fold(0.0f32, |m, v| m.max(v.abs()));
    let gain = Decibels((CEILING - 20.0 * f64::from(peak).max(1e-9).log10()).min(0.0));
    let fade = rate.samples(Seconds::from_ms(FADE)).clamp(1, frames) as usize;
    let mut files = Vec::new();
    let mut names = Vec::new();
    for (word, mut samples) in takes {
        let n = frames as usize;
        for (i, frame) in samples.chunks_mut(width).enumerate() {
            let edge = ((i + 1).min(n - i) as f32 / fade as f32).min(1.0);
            frame.iter_mut().for_each(|v| *v *= edge * gain.gain() as f32);
        }
        let path = dir.join(format!("{}_{word}.wav", file_stem(&layer.report.name)));
        let spec = WavSpec { rate, channels: width as u16, format: SampleFormat::Int24 };
        let mut wav = WavWriter::create_with(&path, spec, WavExtras { frames: Some(frames), ..WavExtras::default() })?;
        wav.write(&samples)?;
        files.push(wav.close()?);
        names.push(path);
    }
    Ok((Preview { start, frames, real: mic.map(|m| m.name.clone()), gain, files: names }, files))
}

/// A stretch of a mic as `width` channels, flipped where it is to be inverted.
fn real(mic: &Mic, start: SamplePos, frames: usize, width: usize) -> Result<Vec<f32>> {
    let mut mono = Vec::with_capacity(frames);
    // Checked first, so that a start behind a short file's end is silence and no error.
    if AudioReader::open(&mic.info.path)?.info().frames > start.0 {
        let mut reader = MonoReader::open(&mic.info.path, mic.channel)?;
        reader.seek(start.0)?;
        loop {
            let left = frames - mono.len();
            if left == 0 || reader.read(&mut mono, left)? == 0 {
                break;
            }
        }
    }
    mono.resize(frames, 0.0);
    let sign = if mic.polarity == Polarity::Invert { -1.0 } else { 1.0 };
    Ok(mono.into_iter().flat_map(|v| std::iter::repeat_n(sign * v, width)).collect())
}
