//! The chunk walk through an AIFF or AIFF-C file.
//!
//! In: an open file. Out: the same facts as of a WAV file ([`Riff`]), samples to be turned from big-endian.
//! Layout: Apple, *Audio Interchange File Format: "AIFF"*, version 1.3 (1989), and the AIFF-C draft of 1991.

use super::info::{AudioFault, Cue, SampleFormat};
use super::riff::{Layout, Riff, cut_short};
use crate::error::{Located, Place};
use crate::finding::Finding;
use crate::output::in_words;
use crate::units::{SamplePos, SampleRate};
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;

type Faulty<T> = Result<T, Located<AudioFault>>;

/// Most chunks that are looked at.
const MAX_CHUNKS: usize = 1024;
/// Most bytes of a marker chunk that are read.
const MAX_NOTES: u64 = 1 << 20;

/// The order in which a file stores the bytes of a sample.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum ByteOrder {
    /// As in WAV files.
    Little,
    /// The other way round; 8-bit samples are signed.
    Big,
}

/// What the `COMM` chunk says.
struct Common {
    layout: Layout,
    frames: u64,
    order: ByteOrder,
}

/// Walks through a file that begins with `FORM` and says `AIFF` or `AIFC`.
///
/// # Errors
/// [`AudioFault`] with the byte where the file contradicts itself, ends early, or is of an unknown kind.
pub(super) fn walk<R: Read + Seek>(input: &mut R, path: &Path) -> Faulty<(Riff, ByteOrder)> {
    let length = input.seek(SeekFrom::End(0)).map_err(|e| unreadable(path, &e))?;
    let mut read = |pos: u64, n: u64| -> Faulty<Vec<u8>> {
        let mut bytes = vec![0; n.min(length.saturating_sub(pos)) as usize];
        input.seek(SeekFrom::Start(pos)).map_err(|e| unreadable(path, &e))?;
        input.read_exact(&mut bytes).map_err(|e| unreadable(path, &e))?;
        Ok(bytes)
    };
    let (mut common, mut sound, mut cues, mut repairs) = (None::<Common>, None::<(u64, u64)>, Vec::new(), Vec::new());
    let mut pos = 12u64;
    for _ in 0..MAX_CHUNKS {
        if pos + 8 > length {
            break;
        }
        let head = read(pos, 8)?;
        let (body, room, size) = (pos + 8, length - pos - 8, u64::from(be32(&head, 4)));
        match head.get(..4).unwrap_or_default() {
            b"SSND" if sound.is_none() => {
                if size > room {
                    return Err(cut_short(path, length, None));
                }
                let offset = u64::from(be32(&read(body, 8)?, 0));
                // A length of zero was never filled in: everything to the end is taken.
                let end = if size == 0 { length } else { body + size };
                let start = body.saturating_add(8).saturating_add(offset).min(end);
                sound = Some((start, end - start));
                if size == 0 {
                    break;
                }
            }
            b"COMM" if common.is_none() => {
                let parsed = Common::parse(&read(body, size.min(64))?);
                common = Some(parsed.map_err(|f| Located::at(path, Place::Byte(body), f))?);
            }
            b"MARK" => cues = markers(&read(body, size.min(MAX_NOTES))?),
            _ => {}
        }
        if size > room {
            break;
        }
        pos = body + size + (size & 1);
    }
    let Some(common) = common else {
        let what = "the file does not say how its audio is stored (no COMM part)";
        return Err(Located::at(path, Place::Byte(length), damaged(what)));
    };
    let Some((data_at, bytes)) = sound else {
        return Err(Located::at(path, Place::Byte(length), AudioFault::Empty));
    };
    let there = bytes / u64::from(common.layout.block());
    let frames = if common.frames == 0 { there } else { common.frames };
    if frames > there {
        return Err(cut_short(path, length, Some((common.layout, frames, there))));
    }
    if frames == 0 {
        return Err(Located::at(path, Place::Byte(data_at), AudioFault::Empty));
    }
    if common.frames == 0 {
        let time = SamplePos(frames).at(common.layout.rate);
        repairs.push(Finding::caution(
            path,
            format!("the file does not say how long it is; all audio in it was taken: {time} ({frames} samples)"),
            "Listen to the end of the track, then save it again from your recording program.",
        ));
    }
    Ok((Riff { layout: common.layout, data_at, frames, bext: None, cues, repairs }, common.order))
}

