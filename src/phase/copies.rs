//! Corrected copies: the sign flipped, or moved by whole samples, every other byte as it was. Of a mic that is one side of a
//! stereo file the copy is a mono file of that side.

use crate::audio::riff::walk;
use crate::audio::{AudioReader, Bext, Channel, SampleFormat, WavExtras, WavSpec, WavWriter};
use crate::error::{Error, Located, Result};
use crate::output::{AtomicFile, OutputFault, fault_of};
use serde::Serialize;
use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// Bytes copied at a time; a multiple of every frame size up to 128 channels of 64 bits would be wasteful, so blocks are
/// cut to whole frames.
const BLOCK: usize = 1 << 20;

/// What is to become of one file.
#[derive(Clone, Debug, PartialEq)]
pub struct Shift {
    /// The recording.
    pub source: PathBuf,
    /// Which side of it the mic is; all of it otherwise.
    pub channel: Channel,
    /// Where the copy goes.
    pub target: PathBuf,
    /// Flip the sign.
    pub invert: bool,
    /// Move by whole samples: positive = later. What leaves the file's end is lost, what comes in is silence; the length
    /// stays.
    pub later: i64,
}

/// What became of it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Copied {
    /// The recording.
    pub source: PathBuf,
    /// The copy.
    pub target: PathBuf,
    /// Whether the sign was flipped.
    pub inverted: bool,
    /// Whole samples that it was moved, positive = later.
    pub later: i64,
    /// Samples at the lowest value of the format, −2^(n−1), which has no opposite: they became 2^(n−1) − 1.
    pub held: u64,
}

/// Makes a copy beside its target; it gets its name when committed.
///
/// A WAV file is copied byte by byte: only the samples change, everything else it carries stays. Any other format, one side
/// of a stereo file, and a WAV whose header a crashed recorder left unfinished, become a plain WAV of the same samples.
/// Integers change exactly; floats change their sign bit.
///
/// # Errors
/// A source that cannot be read; a target that cannot be written or is the source; a shift of the file's length or more.
pub fn write_copy(shift: &Shift) -> Result<(AtomicFile, Copied)> {
    let same = matches!((shift.source.canonicalize(), shift.target.canonicalize()), (Ok(a), Ok(b)) if a == b);
    if same {
        return Err(Located::whole(&shift.target, OutputFault::WouldReplaceInput).into());
    }
    let reader = AudioReader::open(&shift.source)?;
    let info = reader.info();
    if shift.later.unsigned_abs() >= info.frames {
        return Err(Error::usage(
            format!("{} would be moved by {} samples, its whole length", shift.source.display(), shift.later),
            "Check the arrival that was found; such a file is best left where it is.",
        ));
    }
    if shift.channel.side(info.channels).is_some() {
        return by_samples(shift, reader);
    }
    let mut file = File::open(&shift.source).map_err(|e| read_fault(&shift.source, &e))?;
    match walk(&mut file, &shift.source) {
        Ok(riff) if riff.repairs.is_empty() => {
            let data = Data {
                at: riff.data_at,
                frames: riff.frames,
                frame: riff.layout.block() as usize,
                format: riff.layout.format,
            };
            by_bytes(shift, &mut file, data)
        }
        _ => by_samples(shift, reader),
    }
}

fn read_fault(path: &Path, e: &std::io::Error) -> Error {
    Located::whole(path, crate::audio::AudioFault::of_system(e)).into()
}

struct Data {
    at: u64,
    frames: u64,
    frame: usize,
    format: SampleFormat,
}

