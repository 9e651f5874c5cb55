//! The rough mix as a whole: what goes in, how it is balanced, which versions are written.
//!
//! In: a song and its printed layers. Out: [`Rough`]: files, and the table of everything that was done.

use super::balance::{Fader, balance, balance_stereo, pan_mono};
use super::bus::{Block, Bus, Buses, FRAMES_AT_ONCE, Sends};
use super::feed::Feed;
use super::heard::sheet_words;
use super::survey::{Seen, survey};
use super::version::{self, Aim, GENTLE, MOST, Version};
use super::{Dbtp, Lufs, Meter, Watch};
use crate::audio::Channel;
use crate::error::{Error, Result};
use crate::finding::{Finding, Weight};
use crate::output::{AtomicFile, Inputs, commit_all, make_folder};
use crate::progress::Progress;
use crate::song::{LayerPlan, Mic, Polarity, RoughPlan, Song, Track, TrackKind};
use crate::units::Decibels;
use rayon::prelude::*;
use serde::Serialize;
use std::path::{Path, PathBuf};

/// File name of the mix with everything in it.
pub const MIX: &str = "rough_mix.wav";
/// File name of the version with kit and layers alone.
pub const DRUMS_ONLY: &str = "rough_mix_drums_only.wav";
/// File name of the version without printed layers.
pub const WITHOUT_LAYERS: &str = "rough_mix_without_layers.wav";

/// File name of the table of levels and pans, which the command writes beside the mix.
pub const TABLE: &str = "rough_mix.csv";

/// How loud a programmed part stands against the drums where the sheet does not say, LU.
pub const PROGRAMMING_LEVEL: Decibels = Decibels(-6.0);
/// Loudness that music is set against where there are no drums to measure, LUFS.
const NO_DRUMS: f64 = -23.0;

/// A layer that was printed, and where.
#[derive(Clone, Debug)]
pub struct PrintedLayer {
    /// Its plan.
    pub plan: LayerPlan,
    /// Its file.
    pub file: PathBuf,
}

impl PrintedLayer {
    /// Its pan where the sheet sets one.
    #[must_use]
    pub fn own_pan(&self) -> Option<f64> {
        (self.plan.pan != 0.0).then_some(self.plan.pan)
    }
}

/// What became of one source: a row of the table.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Row {
    /// Its name in the sheet.
    pub name: String,
    /// Its file.
    pub file: PathBuf,
    /// What it is, in words (`snare top`, `layer under the snare`, `guide`).
    pub role: String,
    /// Its loudest 400 ms as recorded (mics and layers) or its integrated loudness (other tracks).
    pub loudness: Option<Lufs>,
    /// Gain that it got; `None` = left out.
    pub gain: Option<Decibels>,
    /// −1 (left) .. +1 (right).
    pub pan: f64,
    /// Polarity decision that was applied.
    pub polarity: Polarity,
    /// What else there is to say; empty where nothing.
    pub note: String,
    /// Level and pan as the sheet sets them; empty where it leaves them to the role.
    pub sheet: String,
    /// Checksum of the sound that went in, up to the song's end; `None` for a file of another rate than the song's.
    pub checksum: Option<String>,
}

/// A finished rough mix.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Rough {
    /// One row a source, in sheet order: mics, layers, tracks.
    pub rows: Vec<Row>,
    /// The files written; the first is the mix itself.
    pub versions: Vec<Version>,
    /// Things to look at.
    pub findings: Vec<Finding>,
}

/// A source with its place in the mix.
struct Source {
    row: Row,
    bus: Bus,
    channels: usize,
    /// Gain, pan and polarity as factors of left and right; zero where left out.
    factors: (f32, f32),
}

impl Source {
    fn new(row: Row, bus: Bus, channels: usize) -> Self {
        let sides = if channels == 2 { balance_stereo(row.pan) } else { pan_mono(row.pan) };
        let gain = row.gain.map_or(0.0, Decibels::gain);
        let sign = if row.polarity == Polarity::Invert { -1.0 } else { 1.0 };
        Self { row, bus, channels, factors: ((sides.0 * gain * sign) as f32, (sides.1 * gain * sign) as f32) }
    }
}

