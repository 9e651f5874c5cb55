//! What a delivery says of itself: tables, maps and notes agree with its audio, and what was decided since is told.

use crate::handoff::{contents, find, looked, made, samples};
use crate::run::{LAYER, STATE, TIME, VELOCITY, did, edit, of, typed};
use crate::small_song::{RATE, mic, sheet, song, track, write_as};
use std::fs;
use std::path::Path;
use underlay::audio::{AudioReader, SampleFormat, WavSpec};
use underlay::handoff::{self, Document, Handoff, Request};
use underlay::mix::{self, Meter as LoudnessMeter, Watch};
use underlay::song::{Drum, Place, Section, Song, TrackKind};
use underlay::tempo::{Meter, TempoMap, parse_tempo_track};
use underlay::units::{Bpm, SampleRate, Seconds};
use underlay::{Quiet, Weight};

/// The text of a document in a zip.
fn packed(out: &Path, zip: &str, document: &str) -> String {
    let mut z = zip::ZipArchive::new(fs::File::open(out.join(zip)).unwrap()).unwrap();
    let mut text = String::new();
    let name = format!("{}/Documents/LowTide_{document}", zip.trim_end_matches(".zip"));
    std::io::Read::read_to_string(&mut z.by_name(&name).unwrap(), &mut text).unwrap();
    text
}

#[test]
fn the_delivered_tables_count_the_samples_of_the_delivered_files() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 8.0, &format!("{LAYER}[handoff]\nrate = 44100\n"));
    let out = dir.path().join("underlay");
    did(&path, &[]);
    let hits = packed(&out, "LowTide_Handoff_R01.zip", "Hits.csv");
    assert!(hits.lines().count() > 10);
    for row in hits.lines().skip(1) {
        let cells: Vec<&str> = row.split(',').collect();
        let (time, sample): (f64, f64) = (cells[2].parse().unwrap(), cells[3].parse().unwrap());
        assert!((time * 44_100.0 - sample).abs() < 0.1, "{row}");
    }
    let map = packed(&out, "LowTide_Handoff_R01.zip", "LayerMap.csv");
    assert!(map.contains("length = 352800 samples"), "{map}");
    let attack: Vec<&str> = map.lines().nth(1).unwrap().split(',').collect();
    let (sample, time): (f64, f64) = (attack[6].parse().unwrap(), attack[7].parse().unwrap());
    assert!((time * 44_100.0 - sample).abs() < 1.0, "{attack:?}");
}

#[test]
fn the_delivered_hit_list_agrees_with_itself_and_the_edited_one_stays_as_it_is() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 8.0, "");
    let out = dir.path().join("underlay");
    let list = out.join("hits.csv");
    let packed = |zip: &str, document: &str| packed(&out, zip, document);
    did(&path, &[]);
    assert_eq!(packed("LowTide_Handoff_R01.zip", "Hits.csv"), fs::read_to_string(&list).unwrap());
    // 120 BPM: 2.26 s is bar 2, beat 1 and 499 ticks of 960 after it, 10 ms behind the second eighth.
    edit(&list, "kick", 2, TIME, "2.260000");
    let edited = fs::read_to_string(&list).unwrap() + "snare,,3.51,,,,,,,,,,\r\n";
    fs::write(&list, &edited).unwrap();
    did(&path, &[]);
    assert_eq!(fs::read_to_string(&list).unwrap(), edited);
    let now = packed("LowTide_Handoff_R02.zip", "Hits.csv");
    let row = |drum: &str, time: &str| {
        let row = now.lines().find(|l| l.starts_with(drum) && l.contains(time)).unwrap_or_else(|| panic!("{now}"));
        row.split(',').map(str::to_owned).collect::<Vec<_>>()
    };
    assert_eq!(row("kick", ",2.260000,")[3..8], ["108480", "2", "1", "499", "10.000"]);
    let added = row("snare", ",3.510000,");
    assert_eq!(added[3..8], ["168480", "2", "4", "19", "10.000"]);
    assert!(added[8].parse::<u8>().is_ok() && added[STATE] == "added", "{added:?}");
    // Whoever works with the old triggers is told, though every audio file is the same.
    let notes = packed("LowTide_Handoff_R02.zip", "Notes.txt");
    let told = ["LowTide_Triggers.mid: not as it was; load it anew", "1 added by hand (was:"];
    assert!(told.iter().all(|told| notes.contains(told)) && !notes.contains("TempoMap.mid: not"), "{notes}");
}

