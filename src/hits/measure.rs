//! Exact time and level of strokes, from the samples of the drum's main mic.
//!
//! In: the recording and the coarse positions of strokes. Out: the sample of each attack, the levels around it, and what it is like.

use super::attack::{AFTER_MS, AttackCalibration, AttackTimer, BEFORE_MS, Crossings};
use super::carry::Carrier;
use super::likeness::{Clear, Exemplars, LEAST, Likeness, Sketch};
use super::rest::Rest;
use super::take::read_range;
use crate::audio::MonoReader;
use crate::error::Result;
use crate::song::{Drum, Mic};
use crate::units::{SampleRate, Seconds};
use std::collections::BTreeMap;
use std::ops::Range;

/// The peak of a stroke lies in its first 12 ms; a kick's in its first 20, for half a cycle of its low note takes that long.
const PEAK_WITHIN: Seconds = Seconds(0.012);
/// See [`PEAK_WITHIN`].
const KICK_PEAK_WITHIN: Seconds = Seconds(0.020);
/// Samples before the attack that may hold the peak already, 0.5 ms.
const PEAK_FROM: Seconds = Seconds(0.0005);

/// What is taken for bleed before a stroke, 8 ms to 1 ms before its attack.
const BEFORE_FROM: Seconds = Seconds(0.008);
/// See [`BEFORE_FROM`].
const BEFORE_TO: Seconds = Seconds(0.001);
/// What is as high before a stroke, as a share of its peak, is carried on under it.
const RINGS: f32 = 0.03;

/// Likeness from which two strokes are of the same kind.
const SAME_KIND: f32 = 0.9;

/// How much earlier a stroke is looked at again that is under way where its look begins.
const EARLIER: Seconds = Seconds(0.005);
/// Likeness that counts there, and how much less it may be than at the first look.
const LEAST_EARLIER: f32 = 0.7;
/// See [`LEAST_EARLIER`].
const LESS_LIKE: f32 = 0.03;

/// A candidate that is unlike the clear strokes is looked at again so much earlier: on a ring the novelty is highest late.
const MUCH_EARLIER: Seconds = Seconds(0.008);
/// Likeness that a closer look must add to count, and by how much more an earlier one must be alike than one without the ring.
const BETTER: f32 = 0.1;
/// See [`BETTER`].
const BETTER_EARLIER: f32 = 0.05;

/// How far a crossing may lie from where the likeness to clear strokes puts the attack.
const AGREE: Seconds = Seconds(0.0006);

/// Highest absolute sample of a stroke's beginning, and just before it; 1.0 = full scale.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Levels {
    /// Of its beginning.
    pub peak: f32,
    /// Before it.
    pub before: f32,
}

/// The samples of a recording that tell of a stroke's strength.
#[derive(Clone, Debug, PartialEq)]
pub struct Span {
    /// Just before it.
    pub quiet: Range<u64>,
    /// Among which its peak lies.
    pub beginning: Range<u64>,
}

impl Span {
    /// From the first to the last.
    #[must_use]
    pub fn whole(&self) -> Range<u64> {
        self.quiet.start..self.beginning.end
    }

    /// Levels among `samples`, the first of which has the number `from`; 0 where there are none.
    #[must_use]
    pub fn levels(&self, from: u64, samples: &[f32]) -> Levels {
        let highest = |range: &Range<u64>| {
            let index = |sample: u64| (sample.saturating_sub(from) as usize).min(samples.len());
            let samples = samples.get(index(range.start)..index(range.end)).unwrap_or_default();
            samples.iter().fold(0.0f32, |m, v| m.max(v.abs()))
        };
        Levels { peak: highest(&self.beginning), before: highest(&self.quiet) }
    }
}

/// A measured stroke.
#[derive(Clone, Debug, PartialEq)]
pub struct Measured {
    /// First sample of the attack.
    pub pos: u64,
    /// Where its strength is told.
    pub span: Span,
    /// Levels there.
    pub seen: Levels,
    /// What it is like; `None` where there are too few clear strokes.
    pub like: Option<Likeness>,
}

