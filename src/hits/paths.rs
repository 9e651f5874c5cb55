//! The paths by which the rest of a kit reaches a drum's main mic.
//!
//! In: the recordings, and frames of them in which the drum itself is still. Out: [`Paths`], from which
//! [`cleaned`](super::cleaned) knows what the main mic hears of the others' drums.
//!
//! A hat that its own mic hears arrives at the snare's a little later, softer and duller: by a linear path, about the same at every
//! stroke as long as nothing is moved. All paths into a mic are found together by least squares in every bin of a spectrum, each
//! frame weighted by the inverse of its power (several inputs, one output: Bendat and Piersol, *Random Data*, from memory; for
//! bleed between close mics: Kokkinis, Reiss and Mourjopoulos 2012, IEEE Trans. ASLP 20(3), from memory). What a room makes of a
//! sound beyond five milliseconds is not looked for.

use super::bands::{BANDS, Bands};
use super::rest::Rest;
use super::take::read_range;
use crate::audio::MonoReader;
use crate::error::Result;
use crate::song::Mic;
use crate::units::{SampleRate, Seconds};
use crate::wide::wide;
use pulp::Arch;
use realfft::num_complex::Complex32;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use std::ops::Range;
use std::sync::Arc;

/// Frames that paths are learnt from, 1,024 samples at 48 kHz.
const FRAME: Seconds = Seconds(0.021_3);
/// Fewest of them.
const FEWEST_FRAMES: usize = 40;
/// How much later than the other mic a sound may reach this one (1.7 m of air), and how much earlier.
const LATEST: Seconds = Seconds(0.005);
const EARLIEST: Seconds = Seconds(0.000_335);
/// How long a path fades at its end.
const FADE: Seconds = Seconds(0.001_335);
/// Share of the other mics' mean power that is added to each: where two hear the same, it is shared between them.
const RIDGE: f32 = 1e-3;
/// Most mics whose paths are looked for.
const MOST_MICS: usize = 4;
/// Frames that are listened to in all mics before the next: their spectra stay in the processor's second cache.
const BATCH: usize = 20;
/// What the other mics explain must be so many times what as many that know nothing would.
const LEAST_TOLD: f32 = 2.0;
/// Every so many frames tell the median power of a bin.
const ASKED: usize = 3;
/// Share of all that comes by the paths from which on one counts.
const LEAST_SHARE: f32 = 0.01;
/// Bins that are worked on together.
const LANES: usize = 16;

/// One path into the main mic.
#[derive(Clone, Debug)]
pub struct Path {
    /// Which of the song's mics it comes from.
    pub mic: usize,
    /// What one sample of the other mic becomes in the main one, from [`Paths::early`] samples before on.
    pub taps: Vec<f32>,
}

/// All paths into one main mic.
#[derive(Clone, Debug)]
pub struct Paths {
    /// One for each mic that tells of a hundredth of the bleed; all are as long.
    pub all: Vec<Path>,
    /// Samples by which a sound may reach the main mic before the other.
    pub early: usize,
    /// Share of the bleed that comes by them, 0..=1, every frame and bin counting for about as much.
    pub told: f32,
}

/// Samples of a frame at this rate: a power of two.
#[must_use]
pub fn frame(rate: SampleRate) -> usize {
    (rate.samples(FRAME) as usize).next_power_of_two().max(64)
}

