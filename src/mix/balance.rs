//! Where each mic stands in the rough mix: level and place between the speakers by its role.
//!
//! In: the roles, what the sheet says, and how loud each file's strokes are. Out: one [`Fader`] a mic. The figures are
//! common practice: a balance that nobody minds, not a mix.

use super::Lufs;
use crate::song::{Drum, Mic, Place};
use crate::units::Decibels;
use serde::Serialize;

/// The fader of a drum that may not be played in a song is opened no further than this above the middle one, so that a
/// mic with nothing but bleed stays quiet.
pub const LIFT: Decibels = Decibels(6.0);
/// Level difference between the overheads at which a close mic stands as far out as its role allows.
const FULL_SIDE: f64 = 6.0;

/// How a mic is put into the mix.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Fader {
    /// Gain on the file; `None` = left out, there is no sound in it.
    pub gain: Option<Decibels>,
    /// −1 (left) .. +1 (right).
    pub pan: f64,
    /// Whether the gain was held back because the mic has little but bleed.
    pub held_back: bool,
}

/// How loud a role's strokes stand against the kick's, dB.
#[must_use]
pub fn role_level(drum: Drum, place: Place) -> Decibels {
    Decibels(match (drum, place) {
        (Drum::Kick, Place::Out) => -3.0,
        (Drum::Kick, Place::Sub) => -6.0,
        (Drum::Kick, _) => 0.0,
        (Drum::Snare, Place::Bottom) => -9.0,
        (Drum::Snare, Place::Side) => -6.0,
        (Drum::Snare, _) => 0.0,
        (Drum::Tom, _) => -2.0,
        (Drum::Overhead, _) => -3.0,
        (Drum::Percussion, _) => -4.0,
        (Drum::Room, _) => -8.0,
        (Drum::Ride | Drum::Cymbal, _) => -10.0,
        (Drum::Hat, _) => -12.0,
    })
}

/// Place between the speakers that a role has of itself; `None` where the overheads have to tell.
fn role_pan(drum: Drum, place: Place) -> Option<f64> {
    match (drum, place) {
        (Drum::Overhead | Drum::Room | Drum::Percussion, Place::Left) => Some(-1.0),
        (Drum::Overhead | Drum::Room | Drum::Percussion, Place::Right) => Some(1.0),
        (Drum::Hat | Drum::Tom | Drum::Ride | Drum::Cymbal, p) if p != Place::Stereo => None,
        _ => Some(0.0),
    }
}

/// How far out a role may stand.
fn widest(drum: Drum) -> f64 {
    match drum {
        Drum::Tom => 0.5,
        Drum::Cymbal => 0.6,
        _ => 0.35,
    }
}

/// Drums that may not be played at all in a song. Kick and snare are, and are only quiet where their strokes are short.
fn may_be_idle(drum: Drum) -> bool {
    matches!(drum, Drum::Hat | Drum::Tom | Drum::Ride | Drum::Cymbal | Drum::Percussion)
}

/// Two mics that are one picture and keep their balance: left and right of one drum.
fn mates(a: &Mic, b: &Mic) -> bool {
    let side = |m: &Mic| matches!(m.place, Place::Left | Place::Right);
    a.drum == b.drum && side(a) && side(b) && matches!(a.drum, Drum::Overhead | Drum::Room | Drum::Percussion)
}

/// Sets every mic's fader. `strokes[i]` is the loudest 400 ms of mic `i` (`None` = silent); `side[i]` tells how many dB
/// louder its strokes are in the right overhead than in the left, where there is such a pair.
#[must_use]
pub fn balance(mics: &[Mic], strokes: &[Option<Lufs>], side: &[Option<f64>]) -> Vec<Fader> {
    let loudest = |i: usize, m: &Mic| {
        let of = |j: usize| strokes.get(j).copied().flatten().map(|l| l.0);
        mics.iter().enumerate().filter(|&(j, o)| j == i || mates(m, o)).filter_map(|(j, _)| of(j)).reduce(f64::max)
    };
    let wanted: Vec<Option<f64>> = mics
        .iter()
        .enumerate()
        .map(|(i, m)| {
            let target = m.level.unwrap_or_else(|| role_level(m.drum, m.place));
            // A silent mic stays out even when its mate sounds.
            strokes.get(i).copied().flatten().and(loudest(i, m)).map(|l| target.0 - l)
        })
        .collect();
    let middle = median(&wanted);
    mics.iter()
        .enumerate()
        .map(|(i, m)| {
            let gain = wanted.get(i).copied().flatten();
            let most = middle + LIFT.0;
            let held_back = may_be_idle(m.drum) && m.level.is_none() && gain.is_some_and(|g| g > most);
            let by_overheads = || {
                let d = side.get(i).copied().flatten().unwrap_or(0.0);
                let pan = widest(m.drum) * (d / FULL_SIDE).clamp(-1.0, 1.0);
                (pan * 20.0).round() / 20.0
            };
            Fader {
                gain: gain.map(|g| Decibels(if held_back { most } else { g })),
                pan: m.pan.or_else(|| role_pan(m.drum, m.place)).unwrap_or_else(by_overheads).clamp(-1.0, 1.0),
                held_back,
            }
        })
        .collect()
}

