//! Sample sets: one-shots sorted into velocity layers and round robins.
//!
//! In: folders and files of one-shots, or the name of a built-in set. Out: [`SampleSet`], and findings about what was
//! left out or converted.

mod load;
mod name;
mod shot;

pub use load::load;
pub use shot::Shot;

use crate::error::{ExitCode, Fault};
use crate::units::Velocity;
use name::{Named, Strength};
use serde::Serialize;

/// Shots whose levels differ by less than this are round robins of one velocity layer where names say nothing, dB.
const LAYER_SPAN: f64 = 3.0;

/// Why a sample set cannot be used.
#[derive(Clone, Debug, thiserror::Error)]
pub enum SetFault {
    /// Nothing there.
    #[error("there is no usable one-shot here ({0})")]
    Empty(String),
    /// The folder cannot be listed.
    #[error("this folder cannot be read ({0})")]
    Unreadable(String),
    /// Too much for one set.
    #[error("there are more than {0} one-shots here")]
    TooMany(usize),
    /// No built-in set of that name.
    #[error("there is no built-in set \"{0}\"")]
    Unknown(String),
}

impl Fault for SetFault {
    fn remedy(&self) -> String {
        match self {
            SetFault::Empty(_) => {
                "Put WAV, AIFF, FLAC or MP3 one-shots of one drum there, or name another folder.".into()
            }
            SetFault::Unreadable(_) => "Check the spelling, and that you may read the folder.".into(),
            SetFault::TooMany(_) => "Name the folder of one drum alone.".into(),
            SetFault::Unknown(_) => {
                let names: Vec<&str> = super::synth::BUILT_IN.iter().map(|b| b.name).collect();
                format!("Built-in sets are {}.", names.join(", "))
            }
        }
    }

    fn exit_code(&self) -> ExitCode {
        ExitCode::Input
    }
}

/// One velocity layer: its shots are round robins of each other.
#[derive(Clone, Debug, PartialEq)]
pub struct VelocityLayer {
    /// Softest velocity that it plays.
    pub low: Velocity,
    /// Strongest.
    pub high: Velocity,
    /// Its shots, in the order of their names.
    pub shots: Vec<usize>,
}

/// One-shots of one drum in velocity layers, softest first. Never empty.
#[derive(Clone, Debug, PartialEq)]
pub struct SampleSet {
    /// Name of the folder, the file, or the built-in set.
    pub name: String,
    /// All shots.
    pub shots: Vec<Shot>,
    /// Layers, softest first, together covering velocities 1..=127 without gap or overlap.
    pub layers: Vec<VelocityLayer>,
    /// How the layers were told apart.
    pub told_by: ToldBy,
}

/// How velocity layers were told apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum ToldBy {
    /// By file names.
    Names,
    /// By measured level.
    Level,
}

/// One line of a set's listing.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Listed {
    /// The shot.
    pub shot: String,
    /// Velocities that it plays.
    pub velocities: (u8, u8),
    /// Its number among the round robins of its layer, from 1, and how many they are.
    pub robin: (usize, usize),
    /// Length, frames.
    pub frames: usize,
    /// Channels.
    pub channels: usize,
    /// Level of its first 50 ms, dBFS.
    pub level_dbfs: f64,
}

