use super::*;
use crate::hits::{Hit, Kind};
use crate::song::Drum;
use crate::tempo::Meter;
use crate::timing::made::{hit, list, noise};
use crate::units::{Bpm, Velocity};
use proptest::prelude::*;

fn map() -> TempoMap {
    TempoMap::constant(Bpm::new(120.0).unwrap(), Meter::FOUR_FOUR, Seconds(2.0))
}

fn pulled(l: &HitList, settings: PullSettings) -> Pulled {
    pull(l, &map(), Grid::SIXTEENTH, settings).unwrap()
}

fn percent(p: f64) -> PullSettings {
    PullSettings::percent(p).unwrap()
}

#[test]
fn half_a_pull_moves_half_the_way_and_a_whole_one_lands_on_the_line() {
    // 20 ms late on beat 2 of bar 1 (2.5 s): 10 ms are 480 samples.
    let l = list(vec![hit(Drum::Snare, 2520.0, 100)]);
    assert_eq!(pulled(&l, percent(50.0)).to(0), Some(SamplePos(120_480)));
    let whole = pulled(&l, percent(100.0));
    assert_eq!(whole.to(0), Some(SamplePos(120_000)));
    assert!((whole.counts.median_ms - 20.0).abs() < 1e-9);
    assert_eq!(pulled(&l, percent(0.0)).to(0), Some(l.hits[0].pos));
}

#[test]
fn a_hit_beyond_the_limit_stays_and_is_counted() {
    // 40 % of a sixteenth at 120 BPM are 50 ms.
    let l = list(vec![hit(Drum::Snare, 2555.0, 100), hit(Drum::Snare, 3045.0, 100), hit(Drum::Snare, 4004.0, 100)]);
    let p = pulled(&l, percent(100.0));
    assert_eq!(
        p.targets.iter().map(|t| t.because).collect::<Vec<_>>(),
        [Because::TooFar, Because::Moved, Because::Moved]
    );
    let p = pulled(&l, PullSettings { limit_ms: Some(30.0), leave_ms: 5.0, ..percent(100.0) });
    assert_eq!(
        p.targets.iter().map(|t| t.because).collect::<Vec<_>>(),
        [Because::TooFar, Because::TooFar, Because::Close]
    );
    assert_eq!((p.counts.moved, p.counts.stayed), (0, 3));
}

#[test]
fn a_flam_keeps_its_distance_to_its_main_stroke() {
    let flam = Hit { kind: Kind::Flam, ..hit(Drum::Snare, 2490.0, 40) };
    let l = list(vec![flam, hit(Drum::Snare, 2520.0, 110)]);
    let p = pulled(&l, percent(100.0));
    assert_eq!(p.to(1), Some(SamplePos(120_000)));
    assert_eq!(p.to(1).unwrap().0 - p.to(0).unwrap().0, 1440);
    assert_eq!(p.targets[0].because, Because::WithMain);
}

#[test]
fn two_strokes_at_one_line_do_not_fall_together() {
    let l = list(vec![hit(Drum::Snare, 2480.0, 60), hit(Drum::Snare, 2530.0, 110)]);
    let p = pulled(&l, percent(100.0));
    assert_eq!(p.to(1), Some(SamplePos(120_000)));
    assert_eq!(p.to(0), Some(SamplePos(120_000 - 2400)));
}

#[test]
fn a_stroke_does_not_pass_one_that_stays() {
    // The kick 48 ms early wants to go to 2.5 s; the snare at 2.447 s is too far from any line and stays.
    let l = list(vec![hit(Drum::Snare, 2560.0, 100), hit(Drum::Kick, 2570.0, 100)]);
    let p = pull(&l, &map(), Grid::SIXTEENTH, PullSettings { limit_ms: Some(58.0), ..percent(100.0) }).unwrap();
    // The kick's line is 2.625 s, 55 ms later; the snare's is 2.5 s, 60 ms earlier: it stays.
    assert_eq!(p.targets[0].because, Because::TooFar);
    let l = list(vec![hit(Drum::Kick, 2555.0, 100), hit(Drum::Snare, 2560.0, 100)]);
    let p = pull(&l, &map(), Grid::SIXTEENTH, PullSettings { limit_ms: Some(58.0), ..percent(100.0) }).unwrap();
    assert_eq!((p.targets[0].because, p.targets[1].because), (Because::Moved, Because::TooFar));
    let l = list(vec![hit(Drum::Kick, 2565.0, 100), hit(Drum::Snare, 2566.5, 100)]);
    let p = pull(&l, &map(), Grid::SIXTEENTH, PullSettings { limit_ms: Some(59.0), ..percent(100.0) }).unwrap();
    assert_eq!((p.targets[0].because, p.targets[1].because), (Because::TooFar, Because::Moved));
}

