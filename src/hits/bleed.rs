//! Predicted bleed: what the other mics say must be heard in a close mic.
//!
//! In: band powers of a drum's own mics and of all others. Out: for each own mic the power that the
//! rest of the kit explains, frame by frame and band by band.

mod fit;

use super::bands::{BANDS, Bands, Every, Row, SPARSE, between, filled};
use super::rows::Rows;
use fit::{Fit, bits};
use pulp::{Arch, Simd, WithSimd};

/// What a mic is expected to hear when its drum is not struck: a row of powers for every second frame, between two of them
/// their mean, and the last from there on.
#[derive(Debug)]
pub struct Expected {
    rows: Rows,
    /// The last, filled up: at hand, for without other mics it is all that there is.
    last: Row,
}

impl Expected {
    /// From a row for every second frame.
    #[must_use]
    pub fn from_rows(rows: Vec<[f32; BANDS]>) -> Self {
        Self::in_room(rows.into())
    }

    fn in_room(rows: Rows) -> Self {
        let last = rows.all().len().checked_sub(1).map_or([0.0; 16], |last| filled(rows.all(), last));
        Self { rows, last }
    }

    /// The same at every frame.
    #[must_use]
    pub fn steady(row: [f32; BANDS]) -> Self {
        Self::from_rows(vec![row])
    }

    /// Powers expected at frame `t`.
    #[must_use]
    pub fn at(&self, t: usize) -> [f32; BANDS] {
        let row = self.row_at(t);
        std::array::from_fn(|b| row[b])
    }

    /// The same as a row filled up.
    #[must_use]
    #[inline(always)]
    pub fn row_at(&self, t: usize) -> Row {
        if t / SPARSE + 1 < self.rows.all().len() { between(self.rows.all(), t) } else { self.last }
    }
}

/// What a mic's floor is of its quiet (see [`Bands::quiet`]), and what of another's counts as its own noise.
const OWN_FLOOR: f32 = 2.0;
/// See [`OWN_FLOOR`].
const OTHER_FLOOR: f32 = 1.5;
/// Added to every floor, so that digital silence has one: −110 dB.
const LEAST_FLOOR: f32 = 1e-11;
/// Frames after a known stroke of the drum itself that the fit leaves out, 133 ms.
const STROKE_FRAMES: usize = 100;
/// Frames before a known stroke that are left out as well, 8 ms: its window reaches back, and its time is coarse.
const STROKE_LEAD: usize = 6;
/// Frames after a known stroke at which its own share is compared, 2.7 ms.
const STROKE_HEIGHT: usize = 2;
/// Most of a known stroke that one regressor may claim to explain: the other mics hear the drum too, but that is no bleed.
const MOST_OF_A_STROKE: f32 = 0.05;
/// What the hold loses from one frame of another mic to the next, 2.7 ms: 2 dB of power.
const HOLD_DECAY: f32 = 0.630_957_3;

