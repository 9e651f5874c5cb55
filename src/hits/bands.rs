//! Band powers: how loud a mic is in eleven bands, every 1.33 ms.
//!
//! In: the samples of one mic, block by block. Out: [`Bands`], one row of eleven powers a frame.

use super::quiet::quiet;
use super::rows::Rows;
use super::spectra::Spectra;
use crate::units::{SamplePos, SampleRate};
use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};
use std::sync::{Arc, OnceLock};

/// Bands a frame.
pub const BANDS: usize = 11;

/// A mic that only bears witness, of what bleeds or of a drum that another is nearer to, is heard at every so many frames: its
/// row `k` is frame `k·SPARSE`. A window is eight hops long, so that nothing falls between two rows.
pub const SPARSE: usize = 2;

/// Band edges in Hz; band `b` reaches from edge `b` to edge `b + 1`.
pub const EDGES: [f64; BANDS + 1] =
    [60.0, 120.0, 200.0, 320.0, 500.0, 800.0, 1300.0, 2200.0, 4000.0, 7000.0, 11000.0, 18000.0];

/// Window and hop of the analysis at one rate.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Framing {
    /// Rate of the samples.
    pub rate: SampleRate,
    /// Window length in samples: 512 at 48 kHz.
    pub window: usize,
    /// Samples from one frame to the next: 64 at 48 kHz.
    pub hop: usize,
}

impl Framing {
    /// The same durations at every rate (10.7 ms and 1.33 ms), as near as whole samples allow.
    #[must_use]
    pub fn new(rate: SampleRate) -> Self {
        let scale = rate.hz_f64() / 48_000.0;
        let hop = (64.0 * scale).round().max(1.0) as usize;
        // An even length whose factors the transform likes; a multiple of 16 has at most one large factor.
        let window = ((512.0 * scale / 16.0).round().max(2.0) as usize) * 16;
        Self { rate, window, hop }
    }

    /// The same with every second frame only, for mics that only bear witness.
    #[must_use]
    pub fn sparse(self) -> Self {
        Self { hop: SPARSE * self.hop, ..self }
    }

    /// Frames of a stretch of so many samples: frame `t` is centred on sample `t·hop`.
    #[must_use]
    pub fn frames(&self, samples: u64) -> usize {
        (samples / self.hop as u64) as usize + 1
    }

    /// Sample at the centre of a frame.
    #[must_use]
    pub fn sample(&self, frame: usize) -> SamplePos {
        SamplePos((frame * self.hop) as u64)
    }

    /// Frames of a duration in milliseconds, rounded.
    #[must_use]
    pub fn frames_of_ms(&self, ms: f64) -> usize {
        (ms * 1e-3 * self.rate.hz_f64() / self.hop as f64).round() as usize
    }
}

/// Rows of band powers; 1.5 is the power of a full-scale sine inside the band. A clone shares the rows.
#[derive(Clone, Debug, Default)]
pub struct Bands {
    all: Arc<Heard>,
    /// Whether there is a row for every [`SPARSE`]th frame only.
    sparse: bool,
}

#[derive(Debug, Default)]
struct Heard {
    rows: Rows,
    quiet: OnceLock<[f32; BANDS]>,
}

impl PartialEq for Bands {
    fn eq(&self, other: &Self) -> bool {
        self.sparse == other.sparse && self.rows() == other.rows()
    }
}

/// A mic's powers at every so many frames, as they lie among all.
#[derive(Clone, Copy)]
pub struct Every<'a> {
    rows: &'a [[f32; BANDS]],
    /// Rows from one to the next.
    step: usize,
}

impl Every<'_> {
    /// How many there are.
    #[must_use]
    pub fn len(&self) -> usize {
        self.rows.len().div_ceil(self.step)
    }

    /// Whether there is none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// Number `k`, which must be there.
    #[must_use]
    pub fn row(&self, k: usize) -> &[f32; BANDS] {
        &self.rows[k * self.step]
    }

    /// The same with what lies behind it, where enough lies there to fill it up.
    #[inline(always)]
    #[must_use]
    pub fn whole(&self, k: usize) -> Option<&Row> {
        self.rows.as_flattened().get(k * self.step * BANDS..).and_then(|from| from.first_chunk())
    }

    /// The same filled up, see [`filled`].
    #[inline(always)]
    #[must_use]
    pub fn filled(&self, k: usize) -> Row {
        filled(self.rows, k * self.step)
    }
}

