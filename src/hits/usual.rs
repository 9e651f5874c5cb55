//! The transform of the usual window: 512 samples every 64 or every 128.
//!
//! In: samples of neighbouring frames side by side. Out: band powers of as many frames as a register has lanes. Eight times
//! eight times four, and not four times four times four times four as [`Spectra`](super::spectra::Spectra) does it for any
//! length: a butterfly of eight still fits the processor's registers, and everything is put down once less. The
//! last butterflies are taken apart where they stand, only powers are put down.

use super::spectra::{Lined, MOST_LANES, Z, add, butterfly, square, sub, turned};
use pulp::Simd;
use std::f32::consts::FRAC_1_SQRT_2;
use std::f64::consts::TAU;

/// Complex numbers that are transformed: pairs of samples.
const HALF: usize = 256;
/// Of eighths of the transform, and of eighths of these.
const EIGHTH: usize = HALF / 8;
const SMALL: usize = EIGHTH / 8;
/// Highest bin that may fall into a band; higher ones are not worked out.
const TOP: usize = 192;

/// Factors of one butterfly of eight: seven turns of the unit circle, real and imaginary.
type Turns = [[f32; 2]; 7];
/// Eighths of the transform, real and imaginary parts side by side.
type Eighths<V> = [[[V; 2]; EIGHTH]; 8];

