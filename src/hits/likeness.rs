//! Likeness: strokes of one drum begin alike, so a stroke that bleed blurs is timed by those that stand clear.
//!
//! In: sketches of a take's strokes and where the clear ones begin. Out: for any sketch the time at which it is most
//! like one of the clear strokes, and how like it is.
//!
//! The measure is the normalised cross-correlation (Knapp and Carter 1976, IEEE Trans. ASSP 24(4), for the use of
//! correlation as an estimate of delay) in a few bands, each weighted by how far it stands above what went before.

use crate::units::SampleRate;
use crate::wide::wide;
use pulp::{Arch, Simd, WithSimd};

/// Bands of a sketch.
pub const BANDS: usize = super::attack::VIEWS;
/// Rate that sketches are kept at, Hz, or the next above that divides the recording's.
const RATE_HZ: u32 = 12_000;
/// What is compared of a stroke before and after its beginning, ms.
const BEFORE_MS: f64 = 1.5;
const AFTER_MS: f64 = 6.0;
/// How far from the expected beginning a stroke may lie, and how far from a known one, ms.
const REACH_MS: f64 = 5.25;
/// See [`REACH_MS`].
const NEAR_MS: f64 = 1.25;
/// Most strokes that others are compared with.
const MOST: usize = 32;
/// Most of them that rise slowly.
const MOST_RISING: usize = 8;
/// Fewest clear strokes for a comparison to mean anything.
const FEWEST: usize = 3;
/// Two clear strokes so alike must agree in time, within so many ms.
const ALIKE: f32 = 0.85;
const AGREE_MS: f64 = 0.5;
/// How many of its nearest likes vote on a clear stroke.
const VOTERS: usize = 3;
/// How many of its nearest likes time a stroke, and how much less alike than the nearest they may be.
const TIMERS: usize = 5;
const NEARLY: f32 = 0.1;
/// A stroke that is less alike than the nearest by this has 1/e of its say about the level.
const FADES: f32 = 0.02;
/// One that is less alike by this has no say at all: 1/e¹⁰.
const HEARD: f32 = 10.0 * FADES;
/// Least likeness that counts against a crossing.
pub const LEAST: f32 = 0.75;

/// A stroke and its surroundings in a few bands, at a low rate.
#[derive(Clone, Debug)]
pub struct Sketch {
    rows: [Vec<f32>; BANDS],
    step: f32,
}

impl Sketch {
    /// Samples of the recording for each value of a sketch.
    #[must_use]
    pub fn step(rate: SampleRate) -> usize {
        (rate.hz() / RATE_HZ).max(1) as usize
    }

    /// From bands of a stretch of the recording, already limited to half the sketch's rate.
    #[must_use]
    pub fn new(bands: &[Vec<f32>; BANDS], rate: SampleRate) -> Self {
        let step = Self::step(rate);
        Self { rows: std::array::from_fn(|v| bands[v].iter().copied().step_by(step).collect()), step: step as f32 }
    }

    fn len(&self) -> usize {
        self.rows[0].len()
    }

    /// The full band, and how many samples of the recording each of its values stands for.
    pub(super) fn full(&self) -> (&[f32], f32) {
        (&self.rows[0], self.step)
    }

    /// The same without `other`, which begins at index `from` of every band.
    pub(super) fn without(&self, from: usize, other: impl Iterator<Item = [f32; BANDS]>) -> Self {
        let mut out = self.clone();
        for (k, values) in other.enumerate() {
            for (row, value) in out.rows.iter_mut().zip(values) {
                if let Some(x) = row.get_mut(from + k) {
                    *x -= value;
                }
            }
        }
        out
    }

    /// Root mean square of a stretch of each band.
    fn rms(&self, from: usize, to: usize) -> [f32; BANDS] {
        std::array::from_fn(|v| {
            let row = &self.rows[v];
            let s = row.get(from.min(to)..to.min(row.len())).unwrap_or(&[]);
            (s.iter().map(|x| x * x).sum::<f32>() / s.len().max(1) as f32).sqrt() + 1e-12
        })
    }

