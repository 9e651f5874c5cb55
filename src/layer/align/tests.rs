use super::*;
use crate::audio::{AudioReader, SampleFormat, WavSpec, WavWriter};
use crate::layer::set::Shot;
use crate::song::{Place, Polarity};
use std::f64::consts::TAU;

const RATE: SampleRate = SampleRate::SESSION;

/// A decaying tone with a start phase (turns).
fn tone(hz: f64, phase: f64, n: usize) -> Vec<f32> {
    (0..n)
        .map(|i| {
            let t = i as f64 / 48_000.0;
            (0.5 * (TAU * (hz * t + phase)).sin() * (-14.0 * t).exp() * (1.0 - (-t * 3000.0).exp())) as f32
        })
        .collect()
}

fn set(shots: Vec<Vec<f32>>) -> SampleSet {
    let shots =
        shots.into_iter().enumerate().map(|(i, x)| Shot::new(format!("s_v1_rr{i}"), vec![x], RATE).unwrap()).collect();
    SampleSet::sort("s".into(), shots)
}

fn mic(dir: &std::path::Path, samples: &[f32]) -> Mic {
    let path = dir.join("kick.wav");
    let mut w = WavWriter::create(&path, WavSpec { rate: RATE, channels: 1, format: SampleFormat::Float32 }).unwrap();
    w.write(samples).unwrap();
    w.finish().unwrap();
    Mic {
        polarity: Polarity::Keep,
        ..Mic::new("kick", AudioReader::open(&path).unwrap().info().clone(), Drum::Kick, Place::In)
    }
}

/// A take of strokes at `at`, each the same sound.
fn take(at: &[u64], x: &[f32]) -> Vec<f32> {
    let mut out = vec![0.0; at.last().map_or(0, |l| *l as usize) + x.len() + 48_000];
    for &p in at {
        for (o, v) in out[p as usize..].iter_mut().zip(x) {
            *o += v;
        }
    }
    out
}

fn strokes(at: &[u64], shots: usize) -> Vec<Stroke> {
    at.iter().enumerate().map(|(i, &p)| Stroke { real: p, target: p as i64, shot: i % shots, gain: 0.7 }).collect()
}

/// Strokes that nobody has edited: they are their own lesson.
fn align(
    set: &SampleSet,
    strokes: &[Stroke],
    mic: Option<&Mic>,
    drum: Drum,
    rate: SampleRate,
    choked: bool,
) -> Result<Alignment> {
    super::align(set, strokes, strokes, mic, drum, rate, choked)
}

#[test]
fn a_shot_of_the_other_sign_is_turned_and_one_in_step_is_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    let real = tone(60.0, 0.0, 24_000);
    let at: Vec<u64> = (1..20).map(|i| i * 30_000).collect();
    let mic = mic(dir.path(), &take(&at, &real));
    let opposite: Vec<f32> = real.iter().map(|v| -v).collect();
    for (shot, want) in [(real.clone(), 1.0), (opposite, -1.0)] {
        let a = align(&set(vec![shot]), &strokes(&at, 1), Some(&mic), Drum::Kick, RATE, false).unwrap();
        for f in &a.fits {
            assert_eq!(f.polarity, want);
            assert!(f.lag.abs() < 8.0 && !f.own, "{f:?}");
            // Equal sounds at 1 and 0.7 add to 20·log10(1.7) = 4.61 dB.
            assert!((f.after.unwrap() - 4.61).abs() < 0.1, "{f:?}");
            assert!((f.before.unwrap() - if want > 0.0 { 4.61 } else { -10.46 }).abs() < 0.5, "{f:?}");
        }
    }
}

#[test]
fn one_lag_serves_the_whole_song_and_lies_within_two_milliseconds() {
    let dir = tempfile::tempdir().unwrap();
    let at: Vec<u64> = (1..30).map(|i| i * 25_000 + i % 7).collect();
    let mic = mic(dir.path(), &take(&at, &tone(70.0, 0.13, 20_000)));
    let shots = vec![tone(66.0, 0.3, 20_000), tone(67.0, 0.28, 20_000)];
    let a = align(&set(shots), &strokes(&at, 2), Some(&mic), Drum::Kick, RATE, false).unwrap();
    let most = 96.0 + 1.0;
    assert!(a.fits.iter().all(|f| f.lag.abs() <= most && f.after.unwrap() >= 0.0));
    assert!(a.fits.iter().all(|f| !f.own));
    for shot in 0..2 {
        let lags: Vec<f64> = a.fits.iter().skip(shot).step_by(2).map(|f| f.lag).collect();
        assert!(lags.iter().all(|l| *l == lags[0]));
    }
    let gained = |pick: fn(&Fit) -> Option<f64>| a.fits.iter().filter_map(pick).sum::<f64>();
    assert!(gained(|f| f.after) > gained(|f| f.before));
}