impl Bands {
    /// From a row for every frame, or for every [`SPARSE`]th, the first among them.
    #[must_use]
    pub(super) fn heard(rows: Rows, sparse: bool) -> Self {
        Self { all: Arc::new(Heard { rows, quiet: OnceLock::new() }), sparse }
    }

    /// From a row for every frame.
    #[must_use]
    pub fn from_rows(rows: Vec<[f32; BANDS]>) -> Self {
        Self::heard(rows.into(), false)
    }

    /// From a row for every [`SPARSE`]th frame, the first among them.
    #[must_use]
    pub fn from_sparse_rows(rows: Vec<[f32; BANDS]>) -> Self {
        Self::heard(rows.into(), true)
    }

    /// Rows, one a frame, or one for every [`SPARSE`]th.
    #[must_use]
    pub fn rows(&self) -> &[[f32; BANDS]] {
        self.all.rows.all()
    }

    /// The first so many frames.
    #[must_use]
    pub fn first(&self, frames: usize) -> Self {
        let rows = if self.sparse { frames.div_ceil(SPARSE) } else { frames };
        Self { sparse: self.sparse, ..Self::from_rows(self.rows()[..rows.min(self.len())].to_vec()) }
    }

    /// Powers at frame `t`, filled up; between two frames that are known their mean, and the last from there on.
    #[inline(always)]
    #[must_use]
    pub fn row_at(&self, t: usize) -> Row {
        if self.sparse { between(self.rows(), t) } else { filled(self.rows(), t.min(self.len().saturating_sub(1))) }
    }

    /// What is known of every [`SPARSE`]th frame.
    #[must_use]
    pub fn sparse(&self) -> Every<'_> {
        Every { rows: self.rows(), step: if self.sparse { 1 } else { SPARSE } }
    }

    /// What is known of every row's frame.
    #[must_use]
    pub fn every(&self) -> Every<'_> {
        Every { rows: self.rows(), step: 1 }
    }

    /// The rows back, for their room to be used again; none where a clone still has them.
    #[must_use]
    pub(super) fn into_room(self) -> Rows {
        Arc::try_unwrap(self.all).unwrap_or_default().rows
    }

    /// Rows.
    #[must_use]
    pub fn len(&self) -> usize {
        self.rows().len()
    }

    /// Whether there is no row.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.rows().is_empty()
    }

    /// What every band sounds like in the quiet, its tenth percentile, over at most 16,384 evenly spread frames of those in
    /// which the mic was on: digital silence in front of a take, between its parts or after its end says nothing of the room.
    /// 0 in all silence. Worked out once.
    #[must_use]
    pub fn quiet(&self) -> [f32; BANDS] {
        *self.all.quiet.get_or_init(|| quiet(self.all.rows.all()))
    }
}

/// A row of bands, filled up to a width that vector instructions like; what stands behind the bands says nothing.
pub type Row = [f32; 16];

/// Row `t`, filled up with what follows it or with ones.
#[inline(always)]
#[must_use]
pub fn filled(rows: &[[f32; BANDS]], t: usize) -> Row {
    let from = &rows.as_flattened()[t * BANDS..];
    match from.first_chunk() {
        Some(row) => *row,
        None => std::array::from_fn(|l| from.get(l).copied().unwrap_or(1.0)),
    }
}

/// The row of frame `t` where there is one for every [`SPARSE`]th frame only: between two of them their mean, and the last from
/// there on; zeros where there is none.
#[inline(always)]
#[must_use]
pub fn between(rows: &[[f32; BANDS]], t: usize) -> Row {
    let Some(last) = rows.len().checked_sub(1) else { return [0.0; 16] };
    let before = filled(rows, (t / SPARSE).min(last));
    if t.is_multiple_of(SPARSE) {
        return before;
    }
    let after = filled(rows, t.div_ceil(SPARSE).min(last));
    std::array::from_fn(|l| 0.5 * (before[l] + after[l]))
}