fn by_bytes(shift: &Shift, file: &mut File, data: Data) -> Result<(AtomicFile, Copied)> {
    let mut out = AtomicFile::create(&shift.target)?;
    let read = |e: std::io::Error| read_fault(&shift.source, &e);
    let write = |e: std::io::Error| Error::from(Located::whole(&shift.target, fault_of(&e)));
    let mut block = vec![0u8; (BLOCK / data.frame.max(1)).max(1) * data.frame.max(1)];
    file.seek(SeekFrom::Start(0)).map_err(read)?;
    let mut copy =
        |file: &mut File, out: &mut AtomicFile, mut left: u64, change: &mut dyn FnMut(&mut [u8])| -> Result<()> {
            while left > 0 {
                let n = left.min(block.len() as u64) as usize;
                let part = block.get_mut(..n).unwrap_or_default();
                file.read_exact(part).map_err(read)?;
                change(part);
                out.write_all(part).map_err(write)?;
                left -= n as u64;
            }
            Ok(())
        };
    copy(file, &mut out, data.at, &mut |_| {})?;
    let width = data.frame as u64;
    let moved = shift.later.unsigned_abs() * width;
    let kept = data.frames * width - moved;
    let silence = if data.format == SampleFormat::Int8 { 0x80u8 } else { 0 };
    let quiet = |out: &mut AtomicFile| -> Result<()> {
        let zeros = vec![silence; 1 << 16];
        let mut left = moved;
        while left > 0 {
            let n = left.min(zeros.len() as u64) as usize;
            out.write_all(zeros.get(..n).unwrap_or_default()).map_err(write)?;
            left -= n as u64;
        }
        Ok(())
    };
    let mut held = 0u64;
    let mut change = |part: &mut [u8]| {
        if shift.invert {
            held += flip(data.format, part);
        }
    };
    if shift.later >= 0 {
        quiet(&mut out)?;
        copy(file, &mut out, kept, &mut change)?;
    } else {
        file.seek(SeekFrom::Start(data.at + moved)).map_err(read)?;
        copy(file, &mut out, kept, &mut change)?;
        quiet(&mut out)?;
    }
    file.seek(SeekFrom::Start(data.at + data.frames * width)).map_err(read)?;
    std::io::copy(file, &mut out).map_err(write)?;
    Ok((out, told(shift, held)))
}

fn told(shift: &Shift, held: u64) -> Copied {
    Copied {
        source: shift.source.clone(),
        target: shift.target.clone(),
        inverted: shift.invert,
        later: shift.later,
        held,
    }
}

/// Flips the sign of little-endian samples in place; returns how many had no opposite and were held at the highest value.
fn flip(format: SampleFormat, bytes: &mut [u8]) -> u64 {
    let mut held = 0;
    match format {
        // Unsigned around 128: 0 is −128, which has no opposite.
        SampleFormat::Int8 => {
            for b in bytes {
                held += u64::from(*b == 0);
                *b = if *b == 0 { 255 } else { 0u8.wrapping_sub(*b) };
            }
        }
        SampleFormat::Int16 | SampleFormat::Int24 | SampleFormat::Int32 => {
            let width = usize::from(format.bits() / 8);
            let top = i64::MAX >> (64 - u32::from(format.bits()));
            for sample in bytes.chunks_exact_mut(width) {
                let negative = sample.last().is_some_and(|b| b & 0x80 != 0);
                let mut wide = if negative { [0xffu8; 8] } else { [0; 8] };
                for (w, s) in wide.iter_mut().zip(sample.iter()) {
                    *w = *s;
                }
                let flipped = -i64::from_le_bytes(wide);
                held += u64::from(flipped > top);
                for (s, w) in sample.iter_mut().zip(flipped.min(top).to_le_bytes()) {
                    *s = w;
                }
            }
        }
        SampleFormat::Float32 | SampleFormat::Float64 => {
            let width = usize::from(format.bits() / 8);
            for sample in bytes.chunks_exact_mut(width) {
                if let Some(last) = sample.last_mut() {
                    *last ^= 0x80;
                }
            }
        }
        SampleFormat::Lossy => {}
    }
    held
}