/// Expected power of each own mic when its drum is not struck: noise floor plus bleed.
///
/// The bleed is a non-negative mixture of the other mics' powers, two regressors a mic (the highest from one of its frames
/// before to one after, 5.3 ms, and a hold that falls 2 dB a frame) and the mic's own floor (twice its tenth percentile).
/// It is fitted on the take itself by multiplicative Itakura-Saito updates (Févotte, Bertin and Durrieu 2009,
/// Neural Computation 21(3), from memory), each frame weighted 1/(1 + (r/2)²) with r the ratio of power to
/// prediction, so that the drum's own strokes fall out as outliers. No labels are needed. Without other mics
/// the prediction is the floor.
///
/// Frames from `STROKE_LEAD` before to `STROKE_FRAMES` after one of `strokes` (in order) are known to be the drum's own and are left
/// out of the fit. Of the `others` every second frame counts, as [`SPARSE`] says; they fit and predict at these, and
/// between two the prediction is their mean. Cost: frames × mics × bands, plus the fit.
#[must_use]
pub fn predicted_bleed(own: &[&Bands], others: &[&Bands], strokes: &[usize]) -> Vec<Expected> {
    let sparse = own.first().map_or(0, |o| o.sparse().len());
    let mut free = vec![true; sparse];
    for &t in strokes {
        let end = (t + STROKE_FRAMES).div_ceil(SPARSE).min(free.len());
        free[t.saturating_sub(STROKE_LEAD).div_ceil(SPARSE).min(end)..end].fill(false);
    }
    let free = bits(&free);
    let noise: Vec<[f32; BANDS]> = own.iter().map(|o| floor(o)).collect();
    if others.is_empty() {
        return noise.into_iter().map(Expected::steady).collect();
    }
    let floors: Vec<[f32; BANDS]> = others.iter().map(|o| o.quiet().map(|q| OTHER_FLOOR * q)).collect();
    let arch = Arch::new();
    let mut fits: Vec<Vec<Fit>> =
        own.iter().zip(&noise).map(|(o, noise)| Fit::of(o, noise, 2 * others.len() + 1, &free, arch)).collect();

    for (j, (other, floor)) in others.iter().zip(&floors).enumerate() {
        let mut rows = Regressors::new(other, floor);
        while let Some(tile) = rows.next_tile(arch) {
            let height = |s: usize| (s + STROKE_HEIGHT) / SPARSE;
            let from = strokes.partition_point(|&s| height(s) < tile.start);
            for &s in strokes[from..].iter().take_while(|&&s| height(s) < tile.start + tile.spread.len()) {
                let k = height(s) - tile.start;
                for (fits, o) in fits.iter_mut().zip(own) {
                    for (b, fit) in fits.iter_mut().enumerate() {
                        let power = MOST_OF_A_STROKE * o.sparse().row(height(s))[b];
                        fit.shares.push([power / (tile.spread[k][b] + 1e-14), power / (tile.hold[k][b] + 1e-14)]);
                    }
                }
            }
            for fits in &mut fits {
                for (b, fit) in fits.iter_mut().enumerate() {
                    fit.take(j, b, &tile);
                }
            }
        }
        for fit in fits.iter_mut().flatten() {
            fit.cap(j);
        }
    }

    let weights: Vec<Vec<Vec<f32>>> =
        fits.into_iter().map(|fits| fits.into_iter().map(|fit| fit.solve(arch)).collect::<Vec<_>>()).collect();

    let mut out: Vec<Rows> = own.iter().map(|_| Rows::with_room(sparse)).collect();
    // Of every other mic the two weights for each own one.
    let wide = |w: &[Vec<f32>], k: usize| -> Row { std::array::from_fn(|b| w.get(b).map_or(0.0, |w| w[k])) };
    let of_own = |j: usize| weights.iter().map(|w| [wide(w, 2 * j), wide(w, 2 * j + 1)]).collect::<Vec<_>>();
    let mut all: Vec<(Every, Row, Vec<[Row; 2]>, Row)> = Vec::with_capacity(others.len());
    for (j, (other, floor)) in others.iter().zip(&floors).enumerate() {
        all.push((other.sparse(), fill(floor), of_own(j), [0.0; 16]));
    }
    let mut sums: Vec<Vec<Row>> = vec![Vec::with_capacity(TILE); own.len()];
    let mut start = 0;
    while start < sparse {
        let length = TILE.min(sparse - start);
        for ((sum, w), noise) in sums.iter_mut().zip(&weights).zip(&noise) {
            let base: Row =
                std::array::from_fn(|b| if b < BANDS { noise[b] * (1.0 + w[b][2 * others.len()]) } else { 0.0 });
            sum.clear();
            sum.resize(length, base);
        }
        for (mic, floor, weights, hold) in &mut all {
            arch.dispatch(MixIn { mic: *mic, start, length, floor, hold, weights, sums: &mut sums });
        }
        for (out, sum) in out.iter_mut().zip(&sums) {
            out.extend(sum.iter().map(|row| -> [f32; BANDS] { std::array::from_fn(|b| row[b]) }));
        }
        start += length;
    }
    out.into_iter().map(Expected::in_room).collect()
}

