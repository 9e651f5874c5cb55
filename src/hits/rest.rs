//! Where a mic's waveform rests when nothing sounds: an offset from zero is taken off before anything is heard.
//!
//! In: a mic. Out: its [`Rest`].

use super::sum::sum;
use crate::audio::MonoReader;
use crate::error::Result;
use crate::song::Mic;
use crate::units::SampleRate;
use pulp::Arch;

/// Seconds from which the resting level is taken, and the least that counts, 1.0 = full scale.
const REST_S: usize = 5;
const LEAST: f64 = 0.001;
/// Samples that are read at once.
const BLOCK: usize = 1 << 14;

/// Where a waveform rests, and from where on.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Rest {
    /// 1.0 = full scale.
    pub level: f32,
    /// First sample that is not the digital silence in front of the recording, which rests at zero.
    pub from: u64,
}

impl Rest {
    /// The mean of the first five seconds of the recording, without digital silence in front; 0 if within 0.1 % of zero,
    /// which no converter's fault but slow sound may cause.
    ///
    /// # Errors
    /// As [`MonoReader::read`].
    pub fn of(mic: &Mic) -> Result<Self> {
        let mut reader = MonoReader::open_again(&mic.info, mic.channel)?;
        let mut block = Vec::with_capacity(BLOCK);
        let mut meter = RestMeter::new(mic.info.rate);
        while meter.wanted > 0 {
            block.clear();
            if reader.read(&mut block, BLOCK.min(meter.wanted))? == 0 {
                break;
            }
            meter.push(&block);
        }
        Ok(meter.rest())
    }

    /// Takes it off samples of the mic, the first of which is number `at`.
    pub fn take_off(&self, samples: &mut [f32], at: u64) {
        if self.level != 0.0 {
            let silent = self.from.saturating_sub(at).min(samples.len() as u64) as usize;
            samples[silent..].iter_mut().for_each(|x| *x -= self.level);
        }
    }
}

/// Tells where a waveform rests while it is read from its beginning on.
pub(super) struct RestMeter {
    /// Samples that are still wanted.
    wanted: usize,
    heard: usize,
    from: u64,
    sum: f64,
}

impl RestMeter {
    /// For a recording of this rate.
    pub(super) fn new(rate: SampleRate) -> Self {
        Self { wanted: REST_S * rate.hz() as usize, heard: 0, from: 0, sum: 0.0 }
    }

    /// Takes the next samples; tells where the recording rests as soon as enough of it is heard.
    pub(super) fn push(&mut self, samples: &[f32]) -> Option<Rest> {
        let silent = if self.heard > 0 { 0 } else { samples.iter().take_while(|x| **x == 0.0).count() };
        let sound = samples.get(silent..).unwrap_or_default();
        let sound = &sound[..sound.len().min(self.wanted)];
        self.from += silent as u64;
        self.sum += sum(Arch::new(), sound);
        self.heard += sound.len();
        self.wanted -= sound.len();
        (self.wanted == 0).then(|| self.rest())
    }

    /// By what was heard.
    fn rest(&self) -> Rest {
        let mean = self.sum / self.heard.max(1) as f64;
        if mean.abs() < LEAST { Rest::default() } else { Rest { level: mean as f32, from: self.from } }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::{AudioReader, SampleFormat, WavSpec, WavWriter};
    use crate::song::{Drum, Place};

    fn rest_of(samples: &[f32]) -> Rest {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("snare_top.wav");
        let spec = WavSpec { rate: SampleRate::SESSION, channels: 1, format: SampleFormat::Float32 };
        let mut writer = WavWriter::create(&path, spec).unwrap();
        writer.write(samples).unwrap();
        writer.finish().unwrap();
        Rest::of(&Mic::new("snare_top", AudioReader::open(&path).unwrap().info().clone(), Drum::Snare, Place::Top))
            .unwrap()
    }

    /// So many samples of a tone around a level.
    fn tone(samples: usize, level: f32) -> Vec<f32> {
        (0..samples).map(|i| level + 0.2 * (i as f32 * 0.3).sin()).collect()
    }

    #[test]
    fn silence_in_front_does_not_hide_where_a_recording_rests() {
        for silent in [0, 700, 480_000] {
            let rest = rest_of(&[vec![0.0; silent], tone(300_000, 0.1)].concat());
            assert!((rest.level - 0.1).abs() < 1e-4, "{silent}: {rest:?}");
            assert_eq!(rest.from, silent as u64);
        }
        assert_eq!(rest_of(&tone(300_000, 0.0003)), Rest::default());
        assert_eq!(rest_of(&[0.0; 300_000]), Rest::default());
    }

    #[test]
    fn the_level_is_taken_off_the_recording_and_not_off_the_silence_before_it() {
        let rest = Rest { level: 0.25, from: 10 };
        for (at, left) in [(0, [0.5; 4]), (8, [0.5, 0.5, 0.25, 0.25]), (10, [0.25; 4]), (900, [0.25; 4])] {
            let mut x = [0.5; 4];
            rest.take_off(&mut x, at);
            assert_eq!(x, left, "{at}");
        }
    }
}
