//! The learnt prior: from a candidate's features to the log-odds that it is the drum's own stroke.
//!
//! In: rows of features. Out: log-odds, natural logarithm. The weights lie in `reference_data/judge/`, with a
//! model card that says what they were trained on; nothing is learnt or loaded at run time.

use super::judge::{FEATURES, KitVerdict};
use super::others::Others;
use crate::song::Drum;
use pulp::{Arch, Simd, WithSimd};
use std::sync::OnceLock;

static KICK: &[u8] = include_bytes!("../../reference_data/judge/kick.bin");
static SNARE: &[u8] = include_bytes!("../../reference_data/judge/snare.bin");

/// How many spreads from the mean a feature may lie; the training held them alike.
const FARTHEST: f32 = 6.0;
/// How far the first step's log-odds may go before they reach the second.
const MOST: f32 = 8.0;

/// Candidates that are judged side by side, one in each lane of the processor's vector registers.
const LANES: usize = 16;
type Side = [f32; LANES];
/// Units that are worked on together.
const TOGETHER: usize = 8;
const FEWER: usize = 4;

/// One layer: weights input by input, and a bias an output.
struct Layer {
    weights: Vec<f32>,
    bias: Vec<f32>,
}

impl Layer {
    /// Sums of the layer, inputs in order, for candidates side by side.
    #[inline(always)]
    fn sums<S: Simd>(&self, s: S, x: &[Side], out: &mut Vec<Side>) {
        debug_assert_eq!(x.len() * self.bias.len(), self.weights.len());
        out.clear();
        out.resize(self.bias.len(), [0.0; LANES]);
        let (many, rest) = out.as_chunks_mut::<TOGETHER>();
        let (some, single) = rest.as_chunks_mut::<FEWER>();
        let mut from = 0;
        for units in many {
            self.units(s, x, from, units);
            from += TOGETHER;
        }
        for units in some {
            self.units(s, x, from, units);
            from += FEWER;
        }
        for unit in single.as_chunks_mut::<1>().0 {
            self.units(s, x, from, unit);
            from += 1;
        }
    }

    /// Sums of neighbouring units from the given one on.
    #[inline(always)]
    fn units<S: Simd, const N: usize>(&self, s: S, x: &[Side], from: usize, out: &mut [Side; N]) {
        let Some(bias) = self.bias.get(from..).and_then(|bias| bias.first_chunk::<N>()) else { return };
        for part in 0..LANES / S::F32_LANES {
            let mut sums = [s.splat_f32s(0.0); N];
            for k in 0..N {
                sums[k] = s.splat_f32s(bias[k]);
            }
            for (x, weights) in x.iter().zip(self.weights.chunks_exact(self.bias.len())) {
                let Some(weights) = weights.get(from..).and_then(|w| w.first_chunk::<N>()) else { break };
                let x = S::as_simd_f32s(x).0[part];
                for k in 0..N {
                    sums[k] = s.mul_add_f32s(x, s.splat_f32s(weights[k]), sums[k]);
                }
            }
            for k in 0..N {
                S::as_mut_simd_f32s(&mut out[k]).0[part] = sums[k];
            }
        }
    }
}

/// Hyperbolic tangent to 1.2e-5: the ninth convergent of Lambert's continued fraction (Abramowitz and Stegun 4.5.70, from
/// memory), the same on every machine.
#[inline(always)]
fn tanh(x: f32) -> f32 {
    let x = x.clamp(-6.0, 6.0);
    let y = x * x;
    let above = (((y + 990.0) * y + 135_135.0) * y + 4_729_725.0) * y + 34_459_425.0;
    let below = (((45.0 * y + 13_860.0) * y + 945_945.0) * y + 16_216_200.0) * y + 34_459_425.0;
    x * above / below
}

/// A few small networks whose log-odds are averaged: numbers, two layers of tanh units, log-odds.
struct Nets {
    mean: Vec<f32>,
    scale: Vec<f32>,
    nets: Vec<[Layer; 3]>,
}

impl Nets {
    /// Reads weights: four little-endian u32 (networks, inputs, units of the first and second layer), then f32:
    /// means, inverse spreads, and for each network three layers of weights (input by input) and biases.
    /// `None` when the length or the number of inputs does not fit.
    fn parse(words: &mut impl Iterator<Item = [u8; 4]>, inputs: usize) -> Option<Self> {
        let mut size = || words.next().map(|w| u32::from_le_bytes(w) as usize);
        let (count, found, first, second) = (size()?, size()?, size()?, size()?);
        if found != inputs || count > 64 || first > 4096 || second > 4096 {
            return None;
        }
        let mut take = |n: usize| -> Option<Vec<f32>> {
            let v: Vec<f32> = words.by_ref().take(n).map(f32::from_le_bytes).collect();
            (v.len() == n).then_some(v)
        };
        let mean = take(inputs)?;
        let scale = take(inputs)?;
        let mut nets = Vec::new();
        for _ in 0..count {
            let mut layer = |inputs: usize, outputs: usize| -> Option<Layer> {
                Some(Layer { weights: take(inputs * outputs)?, bias: take(outputs)? })
            };
            nets.push([layer(inputs, first)?, layer(first, second)?, layer(second, 1)?]);
        }
        Some(Self { mean, scale, nets })
    }

