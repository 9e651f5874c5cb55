//! Band powers of many frames at once: one frame in each lane of the processor's vector registers.
//!
//! In: samples, window, hop, bands. Out: rows of band powers. For window lengths that are a power of two, on
//! processors with vector instructions; [`BandAnalyser`](super::bands::BandAnalyser) falls back on a plain transform.
//! The window of the usual rate has a quicker way of its own ([`Usual`]).

use super::transpose::Transposer;
use super::usual::Usual;
use pulp::{Arch, Simd, WithSimd};
use std::f64::consts::TAU;
use std::ops::Range;

/// Samples between the first and the last of the frames that are worked on together: they stay in the processor's first
/// cache.
const REACH: usize = 4096;
/// Most lanes of a vector register.
pub(super) const MOST_LANES: usize = 16;

/// Frames that are worked on together: whole registers of them.
fn batch(hop: usize) -> usize {
    (REACH / hop).max(MOST_LANES).next_multiple_of(MOST_LANES)
}

/// Factors of one butterfly: three turns of the unit circle.
#[derive(Clone, Copy)]
struct Turn {
    re: [f32; 3],
    im: [f32; 3],
}

/// Windowed real transforms of several frames in parallel, summed into bands.
///
/// A real transform of N samples is a complex one of N/2 (even samples real, odd ones imaginary) whose halves are
/// taken apart afterwards (Oppenheim & Schafer, Discrete-Time Signal Processing, from memory). The complex transform is
/// radix 4, decimated in frequency, in place. Every lane does the same sums in the same order on every
/// processor, multiplications fused with additions on all or none, so the powers do not depend on the width of the registers.
pub(super) struct Spectra {
    arch: Arch,
    window: usize,
    hop: usize,
    usual: Option<Usual>,
    /// Window values of each pair of samples.
    hann: Vec<[f32; 2]>,
    /// Where in `columns` each pair of samples begins for the first frame of a batch.
    starts: Vec<u32>,
    /// Length of the blocks of each stage, and its factors.
    stages: Vec<(usize, Vec<Turn>)>,
    apart: Apart,
    re: Lined,
    im: Lined,
    /// Samples by their place in the hop, so that those of neighbouring frames lie side by side.
    columns: Lined,
    transposer: Transposer,
}

/// What takes a real transform apart.
struct Apart {
    /// Where each bin stands after the last stage.
    place: Vec<u32>,
    /// e^(−2πik/N) for bin k.
    turns: Vec<[f32; 2]>,
    /// The bins that fall into bands.
    pairs: Vec<PairsOfBins>,
    /// Factor of a power.
    norm: f32,
}

/// Neighbouring bins `k` that fall into the same bands, and of which the bins `half − k` do so too. At the low end a bin may
/// fall into two bands.
struct PairsOfBins {
    bins: Range<usize>,
    low: Vec<usize>,
    high: Vec<usize>,
}

impl PairsOfBins {
    /// All pairs of which one bin at least falls into a band; the middle bin is its own partner and counts once.
    fn of(bands: &[(usize, usize)], half: usize) -> Vec<Self> {
        let around = |bin: usize| -> Vec<usize> {
            (0..bands.len()).filter(|&b| (bands[b].0..bands[b].1).contains(&bin)).collect()
        };
        let mut out: Vec<Self> = Vec::new();
        for k in 1..=half / 2 {
            let (low, high) = (around(k), if 2 * k == half { Vec::new() } else { around(half - k) });
            match out.last_mut() {
                Some(last) if last.bins.end == k && last.low == low && last.high == high => last.bins.end += 1,
                _ if low.is_empty() && high.is_empty() => {}
                _ => out.push(Self { bins: k..k + 1, low, high }),
            }
        }
        out
    }
}

/// Length of a row of `columns`: whole cache lines, and an odd number of them, so that rows do not crowd each other out of
/// the cache.
fn stride(window: usize, hop: usize) -> usize {
    ((batch(hop) + window / hop).div_ceil(MOST_LANES) | 1) * MOST_LANES
}

/// Numbers that begin with a cache line: a register of them that lies across two lines takes the processor twice as long.
pub(super) struct Lined {
    room: Vec<f32>,
    length: usize,
}

impl Lined {
    /// So many zeros.
    pub(super) fn new(length: usize) -> Self {
        Self { room: vec![0.0; length + LINE], length }
    }

    pub(super) fn all(&mut self) -> &mut [f32] {
        let before = self.room.as_ptr().align_offset(LINE * size_of::<f32>()).min(LINE);
        &mut self.room[before..before + self.length]
    }
}

