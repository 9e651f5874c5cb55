//! Where the drums and mics stand, and what the air does between them.

use super::modes::amplitude;
use super::spec::DemoSpec;
use crate::song::{Drum, Place};
use crate::units::Seconds;
use serde::Serialize;

/// Speed of sound in dry air at 20 °C, m/s (ISO 9613-1, from memory; 331.3·√(1 + 20/273.15) gives 343.2 as well).
pub const SPEED_OF_SOUND: f64 = 343.2;

/// A mic of the invented take.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum DemoMic {
    /// Inside the kick.
    KickIn,
    /// In front of the kick.
    KickOut,
    /// Above the snare.
    SnareTop,
    /// Below the snare.
    SnareBottom,
    /// Above the hats.
    Hat,
    /// Above the high tom.
    TomHigh,
    /// Above the floor tom.
    TomFloor,
    /// Above the kit, hats side.
    OverheadL,
    /// Above the kit, floor tom side.
    OverheadR,
    /// In the room.
    Room,
}

impl DemoMic {
    /// The nine mics of the demo.
    pub const NINE: [DemoMic; 9] = [
        DemoMic::KickIn,
        DemoMic::SnareTop,
        DemoMic::SnareBottom,
        DemoMic::Hat,
        DemoMic::TomHigh,
        DemoMic::TomFloor,
        DemoMic::OverheadL,
        DemoMic::OverheadR,
        DemoMic::Room,
    ];

    /// File name without its ending, and name in the sheet.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            DemoMic::KickIn => "kick_in",
            DemoMic::KickOut => "kick_out",
            DemoMic::SnareTop => "snare_top",
            DemoMic::SnareBottom => "snare_bottom",
            DemoMic::Hat => "hat",
            DemoMic::TomHigh => "tom_high",
            DemoMic::TomFloor => "tom_floor",
            DemoMic::OverheadL => "overhead_l",
            DemoMic::OverheadR => "overhead_r",
            DemoMic::Room => "room",
        }
    }

    /// What the mic is meant for and where it stands, in the words of a song sheet.
    #[must_use]
    pub fn role(self) -> (Drum, Place) {
        match self {
            DemoMic::KickIn => (Drum::Kick, Place::In),
            DemoMic::KickOut => (Drum::Kick, Place::Out),
            DemoMic::SnareTop => (Drum::Snare, Place::Top),
            DemoMic::SnareBottom => (Drum::Snare, Place::Bottom),
            DemoMic::Hat => (Drum::Hat, Place::Close),
            DemoMic::TomHigh | DemoMic::TomFloor => (Drum::Tom, Place::Close),
            DemoMic::OverheadL => (Drum::Overhead, Place::Left),
            DemoMic::OverheadR => (Drum::Overhead, Place::Right),
            DemoMic::Room => (Drum::Room, Place::Mono),
        }
    }

    /// Whether it stands at a drum (and not above or away from the kit).
    #[must_use]
    pub fn is_close(self) -> bool {
        !matches!(self, DemoMic::OverheadL | DemoMic::OverheadR | DemoMic::Room)
    }

    fn number(self) -> usize {
        self as usize
    }
}

/// A thing that sounds: a stroke gives sound to one or two of these.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(super) enum Source {
    KickHead,
    KickClick,
    SnareHead,
    Wires,
    Hat,
    TomHigh,
    TomFloor,
    Ride,
    Crash,
    Sticks,
}

impl Source {
    /// Place in metres (right of the drummer's middle, ahead, up) and radius of the sounding surface.
    fn at(self) -> ([f64; 3], f64) {
        match self {
            Source::KickHead | Source::KickClick => ([0.10, 0.45, 0.30], 0.25),
            Source::SnareHead => ([-0.20, 0.12, 0.680], 0.16),
            Source::Wires => ([-0.20, 0.12, 0.545], 0.14),
            Source::Hat => ([-0.56, 0.28, 0.90], 0.10),
            Source::TomHigh => ([0.00, 0.48, 0.86], 0.14),
            Source::TomFloor => ([0.50, 0.02, 0.62], 0.19),
            Source::Ride => ([0.58, 0.50, 1.00], 0.18),
            Source::Crash => ([-0.34, 0.62, 1.16], 0.20),
            Source::Sticks => ([0.00, 0.05, 1.10], 0.03),
        }
    }

    /// Level of the loudest stroke at one metre, against the snare's.
    fn loudness(self) -> f64 {
        match self {
            Source::KickHead => 1.0,
            Source::KickClick => 0.55,
            Source::SnareHead => 1.0,
            Source::Wires => 0.6,
            Source::Hat => 0.45,
            Source::TomHigh | Source::TomFloor => 1.4,
            Source::Ride => 0.26,
            Source::Crash => 0.45,
            Source::Sticks => 0.25,
        }
    }
}