impl SampleSet {
    /// Sorts shots into layers: by names where every name tells how hard it was struck, otherwise by level, where shots within
    /// 3 dB of the loudest of a layer belong together. Velocities 1..=127 are shared out evenly, unless names carry velocities
    /// (a number above 16), which are then the top of their layer. Shots must not be empty.
    pub(crate) fn sort(name: String, shots: Vec<Shot>) -> Self {
        let named: Vec<Named> = shots.iter().map(|s| name::read(stem(&s.name))).collect();
        let strengths: Option<Vec<Strength>> = named.iter().map(|n| n.strength).collect();
        let alike = strengths.as_ref().is_none_or(|s| {
            // Words beside numbers cannot be ordered against each other.
            s.windows(2).any(|w| matches!(w, [a, b] if std::mem::discriminant(a) != std::mem::discriminant(b)))
        });
        let (groups, told_by) = match strengths {
            Some(strengths) if !alike => (by_strength(&strengths, &shots), ToldBy::Names),
            _ => (by_level(&shots), ToldBy::Level),
        };
        let tops = match told_by {
            ToldBy::Names => tops_from_names(&groups, &named),
            ToldBy::Level => None,
        };
        let n = groups.len();
        let tops = tops.unwrap_or_else(|| (1..=n).map(|i| (127 * i / n) as u8).collect());
        let mut low = 1u8;
        let mut layers = Vec::with_capacity(n);
        for (mut members, top) in groups.into_iter().zip(tops) {
            members.sort_by(|&a, &b| {
                let key = |i: usize| (named.get(i).and_then(|n| n.robin), shots.get(i).map(|s| s.name.clone()));
                key(a).cmp(&key(b))
            });
            let high = Velocity::nearest(f64::from(top.max(low)));
            layers.push(VelocityLayer { low: Velocity::nearest(f64::from(low)), high, shots: members });
            low = high.get().saturating_add(1).min(127);
        }
        if let Some(last) = layers.last_mut() {
            last.high = Velocity::MAX;
        }
        Self { name, shots, layers, told_by }
    }

    /// Layer that plays a velocity.
    #[must_use]
    pub fn layer_of(&self, velocity: Velocity) -> usize {
        self.layers.iter().position(|l| velocity <= l.high).unwrap_or(self.layers.len().saturating_sub(1))
    }

    /// Channels of what is printed from this set: 2 if any shot is stereo.
    #[must_use]
    pub fn channels(&self) -> usize {
        self.shots.iter().map(|s| s.channels.len()).max().unwrap_or(1)
    }

    /// What was understood of the set, a line a shot, softest first.
    #[must_use]
    pub fn listing(&self) -> Vec<Listed> {
        let lines = self.layers.iter().flat_map(|layer| {
            layer.shots.iter().enumerate().filter_map(move |(r, &i)| {
                let shot = self.shots.get(i)?;
                Some(Listed {
                    shot: shot.name.clone(),
                    velocities: (layer.low.get(), layer.high.get()),
                    robin: (r + 1, layer.shots.len()),
                    frames: shot.frames(),
                    channels: shot.channels.len(),
                    level_dbfs: shot.level.0,
                })
            })
        });
        lines.collect()
    }
}

/// A name without its ending.
fn stem(name: &str) -> &str {
    name.rsplit_once('.').map_or(name, |(stem, _)| stem)
}

/// Groups of equal strength, softest first.
fn by_strength(strengths: &[Strength], shots: &[Shot]) -> Vec<Vec<usize>> {
    let mut order: Vec<usize> = (0..strengths.len()).collect();
    order.sort_by(|&a, &b| strengths.get(a).partial_cmp(&strengths.get(b)).unwrap_or(std::cmp::Ordering::Equal));
    let mut groups: Vec<Vec<usize>> = Vec::new();
    let mut last: Option<Strength> = None;
    for i in order {
        let strength = strengths.get(i).copied();
        match groups.last_mut() {
            Some(group) if strength == last => group.push(i),
            _ => groups.push(vec![i]),
        }
        last = strength;
    }
    // Some libraries count from the hardest. Levels decide which end is up when they are clear.
    let loud = |group: Option<&Vec<usize>>| -> f64 {
        let group = group.map_or(&[][..], Vec::as_slice);
        group.iter().filter_map(|&i| shots.get(i)).map(|s| s.level.0).sum::<f64>() / group.len().max(1) as f64
    };
    if groups.len() > 1 && loud(groups.first()) > loud(groups.last()) + LAYER_SPAN {
        groups.reverse();
    }
    groups
}