    /// Root mean square of each band before the stroke at `at`.
    fn before(&self, at: usize, n: &Lengths) -> [f32; BANDS] {
        self.rms(at.saturating_sub(n.ms(12.0)), at.saturating_sub(n.ms(4.0)))
    }

    /// Share of each band in the comparison: 0.3 to 12 dB above what went `before` the stroke at `at`, of the sum.
    fn shares(&self, at: usize, before: &[f32; BANDS], n: &Lengths) -> [f32; BANDS] {
        let stroke = self.rms(at.saturating_sub(n.ms(1.0)), at + n.ms(6.0));
        let shares: [f32; BANDS] =
            std::array::from_fn(|v| (20.0 * (stroke[v] / before[v]).log10() - 3.0).clamp(0.3, 12.0));
        let sum: f32 = shares.iter().sum();
        shares.map(|s| s / sum)
    }

    /// How many times an exemplar's amplitude the stretch from index `from` on has, `aside` of a value later: the best
    /// linear estimate, each band weighted by the inverse of the power that was `before`.
    fn gain(&self, e: &Exemplar, from: usize, aside: f32, before: &[f32; BANDS]) -> f32 {
        let (mut heard, mut known) = ([0.0f32; 3], 0.0);
        for v in 0..BANDS {
            let weight = e.norms[v] / (before[v] * before[v]);
            known += weight * e.norms[v];
            for (i, heard) in heard.iter_mut().enumerate() {
                let from = (from + i).saturating_sub(1);
                *heard += weight * dot(self.rows[v].get(from..from + e.bands[v].len()).unwrap_or(&[]), &e.bands[v]);
            }
        }
        // The parabola through the three, `aside` of its middle.
        let [a, b, c] = heard;
        (b + 0.5 * aside * (c - a) + 0.5 * aside * aside * (a - 2.0 * b + c)) / known
    }
}

/// Lengths in values of a sketch.
struct Lengths {
    hz: f64,
}

impl Lengths {
    fn of(rate: SampleRate) -> Self {
        Self { hz: rate.hz_f64() / Sketch::step(rate) as f64 }
    }

    fn ms(&self, ms: f64) -> usize {
        (ms * 1e-3 * self.hz).round() as usize
    }
}

/// A stroke whose beginning stands clear.
#[derive(Clone, Copy, Debug)]
pub struct Clear<'a> {
    /// Its number among the strokes looked at.
    pub number: usize,
    /// Its sketch.
    pub sketch: &'a Sketch,
    /// Its beginning, samples of the recording after the sketch's first.
    pub begins: f32,
    /// Its peak, 1.0 = full scale.
    pub peak: f32,
    /// Whether it is one of the take's loud ones.
    pub loud: bool,
    /// Whether it begins with a slow rise: no bleed does, so it needs nobody to vouch for it.
    pub rises: bool,
}

/// The beginning of a clear stroke, each band at unit energy.
struct Exemplar {
    bands: [Vec<f32>; BANDS],
    /// What each band was divided by.
    norms: [f32; BANDS],
    /// Number and peak of the stroke.
    number: usize,
    peak: f32,
    /// Its beginning lies so many samples of the recording after the value that stands for it.
    rest: f32,
}

/// How like the strokes that stand clear something is, where and how strong.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Likeness {
    /// Weighted normalised correlation, −1..=1.
    pub score: f32,
    /// Beginning, samples of the recording after the sketch's first.
    pub begins: f32,
    /// Its peak, 1.0 = full scale, what rings underneath left out.
    pub peak: f32,
}

/// The clear strokes of a take, to compare others with.
pub struct Exemplars {
    all: Vec<Exemplar>,
    lengths: Lengths,
    step: f32,
    arch: Arch,
}

