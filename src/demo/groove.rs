//! From written parts to strokes as a person plays them.

use super::dice::Dice;
use super::part::{Bar, Lane, Part, story, vocabulary};
use super::spec::{DemoSpec, Style};
use super::stroke::{Stroke, Touch, Voice};
use crate::units::Seconds;

/// A bar on the clock.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct ClockBar {
    /// Its start, seconds from the take's first sample.
    pub start: f64,
    /// Quarters in it.
    pub quarters: usize,
    /// Length of a quarter as a MIDI file stores it, microseconds.
    pub quarter_us: u32,
}

/// A song laid out in time, bar 1 being the count-in.
#[derive(Clone, Debug)]
pub(super) struct Layout {
    /// Every bar.
    pub clock: Vec<ClockBar>,
    /// Names with the index of the bar that they begin at.
    pub names: Vec<(usize, String)>,
    /// What is written in each bar; `None` for the count-in.
    written: Vec<Option<Bar>>,
    /// End of the last bar, seconds.
    pub end: f64,
}

/// Lays out the song of a spec.
pub(super) fn layout(spec: &DemoSpec) -> Layout {
    let parts = if spec.style == Style::Story { story() } else { general(spec) };
    let quarter = |tempo: f64| (60e6 / (spec.bpm * tempo)).round() as u32;
    let first = parts.first().map_or(1.0, |p| p.tempo);
    let mut out = Layout { clock: Vec::new(), names: vec![(0, "Count-in".into())], written: Vec::new(), end: 0.0 };
    // Running sums in whole microseconds, as a reader of the tempo file will have them.
    let mut now_us = 0u64;
    let mut add = |out: &mut Layout, bar: Option<Bar>, quarter_us: u32| {
        let quarters = bar.map_or(4, |b| b.quarters);
        out.clock.push(ClockBar { start: now_us as f64 * 1e-6, quarters, quarter_us });
        out.written.push(bar);
        now_us += u64::from(quarter_us) * quarters as u64;
        out.end = now_us as f64 * 1e-6;
    };
    add(&mut out, None, quarter(first));
    for part in parts {
        out.names.push((out.clock.len(), part.name.clone()));
        for bar in part.bars {
            add(&mut out, Some(bar), quarter(part.tempo));
        }
    }
    out
}

/// Parts for the general styles: bars drawn from a vocabulary, a fill every fourth or eighth bar, one change of tempo.
fn general(spec: &DemoSpec) -> Vec<Part> {
    let mut d = Dice::for_item(spec.seed, 3, 0);
    let (usual, fills) = vocabulary(spec.style);
    let phrase = if d.chance(0.5) { 4 } else { 8 };
    let change = spec.bars / 2;
    let mut parts = Vec::new();
    for (name, from, to) in [("A", 0, change), ("B", change, spec.bars)] {
        let favourite = d.below(usual.len());
        let bars = (from..to)
            .map(|n| {
                if (n + 1) % phrase == 0 {
                    fills[d.below(fills.len())]
                } else if d.chance(0.6) {
                    usual[favourite]
                } else {
                    usual[d.below(usual.len())]
                }
            })
            .collect::<Vec<_>>();
        if !bars.is_empty() {
            parts.push(Part { name: name.into(), tempo: if name == "A" { 1.0 } else { d.between(0.94, 1.06) }, bars });
        }
    }
    parts
}

/// The whole performance, in order of time: the layout played by the spec's drummer.
pub(super) fn perform(spec: &DemoSpec, layout: &Layout) -> Vec<Stroke> {
    let mut hand = Hand::new(spec);
    for (clock, bar) in layout.clock.iter().zip(&layout.written) {
        match bar {
            None => {
                for beat in 0..clock.quarters {
                    let time = clock.start + beat as f64 * f64::from(clock.quarter_us) * 1e-6;
                    hand.play(time, Voice::Sticks, 0.55, Touch::Plain, 0.0);
                }
            }
            Some(bar) => hand.bar(clock, bar),
        }
    }
    let mut strokes = hand.strokes;
    strokes.sort_by(|a, b| a.time.0.total_cmp(&b.time.0).then(a.voice.cmp(&b.voice)));
    // One drum cannot be struck twice within 20 ms by the same hand: the second stroke did not happen.
    let mut last = [f64::NEG_INFINITY; Voice::ALL.len()];
    strokes.retain(|s| {
        let slot = &mut last[s.voice as usize];
        let kept = s.time.0 - *slot >= 0.020;
        if kept {
            *slot = s.time.0;
        }
        kept
    });
    strokes
}

