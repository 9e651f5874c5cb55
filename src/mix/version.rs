//! One version of the mix: how loud it is made, what the safety limiter takes, and the file.
//!
//! In: the buses and their proportions. Out: a 24-bit WAV file that says it begins at zero (`bext`, EBU Tech 3285), and what was
//! measured of it.

use super::bus::{Buses, Sends};
use super::{Dbtp, Limited, Limiter, Loudness, Lufs, Meter, Watch};
use crate::audio::{Bext, Dither, SampleFormat, WavExtras, WavSpec, WavWriter};
use crate::error::Result;
use crate::output::AtomicFile;
use crate::song::{RoughPlan, Song};
use crate::units::{Decibels, SampleRate};
use serde::Serialize;
use std::path::{Path, PathBuf};

/// The most that the safety limiter takes off a peak where no loudness was asked for. Drums alone have peaks 18 to 22 dB
/// above their loudness; a limiter that takes much more than this rounds off the strokes that are to be judged.
pub const UNASKED: Decibels = Decibels(3.0);
/// From here on what it takes for a loudness that was asked for is said.
pub const GENTLE: Decibels = Decibels(6.0);
/// The most that it may take at all. Where a loudness that was asked for would need more, the mix stays quieter.
pub const MOST: Decibels = Decibels(10.0);
/// Seed of the mix's dither: any number, so long as it stays.
const SEED: u64 = 0x006d_6978;
/// How near to the target is near enough, LU.
const NEAR: f64 = 0.03;
/// Times that a limited mix is weighed at the most.
const ROUNDS: usize = 8;

/// A written version of the mix.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Version {
    /// What it holds, in words (`everything`, `drums only`).
    pub what: String,
    /// The file.
    pub file: PathBuf,
    /// Gain from the balance to the file.
    pub gain: Decibels,
    /// Measured of the file's samples.
    pub loudness: Loudness,
    /// Loudness that was aimed at; `None` where the gain was given.
    pub target: Option<Lufs>,
    /// Whether that loudness was asked for, by the sheet or the command.
    pub asked: bool,
    /// What the limiter took.
    pub limited: Limited,
}

impl Version {
    /// How far the file is from its target, LU; `None` without a target or loudness.
    #[must_use]
    pub fn miss(&self) -> Option<f64> {
        Some(self.loudness.integrated?.0 - self.target?.0)
    }

    /// Why the file is quieter than the usual loudness, where nobody asked for one: `, quieter than -16.0 LUFS to spare its
    /// peaks`; empty otherwise.
    #[must_use]
    pub fn spared(&self) -> String {
        match (self.miss(), self.target) {
            (Some(miss), Some(target)) if miss < -0.1 && !self.asked => format!(", below {target} to spare its peaks"),
            _ => String::new(),
        }
    }
}

/// How loud a version is to be.
#[derive(Clone, Copy, Debug)]
pub(super) enum Aim {
    /// The plan's loudness.
    Target,
    /// This gain, so that two versions can be compared.
    Gain(Decibels),
}

/// A gain and a ceiling that were tried, and what came of it.
struct Setting {
    gain: f64,
    ceiling: Option<Dbtp>,
}

/// Finds gain and ceiling for one version, then writes it; the file gets its name when committed.
pub(super) fn write(
    buses: &Buses,
    sends: Sends,
    aim: Aim,
    song: &Song,
    file: &Path,
    what: &str,
) -> Result<(Version, AtomicFile)> {
    let (plan, rate) = (&song.rough, song.rate());
    let setting = settle(buses, sends, aim, plan, rate)?;
    let spec = WavSpec { rate, channels: 2, format: SampleFormat::Int24 };
    let description = format!("{}: rough mix, {what}", song.title);
    let bext = Bext { description, originator: "underlay".into(), ..Bext::default() }.in_plain_letters();
    let mut out = WavWriter::create_with(file, spec, WavExtras { bext: Some(bext), ..WavExtras::default() })?;
    let (mut dither, mut ints) = (Dither::new(SEED), Vec::new());
    let (loudness, limited) = pass(buses, sends, &setting, rate, Watch::MIX, |block| {
        ints.clear();
        dither.quantise(SampleFormat::Int24, block, &mut ints);
        out.write_ints(&ints)
    })?;
    let written = out.close()?;
    let target = matches!(aim, Aim::Target).then_some(Lufs(wanted(plan)));
    let (gain, asked) = (Decibels(setting.gain), plan.loudness.is_some());
    Ok((Version { what: what.into(), file: file.into(), gain, loudness, target, asked, limited }, written))
}

