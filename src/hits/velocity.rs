//! From the level of a stroke to its MIDI velocity.
//!
//! MIDI 1.0 does not define what level a velocity means (Dannenberg 2006), so the curve is a choice, stated here and
//! settable: [`Curve::Take`] for playing a sampler with the take's own dynamics, the other two for instruments that
//! follow a known law.

use crate::song::Curve;
use crate::units::{Dbfs, Decibels, Velocity};

/// Velocity of a take's loud strokes (their 95th percentile) under [`Curve::Take`]: a clear accent, with room above
/// for the few that are louder still. Common practice.
pub const LOUD: f64 = 120.0;
/// Velocity of a take's softest strokes (their 5th percentile) under [`Curve::Take`], where the take is dynamic.
pub const SOFT: f64 = 24.0;
/// Least range, dB, between [`SOFT`] and [`LOUD`]: a take of nearly equal strokes stays nearly equal.
pub const LEAST_RANGE: f64 = 30.0;
/// Strokes further below the loud ones than this count as this soft, dB.
const FLOOR: f64 = 72.0;
/// Range of [`Curve::Square`], dB.
pub const SQUARE_RANGE: Decibels = Decibels(60.0);

/// Velocities of one drum's strokes, in the order of their peaks.
///
/// Monotonic: of two strokes the louder never gets the lower velocity, and equal ones get the same.
/// - [`Curve::Take`]: decibel-linear, the 5th..95th percentile of the peaks to [`SOFT`]..[`LOUD`], never steeper than
///   over [`LEAST_RANGE`]; beyond the percentiles no steeper either, and flatter where needed, so that nothing piles
///   up at 127 or 1.
/// - [`Curve::Square`], [`Curve::FortyLog`]: the law's inverse, with the loudest stroke at 127.
///
/// Levels that are no number count as [`Dbfs::SILENCE`]. Cost: one sort.
#[must_use]
pub fn velocities(peaks: &[Dbfs], curve: Curve) -> Vec<Velocity> {
    let level = |p: &Dbfs| if p.0.is_finite() { p.0 } else { Dbfs::SILENCE.0 };
    let mut sorted: Vec<f64> = peaks.iter().map(level).collect();
    sorted.sort_by(f64::total_cmp);
    let Some(&loudest) = sorted.last() else { return Vec::new() };
    match curve {
        Curve::Take => {
            let take = Take::of(&sorted);
            peaks.iter().map(|p| Velocity::nearest(take.velocity(level(p)))).collect()
        }
        Curve::Square => peaks.iter().map(|p| square_velocity(Decibels(level(p) - loudest), SQUARE_RANGE)).collect(),
        Curve::FortyLog => peaks.iter().map(|p| forty_log_velocity(Decibels(level(p) - loudest))).collect(),
    }
}

/// The anchors of a take's own curve, dB and velocity, in rising order: softest, soft, loud, loudest.
struct Take {
    levels: [f64; 4],
    velocities: [f64; 4],
}

impl Take {
    /// From one or more levels in rising order.
    fn of(sorted: &[f64]) -> Self {
        let loud = percentile(sorted, 0.95);
        let floor = loud - FLOOR;
        let soft = percentile(sorted, 0.05).max(floor);
        let slope = (LOUD - SOFT) / (loud - soft).max(LEAST_RANGE);
        let (softest, loudest) = (percentile(sorted, 0.0).max(floor), percentile(sorted, 1.0));
        let soft_velocity = LOUD - slope * (loud - soft);
        let bottom = soft_velocity - (slope * (soft - softest)).min(soft_velocity - 1.0);
        let top = LOUD + (slope * (loudest - loud)).min(127.0 - LOUD);
        Self { levels: [softest, soft, loud, loudest], velocities: [bottom, soft_velocity, LOUD, top] }
    }

    /// Linear between the anchors.
    fn velocity(&self, level: f64) -> f64 {
        let between = |i: usize, j: usize| {
            let (a, b) = (self.levels[i], self.levels[j]);
            let share = if b > a { ((level - a) / (b - a)).clamp(0.0, 1.0) } else { 1.0 };
            self.velocities[i] + share * (self.velocities[j] - self.velocities[i])
        };
        if level > self.levels[2] {
            between(2, 3)
        } else if level > self.levels[1] {
            between(1, 2)
        } else if level < self.levels[1] {
            between(0, 1)
        } else {
            self.velocities[1]
        }
    }
}

