//! Sample conversion: stored little-endian bytes to numbers and back, in plain loops over blocks.
//!
//! Scaling: an integer of `n` bits divides by 2^(n-1), so the most negative one is exactly −1.0.
//! 8 to 24 bits and 32-bit float convert to `f32` and back without loss; 32-bit integers and 64-bit
//! floats are rounded to the 24 bits of an `f32`.

use super::info::SampleFormat;
use crate::wide::wide;
use pulp::Arch;

/// Appends the samples in `bytes` (whole samples) to `out`, 1.0 = full scale. Gives the index, among the
/// samples appended, of the first one that is not a finite number; only float formats can hold such.
pub(crate) fn to_f32(format: SampleFormat, bytes: &[u8], out: &mut Vec<f32>) -> Option<usize> {
    let start = out.len();
    match format {
        SampleFormat::Int8 => out.extend(bytes.iter().map(|&b| f32::from(int8(b)) * (1.0 / 128.0))),
        SampleFormat::Int16 => {
            out.extend(bytes.chunks_exact(2).map(|b| f32::from(int16(b)) * (1.0 / 32_768.0)));
        }
        SampleFormat::Int24 => append24(bytes, out),
        SampleFormat::Int32 => {
            out.extend(bytes.chunks_exact(4).map(|b| int32(b) as f32 * (1.0 / 2_147_483_648.0)));
        }
        SampleFormat::Float32 => out.extend(bytes.chunks_exact(4).map(|b| f32::from_bits(int32(b) as u32))),
        SampleFormat::Float64 => out.extend(bytes.chunks_exact(8).map(|b| float64(b) as f32)),
        SampleFormat::Lossy => {}
    }
    match format {
        SampleFormat::Float32 | SampleFormat::Float64 => first_not_finite(out.get(start..).unwrap_or_default()),
        _ => None,
    }
}

/// Appends the stored integers in `bytes` to `out`, sign-extended, unscaled (8-bit: −128..=127).
/// Appends nothing for formats that do not store integers.
pub(crate) fn to_ints(format: SampleFormat, bytes: &[u8], out: &mut Vec<i32>) {
    match format {
        SampleFormat::Int8 => out.extend(bytes.iter().map(|&b| i32::from(int8(b)))),
        SampleFormat::Int16 => out.extend(bytes.chunks_exact(2).map(|b| i32::from(int16(b)))),
        SampleFormat::Int24 => {
            let start = out.len();
            out.resize(start + bytes.len() / 3, 0);
            unpack24(bytes, out.get_mut(start..).unwrap_or_default(), |top| top >> 8);
        }
        SampleFormat::Int32 => out.extend(bytes.chunks_exact(4).map(int32)),
        SampleFormat::Float32 | SampleFormat::Float64 | SampleFormat::Lossy => {}
    }
}

/// The nearest stored integer of a sample, halves to the even one, held at full scale.
#[inline]
pub(crate) fn nearest(format: SampleFormat, sample: f32) -> i32 {
    let full = full_scale(format);
    step(f64::from(sample) * full, full)
}

/// The whole number nearest to `x`, halves to the even one, held within −`full`..`full` − 1 (at most 32 bits).
///
/// Adding 1.5·2^52 leaves the rounded number in the low bits of an f64 (IEEE 754 rounding); unlike a rounding
/// call this vectorises on every machine, and it made writing three times as fast. `x` must be a number.
#[inline]
pub(crate) fn step(x: f64, full: f64) -> i32 {
    (x.clamp(-full, full - 1.0) + 6_755_399_441_055_744.0).to_bits() as i32
}

/// 2^(bits−1) of an integer format; 1 for others.
pub(crate) fn full_scale(format: SampleFormat) -> f64 {
    match format {
        SampleFormat::Int8 => 128.0,
        SampleFormat::Int16 => 32_768.0,
        SampleFormat::Int24 => 8_388_608.0,
        SampleFormat::Int32 => 2_147_483_648.0,
        SampleFormat::Float32 | SampleFormat::Float64 | SampleFormat::Lossy => 1.0,
    }
}

/// Appends samples as stored bytes. Formats: 8, 16, 24, 32-bit integer, 32-bit float; nothing for others.
pub(crate) fn from_f32(format: SampleFormat, samples: &[f32], out: &mut Vec<u8>) {
    match format {
        SampleFormat::Float32 => put(samples, out, |s| s.to_le_bytes()),
        SampleFormat::Int8 => put(samples, out, |s| bytes8(nearest(format, s))),
        SampleFormat::Int16 => put(samples, out, |s| (nearest(SampleFormat::Int16, s) as i16).to_le_bytes()),
        SampleFormat::Int24 => put(samples, out, |s| bytes24(nearest(SampleFormat::Int24, s))),
        SampleFormat::Int32 => put(samples, out, |s| nearest(SampleFormat::Int32, s).to_le_bytes()),
        SampleFormat::Float64 | SampleFormat::Lossy => {}
    }
}

