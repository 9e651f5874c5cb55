//! The command as it is typed: what is written, what is told, which exit code, and that bad input leaves nothing behind.

use crate::takes::{self, STROKE_EVERY, strokes, tempo_midi, wav};
use serde_json::Value;
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use underlay::ExitCode;
use underlay::cli::{Screen, run};

/// A folder with a small take: kick, snare, a sheet and a tempo file.
struct Desk {
    dir: tempfile::TempDir,
}

/// How a run ended.
struct Ended {
    code: ExitCode,
    out: String,
    err: String,
}

impl Desk {
    fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        strokes(&dir.path().join("kick.wav"), 60.0, 0.01, 0.25, 5.0);
        strokes(&dir.path().join("snare.wav"), 200.0, 0.1, 0.0, 5.0);
        tempo_midi(&dir.path().join("tempo.mid"), 120.0);
        let desk = Self { dir };
        desk.sheet("[tempo]\nbpm = 120\n");
        desk
    }

    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    /// Writes `song.toml` with a head and the two mics.
    fn sheet(&self, head: &str) -> PathBuf {
        let mics = "[[mic]]\nfile = \"kick.wav\"\ndrum = \"kick\"\n[[mic]]\nfile = \"snare.wav\"\ndrum = \"snare\"\n";
        fs::write(self.path("song.toml"), format!("{head}{mics}")).unwrap();
        self.path("song.toml")
    }

    /// Runs a command; words that name a file of the desk, or begin with `@`, stand for its path.
    fn run(&self, typed: &[&str]) -> Ended {
        let words = typed.iter().map(|w| match w.strip_prefix('@') {
            Some(name) => self.path(name).into_os_string(),
            None if w.contains('.') && self.path(w).exists() => self.path(w).into_os_string(),
            None => (*w).into(),
        });
        let (mut out, mut err) = (Vec::new(), Vec::new());
        let mut screen = Screen { out: &mut out, err: &mut err, bars: false };
        let code = run(std::iter::once("underlay".into()).chain(words), &mut screen);
        Ended { code, out: String::from_utf8(out).unwrap(), err: String::from_utf8(err).unwrap() }
    }

    /// Every file with its contents.
    fn contents(&self) -> BTreeMap<PathBuf, Vec<u8>> {
        fn walk(dir: &Path, all: &mut BTreeMap<PathBuf, Vec<u8>>) {
            for entry in fs::read_dir(dir).unwrap().flatten() {
                if entry.path().is_dir() {
                    all.insert(entry.path(), Vec::new());
                    walk(&entry.path(), all);
                } else {
                    all.insert(entry.path(), fs::read(entry.path()).unwrap());
                }
            }
        }
        let mut all = BTreeMap::new();
        walk(self.dir.path(), &mut all);
        all
    }

    /// Runs a command that must be refused: with this code, with a message and a remedy, and nothing written.
    #[track_caller]
    fn refused(&self, typed: &[&str], code: ExitCode, parts: &[&str]) {
        let before = self.contents();
        let ended = self.run(typed);
        assert_eq!(ended.code, code, "{}{}", ended.out, ended.err);
        for part in parts {
            assert!(ended.err.contains(part), "{part:?} is not in {:?}", ended.err);
        }
        assert_eq!(ended.out, "");
        assert!(before == self.contents(), "files changed: {:?}", self.contents().keys());
    }

    #[track_caller]
    fn bad_input(&self, typed: &[&str], parts: &[&str]) {
        self.refused(typed, ExitCode::Input, parts);
        let ended = self.run(typed);
        assert!(ended.err.starts_with("underlay: "), "{}", ended.err);
        assert!(ended.err.contains(".\n  What to do: ") || ended.err.contains("?\n  What to do: "), "{}", ended.err);
    }
}

/// The hits of a JSON document: drum and sample.
fn hits(document: &Value) -> Vec<(String, u64)> {
    let list = document["result"]["hits"].as_array().unwrap();
    list.iter().map(|h| (h["drum"].as_str().unwrap().to_owned(), h["pos"].as_u64().unwrap())).collect()
}

