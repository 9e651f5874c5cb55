//! Trigger files as they lie on the disk. Some are kept under `target/tmp/midi_check` with their hit lists, where
//! `reference_data/midi_check.py` reads them back with another library.

use midly::{MetaMessage, MidiMessage, Smf, TrackEventKind};
use std::fs;
use std::path::{Path, PathBuf};
use underlay::hits::{Hit, HitList, Kind, State};
use underlay::midi::{TriggerPlan, TriggerReport, Version, write_tempo_map, write_triggers};
use underlay::song::Drum;
use underlay::tempo::{Grid, Marker, Meter, TempoMap, read_tempo_track};
use underlay::units::{Bpm, Dbfs, SamplePos, SampleRate, Seconds, Velocity};
use underlay::{Error, ExitCode};

/// Strokes of both drums over 40 seconds, at places that follow no grid; every seventh dropped.
fn strokes() -> HitList {
    let hit = |i: u64| Hit {
        drum: if i.is_multiple_of(3) { Drum::Snare } else { Drum::Kick },
        pos: SamplePos(i * 4801 + i * i % 977),
        velocity: Velocity::new((i * 37 % 127) as u8 + 1).unwrap(),
        peak: Dbfs(-12.0),
        certainty: 0.9,
        kind: Kind::Hit,
        state: if i % 7 == 6 { State::Dropped } else { State::Found },
        place: None,
    };
    HitList { rate: SampleRate::SESSION, hits: (0..400).map(hit).collect() }
}

fn meter(word: &str) -> Meter {
    word.parse().unwrap()
}

/// Tempo and meter changes, sections, and bar 1 at an odd place.
fn song(bar_one: f64) -> TempoMap {
    let bpm = |b| Bpm::new(b).unwrap();
    TempoMap::by_bars(
        Seconds(bar_one),
        &[(1, meter("4/4")), (5, meter("7/8")), (9, meter("6/8"))],
        &[(1, bpm(104.0)), (5, bpm(117.3)), (9, bpm(81.7))],
        &[(1, "intro".into()), (5, "verse".into()), (9, "chorus".into())],
    )
    .unwrap()
}

fn write(folder: &Path, list: &HitList, tempo: Option<&TempoMap>) -> TriggerReport {
    let plan = TriggerPlan { title: "Harbour Lights", tempo, end: Some(Seconds(41.0)), ..TriggerPlan::default() };
    write_triggers(folder, list, &Drum::FOUND, plan, Version::AsPlayed).unwrap()
}

/// Ticks and velocities of the notes of one track.
fn notes(bytes: &[u8], track: usize) -> Vec<(u64, u8)> {
    let mut tick = 0;
    let mut notes = Vec::new();
    for event in &Smf::parse(bytes).unwrap().tracks[track] {
        tick += u64::from(event.delta.as_int());
        if let TrackEventKind::Midi { message: MidiMessage::NoteOn { vel, .. }, .. } = event.kind {
            notes.push((tick, vel.as_int()));
        }
    }
    notes
}

/// RP-001: header of 6 bytes, chunk lengths that add up, end marks, tempo and meter in the first track only.
fn check_layout(bytes: &[u8], tracks: usize) {
    assert_eq!(&bytes[..8], b"MThd\0\0\0\x06");
    assert_eq!(&bytes[8..14], [0, 1, 0, tracks as u8, 0x03, 0xC0]);
    let (mut at, mut found) = (14, 0);
    while at < bytes.len() {
        assert_eq!(&bytes[at..at + 4], b"MTrk");
        at += 8 + u32::from_be_bytes(bytes[at + 4..at + 8].try_into().unwrap()) as usize;
        assert_eq!(&bytes[at - 3..at], b"\xFF\x2F\0");
        found += 1;
    }
    assert_eq!((at, found), (bytes.len(), tracks));
    for track in &Smf::parse(bytes).unwrap().tracks[1..] {
        use MetaMessage::{Marker, Tempo, TimeSignature};
        let of_map =
            |k: &TrackEventKind<'_>| matches!(k, TrackEventKind::Meta(Tempo(_) | TimeSignature(..) | Marker(_)));
        assert!(!track.iter().any(|e| of_map(&e.kind)));
    }
}