/// Floor of an own mic, its noise doubled: all that is expected of it without other mics.
#[must_use]
pub fn floor(own: &Bands) -> [f32; BANDS] {
    own.quiet().map(|q| OWN_FLOOR * q + LEAST_FLOOR)
}

/// Frames that are worked on at once, so that they stay in the processor's first caches.
const TILE: usize = 128;

/// Adds the weighted regressors of a mic from frame `start` on to the sums of each own mic, as far as the mic goes; of the
/// `length` rows of each sum the first is that of `start`. They are worked out as [`Look`] does it, but stay in registers.
/// `hold` is that of the frame before, and then of the last.
struct MixIn<'a> {
    mic: Every<'a>,
    start: usize,
    length: usize,
    floor: &'a Row,
    hold: &'a mut Row,
    /// Weights of spread and hold, for each own mic.
    weights: &'a [[Row; 2]],
    sums: &'a mut [Vec<Row>],
}

impl WithSimd for MixIn<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, s: S) {
        let Self { mic, start, length, floor, hold, weights, sums } = self;
        let length = length.min(mic.len().saturating_sub(start));
        let hold = S::as_mut_simd_f32s(hold).0;
        for (part, (&floor, hold)) in S::as_simd_f32s(floor).0.iter().zip(hold).enumerate() {
            let from = Mixed { mic, start, length, part, floor, hold: *hold };
            // Nearly always there are one or two.
            for (sums, weights) in sums.chunks_mut(2).zip(weights.chunks(2)) {
                *hold = match (sums, weights) {
                    ([a, b], [of_a, of_b]) => from.add(s, [of_a, of_b], [a, b]),
                    ([a, ..], [of_a, ..]) => from.add(s, [of_a], [a]),
                    _ => continue,
                };
            }
        }
    }
}

/// A register's part of [`MixIn`], for so many own mics that are known beforehand: their weights stay in registers.
struct Mixed<'a, S: Simd> {
    mic: Every<'a>,
    start: usize,
    length: usize,
    part: usize,
    floor: S::f32s,
    hold: S::f32s,
}

impl<S: Simd> Mixed<'_, S> {
    /// Gives the last hold.
    #[inline(always)]
    fn add<const N: usize>(&self, s: S, weights: [&[Row; 2]; N], sums: [&mut Vec<Row>; N]) -> S::f32s {
        let &Self { mic, start, length, part, floor, mut hold } = self;
        let decay = s.splat_f32s(HOLD_DECAY);
        let weights = weights.map(|of| [S::as_simd_f32s(&of[0]).0[part], S::as_simd_f32s(&of[1]).0[part]]);
        let sums = sums.map(|sum| &mut sum[..length]);
        let mut last = start.checked_sub(1).map_or(s.splat_f32s(0.0), |t| above::<S>(s, mic, t, part, floor));
        let mut now = above::<S>(s, mic, start, part, floor);
        for k in 0..length {
            let next = above::<S>(s, mic, start + k + 1, part, floor);
            let spread = s.max_f32s(s.max_f32s(last, now), next);
            hold = s.max_f32s(now, s.mul_f32s(hold, decay));
            for n in 0..N {
                let row = &mut S::as_mut_simd_f32s(&mut sums[n][k]).0[part];
                *row = s.mul_add_f32s(hold, weights[n][1], s.mul_add_f32s(spread, weights[n][0], *row));
            }
            (last, now) = (now, next);
        }
        hold
    }
}

/// Powers as a row filled up with zeros.
fn fill(powers: &[f32; BANDS]) -> Row {
    std::array::from_fn(|b| powers.get(b).copied().unwrap_or(0.0))
}

