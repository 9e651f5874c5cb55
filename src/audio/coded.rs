//! Samples of FLAC and MP3 files, decoded packet by packet.

use super::info::{AudioFault, AudioInfo, SampleFormat};
use super::plain::not_a_number;
use super::{pcm, riff};
use crate::error::{Located, Place};
use crate::output::in_words;
use crate::units::SampleRate;
use std::fs::File;
use std::path::Path;
use symphonia::core::audio::GenericAudioBufferRef;
use symphonia::core::codecs::CodecParameters;
use symphonia::core::codecs::audio::{AudioCodecParameters, AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error as CodecError;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, FormatReader, TrackType};
use symphonia::core::io::{MediaSourceStream, MediaSourceStreamOptions};
use symphonia::core::meta::MetadataOptions;

/// Kinds of file that are decoded, told by their first bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    Flac,
    Mp3,
}

impl Kind {
    /// From the first 12 bytes; a file with an ID3 tag in front counts as MP3 until decoded.
    pub fn of(head: &[u8]) -> Option<Self> {
        match head {
            [b'f', b'L', b'a', b'C', ..] => Some(Self::Flac),
            [b'I', b'D', b'3', ..] => Some(Self::Mp3),
            [0xff, b, ..] if b & 0xe0 == 0xe0 && b & 0x06 != 0 && b & 0x18 != 0x08 => Some(Self::Mp3),
            _ => None,
        }
    }
}

/// What stays at hand of what was decoded, milliseconds, so that small steps back need no new beginning.
const KEPT_MS: usize = 100;

/// A decoded file, open at some frame.
pub(super) struct CodedSource {
    demuxer: Box<dyn FormatReader>,
    decoder: Box<dyn AudioDecoder>,
    track: u32,
    format: SampleFormat,
    rate: SampleRate,
    channels: usize,
    frames: u64,
    /// Frame that the next call gives.
    pos: u64,
    /// Frame behind the last decoded packet.
    decoded: u64,
    /// Decoded samples, as far as they are at hand: of one kind or the other.
    ready: Vec<i32>,
    ready_float: Vec<f32>,
    /// How many of them lie before `pos`.
    taken: usize,
    packet: Vec<i32>,
    packet_float: Vec<f32>,
}

struct Opened {
    demuxer: Box<dyn FormatReader>,
    track: u32,
    params: AudioCodecParameters,
    /// Frames without what the encoder added, where the file says so.
    frames: Option<u64>,
    /// Whether the file says how many frames its encoder put in front.
    says_delay: bool,
}

impl Opened {
    /// A decoder that leaves out what the encoder added, but only where the file says how much that is: symphonia
    /// would otherwise cut an MP3 at a length that it estimated.
    fn decoder(&self, path: &Path) -> Result<Box<dyn AudioDecoder>, Located<AudioFault>> {
        let options = AudioDecoderOptions::default().gapless(self.says_delay);
        let made = symphonia::default::get_codecs().make_audio_decoder(&self.params, &options);
        made.map_err(|e| Located::whole(path, fault(&e)))
    }
}

impl CodedSource {
    /// Opens a file and stands at its first frame. Where the file does not say how long it is (and for MP3,
    /// where it only estimates), its packets are counted first.
    pub fn open(path: &Path, kind: Kind) -> Result<(Self, AudioInfo), Located<AudioFault>> {
        let opened = probe(path)?;
        let params = &opened.params;
        let hz = params.sample_rate.unwrap_or(0);
        let rate = SampleRate::new(hz).ok_or_else(|| {
            let what = format!("the sampling rate is {hz} Hz; 8,000 to 192,000 Hz are read");
            Located::whole(path, AudioFault::Unsupported(what))
        })?;
        let channels = params.channels.as_ref().map_or(0, |c| c.count());
        if channels == 0 || channels > usize::from(riff::Layout::MAX_CHANNELS) {
            let what = format!("the file has {channels} channels; 1 to {} are read", riff::Layout::MAX_CHANNELS);
            return Err(Located::whole(path, AudioFault::Unsupported(what)));
        }
        let frames = match opened.frames.filter(|_| kind != Kind::Mp3) {
            Some(n) => n,
            None => count(path)?,
        };
        if frames == 0 {
            return Err(Located::whole(path, AudioFault::Empty));
        }
        let decoder = opened.decoder(path)?;
        let format = stored(kind, params, &decoder.last_decoded());
        let info = AudioInfo {
            path: path.to_owned(),
            rate,
            channels: channels as u16,
            frames,
            format,
            bext: None,
            cues: Vec::new(),
            repairs: Vec::new(),
        };
        let source = Self {
            demuxer: opened.demuxer,
            decoder,
            track: opened.track,
            format,
            rate,
            channels,
            frames,
            pos: 0,
            decoded: 0,
            ready: Vec::new(),
            ready_float: Vec::new(),
            taken: 0,
            packet: Vec::new(),
            packet_float: Vec::new(),
        };
        Ok((source, info))
    }

