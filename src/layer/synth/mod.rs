//! Built-in sample sets, synthesised when they are asked for: nothing recorded, nothing stored.
//!
//! In: a name and a rate. Out: a [`SampleSet`]; the same samples every time.

mod kick;
mod noise;
mod snare;

use super::set::{SampleSet, SetFault, Shot};
use crate::error::{Located, Result};
use crate::finding::Finding;
use crate::song::{Drum, LayerPlan};
use crate::units::SampleRate;
use rayon::prelude::*;
use std::path::Path;

/// A set that comes with underlay.
#[derive(Clone, Copy, Debug)]
pub struct BuiltIn {
    /// Its name in sheets.
    pub name: &'static str,
    /// The drum that it is made for.
    pub drum: Drum,
    /// What it sounds like, for listings.
    pub sound: &'static str,
    recipe: Recipe,
}

#[derive(Clone, Copy, Debug)]
enum Recipe {
    Kick(kick::Kick),
    Snare(snare::Snare),
}

/// Velocity layers of a built-in set.
const LAYERS: usize = 5;
/// Round robins of each of its layers.
const ROBINS: usize = 4;

/// The built-in sets; the first of a drum is its default.
pub const BUILT_IN: [BuiltIn; 5] = [
    BuiltIn {
        name: "kick-round",
        drum: Drum::Kick,
        sound: "deep and long, soft beater",
        recipe: Recipe::Kick(kick::ROUND),
    },
    BuiltIn {
        name: "kick-tight",
        drum: Drum::Kick,
        sound: "short and dry, hard beater",
        recipe: Recipe::Kick(kick::TIGHT),
    },
    BuiltIn {
        name: "snare-full",
        drum: Drum::Snare,
        sound: "low body, long wires",
        recipe: Recipe::Snare(snare::FULL),
    },
    BuiltIn {
        name: "snare-crisp",
        drum: Drum::Snare,
        sound: "high and bright, short",
        recipe: Recipe::Snare(snare::CRISP),
    },
    BuiltIn {
        name: "snare-dry",
        drum: Drum::Snare,
        sound: "body only, damped, few wires",
        recipe: Recipe::Snare(snare::DRY),
    },
];

/// Makes a built-in set. An empty name takes the default of the drum.
///
/// # Errors
/// [`SetFault::Unknown`], placed in the sheet at `asked_in`.
pub fn built_in(name: &str, drum: Drum, rate: SampleRate, asked_in: &Path) -> Result<SampleSet> {
    let found = BUILT_IN.iter().find(|b| if name.is_empty() { b.drum == drum } else { b.name == name });
    let Some(found) = found else {
        return Err(Located::whole(asked_in, SetFault::Unknown(name.into())).into());
    };
    let wanted: Vec<(usize, usize)> = (0..LAYERS).flat_map(|l| (0..ROBINS).map(move |r| (l, r))).collect();
    let shots: Vec<Shot> = wanted
        .into_par_iter()
        .filter_map(|(layer, robin)| {
            let strength = (layer as f64 + 1.0) / LAYERS as f64;
            let seed = (layer * ROBINS + robin) as u64 + 1;
            let audio = match found.recipe {
                Recipe::Kick(k) => k.stroke(strength, seed, rate),
                Recipe::Snare(s) => s.stroke(strength, seed, rate),
            };
            Shot::new(format!("{}_v{}_rr{}", found.name, layer + 1, robin + 1), vec![audio], rate).ok()
        })
        .collect();
    if shots.is_empty() {
        return Err(Located::whole(asked_in, SetFault::Empty(found.name.into())).into());
    }
    Ok(SampleSet::sort(found.name.into(), shots))
}

/// A caution where a layer's built-in set is made for another drum than the layer lies under.
#[must_use]
pub fn other_drum(plan: &LayerPlan) -> Option<Finding> {
    let asked = plan.built_in.as_deref().filter(|_| plan.samples.is_empty())?;
    let set = BUILT_IN.iter().find(|b| b.name == asked && b.drum != plan.drum)?;
    let own: Vec<&str> = BUILT_IN.iter().filter(|b| b.drum == plan.drum).map(|b| b.name).collect();
    Some(Finding::song(
        format!(
            "the set {} is made for the {}, and layer {} lies under the {}",
            set.name, set.drum, plan.name, plan.drum
        ),
        format!("Sets for the {} are {}; leave it if you mean it.", plan.drum, own.join(", ")),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Velocity;

    fn all(rate: SampleRate) -> Vec<SampleSet> {
        BUILT_IN.iter().map(|b| built_in(b.name, b.drum, rate, Path::new("")).unwrap()).collect()
    }

    #[test]
    fn every_built_in_set_has_five_layers_of_four_round_robins_that_get_louder() {
        for set in all(SampleRate::SESSION) {
            assert_eq!(set.layers.len(), LAYERS, "{}", set.name);
            assert!(set.layers.iter().all(|l| l.shots.len() == ROBINS));
            let level = |l: usize| set.layers[l].shots.iter().map(|&i| set.shots[i].level.0).sum::<f64>();
            assert!((1..LAYERS).all(|l| level(l) > level(l - 1)), "{}", set.name);
            assert!(set.shots.iter().all(|s| s.clipped.runs == 0 && s.peak < 1.0 && s.peak > 0.01));
        }
    }

    #[test]
    fn round_robins_differ_and_the_same_set_is_the_same_every_time() {
        let (a, b) = (all(SampleRate::SESSION), all(SampleRate::SESSION));
        assert_eq!(a, b);
        for set in a {
            for layer in &set.layers {
                for (n, &i) in layer.shots.iter().enumerate() {
                    assert!(layer.shots[..n].iter().all(|&j| set.shots[i].channels != set.shots[j].channels));
                }
            }
        }
    }

    #[test]
    fn a_harder_stroke_is_brighter() {
        // Zero crossings a second, a plain measure of brightness.
        let crossings = |s: &Shot| {
            let x = &s.channels[0][s.attack..];
            let n = x.len().min(2400);
            x[..n].windows(2).filter(|w| w[0] * w[1] < 0.0).count()
        };
        for set in all(SampleRate::SESSION) {
            let of = |v: u8| {
                let layer = &set.layers[set.layer_of(Velocity::new(v).unwrap())];
                layer.shots.iter().map(|&i| crossings(&set.shots[i])).sum::<usize>()
            };
            assert!(of(127) >= of(1), "{}: {} {}", set.name, of(127), of(1));
        }
    }

    #[test]
    fn an_unknown_set_names_those_there_are() {
        let e = built_in("cowbell", Drum::Snare, SampleRate::SESSION, Path::new("song.toml")).unwrap_err();
        assert!(e.remedy().contains("kick-round") && e.to_string().contains("cowbell"));
    }

    #[test]
    fn the_default_fits_the_drum() {
        assert_eq!(built_in("", Drum::Kick, SampleRate::SESSION, Path::new("")).unwrap().name, "kick-round");
        assert_eq!(built_in("", Drum::Snare, SampleRate::SESSION, Path::new("")).unwrap().name, "snare-full");
    }
}
