//! Made-up takes for the tests of this room.

use crate::hits::{Hit, HitList, Kind, State};
use crate::song::Drum;
use crate::units::{Dbfs, SampleRate, Seconds, Velocity};

/// A hit at a time.
pub fn hit(drum: Drum, ms: f64, velocity: u8) -> Hit {
    Hit {
        drum,
        pos: Seconds::from_ms(ms).sample(SampleRate::SESSION),
        velocity: Velocity::new(velocity).unwrap(),
        peak: Dbfs(-12.0),
        certainty: 1.0,
        kind: Kind::Hit,
        state: State::Found,
        place: None,
    }
}

/// A list sorted as the finder sorts it.
pub fn list(mut hits: Vec<Hit>) -> HitList {
    hits.sort_by_key(|h| (h.pos, h.drum));
    HitList { rate: SampleRate::SESSION, hits }
}

/// Numbers that look random and are the same for ever (Lehmer 1951), 0..1.
pub fn noise(seed: u64) -> impl FnMut() -> f64 {
    let mut state = seed * 2 + 1;
    move || {
        state = state * 48_271 % 2_147_483_647;
        state as f64 / 2_147_483_647.0
    }
}

/// Normal deviates from [`noise`], standard deviation 1 (sum of twelve uniform numbers).
pub fn normal(seed: u64) -> impl FnMut() -> f64 {
    let mut uniform = noise(seed);
    move || (0..12).map(|_| uniform()).sum::<f64>() - 6.0
}
