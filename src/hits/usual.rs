//! The transform of the usual window: 512 samples every 64 or every 128.
//!
//! In: samples of neighbouring frames side by side. Out: band powers of as many frames as a register has lanes. Eight times
//! eight times eight, and not four times four times four times four as [`Spectra`](super::spectra::Spectra) does it for any
//! length: a butterfly of eight still fits the processor's registers, and everything is put down once less. The first
//! butterflies take real samples as they are, so that little must be taken apart afterwards; of the last ones only powers are
//! put down.

use super::spectra::{Lined, MOST_LANES, Z, add, butterfly, square, sub, turned};
use pulp::Simd;
use std::f32::consts::FRAC_1_SQRT_2;
use std::f64::consts::TAU;

/// Samples of a window.
const WINDOW: usize = 512;
/// Of eighths of the window, and of eighths of these.
const EIGHTH: usize = WINDOW / 8;
const SMALL: usize = EIGHTH / 8;
/// Highest bin that may fall into a band; higher ones are not worked out.
const TOP: usize = 192;

/// Factors of one butterfly of eight: seven turns of the unit circle, real and imaginary.
type Turns = [[f32; 2]; 7];
/// Complex numbers that are transformed together, real and imaginary parts side by side.
type Part<V> = [[V; 2]; EIGHTH];

/// The usual window's factors and its room.
///
/// The first butterflies sort the bins by their remainder: with n = m + 64·b they sum over b, which leaves for bins 8·q + r a
/// transform of 64 complex numbers over m. Those of remainder 5, 6 and 7 are those of 3, 2 and 1 mirrored, for samples are real.
/// Bins of remainder 0 and 4 are a real transform of 128 numbers: a complex one of 64 (even numbers real, odd ones
/// imaginary), the halves of which are taken apart afterwards.
pub(super) struct Usual {
    /// Frames that begin within one window.
    hops: usize,
    /// Window values of the eight samples of each first butterfly.
    hann: Vec<[f32; 8]>,
    /// 2·e^(−2πirm/512) for remainders r = 1, 2 and 3: doubled, for the taking apart doubles the others.
    first: Vec<[[f32; 2]; 3]>,
    second: Vec<Turns>,
    /// e^(−2πiq/128) for every fourth bin 4·q.
    apart: Vec<[f32; 2]>,
    /// First bin of each band, and the bin after its last.
    bands: Vec<(usize, usize)>,
    norm: f32,
    between: Lined,
    power: Lined,
}

impl Usual {
    /// `None` for any other window or hop, or where a band reaches higher than at the usual rate. `bands` and `norm` as in
    /// [`Spectra::new`](super::spectra::Spectra::new).
    pub(super) fn new(hann: &[f32], hop: usize, bands: &[(usize, usize)], norm: f32) -> Option<Self> {
        let usual = hann.len() == WINDOW && matches!(hop, 64 | 128) && bands.iter().all(|b| b.0 > 0 && b.1 <= TOP + 1);
        let turn = |length: f64, k: usize, of: usize| {
            let a = -TAU * k as f64 / of as f64;
            [(length * a.cos()) as f32, (length * a.sin()) as f32]
        };
        usual.then(|| Self {
            hops: hann.len() / hop,
            hann: (0..EIGHTH).map(|m| std::array::from_fn(|b| hann[m + EIGHTH * b])).collect(),
            first: (0..EIGHTH).map(|m| std::array::from_fn(|r| turn(2.0, m * (r + 1), WINDOW))).collect(),
            second: (0..SMALL).map(|j| std::array::from_fn(|k| turn(1.0, j * (k + 1), EIGHTH))).collect(),
            apart: (0..=EIGHTH / 2).map(|q| turn(1.0, q, 2 * EIGHTH)).collect(),
            bands: bands.to_vec(),
            norm: norm / 4.0,
            between: Lined::new(WINDOW * MOST_LANES),
            power: Lined::new((TOP + 1) * MOST_LANES),
        })
    }

