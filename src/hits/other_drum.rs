//! The other drum's bleed: a sound that comes equally late after one kick upon another is the kick, on its way to the snare's mic.
//!
//! A kick that is unlike any other may be taken for a snare where its bleed arrives, and a snare for a kick. Sound needs
//! 0.5 to 6 ms for the 0.2 to 2 m between them, always the same; two limbs that strike together never are so exact.
//!
//! In: time and peak of the strokes of two drums, each in order. Out: which of the one's are the other's bleed, and how late.

use super::echo::Sound;
use crate::units::Seconds;

/// What may be on its way from one drum to the other's mic.
const FROM: Seconds = Seconds(0.000_5);
/// See [`FROM`].
const TO: Seconds = Seconds(0.006);
/// Delays that all lie within so much are the same. Of strokes of two limbs that are meant to fall together they vary by several
/// times as much (Hellmer and Madison 2015, Music Perception 33(2), from memory: drummers' timing varies by 5 to 15 ms).
const SAME: Seconds = Seconds(0.000_5);
/// What lies so near to the middle one of these is one of them.
const NEAR: Seconds = Seconds(0.000_4);
/// Fewest of the same delay, and how many of three that come about so late they are at least: two.
const FEWEST: usize = 6;
/// By how much bleed lies under the drum's own strokes, dB, in the middle.
const UNDER_DB: f64 = 3.0;
/// What is so much louder against the other drum's stroke than bleed is in the middle, dB, is a stroke that fell together with it.
const LOUDER_DB: f64 = 4.0;

/// A sound right after a stroke of the other drum.
#[derive(Clone, Copy)]
struct After {
    /// Which sound.
    sound: usize,
    /// How long after the stroke, seconds.
    delay: f64,
    /// How much louder than the stroke, dB.
    level: f64,
}

/// For each sound of a drum, in order of time, how long after a stroke of the other drum it comes if it is its bleed.
///
/// It is where six sounds at least come equally late after one, are two in three of all that come about as late, and lie 3 dB
/// under the drum's other strokes. Cost: one pass over both, and one sort.
#[must_use]
pub fn late_bleed(sounds: &[Sound], other: &[Sound]) -> Vec<Option<Seconds>> {
    let mut out = vec![None; sounds.len()];
    let mut after: Vec<After> = (0..sounds.len()).filter_map(|i| right_after(sounds, i, other)).collect();
    after.sort_by(|a, b| a.delay.total_cmp(&b.delay));
    let same = most_alike(&after);
    if same.len() < FEWEST || 3 * same.len() < 2 * after.len() {
        return out;
    }
    let bleed = median(same.iter().map(|a| sounds[a.sound].peak.0));
    let in_it = |i: usize| same.iter().any(|a| a.sound == i);
    let own = median((0..sounds.len()).filter(|&i| !in_it(i)).map(|i| sounds[i].peak.0));
    let (Some(bleed), Some(own)) = (bleed, own) else { return out };
    let (delay, level) = (median(same.iter().map(|a| a.delay)), median(same.iter().map(|a| a.level)));
    let (Some(delay), Some(level)) = (delay, level) else { return out };
    if own - bleed >= UNDER_DB {
        let of_it = |a: &&After| (a.delay - delay).abs() <= NEAR.0 && a.level <= level + LOUDER_DB;
        after.iter().filter(of_it).for_each(|a| out[a.sound] = Some(Seconds(a.delay)));
    }
    out
}

/// How sound `i` follows the nearest stroke of the other drum; `None` where it does not come right after it.
fn right_after(sounds: &[Sound], i: usize, other: &[Sound]) -> Option<After> {
    let sound = sounds[i];
    let next = other.partition_point(|stroke| stroke.time.0 <= sound.time.0);
    let last = other[..next].last()?;
    let delay = sound.time.0 - last.time.0;
    let nearer = other.get(next).is_some_and(|stroke| stroke.time.0 - sound.time.0 < delay);
    let after = After { sound: i, delay, level: sound.peak.0 - last.peak.0 };
    (!nearer && (FROM.0..=TO.0).contains(&delay)).then_some(after)
}

