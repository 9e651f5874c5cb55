//! How loud each stroke of a layer is.

use crate::hits::{Hit, State, velocities};
use crate::song::Curve;
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
    /// Learns from all rows of one drum, dropped ones too; `curve` is the one that the sheet asks the finder for.
    ///
    /// What counts is what was measured: the velocity that the finder's curve gives a row's peak, not the velocity that
    /// stands there now. So a row whose velocity was edited, or that was dropped, tells the same as before, and no other
    /// stroke sounds different. Only a list whose velocities follow none of the curves, so that they must come from
    /// elsewhere, is taken at its word, by medians.
    /// Velocities in between and beyond are filled in straight lines; with fewer than two different velocities a fall of
    /// 30 dB over the whole range is taken.
    #[must_use]
    pub fn learn<'a>(hits: impl IntoIterator<Item = &'a Hit>, curve: Curve) -> Self {
        let hits: Vec<&Hit> = hits.into_iter().collect();
        let measured = measured(&hits, curve);
        let mut by_velocity: Vec<Vec<f64>> = vec![Vec::new(); 128];
        for (h, v) in &measured {
            if let Some(peaks) = by_velocity.get_mut(usize::from(v.get())) {
                peaks.push(h.peak.0);
            }
        }
        let mut points = rising(by_velocity);
        let slope = match (points.first(), points.last()) {
            (Some(a), Some(b)) if b.0 - a.0 >= 10.0 => (b.1 - a.1) / (b.0 - a.0),
            _ => RANGE / 126.0,
        };
        if points.is_empty() {
            points.push((127.0, UNKNOWN));
        }
        let peaks: Vec<f64> = (0..128).map(|v| along(&points, f64::from(v), slope)).collect();
        let number = |v: Velocity| f64::from(v.get());
        let mut all: Vec<f64> = if measured.is_empty() {
            hits.iter().filter(|h| h.state != State::Dropped).map(|h| number(h.velocity)).collect()
        } else {
            measured.iter().map(|(_, v)| number(*v)).collect()
        };
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

/// Share of the rows that must lie on a curve for the list to be taken as the finder's: a quarter. More than chance brings
/// there, and so few that most rows may have been edited.
const ON_CURVE: usize = 4;

/// The rows that the finder measured, with the velocities that they had when they were found: from their peaks by the curve
/// that most rows still lie on, to one step, as the list rounds peaks; those that stand there where too few lie on any.
pub(super) fn measured<'a>(hits: &[&'a Hit], curve: Curve) -> Vec<(&'a Hit, Velocity)> {
    let measured: Vec<&Hit> = hits.iter().copied().filter(|h| h.state != State::Added && h.peak.0 > -120.0).collect();
    let peaks: Vec<Dbfs> = measured.iter().map(|h| h.peak).collect();
    let mut best: (usize, Vec<Velocity>) = (0, Vec::new());
    for curve in [curve, Curve::Take, Curve::Square, Curve::FortyLog] {
        let found = velocities(&peaks, curve);
        let on = measured.iter().zip(&found).filter(|(h, v)| h.velocity.get().abs_diff(v.get()) <= 1).count();
        if on > best.0 || best.1.is_empty() {
            best = (on, found);
        }
    }
    let told = best.0 > 0 && best.0 * ON_CURVE >= measured.len();
    // A single stroke may have been edited as well as not; then the curve is the better guess.
    let found = if told || measured.len() < 2 { best.1 } else { measured.iter().map(|h| h.velocity).collect() };
    measured.into_iter().zip(found).collect()
}

