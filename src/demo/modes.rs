//! Struck things: banks of decaying modes driven by the force of a stroke.

use super::dice::Dice;

/// Zeros j(m,n) of the Bessel functions of the first kind, as (m, j): the modes of an ideal circular membrane
/// in order of frequency. Abramowitz and Stegun (1964), table 9.5.
const MEMBRANE: [(i32, f64); 16] = [
    (0, 2.40483),
    (1, 3.83171),
    (2, 5.13562),
    (0, 5.52008),
    (3, 6.38016),
    (1, 7.01559),
    (4, 7.58834),
    (2, 8.41724),
    (0, 8.65373),
    (5, 8.77148),
    (3, 9.76102),
    (6, 9.93611),
    (1, 10.17347),
    (4, 11.06471),
    (7, 11.08637),
    (2, 11.61984),
];

/// One mode of vibration.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Mode {
    /// Frequency, Hz.
    pub hz: f64,
    /// Time to fall by 60 dB, seconds.
    pub ring: f64,
    /// Amplitude for a unit impulse, signed.
    pub gain: f64,
}

/// The amplitude factor of a level in dB, by the demo's own mathematics, so that machines agree to the last bit.
pub(super) fn amplitude(db: f64) -> f64 {
    libm::pow(10.0, db / 20.0)
}

/// The modes of a membrane struck at a distance from its middle.
///
/// `hz` and `ring` belong to the lowest mode; a mode of ratio q rings `ring / (1 + loss·(q − 1))`. `radius` is
/// the place of the stroke, 0 = middle, 1 = rim; the sign of the angular part is drawn from `dice`.
pub(super) fn membrane(hz: f64, ring: f64, loss: f64, radius: f64, dice: &mut Dice) -> Vec<Mode> {
    MEMBRANE
        .iter()
        .map(|&(m, zero)| {
            let ratio = zero / MEMBRANE[0].1;
            // How strongly a blow at this place drives the mode: the mode's own shape there. Angular modes come
            // in pairs, of which a listener in one direction hears a part.
            let angle = if m == 0 { 1.0 } else { libm::cos(f64::from(m) * dice.between(0.0, std::f64::consts::TAU)) };
            let gain = libm::jn(m, zero * radius) * angle;
            Mode { hz: hz * ratio, ring: ring / (1.0 + loss * (ratio - 1.0)), gain }
        })
        .collect()
}

/// The force of a blow: one raised-cosine pulse of `contact` seconds with unit sum, so that a longer contact is
/// duller but not weaker at low frequencies.
pub(super) fn blow(contact: f64, rate: f64) -> Vec<f32> {
    let n = (contact * rate).round().max(1.0) as usize;
    let mut force: Vec<f32> =
        (0..n).map(|k| (1.0 - libm::cos(std::f64::consts::TAU * (k as f64 + 0.5) / n as f64)) as f32).collect();
    let sum: f32 = force.iter().sum();
    force.iter_mut().for_each(|f| *f /= sum);
    force
}

/// How a struck membrane's pitch falls: by `amount` (share of the pitch) above rest at the blow, back with the time constant `seconds`.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Glide {
    /// Share of the pitch above rest at the blow.
    pub amount: f64,
    /// Time constant, seconds.
    pub seconds: f64,
}

const LANES: usize = 8;
/// The pitch glide is followed in steps of this many samples.
const STEP: usize = 32;

/// Adds `level` times the answer of a bank of modes to a force. Modes above 0.45 of the rate are left out.
///
/// Each mode is a rotating pointer z ← z·e^(−d + iω) + gain·force, heard as its real part. Eight modes turn side
/// by side; sums are taken in a fixed order. Cost: about modes × samples multiplications.
pub(super) fn ring(modes: &[Mode], force: &[f32], glide: Glide, rate: f64, level: f32, out: &mut [f32]) {
    let audible: Vec<Mode> = modes.iter().copied().filter(|m| m.hz < 0.45 * rate && m.hz > 0.0).collect();
    for chunk in audible.chunks(LANES) {
        let (mut re, mut im) = ([0f32; LANES], [0f32; LANES]);
        let (mut turn_re, mut turn_im) = ([0f32; LANES], [0f32; LANES]);
        let mut gain = [0f32; LANES];
        for (g, m) in gain.iter_mut().zip(chunk) {
            *g = m.gain as f32 * level;
        }
        for (k, block) in out.chunks_mut(STEP).enumerate() {
            let start = k * STEP;
            let time = start as f64 / rate;
            if k == 0 || (glide.amount > 0.0 && time < 6.0 * glide.seconds + 2.0 * STEP as f64 / rate) {
                let bend = if glide.amount > 0.0 { glide.amount * libm::exp(-time / glide.seconds) } else { 0.0 };
                for (l, m) in chunk.iter().enumerate() {
                    let fall = libm::exp(-6.907_755 / (m.ring.max(0.001) * rate));
                    let angle = std::f64::consts::TAU * m.hz * (1.0 + bend) / rate;
                    turn_re[l] = (fall * libm::cos(angle)) as f32;
                    turn_im[l] = (fall * libm::sin(angle)) as f32;
                }
            }
            for (n, y) in block.iter_mut().enumerate() {
                let f = force.get(start + n).copied().unwrap_or(0.0);
                for l in 0..LANES {
                    let r = re[l] * turn_re[l] - im[l] * turn_im[l] + gain[l] * f;
                    im[l] = re[l] * turn_im[l] + im[l] * turn_re[l];
                    re[l] = r;
                }
                *y += (re[0] + re[1]) + (re[2] + re[3]) + ((re[4] + re[5]) + (re[6] + re[7]));
            }
        }
    }
}

