use super::super::strokes::strokes;
use super::*;
use crate::hits::Hit;
use crate::tempo::Meter;
use crate::timing::made::{hit, list, noise, normal};
use crate::units::Bpm;

fn bpm(of: f64) -> Bpm {
    Bpm::new(of).unwrap()
}

/// 104, 108, 96 and 104 BPM from bars 1, 9, 17 and 21 on.
fn changing() -> TempoMap {
    let tempos = [(1, bpm(104.0)), (9, bpm(108.0)), (17, bpm(96.0)), (21, bpm(104.0))];
    TempoMap::by_bars(Seconds(0.0), &[(1, Meter::FOUR_FOUR)], &tempos, &[]).unwrap()
}

fn steady() -> TempoMap {
    TempoMap::constant(bpm(104.0), Meter::FOUR_FOUR, Seconds(0.0))
}

/// Rock over 28 bars of a map: kick on 1, 2 and, every other bar on 3; snare on 2, 4 and softly on 3 e; 5 ms loose, late by `late` seconds.
fn rock(map: &TempoMap, late: f64, seed: u64) -> HitList {
    let mut n = normal(seed);
    let mut hits: Vec<Hit> = Vec::new();
    for bar in 0..28 {
        let places = [
            (0, 110, true),
            (960, 112, false),
            (1440, 90, true),
            (1920, 104, true),
            (2160, 30, false),
            (2880, 115, false),
        ];
        for (tick, velocity, kick) in places {
            if tick == 1920 && bar % 2 == 1 {
                continue;
            }
            let at = map.time_at(f64::from(bar * 3840 + tick)).ms() + 1000.0 * late + 5.0 * n();
            hits.push(hit(if kick { Drum::Kick } else { Drum::Snare }, at.max(0.0), velocity));
        }
    }
    list(hits)
}

fn slid(l: &HitList, map: &TempoMap) -> Option<Slide> {
    slide(l, &strokes(l, Some((map, Grid::SIXTEENTH))), map, Grid::SIXTEENTH)
}

#[test]
fn audio_that_begins_before_the_song_is_told_where_bar_one_lies() {
    let map = changing();
    // A sixteenth, a beat, half a bar, a bar and two bars at 104 BPM are 0.144, 0.577, 1.154, 2.308 and 4.615 s.
    for late in [0.144, 0.577, 0.9, 1.154, 1.7, 2.308, 4.615, 17.3, -1.3] {
        let found = slid(&rock(&map, late, 3), &map).unwrap_or_else(|| panic!("{late} s: nothing"));
        assert!((found.bar_one.0 - late).abs() < 0.004, "{late} s: {found:?}");
        assert!(found.also.is_empty(), "{late} s: {found:?}");
    }
}

#[test]
fn a_take_that_lies_where_its_map_says_is_not_slid() {
    for seed in 1..10 {
        for (map, late) in
            [(changing(), 0.0), (changing(), 0.04), (changing(), -0.03), (steady(), 0.0), (steady(), 0.05)]
        {
            assert_eq!(slid(&rock(&map, late, seed), &map), None, "seed {seed}, {late} s");
        }
    }
}

#[test]
fn under_one_tempo_kick_and_snare_tell_the_beat_and_nothing_tells_the_bar() {
    let map = steady();
    let bar = 4.0 * 60.0 / 104.0;
    for late in [0.577, 0.9, 1.7, 1.7 + bar] {
        let found = slid(&rock(&map, late, 5), &map).unwrap_or_else(|| panic!("{late} s: nothing"));
        assert_eq!(found.told_by, ToldBy::Beats);
        assert!((found.bar_one.0 - late % bar).abs() < 0.004, "{late} s: {found:?}");
    }
    assert_eq!(slid(&rock(&map, bar, 5), &map), None, "a whole bar");
}

#[test]
fn where_the_kick_lies_on_one_and_three_alike_both_are_named() {
    let map = steady();
    let mut hits = Vec::new();
    for beat in 0..100 {
        let drum = if beat % 2 == 0 { Drum::Kick } else { Drum::Snare };
        hits.push(hit(drum, map.time_at(f64::from(beat) * 960.0).ms() + 577.0, 100));
    }
    let found = slid(&list(hits), &map).unwrap();
    let mut both = [found.bar_one.0, found.also[0].0];
    both.sort_by(f64::total_cmp);
    assert!((both[0] - 0.577).abs() < 0.002 && (both[1] - 0.577 - 1.154).abs() < 0.002, "{found:?}");
}

#[test]
fn strokes_anywhere_and_another_tempo_fit_nowhere() {
    let map = changing();
    for seed in 1..8 {
        let mut u = noise(seed);
        let mut drum = noise(seed + 50);
        let scattered: Vec<Hit> =
            (0..200).map(|_| hit(if drum() < 0.5 { Drum::Kick } else { Drum::Snare }, 60_000.0 * u(), 100)).collect();
        assert_eq!(slid(&list(scattered), &map), None, "seed {seed}");
        let other = TempoMap::constant(bpm(117.0), Meter::FOUR_FOUR, Seconds(0.0));
        assert_eq!(slid(&rock(&other, 0.7, seed), &map), None, "seed {seed}");
    }
}

#[test]
fn a_part_without_usual_beats_is_not_slid_by_them() {
    // Kick on 2 and and 4, snare on 1 a and 3: no place makes it lie as usual.
    let map = steady();
    let mut n = normal(4);
    let mut hits = Vec::new();
    for bar in 0..24 {
        for (tick, drum) in [(1440, Drum::Kick), (2880, Drum::Kick), (720, Drum::Snare), (1920, Drum::Snare)] {
            hits.push(hit(drum, map.time_at(f64::from(bar * 3840 + tick)).ms() + 6.0 * n(), 100));
        }
    }
    assert_eq!(slid(&list(hits), &map), None);
}