    /// Log-odds of rows of numbers.
    fn log_odds(&self, rows: &[&[f32; FEATURES]]) -> Vec<f32> {
        let arch = Arch::new();
        let mut out = Vec::with_capacity(rows.len());
        let (mut numbers, mut a, mut b) = (vec![[0.0; LANES]; FEATURES], Vec::new(), Vec::new());
        for side in rows.chunks(LANES) {
            for (l, row) in side.iter().enumerate() {
                for (((n, x), m), s) in numbers.iter_mut().zip(*row).zip(&self.mean).zip(&self.scale) {
                    n[l] = ((x - m) * s).clamp(-FARTHEST, FARTHEST);
                }
            }
            let sums = arch.dispatch(Judged { nets: &self.nets, numbers: &numbers, a: &mut a, b: &mut b });
            out.extend(sums.iter().take(side.len()).map(|sum| sum / self.nets.len().max(1) as f32));
        }
        out
    }
}

/// Sum of the networks' log-odds for candidates side by side; `a` and `b` hold the units of the two layers.
struct Judged<'a> {
    nets: &'a [[Layer; 3]],
    numbers: &'a [Side],
    a: &'a mut Vec<Side>,
    b: &'a mut Vec<Side>,
}

impl WithSimd for Judged<'_> {
    type Output = Side;

    #[inline(always)]
    fn with_simd<S: Simd>(self, s: S) -> Side {
        let Self { nets, numbers, a, b } = self;
        let mut sums = [0.0; LANES];
        for [first, second, last] in nets {
            first.sums(s, numbers, a);
            squash(a);
            second.sums(s, a, b);
            squash(b);
            let mut odds = [[0.0; LANES]];
            last.units(s, b, 0, &mut odds);
            (0..LANES).for_each(|l| sums[l] += odds[0][l]);
        }
        sums
    }
}

#[inline(always)]
fn squash(units: &mut [Side]) {
    for unit in units {
        for x in unit {
            *x = tanh(*x);
        }
    }
}

/// What a kick loses beyond the regression for every dB that all other mics hear it louder than usual
/// ([`KitVerdict::elsewhere`]), log-odds: set by hand. The snare has hat and kick beside it in every mic, so for it this says
/// too little.
const KICK_ELSEWHERE: f32 = 0.3;
const SNARE_ELSEWHERE: f32 = 0.0;
/// How much louder is still usual, dB, and how much more counts.
const USUAL_DB: f32 = 6.0;
const MOST_DB: f32 = 10.0;
/// Inputs of the second step.
const WEIGHED: usize = 9;

/// The model of one drum, in two steps: a network hears the main mic alone; a logistic regression weighs its verdict
/// with what the rest of the kit says. So few weights stand in the second step because they carry over to other
/// kits better than more (`docs/finder-notes.md`).
pub struct Model {
    alone: Nets,
    /// One for each of [`Others`], in their order.
    weighings: [Weighing; Others::COUNT],
    /// Log-odds lost for every dB from the sixth to the sixteenth that all other mics hear a sound louder than usual.
    elsewhere: f32,
}

/// A logistic regression: how the verdict on the main mic is weighed with what the rest of the kit says.
#[derive(Clone, Copy, Default)]
struct Weighing {
    weights: [f32; WEIGHED],
    bias: f32,
}