impl Exemplars {
    /// Chooses up to 32 of the given clear strokes, half of them loud and up to eight that rise slowly, evenly over the
    /// take, and drops those that their likes contradict.
    #[must_use]
    pub fn choose(clear: &[Clear], rate: SampleRate) -> Self {
        let mut out =
            Self { all: Vec::new(), lengths: Lengths::of(rate), step: Sketch::step(rate) as f32, arch: Arch::new() };
        let of = |wanted: fn(&Clear) -> bool| clear.iter().filter(|c| wanted(c)).collect::<Vec<_>>();
        let mut chosen = evenly(&of(|c| c.rises), MOST_RISING);
        let (loud, soft) = (of(|c| c.loud && !c.rises), of(|c| !c.loud && !c.rises));
        let loud_share = (MOST / 2).max(MOST.saturating_sub(soft.len()));
        chosen.extend(evenly(&loud, loud_share.min(MOST - chosen.len())));
        chosen.extend(evenly(&soft, MOST - chosen.len()));
        let (mut from, mut exemplars) = (Vec::new(), Vec::new());
        for c in chosen {
            if let Some(e) = out.exemplar(c) {
                from.push(*c);
                exemplars.push(e);
            }
        }
        out.all = exemplars;
        let trusted = out.trusted(&from);
        let mut trusted = trusted.into_iter();
        out.all.retain(|_| trusted.next().unwrap_or(false));
        out
    }

    fn exemplar(&self, &Clear { number, sketch, begins, peak, .. }: &Clear) -> Option<Exemplar> {
        let at = (begins / self.step).round();
        let from = (at as usize).checked_sub(self.lengths.ms(BEFORE_MS))?;
        let to = at as usize + self.lengths.ms(AFTER_MS);
        if to > sketch.len() {
            return None;
        }
        let norms = std::array::from_fn(|v| sketch.rows[v][from..to].iter().map(|x| x * x).sum::<f32>().sqrt() + 1e-12);
        let bands = std::array::from_fn(|v| sketch.rows[v][from..to].iter().map(|x| x / norms[v]).collect());
        Some(Exemplar { bands, norms, number, peak, rest: begins - at * self.step })
    }

    /// Which of the chosen keep their place: those whose nearest likes agree with their claim. Bleed can only make a stroke seem
    /// to begin earlier, so likes that put a beginning earlier than its claim say nothing against it. One kind of stroke may begin
    /// otherwise than another, so of the rest the three most alike have the say; where they are divided, the most alike.
    /// One that has nobody to vouch for its beginning falls, unless it rises slowly; but of two that only have each other
    /// the later claim stays.
    fn trusted(&self, from: &[Clear]) -> Vec<bool> {
        let agree = (AGREE_MS * 1e-3 * self.lengths.hz) as f32 * self.step;
        let mut trusted = Vec::with_capacity(from.len());
        for &Clear { number, sketch, begins, rises, .. } in from {
            let mut alike = self.compare(sketch, begins, REACH_MS, number).matches;
            alike.retain(|m| m.score > ALIKE);
            let only_one = alike.len() == 1;
            alike.retain(|m| m.begins >= begins - agree);
            alike.sort_by(|a, b| b.score.total_cmp(&a.score));
            alike.truncate(VOTERS);
            let agrees = |m: &Match| m.begins <= begins + agree;
            let votes = alike.iter().filter(|m| agrees(m)).count();
            trusted.push(
                rises
                    || match alike.first() {
                        None => only_one,
                        Some(first) => 2 * votes > alike.len() || (2 * votes == alike.len() && agrees(first)),
                    },
            );
        }
        trusted
    }

    /// The best likeness of a stroke to any other clear stroke within 5.25 ms of where the stroke is expected to begin
    /// (samples of the recording after the sketch's first), and the median beginning by the up to five clear strokes
    /// that are about as alike: strokes that sound alike may begin differently. `None` where fewer than three clear
    /// strokes are known, or the sketch is too short.
    #[must_use]
    pub fn best(&self, number: usize, sketch: &Sketch, expected: f32) -> Option<Likeness> {
        self.best_within(REACH_MS, number, sketch, expected)
    }

    /// The same of a stroke that is known to begin within 1.25 ms of `known`, in a quarter of the time.
    #[must_use]
    pub fn best_near(&self, number: usize, sketch: &Sketch, known: f32) -> Option<Likeness> {
        self.best_within(NEAR_MS, number, sketch, known)
    }

