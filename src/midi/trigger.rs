//! Strokes as notes: one track a drum, to the nearest tick of the stored tempo.

use super::encode::{Event, Track, encode};
use super::{FileMap, MAX_SHIFT_MS};
use crate::error::{Error, Result};
use crate::hits::{HitList, State};
use crate::song::Drum;
use crate::tempo::TempoMap;
use crate::units::{Seconds, Velocity};
use midly::num::u7;
use serde::Serialize;

/// Longest note, ticks: a 32nd. A drum sample rings as long as it likes; a note only has to end before the next.
const NOTE_TICKS: u64 = TempoMap::PPQ / 8;

/// One stroke to be played.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Trigger {
    /// When, from the audio's first sample.
    pub time: Seconds,
    /// How strong.
    pub velocity: Velocity,
}

/// The strokes of one drum.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TriggerTrack {
    /// Name of the track.
    pub name: String,
    /// MIDI key, 0..=127.
    pub key: u8,
    /// The strokes, in any order.
    pub triggers: Vec<Trigger>,
}

impl TriggerTrack {
    /// A drum's sounding hits as they were played.
    #[must_use]
    pub fn as_played(list: &HitList, drum: Drum, key: u8) -> Self {
        let to_trigger = |h: &crate::hits::Hit| Trigger { time: h.pos.at(list.rate), velocity: h.velocity };
        Self { name: drum.word().to_owned(), key, triggers: list.of(drum).map(to_trigger).collect() }
    }

    /// A drum's sounding hits at other times: `targets` holds one for every hit of the list, in its order, whatever
    /// its drum and state. Hits without a target stay as played.
    #[must_use]
    pub fn at_targets(list: &HitList, targets: &[Seconds], drum: Drum, key: u8) -> Self {
        let own = |(_, h): &(usize, &crate::hits::Hit)| h.drum == drum && h.state != State::Dropped;
        let to_trigger = |(i, h): (usize, &crate::hits::Hit)| Trigger {
            time: targets.get(i).copied().unwrap_or_else(|| h.pos.at(list.rate)),
            velocity: h.velocity,
        };
        let triggers = list.hits.iter().enumerate().filter(own).map(to_trigger).collect();
        Self { name: drum.word().to_owned(), key, triggers }
    }
}

/// What became of the strokes' times in the file.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Rounding {
    /// Notes written.
    pub notes: usize,
    /// Largest distance of a note from its stroke (shifted as asked), ms: at most half a tick.
    pub max_ms: f64,
    /// Median distance, ms.
    pub median_ms: f64,
    /// Strokes of one drum that fell on one tick and became one note, the strongest of them.
    pub merged: usize,
    /// Strokes that the shift would have put before the audio's start, and that were put on it.
    pub held_at_start: usize,
}

/// A trigger file's bytes, and what its making did to the strokes.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TriggerFile {
    /// The file.
    #[serde(skip)]
    pub bytes: Vec<u8>,
    /// What became of the times.
    pub rounding: Rounding,
}

/// A file of one track a drum behind a first track of title, tempo map, meters and markers.
///
/// Every stroke sounds `shift_ms` later (negative: earlier, for samplers with latency) at the nearest tick, on channel
/// 10, and ends a 32nd later or before the next. `end` is the song's length, where the first track ends. Cost: a sort
/// of the strokes.
///
/// # Errors
/// A usage error for a key above 127, one key for two drums, or a shift beyond ±[`MAX_SHIFT_MS`].
pub fn triggers(
    title: &str,
    file: &FileMap,
    tracks: &[TriggerTrack],
    shift_ms: f64,
    end: Option<Seconds>,
) -> Result<TriggerFile> {
    check(tracks, shift_ms)?;
    let end = end.map_or(0, |end| nearest_tick(&file.map, end));
    let mut encoded = vec![Track::of_map(title, &file.map, end)];
    let mut rounding = Rounding::default();
    let mut distances = Vec::new();
    for track in tracks {
        let notes = place(&file.map, track, shift_ms, &mut rounding, &mut distances);
        encoded.push(note_track(&track.name, track.key, &notes));
        rounding.notes += notes.len();
    }
    distances.sort_by(f64::total_cmp);
    rounding.max_ms = distances.last().copied().unwrap_or(0.0);
    let middle = |i: usize| distances.get(i).copied().unwrap_or(0.0);
    rounding.median_ms = (middle(distances.len().saturating_sub(1) / 2) + middle(distances.len() / 2)) / 2.0;
    Ok(TriggerFile { bytes: encode(&encoded), rounding })
}