#[test]
fn a_handoff_says_that_its_strokes_were_found_with_other_settings() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 8.0, "[hits]\nfloor = -60\n");
    let said = |words: &[&str], more: &[&str]| typed(words, &path, more).1;
    let otherwise = "found with other settings than the sheet has now";
    did(&path, &[]);
    assert!(!said(&["handoff"], &["--check"]).contains(otherwise));
    let text = fs::read_to_string(&path).unwrap();
    fs::write(&path, text.replace("floor = -60", "threshold = 8")).unwrap();
    assert!(said(&["handoff"], &["--check"]).contains(otherwise));
    // With what the sheet says now it is right again; with what was only typed it is not.
    said(&["hits"], &[]);
    assert!(!said(&["handoff"], &["--check"]).contains(otherwise));
    said(&["hits"], &["--threshold", "9"]);
    assert!(said(&["handoff"], &["--check"]).contains(otherwise));
    did(&path, &[]);
    assert!(!said(&["handoff"], &["--check"]).contains(otherwise));
    // A run with an edited list says it in its own words, and no longer than it is so.
    edit(&dir.path().join("underlay/hits.csv"), "snare", 2, VELOCITY, "7");
    let (now, since) = (fs::read_to_string(&path).unwrap(), "recordings or settings have changed since");
    fs::write(&path, now.replace("threshold = 8", "threshold = 9")).unwrap();
    let changed = said(&["run"], &[]);
    assert!(changed.contains(since) && !changed.contains(otherwise), "{changed}");
    fs::write(&path, now).unwrap();
    let again = said(&["run"], &[]);
    assert!(!again.contains(since) && !again.contains(otherwise), "{again}");
}

#[test]
fn strokes_after_the_songs_end_stop_nothing_and_are_told_of() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 8.0, LAYER);
    let list = dir.path().join("underlay/hits.csv");
    did(&path, &[]);
    edit(&list, "snare", 2, VELOCITY, "7");
    let edited = fs::read_to_string(&list).unwrap();
    // The end is set once the strokes were found and corrected.
    let text = fs::read_to_string(&path).unwrap().replacen("title =", "end = 5.0\ntitle =", 1);
    fs::write(&path, &text).unwrap();
    let steps = did(&path, &[]);
    assert!(of(&steps, "hits") == "kept" && of(&steps, "handoff") == "done", "{steps:?}");
    assert_eq!(fs::read_to_string(&list).unwrap(), edited);
    let (code, said, _) = typed(&["handoff"], &path, &["--check"]);
    assert!(code == Some(1) && said.contains("lie after the song's end"), "{said}");
    // Found anew, none lies there.
    fs::remove_file(&list).unwrap();
    let (_, said, _) = typed(&["hits"], &path, &[]);
    assert!(said.contains("after the song's end at 0:05.000") && said.contains("left out"), "{said}");
    let last = fs::read_to_string(&list).unwrap();
    let last: f64 = last.lines().last().unwrap().split(',').nth(2).unwrap().parse().unwrap();
    assert!(last < 5.0, "{last}");
}

#[test]
fn a_corrected_drum_or_place_makes_a_revision_even_where_no_file_is_called_after_it() {
    let dir = tempfile::tempdir().unwrap();
    let mut s = song(dir.path(), 2.0);
    s.handoff.names = "{song}_{name}".into();
    let out = dir.path().join("out");
    s.mics[2].place = Place::Side;
    made(&s, &out);
    s.mics[2].place = Place::Bottom;
    let second = made(&s, &out);
    assert_eq!((second.revision, second.fresh), (2, true));
    let changes = second.changes.unwrap();
    let told = changes.decisions.iter().find(|d| d.what == "role of snare_bottom");
    let told = told.unwrap_or_else(|| panic!("{changes:?}"));
    assert_eq!((told.was.as_deref(), told.is.as_deref()), (Some("snare side"), Some("snare bottom")));
    let sheet = contents(&second.zip)["Documents/LowTide_TrackSheet.csv"].clone();
    assert!(!String::from_utf8(sheet).unwrap().contains("snare side"));
}

#[test]
fn a_section_that_begins_before_bar_1_has_its_marker_in_the_delivered_map() {
    let dir = tempfile::tempdir().unwrap();
    let mut s = song(dir.path(), 8.0);
    // Bars of 2 s; the pickup bar begins 0.8 s into the audio.
    s.tempo = Some(TempoMap::constant(Bpm::new(120.0).unwrap(), Meter::FOUR_FOUR, Seconds(2.8)));
    let section = |name: &str, first_bar: i64, end_bar: i64| Section { name: name.into(), first_bar, end_bar };
    s.form = vec![section("Pickup", 0, 1), section("Verse", 1, 3)];
    let d = made(&s, &dir.path().join("out"));
    let file = &contents(&d.zip)["Documents/LowTide_TempoMap.mid"];
    let map = parse_tempo_track(Path::new("map.mid"), file, Seconds(0.0)).unwrap().map;
    let at = |name: &str| map.markers().iter().find(|m| m.name == name).map(|m| map.time_at(m.tick as f64).0);
    assert!((at("Pickup").unwrap() - 0.8).abs() < 1e-3 && (at("Verse").unwrap() - 2.8).abs() < 1e-3, "{map:?}");
}