#[test]
fn a_single_stroke_that_would_lose_gets_its_own_answer() {
    let dir = tempfile::tempdir().unwrap();
    let (usual, odd) = (tone(60.0, 0.0, 20_000), tone(60.0, 0.5, 20_000));
    let at: Vec<u64> = (1..20).map(|i| i * 30_000).collect();
    let mut samples = take(&at, &usual);
    for (o, v) in samples[at[7] as usize..].iter_mut().zip(&odd) {
        *o += 2.0 * v;
    }
    let mic = mic(dir.path(), &samples);
    let a = align(&set(vec![usual]), &strokes(&at, 1), Some(&mic), Drum::Kick, RATE, false).unwrap();
    for (i, f) in a.fits.iter().enumerate() {
        assert_eq!(f.own, i == 7, "{i} {f:?}");
        assert!(f.after.unwrap() >= 0.0);
    }
    assert!(a.fits[7].before.unwrap() < 0.0);
}

#[test]
fn tails_that_would_take_from_the_next_stroke_are_turned_or_cut() {
    let dir = tempfile::tempdir().unwrap();
    // A layer that rings for seconds under fast strokes of another pitch.
    let long: Vec<f32> = (0..96_000)
        .map(|i| (0.6 * (TAU * 63.0 * i as f64 / 48_000.0).sin() * (-0.8 * i as f64 / 48_000.0).exp()) as f32)
        .collect();
    let at: Vec<u64> = (1..60).map(|i| i * 6_100 + (i * i) % 977).collect();
    let mic = mic(dir.path(), &take(&at, &tone(55.0, 0.0, 8_000)));
    let a = align(&set(vec![long]), &strokes(&at, 1), Some(&mic), Drum::Kick, RATE, false).unwrap();
    for f in &a.fits {
        assert!(f.after.unwrap() >= -0.01, "{f:?}");
    }
}

#[test]
fn without_a_mic_every_attack_falls_on_its_hit() {
    let at: Vec<u64> = (1..10).map(|i| i * 9_000).collect();
    let a = align(&set(vec![tone(60.0, 0.0, 9_000)]), &strokes(&at, 1), None, Drum::Kick, RATE, false).unwrap();
    assert!(a.band.is_none());
    for (l, s) in a.laid.iter().zip(&at) {
        assert_eq!(l.attack, *s as i64);
    }
}

#[test]
fn a_silent_mic_aligns_nothing_and_breaks_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let at: Vec<u64> = (1..10).map(|i| i * 9_000).collect();
    let mic = mic(dir.path(), &vec![0.0; 100_000]);
    let a = align(&set(vec![tone(60.0, 0.0, 9_000)]), &strokes(&at, 1), Some(&mic), Drum::Kick, RATE, false).unwrap();
    assert!(a.fits.iter().all(|f| f.after.is_none() && f.lag == 0.0 && f.polarity == 1.0), "{:?}", a.fits);
}

/// Tens of thousands of strokes are held at once: each may keep its low bins and no more.
#[test]
fn a_real_stroke_takes_no_more_room_than_its_low_bins() {
    let dir = tempfile::tempdir().unwrap();
    let at = [4_800, 24_000, 48_000];
    let mic = mic(dir.path(), &take(&at, &tone(80.0, 0.0, 9_600)));
    let frames = Frames::new(SampleRate::SESSION);
    let (_, real) = real_hits(&frames, &mic, &strokes(&at, 1), Drum::Kick, SampleRate::SESSION).unwrap();
    assert_eq!(real.len(), 3);
    for r in &real {
        assert_eq!(r.bins.len(), hits::kept_bins(&frames));
        assert!(r.bins.capacity() < 2 * r.bins.len(), "{} for {}", r.bins.capacity(), r.bins.len());
    }
}