/// Numbers a cache line.
const LINE: usize = 16;

impl Spectra {
    /// `None` where the window is no power of two, no multiple of an even hop, or the processor has no vector registers
    /// worth the while, or a band does not lie between zero and half the rate.
    pub(super) fn new(hann: &[f32], hop: usize, bands: &[(usize, usize)], norm: f32) -> Option<Self> {
        let window = hann.len();
        let arch = Arch::new();
        let fits = window.is_power_of_two() && window >= 32 && hop.is_multiple_of(2) && window.is_multiple_of(hop);
        if !fits || arch.dispatch(Width) < 4 || bands.iter().any(|b| b.0 == 0 || b.1 > window / 2) {
            return None;
        }
        let half = window / 2;
        let turn = |k: usize, of: usize| {
            let a = -TAU * k as f64 / of as f64;
            (a.cos() as f32, a.sin() as f32)
        };
        let mut stages = Vec::new();
        let mut span = half;
        while span > 1 {
            let next = if span == 2 { 1 } else { span / 4 };
            let factors = |j: usize| {
                let t = [turn(j, span), turn(2 * j, span), turn(3 * j, span)];
                Turn { re: t.map(|t| t.0), im: t.map(|t| t.1) }
            };
            stages.push((span, (0..next).map(factors).collect::<Vec<_>>()));
            span = next;
        }
        // Each stage sorts the bins by their remainder.
        let place = |bin: usize| {
            let (mut at, mut bin) = (0, bin);
            for (span, factors) in &stages {
                let parts = span / factors.len();
                at += bin % parts * factors.len();
                bin /= parts;
            }
            at as u32
        };
        let stride = stride(window, hop);
        Some(Self {
            arch,
            window,
            hop,
            hann: hann.chunks_exact(2).map(|w| [w[0], w[1]]).collect(),
            usual: Usual::new(hann, hop, bands, norm),
            starts: (0..half).map(|i| (2 * i % hop * stride + 2 * i / hop) as u32).collect(),
            apart: Apart {
                place: (0..half).map(place).collect(),
                turns: (0..=half / 2).map(|k| turn(k, window)).map(|t| [t.0, t.1]).collect(),
                pairs: PairsOfBins::of(bands, half),
                // The taking apart gives twice the amplitude.
                norm: norm / 4.0,
            },
            stages,
            re: Lined::new(half * MOST_LANES),
            im: Lined::new(half * MOST_LANES),
            columns: Lined::new(hop * stride),
            transposer: Transposer::new(),
        })
    }

    /// Appends the rows of `count` frames, the first of which begins with the first of `samples`.
    pub(super) fn rows<const B: usize>(&mut self, samples: &[f32], count: usize, out: &mut impl Extend<[f32; B]>) {
        debug_assert!(count == 0 || samples.len() >= (count - 1) * self.hop + self.window);
        self.arch.dispatch(Run { of: self, samples, count, out });
    }
}

/// Lanes of a vector register.
struct Width;

impl WithSimd for Width {
    type Output = usize;

    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) -> usize {
        S::F32_LANES
    }
}

struct Run<'a, const B: usize, E> {
    of: &'a mut Spectra,
    samples: &'a [f32],
    count: usize,
    out: &'a mut E,
}

impl<const B: usize, E: Extend<[f32; B]>> WithSimd for Run<'_, B, E> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, s: S) {
        let Run { of, samples, count, out } = self;
        let (hop, half, stride) = (of.hop, of.window / 2, stride(of.window, of.hop));
        let most = batch(hop);
        let columns = of.columns.all();
        let (re, im) = (S::as_mut_simd_f32s(of.re.all()).0, S::as_mut_simd_f32s(of.im.all()).0);
        let (re, im) = (&mut re[..half], &mut im[..half]);
        for first in (0..count).step_by(most) {
            let batch = (count - first).min(most);
            // Some rows more where there are any, for they are transposed eight at a time.
            let rows = (batch - 1 + of.window / hop).next_multiple_of(8);
            let heard = &samples[first * hop..((first + rows) * hop).min(samples.len())];
            of.transposer.transpose(heard, hop, columns, stride);
            for frame in (0..batch).step_by(S::F32_LANES) {
                let mut sums = [[0.0f32; MOST_LANES]; B];
                if let Some(usual) = &mut of.usual {
                    usual.powers(s, columns, stride, frame, &mut sums);
                } else {
                    let pairs = Pairs { columns, starts: &of.starts, stride, frame, hann: &of.hann };
                    let Some(((_, turns), later)) = of.stages.split_first() else { return };
                    first_stage(s, re, im, &pairs, turns);
                    // Each quarter to its end before the next: the whole does not fit the processor's first cache, a
                    // quarter does.
                    for (re, im) in re.chunks_exact_mut(half / 4).zip(im.chunks_exact_mut(half / 4)) {
                        for (span, turns) in later {
                            if *span == 2 {
                                last_pairs(s, re, im);
                            } else {
                                stage(s, re, im, *span, turns);
                            }
                        }
                    }
                    powers(s, re, im, &of.apart, &mut sums);
                }
                put(&sums, (batch - frame).min(S::F32_LANES), out);
            }
        }
    }
}

