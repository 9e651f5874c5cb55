//! Shots laid on the song's timeline, rendered block by block.

use super::delay::{REACH, delayed};
use super::set::SampleSet;
use rayon::prelude::*;

/// Fade of a choked tail, in frames before the point where it must be silent, per 48,000 Hz: 5 ms.
const CHOKE_MS: f64 = 5.0;

/// A stroke on the timeline.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Laid {
    /// Index of the shot.
    pub shot: usize,
    /// Frame at which the shot's attack falls, before its fraction ([`Deck::sixteenths`]) is added; may be negative.
    pub attack: i64,
    /// Linear gain, negative for flipped polarity.
    pub gain: f32,
    /// Frame from which it is silent because another stroke chokes it.
    pub stop: Option<i64>,
}

/// All shots of a set, each moved by its own fraction of a sample once and for all.
pub struct Deck {
    versions: Vec<Vec<Vec<f32>>>,
    attacks: Vec<usize>,
    sixteenths: Vec<i64>,
    channels: usize,
    longest: usize,
    lead: i64,
    fade: i64,
}

impl Deck {
    /// Moves each used shot by `sixteenths[shot]`/16 of a sample. Shots that no stroke uses (`used` false) stay empty.
    #[must_use]
    pub fn new(set: &SampleSet, sixteenths: &[i64], used: &[bool], rate: f64) -> Self {
        let versions: Vec<Vec<Vec<f32>>> = set
            .shots
            .par_iter()
            .enumerate()
            .map(|(i, shot)| {
                let part = sixteenths.get(i).copied().unwrap_or(0);
                if used.get(i) != Some(&true) {
                    return Vec::new();
                }
                shot.channels.iter().map(|c| delayed(c, part)).collect()
            })
            .collect();
        let longest = versions.iter().filter_map(|v| v.first()).map(Vec::len).max().unwrap_or(0);
        Self {
            versions,
            attacks: set.shots.iter().map(|s| s.attack).collect(),
            sixteenths: sixteenths.to_vec(),
            channels: set.channels(),
            longest,
            lead: set.shots.iter().map(|s| s.attack).max().unwrap_or(0) as i64 + REACH as i64,
            fade: (CHOKE_MS * rate / 1000.0) as i64,
        }
    }

    /// Channels of a rendering.
    #[must_use]
    pub fn channels(&self) -> usize {
        self.channels
    }

    /// The fraction of a shot, sixteenths of a sample.
    #[must_use]
    pub fn sixteenths(&self, shot: usize) -> i64 {
        self.sixteenths.get(shot).copied().unwrap_or(0)
    }

    /// Frame at which a stroke's audio begins.
    #[must_use]
    pub fn begin(&self, laid: &Laid) -> i64 {
        laid.attack - self.attacks.get(laid.shot).copied().unwrap_or(0) as i64 - REACH as i64
    }

    /// Frame behind a stroke's last.
    #[must_use]
    pub fn end(&self, laid: &Laid) -> i64 {
        let length = self.versions.get(laid.shot).and_then(|v| v.first()).map_or(0, Vec::len) as i64;
        let end = self.begin(laid) + length;
        laid.stop.map_or(end, |stop| end.min(stop))
    }

    /// Adds all strokes that sound in the frames from `from` on to `out` (interleaved, [`channels`](Self::channels) wide).
    /// Strokes must be in order of `attack`, give or take `slack` frames.
    pub fn render(&self, laid: &[Laid], slack: i64, from: i64, out: &mut [f32]) {
        let frames = (out.len() / self.channels.max(1)) as i64;
        for l in self.near(laid, slack, from, frames) {
            self.add(l, from, frames, out);
        }
    }

    /// Whether any stroke sounds in `frames` frames from `from` on; strokes in order as for [`render`](Self::render).
    #[must_use]
    pub fn sounds(&self, laid: &[Laid], slack: i64, from: i64, frames: i64) -> bool {
        self.near(laid, slack, from, frames).any(|l| self.begin(l) < from + frames && self.end(l) > from)
    }

