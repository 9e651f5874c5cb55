//! One drum in one stretch of the take, surveyed: everything that could be a stroke, and what is known of each.
//!
//! In: a [`Stretch`] and which mics are the drum's own. Out: candidate frames with their features.

use super::bands::{BANDS, Bands};
use super::bleed::{Expected, floor, predicted_bleed};
use super::judge::{Alone, Elsewhere, FEATURES, KitVerdict, OwnMic, SHAPE, ask_the_kit, loud_stroke, total_level};
use super::novelty::{Listened, Ring, maxima, novelty};
use super::others::Others;
use super::take::Stretch;
use crate::song::{Drum, Mic};

/// Least novelty of a candidate, dB, and the frames on either side of which it is the highest.
const LEAST: f32 = 0.2;
const REACH: usize = 5;

/// Candidates no farther apart than so many frames are the same.
const SAME: usize = 4;
/// Share of the strokes known at sight that must still stand out when the other mics are heard.
const LEAST_SHARE: f32 = 0.4;

/// A drum in a stretch of the take.
pub struct Survey<'a> {
    /// The drum's main mic, which of the song's.
    pub main: usize,
    /// Powers of the drum's own mics, the main one first.
    pub power: Vec<&'a Bands>,
    /// Predicted bleed of each.
    pub bleed: Vec<Expected>,
    /// Novelty against bleed and past.
    pub curve: Vec<f32>,
    /// Candidate frames, in order.
    pub candidates: Vec<usize>,
    /// Novelty at each candidate.
    pub heights: Vec<f32>,
    /// Novelty of the main mic alone at each candidate, against floor and past.
    pub plain: Vec<f32>,
    /// What the mics of other drums can tell.
    pub others: Others,
    /// Powers of the mics of other drums.
    kit: Vec<&'a Bands>,
    /// Floor of the main mic: what is expected of it without other mics.
    floor: [f32; BANDS],
}

impl<'a> Survey<'a> {
    /// Surveys a stretch for the drum whose own mics are given by index, the main one first.
    #[must_use]
    pub fn new(mics: &[Mic], stretch: &'a Stretch, own: &[usize]) -> Self {
        let power: Vec<&Bands> = own.iter().map(|&i| &stretch.bands[i]).collect();
        let drum = own.first().map_or(Drum::Kick, |&i| mics[i].drum);
        let kit: Vec<&Bands> =
            mics.iter().zip(&stretch.bands).filter(|(m, _)| m.drum != drum).map(|(_, b)| b).collect();
        let others = Others::of(mics.iter().map(|m| m.drum).filter(|d| *d != drum));
        // First the main mic against its floor alone: its loudest strokes are the drum's own and stay out of the fit.
        let floor = power.first().map_or([0.0; BANDS], |main| floor(main));
        let plain_curve = listen(&power[..power.len().min(1)], &[Expected::steady(floor)]);
        let at_sight: Vec<usize> = maxima(&plain_curve, REACH, LEAST);
        let heights: Vec<f32> = at_sight.iter().map(|&t| plain_curve[t]).collect();
        let (bleed, curve, candidates) = if kit.is_empty() {
            let bleed = predicted_bleed(&power, &kit, &[]);
            let curve = listen(&power, &bleed);
            (bleed, curve, at_sight)
        } else {
            let heard = |known: &[usize]| {
                let bleed = predicted_bleed(&power, &kit, known);
                let curve = listen(&power, &bleed);
                let candidates = merge(&maxima(&curve, REACH, LEAST), &at_sight);
                (bleed, curve, candidates)
            };
            let main = power.first().copied();
            let known = surest(main, &at_sight, &heights);
            let (bleed, curve, candidates) = heard(&known);
            let again = surest(main, &candidates, &heights_of(&curve, &candidates));
            if mistaken(&known, &again) { heard(&again) } else { (bleed, curve, candidates) }
        };
        let heights = heights_of(&curve, &candidates);
        let plain = heights_of(&plain_curve, &candidates);
        let main = own.first().copied().unwrap_or(0);
        Self { main, power, others, kit, bleed, floor, curve, candidates, heights, plain }
    }

    /// Candidates that are the drum's own strokes beyond doubt before anything is known of it.
    #[must_use]
    pub fn sure_at_sight(&self) -> Vec<usize> {
        surest(self.power.first().copied(), &self.candidates, &self.heights)
    }

