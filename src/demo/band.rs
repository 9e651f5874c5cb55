//! What the client sent: a rough two-mix with bass, chords, bells and programmed drums, all on the grid; and a
//! programmed shaker.

use super::dice::Dice;
use super::groove::{ClockBar, Layout};
use super::modes::{Glide, Hiss, Mode, Swell, blow, ring};
use crate::units::SampleRate;

/// A chord: bass note, then the notes above, as MIDI note numbers (69 = 440 Hz).
type Chord = (u8, [u8; 4]);

/// The demo song's own harmony, one chord a bar, by section.
fn chords(section: &str) -> &'static [Chord] {
    const VERSE: &[Chord] =
        &[(38, [57, 62, 64, 66]), (43, [59, 62, 66, 67]), (40, [55, 59, 62, 66]), (45, [57, 61, 62, 67])];
    const CHORUS: &[Chord] =
        &[(43, [59, 62, 67, 69]), (45, [57, 61, 64, 69]), (42, [57, 61, 64, 66]), (47, [57, 59, 62, 66])];
    const BRIDGE: &[Chord] =
        &[(40, [55, 59, 62, 67]), (36, [55, 60, 64, 66]), (40, [55, 59, 62, 67]), (45, [57, 62, 64, 67])];
    match section {
        "Chorus" | "Last chorus" => CHORUS,
        "Bridge" | "Turn" => BRIDGE,
        _ => VERSE,
    }
}

fn hertz(note: u8) -> f64 {
    440.0 * libm::pow(2.0, (f64::from(note) - 69.0) / 12.0)
}

/// A stereo and a mono track while they are being made.
struct Desk {
    rate: f64,
    left: Vec<f32>,
    right: Vec<f32>,
}

impl Desk {
    /// A struck string or bar: harmonics (or other partials) of a note, each with its share of level.
    fn pluck(&mut self, at: f64, hz: f64, partials: &[(f64, f64)], seconds: f64, level: f64, pan: f64) {
        let modes: Vec<Mode> = partials
            .iter()
            .map(|&(ratio, gain)| Mode { hz: hz * ratio, ring: seconds / libm::sqrt(ratio), gain })
            .collect();
        let mut y = vec![0f32; (seconds * self.rate) as usize];
        ring(&modes, &blow(0.004, self.rate), Glide::default(), self.rate, level as f32, &mut y);
        self.put(at, &y, pan);
    }

    #[allow(clippy::too_many_arguments, reason = "plain numbers of one sound")]
    fn hiss(&mut self, at: f64, low: f64, high: f64, fall: f64, level: f64, pan: f64, dice: Dice) {
        let mut hiss = Hiss::new(low, high, self.rate, dice);
        let mut swell = Swell::new(0.0003, fall, self.rate);
        let y: Vec<f32> = (0..(fall * self.rate) as usize).map(|_| level as f32 * hiss.next() * swell.next()).collect();
        self.put(at, &y, pan);
    }

    /// Adds a sound, panned with constant power.
    fn put(&mut self, at: f64, sound: &[f32], pan: f64) {
        let angle = (pan + 1.0) * std::f64::consts::FRAC_PI_4;
        let start = (at * self.rate).round().max(0.0) as usize;
        for (side, gain) in [(&mut self.left, libm::cos(angle)), (&mut self.right, libm::sin(angle))] {
            for (y, x) in side.iter_mut().skip(start).zip(sound) {
                *y += gain as f32 * x;
            }
        }
    }
}

const STRING: &[(f64, f64)] = &[(1.0, 1.0), (2.0, 0.45), (3.0, 0.22), (4.0, 0.12), (5.0, 0.06), (6.0, 0.03)];
/// Partials of a free bar (Euler-Bernoulli): 1, 2.757, 5.404.
const BELL: &[(f64, f64)] = &[(1.0, 1.0), (2.757, 0.4), (5.404, 0.2)];

