//! What can be measured of a file in one pass: peak, RMS, offset from zero, clipping, where sound begins and ends.
//!
//! In: blocks of interleaved samples, of any size; the result does not depend on how they are cut.
//! Out: [`Levels`], and the [`Finding`]s that they give rise to.

mod clip;

use super::{AudioInfo, AudioReader, SampleFormat, pcm};
use crate::error::Result;
use crate::finding::Finding;
use crate::units::{Dbfs, SamplePos, SampleRate};
use crate::wide::wide;
use clip::Clips;
pub use clip::{CLIP_RUN, Clipping, SHORT_SHAPES};
use pulp::Arch;
use serde::Serialize;

/// A file whose peak stays below this holds no stroke: −60 dBFS (common practice).
pub const SILENT_BELOW: Dbfs = Dbfs(-60.0);
/// Sound begins and ends where a sample passes this, unless another floor is asked for: −60 dBFS.
pub const SOUND_FLOOR: Dbfs = SILENT_BELOW;
/// An offset from zero above this is worth a caution: −50 dBFS, 0.3 % of full scale (common practice).
pub const OFFSET_ABOVE: Dbfs = Dbfs(-50.0);

/// First and last sample that is louder than a floor.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Extent {
    /// The first.
    pub first: SamplePos,
    /// The last, included.
    pub last: SamplePos,
}

/// The levels of one file.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Levels {
    /// Frames that were measured.
    pub frames: u64,
    /// Highest absolute sample of all channels.
    pub peak: Dbfs,
    /// Where it is first reached.
    pub peak_at: SamplePos,
    /// Root of the mean square of all channels, re 1.0: a full-scale sine reads −3.01, as in no AES17 meter.
    pub rms: Dbfs,
    /// Mean of the channel whose mean lies furthest from zero, 1.0 = full scale.
    pub offset: f64,
    /// Clipped places.
    pub clipping: Clipping,
    /// Where there is sound; `None` when nothing is louder than the floor.
    pub sound: Option<Extent>,
    /// Whether a file of two or more channels holds the same samples in all of them.
    pub same_channels: bool,
}

impl Levels {
    /// Measures a whole file from where the reader stands, with the floor at [`SOUND_FLOOR`].
    ///
    /// # Errors
    /// As [`AudioReader::read`].
    pub fn of(reader: &mut AudioReader) -> Result<Self> {
        let mut meter = LevelMeter::new(reader.info().channels, reader.info().format, SOUND_FLOOR);
        let mut block = Vec::new();
        while reader.read(&mut block, 1 << 14)? > 0 {
            meter.push(&block);
        }
        Ok(meter.finish())
    }

    /// The offset from zero as a level.
    #[must_use]
    pub fn offset_level(&self) -> Dbfs {
        Dbfs::from_peak(self.offset.abs())
    }

    /// What is worth looking at: silence, clipping, floats over full scale, an offset from zero.
    #[must_use]
    pub fn findings(&self, info: &AudioInfo) -> Vec<Finding> {
        let path = &info.path;
        let mut found = Vec::new();
        if self.peak.0 < SILENT_BELOW.0 {
            let what = if self.peak == Dbfs::SILENCE {
                "the whole file is silent".into()
            } else {
                format!("nothing in this file is louder than {}; it sounds silent", self.peak)
            };
            let remedy = "Check that the right track was exported, or leave the file out if this mic was not used.";
            found.push(Finding::caution(path, what, remedy));
        }
        if self.peak.0 > 0.0 {
            let what = format!(
                "the audio goes {:.1} dB over full scale (first highest at {}); saved as 16 or 24 bit it would clip",
                self.peak.0,
                place(self.peak_at, info.rate)
            );
            found.push(Finding::caution(path, what, "Turn the track down before you export it again."));
        }
        found.extend(self.clipped(info));
        let offset = self.offset_level();
        if offset.0 > OFFSET_ABOVE.0 {
            let percent = self.offset * 100.0;
            let what = format!("the waveform does not rest at zero but at {percent:+.2} % of full scale ({offset})");
            let remedy = "Take the offset out with a high-pass filter below 20 Hz, and check the converter's input.";
            found.push(Finding::caution(path, what, remedy));
        }
        found
    }

