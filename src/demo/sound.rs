//! The sound of one stroke: membranes, wires, wood and bronze, each stroke a little different.

use super::dice::Dice;
use super::modes::{Glide, Hiss, Mode, Swell, amplitude, blow, membrane, ring};
use super::plate::Plate;
use super::spec::DemoSpec;
use super::stage::Source;
use super::stroke::{Stroke, Touch, Voice};

/// Level for a strength: 30 dB a decade.
pub(super) fn force_of(strength: f64) -> f64 {
    libm::pow(strength.clamp(0.0, 1.0), 1.5)
}

/// Receives what a stroke sounds like at its source: the source, samples after the stroke's time, sound.
pub(super) type Put<'a> = dyn FnMut(Source, usize, &[f32]) + 'a;

/// Makes strokes sound.
pub(super) struct Sounds<'a> {
    spec: &'a DemoSpec,
    rate: f64,
    hat: Plate,
    ride: Plate,
    crash: Plate,
    scratch: Vec<f32>,
}

impl<'a> Sounds<'a> {
    /// Ready to sound the given voices for at most `longest` seconds each (cymbals cost time to make, so only those
    /// that are asked for).
    pub(super) fn new(spec: &'a DemoSpec, voices: &[Voice], longest: f64) -> Self {
        let rate = spec.rate.hz_f64();
        let c = spec.kit.cymbals;
        let seed = |k| Dice::for_item(spec.seed, 2, k);
        let wanted = |hat: bool, v: Voice| voices.iter().any(|w| if hat { w.is_hat() } else { *w == v });
        let plate = |wanted: bool, groups, low, high, ring, dice| {
            if wanted { Plate::new(groups, low, high, ring, longest, c.bright, rate, dice) } else { Plate::none() }
        };
        Self {
            spec,
            rate,
            hat: plate(wanted(true, Voice::HatOpen), 12, 420.0, 15_500.0, c.open, seed(0)),
            ride: plate(wanted(false, Voice::Ride), 14, 280.0, 13_500.0, c.ride, seed(1)),
            crash: plate(wanted(false, Voice::Crash), 18, 230.0, 15_500.0, c.crash, seed(2)),
            scratch: Vec::new(),
        }
    }

    /// Sounds one stroke, at most `longest` samples of it. `until` is when hats are struck again, samples after
    /// the stroke. The dice decide how it differs from its neighbours.
    pub(super) fn sound(
        &mut self,
        stroke: &Stroke,
        until: Option<usize>,
        longest: usize,
        dice: Dice,
        put: &mut Put<'_>,
    ) {
        match stroke.voice {
            Voice::Kick => self.kick(stroke, longest, dice, put),
            Voice::Snare => self.snare(stroke, longest, dice, put),
            Voice::TomHigh | Voice::TomFloor => self.tom(stroke, longest, dice, put),
            Voice::Sticks => self.sticks(stroke, longest, dice, put),
            Voice::HatClosed | Voice::HatOpen | Voice::HatPedal => self.hats(stroke, until, longest, dice, put),
            Voice::Ride => self.cymbal(Source::Ride, stroke, longest, dice, put),
            Voice::Crash => self.cymbal(Source::Crash, stroke, longest, dice, put),
        }
    }

    fn samples(&self, seconds: f64, longest: usize) -> usize {
        ((seconds * self.rate) as usize).min(longest)
    }

    fn cleared(&mut self, n: usize) -> Vec<f32> {
        let mut y = std::mem::take(&mut self.scratch);
        y.clear();
        y.resize(n, 0.0);
        y
    }

