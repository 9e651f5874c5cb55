//! What went into a mix, told so that a later change can be known: a checksum of the sound, and what the sheet sets.
//!
//! In: samples block by block; level and pan of the sheet. Out: a CRC-32, and words.

use crate::units::Decibels;

/// A checksum of samples, however they come in blocks.
#[derive(Clone, Debug, Default)]
pub struct SoundSum {
    crc: crc32fast::Hasher,
    bytes: Vec<u8>,
}

impl SoundSum {
    /// Adds the next samples, interleaved, 1.0 = full scale.
    pub fn add(&mut self, samples: &[f32]) {
        // In fixed steps of four bytes: this runs over every sample.
        self.bytes.resize(4 * samples.len(), 0);
        let (steps, _) = self.bytes.as_chunks_mut::<4>();
        steps.iter_mut().zip(samples).for_each(|(b, v)| *b = v.to_le_bytes());
        self.crc.update(&self.bytes);
    }

    /// CRC-32 of the samples as little-endian 32-bit floats, eight hexadecimal digits.
    #[must_use]
    pub fn finish(self) -> String {
        format!("{:08x}", self.crc.finalize())
    }
}

/// Level and pan as the sheet sets them: `level -6 dB, pan 0.5`; empty where it leaves both to the role.
#[must_use]
pub fn sheet_words(level: Option<Decibels>, pan: Option<f64>) -> String {
    let level = level.map(|l| format!("level {} dB", l.0));
    let pan = pan.map(|p| format!("pan {p}"));
    level.into_iter().chain(pan).collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_checksum_of_sound_does_not_depend_on_its_blocks() {
        let sound: Vec<f32> = (0..1000).map(|i| (i as f32 * 0.01).sin()).collect();
        let sum = |sizes: &[usize]| {
            let (mut sum, mut at) = (SoundSum::default(), 0);
            for n in sizes {
                sum.add(&sound[at..at + n]);
                at += n;
            }
            sum.finish()
        };
        assert_eq!(sum(&[1000]), sum(&[1, 999]));
        assert_ne!(sum(&[1000]), sum(&[999]));
    }

    #[test]
    fn what_the_sheet_sets_is_told_in_its_own_words() {
        assert_eq!(sheet_words(Some(Decibels(-6.0)), Some(0.5)), "level -6 dB, pan 0.5");
        assert_eq!(sheet_words(None, None), "");
    }
}
