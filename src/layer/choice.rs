//! Which shot plays a stroke.

use super::set::SampleSet;
use crate::units::Velocity;

/// Sets with fewer velocity layers than this keep a stroke's layer even if that repeats its only shot.
const FINE: usize = 4;

/// Chooses a shot for every stroke, in order: from the velocity layer of its strength, never the shot just played where the
/// layer has another; a layer of a single shot borrows from its neighbour where layers are fine (four or more).
/// The draw depends on the random seed and on each stroke's own position, so that an edit elsewhere in the song leaves it
/// as it was.
/// In: velocities and positions (samples) in order of time. Out: indices into `set.shots`.
#[must_use]
pub fn choose(set: &SampleSet, strokes: &[(Velocity, u64)], seed: u64) -> Vec<usize> {
    let mut last: Option<usize> = None;
    let mut out = Vec::with_capacity(strokes.len());
    for &(velocity, pos) in strokes {
        let layer = set.layer_of(velocity);
        let own = set.layers.get(layer).map_or(&[][..], |l| &l.shots);
        let mut pool: Vec<usize> = own.iter().copied().filter(|&i| Some(i) != last).collect();
        if pool.is_empty() && set.layers.len() >= FINE {
            let near = [layer.checked_sub(1), Some(layer + 1)];
            let beside = near.iter().flatten().filter_map(|&l| set.layers.get(l));
            pool = beside.flat_map(|l| l.shots.iter().copied()).filter(|&i| Some(i) != last).collect();
        }
        if pool.is_empty() {
            pool = own.to_vec();
        }
        // Every shot draws a number for this stroke; the highest plays. So two songs that differ in one stroke fall into step again.
        let draw = mix(seed ^ mix(pos));
        let chosen = pool.into_iter().max_by_key(|&i| mix(draw ^ i as u64)).unwrap_or(0);
        out.push(chosen);
        last = Some(chosen);
    }
    out
}

/// Spreads the bits of a number evenly (the finaliser of SplitMix64; Steele, Lea & Flood 2014, from memory).
fn mix(x: u64) -> u64 {
    let mut z = x.wrapping_add(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layer::set::Shot;
    use crate::units::SampleRate;

    fn set(names: &[&str]) -> SampleSet {
        let shot = |n: &&str| {
            let x = (0..4800).map(|i| 0.5 * (-(i as f32) / 900.0).exp() * (i as f32 * 0.05).cos()).collect();
            Shot::new((*n).to_string(), vec![x], SampleRate::SESSION).unwrap()
        };
        SampleSet::sort("s".into(), names.iter().map(shot).collect())
    }

    fn song(n: u64) -> Vec<(Velocity, u64)> {
        (0..n).map(|i| (Velocity::nearest((i * 37 % 127 + 1) as f64), i * 11_025)).collect()
    }

    #[test]
    fn no_shot_is_played_twice_in_a_row_where_there_is_another() {
        let two = set(&["a_v1_rr1", "a_v1_rr2", "a_v2_rr1", "a_v2_rr2"]);
        let fine = set(&["a_v1", "a_v2", "a_v3", "a_v4", "a_v5"]);
        for set in [two, fine] {
            for seed in 0..20 {
                let same: Vec<_> = song(500).iter().map(|s| (Velocity::MAX, s.1)).collect();
                for strokes in [song(500), same] {
                    let chosen = choose(&set, &strokes, seed);
                    assert!(chosen.windows(2).all(|w| w[0] != w[1]));
                }
            }
        }
    }

    #[test]
    fn a_set_of_one_shot_plays_it_always() {
        assert!(choose(&set(&["only"]), &song(50), 3).iter().all(|&i| i == 0));
    }

    #[test]
    fn the_same_seed_chooses_the_same_and_another_seed_differently() {
        let set = set(&["a_v1_rr1", "a_v1_rr2", "a_v1_rr3", "a_v1_rr4"]);
        assert_eq!(choose(&set, &song(200), 7), choose(&set, &song(200), 7));
        assert_ne!(choose(&set, &song(200), 7), choose(&set, &song(200), 8));
    }

    #[test]
    fn dropping_one_stroke_leaves_the_rest_of_the_song_as_it_was() {
        let set = set(&["a_v1_rr1", "a_v1_rr2", "a_v1_rr3", "a_v1_rr4"]);
        let strokes = song(400);
        let whole = choose(&set, &strokes, 1);
        let mut fewer = strokes.clone();
        fewer.remove(100);
        let edited = choose(&set, &fewer, 1);
        assert_eq!(whole[..100], edited[..100]);
        let changed = whole[101..].iter().zip(&edited[100..]).filter(|(a, b)| a != b).count();
        assert!(changed < 10, "{changed} strokes changed their shot");
    }

    #[test]
    fn every_shot_of_a_layer_gets_its_turn() {
        let set = set(&["a_v1_rr1", "a_v1_rr2", "a_v1_rr3", "a_v1_rr4"]);
        let chosen = choose(&set, &song(400), 5);
        for i in 0..4 {
            let n = chosen.iter().filter(|&&c| c == i).count();
            assert!((60..140).contains(&n), "shot {i}: {n} of 400");
        }
    }
}