/// Through decoded samples, for what is no WAV file, and for one side of a stereo file.
fn by_samples(shift: &Shift, mut reader: AudioReader) -> Result<(AtomicFile, Copied)> {
    let info = reader.info().clone();
    let width = shift.channel.taken(info.channels);
    let format = if info.format.is_integer() { info.format } else { SampleFormat::Float32 };
    let spec = WavSpec { rate: info.rate, channels: width, format };
    let extras = WavExtras {
        bext: info.bext.clone().map(Bext::in_plain_letters),
        cues: info.cues.clone(),
        frames: Some(info.frames),
    };
    let mut wav = WavWriter::create_with(&shift.target, spec, extras)?;
    let moved = shift.later.unsigned_abs();
    let mut held = 0;
    let mut left = info.frames - moved;
    if shift.later < 0 {
        reader.seek(moved)?;
    }
    let quiet = |wav: &mut WavWriter| -> Result<()> {
        let mut left = moved as usize * usize::from(width);
        while left > 0 {
            let n = left.min(1 << 16);
            if format.is_integer() {
                wav.write_ints(&vec![0; n])?
            } else {
                wav.write(&vec![0.0; n])?
            }
            left -= n;
        }
        Ok(())
    };
    if shift.later > 0 {
        quiet(&mut wav)?;
    }
    let lowest = if format.is_integer() { i32::MIN >> (32 - u32::from(format.bits())) } else { 0 };
    let (mut ints, mut floats) = (Vec::new(), Vec::new());
    while left > 0 {
        let want = left.min(1 << 16) as usize;
        let n = if format.is_integer() {
            let n = reader.read_ints(&mut ints, want)?;
            shift.channel.keep(&mut ints, info.channels);
            if shift.invert {
                for v in &mut ints {
                    held += u64::from(*v == lowest);
                    *v = if *v == lowest { -(*v + 1) } else { -*v };
                }
            }
            wav.write_ints(&ints)?;
            n
        } else {
            let n = reader.read(&mut floats, want)?;
            shift.channel.keep(&mut floats, info.channels);
            if shift.invert {
                floats.iter_mut().for_each(|v| *v = -*v);
            }
            wav.write(&floats)?;
            n
        };
        if n == 0 {
            break;
        }
        left -= n as u64;
    }
    if shift.later < 0 {
        quiet(&mut wav)?;
    }
    Ok((wav.close()?, told(shift, held)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn signs_flip_exactly_and_the_lowest_value_is_held() {
        let mut x = [0x00, 0x80, 0x01, 0x80, 0xff, 0x7f, 0x00, 0x00, 0xff, 0xff];
        assert_eq!(flip(SampleFormat::Int16, &mut x), 1);
        let got: Vec<i16> = x.chunks(2).map(|b| i16::from_le_bytes([b[0], b[1]])).collect();
        assert_eq!(got, [32_767, 32_767, -32_767, 0, 1]);
        let mut x = [0x00, 0x00, 0x80, 0x01, 0x00, 0x80, 0xff, 0xff, 0x7f, 0x00, 0x00, 0x00];
        assert_eq!(flip(SampleFormat::Int24, &mut x), 1);
        assert_eq!(x, [0xff, 0xff, 0x7f, 0xff, 0xff, 0x7f, 0x01, 0x00, 0x80, 0x00, 0x00, 0x00]);
        let mut x = [0, 1, 128, 255];
        assert_eq!(flip(SampleFormat::Int8, &mut x), 1);
        assert_eq!(x, [255, 255, 128, 1]);
        let mut x = i32::MIN.to_le_bytes().to_vec();
        x.extend(5i32.to_le_bytes());
        assert_eq!(flip(SampleFormat::Int32, &mut x), 1);
        assert_eq!(x[..4], i32::MAX.to_le_bytes());
        assert_eq!(x[4..], (-5i32).to_le_bytes());
        let mut x = 0.25f32.to_le_bytes();
        assert_eq!(flip(SampleFormat::Float32, &mut x), 0);
        assert_eq!(x, (-0.25f32).to_le_bytes());
    }

    #[test]
    fn twice_flipped_is_as_it_was_where_nothing_was_held() {
        let first: Vec<u8> = (0..=255u8).cycle().take(3 * 1001).collect();
        let mut x = first.clone();
        let held = flip(SampleFormat::Int24, &mut x);
        assert!(x != first);
        flip(SampleFormat::Int24, &mut x);
        assert_eq!(held, 0);
        assert_eq!(x, first);
    }
}
