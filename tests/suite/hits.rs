//! What must not change the strokes that are found, and what must move them along.

use crate::small_song::{RATE, mic, noise, strokes, write, write_as};
use std::path::Path;
use underlay::Quiet;
use underlay::audio::{SampleFormat, WavSpec};
use underlay::demo::{DemoSong, DemoSpec, Voice};
use underlay::hits::find;
use underlay::song::{Drum, Place, Song};

/// Kick, snare top and hat of an invented take, six bars.
fn take() -> [Vec<f32>; 3] {
    three_mics(&DemoSong::new(DemoSpec::varied(3, 6)))
}

fn three_mics(song: &DemoSong) -> [Vec<f32>; 3] {
    let mics = song.take().mics;
    let of = |name: &str| mics.iter().find(|(m, _)| m.name() == name).map(|(_, x)| x.clone()).unwrap();
    [of("kick_in"), of("snare_top"), of("hat")]
}

fn song(dir: &Path, [kick, snare, hat]: &[Vec<f32>; 3]) -> Song {
    let mics = vec![
        mic(write(&dir.join("kick_in.wav"), 1, kick), Drum::Kick, Place::In),
        mic(write(&dir.join("snare_top.wav"), 1, snare), Drum::Snare, Place::Top),
        mic(write(&dir.join("hat.wav"), 1, hat), Drum::Hat, Place::Close),
    ];
    Song { mics, ..Song::default() }
}

/// Drum and sample of every stroke.
fn found(song: &Song) -> Vec<(Drum, u64)> {
    let list = find(song, &Quiet).unwrap().list;
    assert!(list.hits.len() > 20, "{} strokes", list.hits.len());
    list.hits.iter().map(|h| (h.drum, h.pos.0)).collect()
}

fn changed(change: impl Fn(&mut Vec<f32>)) -> Vec<(Drum, u64)> {
    let dir = tempfile::tempdir().unwrap();
    let mut mics = take();
    mics.iter_mut().for_each(change);
    found(&song(dir.path(), &mics))
}

#[test]
fn flipping_every_mic_changes_no_stroke() {
    assert_eq!(changed(|_| ()), changed(|x| x.iter_mut().for_each(|v| *v = -*v)));
}

#[test]
fn a_softer_recording_has_the_same_strokes_at_a_lower_level() {
    let dir = tempfile::tempdir().unwrap();
    let (loud, soft) = (take(), take().map(|x| x.into_iter().map(|v| 0.25 * v).collect::<Vec<f32>>()));
    let (loud, soft) = (find(&song(dir.path(), &loud), &Quiet).unwrap(), {
        let quiet = tempfile::tempdir().unwrap();
        find(&song(quiet.path(), &soft), &Quiet).unwrap()
    });
    let of = |f: &underlay::hits::Found| f.list.hits.iter().map(|h| (h.drum, h.pos.0, h.velocity)).collect::<Vec<_>>();
    assert_eq!(of(&loud), of(&soft));
    for (a, b) in loud.list.hits.iter().zip(&soft.list.hits) {
        assert!((a.peak.0 - b.peak.0 - 12.041).abs() < 0.01, "{} {} {}", a.drum, a.peak.0, b.peak.0 + 12.041);
    }
}

#[test]
fn an_offset_from_zero_changes_no_stroke() {
    let before = changed(|_| ());
    let after = changed(|x| x.iter_mut().for_each(|v| *v += 0.1));
    assert_eq!(before.len(), after.len());
    for (a, b) in before.iter().zip(&after) {
        assert!(a.0 == b.0 && a.1.abs_diff(b.1) <= 2, "{a:?} {b:?}");
    }
}

#[test]
fn silence_in_front_does_not_hide_an_offset_from_zero() {
    // Longer than what an offset is taken from.
    let silence = 64 * 4_500;
    let padded = |offset: f32| {
        changed(|x| {
            x.iter_mut().for_each(|v| *v += offset);
            drop(x.splice(0..0, vec![0.0; silence]));
        })
    };
    let (before, after) = (padded(0.0), padded(0.1));
    assert_eq!(before.len(), after.len());
    for (a, b) in before.iter().zip(&after) {
        assert!(a.0 == b.0 && a.1.abs_diff(b.1) <= 2, "{a:?} {b:?}");
    }
}