/// Linear interpolation between the order statistics at share·(n − 1) (Hyndman & Fan 1996, type 7); 0 for none.
fn percentile(sorted: &[f64], share: f64) -> f64 {
    let at = share * sorted.len().saturating_sub(1) as f64;
    let value = |i: usize| sorted.get(i).or(sorted.last()).copied().unwrap_or(0.0);
    let (below, above) = (value(at.floor() as usize), value(at.ceil() as usize));
    below + (above - below) * at.fract()
}

/// Level of a velocity under the concave law of DLS Level 1 (MMA): 40·log10(v/127) dB, 0 at 127.
#[must_use]
pub fn forty_log_level(velocity: Velocity) -> Decibels {
    Decibels(40.0 * (f64::from(velocity.get()) / 127.0).log10())
}

/// The velocity nearest to a level under [`forty_log_level`]; 0 dB and above give 127.
#[must_use]
pub fn forty_log_velocity(level: Decibels) -> Velocity {
    Velocity::nearest(127.0 * 10f64.powf(level.0 / 40.0))
}

/// Level of a velocity under the square law of Dannenberg, "The Interpretation of MIDI Velocity", ICMC 2006:
/// amplitude (m·v + b)², with b = 127/(126·√r) − 1/126, m = (1 − b)/127, r = 10^(range/20). 0 dB at 127, −range at 1.
#[must_use]
pub fn square_level(velocity: Velocity, range: Decibels) -> Decibels {
    let (m, b) = square_terms(range);
    Decibels(40.0 * (m * f64::from(velocity.get()) + b).log10())
}

/// The velocity nearest to a level under [`square_level`]; 0 dB and above give 127, −range and below 1.
#[must_use]
pub fn square_velocity(level: Decibels, range: Decibels) -> Velocity {
    let (m, b) = square_terms(range);
    Velocity::nearest((10f64.powf(level.0 / 40.0) - b) / m)
}

