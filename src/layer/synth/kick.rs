//! A bass drum: a membrane mode that falls in pitch, its next modes, and the beater.

use super::noise::{BandPass, Noise};
use crate::units::SampleRate;
use std::f64::consts::TAU;

/// What one kick sounds like.
#[derive(Clone, Copy, Debug)]
pub(super) struct Kick {
    /// Pitch after the first moments, Hz.
    pitch: f64,
    /// How far above it the stroke begins at full strength, as a factor.
    bend: f64,
    /// Time constant of the fall in pitch, s.
    fall: f64,
    /// Time constant of the body, s.
    ring: f64,
    /// Level of the second and third mode against the first.
    modes: f64,
    /// Level of the beater against the body at full strength.
    beater: f64,
    /// Pitch of the beater's knock, Hz.
    knock: f64,
}

pub(super) const ROUND: Kick =
    Kick { pitch: 52.0, bend: 1.9, fall: 0.028, ring: 0.19, modes: 0.18, beater: 0.16, knock: 1800.0 };
pub(super) const TIGHT: Kick =
    Kick { pitch: 61.0, bend: 2.4, fall: 0.015, ring: 0.085, modes: 0.26, beater: 0.34, knock: 3200.0 };

impl Kick {
    /// One stroke; `strength` 0..=1, every seed a little different.
    pub fn stroke(&self, strength: f64, seed: u64, rate: SampleRate) -> Vec<f32> {
        let fs = rate.hz_f64();
        let mut noise = Noise::new(seed);
        let (tune, hold) = (1.0 + 0.006 * noise.next(), 1.0 + 0.08 * noise.next());
        let (pitch, ring) = (self.pitch * tune, self.ring * hold * (0.75 + 0.25 * strength));
        let bend = 1.0 + (self.bend - 1.0) * (0.35 + 0.65 * strength);
        let level = 0.9 * 10f64.powf(-24.0 * (1.0 - strength) / 20.0);
        let beater = self.beater * (0.2 + 0.8 * strength.powi(2)) * (1.0 + 0.15 * noise.next());
        // Ratios of the first modes of an ideal membrane (zeros of Bessel functions: 1, 1.593, 2.136).
        let ratios = [(1.0, 1.0, 1.0), (1.593, self.modes, 0.45), (2.136, self.modes * 0.6, 0.3)];
        let mut phases = [0.0f64; 3];
        let mut click = BandPass::new(self.knock * (1.0 + 0.05 * noise.next()), 0.8, fs);
        let n = ((ring * 9.0).min(1.5) * fs) as usize;
        let out = (0..n).map(|i| {
            let t = i as f64 / fs;
            let now = pitch * (1.0 + (bend - 1.0) * (-t / self.fall).exp());
            let mut y = 0.0;
            for (phase, (ratio, amount, last)) in phases.iter_mut().zip(ratios) {
                *phase += TAU * now * ratio / fs;
                y += amount * (-t / (ring * last)).exp() * phase.sin();
            }
            let hit = beater * 4.0 * click.next(noise.next()) * (-t / 0.003).exp();
            // The head needs a moment to take up the stroke.
            let rise = 1.0 - (-t / 0.0007).exp();
            level * (0.8 * y * rise + hit) / (1.0 + self.modes)
        });
        out.map(|v| v as f32).collect()
    }
}