    /// Band powers of the frames from `frame` on, one in each lane. `columns` has the samples by their place in the hop, each
    /// column `stride` long.
    #[inline(always)]
    pub(super) fn powers<S: Simd, const B: usize>(
        &mut self,
        s: S,
        columns: &[f32],
        stride: usize,
        frame: usize,
        sums: &mut [[f32; MOST_LANES]; B],
    ) {
        let between = S::as_mut_simd_f32s(self.between.all()).0.as_chunks_mut::<2>().0;
        let Some(between) = between.as_chunks_mut::<EIGHTH>().0.first_chunk_mut::<4>() else { return };
        let Some(power) = S::as_mut_simd_f32s(self.power.all()).0.first_chunk_mut() else { return };
        let (Some(hann), Some(first)) = (self.hann.first_chunk(), self.first.first_chunk()) else { return };
        let (Some(second), Some(apart)) = (self.second.first_chunk(), self.apart.first_chunk()) else { return };
        if self.hops == 8 {
            first_pass::<S, 8, 1>(s, columns, stride, frame, hann, first, between);
        } else {
            first_pass::<S, 4, 2>(s, columns, stride, frame, hann, first, between);
        }
        let [fourths, one, two, three] = between;
        every_fourth_bin(s, second, apart, fourths, power);
        bins_around_eighths::<S, 1>(s, second, one, power);
        bins_around_eighths::<S, 2>(s, second, two, power);
        bins_around_eighths::<S, 3>(s, second, three, power);
        for (sum, &(from, to)) in sums.iter_mut().zip(&self.bands) {
            let total = total(s, power.get(from..to).unwrap_or_default());
            if let Some(sum) = S::as_mut_simd_f32s(sum).0.first_mut() {
                *sum = s.mul_f32s(total, s.splat_f32s(self.norm));
            }
        }
    }
}

/// Four sums side by side, for each waits for itself only.
#[inline(always)]
fn total<S: Simd>(s: S, powers: &[S::f32s]) -> S::f32s {
    let (fours, rest) = powers.as_chunks::<4>();
    let mut sums = [s.splat_f32s(0.0); 4];
    for four in fours {
        for (sum, &power) in sums.iter_mut().zip(four) {
            *sum = s.add_f32s(*sum, power);
        }
    }
    let fours = s.add_f32s(s.add_f32s(sums[0], sums[1]), s.add_f32s(sums[2], sums[3]));
    let mut total = fours;
    for &power in rest {
        total = s.add_f32s(total, power);
    }
    total
}

#[inline(always)]
fn plus<S: Simd>(s: S, a: S::f32s, b: S::f32s, times: S::f32s) -> S::f32s {
    s.mul_add_f32s(b, times, a)
}

#[inline(always)]
fn minus<S: Simd>(s: S, a: S::f32s, b: S::f32s, times: S::f32s) -> S::f32s {
    s.mul_add_f32s(s.neg_f32s(b), times, a)
}

/// Turned back by an eighth of a circle, √2 times as long.
#[inline(always)]
fn turned_long<S: Simd>(s: S, z: Z<S::f32s>) -> Z<S::f32s> {
    Z(s.add_f32s(z.0, z.1), s.sub_f32s(z.1, z.0))
}

/// The sums of a radix-8 butterfly, before they are turned.
#[inline(always)]
fn eight<S: Simd>(s: S, x: &[Z<S::f32s>; 8]) -> [Z<S::f32s>; 8] {
    let h = s.splat_f32s(FRAC_1_SQRT_2);
    let [a0, a1, a2, a3] = butterfly(s, x[0], x[2], x[4], x[6]);
    let [b0, b1, b2, b3] = butterfly(s, x[1], x[3], x[5], x[7]);
    let (b1, b3) = (turned_long(s, b1), turned_long(s, b3));
    [
        add(s, a0, b0),
        Z(plus(s, a1.0, b1.0, h), plus(s, a1.1, b1.1, h)),
        Z(s.add_f32s(a2.0, b2.1), s.sub_f32s(a2.1, b2.0)),
        Z(plus(s, a3.0, b3.1, h), minus(s, a3.1, b3.0, h)),
        sub(s, a0, b0),
        Z(minus(s, a1.0, b1.0, h), minus(s, a1.1, b1.1, h)),
        Z(s.sub_f32s(a2.0, b2.1), s.add_f32s(a2.1, b2.0)),
        Z(minus(s, a3.0, b3.1, h), plus(s, a3.1, b3.0, h)),
    ]
}

