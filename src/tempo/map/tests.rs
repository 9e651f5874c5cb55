use super::*;
use proptest::prelude::*;

fn bpm(b: f64) -> Bpm {
    Bpm::new(b).unwrap()
}

fn change(tick: u64, us_per_quarter: u32) -> TempoChange {
    TempoChange { tick, us_per_quarter }
}

fn four_four() -> Vec<MeterChange> {
    vec![MeterChange { tick: 0, meter: Meter::FOUR_FOUR }]
}

/// RP-001 stores round(60e6 / BPM) in 24 bits; the table was computed from that formula.
#[test]
fn a_tempo_is_stored_as_whole_microseconds_a_quarter() {
    for (b, us, stored, drift_ms) in [
        (60.0, 1_000_000, 60.0, 0.0),
        (90.0, 666_667, 89.999955, 0.15),
        (100.0, 600_000, 100.0, 0.0),
        (117.3, 511_509, 117.299989, 0.03),
        (120.0, 500_000, 120.0, 0.0),
        (123.45, 486_027, 123.449932, 0.17),
        (140.0, 428_571, 140.000140, 0.30),
        (174.0, 344_828, 173.999791, 0.36),
    ] {
        let map = TempoMap::constant(bpm(b), Meter::FOUR_FOUR, Seconds(0.0));
        assert_eq!(map.tempos()[0].us_per_quarter, us, "{b}");
        assert!((map.tempos()[0].bpm() - stored).abs() < 5e-7, "{b}");
        // After five minutes the nominal tempo would be so far off.
        let ticks = 300.0 * b / 60.0 * 960.0;
        assert!(((map.time_at(ticks).ms() - 300_000.0).abs() - drift_ms).abs() < 0.005, "{b}");
    }
}

/// RP-001's own conversion: 6144 ticks at 500,000 µs and 96 a quarter are 32 s; here with 960 a quarter.
#[test]
fn the_worked_conversion_of_the_standard_comes_out_exactly() {
    let map = TempoMap::constant(bpm(120.0), Meter::FOUR_FOUR, Seconds(0.0));
    assert_eq!(map.time_at(61_440.0), Seconds(32.0));
    assert_eq!(map.tick_at(Seconds(32.0)), 61_440.0);
}

#[test]
fn ten_hours_of_tempo_changes_leave_no_drift() {
    // 120,000 quarters, alternately 299,999 and 300,001 µs: exactly 36,000 s.
    let tempos = (0..120_000).map(|i| change(i * 960, if i % 2 == 0 { 299_999 } else { 300_001 })).collect();
    let map = TempoMap::new(Seconds(0.0), tempos, four_four(), Vec::new()).unwrap();
    assert_eq!(map.time_at(120_000.0 * 960.0), Seconds(36_000.0));
}

#[test]
fn bars_count_through_changing_meters_and_back_before_the_first() {
    let meter = |b, u| Meter::new(b, u).unwrap();
    let map = TempoMap::by_bars(
        Seconds(2.0),
        &[(1, meter(4, 4)), (3, meter(7, 8)), (5, meter(6, 8))],
        &[(1, bpm(100.0))],
        &[(3, "verse".into())],
    )
    .unwrap();
    assert_eq!([1, 2, 3, 4, 5, 6].map(|b| map.bar_start(b)), [0, 3840, 7680, 11_040, 14_400, 17_280]);
    assert_eq!([0, -1].map(|b| map.bar_start(b)), [-3840, -7680]);
    assert_eq!(map.bar_beat(-1.0), BarBeat { bar: 0, beat: 4, tick: 959 });
    assert_eq!(map.bar_beat(11_039.0), BarBeat { bar: 3, beat: 7, tick: 479 });
    assert_eq!(map.bar_beat(14_400.0 + 480.0 * 5.0), BarBeat { bar: 5, beat: 6, tick: 0 });
    assert_eq!(map.meter_of(4), meter(7, 8));
    assert_eq!(map.markers()[0].tick, 7680);
    assert_eq!(map.bar_one(), Seconds(2.0));
}

#[test]
fn a_count_in_moves_bar_one_and_nothing_that_sounds() {
    let plain = TempoMap::constant(bpm(120.0), Meter::FOUR_FOUR, Seconds(0.25));
    let counted = plain.clone().with_count_in(2);
    assert_eq!(counted.bar_one(), Seconds(4.25));
    assert_eq!(counted.start(), Seconds(0.25));
    assert_eq!([-1, 0, 1].map(|b| counted.bar_start(b)), [0, 3840, 7680]);
    assert_eq!(counted.bar_beat_at(Seconds(4.25)), BarBeat { bar: 1, beat: 1, tick: 0 });
    assert_eq!(counted.time_at(777.0), plain.time_at(777.0));
    assert_eq!(counted.with_bar_one(Seconds(5.0)).start(), Seconds(1.0));
}

