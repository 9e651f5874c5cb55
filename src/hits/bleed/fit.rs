//! The fit of bleed: how much of each other mic a close mic hears, band by band.
//!
//! In: powers of an own mic, and of each other mic two regressors, tile by tile. Out: a weight for each regressor and for the floor.

use super::{Tile, fill};
use crate::hits::bands::{BANDS, Bands, Every, Row};
use crate::hits::quiet::Ones;
use crate::hits::sum::sum;
use crate::wide::wide;
use pulp::Arch;

/// Most frames that a fit looks at.
pub(super) const FIT_FRAMES: usize = 3_000;
/// Rounds of multiplicative updates.
const ROUNDS: usize = 30;
/// Fewest frames above the noise for a fit to mean anything.
pub(super) const LEAST_FRAMES: usize = 100;
/// A frame is worth fitting where it stands above so many floors, 5 dB.
pub(super) const ABOVE_NOISE: f32 = 3.0;

/// The fit of one own mic in one band.
pub(super) struct Fit {
    /// Frames of the other mics that it looks at.
    pub(super) chosen: Vec<u32>,
    power: Vec<f32>,
    /// Regressors, one column each; the last is the floor.
    columns: Vec<Vec<f32>>,
    /// Highest weight of each column.
    caps: Vec<f32>,
    /// Weights at which the mic being read would explain its share of each known stroke.
    pub(super) shares: Vec<[f32; 2]>,
}

impl Fit {
    /// One fit a band. Of the frames in which the mic stands above its noise, at most so many are looked at; `free` has a bit
    /// for each that may be.
    pub(super) fn of(own: &Bands, noise: &[f32; BANDS], columns: usize, free: &[u32], arch: Arch) -> Vec<Self> {
        let rows = own.sparse();
        let limit = fill(&noise.map(|noise| ABOVE_NOISE * noise));
        let above = |(n, free): (usize, &u32)| -> [u32; 16] {
            let words = wide!(arch, loud(rows: Every<'a> = rows, start: usize = n * WORD, limit: &'a Row = &limit) -> [u32; 16]);
            words.map(|word| word & free)
        };
        let words: Vec<[u32; 16]> = free.iter().enumerate().map(above).collect();
        let of_band = |b: usize| {
            let count: usize = words.iter().map(|words| words[b].count_ones() as usize).sum();
            let step = if count < LEAST_FRAMES || columns == 1 { 0 } else { count.div_ceil(FIT_FRAMES) };
            let chosen = if step == 0 { Vec::new() } else { every(step, count, words.iter().map(|words| words[b])) };
            let power = chosen.iter().map(|&k| rows.row(k as usize)[b]).collect();
            let mut cols: Vec<Vec<f32>> = (1..columns).map(|_| Vec::with_capacity(chosen.len())).collect();
            cols.push(vec![noise[b]; chosen.len()]);
            Self { chosen, power, columns: cols, caps: vec![f32::MAX; columns], shares: Vec::new() }
        };
        (0..BANDS).map(of_band).collect()
    }

    /// Takes from the next tile of another mic the regressors of band `b` at the frames chosen.
    pub(super) fn take(&mut self, mic: usize, b: usize, tile: &Tile) {
        let Some([spreads, holds]) = self.columns.get_mut(2 * mic..).and_then(|c| c.first_chunk_mut::<2>()) else {
            return;
        };
        for &t in self.chosen.get(spreads.len()..).unwrap_or_default() {
            let row = t as usize - tile.start;
            let (Some(spread), Some(hold)) = (tile.spread.get(row), tile.hold.get(row)) else { break };
            spreads.push(spread[b]);
            holds.push(hold[b]);
        }
    }

    /// Closes the reading of another mic, silent beyond its end: the median over the known strokes is the most its weights may
    /// reach.
    pub(super) fn cap(&mut self, mic: usize) {
        for k in 0..2 {
            self.columns[2 * mic + k].resize(self.chosen.len(), 0.0);
            let mut limits: Vec<f32> = self.shares.iter().map(|s| s[k]).collect();
            if !limits.is_empty() {
                let middle = limits.len() / 2;
                self.caps[2 * mic + k] = *limits.select_nth_unstable_by(middle, f32::total_cmp).1;
            }
        }
        self.shares.clear();
    }

    /// Weights of the columns; zeros where there was too little to fit.
    pub(super) fn solve(self, arch: Arch) -> Vec<f32> {
        let n = self.power.len();
        let mut w = vec![0.0f32; self.columns.len()];
        if n == 0 {
            return w;
        }
        let mean = |x: &[f32]| (sum(arch, x) / n as f64) as f32;
        let own = mean(&self.power);
        for (w, c) in w.iter_mut().zip(&self.columns) {
            *w = (0.01 * own / (mean(c) + 1e-20)).min(1.0);
        }
        let mut sums = vec![Sums::default(); self.columns.len()];
        for _ in 0..ROUNDS {
            sums.fill(Sums::default());
            wide!(
                arch,
                round(
                    power: &'a [f32] = &self.power,
                    columns: &'a [Vec<f32>] = &self.columns,
                    w: &'a [f32] = &w,
                    sums: &'a mut [Sums] = &mut sums,
                )
            );
            for ((w, sum), cap) in w.iter_mut().zip(&sums).zip(&self.caps) {
                let (a, b) = sum.total();
                *w = (*w * (a / (b + 1e-30)).sqrt()).min(*cap);
            }
        }
        w
    }
}

/// Frames that have their bits in one word.
const WORD: usize = 32;