/// Reads and windows the samples and takes them through the first butterflies: samples `m + 64·b` lie in `PARTS` columns, `HOPS`
/// of them in each. What they leave for bins of remainder 0 and 4 goes into the first part, of 1, 2 and 3 into the others.
#[inline(always)]
fn first_pass<S: Simd, const HOPS: usize, const PARTS: usize>(
    s: S,
    columns: &[f32],
    stride: usize,
    frame: usize,
    hann: &[[f32; 8]; EIGHTH],
    turns: &[[[f32; 2]; 3]; EIGHTH],
    [fourths, parts @ ..]: &mut [Part<S::f32s>; 4],
) {
    let h = s.splat_f32s(FRAC_1_SQRT_2);
    for m in 0..EIGHTH {
        let mut x = [h; 8];
        for part in 0..PARTS {
            let at = (m + part * EIGHTH) * stride + frame;
            let heard = &columns[at..at + HOPS - 1 + S::F32_LANES];
            for hop in 0..HOPS {
                x[hop * PARTS + part] = S::as_simd_f32s(&heard[hop..hop + S::F32_LANES]).0[0];
            }
        }
        // Sums and differences of windowed samples half a window apart.
        let mut halves = [(h, h); 4];
        for b in 0..4 {
            let (early, w) = (s.mul_f32s(x[b], s.splat_f32s(hann[m][b])), s.splat_f32s(hann[m][b + 4]));
            halves[b] = (plus(s, early, x[b + 4], w), minus(s, early, x[b + 4], w));
        }
        let [(s0, d0), (s1, d1), (s2, d2), (s3, d3)] = halves;
        fourths[m / 2][m % 2] = s.add_f32s(s0, s2);
        fourths[EIGHTH / 2 + m / 2][m % 2] = s.add_f32s(s1, s3);
        let (p, q) = (s.sub_f32s(d1, d3), s.add_f32s(d1, d3));
        let sums = [
            Z(plus(s, d0, p, h), s.neg_f32s(plus(s, d2, q, h))),
            Z(s.sub_f32s(s0, s2), s.sub_f32s(s3, s1)),
            Z(minus(s, d0, p, h), minus(s, d2, q, h)),
        ];
        for r in 0..3 {
            let [re, im] = turns[m][r];
            let z = turned(s, sums[r], re, im);
            parts[r][m] = [z.0, z.1];
        }
    }
}

/// The first butterflies of a transform of 64, turned.
#[inline(always)]
fn second_pass<S: Simd>(s: S, turns: &[Turns; SMALL], part: &mut Part<S::f32s>) {
    for j in 0..SMALL {
        let mut x = [Z(part[j][0], part[j][1]); 8];
        for n in 1..8 {
            x[n] = Z(part[j + SMALL * n][0], part[j + SMALL * n][1]);
        }
        let y = eight(s, &x);
        part[j] = [y[0].0, y[0].1];
        for k in 1..8 {
            let [re, im] = turns[j][k - 1];
            let z = if j == 0 { y[k] } else { turned(s, y[k], re, im) };
            part[j + SMALL * k] = [z.0, z.1];
        }
    }
}

/// Butterfly number `k` of the last ones of a transform of 64: what stands at `k`, `8 + k`, `16 + k` and so on of it.
#[inline(always)]
fn last<S: Simd>(s: S, part: &Part<S::f32s>, k: usize) -> [Z<S::f32s>; 8] {
    let mut x = [Z(part[8 * k][0], part[8 * k][1]); 8];
    for n in 1..8 {
        x[n] = Z(part[8 * k + n][0], part[8 * k + n][1]);
    }
    eight(s, &x)
}

/// Powers of the bins before and after every eighth one by `R`.
#[inline(always)]
fn bins_around_eighths<S: Simd, const R: usize>(
    s: S,
    turns: &[Turns; SMALL],
    part: &mut Part<S::f32s>,
    power: &mut [S::f32s; TOP + 1],
) {
    second_pass(s, turns, part);
    for k in 0..SMALL {
        let y = last(s, part, k);
        // Those in between are above the highest.
        for n in [0, 1, 2] {
            power[R + 8 * k + EIGHTH * n] = square(s, y[n]);
        }
        for n in [5, 6, 7] {
            power[WINDOW - (R + 8 * k + EIGHTH * n)] = square(s, y[n]);
        }
    }
}

/// Number `q` of a transform of 64 whose last butterflies were put down where they came from.
#[inline(always)]
fn standing<S: Simd>(part: &Part<S::f32s>, q: usize) -> Z<S::f32s> {
    let [re, im] = part[8 * (q % 8) + q / 8];
    Z(re, im)
}

