//! How many bits the samples of a file need.
//!
//! In: its samples, as stored. Out: the depth at which they can be stored value for value. Recording programs export what they
//! recorded with 24 bits as 32-bit floating point or in four bytes each; such a file goes into a 24-bit delivery unharmed.

use crate::audio::SampleFormat;

/// Samples that were looked at.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Depth {
    /// All integers, one bit over the other.
    bits: u32,
    /// Binary places that floats need behind the point.
    places: i32,
    /// Whether a float is not below full scale.
    beyond: bool,
}

impl Depth {
    /// Takes integers as stored, or floats where there are none.
    pub fn add(&mut self, ints: &[i32], floats: &[f32]) {
        if ints.is_empty() {
            self.places = floats.iter().fold(self.places, |most, &x| most.max(places(x)));
            self.beyond |= floats.iter().any(|x| x.abs() >= 1.0);
        } else {
            self.bits = ints.iter().fold(self.bits, |all, &v| all | v as u32);
        }
    }

    /// Bits that the samples of a file of this format need, at least 1. `None` where they are no steps of any integer depth.
    pub fn bits(self, format: SampleFormat) -> Option<u16> {
        match format {
            SampleFormat::Float32 => u16::try_from(1 + self.places.max(0)).ok().filter(|&b| b <= 32 && !self.beyond),
            SampleFormat::Float64 | SampleFormat::Lossy => None,
            integer => Some(integer.bits().saturating_sub(self.bits.trailing_zeros() as u16).max(1)),
        }
    }
}

/// Binary places behind the point that a number has: 0 of 1.0, 1 of 0.5 (IEEE 754, single precision).
fn places(x: f32) -> i32 {
    const FRACTION: u32 = 23;
    let bits = x.to_bits();
    let (exponent, fraction) = (bits >> FRACTION & 0xff, bits & ((1 << FRACTION) - 1));
    // Numbers under the smallest normal one have its exponent and no leading one.
    let (exponent, digits) = if exponent == 0 { (1, fraction) } else { (exponent, fraction | 1 << FRACTION) };
    if digits == 0 { i32::MIN } else { 127 + FRACTION as i32 - exponent as i32 - digits.trailing_zeros() as i32 }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of_floats(floats: &[f32]) -> Option<u16> {
        let mut depth = Depth::default();
        depth.add(&[], floats);
        depth.bits(SampleFormat::Float32)
    }

    #[test]
    fn floats_need_as_many_bits_as_the_integers_that_they_were() {
        for bits in [8u16, 16, 20, 24] {
            let full = 2f32.powi(i32::from(bits) - 1);
            for step in [1.0, 3.0, full - 1.0] {
                assert_eq!(of_floats(&[0.0, step / full, -1.0 / 2.0]), Some(bits), "{step} of {bits} bit");
            }
            assert_eq!(of_floats(&[1.0 / full, 0.75]), Some(bits));
        }
        assert_eq!(of_floats(&[0.0]), Some(1));
        assert_eq!(of_floats(&[0.1]), Some(28), "0.1 has 24 digits from the fourth place on");
        assert_eq!(of_floats(&[f32::MIN_POSITIVE]), None);
        assert_eq!(of_floats(&[f32::from_bits(1)]), None);
    }

    #[test]
    fn full_scale_itself_has_no_integer() {
        assert_eq!(of_floats(&[1.0]), None);
        assert_eq!(of_floats(&[0.5, -1.5]), None);
    }

    #[test]
    fn integers_need_the_bits_down_to_their_lowest_step() {
        for (ints, needs) in [(vec![256, -512], 24), (vec![1], 32), (vec![i32::MIN], 1), (vec![0, 0], 1)] {
            let mut depth = Depth::default();
            depth.add(&ints, &[]);
            assert_eq!(depth.bits(SampleFormat::Int32), Some(needs), "{ints:?}");
        }
        let mut sixteen = Depth::default();
        sixteen.add(&[0x100, -0x700], &[]);
        assert_eq!(sixteen.bits(SampleFormat::Int24), Some(16));
    }

    #[test]
    fn compressed_sound_has_no_depth() {
        assert_eq!(Depth::default().bits(SampleFormat::Lossy), None);
    }
}
