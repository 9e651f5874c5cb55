//! What a recording sounds like: enough to tell a kick mic from a snare mic when the name says nothing.

use crate::audio::{Channel, MonoReader};
use crate::error::Result;
use crate::song::Drum;
use crate::units::Dbfs;
use realfft::RealFftPlanner;
use std::path::Path;

/// Longest stretch that is listened to, seconds.
const LISTEN_SECONDS: u64 = 30;
/// Samples of one frame.
const FRAME: usize = 2048;

/// What was heard.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Sound {
    /// Share of the power below 120 Hz, 0..=1.
    pub low: f64,
    /// Share of the power from 120 to 800 Hz.
    pub middle: f64,
    /// Share of the power above 2.5 kHz.
    pub high: f64,
    /// How far strokes stand above what is usual: 95th percentile of the frame levels above their median, dB.
    pub punch: f64,
    /// Loud strokes a second below 120 Hz: rises of 6 dB to within 12 dB of the loudest.
    pub low_strokes: f64,
    /// The same from 120 to 800 Hz.
    pub middle_strokes: f64,
    /// Highest sample value.
    pub peak: Dbfs,
}

/// Listens to at most 30 seconds, beginning a fifth into a long file so that a count-in does not mislead.
/// Hann frames of 2048 samples, half overlapped; shares of the summed power.
///
/// # Errors
/// As [`MonoReader::read`].
pub(super) fn listen(path: &Path, channel: Channel) -> Result<Sound> {
    let mut reader = MonoReader::open(path, channel)?;
    let (rate, frames) = (reader.info().rate, reader.info().frames);
    let wanted = u64::from(rate.hz()) * LISTEN_SECONDS;
    if frames > wanted {
        reader.seek((frames / 5).min(frames - wanted))?;
    }
    let mut samples = Vec::new();
    while (samples.len() as u64) < wanted && reader.read(&mut samples, 1 << 15)? > 0 {}
    samples.truncate(wanted as usize);
    Ok(analyse(&mut samples, rate.hz_f64()))
}

fn analyse(samples: &mut Vec<f32>, rate: f64) -> Sound {
    let peak = samples.iter().fold(0.0f32, |p, s| p.max(s.abs()));
    samples.resize(samples.len().max(FRAME), 0.0);
    let fft = RealFftPlanner::<f32>::new().plan_fft_forward(FRAME);
    let (mut frame, mut spectrum) = (fft.make_input_vec(), fft.make_output_vec());
    let window: Vec<f32> =
        (0..FRAME).map(|i| 0.5 - 0.5 * (std::f32::consts::TAU * i as f32 / FRAME as f32).cos()).collect();
    let bin = |hz: f64| ((hz * FRAME as f64 / rate).round() as usize).min(FRAME / 2 + 1);
    let edges = [bin(20.0), bin(120.0), bin(800.0), bin(2500.0), FRAME / 2 + 1];
    let mut bands = [0.0f64; 4];
    let (mut levels, mut low, mut middle) = (Vec::new(), Vec::new(), Vec::new());
    for start in (0..=samples.len() - FRAME).step_by(FRAME / 2) {
        for ((f, s), w) in frame.iter_mut().zip(&samples[start..]).zip(&window) {
            *f = s * w;
        }
        if fft.process(&mut frame, &mut spectrum).is_err() {
            continue;
        }
        let mut powers = [0.0f64; 4];
        for ((band, power), edge) in bands.iter_mut().zip(&mut powers).zip(edges.windows(2)) {
            *power = spectrum[edge[0]..edge[1].max(edge[0])].iter().map(|c| f64::from(c.norm_sqr())).sum();
            *band += *power;
        }
        let level = |power: f64| 10.0 * (power + 1e-12).log10();
        levels.push(level(powers.iter().sum()));
        low.push(level(powers[0]));
        middle.push(level(powers[1]));
    }
    let seconds = samples.len() as f64 / rate;
    levels.sort_by(f64::total_cmp);
    let at = |share: f64| levels.get(((levels.len() as f64 - 1.0) * share) as usize).copied().unwrap_or(0.0);
    let total = bands.iter().sum::<f64>().max(1e-12);
    Sound {
        low: bands[0] / total,
        middle: bands[1] / total,
        high: bands[3] / total,
        punch: at(0.95) - at(0.5),
        low_strokes: loud_strokes(&low) / seconds,
        middle_strokes: loud_strokes(&middle) / seconds,
        peak: Dbfs::from_peak(f64::from(peak)),
    }
}