/// A one-pole low-pass or, by subtraction, high-pass; −3 dB at about `hz`.
#[derive(Clone, Copy, Debug)]
pub(super) struct Pole {
    keep: f32,
    state: f32,
}

impl Pole {
    /// A pole at a frequency.
    pub(super) fn new(hz: f64, rate: f64) -> Self {
        Self { keep: libm::exp(-std::f64::consts::TAU * (hz / rate).min(0.49)) as f32, state: 0.0 }
    }

    /// Low-passed sample.
    pub(super) fn low(&mut self, x: f32) -> f32 {
        self.state = x + self.keep * (self.state - x);
        self.state
    }

    /// High-passed sample.
    pub(super) fn high(&mut self, x: f32) -> f32 {
        x - self.low(x)
    }
}

/// Noise between two corner frequencies, 12 dB an octave below `low` and 6 dB above `high`, of about unit peak.
pub(super) struct Hiss {
    low: [Pole; 2],
    high: Pole,
    dice: Dice,
}

impl Hiss {
    /// Noise between two corners, Hz.
    pub(super) fn new(low: f64, high: f64, rate: f64, dice: Dice) -> Self {
        Self { low: [Pole::new(low, rate); 2], high: Pole::new(high.min(0.45 * rate), rate), dice }
    }

    /// The next sample.
    pub(super) fn next(&mut self) -> f32 {
        let x = self.dice.noise();
        let x = self.low[0].high(x);
        let x = self.low[1].high(x);
        self.high.low(x)
    }
}

/// A curve that rises to 1 in about `rise` seconds and falls by 60 dB in `fall` seconds:
/// (1 − e^(−t/rise))·10^(−3t/fall), stepped sample by sample.
#[derive(Clone, Copy, Debug)]
pub(super) struct Swell {
    up: f32,
    down: f32,
    rise: f32,
    fall: f32,
}

impl Swell {
    /// From rise time constant and 60 dB fall time, seconds.
    pub(super) fn new(rise: f64, fall: f64, rate: f64) -> Self {
        Self {
            up: if rise > 0.0 { libm::exp(-1.0 / (rise * rate)) as f32 } else { 0.0 },
            down: libm::exp(-6.907_755 / (fall.max(1e-4) * rate)) as f32,
            rise: 1.0,
            fall: 1.0,
        }
    }

    /// The next value.
    pub(super) fn next(&mut self) -> f32 {
        self.rise *= self.up;
        let y = (1.0 - self.rise) * self.fall;
        self.fall *= self.down;
        y
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_zeros_are_zeros_of_their_bessel_functions() {
        for (m, zero) in MEMBRANE {
            assert!(libm::jn(m, zero).abs() < 1e-5, "J{m}({zero})");
        }
    }

    #[test]
    fn a_stroke_in_the_middle_drives_only_the_ring_shaped_modes() {
        for (mode, (m, _)) in membrane(100.0, 1.0, 1.0, 0.0, &mut Dice::new(1)).iter().zip(MEMBRANE) {
            assert_eq!(mode.gain != 0.0, m == 0, "{m}");
        }
    }

    #[test]
    fn a_mode_sounds_at_its_frequency_and_falls_sixty_decibels_in_its_ring_time() {
        let rate = 48_000.0;
        let mut out = vec![0.0; 48_000];
        ring(&[Mode { hz: 1000.0, ring: 0.5, gain: 1.0 }], &[1.0], Glide::default(), rate, 1.0, &mut out);
        let peak = |from: usize| out[from..from + 48].iter().fold(0f32, |a, x| a.max(x.abs()));
        let fall = 20.0 * (peak(24_000) / peak(0)).log10();
        assert!((fall + 60.0).abs() < 0.2, "{fall}");
        let crossings = out[..4_800].windows(2).filter(|w| w[0] < 0.0 && w[1] >= 0.0).count();
        assert!((99..=101).contains(&crossings), "{crossings}");
    }

    #[test]
    fn a_blow_has_unit_sum_whatever_its_length() {
        for contact in [0.0005, 0.002, 0.007] {
            assert!((blow(contact, 48_000.0).iter().sum::<f32>() - 1.0).abs() < 1e-5);
        }
    }
}