    fn best_within(&self, reach_ms: f64, number: usize, sketch: &Sketch, expected: f32) -> Option<Likeness> {
        if self.all.len() < FEWEST {
            return None;
        }
        let Compared { noise, matches: mut alike } = self.compare(sketch, expected, reach_ms, number);
        alike.sort_by(|a, b| b.score.total_cmp(&a.score));
        let score = alike.first()?.score;
        let (mut peaks, mut weights) = (0.0, 0.0);
        for m in alike.iter().take_while(|m| m.score > score - HEARD) {
            let weight = ((m.score - score) / FADES).exp();
            peaks += weight * m.exemplar.peak * sketch.gain(m.exemplar, m.from, m.aside, &noise);
            weights += weight;
        }
        let peak = peaks / weights;
        alike.truncate(TIMERS);
        alike.retain(|m| m.score >= score - NEARLY);
        let mut begins: Vec<f32> = alike.iter().map(|m| m.begins).collect();
        begins.sort_unstable_by(f32::total_cmp);
        Some(Likeness { score, begins: *begins.get(begins.len() / 2)?, peak })
    }

    /// The sketch's best match to every clear stroke within so many ms of where it is expected, except that of number `itself`; none
    /// where the sketch is too short.
    fn compare<'e>(&'e self, sketch: &Sketch, expected: f32, reach_ms: f64, itself: usize) -> Compared<'e> {
        let n = &self.lengths;
        let (before, after, reach) = (n.ms(BEFORE_MS), n.ms(AFTER_MS), n.ms(reach_ms));
        let length = before + after;
        let centre = (expected / sketch.step).round().max(0.0) as usize;
        let first = centre.saturating_sub(reach).max(before);
        let last = (centre + reach).min(sketch.len().saturating_sub(after));
        let noise = sketch.before(centre, n);
        let mut compared = Compared { noise, matches: Vec::with_capacity(self.all.len()) };
        if first > last {
            return compared;
        }
        let shares = sketch.shares(centre, &noise, n);
        let lags = last - first + 1;
        // The stretch of each band that is searched, and what its correlation is multiplied by at each lag, its share
        // included.
        let pieces: [Vec<f32>; BANDS] =
            std::array::from_fn(|v| padded(&sketch.rows[v][first - before..last + after], length, lags));
        let scale: [Vec<f32>; BANDS] = std::array::from_fn(|v| scales(&pieces[v], shares[v], length, lags, self.arch));
        let mut add = |exemplar: &'e Exemplar, scores: &[f32]| {
            let Some(k) = highest(scores) else { return };
            let around = (k > 0 && k + 1 < scores.len()).then(|| [scores[k - 1], scores[k], scores[k + 1]]);
            let aside = around.map_or(0.0, vertex);
            let begins = ((first + k) as f32 + aside) * sketch.step + exemplar.rest;
            compared.matches.push(Match { score: scores[k], begins, exemplar, from: first + k - before, aside });
        };
        let mut scores: [Vec<f32>; TEMPLATES] = std::array::from_fn(|_| vec![0.0f32; lags.next_multiple_of(TOGETHER)]);
        let others: Vec<&Exemplar> = self.all.iter().filter(|e| e.number != itself).collect();
        for some in others.chunks(TEMPLATES) {
            // Places that are left over are filled with the first, and not asked for their scores.
            let templates = std::array::from_fn(|k| &some.get(k).unwrap_or(&some[0]).bands);
            scores.iter_mut().for_each(|s| s.fill(0.0));
            self.arch.dispatch(Correlate { pieces: &pieces, templates, scale: &scale, scores: &mut scores });
            some.iter().zip(&scores).for_each(|(exemplar, scores)| add(exemplar, &scores[..lags]));
        }
        compared
    }
}

/// Where a sketch is most like one clear stroke.
struct Match<'a> {
    /// Weighted normalised correlation, −1..=1.
    score: f32,
    /// Beginning, samples of the recording after the sketch's first.
    begins: f32,
    exemplar: &'a Exemplar,
    /// Index in the sketch at which the clear stroke's first value lies, and how far it lies aside of that.
    from: usize,
    aside: f32,
}

/// A sketch beside all clear strokes.
struct Compared<'a> {
    /// Root mean square of each band before the stroke.
    noise: [f32; BANDS],
    /// In the order of the clear strokes.
    matches: Vec<Match<'a>>,
}

