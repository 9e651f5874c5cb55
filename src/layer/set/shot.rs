//! One one-shot: audio at the song's rate, trimmed to its attack.

use crate::audio::levels::Clipping;
use crate::units::{Dbfs, SampleRate, Seconds};

/// Kept in front of the attack, ms; faded in.
const LEAD: f64 = 3.0;
/// The attack is where a stroke first reaches this share of the peak of its first 30 ms.
const ATTACK: f32 = 0.05;
/// A tail is cut where it has fallen this far below the peak, dB, and stays there.
const TAIL: f64 = 80.0;
/// Length of the fade at a cut tail, ms.
const FADE: f64 = 10.0;
/// Full scale of one-shots, whatever format and rate they come in.
const FULL: f32 = 0.999_9;
/// Longest one-shot that is used, seconds; longer files are faded out there.
pub(crate) const LONGEST: Seconds = Seconds(20.0);

/// One one-shot, ready to be laid: one or two channels of equal length at the song's rate.
#[derive(Clone, Debug, PartialEq)]
pub struct Shot {
    /// File name, or the name inside a built-in set.
    pub name: String,
    /// One or two channels, 1.0 = full scale.
    pub channels: Vec<Vec<f32>>,
    /// Frame of the attack.
    pub attack: usize,
    /// Highest absolute value of the mean of the channels in the stroke's first 30 ms; what gains refer to.
    pub peak: f64,
    /// Level of the stroke: RMS of its first 50 ms, mean of the channels.
    pub level: Dbfs,
    /// Clipped places of the whole file.
    pub clipped: Clipping,
    /// Whether the file was longer than can be used and was cut.
    pub cut: bool,
}

/// Why a one-shot cannot be laid.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Unusable {
    /// Nothing louder than −80 dBFS in it.
    Silent,
}

impl Shot {
    /// Trims and measures. `channels`: one or more of equal length at `rate`; only the first two are used.
    pub(crate) fn new(name: String, mut channels: Vec<Vec<f32>>, rate: SampleRate) -> Result<Self, Unusable> {
        channels.truncate(2);
        let clipped = Clipping::of(&channels, FULL);
        let longest = rate.samples(LONGEST) as usize;
        let cut = channels.iter().any(|c| c.len() > longest);
        channels.iter_mut().for_each(|c| c.truncate(longest));
        let mono = mean(&channels);
        let highest = mono.iter().fold(0.0f32, |m, v| m.max(v.abs()));
        if highest < 1e-4 {
            return Err(Unusable::Silent);
        }
        let ms = |t: f64| rate.samples(Seconds::from_ms(t)) as usize;
        let attack = attack(&mono, ms(30.0)).unwrap_or(0);
        let start = attack.saturating_sub(ms(LEAD));
        let quiet = highest * 10f64.powf(-TAIL / 20.0) as f32;
        let end =
            mono.iter().rposition(|v| v.abs() >= quiet).map_or(mono.len(), |i| (i + 1 + ms(FADE)).min(mono.len()));
        let shortened = cut || end < mono.len();
        let channels = channels.into_iter().map(|c| trim(&c, start, end, attack - start, shortened.then(|| ms(FADE))));
        let channels: Vec<Vec<f32>> = channels.collect();
        let stroke = |n: usize| mono.get(attack..(attack + n).min(mono.len())).unwrap_or(&[]);
        let peak = f64::from(stroke(ms(30.0).max(1)).iter().fold(0.0f32, |m, v| m.max(v.abs())));
        let body = stroke(ms(50.0).max(1));
        let power = body.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>() / body.len().max(1) as f64;
        Ok(Self { name, channels, attack: attack - start, peak, level: Dbfs::from_peak(power.sqrt()), clipped, cut })
    }

    /// Frames.
    #[must_use]
    pub fn frames(&self) -> usize {
        self.channels.first().map_or(0, Vec::len)
    }

    /// Share of its energy that sounds further than `time` behind the attack, 0 to 1.
    pub(crate) fn share_behind(&self, time: Seconds, rate: SampleRate) -> f64 {
        let energy = |x: &[f32]| x.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>();
        let late = self.attack.saturating_add(rate.samples(time) as usize);
        let part = |c: &Vec<f32>| c.get(late..).map_or(0.0, energy);
        let all: f64 = self.channels.iter().map(|c| energy(c)).sum();
        if all > 0.0 { self.channels.iter().map(part).sum::<f64>() / all } else { 0.0 }
    }