    /// The strokes that may sound in a stretch: all that do, and few others.
    fn near<'a>(&self, laid: &'a [Laid], slack: i64, from: i64, frames: i64) -> impl Iterator<Item = &'a Laid> {
        let first = laid.partition_point(|l| l.attack + self.longest as i64 + slack < from);
        let behind = from + frames + self.lead + slack;
        laid.get(first..).unwrap_or(&[]).iter().take_while(move |l| l.attack < behind)
    }

    fn add(&self, l: &Laid, from: i64, frames: i64, out: &mut [f32]) {
        let begin = self.begin(l);
        let (first, last) = (begin.max(from), self.end(l).min(from + frames));
        let Some(version) = self.versions.get(l.shot).filter(|v| !v.is_empty()) else { return };
        if last <= first {
            return;
        }
        let (source, target, n) = ((first - begin) as usize, (first - from) as usize, (last - first) as usize);
        for c in 0..self.channels {
            let Some(samples) = version.get(c.min(version.len() - 1)).and_then(|v| v.get(source..source + n)) else {
                continue;
            };
            let fading = l.stop.filter(|&stop| last > stop - self.fade);
            if self.channels == 1 && fading.is_none() {
                if let Some(run) = out.get_mut(target..target + n) {
                    run.iter_mut().zip(samples).for_each(|(o, s)| *o += l.gain * s);
                }
                continue;
            }
            let Some(rest) = out.get_mut(target * self.channels + c..) else { continue };
            for (i, (o, s)) in rest.iter_mut().step_by(self.channels).zip(samples).enumerate() {
                let fade =
                    fading.map_or(1.0, |stop| ((stop - first - i as i64) as f32 / self.fade.max(1) as f32).min(1.0));
                *o += l.gain * fade * s;
            }
        }
    }
}

/// Cuts every stroke at the attack of the next.
pub fn choke(laid: &mut [Laid]) {
    let mut next: Option<i64> = None;
    for l in laid.iter_mut().rev() {
        l.stop = next;
        next = Some(next.map_or(l.attack, |n| n.min(l.attack)));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layer::set::Shot;
    use crate::units::SampleRate;

    fn set(stereo: bool) -> SampleSet {
        let shot = |name: &str, pitch: f32, channels: usize| {
            let x: Vec<f32> =
                (0..9600).map(|i| 0.5 * (-(i as f32) / 2000.0).exp() * (i as f32 * pitch).cos()).collect();
            Shot::new(name.into(), vec![x; channels], SampleRate::SESSION).unwrap()
        };
        SampleSet::sort("s".into(), vec![shot("a", 0.05, 1), shot("b", 0.08, if stereo { 2 } else { 1 })])
    }

    fn song() -> Vec<Laid> {
        (0..40)
            .map(|i| Laid {
                shot: i % 2,
                attack: 3000 * i as i64 + (i * i % 7) as i64 - 20,
                gain: if i % 3 == 0 { -0.5 } else { 0.7 },
                stop: None,
            })
            .collect()
    }

    fn whole(deck: &Deck, laid: &[Laid], n: usize) -> Vec<f32> {
        let mut out = vec![0.0; n * deck.channels()];
        deck.render(laid, 0, 0, &mut out);
        out
    }

    #[test]
    fn blocks_of_any_size_make_the_same_track() {
        for stereo in [false, true] {
            let set = set(stereo);
            let deck = Deck::new(&set, &[5, 0], &[true, true], 48_000.0);
            let mut laid = song();
            choke(&mut laid);
            let want = whole(&deck, &laid, 130_000);
            for block in [1000usize, 4096, 130_000] {
                let mut got = Vec::new();
                while got.len() < want.len() {
                    let n = block.min(want.len() / deck.channels() - got.len() / deck.channels());
                    let mut part = vec![0.0; n * deck.channels()];
                    deck.render(&laid, 0, (got.len() / deck.channels()) as i64, &mut part);
                    got.extend(part);
                }
                assert_eq!(got, want);
            }
        }
    }

    #[test]
    fn a_track_minus_itself_is_nothing() {
        let set = set(true);
        let deck = Deck::new(&set, &[3, 11], &[true, true], 48_000.0);
        let laid = song();
        let mut both: Vec<Laid> = laid.iter().flat_map(|l| [*l, Laid { gain: -l.gain, ..*l }]).collect();
        both.sort_by_key(|l| l.attack);
        let sum = whole(&deck, &both, 130_000);
        assert!(sum.iter().all(|v| v.abs() < 2e-7));
        assert!(whole(&deck, &laid, 130_000).iter().any(|v| v.abs() > 0.1));
    }

    #[test]
    fn a_choked_stroke_is_silent_from_the_next_attack_on() {
        let set = set(false);
        let deck = Deck::new(&set, &[0, 0], &[true, true], 48_000.0);
        let mut laid = vec![
            Laid { shot: 0, attack: 1000, gain: 1.0, stop: None },
            Laid { shot: 0, attack: 3000, gain: 0.0, stop: None },
        ];
        assert!(whole(&deck, &laid, 12_000)[3000..6000].iter().any(|v| v.abs() > 0.05));
        choke(&mut laid);
        let out = whole(&deck, &laid, 12_000);
        assert!(out[3000..].iter().all(|v| *v == 0.0));
        assert!(out[2900].abs() > 0.0 && out[1000..2000].iter().any(|v| v.abs() > 0.4));
        // No click: the fade's last step is small.
        assert!(out[2999].abs() < 0.01);
    }
}