fn check(tracks: &[TriggerTrack], shift_ms: f64) -> Result<()> {
    if shift_ms.is_nan() || shift_ms.abs() > MAX_SHIFT_MS {
        return Err(Error::usage(
            format!("a trigger shift of {shift_ms} ms is not possible"),
            format!("Choose a shift between -{MAX_SHIFT_MS} and {MAX_SHIFT_MS} ms."),
        ));
    }
    for (i, track) in tracks.iter().enumerate() {
        if track.key > 127 {
            return Err(Error::usage(
                format!("the MIDI key {} of the {} does not exist", track.key, track.name),
                "Choose a key from 0 to 127.",
            ));
        }
        if let Some(other) = tracks[..i].iter().find(|t| t.key == track.key) {
            return Err(Error::usage(
                format!("{} and {} have the same MIDI key {}", other.name, track.name, track.key),
                "Give every drum its own key.",
            ));
        }
    }
    Ok(())
}

/// Strokes on ticks, rising, one a tick.
fn place(
    map: &TempoMap,
    track: &TriggerTrack,
    shift_ms: f64,
    rounding: &mut Rounding,
    distances: &mut Vec<f64>,
) -> Vec<(u64, Velocity)> {
    let mut notes: Vec<(u64, Velocity)> = Vec::with_capacity(track.triggers.len());
    for trigger in &track.triggers {
        let wanted = trigger.time + Seconds::from_ms(shift_ms);
        let tick = nearest_tick(map, wanted);
        let time = map.time_at(tick as f64);
        if wanted.0 < 0.0 {
            rounding.held_at_start += 1;
        } else {
            distances.push((time - wanted).ms().abs());
        }
        notes.push((tick, trigger.velocity));
    }
    notes.sort_by_key(|&(tick, velocity)| (tick, std::cmp::Reverse(velocity)));
    let all = notes.len();
    notes.dedup_by_key(|n| n.0);
    rounding.merged += all - notes.len();
    notes
}

/// The tick nearest in time, 0 for what lies before.
fn nearest_tick(map: &TempoMap, time: Seconds) -> u64 {
    map.tick_at(time).round().max(0.0) as u64
}

