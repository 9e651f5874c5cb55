//! The `fmt ` chunk: rate, channels, and how a sample is stored.

use super::{u16_at, u32_at};
use crate::audio::info::{AudioFault, SampleFormat};
use crate::units::SampleRate;

const INTEGER: u16 = 1;
const FLOAT: u16 = 3;
const EXTENSIBLE: u16 = 0xfffe;
/// The last 14 bytes of the sub-format identifiers of integer and float samples (mmreg.h).
const GUID_TAIL: [u8; 14] = [0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71];

/// How the samples of a WAV file are stored.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Layout {
    /// Sampling rate.
    pub rate: SampleRate,
    /// Channels, 1..=[`Layout::MAX_CHANNELS`].
    pub channels: u16,
    /// The container of one sample; fewer valid bits sit at its top, as the format demands.
    pub format: SampleFormat,
}

impl Layout {
    /// Most channels that are read.
    pub const MAX_CHANNELS: u16 = 128;

    /// Bytes of one frame.
    pub fn block(self) -> u32 {
        u32::from(self.channels) * u32::from(self.format.bits() / 8)
    }

    /// From the chunk's bytes, plain or extensible. The byte-rate field is not trusted.
    pub fn parse(bytes: &[u8]) -> Result<Self, AudioFault> {
        if bytes.len() < 16 {
            return Err(damaged("the part that says how the audio is stored (fmt) is too short"));
        }
        let (channels, rate) = (u16_at(bytes, 2), u32_at(bytes, 4));
        let (byte_rate, block, bits) = (u32_at(bytes, 8), u16_at(bytes, 12), u16_at(bytes, 14));
        let float = match tag(bytes)? {
            INTEGER => false,
            FLOAT => true,
            other => return Err(AudioFault::Unsupported(compressed(other))),
        };
        if channels == 0 {
            return Err(damaged("the file says that it has no channels"));
        }
        if channels > Self::MAX_CHANNELS {
            let what = format!("the file has {channels} channels; up to {} are read", Self::MAX_CHANNELS);
            return Err(AudioFault::Unsupported(what));
        }
        let rate = SampleRate::new(rate).ok_or_else(|| {
            AudioFault::Unsupported(format!("the sampling rate is {rate} Hz; 8,000 to 192,000 Hz are read"))
        })?;
        // A wider container than the bits need (24 in 32) is believed when two fields agree on it.
        let wider = block % channels == 0 && u64::from(byte_rate) == u64::from(rate.hz()) * u64::from(block);
        let container = if wider { (block / channels).max(bits.div_ceil(8)) } else { bits.div_ceil(8) };
        let format = match (float, container) {
            (_, _) if bits == 0 => return Err(damaged("the file says that a sample has no bits")),
            (false, 1) => SampleFormat::Int8,
            (false, 2) => SampleFormat::Int16,
            (false, 3) => SampleFormat::Int24,
            (false, 4) => SampleFormat::Int32,
            (true, 4) => SampleFormat::Float32,
            (true, 8) => SampleFormat::Float64,
            _ => {
                let kind = if float { "floating-point " } else { "" };
                return Err(AudioFault::Unsupported(format!("{bits}-bit {kind}samples are not read")));
            }
        };
        Ok(Self { rate, channels, format })
    }
}

/// The kind of samples, through the extensible header where there is one.
fn tag(bytes: &[u8]) -> Result<u16, AudioFault> {
    match u16_at(bytes, 0) {
        EXTENSIBLE if bytes.len() < 40 => {
            Err(damaged("the part that says how the audio is stored (fmt) is shorter than it claims"))
        }
        EXTENSIBLE if bytes.get(26..40) != Some(&GUID_TAIL) => Ok(0),
        EXTENSIBLE => Ok(u16_at(bytes, 24)),
        plain => Ok(plain),
    }
}

fn compressed(tag: u16) -> String {
    let name = match tag {
        0x0002 | 0x0011 => "ADPCM",
        0x0006 => "A-law",
        0x0007 => "µ-law",
        0x0050 | 0x0055 => "MPEG",
        _ => return format!("the samples are stored in a way that is not read (format number {tag})"),
    };
    format!("the samples are compressed ({name})")
}

fn damaged(what: &str) -> AudioFault {
    AudioFault::Damaged {
        what: what.into(),
        remedy: "Copy the file again from the recorder, or export the track again as WAV, 24 bit.".into(),
    }
}