#[test]
fn a_sheet_gives_list_triggers_and_summary() {
    let desk = Desk::new();
    let ended = desk.run(&["hits", "song.toml", "--out", "@out"]);
    assert_eq!(ended.code, ExitCode::Done, "{}{}", ended.out, ended.err);
    let csv = fs::read_to_string(desk.path("out/hits.csv")).unwrap();
    assert!(
        csv.starts_with("drum,hit,time_s,sample,bar,beat,tick,offset_ms,velocity,peak_dbfs,certainty,kind,state\r\n")
    );
    assert!(
        ended.out.contains("kick") && ended.out.contains("snare") && ended.out.contains("hits.csv"),
        "{}",
        ended.out
    );
    assert_eq!(ended.err, "");
    let report = fs::read_to_string(desk.path("out/report.html")).unwrap();
    assert!(report.contains("<svg") && !report.contains("src=\"http"), "the report holds its pictures itself");
    assert!(fs::read_dir(desk.path("out/pictures")).unwrap().count() >= 2);
    for (name, tracks) in [("triggers.mid", 3), ("kick.mid", 2), ("snare.mid", 2)] {
        let bytes = fs::read(desk.path("out").join(name)).unwrap();
        let file = midly::Smf::parse(&bytes).unwrap();
        assert_eq!(file.tracks.len(), tracks, "{name}: title and tempo, then one track a drum");
    }
}

#[test]
fn a_bar_one_behind_the_strokes_is_told_by_hits_and_timing() {
    let desk = Desk::new();
    desk.sheet("[tempo]\nbpm = 120\nbar_one = 500\n");
    for command in ["hits", "timing"] {
        let ended = desk.run(&[command, "song.toml", "--out", "@out"]);
        assert_eq!(ended.code, ExitCode::Findings, "{}", ended.out);
        let said = "bar 1 lies at 8:20.000, after the end of the audio";
        assert!(ended.out.contains(said) && ended.out.contains("Correct bar_one"), "{}", ended.out);
        assert!(!ended.out.contains("(0 ms") && !ended.out.contains("--pull"), "{}", ended.out);
    }
    let ended = desk.run(&["hits", "kick.wav", "--drum", "kick", "--bpm", "120", "--bar-one", "4", "--out", "@one"]);
    assert_eq!(ended.code, ExitCode::Findings);
    assert!(ended.out.contains("8 of 10 strokes lie before bar 1, which begins at 0:04.000"), "{}", ended.out);
}

#[test]
fn a_close_mic_in_a_stereo_file_is_told_where_its_sides_differ() {
    let desk = Desk::new();
    let (kick, snare) = (desk.path("kick.wav"), desk.path("snare.wav"));
    takes::stereo(&kick, &snare, &desk.path("both.wav"));
    takes::stereo(&kick, &kick, &desk.path("twice.wav"));
    let said = "is a stereo file whose two sides differ: their sum is listened to";
    let ended = desk.run(&["hits", "both.wav", "--drum", "kick", "--out", "@out"]);
    assert_eq!(ended.code, ExitCode::Findings, "{}{}", ended.out, ended.err);
    assert!(ended.out.contains(said) && ended.out.contains("channel = \"left\" or \"right\""), "{}", ended.out);
    let ended = desk.run(&["hits", "twice.wav", "--drum", "kick", "--out", "@out"]);
    assert!(!ended.out.contains("stereo"), "{}", ended.out);

    fs::create_dir(desk.path("takes")).unwrap();
    fs::rename(desk.path("both.wav"), desk.path("takes/Kick In.wav")).unwrap();
    let ended = desk.run(&["prep", "@takes"]);
    assert!(ended.out.contains("the close mic kick_in is a stereo file"), "{}", ended.out);
    // Once the sheet chooses a side, nothing is left to be said.
    let sheet = fs::read_to_string(desk.path("takes/song.toml")).unwrap();
    fs::write(desk.path("takes/song.toml"), sheet.replace("place = \"in\"", "place = \"in\"\nchannel = \"left\""))
        .unwrap();
    let ended = desk.run(&["hits", "takes/song.toml", "--out", "@out"]);
    assert!(ended.err.is_empty() && !ended.out.contains("stereo"), "{}{}", ended.out, ended.err);
}

#[test]
fn what_is_typed_wrongly_is_told_without_the_words_of_programmers() {
    let desk = Desk::new();
    fs::write(desk.path("notes.txt"), "no zip").unwrap();
    for (typed, said) in [
        (&["hitz", "song.toml"][..], "underlay: there is no command 'hitz'"),
        (&["hits", "song.toml", "--threshold", "-5"], "it takes a number from 0 to 40 (dB)"),
        (&["timing", "song.toml", "--pull", "-5"], "it takes a number from 0 to 100 (per cent)"),
        (&["hits", "song.toml", "--threshold", "3,5"], "with a decimal point"),
        (&["hits", "song.toml", "--flor", "-50"], "'--flor' is not understood here"),
        (&["print", "song.toml", "--layer", "foo"], "the sheet has no layer \"foo\""),
        (
            &["handoff", "--verify", "@none.zip"],
            "none.zip: this file does not exist.\n  What to do: Check the spelling",
        ),
        (&["handoff", "--verify", "notes.txt"], "it is another kind of file, or its end is missing"),
    ] {
        let ended = desk.run(typed);
        assert!(matches!(ended.code, ExitCode::Usage | ExitCode::Input), "{typed:?}");
        assert!(ended.err.contains(said), "{typed:?}: {}", ended.err);
        for word in ["subcommand", "argument", "os error", "EOCD", "-- -5"] {
            assert!(!ended.err.contains(word), "{word}: {}", ended.err);
        }
    }
}