fn note_track(name: &str, key: u8, notes: &[(u64, Velocity)]) -> Track {
    let key = u7::from(key);
    let mut events = vec![(0, Event::Name(name.to_owned()))];
    for (i, &(tick, velocity)) in notes.iter().enumerate() {
        let next = notes.get(i + 1).map_or(u64::MAX, |n| n.0);
        // One tick before the next note, or on its tick but written before it where they are neighbours.
        let off = (tick + NOTE_TICKS).min(next - 1).max(tick + 1);
        events.push((tick, Event::NoteOn(key, u7::from(velocity.get()))));
        events.push((off, Event::NoteOff(key)));
    }
    Track { events, end: 0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tempo::Meter;
    use crate::units::Bpm;
    use midly::{MidiMessage, Smf, TrackEventKind};
    use proptest::prelude::*;

    fn file_map(bpm: f64) -> FileMap {
        let map = TempoMap::constant(Bpm::new(bpm).unwrap(), Meter::FOUR_FOUR, Seconds(0.0));
        FileMap::of(&map).unwrap()
    }

    fn track(key: u8, strokes: &[(f64, u8)]) -> TriggerTrack {
        let to_trigger = |&(t, v): &(f64, u8)| Trigger { time: Seconds(t), velocity: Velocity::new(v).unwrap() };
        TriggerTrack { name: format!("key {key}"), key, triggers: strokes.iter().map(to_trigger).collect() }
    }

    /// Tick, key, velocity of all notes; velocity 0 for a note-off.
    fn notes(bytes: &[u8]) -> Vec<(u64, u8, u8)> {
        let mut notes = Vec::new();
        for track in Smf::parse(bytes).unwrap().tracks {
            let mut tick = 0;
            for event in track {
                tick += u64::from(event.delta.as_int());
                match event.kind {
                    TrackEventKind::Midi { channel, message: MidiMessage::NoteOn { key, vel } } => {
                        assert_eq!(channel.as_int(), 9);
                        notes.push((tick, key.as_int(), vel.as_int()));
                    }
                    TrackEventKind::Midi { message: MidiMessage::NoteOff { key, .. }, .. } => {
                        notes.push((tick, key.as_int(), 0));
                    }
                    _ => {}
                }
            }
        }
        notes
    }

    /// GM System Level 1: channel 10, keys 36 and 38; note-on bytes `99 24 64` and `99 26 7F`.
    #[test]
    fn a_kick_of_100_and_a_snare_of_127_have_the_bytes_of_general_midi() {
        let tracks = [track(super::super::KICK_KEY, &[(0.0, 100)]), track(super::super::SNARE_KEY, &[(0.0, 127)])];
        let bytes = triggers("Song", &file_map(120.0), &tracks, 0.0, None).unwrap().bytes;
        for note in [[0x99, 0x24, 0x64], [0x99, 0x26, 0x7F], [0x89, 0x24, 0x40]] {
            assert_eq!(bytes.windows(3).filter(|w| *w == note).count(), 1, "{note:02X?}");
        }
    }

    #[test]
    fn a_note_ends_before_the_next_of_its_key() {
        let strokes = [(0.0, 50), (0.010, 60), (0.010_52, 70), (1.0, 80)];
        let bytes = triggers("", &file_map(120.0), &[track(38, &strokes)], 0.0, None).unwrap().bytes;
        assert_eq!(
            notes(&bytes),
            [
                (0, 38, 50),
                (18, 38, 0),
                (19, 38, 60),
                (20, 38, 0),
                (20, 38, 70),
                (140, 38, 0),
                (1920, 38, 80),
                (2040, 38, 0)
            ]
        );
    }

    #[test]
    fn two_strokes_on_one_tick_become_the_stronger() {
        let file = triggers("", &file_map(120.0), &[track(38, &[(1.0, 70), (1.000_01, 90)])], 0.0, None).unwrap();
        assert_eq!(notes(&file.bytes), [(1920, 38, 90), (2040, 38, 0)]);
        assert_eq!((file.rounding.notes, file.rounding.merged), (1, 1));
    }

    #[test]
    fn a_shift_moves_every_stroke_and_stops_at_the_start_of_the_audio() {
        let strokes = track(36, &[(0.002, 90), (1.0, 90)]);
        let file = triggers("", &file_map(120.0), std::slice::from_ref(&strokes), -5.0, None).unwrap();
        assert_eq!(notes(&file.bytes).iter().map(|n| n.0).collect::<Vec<_>>(), [0, 120, 1910, 2030]);
        assert_eq!(file.rounding.held_at_start, 1);
        for shift in [f64::NAN, f64::INFINITY, -1000.1] {
            assert!(triggers("", &file_map(120.0), std::slice::from_ref(&strokes), shift, None).is_err());
        }
    }

    #[test]
    fn keys_that_cannot_be_played_apart_are_refused() {
        for keys in [[36, 36], [36, 128]] {
            let tracks = keys.map(|k| track(k, &[]));
            assert!(triggers("", &file_map(120.0), &tracks, 0.0, None).is_err(), "{keys:?}");
        }
    }

    proptest! {
        /// Half a tick of the stored tempo: tempo_us / 960 / 2 (RP-001); 0.260 ms at 120 BPM.
        #[test]
        fn no_note_is_further_from_its_stroke_than_half_a_tick(
            bpm in 40.0..250.0f64, times in prop::collection::vec(0.0..3600.0f64, 1..50), lead in 0.0..9.0f64,
        ) {
            let song = TempoMap::constant(Bpm::new(bpm).unwrap(), Meter::FOUR_FOUR, Seconds(lead));
            let file = FileMap::of(&song).unwrap();
            let strokes: Vec<(f64, u8)> = times.iter().map(|&t| (t, 99)).collect();
            let made = triggers("", &file, &[track(36, &strokes)], 0.0, None).unwrap();
            let half_tick_ms = file.map.tempos().iter().map(|t| t.us_per_quarter).max().unwrap() as f64 / 960.0 / 2000.0;
            prop_assert!(made.rounding.max_ms <= half_tick_ms + 1e-9);
            prop_assert!(made.rounding.median_ms <= made.rounding.max_ms);
            prop_assert_eq!(made.rounding.notes + made.rounding.merged, times.len());
        }

        #[test]
        fn notes_of_one_key_never_overlap(times in prop::collection::vec(0.0..3.0f64, 1..200)) {
            let strokes: Vec<(f64, u8)> = times.iter().map(|&t| (t, 99)).collect();
            let made = triggers("", &file_map(97.0), &[track(36, &strokes)], 0.0, None).unwrap();
            let notes = notes(&made.bytes);
            prop_assert!(notes.iter().enumerate().all(|(i, n)| (n.2 == 0) == (i % 2 == 1)));
            prop_assert!(notes.chunks(2).all(|n| n[0].0 < n[1].0));
        }
    }
}
