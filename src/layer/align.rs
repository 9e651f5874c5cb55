//! Laying each shot so that it adds to the real drum instead of taking from it.
//!
//! Attack falls on attack first. Then polarity and a lag within ±2 ms are chosen that make the sum of real drum and layer
//! strongest in the drum's low band: one answer for the whole layer, another for a shot that clearly wants it, and an own one
//! for a single stroke only where it would otherwise lose level or fall far behind. What is finally laid is rendered, tails of
//! earlier strokes included, added to the real drum and measured; that measurement is what is reported.

mod hits;
mod search;

use super::delay::STEPS;
use super::lay::{Deck, Laid, choke};
use super::set::SampleSet;
use crate::error::Result;
use crate::phase::{Band, Frames};
use crate::song::{Drum, Mic};
use crate::units::SampleRate;
use hits::{RealHit, real_hits};
use realfft::num_complex::Complex;
use search::{Candidate, Term, layer_answer};

/// Farthest that a shot is moved from the attack, ms.
pub const FARTHEST_MS: f64 = 2.0;
/// A shot gets its own answer from this much gain on, dB.
const SHOT_GAIN: f64 = 0.5;
/// A stroke gets its own answer when the common one is this much worse than its best, dB.
const STROKE_GAIN: f64 = 3.0;
/// The least that a sum must gain not to be looked at again, dB.
const NO_LOSS: f64 = 0.0;

/// A stroke to be laid.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stroke {
    /// Attack of the real stroke, frames from zero.
    pub real: u64,
    /// Where the printed stroke is to fall, frames from zero; equals `real` when printing as played.
    pub target: i64,
    /// Shot that plays it.
    pub shot: usize,
    /// Linear gain of the shot.
    pub gain: f64,
}

/// How a stroke was laid.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fit {
    /// How much later than its target the shot's attack falls, samples, a multiple of 1/16.
    pub lag: f64,
    /// +1 or −1.
    pub polarity: f64,
    /// Level of real drum and layer together against the real drum alone in the low band, dB, attack on attack and
    /// unflipped. `None` where the real drum is silent.
    pub before: Option<f64>,
    /// The same as laid, tails of earlier strokes included.
    pub after: Option<f64>,
    /// Whether the stroke has an answer of its own.
    pub own: bool,
    /// Whether the layer's earlier tails are cut at this stroke because they would have taken from it.
    pub cut_before: bool,
}

/// A whole layer, aligned.
pub struct Alignment {
    /// One for each stroke.
    pub fits: Vec<Fit>,
    /// Where each shot lies, in the order of the strokes; `attack` at the target plus the whole part of the lag.
    pub laid: Vec<Laid>,
    /// Shots moved by their fractions.
    pub deck: Deck,
    /// The low band in which sums were made, Hz; `None` without a real drum to align to.
    pub band: Option<Band>,
}

/// Aligns strokes (in order of `real`) of a layer with the real drum in `mic`; without a mic every shot stays attack on attack.
/// `lesson`: the strokes that the answers shared by many are learnt from, the same ones unless some were edited.
/// `choked` = tails end at the next stroke.
///
/// # Errors
/// [`Error::Audio`](crate::Error::Audio) when the mic cannot be read.
pub fn align(
    set: &SampleSet,
    strokes: &[Stroke],
    lesson: &[Stroke],
    mic: Option<&Mic>,
    drum: Drum,
    rate: SampleRate,
    choked: bool,
) -> Result<Alignment> {
    let used = used(set, strokes.iter());
    let frames = Frames::new(rate);
    let Some(mic) = mic.filter(|_| !strokes.is_empty()) else {
        let deck = Deck::new(set, &vec![0; set.shots.len()], &used, rate.hz_f64());
        let fits = vec![
            Fit { lag: 0.0, polarity: 1.0, before: None, after: None, own: false, cut_before: false };
            strokes.len()
        ];
        let mut laid: Vec<Laid> =
            strokes.iter().map(|s| Laid { shot: s.shot, attack: s.target, gain: s.gain as f32, stop: None }).collect();
        if choked {
            choke(&mut laid);
        }
        return Ok(Alignment { fits, laid, deck, band: None });
    };
    let (band, learnt) = real_hits(&frames, mic, lesson, drum, rate)?;
    let same = |a: &Stroke, b: &Stroke| (a.real, a.shot, a.gain.to_bits()) == (b.real, b.shot, b.gain.to_bits());
    let edited = strokes.len() != lesson.len() || !strokes.iter().zip(lesson).all(|(a, b)| same(a, b));
    let (real, learnt) =
        if edited { (real_hits(&frames, mic, strokes, drum, rate)?.1, Some((lesson, learnt))) } else { (learnt, None) };
    Ok(Job { set, strokes, frames: &frames, band, real, rate, choked }.run(&used, learnt))
}

/// Which shots of a set are played.
fn used<'s>(set: &SampleSet, strokes: impl Iterator<Item = &'s Stroke>) -> Vec<bool> {
    let mut used = vec![false; set.shots.len()];
    for s in strokes {
        if let Some(u) = used.get_mut(s.shot) {
            *u = true;
        }
    }
    used
}

