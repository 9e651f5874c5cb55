//! Noise that is the same every time, and one-pole and two-pole filters for it.

use std::f64::consts::TAU;

/// A deterministic sequence: SplitMix64 (Steele, Lea & Flood 2014, from memory).
pub(super) struct Noise(u64);

impl Noise {
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15))
    }

    /// Evenly spread over −1..1.
    pub fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^= z >> 31;
        (z >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    }
}

/// A two-pole resonant band-pass of unit peak gain (constant-peak form, R. Bristow-Johnson's cookbook, from memory).
pub(super) struct BandPass {
    b: f64,
    a1: f64,
    a2: f64,
    x: [f64; 2],
    y: [f64; 2],
}

impl BandPass {
    /// Centre in Hz (held below half the rate) and quality.
    pub fn new(hz: f64, quality: f64, rate: f64) -> Self {
        let w = TAU * hz.min(0.45 * rate) / rate;
        let alpha = w.sin() / (2.0 * quality);
        let a0 = 1.0 + alpha;
        Self { b: alpha / a0, a1: -2.0 * w.cos() / a0, a2: (1.0 - alpha) / a0, x: [0.0; 2], y: [0.0; 2] }
    }

    pub fn next(&mut self, x: f64) -> f64 {
        let y = self.b * (x - self.x[1]) - self.a1 * self.y[0] - self.a2 * self.y[1];
        self.x = [x, self.x[0]];
        self.y = [y, self.y[0]];
        y
    }
}
