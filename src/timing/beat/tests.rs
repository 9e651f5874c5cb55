use super::*;
use crate::error::{ExitCode, Fault};
use crate::song::Drum;
use crate::timing::made::{hit, list, noise, normal};

/// Rock: kick on 1, 3 and the "and" of 3, snare on 2 and 4; `time(beat)` gives seconds.
fn rock(bars: u32, time: impl Fn(f64) -> f64, spread_ms: f64) -> HitList {
    let mut n = normal(5);
    let mut hits = Vec::new();
    for bar in 0..bars {
        for (beat, drum, v) in [
            (0.0, Drum::Kick, 110),
            (1.0, Drum::Snare, 115),
            (2.0, Drum::Kick, 100),
            (2.5, Drum::Kick, 95),
            (3.0, Drum::Snare, 115),
        ] {
            let t = time(f64::from(bar) * 4.0 + beat) * 1000.0 + spread_ms * n();
            hits.push(hit(drum, t, v));
        }
    }
    list(hits)
}

/// Largest distance of the map's quarters from the true ones, seconds.
fn off(map: &TempoMap, beats: u32, time: impl Fn(f64) -> f64) -> f64 {
    (0..beats).map(f64::from).map(|b| (map.time_at(b * 960.0).0 - time(b)).abs()).fold(0.0, f64::max)
}

#[test]
fn a_steady_drummer_has_one_tempo_and_bar_one_where_it_was_played() {
    for bpm in [72.0, 96.0, 121.3, 150.0] {
        let time = |b: f64| 3.2 + b * 60.0 / bpm;
        let found = find_tempo(&rock(24, time, 6.0), &TempoHints::default()).unwrap();
        assert_eq!(found.map.tempos().len(), 1, "{bpm}: {}", found.words());
        assert!(off(&found.map, 96, time) < 0.005, "{bpm}: {}", off(&found.map, 96, time));
        assert!(found.certainty.beats > 0.6 && found.certainty.bar > 0.65, "{:?}", found.certainty);
    }
}

#[test]
fn a_drummer_who_speeds_up_is_followed() {
    // From 100 to 120 BPM over 60 bars: the beat's length falls evenly from 0.6 to 0.5 s.
    let time = |b: f64| 1.0 + 0.6 * b - 0.1 * b * b / 480.0;
    let found = find_tempo(&rock(60, time, 6.0), &TempoHints::default()).unwrap();
    assert!(off(&found.map, 240, time) < 0.015, "{}", off(&found.map, 240, time));
    assert!(found.range.0 < 103.0 && found.range.1 > 117.0, "{}", found.words());
}

#[test]
fn a_sudden_change_is_followed() {
    // 32 bars at 110, then 32 at 98 BPM.
    let time = |b: f64| if b < 128.0 { b * 60.0 / 110.0 } else { 128.0 * 60.0 / 110.0 + (b - 128.0) * 60.0 / 98.0 };
    let found = find_tempo(&rock(64, time, 5.0), &TempoHints::default()).unwrap();
    assert!(off(&found.map, 256, time) < 0.030, "{}", off(&found.map, 256, time));
}

#[test]
fn a_named_tempo_decides_between_half_and_double() {
    let time = |b: f64| b * 60.0 / 104.0;
    let l = rock(24, time, 5.0);
    for about in [52.0, 104.0, 208.0] {
        let hints = TempoHints { about: Bpm::new(about), ..TempoHints::default() };
        let found = find_tempo(&l, &hints).unwrap();
        assert!((found.range.0 / about - 1.0).abs() < 0.01, "{about}: {}", found.words());
    }
}

#[test]
fn bar_one_may_be_said() {
    let time = |b: f64| b * 0.5;
    let hints = TempoHints { bar_one: Some(Seconds(4.02)), ..TempoHints::default() };
    let found = find_tempo(&rock(24, time, 3.0), &hints).unwrap();
    assert!((found.map.bar_one().0 - 4.0).abs() < 0.005);
}

#[test]
fn strokes_without_a_pulse_are_no_certain_tempo() {
    let mut u = noise(77);
    let l = list((0..150).map(|_| hit(Drum::Snare, 60_000.0 * u(), 90)).collect());
    if let Ok(found) = find_tempo(&l, &TempoHints::default()) {
        assert!(found.certainty.beats < 0.3, "{:?}", found.certainty);
        assert!(!found.findings.is_empty());
    }
}

#[test]
fn too_few_hits_are_refused_with_a_remedy() {
    let e = find_tempo(&list(vec![hit(Drum::Kick, 100.0, 90)]), &TempoHints::default()).unwrap_err();
    assert!(e.to_string().contains("only 1 hits") && e.remedy().contains("--bpm"));
    assert_eq!((e, e.exit_code()), (NoTempo::TooFew(1), ExitCode::Input));
}

#[test]
fn the_same_hits_give_the_same_map() {
    let l = rock(16, |b| b * 0.55, 8.0);
    assert_eq!(find_tempo(&l, &TempoHints::default()).unwrap(), find_tempo(&l, &TempoHints::default()).unwrap());
}