    /// What can be said of the candidates, given frames of sure strokes; whether they come from elsewhere only where that is
    /// `asked`. `None` where the drum has no mic.
    #[must_use]
    pub fn witness(&self, sure: &[usize], asked: bool) -> Option<Witness<'_>> {
        let main = *self.power.first()?;
        let clear: Vec<usize> =
            self.candidates.iter().zip(&self.plain).filter(|(_, h)| **h > 2.0).map(|(&t, _)| t).collect();
        let ring = Ring::learn(main, &clear, sure);
        let own = OwnMic { power: main, floor: self.floor, ring, loud: loud_stroke(main, sure) };
        let elsewhere = asked.then(|| Elsewhere::learn(main, &self.kit, sure)).flatten();
        let alone = Alone::new(own, &self.candidates, &self.plain);
        Some(Witness { survey: self, main, bleed: self.bleed.first()?, alone, elsewhere })
    }
}

/// What the main mic and the rest of the kit say of every candidate.
pub struct Witness<'a> {
    survey: &'a Survey<'a>,
    main: &'a Bands,
    bleed: &'a Expected,
    alone: Alone<'a>,
    elsewhere: Option<Elsewhere<'a>>,
}

impl Witness<'_> {
    /// What the main mic alone says of candidate number `i`, and what the kit.
    #[must_use]
    pub fn features(&self, i: usize) -> ([f32; FEATURES], KitVerdict) {
        let survey = self.survey;
        let (t, height, plain) = (survey.candidates[i], survey.heights[i], survey.plain[i]);
        let kit = ask_the_kit((self.main, self.bleed), survey.others, t, height, plain);
        let elsewhere = self.elsewhere.as_ref().map_or(0.0, |e| e.louder(t));
        (self.alone.features(i), KitVerdict { elsewhere, ..kit })
    }

    /// The shape of candidate number `i`, see [`Alone::shape`].
    #[must_use]
    pub fn shape(&self, i: usize) -> [f32; SHAPE] {
        self.alone.shape(i)
    }
}

fn listen(power: &[&Bands], bleed: &[Expected]) -> Vec<f32> {
    let mics: Vec<Listened> = power.iter().zip(bleed).map(|(power, bleed)| Listened { power, bleed }).collect();
    novelty(&mics)
}

/// Novelty at each candidate: the highest from two frames before to two after.
fn heights_of(curve: &[f32], candidates: &[usize]) -> Vec<f32> {
    let around =
        |&t: &usize| curve[t.saturating_sub(2)..(t + 3).min(curve.len())].iter().fold(0.0f32, |m, &v| m.max(v));
    candidates.iter().map(around).collect()
}

/// Whether most of what was taken for the drum's own strokes at sight (`known`) does not stand out any more once the other
/// mics have explained their share (`again`; both in order): then it was bleed, most of which was kept out of the fit, and
/// the rest of the kit was not allowed to explain it.
fn mistaken(known: &[usize], again: &[usize]) -> bool {
    let still = known.iter().filter(|&&t| {
        let next = again.partition_point(|&x| x + SAME < t);
        again.get(next).is_some_and(|&x| x.abs_diff(t) <= SAME)
    });
    (still.count() as f32) < LEAST_SHARE * known.len() as f32
}

/// The highest in novelty, and of those the loudest in the main mic.
fn surest(main: Option<&Bands>, candidates: &[usize], heights: &[f32]) -> Vec<usize> {
    let mut ranked = heights.to_vec();
    // The middle of the highest fortieth, ten at least.
    let highest = (heights.len() / 40).max(10).min(heights.len());
    let (Some(main), false) = (main, heights.is_empty()) else { return Vec::new() };
    let median = *ranked.select_nth_unstable_by(highest / 2, |a, b| b.total_cmp(a)).1;
    let high: Vec<usize> =
        candidates.iter().zip(heights).filter(|(_, h)| **h > 0.6 * median).map(|(&t, _)| t).collect();
    let levels: Vec<f32> = high.iter().map(|&t| total_level(main, t)).collect();
    let mut sorted = levels.clone();
    sorted.sort_unstable_by(f32::total_cmp);
    let Some(&loud) = sorted.get(sorted.len().saturating_sub(1) * 9 / 10) else { return high };
    high.into_iter().zip(levels).filter(|(_, l)| *l > loud - 10.0).map(|(t, _)| t).collect()
}

