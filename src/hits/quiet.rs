//! What every band sounds like in the quiet.
//!
//! In: rows of band powers. Out: the tenth percentile of each band over the frames in which the mic was on.

use super::bands::{BANDS, Row, filled};
use crate::wide::wide;
use pulp::Arch;

/// Power of a band below which nothing but the file's own rounding sounds: −120 dBFS in all bands together, under any
/// preamp's noise.
const SILENCE: f32 = 1e-12 / BANDS as f32;
/// Quantile of a band that counts as its quiet.
const QUIET: f64 = 0.10;
/// Most frames that tell it.
const QUIET_FRAMES: usize = 16_384;

/// Tenth percentile of every band; 0 in all silence.
pub(super) fn quiet(rows: &[[f32; BANDS]]) -> [f32; BANDS] {
    let frames = heard(rows);
    match frames.len().checked_sub(1) {
        Some(last) => ranked(rows, &frames, (last as f64 * QUIET).round() as usize),
        None => [0.0; BANDS],
    }
}

/// Of the frames in which a mic was on, at most [`QUIET_FRAMES`], evenly spread.
fn heard(rows: &[[f32; BANDS]]) -> Vec<u32> {
    let on = |t: &u32| rows[*t as usize].iter().any(|&p| p > SILENCE);
    let spread = |count: usize| count.div_ceil(QUIET_FRAMES).max(1);
    let all = 0..rows.len() as u32;
    let some: Vec<u32> = all.clone().step_by(spread(rows.len())).collect();
    // It is on all the time nearly always.
    if some.iter().all(on) {
        return some;
    }
    let heard: Vec<u32> = all.filter(on).collect();
    heard.iter().copied().step_by(spread(heard.len())).collect()
}

/// Every so many frames are looked at first in search of the powers that have so many below them.
const GLANCE: usize = 16;
/// How many of these on either side of the likely place are taken for its neighbourhood.
const AROUND: usize = 48;
/// Rows that are compared at once: a bit each.
const AT_ONCE: usize = 32;

/// Of every band the power that `k` others come before when those of all `frames` are in order; `k` must be less than their
/// number.
///
/// Of many frames a few tell the neighbourhood, so that only what lies in that is put in order (after Floyd and Rivest 1975,
/// Communications of the ACM 18(3), from memory). Powers are never negative, so that their bits are in their order.
fn ranked(rows: &[[f32; BANDS]], frames: &[u32], k: usize) -> [f32; BANDS] {
    let column = |b: usize, step: usize| frames.iter().step_by(step).map(move |&t| rows[t as usize][b].to_bits());
    let by_all = |b: usize| {
        let mut all: Vec<u32> = column(b, 1).collect();
        f32::from_bits(*all.select_nth_unstable(k).1)
    };
    let (glances, middle) = (frames.len().div_ceil(GLANCE), k / GLANCE);
    if glances <= 4 * AROUND || middle < AROUND || middle + AROUND >= glances {
        return std::array::from_fn(by_all);
    }
    let (mut low, mut high) = ([0.0f32; 16], [0.0f32; 16]);
    let mut some = Vec::with_capacity(glances);
    for b in 0..BANDS {
        some.clear();
        some.extend(column(b, GLANCE));
        let (_, &mut least, above) = some.select_nth_unstable(middle - AROUND);
        (low[b], high[b]) = (f32::from_bits(least), f32::from_bits(*above.select_nth_unstable(2 * AROUND - 1).1));
    }
    let mut below = [0u32; 16];
    // Twice what is likely to lie there.
    let mut neighbours: [Vec<u32>; BANDS] = std::array::from_fn(|_| Vec::with_capacity(4 * AROUND * GLANCE));
    let (arch, mut block) = (Arch::new(), [[0.0f32; 16]; AT_ONCE]);
    for frames in frames.chunks(AT_ONCE) {
        for (row, &t) in block.iter_mut().zip(frames) {
            *row = filled(rows, t as usize);
        }
        let inside = wide!(
            arch,
            compared(
                rows: &'a [Row] = &block[..frames.len()],
                low: &'a Row = &low,
                high: &'a Row = &high,
                below: &'a mut [u32; 16] = &mut below,
            ) -> [u32; 16]
        );
        for (b, neighbours) in neighbours.iter_mut().enumerate() {
            neighbours.extend(Ones(inside[b]).map(|place| block[place as usize][b].to_bits()));
        }
    }
    std::array::from_fn(|b| match k.checked_sub(below[b] as usize).filter(|at| *at < neighbours[b].len()) {
        Some(at) => f32::from_bits(*neighbours[b].select_nth_unstable(at).1),
        None => by_all(b),
    })
}