/// m and b of the square law.
fn square_terms(range: Decibels) -> (f64, f64) {
    let root = range.gain().sqrt();
    let b = 127.0 / (126.0 * root) - 1.0 / 126.0;
    ((1.0 - b) / 127.0, b)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const CURVES: [Curve; 3] = [Curve::Take, Curve::Square, Curve::FortyLog];

    fn of(levels: &[f64], curve: Curve) -> Vec<u8> {
        let peaks: Vec<Dbfs> = levels.iter().map(|&l| Dbfs(l)).collect();
        velocities(&peaks, curve).into_iter().map(Velocity::get).collect()
    }

    fn v(velocity: u8) -> Velocity {
        Velocity::new(velocity).unwrap()
    }

    /// DLS Level 1 (MMA): attenuation 20·log10(127²/v²) dB; values computed from that formula.
    #[test]
    fn the_forty_log_law_has_the_levels_of_its_standard() {
        for (velocity, level) in [
            (127, 0.0),
            (126, -0.14),
            (120, -0.98),
            (112, -2.18),
            (100, -4.15),
            (96, -4.86),
            (80, -8.03),
            (64, -11.90),
            (32, -23.95),
            (16, -35.99),
            (1, -84.15),
        ] {
            assert!((forty_log_level(v(velocity)).0 - level).abs() < 0.006, "{velocity}");
        }
        for (level, velocity) in [
            (0.0, 127),
            (-3.0, 107),
            (-6.0, 90),
            (-12.0, 64),
            (-18.0, 45),
            (-24.0, 32),
            (-40.0, 13),
            (-60.0, 4),
            (-84.15, 1),
            (-200.0, 1),
        ] {
            assert_eq!(forty_log_velocity(Decibels(level)), v(velocity), "{level} dB");
        }
    }

    /// The whole way there and back is off by no more than half a velocity step, 40·log10(v/(v − 0.5)) dB.
    #[test]
    fn a_level_comes_back_within_half_a_velocity_step() {
        for (velocity, bound) in [(100u8, 0.087), (64, 0.136), (32, 0.274)] {
            let (low, high) = (f64::from(velocity) - 0.499, f64::from(velocity) + 0.499);
            for exact in [low, f64::from(velocity), high] {
                let level = 40.0 * (exact / 127.0).log10();
                let back = forty_log_level(forty_log_velocity(Decibels(level))).0;
                assert!((back - level).abs() <= bound + 5e-4, "{exact}");
            }
        }
    }

    /// Dannenberg, ICMC 2006; formula as printed in the Csound manual (`ampmidid`), values computed from it.
    #[test]
    fn the_square_law_has_the_levels_of_its_paper() {
        for (range, b, levels) in [
            (20.0, 0.310801, [-20.0, -12.59, -7.27, -2.75, 0.0]),
            (30.0, 0.171303, [-30.0, -16.80, -9.20, -3.37, 0.0]),
            (40.0, 0.092857, [-40.0, -19.72, -10.39, -3.72, 0.0]),
            (60.0, 0.023937, [-60.0, -22.75, -11.50, -4.04, 0.0]),
            (72.0, 0.008038, [-72.0, -23.54, -11.77, -4.11, 0.0]),
        ] {
            assert!((square_terms(Decibels(range)).1 - b).abs() < 1e-6, "{range}");
            for (velocity, level) in [1, 32, 64, 100, 127].into_iter().zip(levels) {
                let got = square_level(v(velocity), Decibels(range)).0;
                assert!((got - level).abs() < 0.006, "{range} dB, velocity {velocity}: {got}");
                assert_eq!(square_velocity(Decibels(got), Decibels(range)), v(velocity));
            }
        }
        // At a range of 84.15 dB the square law is the DLS law.
        for velocity in [1, 17, 64, 127] {
            let (a, b) = (square_level(v(velocity), Decibels(84.152)), forty_log_level(v(velocity)));
            assert!((a.0 - b.0).abs() < 0.01, "{velocity}");
        }
    }

    #[test]
    fn half_the_amplitude_is_velocity_90_under_the_forty_log_law() {
        assert_eq!(of(&[-3.0, -9.0206], Curve::FortyLog), [127, 90]);
    }

    #[test]
    fn a_dynamic_take_spans_ghosts_to_accents() {
        // Twenty backbeats around -6 dBFS, twenty ghosts around -34.
        let levels: Vec<f64> =
            (0..40).map(|i| if i % 2 == 0 { -6.0 } else { -34.0 } + f64::from(i % 5) * 0.5).collect();
        let got = of(&levels, Curve::Take);
        for (level, velocity) in levels.iter().zip(&got) {
            let expected = if *level > -20.0 { 110..=127 } else { 20..=40 };
            assert!(expected.contains(velocity), "{level} dBFS: {velocity}");
        }
    }

    #[test]
    fn nearly_equal_strokes_stay_nearly_equal() {
        let got = of(&[-8.0, -8.25, -8.5, -8.1, -8.3], Curve::Take);
        assert!(got.iter().max().unwrap() - got.iter().min().unwrap() <= 2, "{got:?}");
    }

    #[test]
    fn one_stroke_none_and_silence_have_sensible_velocities() {
        assert!(of(&[], Curve::Take).is_empty());
        assert_eq!(of(&[-12.0], Curve::Take), [120]);
        assert_eq!(of(&[-12.0, -12.0], Curve::Take), [120, 120]);
        for curve in CURVES {
            let odd = of(&[-6.0, f64::NAN, f64::NEG_INFINITY, -200.0], curve);
            assert!(odd[0] >= 120 && odd[1..].iter().all(|&v| v < 30), "{odd:?}");
        }
    }

    #[test]
    fn a_wide_take_does_not_pile_up_at_the_top() {
        let levels: Vec<f64> = (0..200).map(|i| -40.0 + f64::from(i) * 0.2).collect();
        let got = of(&levels, Curve::Take);
        assert!(got.iter().filter(|&&v| v == 127).count() <= 3);
        assert!(got.iter().filter(|&&v| v == 1).count() <= 3);
    }

    proptest! {
        #[test]
        fn louder_never_gets_a_lower_velocity(levels in prop::collection::vec(-90.0..6.0f64, 1..80)) {
            for curve in CURVES {
                let got = of(&levels, curve);
                for (i, a) in levels.iter().enumerate() {
                    for (j, b) in levels.iter().enumerate() {
                        prop_assert!(a < b || got[i] >= got[j]);
                    }
                }
                prop_assert!(got.iter().all(|v| (1..=127).contains(v)));
            }
        }

        #[test]
        fn the_gain_of_the_recording_changes_no_velocity(
            levels in prop::collection::vec(-60.0..-10.0f64, 1..40), gain in -20i32..20,
        ) {
            // Whole decibels, so that the shifted levels are exact but for the last bit.
            let levels: Vec<f64> = levels.iter().map(|l| l.round()).collect();
            let moved: Vec<f64> = levels.iter().map(|l| l + f64::from(gain)).collect();
            for curve in CURVES {
                let (a, b) = (of(&levels, curve), of(&moved, curve));
                prop_assert!(a.iter().zip(&b).all(|(x, y)| x.abs_diff(*y) <= 1));
            }
        }
    }
}