/// Groups by measured level, softest first.
fn by_level(shots: &[Shot]) -> Vec<Vec<usize>> {
    let mut order: Vec<usize> = (0..shots.len()).collect();
    let level = |i: usize| shots.get(i).map_or(0.0, |s| s.level.0);
    order.sort_by(|&a, &b| level(b).total_cmp(&level(a)));
    let mut groups: Vec<Vec<usize>> = Vec::new();
    let mut top = f64::INFINITY;
    for i in order {
        match groups.last_mut() {
            Some(group) if top - level(i) <= LAYER_SPAN => group.push(i),
            _ => {
                top = level(i);
                groups.push(vec![i]);
            }
        }
    }
    groups.truncate(127);
    groups.reverse();
    groups
}

/// Top velocity of each group where names carry velocities in ascending order.
fn tops_from_names(groups: &[Vec<usize>], named: &[Named]) -> Option<Vec<u8>> {
    let number = |group: &Vec<usize>| match named.get(*group.first()?)?.strength? {
        Strength::Number(n) => u8::try_from(n).ok().filter(|n| (1..=127).contains(n)),
        Strength::Word(_) => None,
    };
    let tops: Option<Vec<u8>> = groups.iter().map(number).collect();
    tops.filter(|t| t.iter().any(|&v| v > 16) && t.windows(2).all(|w| w[0] < w[1]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::SampleRate;

    fn shot(name: &str, peak: f32) -> Shot {
        let x = (0..4800).map(|i| peak * (-(i as f32) / 900.0).exp() * (i as f32 * 0.05).cos()).collect();
        Shot::new(name.into(), vec![x], SampleRate::SESSION).unwrap()
    }

    fn ranges(set: &SampleSet) -> Vec<(u8, u8, usize)> {
        set.layers.iter().map(|l| (l.low.get(), l.high.get(), l.shots.len())).collect()
    }

    #[test]
    fn names_make_layers_and_round_robins() {
        let names = ["sn_v2_rr1.wav", "sn_v1_rr2.wav", "sn_v1_rr1.wav", "sn_v2_rr2.wav"];
        let set = SampleSet::sort("s".into(), names.iter().map(|n| shot(n, 0.5)).collect());
        assert_eq!(set.told_by, ToldBy::Names);
        assert_eq!(ranges(&set), [(1, 63, 2), (64, 127, 2)]);
        let order: Vec<String> = set.listing().into_iter().map(|l| l.shot).collect();
        assert_eq!(order, ["sn_v1_rr1.wav", "sn_v1_rr2.wav", "sn_v2_rr1.wav", "sn_v2_rr2.wav"]);
    }

    #[test]
    fn without_names_the_level_decides() {
        let set = SampleSet::sort("s".into(), vec![shot("b.wav", 0.8), shot("a.wav", 0.1), shot("c.wav", 0.7)]);
        assert_eq!(set.told_by, ToldBy::Level);
        assert_eq!(ranges(&set), [(1, 63, 1), (64, 127, 2)]);
        assert_eq!(set.layer_of(Velocity::MIN), 0);
        assert_eq!(set.layer_of(Velocity::MAX), 1);
    }

    #[test]
    fn velocities_in_names_are_the_tops_of_their_layers() {
        let set =
            SampleSet::sort("s".into(), ["k vel40.wav", "k vel90.wav", "k vel127.wav"].map(|n| shot(n, 0.5)).into());
        assert_eq!(ranges(&set), [(1, 40, 1), (41, 90, 1), (91, 127, 1)]);
    }

    #[test]
    fn a_library_that_counts_from_the_hardest_is_turned_round() {
        let set = SampleSet::sort("s".into(), vec![shot("s_v1.wav", 0.9), shot("s_v2.wav", 0.1)]);
        assert_eq!(set.shots[set.layers[1].shots[0]].name, "s_v1.wav");
    }

    #[test]
    fn every_velocity_has_exactly_one_layer() {
        for n in 1..=40usize {
            let shots = (0..n).map(|i| shot(&format!("x_v{}.wav", i + 1), 0.5)).collect();
            let set = SampleSet::sort("s".into(), shots);
            assert_eq!(set.layers[0].low.get(), 1);
            assert_eq!(set.layers[n - 1].high.get(), 127);
            assert!(set.layers.windows(2).all(|w| w[0].high.get() + 1 == w[1].low.get()));
        }
    }
}
