//! Tempo tracks as files: the standard's own examples, and times that another library computed.

use midly::{MidiMessage, Smf, TrackEventKind};
use std::path::{Path, PathBuf};
use underlay::tempo::{Meter, TempoMap, TempoTrack, read_tempo_track};
use underlay::units::Seconds;

fn at_home(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn read(path: &str) -> TempoTrack {
    read_tempo_track(&at_home(path), Seconds(0.0)).unwrap()
}

const EXAMPLES: [&str; 2] = ["fixtures/midi/standard_format_0.mid", "fixtures/midi/standard_format_1.mid"];

/// Standard MIDI Files 1.0 (RP-001) prints one piece of music as a file of format 0 and as one of format 1.
#[test]
fn both_worked_examples_of_the_standard_have_one_tempo_map() {
    let [zero, one] = EXAMPLES.map(read);
    assert_eq!(zero, one);
    assert_eq!(zero.map.tempos()[0].us_per_quarter, 500_000);
    assert_eq!(zero.map.meters()[0].meter, Meter::FOUR_FOUR);
    assert!(zero.findings.is_empty(), "{:?}", zero.findings);
}

/// The notes that the standard describes: channel from 1, key, velocity, tick of 96 a quarter; 384 ticks are 2 s.
#[test]
fn both_worked_examples_of_the_standard_have_the_same_notes() {
    for path in EXAMPLES {
        let bytes = std::fs::read(at_home(path)).unwrap();
        let (mut notes, mut ends) = (Vec::new(), Vec::new());
        for track in Smf::parse(&bytes).unwrap().tracks {
            let mut tick = 0;
            for event in track {
                tick += event.delta.as_int();
                let TrackEventKind::Midi { channel, message } = event.kind else { continue };
                match message {
                    MidiMessage::NoteOn { key, vel } if vel > 0 => {
                        notes.push((channel.as_int() + 1, key.as_int(), vel.as_int(), tick));
                    }
                    MidiMessage::NoteOn { .. } | MidiMessage::NoteOff { .. } => ends.push(tick),
                    _ => {}
                }
            }
        }
        notes.sort_unstable();
        assert_eq!(notes, [(1, 76, 32, 192), (2, 67, 64, 96), (3, 48, 96, 0), (3, 60, 96, 0)], "{path}");
        assert_eq!(ends, [384; 4], "{path}");
        assert_eq!(read(path).map.time_at(384.0 * TempoMap::PPQ as f64 / 96.0), Seconds(2.0));
    }
}

/// `reference_data/midi_times.py`: files and times made by the Python library mido.
#[test]
fn times_agree_with_another_library_at_any_resolution() {
    let kept = std::fs::read_to_string(at_home("reference_data/midi_times.json")).unwrap();
    let kept: serde_json::Value = serde_json::from_str(&kept).unwrap();
    let songs = kept["songs"].as_array().unwrap();
    assert_eq!(songs.len(), 5);
    for song in songs {
        let name = song["file"].as_str().unwrap();
        let track = read(&format!("reference_data/midi_times/{name}"));
        let scale = TempoMap::PPQ as f64 / song["ppq"].as_f64().unwrap();
        let tolerance = track.rounding.0 + 1e-9;
        assert!(tolerance < 0.001, "{name}: {tolerance}");
        for point in song["points"].as_array().unwrap() {
            let (tick, seconds) = (point[0].as_f64().unwrap() * scale, point[1].as_f64().unwrap());
            assert!((track.map.time_at(tick).0 - seconds).abs() <= tolerance, "{name}, tick {tick}");
            assert!((track.map.tick_at(track.map.time_at(tick)) - tick).abs() < 1e-5, "{name}, tick {tick}");
        }
        // Every meter's marker lies on a bar line of our map.
        let markers = track.map.markers();
        assert_eq!(markers.len(), song["meters"].as_array().unwrap().len());
        for marker in markers {
            let at = track.map.bar_beat(marker.tick as f64);
            assert_eq!((at.beat, at.tick), (1, 0), "{name}: {marker:?}");
            assert_eq!(track.map.meter_of(at.bar).to_string(), marker.name);
        }
    }
}