#[test]
fn a_flam_that_travels_with_its_stroke_does_not_pass_the_kick_before_it() {
    // The snare is pulled 40 ms earlier and its grace note with it, but the kick on the line stays in front.
    let l = list(vec![
        hit(Drum::Kick, 2500.0, 100),
        Hit { kind: Kind::Flam, ..hit(Drum::Snare, 2510.0, 40) },
        hit(Drum::Snare, 2540.0, 110),
    ]);
    let p = pulled(&l, percent(100.0));
    assert_eq!(p.to(1), Some(SamplePos(120_000)));
    assert_eq!(p.to(2), Some(SamplePos(121_440)));
    assert_eq!(p.targets[2].because, Because::Neighbour);
}

#[test]
fn dropped_hits_and_pick_ups_stay() {
    let l = list(vec![
        hit(Drum::Snare, 1510.0, 100),
        Hit { state: State::Dropped, ..hit(Drum::Snare, 2010.0, 100) },
        hit(Drum::Snare, 2510.0, 100),
    ]);
    let p = pulled(&l, percent(100.0));
    assert_eq!(
        p.targets.iter().map(|t| t.because).collect::<Vec<_>>(),
        [Because::BeforeBarOne, Because::Dropped, Because::Moved]
    );
    assert_eq!(p.counts.moved + p.counts.stayed, 2);
}

#[test]
fn a_pull_of_more_than_all_the_way_is_refused() {
    for bad in [-1.0, 100.5, f64::NAN] {
        let e = PullSettings::percent(bad).unwrap_err();
        assert_eq!(e.exit_code(), crate::ExitCode::Usage);
    }
    assert!(PullSettings { limit_ms: Some(-3.0), ..percent(50.0) }.checked().is_err());
}

fn any_take() -> impl Strategy<Value = HitList> {
    let one = (2000u32..12_000, 0u8..2, 1u8..=127, 0u8..6);
    prop::collection::vec(one, 0..120).prop_map(|raw| {
        let hits = raw.into_iter().map(|(ms, drum, v, kind)| {
            let drum = if drum == 0 { Drum::Kick } else { Drum::Snare };
            let kind = [Kind::Hit, Kind::Hit, Kind::Hit, Kind::Ghost, Kind::Flam, Kind::Roll][usize::from(kind)];
            Hit { kind, velocity: Velocity::new(v).unwrap(), ..hit(drum, f64::from(ms), 100) }
        });
        list(hits.collect())
    })
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 200, ..ProptestConfig::default() })]
    #[test]
    fn no_pull_ever_reorders_hits_or_moves_one_away_from_or_past_the_grid(
        l in any_take(), p in 0.0f64..=100.0, limit in prop::option::of(0.0f64..200.0)
    ) {
        let settings = PullSettings { percent: p, limit_ms: limit, leave_ms: 0.0 };
        // Hits anywhere have no relation to a grid; here they are moved all the same.
        let out = pull_all_but(&[], &l, &map(), Grid::SIXTEENTH, settings).unwrap();
        prop_assert_eq!(out.targets.len(), l.hits.len());
        for w in out.targets.windows(2) {
            prop_assert!(w[0].to <= w[1].to);
        }
        for drum in Drum::FOUND {
            let own: Vec<_> = l.hits.iter().zip(&out.targets).filter(|(h, _)| h.drum == drum).map(|(_, t)| t).collect();
            for w in own.windows(2) {
                prop_assert!(w[0].from == w[1].from || w[0].to < w[1].to, "{:?}", w);
            }
        }
        for (h, t) in l.hits.iter().zip(&out.targets).filter(|(_, t)| t.because == Because::Moved) {
            let time = h.pos.at(l.rate);
            let line = map().nearest_line(time, Grid::SIXTEENTH).time;
            let before = (time.0 - line.0).abs();
            let after = (t.to.at(l.rate).0 - line.0).abs();
            prop_assert!((after - before * (1.0 - p / 100.0)).abs() < 1.1 / 48_000.0);
        }
    }
}

#[test]
fn pulling_fifty_thousand_hits_is_quick_and_pulling_again_changes_nothing() {
    let mut u = noise(4);
    let hits = (0..50_000u32).map(|i| {
        let drum = if i % 2 == 0 { Drum::Kick } else { Drum::Snare };
        hit(drum, 2000.0 + 125.0 * f64::from(i) + 40.0 * u() - 20.0, 100)
    });
    let l = list(hits.collect());
    let once = pulled(&l, percent(100.0));
    assert_eq!(once.counts.because.get(&Because::TooFar), None);
    let again = pulled(&once.applied(&l), percent(100.0));
    assert_eq!(again.counts.moved, 0);
}