impl Paths {
    /// Learns the paths into mic `main` from `others` in the frames that begin at the samples `still`. `None` where these are too
    /// few, or the others explain no more of them than mics would that know nothing.
    ///
    /// Cost: every frame of every mic is read and transformed; sums grow with the square of how many mics there are.
    ///
    /// # Errors
    /// As [`MonoReader::read`].
    pub fn learn(
        mics: &[Mic],
        rest: &[Rest],
        main: usize,
        others: &[usize],
        still: &[u64],
        rate: SampleRate,
    ) -> Result<Option<Self>> {
        if others.is_empty() || still.len() < FEWEST_FRAMES {
            return Ok(None);
        }
        let mut listener = Listener::new(frame(rate));
        let mut own = listener.hear(&mut Ear::open(&mics[main], rest[main])?, still)?;
        let weights = own.weights();
        own.weigh(&weights, 0..still.len(), still.len());
        let mut ears: Vec<Ear> = others.iter().map(|&i| Ear::open(&mics[i], rest[i])).collect::<Result<_>>()?;
        let mut sums = Sums::new(others.len(), own.parts.len() / still.len());
        for (batch, frames) in still.chunks(BATCH).enumerate() {
            let these = batch * BATCH..batch * BATCH + frames.len();
            let mut heard: Vec<Heard> = ears.iter_mut().map(|ear| listener.hear(ear, frames)).collect::<Result<_>>()?;
            heard.iter_mut().for_each(|heard| heard.weigh(&weights, these.clone(), still.len()));
            sums.add(&heard, &own, these);
        }
        let (responses, shares, told) = sums.responses();
        // One input explains one in so many frames of anything, for each has a value of its own to fit.
        if told < LEAST_TOLD * others.len() as f32 / still.len() as f32 {
            return Ok(None);
        }
        let (early, late) = (rate.samples(EARLIEST) as usize, rate.samples(LATEST) as usize);
        let shape = Shape { early, late, fade: rate.samples(FADE) as usize };
        let inverse = RealFftPlanner::<f32>::new().plan_fft_inverse(frame(rate));
        let heard = others.iter().zip(responses).zip(shares).filter(|(_, share)| *share >= LEAST_SHARE);
        let path = |((&mic, response), _)| Path { mic, taps: shape.taps(response, &*inverse) };
        Ok(Some(Self { all: heard.map(path).collect(), early, told }))
    }
}

/// The mics of a kit (`others`, by the song's numbers) that tell most of what the `main` one hears in some frames: those whose powers
/// keep most nearly the same ratio to its own in every band. At most four, in the song's order.
#[must_use]
pub fn telling(bands: &[Bands], main: usize, others: &[usize], still: &[usize]) -> Vec<usize> {
    if others.len() <= MOST_MICS {
        return others.to_vec();
    }
    let steady = |other: usize| -> f32 {
        let (mut sum, mut squares) = ([0.0f32; BANDS], [0.0f32; BANDS]);
        for &t in still {
            let (own, other) = (bands[main].row_at(t), bands[other].row_at(t));
            for b in 0..BANDS {
                let ratio = other[b] / (own[b] + f32::MIN_POSITIVE);
                sum[b] += ratio;
                squares[b] += ratio * ratio;
            }
        }
        sum.iter().zip(squares).map(|(sum, squares)| sum * sum / (squares + f32::MIN_POSITIVE)).sum()
    };
    let mut ranked: Vec<(f32, usize)> = others.iter().map(|&i| (steady(i), i)).collect();
    ranked.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    let mut out: Vec<usize> = ranked.into_iter().take(MOST_MICS).map(|(_, i)| i).collect();
    out.sort_unstable();
    out
}

/// The length of a path in samples, and how it ends.
struct Shape {
    early: usize,
    late: usize,
    fade: usize,
}

impl Shape {
    /// The samples of a path whose response is known in every bin.
    fn taps(&self, mut response: Vec<Complex32>, inverse: &dyn ComplexToReal<f32>) -> Vec<f32> {
        let length = inverse.len();
        let mut impulse = inverse.make_output_vec();
        response.resize(length / 2 + 1, Complex32::default());
        for end in [0, length / 2] {
            response[end].im = 0.0;
        }
        // The lengths come from the plan itself, and the ends are real.
        let done = inverse.process(&mut response, &mut impulse);
        debug_assert!(done.is_ok());
        let all = self.early + self.late;
        (0..all)
            .map(|k| {
                let rising = (k + 1) as f32 / self.early as f32;
                let falling = (all - k) as f32 / self.fade as f32;
                impulse[(length + k - self.early) % length] / length as f32 * rising.min(falling).min(1.0)
            })
            .collect()
    }
}