    /// The caution on clipped places; `None` without any, and for floats over full scale, of which those tell.
    #[must_use]
    pub fn clipped(&self, info: &AudioInfo) -> Option<Finding> {
        let Clipping { runs, longest, first, .. } = self.clipping;
        let first = first.filter(|_| self.peak.0 <= 0.0)?;
        let times = if runs == 1 { "in 1 place".into() } else { format!("in {runs} places") };
        let samples = if longest == 1 { "1 sample".into() } else { format!("{longest} samples") };
        let what =
            format!("the recording clips {times}, first at {}; the longest is {samples}", place(first, info.rate));
        let remedy = "Listen there; if it is heard, use another take, and record with less gain next time.";
        Some(Finding::caution(&info.path, what, remedy))
    }
}

fn place(pos: SamplePos, rate: SampleRate) -> String {
    format!("{} (sample {pos})", pos.at(rate))
}

/// Measures [`Levels`] block by block.
#[derive(Clone, Debug)]
pub struct LevelMeter {
    channels: Vec<ChannelMeter>,
    one: Vec<f32>,
    same: bool,
}

impl LevelMeter {
    /// A meter for interleaved samples of a file that stores them in `format` (which says where full scale lies).
    /// Sound is what is louder than `floor`. No channels count as one.
    #[must_use]
    pub fn new(channels: u16, format: SampleFormat, floor: Dbfs) -> Self {
        let clips = Clips::new(top(format));
        let meter = ChannelMeter { floor: floor.peak() as f32, clips, ..ChannelMeter::default() };
        Self { channels: vec![meter; usize::from(channels.max(1))], one: Vec::new(), same: channels > 1 }
    }

    /// The same without the root mean square, which no finding asks for: it stays at silence.
    #[must_use]
    pub fn for_findings(channels: u16, format: SampleFormat, floor: Dbfs) -> Self {
        let mut meter = Self::new(channels, format, floor);
        meter.channels.iter_mut().for_each(|channel| channel.unsquared = true);
        meter
    }

    /// Takes the next samples, interleaved, whole frames. Cost: about a nanosecond a sample.
    pub fn push(&mut self, samples: &[f32]) {
        let n = self.channels.len();
        if let [only] = self.channels.as_mut_slice() {
            return only.push(samples);
        }
        self.same = self.same && samples.chunks_exact(n).all(|f| f.iter().all(|s| s == &f[0]));
        for (c, meter) in self.channels.iter_mut().enumerate() {
            self.one.clear();
            self.one.extend(samples.iter().skip(c).step_by(n));
            meter.push(&self.one);
        }
    }

    /// The levels of all that was pushed.
    #[must_use]
    pub fn finish(mut self) -> Levels {
        let (mut peak, mut peak_at) = (0.0f32, 0);
        let (mut square, mut count) = (0.0, 0);
        let (mut offset, mut sound) = (0.0f64, None::<(u64, u64)>);
        for c in &mut self.channels {
            c.clips.end(0.0);
            if c.peak > peak || (c.peak == peak && c.peak_at < peak_at) {
                (peak, peak_at) = (c.peak, c.peak_at);
            }
            square += c.squares.iter().sum::<f64>();
            count += c.pos;
            let mean = c.sums.iter().sum::<f64>() / c.pos.max(1) as f64;
            if mean.abs() > offset.abs() {
                offset = mean;
            }
            if let Some((first, last)) = c.sound {
                let (f, l) = sound.unwrap_or((first, last));
                sound = Some((f.min(first), l.max(last)));
            }
        }
        Levels {
            frames: self.channels.first().map_or(0, |c| c.pos),
            peak: Dbfs::from_peak(f64::from(peak)),
            peak_at: SamplePos(peak_at),
            rms: Dbfs::from_peak((square / count.max(1) as f64).sqrt()),
            offset,
            clipping: Clips::joined(&self.channels.iter().map(|c| &c.clips).collect::<Vec<_>>()),
            sound: sound.map(|(first, last)| Extent { first: SamplePos(first), last: SamplePos(last) }),
            same_channels: self.same && count > 0,
        }
    }
}

/// The highest positive sample of a format. Floats mostly come from 24-bit converters, so theirs is taken.
fn top(format: SampleFormat) -> f32 {
    let full = pcm::full_scale(if format.is_integer() { format } else { SampleFormat::Int24 });
    ((full - 1.0) / full) as f32
}

/// Sums are kept in this many lanes, by position in the file: so they vectorise, and any cut into blocks gives
/// the same bits. More than a register holds, so that while one waits for its last sum the others are added to.
const LANES: usize = 16;