/// Turns samples into rows of band powers, streaming.
///
/// Hann window (periodic form; Harris 1978, Proc. IEEE 66(1)), real FFT, |X|² summed over the bins of each
/// band and divided by N²/16, so that a full-scale sine in the middle of a band gives 1.5, the Hann
/// window's equivalent noise bandwidth.
/// Costs one FFT a hop; memory is one window.
pub struct BandAnalyser {
    framing: Framing,
    fft: Arc<dyn RealToComplex<f32>>,
    hann: Vec<f32>,
    bins: [(usize, usize); BANDS],
    norm: f32,
    pending: Vec<f32>,
    input: Vec<f32>,
    spectrum: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
    power: Vec<f32>,
    /// The quick way, where window and processor allow it.
    many: Option<Spectra>,
}

impl BandAnalyser {
    /// For one rate. The first frame is centred on the first sample pushed.
    #[must_use]
    pub fn new(framing: Framing) -> Self {
        Self::starting(framing, 0)
    }

    /// As [`new`](Self::new), with the first `lead` samples pushed (at most half a window) lying before the
    /// sample on which the first frame is centred.
    #[must_use]
    pub fn starting(framing: Framing, lead: usize) -> Self {
        let n = framing.window;
        let fft = RealFftPlanner::<f32>::new().plan_fft_forward(n);
        let hann: Vec<f32> =
            (0..n).map(|i| (0.5 - 0.5 * (std::f64::consts::TAU * i as f64 / n as f64).cos()) as f32).collect();
        let bin = |hz: f64| ((hz * n as f64 / framing.rate.hz_f64()).round() as usize).min(n / 2);
        let bins: [(usize, usize); BANDS] = std::array::from_fn(|b| {
            let lo = bin(EDGES[b]);
            let hi = bin(EDGES[b + 1]);
            // Below the Nyquist frequency a band holds at least one bin; above it holds none.
            if lo >= n / 2 { (n / 2, n / 2) } else { (lo, hi.max(lo + 1)) }
        });
        let spectrum = fft.make_output_vec();
        let scratch = fft.make_scratch_vec();
        let norm = 16.0 / (n as f32 * n as f32);
        Self {
            framing,
            many: Spectra::new(&hann, framing.hop, &bins, norm),
            hann,
            bins,
            norm,
            pending: vec![0.0; (n / 2).saturating_sub(lead)],
            input: fft.make_input_vec(),
            power: vec![0.0; spectrum.len()],
            spectrum,
            scratch,
            fft,
        }
    }

    /// Takes the next samples; appends the rows that they complete.
    pub fn push(&mut self, samples: &[f32], out: &mut impl Extend<[f32; BANDS]>) {
        self.pending.extend_from_slice(samples);
        self.hear(out);
    }

    /// Samples that wait for their frames to be complete. What is appended here need not be copied by [`push`](Self::push);
    /// [`hear`](Self::hear) then makes rows of it.
    pub fn waiting(&mut self) -> &mut Vec<f32> {
        &mut self.pending
    }

    /// Appends the rows that the waiting samples complete.
    pub fn hear(&mut self, out: &mut impl Extend<[f32; BANDS]>) {
        let (n, hop) = (self.framing.window, self.framing.hop);
        let count = (self.pending.len() + hop).saturating_sub(n) / hop;
        if let Some(many) = &mut self.many {
            // Eight hops at a time are put side by side quickest; those behind the last sample say nothing.
            let known = self.pending.len();
            self.pending.resize(known + 8 * hop, 0.0);
            many.rows(&self.pending, count, out);
            self.pending.truncate(known);
        } else {
            out.extend((0..count).map(|k| self.row(k * hop)));
        }
        self.pending.drain(..count * hop);
    }

    /// Appends the rows that reach beyond the last sample, with silence after it.
    pub fn finish(&mut self, out: &mut impl Extend<[f32; BANDS]>) {
        let tail = self.framing.window / 2;
        self.push(&vec![0.0; tail], out);
    }