/// The client's two-mix, interleaved left and right, as long as the take.
pub(super) fn guide(layout: &Layout, rate: SampleRate, frames: usize) -> Vec<f32> {
    let mut desk = Desk { rate: rate.hz_f64(), left: vec![0.0; frames], right: vec![0.0; frames] };
    for (n, bar) in layout.clock.iter().enumerate() {
        let quarter = f64::from(bar.quarter_us) * 1e-6;
        let (first, section) = section_of(layout, n);
        if section == "Count-in" {
            for beat in 0..bar.quarters {
                desk.pluck(bar.start + beat as f64 * quarter, 1_760.0, &[(1.0, 1.0)], 0.05, 0.2, 0.0);
            }
            continue;
        }
        let list = chords(section);
        let (bass, notes) = list[(n - first) % list.len()];
        for (k, &note) in notes.iter().enumerate() {
            let pan = -0.5 + 0.33 * k as f64;
            desk.pluck(bar.start, hertz(note), STRING, 2.2, 0.085, pan);
            if bar.quarters == 4 {
                desk.pluck(bar.start + 1.5 * quarter, hertz(note), STRING, 1.4, 0.06, pan);
            }
        }
        if section != "Intro" {
            for (at, up) in [(0.0, 0), (1.5, 0), (2.0, 7), (3.5, 12)] {
                if at < bar.quarters as f64 && (section != "End" || at == 0.0) {
                    desk.pluck(bar.start + at * quarter, hertz(bass + up), STRING, 0.9, 0.20, 0.0);
                }
            }
        }
        if section.contains("horus") {
            for (at, k) in [(0.5, 3), (1.0, 2), (2.5, 1), (3.0, 3)] {
                desk.pluck(bar.start + at * quarter, hertz(notes[k] + 24), BELL, 1.2, 0.05, 0.35);
            }
        }
        programmed(&mut desk, bar, quarter, section, n as u64);
    }
    let top = desk.left.iter().chain(&desk.right).fold(1e-9f32, |a, x| a.max(x.abs()));
    // Three decibels below full scale, as a rough mix comes in.
    let gain = 0.708 / top;
    desk.left.iter().zip(&desk.right).flat_map(|(l, r)| [l * gain, r * gain]).collect()
}

/// The client's drums, by machine: on the grid, every stroke alike.
fn programmed(desk: &mut Desk, bar: &ClockBar, quarter: f64, section: &str, n: u64) {
    if section == "End" || section == "Intro" {
        return;
    }
    for beat in 0..bar.quarters {
        let at = bar.start + beat as f64 * quarter;
        if beat % 2 == 0 {
            desk.pluck(at, 52.0, &[(1.0, 1.0), (2.1, 0.2)], 0.3, 0.35, 0.0);
        } else {
            desk.pluck(at, 195.0, &[(1.0, 0.5), (1.6, 0.3)], 0.12, 0.25, 0.05);
            desk.hiss(at, 1_800.0, 9_000.0, 0.14, 0.30, 0.05, Dice::for_item(n, 8, 1));
        }
        for half in [0.0, 0.5] {
            desk.hiss(at + half * quarter, 6_000.0, 14_000.0, 0.05, 0.12, -0.3, Dice::for_item(n, 8, 2));
        }
    }
}

/// The first bar and the name of the section that a bar belongs to.
fn section_of(layout: &Layout, bar: usize) -> (usize, &str) {
    layout.names.iter().rev().find(|(first, _)| *first <= bar).map_or((0, ""), |(first, name)| (*first, name.as_str()))
}

/// The programmed shaker: sixteenths on the grid with an accent on every beat, in verses and choruses.
pub(super) fn shaker(layout: &Layout, rate: SampleRate, frames: usize) -> Vec<f32> {
    let hz = rate.hz_f64();
    let mut y = vec![0f32; frames];
    for (n, bar) in layout.clock.iter().enumerate() {
        let (_, section) = section_of(layout, n);
        if !(section == "Verse" || section.contains("horus")) {
            continue;
        }
        let step = f64::from(bar.quarter_us) * 1e-6 / 4.0;
        for k in 0..bar.quarters * 4 {
            let level = [1.25, 0.45, 0.85, 0.60][k % 4];
            let mut hiss = Hiss::new(3_800.0, 12_000.0, hz, Dice::for_item(n as u64, 9, k as u64));
            let mut swell = Swell::new(0.012, 0.11, hz);
            // The beads swing before they hit: the sound begins a little before its step.
            let start = ((bar.start + k as f64 * step - 0.014) * hz).round().max(0.0) as usize;
            for x in y.iter_mut().skip(start).take((0.11 * hz) as usize) {
                *x += level * hiss.next() * swell.next();
            }
        }
    }
    y
}