/// Real and imaginary parts of some neighbouring bins.
type Part = [[f32; LANES]; 2];

/// A mic that is listened to here and there.
struct Ear {
    reader: MonoReader,
    rest: Rest,
}

impl Ear {
    fn open(mic: &Mic, rest: Rest) -> Result<Self> {
        Ok(Self { reader: MonoReader::open_again(&mic.info, mic.channel)?, rest })
    }
}

/// Turns frames into spectra.
struct Listener {
    fft: Arc<dyn RealToComplex<f32>>,
    hann: Vec<f32>,
    frame: Vec<f32>,
    spectrum: Vec<Complex32>,
    scratch: Vec<Complex32>,
}

impl Listener {
    fn new(length: usize) -> Self {
        let fft = RealFftPlanner::<f32>::new().plan_fft_forward(length);
        let turn = std::f64::consts::TAU / length as f64;
        let hann = (0..length).map(|i| (0.5 - 0.5 * (turn * i as f64).cos()) as f32).collect();
        let (spectrum, scratch) = (fft.make_output_vec(), fft.make_scratch_vec());
        Self { fft, hann, frame: Vec::with_capacity(length), spectrum, scratch }
    }

    /// A mic's frames that begin at the given samples; beyond the recording's end it is silent.
    fn hear(&mut self, ear: &mut Ear, at: &[u64]) -> Result<Heard> {
        let (length, frames) = (self.hann.len(), at.len());
        let mut parts = vec![[[0.0; LANES]; 2]; frames * self.spectrum.len().div_ceil(LANES)];
        for (t, &at) in at.iter().enumerate() {
            self.frame.clear();
            read_range(&mut ear.reader, ear.rest, at..at + length as u64, &mut self.frame)?;
            self.frame.resize(length, 0.0);
            self.frame.iter_mut().zip(&self.hann).for_each(|(x, w)| *x *= w);
            // The lengths come from the plan itself.
            let done = self.fft.process_with_scratch(&mut self.frame, &mut self.spectrum, &mut self.scratch);
            debug_assert!(done.is_ok());
            for (bins, part) in self.spectrum.chunks(LANES).zip(parts.iter_mut().skip(t).step_by(frames)) {
                for (lane, z) in bins.iter().enumerate() {
                    (part[0][lane], part[1][lane]) = (z.re, z.im);
                }
            }
        }
        Ok(Heard { parts, frames })
    }
}

/// Spectra of a mic's frames: [`LANES`] bins of all frames, then the next.
struct Heard {
    parts: Vec<Part>,
    frames: usize,
}

impl Heard {
    /// What each frame counts for in each bin, as a factor: the inverse of its power and the bin's median, so that neither the
    /// loudest frames nor the silent ones decide.
    fn weights(&self) -> Vec<[f32; LANES]> {
        let power = |[re, im]: &Part| -> [f32; LANES] { std::array::from_fn(|l| re[l] * re[l] + im[l] * im[l]) };
        let mut out: Vec<[f32; LANES]> = self.parts.iter().map(power).collect();
        let mut column = vec![0.0; self.frames.div_ceil(ASKED)];
        for part in out.chunks_exact_mut(self.frames) {
            let middles: [f32; LANES] = std::array::from_fn(|l| {
                column.iter_mut().zip(part.iter().step_by(ASKED)).for_each(|(c, powers)| *c = powers[l]);
                let middle = column.len() / 2;
                *column.select_nth_unstable_by(middle, f32::total_cmp).1
            });
            for powers in part {
                *powers = std::array::from_fn(|l| (powers[l] + middles[l] + f32::MIN_POSITIVE).sqrt().recip());
            }
        }
        out
    }