/// Powers of every fourth bin.
#[inline(always)]
fn every_fourth_bin<S: Simd>(
    s: S,
    turns: &[Turns; SMALL],
    apart: &[[f32; 2]; EIGHTH / 2 + 1],
    part: &mut Part<S::f32s>,
    power: &mut [S::f32s; TOP + 1],
) {
    second_pass(s, turns, part);
    for k in 0..SMALL {
        let y = last(s, part, k);
        for n in 0..8 {
            part[8 * k + n] = [y[n].0, y[n].1];
        }
    }
    for q in 1..=EIGHTH / 2 {
        let (a, b) = (standing::<S>(part, q), standing::<S>(part, EIGHTH - q));
        // Transforms of the even and of the odd numbers, doubled.
        let even = Z(s.add_f32s(a.0, b.0), s.sub_f32s(a.1, b.1));
        let odd = Z(s.sub_f32s(a.0, b.0), s.add_f32s(a.1, b.1));
        let [re, im] = apart[q];
        let t = turned(s, odd, re, im);
        power[4 * q] = square(s, Z(s.add_f32s(even.0, t.1), s.sub_f32s(even.1, t.0)));
        if let Some(power) = power.get_mut(4 * (EIGHTH - q)) {
            *power = square(s, Z(s.sub_f32s(even.0, t.1), s.add_f32s(even.1, t.0)));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::spectra::Spectra;
    use super::*;
    use realfft::RealFftPlanner;

    /// Bands that meet, overlap at the low end, hold a single bin and reach to the top.
    const BANDS: [(usize, usize); 5] = [(1, 2), (1, 4), (4, 64), (64, 65), (100, TOP + 1)];

    fn hann() -> Vec<f32> {
        (0..512).map(|i| (0.5 - 0.5 * (TAU * f64::from(i) / 512.0).cos()) as f32).collect()
    }

    /// Plain transform of the window that begins at `from`, summed into bands.
    fn plain<const B: usize>(x: &[f32], from: usize, bands: &[(usize, usize); B]) -> [f32; B] {
        let fft = RealFftPlanner::<f64>::new().plan_fft_forward(512);
        let mut windowed: Vec<f64> =
            x[from..from + 512].iter().zip(hann()).map(|(x, w)| f64::from(*x) * f64::from(w)).collect();
        let mut bins = fft.make_output_vec();
        fft.process(&mut windowed, &mut bins).unwrap();
        bands.map(|(from, to)| bins[from..to].iter().map(|z| z.norm_sqr()).sum::<f64>() as f32)
    }

    #[test]
    fn powers_are_those_of_a_plain_transform() {
        let mut seed = 1u64;
        let mut noise = || {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (seed >> 40) as f32 / (1u64 << 23) as f32 - 1.0
        };
        let x: Vec<f32> = (0..9_000).map(|i| noise() * 0.1 + (i as f32 * 0.05).sin()).collect();
        for hop in [64, 128] {
            let mut spectra = Spectra::new(&hann(), hop, &BANDS, 1.0).unwrap();
            let count = (x.len() - 512) / hop + 1;
            let mut rows: Vec<[f32; 5]> = Vec::new();
            spectra.rows(&x, count, &mut rows);
            assert_eq!(rows.len(), count);
            for (k, row) in rows.iter().enumerate() {
                let expected = plain(&x, k * hop, &BANDS);
                for b in 0..BANDS.len() {
                    let apart = (row[b] - expected[b]).abs();
                    assert!(apart < 1e-5 * expected[b] + 1e-6, "hop {hop}, frame {k}, band {b}: {row:?} {expected:?}");
                }
            }
        }
    }

    #[test]
    fn every_bin_has_its_own_power() {
        // A tone between each bin and the next, softer and softer, so that no two bins are alike.
        let tone = |i: usize, k: usize| 0.97f64.powi(k as i32) * (TAU * (k as f64 + 0.3) * i as f64 / 512.0).sin();
        let x: Vec<f32> = (0..2_048).map(|i| (1..200).map(|k| tone(i, k)).sum::<f64>() as f32).collect();
        let bins: [(usize, usize); TOP] = std::array::from_fn(|k| (k + 1, k + 2));
        for hop in [64, 128] {
            let mut rows: Vec<[f32; TOP]> = Vec::new();
            let count = (x.len() - 512) / hop + 1;
            Spectra::new(&hann(), hop, &bins, 1.0).unwrap().rows(&x, count, &mut rows);
            for (k, row) in rows.iter().enumerate() {
                let expected = plain(&x, k * hop, &bins);
                for b in 0..TOP {
                    let apart = (row[b].sqrt() - expected[b].sqrt()).abs();
                    assert!(apart < 1e-4, "hop {hop}, frame {k}, bin {}: {} {}", b + 1, row[b], expected[b]);
                }
            }
        }
    }

    #[test]
    fn other_windows_and_hops_go_the_general_way() {
        let of = |window: usize, hop: usize, top: usize| {
            Usual::new(&vec![1.0; window], hop, &[(1, 2), (5, top)], 1.0).is_some()
        };
        assert!(of(512, 64, 193) && of(512, 128, 64));
        assert!(!of(1024, 128, 64) && !of(512, 32, 64) && !of(512, 64, 194));
    }
}
