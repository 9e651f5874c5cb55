//! The MIDI files of a delivery: tempo map with form markers, and triggers of the hit list as it stands.

use crate::error::{Located, Result};
use crate::finding::Finding;
use crate::hits::HitList;
use crate::midi::{FileMap, MidiFault, TriggerPlan, TriggerTrack, tempo_map, triggers};
use crate::song::{Drum, Song};
use crate::tempo::{Marker, TempoFault, TempoMap};
use crate::timing::{Because, CheckSettings, PullSettings, Pulled, check, pull, pull_doubts};
use crate::units::{SamplePos, Seconds};

/// The song's tempo map with a marker at the start of every section; the map's own markers where the sheet has no form.
fn with_form(song: &Song, map: &TempoMap) -> Result<TempoMap, TempoFault> {
    if song.form.is_empty() {
        return Ok(map.clone());
    }
    let marker = |s: &crate::song::Section| {
        let tick = u64::try_from(map.bar_start(s.first_bar)).ok()?;
        Some(Marker { tick, name: s.name.clone() })
    };
    map.clone().with_markers(song.form.iter().filter_map(marker).collect())
}

/// The song's tempo map laid out from sample 0 of the audio, with a marker at the start of every section, also of one that
/// begins before bar 1.
fn laid_out(song: &Song, map: &TempoMap) -> Result<FileMap, TempoFault> {
    let file = FileMap::of(&with_form(song, map)?)?;
    let early = song.form.iter().filter(|s| map.bar_start(s.first_bar) < 0);
    let mut markers: Vec<Marker> = early
        .map(|s| (file.map.tick_at(map.bar(s.first_bar).time).round(), s))
        .filter(|(tick, _)| *tick >= 0.0)
        .map(|(tick, s)| Marker { tick: tick as u64, name: s.name.clone() })
        .collect();
    if markers.is_empty() {
        return Ok(file);
    }
    markers.extend(file.map.markers().iter().cloned());
    Ok(FileMap { map: file.map.with_markers(markers)?, ..file })
}

fn at_sheet(song: &Song) -> impl Fn(TempoFault) -> crate::Error + '_ {
    |e| Located::whole(&song.sheet, MidiFault::Tempo(e)).into()
}

/// The tempo map as a Standard MIDI File; `None` where no tempo is known.
pub(super) fn tempo_file(song: &Song) -> Result<Option<Vec<u8>>> {
    let Some(map) = &song.tempo else { return Ok(None) };
    let end = SamplePos(song.frames()).at(song.rate());
    let file = laid_out(song, map).map_err(at_sheet(song))?;
    let file = tempo_map(&song.title, &file.map, Some(end)).map_err(at_sheet(song))?;
    Ok(Some(file.bytes))
}

/// The triggers of every drum that was searched, as played; `None` without any stroke.
pub(super) fn trigger_file(song: &Song, hits: &HitList) -> Result<Option<Vec<u8>>> {
    file(song, hits, None)
}

/// The triggers moved to the grid as far as the sheet asks for; `None` where it does not, without tempo or stroke, and where
/// no drum follows the grid.
pub(super) fn pulled_trigger_file(song: &Song, hits: &HitList) -> Result<Option<Vec<u8>>> {
    let Some((pulled, _)) = wanted_pull(song, hits)? else { return Ok(None) };
    if is_no_pull(&pulled) { Ok(None) } else { file(song, hits, Some(&pulled.times())) }
}

/// The pull that the sheet asks for, and the grid's map.
fn wanted_pull<'a>(song: &'a Song, hits: &HitList) -> Result<Option<(Pulled, &'a TempoMap)>> {
    let Some(map) = song.tempo.as_ref().filter(|_| song.trigger_pull > 0.0) else { return Ok(None) };
    Ok(Some((pull(hits, map, song.grid, PullSettings::percent(song.trigger_pull)?)?, map)))
}

/// Whether every drum stays as played, because none follows the grid.
fn is_no_pull(pulled: &Pulled) -> bool {
    pulled.counts.moved == 0 && pulled.counts.because.contains_key(&Because::NoRelation)
}

/// What speaks against the pulled triggers of a delivery.
pub(super) fn pull_finding(song: &Song, hits: &HitList) -> Option<Finding> {
    let (pulled, map) = wanted_pull(song, hits).ok()??;
    let remedy = "Run `underlay timing` on the sheet and put right what it says, or take pull out of its [hits].";
    if is_no_pull(&pulled) {
        let what = "no drum follows the grid, so the pulled triggers that the sheet asks for are left out";
        return Some(Finding::song(what, remedy));
    }
    let timing = check(hits, map, &song.form, &CheckSettings::on(song.grid), None);
    let doubt = pull_doubts(&pulled, hits, &timing).into_iter().next()?;
    let why = doubt.what.trim_end_matches('.');
    Some(Finding::song(format!("the pulled triggers that go along are doubtful: \"{why}\""), remedy))
}

/// What the pulled triggers are called: `TriggersPulled60Percent`.
pub(super) fn pulled_name(percent: f64) -> String {
    format!("TriggersPulled{}Percent", percent.to_string().replace('.', "Point"))
}

/// As played, or at a time for every hit of the list.
fn file(song: &Song, hits: &HitList, times: Option<&[Seconds]>) -> Result<Option<Vec<u8>>> {
    let plan = TriggerPlan::of(song);
    let file = match &song.tempo {
        Some(map) => laid_out(song, map).map_err(at_sheet(song))?,
        None => FileMap::unknown(),
    };
    let keys = [song.keys.0, song.keys.1];
    let tracks: Vec<TriggerTrack> = Drum::FOUND
        .into_iter()
        .zip(keys)
        .filter(|(drum, _)| hits.of(*drum).next().is_some())
        .map(|(drum, key)| match times {
            Some(times) => TriggerTrack::at_targets(hits, times, drum, key),
            None => TriggerTrack::as_played(hits, drum, key),
        })
        .collect();
    if tracks.is_empty() {
        return Ok(None);
    }
    Ok(Some(triggers(plan.title, &file, &tracks, plan.shift_ms, plan.end)?.bytes))
}