    /// Multiplies by the weights of these of all frames.
    fn weigh(&mut self, weights: &[[f32; LANES]], these: Range<usize>, all: usize) {
        for (part, weights) in self.parts.chunks_exact_mut(self.frames).zip(weights.chunks_exact(all)) {
            for ([re, im], weight) in part.iter_mut().zip(&weights[these.clone()]) {
                for l in 0..LANES {
                    (re[l], im[l]) = (re[l] * weight[l], im[l] * weight[l]);
                }
            }
        }
    }
}

/// The normal equations of all bins, [`LANES`] bins at once: what each two mics have in common, summed over all frames.
struct Sums {
    /// How many other mics there are; the main one comes after them.
    others: usize,
    /// For each group of bins, of each mic with those up to itself.
    groups: Vec<Vec<Part>>,
}

impl Sums {
    fn new(others: usize, groups: usize) -> Self {
        let pairs = (others + 1) * (others + 2) / 2;
        Self { others, groups: vec![vec![[[0.0; LANES]; 2]; pairs]; groups] }
    }

    /// Adds some frames of all other mics; of the main one `these`.
    fn add(&mut self, heard: &[Heard], own: &Heard, these: Range<usize>) {
        let arch = Arch::new();
        let count = these.len();
        let mut parts: Vec<&[Part]> = Vec::with_capacity(self.others + 1);
        for (k, group) in self.groups.iter_mut().enumerate() {
            parts.clear();
            parts.extend(heard.iter().map(|heard| &heard.parts[k * count..][..count]));
            parts.push(&own.parts[k * own.frames..][these.clone()]);
            wide!(arch, add_pairs(parts: &'a [&'a [Part]] = &parts, sums: &'a mut [Part] = group));
        }
    }

    /// The response of every path in every bin, its share of what comes by all, and the share of the main mic's sound that the others
    /// explain.
    fn responses(&self) -> (Vec<Vec<Complex32>>, Vec<f32>, f32) {
        let n = self.others;
        let mut out = vec![Vec::new(); n];
        let (mut matrix, mut right) = (vec![Complex32::default(); n * n], vec![Complex32::default(); n]);
        let mut powers = vec![0.0; n];
        let (mut all, mut told) = (0.0, 0.0);
        for (group, lane) in self.groups.iter().flat_map(|group| (0..LANES).map(move |lane| (group, lane))) {
            let of = |k: usize| Complex32::new(group[k][0][lane], group[k][1][lane]);
            let row = |i: usize| i * (i + 1) / 2;
            let power = (0..n).map(|i| of(row(i) + i).re).sum::<f32>() / n as f32;
            for i in 0..n {
                (0..i).for_each(|j| matrix[i * n + j] = of(row(i) + j));
                matrix[i * n + i] = of(row(i) + i) + RIDGE * power + f32::MIN_POSITIVE;
                right[i] = of(row(n) + i).conj();
            }
            solve(&mut matrix, &mut right, n);
            all += of(row(n) + n).re;
            told += (0..n).map(|i| (of(row(n) + i) * right[i]).re).sum::<f32>();
            for (i, h) in right.iter().enumerate() {
                powers[i] += h.norm_sqr() * of(row(i) + i).re;
                out[i].push(*h);
            }
        }
        let sum = powers.iter().sum::<f32>() + f32::MIN_POSITIVE;
        (out, powers.into_iter().map(|power| power / sum).collect(), told / (all + f32::MIN_POSITIVE))
    }
}

/// Adds what each two mics have in common, the first of the two conjugate: each with those up to itself.
#[inline(always)]
fn add_pairs(parts: &[&[Part]], sums: &mut [Part]) {
    let mut sums = sums.iter_mut();
    for (i, first) in parts.iter().enumerate() {
        for (second, sum) in parts[..=i].iter().zip(&mut sums) {
            let [mut re, mut im] = *sum;
            for ([a_re, a_im], [b_re, b_im]) in first.iter().zip(*second) {
                for l in 0..LANES {
                    re[l] += a_re[l] * b_re[l] + a_im[l] * b_im[l];
                    im[l] += a_re[l] * b_im[l] - a_im[l] * b_re[l];
                }
            }
            *sum = [re, im];
        }
    }
}

/// Solves a Hermitian positive definite system of which the lower triangle is given (Cholesky); the solution replaces `right`.
fn solve(matrix: &mut [Complex32], right: &mut [Complex32], n: usize) {
    for j in 0..n {
        let sum: f32 = (0..j).map(|k| matrix[j * n + k].norm_sqr()).sum();
        let pivot = (matrix[j * n + j].re - sum).max(f32::MIN_POSITIVE).sqrt();
        matrix[j * n + j] = Complex32::new(pivot, 0.0);
        for i in j + 1..n {
            let sum: Complex32 = (0..j).map(|k| matrix[i * n + k] * matrix[j * n + k].conj()).sum();
            matrix[i * n + j] = (matrix[i * n + j] - sum) / pivot;
        }
    }
    for i in 0..n {
        let sum: Complex32 = (0..i).map(|k| matrix[i * n + k] * right[k]).sum();
        right[i] = (right[i] - sum) / matrix[i * n + i].re;
    }
    for i in (0..n).rev() {
        let sum: Complex32 = (i + 1..n).map(|k| matrix[k * n + i].conj() * right[k]).sum();
        right[i] = (right[i] - sum) / matrix[i * n + i].re;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::{AudioReader, SampleFormat, WavSpec, WavWriter};
    use crate::song::{Drum, Place};
    use std::path::Path as FilePath;

    const RATE: SampleRate = SampleRate::SESSION;

    fn noise(seed: u64) -> impl FnMut() -> f32 {
        let mut state = seed.wrapping_mul(2_862_933_555_777_941_757).wrapping_add(3_037_000_493);
        move || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f32 / (1 << 23) as f32 - 1.0
        }
    }

    /// Bursts of noise, one every `every` samples.
    fn bursts(every: usize, seed: u64) -> Vec<f32> {
        let mut noise = noise(seed);
        (0..480_000).map(|i| 0.5 * noise() * (-((i % every) as f32) / 2_000.0).exp()).collect()
    }

    /// What becomes of a sound that arrives `delay` samples later, duller by a first-order low-pass, at `gain`.
    fn bleed(x: &[f32], delay: usize, gain: f32) -> Vec<f32> {
        let mut low = 0.0;
        let dull: Vec<f32> = x
            .iter()
            .map(|x| {
                low += 0.4 * (x - low);
                gain * low
            })
            .collect();
        std::iter::repeat_n(0.0, delay).chain(dull).take(x.len()).collect()
    }

    fn mic(dir: &FilePath, name: &str, drum: Drum, samples: &[f32]) -> Mic {
        let path = dir.join(format!("{name}.wav"));
        let spec = WavSpec { rate: RATE, channels: 1, format: SampleFormat::Float32 };
        let mut writer = WavWriter::create(&path, spec).unwrap();
        writer.write(samples).unwrap();
        writer.finish().unwrap();
        Mic::new(name, AudioReader::open(&path).unwrap().info().clone(), drum, Place::Close)
    }

    #[test]
    fn the_paths_of_two_drums_that_bleed_at_once_are_told_apart() {
        let dir = tempfile::tempdir().unwrap();
        let (hat, tom) = (bursts(9_600, 1), bursts(7_001, 2));
        let (from_hat, from_tom) = (bleed(&hat, 60, 0.2), bleed(&tom, 100, -0.1));
        let mut hiss = noise(3);
        let snare: Vec<f32> = from_hat.iter().zip(&from_tom).map(|(a, b)| a + b + 1e-4 * hiss()).collect();
        let mics = [
            mic(dir.path(), "snare_top", Drum::Snare, &snare),
            mic(dir.path(), "hat", Drum::Hat, &hat),
            mic(dir.path(), "tom", Drum::Tom, &tom),
        ];
        let still: Vec<u64> = (0..800).map(|k| k * 512).collect();
        let paths = Paths::learn(&mics, &[Rest::default(); 3], 0, &[1, 2], &still, RATE).unwrap().unwrap();
        let mut impulse = vec![0.0; 241];
        impulse[0] = 1.0;
        for (path, (delay, gain)) in paths.all.iter().zip([(60, 0.2), (100, -0.1)]) {
            let known = bleed(&impulse, delay, gain);
            let error: f32 = (0..200).map(|k| (path.taps[paths.early + k] - known[k]).powi(2)).sum();
            let power: f32 = known.iter().map(|x| x * x).sum();
            // Of what arrives within a frame some comes from before it: the share is that of the delay, squared.
            assert!(error < 0.04 * power, "{}: {} dB", path.mic, 10.0 * (error / power).log10());
        }
    }

    #[test]
    fn a_mic_that_hears_nothing_of_what_bleeds_teaches_no_path() {
        let dir = tempfile::tempdir().unwrap();
        let mics = [
            mic(dir.path(), "snare_top", Drum::Snare, &bursts(9_600, 1)),
            mic(dir.path(), "hat", Drum::Hat, &bursts(7_001, 2)),
        ];
        let rest = [Rest::default(); 2];
        let still: Vec<u64> = (0..800).map(|k| k * 512).collect();
        assert!(Paths::learn(&mics, &rest, 0, &[1], &still, RATE).unwrap().is_none());
        // Nor does anything where the drum is hardly ever still, or no other mic is there.
        assert!(Paths::learn(&mics, &rest, 0, &[0], &still[..FEWEST_FRAMES - 1], RATE).unwrap().is_none());
        assert!(Paths::learn(&mics, &rest, 0, &[], &still, RATE).unwrap().is_none());
    }

    #[test]
    fn of_many_mics_those_are_asked_that_hear_what_the_main_one_hears() {
        let rows = |seed: u64, gain: f32| -> Vec<[f32; BANDS]> {
            let mut noise = noise(seed);
            (0..400).map(|_| [gain * (2.0 + noise()).powi(4); BANDS]).collect()
        };
        let mut bands = vec![Bands::from_rows(rows(1, 1.0))];
        // Twelve that hear something else, and three that hear the same, more softly.
        bands.extend((0..15).map(|k| Bands::from_rows(if k % 5 == 2 { rows(1, 1e-3) } else { rows(10 + k, 1.0) })));
        let others: Vec<usize> = (1..16).collect();
        let still: Vec<usize> = (0..400).collect();
        let told = telling(&bands, 0, &others, &still);
        assert!(told.len() == MOST_MICS && [3, 8, 13].iter().all(|i| told.contains(i)), "{told:?}");
        assert_eq!(telling(&bands, 0, &others[..4], &still), others[..4]);
    }

    #[test]
    fn the_solution_of_a_hermitian_system_solves_it() {
        let z = Complex32::new;
        let rows = [
            [z(4.0, 0.0), z(1.0, -2.0), z(0.5, 0.3)],
            [z(1.0, 2.0), z(6.0, 0.0), z(-1.0, 0.7)],
            [z(0.5, -0.3), z(-1.0, -0.7), z(3.0, 0.0)],
        ];
        let known = [z(1.0, -1.0), z(0.3, 2.0), z(-0.7, 0.1)];
        let mut right: Vec<Complex32> =
            rows.iter().map(|row| row.iter().zip(known).map(|(a, x)| a * x).sum()).collect();
        // The upper triangle is never looked at.
        let mut matrix: Vec<Complex32> =
            (0..9).map(|k| if k % 3 > k / 3 { z(f32::NAN, 0.0) } else { rows[k / 3][k % 3] }).collect();
        solve(&mut matrix, &mut right, 3);
        assert!(right.iter().zip(known).all(|(x, known)| (x - known).norm() < 1e-5), "{right:?}");
    }
}