#[test]
fn the_order_of_the_mics_changes_no_stroke() {
    let dir = tempfile::tempdir().unwrap();
    let mut song = song(dir.path(), &take());
    let before = found(&song);
    song.mics.reverse();
    assert_eq!(before, found(&song));
}

#[test]
fn silence_in_front_moves_every_stroke_by_its_length() {
    // Whole frames of 64 samples, so that the same windows are looked at; 30 s are two thirds of such a file, as where a
    // take begins late in the song and every file begins at the song's zero.
    for n in [64 * 100, 64 * 22_500] {
        let moved: Vec<(Drum, u64)> = changed(|_| ()).into_iter().map(|(d, p)| (d, p + n as u64)).collect();
        assert_eq!(moved, changed(|x| drop(x.splice(0..0, vec![0.0; n]))));
    }
}

#[test]
fn silence_at_the_end_changes_no_stroke() {
    assert_eq!(changed(|_| ()), changed(|x| x.resize(x.len() + 64 * 22_500, 0.0)));
}

#[test]
fn other_mics_that_go_on_after_a_drums_own_change_none_of_its_strokes() {
    let dir = tempfile::tempdir().unwrap();
    let whole = take();
    // The snare's own file ends after half the take, between two strokes.
    let after = whole[1].len() as u64 / 2;
    let all = found(&song(dir.path(), &whole));
    let end = all.windows(2).map(|w| w[0].1.midpoint(w[1].1)).find(|&p| p > after).unwrap() as usize;
    let half = whole.clone().map(|x| x[..end].to_vec());
    let [kick, snare, hat] = whole;
    let one_short = [kick, snare[..end].to_vec(), hat];
    let snares = |mics: &[Vec<f32>; 3]| -> Vec<u64> {
        let dir = tempfile::tempdir().unwrap();
        found(&song(dir.path(), mics)).into_iter().filter(|(d, _)| *d == Drum::Snare).map(|(_, p)| p).collect()
    };
    assert_eq!(snares(&half), snares(&one_short));
}

/// A breakdown, a ballad's verse: the other drum and the hat play on.
#[test]
fn a_drum_that_is_struck_but_a_few_times_in_a_take_is_found() {
    let song = DemoSong::new(DemoSpec::varied(3, 6));
    for (drum, voice) in [(Drum::Kick, Voice::Kick), (Drum::Snare, Voice::Snare)] {
        let strong: Vec<usize> = (0..song.performance().len())
            .filter(|&i| song.performance()[i].voice == voice && song.performance()[i].strength > 0.6)
            .collect();
        for few in 1..=5 {
            let kept: Vec<usize> = (0..few).map(|k| strong[k * strong.len() / few]).collect();
            let strokes = song.performance().iter().enumerate().filter(|(i, s)| s.voice != voice || kept.contains(i));
            let rare = DemoSong::new(song.spec().clone()).with_strokes(strokes.map(|(_, s)| *s).collect());
            let dir = tempfile::tempdir().unwrap();
            let list = find(&self::song(dir.path(), &three_mics(&rare)), &Quiet).unwrap().list;
            let known: Vec<u64> = rare.truth().iter().filter(|t| t.drum == drum).map(|t| t.pos.0).collect();
            let found: Vec<u64> = list.of(drum).map(|h| h.pos.0).collect();
            assert_eq!(known.len(), few);
            let near = |a: u64, all: &[u64]| all.iter().any(|b| a.abs_diff(*b) < 240);
            assert!(known.iter().all(|&k| near(k, &found)), "{drum}: of {known:?} only {found:?}");
            assert!(found.iter().all(|&f| near(f, &known)), "{drum}: of {known:?} also {found:?}");
        }
    }
}

