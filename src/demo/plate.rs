//! Cymbals: dense inharmonic modes, made once per kit and struck in ever new mixtures.

use super::dice::Dice;
use super::modes::{Glide, Mode, ring};

/// A bronze plate. Its modes are gathered in groups, low to high, each group's ring made once; a stroke is a
/// weighted sum of the groups, so that no two strokes are alike and a stroke costs little.
pub(super) struct Plate {
    groups: Vec<Vec<f32>>,
}

const MODES_A_GROUP: usize = 8;

impl Plate {
    /// A plate that is never struck.
    pub(super) fn none() -> Self {
        Self { groups: Vec::new() }
    }

    /// A plate with modes from `low` to `high` Hz. Thin plates have about equally many modes in every hertz
    /// (Fletcher and Rossing, The Physics of Musical Instruments, from memory); here they crowd a little towards
    /// the low end, where the ear tells them apart. `ring` is the 60 dB time of the lowest modes; high ones die
    /// sooner and, being fed by the low ones, come a little later. No stroke will be longer than `longest` seconds.
    #[allow(clippy::too_many_arguments, reason = "plain numbers of one thing")]
    pub(super) fn new(
        groups: usize,
        low: f64,
        high: f64,
        seconds: f64,
        longest: f64,
        bright: f64,
        rate: f64,
        mut dice: Dice,
    ) -> Self {
        let n = (seconds.min(longest) * rate) as usize;
        let total = groups * MODES_A_GROUP;
        let made = (0..groups)
            .map(|g| {
                let modes: Vec<Mode> = (0..MODES_A_GROUP)
                    .map(|k| {
                        let place =
                            ((g * MODES_A_GROUP + k) as f64 + dice.between(-0.45, 0.45)).max(0.0) / total as f64;
                        let hz = low * libm::pow(high / low, libm::pow(place, 0.72));
                        let tilt = libm::pow(hz / 4_000.0, -0.55 + 0.75 * bright);
                        let gain = tilt.min(2.0) * dice.between(0.3, 1.0) * if dice.chance(0.5) { 1.0 } else { -1.0 };
                        Mode { hz, ring: seconds / (1.0 + hz / 6_000.0) * dice.between(0.6, 1.0), gain }
                    })
                    .collect();
                let mut y = vec![0f32; n];
                // The stick's own contact is short: it drives every mode alike.
                ring(&modes, &[1.0], Glide::default(), rate, 1.0 / (groups as f32).sqrt(), &mut y);
                // What the low modes pass on to the high ones arrives over milliseconds.
                let share = (g as f64 / groups as f64) as f32;
                let fade = libm::exp(-1.0 / ((0.002 + 0.006 * f64::from(share)) * rate)) as f32;
                let mut missing = 0.7 * share;
                for x in &mut y {
                    *x *= 1.0 - missing;
                    missing *= fade;
                }
                y
            })
            .collect();
        Self { groups: made }
    }

    /// Adds a stroke: harder ones are brighter, and each finds another mixture.
    pub(super) fn strike(&self, level: f64, strength: f64, variety: f64, dice: &mut Dice, out: &mut [f32]) {
        for (g, wave) in self.groups.iter().enumerate() {
            let share = (g as f64 + 0.5) / self.groups.len() as f64;
            let bright = libm::pow(strength.max(0.02), 0.9 * share - 0.2);
            let w = (level * bright * (1.0 + 0.30 * variety.min(1.6) * dice.bell()).clamp(0.1, 2.2)) as f32;
            for (y, x) in out.iter_mut().zip(wave) {
                *y += w * x;
            }
        }
    }
}
