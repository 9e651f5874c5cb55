//! A few sounds far louder than all else.
//!
//! In: how loud each candidate is in a drum's own mic, and how far it stands out. Out: what each gains or loses in log-odds.
//! Nothing bleeds into a close mic as loudly as the drum before it sounds there. So where a few sounds stand far above
//! a crowd of others with nothing between, they are the drum, struck rarely, however odd it sounds, and the crowd is bleed.

/// Novelty of a candidate that stands out, dB.
pub const PROMINENT: f32 = 8.0;
/// Fewest that stand out in a take that has a crowd.
const FEWEST: usize = 20;
/// How many times as many are in the crowd as above it.
const CROWD: usize = 4;
/// Least distance, dB: hits of a tom that has no mic stood 11 above hats, where the snare was struck as loudly.
const LEAST: f32 = 12.0;
/// What each dB above so many adds to the log-odds: 2 at 14 dB, where toms in the mic of a snare that is never struck stood.
const FROM: f32 = 10.0;
/// See [`FROM`].
const PER_DB: f32 = 0.5;

/// A candidate in a drum's own mic.
#[derive(Clone, Copy, Debug)]
pub struct Loudness {
    /// Level, dB.
    pub level: f32,
    /// Novelty in the main mic alone, dB.
    pub plain: f32,
    /// Novelty once other mics have explained their share, dB.
    pub height: f32,
}

/// Log-odds that each candidate gains: the louder ones, and with `crowd_loses` all others lose as much. `None` where no few sounds,
/// two at least, stand 12 dB above a crowd of four times as many, or where other mics explain most of them.
#[must_use]
pub fn apart(candidates: &[Loudness], crowd_loses: bool) -> Option<Vec<f32>> {
    let mut prominent: Vec<Loudness> = candidates.iter().copied().filter(|c| c.plain >= PROMINENT).collect();
    if prominent.len() < FEWEST {
        return None;
    }
    prominent.sort_unstable_by(|a, b| b.level.total_cmp(&a.level));
    let distance = |above: usize| prominent[above - 1].level - prominent[above].level;
    let few = (2..=prominent.len() / (CROWD + 1)).find(|&above| distance(above) >= LEAST)?;
    let (loud, crowd) = prominent.split_at(few);
    if 2 * loud.iter().filter(|c| c.height >= PROMINENT).count() <= few {
        return None;
    }
    let gain = PER_DB * (distance(few) - FROM);
    let loudest = crowd.first()?.level;
    let of = |c: &Loudness| match c.level > loudest {
        true if c.plain >= PROMINENT => gain,
        false if crowd_loses => -gain,
        _ => 0.0,
    };
    Some(candidates.iter().map(of).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sound(level: f32) -> Loudness {
        Loudness { level, plain: 15.0, height: 12.0 }
    }

    /// So many strokes at −10 dB, and hats from −42 to so many dB below the strokes.
    fn take(strokes: usize, hats: usize, below: f32) -> Vec<Loudness> {
        let hats = (0..hats).map(|k| sound(-42.0 + (32.0 - below) * (k as f32 + 1.0) / hats as f32));
        (0..strokes).map(|_| sound(-10.0)).chain(hats).collect()
    }

    #[test]
    fn three_strokes_far_above_hundreds_of_hats_are_the_drum_and_the_hats_are_not() {
        let gains = apart(&take(3, 280, 26.0), true).unwrap();
        assert!(
            gains[..3].iter().all(|g| (*g - 8.0).abs() < 1e-4) && gains[3..].iter().all(|g| (*g + 8.0).abs() < 1e-4)
        );
        let gains = apart(&take(3, 280, 26.0), false).unwrap();
        assert!(gains[..3].iter().all(|g| *g > 7.0) && gains[3..].iter().all(|g| *g == 0.0));
    }

    #[test]
    fn the_farther_apart_the_surer_and_level_does_not_matter() {
        let of = |below: f32| apart(&take(5, 60, below), false).map(|gains| gains[0]);
        assert_eq!(of(11.0), None);
        assert!(of(13.0) < of(15.0) && of(15.0) < of(24.0));
        let softer: Vec<Loudness> =
            take(5, 60, 15.0).iter().map(|c| Loudness { level: c.level - 20.0, ..*c }).collect();
        assert_eq!(apart(&softer, true), apart(&take(5, 60, 15.0), true));
    }

    #[test]
    fn ghosts_under_backbeats_are_no_crowd() {
        // Half of the strokes are ghosts 20 dB under the others: too many stand above them.
        assert_eq!(apart(&take(60, 60, 20.0), true), None);
        // Nor are a few sounds beside a single stroke, or one sound that is louder than all.
        assert_eq!(apart(&take(3, 15, 26.0), true), None);
        assert_eq!(apart(&take(1, 280, 26.0), true), None);
    }

    #[test]
    fn loud_sounds_that_other_mics_explain_are_their_drums() {
        let mut toms = take(6, 100, 20.0);
        toms[..6].iter_mut().for_each(|c| c.height = 1.0);
        assert_eq!(apart(&toms, true), None);
    }
}