/// Strokes of a drum's main mic under the glass: what the samples around each say.
pub struct Glass {
    reader: MonoReader,
    rate: SampleRate,
    looks: Vec<Look>,
    window: Vec<f32>,
    rest: Rest,
    peak_within: Seconds,
    /// Whether the drum may begin with a slow rise.
    slow: bool,
    timer: AttackTimer,
}

/// One stroke under the glass.
struct Look {
    number: usize,
    /// Coarse position.
    at: u64,
    /// The same, samples after the sketch's first.
    inside: f32,
    crossings: Crossings,
    sketch: Sketch,
}

/// Where a stroke begins, what it is like, and the look that tells if it is not the first.
struct Beginning {
    pos: u64,
    like: Option<Likeness>,
    earlier: Option<Look>,
}

impl Glass {
    /// Looks at strokes given by coarse positions, samples in order; `rest` is where the waveform rests.
    ///
    /// # Errors
    /// As [`MonoReader::read`].
    pub fn look(mic: &Mic, rest: Rest, coarse: &[u64], rate: SampleRate) -> Result<Self> {
        let reader = MonoReader::open_again(&mic.info, mic.channel)?;
        let peak_within = if mic.drum == Drum::Kick { KICK_PEAK_WITHIN } else { PEAK_WITHIN };
        let slow = mic.drum == Drum::Kick;
        let looks = Vec::with_capacity(coarse.len());
        let timer = AttackTimer::new(rate, slow);
        let mut glass = Self { reader, rate, looks, window: Vec::new(), rest, peak_within, slow, timer };
        for (number, &at) in coarse.iter().enumerate() {
            let look = glass.look_at(at, number)?;
            glass.looks.push(look);
        }
        Ok(glass)
    }

    fn look_at(&mut self, at: u64, number: usize) -> Result<Look> {
        let samples = |ms: f64| self.rate.samples(Seconds::from_ms(ms));
        let (before, after) = (samples(BEFORE_MS), samples(AFTER_MS));
        let from = self.read(at.saturating_sub(before)..at.saturating_sub(before) + before + after)?;
        let crossings = self.timer.crossings(&self.window, (at - from) as usize);
        Ok(Look { number, at, inside: (at - from) as f32, crossings, sketch: self.timer.sketch() })
    }

    /// What those strokes teach that are `known` to be the drum's own; `loud` tells which are loud.
    #[must_use]
    pub fn learn(&self, known: &[bool], loud: &[bool]) -> Lesson {
        let teachers = || self.looks.iter().zip(known).zip(loud).filter(|((_, known), _)| **known);
        let sure: Vec<&Crossings> = teachers().filter(|(_, loud)| **loud).map(|((l, _), _)| &l.crossings).collect();
        let known: Vec<&Crossings> = teachers().map(|((l, _), _)| &l.crossings).collect();
        let calibration = AttackCalibration::learn(&sure, &known, self.rate, self.slow);
        let clear: Vec<Clear> = teachers()
            .filter_map(|((l, _), &loud)| {
                let begins = l.inside + calibration.clear_attack(&l.crossings)?;
                Some(Clear {
                    number: l.number,
                    sketch: &l.sketch,
                    begins,
                    loud,
                    rises: calibration.rises(&l.crossings),
                    peak: l.crossings.peak(),
                })
            })
            .collect();
        let exemplars = Exemplars::choose(&clear, self.rate);
        Lesson { calibration, exemplars, agree: self.rate.samples(AGREE) as f32, likes: BTreeMap::new() }
    }

    /// How like the drum's clear strokes the stroke of number `i` is, −1..=1; `None` where there are too few.
    #[must_use]
    pub fn likeness(&self, lesson: &mut Lesson, i: usize) -> Option<f32> {
        self.looks.get(i).and_then(|look| lesson.like(look)).map(|l| l.score)
    }

    /// Looks closer at those strokes of the given numbers that are unlike the clear ones: without what rings under them, and a little
    /// earlier. What is then more like them counts from there on.
    ///
    /// # Errors
    /// As [`MonoReader::read`].
    pub fn look_closer(&mut self, lesson: &mut Lesson, numbers: impl Iterator<Item = usize>) -> Result<()> {
        let mut carrier = Carrier::new(self.rate);
        for i in numbers {
            self.look_closer_at(lesson, &mut carrier, i)?;
        }
        Ok(())
    }

