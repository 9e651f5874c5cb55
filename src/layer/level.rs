//! How loud each stroke of a layer is.

use crate::hits::{Hit, State};
use crate::units::{Dbfs, Decibels, Velocity};

/// What a velocity means in this take: the peak that strokes of that velocity have in their close mic.
///
/// Levels follow the velocity and not the single peak, so that an edit of `velocity` in the hit list is heard.
#[derive(Clone, Debug, PartialEq)]
pub struct Loudness {
    /// Peak of every velocity 0..=127, dBFS (entry 0 is unused), never falling with velocity.
    peaks: Vec<f64>,
    /// Velocity and peak of a typical full stroke: what all strokes become at `dynamics` 0.
    usual: (f64, f64),
}

/// Peak of the strongest stroke where the hit list tells no peaks, dBFS.
const UNKNOWN: f64 = -6.0;
/// Fall of the peak from the strongest stroke to velocity 1 where it cannot be learnt, dB.
const RANGE: f64 = 30.0;

impl Loudness {
    /// Learns from the found hits of one drum. Velocities in between and beyond are filled in straight lines; with fewer than
    /// two different velocities a fall of 30 dB over the whole range is taken.
    #[must_use]
    pub fn learn<'a>(hits: impl IntoIterator<Item = &'a Hit>) -> Self {
        let mut by_velocity: Vec<Vec<f64>> = vec![Vec::new(); 128];
        let mut all: Vec<f64> = Vec::new();
        for h in hits {
            let of_velocity = by_velocity.get_mut(usize::from(h.velocity.get()));
            if let Some(peaks) = of_velocity.filter(|_| h.state == State::Found && h.peak.0 > -120.0) {
                peaks.push(h.peak.0);
            }
            all.push(f64::from(h.velocity.get()));
        }
        let known: Vec<(f64, f64)> =
            by_velocity.iter_mut().enumerate().filter_map(|(v, p)| Some((v as f64, middle(p)?))).collect();
        let mut points: Vec<(f64, f64)> = Vec::new();
        for (v, p) in known {
            // Never falling: a stronger velocity is at least as loud.
            let floor = points.last().map_or(f64::NEG_INFINITY, |l| l.1);
            points.push((v, p.max(floor)));
        }
        let slope = match (points.first(), points.last()) {
            (Some(a), Some(b)) if b.0 - a.0 >= 10.0 => (b.1 - a.1) / (b.0 - a.0),
            _ => RANGE / 126.0,
        };
        if points.is_empty() {
            points.push((127.0, UNKNOWN));
        }
        let peaks: Vec<f64> = (0..128).map(|v| along(&points, f64::from(v), slope)).collect();
        let usual = middle(&mut all).unwrap_or(100.0);
        let level = along(&points, usual, slope);
        Self { peaks, usual: (usual, level) }
    }

    /// Velocity that a stroke is played with at a dynamics amount: 100 = as played, 0 = all like a typical stroke.
    #[must_use]
    pub fn played(&self, velocity: Velocity, dynamics: f64) -> Velocity {
        let usual = self.usual.0;
        Velocity::nearest(usual + (f64::from(velocity.get()) - usual) * dynamics / 100.0)
    }

    /// Peak that the printed stroke gets at layer level 0: that of the real stroke, drawn towards the typical stroke's.
    #[must_use]
    pub fn peak(&self, velocity: Velocity, dynamics: f64) -> Dbfs {
        let real = self.peaks.get(usize::from(velocity.get())).copied().unwrap_or(UNKNOWN);
        Dbfs(self.usual.1 + (real - self.usual.1) * dynamics / 100.0)
    }

    /// Gain that brings a shot of a given peak to a wanted one.
    #[must_use]
    pub fn gain(wanted: Dbfs, shot_peak: f64) -> Decibels {
        Decibels(wanted.0 - Dbfs::from_peak(shot_peak).0)
    }
}

fn middle(x: &mut [f64]) -> Option<f64> {
    x.sort_by(f64::total_cmp);
    x.get(x.len() / 2).copied()
}

/// Straight lines through points in order of x; the slope goes on beyond them.
fn along(points: &[(f64, f64)], x: f64, slope: f64) -> f64 {
    let after = points.partition_point(|p| p.0 < x);
    match (after.checked_sub(1).and_then(|i| points.get(i)), points.get(after)) {
        (_, Some(b)) if b.0 == x => b.1,
        (Some(a), Some(b)) => a.1 + (b.1 - a.1) * (x - a.0) / (b.0 - a.0),
        (Some(a), None) => a.1 + slope * (x - a.0),
        (None, Some(b)) => b.1 - slope * (b.0 - x),
        (None, None) => UNKNOWN,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hits::Kind;
    use crate::song::Drum;
    use crate::units::SamplePos;

    fn hit(velocity: u8, peak: f64, state: State) -> Hit {
        Hit {
            drum: Drum::Snare,
            pos: SamplePos(0),
            velocity: Velocity::new(velocity).unwrap(),
            peak: Dbfs(peak),
            certainty: 1.0,
            kind: Kind::Hit,
            state,
            place: None,
        }
    }

    fn v(n: u8) -> Velocity {
        Velocity::new(n).unwrap()
    }

    #[test]
    fn full_dynamics_give_the_real_peaks_and_none_makes_all_equal() {
        let hits = [hit(20, -40.0, State::Found), hit(70, -20.0, State::Found), hit(120, -6.0, State::Found)];
        let l = Loudness::learn(&hits);
        for h in &hits {
            assert!((l.peak(h.velocity, 100.0).0 - h.peak.0).abs() < 1e-9);
            assert!((l.peak(h.velocity, 0.0).0 + 20.0).abs() < 1e-9);
            assert_eq!(l.played(h.velocity, 0.0), v(70));
        }
        assert!((l.peak(v(20), 50.0).0 + 30.0).abs() < 1e-9);
        assert!((l.peak(v(95), 100.0).0 + 13.0).abs() < 1e-9);
    }

    #[test]
    fn louder_velocities_are_never_softer() {
        let hits = [hit(30, -20.0, State::Found), hit(60, -25.0, State::Found), hit(90, -8.0, State::Found)];
        let l = Loudness::learn(&hits);
        assert!((2..=127).all(|n| l.peak(v(n), 100.0).0 >= l.peak(v(n - 1), 100.0).0));
    }

    #[test]
    fn an_edited_velocity_is_heard_and_a_list_without_peaks_still_has_dynamics() {
        let found = [hit(60, -20.0, State::Found), hit(100, -10.0, State::Found)];
        let l = Loudness::learn(&found);
        assert!(l.peak(v(90), 100.0).0 > l.peak(v(60), 100.0).0);
        let added = [hit(60, -200.0, State::Added), hit(100, -200.0, State::Added)];
        let l = Loudness::learn(&added);
        assert!((l.peak(v(127), 100.0).0 + 6.0).abs() < 1e-9 && (l.peak(v(1), 100.0).0 + 36.0).abs() < 1e-9);
    }
}