#[test]
fn one_file_gives_its_results_beside_it() {
    let desk = Desk::new();
    let ended = desk.run(&["hits", "kick.wav", "--drum", "kick", "--bpm", "120", "--bar-one", "0.25", "--json"]);
    assert_eq!(ended.code, ExitCode::Done, "{}{}", ended.out, ended.err);
    let document: Value = serde_json::from_str(&ended.out).unwrap();
    let found = hits(&document);
    assert_eq!(found.len(), 10, "{found:?}");
    for (i, (drum, pos)) in found.iter().enumerate() {
        let played = (0.25 + STROKE_EVERY * i as f64) * 48_000.0;
        assert!(drum == "kick" && (*pos as f64 - played).abs() < 240.0, "{drum} at {pos}, played at {played}");
    }
    assert_eq!(document["result"]["hits"][0]["place"]["at"]["bar"], 1);
    assert!(desk.path("hits.csv").exists());
}

#[test]
fn every_number_in_json_is_finite_and_there_is_one_document() {
    let desk = Desk::new();
    // What may be missing: a place without a tempo, figures of a drum without strokes, a file of a whole-song finding.
    for typed in [&["hits", "song.toml", "--out", "@out", "--json"][..], &["prep", "@", "--out", "@s.toml", "--json"]] {
        let ended = desk.run(typed);
        let document: Value = serde_json::from_str(&ended.out).unwrap_or_else(|e| panic!("{e}: {}", ended.out));
        fn no_gaps(value: &Value, path: &str) {
            match value {
                Value::Object(map) => map.iter().for_each(|(k, v)| {
                    let empty = ["place", "bext", "file", "tempo", "velocity", "offset_ms"].contains(&k.as_str());
                    assert!(empty || !v.is_null(), "{path}.{k} is null");
                    no_gaps(v, &format!("{path}.{k}"));
                }),
                Value::Array(list) => list.iter().for_each(|v| no_gaps(v, path)),
                _ => {}
            }
        }
        no_gaps(&document, "");
    }
}

#[test]
fn quiet_prints_nothing_and_the_same_is_written() {
    let desk = Desk::new();
    let ended = desk.run(&["hits", "song.toml", "--out", "@quiet", "--quiet"]);
    assert_eq!((ended.code, ended.out.as_str(), ended.err.as_str()), (ExitCode::Done, "", ""));
    desk.run(&["hits", "song.toml", "--out", "@loud"]);
    assert_eq!(fs::read(desk.path("quiet/hits.csv")).unwrap(), fs::read(desk.path("loud/hits.csv")).unwrap());
}

#[test]
fn prep_and_hits_work_on_a_folder_of_links() {
    let desk = Desk::new();
    let ended = desk.run(&["prep", "@", "--out", "@new.toml"]);
    assert_eq!(ended.code, ExitCode::Done, "{}{}", ended.out, ended.err);
    assert!(
        ended.out.contains("kick.wav") && ended.out.contains("sure") && ended.out.contains("tempo.mid"),
        "{}",
        ended.out
    );
    assert_eq!(desk.run(&["hits", "new.toml", "--out", "@out"]).code, ExitCode::Done);
}

#[test]
fn a_sheet_is_never_replaced() {
    let desk = Desk::new();
    desk.refused(&["prep", "@"], ExitCode::Output, &["song.toml: exists already", "--out"]);
    desk.refused(&["prep", "@", "--out", "kick.wav"], ExitCode::Output, &["kick.wav: exists already"]);
}