    fn look_closer_at(&mut self, lesson: &mut Lesson, carrier: &mut Carrier, i: usize) -> Result<()> {
        let Some(look) = self.looks.get(i) else { return Ok(()) };
        let Some(seen) = lesson.like(look).filter(|seen| seen.score < LEAST) else { return Ok(()) };
        let (at, number) = (look.at.saturating_sub(self.rate.samples(MUCH_EARLIER)), look.number);
        let earlier = self.look_at(at, number)?;
        let here = lesson.more_alike(carrier, &self.looks[i], seen);
        let before = lesson.compare(&earlier).map(|like| lesson.more_alike(carrier, &earlier, like));
        let counts = |like: &Likeness| like.score >= LEAST && like.score > seen.score + BETTER;
        match before.filter(|before| counts(before) && before.score > here.score + BETTER_EARLIER) {
            Some(before) => {
                self.looks[i] = earlier;
                lesson.likes.insert(number, Some(before));
            }
            None if counts(&here) => drop(lesson.likes.insert(number, Some(here))),
            None => {}
        }
        Ok(())
    }

    /// Time, levels and likeness of the strokes of the given numbers, in their order.
    ///
    /// # Errors
    /// As [`MonoReader::read`].
    pub fn measure(&mut self, lesson: &mut Lesson, numbers: &[usize]) -> Result<Vec<Measured>> {
        let mut out = Vec::with_capacity(numbers.len());
        let mut carrier = Carrier::new(self.rate);
        for &i in numbers {
            let begins = self.begins(lesson, i)?;
            let span = self.span(begins.pos);
            let seen = self.levels(&span)?;
            let like = begins.like.map(|like| {
                let look = begins.earlier.as_ref().unwrap_or(&self.looks[i]);
                if seen.before < RINGS * seen.peak { like } else { lesson.without_ring(&mut carrier, look, like) }
            });
            out.push(Measured { pos: begins.pos, span, seen, like });
        }
        Ok(out)
    }

    /// Where stroke number `i` begins, and what it is like. One that is under way where its look begins, as a ghost is whose
    /// wires answer late, is looked at again a little earlier; there it must be about as like the clear strokes.
    fn begins(&mut self, lesson: &mut Lesson, i: usize) -> Result<Beginning> {
        let look = &self.looks[i];
        let like = lesson.like(look);
        let pos = lesson.attack(look, like.as_ref(), LEAST);
        // A kick's slow rise is followed back anyway.
        if self.slow || !look.crossings.under_way(self.rate) {
            return Ok(Beginning { pos, like, earlier: None });
        }
        let (at, number) = (look.at.saturating_sub(self.rate.samples(EARLIER)), look.number);
        let earlier = self.look_at(at, number)?;
        let least = like.as_ref().map_or(0.0, |like| like.score - LESS_LIKE).max(LEAST_EARLIER);
        Ok(match lesson.compare(&earlier).filter(|like| like.score >= least) {
            Some(alike) => {
                let pos = lesson.attack(&earlier, Some(&alike), LEAST_EARLIER);
                Beginning { pos, like: Some(alike), earlier: Some(earlier) }
            }
            None => Beginning { pos, like, earlier: None },
        })
    }

    /// Where the strength of a stroke at `pos` is told.
    fn span(&self, pos: u64) -> Span {
        let n = |seconds: Seconds| self.rate.samples(seconds);
        let begins = pos.saturating_sub(n(PEAK_FROM));
        let quiet = pos.saturating_sub(n(BEFORE_FROM))..pos.saturating_sub(n(BEFORE_TO));
        Span { quiet, beginning: begins..begins + n(PEAK_FROM + self.peak_within) }
    }

    /// Levels of a stroke as recorded: 0 before it where the recording has not begun there.
    fn levels(&mut self, span: &Span) -> Result<Levels> {
        let from = self.read(span.whole())?;
        Ok(span.levels(from, &self.window))
    }

    /// Puts the samples of a range into the window; returns where they begin. Nothing beyond the end.
    fn read(&mut self, range: Range<u64>) -> Result<u64> {
        let from = range.start;
        self.window.clear();
        read_range(&mut self.reader, self.rest, range, &mut self.window)?;
        Ok(from)
    }
}

