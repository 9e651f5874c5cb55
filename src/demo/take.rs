//! From strokes to what each mic records.

use super::dice::Dice;
use super::modes::{Pole, amplitude};
use super::room;
use super::sound::Sounds;
use super::spec::DemoSpec;
use super::stage::{DemoMic, Path, Source, owns, path};
use super::stroke::{Stroke, Touch, Voice};
use rayon::prelude::*;

/// Peak that a drum's loudest stroke shall reach in its own mic, dBFS: what a recordist leaves as headroom.
const CLOSE_PEAK_DB: f64 = -6.0;
/// The same for mics above the kit and in the room, for the loudest drum.
const FAR_PEAK_DB: f64 = -8.0;
/// Samples of a stroke that the sound check listens to, seconds.
const CHECK: f64 = 0.15;
/// Level of the room's answer in a mic near a drum, above the kit, in the room (direct sound at 1 m = 1).
const ROOM_IN: [f64; 3] = [0.010, 0.06, 0.20];

/// Everything that sounds, before any mic hears it.
pub(super) struct Kitchen<'a> {
    spec: &'a DemoSpec,
    rate: f64,
    frames: usize,
    sources: Vec<(Source, Vec<f32>)>,
    room: [Vec<f32>; 4],
    gains: Vec<(DemoMic, f64)>,
}

/// The dice of one stroke: the same whoever asks.
fn dice_of(spec: &DemoSpec, index: usize) -> Dice {
    Dice::for_item(spec.seed, 5, index as u64)
}

impl<'a> Kitchen<'a> {
    /// Sounds a performance of `frames` samples. Strokes are in order of time.
    pub(super) fn new(spec: &'a DemoSpec, strokes: &[Stroke], frames: usize) -> Self {
        let rate = spec.rate.hz_f64();
        const GROUPS: [&[Voice]; 6] = [
            &[Voice::Kick],
            &[Voice::Snare],
            &[Voice::HatClosed, Voice::HatOpen, Voice::HatPedal],
            &[Voice::TomHigh, Voice::TomFloor, Voice::Sticks],
            &[Voice::Ride],
            &[Voice::Crash],
        ];
        // Groups sound at the same time on several cores; their sounds are then added in a fixed order.
        let parts: Vec<Vec<(Source, Vec<f32>)>> =
            GROUPS.par_iter().map(|voices| sound_group(spec, strokes, voices, frames)).collect();
        let mut sources: Vec<(Source, Vec<f32>)> = Vec::new();
        for (source, wave) in parts.into_iter().flatten() {
            match sources.iter_mut().find(|(s, _)| *s == source) {
                None => sources.push((source, wave)),
                Some((_, sum)) => sum.iter_mut().zip(&wave).for_each(|(a, b)| *a += b),
            }
        }
        sources.sort_by_key(|(s, _)| *s);
        let (room, gains) = rayon::join(|| room_of(spec, &sources, frames, rate), || sound_check(spec));
        Self { spec, rate, frames, sources, room, gains }
    }

    /// What one mic records, full scale = 1, before the recorder limits it.
    pub(super) fn mic(&self, mic: DemoMic) -> Vec<f32> {
        let mut y = vec![0f32; self.frames];
        for (source, wave) in &self.sources {
            travel(wave, &path(self.spec, *source, mic), self.rate, &mut y);
        }
        let (place, level) = match mic {
            DemoMic::OverheadL => (0, ROOM_IN[1]),
            DemoMic::OverheadR => (1, ROOM_IN[1]),
            DemoMic::Room => (2, ROOM_IN[2]),
            _ => (3, ROOM_IN[0]),
        };
        let sign = if self.spec.flipped.contains(&mic) { -1.0 } else { 1.0 };
        let wet = (sign * level * amplitude(self.spec.room.0)) as f32;
        let gain = gain_of(&self.gains, mic) as f32;
        let noise = (amplitude(self.spec.noise.0) * 3f64.sqrt()) as f32;
        let mut dice = Dice::for_item(self.spec.seed, 6, mic as u64);
        for (x, r) in y.iter_mut().zip(&self.room[place]) {
            *x = gain * (*x + wet * r) + noise * dice.noise();
        }
        y
    }