/// Makes the rough mix and its versions in `dir`, which appear together. Streams: memory does not grow with the song.
///
/// # Errors
/// Usage when there is nothing to mix; [`WouldReplaceInput`](crate::output::OutputFault::WouldReplaceInput), before any work,
/// when a file of the song or a layer stands where the mix, a version or its table ([`TABLE`]) goes; audio faults of any
/// source; output faults.
pub fn make(song: &Song, layers: &[PrintedLayer], dir: &Path, progress: &dyn Progress) -> Result<Rough> {
    if song.mics.is_empty() && layers.is_empty() && song.tracks.is_empty() {
        return Err(Error::usage("there is nothing to mix", "Name at least one mic in the song sheet."));
    }
    let inputs = Inputs::of(song.files().iter().chain(layers.iter().map(|l| &l.file)));
    for name in [MIX, DRUMS_ONLY, WITHOUT_LAYERS, TABLE] {
        inputs.refuse(&dir.join(name))?;
    }
    make_folder(dir)?;
    let (rate, frames) = (song.rate(), song.frames());
    let seen = survey(open(song, layers)?, &song.mics, rate, frames, progress)?;
    let mut findings = Vec::new();
    let sources = place(song, layers, &seen, &mut findings);

    let mix = dir.join(MIX);
    let has = |bus| sources.iter().any(|s| s.bus == bus && s.row.gain.is_some());
    let mut buses = Buses::create(&mix, has)?;
    let drums = fill(&mut buses, open(song, layers)?, &sources, song, progress)?;
    let music = Decibels(drums.map_or(NO_DRUMS, |l| l.0)).gain();
    let all = Sends { kit: 1.0, layers: 1.0, music };

    let write = |sends, aim, name: &str, what| version::write(&buses, sends, aim, song, &dir.join(name), what);
    let (layered, accompanied) = (has(Bus::Layers), has(Bus::Music));
    progress.begin("weighing and writing", 1 + u64::from(layered) + u64::from(accompanied));
    let done = |v: Result<(Version, AtomicFile)>| {
        progress.advance(1);
        v
    };
    let with_layers_and_without = || -> Result<Vec<(Version, AtomicFile)>> {
        let full = done(write(all, Aim::Target, MIX, "everything"))?;
        if !layered {
            return Ok(vec![full]);
        }
        let aim = Aim::Gain(full.0.gain);
        Ok(vec![full, done(write(Sends { layers: 0.0, ..all }, aim, WITHOUT_LAYERS, "without layers"))?])
    };
    let alone = || accompanied.then(|| done(write(Sends { music: 0.0, ..all }, Aim::Target, DRUMS_ONLY, "drums only")));
    let (mixes, alone) = rayon::join(with_layers_and_without, alone);
    let mut written = mixes?;
    if let Some(alone) = alone {
        written.insert(1, alone?);
    }
    let (versions, files): (Vec<Version>, Vec<AtomicFile>) = written.into_iter().unzip();
    commit_all(files)?;
    progress.end();
    findings.extend(versions.iter().filter_map(missed));
    Ok(Rough { rows: sources.into_iter().map(|s| with_music(s, music)).collect(), versions, findings })
}

/// The table shows the gain of music as it ends up, not as it lies in its bus.
fn with_music(source: Source, music: f64) -> Row {
    let mut row = source.row;
    if source.bus == Bus::Music {
        row.gain = row.gain.map(|g| Decibels(g.0 + 20.0 * music.log10()));
    }
    row
}

/// Says so where the limiter had to work hard, or where even that did not reach the target.
fn missed(v: &Version) -> Option<Finding> {
    let (miss, got, target) = (v.miss()?, v.loudness.integrated?, v.target?);
    if !v.asked {
        return None;
    }
    let what = if miss < -0.1 {
        format!("{} is at {got} instead of {target}: more would cost its peaks over {:.0} dB", v.what, MOST.0)
    } else if v.limited.deepest > GENTLE {
        format!("to reach {target} the limiter took {:.1} dB off the peaks of {}", v.limited.deepest.0, v.what)
    } else {
        return None;
    };
    let remedy = "If it lacks punch, ask for less, such as -20, or for no loudness at all.";
    Some(Finding { weight: Weight::Note, file: Some(v.file.clone()), what, remedy: remedy.into() })
}