/// Appends integers as stored bytes, held at full scale. Integer formats only; nothing for others.
pub(crate) fn from_ints(format: SampleFormat, ints: &[i32], out: &mut Vec<u8>) {
    match format {
        SampleFormat::Int8 => put(ints, out, |v| bytes8(v.clamp(-128, 127))),
        SampleFormat::Int16 => put(ints, out, |v| (v.clamp(-32_768, 32_767) as i16).to_le_bytes()),
        SampleFormat::Int24 => put(ints, out, |v| bytes24(v.clamp(-8_388_608, 8_388_607))),
        SampleFormat::Int32 => put(ints, out, i32::to_le_bytes),
        SampleFormat::Float32 | SampleFormat::Float64 | SampleFormat::Lossy => {}
    }
}

/// Index of the first sample that is infinite or not a number.
pub(crate) fn first_not_finite(samples: &[f32]) -> Option<usize> {
    // The sum over the whole block is the quick look; only a bad block is searched.
    let bad = samples.iter().fold(false, |bad, s| bad | !s.is_finite());
    if bad { samples.iter().position(|s| !s.is_finite()) } else { None }
}

fn put<T: Copy, const N: usize>(values: &[T], out: &mut Vec<u8>, bytes: impl Fn(T) -> [u8; N]) {
    let start = out.len();
    out.resize(start + values.len() * N, 0);
    let new = out.get_mut(start..).unwrap_or_default();
    for (to, &v) in new.chunks_exact_mut(N).zip(values) {
        to.copy_from_slice(&bytes(v));
    }
}

/// Samples that are unpacked at a time.
const SOME: usize = 1024;

/// Unpacks 24-bit samples some at a time into room that stays in the processor's first cache: to fill new room with zeros first
/// takes half as long as unpacking itself.
fn append24(bytes: &[u8], out: &mut Vec<f32>) {
    let (arch, mut room) = (Arch::new(), [0.0f32; SOME]);
    out.reserve(bytes.len() / 3);
    for bytes in bytes.chunks(3 * SOME) {
        let Some(some) = room.get_mut(..bytes.len() / 3) else { return };
        wide!(arch, floats24(bytes: &'a [u8] = bytes, out: &'a mut [f32] = some));
        out.extend_from_slice(some);
    }
}

#[inline(always)]
fn floats24(bytes: &[u8], out: &mut [f32]) {
    unpack24(bytes, out, |top| top as f32 * (1.0 / 2_147_483_648.0));
}

/// Unpacks packed 24-bit samples, four at a time from three words; `make` gets each in the top 24 of 32 bits.
#[inline(always)]
fn unpack24<T>(bytes: &[u8], out: &mut [T], make: impl Fn(i32) -> T) {
    let (fours, rest) = bytes.as_chunks::<12>();
    let (out_fours, out_rest) = out.split_at_mut(fours.len() * 4);
    for (b, to) in fours.iter().zip(out_fours.as_chunks_mut::<4>().0) {
        let word = |i: usize| u32::from_le_bytes([b[i], b[i + 1], b[i + 2], b[i + 3]]);
        let (a, b, c) = (word(0), word(4), word(8));
        to[0] = make((a << 8) as i32);
        to[1] = make((((a >> 16) & 0xff00) | (b << 16)) as i32);
        to[2] = make((((b >> 8) & 0x00ff_ff00) | (c << 24)) as i32);
        to[3] = make((c & 0xffff_ff00) as i32);
    }
    for (b, to) in rest.as_chunks::<3>().0.iter().zip(out_rest) {
        *to = make(i32::from_le_bytes([0, b[0], b[1], b[2]]));
    }
}

fn int8(b: u8) -> i8 {
    (b ^ 0x80) as i8
}

fn bytes8(v: i32) -> [u8; 1] {
    [(v as i8 as u8) ^ 0x80]
}

fn int16(b: &[u8]) -> i16 {
    i16::from_le_bytes([b[0], b[1]])
}

fn int32(b: &[u8]) -> i32 {
    i32::from_le_bytes([b[0], b[1], b[2], b[3]])
}

fn bytes24(v: i32) -> [u8; 3] {
    let b = v.to_le_bytes();
    [b[0], b[1], b[2]]
}