    fn row(&mut self, start: usize) -> [f32; BANDS] {
        let frame = &self.pending[start..start + self.framing.window];
        for ((x, s), w) in self.input.iter_mut().zip(frame).zip(&self.hann) {
            *x = s * w;
        }
        // The lengths come from the plan itself, so this cannot fail.
        let done = self.fft.process_with_scratch(&mut self.input, &mut self.spectrum, &mut self.scratch);
        debug_assert!(done.is_ok());
        for (p, z) in self.power.iter_mut().zip(&self.spectrum) {
            *p = z.re * z.re + z.im * z.im;
        }
        std::array::from_fn(|b| {
            let (lo, hi) = self.bins[b];
            self.norm * self.power[lo..hi].iter().sum::<f32>()
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows(rate: u32, x: &[f32]) -> Vec<[f32; BANDS]> {
        let mut a = BandAnalyser::new(Framing::new(SampleRate::new(rate).unwrap()));
        let mut out = Vec::new();
        a.push(x, &mut out);
        a.finish(&mut out);
        out
    }

    fn sine(rate: u32, hz: f64, n: usize) -> Vec<f32> {
        (0..n).map(|i| (std::f64::consts::TAU * hz * i as f64 / f64::from(rate)).sin() as f32).collect()
    }

    #[test]
    fn a_full_scale_sine_has_the_same_power_in_its_band_at_every_rate() {
        // Hann: |X| = A·N/4 at the bin, and the two neighbours at half that: N²/16·(1 + 2/4) (Harris 1978, ENBW 1.5).
        for rate in [44_100, 48_000, 96_000, 192_000] {
            let out = rows(rate, &sine(rate, 3000.0, rate as usize / 4));
            let mid = out[out.len() / 2];
            assert!((mid[7] - 1.5).abs() < 0.02, "{rate}: {}", mid[7]);
            assert!(mid[4] < 1e-4);
        }
    }

    #[test]
    fn frames_are_centred_on_multiples_of_the_hop() {
        let mut x = vec![0.0; 4800];
        x[1280] = 1.0;
        let out = rows(48_000, &x);
        assert_eq!(out.len(), 4800 / 64 + 1);
        let loudest = (0..out.len()).max_by(|&a, &b| out[a][9].total_cmp(&out[b][9])).unwrap();
        assert_eq!(loudest, 1280 / 64);
    }

    #[test]
    fn a_sparse_analysis_gives_every_second_row() {
        for rate in [44_100, 48_000, 96_000] {
            let framing = Framing::new(SampleRate::new(rate).unwrap());
            let x: Vec<f32> = (0..20_001).map(|i| ((i * 7919) % 2_003) as f32 / 1_001.0 - 1.0).collect();
            let all = |framing: Framing| {
                let mut out = Vec::new();
                let mut a = BandAnalyser::new(framing);
                a.push(&x, &mut out);
                a.finish(&mut out);
                out.truncate(framing.frames(x.len() as u64));
                out
            };
            let (every, second) = (Bands::from_rows(all(framing)), Bands::from_sparse_rows(all(framing.sparse())));
            let (every, second) = (every.sparse(), second.sparse());
            assert_eq!(every.len(), second.len());
            assert!((0..every.len()).all(|k| every.row(k) == second.row(k)));
        }
    }

    #[test]
    fn blocks_of_any_size_give_the_same_rows() {
        let x = sine(48_000, 440.0, 9_000);
        let whole = rows(48_000, &x);
        let mut a = BandAnalyser::new(Framing::new(SampleRate::SESSION));
        let mut out = Vec::new();
        for block in x.chunks(701) {
            a.push(block, &mut out);
        }
        a.finish(&mut out);
        assert_eq!(out, whole);
    }

    #[test]
    fn bands_above_half_the_rate_stay_silent() {
        let out = rows(8_000, &sine(8_000, 1000.0, 4_000));
        assert!(out.iter().all(|r| r[9] == 0.0 && r[10] == 0.0));
        assert!(out[30][5] > 1.0);
    }
}