#[test]
fn changes_that_make_no_map_are_refused_with_their_bar() {
    let new = |tempos: Vec<TempoChange>, meters: Vec<MeterChange>| {
        TempoMap::new(Seconds(0.0), tempos, meters, Vec::new()).unwrap_err()
    };
    let t = || vec![change(0, 500_000)];
    let m = |tick, beats, unit| MeterChange { tick, meter: Meter { beats, unit } };
    assert_eq!(new(vec![], four_four()), TempoFault::NoBeginning("tempo"));
    assert_eq!(new(vec![change(960, 500_000)], four_four()), TempoFault::NoBeginning("tempo"));
    assert_eq!(new(t(), vec![]), TempoFault::NoBeginning("meter"));
    assert_eq!(new(t(), vec![m(0, 0, 4)]), TempoFault::Meter { beats: 0, unit: 4 });
    assert_eq!(new(t(), vec![m(0, 4, 5)]), TempoFault::Meter { beats: 4, unit: 5 });
    let inside = TempoFault::InsideBar { meter: Meter { beats: 3, unit: 4 }, bar: 2, beat: 2 };
    assert_eq!(new(t(), vec![m(0, 4, 4), m(4800, 3, 4)]), inside);
    let order = TempoFault::Order { what: "tempo", bar: 2 };
    assert_eq!(new(vec![change(0, 1_000_000), change(3840, 9_000), change(3840, 9_000)], four_four()), order);
    assert!(matches!(new(vec![change(0, 0)], four_four()), TempoFault::Tempo { bar: 1, .. }));
    assert!(matches!(new(vec![change(0, 1 << 24)], four_four()), TempoFault::Tempo { .. }));
    assert_eq!(new(vec![change(0, 500_000), change(u64::MAX, 500_000)], four_four()), TempoFault::TooLong);
    assert_eq!(new(vec![change(0, 16_000_000), change(1 << 36, 500_000)], four_four()), TempoFault::TooLong);
    let lost = TempoMap::new(Seconds(f64::NAN), t(), four_four(), Vec::new());
    assert!(matches!(lost, Err(TempoFault::BarOne(_))));
    let early = TempoMap::by_bars(Seconds(0.0), &[(1, Meter::FOUR_FOUR)], &[(1, bpm(90.0)), (0, bpm(80.0))], &[]);
    assert_eq!(early, Err(TempoFault::Bar(0)));
    let far =
        TempoMap::by_bars(Seconds(0.0), &[(1, Meter::FOUR_FOUR), (i64::MAX, Meter::FOUR_FOUR)], &[(1, bpm(90.0))], &[]);
    assert_eq!(far, Err(TempoFault::TooLong));
}

/// A map of up to six tempo changes, up to four meters, and bar 1 anywhere within ten seconds of the audio's start.
fn maps() -> impl Strategy<Value = TempoMap> {
    let tempos = prop::collection::vec((0u64..20_000, 100_000u32..2_000_000), 1..7);
    let meters = prop::collection::vec((1i64..6, 1u8..16, 0u32..6), 1..5);
    (tempos, meters, -10.0..10.0f64).prop_map(|(tempos, meters, start)| {
        let mut tick = 0;
        let mut changes = Vec::new();
        for (gap, us) in tempos {
            changes.push(change(tick, us));
            tick += gap + 1;
        }
        let mut bar = 1;
        let mut by_bar = Vec::new();
        for (bars, beats, power) in meters {
            by_bar.push((bar, Meter::new(beats, 1 << power).unwrap()));
            bar += bars;
        }
        let meters = TempoMap::by_bars(Seconds(0.0), &by_bar, &[(1, bpm(100.0))], &[]).unwrap().meters().to_vec();
        TempoMap::new(Seconds(start), changes, meters, Vec::new()).unwrap()
    })
}

proptest! {
    #[test]
    fn time_and_tick_are_inverses(map in maps(), tick in -50_000.0..200_000.0f64) {
        prop_assert!((map.tick_at(map.time_at(tick)) - tick).abs() < 1e-6);
    }

    #[test]
    fn later_ticks_sound_later(map in maps(), tick in -50_000i64..200_000, on in 1i64..5_000) {
        prop_assert!(map.time_at((tick + on) as f64) > map.time_at(tick as f64));
    }

    #[test]
    fn bar_beat_and_tick_name_one_place(map in maps(), tick in -50_000i64..200_000) {
        let at = map.bar_beat(tick as f64);
        prop_assert_eq!(map.tick_of(at), tick);
        prop_assert!(at.beat >= 1 && at.beat <= u32::from(map.meter_of(at.bar).beats));
        prop_assert!(map.bar_start(at.bar) <= tick && tick < map.bar_start(at.bar + 1));
    }

    #[test]
    fn moving_bar_one_moves_every_time_alike(map in maps(), tick in -9_000.0..90_000.0f64, to in -5.0..5.0f64) {
        let moved = map.clone().with_bar_one(Seconds(to));
        let shift = to - map.bar_one().0;
        prop_assert!((moved.time_at(tick).0 - map.time_at(tick).0 - shift).abs() < 1e-9);
    }
}

#[test]
fn a_count_in_at_another_tempo_is_no_tempo_of_the_song() {
    let (stretched, song, later) = (change(0, 617_284), change(3840, 576_923), change(9 * 3840, 555_556));
    let map = |tempos: &[TempoChange], bars| {
        TempoMap::new(Seconds(0.0), tempos.to_vec(), four_four(), Vec::new()).unwrap().with_count_in(bars)
    };
    assert_eq!(map(&[stretched, song], 1).tempos_from_bar_one(), [song]);
    assert_eq!(map(&[stretched, song, later], 1).tempos_from_bar_one(), [song, later]);
    assert_eq!(
        map(&[stretched, song], 0).tempos_from_bar_one(),
        [stretched, song],
        "without a count-in all are the song's"
    );
    assert_eq!(
        map(&[stretched, later], 2).tempos_from_bar_one(),
        [stretched, later],
        "what runs on past bar 1 is the song's"
    );
}