fn float64(b: &[u8]) -> f64 {
    f64::from_le_bytes([b[0], b[1], b[2], b[3], b[4], b[5], b[6], b[7]])
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const INTS: [SampleFormat; 4] = [SampleFormat::Int8, SampleFormat::Int16, SampleFormat::Int24, SampleFormat::Int32];

    fn decode(format: SampleFormat, bytes: &[u8]) -> Vec<f32> {
        let mut out = Vec::new();
        assert_eq!(to_f32(format, bytes, &mut out), None);
        out
    }

    /// Byte values of facts from Microsoft/IBM, *Multimedia Programming Interface and Data Specifications 1.0*.
    #[test]
    fn twenty_four_bits_are_signed_and_little_endian_and_eight_bits_unsigned() {
        let full = [0xff, 0xff, 0x7f, 0x00, 0x00, 0x80, 0x00, 0x00, 0x00, 0x00, 0x00, 0x40, 0x01, 0x00, 0x00];
        assert_eq!(decode(SampleFormat::Int24, &full), [8_388_607.0 / 8_388_608.0, -1.0, 0.0, 0.5, 1.0 / 8_388_608.0]);
        assert_eq!(decode(SampleFormat::Int8, &[0, 128, 255]), [-1.0, 0.0, 127.0 / 128.0]);
    }

    #[test]
    fn a_long_stretch_of_24_bits_is_unpacked_as_its_samples_one_by_one() {
        for count in [1_023, 1_024, 1_025, 5_000] {
            let bytes: Vec<u8> = (0..3 * count).map(|i: u32| (i.wrapping_mul(2_654_435_761) >> 24) as u8).collect();
            let single: Vec<f32> = bytes.chunks(3).flat_map(|b| decode(SampleFormat::Int24, b)).collect();
            assert_eq!(decode(SampleFormat::Int24, &bytes), single);
        }
    }

    #[test]
    fn every_sixteen_bit_value_survives_the_way_through_float() {
        let ints: Vec<i32> = (-32_768..=32_767).collect();
        let mut bytes = Vec::new();
        from_ints(SampleFormat::Int16, &ints, &mut bytes);
        let mut again = Vec::new();
        from_f32(SampleFormat::Int16, &decode(SampleFormat::Int16, &bytes), &mut again);
        assert!(bytes == again);
    }

    #[test]
    fn halves_round_to_even_and_overs_are_held_at_full_scale() {
        let lsb = 1.0 / 32_768.0;
        let to = |x| nearest(SampleFormat::Int16, x);
        let halves = [0.5, -0.5, 1.49, 1.5, 2.5, -1.5].map(|x| to(x * lsb));
        assert_eq!(halves, [0, 0, 1, 2, 2, -2]);
        assert_eq!([to(1.0), to(-1.0), to(9.0), to(-9.0)], [32_767, -32_768, 32_767, -32_768]);
        assert_eq!(nearest(SampleFormat::Int32, 1.0), i32::MAX);
        assert_eq!(nearest(SampleFormat::Int32, -1.0), i32::MIN);
    }

    #[test]
    fn a_float_that_is_not_a_number_is_found_by_its_place() {
        let mut bytes = Vec::new();
        from_f32(SampleFormat::Float32, &[0.0, 1.5, f32::INFINITY, f32::NAN], &mut bytes);
        let mut out = vec![0.25];
        assert_eq!(to_f32(SampleFormat::Float32, &bytes, &mut out), Some(2));
        let wide: Vec<u8> = [0.1f64, 1e300].iter().flat_map(|x| x.to_le_bytes()).collect();
        assert_eq!(to_f32(SampleFormat::Float64, &wide, &mut out), Some(1));
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn stored_integers_come_back_bit_for_bit(bytes in proptest::collection::vec(any::<u8>(), 0..240)) {
            for format in INTS {
                let whole = bytes.len() / 12 * 12;
                let mut ints = Vec::new();
                to_ints(format, &bytes[..whole], &mut ints);
                let mut again = Vec::new();
                from_ints(format, &ints, &mut again);
                prop_assert_eq!(&bytes[..whole], &again[..]);
            }
        }

        #[test]
        fn unpacking_by_fours_agrees_with_one_by_one(bytes in proptest::collection::vec(any::<u8>(), 0..100)) {
            let mut ints = Vec::new();
            to_ints(SampleFormat::Int24, &bytes, &mut ints);
            let plain: Vec<i32> = bytes.chunks_exact(3)
                .map(|b| i32::from(b[0]) | i32::from(b[1]) << 8 | i32::from(b[2] as i8) << 16).collect();
            prop_assert_eq!(ints, plain);
        }

        #[test]
        fn rounding_agrees_with_the_library_in_every_format(x in -1.5f32..1.5) {
            for format in INTS {
                let full = full_scale(format);
                let by_library = (f64::from(x) * full).round_ties_even().clamp(-full, full - 1.0) as i32;
                prop_assert_eq!(nearest(format, x), by_library);
            }
        }

        #[test]
        fn floats_keep_the_integers_of_24_bits(v in -8_388_608i32..=8_388_607) {
            let mut bytes = Vec::new();
            from_ints(SampleFormat::Int24, &[v], &mut bytes);
            prop_assert_eq!(nearest(SampleFormat::Int24, decode(SampleFormat::Int24, &bytes)[0]), v);
        }
    }
}
