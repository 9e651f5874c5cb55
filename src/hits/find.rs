//! The whole way from a song's mics to its hit list.

use super::attack::{AFTER_MS, AttackCalibration, AttackTimer, BEFORE_MS, Crossings};
use super::bands::{BANDS, Bands, Framing};
use super::bleed::predicted_bleed;
use super::novelty::{Listened, maxima, novelty, ring};
use super::pick::threshold;
use super::take::{Stretch, stretches};
use super::{Hit, HitList, Kind, State};
use crate::audio::MonoReader;
use crate::error::{Error, Result};
use crate::finding::Finding;
use crate::progress::Progress;
use crate::song::{Drum, Mic, Place, Song};
use crate::units::{Dbfs, SamplePos, Seconds, Velocity};
use serde::Serialize;

/// What the finder saw of one drum, condensed for pictures: one column every `step`, at most 65,536 columns.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Evidence {
    /// The drum.
    pub drum: Drum,
    /// Name of its main close mic.
    pub mic: String,
    /// Time between columns; column 0 begins at the take's first sample.
    pub step: Seconds,
    /// Lowest sample value of each column, 1.0 = full scale.
    pub low: Vec<f32>,
    /// Highest sample value of each column.
    pub high: Vec<f32>,
    /// Highest novelty of each column, dB above what was expected (0..=20).
    pub novelty: Vec<f32>,
    /// Threshold in force at each column, dB.
    pub threshold: Vec<f32>,
}

/// The outcome of a search.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Found {
    /// The hits of every drum.
    pub list: HitList,
    /// What was seen, one entry for each drum that has a close mic.
    pub evidence: Vec<Evidence>,
    /// Things to look at (clipping, silence, no strokes, ...).
    pub findings: Vec<Finding>,
}

/// The mics of one drum as indices into the song's, the main one first.
fn own_mics(mics: &[Mic], drum: Drum) -> Vec<usize> {
    let mut own: Vec<usize> = (0..mics.len()).filter(|&i| mics[i].drum == drum).collect();
    own.sort_by_key(|&i| match mics[i].place {
        Place::In | Place::Top => 0,
        Place::Close | Place::Mono | Place::Stereo => 1,
        Place::Out | Place::Side => 2,
        _ => 3,
    });
    own
}

/// A stroke before its strength is known.
struct Stroke {
    pos: u64,
    peak: f32,
    certainty: f64,
}

/// Finds every kick and snare stroke of a song's take. Hits carry no grid place yet.
///
/// # Errors
/// [`Error::Audio`] when a mic cannot be read to its end; a usage error when no mic is a close mic of kick or snare.
pub fn find(song: &Song, progress: &dyn Progress) -> Result<Found> {
    let rate = song.rate();
    let framing = Framing::new(rate);
    let samples = song.mics.iter().map(|m| m.info.frames).max().unwrap_or(0);
    let drums: Vec<(Drum, Vec<usize>)> =
        Drum::FOUND.into_iter().map(|d| (d, own_mics(&song.mics, d))).filter(|(_, own)| !own.is_empty()).collect();
    if drums.is_empty() {
        return Err(Error::usage(
            "no mic of this song is a close mic of kick or snare",
            "Say in the song sheet which mic is which (drum = \"kick\" or \"snare\").",
        ));
    }
    let parts = stretches(samples, song.mics.len(), framing);
    progress.begin("listening", samples * song.mics.len() as u64);
    let mut strokes: Vec<Vec<Stroke>> = drums.iter().map(|_| Vec::new()).collect();
    let mut evidence: Vec<Evidence> = Vec::new();
    for range in parts {
        let stretch = Stretch::read(&song.mics, range, samples, framing, progress)?;
        for ((_, own), strokes) in drums.iter().zip(&mut strokes) {
            strokes.extend(search(song, &stretch, own, framing)?);
        }
    }
    progress.end();
    let mut hits = Vec::new();
    for ((drum, own), strokes) in drums.iter().zip(&strokes) {
        evidence.push(Evidence {
            drum: *drum,
            mic: song.mics[own[0]].name.clone(),
            step: Seconds(0.005),
            low: vec![],
            high: vec![],
            novelty: vec![],
            threshold: vec![],
        });
        for s in strokes {
            let peak = Dbfs::from_peak(f64::from(s.peak));
            hits.push(Hit {
                drum: *drum,
                pos: SamplePos(s.pos),
                velocity: Velocity::nearest(127.0 + 2.0 * peak.0),
                peak,
                certainty: s.certainty,
                kind: Kind::Hit,
                state: State::Found,
                place: None,
            });
        }
    }
    hits.sort_by_key(|h| (h.pos, h.drum));
    Ok(Found { list: HitList { rate, hits }, evidence, findings: Vec::new() })
}

