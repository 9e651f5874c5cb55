use super::*;
use proptest::prelude::*;

#[test]
fn the_worked_directions_come_out() {
    // Worked example: θ = 0.1, −0.2, 0.05, 0.15 rad; sixteenths at 120 BPM are 125 ms wide.
    let c = Circular::of([0.1, -0.2, 0.05, 0.15]).unwrap();
    assert!((c.resultant - 0.990_967).abs() < 1e-6);
    assert!((c.mean - 0.025_377).abs() < 1e-6);
    assert!((c.sd() - 0.134_714).abs() < 1e-6);
    assert!((c.mean / TAU * 125.0 - 0.505).abs() < 1e-3);
    assert!((c.sd() / TAU * 125.0 - 2.680).abs() < 1e-3);
}

#[test]
fn just_before_and_just_after_the_line_average_to_the_line() {
    let c = Circular::of_period(&[0.01, 0.99], 1.0).unwrap();
    assert!(c.mean.abs() < 1e-12);
}

#[test]
fn strokes_spread_evenly_have_no_direction() {
    let c = Circular::of_period(&[0.0, 0.25, 0.5, 0.75], 1.0).unwrap();
    assert!(c.resultant < 1e-12);
    assert!((c.chance() - 1.0).abs() < 1e-12);
}

#[test]
fn the_rayleigh_chance_of_twenty_strokes_with_half_a_resultant() {
    // n = 20, R = 0.5: z = 5, p ≈ 0.0067.
    let c = Circular { n: 20, mean: 0.0, resultant: 0.5 };
    assert!((c.chance() - 0.0067).abs() < 5e-5);
}

#[test]
fn one_wild_stroke_does_not_move_the_robust_spread() {
    // Worked example: median 0.5, MAD 1.5, spread 2.22 ms; the plain standard deviation would be 20.46 ms.
    let offsets = [-2.0, -1.0, 0.0, 1.0, 2.0, 50.0];
    assert_eq!(median(&offsets), Some(0.5));
    assert!((robust_spread(&offsets).unwrap() - 2.2239).abs() < 1e-4);
}

#[test]
fn too_few_values_have_no_statistics() {
    assert_eq!(median(&[]), None);
    assert_eq!(robust_spread(&[1.0]), None);
    assert_eq!(theil_sen(&[1.0, 1.0], &[0.0, 5.0]), None);
    assert!(Circular::of([]).is_none());
}

#[test]
fn half_a_bpm_too_fast_drifts_two_ms_a_beat() {
    // 500 ms − 60,000/120.5 ms = 2.0747 ms a beat early; every fifth stroke is thrown far off.
    let x: Vec<f64> = (0..1200).map(f64::from).collect();
    let y: Vec<f64> = x
        .iter()
        .map(|&b| (60_000.0 / 120.5 - 500.0) * b + if b % 5.0 == 0.0 { 300.0 + (b * 7.0) % 90.0 } else { 0.0 })
        .collect();
    assert!((theil_sen(&x[..100], &y[..100]).unwrap() + 2.0747).abs() < 0.05);
    assert!((theil_sen(&x, &y).unwrap() + 2.0747).abs() < 0.01);
}

#[test]
fn fifty_thousand_strokes_have_a_slope() {
    let x: Vec<f64> = (0..50_000).map(|i| f64::from(i) * 0.25).collect();
    let y: Vec<f64> = x.iter().enumerate().map(|(i, b)| 0.01 * b + ((i * 7919) % 101) as f64 / 10.0 - 5.0).collect();
    assert!((theil_sen(&x, &y).unwrap() - 0.01).abs() < 1e-5);
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 40, ..ProptestConfig::default() })]
    /// The halving search gives the very median of all pairwise slopes, ties in x and y included.
    #[test]
    fn the_fast_slope_is_the_median_of_all_pairs(points in prop::collection::vec((0u8..60, -40i8..40), 401..600)) {
        let mut points: Vec<(f64, f64)> = points.into_iter().map(|(x, y)| (f64::from(x), f64::from(y))).collect();
        points.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
        let (x, y): (Vec<f64>, Vec<f64>) = points.iter().copied().unzip();
        let expected = median(&all_slopes(&points)).unwrap();
        prop_assert!((theil_sen(&x, &y).unwrap() - expected).abs() < 1e-9);
    }

    #[test]
    fn a_quantile_lies_where_sorting_puts_it(values in prop::collection::vec(-9i8..9, 1..40), q in -0.1f64..1.1) {
        let values: Vec<f64> = values.into_iter().map(|v| f64::from(v) / 7.0).collect();
        let mut sorted = values.clone();
        sorted.sort_by(f64::total_cmp);
        let at = q.clamp(0.0, 1.0) * (sorted.len() - 1) as f64;
        let (a, b) = (sorted[at as usize], sorted[(at as usize + 1).min(sorted.len() - 1)]);
        prop_assert_eq!(quantile(&values, q), Some(a + (b - a) * at.fract()));
    }

    #[test]
    fn turning_every_direction_turns_the_mean(angles in prop::collection::vec(-0.5f64..0.5, 2..40), turn in -1.0f64..1.0) {
        let a = Circular::of(angles.iter().copied()).unwrap();
        let b = Circular::of(angles.iter().map(|v| v + turn)).unwrap();
        prop_assert!((b.mean - a.mean - turn).abs() < 1e-9);
        prop_assert!((b.resultant - a.resultant).abs() < 1e-9);
    }
}