/// How often a level rises by 6 dB within three frames to a peak within 12 dB of the loudest.
fn loud_strokes(levels: &[f64]) -> f64 {
    let loudest = levels.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let strokes = (0..levels.len()).filter(|&i| {
        let around = &levels[i.saturating_sub(2)..(i + 3).min(levels.len())];
        let before = levels[i.saturating_sub(3)];
        let peak = around.iter().all(|l| *l <= levels[i]);
        peak && levels[i] > loudest - 12.0 && levels[i] - before > 6.0
    });
    strokes.count() as f64
}

/// Loud strokes a second from which a drum is one that carries the song; toms are struck more rarely.
const STEADY: f64 = 0.5;

impl Sound {
    /// Nothing was recorded in the stretch that was listened to.
    pub fn is_silent(&self) -> bool {
        self.peak.0 < -90.0
    }

    /// How much it is like a kick mic, 0 = not at all: nearly all power below 120 Hz, in strokes that carry the song.
    pub fn like_kick(&self) -> f64 {
        if self.is_silent() || self.low < 0.6 || self.punch < 12.0 {
            0.0
        } else {
            self.low * (self.low_strokes / STEADY).min(1.0)
        }
    }

    /// How much it is like a snare mic: most power from 120 to 800 Hz, in strokes that carry the song.
    pub fn like_snare(&self) -> f64 {
        if self.is_silent() || self.middle < 0.4 || self.low > 0.5 || self.punch < 12.0 {
            0.0
        } else {
            self.middle * (self.middle_strokes / STEADY).min(1.0)
        }
    }

    /// What else it may be: mostly treble is a hat, low strokes a tom, everything at once a room.
    pub fn otherwise(&self) -> Drum {
        if self.high > 0.6 && self.low < 0.1 {
            Drum::Hat
        } else if self.low > 0.45 && self.punch > 15.0 {
            Drum::Tom
        } else {
            Drum::Room
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Strokes four times a second: a decaying tone and decaying noise, mixed.
    fn strokes(hz: f32, tone: f32, noise: f32, decay: f32) -> Sound {
        let mut seed = 1u32;
        let mut samples: Vec<f32> = (0..48_000 * 8)
            .map(|i| {
                let t = (i % 12_000) as f32 / 48_000.0;
                seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let white = (seed >> 8) as f32 / (1 << 23) as f32 - 1.0;
                (-t * decay).exp() * (tone * (std::f32::consts::TAU * hz * t).sin() + noise * white)
            })
            .collect();
        analyse(&mut samples, 48_000.0)
    }

    #[test]
    fn low_strokes_are_like_a_kick_and_not_like_a_snare() {
        let kick = strokes(60.0, 0.8, 0.01, 40.0);
        assert!(kick.like_kick() > 0.0 && kick.like_snare() == 0.0, "{kick:?}");
    }

    #[test]
    fn strokes_at_two_hundred_hertz_with_noise_are_like_a_snare() {
        let snare = strokes(200.0, 0.6, 0.1, 40.0);
        assert!(snare.like_snare() > 0.0 && snare.like_kick() == 0.0, "{snare:?}");
    }

    #[test]
    fn hiss_is_neither() {
        let hiss = strokes(8000.0, 0.5, 0.2, 1.0);
        assert_eq!((hiss.like_kick(), hiss.like_snare()), (0.0, 0.0));
        assert_eq!(hiss.otherwise(), Drum::Hat);
    }

    #[test]
    fn silence_is_silent_and_short_files_are_heard() {
        assert!(analyse(&mut vec![0.0; 100], 48_000.0).is_silent());
        assert!(!analyse(&mut vec![0.5; 100], 8_000.0).is_silent());
    }
}