    /// Mean of the channels.
    #[must_use]
    pub fn mono(&self) -> Vec<f32> {
        mean(&self.channels)
    }
}

fn mean(channels: &[Vec<f32>]) -> Vec<f32> {
    let k = 1.0 / channels.len().max(1) as f32;
    let mut out = channels.first().cloned().unwrap_or_default();
    for more in channels.iter().skip(1) {
        out.iter_mut().zip(more).for_each(|(o, m)| *o += m);
    }
    if channels.len() > 1 {
        out.iter_mut().for_each(|o| *o *= k);
    }
    out
}

/// First sample that reaches 5 % of the peak of the 30 ms behind where the sound first reaches 5 % of its highest value.
fn attack(x: &[f32], window: usize) -> Option<usize> {
    let highest = x.iter().fold(0.0f32, |m, v| m.max(v.abs()));
    let first = x.iter().position(|v| v.abs() >= ATTACK * highest)?;
    let head = x.get(first..(first + window).min(x.len()))?;
    let own = head.iter().fold(0.0f32, |m, v| m.max(v.abs()));
    // A soft start under a louder ring: its own peak counts.
    x.iter().position(|v| v.abs() >= ATTACK * own)
}

/// Frames `start..end`, faded in over the lead and out over `fade` frames.
fn trim(x: &[f32], start: usize, end: usize, lead: usize, fade: Option<usize>) -> Vec<f32> {
    let mut out = x.get(start..end.max(start)).unwrap_or(&[]).to_vec();
    // The last half of the lead stays untouched: what is there belongs to the attack.
    let rise = if start > 0 { lead / 2 } else { 0 };
    for (i, v) in out.iter_mut().take(rise).enumerate() {
        *v *= i as f32 / rise as f32;
    }
    if let Some(fade) = fade {
        let n = out.len();
        let fade = fade.min(n / 2).max(1);
        for (i, v) in out.iter_mut().rev().take(fade).enumerate() {
            *v *= i as f32 / fade as f32;
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stroke(silence: usize) -> Vec<f32> {
        let mut x = vec![0.0; silence];
        x.extend((0..9600).map(|i| (0.9 * (-f64::from(i) / 1200.0).exp() * (f64::from(i) * 0.03).cos()) as f32));
        x.extend(vec![0.0; 20_000]);
        x
    }

    #[test]
    fn silence_around_a_stroke_is_trimmed_and_the_attack_kept_to_the_sample() {
        for silence in [0, 10, 144, 4000] {
            let shot = Shot::new("a".into(), vec![stroke(silence)], SampleRate::SESSION).unwrap();
            assert_eq!(shot.attack, silence.min(144), "{silence}");
            assert!(shot.channels[0][..shot.attack].iter().all(|v| *v == 0.0));
            assert!((f64::from(shot.channels[0][shot.attack]) - 0.9).abs() < 1e-6);
            assert!(shot.frames() < 144 + 12_000);
            assert!((shot.peak - 0.9).abs() < 1e-6);
        }
    }

    #[test]
    fn silence_is_refused_and_clipping_noticed() {
        assert_eq!(Shot::new("a".into(), vec![vec![0.0; 1000]], SampleRate::SESSION), Err(Unusable::Silent));
        let mut x = stroke(0);
        x[10..20].fill(1.0);
        assert_eq!(Shot::new("a".into(), vec![x], SampleRate::SESSION).unwrap().clipped.longest, 10);
    }

    #[test]
    fn a_file_longer_than_a_one_shot_is_cut_with_a_fade() {
        let x: Vec<f32> = (0..48_000 * 30).map(|i| (f64::from(i) * 0.05).sin() as f32 * 0.5).collect();
        let shot = Shot::new("a".into(), vec![x], SampleRate::SESSION).unwrap();
        assert!(shot.cut && shot.frames() <= 48_000 * 20);
        assert_eq!(shot.channels[0].last(), Some(&0.0));
    }
}