#[test]
fn a_guide_whose_peaks_lie_above_full_scale_is_delivered_softer_and_a_mic_is_not() {
    let dir = tempfile::tempdir().unwrap();
    let mut s = song(dir.path(), 2.0);
    let spec = WavSpec { rate: RATE, channels: 1, format: SampleFormat::Float32 };
    let loud: Vec<f32> = (0..96_000).map(|i| 1.5 * (0.05 * i as f32).sin()).collect();
    let hot = write_as(&dir.path().join("two_mix_hot.wav"), spec, &loud);
    s.tracks = vec![track(hot.clone(), TrackKind::Guide)];
    let d = made(&s, &dir.path().join("out"));
    let guide = |f: &&handoff::FileEntry| f.audio.as_ref().is_some_and(|a| a.role == "guide");
    let entry = d.manifest.files.iter().find(guide).unwrap();
    let audio = entry.audio.as_ref().unwrap();
    assert!(audio.treatment[0].starts_with("lowered by 4.0 dB"), "{:?}", audio.treatment);
    assert!((audio.peak_dbfs + 0.5).abs() < 0.01, "{}", audio.peak_dbfs);
    let files = contents(&d.zip);
    let highest = samples(&files[&entry.path])
        .chunks_exact(3)
        .map(|b| (i32::from_le_bytes([0, b[0], b[1], b[2]]) >> 8).abs())
        .max()
        .unwrap();
    let dbfs = 20.0 * (f64::from(highest) / f64::from(1 << 23)).log10();
    assert!((dbfs + 0.5).abs() < 0.01, "{dbfs}");
    // Of a mic it would be a recording that was altered.
    s.mics[0] = mic(hot, Drum::Kick, Place::In);
    s.tracks.clear();
    assert_eq!(find(&looked(&s), "peaks reach").weight, Weight::Error);
}

#[test]
fn how_loud_a_client_made_the_guide_is_a_note_and_a_clipped_mic_is_a_caution() {
    let dir = tempfile::tempdir().unwrap();
    let mut s = song(dir.path(), 2.0);
    let cut: Vec<f32> = (0..96_000).map(|i| (1.5 * (0.05 * i as f32).sin()).clamp(-1.0, 1.0)).collect();
    let spec = WavSpec { rate: RATE, channels: 1, format: SampleFormat::Int24 };
    let loud = write_as(&dir.path().join("loud.wav"), spec, &cut);
    s.tracks = vec![track(loud.clone(), TrackKind::Guide)];
    let told = looked(&s);
    assert_eq!(find(&told, "the recording clips in").weight, Weight::Note);
    s.tracks.clear();
    s.mics.push(mic(loud, Drum::Tom, Place::Close));
    assert_eq!(find(&looked(&s), "the recording clips in").weight, Weight::Caution);
}

/// A handoff with a rough mix among its documents.
fn with_mix(s: &Song, mix: &Path, out: &Path) -> Handoff {
    let documents = [Document { file: mix.to_owned(), what: "RoughMix".into(), instead: None }];
    let request = Request { song: s, layers: &[], hits: None, documents: &documents, findings: &[], last: None, out };
    handoff::make(&request, &Quiet).unwrap()
}

/// The path and entry of the rough mix in a delivery.
fn mix_entry(h: &Handoff) -> (&str, &handoff::AudioEntry) {
    let files = &h.delivered.as_ref().unwrap_or_else(|| panic!("{:#?}", h.findings)).manifest.files;
    let mix =
        files.iter().find_map(|f| f.audio.as_ref().filter(|a| a.role == "rough mix").map(|a| (f.path.as_str(), a)));
    mix.unwrap()
}