impl Common {
    fn parse(b: &[u8]) -> Result<Self, AudioFault> {
        if b.len() < 18 {
            return Err(damaged("the part that says how the audio is stored (COMM) is too short"));
        }
        let (channels, frames, bits) = (be16(b, 0), u64::from(be32(b, 2)), be16(b, 6));
        let kind = b.get(18..22).unwrap_or(b"NONE");
        let (float, order) = match kind {
            b"NONE" | b"twos" | b"in24" | b"in32" => (false, ByteOrder::Big),
            b"sowt" => (false, ByteOrder::Little),
            b"fl32" | b"FL32" | b"fl64" | b"FL64" => (true, ByteOrder::Big),
            other => {
                let name = String::from_utf8_lossy(other);
                return Err(AudioFault::Unsupported(format!("the samples are compressed ({name})")));
            }
        };
        let format = match (float, bits.div_ceil(8)) {
            (false, 1) => SampleFormat::Int8,
            (false, 2) => SampleFormat::Int16,
            (false, 3) => SampleFormat::Int24,
            (false, 4) => SampleFormat::Int32,
            (true, 4) => SampleFormat::Float32,
            (true, 8) => SampleFormat::Float64,
            _ => return Err(AudioFault::Unsupported(format!("{bits}-bit samples are not read"))),
        };
        if channels == 0 || channels > Layout::MAX_CHANNELS {
            let what = format!("the file has {channels} channels; 1 to {} are read", Layout::MAX_CHANNELS);
            return Err(AudioFault::Unsupported(what));
        }
        let hz = extended(b.get(8..18).unwrap_or_default());
        let rate = SampleRate::new(hz.round() as u32).ok_or_else(|| {
            AudioFault::Unsupported(format!("the sampling rate is {hz} Hz; 8,000 to 192,000 Hz are read"))
        })?;
        Ok(Self { layout: Layout { rate, channels, format }, frames, order })
    }
}

/// The positive 80-bit extended number that holds the rate (IEEE 754-1985): 15 bits of exponent, 64 of mantissa.
fn extended(b: &[u8]) -> f64 {
    let exponent = i32::from(be16(b, 0) & 0x7fff) - 16_383 - 63;
    let mantissa = u64::from(be32(b, 2)) << 32 | u64::from(be32(b, 6));
    mantissa as f64 * 2f64.powi(exponent)
}

/// The markers of a `MARK` chunk: count, then number, position and a counted name padded to even length.
fn markers(b: &[u8]) -> Vec<Cue> {
    let mut cues = Vec::new();
    let mut rest = b.get(2..).unwrap_or_default();
    for _ in 0..be16(b, 0) {
        let Some(&letters) = rest.get(6) else { break };
        let letters = usize::from(letters);
        let name = rest.get(7..).unwrap_or_default();
        let label = String::from_utf8_lossy(name.get(..letters).unwrap_or(name)).trim_end().to_owned();
        cues.push(Cue { pos: SamplePos(be32(rest, 2).into()), label });
        rest = rest.get(7 + letters + (letters + 1) % 2..).unwrap_or_default();
    }
    cues
}

fn be16(b: &[u8], at: usize) -> u16 {
    b.get(at..at + 2).and_then(|b| b.try_into().ok()).map_or(0, u16::from_be_bytes)
}

fn be32(b: &[u8], at: usize) -> u32 {
    b.get(at..at + 4).and_then(|b| b.try_into().ok()).map_or(0, u32::from_be_bytes)
}

fn unreadable(path: &Path, e: &std::io::Error) -> Located<AudioFault> {
    Located::whole(path, AudioFault::Unreadable(in_words(e)))
}

