//! One recording on its way into the delivery: from zero to the song's end, at the delivery's rate and depth.
//!
//! In: a source and the plan. Out: the bytes of its `data` chunk, block by block, and what was done to them. Where nothing
//! has to be done, the stored values pass untouched.

use super::plan::{Item, Kind, Plan};
use super::scan::{AT_ONCE, Block, Facts, Source};
use crate::audio::{Dither, Resampler, SampleFormat, pcm};
use crate::error::Result;
use crate::song::Polarity;
use crate::units::{Dbfs, Decibels, SamplePos};

/// What the peaks of a guide or the rough mix stay under once it is lowered.
const GUIDE_BELOW: Dbfs = Dbfs(-0.5);

/// The gain that a guide or the rough mix is delivered with: 0 dB, or less where its peaks lie above full scale, as those of a
/// loud compressed two-mix do once it is decoded or brought to another rate. It is only there to be listened to; a recording
/// keeps its level.
pub(super) fn guide_gain(item: &Item, facts: &Facts) -> Decibels {
    let peak = highest(facts);
    let listened_to = matches!(item.kind, Kind::Guide | Kind::Mix);
    if listened_to && peak.0 > 0.0 { Decibels(GUIDE_BELOW.0 - peak.0) } else { Decibels(0.0) }
}

/// The highest peak of a file, as it is and as it is to be delivered.
pub(super) fn highest(facts: &Facts) -> Dbfs {
    let between = facts.true_peak.map_or(Dbfs::SILENCE.0, |p| p.0);
    Dbfs(facts.levels.peak.0.max(facts.peak.0).max(between))
}

/// Whether a recording's samples can be stored in the delivery value for value.
pub(super) fn is_exact(item: &Item, plan: &Plan, facts: &Facts) -> bool {
    item.info.rate == plan.rate && facts.bits.is_some_and(|needs| needs <= plan.bits)
}

/// A recording being converted.
pub(super) struct Conversion {
    source: Source,
    resampler: Option<Resampler>,
    /// Present where samples do not keep the stored values.
    dither: Option<Dither>,
    format: SampleFormat,
    /// Bits that stored integers are shifted up by, or down.
    shift: i32,
    /// Factor of every sample that does not keep its stored value.
    factor: f32,
    invert: bool,
    channels: usize,
    frames: u64,
    given: u64,
    done: bool,
    crc: crc32fast::Hasher,
    floats: Vec<f32>,
    ints: Vec<i32>,
    /// Squared error of the rounding with dither, full scale 1, and how many samples.
    error: (f64, u64),
    treatment: Vec<String>,
}

impl Conversion {
    /// Opens a source. `seed` tells the dither of one file from that of another.
    pub fn open(item: &Item, plan: &Plan, facts: &Facts, apply_polarity: bool, seed: u64) -> Result<Self> {
        let invert = apply_polarity && item.polarity == Polarity::Invert;
        let format = plan.format();
        let stored = item.info.format;
        let same_rate = item.info.rate == plan.rate;
        let exact = is_exact(item, plan, facts);
        let mut treatment = Vec::new();
        if let Some(side) = item.side() {
            treatment.push(format!("the {side} side of a stereo recording"));
        }
        if invert {
            treatment.push("sign flipped".into());
        }
        let gain = guide_gain(item, facts);
        if gain.0 < 0.0 {
            treatment.push(format!("lowered by {:.1} dB, for its peaks lie above full scale", -gain.0));
        }
        if !same_rate {
            treatment.push(format!("converted from {} to {}", item.info.rate, plan.rate));
        }
        let resampler =
            if same_rate { None } else { Some(Resampler::new(item.info.rate, plan.rate, item.info.channels)?) };
        if exact && stored != format {
            let float = if stored.is_integer() { "" } else { " floating point" };
            treatment.push(format!("{} bit{float} stored as {} bit, value for value", stored.bits(), plan.bits));
        }
        let shift = i32::from(plan.bits) - i32::from(stored.bits());
        let source = Source::open(&item.source, item.channel, !exact)?.until(facts.frames);
        Ok(Self {
            source,
            resampler,
            dither: (!exact).then(|| Dither::new(seed)),
            format,
            shift,
            factor: gain.gain() as f32,
            invert,
            channels: usize::from(item.info.channels),
            frames: plan.frames,
            given: 0,
            done: false,
            crc: crc32fast::Hasher::new(),
            floats: Vec::new(),
            ints: Vec::new(),
            error: (0.0, 0),
            treatment,
        })
    }

