//! The low end before a kick's click: how a softly struck head begins to move.
//!
//! In: the close mic's samples below 300 Hz around a stroke. Out: where they begin to rise towards it, if that stands
//! clear. A soft kick's head moves for 3 to 4 ms before the beater's click; in the full band hats and snare cover
//! that, in the low end they hardly sound.

use crate::units::SampleRate;

/// Upper end of what is looked at, Hz.
pub const LOW_HZ: f64 = 300.0;
/// Shares of the peak whose crossings are timed.
pub const SHARES: [f32; 5] = [0.05, 0.10, 0.20, 0.35, 0.50];
/// So many of the lowest tell where the low end begins to rise.
const LOWEST: usize = 3;
/// A level is clear of what came before when it is so many times as high.
pub const CLEAR: f32 = 1.6;
/// Where a rise is looked for, ms before and after the coarse position.
pub const FROM_MS: f64 = 8.0;
const TO_MS: f64 = 10.0;
/// What came before ends so long before the rise, and lasts so long.
pub const FOOT_MS: f64 = 2.0;
/// See [`FOOT_MS`].
pub const QUIET_MS: f64 = 6.0;
/// How many times its height a rise reaches within the length of its foot: what stays level is ring.
const GROWS: f32 = 1.5;
/// Longest pause within a rise, ms: a head that is pushed before the click swings through zero on its way back.
const PAUSE_MS: f64 = 1.5;

/// A clear rise of the low end.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LowRise {
    /// Where it reaches 5 % of the stroke's peak, samples after the coarse position.
    pub begins: f32,
    /// How long it stays above that, short pauses left out of account, samples.
    pub lasts: f32,
}

impl LowRise {
    /// The rise towards the stroke whose coarse position is index `at` of `low` and whose full band peaks at `peak`;
    /// `None` where bleed or ring is too loud to tell.
    #[must_use]
    pub fn of(low: &[f32], at: usize, peak: f32, rate: SampleRate) -> Option<Self> {
        let n = |ms: f64| (ms * 1e-3 * rate.hz_f64()).round() as usize;
        let first = at.saturating_sub(n(FROM_MS));
        let searched = low.get(first..(at + n(TO_MS)).min(low.len()))?;
        let step = n(FOOT_MS);
        SHARES.windows(2).take(LOWEST).find_map(|pair| {
            let (level, next) = (pair[0] * peak, pair[1] * peak);
            let begins = first + searched.iter().position(|y| y.abs() >= level)?;
            let sign = low[begins].signum();
            let foot = begins.saturating_sub(step);
            let before = low[foot.saturating_sub(n(QUIET_MS))..foot].iter().fold(0.0f32, |m, y| m.max(y.abs()));
            let grown = low.get(begins + step).map_or(0.0, |y| y * sign);
            if begins == first || level < CLEAR * before || grown < GROWS * level {
                return None;
            }
            let rest = &low[begins..];
            let lasts = lasts(rest, level, n(PAUSE_MS));
            // Below a share that bleed covers, the rise is taken to go on as it does above.
            let up = rest.iter().position(|y| y * sign >= next).unwrap_or(0) as f32;
            let under = (up * (pair[0] - SHARES[0]) / (pair[1] - pair[0])).min(step as f32);
            Some(Self { begins: begins as f32 - at as f32 - under, lasts: lasts as f32 + under })
        })
    }

    /// Whether the rise goes on without a long pause up to a later point, samples after the coarse position.
    #[must_use]
    pub fn leads_to(self, point: f32) -> bool {
        point <= self.begins + self.lasts
    }
}

/// Samples until what begins above a level stays below it for longer than a pause.
fn lasts(x: &[f32], level: f32, pause: usize) -> usize {
    let mut last = 0;
    for (k, y) in x.iter().enumerate() {
        if y.abs() >= level {
            last = k + 1;
        } else if k - last >= pause {
            break;
        }
    }
    last
}

#[cfg(test)]
mod tests {
    use super::*;

    const AT: usize = 1_500;

    /// A head that moves from sample 1,300 on, for 4 ms up to a quarter of the peak, then swings the other way.
    fn creeping(scale: f32) -> Vec<f32> {
        (0..4_000)
            .map(|i| match i {
                0..1_300 => 0.0,
                1_300..1_492 => 0.25 * scale * (i - 1_300) as f32 / 192.0,
                _ => scale * (0.25 - (i - 1_492) as f32 / 300.0).max(-1.0),
            })
            .collect()
    }

    fn of(low: &[f32]) -> Option<LowRise> {
        LowRise::of(low, AT, 0.8, SampleRate::SESSION)
    }

    /// A ring of 60 Hz, quieter than 8 % of the peak.
    fn ring(i: usize, level: f32) -> f32 {
        level * (std::f32::consts::TAU * 60.0 * i as f32 / 48_000.0).sin()
    }

    #[test]
    fn a_head_that_moves_before_the_click_is_seen_from_five_per_cent_on() {
        for scale in [0.8, -0.8] {
            let rise = of(&creeping(scale)).unwrap();
            // A straight line through a quarter of the peak in 192 samples is at 5 % after 38.
            assert!((rise.begins + AT as f32 - 1_338.0).abs() <= 1.0, "{rise:?}");
            assert!(rise.leads_to(-10.0));
        }
    }

    #[test]
    fn a_head_that_swings_through_zero_still_leads_to_the_click_but_not_over_a_long_pause() {
        // Pushed for 3 ms up to a sixth of the peak, back to rest, and the main swing so many samples after that.
        let pushed = |pause: usize| -> Vec<f32> {
            (0..4_000)
                .map(|i| match i {
                    0..1_300 => 0.0,
                    1_300..1_440 => 0.8 * (i - 1_300) as f32 / 720.0,
                    _ if i < 1_440 + pause => 0.0,
                    _ => -0.8 * ((i - 1_440 - pause) as f32 / 200.0).min(1.0),
                })
                .collect()
        };
        // The swing reaches 5 % of the peak 10 samples after it begins.
        let leads = |pause: usize| of(&pushed(pause)).unwrap().leads_to((1_440 + pause + 30) as f32 - AT as f32);
        assert!(leads(1) && leads(50));
        assert!(!leads(100) && !leads(150));
    }

    #[test]
    fn where_bleed_covers_five_per_cent_the_rise_above_tells_where_it_was() {
        // Bleed of 5 % of the peak before the stroke.
        let x: Vec<f32> =
            creeping(0.8).iter().enumerate().map(|(i, y)| if i < 1_290 { ring(i * 5, 0.04) } else { *y }).collect();
        let rise = of(&x).unwrap();
        assert!((rise.begins + AT as f32 - 1_338.0).abs() <= 2.0, "{rise:?}");
    }

    #[test]
    fn a_ring_that_goes_on_under_a_stroke_is_no_rise() {
        let x: Vec<f32> = (0..4_000).map(|i| ring(i, 0.06) + if i >= AT { 0.8 } else { 0.0 }).collect();
        assert!(of(&x).is_none_or(|r| r.begins >= 0.0));
    }

    #[test]
    fn nothing_is_seen_in_silence_or_beyond_the_ends() {
        assert_eq!(of(&[0.0; 4_000]), None);
        assert_eq!(of(&[]), None);
        assert_eq!(LowRise::of(&creeping(0.8), 100_000, 0.8, SampleRate::SESSION), None);
    }
}
