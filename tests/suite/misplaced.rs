//! Phase where something is not as it should be: rows without a stroke, files at another time, names that mislead.

use crate::phase::{RATE, SECONDS, check, hit, hits, take};
use crate::small_song::{mic, noise, song, write};
use underlay::Quiet;
use underlay::hits::{Hit, HitList, State};
use underlay::phase::{PhaseSettings, Recommendation, measure};
use underlay::song::{Drum, Place};
use underlay::units::SampleRate;

#[test]
fn the_picture_with_the_advised_signs_inverts_a_mono_mic_that_is_called_like_a_side() {
    let dir = tempfile::tempdir().unwrap();
    let song = take(dir.path(), |name, x| {
        if name.starts_with("overhead") {
            x.iter_mut().for_each(|x| *x = -*x);
        }
    });
    let plain = check(&song);
    assert_eq!(plain.advice_for(&song.mics[4].name).unwrap().recommendation, Recommendation::Invert);
    let mut named = song.clone();
    for (mic, name) in named.mics[4..6].iter_mut().zip(["OH L", "OH R"]) {
        mic.name = name.into();
    }
    for (plain, named) in plain.sums.iter().zip(&check(&named).sums) {
        assert!(plain.before != plain.after && plain.after == named.after, "{}", plain.drum);
    }
}

#[test]
fn a_row_of_the_hit_list_where_the_drum_is_not_struck_changes_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let song = take(dir.path(), |_, _| {});
    let plain = check(&song);
    let mut list = hits();
    // Between two strokes, where there is hiss alone.
    list.hits.push(Hit { state: State::Added, ..hit(Drum::Snare, 7 * RATE + RATE / 2) });
    list.sort();
    let more = measure(&song, &list, PhaseSettings::default(), &Quiet).unwrap();
    for (was, is) in plain.pairs.iter().zip(&more.pairs) {
        assert!(is.polarity == was.polarity && (is.lag_samples - was.lag_samples).abs() < 0.25, "{was:?} {is:?}");
        assert!(is.confidence > was.confidence - 0.15, "{was:?} {is:?}");
    }
}

#[test]
fn a_file_that_lies_seconds_away_from_where_it_was_recorded_is_told_of() {
    let dir = tempfile::tempdir().unwrap();
    // Snare strokes as a hand plays them, none exactly a beat after another.
    let mut hand = noise(5);
    let beats: Vec<usize> =
        (1..28).map(|k| (RATE as f64 * (0.55 * f64::from(k) + 0.008 * hand())) as usize + RATE / 2).collect();
    let snare = |late: i64, level: f64| -> Vec<f32> {
        let mut hiss = noise(late.unsigned_abs() as u32 + 17);
        let mut out: Vec<f64> = (0..SECONDS * RATE + RATE).map(|_| 1e-4 * hiss()).collect();
        for (n, &beat) in beats.iter().enumerate() {
            let Some(at) = beat.checked_add_signed(late as isize) else { continue };
            let mut sound = noise(n as u32 + 100);
            for (k, x) in out.iter_mut().skip(at).take(RATE / 5).enumerate() {
                *x += level * sound() * (-(k as f64) / 2_000.0).exp();
            }
        }
        out.into_iter().map(|x| x as f32).collect()
    };
    let list = HitList { rate: SampleRate::SESSION, hits: beats.iter().map(|&beat| hit(Drum::Snare, beat)).collect() };
    let told = |late: i64| -> Vec<String> {
        let mut song = song(dir.path(), 1.0);
        let file = |name: &str, late: i64, level: f64| write(&dir.path().join(name), 1, &snare(late, level));
        song.mics = vec![
            mic(file("top.wav", 0, 0.5), Drum::Snare, Place::Top),
            mic(file("bottom.wav", late, -0.3), Drum::Snare, Place::Bottom),
            mic(file("over.wav", 140, 0.2), Drum::Overhead, Place::Mono),
        ];
        let report = measure(&song, &list, PhaseSettings::default(), &Quiet).unwrap();
        let away = report.findings.iter().filter(|f| f.what.contains("at the wrong time"));
        away.map(|f| format!("{}: {}", f.file.as_ref().unwrap().display(), f.what)).collect()
    };
    assert_eq!(told(30), [""; 0]);
    for (late, words) in [(-96_000, "it hears the snare 2.000 s earlier than top does"), (12_000, "0.250 s later")] {
        let told = told(late);
        assert!(told.len() == 1 && told[0].contains("bottom.wav") && told[0].contains(words), "{told:?}");
    }
}
