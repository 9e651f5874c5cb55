//! What an invented take is like: kit, drummer, mics, room. Everything is a number, so that tests and the
//! finder's training can render as many different takes as they like.

use super::dice::Dice;
use super::stage::DemoMic;
use crate::units::{Dbfs, Decibels, SampleRate};
use serde::Serialize;

/// A kick drum.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct KickKit {
    /// Lowest pitch, Hz (40..80).
    pub hz: f64,
    /// Time that the lowest pitch takes to fall by 60 dB, seconds (0.15..0.9).
    pub ring: f64,
    /// Share by which a loud stroke's pitch begins above rest (0..0.8).
    pub glide: f64,
    /// Beater: 0 = soft felt, 1 = hard plastic.
    pub beater: f64,
}

/// A snare drum.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct SnareKit {
    /// Lowest pitch of the batter head, Hz (140..300).
    pub hz: f64,
    /// Time that the lowest pitch takes to fall by 60 dB, seconds (0.08..0.8).
    pub ring: f64,
    /// Level of the wires, 1 = usual (0 = wires off .. 2).
    pub wires: f64,
    /// Time that the wires take to fall by 60 dB, seconds (0.06..0.5).
    pub wire_ring: f64,
    /// Wires that answer the kick and the toms, 1 = usual.
    pub buzz: f64,
}

/// A tom.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct TomKit {
    /// Lowest pitch, Hz (55..220).
    pub hz: f64,
    /// Time that the lowest pitch takes to fall by 60 dB, seconds (0.3..2).
    pub ring: f64,
}

/// Hats, ride and crash.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct CymbalKit {
    /// Closed hats: 60 dB fall time, seconds (0.05 tight .. 0.35 loose).
    pub closed: f64,
    /// Open hats: 60 dB fall time, seconds (0.4..1.2).
    pub open: f64,
    /// 0 = dark, 1 = bright.
    pub bright: f64,
    /// Level against a usual player's cymbals.
    pub level: Decibels,
    /// Ride: 60 dB fall time, seconds (0.8..4).
    pub ride: f64,
    /// Crash: 60 dB fall time, seconds (1..4).
    pub crash: f64,
}

/// The kit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Kit {
    /// Kick.
    pub kick: KickKit,
    /// Snare.
    pub snare: SnareKit,
    /// High tom.
    pub tom_high: TomKit,
    /// Floor tom.
    pub tom_floor: TomKit,
    /// Cymbals.
    pub cymbals: CymbalKit,
    /// How much strokes differ from each other in place and sound, 1 = usual.
    pub variety: f64,
}

/// Who plays, in time and strength.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Drummer {
    /// Spread of strokes around their intended place, ms (standard deviation).
    pub spread_ms: f64,
    /// Intended place of the snare against the grid, ms; late is positive.
    pub snare_ms: f64,
    /// Intended place of the kick against the grid, ms.
    pub kick_ms: f64,
    /// Intended place of hats and cymbals against the grid, ms.
    pub hat_ms: f64,
    /// Slow wandering of everything, ms (standard deviation).
    pub drift_ms: f64,
    /// Spread of strength (standard deviation of a value in 0..1).
    pub uneven: f64,
    /// Softness of ghost notes: their strength (0.06..0.34).
    pub ghost: f64,
    /// Strength of backbeats (0.6..1).
    pub accent: f64,
    /// Share of accents played as rimshots.
    pub rimshots: f64,
    /// Brushes instead of sticks.
    pub brushes: bool,
    /// Place of every second sixteenth (or eighth, in the song's feel) inside its pair: 0.5 straight .. 0.67.
    pub swing: f64,
}

/// Which way of playing the parts are made of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Style {
    /// The demo song, part by part.
    Story,
    /// Straight eighths, loud backbeats.
    Straight,
    /// Sixteenths with many ghost notes.
    Ghosted,
    /// Triplets on the ride, light kick.
    Triplet,
    /// Backbeat on three, much room.
    HalfTime,
    /// Cross-stick and toms.
    Rolling,
    /// Fast, with doubled kicks and crashes.
    Fast,
    /// Brushes and sparse kick.
    Soft,
}

impl Style {
    /// Every style but the story.
    pub const GENERAL: [Style; 7] =
        [Style::Straight, Style::Ghosted, Style::Triplet, Style::HalfTime, Style::Rolling, Style::Fast, Style::Soft];
}

/// Everything that an invented take depends on. The same spec gives the same samples on every machine.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct DemoSpec {
    /// Seed of everything drawn by chance.
    pub seed: u64,
    /// Rate of the files.
    pub rate: SampleRate,
    /// Way of playing.
    pub style: Style,
    /// Tempo, quarters a minute (the story scales its own tempo changes with it).
    pub bpm: f64,
    /// Bars after the count-in; the story has its own form and ignores this.
    pub bars: usize,
    /// The kit.
    pub kit: Kit,
    /// The drummer.
    pub drummer: Drummer,
    /// The mics.
    pub mics: Vec<DemoMic>,
    /// Mics wired the wrong way round.
    pub flipped: Vec<DemoMic>,
    /// More or less bleed into the close mics than the places give.
    pub bleed: Decibels,
    /// Sensitivity of close mics to the rear, 0..1.
    pub rear: f64,
    /// Distance of mics from what they point at, 1 = usual.
    pub mic_distance: f64,
    /// Metres by which each mic (in the order of [`DemoMic`]) stands off its usual place.
    pub mic_moves: Vec<[f64; 3]>,
    /// White noise of each mic.
    pub noise: Dbfs,
    /// Level of the room's answer against a usual room.
    pub room: Decibels,
    /// 60 dB fall time of the room, seconds (0.2..1.2).
    pub room_ring: f64,
}