/// A drummer at work.
struct Hand<'a> {
    spec: &'a DemoSpec,
    dice: Dice,
    drift: f64,
    strokes: Vec<Stroke>,
}

impl<'a> Hand<'a> {
    fn new(spec: &'a DemoSpec) -> Self {
        Self { spec, dice: Dice::for_item(spec.seed, 4, 0), drift: 0.0, strokes: Vec::new() }
    }

    fn play(&mut self, time: f64, voice: Voice, strength: f64, touch: Touch, late_ms: f64) {
        let p = &self.spec.drummer;
        let strength =
            (strength * (1.0 + 0.3 * p.uneven * self.dice.bell()) + p.uneven * 0.5 * self.dice.bell()).clamp(0.05, 1.0);
        let own = if voice == Voice::Sticks { 0.3 } else { 1.0 };
        let time = time + (late_ms + own * p.spread_ms * self.dice.bell() + own * self.drift) * 1e-3;
        self.strokes.push(Stroke { time: Seconds(time.max(0.0)), voice, strength, touch });
    }

    fn bar(&mut self, clock: &ClockBar, bar: &Bar) {
        let steps = bar.steps();
        let bar_seconds = clock.quarters as f64 * f64::from(clock.quarter_us) * 1e-6;
        let step = bar_seconds / steps.max(1) as f64;
        let straight = steps == clock.quarters * 4;
        for n in 0..steps {
            // First-order wandering: each step keeps most of the last one's error.
            self.drift = 0.985 * self.drift + 0.172 * self.spec.drummer.drift_ms * self.dice.bell();
            let swung = if straight && n % 2 == 1 { (self.spec.drummer.swing - 0.5) * 2.0 * step } else { 0.0 };
            let time = clock.start + n as f64 * step + swung;
            for (lane, line) in bar.lines {
                let sign = line.as_bytes().get(n).copied().unwrap_or(b'.');
                if sign != b'.' {
                    self.sign(*lane, sign, time, step);
                }
            }
            if self.spec.style != Style::Story {
                self.embellish(bar, n, time);
            }
        }
    }

    /// What a player adds or leaves: now and then a ghost note or a soft kick between the written ones.
    fn embellish(&mut self, bar: &Bar, n: usize, time: f64) {
        let free = |lane| bar.lines.iter().all(|(l, line)| *l != lane || line.as_bytes().get(n) == Some(&b'.'));
        let often = if self.spec.style == Style::Ghosted { 0.06 } else { 0.02 };
        if free(Lane::Snare) && self.dice.chance(often) {
            self.sign(Lane::Snare, b'g', time, 0.1);
        }
        if free(Lane::Kick) && self.dice.chance(0.02) {
            self.sign(Lane::Kick, b'g', time, 0.1);
        }
    }