/// Index of the last of the highest values.
fn highest(values: &[f32]) -> Option<usize> {
    let higher = |a: f32, b: f32| if b > a { b } else { a };
    // Sixteen side by side, as vector instructions like it.
    let (chunks, rest) = values.as_chunks::<16>();
    let mut lanes = [f32::MIN; 16];
    for chunk in chunks {
        lanes.iter_mut().zip(chunk).for_each(|(m, v)| *m = higher(*m, *v));
    }
    let highest = lanes.iter().chain(rest).fold(f32::MIN, |m, v| higher(m, *v));
    values.iter().rposition(|v| *v == highest)
}

/// So many of a list, evenly spread.
fn evenly<T: Copy>(all: &[T], most: usize) -> Vec<T> {
    if all.len() <= most {
        return all.to_vec();
    }
    (0..most).map(|k| all[k * all.len() / most]).collect()
}

/// Place of the vertex of a parabola through three values at −1, 0 and 1 of which the middle is the highest.
fn vertex([a, b, c]: [f32; 3]) -> f32 {
    let bend = a - 2.0 * b + c;
    if bend < 0.0 { (0.5 * (a - c) / bend).clamp(-0.5, 0.5) } else { 0.0 }
}

/// Templates that are compared at once: they share what is loaded of the sketch, and their sums fit the registers.
const TEMPLATES: usize = 4;
/// Most lags that are worked on at once, two of the widest registers.
const TOGETHER: usize = 32;

/// A stretch of a band, with room behind it for the last lags that are worked on together.
fn padded(stretch: &[f32], length: usize, lags: usize) -> Vec<f32> {
    let mut out = Vec::with_capacity(length + lags.next_multiple_of(TOGETHER));
    out.extend_from_slice(stretch);
    out.resize(length + lags.next_multiple_of(TOGETHER), 0.0);
    out
}

/// The band's share over the root of the energy of the `length` values from each lag on; zeros for the lags that only fill up.
fn scales(piece: &[f32], share: f32, length: usize, lags: usize, arch: Arch) -> Vec<f32> {
    let square = |x: f32| f64::from(x) * f64::from(x);
    let mut energy: f64 = piece[..length].iter().map(|&x| square(x)).sum();
    let mut energies = Vec::with_capacity(lags);
    for (begins, ends) in piece.iter().zip(&piece[length..]).take(lags) {
        energies.push(energy);
        energy += square(*ends) - square(*begins);
    }
    let mut out = vec![0.0; lags.next_multiple_of(TOGETHER)];
    wide!(arch, over_roots(energies: &'a [f64] = &energies, share: f32 = share, out: &'a mut [f32] = &mut out));
    out
}

#[inline(always)]
fn over_roots(energies: &[f64], share: f32, out: &mut [f32]) {
    for (out, energy) in out.iter_mut().zip(energies) {
        *out = share / (energy.max(0.0).sqrt() as f32 + 1e-9);
    }
}

/// Adds to the score of every lag the scaled correlations of all bands with those of some templates. Every lag's sum is taken
/// in the template's order, whatever the width of the machine's registers.
struct Correlate<'a> {
    pieces: &'a [Vec<f32>; BANDS],
    templates: [&'a [Vec<f32>; BANDS]; TEMPLATES],
    scale: &'a [Vec<f32>; BANDS],
    scores: &'a mut [Vec<f32>; TEMPLATES],
}

impl WithSimd for Correlate<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, s: S) {
        let Self { pieces, templates: [one, two, three, four], scale, scores } = self;
        for v in 0..BANDS {
            let templates = [&one[v][..], &two[v], &three[v], &four[v]];
            correlate_band(s, &pieces[v], templates, &scale[v], scores);
        }
    }
}