/// What a take's own clear strokes teach about how this drum begins.
pub struct Lesson {
    calibration: AttackCalibration,
    exemplars: Exemplars,
    agree: f32,
    /// How like the clear strokes those are that were compared with them, by their numbers.
    likes: BTreeMap<usize, Option<Likeness>>,
}

impl Lesson {
    /// Compares a stroke with the clear ones, once.
    fn like(&mut self, look: &Look) -> Option<Likeness> {
        if let Some(known) = self.likes.get(&look.number) {
            return *known;
        }
        let like = self.compare(look);
        self.likes.insert(look.number, like);
        like
    }

    /// The same without remembering it.
    fn compare(&self, look: &Look) -> Option<Likeness> {
        self.exemplars.best(look.number, &look.sketch, look.inside - self.calibration.coarse())
    }

    /// What a stroke is like once what rang before is taken off, if that makes it more alike and leaves its time as it was.
    fn without_ring(&self, carrier: &mut Carrier, look: &Look, like: Likeness) -> Likeness {
        let clearer = self.more_alike(carrier, look, like);
        if (clearer.begins - like.begins).abs() < self.agree { clearer } else { like }
    }

    /// The same whatever it does to its time.
    fn more_alike(&self, carrier: &mut Carrier, look: &Look, like: Likeness) -> Likeness {
        let sketch = carrier.freed(&look.sketch, like.begins);
        let clearer = sketch.and_then(|sketch| self.exemplars.best_near(look.number, &sketch, like.begins));
        clearer.filter(|c| c.score > like.score).unwrap_or(like)
    }

    /// First sample of a stroke. Where its likeness to clear strokes, if it is above `least`, says that it begins later than its
    /// crossing, bleed reached the mic first, and the likeness counts; earlier only where the crossing is not clear. Where the
    /// low end's rise leads up to the beginning that the likeness gives, only a stroke of the same kind may contradict it.
    fn attack(&self, look: &Look, like: Option<&Likeness>, least: f32) -> u64 {
        let mut attack = self.calibration.attack(&look.crossings);
        let creeps = |l: &Likeness| self.calibration.first_move(&look.crossings, l.begins - look.inside).is_some();
        if let Some(like) = like.filter(|l| l.score > if creeps(l) { SAME_KIND } else { least }) {
            let later = like.begins - look.inside - attack;
            let clear = self.calibration.clear_attack(&look.crossings).is_some();
            if later > self.agree || (!clear && later < -self.agree) {
                attack = like.begins - look.inside;
            }
        }
        (look.at as f64 + f64::from(attack)).round().max(0.0) as u64
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::{AudioReader, SampleFormat, WavSpec, WavWriter};
    use crate::hits::strength::peaks;
    use crate::song::Place;

    #[test]
    fn what_comes_before_a_stroke_at_the_start_of_a_file_is_not_the_stroke_itself() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("snare_top.wav");
        let spec = WavSpec { rate: SampleRate::SESSION, channels: 1, format: SampleFormat::Int24 };
        let mut writer = WavWriter::create(&path, spec).unwrap();
        // Rest at a thousandth, then the stroke at 3 ms.
        let x: Vec<f32> = (0..4800).map(|i| if i < 144 { 0.001 } else { 0.5 }).collect();
        writer.write(&x).unwrap();
        writer.finish().unwrap();
        let mic = Mic::new("snare_top", AudioReader::open(&path).unwrap().info().clone(), Drum::Snare, Place::Top);
        let mut glass = Glass::look(&mic, Rest::default(), &[144], SampleRate::SESSION).unwrap();
        for (pos, before) in [(0, 0.0), (20, 0.0), (144, 0.001)] {
            let span = glass.span(pos);
            assert!((glass.levels(&span).unwrap().before - before).abs() < 1e-5, "{pos}");
        }
        let span = glass.span(144);
        assert!((glass.levels(&span).unwrap().peak - 0.5).abs() < 1e-5);
    }