    fn kick(&mut self, s: &Stroke, longest: usize, mut d: Dice, put: &mut Put<'_>) {
        let k = self.spec.kit.kick;
        let variety = self.spec.kit.variety;
        let a = force_of(s.strength);
        let v = s.strength;
        let n = self.samples(k.ring * 1.1, longest);
        let mut y = self.cleared(n);
        let pitch = k.hz * (1.0 + 0.006 * variety * d.bell());
        let radius = (0.07 + 0.05 * variety * d.even()).min(0.9);
        let mut modes = membrane(pitch, k.ring, 1.5, radius, &mut d);
        // The front head and the air between sound a fifth to an octave above.
        modes.push(Mode { hz: pitch * 1.83, ring: k.ring * 0.45, gain: 0.3 * d.between(0.7, 1.2) });
        let contact = 0.0068 - 0.0034 * k.beater - 0.0016 * v + 0.0003 * variety * d.bell();
        let glide = Glide { amount: k.glide * v, seconds: 0.022 };
        ring(&modes, &blow(contact.max(0.001), self.rate), glide, self.rate, a as f32, &mut y);
        put(Source::KickHead, 0, &y);
        self.scratch = y;

        let bright = libm::pow(v, 0.7) * (0.16 + 0.5 * k.beater) * (1.0 + 0.12 * variety * d.bell());
        let hiss = Hiss::new(
            900.0 + 1600.0 * k.beater,
            3_500.0 + 4_500.0 * k.beater,
            self.rate,
            Dice::new(d.below(1 << 30) as u64),
        );
        let swell = Swell::new(0.0006 + 0.0012 * (1.0 - k.beater), 0.016 + 0.02 * (1.0 - k.beater), self.rate);
        let delay = (contact * 0.25 * self.rate) as usize;
        self.burst(Source::KickClick, delay, 0.05, longest, a * bright, hiss, swell, put);
        let dice = Dice::new(d.below(1 << 30) as u64);
        self.buzz(a * (1.0 + 0.3 * variety * d.bell()).max(0.0), 0.0035, longest, dice, put);
    }

    /// Wires that answer another drum.
    fn buzz(&mut self, level: f64, delay: f64, longest: usize, dice: Dice, put: &mut Put<'_>) {
        let snare = self.spec.kit.snare;
        let level = level * 0.055 * snare.buzz * snare.wires;
        let hiss = Hiss::new(1_600.0, 6_500.0, self.rate, dice);
        let swell = Swell::new(0.006, 0.9 * snare.wire_ring + 0.05, self.rate);
        self.burst(Source::Wires, (delay * self.rate) as usize, snare.wire_ring, longest, level, hiss, swell, put);
    }

    /// Shaped noise from a source.
    #[allow(clippy::too_many_arguments, reason = "one picture, one sound: what it is made of")]
    fn burst(
        &mut self,
        source: Source,
        delay: usize,
        seconds: f64,
        longest: usize,
        level: f64,
        mut hiss: Hiss,
        mut swell: Swell,
        put: &mut Put<'_>,
    ) {
        let n = self.samples(seconds, longest.saturating_sub(delay));
        let mut y = self.cleared(n);
        for x in &mut y {
            *x = level as f32 * hiss.next() * swell.next();
        }
        put(source, delay, &y);
        self.scratch = y;
    }