/// A take longer than 200 seconds is worked off in two stretches, which meet in its middle.
#[test]
fn a_stroke_at_the_seam_of_two_stretches_is_found_once() {
    let dir = tempfile::tempdir().unwrap();
    // 202 seconds, so that the seam lies at 101.
    let kick = strokes(202.0, 0.4, 0.5, 60.0, 0.6, 1);
    for late in [0, 1, 2] {
        let mut moved = kick[19_200 - late..].to_vec();
        moved.resize(kick.len(), 0.0);
        let path = write(&dir.path().join("kick.wav"), 1, &moved);
        let song = Song { mics: vec![mic(path, Drum::Kick, Place::In)], ..Song::default() };
        let list = find(&song, &Quiet).unwrap().list;
        let there: Vec<u64> = list.hits.iter().map(|h| h.pos.0).filter(|p| p.abs_diff(101 * 48_000) < 4_800).collect();
        assert_eq!(there.len(), 1, "{there:?}");
    }
}

#[test]
fn one_sample_beyond_all_measure_costs_no_more_than_its_own_place() {
    let dir = tempfile::tempdir().unwrap();
    let spec = WavSpec { rate: RATE, channels: 1, format: SampleFormat::Float32 };
    let strokes_with = |beyond: Option<f32>| -> Vec<u64> {
        let mut kick = strokes(20.0, 0.4, 0.5, 60.0, 0.6, 1);
        if let Some(beyond) = beyond {
            kick[310_000] = beyond;
        }
        let path = write_as(&dir.path().join("kick.wav"), spec, &kick);
        let song = Song { mics: vec![mic(path, Drum::Kick, Place::In)], ..Song::default() };
        find(&song, &Quiet).unwrap().list.hits.iter().map(|h| h.pos.0).collect()
    };
    let before = strokes_with(None);
    assert_eq!(before.len(), 40);
    for beyond in [1e15, -1e25, f32::MAX] {
        let after = strokes_with(Some(beyond));
        let lost = before.iter().filter(|b| !after.iter().any(|a| a.abs_diff(**b) < 240)).count();
        assert!(lost <= 1 && after.len() <= 42, "{beyond}: {lost} lost, {} found", after.len());
    }
}

#[test]
fn a_drum_like_no_other_is_found_where_the_other_mics_vouch_for_it() {
    let dir = tempfile::tempdir().unwrap();
    let kick = strokes(10.0, 0.4, 0.5, 60.0, 0.6, 1);
    let snare = strokes(10.0, 0.65, 0.5, 190.0, 0.5, 2);
    let hat: Vec<f32> = strokes(10.0, 0.4, 0.25, 6000.0, 0.3, 3);
    let list = find(&song(dir.path(), &[kick, snare, hat]), &Quiet).unwrap().list;
    for (drum, first) in [(Drum::Kick, 0.4), (Drum::Snare, 0.65)] {
        let times: Vec<f64> = list.of(drum).map(|h| h.pos.at(RATE).0).collect();
        let known = (0..19).map(|k| first + 0.5 * f64::from(k));
        assert!(known.clone().all(|t| times.iter().any(|x| (x - t).abs() < 0.005)), "{drum}: {times:?}");
    }
}

/// Adds a floor tom that rings at 85 Hz and a cymbal's wash, begun 40 ms before `pos` and `under` dB below `peak`.
fn ring_under(x: &mut [f32], pos: usize, peak: f64, under: f64) {
    let mut noise = noise(pos as u32);
    let level = peak * 10f64.powf(-under / 20.0);
    for (i, v) in x[pos - 1920..pos + 7680].iter_mut().enumerate() {
        let t = i as f64 / RATE.hz_f64();
        let begins = (t / 0.01).min(1.0);
        *v += (level * begins * (-6.0 * t).exp() * (0.8 * (534.0 * t).sin() + 0.2 * noise())) as f32;
    }
}