fn damaged(what: &str) -> AudioFault {
    AudioFault::Damaged {
        what: what.into(),
        remedy: "Copy the file again from where it came from, or export the track again as WAV, 24 bit.".into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::io::Cursor;

    /// 44,100 Hz as Apple's specification stores it: 40 0E AC 44, then zeros (from memory; agrees with the formula).
    #[test]
    fn the_rate_is_an_80_bit_number() {
        assert_eq!(extended(&[0x40, 0x0e, 0xac, 0x44, 0, 0, 0, 0, 0, 0]), 44_100.0);
        assert_eq!(extended(&[0x40, 0x0e, 0xbb, 0x80, 0, 0, 0, 0, 0, 0]), 48_000.0);
    }

    fn chunk(id: &[u8; 4], body: &[u8]) -> Vec<u8> {
        let mut c = [id.as_slice(), &(body.len() as u32).to_be_bytes(), body].concat();
        c.resize(c.len().next_multiple_of(2), 0);
        c
    }

    fn comm(frames: u32, kind: &[u8]) -> Vec<u8> {
        let rate = [0x40, 0x0e, 0xbb, 0x80, 0, 0, 0, 0, 0, 0];
        chunk(b"COMM", &[&[0, 1], frames.to_be_bytes().as_slice(), &[0, 24], &rate, kind].concat())
    }

    fn file(chunks: &[Vec<u8>]) -> Vec<u8> {
        [b"FORM\0\0\0\0AIFF".to_vec(), chunks.concat()].concat()
    }

    fn walked(bytes: &[u8]) -> Faulty<(Riff, ByteOrder)> {
        walk(&mut Cursor::new(bytes), Path::new("kick.aiff"))
    }

    fn sound(bytes: usize) -> Vec<u8> {
        chunk(b"SSND", &vec![0; 8 + bytes])
    }

    #[test]
    fn markers_and_either_byte_order_are_read() {
        let mark = chunk(b"MARK", b"\0\x02\0\x01\0\0\0\x05\x05verse\0\x02\0\0\0\x08\x02ab\0");
        let (riff, order) = walked(&file(&[mark, sound(30), comm(10, b"")])).unwrap();
        assert_eq!((riff.frames, order), (10, ByteOrder::Big));
        let cues: Vec<_> = riff.cues.iter().map(|c| (c.pos.0, c.label.as_str())).collect();
        assert_eq!(cues, [(5, "verse"), (8, "ab")]);
        assert_eq!(walked(&file(&[comm(10, b"sowt"), sound(30)])).unwrap().1, ByteOrder::Little);
    }

    #[test]
    fn a_file_that_contradicts_itself_is_named_for_it() {
        let says = |chunks: &[Vec<u8>]| walked(&file(chunks)).unwrap_err().to_string();
        assert!(says(&[comm(11, b""), sound(30)]).contains("cut off"));
        assert!(says(&[comm(10, b""), sound(30)[..20].to_vec()]).contains("cut off"));
        assert!(says(&[comm(10, b"ima4"), sound(30)]).contains("compressed (ima4)"));
        assert!(says(&[comm(10, b"")]).contains("no audio"));
        assert!(says(&[sound(30)]).contains("COMM"));
    }

    #[test]
    fn a_length_that_was_never_written_is_recovered_and_said() {
        let mut open = sound(30);
        open[4..8].fill(0);
        let (riff, _) = walked(&file(&[comm(0, b""), open])).unwrap();
        assert_eq!((riff.frames, riff.repairs.len()), (10, 1));
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, cases: 1000, ..ProptestConfig::default() })]

        #[test]
        fn no_mutation_makes_the_walk_fail_badly(
            edits in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..8),
        ) {
            let mut bytes = file(&[chunk(b"MARK", b"\0\x01\0\x01\0\0\0\x05\x05verse"), comm(10, b"sowt"), sound(30)]);
            for (at, value) in edits {
                let at = at.index(bytes.len());
                bytes[at] = value;
            }
            if let Ok((riff, _)) = walked(&bytes) {
                let end = riff.data_at + riff.frames * u64::from(riff.layout.block());
                prop_assert!(riff.frames > 0 && end <= bytes.len() as u64);
            }
        }
    }
}
