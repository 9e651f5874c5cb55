//! From plan and hit list to a layer that can be printed.

use super::align::{Alignment, Fit, Stroke, align};
use super::choice::choose;
use super::delay::STEPS;
use super::lay::{Deck, Laid};
use super::level::{Loudness, measured};
use super::report::{LaidHit, LayerReport, SumSummary};
use super::set::{SampleSet, load};
use super::settings::PrintedWith;
use super::synth::{built_in, other_drum};
use crate::audio::{SampleFormat, WavExtras, WavSpec, WavWriter};
use crate::error::{Error, Result};
use crate::finding::Finding;
use crate::hits::{Hit, HitList, State};
use crate::output::AtomicFile;
use crate::song::{LayerPlan, Song};
use crate::timing::{Because, Target};
use crate::units::{Dbfs, Decibels, SamplePos, Velocity};
use std::collections::BTreeMap;
use std::path::Path;

/// Highest peak of a printed layer, dBFS.
const CEILING: f64 = -1.0;
/// Frames rendered at a time.
const BLOCK: usize = 1 << 16;
/// Strokes of one drum closer than this are taken for a slip of the editor, ms.
const TOO_CLOSE: f64 = 5.0;

/// A layer ready to be printed: renders any stretch of itself, in memory that does not grow with the song.
pub struct Layer {
    deck: Deck,
    laid: Vec<Laid>,
    slack: i64,
    scale: f32,
    /// What was laid where.
    pub report: LayerReport,
}

/// A hit with what the plan makes of it.
struct Wanted<'a> {
    number: usize,
    hit: &'a Hit,
    target: SamplePos,
    pulled: Option<Because>,
    section: Option<String>,
    level: Decibels,
}

/// Loads the plan's set, chooses shots, aligns them with the real drum and finds the gain that never clips.
///
/// `targets`: for every hit of `list`, in its order, where it is to be printed and why, pulled by the plan's `pull`; `None`
/// prints as played.
/// A layer without strokes is silent and says so. Cost: three transforms of 0.17 s and two mixes of a one-shot a stroke.
///
/// # Errors
/// Sample sets that cannot be used ([`Error::Samples`], [`Error::Audio`]); a mic that cannot be read; `targets` of another
/// length than the list.
pub fn prepare(song: &Song, plan: &LayerPlan, list: &HitList, targets: Option<&[Target]>) -> Result<Layer> {
    let rate = song.rate();
    if targets.is_some_and(|t| t.len() != list.hits.len()) {
        return Err(Error::usage("there is not one target for every hit", "Make the targets from the same hit list."));
    }
    let (set, mut findings) = if plan.samples.is_empty() {
        (
            built_in(plan.built_in.as_deref().unwrap_or(""), plan.drum, rate, &song.sheet)?,
            Vec::from_iter(other_drum(plan)),
        )
    } else {
        load(&plan.samples, rate)?
    };
    let frames = song.frames();
    let (wanted, off) = wanted(song, plan, list, targets, &mut findings);
    let rows: Vec<&Hit> = list.hits.iter().filter(|h| h.drum == plan.drum).collect();
    let loudness = Loudness::learn(rows.iter().copied(), song.finder.curve);
    let strokes = strokes(&set, plan, &loudness, &wanted);
    let lesson = lesson(song, plan, &set, &loudness, &rows);
    let lesson = if lesson.is_empty() { &strokes } else { &lesson };
    let mic = song.main_mic(plan.drum);
    if mic.is_none() && !strokes.is_empty() {
        findings.push(Finding::song(
            format!("the song has no {} mic: layer {} lies attack on attack, unaligned", plan.drum, plan.name),
            "Add the mic to the sheet if there is one.",
        ));
    }
    let Alignment { fits, laid, deck, band } = align(&set, &strokes, lesson, mic, plan.drum, rate, plan.choke)?;
    note_long(&set, frames, &mut findings);
    let slack = slack(&laid);
    let mut layer = Layer {
        deck,
        laid,
        slack,
        scale: 1.0,
        report: LayerReport {
            name: plan.name.clone(),
            drum: plan.drum,
            set: set.name.clone(),
            told_by: set.told_by,
            listing: set.listing(),
            rate,
            frames,
            channels: set.channels(),
            aligned_with: mic.filter(|_| band.is_some()).map(|m| m.name.clone()),
            common_lag: common(&fits, |f| (f.lag * STEPS as f64).round() as i64) as f64 / STEPS as f64,
            common_inverted: common(&fits, |f| f.polarity as i64) < 0,
            sum: band.and_then(|band| summary(band, &fits)),
            peak: Dbfs::SILENCE,
            headroom: Decibels(0.0),
            off,
            pulled: pulled(&wanted),
            printed_with: PrintedWith::of(song, &played(plan, targets.is_some())).to_text(),
            hits: Vec::new(),
            findings,
        },
    };
    layer.make_room();
    let headroom = layer.report.headroom.0;
    layer.report.hits = wanted
        .iter()
        .zip(fits.iter().zip(strokes.iter().zip(&layer.laid)))
        .map(|(w, (fit, (stroke, laid)))| LaidHit {
            hit: w.number,
            real: w.hit.pos,
            target: w.target,
            pulled: w.pulled,
            shot: set.shots.get(stroke.shot).map_or_else(String::new, |s| s.name.clone()),
            start: laid.attack - set.shots.get(stroke.shot).map_or(0, |s| s.attack as i64),
            attack: stroke.target + fit.lag.round() as i64,
            lag_samples: fit.lag,
            inverted: fit.polarity < 0.0,
            gain: Decibels(20.0 * stroke.gain.max(1e-12).log10() + headroom),
            velocity: w.hit.velocity,
            section: w.section.clone(),
            sum_before: fit.before,
            sum_after: fit.after,
            own: fit.own,
            cut_before: fit.cut_before,
        })
        .collect();
    Ok(layer)
}

