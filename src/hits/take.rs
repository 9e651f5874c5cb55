//! A stretch of the take as the finder works on it: band powers of every mic, all on one frame clock.
//!
//! In: the song's mics and a range of samples. Out: [`Stretch`]. Long takes are worked off in stretches, so
//! that memory does not grow with their length.

use super::bands::{BANDS, BandAnalyser, Bands, Framing};
use super::evidence::Outline;
use super::rest::{Rest, RestMeter};
use super::rows::Rows;
use crate::audio::{LevelMeter, MonoReader, SOUND_FLOOR};
use crate::error::Result;
use crate::progress::Progress;
use crate::song::{Drum, Mic};
use rayon::prelude::*;
use std::ops::Range;

/// Most that the band powers of one stretch take up, were every mic heard at every frame.
const MEMORY: u64 = 128 << 20;
/// Longest and shortest stretch, seconds.
const LONGEST_S: u64 = 200;
const SHORTEST_S: u64 = 20;
/// What a stretch sees of its neighbours on either side, seconds.
const CONTEXT_S: u64 = 1;
/// Samples that are read at once.
pub(super) const BLOCK: usize = 1 << 14;

/// Appends the samples of a range, as far as the recording goes, less where the waveform rests.
///
/// # Errors
/// As [`MonoReader::read`].
pub(super) fn read_range(reader: &mut MonoReader, rest: Rest, range: Range<u64>, out: &mut Vec<f32>) -> Result<()> {
    let first = out.len();
    reader.read_from(range.start, range.end.saturating_sub(range.start) as usize, out)?;
    rest.take_off(&mut out[first..], range.start);
    Ok(())
}

/// The mics of one drum as indices into the song's, the main one first.
#[must_use]
pub fn own_mics(mics: &[Mic], drum: Drum) -> Vec<usize> {
    let mut own: Vec<usize> = (0..mics.len()).filter(|&i| mics[i].drum == drum).collect();
    own.sort_by_key(|&i| mics[i].place.main_rank());
    own
}

/// Cuts a take into stretches of equal length: the ranges of samples that each is answerable for.
/// Every boundary is a whole frame.
#[must_use]
pub fn stretches(samples: u64, mics: usize, framing: Framing) -> Vec<Range<u64>> {
    let rate = u64::from(framing.rate.hz());
    let hop = framing.hop as u64;
    let row = std::mem::size_of::<[f32; BANDS]>() as u64 * mics.max(1) as u64;
    let longest = (MEMORY / row * hop).clamp(SHORTEST_S * rate, LONGEST_S * rate);
    let count = samples.div_ceil(longest).max(1);
    let length = samples.div_ceil(count).div_ceil(hop) * hop;
    (0..count).map(|k| k * length..((k + 1) * length).min(samples)).filter(|r| !r.is_empty()).collect()
}

/// What is noted of a mic while it is read.
pub struct Watcher {
    /// Peak, clipping, offset.
    pub meter: LevelMeter,
    /// Its waveform for pictures, where wanted.
    pub outline: Option<Outline>,
    /// Where it rests, once that is known.
    rest: Option<Rest>,
    /// Room for the powers, to be used again: what an allocator keeps of a hundred stretches would else grow with the take.
    room: Rows,
}

impl Watcher {
    /// For a mic of which nothing is known yet.
    #[must_use]
    pub fn new(mic: &Mic, outline: Option<Outline>) -> Self {
        Self {
            meter: LevelMeter::for_findings(1, mic.info.format, SOUND_FLOOR),
            outline,
            rest: None,
            room: Rows::default(),
        }
    }