#[test]
fn edited_lists_give_midi_again_and_are_never_lost() {
    let desk = Desk::new();
    desk.run(&["hits", "song.toml", "--out", "@out"]);
    let csv = fs::read_to_string(desk.path("out/hits.csv")).unwrap();
    let edited = csv.replacen(",found", ",dropped", 1) + "snare,,1.9\r\n";
    let edited = edited.replace("snare,,1.9", "snare,,1.9,,,,,,,,,,");
    fs::write(desk.path("out/hits.csv"), &edited).unwrap();
    let before = hits(&serde_json::from_str(&desk.run(&["hits", "song.toml", "--out", "@a", "--json"]).out).unwrap());
    let again = desk.run(&["hits", "song.toml", "--out", "@out", "--from-list", "@out/hits.csv", "--json"]);
    let after = hits(&serde_json::from_str(&again.out).unwrap());
    assert_eq!(after.len(), before.len() + 1);
    assert_eq!(fs::read_to_string(desk.path("out/hits.csv")).unwrap(), edited, "the list worked from stays as it is");
    let ended = desk.run(&["hits", "song.toml", "--out", "@out"]);
    assert_eq!(ended.code, ExitCode::Findings);
    assert!(ended.out.contains("hits_kept_1.csv"), "{}", ended.out);
    assert_eq!(fs::read_to_string(desk.path("out/hits_kept_1.csv")).unwrap(), edited);
    assert_eq!(fs::read_to_string(desk.path("out/hits.csv")).unwrap(), csv);
}

#[test]
fn results_beside_the_recordings_never_touch_them() {
    let desk = Desk::new();
    let before: Vec<Vec<u8>> = ["kick.wav", "snare.wav"].iter().map(|f| fs::read(desk.path(f)).unwrap()).collect();
    desk.run(&["hits", "song.toml", "--out", "@"]);
    desk.run(&["hits", "kick.wav", "--drum", "kick"]);
    let after: Vec<Vec<u8>> = ["kick.wav", "snare.wav"].iter().map(|f| fs::read(desk.path(f)).unwrap()).collect();
    assert!(before == after);
}

#[test]
fn a_recording_called_like_a_result_is_not_replaced() {
    let desk = Desk::new();
    fs::copy(desk.path("kick.wav"), desk.path("hits.csv")).unwrap();
    let before = fs::read(desk.path("hits.csv")).unwrap();
    let ended = desk.run(&["hits", "@hits.csv", "--drum", "kick", "--out", "@"]);
    assert_eq!(ended.code, ExitCode::Output, "{}{}", ended.out, ended.err);
    assert!(ended.err.contains("never written to"), "{}", ended.err);
    assert_eq!(fs::read(desk.path("hits.csv")).unwrap(), before);
}

// ---- What bad input gets -------------------------------------------------------------------------------------------

#[test]
fn a_missing_file_is_named() {
    let desk = Desk::new();
    desk.bad_input(
        &["hits", "@gone.wav", "--drum", "kick"],
        &["gone.wav: this file does not exist", "Check the spelling"],
    );
    desk.bad_input(&["hits", "@gone.toml"], &["gone.toml", "no such file"]);
    for gone in ["@gone.csv", "@gone.toml", "@gone", "@gone.mid"] {
        desk.bad_input(&["timing", gone], &[gone.trim_start_matches('@'), "no such file", "the spelling"]);
    }
    desk.bad_input(&["print", "@gone"], &["gone", "no such file"]);
    desk.bad_input(&["prep", "@gone"], &["gone: this folder does not exist"]);
    fs::remove_file(desk.path("snare.wav")).unwrap();
    desk.bad_input(
        &["hits", "song.toml", "--out", "@out"],
        &["song.toml, line 7, [[mic]] file", "snare.wav does not exist"],
    );
}

#[cfg(unix)]
#[test]
fn a_name_that_is_no_text_is_told_before_anything_is_written() {
    use std::os::unix::ffi::OsStrExt;
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join(std::ffi::OsStr::from_bytes(b"caf\xe9"));
    // Some systems do not even make such a folder.
    if fs::create_dir(&folder).is_err() {
        return;
    }
    strokes(&folder.join("kick.wav"), 60.0, 0.01, 0.25, 5.0);
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let mut screen = Screen { out: &mut out, err: &mut err, bars: false };
    let code = run([std::ffi::OsString::from("underlay"), "hits".into(), folder.join("kick.wav").into()], &mut screen);
    let err = String::from_utf8(err).unwrap();
    assert!(code == ExitCode::Usage && err.contains("caf") && err.contains("new name"), "{err}");
    assert_eq!(fs::read_dir(&folder).unwrap().count(), 1, "nothing but the recording");
}

#[test]
fn what_is_not_audio_is_told() {
    let desk = Desk::new();
    fs::write(desk.path("kick.wav"), "a letter, not a recording").unwrap();
    desk.bad_input(&["hits", "kick.wav", "--drum", "kick"], &["kick.wav", "WAV"]);
    desk.bad_input(&["hits", "song.toml", "--out", "@out"], &["kick.wav"]);
}

