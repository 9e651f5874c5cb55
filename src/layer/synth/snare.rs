//! A snare drum: membrane modes, the wires as coloured noise set going by them, and the stick.

use super::noise::{BandPass, Noise};
use crate::units::SampleRate;
use std::f64::consts::TAU;

/// What one snare sounds like.
#[derive(Clone, Copy, Debug)]
pub(super) struct Snare {
    /// Pitch of the lowest mode, Hz.
    pitch: f64,
    /// Time constant of the body, s.
    ring: f64,
    /// Level of the wires against the body.
    wires: f64,
    /// Time constant of the wires, s.
    buzz: f64,
    /// Colour of the wires, Hz.
    colour: f64,
    /// Level of the stick.
    stick: f64,
}

pub(super) const FULL: Snare =
    Snare { pitch: 172.0, ring: 0.085, wires: 0.55, buzz: 0.11, colour: 3400.0, stick: 0.22 };
pub(super) const CRISP: Snare =
    Snare { pitch: 226.0, ring: 0.045, wires: 0.75, buzz: 0.07, colour: 5200.0, stick: 0.36 };
pub(super) const DRY: Snare =
    Snare { pitch: 188.0, ring: 0.038, wires: 0.24, buzz: 0.045, colour: 2600.0, stick: 0.26 };

/// First modes of an ideal membrane against the lowest (zeros of Bessel functions), their share and how fast they die away.
const MODES: [(f64, f64, f64); 5] =
    [(1.0, 1.0, 1.0), (1.593, 0.55, 0.7), (2.136, 0.3, 0.5), (2.296, 0.26, 0.5), (2.653, 0.18, 0.4)];

impl Snare {
    /// One stroke; `strength` 0..=1, every seed a little different.
    pub fn stroke(&self, strength: f64, seed: u64, rate: SampleRate) -> Vec<f32> {
        let fs = rate.hz_f64();
        let mut noise = Noise::new(seed ^ 0x5eed);
        let pitch = self.pitch * (1.0 + 0.008 * noise.next());
        let ring = self.ring * (1.0 + 0.1 * noise.next()) * (0.8 + 0.2 * strength);
        let level = 0.85 * 10f64.powf(-26.0 * (1.0 - strength) / 20.0);
        let shares: Vec<f64> = MODES.iter().map(|m| m.1 * (1.0 + 0.25 * noise.next())).collect();
        let total: f64 = shares.iter().sum();
        let mut phases = [0.0f64; 5];
        let mut bright = BandPass::new(self.colour * (0.8 + 0.2 * strength), 0.55, fs);
        let mut low_wires = BandPass::new(self.colour * 0.45, 0.9, fs);
        let mut tip = BandPass::new(6500.0, 0.7, fs);
        let stick = self.stick * (0.25 + 0.75 * strength.powf(1.5));
        let n = (ring.max(self.buzz) * 9.5 * fs) as usize;
        let out = (0..n).map(|i| {
            let t = i as f64 / fs;
            // A hard stroke stretches the head: the pitch begins a little high.
            let now = pitch * (1.0 + 0.12 * strength * (-t / 0.012).exp());
            let mut body = 0.0;
            for (phase, ((ratio, _, last), share)) in phases.iter_mut().zip(MODES.iter().zip(&shares)) {
                *phase += TAU * now * ratio / fs;
                body += share * (-t / (ring * last)).exp() * phase.sin();
            }
            let hiss = noise.next();
            let wires =
                (bright.next(hiss) + 0.6 * low_wires.next(hiss)) * (-t / (self.buzz * (0.7 + 0.3 * strength))).exp();
            // The wires answer when the lower head moves, about a millisecond late.
            let answer = 1.0 - (-t / 0.0012).exp();
            let hit = stick * 2.2 * tip.next(noise.next()) * (-t / 0.0016).exp();
            let rise = 1.0 - (-t / 0.0003).exp();
            level * (0.62 * body / total * 1.6 * rise + self.wires * 0.9 * wires * answer + hit)
        });
        out.map(|v| (v.tanh()) as f32).collect()
    }
}