/// Five levels 6 dB apart, twelve strokes each, under half of which something rings 9 dB below them.
#[test]
fn equal_strokes_differ_by_no_more_than_two_steps_whatever_rings_underneath() {
    let dir = tempfile::tempdir().unwrap();
    let [kick, snare, hat] = take();
    let loudest = (0..snare.len()).max_by(|&a, &b| snare[a].abs().total_cmp(&snare[b].abs())).unwrap();
    let stroke: Vec<f64> = snare[loudest - 960..loudest + 7200].iter().map(|&v| f64::from(v)).collect();
    let peak = f64::from(snare[loudest].abs());
    let mut noise = noise(3);
    let mut made: Vec<f32> = (0..kick.len()).map(|_| 3e-5 * noise() as f32).collect();
    let places: Vec<(usize, i32)> =
        (0..60).map(|k| (24_000 + k * 12_000 + k * k % 11 * 100, k as i32 * 7 % 5)).collect();
    for (k, &(pos, level)) in places.iter().enumerate() {
        let gain = 10f64.powf(-6.0 * f64::from(level) / 20.0);
        let shapes = stroke.iter().enumerate().map(|(i, v)| gain * v * ((8160 - i) as f64 / 2400.0).min(1.0));
        made[pos - 960..pos + 7200].iter_mut().zip(shapes).for_each(|(x, v)| *x += v as f32);
        if k / 5 % 2 == 1 {
            ring_under(&mut made, pos, gain * peak, 9.0);
        }
    }
    let list = find(&song(dir.path(), &[kick, made, hat]), &Quiet).unwrap().list;
    let mut softest = u8::MAX;
    for level in 0..5 {
        let of = |pos: usize| list.of(Drum::Snare).min_by_key(|h| h.pos.0.abs_diff(pos as u64)).unwrap();
        let velocities: Vec<u8> =
            places.iter().filter(|p| p.1 == level).map(|p| of(p.0)).map(|h| h.velocity.get()).collect();
        let (low, high) = (velocities.iter().min().unwrap(), velocities.iter().max().unwrap());
        assert!(velocities.len() == 12 && high - low <= 2, "{velocities:?}");
        assert!(high + 8 < softest, "6 dB softer than {softest}: {velocities:?}");
        softest = *low;
    }
}

/// Adds a hat stroke at `pos` to its own mic, and what the snare's hears of it: 1.5 ms later, duller, at `bleeds`.
fn strike_hat(hat: &mut [f32], snare: &mut [f32], pos: usize, bleeds: f32) {
    let mut noise = noise(pos as u32);
    let mut low = 0.0;
    for i in 0..9_600 {
        let x = 0.5 * noise() as f32 * (-(i as f32) / 2_400.0).exp();
        hat[pos + i] += x;
        low += 0.5 * (x - low);
        snare[pos + 72 + i] += bleeds * low;
    }
}

/// A hat on every eighth that reaches the snare's mic up to 8 dB under its strokes: on half of these, and at the same moment.
#[test]
fn equal_strokes_differ_by_no_more_than_two_steps_though_a_hat_falls_on_some_of_them() {
    let dir = tempfile::tempdir().unwrap();
    let [kick, snare, hat] = take();
    let loudest = (0..snare.len()).max_by(|&a, &b| snare[a].abs().total_cmp(&snare[b].abs())).unwrap();
    let stroke = &snare[loudest - 960..loudest + 7_200];
    let mut hiss = noise(4);
    let mut quiet = || -> Vec<f32> { hat.iter().map(|_| 3e-5 * hiss() as f32).collect() };
    let (mut made, mut hat) = (quiet(), quiet());
    let places: Vec<usize> = (0..40).map(|k| 24_000 + k * 18_000).collect();
    for (k, &pos) in places.iter().enumerate() {
        let shapes = stroke.iter().enumerate().map(|(i, v)| 0.7 * v * ((8_160 - i) as f32 / 2_400.0).min(1.0));
        made[pos - 960..pos + 7_200].iter_mut().zip(shapes).for_each(|(x, v)| *x += v);
        let on = if k % 2 == 0 { pos - 80 } else { pos - 9_000 };
        [on, pos + 9_000].iter().for_each(|&at| strike_hat(&mut hat, &mut made, at, 0.25));
    }
    let list = find(&song(dir.path(), &[kick, made, hat]), &Quiet).unwrap().list;
    let of = |pos: usize| list.of(Drum::Snare).min_by_key(|h| h.pos.0.abs_diff(pos as u64)).unwrap();
    let velocities: Vec<u8> = places.iter().map(|&pos| of(pos).velocity.get()).collect();
    let (low, high) = (velocities.iter().min().unwrap(), velocities.iter().max().unwrap());
    assert!(high - low <= 2, "{velocities:?}");
}
