//! Ring that goes on under a stroke: a drum, or a neighbour, that was struck before is a few decaying tones, and what they
//! will do in the next milliseconds follows from what they did in the last.
//!
//! In: a stroke's sketch and where the stroke begins. Out: the sketch without what rang before.
//!
//! Linear prediction (Makhoul 1975, Proc. IEEE 63(4)) with Burg's method (Burg 1967), which keeps the tones from growing; both
//! from memory.

use super::attack::bank;
use super::filters::{Bank, LANES};
use super::likeness::{BANDS, Sketch};
use crate::units::SampleRate;

/// Values that each next one is predicted from: sixteen tones.
const ORDER: usize = 32;
/// What is learnt from, ms, and how long before the stroke it ends: filters smear the beginning a little.
const LEARN_MS: f64 = 13.0;
const BEFORE_MS: f64 = 1.0;
/// What rang is taken off from so long before the stroke to so long after it, ms.
const OFF_FROM_MS: f64 = 3.0;
const OFF_TO_MS: f64 = 8.0;

/// Carries on what rings.
pub struct Carrier {
    bank: Bank,
    hz: f64,
    rang: Vec<f64>,
    views: Vec<[f32; LANES]>,
    burg: Burg,
}

impl Carrier {
    /// For sketches of recordings of one rate.
    #[must_use]
    pub fn new(rate: SampleRate) -> Self {
        let step = Sketch::step(rate) as u32;
        let kept = SampleRate::new(rate.hz() / step).unwrap_or(rate);
        Self { bank: bank(kept), hz: kept.hz_f64(), rang: Vec::new(), views: Vec::new(), burg: Burg::default() }
    }

    /// The sketch of a stroke that begins at `begins` (samples of the recording after the sketch's first) without what rang
    /// before; `None` where too little of that is known.
    #[must_use]
    pub fn freed(&mut self, sketch: &Sketch, begins: f32) -> Option<Sketch> {
        let n = |ms: f64| (ms * 1e-3 * self.hz).round() as usize;
        let (full, step) = sketch.full();
        let stroke = (begins / step).round().max(0.0) as usize;
        let ends = stroke.checked_sub(n(BEFORE_MS))?;
        let learn = ends.saturating_sub(n(LEARN_MS));
        let (off, last) = (stroke.checked_sub(n(OFF_FROM_MS))?, (stroke + n(OFF_TO_MS)).min(full.len()));
        let known = full.get(learn..ends).filter(|known| known.len() > 2 * ORDER)?;
        let weights = self.burg.learn(known, ORDER);
        self.rang.clear();
        self.rang.extend(full[..ends].iter().map(|x| f64::from(*x)));
        for _ in ends..last {
            let next: f64 = self.rang.iter().rev().zip(weights).map(|(x, w)| x * w).sum();
            self.rang.push(next);
        }
        self.views.clear();
        self.views.extend(self.rang.iter().map(|&x| [x as f32; LANES]));
        self.bank.zero_phase(&mut self.views);
        let ring = self.views[off..].iter().zip(&self.rang[off..]).map(|(lanes, &full)| {
            let mut views: [f32; BANDS] = std::array::from_fn(|v| lanes[v]);
            views[0] = full as f32;
            views
        });
        Some(sketch.without(off, ring))
    }
}

/// Prediction from the last values by Burg's method, with the room that it needs.
#[derive(Default)]
struct Burg {
    ahead: Vec<f64>,
    back: Vec<f64>,
    weights: Vec<f64>,
    mirrored: Vec<f64>,
}