    /// The preamplifier gain of a mic.
    pub(super) fn gain(&self, mic: DemoMic) -> f64 {
        gain_of(&self.gains, mic)
    }
}

fn gain_of(gains: &[(DemoMic, f64)], mic: DemoMic) -> f64 {
    gains.iter().find(|(m, _)| *m == mic).map_or(1.0, |(_, g)| *g)
}

fn sound_group(spec: &DemoSpec, strokes: &[Stroke], voices: &[Voice], frames: usize) -> Vec<(Source, Vec<f32>)> {
    let rate = spec.rate.hz_f64();
    let mine: Vec<(usize, &Stroke)> = strokes.iter().enumerate().filter(|(_, s)| voices.contains(&s.voice)).collect();
    if mine.is_empty() {
        return Vec::new();
    }
    let mut sounds = Sounds::new(spec, voices, f64::INFINITY);
    let mut out: Vec<(Source, Vec<f32>)> = Vec::new();
    for (k, (index, stroke)) in mine.iter().enumerate() {
        let start = start_of(stroke, rate);
        let until = mine
            .get(k + 1)
            .filter(|_| stroke.voice.is_hat())
            .map(|(_, next)| start_of(next, rate).saturating_sub(start));
        let longest = frames.saturating_sub(start);
        sounds.sound(stroke, until, longest, dice_of(spec, *index), &mut |source, delay, wave| {
            let k = out.iter().position(|(s, _)| *s == source).unwrap_or_else(|| {
                out.push((source, vec![0.0; frames]));
                out.len() - 1
            });
            if let Some(track) = out[k].1.get_mut(start + delay..) {
                track.iter_mut().zip(wave).for_each(|(a, b)| *a += b);
            }
        });
    }
    out
}

fn start_of(stroke: &Stroke, rate: f64) -> usize {
    (stroke.time.0 * rate).round().max(0.0) as usize
}

/// What the room answers to the whole kit.
fn room_of(spec: &DemoSpec, sources: &[(Source, Vec<f32>)], frames: usize, rate: f64) -> [Vec<f32>; 4] {
    let mut sum = vec![0f32; frames];
    for (source, wave) in sources {
        // From the middle of the room all sources are about as far away as the room mic.
        let level = path(spec, *source, DemoMic::Room).gain.abs() as f32 * 3.5;
        sum.iter_mut().zip(wave).for_each(|(a, b)| *a += level * b);
    }
    room::answer(&sum, spec.room_ring, rate)
}

/// Adds a source to what a mic hears: delay to a fraction of a sample (Lagrange interpolation over four
/// samples), level, air and shells.
pub(super) fn travel(wave: &[f32], way: &Path, rate: f64, out: &mut [f32]) {
    let delay = way.delay.0 * rate;
    // Four points around the wanted place; the fraction lies between the middle two, or early where the way is short.
    let whole = (delay.floor() as usize).saturating_sub(1);
    let d = delay - whole as f64;
    let taps: [f32; 4] = [
        (-(d - 1.0) * (d - 2.0) * (d - 3.0) / 6.0) as f32,
        (d * (d - 2.0) * (d - 3.0) / 2.0) as f32,
        (-d * (d - 1.0) * (d - 3.0) / 2.0) as f32,
        (d * (d - 1.0) * (d - 2.0) / 6.0) as f32,
    ];
    let (mut dull, mut thin) = (Pole::new(way.dull, rate), Pole::new(way.thin, rate));
    let gain = way.gain as f32;
    let mut last = [0f32; 4];
    let Some(out) = out.get_mut(whole..) else { return };
    for (y, &x) in out.iter_mut().zip(wave) {
        last = [x, last[0], last[1], last[2]];
        let moved = taps[0] * last[0] + taps[1] * last[1] + taps[2] * last[2] + taps[3] * last[3];
        *y += gain * thin.high(dull.low(moved));
    }
}