/// The two regressors of a mic, its floor taken off, tile by tile.
struct Regressors<'a> {
    mic: Every<'a>,
    floor: Row,
    start: usize,
    spread: Vec<Row>,
    hold: Vec<Row>,
}

/// One tile: from frame `start` on, the highest of three frames and the hold.
struct Tile<'a> {
    start: usize,
    spread: &'a [Row],
    hold: &'a [Row],
}

impl<'a> Regressors<'a> {
    fn new(mic: &'a Bands, floor: &[f32; BANDS]) -> Self {
        let empty = || vec![[0.0; 16]; TILE];
        Self { mic: mic.sparse(), floor: fill(floor), start: 0, spread: empty(), hold: empty() }
    }

    fn next_tile(&mut self, arch: Arch) -> Option<Tile<'_>> {
        let (start, length) = (self.start, TILE.min(self.mic.len() - self.start));
        if length == 0 {
            return None;
        }
        // The hold goes on where the last tile ended.
        let before = if start == 0 { [0.0; 16] } else { self.hold[TILE - 1] };
        let (spread, hold) = (&mut self.spread[..length], &mut self.hold[..length]);
        arch.dispatch(Look { mic: self.mic, start, floor: &self.floor, before: &before, spread, hold });
        self.start += length;
        Some(Tile { start, spread: &self.spread[..length], hold: &self.hold[..length] })
    }
}

/// Works out the regressors of a mic from frame `start` on; `before` is the hold of the frame before.
struct Look<'a> {
    mic: Every<'a>,
    start: usize,
    floor: &'a Row,
    before: &'a Row,
    spread: &'a mut [Row],
    hold: &'a mut [Row],
}

impl WithSimd for Look<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, s: S) {
        let Self { mic, start, floor, before, spread, hold } = self;
        let decay = s.splat_f32s(HOLD_DECAY);
        let (floor, before) = (S::as_simd_f32s(floor).0, S::as_simd_f32s(before).0);
        for (part, (&floor, &before)) in floor.iter().zip(before).enumerate() {
            let mut last = start.checked_sub(1).map_or(s.splat_f32s(0.0), |t| above::<S>(s, mic, t, part, floor));
            let mut now = above::<S>(s, mic, start, part, floor);
            let mut held = before;
            for ((k, spread), hold) in spread.iter_mut().enumerate().zip(hold.iter_mut()) {
                let next = above::<S>(s, mic, start + k + 1, part, floor);
                S::as_mut_simd_f32s(spread).0[part] = s.max_f32s(s.max_f32s(last, now), next);
                held = s.max_f32s(now, s.mul_f32s(held, decay));
                S::as_mut_simd_f32s(hold).0[part] = held;
                (last, now) = (now, next);
            }
        }
    }
}

/// A part of the mic's row `t` without its floor; silence beyond the mic's end.
#[inline(always)]
fn above<S: Simd>(s: S, mic: Every, t: usize, part: usize, floor: S::f32s) -> S::f32s {
    let row = match mic.whole(t) {
        Some(row) => S::as_simd_f32s(row).0[part],
        None if t >= mic.len() => return s.splat_f32s(0.0),
        None => S::as_simd_f32s(&mic.filled(t)).0[part],
    };
    s.max_f32s(s.sub_f32s(row, floor), s.splat_f32s(0.0))
}

#[cfg(test)]
mod tests {
    use super::fit::{ABOVE_NOISE, FIT_FRAMES, LEAST_FRAMES};
    use super::*;

    /// Rows that are loud for three frames in every `period`, by a factor in all bands, over a floor.
    fn pulses(frames: usize, period: usize, phase: usize, loud: f32) -> Bands {
        Bands::from_rows(
            (0..frames)
                .map(|t| [if (phase..phase + 3).contains(&(t % period)) { loud } else { 1e-6 }; BANDS])
                .collect(),
        )
    }