/// All of `first`, and those of `second` that are not near one of them.
fn merge(first: &[usize], second: &[usize]) -> Vec<usize> {
    let near = |t: usize| {
        let i = first.partition_point(|&x| x < t);
        first[i.saturating_sub(1)..(i + 1).min(first.len())].iter().any(|&x| x.abs_diff(t) <= REACH)
    };
    let mut all: Vec<usize> = first.iter().copied().chain(second.iter().copied().filter(|&t| !near(t))).collect();
    all.sort_unstable();
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::{AudioReader, SampleFormat, WavSpec, WavWriter};
    use crate::hits::rest::Rest;
    use crate::song::Place;
    use crate::units::SampleRate;

    #[test]
    fn strokes_that_the_other_mics_explain_were_mistaken() {
        let known: Vec<usize> = (0..20).map(|k| 100 * k).collect();
        let moved = |count: usize| -> Vec<usize> { (0..count).map(|k| 100 * k + 3).collect() };
        assert!(!mistaken(&known, &known) && !mistaken(&known, &moved(8)) && !mistaken(&[], &[]));
        assert!(mistaken(&known, &moved(7)) && mistaken(&known, &[]));
    }

    /// Powers in which a sound decays from each of the frames on, in some of the bands; every third sound 10 dB and every
    /// other third 20 dB softer.
    fn sounds(frames: usize, at: &[usize], power: f32, bands: std::ops::Range<usize>) -> Vec<[f32; BANDS]> {
        let mut rows = vec![[1e-9; BANDS]; frames];
        for (i, &t) in at.iter().enumerate() {
            let power = power * [1.0, 0.1, 0.01][i % 3];
            for (k, row) in rows[t..].iter_mut().take(60).enumerate() {
                row[bands.clone()].iter_mut().for_each(|p| *p += power * 0.8f32.powi(k as i32));
            }
        }
        rows
    }

    #[test]
    fn hats_as_loud_as_the_snare_and_thrice_as_many_are_explained_by_the_hats_mic() {
        let dir = tempfile::tempdir().unwrap();
        let mic = |name: &str, drum: Drum, place: Place| {
            let path = dir.path().join(name);
            let spec = WavSpec { rate: SampleRate::SESSION, channels: 1, format: SampleFormat::Int16 };
            let mut writer = WavWriter::create(&path, spec).unwrap();
            writer.write(&[0.0; 64]).unwrap();
            writer.finish().unwrap();
            Mic::new(name, AudioReader::open(&path).unwrap().info().clone(), drum, place)
        };
        let mics = [mic("snare_top.wav", Drum::Snare, Place::Top), mic("hat.wav", Drum::Hat, Place::Close)];
        let frames = 30_000;
        // A stroke of the snare after every three of the hat.
        let snare: Vec<usize> = (0..70).map(|k| 300 + 420 * k).collect();
        let hat: Vec<usize> = (0..210).map(|k| 400 + 420 * (k / 3) + 100 * (k % 3)).collect();
        let of = |own: f32, hats: f32| {
            let (own, hats) = (sounds(frames, &snare, own, 1..8), sounds(frames, &hat, hats, 3..11));
            let both = own.iter().zip(&hats).map(|(a, b)| std::array::from_fn(|l| a[l] + b[l]));
            Bands::from_rows(both.collect())
        };
        let bands = vec![of(0.1, 0.1), of(0.001, 3.0)];
        let end = 64 * frames as u64;
        let stretch = Stretch { range: 0..end, start: 0, end, bands, rest: vec![Rest::default(); 2] };
        let survey = Survey::new(&mics, &stretch, &[0]);
        let highest = |at: &[usize]| -> f32 {
            let near = |t: usize| at.iter().any(|&x| x.abs_diff(t) <= 8);
            let heights = survey.candidates.iter().zip(&survey.heights).filter(|(t, _)| near(**t));
            let mut heights: Vec<f32> = heights.map(|(_, h)| *h).collect();
            heights.sort_unstable_by(f32::total_cmp);
            heights[heights.len() / 2]
        };
        let (own, bleed) = (highest(&snare), highest(&hat));
        assert!(own > 5.0 && bleed < 1.0, "snare {own} dB, hat {bleed} dB");
    }
}