    fn snare(&mut self, s: &Stroke, longest: usize, mut d: Dice, put: &mut Put<'_>) {
        let k = self.spec.kit.snare;
        let variety = self.spec.kit.variety;
        let a = force_of(s.strength);
        let v = s.strength;
        let n = self.samples(k.ring * 1.1 + 0.05, longest);
        let mut y = self.cleared(n);
        // Accents land nearer the middle, ghost notes further out.
        let radius = (0.22 + 0.22 * (1.0 - v) + 0.07 * variety * d.bell()).clamp(0.0, 0.85);
        let pitch = k.hz * (1.0 + 0.004 * variety * d.bell());
        let mut modes = membrane(pitch, k.ring, 0.55, radius, &mut d);
        let contact = 0.0019 - 0.0010 * v + 0.0001 * variety * d.bell();
        let (head, hoop, wires, stick) = match s.touch {
            Touch::Plain => (1.0, 0.0, 1.0, 1.0),
            Touch::Rimshot => (1.1, 1.0, 1.0, 1.8),
            Touch::CrossStick => (0.07, 0.8, 0.10, 0.5),
            Touch::Brush => (0.25, 0.0, 0.55, 0.0),
        };
        modes.iter_mut().for_each(|m| m.gain *= head);
        let wood = if s.touch == Touch::CrossStick { 0.12 } else { 0.22 };
        for (ratio, gain) in [(2.9, 0.30), (4.7, 0.34), (7.9, 0.28), (12.4, 0.20), (17.0, 0.12)] {
            let hz = k.hz * ratio * (1.0 + 0.01 * d.bell());
            // The shell answers every stroke a little, the hoop only when it is struck.
            let gain = gain * (0.10 + hoop) * d.between(0.7, 1.3) * if d.chance(0.5) { 1.0 } else { -1.0 };
            modes.push(Mode { hz, ring: wood, gain });
        }
        let mut force = blow(contact.max(0.0004), self.rate);
        if s.touch == Touch::Brush {
            // Many wires, one after another.
            let mut fan = vec![0f32; self.samples(0.030, longest)];
            for _ in 0..24 {
                let at = ((d.even() + d.even()) * 0.5 * fan.len() as f64) as usize;
                for (f, b) in fan.iter_mut().skip(at).zip(&force) {
                    *f += b * d.between(0.02, 0.07) as f32;
                }
            }
            force = fan;
        }
        let glide = Glide { amount: 0.06 * v, seconds: 0.03 };
        ring(&modes, &force, glide, self.rate, a as f32, &mut y);
        if stick > 0.0 {
            let mut hiss = Hiss::new(2_400.0, 11_000.0, self.rate, Dice::new(d.below(1 << 30) as u64));
            let mut swell = Swell::new(0.00025, 0.012 + 0.006 * d.even(), self.rate);
            let level = (0.28 * stick * a * libm::pow(v, 0.4) * d.between(0.8, 1.2)) as f32;
            for x in y.iter_mut().take((0.03 * self.rate) as usize) {
                *x += level * hiss.next() * swell.next();
            }
        }
        put(Source::SnareHead, 0, &y);
        self.scratch = y;

        // Wires follow the lower head: softer strokes have relatively more of them.
        let level = 0.62 * k.wires * wires * libm::pow(v, 1.3) * (1.0 + 0.12 * variety * d.bell());
        let hiss =
            Hiss::new(1_500.0 + 300.0 * d.even(), 7_500.0 + 3_000.0 * v, self.rate, Dice::new(d.below(1 << 30) as u64));
        let rise = if s.touch == Touch::Brush { 0.010 } else { 0.0012 };
        let fall = k.wire_ring * (0.75 + 0.35 * v) * (1.0 + 0.08 * variety * d.bell());
        let swell = Swell::new(rise, fall.max(0.02), self.rate);
        let delay = (0.0007 * self.rate) as usize;
        self.burst(Source::Wires, delay, fall * 1.1, longest, level, hiss, swell, put);
    }

    fn tom(&mut self, s: &Stroke, longest: usize, mut d: Dice, put: &mut Put<'_>) {
        let (k, source) = match s.voice {
            Voice::TomHigh => (self.spec.kit.tom_high, Source::TomHigh),
            _ => (self.spec.kit.tom_floor, Source::TomFloor),
        };
        let variety = self.spec.kit.variety;
        let a = force_of(s.strength);
        let n = self.samples(k.ring * 1.05, longest);
        let mut y = self.cleared(n);
        let radius = (0.22 + 0.10 * variety * d.bell()).clamp(0.0, 0.8);
        let mut modes = membrane(k.hz * (1.0 + 0.004 * variety * d.bell()), k.ring, 1.1, radius, &mut d);
        modes.push(Mode { hz: k.hz * 1.52, ring: k.ring * 0.5, gain: 0.25 });
        let contact = 0.0024 - 0.0010 * s.strength;
        let glide = Glide { amount: 0.14 * s.strength, seconds: 0.05 };
        ring(&modes, &blow(contact, self.rate), glide, self.rate, a as f32, &mut y);
        let mut hiss = Hiss::new(1_800.0, 8_000.0, self.rate, Dice::new(d.below(1 << 30) as u64));
        let mut swell = Swell::new(0.0003, 0.016, self.rate);
        let level = (0.22 * a * d.between(0.8, 1.2)) as f32;
        for x in y.iter_mut().take((0.03 * self.rate) as usize) {
            *x += level * hiss.next() * swell.next();
        }
        put(source, 0, &y);
        self.scratch = y;
        let dice = Dice::new(d.below(1 << 30) as u64);
        self.buzz(0.8 * a, 0.002, longest, dice, put);
    }

