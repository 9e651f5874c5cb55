use super::*;

const RATE: f64 = 48_000.0;
const FRAME: usize = 8192;
const BAND: Band = Band { low: 30.0, high: 8000.0 };

/// Noise that is the same every time: a linear congruential sequence (Numerical Recipes constants), −1..1.
fn noise(seed: u32, n: usize) -> Vec<f64> {
    let mut s = seed;
    (0..n)
        .map(|_| {
            s = s.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            f64::from(s) / f64::from(u32::MAX) * 2.0 - 1.0
        })
        .collect()
}

/// Spectra of bursts and of the same bursts delayed by a phase ramp: exact, fractions of a sample included.
fn strokes(delay: f64, sign: f64, hiss: f64) -> (Spectra, Spectra) {
    let forward = RealFftPlanner::<f64>::new().plan_fft_forward(FRAME);
    let narrow = |v: &[Complex<f64>]| v.iter().map(|c| Complex::new(c.re as f32, c.im as f32)).collect::<Vec<_>>();
    (0..24)
        .map(|i| {
            let mut time = noise(i + 1, FRAME);
            let other = noise(1000 + i, FRAME);
            for (k, t) in time.iter_mut().enumerate() {
                *t *= if k < 384 { 0.0 } else { (-((k - 384) as f64) / 900.0).exp() };
            }
            let mut spectrum = forward.make_output_vec();
            forward.process(&mut time, &mut spectrum).unwrap();
            let mut noise_spectrum = forward.make_output_vec();
            forward.process(&mut other.iter().map(|v| v * hiss).collect::<Vec<_>>(), &mut noise_spectrum).unwrap();
            let moved: Vec<_> = spectrum
                .iter()
                .zip(&noise_spectrum)
                .enumerate()
                .map(|(k, (s, n))| s * Complex::from_polar(sign, -TAU * k as f64 * delay / FRAME as f64) + n)
                .collect();
            (narrow(&spectrum), narrow(&moved))
        })
        .unzip()
}

fn found(delay: f64, sign: f64, hiss: f64) -> Arrival {
    let (a, b) = strokes(delay, sign, hiss);
    let cross = Cross::average(&a, &b, RATE / FRAME as f64, BAND);
    arrival((&a, &b), &cross, (BAND, LagRange { low: -240.0, high: 1920.0 }, None), FRAME, RATE).unwrap()
}

/// Standard theory: noise against minus itself 24 samples later has its peak at lag 24, negative.
#[test]
fn an_inverted_copy_24_samples_later_is_both_inverted_and_24_samples_later() {
    let got = found(24.0, -1.0, 0.0);
    assert_eq!(got.sign, -1.0);
    assert!((got.lag - 24.0).abs() < 0.01, "{}", got.lag);
    assert!(got.confidence > 0.9);
}

#[test]
fn delays_come_back_to_a_hundredth_of_a_sample() {
    for delay in [-30.25, 0.0, 0.5, 7.125, 196.0, 545.37, 1300.9] {
        let got = found(delay, 1.0, 0.0);
        assert_eq!(got.sign, 1.0);
        assert!((got.lag - delay).abs() < 0.01, "{delay} came back as {}", got.lag);
    }
}

#[test]
fn noise_as_loud_as_the_drum_moves_the_lag_by_less_than_a_fifth_of_a_sample() {
    let got = found(100.5, -1.0, 0.2);
    assert_eq!(got.sign, -1.0);
    assert!((got.lag - 100.5).abs() < 0.2, "{}", got.lag);
}

#[test]
fn two_mics_that_have_nothing_in_common_give_no_confidence() {
    let (a, _) = strokes(0.0, 1.0, 0.0);
    let b: Vec<_> = a.iter().rev().cloned().collect();
    let cross = Cross::average(&a, &b, RATE / FRAME as f64, BAND);
    let got = arrival((&a, &b), &cross, (BAND, LagRange { low: -240.0, high: 1920.0 }, None), FRAME, RATE);
    assert!(got.is_none_or(|g| g.confidence < 0.1), "{got:?}");
}