#[test]
fn a_cut_off_recording_is_told_with_what_is_there() {
    let desk = Desk::new();
    let whole = fs::read(desk.path("kick.wav")).unwrap();
    fs::write(desk.path("kick.wav"), &whole[..whole.len() * 3 / 4]).unwrap();
    desk.bad_input(
        &["hits", "song.toml", "--out", "@out"],
        &["kick.wav, byte ", "0:05.000 of audio is promised, 0:03.750 is there", "Copy the file again"],
    );
}

#[test]
fn a_file_without_samples_is_told() {
    let desk = Desk::new();
    wav(&desk.path("empty.wav"), 48_000, 0);
    desk.bad_input(&["hits", "empty.wav", "--drum", "kick"], &["empty.wav", "there is no audio in this file"]);
}

#[test]
fn silence_gives_no_strokes_and_says_so() {
    let desk = Desk::new();
    takes::silence(&desk.path("silent.wav"), 48_000 * 2);
    let ended = desk.run(&["hits", "silent.wav", "--drum", "kick", "--out", "@out", "--json"]);
    assert_eq!(ended.code, ExitCode::Findings, "{}{}", ended.out, ended.err);
    let document: Value = serde_json::from_str(&ended.out).unwrap();
    assert!(hits(&document).is_empty());
    assert!(ended.out.contains("silen"), "{}", ended.out);
}

#[test]
fn floats_that_are_no_numbers_are_told_with_their_sample() {
    let desk = Desk::new();
    for bad in [f32::NAN, f32::INFINITY] {
        takes::floats(&desk.path("bad.wav"), |i| if i == 30_000 { bad } else { 0.1 * (i as f32 * 0.01).sin() });
        desk.bad_input(&["hits", "bad.wav", "--drum", "kick", "--out", "@out"], &["bad.wav, sample 30000"]);
    }
}

#[test]
fn clipping_is_counted_and_said() {
    let desk = Desk::new();
    takes::floats(&desk.path("hot.wav"), |i| {
        let t = (i % 24_000) as f32 / 48_000.0;
        (6.0 * (-t * 30.0).exp() * (t * 380.0).sin()).clamp(-1.0, 1.0)
    });
    let ended = desk.run(&["hits", "hot.wav", "--drum", "kick", "--out", "@out"]);
    assert_eq!(ended.code, ExitCode::Findings, "{}{}", ended.out, ended.err);
    assert!(ended.out.contains("hot.wav") && ended.out.contains("clip"), "{}", ended.out);
    assert_eq!(ended.out.matches("the recording clips").count(), 1, "{}", ended.out);
}

#[test]
fn a_constant_offset_is_said() {
    let desk = Desk::new();
    takes::offset_copy(&desk.path("kick.wav"), &desk.path("dc.wav"), 0.1);
    let ended = desk.run(&["hits", "dc.wav", "--drum", "kick", "--out", "@out"]);
    assert_eq!(ended.code, ExitCode::Findings, "{}{}", ended.out, ended.err);
    assert!(ended.out.contains("dc.wav: the waveform does not rest at zero"), "{}", ended.out);
}

#[test]
fn another_rate_among_the_mics_is_told() {
    let desk = Desk::new();
    wav(&desk.path("room.wav"), 44_100, 44_100);
    let sheet = fs::read_to_string(desk.path("song.toml")).unwrap() + "[[mic]]\nfile = \"room.wav\"\ndrum = \"room\"\n";
    fs::write(desk.path("song.toml"), sheet).unwrap();
    desk.bad_input(
        &["hits", "song.toml", "--out", "@out"],
        &["song.toml, line 10, [[mic]] file: room.wav is recorded at 44.1 kHz, the other mics at 48 kHz", "48 kHz"],
    );
}

#[test]
fn files_of_different_length_are_worked_on_and_said() {
    let desk = Desk::new();
    strokes(&desk.path("snare.wav"), 200.0, 0.1, 0.0, 3.0);
    let ended = desk.run(&["hits", "song.toml", "--out", "@out"]);
    assert_eq!(ended.code, ExitCode::Findings);
    assert!(ended.out.contains("snare.wav: the mics are not equally long"), "{}", ended.out);
}

#[test]
fn two_files_with_one_role_are_told() {
    let desk = Desk::new();
    let sheet = fs::read_to_string(desk.path("song.toml")).unwrap().replace("\"snare\"", "\"kick\"\nname = \"k2\"");
    fs::write(desk.path("song.toml"), sheet).unwrap();
    desk.bad_input(
        &["hits", "song.toml", "--out", "@out"],
        &["song.toml, line 6", "kick.wav and snare.wav are both said to be kick close", "its own place"],
    );
}