/// Situations that differ in where bar 1 lies; kept for the outside check.
#[test]
fn every_hit_is_within_half_a_tick_of_its_note_wherever_bar_one_lies() {
    let kept = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("midi_check");
    let list = strokes();
    for (name, tempo) in [
        ("no_tempo", None),
        ("bar_one_at_zero", Some(song(0.0))),
        ("odd_lead_in", Some(song(5.4321))),
        ("tiny_lead_in", Some(song(0.004))),
        ("cut_into_bar_two", Some(song(-3.3))),
        ("count_in", Some(song(0.1).with_count_in(2))),
    ] {
        let folder = kept.join(name);
        let report = write(&folder, &list, tempo.as_ref());
        list.write(&folder.join("hits.csv")).unwrap();
        let names: Vec<_> = report.files.iter().map(|f| f.path.file_name().unwrap().to_str().unwrap()).collect();
        assert_eq!(names, ["triggers.mid", "kick.mid", "snare.mid"]);
        let bytes = fs::read(folder.join("triggers.mid")).unwrap();
        check_layout(&bytes, 3);
        check_layout(&fs::read(folder.join("kick.mid")).unwrap(), 2);
        // Times through our own reader; mido reads the same files in midi_check.py.
        let file = read_tempo_track(&folder.join("triggers.mid"), Seconds(0.0)).unwrap();
        assert_eq!(file.title.as_deref(), Some("Harbour Lights"));
        for (track, drum) in [(1, Drum::Kick), (2, Drum::Snare)] {
            let notes = notes(&bytes, track);
            let hits: Vec<&Hit> = list.of(drum).collect();
            assert_eq!(notes.len(), hits.len(), "{name}");
            for ((tick, velocity), hit) in notes.into_iter().zip(hits) {
                let off = (file.map.time_at(tick as f64) - hit.pos.at(list.rate)).ms().abs();
                let slowest = file.map.tempos().iter().map(|t| t.us_per_quarter).max().unwrap();
                assert!(off <= f64::from(slowest) / 960.0 / 2000.0 + 1e-9, "{name}: {off} ms");
                assert_eq!(velocity, hit.velocity.get());
            }
        }
        let rounding = report.files[0].rounding;
        assert_eq!((rounding.notes, rounding.merged, rounding.held_at_start), (list.hits.len() - 57, 0, 0), "{name}");
        assert!(rounding.max_ms < 0.5 && rounding.median_ms > 0.0, "{name}: {rounding:?}");
        assert_eq!(report.findings.iter().any(|f| f.what.contains("No tempo is known")), tempo.is_none());
        if let Some(song) = tempo {
            for line in song.bars(Seconds(0.01), Seconds(40.0)).filter(|l| l.bar >= 1) {
                let at = file.map.bar_beat(file.map.tick_at(line.time).round());
                assert_eq!((at.beat, at.tick), (1, 0), "{name}: bar {}", line.bar);
                assert_eq!(file.map.meter_of(at.bar), line.meter, "{name}: bar {}", line.bar);
            }
        }
    }
}

#[test]
fn the_same_hits_make_the_same_bytes() {
    let [a, b] = [0, 1].map(|_| tempfile::tempdir().unwrap());
    for folder in [&a, &b] {
        write(folder.path(), &strokes(), Some(&song(2.5)));
    }
    for name in ["triggers.mid", "kick.mid", "snare.mid"] {
        assert_eq!(fs::read(a.path().join(name)).unwrap(), fs::read(b.path().join(name)).unwrap());
    }
}

#[test]
fn a_list_read_back_from_its_file_makes_the_same_midi() {
    let folder = tempfile::tempdir().unwrap();
    let mut list = strokes();
    list.place(Some(&song(2.5)), Grid::SIXTEENTH);
    list.write(&folder.path().join("hits.csv")).unwrap();
    let read = HitList::read(&folder.path().join("hits.csv"), list.rate, None).unwrap();
    assert!(read.findings.is_empty(), "{:?}", read.findings);
    write(&folder.path().join("a"), &list, Some(&song(2.5)));
    write(&folder.path().join("b"), &read.list, Some(&song(2.5)));
    let bytes = |n: &str| fs::read(folder.path().join(n).join("triggers.mid")).unwrap();
    assert_eq!(bytes("a"), bytes("b"));
}

#[test]
fn targets_on_the_grid_are_written_on_the_grid() {
    let folder = tempfile::tempdir().unwrap();
    let (list, song) = (strokes(), song(0.0));
    let line = |h: &Hit| song.nearest_line(h.pos.at(list.rate), Grid::SIXTEENTH).time;
    let targets: Vec<Seconds> = list.hits.iter().map(line).collect();
    let plan = TriggerPlan { tempo: Some(&song), ..TriggerPlan::default() };
    let report = write_triggers(folder.path(), &list, &[Drum::Kick], plan, Version::OnGrid(&targets)).unwrap();
    assert!(report.files[0].path.ends_with("triggers_on_grid.mid"));
    assert!(report.files[0].rounding.max_ms < 1e-6);
    let notes = notes(&fs::read(folder.path().join("kick_on_grid.mid")).unwrap(), 1);
    assert!(notes.len() > 50 && notes.iter().all(|(tick, _)| tick % 240 == 0));
}

#[test]
fn a_tempo_map_file_reads_back_as_the_map_it_was_made_of() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("tempo.mid");
    let song = song(0.0);
    let findings = write_tempo_map(&path, "Harbour Lights", &song, Some(Seconds(60.0))).unwrap();
    assert!(findings.is_empty());
    let read = read_tempo_track(&path, Seconds(0.0)).unwrap();
    assert_eq!(read.map, song);
    check_layout(&fs::read(&path).unwrap(), 1);
    let early = song.with_bar_one(Seconds(0.003));
    let findings = write_tempo_map(&path, "Harbour Lights", &early, None).unwrap();
    assert!(findings[0].what.contains("Bar 1 comes only 3.0 ms after the start"), "{findings:?}");
    let read = read_tempo_track(&path, Seconds(0.0)).unwrap();
    let intro: &Marker = &read.map.markers()[0];
    assert!((read.map.time_at(intro.tick as f64).ms() - 3.0).abs() < 0.001);
}

#[test]
fn a_folder_that_cannot_be_written_leaves_nothing_behind() {
    let folder = tempfile::tempdir().unwrap();
    let taken = folder.path().join("taken");
    fs::write(&taken, b"a file where the folder should be").unwrap();
    let plan = TriggerPlan::default();
    let error = write_triggers(&taken, &strokes(), &Drum::FOUND, plan, Version::AsPlayed).unwrap_err();
    assert_eq!(error.exit_code(), ExitCode::Output);
    let same_key = TriggerPlan { keys: (36, 36), ..plan };
    let error = write_triggers(&folder.path().join("x"), &strokes(), &Drum::FOUND, same_key, Version::AsPlayed);
    assert!(matches!(error, Err(Error::Usage(_))));
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
}
