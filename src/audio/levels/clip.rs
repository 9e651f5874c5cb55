//! Clipped places: where a wave was held at full scale.
//!
//! In: the samples of a channel, block by block, and where its full scale lies. Out: [`Clipping`].

use crate::units::SamplePos;
use serde::Serialize;

/// Samples in a row at full scale that count as clipped; a single one may be a true peak (common practice).
pub const CLIP_RUN: u64 = 3;
/// Shorter places count as well once more than this many of them differ in shape. A recording that was normalised to
/// full scale reaches it once, at its highest peak; that another peak falls into the same step is a matter of chance,
/// and a small one (a step of 16 bits is 0.0003 dB). A sample that is played again and again, normalised as a whole,
/// reaches it at every stroke, but always with the same samples around: one shape, and no more than eight where
/// dither moves each of two neighbours over the edge of its cell, in places of one sample and of two. What a
/// converter cuts off looks different every time. Single samples that stand alone, 10 ms from the next short place, are
/// of no shape.
pub const SHORT_SHAPES: usize = 8;
/// Single samples at full scale stand in company when the next short place is no further away than this, samples (10 ms at
/// 48 kHz). A one-shot that was normalised reaches full scale once, however many different ones are played; a stroke that
/// was cut off swings, and gets there again at once. Where each of many strokes loses a single sample and no more
/// (a shaker 0.6 dB too loud), the two cannot be told apart, and it counts as peaks; at 1 dB it is in company.
const NEAR: u64 = 480;
/// Cells of a neighbour's height, for a unit.
const CELLS: f32 = 1024.0;
/// Full scale from which short places are looked at: the top step of 8 bits, 0.07 dB, holds many a peak.
const FINE: f32 = 0.999;

/// Places at full scale: [`CLIP_RUN`] or more samples in a row, and shorter ones where more than [`SHORT_SHAPES`] of
/// them differ and do not stand alone.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Clipping {
    /// How many places, over all channels.
    pub runs: u64,
    /// How many samples they hold together.
    pub samples: u64,
    /// Length of the longest.
    pub longest: u64,
    /// Where the first begins.
    pub first: Option<SamplePos>,
}

impl Clipping {
    /// Of whole channels whose full scale lies at `full`.
    pub(crate) fn of(channels: &[Vec<f32>], full: f32) -> Self {
        let mut all: Vec<Clips> = vec![Clips::new(full); channels.len()];
        for (clips, x) in all.iter_mut().zip(channels) {
            clips.push(x);
            clips.end(0.0);
        }
        Clips::joined(&all.iter().collect::<Vec<_>>())
    }

    fn add(&mut self, run: u64, begins: u64) {
        let one = Self { runs: 1, samples: run, longest: run, first: Some(SamplePos(begins)) };
        *self = self.and(one);
    }

    fn and(self, other: Self) -> Self {
        Self {
            runs: self.runs + other.runs,
            samples: self.samples + other.samples,
            longest: self.longest.max(other.longest),
            first: match (self.first, other.first) {
                (Some(a), Some(b)) => Some(a.min(b)),
                (a, b) => a.or(b),
            },
        }
    }
}

/// Length of a short place and cells of the samples before and behind it.
type Shape = (u64, i32, i32);

/// Gathers the clipped places of one channel.
#[derive(Clone, Debug, Default)]
pub(super) struct Clips {
    full: f32,
    pos: u64,
    /// Samples at full scale that the last block ended with.
    run: u64,
    /// The sample before the run; outside one, the last sample.
    before: f32,
    long: Clipping,
    short: Clipping,
    /// Different short ones, no more than are asked for.
    shapes: Vec<Shape>,
    /// End and shape of the last short one.
    last: Option<(u64, Shape)>,
}

impl Clips {
    pub fn new(full: f32) -> Self {
        Self { full, ..Self::default() }
    }

    /// Takes the next samples.
    pub fn push(&mut self, block: &[f32]) {
        for (i, s) in block.iter().enumerate() {
            if s.abs() >= self.full {
                self.run += 1;
            } else {
                self.end_at(self.pos + i as u64, *s);
                self.before = *s;
            }
        }
        self.pos += block.len() as u64;
    }

    /// Takes the next samples, of which the highest is `peak`; quick where none of them is at full scale.
    pub fn push_up_to(&mut self, block: &[f32], peak: f32) {
        if peak >= self.full || self.run > 0 {
            return self.push(block);
        }
        self.before = block.last().copied().unwrap_or(self.before);
        self.pos += block.len() as u64;
    }

    /// Ends a run that the last sample belongs to; `after` is what follows.
    pub fn end(&mut self, after: f32) {
        self.end_at(self.pos, after);
    }

    fn end_at(&mut self, end: u64, after: f32) {
        let run = std::mem::take(&mut self.run);
        match run {
            0 => {}
            CLIP_RUN.. => self.long.add(run, end - run),
            _ => {
                self.short.add(run, end - run);
                let cell = |s: f32| (s * CELLS).round() as i32;
                let shape = (run, cell(self.before), cell(after));
                let near = self.last.replace((end, shape)).filter(|(last, _)| end - run - last <= NEAR);
                if run > 1 || near.is_some() {
                    self.keep(shape);
                }
                near.into_iter().for_each(|(_, before)| self.keep(before));
            }
        }
    }

    fn keep(&mut self, shape: Shape) {
        if self.full >= FINE && self.shapes.len() <= SHORT_SHAPES && !self.shapes.contains(&shape) {
            self.shapes.push(shape);
        }
    }

    /// The clipped places of all channels of a file.
    pub fn joined(channels: &[&Self]) -> Clipping {
        let mut shapes: Vec<Shape> = channels.iter().flat_map(|c| c.shapes.iter().copied()).collect();
        shapes.sort_unstable();
        shapes.dedup();
        let short = shapes.len() > SHORT_SHAPES;
        let of = |c: &&Self| if short { c.long.and(c.short) } else { c.long };
        channels.iter().map(of).fold(Clipping::default(), Clipping::and)
    }
}