/// The usual window's factors and its room.
pub(super) struct Usual {
    /// Frames that begin within one window.
    hops: usize,
    /// Window values of the eight pairs of samples of each first butterfly.
    hann: Vec<[[f32; 2]; 8]>,
    first: Vec<Turns>,
    second: Vec<Turns>,
    /// e^(−2πik/N) for bin k.
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
        let usual =
            hann.len() == 2 * HALF && matches!(hop, 64 | 128) && bands.iter().all(|b| b.0 > 0 && b.1 <= TOP + 1);
        let turn = |k: usize, of: usize| {
            let a = -TAU * k as f64 / of as f64;
            [a.cos() as f32, a.sin() as f32]
        };
        let turns = |count: usize| -> Vec<Turns> {
            (0..count).map(|j| std::array::from_fn(|k| turn(j * (k + 1), 8 * count))).collect()
        };
        let windowed = |j: usize, n: usize| -> [f32; 2] { std::array::from_fn(|i| hann[2 * (j + EIGHTH * n) + i]) };
        usual.then(|| Self {
            hops: hann.len() / hop,
            hann: (0..EIGHTH).map(|j| std::array::from_fn(|n| windowed(j, n))).collect(),
            first: turns(EIGHTH),
            second: turns(SMALL),
            apart: (0..=HALF / 2).map(|k| turn(k, 2 * HALF)).collect(),
            bands: bands.to_vec(),
            // The taking apart gives twice the amplitude.
            norm: norm / 4.0,
            between: Lined::new(2 * HALF * MOST_LANES),
            power: Lined::new(HALF * MOST_LANES),
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
        let Some(between) = between.as_chunks_mut::<EIGHTH>().0.first_chunk_mut::<8>() else { return };
        let Some(power) = S::as_mut_simd_f32s(self.power.all()).0.first_chunk_mut::<HALF>() else { return };
        let (Some(hann), Some(first)) = (self.hann.first_chunk(), self.first.first_chunk()) else { return };
        let (Some(second), Some(apart)) = (self.second.first_chunk(), self.apart.first_chunk()) else { return };
        if self.hops == 8 {
            first_pass::<S, 8, 1>(s, columns, stride, frame, hann, first, between);
        } else {
            first_pass::<S, 4, 2>(s, columns, stride, frame, hann, first, between);
        }
        second_pass(s, second, between);
        last_pass(s, between, apart, power);
        for (sum, &(from, to)) in sums.iter_mut().zip(&self.bands) {
            let mut total = s.splat_f32s(0.0);
            for &p in power.get(from..to).unwrap_or_default() {
                total = s.add_f32s(total, p);
            }
            if let Some(sum) = S::as_mut_simd_f32s(sum).0.first_mut() {
                *sum = s.mul_f32s(total, s.splat_f32s(self.norm));
            }
        }
    }
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

/// Reads and windows the samples: pairs `j + 32·n` lie in `PARTS` columns, `HOPS` of them in each.
#[inline(always)]
fn first_pass<S: Simd, const HOPS: usize, const PARTS: usize>(
    s: S,
    columns: &[f32],
    stride: usize,
    frame: usize,
    hann: &[[[f32; 2]; 8]; EIGHTH],
    turns: &[Turns; EIGHTH],
    between: &mut Eighths<S::f32s>,
) {
    let zero = s.splat_f32s(0.0);
    for j in 0..EIGHTH {
        let mut x = [Z(zero, zero); 8];
        for part in 0..PARTS {
            let at = 2 * (j + part * EIGHTH) * stride + frame;
            let reach = HOPS - 1 + S::F32_LANES;
            let (even, odd) = (&columns[at..at + reach], &columns[at + stride..at + stride + reach]);
            for hop in 0..HOPS {
                let n = hop * PARTS + part;
                let [w, v] = hann[j][n];
                let even = S::as_simd_f32s(&even[hop..hop + S::F32_LANES]).0[0];
                let odd = S::as_simd_f32s(&odd[hop..hop + S::F32_LANES]).0[0];
                x[n] = Z(s.mul_f32s(even, s.splat_f32s(w)), s.mul_f32s(odd, s.splat_f32s(v)));
            }
        }
        let y = eight(s, &x);
        between[0][j] = [y[0].0, y[0].1];
        for k in 1..8 {
            let [re, im] = turns[j][k - 1];
            let z = turned(s, y[k], re, im);
            between[k][j] = [z.0, z.1];
        }
    }
}

/// Every eighth for itself.
#[inline(always)]
fn second_pass<S: Simd>(s: S, turns: &[Turns; SMALL], between: &mut Eighths<S::f32s>) {
    for eighth in between {
        for j in 0..SMALL {
            let mut x = [Z(eighth[j][0], eighth[j][1]); 8];
            for n in 1..8 {
                x[n] = Z(eighth[j + SMALL * n][0], eighth[j + SMALL * n][1]);
            }
            let y = eight(s, &x);
            eighth[j] = [y[0].0, y[0].1];
            for k in 1..8 {
                let [re, im] = turns[j][k - 1];
                let z = if j == 0 { y[k] } else { turned(s, y[k], re, im) };
                eighth[j + SMALL * k] = [z.0, z.1];
            }
        }
    }
}

/// The last butterflies, those of bins `k` and `64 − k` (and of every 64th from there) together: they are each other's partners
/// when the real transform is taken apart.
#[inline(always)]
fn last_pass<S: Simd>(s: S, between: &Eighths<S::f32s>, apart: &[[f32; 2]; HALF / 2 + 1], power: &mut [S::f32s; HALF]) {
    let y = last(s, between, 0);
    pair::<S, true>(s, y[1], y[3], 64, apart, power);
    pair::<S, true>(s, y[2], y[2], 128, apart, power);
    for k in 1..32 {
        let (a, b) = (last(s, between, k), last(s, between, 64 - k));
        pair::<S, false>(s, a[0], b[3], k, apart, power);
        pair::<S, true>(s, a[1], b[2], 64 + k, apart, power);
        pair::<S, false>(s, b[0], a[3], 64 - k, apart, power);
        pair::<S, true>(s, b[1], a[2], 128 - k, apart, power);
    }
    let y = last(s, between, 32);
    pair::<S, false>(s, y[0], y[3], 32, apart, power);
    pair::<S, true>(s, y[1], y[2], 96, apart, power);
}

/// The complex transform at bins `k`, `64 + k`, `128 + k` and `192 + k`.
#[inline(always)]
fn last<S: Simd>(s: S, between: &Eighths<S::f32s>, k: usize) -> [Z<S::f32s>; 4] {
    let (eighth, at) = (&between[k % 8], SMALL * (k / 8 % 8));
    let mut x = [Z(eighth[at][0], eighth[at][1]); 4];
    for n in 1..4 {
        x[n] = Z(eighth[at + n][0], eighth[at + n][1]);
    }
    butterfly(s, x[0], x[1], x[2], x[3])
}

/// Takes apart what stands at bins `k` and 256 − `k` of the complex transform; of the powers there the upper one only where
/// it may fall into a band (`HIGH`).
#[inline(always)]
fn pair<S: Simd, const HIGH: bool>(
    s: S,
    a: Z<S::f32s>,
    b: Z<S::f32s>,
    k: usize,
    apart: &[[f32; 2]; HALF / 2 + 1],
    power: &mut [S::f32s; HALF],
) {
    // Transforms of the even and of the odd samples, doubled.
    let even = Z(s.add_f32s(a.0, b.0), s.sub_f32s(a.1, b.1));
    let odd = Z(s.sub_f32s(a.0, b.0), s.add_f32s(a.1, b.1));
    let [re, im] = apart[k];
    let t = turned(s, odd, re, im);
    power[k] = square(s, Z(s.add_f32s(even.0, t.1), s.sub_f32s(even.1, t.0)));
    if HIGH {
        power[HALF - k] = square(s, Z(s.sub_f32s(even.0, t.1), s.add_f32s(even.1, t.0)));
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
    fn plain(x: &[f32], from: usize) -> [f32; 5] {
        let fft = RealFftPlanner::<f64>::new().plan_fft_forward(512);
        let mut windowed: Vec<f64> =
            x[from..from + 512].iter().zip(hann()).map(|(x, w)| f64::from(*x) * f64::from(w)).collect();
        let mut bins = fft.make_output_vec();
        fft.process(&mut windowed, &mut bins).unwrap();
        BANDS.map(|(from, to)| bins[from..to].iter().map(|z| z.norm_sqr()).sum::<f64>() as f32)
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
                let expected = plain(&x, k * hop);
                for b in 0..BANDS.len() {
                    let apart = (row[b] - expected[b]).abs();
                    assert!(apart < 1e-5 * expected[b] + 1e-6, "hop {hop}, frame {k}, band {b}: {row:?} {expected:?}");
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