fn open(song: &Song, layers: &[PrintedLayer]) -> Result<Vec<Feed>> {
    let mics = song.mics.iter().map(|m| (m.info.path.as_path(), m.channel));
    let layers = layers.iter().map(|l| l.file.as_path());
    let tracks = song.tracks.iter().map(|t| t.info.path.as_path());
    let whole = layers.chain(tracks).map(|p| (p, Channel::Sum));
    mics.chain(whole).map(|(path, channel)| Feed::open(path, channel, song.rate())).collect()
}

/// Decides gain and pan of every source.
fn place(song: &Song, layers: &[PrintedLayer], seen: &[Seen], findings: &mut Vec<Finding>) -> Vec<Source> {
    let strokes: Vec<_> = seen.iter().map(|s| s.momentary).collect();
    let sides: Vec<_> = seen.iter().map(|s| s.side).collect();
    let faders = balance(&song.mics, &strokes, &sides);
    let mut sources = Vec::with_capacity(seen.len());
    let mut rest = seen.iter();
    for (m, (fader, s)) in song.mics.iter().zip(faders.iter().zip(rest.by_ref())) {
        sources.push(mic_source(m, fader, s, findings));
    }
    for (l, s) in layers.iter().zip(rest.by_ref()) {
        sources.push(layer_source(l, &song.mics, &faders, s));
    }
    for (t, s) in song.tracks.iter().zip(rest) {
        sources.push(track_source(t, song, s, findings));
    }
    sources
}

fn mic_source(m: &Mic, fader: &Fader, s: &Seen, findings: &mut Vec<Finding>) -> Source {
    let mut notes = Vec::new();
    if fader.gain.is_none() {
        notes.push("silent, left out");
        findings.push(Finding::caution(
            &m.info.path,
            "there is no sound in this file; the rough mix leaves it out",
            "Check that the right file is named in the sheet.",
        ));
    }
    if fader.held_back {
        notes.push("little but bleed, held back");
    }
    if m.polarity == Polarity::Undecided {
        notes.push("polarity not decided");
    }
    let row = Row {
        name: m.name.clone(),
        file: m.info.path.clone(),
        role: format!("{} {}", m.drum, m.place),
        loudness: s.momentary,
        gain: fader.gain,
        pan: fader.pan,
        polarity: m.polarity,
        note: notes.join("; "),
        sheet: sheet_words(m.level, m.pan),
        checksum: s.sum.clone(),
    };
    Source::new(row, Bus::Kit, s.channels)
}

/// A layer gets the fader of the mic that it was aligned with, so that it stays as printed against the real drum; where that
/// mic is silent, of the next nearest to the drum.
fn layer_source(l: &PrintedLayer, mics: &[Mic], faders: &[Fader], s: &Seen) -> Source {
    let heard = mics.iter().zip(faders).filter(|(m, f)| m.drum == l.plan.drum && f.gain.is_some());
    let lead = heard.min_by_key(|(m, _)| m.place.main_rank());
    let gain = s.momentary.map(|_| lead.and_then(|(_, f)| f.gain).unwrap_or_default());
    let note = match (gain, lead) {
        (None, _) => "silent, left out".into(),
        (_, Some((m, _))) => format!("fader of {}", m.name),
        _ => String::new(),
    };
    let row = Row {
        name: l.plan.name.clone(),
        file: l.file.clone(),
        role: l.plan.role(),
        loudness: s.momentary,
        gain,
        pan: l.plan.pan,
        polarity: Polarity::Keep,
        note,
        sheet: sheet_words(None, l.own_pan()),
        checksum: s.sum.clone(),
    };
    Source::new(row, Bus::Layers, s.channels)
}