#[derive(Clone, Debug, Default)]
struct ChannelMeter {
    floor: f32,
    pos: u64,
    peak: f32,
    peak_at: u64,
    sums: [f64; LANES],
    squares: [f64; LANES],
    /// Whether squares are left out.
    unsquared: bool,
    clips: Clips,
    sound: Option<(u64, u64)>,
}

impl ChannelMeter {
    fn push(&mut self, block: &[f32]) {
        let peak = self.sum(block);
        if peak > self.peak {
            let at = block.iter().position(|s| s.abs() == peak).unwrap_or(0);
            (self.peak, self.peak_at) = (peak, self.pos + at as u64);
        }
        self.clips.push_up_to(block, peak);
        if peak > self.floor {
            let last = self.pos + last_above(block, self.floor) as u64;
            let first = match self.sound {
                Some((first, _)) => first,
                None => self.pos + block.iter().position(|s| s.abs() > self.floor).unwrap_or(0) as u64,
            };
            self.sound = Some((first, last));
        }
        self.pos += block.len() as u64;
    }

    /// Adds up a block; gives its highest absolute sample.
    fn sum(&mut self, block: &[f32]) -> f32 {
        let lane = (self.pos % LANES as u64) as usize;
        let (head, rest) = block.split_at(block.len().min((LANES - lane) % LANES));
        for (s, l) in head.iter().zip(lane..) {
            self.add(*s, l);
        }
        let (rows, tail) = rest.as_chunks::<LANES>();
        let mut peaks = [0.0; LANES];
        let totals = (&mut self.sums, &mut self.squares, &mut peaks);
        let squared = !self.unsquared;
        wide!(
            Arch::new(),
            add_up(rows: &'a [[f32; LANES]] = rows, totals: Totals<'a> = totals, squared: bool = squared)
        );
        for (l, s) in tail.iter().enumerate() {
            self.add(*s, l);
        }
        head.iter().chain(tail).chain(&peaks).fold(0.0, |m: f32, x| if x.abs() > m { x.abs() } else { m })
    }

    fn add(&mut self, sample: f32, lane: usize) {
        let x = f64::from(sample);
        if let (Some(sum), Some(square)) = (self.sums.get_mut(lane), self.squares.get_mut(lane)) {
            *sum += x;
            *square += if self.unsquared { 0.0 } else { x * x };
        }
    }
}

/// Samples that are looked at together in search of the last loud one.
const LOOK: usize = 256;

/// Index of the last sample whose absolute value is above a floor; 0 for none.
fn last_above(block: &[f32], floor: f32) -> usize {
    let mut end = block.len();
    for part in block.rchunks(LOOK) {
        let begins = end - part.len();
        if block_peak(part) > floor {
            return begins + part.iter().rposition(|s| s.abs() > floor).unwrap_or(0);
        }
        end = begins;
    }
    0
}

/// Highest absolute sample of a block; 0 for none.
fn block_peak(block: &[f32]) -> f32 {
    wide!(Arch::new(), highest(block: &'a [f32] = block) -> f32)
}

/// Sums, sums of squares and highest absolute values, lane by lane.
type Totals<'a> = (&'a mut [f64; LANES], &'a mut [f64; LANES], &'a mut [f32; LANES]);

/// Adds samples and, where wanted, their squares, lane by lane, and keeps the highest.
#[inline(always)]
fn add_up(rows: &[[f32; LANES]], (all_sums, all_squares, all_peaks): Totals<'_>, squared: bool) {
    let (mut sums, mut squares, mut peaks) = (*all_sums, *all_squares, *all_peaks);
    for row in rows {
        for l in 0..LANES {
            let (x, size) = (f64::from(row[l]), row[l].abs());
            sums[l] += x;
            if squared {
                squares[l] += x * x;
            }
            peaks[l] = if size > peaks[l] { size } else { peaks[l] };
        }
    }
    (*all_sums, *all_squares, *all_peaks) = (sums, squares, peaks);
}

#[inline(always)]
fn highest(block: &[f32]) -> f32 {
    let (chunks, tail) = block.as_chunks::<16>();
    let mut lanes = [0.0f32; 16];
    for c in chunks {
        for (m, x) in lanes.iter_mut().zip(c) {
            let a = x.abs();
            *m = if a > *m { a } else { *m };
        }
    }
    lanes.iter().chain(tail).fold(0.0, |m: f32, x| if x.abs() > m { x.abs() } else { m })
}

#[cfg(test)]
mod tests;