/// Counts of at most [`AT_ONCE`] rows those that lie `below` the lowest in each lane; gives a bit for each that lies from the
/// lowest to the highest.
#[inline(always)]
fn compared(rows: &[Row], low: &Row, high: &Row, below: &mut [u32; 16]) -> [u32; 16] {
    let (mut inside, mut under) = ([0u32; 16], *below);
    for (k, row) in rows.iter().enumerate() {
        for l in 0..16 {
            under[l] += u32::from(row[l] < low[l]);
            inside[l] |= u32::from((row[l] >= low[l]) & (row[l] <= high[l])) << k;
        }
    }
    *below = under;
    inside
}

/// The places of the ones in a word, lowest first.
pub(super) struct Ones(pub u32);

impl Iterator for Ones {
    type Item = u32;

    #[inline(always)]
    fn next(&mut self) -> Option<u32> {
        let place = (self.0 != 0).then_some(self.0.trailing_zeros())?;
        self.0 &= self.0 - 1;
        Some(place)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hits::bands::Bands;

    #[test]
    fn of_many_values_the_one_with_so_many_below_it_is_found_as_by_sorting() {
        let mut seed = 7u32;
        let mut next = move || {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            seed
        };
        for n in [1, 15, 16, 700, 3_073, 16_384] {
            // All different, few different, in order, the smallest only where a glance does not fall.
            let mixed: Vec<u32> = (0..n).map(|_| next() >> 4).collect();
            let few: Vec<u32> = mixed.iter().map(|v| v % 5).collect();
            let ordered: Vec<u32> = (0..n as u32).collect();
            let hidden: Vec<u32> = (0..n as u32).map(|i| if i % 16 == 0 { 900 + i } else { i % 7 }).collect();
            let of_band = |b: usize| -> Vec<f32> {
                let values = [&mixed, &few, &ordered, &hidden][b % 4];
                values.iter().map(|v| (v * (1 + b as u32 / 4)) as f32).collect()
            };
            let columns: [Vec<f32>; BANDS] = std::array::from_fn(of_band);
            let rows: Vec<[f32; BANDS]> = (0..n).map(|t| std::array::from_fn(|b| columns[b][t])).collect();
            let frames: Vec<u32> = (0..n as u32).collect();
            let mut sorted = columns;
            sorted.iter_mut().for_each(|column| column.sort_unstable_by(f32::total_cmp));
            for k in [0, n / 10, n / 3, n / 2, n - 1] {
                let expected: [f32; BANDS] = std::array::from_fn(|b| sorted[b][k]);
                assert_eq!(ranked(&rows, &frames, k), expected, "{k} of {n}");
            }
        }
    }

    #[test]
    fn the_quiet_is_the_tenth_percentile_of_what_was_heard() {
        for (frames, silent) in [(1, 0), (3, 0), (700, 0), (20_000, 0), (700, 300), (40_000, 35_000), (500, 500)] {
            let power = |t: usize, b: usize| ((t * 7919 + b * 31) % 10_007 + 1) as f32;
            let row = |t: usize| std::array::from_fn(|b| if t < silent { 0.0 } else { power(t, b) });
            let quiet = Bands::from_rows((0..frames).map(row).collect()).quiet();
            let step = (frames - silent).div_ceil(QUIET_FRAMES).max(1);
            for b in 0..BANDS {
                let mut column: Vec<f32> = (silent..frames).step_by(step).map(|t| power(t, b)).collect();
                column.sort_unstable_by(f32::total_cmp);
                let middle = (column.len().saturating_sub(1) as f64 * QUIET).round() as usize;
                assert_eq!(quiet[b], column.get(middle).copied().unwrap_or(0.0), "{frames} frames, band {b}");
            }
        }
    }
}