/// Two registers of lags at once beside four templates: eight sums, so that none waits for its last product.
#[inline(always)]
fn correlate_band<S: Simd>(
    s: S,
    piece: &[f32],
    [one, two, three, four]: [&[f32]; TEMPLATES],
    scale: &[f32],
    scores: &mut [Vec<f32>; TEMPLATES],
) {
    let together = 2 * S::F32_LANES;
    for (block, scale) in scale.chunks_exact(together).enumerate() {
        let start = block * together;
        let mut sums = [[s.splat_f32s(0.0); 2]; TEMPLATES];
        let templates = one.iter().zip(two).zip(three.iter().zip(four));
        for (x, ((a, b), (c, d))) in piece[start..].windows(together).zip(templates) {
            let Some([x, y]) = S::as_simd_f32s(x).0.first_chunk() else { break };
            let values = [*a, *b, *c, *d];
            for k in 0..TEMPLATES {
                let value = s.splat_f32s(values[k]);
                sums[k] = [s.mul_add_f32s(*x, value, sums[k][0]), s.mul_add_f32s(*y, value, sums[k][1])];
            }
        }
        let scale = S::as_simd_f32s(scale).0;
        for k in 0..TEMPLATES {
            let scores = S::as_mut_simd_f32s(&mut scores[k][start..start + together]).0;
            for part in 0..2 {
                scores[part] = s.mul_add_f32s(scale[part], sums[k][part], scores[part]);
            }
        }
    }
}