/// Appends a row for each of so many lanes. Not part of the loops that are compiled for wide registers, where it would be done
/// by scattering, which is slower.
#[inline(never)]
fn put<const B: usize>(sums: &[[f32; MOST_LANES]; B], lanes: usize, out: &mut impl Extend<[f32; B]>) {
    out.extend((0..lanes).map(|l| -> [f32; B] { std::array::from_fn(|b| sums[b][l]) }));
}

/// A complex number in every lane.
#[derive(Clone, Copy)]
pub(super) struct Z<V: Copy>(pub V, pub V);

#[inline(always)]
pub(super) fn add<S: Simd>(s: S, a: Z<S::f32s>, b: Z<S::f32s>) -> Z<S::f32s> {
    Z(s.add_f32s(a.0, b.0), s.add_f32s(a.1, b.1))
}

#[inline(always)]
pub(super) fn sub<S: Simd>(s: S, a: Z<S::f32s>, b: Z<S::f32s>) -> Z<S::f32s> {
    Z(s.sub_f32s(a.0, b.0), s.sub_f32s(a.1, b.1))
}

#[inline(always)]
pub(super) fn turned<S: Simd>(s: S, a: Z<S::f32s>, re: f32, im: f32) -> Z<S::f32s> {
    let (c, d, minus) = (s.splat_f32s(re), s.splat_f32s(im), s.splat_f32s(-im));
    Z(s.mul_add_f32s(a.0, c, s.mul_f32s(a.1, minus)), s.mul_add_f32s(a.0, d, s.mul_f32s(a.1, c)))
}

#[inline(always)]
pub(super) fn square<S: Simd>(s: S, z: Z<S::f32s>) -> S::f32s {
    s.mul_add_f32s(z.0, z.0, s.mul_f32s(z.1, z.1))
}

/// The sums of a radix-4 butterfly, before they are turned.
#[inline(always)]
pub(super) fn butterfly<S: Simd>(s: S, a: Z<S::f32s>, b: Z<S::f32s>, c: Z<S::f32s>, d: Z<S::f32s>) -> [Z<S::f32s>; 4] {
    let (p, q, r, u) = (add(s, a, c), sub(s, a, c), add(s, b, d), sub(s, b, d));
    [
        add(s, p, r),
        Z(s.add_f32s(q.0, u.1), s.sub_f32s(q.1, u.0)),
        sub(s, p, r),
        Z(s.sub_f32s(q.0, u.1), s.add_f32s(q.1, u.0)),
    ]
}

/// The windowed pairs of samples of neighbouring frames.
struct Pairs<'a> {
    columns: &'a [f32],
    starts: &'a [u32],
    stride: usize,
    frame: usize,
    hann: &'a [[f32; 2]],
}

impl Pairs<'_> {
    #[inline(always)]
    fn load<S: Simd>(&self, s: S, i: usize) -> Z<S::f32s> {
        let at = self.starts[i] as usize + self.frame;
        let even = S::as_simd_f32s(&self.columns[at..at + S::F32_LANES]).0[0];
        let odd = S::as_simd_f32s(&self.columns[at + self.stride..at + self.stride + S::F32_LANES]).0[0];
        let [w, v] = self.hann[i];
        Z(s.mul_f32s(even, s.splat_f32s(w)), s.mul_f32s(odd, s.splat_f32s(v)))
    }
}

