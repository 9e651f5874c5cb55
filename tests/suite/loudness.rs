//! Loudness and true peak against the signals of EBU Tech 3341 (V4, November 2023; figures and tolerances as quoted by
//! several published test suites) and the anchor of ITU-R BS.1770, through the same path that mixes are measured by:
//! written as 24-bit WAV, read back, metered.

use std::f64::consts::{PI, TAU};
use underlay::audio::{AudioReader, SampleFormat, WavSpec, WavWriter};
use underlay::mix::{Loudness, Meter, Watch};
use underlay::units::{Decibels, SampleRate};

const RATE: SampleRate = SampleRate::SESSION;

/// Measures interleaved samples after a round trip through a WAV file.
fn through_a_file(samples: &[f32], channels: u16) -> Loudness {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("signal.wav");
    let mut w = WavWriter::create(&path, WavSpec { rate: RATE, channels, format: SampleFormat::Float32 }).unwrap();
    w.write(samples).unwrap();
    w.finish().unwrap();
    let mut reader = AudioReader::open(&path).unwrap();
    let mut meter = Meter::new(RATE, channels, Watch::ALL).unwrap();
    let mut block = Vec::new();
    while reader.read(&mut block, 4_801).unwrap() > 0 {
        meter.add(&block).unwrap();
    }
    meter.loudness()
}

/// A stereo 1 kHz sine that goes through levels in dBFS for so many seconds each.
fn steps(levels: &[(f64, f64)]) -> Vec<f32> {
    let mut out = Vec::new();
    let mut n = 0u64;
    for &(level, seconds) in levels {
        for _ in 0..(seconds * RATE.hz_f64()).round() as u64 {
            let x = Decibels(level).gain() * (TAU * 1000.0 * n as f64 / RATE.hz_f64()).sin();
            out.extend([x as f32; 2]);
            n += 1;
        }
    }
    out
}

fn close(got: Option<underlay::mix::Lufs>, want: f64, within: f64) {
    let got = got.unwrap().0;
    assert!((got - want).abs() <= within, "measured {got}, expected {want}");
}

#[test]
fn tech_3341_signals_1_and_2_read_their_level_on_all_three_scales() {
    for level in [-23.0, -33.0] {
        let l = through_a_file(&steps(&[(level, 20.0)]), 2);
        close(l.integrated, level, 0.1);
        close(l.momentary, level, 0.1);
        close(l.short_term, level, 0.1);
    }
}

#[test]
fn tech_3341_signals_3_to_5_are_gated_to_minus_23() {
    let three = [(-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)];
    let four = [(-72.0, 10.0), (-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0), (-72.0, 10.0)];
    let five = [(-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)];
    for signal in [&three[..], &four, &five] {
        close(through_a_file(&steps(signal), 2).integrated, -23.0, 0.1);
    }
}

#[test]
fn tech_3341_signal_6_weighs_the_surrounds() {
    let levels = [-28.0, -28.0, -24.0, -30.0, -30.0].map(|l| Decibels(l).gain());
    let x: Vec<f32> = (0..20 * 48_000)
        .flat_map(|n| levels.map(|a| (a * (TAU * 1000.0 * f64::from(n) / 48_000.0).sin()) as f32))
        .collect();
    close(through_a_file(&x, 5).integrated, -23.0, 0.1);
}

#[test]
fn tech_3341_signal_9_reads_a_steady_short_term_loudness() {
    let x = steps(&[(-20.0, 1.34), (-30.0, 1.66)].repeat(5));
    let mut meter = Meter::new(RATE, 2, Watch::ALL).unwrap();
    for (i, block) in x.chunks(2 * 4_800).enumerate() {
        meter.add(block).unwrap();
        if (i + 1) * 4_800 >= 3 * 48_000 {
            close(meter.short_term_now(), -23.0, 0.1);
        }
    }
}

#[test]
fn tech_3341_signals_15_to_19_read_the_peak_between_samples() {
    // (cycles a sample, amplitude, phase in degrees, expected dBTP); tolerance +0.2/−0.4.
    let signals = [
        (0.25, 0.50, 0.0, -6.0),
        (0.25, 0.50, 45.0, -6.0),
        (1.0 / 6.0, 0.50, 60.0, -6.0),
        (0.125, 0.50, 67.5, -6.0),
        (0.25, 1.41, 45.0, 3.0),
    ];
    for (frequency, amplitude, phase, want) in signals {
        let n = 48_000;
        let x: Vec<f32> = (0..n)
            .flat_map(|i| {
                // Fades of 10 ms, so that the ends do not ring.
                let fade = (f64::from(i) / 480.0).min(f64::from(n - i) / 480.0).min(1.0);
                [(fade * amplitude * (TAU * frequency * f64::from(i) + phase * PI / 180.0).sin()) as f32; 2]
            })
            .collect();
        let got = through_a_file(&x, 2).true_peak.0;
        assert!(got <= want + 0.2 && got >= want - 0.4, "{phase} degrees: measured {got}, expected {want}");
    }
}

#[test]
fn a_full_scale_997_hz_sine_is_at_minus_3_01_in_one_channel_and_0_in_two() {
    // ITU-R BS.1770: the calibration point of the scale.
    let sine = |n: i32| (TAU * 997.0 * f64::from(n) / 48_000.0).sin() as f32;
    let one: Vec<f32> = (0..480_000).flat_map(|n| [sine(n), 0.0]).collect();
    close(through_a_file(&one, 2).integrated, -3.01, 0.05);
    let both: Vec<f32> = (0..480_000).flat_map(|n| [sine(n); 2]).collect();
    close(through_a_file(&both, 2).integrated, 0.0, 0.05);
    let mono: Vec<f32> = (0..480_000).map(sine).collect();
    close(through_a_file(&mono, 1).integrated, -3.01, 0.05);
}

#[test]
fn noise_in_steps_reads_as_an_independent_implementation_says() {
    // Values: reference_data/loudness.py, ITU-R BS.1770-4 in numpy and scipy. Tolerance 0.01 LU: other filter arithmetic.
    let text = include_str!("../../reference_data/loudness.json");
    let known: serde_json::Value = serde_json::from_str(text).unwrap();
    for case in known["cases"].as_array().unwrap() {
        let channels = case["channels"].as_u64().unwrap() as usize;
        let levels: Vec<f64> = case["levels_db"].as_array().unwrap().iter().map(|l| l.as_f64().unwrap()).collect();
        let each = (case["seconds"].as_f64().unwrap() * RATE.hz_f64()) as usize;
        let mut sources: Vec<_> = (1..=channels as u32).map(crate::small_song::noise).collect();
        let mut x = Vec::new();
        for i in 0..each * levels.len() {
            let gain = Decibels(levels[i / each]).gain();
            x.extend(sources.iter_mut().map(|n| (gain * n()) as f32));
        }
        close(through_a_file(&x, channels as u16).integrated, case["lufs"].as_f64().unwrap(), 0.01);
    }
}