/// Place of a mic and the place that it points at.
fn mic_at(mic: DemoMic) -> ([f64; 3], [f64; 3]) {
    let of = |s: Source| s.at().0;
    match mic {
        DemoMic::KickIn => ([0.12, 0.57, 0.31], of(Source::KickHead)),
        DemoMic::KickOut => ([0.12, 1.02, 0.33], of(Source::KickHead)),
        DemoMic::SnareTop => ([-0.23, 0.20, 0.735], of(Source::SnareHead)),
        DemoMic::SnareBottom => ([-0.18, 0.16, 0.490], of(Source::Wires)),
        DemoMic::Hat => ([-0.62, 0.34, 1.01], of(Source::Hat)),
        DemoMic::TomHigh => ([0.02, 0.56, 0.92], of(Source::TomHigh)),
        DemoMic::TomFloor => ([0.57, 0.08, 0.69], of(Source::TomFloor)),
        DemoMic::OverheadL => ([-0.62, 0.15, 1.78], [-0.30, 0.25, 0.80]),
        DemoMic::OverheadR => ([0.74, 0.22, 1.72], [0.40, 0.25, 0.80]),
        DemoMic::Room => ([0.70, 3.60, 1.55], [0.0, 0.2, 0.7]),
    }
}

/// How a source reaches a mic: one direct way.
#[derive(Clone, Copy, Debug)]
pub(super) struct Path {
    /// Time of flight.
    pub delay: Seconds,
    /// Signed amplitude factor, mic preamplifier not included.
    pub gain: f64,
    /// One-pole low-pass of air, shells and off-axis pickup, Hz.
    pub dull: f64,
    /// One-pole high-pass, Hz.
    pub thin: f64,
}

fn distance(a: [f64; 3], b: [f64; 3]) -> f64 {
    (0..3).map(|k| (a[k] - b[k]) * (a[k] - b[k])).sum::<f64>().sqrt()
}

/// Metres from a source to a mic, with the spec's spread of mic places.
pub(super) fn metres(spec: &DemoSpec, source: Source, mic: DemoMic) -> f64 {
    distance(source.at().0, placed(spec, mic))
}

fn placed(spec: &DemoSpec, mic: DemoMic) -> [f64; 3] {
    let (at, aim) = mic_at(mic);
    let moved = spec.mic_moves.get(mic.number()).copied().unwrap_or([0.0; 3]);
    let far = spec.mic_distance.max(0.1);
    // Nearer or further along the line on which the mic points, then a hand's breadth to a side.
    std::array::from_fn(|k| aim[k] + (at[k] - aim[k]) * far + moved[k])
}

/// The direct way from a source to a mic.
///
/// Level falls with distance as 1/(r + radius) (a surface, not a point); mics near drums are cardioids with an
/// imperfect rear; shells shade what is inside or below them. Common practice in room acoustics; the figures of
/// shading are estimates.
pub(super) fn path(spec: &DemoSpec, source: Source, mic: DemoMic) -> Path {
    let (from, radius) = source.at();
    let to = placed(spec, mic);
    let aim = mic_at(mic).1;
    let r = distance(from, to);
    let reach = distance(aim, to).max(1e-6);
    let cosine =
        if r > 1e-6 { (0..3).map(|k| (from[k] - to[k]) * (aim[k] - to[k])).sum::<f64>() / (r * reach) } else { 1.0 };
    let own = mic.is_close() && owns(mic, source);
    let pattern = if mic == DemoMic::Room || own { 1.0 } else { (0.5 + 0.5 * cosine).max(spec.rear) };
    let mut gain = source.loudness() * pattern / (r + radius);
    let mut dull = 18_000.0 - 7_000.0 * (1.0 - cosine.clamp(-1.0, 1.0)) * 0.5 - 600.0 * r;
    let mut thin = if own { 25.0 } else { 45.0 };
    let kick = matches!(source, Source::KickHead | Source::KickClick);
    let snare = matches!(source, Source::SnareHead | Source::Wires);
    match mic {
        DemoMic::KickIn if !kick => {
            gain *= 0.14;
            dull = dull.min(2_600.0);
        }
        DemoMic::KickOut if !kick => dull = dull.min(9_000.0),
        // The front head stands between the beater's click and everything outside.
        _ if kick && mic != DemoMic::KickIn => {
            dull = dull.min(if source == Source::KickClick { 3_500.0 } else { 6_000.0 })
        }
        DemoMic::SnareTop if source == Source::Wires => gain *= 0.30,
        DemoMic::SnareBottom if source == Source::SnareHead => gain *= 0.55,
        DemoMic::SnareBottom if !snare => {
            gain *= 0.45;
            dull = dull.min(8_000.0);
        }
        DemoMic::Hat => thin = 250.0,
        _ => {}
    }
    if mic.is_close() && !own {
        gain *= amplitude(spec.bleed.0);
    }
    // Below the drum the head moves away when it moves towards a mic above it.
    if mic == DemoMic::SnareBottom && source == Source::SnareHead {
        gain = -gain;
    }
    if spec.flipped.contains(&mic) {
        gain = -gain;
    }
    Path { delay: Seconds(r / SPEED_OF_SOUND), gain, dull, thin }
}

/// Whether a source belongs to the drum that a close mic stands at.
pub(super) fn owns(mic: DemoMic, source: Source) -> bool {
    match mic {
        DemoMic::KickIn | DemoMic::KickOut => matches!(source, Source::KickHead | Source::KickClick),
        DemoMic::SnareTop | DemoMic::SnareBottom => matches!(source, Source::SnareHead | Source::Wires),
        DemoMic::Hat => source == Source::Hat,
        DemoMic::TomHigh => source == Source::TomHigh,
        DemoMic::TomFloor => source == Source::TomFloor,
        DemoMic::OverheadL | DemoMic::OverheadR | DemoMic::Room => false,
    }
}
