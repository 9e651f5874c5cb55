//! Decibels of powers, many side by side.

/// Ten times the decimal logarithm of a power, nothing below 1e-14: exponent, and the logarithm of the mantissa by the
/// series of the inverse hyperbolic tangent (Abramowitz and Stegun 4.1.27, from memory) to 2e-5 dB. Without a branch, so
/// that many go side by side, and the same on every machine.
#[inline(always)]
pub(super) fn db(x: f32) -> f32 {
    let x = x.max(1e-14);
    // The mantissa in 0.7..1.4.
    let exponent = (x.to_bits().wrapping_sub(0x3f35_04f3) as i32) >> 23;
    let mantissa = f32::from_bits(x.to_bits().wrapping_sub((exponent << 23) as u32));
    let s = (mantissa - 1.0) / (mantissa + 1.0);
    let q = s * s;
    let series = ((((q * (1.0 / 9.0) + 1.0 / 7.0) * q + 1.0 / 5.0) * q + 1.0 / 3.0) * q + 1.0) * s;
    // 10·log10(2) and 20·log10(e).
    3.010_3 * exponent as f32 + 8.685_89 * series
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decibels_are_the_librarys() {
        for k in -1_400..=400 {
            let x = 10.0f32.powf(0.01 * k as f32);
            assert!((f64::from(db(x)) - 10.0 * f64::from(x).log10()).abs() < 2e-5, "{x}");
        }
        assert!((db(0.0) + 140.0).abs() < 1e-4);
    }
}