#[test]
fn an_unknown_drum_is_told() {
    let desk = Desk::new();
    let sheet = fs::read_to_string(desk.path("song.toml")).unwrap().replace("\"snare\"", "\"snar\"");
    fs::write(desk.path("song.toml"), sheet).unwrap();
    desk.bad_input(
        &["hits", "song.toml", "--out", "@out"],
        &["line 8, [[mic]] drum: \"snar\" is not a known drum", "\"snare\""],
    );
    desk.refused(&["hits", "kick.wav", "--drum", "banjo"], ExitCode::Usage, &["banjo", "kick", "snare"]);
}

#[test]
fn a_tempo_of_zero_or_beyond_reason_is_told() {
    let desk = Desk::new();
    for bpm in ["0", "-5", "5000", "nan", "fast"] {
        desk.refused(&["hits", "kick.wav", "--drum", "kick", &format!("--bpm={bpm}")], ExitCode::Usage, &["20 to 400"]);
        desk.sheet(&format!("[tempo]\nbpm = {}\n", if bpm == "fast" { "\"fast\"" } else { bpm }));
        desk.bad_input(&["hits", "song.toml", "--out", "@out"], &["song.toml, line 2, [tempo] bpm", "20 to 400"]);
    }
}

#[test]
fn midi_files_that_carry_no_usable_tempo_are_told() {
    let desk = Desk::new();
    let good = fs::read(desk.path("tempo.mid")).unwrap();
    let changed = |at: usize, bytes: &[u8]| {
        let mut file = good.clone();
        file[at..at + bytes.len()].copy_from_slice(bytes);
        file
    };
    desk.sheet("[tempo]\nfile = \"bad.mid\"\n");
    for (bytes, word) in [
        (changed(9, &[2]), "format 2"),
        (changed(12, &[0xE7, 40]), "SMPTE"),
        (good[..good.len() - 6].to_vec(), "damaged"),
        (b"RIFF1234WAVE".to_vec(), "not a MIDI file"),
        (Vec::new(), "empty"),
    ] {
        fs::write(desk.path("bad.mid"), bytes).unwrap();
        desk.bad_input(&["hits", "kick.wav", "--drum", "kick", "--tempo", "bad.mid"], &["bad.mid", word]);
        desk.bad_input(&["hits", "song.toml", "--out", "@out"], &["bad.mid", word]);
    }
}

#[test]
fn hit_lists_with_a_missing_column_or_a_bad_number_are_told() {
    let desk = Desk::new();
    for (text, parts) in [
        ("hit,velocity\r\n1,100\r\n", &["list.csv", "line 1", "drum"][..]),
        ("drum,time_s\r\nkick,soon\r\n", &["list.csv", "line 2", "time_s", "soon"]),
        ("drum,time_s,velocity\r\nkick,1.0,300\r\n", &["list.csv", "line 2", "velocity"]),
        ("drum,time_s\r\nbongo,1.0\r\n", &["list.csv", "line 2", "bongo"]),
    ] {
        fs::write(desk.path("list.csv"), text).unwrap();
        desk.bad_input(&["hits", "song.toml", "--out", "@out", "--from-list", "list.csv"], parts);
    }
}

#[test]
fn a_folder_that_cannot_be_written_is_told_before_the_work() {
    let desk = Desk::new();
    desk.refused(
        &["hits", "song.toml", "--out", "@kick.wav/results"],
        ExitCode::Output,
        &["kick.wav/results", "--out"],
    );
    desk.refused(&["hits", "song.toml", "--out", "@kick.wav"], ExitCode::Output, &["kick.wav"]);
    desk.refused(&["prep", "@", "--out", "@kick.wav/song.toml"], ExitCode::Output, &["kick.wav"]);
}