/// Of sounds in order of delay the most that are equally late.
fn most_alike(after: &[After]) -> &[After] {
    let same = |k: usize| {
        let to = after.partition_point(|a| a.delay <= after[k].delay + SAME.0);
        &after[k..to]
    };
    (0..after.len()).rev().map(same).max_by_key(|same| same.len()).unwrap_or_default()
}

/// Median, the upper of an even count's two; `None` of nothing.
fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.collect();
    values.sort_unstable_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Dbfs;

    fn sound(time: f64, peak: f64) -> Sound {
        Sound { time: Seconds(time), peak: Dbfs(peak), certainty: 0.99 }
    }

    /// So many kicks, one a second.
    fn kicks(count: usize) -> Vec<Sound> {
        (0..count).map(|k| sound(k as f64, -6.0)).collect()
    }

    /// A backbeat half a second after each kick, and something as late as `late` says after each kick, at such a peak.
    fn snares(count: usize, late: impl Fn(usize) -> f64, peak: impl Fn(usize) -> f64) -> Vec<Sound> {
        (0..count).flat_map(|k| [sound(k as f64 + late(k), peak(k)), sound(k as f64 + 0.5, -10.0)]).collect()
    }

    fn which(found: &[Option<Seconds>]) -> Vec<bool> {
        found.iter().map(Option::is_some).collect()
    }

    /// 0.6 m of air at 343 m/s, give or take a few samples.
    fn on_its_way(k: usize) -> f64 {
        0.001_75 + 0.000_05 * (k % 4) as f64
    }

    #[test]
    fn what_comes_equally_late_after_every_kick_is_the_kick() {
        let found = late_bleed(&snares(8, on_its_way, |_| -22.0), &kicks(8));
        assert_eq!(which(&found), [true, false].repeat(8));
        assert!(found.iter().flatten().all(|late| (0.001_7..0.002).contains(&late.0)), "{found:?}");
    }

    #[test]
    fn a_hand_that_falls_together_with_the_foot_is_not() {
        // Up to 5 ms late, none twice the same.
        let found = late_bleed(&snares(40, |k| 0.000_6 + 0.000_13 * ((k * 17) % 40) as f64, |_| -22.0), &kicks(40));
        assert!(found.iter().all(Option::is_none));
    }

    #[test]
    fn programmed_strokes_in_unison_stay_for_they_are_not_late() {
        assert!(late_bleed(&snares(40, |_| 0.000_2, |_| -22.0), &kicks(40)).iter().all(Option::is_none));
    }

    #[test]
    fn strokes_as_loud_as_the_drums_others_stay_however_late() {
        assert!(late_bleed(&snares(40, on_its_way, |_| -11.0), &kicks(40)).iter().all(Option::is_none));
    }

    #[test]
    fn a_stroke_among_the_bleed_stays() {
        let found = late_bleed(&snares(12, on_its_way, |k| if k == 5 { -11.0 } else { -22.0 }), &kicks(12));
        assert!(found[10].is_none() && found.iter().flatten().count() == 11);
    }

    #[test]
    fn five_are_chance_and_a_drum_alone_has_no_other() {
        assert!(late_bleed(&snares(5, on_its_way, |_| -22.0), &kicks(5)).iter().all(Option::is_none));
        assert!(late_bleed(&snares(8, on_its_way, |_| -22.0), &[]).iter().all(Option::is_none));
        assert!(late_bleed(&[], &kicks(8)).is_empty());
    }

    #[test]
    fn a_later_or_louder_take_has_the_same_bleed() {
        let (snares, kicks) = (snares(8, on_its_way, |_| -22.0), kicks(8));
        let moved = |all: &[Sound]| all.iter().map(|s| sound(s.time.0 + 0.25, s.peak.0 + 6.0)).collect::<Vec<_>>();
        assert_eq!(which(&late_bleed(&snares, &kicks)), which(&late_bleed(&moved(&snares), &moved(&kicks))));
    }
}
