//! Echoes: the same soft sound at the same delay after stroke upon stroke is the drum or the room, not the hand.
//!
//! A head and its shell may swing against each other, so that the tail swells once more 0.1 s after the stroke. It can look so
//! much like a ghost note that only its regularity betrays it.
//!
//! In: time, peak and certainty of a drum's strokes, in order. Out: which of them are echoes, and how late.

use super::hit::DOUBTFUL_BELOW;
use crate::units::{Dbfs, Seconds};

/// What an echo follows is no less sure than this.
const SURE: f64 = 0.9;
/// It comes within so long, and lies so far under the stroke, dB.
const WITHIN: Seconds = Seconds(0.3);
const UNDER_DB: f64 = 12.0;
/// Delays that agree within so much are the same: hands and feet vary by several times as much from stroke to stroke
/// (Repp 2005, Psychonomic Bulletin & Review 12(6), from memory: 2 to 4 % of the interval for trained players).
const SAME: Seconds = Seconds(0.0008);
/// Fewest doubtful sounds of the same delay.
const FEWEST: usize = 4;
/// Fewest of the same delay and strength where they pass for sure strokes.
const FEWEST_SURE: usize = 5;
/// So much may those lie nearer to their stroke's strength or farther from it, dB. A take that was moved to the grid has equal
/// delays, but its ghost notes are not equally loud: a hand's differ by several dB (common practice).
const AS_LOUD_DB: f64 = 1.0;
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

/// A soft sound after a sure and much louder stroke.
#[derive(Clone, Copy)]
struct Tail {
    /// Which sound.
    sound: usize,
    /// How long after the stroke, seconds.
    delay: f64,
    /// How far under it, dB.
    under: f64,
}

/// For each sound, in order of time, how long after its stroke it comes if it is an echo. Soft sounds that follow at the same delay are, where they are most of
/// those at about that delay: four if they are doubtful, five of whatever certainty if they lie equally far under their strokes too.
#[must_use]
pub fn echoes(sounds: &[Sound]) -> Vec<Option<Seconds>> {
    let mut tails: Vec<Tail> = (0..sounds.len()).filter_map(|i| tail(sounds, i)).collect();
    tails.sort_by(|a, b| a.delay.total_cmp(&b.delay));
    let doubtful: Vec<Tail> =
        tails.iter().filter(|tail| sounds[tail.sound].certainty < DOUBTFUL_BELOW).copied().collect();
    let mut echo = vec![None; sounds.len()];
    for tail in regular(&doubtful, f64::INFINITY, FEWEST).chain(regular(&tails, AS_LOUD_DB, FEWEST_SURE)) {
        echo[tail.sound] = Some(Seconds(tail.delay));
    }
    echo
}

/// Those of `tails`, in order of delay, that are as late as `fewest` of them at least, itself among these, lie as far under their
/// strokes within `level` dB, and are most of those at about that delay.
fn regular(tails: &[Tail], level: f64, fewest: usize) -> impl Iterator<Item = &Tail> {
    let about = |delay: f64, reach: Seconds| {
        let from = tails.partition_point(|tail| tail.delay < delay - reach.0);
        let to = tails.partition_point(|tail| tail.delay <= delay + reach.0);
        &tails[from..to]
    };
    tails.iter().filter(move |tail| {
        let same = about(tail.delay, SAME).iter().filter(|other| (other.under - tail.under).abs() <= level).count();
        same >= fewest && 2 * same > about(tail.delay, BY_HAND).len()
    })
}

/// How a sound follows the last sure and much louder stroke; `None` where there is none in time.
fn tail(sounds: &[Sound], i: usize) -> Option<Tail> {
    let echo = sounds[i];
    let stroke = sounds[..i]
        .iter()
        .rev()
        .take_while(|s| echo.time.0 - s.time.0 < WITHIN.0)
        .find(|s| s.certainty >= SURE && s.peak.0 > echo.peak.0 + UNDER_DB)?;
    Some(Tail { sound: i, delay: echo.time.0 - stroke.time.0, under: stroke.peak.0 - echo.peak.0 })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A backbeat every second, each followed by a sound that is 22 dB softer, after 140 ms and what `late` says.
    fn take(certainty: f64, late: impl Fn(usize) -> f64) -> Vec<Sound> {
        long_take(8, certainty, late, |_| 0.0)
    }

    fn which(found: &[Option<Seconds>]) -> Vec<bool> {
        found.iter().map(Option::is_some).collect()
    }

    /// So many backbeats; `louder` says by how many dB each sound after them is.
    fn long_take(
        strokes: usize,
        certainty: f64,
        late: impl Fn(usize) -> f64,
        louder: impl Fn(usize) -> f64,
    ) -> Vec<Sound> {
        let sound = |time, peak, certainty| Sound { time: Seconds(time), peak: Dbfs(peak), certainty };
        (0..strokes)
            .flat_map(|k| {
                let second = k as f64;
                [sound(second, -12.0, 1.0), sound(second + 0.140 + late(k), -34.0 + louder(k), certainty)]
            })
            .collect()
    }

    #[test]
    fn a_soft_doubtful_sound_that_always_comes_at_the_same_delay_is_an_echo() {
        let found = echoes(&take(0.6, |k| 0.0001 * (k % 3) as f64));
        assert_eq!(which(&found), [false, true].repeat(8));
        let late = found.iter().flatten().all(|delay| (0.1399..0.1403).contains(&delay.0));
        assert!(late, "each is 140.0 to 140.2 ms late: {found:?}");
    }

    #[test]
    fn ghost_notes_of_a_hand_are_not() {
        // Give or take 8 ms.
        assert!(echoes(&take(0.6, |k| 0.002 * ((k * 5) % 8) as f64)).iter().all(Option::is_none));
    }

    #[test]
    fn nor_are_those_of_a_long_take_though_many_fall_together_by_chance() {
        // Give or take 8 ms, 120 times over: a dozen within 0.8 ms of any.
        let ghosts = long_take(120, 0.6, |k| 0.000_13 * ((k * 37) % 120) as f64, |_| 0.0);
        assert!(echoes(&ghosts).iter().all(Option::is_none));
        // The same take with an echo instead.
        let echo = long_take(120, 0.6, |k| 0.0001 * (k % 3) as f64, |_| 0.0);
        assert_eq!(which(&echoes(&echo)), [false, true].repeat(120));
    }

    #[test]
    fn a_tail_that_swells_alike_after_every_stroke_is_an_echo_however_sure() {
        let swell = long_take(8, 0.99, |k| 0.0001 * (k % 3) as f64, |k| 0.2 * (k % 4) as f64);
        assert_eq!(which(&echoes(&swell)), [false, true].repeat(8));
    }

    #[test]
    fn ghost_notes_that_were_moved_to_the_grid_stay_for_no_two_are_equally_loud() {
        let ghosts = long_take(40, 0.99, |_| 0.0, |k| 0.2 * ((k * 17) % 40) as f64);
        assert!(echoes(&ghosts).iter().all(Option::is_none));
    }

    #[test]
    fn equally_loud_ghost_notes_of_a_hand_stay_for_none_is_as_late() {
        assert!(echoes(&take(0.99, |k| 0.002 * ((k * 5) % 8) as f64)).iter().all(Option::is_none));
    }

    #[test]
    fn three_doubtful_or_four_sure_sounds_of_the_same_delay_are_chance() {
        assert!(echoes(&take(0.6, |_| 0.0)[..6]).iter().all(Option::is_none));
        assert!(echoes(&take(0.95, |_| 0.0)[..8]).iter().all(Option::is_none));
    }
}
