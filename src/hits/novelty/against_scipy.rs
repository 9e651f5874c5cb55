//! Band powers and novelty against values that scipy computed for the same signals (`reference_data/novelty.py`).

use crate::hits::bands::{BANDS, BandAnalyser, Bands, EDGES, Framing};
use crate::hits::bleed::Expected;
use crate::hits::novelty::{Listened, novelty};
use crate::units::SampleRate;
use serde::Deserialize;
use std::f64::consts::TAU;

#[derive(Deserialize)]
struct Reference {
    floor: f32,
    keep_every: usize,
    edges: [f64; BANDS + 1],
    cases: Vec<Case>,
}

#[derive(Deserialize)]
struct Case {
    signal: String,
    rate: u32,
    window: usize,
    hop: usize,
    frames: usize,
    /// Sum of the samples' sizes, to know that the signal is the same.
    sum: f64,
    powers: Vec<[f64; BANDS]>,
    flux: Vec<f64>,
}

fn reference() -> Reference {
    serde_json::from_str(include_str!("../../../reference_data/novelty.json")).unwrap()
}

/// The script's noise: the high bits of a 64-bit linear congruential generator (Knuth's MMIX constants), -1..1.
fn noise(n: usize, seed: u64) -> Vec<f64> {
    let mut state = seed;
    let mut next = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 40) as f64 / f64::from(1 << 23) - 1.0
    };
    (0..n).map(|_| next()).collect()
}

fn signal(name: &str, rate: u32) -> Vec<f32> {
    let n = rate as usize * 3 / 10;
    let hz = f64::from(rate);
    let x: Vec<f64> = match name {
        "chirp" => {
            let at = |t: f64| 0.5 * (TAU * (50.0 * t + 0.5 * (0.4 * hz - 50.0) / 0.3 * t * t)).sin();
            (0..n).map(|i| at(i as f64 / hz)).collect()
        }
        "noise" => noise(n, 3).into_iter().map(|v| 0.25 * v).collect(),
        "click" => (0..n).map(|i| if i == n / 2 { 1.0 } else { 0.0 }).collect(),
        "strokes" => {
            let mut x: Vec<f64> = noise(n, 7).into_iter().map(|v| 0.003 * v).collect();
            let grain = noise(n, 11);
            for (at, level, pitch) in [(0.05, 0.9, 70.0), (0.12, 0.05, 210.0), (0.2, 0.4, 210.0), (0.225, 0.8, 210.0)] {
                let start = (at * hz) as usize;
                for i in start..n {
                    let u = (i - start) as f64 / hz;
                    let (body, snap) = ((-u / 0.04).exp(), (-u / 0.01).exp());
                    x[i] += level * (body * (TAU * pitch * u).sin() + 0.3 * snap * grain[i]);
                }
            }
            x
        }
        other => panic!("no signal of this name: {other}"),
    };
    x.into_iter().map(|v| v as f32).collect()
}

fn rows(case: &Case) -> Vec<[f32; BANDS]> {
    let framing = Framing::new(SampleRate::new(case.rate).unwrap());
    assert_eq!((framing.window, framing.hop), (case.window, case.hop), "{} Hz", case.rate);
    let x = signal(&case.signal, case.rate);
    let sum: f64 = x.iter().map(|&v| f64::from(v.abs())).sum();
    assert!((sum / case.sum - 1.0).abs() < 1e-6, "{} at {} Hz is another signal: {sum}", case.signal, case.rate);
    let mut analyser = BandAnalyser::new(framing);
    let mut out = Vec::new();
    analyser.push(&x, &mut out);
    analyser.finish(&mut out);
    out.truncate(case.frames);
    assert_eq!(out.len(), case.frames);
    out
}

#[test]
fn band_powers_are_those_of_scipy() {
    let all = reference();
    assert_eq!(all.edges, EDGES);
    for case in &all.cases {
        let (x, ours) = (signal(&case.signal, case.rate), rows(case));
        for (k, theirs) in case.powers.iter().enumerate() {
            // In single precision a transform of N samples loses log2(N) roundings of the frame's whole amplitude
            // (Higham 2002, Accuracy and Stability of Numerical Algorithms, ch. 24, from memory).
            let lost = (case.window as f64).log2().ceil() * f64::from(f32::EPSILON) / 2.0;
            let (middle, half) = (k * all.keep_every * case.hop, case.window / 2);
            let heard = &x[middle.saturating_sub(half)..(middle + half).min(x.len())];
            // Parseval, one-sided, with the powers' own scale 16/N^2.
            let whole = 8.0 / case.window as f64 * heard.iter().map(|&v| f64::from(v).powi(2)).sum::<f64>();
            for (b, (&o, &t)) in ours[k * all.keep_every].iter().zip(theirs).enumerate() {
                let error = (f64::from(o) - t).abs();
                let name = &case.signal;
                assert!(
                    error <= 2e-6 * t + 2.0 * lost * (t * whole).sqrt() + lost * lost * whole,
                    "{name}, {} Hz, kept row {k}, band {b}: {o} not {t}",
                    case.rate
                );
            }
        }
    }
}

#[test]
fn without_bleed_and_ring_the_novelty_is_the_rectified_flux() {
    let all = reference();
    for case in &all.cases {
        let power = Bands::from_rows(rows(case));
        let bleed = Expected::steady([all.floor; BANDS]);
        let ours = novelty(&[Listened { power: &power, bleed: &bleed }]);
        assert!(case.flux.iter().any(|&v| v > 3.0) || case.signal == "noise");
        for (t, (&o, &theirs)) in ours.iter().zip(&case.flux).enumerate() {
            assert!(
                (f64::from(o) - theirs).abs() < 1e-3,
                "{}, {} Hz, frame {t}: {o} dB not {theirs}",
                case.signal,
                case.rate
            );
        }
    }
}