    /// Appends up to `frames` frames, interleaved; gives how many.
    pub fn read(&mut self, out: &mut Vec<f32>, frames: usize, path: &Path) -> Result<usize, Located<AudioFault>> {
        let want = (self.frames - self.pos).min(frames as u64) as usize;
        let mut left = want * self.channels;
        while left > 0 {
            self.refill(path)?;
            let n;
            if self.is_float() {
                let ready = self.ready_float.get(self.taken..).unwrap_or_default();
                n = ready.len().min(left);
                out.extend_from_slice(ready.get(..n).unwrap_or_default());
            } else {
                let ready = self.ready.get(self.taken..).unwrap_or_default();
                n = ready.len().min(left);
                out.extend(ready.iter().take(n).map(|&v| v as f32 * (1.0 / 2_147_483_648.0)));
            }
            self.take(n);
            left -= n;
        }
        Ok(want)
    }

    /// Appends up to `frames` frames of stored integers, interleaved; gives how many.
    pub fn read_ints(&mut self, out: &mut Vec<i32>, frames: usize, path: &Path) -> Result<usize, Located<AudioFault>> {
        let want = (self.frames - self.pos).min(frames as u64) as usize;
        let shift = 32 - u32::from(self.format.bits());
        let mut left = want * self.channels;
        while left > 0 {
            self.refill(path)?;
            let ready = self.ready.get(self.taken..).unwrap_or_default();
            let n = ready.len().min(left);
            out.extend(ready.iter().take(n).map(|&v| v >> shift));
            self.take(n);
            left -= n;
        }
        Ok(want)
    }

    /// Goes to a frame by decoding up to it: exact in every format. Backwards by more than a tenth of a second opens the file
    /// anew.
    pub fn seek(&mut self, frame: u64, path: &Path) -> Result<(), Located<AudioFault>> {
        let frame = frame.min(self.frames);
        let back = self.pos.saturating_sub(frame).saturating_mul(self.channels as u64);
        if back <= self.taken as u64 {
            self.taken -= back as usize;
            self.pos = self.pos.min(frame);
        } else {
            let opened = probe(path)?;
            self.decoder = opened.decoder(path)?;
            self.demuxer = opened.demuxer;
            self.track = opened.track;
            (self.pos, self.decoded, self.taken) = (0, 0, 0);
            self.ready.clear();
            self.ready_float.clear();
        }
        while self.pos < frame {
            self.refill(path)?;
            let ready = self.ready.len().max(self.ready_float.len()) - self.taken;
            let n = (frame - self.pos).min((ready / self.channels) as u64) as usize;
            self.take(n * self.channels);
        }
        Ok(())
    }

    fn is_float(&self) -> bool {
        matches!(self.format, SampleFormat::Float32 | SampleFormat::Float64 | SampleFormat::Lossy)
    }

    fn take(&mut self, samples: usize) {
        self.taken += samples;
        self.pos += (samples / self.channels) as u64;
    }

    /// Lets go of what lies further back than is kept.
    fn forget(&mut self) {
        let kept = KEPT_MS * self.rate.hz() as usize / 1000 * self.channels;
        let old = self.taken.saturating_sub(kept);
        self.ready.drain(..old.min(self.ready.len()));
        self.ready_float.drain(..old.min(self.ready_float.len()));
        self.taken -= old;
    }

    /// Sees to it that at least one decoded frame is ready.
    fn refill(&mut self, path: &Path) -> Result<(), Located<AudioFault>> {
        while self.taken >= self.ready.len().max(self.ready_float.len()) {
            let here = Place::Frame(self.decoded);
            let packet = match self.demuxer.next_packet() {
                Ok(Some(p)) => p,
                Ok(None) => return Err(Located::at(path, here, cut_off())),
                Err(e) => return Err(Located::at(path, here, fault(&e))),
            };
            if packet.track_id != self.track {
                continue;
            }
            let gap = u64::try_from(packet.pts.get()).is_ok_and(|at| at > self.decoded);
            if gap && self.format != SampleFormat::Lossy {
                return Err(Located::at(path, here, damaged("a part of the audio is unreadable")));
            }
            let float = self.is_float();
            self.forget();
            let buffer = self.decoder.decode(&packet).map_err(|e| Located::at(path, here.clone(), fault(&e)))?;
            let spec = buffer.spec();
            if spec.rate() != self.rate.hz() || spec.channels().count() != self.channels {
                return Err(Located::at(path, here, damaged("the rate or the number of channels changes here")));
            }
            let frames = buffer.frames() as u64;
            if float {
                buffer.copy_to_vec_interleaved::<f32>(&mut self.packet_float);
                if let Some(bad) = pcm::first_not_finite(&self.packet_float) {
                    return Err(not_a_number(path, self.decoded + (bad / self.channels) as u64, self.rate));
                }
                self.ready_float.extend_from_slice(&self.packet_float);
            } else {
                buffer.copy_to_vec_interleaved::<i32>(&mut self.packet);
                self.ready.extend_from_slice(&self.packet);
            }
            self.decoded += frames;
        }
        Ok(())
    }
}