impl DemoSpec {
    /// The demo song as `underlay demo` makes it.
    #[must_use]
    pub fn story() -> Self {
        Self {
            seed: 20_417,
            rate: SampleRate::SESSION,
            style: Style::Story,
            bpm: 104.0,
            bars: 0,
            kit: Kit {
                kick: KickKit { hz: 54.0, ring: 0.38, glide: 0.35, beater: 0.55 },
                snare: SnareKit { hz: 186.0, ring: 0.30, wires: 1.0, wire_ring: 0.24, buzz: 1.0 },
                tom_high: TomKit { hz: 128.0, ring: 0.75 },
                tom_floor: TomKit { hz: 78.0, ring: 1.0 },
                cymbals: CymbalKit {
                    closed: 0.14,
                    open: 0.8,
                    bright: 0.55,
                    level: Decibels(0.0),
                    ride: 2.2,
                    crash: 2.4,
                },
                variety: 1.0,
            },
            drummer: Drummer {
                spread_ms: 5.0,
                snare_ms: 6.0,
                kick_ms: -2.0,
                hat_ms: -1.0,
                drift_ms: 3.0,
                uneven: 0.055,
                ghost: 0.17,
                accent: 0.86,
                rimshots: 0.25,
                brushes: false,
                swing: 0.5,
            },
            mics: DemoMic::NINE.to_vec(),
            flipped: Vec::new(),
            bleed: Decibels(0.0),
            rear: 0.12,
            mic_distance: 1.0,
            mic_moves: Vec::new(),
            noise: Dbfs(-84.0),
            room: Decibels(0.0),
            room_ring: 0.45,
        }
    }

    /// A take with a kit, a drummer, mics and a room of its own, all drawn from a random seed: for training and tests.
    /// Nine mics, 48 kHz, about `bars` bars.
    #[must_use]
    pub fn varied(seed: u64, bars: usize) -> Self {
        let d = &mut Dice::for_item(seed, 1, 0);
        let style = Style::GENERAL[d.below(Style::GENERAL.len())];
        let bpm = match style {
            Style::Fast => d.between(140.0, 200.0),
            Style::Triplet => d.between(90.0, 190.0),
            Style::Soft => d.between(58.0, 120.0),
            _ => d.between(68.0, 138.0),
        };
        let size = d.even();
        let kick = KickKit {
            hz: 44.0 + 30.0 * size + d.between(-3.0, 3.0),
            ring: d.between(0.14, 0.8),
            glide: d.between(0.05, 0.6),
            beater: d.even(),
        };
        let snare = SnareKit {
            hz: d.between(150.0, 290.0),
            ring: d.between(0.08, 0.7),
            wires: if d.chance(0.06) { 0.1 } else { d.between(0.4, 1.6) },
            wire_ring: d.between(0.08, 0.42),
            buzz: d.between(0.2, 2.5),
        };
        let high = d.between(95.0, 200.0);
        let cymbals = CymbalKit {
            closed: d.between(0.05, 0.32),
            open: d.between(0.4, 1.2),
            bright: d.even(),
            level: Decibels(d.between(-6.0, 7.0)),
            ride: d.between(0.8, 4.0),
            crash: d.between(1.0, 3.5),
        };
        let brushes = style == Style::Soft && d.chance(0.5);
        let drummer = Drummer {
            spread_ms: d.between(2.0, 12.0),
            snare_ms: d.between(-10.0, 14.0),
            kick_ms: d.between(-12.0, 8.0),
            hat_ms: d.between(-8.0, 5.0),
            drift_ms: d.between(0.0, 8.0),
            uneven: d.between(0.02, 0.11),
            ghost: d.between(0.07, 0.30),
            accent: d.between(0.55, 0.95),
            rimshots: if d.chance(0.4) { d.even() } else { 0.0 },
            brushes,
            swing: if d.chance(0.4) { d.between(0.5, 0.66) } else { 0.5 },
        };
        let mut mic_moves = vec![[0.0; 3]; 10];
        for (k, m) in mic_moves.iter_mut().enumerate() {
            let reach = if k < 7 { 0.02 } else { 0.25 };
            *m = std::array::from_fn(|_| d.between(-reach, reach));
        }
        Self {
            seed,
            rate: SampleRate::SESSION,
            style,
            bpm,
            bars,
            kit: Kit {
                kick,
                snare,
                tom_high: TomKit { hz: high, ring: d.between(0.3, 1.4) },
                tom_floor: TomKit { hz: high * d.between(0.5, 0.72), ring: d.between(0.4, 1.9) },
                cymbals,
                variety: d.between(0.5, 2.0),
            },
            drummer,
            mics: DemoMic::NINE.to_vec(),
            flipped: if d.chance(0.3) { vec![DemoMic::NINE[d.below(9)]] } else { Vec::new() },
            bleed: Decibels(d.between(-4.0, 9.0)),
            rear: d.between(0.08, 0.4),
            mic_distance: d.between(0.8, 1.5),
            mic_moves,
            noise: Dbfs(d.between(-90.0, -66.0)),
            room: Decibels(d.between(-10.0, 8.0)),
            room_ring: d.between(0.2, 1.1),
        }
    }
}