struct Job<'a> {
    set: &'a SampleSet,
    strokes: &'a [Stroke],
    frames: &'a Frames,
    band: Band,
    real: Vec<RealHit>,
    rate: SampleRate,
    choked: bool,
}

impl Job<'_> {
    /// `learnt`: other strokes than the own ones to learn from, as they sound in the mic.
    fn run(mut self, used: &[bool], learnt: Option<(&[Stroke], Vec<RealHit>)>) -> Alignment {
        let most = FARTHEST_MS * self.rate.hz_f64() / 1000.0;
        let spectra = self.shot_spectra(self.strokes.iter().chain(learnt.iter().flat_map(|l| l.0)));
        let terms = self.terms(self.strokes, &self.real, &spectra);
        let others = learnt.map(|(lesson, real)| (lesson, self.terms(lesson, &real, &spectra)));
        drop(spectra);
        // The terms hold what is needed of the real strokes from here on.
        self.real.iter_mut().for_each(|r| r.bins = Vec::new());
        let (common, answers) = match &others {
            Some((lesson, terms)) => self.answers(lesson, terms, most),
            None => self.answers(self.strokes, &terms, most),
        };
        drop(others);
        let sixteenths: Vec<i64> =
            answers.iter().map(|a| (a.lag * STEPS as f64).round() as i64).map(|l| l.rem_euclid(STEPS)).collect();
        let deck = Deck::new(self.set, &sixteenths, used, self.rate.hz_f64());
        let mut fits = Vec::with_capacity(terms.len());
        let mut as_played: Vec<Laid> = Vec::with_capacity(terms.len());
        let mut buffers = Buffers::default();
        for (i, (stroke, term)) in self.strokes.iter().zip(&terms).enumerate() {
            let answer = answers.get(stroke.shot).copied().unwrap_or(common);
            let fraction = deck.sixteenths(stroke.shot) as f64 / STEPS as f64;
            let (choice, own) = search::stroke_answer(term, answer, fraction, most, STROKE_GAIN);
            let (fit, laid) = self.settle(i, term, (choice, own), fraction, &deck, &mut as_played, &mut buffers, most);
            fits.push(fit);
            as_played.push(laid);
        }
        let laid = self.at_targets(&fits, &as_played);
        Alignment { fits, laid, deck, band: Some(self.band) }
    }

    fn terms(&self, strokes: &[Stroke], real: &[RealHit], spectra: &[Vec<Complex<f32>>]) -> Vec<Term> {
        let n = self.frames.len as f64;
        let band = (self.bin(self.band.low), self.bin(self.band.high));
        let term = |(s, r): (&Stroke, &RealHit)| {
            let shot = spectra.get(s.shot).map_or(&[][..], Vec::as_slice);
            Term::new(&r.bins, shot, s.gain, band, n)
        };
        strokes.iter().zip(real).map(term).collect()
    }

    /// The answer of the whole layer, and that of every shot.
    fn answers(&self, strokes: &[Stroke], terms: &[Term], most: f64) -> (Candidate, Vec<Candidate>) {
        let all: Vec<usize> = (0..terms.len()).collect();
        let common = layer_answer(terms, &all, most, None);
        // Every shot has one lag, so one fraction; strokes with an own answer differ by whole samples.
        let of_shot = |shot: usize| {
            let own: Vec<usize> =
                all.iter().copied().filter(|&i| strokes.get(i).is_some_and(|s| s.shot == shot)).collect();
            if own.is_empty() {
                return common;
            }
            let best = layer_answer(terms, &own, most, None);
            let with_common = search::mean_gain(terms, &own, common);
            if search::mean_gain(terms, &own, best) > with_common + SHOT_GAIN { best } else { common }
        };
        (common, (0..self.set.shots.len()).map(of_shot).collect())
    }

    /// Renders a stroke as chosen, measures the sum, and chooses again where it loses: other lag or polarity first, then with
    /// the earlier tails cut.
    #[allow(clippy::too_many_arguments, reason = "one step of the loop above, split off to be read by itself")]
    fn settle(
        &self,
        i: usize,
        term: &Term,
        (choice, own): (Candidate, bool),
        fraction: f64,
        deck: &Deck,
        placed: &mut [Laid],
        buffers: &mut Buffers,
        most: f64,
    ) -> (Fit, Laid) {
        let (Some(stroke), Some(real)) = (self.strokes.get(i), self.real.get(i)) else {
            return (
                Fit { lag: 0.0, polarity: 1.0, before: None, after: None, own, cut_before: false },
                Laid { shot: 0, attack: 0, gain: 0.0, stop: None },
            );
        };
        let lay = |c: Candidate| Laid {
            shot: stroke.shot,
            attack: stroke.real as i64 + (c.lag - fraction).round() as i64,
            gain: (c.polarity * stroke.gain) as f32,
            stop: None,
        };
        if self.choked {
            let attack = lay(choice).attack;
            stop_at(placed, attack);
        }
        let (mut chosen, mut is_own, mut cut) = (choice, own, false);
        let mut tails = self.window_bins(deck, placed, real, stroke, buffers);
        let mut after = term.exact_gain(&tails, &self.window_bins(deck, &[lay(chosen)], real, stroke, buffers));
        if after.is_some_and(|g| g < NO_LOSS) {
            for attempt in 0..2 {
                if attempt == 1 {
                    stop_at(placed, stroke.real as i64);
                    cut = true;
                    tails = self.window_bins(deck, placed, real, stroke, buffers);
                }
                for candidate in search::best_with_tails(term, &tails, fraction, most) {
                    let got =
                        term.exact_gain(&tails, &self.window_bins(deck, &[lay(candidate)], real, stroke, buffers));
                    if got > after {
                        (chosen, is_own, after) = (candidate, true, got);
                    }
                    if after.is_some_and(|g| g >= NO_LOSS) {
                        break;
                    }
                }
                if after.is_some_and(|g| g >= NO_LOSS) {
                    break;
                }
            }
        }
        let laid = lay(chosen);
        let lag = (laid.attack - stroke.real as i64) as f64 + fraction;
        (
            Fit {
                lag,
                polarity: chosen.polarity,
                before: term.gain(Candidate { lag: 0.0, polarity: 1.0 }),
                after,
                own: is_own,
                cut_before: cut,
            },
            laid,
        )
    }

    /// The strokes as they are printed: at their targets, with the lags, polarities and cuts that were found as played.
    fn at_targets(&self, fits: &[Fit], as_played: &[Laid]) -> Vec<Laid> {
        let moved = self.strokes.iter().zip(as_played).map(|(s, l)| Laid {
            attack: l.attack - s.real as i64 + s.target,
            stop: None,
            ..*l
        });
        let mut laid: Vec<Laid> = moved.collect();
        if self.choked {
            choke(&mut laid);
            return laid;
        }
        for (i, _) in fits.iter().enumerate().filter(|(_, f)| f.cut_before) {
            let Some(at) = self.strokes.get(i).map(|s| s.target) else { continue };
            if let Some(earlier) = laid.get_mut(..i) {
                stop_at(earlier, at);
            }
        }
        laid
    }

    fn bin(&self, hz: f64) -> usize {
        (hz / self.frames.step).round() as usize
    }

    /// Low bins of every shot that is played, attack at the stroke, through the longest window.
    fn shot_spectra<'s>(&self, played: impl Iterator<Item = &'s Stroke>) -> Vec<Vec<Complex<f32>>> {
        let used = used(self.set, played);
        let window = self.frames.window(self.rate, hits::LEAD, hits::LONG, hits::FALL);
        let bins = hits::kept_bins(self.frames);
        let spectrum = |(i, shot): (usize, &super::set::Shot)| {
            if used.get(i) != Some(&true) {
                return Vec::new();
            }
            let mono = shot.mono();
            let mut stretch = vec![0.0f32; self.frames.len];
            let (to, from) =
                (self.frames.before.saturating_sub(shot.attack), shot.attack.saturating_sub(self.frames.before));
            for (o, s) in stretch.iter_mut().skip(to).zip(mono.iter().skip(from)) {
                *o = *s;
            }
            let mut out = self.frames.spectrum(&stretch, &window);
            out.truncate(bins);
            out
        };
        self.set.shots.iter().enumerate().map(spectrum).collect()
    }

    /// Low bins of strokes already laid, seen through the window of a real stroke.
    fn window_bins(
        &self,
        deck: &Deck,
        laid: &[Laid],
        real: &RealHit,
        stroke: &Stroke,
        buffers: &mut Buffers,
    ) -> Vec<Complex<f32>> {
        let from = stroke.real as i64 - self.frames.before as i64;
        let width = deck.channels();
        buffers.wide.clear();
        buffers.wide.resize(self.frames.len * width, 0.0);
        let slack = (2.0 * FARTHEST_MS * self.rate.hz_f64() / 1000.0) as i64 + 2;
        deck.render(laid, slack, from, &mut buffers.wide);
        buffers.mono.clear();
        buffers.mono.extend(buffers.wide.chunks_exact(width.max(1)).map(|f| f.iter().sum::<f32>() / width as f32));
        let window = hits::window(self.frames, self.rate, real.flat);
        let mut out = self.frames.spectrum(&buffers.mono, &window);
        out.truncate(hits::kept_bins(self.frames));
        out
    }
}

#[derive(Default)]
struct Buffers {
    wide: Vec<f32>,
    mono: Vec<f32>,
}

/// Ends everything laid so far at a frame, unless it ends earlier.
fn stop_at(laid: &mut [Laid], at: i64) {
    // Tails of strokes long ago have died; a shot lasts 20 s at the most, but 64 strokes back nothing audible is left to cut
    // that an earlier cut would not have caught.
    let from = laid.len().saturating_sub(64);
    for l in laid.iter_mut().skip(from) {
        l.stop = Some(l.stop.map_or(at, |s| s.min(at)));
    }
}

#[cfg(test)]
mod tests;