    /// Puts the powers of a mic's frames from sample `span.start` to `span.end` into `rows`, and tells where the mic rests.
    /// What lies in `range` is noted.
    ///
    /// A mic of which nothing is known is taken to rest at zero, as nearly all do, until its first seconds have told; if they
    /// tell otherwise it is heard anew.
    fn hear(
        &mut self,
        mic: &Mic,
        (span, range): (&Range<u64>, &Range<u64>),
        framing: Framing,
        rows: &mut Rows,
        progress: &dyn Progress,
    ) -> Result<Rest> {
        let mut reader = MonoReader::open_again(&mic.info, mic.channel)?;
        // Half a window earlier, so that the first frame sees what came before, and half a window after the last.
        let half = framing.window as u64 / 2;
        let lead = half.min(span.start);
        let (first, end) = (span.start - lead, span.end + half);
        let mut meter = (self.rest.is_none() && first == 0).then(|| RestMeter::new(mic.info.rate));
        let mut rest = match self.rest {
            Some(rest) => rest,
            None if meter.is_some() => Rest::default(),
            None => Rest::of(mic)?,
        };
        let mut noted = first;
        'anew: loop {
            reader.seek(first)?;
            rows.resize(0);
            let mut analyser = BandAnalyser::starting(framing, lead as usize);
            let mut at = first;
            while at < end {
                let waiting = analyser.waiting();
                let known = waiting.len();
                let n = reader.read(waiting, (end - at).min(BLOCK as u64) as usize)?;
                if n == 0 {
                    break;
                }
                let block = waiting.get_mut(known..).unwrap_or_default();
                if at == noted {
                    self.see(block, at, range);
                    progress.advance(n as u64);
                    noted += n as u64;
                }
                if let Some(told) = meter.as_mut().and_then(|meter| meter.push(block)) {
                    meter = None;
                    if told != rest {
                        rest = told;
                        continue 'anew;
                    }
                }
                rest.take_off(block, at);
                analyser.hear(rows);
                at += n as u64;
            }
            // The file is short, or the silence in front of it is longer than the stretch.
            if meter.take().is_some() {
                let told = Rest::of(mic)?;
                if told != rest {
                    rest = told;
                    continue 'anew;
                }
            }
            analyser.finish(rows);
            self.rest = Some(rest);
            return Ok(rest);
        }
    }

    fn see(&mut self, block: &[f32], at: u64, range: &Range<u64>) {
        let from = range.start.saturating_sub(at).min(block.len() as u64) as usize;
        let to = range.end.saturating_sub(at).min(block.len() as u64) as usize;
        if from < to {
            self.meter.push(&block[from..to]);
            if let Some(outline) = &mut self.outline {
                outline.push(at + from as u64, &block[from..to]);
            }
        }
    }
}

/// Band powers of every mic over one stretch and a little context. A clone shares the powers.
#[derive(Clone)]
pub struct Stretch {
    /// Samples that the stretch is answerable for.
    pub range: Range<u64>,
    /// First sample of frame 0.
    pub start: u64,
    /// Sample after the last that was read.
    pub end: u64,
    /// One for each mic, in the song's order: every frame of the main mics of drums that are found, every second one of all
    /// others, which only bear witness.
    pub bands: Vec<Bands>,
    /// Where each mic's waveform rests when nothing sounds; taken off before anything is heard.
    pub rest: Vec<Rest>,
}

impl Stretch {
    /// Reads the mics. A mic that ends early is silent from there on. What lies in the range is also shown to each
    /// mic's `meters` and drawn in its `outlines`.
    ///
    /// # Errors
    /// [`Error::Audio`](crate::Error::Audio) when a mic cannot be read.
    pub fn read(
        mics: &[Mic],
        range: Range<u64>,
        samples: u64,
        framing: Framing,
        watchers: &mut [Watcher],
        progress: &dyn Progress,
    ) -> Result<Self> {
        let hop = framing.hop as u64;
        let context = CONTEXT_S * u64::from(framing.rate.hz()) / hop * hop;
        let start = range.start.saturating_sub(context);
        let end = (range.end + context).min(samples);
        let mains: Vec<usize> =
            Drum::FOUND.into_iter().filter_map(|drum| own_mics(mics, drum).first().copied()).collect();
        let heard = mics
            .par_iter()
            .zip(watchers.par_iter_mut())
            .enumerate()
            .map(|(i, (mic, watcher))| {
                let main = mains.contains(&i);
                let framing = if main { framing } else { framing.sparse() };
                let frames = framing.frames(end - start);
                // The analyser ends half a window after the last frame.
                let room = frames + framing.window / framing.hop + 2;
                let mut rows = std::mem::take(&mut watcher.room).cleared(room);
                let rest = watcher.hear(mic, (&(start..end), &range), framing, &mut rows, progress)?;
                rows.resize(frames);
                Ok((Bands::heard(rows, !main), rest))
            })
            .collect::<Result<Vec<_>>>()?;
        let (bands, rest) = heard.into_iter().unzip();
        Ok(Self { range, start, end, bands, rest })
    }

    /// Leaves the room that the powers took to the watchers, for the next stretch.
    pub fn clear(self, watchers: &mut [Watcher]) {
        for (watcher, bands) in watchers.iter_mut().zip(self.bands) {
            watcher.room = bands.into_room();
        }
    }