/// One stroke alone in one mic, gain not included: no room, no noise.
fn alone(
    spec: &DemoSpec,
    sounds: &mut Sounds<'_>,
    stroke: &Stroke,
    dice: Dice,
    mic: DemoMic,
    out: &mut Vec<f32>,
    n: usize,
) {
    let rate = spec.rate.hz_f64();
    out.clear();
    out.resize(n, 0.0);
    let mut wave = Vec::new();
    sounds.sound(stroke, None, n, dice, &mut |source, delay, part| {
        // The wires that another drum sets off are heard as that drum's bleed, not as its stroke.
        if mic.is_close() && !owns(mic, source) {
            return;
        }
        wave.clear();
        wave.resize(delay, 0.0);
        wave.extend_from_slice(part);
        // The way goes on after the stroke's sound has ended.
        wave.resize(n.max(wave.len()), 0.0);
        travel(&wave, &path(spec, source, mic), rate, out);
    });
}

/// The attack and peak of a stroke in its own close mic, measured on the stroke alone.
pub(super) struct Attack {
    /// Samples from the rounded stroke time to where 5 % of the peak of the first 30 ms is first reached.
    pub first: usize,
    /// Highest absolute value in the first 100 ms, preamplifier gain not included.
    pub peak: f64,
}

/// Measures the attacks of the given strokes (index in the performance, stroke) in a mic.
pub(super) fn attacks(spec: &DemoSpec, strokes: &[(usize, Stroke)], mic: DemoMic) -> Vec<Attack> {
    let rate = spec.rate.hz_f64();
    let n = (0.1 * rate) as usize;
    let early = (0.03 * rate) as usize;
    let mut sounds = Sounds::new(spec, &[], 0.0);
    let mut y = Vec::new();
    strokes
        .iter()
        .map(|(index, stroke)| {
            alone(spec, &mut sounds, stroke, dice_of(spec, *index), mic, &mut y, n);
            let top = |part: &[f32]| part.iter().fold(0f32, |a, x| a.max(x.abs()));
            // The 30 ms begin where the sound arrives.
            let arrived = y.iter().position(|x| x.abs() > 0.0).unwrap_or(0);
            let line = 0.05 * top(&y[arrived..(arrived + early).min(n)]);
            let first = y.iter().position(|x| x.abs() >= line).unwrap_or(0);
            Attack { first, peak: f64::from(top(&y)) }
        })
        .collect()
}

/// The start of a stroke as counted by [`Attack::first`].
pub(super) fn frame_of(spec: &DemoSpec, stroke: &Stroke) -> usize {
    start_of(stroke, spec.rate.hz_f64())
}

/// Every drum once, loud; gains set so that nothing comes near full scale.
fn sound_check(spec: &DemoSpec) -> Vec<(DemoMic, f64)> {
    let n = (CHECK * spec.rate.hz_f64()) as usize;
    let mut sounds = Sounds::new(spec, &Voice::ALL, CHECK);
    let touch = if spec.drummer.rimshots > 0.0 { Touch::Rimshot } else { Touch::Plain };
    let mut y = Vec::new();
    spec.mics
        .iter()
        .map(|&mic| {
            let mut own = 0f32;
            for voice in Voice::ALL {
                let stroke = Stroke { time: Default::default(), voice, strength: 1.0, touch };
                alone(spec, &mut sounds, &stroke, Dice::for_item(spec.seed, 7, voice as u64), mic, &mut y, n);
                own = y.iter().fold(own, |a, x| a.max(x.abs()));
            }
            let want = amplitude(if mic.is_close() { CLOSE_PEAK_DB } else { FAR_PEAK_DB });
            (mic, if own > 0.0 { want / f64::from(own) } else { 1.0 })
        })
        .collect()
}