fn median(gains: &[Option<f64>]) -> f64 {
    let mut v: Vec<f64> = gains.iter().flatten().copied().collect();
    v.sort_by(f64::total_cmp);
    v.get(v.len() / 2).copied().unwrap_or(0.0)
}

/// Left and right factors of a mono source: constant power, −3 dB each in the middle (common practice).
#[must_use]
pub fn pan_mono(pan: f64) -> (f64, f64) {
    let a = (pan.clamp(-1.0, 1.0) + 1.0) * std::f64::consts::FRAC_PI_4;
    (a.cos(), a.sin())
}

/// Left and right factors of a stereo source: the side that is turned away from gets quieter, the other stays.
#[must_use]
pub fn balance_stereo(pan: f64) -> (f64, f64) {
    ((1.0 - pan).clamp(0.0, 1.0), (1.0 + pan).clamp(0.0, 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::{AudioInfo, SampleFormat};
    use crate::song::Polarity;
    use crate::units::SampleRate;

    fn mic(drum: Drum, place: Place) -> Mic {
        let info = AudioInfo {
            path: "x.wav".into(),
            rate: SampleRate::SESSION,
            channels: 1,
            frames: 48_000,
            format: SampleFormat::Int24,
            bext: None,
            cues: Vec::new(),
            repairs: Vec::new(),
        };
        Mic { polarity: Polarity::Keep, ..Mic::new(format!("{drum}_{place}"), info, drum, place) }
    }

    #[test]
    fn the_gain_a_file_was_recorded_with_does_not_matter() {
        let mics = [mic(Drum::Kick, Place::In), mic(Drum::Snare, Place::Top), mic(Drum::Hat, Place::Close)];
        let a = balance(&mics, &[Some(Lufs(-20.0)), Some(Lufs(-20.0)), Some(Lufs(-30.0))], &[None; 3]);
        let b = balance(&mics, &[Some(Lufs(-26.0)), Some(Lufs(-20.0)), Some(Lufs(-30.0))], &[None; 3]);
        assert_eq!(b[0].gain.unwrap().0 - a[0].gain.unwrap().0, 6.0);
        assert_eq!(a[0].gain.unwrap().0 - 20.0, role_level(Drum::Kick, Place::In).0);
        assert_eq!(a[2].gain.unwrap().0 - 30.0, role_level(Drum::Hat, Place::Close).0);
    }

    #[test]
    fn a_tom_that_was_never_played_is_not_dragged_up() {
        let mics = [mic(Drum::Kick, Place::In), mic(Drum::Snare, Place::Top), mic(Drum::Tom, Place::Close)];
        let f = balance(&mics, &[Some(Lufs(-20.0)), Some(Lufs(-20.0)), Some(Lufs(-50.0))], &[None; 3]);
        assert!(f[2].held_back);
        assert_eq!(f[2].gain.unwrap().0, 20.0 + LIFT.0);
    }

    #[test]
    fn the_overheads_keep_their_balance_and_tell_close_mics_where_to_stand() {
        let mics = [mic(Drum::Overhead, Place::Left), mic(Drum::Overhead, Place::Right), mic(Drum::Hat, Place::Close)];
        let f = balance(&mics, &[Some(Lufs(-20.0)), Some(Lufs(-23.0)), Some(Lufs(-30.0))], &[None, None, Some(-9.0)]);
        assert_eq!(f[0].gain, f[1].gain);
        assert_eq!((f[0].pan, f[1].pan), (-1.0, 1.0));
        assert_eq!(f[2].pan, -0.35);
    }

    #[test]
    fn what_the_sheet_says_wins() {
        let mut hat = mic(Drum::Hat, Place::Close);
        hat.level = Some(Decibels(3.0));
        hat.pan = Some(0.8);
        let f = balance(&[mic(Drum::Kick, Place::In), hat], &[Some(Lufs(-20.0)), Some(Lufs(-60.0))], &[None, None]);
        assert_eq!(f[1], Fader { gain: Some(Decibels(63.0)), pan: 0.8, held_back: false });
    }

    #[test]
    fn a_silent_file_is_left_out_and_panning_keeps_the_power() {
        assert_eq!(balance(&[mic(Drum::Kick, Place::In)], &[None], &[None])[0].gain, None);
        for i in -10..=10 {
            let (l, r) = pan_mono(f64::from(i) / 10.0);
            assert!((l * l + r * r - 1.0).abs() < 1e-12);
        }
        assert_eq!(balance_stereo(0.0), (1.0, 1.0));
        assert_eq!(balance_stereo(1.0), (0.0, 1.0));
    }
}