#[test]
fn a_rough_mix_says_that_it_begins_at_zero_and_goes_along_bit_for_bit() {
    let dir = tempfile::tempdir().unwrap();
    let mut s = song(dir.path(), 2.0);
    s.title = "Low Tíde".into();
    let made = mix::make(&s, &[], dir.path(), &Quiet).unwrap();
    for v in &made.versions {
        let bext = AudioReader::open(&v.file).unwrap().info().bext.clone().unwrap();
        assert_eq!((bext.time_reference, bext.description), (0, format!("Low T?de: rough mix, {}", v.what)));
    }
    s.title = "Low Tide".into();
    let h = with_mix(&s, &made.versions[0].file, &dir.path().join("out"));
    let (path, entry) = mix_entry(&h);
    assert_eq!(path, "Documents/LowTide_RoughMix_48k24.wav");
    assert!(entry.treatment.is_empty() && entry.frames == 96_000 && entry.channels == 2, "{entry:?}");
    let zip = contents(&h.delivered.as_ref().unwrap().zip);
    assert!(samples(&zip[path]) == samples(&fs::read(&made.versions[0].file).unwrap()));
    // Its table lies beside it only where the command wrote one; the mix itself is no finding.
    assert!(h.findings.iter().all(|f| !f.what.contains("stereo file are the same")), "{:#?}", h.findings);
}

#[test]
fn a_rough_mix_is_brought_to_the_rate_depth_and_length_of_the_delivery_and_the_track_sheet_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let mut s = song(dir.path(), 2.0);
    s.rough.loudness = Some(-14.0);
    let mix = mix::make(&s, &[], dir.path(), &Quiet).unwrap().versions[0].file.clone();
    // Made before the song's end was set later.
    s.end = Some(Seconds(2.5));
    (s.handoff.rate, s.handoff.bits) = (SampleRate::new(44_100).unwrap(), 16);
    let h = with_mix(&s, &mix, &dir.path().join("out"));
    let (path, entry) = mix_entry(&h);
    assert_eq!(path, "Documents/LowTide_RoughMix_44k16.wav");
    let told = [
        "converted from 48 kHz to 44.1 kHz",
        "rounded to 16 bit with dither (its noise: -96.3 dBFS)",
        "22050 samples of silence added at the end",
    ];
    assert_eq!(entry.treatment, told);
    let files = contents(&h.delivered.as_ref().unwrap().zip);
    let file = dir.path().join("delivered.wav");
    fs::write(&file, &files[path]).unwrap();
    let mut reader = AudioReader::open(&file).unwrap();
    let info = reader.info().clone();
    assert_eq!((info.rate.hz(), info.format, info.frames), (44_100, SampleFormat::Int16, 110_250));
    assert_eq!(info.bext.unwrap().time_reference, 0);
    let mut meter = LoudnessMeter::new(info.rate, 2, Watch::MIX).unwrap();
    let mut block = Vec::new();
    while reader.read(&mut block, 4_096).unwrap() > 0 {
        meter.add(&block).unwrap();
    }
    assert!(meter.loudness().true_peak.0 < 0.0, "{:?}", meter.loudness());
    let sheet = String::from_utf8(files["Documents/LowTide_TrackSheet.csv"].clone()).unwrap();
    assert!(sheet.lines().any(|l| l.contains("LowTide_RoughMix_44k16") && l.contains("with dither")), "{sheet}");
    assert_eq!(h.delivered.unwrap().manifest.decisions.keys().find(|k| k.contains("rough mix")), None);
}

#[test]
fn a_rough_mix_whose_true_peak_another_rate_lifts_over_full_scale_is_delivered_softer() {
    let dir = tempfile::tempdir().unwrap();
    let mut s = song(dir.path(), 2.0);
    // A square whose every sample is under full scale: between them the wave stands higher (Gibbs).
    let square: Vec<f32> = (0..192_000).map(|i| if (i / 64) % 2 == 0 { 0.94 } else { -0.94 }).collect();
    let mix = write_as(
        &dir.path().join("mix.wav"),
        WavSpec { rate: RATE, channels: 2, format: SampleFormat::Int24 },
        &square,
    );
    s.handoff.rate = SampleRate::new(44_100).unwrap();
    let h = with_mix(&s, &mix, &dir.path().join("out"));
    let (path, entry) = mix_entry(&h);
    assert!(entry.treatment[0].starts_with("lowered by"), "{:?}", entry.treatment);
    find(&h, "so the delivered copy is");
    let file = dir.path().join("delivered.wav");
    fs::write(&file, &contents(&h.delivered.as_ref().unwrap().zip)[path]).unwrap();
    let (mut meter, mut x) = (LoudnessMeter::new(s.handoff.rate, 2, Watch::MIX).unwrap(), Vec::new());
    AudioReader::open(&file).unwrap().read(&mut x, 1 << 20).unwrap();
    meter.add(&x).unwrap();
    let peak = meter.loudness().true_peak.0;
    assert!((-0.51..=-0.49).contains(&peak), "{peak}");
}