    #[test]
    fn regressors_are_the_highest_of_three_frames_and_what_the_hold_keeps() {
        for frames in [1, 2, TILE - 1, TILE, 2 * TILE + 1, 300] {
            let power = |t: usize, b: usize| ((t * 7919 + b * 31) % 101) as f32 / 100.0;
            let mic = Bands::from_sparse_rows((0..frames).map(|t| std::array::from_fn(|b| power(t, b))).collect());
            let clean =
                |t: Option<usize>, b: usize| t.filter(|&t| t < frames).map_or(0.0, |t| (power(t, b) - 0.3f32).max(0.0));
            let (mut held, mut next) = ([0.0f32; BANDS], 0);
            let mut rows = Regressors::new(&mic, &[0.3; BANDS]);
            while let Some(tile) = rows.next_tile(Arch::new()) {
                assert_eq!(tile.start, next);
                for (spread, hold) in tile.spread.iter().zip(tile.hold) {
                    for b in 0..BANDS {
                        let three = [next.checked_sub(1), Some(next), Some(next + 1)].map(|t| clean(t, b));
                        held[b] = three[1].max(held[b] * HOLD_DECAY);
                        assert_eq!((spread[b], hold[b]), (three.into_iter().fold(0.0, f32::max), held[b]));
                    }
                    next += 1;
                }
            }
            assert_eq!(next, frames);
        }
    }

    #[test]
    fn what_is_mixed_in_are_the_regressors_times_their_weights() {
        for (frames, own) in [(1, 2), (TILE, 1), (2 * TILE + 1, 2), (300, 3), (300, 4)] {
            let power = |t: usize, b: usize| ((t * 7919 + b * 31) % 101) as f32 / 100.0;
            let mic = Bands::from_sparse_rows((0..frames).map(|t| std::array::from_fn(|b| power(t, b))).collect());
            let floor = [0.3; BANDS];
            // One own mic hears the spread alone, another half of the hold, and so on; all are heard longer than the other mic.
            let weights: Vec<[Row; 2]> = (0..own).map(|n| [[(1 - n % 2) as f32; 16], [0.5 * n as f32; 16]]).collect();
            let (mut rows, mut hold, mut start) = (Regressors::new(&mic, &floor), [0.0; 16], 0);
            while start < frames + TILE {
                let mut sums = vec![vec![[2.0f32; 16]; TILE]; own];
                let (mic, floor) = (mic.sparse(), &fill(&floor));
                let (hold, sums_of) = (&mut hold, &mut sums[..]);
                let weights = &weights;
                Arch::new().dispatch(MixIn { mic, start, length: TILE, floor, hold, weights, sums: sums_of });
                let tile = rows.next_tile(Arch::new());
                for k in 0..TILE {
                    let known = tile.as_ref().filter(|tile| k < tile.spread.len());
                    let of = known.map_or([[0.0; 16]; 2], |tile| [tile.spread[k], tile.hold[k]]);
                    for b in 0..BANDS {
                        for (sums, of_own) in sums.iter().zip(weights) {
                            let expected = of_own[1][b].mul_add(of[1][b], of_own[0][b].mul_add(of[0][b], 2.0));
                            assert_eq!(sums[k][b], expected);
                        }
                    }
                }
                start += TILE;
            }
        }
    }

    #[test]
    fn of_the_frames_that_stand_above_the_noise_a_fit_takes_every_so_many_from_the_first_on() {
        for frames in [50, 2_000, 20_000] {
            let power = |t: usize, b: usize| ((t * 7919 + b * 31) % 101) as f32;
            let own = Bands::from_sparse_rows((0..frames).map(|t| std::array::from_fn(|b| power(t, b))).collect());
            let noise: [f32; BANDS] = std::array::from_fn(|b| 3.0 * b as f32);
            let free: Vec<bool> = (0..frames).map(|t| t % 7 != 3).collect();
            for (b, fit) in Fit::of(&own, &noise, 3, &bits(&free), Arch::new()).iter().enumerate() {
                let above = |t: &usize| free[*t] && power(*t, b) > ABOVE_NOISE * noise[b];
                let all: Vec<u32> = (0..frames).filter(above).map(|t| t as u32).collect();
                let step = all.len().div_ceil(FIT_FRAMES).max(1);
                let expected: Vec<u32> = all.iter().copied().step_by(step).collect();
                let expected = if all.len() < LEAST_FRAMES { Vec::new() } else { expected };
                assert!(fit.chosen == expected && fit.chosen.len() <= FIT_FRAMES, "{frames} frames, band {b}");
            }
        }
    }