impl Layer {
    /// Frames of the printed track.
    #[must_use]
    pub fn frames(&self) -> u64 {
        self.report.frames
    }

    /// Channels of the printed track, 1 or 2.
    #[must_use]
    pub fn channels(&self) -> usize {
        self.deck.channels()
    }

    /// The printed frames from `from` on, interleaved, as many as `out` has room for; silence beyond the song's end.
    pub fn render(&self, from: u64, out: &mut [f32]) {
        out.fill(0.0);
        let width = self.channels().max(1);
        let left = self.frames().saturating_sub(from).min((out.len() / width) as u64) as usize;
        if let Some(part) = out.get_mut(..left * width) {
            self.deck.render(&self.laid, self.slack, from as i64, part);
            if self.scale != 1.0 {
                part.iter_mut().for_each(|v| *v *= self.scale);
            }
        }
    }

    /// Finds the peak of the whole track and takes back gain where it would pass −1 dBFS.
    fn make_room(&mut self) {
        let mut block = vec![0.0f32; BLOCK * self.channels().max(1)];
        let mut peak = 0.0f32;
        let mut from = 0u64;
        while from < self.frames() {
            if self.deck.sounds(&self.laid, self.slack, from as i64, BLOCK as i64) {
                self.render(from, &mut block);
                peak = block.iter().fold(peak, |m, v| m.max(v.abs()));
            }
            from += BLOCK as u64;
        }
        let over = Dbfs::from_peak(f64::from(peak)).0 - CEILING;
        if over > 0.0 {
            self.report.headroom = Decibels(-over);
            self.scale = Decibels(-over).gain() as f32;
            self.report.findings.push(Finding::song(
                format!("layer {} would have passed full scale: printed {over:.1} dB lower", self.report.name),
                format!("Raise its fader by {over:.1} dB, or lower the layer's level in the sheet."),
            ));
        }
        self.report.peak = Dbfs(Dbfs::from_peak(f64::from(peak)).0 + self.report.headroom.0);
    }