    /// Strokes of a snare of 190 Hz, each with its first sample and level, and how they are timed whose coarse positions are
    /// so many samples late.
    fn timed(strokes: &[(usize, f32, u64)]) -> Vec<u64> {
        measured(strokes).iter().map(|m| m.pos).collect()
    }

    /// The same with their levels.
    fn measured(strokes: &[(usize, f32, u64)]) -> Vec<Measured> {
        let (mut glass, mut lesson) = looked_at(strokes, strokes.len());
        let all: Vec<usize> = (0..strokes.len()).collect();
        glass.measure(&mut lesson, &all).unwrap()
    }

    /// The same strokes under the glass, and what the first so many of them teach.
    fn looked_at(strokes: &[(usize, f32, u64)], known: usize) -> (Glass, Lesson) {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("snare_top.wav");
        let spec = WavSpec { rate: SampleRate::SESSION, channels: 1, format: SampleFormat::Int24 };
        let mut x = vec![0.0f32; 200_000];
        for &(begins, level, _) in strokes {
            for (k, v) in x[begins..].iter_mut().take(6_000).enumerate() {
                let t = k as f32 / 48_000.0;
                *v += level * (-t / 0.03).exp() * (std::f32::consts::TAU * 190.0 * t + 0.5).sin();
            }
        }
        let mut writer = WavWriter::create(&path, spec).unwrap();
        writer.write(&x).unwrap();
        writer.finish().unwrap();
        let mic = Mic::new("snare_top", AudioReader::open(&path).unwrap().info().clone(), Drum::Snare, Place::Top);
        let coarse: Vec<u64> = strokes.iter().map(|&(begins, _, late)| begins as u64 + late).collect();
        let glass = Glass::look(&mic, Rest::default(), &coarse, SampleRate::SESSION).unwrap();
        let loud: Vec<bool> = strokes.iter().map(|&(_, level, _)| level > 0.3).collect();
        let known: Vec<bool> = (0..strokes.len()).map(|i| i < known).collect();
        let lesson = glass.learn(&known, &loud);
        (glass, lesson)
    }

    #[test]
    fn a_ghost_whose_coarse_position_is_9_ms_late_is_timed_where_it_begins() {
        let mut strokes: Vec<(usize, f32, u64)> = (0..9).map(|k| (9_000 + 17_003 * k, 0.8, 60)).collect();
        strokes.push((185_000, 0.05, 432));
        for (found, (begins, ..)) in timed(&strokes).iter().zip(&strokes) {
            assert!(found.abs_diff(*begins as u64) <= 10, "{found} for {begins}");
        }
    }

    #[test]
    fn a_candidate_that_lies_too_late_to_be_recognised_is_at_a_closer_look() {
        let mut strokes: Vec<(usize, f32, u64)> = (0..9).map(|k| (9_000 + 17_003 * k, 0.8, 60)).collect();
        // As loud, and its coarse position 13 ms late.
        strokes.push((185_000, 0.8, 624));
        let (mut glass, mut lesson) = looked_at(&strokes, 9);
        let before = glass.likeness(&mut lesson, 9).unwrap();
        glass.look_closer(&mut lesson, 9..10).unwrap();
        let after = glass.likeness(&mut lesson, 9).unwrap();
        assert!(before < LEAST && after > 0.95, "{before}, then {after}");
        let found = glass.measure(&mut lesson, &[9]).unwrap()[0].pos;
        assert!(found.abs_diff(185_000) <= 10, "{found}");
    }

    #[test]
    fn a_stroke_on_the_ring_of_a_louder_one_has_the_level_it_has_alone() {
        let mut strokes: Vec<(usize, f32, u64)> = (0..9).map(|k| (9_000 + 17_003 * k, 0.8, 60)).collect();
        // One 30 ms after a loud one, whose ring is then thrice as loud as it is, and one alone. Held against the clear strokes
        // with the ring still under it, it would be 0.3 dB too loud.
        strokes.insert(5, (strokes[4].0 + 1_440, 0.08, 60));
        strokes.push((165_000, 0.08, 60));
        let found = peaks(&measured(&strokes), &[]);
        let off = 20.0 * (found[5] / found[10]).log10();
        assert!(off.abs() < 0.05, "{off} dB");
    }
}
