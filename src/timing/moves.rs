//! The list of moves for whoever edits the audio: a table, markers in a MIDI file, and cue points in a WAV file.
//!
//! In: hit list, pulled targets, tempo map. Out: CSV text, MIDI bytes, cue points.

use super::pull::{Because, Pulled};
use crate::audio::Cue;
use crate::error::{Located, Result};
use crate::hits::HitList;
use crate::midi::{FileMap, MidiFault, tempo_map};
use crate::song::Drum;
use crate::tempo::{Grid, Marker, TempoMap};
use crate::units::{SamplePos, Seconds};
use std::collections::BTreeMap;
use std::fmt::Write;
use std::path::Path;

/// The head of the move list.
pub const HEAD: &str = "drum,hit,bar,beat,tick,from_s,to_s,from_sample,to_sample,move_ms,offset_ms,why";

/// The move list (RFC 4180): one row for every sounding hit, in order of time; `move_ms` is 0 where a hit stays and
/// `why` says the reason. Bar, beat and tick are the hit's own, `offset_ms` its distance from the grid as played;
/// `hit` counts each drum's hits from 1, as the hit list does.
#[must_use]
pub fn moves_csv(list: &HitList, pulled: &Pulled, map: &TempoMap, grid: Grid) -> String {
    let mut text = format!("{HEAD}\r\n");
    let mut numbers = BTreeMap::<Drum, u64>::new();
    for (hit, t) in list.hits.iter().zip(&pulled.targets) {
        // Dropped hits have their numbers in the list too.
        let number = numbers.entry(hit.drum).or_insert(0);
        *number += 1;
        if t.because == Because::Dropped {
            continue;
        }
        let (from, to) = (t.from.at(list.rate), t.to.at(list.rate));
        let at = map.bar_beat_at(from);
        let offset = (from - map.nearest_line(from, grid).time).ms();
        // Writing to a string cannot fail.
        let _ = write!(
            text,
            "{},{number},{},{},{},{:.6},{:.6},{},{},{:.3},{offset:.3},{}\r\n",
            hit.drum,
            at.bar,
            at.beat,
            at.tick,
            from.0,
            to.0,
            t.from,
            t.to,
            t.move_ms(list.rate),
            t.because.words()
        );
    }
    text
}

/// What a marker at a hit that is to move says: `snare +12.3 ms` (later) or `kick -8.0 ms` (earlier).
fn label(list: &HitList, pulled: &Pulled, hit: usize) -> Option<(SamplePos, String)> {
    let (h, t) = (list.hits.get(hit)?, pulled.targets.get(hit)?);
    (t.from != t.to).then(|| (t.from, format!("{} {:+.1} ms", h.drum, t.move_ms(list.rate))))
}

/// A MIDI file of the song's tempo map with a marker where every hit that is to move was played; its tick 0 is
/// sample 0 of the audio.
///
/// # Errors
/// [`Error::Midi`](crate::Error::Midi), naming `path`, when the tempo map reaches too far.
pub fn moves_midi(
    path: &Path,
    title: &str,
    list: &HitList,
    pulled: &Pulled,
    map: &TempoMap,
    end: Option<Seconds>,
) -> Result<Vec<u8>> {
    let fault = |e| Located::whole(path, MidiFault::Tempo(e));
    // Laid out from sample 0 first, so that a hit just before bar 1 has a place for its marker too.
    let file = FileMap::of(map).map_err(fault)?.map;
    let markers = (0..list.hits.len())
        .filter_map(|i| label(list, pulled, i))
        .map(|(from, name)| Marker { tick: file.tick_at(from.at(list.rate)).round().max(0.0) as u64, name })
        .collect();
    let marked = file.with_markers(markers).map_err(fault)?;
    Ok(tempo_map(title, &marked, end).map_err(fault)?.bytes)
}

/// Cue points where every hit that is to move was played, for a WAV file.
#[must_use]
pub fn moves_cues(list: &HitList, pulled: &Pulled) -> Vec<Cue> {
    (0..list.hits.len()).filter_map(|i| label(list, pulled, i)).map(|(pos, label)| Cue { pos, label }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tempo::{Meter, parse_tempo_track};
    use crate::timing::made::{hit, list};
    use crate::timing::{PullSettings, pull};
    use crate::units::Bpm;

    fn take() -> (HitList, TempoMap, Pulled) {
        let map = TempoMap::constant(Bpm::new(120.0).unwrap(), Meter::FOUR_FOUR, Seconds(2.0));
        let l = list(vec![hit(Drum::Kick, 1992.0, 100), hit(Drum::Snare, 2520.0, 100), hit(Drum::Kick, 3061.0, 100)]);
        let p = pull(&l, &map, Grid::SIXTEENTH, PullSettings::percent(50.0).unwrap()).unwrap();
        (l, map, p)
    }

    #[test]
    fn the_list_says_from_where_to_where_and_why() {
        let (l, map, p) = take();
        let csv = moves_csv(&l, &p, &map, Grid::SIXTEENTH);
        let rows: Vec<&str> = csv.split("\r\n").collect();
        assert_eq!(rows[1], "kick,1,0,4,945,1.992000,1.996000,95616,95808,4.000,-8.000,moved");
        assert_eq!(rows[2], "snare,1,1,2,38,2.520000,2.510000,120960,120480,-10.000,20.000,moved");
        assert_eq!(rows[3], "kick,2,1,3,117,3.061000,3.061000,146928,146928,0.000,61.000,too far from the grid");
    }

    #[test]
    fn markers_lie_where_the_hits_were_played_even_before_bar_one() {
        let (l, map, p) = take();
        let path = Path::new("moves.mid");
        let bytes = moves_midi(path, "song", &l, &p, &map, None).unwrap();
        let read = parse_tempo_track(path, &bytes, Seconds(0.0)).unwrap().map;
        let told: Vec<_> = read.markers().iter().map(|m| (read.time_at(m.tick as f64).0, m.name.as_str())).collect();
        // Half a tick at 120 BPM is 0.26 ms.
        assert!((told[0].0 - 1.992).abs() < 2.7e-4 && told[0].1 == "kick +4.0 ms", "{told:?}");
        assert!(told.iter().any(|t| (t.0 - 2.52).abs() < 2.7e-4 && t.1 == "snare -10.0 ms"), "{told:?}");
    }

    #[test]
    fn cues_are_exact_to_the_sample() {
        let (l, _, p) = take();
        let cues = moves_cues(&l, &p);
        assert_eq!(cues.iter().map(|c| c.pos.0).collect::<Vec<_>>(), [95_616, 120_960]);
        assert_eq!(cues[1].label, "snare -10.0 ms");
    }
}
