use super::*;
use std::f64::consts::TAU;

fn rate(hz: u32) -> SampleRate {
    SampleRate::new(hz).unwrap()
}

fn sine(hz: f64, fs: u32, frames: usize) -> Vec<f32> {
    (0..frames).map(|n| (0.5 * (TAU * hz * n as f64 / f64::from(fs)).sin()) as f32).collect()
}

/// Amplitude of a sine by projection on it, over the middle of the signal (whole periods not needed: long window).
fn amplitude(x: &[f32], hz: f64, fs: u32) -> f64 {
    let middle = &x[x.len() / 4..x.len() * 3 / 4];
    let n = middle.len() as f64;
    let (mut re, mut im, mut weight) = (0.0, 0.0, 0.0);
    for (i, s) in middle.iter().enumerate() {
        let w = 0.5 - 0.5 * (TAU * i as f64 / n).cos();
        let phase = TAU * hz * i as f64 / f64::from(fs);
        re += w * f64::from(*s) * phase.cos();
        im += w * f64::from(*s) * phase.sin();
        weight += w;
    }
    2.0 * re.hypot(im) / weight
}

fn db(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

#[test]
fn the_length_is_the_nearest_to_the_exact_ratio() {
    let cases = [(0, 48_000, 44_100, 0), (1, 48_000, 44_100, 1), (48_000, 48_000, 44_100, 44_100)];
    let more = [(44_100, 44_100, 48_000, 48_000), (100, 44_100, 48_000, 109), (7, 96_000, 48_000, 4)];
    for (n, from, to, frames) in cases.into_iter().chain(more) {
        let (from, to) = (rate(from), rate(to));
        assert_eq!(resampled_frames(n, from, to), frames);
        let out = resample(&vec![0.25; n as usize * 2], from, to, 2).unwrap();
        assert_eq!(out.len() as u64, frames * 2, "{n} {from} {to}");
    }
}

#[test]
fn to_44_1_and_back_a_1_khz_sine_keeps_its_level_and_its_place() {
    let x = sine(1000.0, 48_000, 48_000);
    let there = resample(&x, rate(48_000), rate(44_100), 1).unwrap();
    let back = resample(&there, rate(44_100), rate(48_000), 1).unwrap();
    assert_eq!((there.len(), back.len()), (44_100, 48_000));
    assert!(db(amplitude(&there, 1000.0, 44_100) / 0.5).abs() < 0.01);
    assert!(db(amplitude(&back, 1000.0, 48_000) / 0.5).abs() < 0.01);
    let worst = (8_000..40_000).map(|i| (x[i] - back[i]).abs()).fold(0.0, f32::max);
    assert!(worst < 1e-5, "{worst}");
}

/// An ideal converter gives at time t the sine of time t: no delay, no change.
#[test]
fn between_all_usual_rates_a_sine_arrives_in_time() {
    for (from, to) in [(44_100, 48_000), (96_000, 48_000), (48_000, 96_000), (88_200, 44_100), (192_000, 44_100)] {
        let x = sine(997.0, from, from as usize / 2);
        let y = resample(&x, rate(from), rate(to), 1).unwrap();
        let ideal = sine(997.0, to, y.len());
        let middle = y.len() / 4..y.len() * 3 / 4;
        let worst = middle.map(|i| (y[i] - ideal[i]).abs()).fold(0.0, f32::max);
        assert!(worst < 2e-6, "{from} to {to}: {worst}");
    }
}

#[test]
fn the_passband_is_flat_to_20_khz_and_what_lies_above_half_the_rate_is_gone() {
    for hz in [50.0, 1000.0, 10_000.0, 18_000.0, 20_000.0, 21_000.0] {
        let y = resample(&sine(hz, 48_000, 48_000), rate(48_000), rate(44_100), 1).unwrap();
        let level = db(amplitude(&y, hz, 44_100) / 0.5);
        assert!(level.abs() < 0.01, "{hz} Hz: {level} dB");
    }
    for hz in [22_300.0, 23_500.0] {
        let y = resample(&sine(hz, 48_000, 48_000), rate(48_000), rate(44_100), 1).unwrap();
        let left = y[11_025..33_075].iter().fold(0.0f32, |m, s| m.max(s.abs()));
        assert!(db(f64::from(left) / 0.5) < -90.0, "{hz} Hz leaves {left}");
    }
}

#[test]
fn any_cut_into_blocks_gives_the_same_samples() {
    let x: Vec<f32> = sine(440.0, 48_000, 12_000);
    let whole = resample(&x, rate(48_000), rate(44_100), 2).unwrap();
    for block in [2, 34, 1000, 9_998] {
        let mut r = Resampler::new(rate(48_000), rate(44_100), 2).unwrap();
        let mut out = Vec::new();
        for b in x.chunks(block) {
            r.push(b, &mut out).unwrap();
        }
        r.finish(&mut out).unwrap();
        assert!(out == whole, "blocks of {block}");
    }
}

#[test]
fn channels_do_not_mix() {
    let x: Vec<f32> = sine(440.0, 48_000, 9_000).into_iter().flat_map(|s| [s, 0.0]).collect();
    let y = resample(&x, rate(48_000), rate(96_000), 2).unwrap();
    assert!(y.chunks(2).all(|f| f[1] == 0.0) && y.chunks(2).any(|f| f[0].abs() > 0.4));
}

#[test]
fn the_same_rate_changes_nothing() {
    let x = sine(440.0, 48_000, 1_000);
    assert!(resample(&x, rate(48_000), rate(48_000), 1).unwrap() == x);
}

#[test]
fn odd_rates_work_too() {
    let y = resample(&sine(500.0, 47_952, 47_952), rate(47_952), rate(48_000), 1).unwrap();
    assert_eq!(y.len(), 48_000);
    assert!(db(amplitude(&y, 500.0, 48_000) / 0.5).abs() < 0.01);
    assert!(Resampler::new(rate(44_100), rate(44_101), 1).is_ok());
    assert!(Resampler::new(rate(44_100), rate(48_000), 0).is_err());
}
