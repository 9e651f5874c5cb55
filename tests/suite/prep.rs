//! `prep` on folders as they are found on real disks: strange names, other kinds of files, other ways to name the folder.

use crate::small_song::{sheet, strokes, write};
use std::fs;
use std::path::Path;
use underlay::cli::{Screen, run};
use underlay::song::{Draft, Song};
use underlay::{ExitCode, Quiet};

/// Runs a command: exit code, what it said on its output, and on its error stream. `@` stands for the folder.
fn typed(folder: &Path, words: &[&str]) -> (ExitCode, String, String) {
    let words = words.iter().map(|w| w.replace('@', &folder.to_string_lossy()));
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let mut screen = Screen { out: &mut out, err: &mut err, bars: false };
    let code = run(std::iter::once("underlay".to_owned()).chain(words), &mut screen);
    (code, String::from_utf8(out).unwrap(), String::from_utf8(err).unwrap())
}

/// A kick and a snare of two seconds.
fn kit(folder: &Path) {
    fs::create_dir_all(folder).unwrap();
    write(&folder.join("kick_in.wav"), 1, &strokes(2.0, 0.5, 1.0, 60.0, 0.5, 1));
    write(&folder.join("snare_top.wav"), 1, &strokes(2.0, 1.0, 1.0, 190.0, 0.4, 2));
}

/// The lines of a sheet that name recordings.
fn named(sheet: &Path) -> Vec<String> {
    let text = fs::read_to_string(sheet).unwrap();
    text.lines().filter(|l| l.starts_with("file = ")).map(str::to_owned).collect()
}

#[test]
fn a_sheet_beside_its_recordings_names_them_alone_however_the_folder_was_typed_and_can_be_moved_with_them() {
    let dir = tempfile::tempdir().unwrap();
    kit(&dir.path().join("song"));
    fs::create_dir(dir.path().join("elsewhere")).unwrap();
    let (code, said, err) = typed(dir.path(), &["prep", "@/elsewhere/../song"]);
    assert_eq!(code, ExitCode::Done, "{said}{err}");
    let moved = dir.path().join("moved");
    fs::rename(dir.path().join("song"), &moved).unwrap();
    assert_eq!(named(&moved.join("song.toml")), ["file = \"kick_in.wav\"", "file = \"snare_top.wav\""]);
    assert_eq!(Song::read(&moved.join("song.toml")).unwrap().mics.len(), 2);
}

#[test]
fn files_that_other_commands_read_are_seen_by_prep_too() {
    let dir = tempfile::tempdir().unwrap();
    kit(dir.path());
    fs::copy(
        Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/audio/mono_float32.aifc"),
        dir.path().join("Click.aifc"),
    )
    .unwrap();
    let draft = Draft::look(dir.path(), &Quiet).unwrap();
    assert!(draft.files.iter().any(|g| g.info.path.ends_with("Click.aifc")), "{:?}", draft.findings);
}

#[cfg(target_os = "linux")]
#[test]
fn a_file_whose_name_is_no_text_is_left_out_with_a_word_and_the_others_are_taken() {
    use std::os::unix::ffi::OsStrExt;
    let dir = tempfile::tempdir().unwrap();
    kit(dir.path());
    let strange = |bytes: &[u8]| dir.path().join(std::ffi::OsStr::from_bytes(bytes));
    fs::copy(dir.path().join("kick_in.wav"), strange(b"kick\xff out.wav")).unwrap();
    fs::write(strange(b"read\xff me.txt"), b"").unwrap();
    for json in [&["prep", "@", "--out", "@/a.toml"][..], &["prep", "@", "--out", "@/b.toml", "--json"]] {
        let (code, said, err) = typed(dir.path(), json);
        assert_eq!(code, ExitCode::Findings, "{said}{err}");
        assert!(said.contains("kick\u{fffd} out.wav") && said.contains("new name"), "{said}");
        assert!(!said.contains("read\u{fffd} me.txt"), "{said}");
    }
    assert_eq!(named(&dir.path().join("a.toml")).len(), 2);
}

#[test]
fn what_a_system_leaves_in_the_folder_of_one_shots_changes_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let shots = dir.path().join("shots");
    fs::create_dir(&shots).unwrap();
    write(&shots.join("a.wav"), 1, &strokes(0.4, 0.0, 1.0, 190.0, 0.5, 7));
    let layer = "[[layer]]\nname = \"own\"\ndrum = \"snare\"\nsamples = \"shots\"\n\n";
    let song = sheet(dir.path(), 4.0, layer).to_string_lossy().into_owned();
    let (code, said, err) = typed(dir.path(), &["run", &song, "--until", "print"]);
    assert!(matches!(code, ExitCode::Done | ExitCode::Findings), "{said}{err}");
    for left in [".DS_Store", "Thumbs.db", "._a.wav"] {
        fs::write(shots.join(left), b"left behind").unwrap();
    }
    let (_, said, _) = typed(dir.path(), &["run", &song, "--until", "print", "--json"]);
    let told: serde_json::Value = serde_json::from_str(&said).unwrap();
    let steps = told["result"]["steps"].as_array().unwrap();
    assert!(steps.iter().all(|s| s["did"] == "unchanged"), "{steps:?}");
}