/// Sum of products, eight at a time, which a processor adds up side by side.
fn dot(a: &[f32], b: &[f32]) -> f32 {
    let ((a, rest_a), (b, rest_b)) = (a.as_chunks::<8>(), b.as_chunks::<8>());
    let mut sums = [0.0f32; 8];
    for (a, b) in a.iter().zip(b) {
        for l in 0..8 {
            sums[l] += a[l] * b[l];
        }
    }
    sums.iter().sum::<f32>() + rest_a.iter().zip(rest_b).map(|(x, y)| x * y).sum::<f32>()
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: SampleRate = SampleRate::SESSION;

    #[test]
    fn products_are_summed_and_the_last_of_the_highest_is_found_as_one_by_one() {
        for n in [0, 1, 7, 8, 90, 131] {
            let x: Vec<f32> = (0..n).map(|i| ((i * 7919) % 61) as f32 / 30.0 - 1.0).collect();
            let y: Vec<f32> = (0..n).map(|i| ((i * 31) % 17) as f32 / 8.0 - 1.0).collect();
            let plain: f64 = x.iter().zip(&y).map(|(x, y)| f64::from(*x) * f64::from(*y)).sum();
            assert!((f64::from(dot(&x, &y)) - plain).abs() < 1e-4, "{n}");
            assert_eq!(highest(&x), (0..n).max_by(|&a, &b| x[a].total_cmp(&x[b])));
        }
    }

    /// A stroke of a drum that sounds at `hz`, beginning at `begins` samples, in a sketch of 36 ms.
    fn stroke(begins: f32, hz: f32, level: f32, polarity: f32) -> Sketch {
        let x: Vec<f32> = (0..1728)
            .map(|i| {
                let t = (i as f32 - begins) / 48_000.0;
                if t < 0.0 {
                    1e-5 * (i as f32 * 12.9898).sin()
                } else {
                    polarity * level * (-t / 0.01).exp() * (std::f32::consts::TAU * hz * t).sin()
                }
            })
            .collect();
        Sketch::new(&std::array::from_fn(|_| x.clone()), RATE)
    }

    fn claim(number: usize, sketch: &Sketch, begins: f32) -> Clear<'_> {
        Clear { number, sketch, begins, peak: 0.5, loud: true, rises: false }
    }

    fn exemplars(begins: &[f32]) -> Exemplars {
        let sketches: Vec<Sketch> = begins.iter().map(|&b| stroke(b, 900.0, 0.5, 1.0)).collect();
        let clear: Vec<Clear> = sketches.iter().zip(begins).enumerate().map(|(i, (s, &b))| claim(i, s, b)).collect();
        Exemplars::choose(&clear, RATE)
    }

    #[test]
    fn a_soft_stroke_is_timed_like_the_loud_ones() {
        let known = exemplars(&[672.0, 680.0, 690.0, 701.0]);
        for begins in [660.0, 671.0, 733.0] {
            let like = known.best(99, &stroke(begins, 900.0, 0.01, 1.0), 690.0).unwrap();
            assert!(like.score > 0.95 && (like.begins - begins).abs() < 2.5, "{begins}: {like:?}");
        }
    }

    /// With a tone of a fifth of its peak underneath, a tenth of the exemplars' amplitude is found to 0.2 dB.
    #[test]
    fn a_stroke_over_a_ring_has_the_level_it_would_have_without() {
        let known = exemplars(&[672.0, 680.0, 690.0, 701.0]);
        let ring: Vec<f32> =
            (0..1728).map(|i| 0.01 * (std::f32::consts::TAU * 1430.0 * i as f32 / 48_000.0).sin()).collect();
        let rung = |begins: f32| {
            let mut sketch = stroke(begins, 900.0, 0.05, 1.0);
            sketch
                .rows
                .iter_mut()
                .for_each(|row| row.iter_mut().zip(ring.iter().step_by(4)).for_each(|(x, r)| *x += r));
            sketch
        };
        for begins in [680.0, 688.0, 691.0, 700.0] {
            let like = known.best(99, &rung(begins), 690.0).unwrap();
            let off = 20.0 * (like.peak / 0.05).log10();
            assert!(off.abs() < 0.2, "{begins}: {off} dB");
        }
    }

    #[test]
    fn another_drum_and_the_wrong_polarity_are_less_alike() {
        let known = exemplars(&[672.0, 680.0, 690.0, 701.0]);
        let own = known.best(99, &stroke(690.0, 900.0, 0.1, 1.0), 690.0).unwrap().score;
        assert!(known.best(99, &stroke(690.0, 350.0, 0.1, 1.0), 690.0).unwrap().score < own - 0.2);
        assert!(known.best(99, &stroke(690.0, 900.0, 0.1, -1.0), 690.0).unwrap().score < own);
    }

    #[test]
    fn a_stroke_that_claims_another_beginning_than_its_likes_is_dropped() {
        let sketches: Vec<Sketch> = [680.0, 690.0, 700.0, 705.0].iter().map(|&b| stroke(b, 900.0, 0.5, 1.0)).collect();
        let claims = [680.0, 690.0, 700.0, 705.0 - 96.0];
        let clear: Vec<Clear> = sketches.iter().zip(claims).enumerate().map(|(i, (s, b))| claim(i, s, b)).collect();
        let known = Exemplars::choose(&clear, RATE);
        assert_eq!(known.all.len(), 3);
    }

    #[test]
    fn strokes_that_bleed_comes_before_do_not_outvote_those_that_it_does_not() {
        let begins = [680.0, 690.0, 700.0, 685.0, 695.0, 705.0, 710.0];
        let early = [0.0, 0.0, 0.0, 40.0, 90.0, 136.0, 180.0];
        let sketches: Vec<Sketch> = begins.iter().map(|&b| stroke(b, 900.0, 0.5, 1.0)).collect();
        let claims = begins.iter().zip(early).map(|(begins, early)| begins - early);
        let clear: Vec<Clear> = sketches.iter().zip(claims).enumerate().map(|(i, (s, b))| claim(i, s, b)).collect();
        // Whatever the order in which likes that are as near are asked.
        for turned in [clear.clone(), clear.into_iter().rev().collect()] {
            let known = Exemplars::choose(&turned, RATE);
            let mut left: Vec<usize> = known.all.iter().map(|e| e.number).collect();
            left.sort_unstable();
            assert_eq!(left, [0, 1, 2]);
        }
    }

    #[test]
    fn one_like_that_begins_otherwise_does_not_move_a_stroke() {
        let mut known = exemplars(&[672.0, 680.0, 690.0, 701.0]);
        let tested = stroke(695.0, 900.0, 0.3, 1.0);
        // The very same sound, said to begin 2 ms earlier.
        known.all.extend(known.exemplar(&claim(50, &tested, 695.0 - 96.0)));
        let like = known.best(99, &tested, 690.0).unwrap();
        assert!((like.begins - 695.0).abs() < 2.5, "{like:?}");
    }

    #[test]
    fn two_clear_strokes_are_too_few_to_compare_with() {
        assert_eq!(exemplars(&[680.0, 690.0]).best(99, &stroke(690.0, 900.0, 0.1, 1.0), 690.0), None);
    }
}