/// Velocity and level of the points to draw lines through: the middle peak of every velocity, and where a stronger velocity
/// would be softer, one middle for all of them together, so that a single odd row pulls nothing along.
fn rising(by_velocity: Vec<Vec<f64>>) -> Vec<(f64, f64)> {
    // Runs of velocities that share a level: the velocities, their peaks, the middle.
    let mut runs: Vec<(Vec<f64>, Vec<f64>, f64)> = Vec::new();
    for (v, mut peaks) in by_velocity.into_iter().enumerate() {
        let Some(level) = middle(&mut peaks) else { continue };
        let mut run = (vec![v as f64], peaks, level);
        while let Some(mut before) = runs.pop_if(|b| b.2 > run.2) {
            before.0.append(&mut run.0);
            before.1.append(&mut run.1);
            before.1.sort_by(f64::total_cmp);
            before.2 = before.1.get((before.1.len() - 1) / 2).copied().unwrap_or(before.2);
            run = before;
        }
        runs.push(run);
    }
    runs.into_iter().flat_map(|(v, _, level)| v.into_iter().map(move |v| (v, level))).collect()
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
        let l = Loudness::learn(&hits, Curve::Take);
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
        let l = Loudness::learn(&hits, Curve::Take);
        assert!((2..=127).all(|n| l.peak(v(n), 100.0).0 >= l.peak(v(n - 1), 100.0).0));
    }

    #[test]
    fn an_edited_velocity_is_heard_and_a_list_without_peaks_still_has_dynamics() {
        let found = [hit(60, -20.0, State::Found), hit(100, -10.0, State::Found)];
        let l = Loudness::learn(&found, Curve::Take);
        assert!(l.peak(v(90), 100.0).0 > l.peak(v(60), 100.0).0);
        let added = [hit(60, -200.0, State::Added), hit(100, -200.0, State::Added)];
        let l = Loudness::learn(&added, Curve::Take);
        assert!((l.peak(v(127), 100.0).0 + 6.0).abs() < 1e-9 && (l.peak(v(1), 100.0).0 + 36.0).abs() < 1e-9);
    }

    /// A take as the finder lists it: ghosts and backbeats, their velocities from their peaks.
    fn take(curve: Curve) -> Vec<Hit> {
        let peaks: Vec<Dbfs> = (0..60)
            .map(|i| if i % 3 == 0 { -8.0 - f64::from(i % 7) * 0.4 } else { -34.0 + f64::from(i % 11) * 0.7 })
            .map(Dbfs)
            .collect();
        let strengths = velocities(&peaks, curve);
        peaks.iter().zip(strengths).map(|(p, v)| hit(v.get(), p.0, State::Found)).collect()
    }

    #[test]
    fn one_edited_velocity_changes_what_no_velocity_means() {
        for curve in [Curve::Take, Curve::Square, Curve::FortyLog] {
            let found = take(curve);
            let before = Loudness::learn(&found, curve);
            for (row, velocity) in [(3, 1), (3, 127), (10, 127), (10, 1)] {
                let mut edited = found.clone();
                edited[row].velocity = v(velocity);
                assert_eq!(Loudness::learn(&edited, curve), before, "{curve:?}, row {row}, velocity {velocity}");
                edited[row].state = State::Dropped;
                assert_eq!(Loudness::learn(&edited, curve), before, "{curve:?}, row {row} dropped");
                // Another curve in the sheet since the list was found: the rows tell which it was.
                assert_eq!(Loudness::learn(&edited, Curve::Square), before);
            }
            let most = found.iter().enumerate().map(|(i, h)| {
                let velocity = if i % 4 == 0 { h.velocity } else { v((h.velocity.get() / 2).max(1)) };
                Hit { velocity, ..*h }
            });
            assert_eq!(Loudness::learn(&most.collect::<Vec<_>>(), curve), before, "three of four rows edited");
        }
    }

    #[test]
    fn a_single_odd_row_pulls_nothing_along_in_a_list_from_elsewhere() {
        // Velocities on no curve of the finder.
        let mut hits: Vec<Hit> = (0..30).map(|i| hit(20 + i, -30.0 + f64::from(i) * 0.05, State::Found)).collect();
        let before = Loudness::learn(&hits, Curve::Take);
        hits[5].peak = Dbfs(-6.0);
        let after = Loudness::learn(&hits, Curve::Take);
        assert!((21..=49).all(|n| (before.peak(v(n), 100.0).0 - after.peak(v(n), 100.0).0).abs() < 0.2));
    }
}