    fn sticks(&mut self, s: &Stroke, longest: usize, mut d: Dice, put: &mut Put<'_>) {
        let a = force_of(s.strength);
        let n = self.samples(0.08, longest);
        let mut y = self.cleared(n);
        let modes: Vec<Mode> = [(1_750.0, 1.0), (2_480.0, 0.8), (3_900.0, 0.6), (5_600.0, 0.4)]
            .iter()
            .map(|&(hz, gain)| Mode { hz: hz * (1.0 + 0.01 * d.bell()), ring: 0.05, gain: gain * d.between(0.7, 1.2) })
            .collect();
        ring(&modes, &blow(0.0003, self.rate), Glide::default(), self.rate, a as f32, &mut y);
        put(Source::Sticks, 0, &y);
        self.scratch = y;
    }

    fn hats(&mut self, s: &Stroke, until: Option<usize>, longest: usize, mut d: Dice, put: &mut Put<'_>) {
        let c = self.spec.kit.cymbals;
        let a = force_of(s.strength) * amplitude(c.level.0);
        let (fall, level, rise) = match s.voice {
            Voice::HatOpen => (c.open, 0.9, 0.0002),
            Voice::HatPedal => (c.closed * 0.8, 0.45, 0.0015),
            _ => (c.closed * (0.8 + 0.4 * s.strength) * (1.0 + 0.12 * self.spec.kit.variety * d.bell()), 1.0, 0.0002),
        };
        let choke = until.map(|n| n.saturating_sub((0.002 * self.rate) as usize)).unwrap_or(usize::MAX);
        let choked = choke.saturating_add((0.03 * self.rate) as usize);
        let n = self.samples(fall.max(0.03) * 1.1, longest).min(choked);
        let mut y = self.cleared(n);
        self.hat.strike(a * level, s.strength, self.spec.kit.variety, &mut d, &mut y);
        let mut hiss = Hiss::new(4_500.0, 9_000.0 + 6_000.0 * c.bright, self.rate, Dice::new(d.below(1 << 30) as u64));
        let mut swell = Swell::new(rise, fall.max(0.03), self.rate);
        let mut hand = 1.0f32;
        let damp = libm::exp(-1.0 / (0.006 * self.rate)) as f32;
        let air = (0.30 * a * level) as f32;
        for (k, x) in y.iter_mut().enumerate() {
            if k >= choke {
                hand *= damp;
            }
            *x = (*x + air * hiss.next()) * swell.next() * hand;
        }
        put(Source::Hat, 0, &y);
        self.scratch = y;
    }

    fn cymbal(&mut self, source: Source, s: &Stroke, longest: usize, mut d: Dice, put: &mut Put<'_>) {
        let c = self.spec.kit.cymbals;
        let a = force_of(s.strength) * amplitude(c.level.0);
        let (ring_time, air, rise) =
            if source == Source::Crash { (c.crash, 0.40, 0.004) } else { (c.ride, 0.10, 0.0004) };
        // A soft stroke sinks into the noise sooner: 60 dB below a full stroke is enough.
        let seconds = ring_time * (1.0 + libm::log10(a.max(1e-3)) / 3.0).max(0.2);
        let n = self.samples(seconds, longest);
        let mut y = self.cleared(n);
        let plate = if source == Source::Crash { &self.crash } else { &self.ride };
        plate.strike(a, s.strength, self.spec.kit.variety, &mut d, &mut y);
        let mut hiss = Hiss::new(3_200.0, 9_000.0 + 5_000.0 * c.bright, self.rate, Dice::new(d.below(1 << 30) as u64));
        let mut swell = Swell::new(rise, ring_time * 0.55, self.rate);
        let air = (air * a) as f32;
        for x in &mut y {
            *x += air * hiss.next() * swell.next();
        }
        put(source, 0, &y);
        self.scratch = y;
    }
}