#[cfg(unix)]
#[test]
fn a_folder_without_permission_is_told() {
    use std::os::unix::fs::PermissionsExt;
    let desk = Desk::new();
    let locked = desk.path("locked");
    fs::create_dir(&locked).unwrap();
    fs::set_permissions(&locked, fs::Permissions::from_mode(0o555)).unwrap();
    if fs::write(locked.join("probe"), b"").is_ok() {
        eprintln!("SKIPPED a_folder_without_permission_is_told: this user may write everywhere");
        return;
    }
    desk.refused(&["hits", "song.toml", "--out", "@locked"], ExitCode::Output, &["locked", "--out"]);
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_is_told_and_leaves_nothing() {
    let desk = Desk::new();
    fs::create_dir(desk.path("small")).unwrap();
    let list: String = (0..4000).map(|i| format!("kick,{:.4}\r\n", 0.1 + f64::from(i) * 0.001)).collect();
    fs::write(desk.path("list.csv"), format!("drum,time_s\r\n{list}")).unwrap();
    // A file system of 64 KiB in a name space of its own: needs no rights where the system allows such name spaces.
    let script = "mount -t tmpfs -o size=64k none \"$2\" || exit 77; \"$1\" hits \"$3\" --out \"$2/out\" --from-list \"$4\"; \
                  code=$?; ls -A \"$2\"; exit $code";
    let ran = std::process::Command::new("unshare")
        .args(["--user", "--map-root-user", "--mount", "sh", "-c", script, "sh", env!("CARGO_BIN_EXE_underlay")])
        .args([desk.path("small"), desk.path("song.toml"), desk.path("list.csv")])
        .output();
    let ran = match ran {
        Ok(ran) if ran.status.code().is_some_and(|c| c < 77 && c != 1) => ran,
        other => {
            eprintln!(
                "SKIPPED a_full_disk_is_told_and_leaves_nothing: no small file system can be made here ({other:?})"
            );
            return;
        }
    };
    let err = String::from_utf8_lossy(&ran.stderr);
    assert_eq!(ran.status.code(), Some(4), "{err}");
    assert!(err.contains("the disk is full") && err.contains("Free some space"), "{err}");
    assert_eq!(String::from_utf8_lossy(&ran.stdout), "", "something was left on the full disk");
}

#[test]
fn a_folder_is_sent_to_prep_and_a_drumless_file_gets_the_option() {
    let desk = Desk::new();
    desk.refused(&["hits", "@"], ExitCode::Usage, &["is a folder", "underlay prep"]);
    desk.refused(&["hits", "kick.wav"], ExitCode::Usage, &["--drum kick"]);
    desk.refused(
        &["hits", "song.toml", "--bpm", "100"],
        ExitCode::Usage,
        &["--bpm goes with single files", "in the sheet"],
    );
    desk.refused(&["hits", "song.toml", "kick.wav"], ExitCode::Usage, &["one sheet"]);
    desk.refused(&["hits", "kick.wav", "kick.wav", "--drum", "kick"], ExitCode::Input, &["named twice"]);
    desk.refused(&["hits", "kick.wav", "--drum", "kick", "--bar-one", "1"], ExitCode::Usage, &["--bpm or --tempo"]);
    desk.refused(&["hits", "kick.wav", "--drum", "kick", "--floor", "5"], ExitCode::Usage, &["-120 to 0"]);
    desk.refused(&["hitz"], ExitCode::Usage, &["hitz", "hits"]);
}

#[test]
fn a_sheet_without_kick_or_snare_is_an_input_that_cannot_be_used() {
    let desk = Desk::new();
    fs::write(desk.path("song.toml"), "[[mic]]\nfile = \"kick.wav\"\ndrum = \"tom\"\n").unwrap();
    desk.bad_input(&["hits", "song.toml"], &["song.toml: no mic of this song is a close mic of kick or snare"]);
}

#[test]
fn a_folder_of_nothing_is_told() {
    let desk = Desk::new();
    fs::create_dir_all(desk.path("session/audio")).unwrap();
    desk.bad_input(&["prep", "@session"], &["session: there are no recordings in this folder"]);
    wav(&desk.path("session/audio/kick.wav"), 48_000, 4_800);
    desk.bad_input(&["prep", "@session"], &["session", "underlay prep", "audio"]);
}

#[test]
fn errors_are_told_in_json_too() {
    let desk = Desk::new();
    let ended = desk.run(&["hits", "@gone.wav", "--drum", "kick", "--json"]);
    let document: Value = serde_json::from_str(&ended.out).unwrap();
    assert_eq!(document["exit_code"], 3);
    assert!(document["error"]["what"].as_str().unwrap().contains("gone.wav"));
    assert!(document["error"]["remedy"].as_str().unwrap().contains("Check"));

    // What is typed wrongly as well: a script has one place to look.
    let ended = desk.run(&["hits", "song.toml", "--json", "--flor", "-50"]);
    let document: Value = serde_json::from_str(&ended.out).unwrap();
    assert_eq!((ended.code, &document["exit_code"]), (ExitCode::Usage, &Value::from(2)));
    assert_eq!(document["error"]["what"], "'--flor' is not understood here");
    assert!(document["error"]["remedy"].as_str().unwrap().contains("--floor"), "{document}");
}

#[test]
fn several_mics_of_one_drum_and_others_that_tell_bleed_can_be_named() {
    let desk = Desk::new();
    fs::copy(desk.path("snare.wav"), desk.path("snare_btm.wav")).unwrap();
    let typed =
        ["hits", "snare.wav", "snare_btm.wav", "--drum", "snare", "--with", "kick.wav", "--out", "@out", "--json"];
    let ended = desk.run(&typed);
    assert_eq!(ended.code, ExitCode::Done, "{}{}", ended.out, ended.err);
    let document: Value = serde_json::from_str(&ended.out).unwrap();
    assert!(hits(&document).iter().any(|(drum, _)| drum == "snare"));
    assert!(desk.path("out/snare.mid").exists());
}

#[cfg(unix)]
#[test]
fn a_closed_pipe_is_no_error() {
    let desk = Desk::new();
    let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_underlay"))
        .args(["completions", "bash"])
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::piped())
        .current_dir(desk.dir.path())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let ended = child.wait_with_output().unwrap();
    assert_eq!((ended.status.code(), ended.stderr.len()), (Some(0), 0));
}

