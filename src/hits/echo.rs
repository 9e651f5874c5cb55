//! Echoes: the same soft sound at the same delay after stroke upon stroke is the drum or the room, not the hand.
//!
//! In: time, peak and certainty of a drum's strokes, in order. Out: which of them are echoes.

use super::hit::DOUBTFUL_BELOW;
use crate::units::{Dbfs, Seconds};

/// An echo is doubtful, and what it follows no less sure than this.
const SURE: f64 = 0.9;
/// It comes within so long, and lies so far under the stroke, dB.
const WITHIN: Seconds = Seconds(0.3);
const UNDER_DB: f64 = 12.0;
/// Delays that agree within so much are the same: hands and feet vary by several times as much from stroke to stroke
/// (Repp 2005, Psychonomic Bulletin & Review 12(6), from memory: 2 to 4 % of the interval for trained players).
const SAME: Seconds = Seconds(0.0008);
/// Fewest of the same delay.
const FEWEST: usize = 4;
/// What comes by hand spreads over this much; of an echo's delays more than half are the same within it, however long the
/// take.
const BY_HAND: Seconds = Seconds(0.008);

/// A stroke as far as echoes go.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sound {
    /// When it begins.
    pub time: Seconds,
    /// Its peak.
    pub peak: Dbfs,
    /// How sure it is to be a stroke, 0..=1.
    pub certainty: f64,
}

/// For each sound, in order of time, whether it is an echo: doubtful, soft, and with at least three others like it at the
/// same delay after a stroke, which are most of those at about that delay.
#[must_use]
pub fn echoes(sounds: &[Sound]) -> Vec<bool> {
    let delays: Vec<Option<f64>> = (0..sounds.len()).map(|i| delay(sounds, i)).collect();
    let mut sorted: Vec<f64> = delays.iter().flatten().copied().collect();
    sorted.sort_unstable_by(f64::total_cmp);
    let within = |d: f64, reach: Seconds| {
        let from = sorted.partition_point(|&x| x < d - reach.0);
        let to = sorted.partition_point(|&x| x <= d + reach.0);
        to - from
    };
    let alike = |d: f64| {
        let same = within(d, SAME);
        same >= FEWEST && 2 * same > within(d, BY_HAND)
    };
    delays.into_iter().map(|d| d.is_some_and(alike)).collect()
}

/// How long after the last sure and much louder stroke a doubtful sound comes, seconds; `None` where there is none in time.
fn delay(sounds: &[Sound], i: usize) -> Option<f64> {
    let echo = sounds[i];
    let stroke = sounds[..i]
        .iter()
        .rev()
        .take_while(|s| echo.time.0 - s.time.0 < WITHIN.0)
        .find(|s| s.certainty >= SURE && s.peak.0 > echo.peak.0 + UNDER_DB)?;
    (echo.certainty < DOUBTFUL_BELOW).then_some(echo.time.0 - stroke.time.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A backbeat every second, each followed by a sound that is 22 dB softer, after 140 ms and what `late` says.
    fn take(certainty: f64, late: impl Fn(usize) -> f64) -> Vec<Sound> {
        long_take(8, certainty, late)
    }

    fn long_take(strokes: usize, certainty: f64, late: impl Fn(usize) -> f64) -> Vec<Sound> {
        let sound = |time, peak, certainty| Sound { time: Seconds(time), peak: Dbfs(peak), certainty };
        (0..strokes)
            .flat_map(|k| [sound(k as f64, -12.0, 1.0), sound(k as f64 + 0.140 + late(k), -34.0, certainty)])
            .collect()
    }

    #[test]
    fn a_soft_doubtful_sound_that_always_comes_at_the_same_delay_is_an_echo() {
        let found = echoes(&take(0.6, |k| 0.0001 * (k % 3) as f64));
        assert_eq!(found, [false, true].repeat(8));
    }

    #[test]
    fn ghost_notes_of_a_hand_are_not() {
        // Give or take 8 ms.
        assert!(echoes(&take(0.6, |k| 0.002 * ((k * 5) % 8) as f64)).iter().all(|e| !e));
    }

    #[test]
    fn nor_are_those_of_a_long_take_though_many_fall_together_by_chance() {
        // Give or take 8 ms, 120 times over: a dozen within 0.8 ms of any.
        let ghosts = long_take(120, 0.6, |k| 0.000_13 * ((k * 37) % 120) as f64);
        assert!(echoes(&ghosts).iter().all(|e| !e));
        // The same take with an echo instead.
        assert_eq!(echoes(&long_take(120, 0.6, |k| 0.0001 * (k % 3) as f64)), [false, true].repeat(120));
    }

    #[test]
    fn sounds_that_are_surely_strokes_stay_however_regular() {
        assert!(echoes(&take(0.95, |_| 0.0)).iter().all(|e| !e));
    }

    #[test]
    fn three_of_the_same_delay_are_chance() {
        assert!(echoes(&take(0.6, |_| 0.0)[..6]).iter().all(|e| !e));
    }
}