    /// The stretch as far as sample `end` of the take; `None` where it begins later.
    #[must_use]
    pub fn before(&self, end: u64, framing: Framing) -> Option<Self> {
        if end <= self.start {
            return None;
        }
        let mut out = self.clone();
        if end < self.end {
            let frames = framing.frames(end - self.start);
            out.bands.iter_mut().for_each(|bands| *bands = bands.first(frames));
            out.end = end;
            out.range.end = out.range.end.min(end);
            out.range.start = out.range.start.min(out.range.end);
        }
        Some(out)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::{AudioReader, SampleFormat, WavSpec, WavWriter};
    use crate::progress::Quiet;
    use crate::song::Place;
    use crate::units::SampleRate;

    #[test]
    fn stretches_cover_the_take_without_gap_or_overlap() {
        let framing = Framing::new(SampleRate::SESSION);
        for (samples, mics) in [(1, 1), (48_000 * 240, 28), (48_000 * 8 * 3600, 28), (48_000 * 8 * 3600, 1)] {
            let all = stretches(samples, mics, framing);
            assert_eq!(all[0].start, 0);
            assert_eq!(all.last().unwrap().end, samples);
            assert!(all.windows(2).all(|w| w[0].end == w[1].start && w[0].end % 64 == 0));
            let longest = all.iter().map(|r| r.end - r.start).max().unwrap();
            assert!(longest / 64 * 44 * mics as u64 <= MEMORY + (1 << 20));
        }
    }

    #[test]
    fn a_mic_that_does_not_rest_at_zero_is_heard_as_if_that_had_been_known_and_noted_once() {
        let dir = tempfile::tempdir().unwrap();
        let framing = Framing::new(SampleRate::SESSION);
        // Shorter and longer than what tells the rest; behind silence, and behind more than the stretch has.
        for (silent, length) in [(0, 100_000), (0, 400_000), (9_000, 400_000), (300_000, 400_000)] {
            let wave = |i: usize| ((i * 7919) % 2_003) as f32 / 4_006.0 - 0.25;
            let samples = |offset: f32| -> Vec<f32> {
                (0..silent).map(|_| 0.0).chain((0..length).map(|i| wave(i) + offset)).collect()
            };
            let stretch = |offset: f32, rest: Option<Rest>| {
                let path = dir.path().join(format!("snare_{silent}_{length}_{offset}.wav"));
                let spec = WavSpec { rate: SampleRate::SESSION, channels: 1, format: SampleFormat::Float32 };
                let mut writer = WavWriter::create(&path, spec).unwrap();
                writer.write(&samples(offset)).unwrap();
                writer.finish().unwrap();
                let mic = Mic::new("snare", AudioReader::open(&path).unwrap().info().clone(), Drum::Snare, Place::Top);
                let mut watchers = [Watcher { rest, ..Watcher::new(&mic, None) }];
                let all = mic.info.frames;
                let heard = Stretch::read(&[mic], 0..all.min(290_000), all, framing, &mut watchers, &Quiet).unwrap();
                let [watcher] = watchers;
                (heard.bands, heard.rest[0], watcher.meter.finish().frames)
            };
            let (bands, rest, noted) = stretch(0.1, None);
            assert!((rest.level - 0.1).abs() < 1e-3 && rest.from == silent as u64, "{rest:?}");
            assert_eq!((bands, rest, noted), stretch(0.1, Some(rest)));
            let (bands, rest, noted) = stretch(0.0, None);
            assert_eq!(rest, Rest::default());
            assert_eq!((bands, rest, noted), stretch(0.0, Some(rest)));
        }
    }

    #[test]
    fn a_stretchs_powers_go_into_the_room_of_the_one_before() {
        let dir = tempfile::tempdir().unwrap();
        let mic = |name: &str, drum: Drum, place: Place| {
            let path = dir.path().join(name);
            let spec = WavSpec { rate: SampleRate::SESSION, channels: 1, format: SampleFormat::Int24 };
            let mut writer = WavWriter::create(&path, spec).unwrap();
            writer
                .write(&(0..480_000u64).map(|i| ((i * 7919) % 2_003) as f32 / 3_000.0 - 0.3).collect::<Vec<_>>())
                .unwrap();
            writer.finish().unwrap();
            Mic::new(name, AudioReader::open(&path).unwrap().info().clone(), drum, place)
        };
        let mics = [mic("snare_top.wav", Drum::Snare, Place::Top), mic("hat.wav", Drum::Hat, Place::Close)];
        let framing = Framing::new(SampleRate::SESSION);
        let mut watchers: Vec<Watcher> = mics.iter().map(|mic| Watcher::new(mic, None)).collect();
        let mut rooms = Vec::new();
        for range in [96_000..192_000, 192_000..288_000, 288_000..384_000] {
            let stretch = Stretch::read(&mics, range, 480_000, framing, &mut watchers, &Quiet).unwrap();
            rooms.push(stretch.bands.iter().map(|b| b.rows().as_ptr()).collect::<Vec<_>>());
            stretch.clear(&mut watchers);
        }
        assert!(rooms.iter().all(|room| *room == rooms[0]));
    }
}