#[cfg(target_os = "linux")]
#[test]
fn an_output_stream_that_is_full_is_an_output_error() {
    let full = fs::OpenOptions::new().write(true).open("/dev/full").unwrap();
    let ended = std::process::Command::new(env!("CARGO_BIN_EXE_underlay")).arg("man").stdout(full).output().unwrap();
    assert_eq!(ended.status.code(), Some(4));
}

#[test]
fn a_list_edited_beside_a_single_recording_is_kept_under_another_name() {
    let desk = Desk::new();
    let find = |more: &[&str]| desk.run(&[&["hits", "kick.wav", "--drum", "kick", "--out", "@one"], more].concat());
    find(&[]);
    let list = fs::read_to_string(desk.path("one/hits.csv")).unwrap();
    find(&[]);
    assert!(!desk.path("one/hits_kept_1.csv").exists(), "the same list again is nothing to keep");
    let row = list.lines().nth(2).unwrap();
    let mut cells: Vec<&str> = row.split(',').collect();
    cells[8] = "7";
    let edited = list.replacen(row, &cells.join(","), 1);
    assert_ne!(edited, list);
    fs::write(desk.path("one/hits.csv"), &edited).unwrap();
    let again = find(&[]);
    assert_eq!(again.code, ExitCode::Findings);
    assert!(again.out.contains("hits_kept_1.csv") && again.out.contains("--from-list"), "{}", again.out);
    assert_eq!(fs::read_to_string(desk.path("one/hits_kept_1.csv")).unwrap(), edited);
    assert_eq!(fs::read_to_string(desk.path("one/hits.csv")).unwrap(), list);
}

#[test]
fn the_users_own_files_of_the_same_names_are_kept() {
    let desk = Desk::new();
    let midi = fs::read(desk.path("tempo.mid")).unwrap();
    fs::write(desk.path("kick.mid"), &midi).unwrap();
    fs::write(desk.path("report.html"), "<p>my notes").unwrap();
    let hits = || desk.run(&["hits", "kick.wav", "--drum", "kick"]);
    let ended = hits();
    assert!(ended.out.contains("kick_kept_1.mid") && ended.out.contains("report_kept_1.html"), "{}", ended.out);
    assert_eq!(fs::read(desk.path("kick_kept_1.mid")).unwrap(), midi);
    assert_eq!(fs::read_to_string(desk.path("report_kept_1.html")).unwrap(), "<p>my notes");
    // What hits wrote itself is its own.
    hits();
    assert!(!desk.path("kick_kept_2.mid").exists() && !desk.path("report_kept_2.html").exists());
}

#[test]
fn whole_numbers_outside_their_range_are_refused_in_plain_words() {
    let desk = Desk::new();
    for (typed, range) in [
        (&["timing", "song.toml", "--worst", "-1"][..], "it takes a whole number from 0 to 100"),
        (&["timing", "song.toml", "--worst", "many"], "it takes a whole number from 0 to 100"),
        (&["timing", "song.toml", "--click", "--count-in", "17"], "it takes a whole number from 0 to 16 (bars)"),
        (&["phase", "song.toml", "--strokes", "1.5"], "it takes a whole number from 4 to 512"),
        (&["print", "song.toml", "--seed", "-1"], "it takes a whole number from 0 to"),
    ] {
        desk.refused(typed, ExitCode::Usage, &[range]);
    }
}