impl Model {
    /// The model of a drum.
    #[must_use]
    pub fn of(drum: Drum) -> &'static Model {
        static MODELS: [OnceLock<Model>; 2] = [OnceLock::new(), OnceLock::new()];
        let (slot, bytes, elsewhere) = match drum {
            Drum::Kick => (&MODELS[0], KICK, KICK_ELSEWHERE),
            _ => (&MODELS[1], SNARE, SNARE_ELSEWHERE),
        };
        slot.get_or_init(|| Model::parse(bytes, elsewhere).unwrap_or_else(Model::undecided))
    }

    /// A model that knows nothing: log-odds 0. Stands in only if an embedded file were damaged, which a test excludes.
    fn undecided() -> Self {
        let nothing = Nets { mean: vec![0.0; FEATURES], scale: vec![1.0; FEATURES], nets: Vec::new() };
        Self { alone: nothing, weighings: Default::default(), elsewhere: 0.0 }
    }

    fn parse(bytes: &[u8], elsewhere: f32) -> Option<Self> {
        let mut words = bytes.chunks_exact(4).filter_map(|c| c.try_into().ok());
        let alone = Nets::parse(&mut words, FEATURES)?;
        let rest: Vec<f32> = words.map(f32::from_le_bytes).collect();
        let (rows, left) = rest.as_chunks::<{ WEIGHED + 1 }>();
        let rows: &[_; Others::COUNT] = rows.try_into().ok().filter(|_| left.is_empty())?;
        let weighings = rows.map(|[weights @ .., bias]| Weighing { weights, bias });
        Some(Self { alone, weighings, elsewhere })
    }

    /// Whether it matters to this model that a sound comes from elsewhere.
    #[must_use]
    pub fn asks_elsewhere(&self) -> bool {
        self.elsewhere > 0.0
    }

    /// Log-odds of candidates: what the main mic alone says of each, and what the rest of the kit.
    #[must_use]
    pub fn log_odds(&self, all: &[([f32; FEATURES], KitVerdict)]) -> Vec<f32> {
        let alone: Vec<&[f32; FEATURES]> = all.iter().map(|(alone, _)| alone).collect();
        let verdicts = self.alone.log_odds(&alone);
        verdicts.into_iter().zip(all).map(|(verdict, (_, kit))| self.weighed(verdict, kit)).collect()
    }

    /// The second step.
    fn weighed(&self, verdict: f32, kit: &KitVerdict) -> f32 {
        let verdict = verdict.clamp(-MOST, MOST);
        let explained = kit.plain - kit.height;
        // Steps of the height: where it is nearly nothing, the kit explains the sound, however much it seems a stroke.
        let inputs: [f32; WEIGHED] = [
            verdict / 4.0,
            kit.height.min(1.0),
            kit.height.min(1.5),
            kit.height.min(4.0) / 2.0,
            kit.height / 5.0,
            kit.plain / 5.0,
            explained.min(6.0) / 3.0,
            kit.above / 15.0,
            kit.clear,
        ];
        let Weighing { weights, bias } = &self.weighings[kit.others as usize];
        let odds = inputs.iter().zip(weights).fold(*bias, |sum, (x, w)| sum + x * w);
        odds - self.elsewhere * (kit.elsewhere - USUAL_DB).clamp(0.0, MOST_DB)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_embedded_weights_fit_the_features() {
        for bytes in [KICK, SNARE] {
            let model = Model::parse(bytes, 0.0).unwrap();
            assert!(!model.alone.nets.is_empty());
            assert!(model.log_odds(&[([0.0; FEATURES], KitVerdict::default())])[0].is_finite());
        }
    }

    #[test]
    fn tanh_is_the_libraries() {
        for k in -2_000..=2_000 {
            let x = 0.01 * k as f32;
            assert!((f64::from(tanh(x)) - f64::from(x).tanh()).abs() < 1.2e-5, "{x}");
        }
    }

    /// A layer of so many units, whatever groups they are worked on in, as told: inputs in order, each product added before it is
    /// rounded.
    #[test]
    fn a_layers_sums_are_those_of_its_definition() {
        struct Summed<'a>(&'a Layer, &'a [Side], &'a mut Vec<Side>);
        impl WithSimd for Summed<'_> {
            type Output = ();

            fn with_simd<S: Simd>(self, s: S) {
                self.0.sums(s, self.1, self.2);
            }
        }
        let number = |k: usize| ((k * 7919) % 61) as f32 / 30.0 - 1.0;
        for units in [1, 4, 7, 12, 13, 64] {
            let inputs = 9;
            let layer =
                Layer { weights: (0..inputs * units).map(number).collect(), bias: (0..units).map(number).collect() };
            let x: Vec<Side> = (0..inputs).map(|i| std::array::from_fn(|l| number(3 * i + 5 * l))).collect();
            let mut sums = Vec::new();
            Arch::new().dispatch(Summed(&layer, &x, &mut sums));
            assert_eq!(sums.len(), units);
            for (o, sum) in sums.iter().enumerate() {
                for l in 0..LANES {
                    let plain = (0..inputs).fold(number(o), |sum, i| x[i][l].mul_add(number(i * units + o), sum));
                    assert_eq!(sum[l], plain, "{units} units");
                }
            }
        }
    }

    #[test]
    fn a_candidates_odds_do_not_depend_on_its_neighbours() {
        let row =
            |k: usize| -> [f32; FEATURES] { std::array::from_fn(|i| ((i * 31 + k * 17) % 23) as f32 / 11.0 - 1.0) };
        let all: Vec<([f32; FEATURES], KitVerdict)> = (0..37).map(|k| (row(k), KitVerdict::default())).collect();
        for drum in Drum::FOUND {
            let model = Model::of(drum);
            let together = model.log_odds(&all);
            for (k, one) in all.iter().enumerate() {
                assert_eq!(model.log_odds(&[*one]), [together[k]]);
            }
        }
    }

    #[test]
    fn damaged_weights_are_refused() {
        assert!(Model::parse(&KICK[..KICK.len() - 4], 0.0).is_none());
        assert!(Model::parse(&[], 0.0).is_none());
    }
}