impl Burg {
    /// What the last, the one before, ... of `order` values are multiplied by to give the next. None of the tones so described
    /// grows. In double precision: of a few clean tones single precision makes others that grow.
    fn learn(&mut self, x: &[f32], order: usize) -> &[f64] {
        let Self { ahead, back, weights, mirrored } = self;
        ahead.clear();
        ahead.extend(x.iter().map(|x| f64::from(*x)));
        back.clone_from(ahead);
        weights.clear();
        for m in 1..=order.min(x.len().saturating_sub(1)) {
            let (f, b) = (&mut ahead[m..], &mut back[m - 1..x.len() - 1]);
            let (mut product, mut power) = (0.0, f64::MIN_POSITIVE);
            for (f, b) in f.iter().zip(b.iter()) {
                product += f * b;
                power += f * f + b * b;
            }
            let k = 2.0 * product / power;
            mirrored.clear();
            mirrored.extend(weights.iter().rev());
            weights.iter_mut().zip(mirrored.iter()).for_each(|(w, r)| *w -= k * r);
            weights.push(k);
            for (f, b) in f.iter_mut().zip(b.iter_mut()) {
                (*f, *b) = (*f - k * *b, *b - k * *f);
            }
            // What went back from one value now belongs to the next.
            back.copy_within(m - 1..x.len() - 1, m);
        }
        weights
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f32::consts::TAU;

    const RATE: SampleRate = SampleRate::SESSION;
    const HZ: f32 = 12_000.0;

    #[test]
    fn weights_are_those_of_the_reference_library() {
        // librosa 0.11.0, `-lpc(x, order=4)[1:]`.
        let x: Vec<f32> = (0..48).map(|i| ((i * 7919) % 61) as f32 / 30.0 - 1.0 + (0.3 * i as f32).sin()).collect();
        let expected = [0.633_980_558, -0.054_760_480, -0.074_773_840, 0.083_001_372];
        let mut burg = Burg::default();
        for (found, expected) in burg.learn(&x, 4).iter().zip(expected) {
            assert!((found - expected).abs() < 1e-6, "{found} for {expected}");
        }
    }

    /// Three decaying tones of a drum, from `begins` on.
    fn ring(t: f32) -> f32 {
        [(190.0, 0.2, 0.06), (340.0, 0.1, 0.04), (1210.0, 0.05, 0.02)]
            .iter()
            .map(|(hz, level, decay)| level * (-t / decay).exp() * (TAU * hz * t + 0.4).sin())
            .sum()
    }

    /// What a stroke of 800 Hz and a level is, `t` seconds after it begins.
    fn stroke(t: f32, level: f32) -> f32 {
        if t < 0.0 { 0.0 } else { level * (-t / 0.01).exp() * (TAU * 800.0 * t).sin() }
    }

    /// A sketch of 39 ms of something whose full band and bands are what the filters make of it.
    fn sketch(of: impl Fn(f32) -> f32) -> Sketch {
        let mut lanes: Vec<[f32; LANES]> = (0..1872).map(|i| [of(i as f32 / 48_000.0); LANES]).collect();
        bank(RATE).zero_phase(&mut lanes);
        Sketch::new(&std::array::from_fn(|v| lanes.iter().map(|l| l[v]).collect()), RATE)
    }

    /// Root mean square of the full band, 1 ms before to 6 ms after the stroke at 17 ms.
    fn level(sketch: &Sketch) -> f32 {
        let x = &sketch.full().0[192..276];
        (x.iter().map(|x| x * x).sum::<f32>() / x.len() as f32).sqrt()
    }

    #[test]
    fn of_a_stroke_on_a_drums_own_ring_only_the_stroke_is_left() {
        let alone = sketch(|t| stroke(t - 0.017, 0.3));
        let both = sketch(|t| stroke(t - 0.017, 0.3) + ring(t));
        let freed = Carrier::new(RATE).freed(&both, 0.017 * 48_000.0).unwrap();
        let off = |x: &Sketch| (20.0 * (level(x) / level(&alone)).log10()).abs();
        assert!(off(&both) > 2.0 && off(&freed) < 0.2, "{} dB, then {} dB", off(&both), off(&freed));
    }

    #[test]
    fn a_stroke_after_silence_stays_as_it_is() {
        let alone = sketch(|t| stroke(t - 0.017, 0.3));
        let freed = Carrier::new(RATE).freed(&alone, 0.017 * 48_000.0).unwrap();
        assert!((level(&freed) / level(&alone) - 1.0).abs() < 1e-3);
    }

    #[test]
    fn noise_is_not_carried_on_louder_than_it_was() {
        let noise =
            |t: f32| (((t * 48_000.0).round() as u32).wrapping_mul(2_654_435_761) >> 8) as f32 / 16_777_216.0 - 0.5;
        let before = sketch(noise);
        let mut carrier = Carrier::new(RATE);
        carrier.freed(&before, 0.017 * 48_000.0).unwrap();
        let power = |x: &[f64]| x.iter().map(|x| x * x).sum::<f64>() / x.len() as f64;
        let learnt = (LEARN_MS * 1e-3) as f32 * HZ;
        let ends = carrier.rang.len() - (9e-3 * HZ) as usize;
        assert!(power(&carrier.rang[ends..]) <= power(&carrier.rang[ends - learnt as usize..ends]));
    }

    #[test]
    fn without_a_past_nothing_is_carried_on() {
        let alone = sketch(|t| stroke(t - 0.003, 0.3));
        assert!(Carrier::new(RATE).freed(&alone, 0.003 * 48_000.0).is_none());
        assert!(Carrier::new(RATE).freed(&alone, -100.0).is_none());
    }
}