    fn sign(&mut self, lane: Lane, sign: u8, time: f64, step: f64) {
        let p = self.spec.drummer;
        let level = |x: f64, accent: f64, soft: f64| match sign {
            b'X' => accent,
            b'g' => soft,
            _ => x,
        };
        match lane {
            Lane::Kick => {
                let strength = level(0.80 * p.accent / 0.86, 0.92, 0.42);
                self.play(time, Voice::Kick, strength, Touch::Plain, p.kick_ms);
                if sign == b'd' {
                    self.play(time + step * 0.5, Voice::Kick, strength * 0.9, Touch::Plain, p.kick_ms);
                }
            }
            Lane::Snare => self.snare(sign, time, step),
            Lane::Hat => {
                let (voice, strength) = match sign {
                    b'o' => (Voice::HatOpen, 0.62),
                    b'p' => (Voice::HatPedal, 0.5),
                    _ => (Voice::HatClosed, level(0.52, 0.70, 0.32)),
                };
                self.play(time, voice, strength, Touch::Plain, p.hat_ms);
                if sign == b'r' {
                    self.play(time + step * 0.5, voice, strength * 0.8, Touch::Plain, p.hat_ms);
                }
            }
            Lane::Ride => self.play(time, Voice::Ride, level(0.52, 0.68, 0.34), Touch::Plain, p.hat_ms),
            Lane::Crash => self.play(time, Voice::Crash, level(0.70, 0.85, 0.4), Touch::Plain, p.hat_ms * 0.5),
            Lane::High => self.play(time, Voice::TomHigh, level(0.70, 0.85, 0.35), Touch::Plain, p.snare_ms * 0.5),
            Lane::Floor => self.play(time, Voice::TomFloor, level(0.72, 0.88, 0.35), Touch::Plain, p.snare_ms * 0.5),
        }
    }

    fn snare(&mut self, sign: u8, time: f64, step: f64) {
        let p = self.spec.drummer;
        let plain = if p.brushes { Touch::Brush } else { Touch::Plain };
        let late = p.snare_ms;
        let main = |hand: &mut Self, strength: f64| {
            let touch =
                if !p.brushes && strength > 0.8 && hand.dice.chance(p.rimshots) { Touch::Rimshot } else { plain };
            (strength, touch)
        };
        match sign {
            b'g' => self.play(time, Voice::Snare, p.ghost, plain, late * 0.5),
            b'm' => self.play(time, Voice::Snare, 0.58, plain, late * 0.5),
            b'c' => {
                let touch = if p.brushes { Touch::Brush } else { Touch::CrossStick };
                self.play(time, Voice::Snare, 0.72, touch, late);
            }
            b'f' => {
                // The grace note falls before the beat; the written main stroke follows at once.
                let gap = self.dice.between(0.020, 0.038);
                let (strength, touch) = main(self, p.accent);
                let jitter = p.spread_ms * self.dice.bell();
                self.tight(time - gap, p.ghost * 1.5, plain, late + jitter);
                self.tight(time, strength, touch, late + jitter);
            }
            b'd' => {
                let gap = self.dice.between(0.038, 0.055);
                let (strength, touch) = main(self, p.accent * 0.95);
                let jitter = p.spread_ms * self.dice.bell();
                self.tight(time - 2.0 * gap, p.ghost * 1.25, plain, late + jitter);
                self.tight(time - gap, p.ghost * 1.4, plain, late + jitter);
                self.tight(time, strength, touch, late + jitter);
            }
            b'r' | b't' => {
                let n = if sign == b'r' { 2 } else { 3 };
                for k in 0..n {
                    let soft = if k == 0 { 0.55 } else { 0.46 };
                    self.play(time + step * f64::from(k) / f64::from(n), Voice::Snare, soft, plain, late * 0.5);
                }
            }
            _ => {
                let (strength, touch) = main(self, if sign == b'X' { (p.accent * 1.08).min(1.0) } else { p.accent });
                self.play(time, Voice::Snare, strength, touch, late);
            }
        }
    }

    /// Strokes that belong together: they share one error and differ by a millisecond.
    fn tight(&mut self, time: f64, strength: f64, touch: Touch, late_ms: f64) {
        let spread = self.spec.drummer.uneven;
        let strength = (strength * (1.0 + spread * self.dice.bell())).clamp(0.05, 1.0);
        let time = time + (late_ms + self.drift + 0.8 * self.dice.bell()) * 1e-3;
        self.strokes.push(Stroke { time: Seconds(time.max(0.0)), voice: Voice::Snare, strength, touch });
    }
}