#[test]
fn where_the_sign_is_known_a_stronger_arrival_of_the_other_sign_does_not_count() {
    // A lower mic that hears the stroke after 6 samples, and the turned bump of the ring half a wave later louder.
    let (a, near) = strokes(6.0, 0.6, 0.0);
    let (_, late) = strokes(87.0, -1.0, 0.0);
    let b: Spectra = near.iter().zip(&late).map(|(n, l)| n.iter().zip(l).map(|(n, l)| n + l).collect()).collect();
    let cross = Cross::average(&a, &b, RATE / FRAME as f64, BAND);
    let close = LagRange { low: -20.0, high: 100.0 };
    let found = |known: Option<f64>| arrival((&a, &b), &cross, (BAND, close, known), FRAME, RATE).unwrap();
    let (unknown, same) = (found(None), found(Some(1.0)));
    assert!(unknown.sign < 0.0 && (unknown.lag - 87.0).abs() < 0.5, "{unknown:?}");
    assert!(same.sign > 0.0 && (same.lag - 6.0).abs() < 0.5 && same.agreement > 0.9, "{same:?}");
}

#[test]
fn a_silent_mic_has_no_arrival() {
    let (a, _) = strokes(0.0, 1.0, 0.0);
    let silent: Spectra = a.iter().map(|s| vec![Complex::default(); s.len()]).collect();
    let cross = Cross::average(&a, &silent, RATE / FRAME as f64, BAND);
    assert!(arrival((&a, &silent), &cross, (BAND, LagRange { low: 0.0, high: 100.0 }, None), FRAME, RATE).is_none());
    let cross = Cross::average(&silent, &a, RATE / FRAME as f64, BAND);
    assert_eq!(cross.strokes, 0);
}

/// Values of scipy (reference_data/correlation.py says how they are made): plain correlation and phase transform at every lag,
/// and the place of the peak between samples.
#[test]
fn correlations_and_peaks_agree_with_scipy() {
    let text = include_str!("../../reference_data/correlation.json");
    let kept: serde_json::Value = serde_json::from_str(text).unwrap();
    let numbers =
        |v: &serde_json::Value| -> Vec<f64> { v.as_array().unwrap().iter().map(|n| n.as_f64().unwrap()).collect() };
    let frame = kept["frame"].as_u64().unwrap() as usize;
    let first = kept["first_lag"].as_i64().unwrap();
    let forward = RealFftPlanner::<f64>::new().plan_fft_forward(frame);
    let spectrum = |x: &[f64]| {
        let mut time = x.to_vec();
        let mut out = forward.make_output_vec();
        forward.process(&mut time, &mut out).unwrap();
        out
    };
    for case in kept["cases"].as_array().unwrap() {
        let (a, b) = (spectrum(&numbers(&case["x"])), spectrum(&numbers(&case["y"])));
        let cross: Vec<Complex<f64>> = a.iter().zip(&b).map(|(p, q)| p.conj() * q).collect();
        let plain = numbers(&case["plain"]);
        let range = LagRange { low: first as f64, high: (first + plain.len() as i64 - 1) as f64 };
        let mut correlator = Correlator::new(frame, range);
        let even = vec![1.0; cross.len()];
        let whitened: Vec<f64> = cross.iter().map(|c| 1.0 / c.norm().max(1e-12)).collect();
        for (weights, wanted) in [(&whitened, numbers(&case["phase_transform"])), (&even, plain)] {
            correlator.load(cross.iter().copied(), weights);
            let largest = wanted.iter().fold(0.0f64, |m, v| m.max(v.abs()));
            for (i, want) in wanted.iter().enumerate() {
                // The inverse transform here is unnormalised.
                let got = correlator.at(first + i as i64) / frame as f64;
                assert!((got - want).abs() < 1e-6 * largest, "delay {}, lag {}", case["delay"], first + i as i64);
            }
        }
        let (place, sign, _) = correlator.peak(None).unwrap();
        assert_eq!(sign, case["peak_sign"].as_f64().unwrap());
        let lag = correlator.refine(place);
        assert!((lag - case["peak_lag"].as_f64().unwrap()).abs() < 0.02, "{lag} {}", case["peak_lag"]);
    }
}