    /// Starts and fills the layer's 24-bit WAV file, from zero to the song's end; it appears under its name when committed.
    ///
    /// # Errors
    /// [`Error::Output`].
    pub fn print(&self, path: &Path) -> Result<AtomicFile> {
        let spec = WavSpec { rate: self.report.rate, channels: self.channels() as u16, format: SampleFormat::Int24 };
        let extras = WavExtras { frames: Some(self.frames()), ..WavExtras::default() };
        let mut wav = WavWriter::create_with(path, spec, extras)?;
        let width = self.channels().max(1);
        let mut block = vec![0.0f32; BLOCK * width];
        let mut from = 0u64;
        while from < self.frames() {
            let n = (self.frames() - from).min(BLOCK as u64);
            let part = block.get_mut(..n as usize * width).unwrap_or_default();
            self.render(from, part);
            wav.write(part)?;
            from += n;
        }
        wav.close()
    }
}

/// The plan as it is carried out: without targets nothing is pulled.
fn played(plan: &LayerPlan, pulled: bool) -> LayerPlan {
    LayerPlan { pull: if pulled { plan.pull } else { 0.0 }, ..plan.clone() }
}

/// Whether a layer has any stroke to play.
#[must_use]
pub fn plays(song: &Song, plan: &LayerPlan, list: &HitList) -> bool {
    !wanted(song, plan, list, None, &mut Vec::new()).0.is_empty()
}

/// What is said of a layer without a stroke to play.
#[must_use]
pub fn silent(plan: &LayerPlan) -> Finding {
    Finding::song(
        format!("layer {} has no {} stroke to play: it is silent, so there is no file of it", plan.name, plan.drum),
        "Check the hit list and the layer's sections, or take the layer out of the sheet.",
    )
}

/// The hits that are printed, in order of time, and how many lie in sections that are off.
fn wanted<'a>(
    song: &Song,
    plan: &LayerPlan,
    list: &'a HitList,
    targets: Option<&[Target]>,
    findings: &mut Vec<Finding>,
) -> (Vec<Wanted<'a>>, usize) {
    let (frames, mut number, mut off, mut beyond, mut double) = (song.frames(), 0, 0, 0, 0);
    let mut out: Vec<Wanted<'a>> = Vec::new();
    for (i, hit) in list.hits.iter().enumerate().filter(|(_, h)| h.drum == plan.drum) {
        number += 1;
        if hit.state == State::Dropped {
            continue;
        }
        let pulled = targets.and_then(|t| t.get(i));
        let target = pulled.map_or(hit.pos, |t| t.to);
        if target.0 >= frames || hit.pos.0 >= frames {
            beyond += 1;
            continue;
        }
        let section = section_at(song, hit);
        let level = match section.as_ref().and_then(|s| plan.sections.iter().find(|(name, _)| name == s)) {
            Some((_, None)) => {
                off += 1;
                continue;
            }
            Some((_, Some(level))) => *level,
            None => Decibels(0.0),
        };
        out.push(Wanted { number, hit, target, pulled: pulled.map(|t| t.because), section, level });
    }
    out.sort_by_key(|w| w.hit.pos);
    let least = song.rate().samples(crate::units::Seconds::from_ms(TOO_CLOSE));
    let mut last: Option<u64> = None;
    out.retain(|w| {
        let close = last.is_some_and(|l| w.hit.pos.0 < l + least);
        double += usize::from(close);
        last = if close { last } else { Some(w.hit.pos.0) };
        !close
    });
    let drum = plan.drum;
    if beyond > 0 {
        findings.push(Finding::song(
            format!("{beyond} {drum} hits lie beyond the song's end and are not printed"),
            "Look at the times in the hit list, or at `end` in the sheet.",
        ));
    }
    if double > 0 {
        findings.push(Finding::song(
            format!("{double} {drum} hits come within {TOO_CLOSE} ms of the one before and are not printed"),
            "Look for rows that stand twice in the hit list.",
        ));
    }
    if out.is_empty() {
        findings.push(silent(plan));
    }
    (out, off)
}