fn wanted(plan: &RoughPlan) -> f64 {
    plan.loudness.unwrap_or(RoughPlan::AIM)
}

fn settle(buses: &Buses, sends: Sends, aim: Aim, plan: &RoughPlan, rate: SampleRate) -> Result<Setting> {
    let plain = pass(buses, sends, &Setting { gain: 0.0, ceiling: None }, rate, Watch::MIX, |_| Ok(()))?.0;
    let (Some(now), peak) = (plain.integrated, plain.true_peak) else {
        return Ok(Setting { gain: 0.0, ceiling: Some(Dbtp(plan.true_peak)) });
    };
    // Gains above this would make the limiter take more than it may.
    let limit = if plan.loudness.is_some() { MOST } else { UNASKED };
    let mut most = plan.true_peak + limit.0 - peak.0;
    let mut gain = match aim {
        Aim::Target => (wanted(plan) - now.0).min(most),
        Aim::Gain(g) => g.0,
    };
    if peak.0 + gain <= plan.true_peak {
        return Ok(Setting { gain, ceiling: None });
    }
    // True peaks cost most of a pass, so they are looked at once the loudness is there. The limiter takes its share of
    // every added dB; how large that is shows from the second round on.
    let (mut ceiling, mut slope) = (plan.true_peak, 1.0);
    let (mut before, mut loud_enough): (Option<(f64, f64)>, bool) = (None, matches!(aim, Aim::Gain(_)));
    for _ in 0..ROUNDS {
        let watch = Watch { true_peak: loud_enough, ..Watch::MIX };
        let setting = Setting { gain, ceiling: Some(Dbtp(ceiling)) };
        let got = pass(buses, sends, &setting, rate, watch, |_| Ok(()))?.0;
        let short = match (aim, got.integrated) {
            (Aim::Target, Some(l)) => {
                if let Some((g, old)) = before.filter(|(g, _)| (gain - g).abs() > 1e-6) {
                    slope = ((l.0 - old) / (gain - g)).clamp(0.25, 1.0);
                }
                before = Some((gain, l.0));
                ((wanted(plan) - l.0) / slope).min(most - gain)
            }
            _ => 0.0,
        };
        let there = short.abs() * slope <= NEAR;
        let over = if loud_enough { got.true_peak.0 - plan.true_peak } else { 0.0 };
        if loud_enough && there && over <= 0.0 {
            break;
        }
        if over > 0.0 {
            // A lower ceiling with the same gain would make the limiter take more than it may.
            ceiling -= over + 0.01;
            most -= over + 0.01;
            before = None;
        }
        if there {
            loud_enough = true;
        } else {
            gain += short;
        }
    }
    Ok(Setting { gain, ceiling: Some(Dbtp(ceiling)) })
}

/// Plays the buses once through the setting and measures what comes out. One block is measured and taken while the next is
/// read and limited.
fn pass(
    buses: &Buses,
    sends: Sends,
    setting: &Setting,
    rate: SampleRate,
    watch: Watch,
    mut take: impl FnMut(&[f32]) -> Result<()> + Send,
) -> Result<(Loudness, Limited)> {
    let mut meter = Meter::new(rate, 2, watch)?;
    let mut player = buses.player(sends.times(Decibels(setting.gain).gain()))?;
    let mut limiter = setting.ceiling.map(|ceiling| Limiter::new(rate, ceiling));
    let (mut next, mut done): (Vec<f32>, Vec<f32>) = (Vec::new(), Vec::new());
    loop {
        let (more, taken) = rayon::join(
            || -> Result<bool> {
                next.clear();
                let block = player.next()?;
                match (&mut limiter, block) {
                    (Some(limiter), Some(block)) => limiter.push(block, &mut next),
                    (Some(limiter), None) => limiter.finish(&mut next),
                    (None, block) => next.extend_from_slice(block.unwrap_or_default()),
                }
                Ok(block.is_some())
            },
            || {
                meter.add(&done)?;
                take(&done)
            },
        );
        taken?;
        std::mem::swap(&mut next, &mut done);
        if !more? {
            break;
        }
    }
    meter.add(&done)?;
    take(&done)?;
    Ok((meter.loudness(), limiter.map(|l| l.limited()).unwrap_or_default()))
}