/// Strokes of one drum in one stretch.
fn search(song: &Song, stretch: &Stretch, own: &[usize], framing: Framing) -> Result<Vec<Stroke>> {
    let power: Vec<&Bands> = own.iter().map(|&i| &stretch.bands[i]).collect();
    let drum = song.mics[own[0]].drum;
    let others: Vec<&Bands> =
        song.mics.iter().zip(&stretch.bands).filter(|(m, _)| m.drum != drum).map(|(_, b)| b).collect();
    let bleed = predicted_bleed(&power, &others);
    let mut rings: Vec<Vec<[f32; BANDS]>> = vec![Vec::new(); own.len()];
    let mut curve = Vec::new();
    let mut peaks = Vec::new();
    for _ in 0..2 {
        let listened: Vec<Listened> = power
            .iter()
            .zip(&bleed)
            .zip(&rings)
            .map(|((power, bleed), ring)| Listened { power, bleed, ring })
            .collect();
        curve = novelty(&listened);
        peaks = maxima(&curve, 7, 0.25);
        if peaks.is_empty() {
            return Ok(Vec::new());
        }
        let mut top: Vec<f32> = peaks.iter().map(|&t| curve[t]).collect();
        top.sort_unstable_by(|a, b| b.total_cmp(a));
        let top = &top[..top.len().min((peaks.len() / 40).max(10))];
        let loud = 0.6 * top[top.len() / 2];
        let sure: Vec<usize> = peaks.iter().copied().filter(|&t| curve[t] > loud).collect();
        let clear: Vec<usize> = peaks.iter().copied().filter(|&t| curve[t] > 2.0).collect();
        rings = power.iter().map(|p| ring(p, &clear, &sure)).collect();
    }
    let heights: Vec<f32> = peaks.iter().map(|&t| curve[t]).collect();
    let cut = threshold(&heights);
    let picked: Vec<usize> = peaks.into_iter().filter(|&t| curve[t] >= cut).collect();
    if picked.is_empty() {
        return Ok(Vec::new());
    }
    time_and_measure(&song.mics[own[0]], stretch, &picked, &curve, framing)
}

/// Attack and peak of every picked frame, from the main mic's samples.
fn time_and_measure(
    mic: &Mic,
    stretch: &Stretch,
    picked: &[usize],
    curve: &[f32],
    framing: Framing,
) -> Result<Vec<Stroke>> {
    let rate = framing.rate;
    let before = (BEFORE_MS * 1e-3 * rate.hz_f64()) as u64;
    let after = (AFTER_MS * 1e-3 * rate.hz_f64()) as u64;
    let mut reader = MonoReader::open(&mic.info.path, mic.channel)?;
    let mut timer = AttackTimer::new(rate);
    let mut windows: Vec<(u64, Vec<f32>)> = Vec::new();
    let mut crossings: Vec<Crossings> = Vec::new();
    let mut coarse = Vec::new();
    for &t in picked {
        let at = stretch.start + framing.sample(t).0;
        let from = at.saturating_sub(before);
        let mut x = Vec::new();
        if from < mic.info.frames {
            reader.seek(from)?;
            reader.read(&mut x, (before + after) as usize)?;
        }
        crossings.push(timer.crossings(&x, (at - from) as usize));
        windows.push((from, x));
        coarse.push(at);
    }
    let mut heights: Vec<f32> = picked.iter().map(|&t| curve[t]).collect();
    heights.sort_unstable_by(f32::total_cmp);
    let loud = heights[(heights.len() - 1) * 6 / 10];
    let sure: Vec<&Crossings> =
        picked.iter().zip(&crossings).filter(|(t, _)| curve[**t] >= loud).map(|(_, c)| c).collect();
    let cal = AttackCalibration::learn(&sure, rate);
    let mut out = Vec::new();
    for (((c, at), (from, x)), &t) in crossings.iter().zip(&coarse).zip(&windows).zip(picked) {
        let pos = (*at as f64 + f64::from(cal.attack(c))).round().max(0.0) as u64;
        if !stretch.range.contains(&pos) {
            continue;
        }
        let i = (pos.saturating_sub(*from) as usize).saturating_sub(24);
        let end = (i + 24 + (0.012 * rate.hz_f64()) as usize).min(x.len());
        let peak = x.get(i..end).map_or(0.0, |w| w.iter().fold(0.0f32, |m, v| m.max(v.abs())));
        out.push(Stroke { pos, peak, certainty: f64::from((curve[t] / 6.0).min(1.0)) });
    }
    out.sort_by_key(|s| s.pos);
    Ok(out)
}