    fn mix(a: &Bands, ga: f32, b: &Bands, gb: f32) -> Bands {
        let rows = a.rows().iter().zip(b.rows());
        Bands::from_rows(rows.map(|(x, y)| std::array::from_fn(|i| ga * x[i] + gb * y[i])).collect())
    }

    #[test]
    fn a_mic_of_pure_bleed_is_explained_by_its_source() {
        let hat = pulses(20_000, 16, 3, 1.0);
        let silent = pulses(20_000, 20_001, 20_000, 0.0);
        let snare = mix(&silent, 1.0, &hat, 0.01);
        let bleed = &predicted_bleed(&[&snare], &[&hat], &[])[0];
        for t in (3 + 16 * 20..19_000).step_by(16) {
            assert!(bleed.at(t)[5] > 0.7 * snare.rows()[t][5], "frame {t}");
        }
    }

    #[test]
    fn the_drums_own_strokes_are_not_explained_away() {
        let hat = pulses(20_000, 16, 3, 1.0);
        let strokes = pulses(20_000, 400, 11, 1.0);
        let snare = mix(&strokes, 1.0, &hat, 0.01);
        let bleed = &predicted_bleed(&[&snare], &[&hat], &[])[0];
        for t in (411..19_000).step_by(400) {
            assert!(bleed.at(t)[5] < 0.05 * snare.rows()[t][5], "frame {t}");
        }
    }

    #[test]
    fn a_mic_that_hears_the_drum_hardly_explains_its_known_strokes() {
        // The other mic hears the hat softly and the drum well: by the hat alone it would explain every stroke.
        let (hat, strokes) = (pulses(20_000, 16, 3, 1.0), pulses(20_000, 400, 11, 1.0));
        let own = mix(&strokes, 1.0, &hat, 0.02);
        let heard = mix(&strokes, 0.5, &hat, 0.01);
        let known: Vec<usize> = (11..19_900).step_by(400).collect();
        let share = |known: &[usize]| {
            let bleed = &predicted_bleed(&[&own], &[&heard], known)[0];
            bleed.at(811 + STROKE_HEIGHT)[5] / own.rows()[811 + STROKE_HEIGHT][5]
        };
        // A twentieth by each of its two regressors, and what the floor takes of the hat.
        assert!(share(&known) <= 2.0 * MOST_OF_A_STROKE + 0.02, "{}", share(&known));
        assert!(share(&[]) > 0.5, "{}", share(&[]));
    }

    #[test]
    fn between_two_rows_their_mean_is_expected_and_after_the_last_the_last() {
        let expected = Expected::from_rows(vec![[1.0; BANDS], [3.0; BANDS], [4.0; BANDS]]);
        let heard: Vec<f32> = (0..7).map(|t| expected.at(t)[BANDS - 1]).collect();
        assert_eq!(heard, [1.0, 2.0, 3.0, 3.5, 4.0, 4.0, 4.0]);
        assert_eq!(Expected::steady([2.0; BANDS]).at(1_000), [2.0; BANDS]);
    }

    #[test]
    fn without_other_mics_only_the_floor_is_expected() {
        let strokes = pulses(5_000, 400, 11, 1.0);
        let bleed = &predicted_bleed(&[&strokes], &[], &[])[0];
        assert!([0, 1, 2_500, 4_999].iter().all(|&t| (bleed.at(t)[0] - 2e-6).abs() < 1e-7));
    }
}
