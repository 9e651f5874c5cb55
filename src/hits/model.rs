//! The learnt prior: from a candidate's features to the log-odds that it is the drum's own stroke.
//!
//! In: rows of features. Out: log-odds, natural logarithm. The weights lie in `reference_data/judge/`, with a
//! model card that says what they were trained on; nothing is learnt or loaded at run time.

use super::judge::{FEATURES, KitVerdict};
use crate::song::Drum;
use std::sync::OnceLock;

static KICK: &[u8] = include_bytes!("../../reference_data/judge/kick.bin");
static SNARE: &[u8] = include_bytes!("../../reference_data/judge/snare.bin");

/// How many spreads from the mean a feature may lie; the training held them alike.
const FARTHEST: f32 = 6.0;
/// How far the first step's log-odds may go before they reach the second.
const MOST: f32 = 8.0;

/// One layer: weights by input and output, then a bias an output.
struct Layer {
    inputs: usize,
    weights: Vec<f32>,
    bias: Vec<f32>,
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
                Some(Layer { inputs, weights: take(inputs * outputs)?, bias: take(outputs)? })
            };
            nets.push([layer(inputs, first)?, layer(first, second)?, layer(second, 1)?]);
        }
        Some(Self { mean, scale, nets })
    }

    /// Log-odds of a row of numbers.
    fn log_odds(&self, row: impl Iterator<Item = f32>) -> f32 {
        let row: Vec<f32> =
            row.zip(&self.mean).zip(&self.scale).map(|((x, m), s)| ((x - m) * s).clamp(-FARTHEST, FARTHEST)).collect();
        let mut sum = 0.0;
        for [a, b, c] in &self.nets {
            let h = layer(a, &row, true);
            let h = layer(b, &h, true);
            sum += layer(c, &h, false)[0];
        }
        sum / self.nets.len().max(1) as f32
    }
}

/// What counts against a candidate beyond the regression: set by hand, since that alone lets a loud bleed pass that
/// sounds like a stroke.
#[derive(Clone, Copy)]
struct Doubts {
    /// Log-odds that a sound loses which other mics explain to the last decibel. Less for the snare, whose soft strokes
    /// lie under bleed that the other mics seem to explain.
    explained: f32,
    /// Log-odds lost for every dB from the sixth to the sixteenth that all other mics hear it louder than usual
    /// ([`KitVerdict::elsewhere`]). The snare has hat and kick beside it in every mic, so for it this says too little.
    elsewhere: f32,
}

const KICK_DOUBTS: Doubts = Doubts { explained: 3.0, elsewhere: 0.3 };
const SNARE_DOUBTS: Doubts = Doubts { explained: 1.5, elsewhere: 0.0 };
/// How much louder is still usual, dB, and how much more counts.
const USUAL_DB: f32 = 6.0;
const MOST_DB: f32 = 10.0;
/// Inputs of the second step.
const WEIGHED: usize = 8;

/// The model of one drum, in two steps: a network hears the main mic alone; a logistic regression weighs its verdict
/// with what the rest of the kit says. So few weights stand in the second step because they carry over to other
/// kits better than more (`docs/accuracy.md`).
pub struct Model {
    alone: Nets,
    weights: [f32; WEIGHED],
    bias: f32,
    doubts: Doubts,
}

impl Model {
    /// The model of a drum.
    #[must_use]
    pub fn of(drum: Drum) -> &'static Model {
        static MODELS: [OnceLock<Model>; 2] = [OnceLock::new(), OnceLock::new()];
        let (slot, bytes, doubts) =
            if drum == Drum::Kick { (&MODELS[0], KICK, KICK_DOUBTS) } else { (&MODELS[1], SNARE, SNARE_DOUBTS) };
        slot.get_or_init(|| Model::parse(bytes, doubts).unwrap_or_else(Model::undecided))
    }

    /// A model that knows nothing: log-odds 0. Stands in only if an embedded file were damaged, which a test excludes.
    fn undecided() -> Self {
        let nothing = Nets { mean: vec![0.0; FEATURES], scale: vec![1.0; FEATURES], nets: Vec::new() };
        Self { alone: nothing, weights: [0.0; WEIGHED], bias: 0.0, doubts: SNARE_DOUBTS }
    }

    fn parse(bytes: &[u8], doubts: Doubts) -> Option<Self> {
        let mut words = bytes.chunks_exact(4).filter_map(|c| c.try_into().ok());
        let alone = Nets::parse(&mut words, FEATURES)?;
        let rest: Vec<f32> = words.map(f32::from_le_bytes).collect();
        let (bias, weights) = rest.split_last()?;
        Some(Self { alone, weights: weights.try_into().ok()?, bias: *bias, doubts })
    }

    /// Log-odds of a candidate.
    #[must_use]
    pub fn log_odds(&self, alone: &[f32; FEATURES], kit: &KitVerdict) -> f32 {
        let verdict = self.alone.log_odds(alone.iter().copied()).clamp(-MOST, MOST);
        let explained = kit.plain - kit.height;
        // Steps of the height: where it is nearly nothing, the kit explains the sound, however much it seems a stroke.
        let inputs: [f32; WEIGHED] = [
            verdict / 4.0,
            kit.height.min(1.5),
            kit.height.min(4.0) / 2.0,
            kit.height / 5.0,
            kit.plain / 5.0,
            explained.min(6.0) / 3.0,
            kit.above / 15.0,
            kit.clear,
        ];
        let odds = inputs.iter().zip(&self.weights).fold(self.bias, |sum, (x, w)| sum + x * w);
        let Doubts { explained, elsewhere } = self.doubts;
        let odds = odds - elsewhere * (kit.elsewhere - USUAL_DB).clamp(0.0, MOST_DB);
        odds - if kit.asked { explained * (1.0 - kit.height.min(1.0)) } else { 0.0 }
    }
}

fn layer(l: &Layer, x: &[f32], squash: bool) -> Vec<f32> {
    let mut out = l.bias.clone();
    debug_assert_eq!(x.len(), l.inputs);
    for (x, w) in x.iter().zip(l.weights.chunks_exact(out.len())) {
        for (o, w) in out.iter_mut().zip(w) {
            *o += x * w;
        }
    }
    if squash {
        out.iter_mut().for_each(|v| *v = v.tanh());
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_embedded_weights_fit_the_features() {
        for bytes in [KICK, SNARE] {
            let model = Model::parse(bytes, KICK_DOUBTS).unwrap();
            assert!(!model.alone.nets.is_empty());
            assert!(model.log_odds(&[0.0; FEATURES], &KitVerdict::default()).is_finite());
        }
    }

    #[test]
    fn damaged_weights_are_refused() {
        assert!(Model::parse(&KICK[..KICK.len() - 4], KICK_DOUBTS).is_none());
        assert!(Model::parse(&[], KICK_DOUBTS).is_none());
    }
}
