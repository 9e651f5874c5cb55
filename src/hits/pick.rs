//! The threshold that separates strokes from the noise of the novelty curve.
//!
//! In: heights of the curve's maxima, dB. Out: the height above which a maximum is taken for a stroke.

/// Low maxima that are taken for noise, dB.
const NOISE_FROM: f32 = 0.25;
const NOISE_TO: f32 = 1.5;
/// Expected false strokes in the take.
const FALSE_STROKES: f64 = 0.5;
/// The threshold never leaves this range, dB.
pub const LEAST: f32 = 1.0;
/// See [`LEAST`].
pub const MOST: f32 = 5.0;

/// The height at which half a false stroke is expected in the whole take.
///
/// Heights of noise maxima fall off about exponentially; the scale is fitted (maximum likelihood of an
/// exponential cut off at 0.25 and 1.5 dB) on the low maxima, and the cut is placed where their expected
/// number is one half, within 1..=5 dB. With fewer than twenty low maxima there is no noise to speak of: 1 dB.
#[must_use]
pub fn threshold(heights: &[f32]) -> f32 {
    let width = f64::from(NOISE_TO - NOISE_FROM);
    let low: Vec<f64> =
        heights.iter().filter(|&&h| (NOISE_FROM..NOISE_TO).contains(&h)).map(|&h| f64::from(h - NOISE_FROM)).collect();
    if low.len() < 20 {
        return LEAST;
    }
    let mean = low.iter().sum::<f64>() / low.len() as f64;
    let mut scale = mean;
    for _ in 0..50 {
        scale = mean + width / (width / scale).min(50.0).exp_m1();
    }
    let scale = scale.min(1.5);
    let count = low.len() as f64 / (1.0 - (-width / scale).exp());
    let cut = f64::from(NOISE_FROM) + scale * (count.max(1.0) / FALSE_STROKES).ln();
    (cut as f32).clamp(LEAST, MOST)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_fitted_cut_leaves_about_half_a_false_stroke() {
        // Exponential heights by quantiles: scale 0.3 dB above 0.25, 2,000 of them.
        let heights: Vec<f32> =
            (0..2000).map(|i| 0.25 - 0.3 * (1.0 - (f64::from(i) + 0.5) / 2000.0).ln() as f32).collect();
        let cut = threshold(&heights);
        // Closed form: 0.25 + 0.3·ln(2000/0.5) = 2.738.
        assert!((cut - 2.738).abs() < 0.05, "{cut}");
    }

    #[test]
    fn a_silent_background_gives_the_lowest_threshold() {
        assert_eq!(threshold(&[]), LEAST);
        assert_eq!(threshold(&[9.0; 100]), LEAST);
    }
}
