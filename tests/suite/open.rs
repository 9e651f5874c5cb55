//! What stands on the screen before anything is sent: recordings that the sheet does not name, mics that are only guessed,
//! layers and triggers that were made by hand.

use crate::small_song::{sheet, strokes, write};
use serde_json::Value;
use std::fs;
use std::path::Path;
use underlay::ExitCode;
use underlay::cli::{Screen, run};

/// Runs a command on the sheet: exit code, and every finding as its weight, file and sentence.
fn found(words: &[&str], sheet: &Path) -> (ExitCode, Vec<String>) {
    let sheet = sheet.to_string_lossy();
    let typed = [&["underlay"], words, &[&sheet, "--json"]].concat();
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let code = run(typed, &mut Screen { out: &mut out, err: &mut err, bars: false });
    let text = String::from_utf8(out).unwrap();
    let told: Value = serde_json::from_str(&text).unwrap_or_else(|e| panic!("{e}: {text}"));
    // `run` tells its worst findings on the screen and all of them as data.
    let all = told["result"]["findings"].as_array().or(told["findings"].as_array()).cloned().unwrap_or_default();
    let part = |f: &Value, name: &str| f[name].as_str().unwrap_or_default().to_owned();
    let said =
        |f: &Value| format!("{} {} {} {}", part(f, "weight"), part(f, "file"), part(f, "what"), part(f, "remedy"));
    (code, all.iter().map(said).collect())
}

#[track_caller]
fn says(findings: &[String], parts: &[&str]) {
    assert!(findings.iter().any(|f| parts.iter().all(|p| f.contains(p))), "{parts:?} is not in {findings:#?}");
}

#[track_caller]
fn is_silent(findings: &[String], part: &str) {
    assert!(findings.iter().all(|f| !f.contains(part)), "{part:?} is in {findings:#?}");
}

/// Puts a line behind the first one that begins so.
fn with_line(sheet: &Path, behind: &str, line: &str) {
    let text = fs::read_to_string(sheet).unwrap();
    let at = text.find(behind).unwrap();
    let at = at + text[at..].find('\n').unwrap() + 1;
    fs::write(sheet, format!("{}{line}\n{}", &text[..at], &text[at..])).unwrap();
}

/// The notes of a delivery.
fn notes(zip: &Path) -> String {
    let mut zip = zip::ZipArchive::new(fs::File::open(zip).unwrap()).unwrap();
    let at = (0..zip.len()).find(|i| zip.by_index(*i).unwrap().name().unwrap().ends_with("_Notes.txt")).unwrap();
    std::io::read_to_string(zip.by_index(at).unwrap()).unwrap()
}

#[test]
fn a_mic_that_was_added_after_the_sheet_is_pointed_out_with_every_run_until_it_is_named_or_left_out() {
    let dir = tempfile::tempdir().unwrap();
    let sheet = sheet(dir.path(), 6.0, "");
    let (_, before) = found(&["run"], &sheet);
    is_silent(&before, "not in the sheet");
    write(&dir.path().join("room.wav"), 1, &strokes(6.0, 0.5, 0.5, 100.0, 0.1, 9));
    // Nothing else has changed, so no stage is done again, and it is said all the same.
    for words in [&["run"][..], &["run"], &["handoff", "--check"], &["handoff"]] {
        let (code, findings) = found(words, &sheet);
        assert_eq!(code, ExitCode::Findings, "{words:?}");
        says(&findings, &["caution", "room.wav", "not in the sheet", "leave_out = [\"room.wav\"]", "underlay prep"]);
    }
    is_silent(&[notes(&dir.path().join("underlay/LowTide_Handoff_R01.zip"))], "room.wav");
    with_line(&sheet, "[song]", "leave_out = [\"room.wav\"]");
    for words in [&["run"][..], &["run", "--again", "handoff"], &["handoff", "--check"], &["handoff"]] {
        is_silent(&found(words, &sheet).1, "room.wav");
    }
}

#[test]
fn a_mic_that_is_only_guessed_is_pointed_out_until_somebody_has_checked_it() {
    let dir = tempfile::tempdir().unwrap();
    let sheet = sheet(dir.path(), 6.0, "");
    with_line(&sheet, "file = \"oh_l.wav\"", "guess = true");
    for words in [&["run"][..], &["run"], &["handoff", "--check"]] {
        let (code, findings) = found(words, &sheet);
        assert_eq!(code, ExitCode::Findings, "{words:?}");
        says(&findings, &["caution", "oh_l.wav", "overhead left is only a guess", "guess = true"]);
    }
    let text = fs::read_to_string(&sheet).unwrap();
    fs::write(&sheet, text.replace("guess = true\n", "")).unwrap();
    for words in [&["run"][..], &["handoff", "--check"]] {
        is_silent(&found(words, &sheet).1, "guess");
    }
}

#[test]
fn a_layer_that_was_printed_by_hand_says_where_it_goes_and_the_handoff_names_it() {
    let dir = tempfile::tempdir().unwrap();
    let sheet = sheet(dir.path(), 6.0, "");
    found(&["hits"], &sheet);
    let (_, findings) = found(&["print"], &sheet);
    says(&findings, &["note", "kick_layer and snare_layer", "the delivery", "delete", "[[layer]]"]);
    for words in [&["handoff", "--check"][..], &["handoff"], &["run"]] {
        let (code, findings) = found(words, &sheet);
        assert_eq!(code, ExitCode::Findings);
        says(&findings, &["caution", "snare_layer.wav", "printed by hand and goes along", "delete this file"]);
    }
    for name in ["kick_layer", "snare_layer"] {
        fs::remove_file(dir.path().join(format!("underlay/layers/{name}.wav"))).unwrap();
    }
    is_silent(&found(&["run"], &sheet).1, "goes along");

    let text = fs::read_to_string(&sheet).unwrap();
    let layer = "[[layer]]\nname = \"snare_fat\"\ndrum = \"snare\"\n";
    fs::write(&sheet, text + layer).unwrap();
    is_silent(&found(&["print"], &sheet).1, "[[layer]]");
    let (_, findings) = found(&["print", "--drum", "snare", "--set", "snare-dry"], &sheet);
    says(&findings, &["note", "no [[layer]] called snare_layer", "neither", "[[layer]]"]);
}

#[test]
fn triggers_that_were_pulled_by_hand_say_that_they_stay_at_home() {
    let dir = tempfile::tempdir().unwrap();
    let sheet = sheet(dir.path(), 6.0, "[hits]\n");
    let (_, findings) = found(&["timing", "--pull", "60"], &sheet);
    says(&findings, &["note", "do not go into the delivery", "pull = 60"]);
    is_silent(&found(&["timing"], &sheet).1, "delivery");
    with_line(&sheet, "[hits]", "pull = 60");
    is_silent(&found(&["timing", "--pull", "60"], &sheet).1, "delivery");
    is_silent(&found(&["timing"], &sheet).1, "delivery");
    says(&found(&["timing", "--pull", "30"], &sheet).1, &["pulled 60 per cent", "pull = 30"]);
}