fn probe(path: &Path) -> Result<Opened, Located<AudioFault>> {
    let file = File::open(path).map_err(|e| Located::whole(path, AudioFault::Unreadable(in_words(&e))))?;
    let stream = MediaSourceStream::new(Box::new(file), MediaSourceStreamOptions::default());
    let (options, notes) = (FormatOptions::default(), MetadataOptions::default());
    let demuxer = symphonia::default::get_probe()
        .probe(&Hint::new(), stream, options, notes)
        .map_err(|e| Located::whole(path, fault(&e)))?;
    let Some(track) = demuxer.default_track(TrackType::Audio) else {
        return Err(Located::whole(path, AudioFault::NotAudio("it holds no audio track".into())));
    };
    let Some(CodecParameters::Audio(params)) = track.codec_params.clone() else {
        return Err(Located::whole(path, AudioFault::NotAudio("its kind of audio is unknown".into())));
    };
    let (track, frames, says_delay) = (track.id, track.num_frames.filter(|n| *n > 0), track.delay.is_some());
    Ok(Opened { demuxer, track, params, frames, says_delay })
}

/// Frames of a file by its packets' time stamps, which begin below zero where the encoder put frames in front.
fn count(path: &Path) -> Result<u64, Located<AudioFault>> {
    let mut opened = probe(path)?;
    // The packets' own lengths do not tell reliably whether the encoder's frames are in them; their steps do.
    let (mut last, mut step) = (None::<i64>, 0);
    loop {
        match opened.demuxer.next_packet() {
            Ok(Some(p)) if p.track_id == opened.track => {
                let at = p.pts.get();
                step = last.map_or_else(|| i64::try_from(p.dur.get()).unwrap_or(0), |l| at.saturating_sub(l));
                last = Some(at);
            }
            Ok(Some(_)) => {}
            Ok(None) => break,
            Err(CodecError::IoError(e)) if e.kind() == std::io::ErrorKind::UnexpectedEof => break,
            Err(e) => {
                let at = u64::try_from(last.unwrap_or(0)).unwrap_or(0);
                return Err(Located::at(path, Place::Frame(at), fault(&e)));
            }
        }
    }
    let end = last.map_or(0, |l| u64::try_from(l.saturating_add(step)).unwrap_or(0));
    Ok(opened.frames.filter(|_| opened.says_delay).map_or(end, |n| n.min(end)))
}

/// How the file stores samples: the container that holds its bits.
fn stored(kind: Kind, params: &AudioCodecParameters, decoded: &GenericAudioBufferRef<'_>) -> SampleFormat {
    use GenericAudioBufferRef as D;
    if kind == Kind::Mp3 && params.bits_per_sample.is_none() {
        return SampleFormat::Lossy;
    }
    let container = match decoded {
        D::F32(_) => return SampleFormat::Float32,
        D::F64(_) => return SampleFormat::Float64,
        D::U8(_) | D::S8(_) => 8,
        D::U16(_) | D::S16(_) => 16,
        D::U24(_) | D::S24(_) => 24,
        D::U32(_) | D::S32(_) => 32,
    };
    match params.bits_per_sample.unwrap_or(container) {
        0..=8 => SampleFormat::Int8,
        9..=16 => SampleFormat::Int16,
        17..=24 => SampleFormat::Int24,
        _ => SampleFormat::Int32,
    }
}

fn fault(e: &CodecError) -> AudioFault {
    match e {
        CodecError::IoError(e) if e.kind() == std::io::ErrorKind::UnexpectedEof => cut_off(),
        CodecError::IoError(e) => AudioFault::Unreadable(in_words(e)),
        CodecError::Unsupported(_) => AudioFault::NotAudio("its kind of audio is not read".into()),
        _ => damaged("the audio is damaged here"),
    }
}

fn cut_off() -> AudioFault {
    damaged("the file is cut off: it holds less audio than it promises")
}

fn damaged(what: &str) -> AudioFault {
    AudioFault::Damaged {
        what: what.into(),
        remedy: "Copy the file again from where it came from, or export the track again as WAV, 24 bit.".into(),
    }
}