/// Music stands in its bus at the wanted distance from 0 LUFS; the bus is then set to the drums' loudness.
fn track_source(t: &Track, song: &Song, s: &Seen, findings: &mut Vec<Finding>) -> Source {
    let against = match t.kind {
        TrackKind::Guide => Some(t.level.unwrap_or(song.rough.guide_level)),
        TrackKind::Programming => Some(t.level.unwrap_or(PROGRAMMING_LEVEL)),
        TrackKind::Click => t.level,
    };
    let gain = against.zip(s.integrated).map(|(a, l)| Decibels(a.0 - l.0));
    let note = match (against, s.integrated) {
        (None, _) => "a click is left out unless it is given a level".into(),
        (Some(_), None) => {
            findings.push(Finding::caution(
                &t.info.path,
                "there is no sound in this file; the rough mix leaves it out",
                "Check that the right file is named in the sheet.",
            ));
            "silent, left out".into()
        }
        (Some(a), Some(_)) => format!("{a} against the drums"),
    };
    let row = Row {
        name: t.name.clone(),
        file: t.info.path.clone(),
        role: kind_word(t.kind).into(),
        loudness: s.integrated,
        gain,
        pan: t.pan.unwrap_or(0.0),
        polarity: Polarity::Keep,
        note,
        sheet: sheet_words(t.level, t.pan),
        checksum: s.sum.clone(),
    };
    Source::new(row, Bus::Music, s.channels)
}

/// The word for what a track is.
#[must_use]
pub fn kind_word(kind: TrackKind) -> &'static str {
    match kind {
        TrackKind::Guide => "guide",
        TrackKind::Programming => "programmed part",
        TrackKind::Click => "click",
    }
}

/// Reads every source once more and adds it to its bus; gives the loudness of kit and layers together. One block is mixed
/// while the one before it is written and weighed.
fn fill(
    buses: &mut Buses,
    mut feeds: Vec<Feed>,
    sources: &[Source],
    song: &Song,
    progress: &dyn Progress,
) -> Result<Option<Lufs>> {
    let watch = Watch { true_peak: false, ..Watch::MIX };
    let mut meter = Meter::new(song.rate(), 2, watch)?;
    let mut drums = Vec::with_capacity(FRAMES_AT_ONCE * 2);
    let (mut next, mut done) = (Block::new(), Block::new());
    let mut left = song.frames();
    progress.begin("mixing", left);
    loop {
        let now = left.min(FRAMES_AT_ONCE as u64) as usize;
        let (mixed, kept) = rayon::join(
            || mix(&mut next, &mut feeds, sources, now),
            || {
                done.drums(&mut drums);
                meter.add(&drums)?;
                buses.write(&mut done)
            },
        );
        mixed?;
        kept?;
        std::mem::swap(&mut next, &mut done);
        if now == 0 {
            break;
        }
        left -= now as u64;
        progress.advance(now as u64);
    }
    buses.flush()?;
    progress.end();
    Ok(meter.loudness().integrated)
}

/// Reads the next frames of every source and adds them up. Sources of a bus are added in their order, whatever the threads do.
fn mix(block: &mut Block, feeds: &mut [Feed], sources: &[Source], frames: usize) -> Result<()> {
    if frames > 0 {
        feeds.par_iter_mut().map(|f| f.next(frames)).collect::<Result<Vec<()>>>()?;
    }
    let feeds = &*feeds;
    let sides =
        block.sides.iter_mut().zip(Bus::ALL).flat_map(|(s, bus)| s.iter_mut().enumerate().map(move |s| (bus, s)));
    let sides: Vec<_> = sides.collect();
    sides.into_par_iter().for_each(|(bus, (side, out))| {
        out.clear();
        out.resize(frames, 0.0);
        for (source, feed) in sources.iter().zip(feeds).filter(|(s, _)| s.bus == bus && s.row.gain.is_some()) {
            let gain = if side == 0 { source.factors.0 } else { source.factors.1 };
            if source.channels == 1 {
                out.iter_mut().zip(&feed.block).for_each(|(y, x)| *y += gain * x);
            } else {
                let frames = feed.block.as_chunks::<2>().0;
                out.iter_mut().zip(frames).for_each(|(y, x)| *y += gain * x[side]);
            }
        }
    });
    Ok(())
}

/// Ceiling and target of a plan, in words for the table.
#[must_use]
pub fn aim_words(song: &Song) -> String {
    let peak = Dbtp(song.rough.true_peak);
    match song.rough.loudness {
        Some(asked) => format!("{} at {peak} or less", Lufs(asked)),
        None => format!(
            "{} or as much as {:.0} dB of limiting allow, {peak} or less",
            Lufs(RoughPlan::AIM),
            version::UNASKED.0
        ),
    }
}