/// A bit for each of the frames, set where it is `true`.
pub(super) fn bits(frames: &[bool]) -> Vec<u32> {
    let word = |frames: &[bool]| frames.iter().enumerate().fold(0, |word, (k, set)| word | u32::from(*set) << k);
    frames.chunks(WORD).map(word).collect()
}

/// A bit in each band for every row from number `start` on that is higher than the limit, [`WORD`] rows at most.
#[inline(always)]
fn loud(rows: Every, start: usize, limit: &Row) -> [u32; 16] {
    let mut words = [0u32; 16];
    for k in 0..WORD.min(rows.len().saturating_sub(start)) {
        let row = rows.filled(start + k);
        for l in 0..16 {
            words[l] |= u32::from(row[l] > limit[l]) << k;
        }
    }
    words
}

/// The places of every so many ones in all words, which hold `count`; the first is among them.
fn every(step: usize, count: usize, words: impl Iterator<Item = u32>) -> Vec<u32> {
    let mut chosen = Vec::with_capacity(count.div_ceil(step));
    // How many are passed over before the next.
    let mut left = 0;
    for (n, word) in words.enumerate() {
        for place in Ones(word) {
            if left == 0 {
                chosen.push((n * WORD) as u32 + place);
                left = step;
            }
            left -= 1;
        }
    }
    chosen
}

/// Frames of a fit that are worked on at once; a multiple of the eight lanes.
const FIT_TILE: usize = 256;
/// Columns that are read together.
const TOGETHER: usize = 4;

/// Two dot products of a column, summed up in eight fixed lanes and a rest: a fixed order of sums on every machine.
#[derive(Clone, Copy, Default)]
struct Sums {
    up: [f32; 8],
    down: [f32; 8],
    rest: [f32; 2],
}

impl Sums {
    fn total(&self) -> (f32, f32) {
        (self.up.iter().sum::<f32>() + self.rest[0], self.down.iter().sum::<f32>() + self.rest[1])
    }
}

/// One round of the fit: prediction, robust weights, and the two dot products of every column with them.
#[inline(always)]
fn round(power: &[f32], columns: &[Vec<f32>], w: &[f32], sums: &mut [Sums]) {
    let (mut v, mut up, mut down) = ([0.0f32; FIT_TILE], [0.0f32; FIT_TILE], [0.0f32; FIT_TILE]);
    let mut start = 0;
    for power in power.chunks(FIT_TILE) {
        let range = start..start + power.len();
        let (v, up, down) = (&mut v[..power.len()], &mut up[..power.len()], &mut down[..power.len()]);
        v.fill(1e-14);
        let (mut cs, mut ws) = (columns.chunks_exact(TOGETHER), w.chunks_exact(TOGETHER));
        for (c, w) in (&mut cs).zip(&mut ws) {
            let (c0, c1) = (&c[0][range.clone()], &c[1][range.clone()]);
            let (c2, c3) = (&c[2][range.clone()], &c[3][range.clone()]);
            for i in 0..v.len().min(c0.len()).min(c1.len()).min(c2.len()).min(c3.len()) {
                let two = w[1].mul_add(c1[i], w[0].mul_add(c0[i], v[i]));
                v[i] = w[3].mul_add(c3[i], w[2].mul_add(c2[i], two));
            }
        }
        for (c, w) in cs.remainder().iter().zip(ws.remainder()) {
            for (v, x) in v.iter_mut().zip(&c[range.clone()]) {
                *v = w.mul_add(*x, *v);
            }
        }
        for (((v, power), up), down) in v.iter().zip(power).zip(up.iter_mut()).zip(down.iter_mut()) {
            // With r = power / v and the weight 1 / (1 + r² / 4): weight / v, and r times that, by one division.
            let over = 1.0 / (v * v + 0.25 * power * power);
            *down = v * over;
            *up = power * over;
        }
        let (mut cs, mut ss) = (columns.chunks_exact(TOGETHER), sums.chunks_exact_mut(TOGETHER));
        for (c, s) in (&mut cs).zip(&mut ss) {
            dots([&c[0][range.clone()], &c[1][range.clone()], &c[2][range.clone()], &c[3][range.clone()]], up, down, s);
        }
        for (c, s) in cs.remainder().iter().zip(ss.into_remainder().chunks_exact_mut(1)) {
            dots([&c[range.clone()]], up, down, s);
        }
        start = range.end;
    }
}

/// Adds the dot products of some columns with two vectors.
#[inline(always)]
fn dots<const N: usize>(columns: [&[f32]; N], up: &[f32], down: &[f32], sums: &mut [Sums]) {
    let whole = up.len() / 8 * 8;
    let mut lanes: [Sums; N] = std::array::from_fn(|k| sums[k]);
    let mut at = 0;
    while at < whole {
        let (u, d) = (eight(up, at), eight(down, at));
        for k in 0..N {
            let x = eight(columns[k], at);
            for i in 0..8 {
                lanes[k].up[i] = u[i].mul_add(x[i], lanes[k].up[i]);
                lanes[k].down[i] = d[i].mul_add(x[i], lanes[k].down[i]);
            }
        }
        at += 8;
    }
    for (k, sum) in lanes.iter_mut().enumerate() {
        for i in whole..up.len() {
            sum.rest[0] += up[i] * columns[k][i];
            sum.rest[1] += down[i] * columns[k][i];
        }
        sums[k] = *sum;
    }
}

#[inline(always)]
fn eight(x: &[f32], at: usize) -> [f32; 8] {
    let mut out = [0.0; 8];
    out.copy_from_slice(&x[at..at + 8]);
    out
}