    /// Puts the next bytes into `out`; none at the end.
    pub fn next(&mut self, out: &mut Vec<u8>) -> Result<()> {
        out.clear();
        while out.is_empty() && self.given < self.frames {
            self.ints.clear();
            if self.done {
                self.pad();
            } else {
                self.convert()?;
            }
            let most = (self.frames - self.given).saturating_mul(self.channels as u64);
            self.ints.truncate(usize::try_from(most).unwrap_or(usize::MAX));
            self.given += (self.ints.len() / self.channels) as u64;
            pcm::from_ints(self.format, &self.ints, out);
        }
        Ok(())
    }

    fn pad(&mut self) {
        if self.floats.capacity() > 0 {
            self.floats = Vec::new();
        }
        let left = (self.frames - self.given).min(AT_ONCE as u64) as usize;
        self.ints.resize(left * self.channels, 0);
    }

    fn convert(&mut self) -> Result<()> {
        let n = self.source.next(AT_ONCE)?;
        if n > 0 {
            self.crc.update(self.source.block.bytes());
        }
        let Some(dither) = &mut self.dither else {
            let Block { ints, floats, .. } = &self.source.block;
            match self.shift {
                _ if ints.is_empty() => self.ints.extend(floats.iter().map(|&x| pcm::nearest(self.format, x))),
                0 => self.ints.extend_from_slice(ints),
                up @ 1.. => self.ints.extend(ints.iter().map(|v| v << up)),
                down => self.ints.extend(ints.iter().map(|v| v >> -down)),
            }
            if self.invert {
                // The most negative value has no counterpart; the writer holds it at full scale.
                self.ints.iter_mut().for_each(|v| *v = v.saturating_neg());
            }
            self.end_of_source(n);
            return Ok(());
        };
        self.floats.clear();
        match (&mut self.resampler, n) {
            (None, _) => self.floats.extend_from_slice(&self.source.block.floats),
            (Some(r), 1..) => r.push(&self.source.block.floats, &mut self.floats)?,
            (r, 0) => {
                if let Some(r) = r.take() {
                    r.finish(&mut self.floats)?;
                }
            }
        }
        let factor = if self.invert { -self.factor } else { self.factor };
        self.floats.iter_mut().for_each(|v| *v *= factor);
        dither.quantise(self.format, &self.floats, &mut self.ints);
        let full = pcm::full_scale(self.format);
        for (&x, &q) in self.floats.iter().zip(&self.ints) {
            // What full scale holds back is no noise; the checks tell of it.
            if x.abs() < 1.0 {
                let e = f64::from(q) / full - f64::from(x);
                self.error.0 += e * e;
                self.error.1 += 1;
            }
        }
        self.end_of_source(n);
        Ok(())
    }

    fn end_of_source(&mut self, read: usize) {
        self.done = read == 0;
    }

    /// CRC-32 of the samples as they were read, to be compared with the first look. The source is read to its end first.
    pub fn source_crc(&mut self) -> Result<u32> {
        // A conversion that is cut at the song's end may leave a rest of a block unread.
        while self.source.next(AT_ONCE)? > 0 {
            self.crc.update(self.source.block.bytes());
        }
        Ok(self.crc.clone().finalize())
    }

    /// What was done, in order; empty where the samples are the recording's own. `sounding` frames of the delivered file
    /// came from the recording.
    pub fn treatment(&self, sounding: u64, cut: bool) -> Vec<String> {
        let mut all = self.treatment.clone();
        if self.error.1 > 0 {
            let rms = (self.error.0 / self.error.1 as f64).sqrt();
            let noise = Dbfs(20.0 * rms.max(1e-10).log10());
            all.push(format!("rounded to {} bit with dither (its noise: {noise})", self.format.bits()));
        }
        if cut {
            all.push("cut at the song's end".into());
        }
        if sounding < self.frames {
            all.push(format!("{} samples of silence added at the end", SamplePos(self.frames - sounding)));
        }
        all
    }
}
