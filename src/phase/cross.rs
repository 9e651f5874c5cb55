//! The cross-spectrum of a drum in two mics, averaged over strokes.

use super::report::Band;
use realfft::num_complex::Complex;

/// Energy up to which a stroke is silent.
const SILENCE: f64 = 1e-18;
/// Least energy of a stroke that counts in full, of the middle one's: −6 dB.
const SOFT: f64 = 0.25;

/// Spectra of one mic, one a stroke: the same bins of unnormalised real transforms.
pub type Spectra = Vec<Vec<Complex<f32>>>;

/// Averages over strokes of two mics' spectra. Every stroke counts alike: it is divided by its energy in the
/// reference mic; what is softer there by 6 dB than the middle stroke counts less, so that a row of the hit list where the drum
/// is not struck changes nothing. Index = bin; `step` Hz a bin.
#[derive(Clone, Debug)]
pub struct Cross {
    /// Hz a bin.
    pub step: f64,
    /// Strokes averaged.
    pub strokes: usize,
    /// Mean of conj(A)·B.
    pub ab: Vec<Complex<f64>>,
    /// Mean of |A|².
    pub aa: Vec<f64>,
    /// Mean of |B|².
    pub bb: Vec<f64>,
}

impl Cross {
    /// Averages spectra of the same strokes in a reference mic `a` and another mic `b`.
    /// `band` is where the reference's energy is taken. Silent strokes (no energy in the reference) are left out.
    #[must_use]
    pub fn average(a: &Spectra, b: &Spectra, step: f64, band: Band) -> Self {
        let bins = a.first().map_or(0, Vec::len);
        let mut c =
            Self { step, strokes: 0, ab: vec![Complex::default(); bins], aa: vec![0.0; bins], bb: vec![0.0; bins] };
        let energies: Vec<f64> = a.iter().map(|x| energy_in(x, step, band)).collect();
        let mut heard: Vec<f64> = energies.iter().copied().filter(|energy| *energy > SILENCE).collect();
        heard.sort_by(f64::total_cmp);
        let least = heard.get(heard.len() / 2).map_or(0.0, |middle| SOFT * middle);
        for ((x, y), energy) in a.iter().zip(b).zip(energies) {
            if energy <= SILENCE {
                continue;
            }
            c.strokes += 1;
            let k = 1.0 / energy.max(least);
            for (i, (p, q)) in x.iter().zip(y).enumerate() {
                let (p, q) = (wide(*p), wide(*q));
                if let (Some(ab), Some(aa), Some(bb)) = (c.ab.get_mut(i), c.aa.get_mut(i), c.bb.get_mut(i)) {
                    *ab += p.conj() * q * k;
                    *aa += p.norm_sqr() * k;
                    *bb += q.norm_sqr() * k;
                }
            }
        }
        if c.strokes > 0 {
            let k = 1.0 / c.strokes as f64;
            c.ab.iter_mut().for_each(|v| *v *= k);
            c.aa.iter_mut().chain(&mut c.bb).for_each(|v| *v *= k);
        }
        c
    }

    /// Frequency of a bin, Hz.
    #[must_use]
    pub fn hz(&self, bin: usize) -> f64 {
        bin as f64 * self.step
    }

    /// Magnitude-squared coherence a bin, 0..=0.95, freed from what `n` unrelated strokes would show by chance, 1/n
    /// (Carter, Knapp & Nuttall 1973, from memory). The single spectra are smoothed over three bins first.
    #[must_use]
    pub fn coherence(&self) -> Vec<f64> {
        let n = self.strokes as f64;
        let (aa, bb) = (smooth(&self.aa), smooth(&self.bb));
        self.ab
            .iter()
            .zip(aa.iter().zip(&bb))
            .map(|(ab, (a, b))| {
                let raw = ab.norm_sqr() / (a * b + 1e-30);
                let freed = if n > 1.0 { (raw * n - 1.0) / (n - 1.0) } else { raw };
                freed.clamp(0.0, 0.95)
            })
            .collect()
    }

    /// Weights of a generalised cross-correlation: the maximum-likelihood processor γ²/(1−γ²)/|S| (Knapp & Carter 1976,
    /// IEEE Trans. ASSP 24(4), equation of the Hannan-Thomson processor, from memory), times the reference's power to `lean`,
    /// which leans it towards where the drum is strong (0 = not at all), within `band`.
    #[must_use]
    pub fn weights(&self, band: Band, lean: f64) -> Vec<f64> {
        let strongest = (0..self.aa.len()).filter(|&i| band.holds(self.hz(i))).filter_map(|i| self.aa.get(i));
        let strongest = strongest.fold(1e-30, |m: f64, &v| m.max(v));
        let coherence = self.coherence();
        self.ab
            .iter()
            .zip(coherence.iter().zip(&self.aa))
            .enumerate()
            .map(|(i, (ab, (g, aa)))| {
                if !band.holds(self.hz(i)) || ab.norm() < 1e-30 {
                    return 0.0;
                }
                g / (1.0 - g) * (aa / strongest).powf(lean) / ab.norm()
            })
            .collect()
    }
}

/// Energy of one spectrum in a band.
pub(super) fn energy_in(x: &[Complex<f32>], step: f64, band: Band) -> f64 {
    let bins = x.iter().enumerate().filter(|(i, _)| band.holds(*i as f64 * step));
    bins.map(|(_, v)| f64::from(v.norm_sqr())).sum()
}

/// The same number with more digits.
pub(super) fn wide(v: Complex<f32>) -> Complex<f64> {
    Complex::new(f64::from(v.re), f64::from(v.im))
}

fn smooth(x: &[f64]) -> Vec<f64> {
    let at = |i: usize| x.get(i).copied();
    (0..x.len())
        .map(|i| {
            let near = [i.checked_sub(1).and_then(at), at(i), at(i + 1)];
            let (sum, n) = near.iter().flatten().fold((0.0, 0.0), |(s, n), v| (s + v, n + 1.0));
            sum / n
        })
        .collect()
}