/// How many printed strokes went where they did, by the reason; none where the layer is printed as played.
fn pulled(wanted: &[Wanted<'_>]) -> BTreeMap<Because, usize> {
    let mut counts = BTreeMap::new();
    wanted.iter().filter_map(|w| w.pulled).for_each(|because| *counts.entry(because).or_default() += 1);
    counts
}

/// What the hits are played with: shot and gain.
fn strokes(set: &SampleSet, plan: &LayerPlan, loudness: &Loudness, wanted: &[Wanted<'_>]) -> Vec<Stroke> {
    let draws: Vec<_> = wanted.iter().map(|w| (loudness.played(w.hit.velocity, plan.dynamics), w.hit.pos.0)).collect();
    let chosen = choose(set, &draws, plan.seed);
    let stroke = |(w, &shot): (&Wanted<'_>, &usize)| {
        let peak = loudness.peak(w.hit.velocity, plan.dynamics);
        let gain = Loudness::gain(peak, set.shots.get(shot).map_or(1.0, |s| s.peak)).0 + plan.level.0 + w.level.0;
        Stroke { real: w.hit.pos.0, target: w.target.0 as i64, shot, gain: Decibels(gain).gain() }
    };
    wanted.iter().zip(&chosen).map(stroke).collect()
}

/// The strokes as they were found, before velocities were edited and strokes dropped or added: what the layer's common lags
/// are learnt from, so that an edit moves no other stroke.
fn lesson(song: &Song, plan: &LayerPlan, set: &SampleSet, loudness: &Loudness, rows: &[&Hit]) -> Vec<Stroke> {
    let found = |(h, v): (&Hit, Velocity)| {
        // The list's peaks are rounded: a step is no edit.
        let velocity = if v.get().abs_diff(h.velocity.get()) <= 1 { h.velocity } else { v };
        Hit { velocity, state: State::Found, ..*h }
    };
    let hits = measured(rows, song.finder.curve).into_iter().map(found).collect();
    let list = HitList { rate: song.rate(), hits };
    let (wanted, _) = wanted(song, plan, &list, None, &mut Vec::new());
    strokes(set, plan, loudness, &wanted)
}

/// Name of the section that a hit lies in.
fn section_at(song: &Song, hit: &Hit) -> Option<String> {
    let map = song.tempo.as_ref()?;
    let bar = map.bar_beat(map.tick_at(hit.pos.at(song.rate()))).bar;
    song.form.iter().find(|s| (s.first_bar..s.end_bar).contains(&bar)).map(|s| s.name.clone())
}

/// The value that most strokes share.
fn common(fits: &[Fit], key: impl Fn(&Fit) -> i64) -> i64 {
    let mut keys: Vec<i64> = fits.iter().filter(|f| !f.own).map(&key).collect();
    keys.sort_unstable();
    let mut best = (0, 0usize);
    for run in keys.chunk_by(|a, b| a == b) {
        if run.len() > best.1 {
            best = (run.first().copied().unwrap_or(0), run.len());
        }
    }
    best.0
}

fn summary(band: crate::phase::Band, fits: &[Fit]) -> Option<SumSummary> {
    let sorted = |pick: fn(&Fit) -> Option<f64>| {
        let mut x: Vec<f64> = fits.iter().filter_map(pick).collect();
        x.sort_by(f64::total_cmp);
        x
    };
    let (before, after) = (sorted(|f| f.before), sorted(|f| f.after));
    let losing = |x: &[f64]| x.iter().filter(|v| **v < 0.0).count();
    Some(SumSummary {
        band,
        median_before: *before.get(before.len() / 2)?,
        lowest_before: *before.first()?,
        losing_before: losing(&before),
        median_after: *after.get(after.len() / 2)?,
        lowest_after: *after.first()?,
        losing_after: losing(&after),
        own: fits.iter().filter(|f| f.own).count(),
    })
}

fn note_long(set: &SampleSet, frames: u64, findings: &mut Vec<Finding>) {
    let long = set.shots.iter().filter(|s| s.frames() as u64 > frames).count();
    if long > 0 {
        findings.push(Finding::song(
            format!("{long} one-shots of {} are longer than the song: their tails end with it", set.name),
            "Check the song's length and the set.",
        ));
    }
}

/// How far strokes may be out of order.
fn slack(laid: &[Laid]) -> i64 {
    let mut highest = i64::MIN;
    let mut slack = 0;
    for l in laid {
        highest = highest.max(l.attack);
        slack = slack.max(highest - l.attack);
    }
    slack
}