#[test]
fn for_recordings_that_a_sheet_lacks_prep_prints_the_lines_and_leaves_the_sheet_alone() {
    let dir = tempfile::tempdir().unwrap();
    kit(dir.path());
    let sheet = dir.path().join("song.toml");
    assert_eq!(typed(dir.path(), &["prep", "@"]).0, ExitCode::Done);
    let before = fs::read(&sheet).unwrap();
    let (code, said, err) = typed(dir.path(), &["prep", "@"]);
    assert_eq!((code, said.as_str()), (ExitCode::Output, ""), "it lacks nothing");
    assert!(err.contains("exists already"), "{err}");

    write(&dir.path().join("Room.wav"), 1, &strokes(2.0, 0.5, 0.5, 100.0, 0.1, 3));
    write(&dir.path().join("Kick in 2.wav"), 1, &strokes(2.0, 0.5, 1.0, 55.0, 0.3, 4));
    let (code, said, err) = typed(dir.path(), &["prep", "@"]);
    assert_eq!(code, ExitCode::Findings, "{said}{err}");
    assert!(said.contains("stays as it is") && said.contains("lacks 2 recordings"), "{said}");
    assert!(said.contains("leave_out = [\"Kick in 2.wav\", \"Room.wav\"]"), "{said}");
    assert!(!said.contains("snare_top.wav"), "{said}");
    assert!(fs::read(&sheet).unwrap() == before);

    let (_, said, _) = typed(dir.path(), &["prep", "@", "--json"]);
    let told: serde_json::Value = serde_json::from_str(&said).unwrap();
    assert_eq!(told["result"]["written"], false);
    let lines = told["result"]["lines"].as_str().unwrap();
    let text = String::from_utf8(before).unwrap() + lines;
    let song = Song::parse(&text, &sheet).unwrap();
    let roles: Vec<(&str, &str)> = song.mics.iter().map(|m| (m.name.as_str(), m.place.word())).collect();
    assert_eq!(roles, [("kick_in", "in"), ("snare_top", "top"), ("kick_out", "out"), ("room", "mono")]);
    fs::write(&sheet, text).unwrap();
    assert_eq!(typed(dir.path(), &["prep", "@"]).0, ExitCode::Output, "now it lacks nothing");
}

#[test]
fn a_late_mic_of_another_rate_is_said_to_be_exported_again_and_then_gets_its_lines() {
    let dir = tempfile::tempdir().unwrap();
    kit(dir.path());
    assert_eq!(typed(dir.path(), &["prep", "@"]).0, ExitCode::Done);
    crate::takes::wav(&dir.path().join("Room.wav"), 44_100, 88_200);
    let (code, said, _) = typed(dir.path(), &["prep", "@"]);
    assert!(code == ExitCode::Findings && said.contains("recorded at 44.1 kHz"), "{said}");
    crate::takes::wav(&dir.path().join("Room.wav"), 48_000, 96_000);
    let (_, said, _) = typed(dir.path(), &["prep", "@"]);
    assert!(said.contains("\n[[mic]]\nname = \"room\"\nfile = \"Room.wav\"\ndrum = \"room\""), "{said}");
}

#[test]
fn another_instrument_is_left_out_in_the_sheet_and_guesses_are_marked_and_said() {
    let dir = tempfile::tempdir().unwrap();
    for (i, name) in ["Kick 1.wav", "Kick 2.wav", "Snare.wav", "Bass DI.wav"].iter().enumerate() {
        write(&dir.path().join(name), 1, &strokes(2.0, 0.5, 1.0, 60.0 + 50.0 * i as f64, 0.5, i as u32));
    }
    let (code, said, err) = typed(dir.path(), &["prep", "@"]);
    assert_eq!(code, ExitCode::Findings, "{said}{err}");
    assert!(said.contains("2 mics are only guessed: Kick 1.wav as kick in, Kick 2.wav as kick out"), "{said}");
    let song = Song::read(&dir.path().join("song.toml")).unwrap();
    assert_eq!(song.left_out, [dir.path().join("Bass DI.wav")]);
    let guessed: Vec<&str> = song.mics.iter().filter(|m| m.guess).map(|m| m.name.as_str()).collect();
    assert_eq!(guessed, ["kick_in", "kick_out"]);
}