/// The first stage reads and windows the samples.
#[inline(always)]
fn first_stage<S: Simd>(s: S, re: &mut [S::f32s], im: &mut [S::f32s], pairs: &Pairs, turns: &[Turn]) {
    let q = re.len() / 4;
    let ([ra, rb, rc, rd], [ia, ib, ic, id]) = (quarters(re, q), quarters(im, q));
    let turns = &turns[..q];
    for j in 0..q {
        let [a, b, c, d] = [pairs.load(s, j), pairs.load(s, j + q), pairs.load(s, j + 2 * q), pairs.load(s, j + 3 * q)];
        let [y0, y1, y2, y3] = butterfly(s, a, b, c, d);
        let t = &turns[j];
        Z(ra[j], ia[j]) = y0;
        Z(rb[j], ib[j]) = turned(s, y1, t.re[0], t.im[0]);
        Z(rc[j], ic[j]) = turned(s, y2, t.re[1], t.im[1]);
        Z(rd[j], id[j]) = turned(s, y3, t.re[2], t.im[2]);
    }
}

#[inline(always)]
fn stage<S: Simd>(s: S, re: &mut [S::f32s], im: &mut [S::f32s], span: usize, turns: &[Turn]) {
    let q = span / 4;
    for (re, im) in re.chunks_exact_mut(span).zip(im.chunks_exact_mut(span)) {
        let ([ra, rb, rc, rd], [ia, ib, ic, id]) = (quarters(re, q), quarters(im, q));
        let turns = &turns[..q];
        for j in 0..q {
            let [y0, y1, y2, y3] = butterfly(s, Z(ra[j], ia[j]), Z(rb[j], ib[j]), Z(rc[j], ic[j]), Z(rd[j], id[j]));
            Z(ra[j], ia[j]) = y0;
            if q == 1 {
                Z(rb[j], ib[j]) = y1;
                Z(rc[j], ic[j]) = y2;
                Z(rd[j], id[j]) = y3;
            } else {
                let t = &turns[j];
                Z(rb[j], ib[j]) = turned(s, y1, t.re[0], t.im[0]);
                Z(rc[j], ic[j]) = turned(s, y2, t.re[1], t.im[1]);
                Z(rd[j], id[j]) = turned(s, y3, t.re[2], t.im[2]);
            }
        }
    }
}

/// The last stage where the length is twice a power of four.
#[inline(always)]
fn last_pairs<S: Simd>(s: S, re: &mut [S::f32s], im: &mut [S::f32s]) {
    for (re, im) in re.chunks_exact_mut(2).zip(im.chunks_exact_mut(2)) {
        let (a, b) = (Z(re[0], im[0]), Z(re[1], im[1]));
        Z(re[0], im[0]) = add(s, a, b);
        Z(re[1], im[1]) = sub(s, a, b);
    }
}

#[inline(always)]
fn quarters<V>(x: &mut [V], q: usize) -> [&mut [V]; 4] {
    let (a, x) = x.split_at_mut(q);
    let (b, x) = x.split_at_mut(q);
    let (c, d) = x.split_at_mut(q);
    [a, b, c, &mut d[..q]]
}

/// Takes the real transform apart and adds up the powers of each band's bins.
#[inline(always)]
fn powers<S: Simd, const B: usize>(
    s: S,
    re: &[S::f32s],
    im: &[S::f32s],
    apart: &Apart,
    sums: &mut [[f32; MOST_LANES]; B],
) {
    let m = re.len();
    for pairs in &apart.pairs {
        let (mut low, mut high) = (s.splat_f32s(0.0), s.splat_f32s(0.0));
        for k in pairs.bins.clone() {
            let (i, j) = (apart.place[k] as usize, apart.place[m - k] as usize);
            let (a, b) = (Z(re[i], im[i]), Z(re[j], im[j]));
            // Transforms of the even and of the odd samples, doubled.
            let even = Z(s.add_f32s(a.0, b.0), s.sub_f32s(a.1, b.1));
            let odd = Z(s.sub_f32s(a.0, b.0), s.add_f32s(a.1, b.1));
            let t = turned(s, odd, apart.turns[k][0], apart.turns[k][1]);
            low = s.add_f32s(low, square(s, Z(s.add_f32s(even.0, t.1), s.sub_f32s(even.1, t.0))));
            high = s.add_f32s(high, square(s, Z(s.sub_f32s(even.0, t.1), s.add_f32s(even.1, t.0))));
        }
        for (bands, total) in [(&pairs.low, low), (&pairs.high, high)] {
            for &band in bands {
                let Some(sum) = S::as_mut_simd_f32s(&mut sums[band]).0.first_mut() else { continue };
                *sum = s.mul_add_f32s(total, s.splat_f32s(apart.norm), *sum);
            }
        }
    }
}
