//! `run` and its stages through the built command: what is skipped, what is kept, what a page says, what a kill leaves.

use crate::small_song::sheet;
use assert_cmd::Command;
use std::fs;
use std::path::Path;
use std::process::{Command as Process, Stdio};
use std::time::Duration;

fn underlay() -> Command {
    Command::new(assert_cmd::cargo::cargo_bin!("underlay"))
}

pub const LAYER: &str = "[[layer]]\nname = \"snare_fat\"\ndrum = \"snare\"\nset = \"snare-full\"\nlevel = -6\n\n";

/// Runs the song and gives what became of each stage.
pub fn did(sheet: &Path, more: &[&str]) -> Vec<(String, String)> {
    let out = underlay().arg("run").arg(sheet).arg("--json").args(more).output().unwrap();
    let text = String::from_utf8(out.stdout).unwrap();
    let told: serde_json::Value =
        serde_json::from_str(&text).unwrap_or_else(|e| panic!("{e}: {text} {}", String::from_utf8_lossy(&out.stderr)));
    assert!(matches!(out.status.code(), Some(0 | 1)), "{text}");
    let steps = told["result"]["steps"].as_array().unwrap();
    steps.iter().map(|s| (s["stage"].as_str().unwrap().into(), s["did"].as_str().unwrap().into())).collect()
}

pub fn of<'a>(steps: &'a [(String, String)], stage: &str) -> &'a str {
    steps.iter().find(|s| s.0 == stage).map_or("absent", |s| &s.1)
}

fn all_are(steps: &[(String, String)], word: &str) -> bool {
    steps.iter().all(|s| s.1 == word || s.1 == "skipped")
}

#[test]
fn a_second_run_does_nothing_and_a_change_redoes_just_what_depends_on_it() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 8.0, LAYER);
    let out = dir.path().join("underlay");
    let first = did(&path, &[]);
    assert!(all_are(&first, "done"), "{first:?}");
    assert_eq!(first.last().unwrap().0, "handoff");
    let page = fs::read_to_string(out.join("summary.html")).unwrap();
    assert!(page.contains("Ready to send"), "{page}");
    let zip = fs::read(out.join("LowTide_Handoff_R01.zip")).unwrap();

    let second = did(&path, &[]);
    assert!(all_are(&second, "unchanged"), "{second:?}");

    // Less sample: a revision. Strokes, timing and phase stay.
    let text = fs::read_to_string(&path).unwrap();
    fs::write(&path, text.replace("level = -6", "level = -9")).unwrap();
    let third = did(&path, &[]);
    for (stage, word) in
        [("hits", "unchanged"), ("phase", "unchanged"), ("print", "done"), ("rough", "done"), ("handoff", "done")]
    {
        assert_eq!(of(&third, stage), word, "{stage} in {third:?}");
    }
    assert!(out.join("LowTide_Handoff_R02.zip").is_file());
    assert_eq!(fs::read(out.join("LowTide_Handoff_R01.zip")).unwrap(), zip);

    // A result that was thrown away is made again; a stage that was asked for is done again.
    fs::remove_file(out.join("rough_mix.wav")).unwrap();
    let fourth = did(&path, &[]);
    assert_eq!((of(&fourth, "print"), of(&fourth, "rough")), ("unchanged", "done"));
    let fifth = did(&path, &["--again", "phase", "--until", "phase"]);
    assert_eq!((of(&fifth, "phase"), of(&fifth, "print")), ("done", "absent"));
}

#[test]
fn strokes_that_were_edited_by_hand_are_kept_and_reach_the_layers() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 8.0, LAYER);
    let list = dir.path().join("underlay/hits.csv");
    did(&path, &["--until", "print"]);
    let map = || fs::read_to_string(dir.path().join("underlay/layer.csv")).unwrap().lines().count();
    let before = map();
    let text = fs::read_to_string(&list).unwrap();
    let row = text.lines().find(|l| l.starts_with("snare,") && l.ends_with(",found")).unwrap().to_owned();
    let edited = text.replace(&row, &row.replace(",found", ",dropped"));
    fs::write(&list, &edited).unwrap();
    let again = did(&path, &["--until", "print"]);
    assert_eq!((of(&again, "hits"), of(&again, "print")), ("kept", "done"), "{again:?}");
    assert_eq!(fs::read_to_string(&list).unwrap(), edited);
    assert_eq!(map(), before - 1);
    // Even when the recordings' settings change, the edits are not thrown away.
    let sheet_text = fs::read_to_string(&path).unwrap();
    fs::write(&path, sheet_text.replace("bpm = 120", "bpm = 121")).unwrap();
    assert_eq!(of(&did(&path, &["--until", "hits"]), "hits"), "kept");
    assert_eq!(fs::read_to_string(&list).unwrap(), edited);
}

/// Runs a command on the sheet; gives exit code, standard output and standard error.
pub fn typed(words: &[&str], sheet: &Path, more: &[&str]) -> (Option<i32>, String, String) {
    let out = underlay().args(words).arg(sheet).args(more).output().unwrap();
    (out.status.code(), String::from_utf8(out.stdout).unwrap(), String::from_utf8(out.stderr).unwrap())
}

/// Sets one column of the n-th row of a drum.
pub fn edit(list: &Path, drum: &str, n: usize, column: usize, value: &str) {
    let text = fs::read_to_string(list).unwrap();
    let mut seen = 0;
    let rows = text.lines().map(|line| {
        let mut cells: Vec<&str> = line.split(',').collect();
        seen += usize::from(cells[0] == drum);
        if cells[0] == drum && seen == n {
            cells[column] = value;
        }
        cells.join(",") + "\r\n"
    });
    fs::write(list, rows.collect::<String>()).unwrap();
}

pub const TIME: usize = 2;
pub const VELOCITY: usize = 8;
pub const STATE: usize = 12;

#[test]
fn a_list_found_by_hand_and_not_edited_is_found_anew_where_the_sheet_has_changed() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 8.0, "[hits]\nfloor = -60\n");
    let list = dir.path().join("underlay/hits.csv");
    assert!(matches!(typed(&["hits"], &path, &["--floor", "-1"]).0, Some(0 | 1)));
    let none = fs::read_to_string(&list).unwrap();
    assert_eq!(of(&did(&path, &["--until", "hits"]), "hits"), "done");
    let found = fs::read_to_string(&list).unwrap();
    assert!(found.lines().count() > none.lines().count());
    assert_eq!(of(&did(&path, &["--until", "hits"]), "hits"), "unchanged");
    // The same once more by hand changes nothing.
    assert!(matches!(typed(&["hits"], &path, &[]).0, Some(0 | 1)));
    assert_eq!(of(&did(&path, &["--until", "hits"]), "hits"), "unchanged");
    let text = fs::read_to_string(&path).unwrap();
    fs::write(&path, text.replace("floor = -60", "floor = -2")).unwrap();
    assert_eq!(of(&did(&path, &["--until", "hits"]), "hits"), "done");
    assert_ne!(fs::read_to_string(&list).unwrap(), found);
    // Found by hand and edited since, be it only a velocity, it is the user's, and is set aside before it is replaced.
    assert!(matches!(typed(&["hits"], &path, &["--floor", "-60"]).0, Some(0 | 1)));
    edit(&list, "snare", 2, VELOCITY, "7");
    let edited = fs::read_to_string(&list).unwrap();
    assert_eq!(of(&did(&path, &["--until", "hits"]), "hits"), "kept");
    assert_eq!(fs::read_to_string(&list).unwrap(), edited);
    assert!(typed(&["hits"], &path, &[]).1.contains("hits_kept_1.csv"));
    assert_eq!(fs::read_to_string(dir.path().join("underlay/hits_kept_1.csv")).unwrap(), edited);
}

#[test]
fn a_list_found_by_hand_within_the_songs_folder_is_known_as_the_tools_own_too() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 6.0, "");
    let ended = underlay().args(["hits", "song.toml"]).current_dir(dir.path()).output().unwrap();
    let said = String::from_utf8(ended.stdout).unwrap();
    assert!(matches!(ended.status.code(), Some(0 | 1)) && said.contains("Written to underlay: hits.csv"), "{said}");
    assert_eq!(of(&did(&path, &["--until", "hits"]), "hits"), "done", "not kept as somebody's edits");
}

#[test]
fn a_corrected_stroke_is_no_reason_for_concern_and_its_midi_and_report_follow() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 8.0, "");
    let out = dir.path().join("underlay");
    let list = out.join("hits.csv");
    did(&path, &["--until", "hits"]);
    let midi = fs::read(out.join("snare.mid")).unwrap();
    edit(&list, "snare", 3, STATE, "dropped");
    let run = || typed(&["run"], &path, &["--until", "hits"]);
    let (code, said, _) = run();
    assert!(
        code == Some(0) && said.contains("your edits in hits.csv are kept") && !said.contains("changed since"),
        "{said}"
    );
    assert_ne!(fs::read(out.join("snare.mid")).unwrap(), midi);
    // The steps of the guide: the list once more by hand, then a run.
    let (code, said, _) = typed(&["hits"], &path, &["--from-list", list.to_str().unwrap()]);
    assert_eq!(code, Some(0), "{said}");
    let (code, said, _) = run();
    assert!(code == Some(0) && said.contains("kept") && !said.contains("changed since"), "{said}");
    // The report still shows the waveform.
    let report = fs::read_to_string(out.join("report.html")).unwrap();
    assert!(report.contains("waveform of snare_top, hits") && !report.contains("novelty with its threshold"));
    // What only MIDI needs is no change of the strokes; what finds them is, and that is said.
    let text = fs::read_to_string(&path).unwrap();
    fs::write(&path, format!("{text}[hits]\nsnare_key = 40\n")).unwrap();
    let (code, said, _) = run();
    assert!(code == Some(0) && !said.contains("changed since"), "{said}");
    fs::write(&path, format!("{text}[hits]\nthreshold = 12\n")).unwrap();
    let (code, said, _) = run();
    assert!(code == Some(1) && said.contains("recordings or settings have changed since"), "{said}");
}

#[test]
fn a_layer_printed_by_hand_goes_along_until_it_no_longer_fits_and_never_stops_the_run() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 8.0, "");
    let out = dir.path().join("underlay");
    let layers_of = |zip: &str| {
        let z = zip::ZipArchive::new(fs::File::open(out.join(zip)).unwrap()).unwrap();
        let names = z.file_names().map(|n| n.unwrap().into_owned());
        names.filter(|n| n.contains("Sample Layers/")).count()
    };
    did(&path, &["--until", "hits"]);
    assert_eq!(typed(&["print"], &path, &[]).0, Some(0));
    did(&path, &[]);
    assert_eq!(layers_of("LowTide_Handoff_R01.zip"), 2);
    edit(&out.join("hits.csv"), "kick", 2, STATE, "dropped");
    let (code, said, _) = typed(&["run"], &path, &[]);
    assert_eq!(code, Some(1), "{said}");
    assert!(
        said.contains("kick_layer.wav") && said.contains("left out") && said.contains("delete this file"),
        "{said}"
    );
    assert_eq!(layers_of("LowTide_Handoff_R02.zip"), 1);
    // No snare at all: no silent file is written or packed, and an older one of that name goes.
    for n in 1..20 {
        edit(&out.join("hits.csv"), "snare", n, STATE, "dropped");
    }
    let (code, said, _) = typed(&["print"], &path, &[]);
    assert!(code == Some(1) && said.contains("layer snare_layer has no snare stroke to play"), "{said}");
    assert!(!out.join("layers/snare_layer.wav").exists() && out.join("layers/kick_layer.wav").exists());
    let (code, said, error) = typed(&["run"], &path, &[]);
    assert!(matches!(code, Some(0 | 1)), "{said}{error}");
    assert_eq!(layers_of("LowTide_Handoff_R03.zip"), 1);
    assert!(!said.contains("digital silence"), "{said}");
}

#[test]
fn a_layer_taken_out_of_the_sheet_is_taken_out_of_the_delivery() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 8.0, &LAYER.replace("snare_fat", "snare_layer"));
    let text = fs::read_to_string(&path).unwrap();
    did(&path, &["--until", "print"]);
    let file = dir.path().join("underlay/layers/snare_layer.wav");
    assert!(file.is_file());
    fs::write(&path, text.split("[[layer]]").next().unwrap()).unwrap();
    assert_eq!(of(&did(&path, &["--until", "print"]), "print"), "skipped");
    assert!(!file.exists());
    // One that was printed by hand stays.
    assert_eq!(typed(&["print"], &path, &[]).0, Some(0));
    did(&path, &["--until", "print"]);
    assert!(file.is_file());
}

#[test]
fn a_layer_that_does_not_fit_the_hit_list_stops_the_handoff() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 8.0, LAYER);
    let list = dir.path().join("underlay/hits.csv");
    did(&path, &["--until", "print"]);
    let text = fs::read_to_string(&list).unwrap();
    let row = text.lines().find(|l| l.starts_with("snare,") && l.ends_with(",found")).unwrap().to_owned();
    fs::write(&list, text.replace(&row, &row.replace(",found", ",dropped"))).unwrap();
    let out = underlay().arg("handoff").arg(&path).output().unwrap();
    let said = String::from_utf8_lossy(&out.stderr).into_owned();
    assert_eq!(out.status.code(), Some(3), "{said}");
    assert!(said.contains("the layer snare_fat is out of date"), "{said}");
    assert!(said.contains("underlay print"), "{said}");
}

#[test]
fn a_layer_that_was_printed_with_other_settings_stops_the_handoff_until_it_is_printed_again() {
    let dir = tempfile::tempdir().unwrap();
    let layer = LAYER.replace("level = -6", "level = -3\npull = 100");
    let path = sheet(dir.path(), 8.0, &layer);
    did(&path, &[]);
    let printed = fs::read_to_string(&path).unwrap();
    let turn = |from: &str, to: &str| fs::write(&path, printed.replace(from, to)).unwrap();
    let shots = dir.path().join("shots");
    fs::create_dir(&shots).unwrap();
    fs::copy(dir.path().join("underlay/layers/snare_fat.wav"), shots.join("a.wav")).unwrap();
    for (from, to, told) in [
        ("level = -3", "level = 0", "level -3 dB, now 0 dB"),
        ("set = \"snare-full\"", "set = \"snare-dry\"", "samples set snare-full, now set snare-dry"),
        ("set = \"snare-full\"", "samples = [\"shots\"]", "samples set snare-full, now shots"),
        ("pull = 100", "", "pull 100 %, now 0 %"),
        ("pull = 100", "pull = 100\ndynamics = 50", "dynamics 100 %, now 50 %"),
        (
            "name = \"snare_top\"\nfile = \"snare_top.wav\"\ndrum = \"snare\"\nplace = \"top\"\npolarity = \"keep\"",
            "name = \"snare_top\"\nfile = \"snare_top.wav\"\ndrum = \"snare\"\nplace = \"top\"\npolarity = \"invert\"",
            "aligned with snare_top.wav, now snare_top.wav, sign flipped",
        ),
    ] {
        turn(from, to);
        let (code, _, said) = typed(&["handoff"], &path, &[]);
        assert_eq!(code, Some(3), "{told}: {said}");
        assert!(said.contains(&format!("the layer snare_fat was printed with other settings ({told})")), "{said}");
        assert!(said.contains("Print the layers again with `underlay print`"), "{said}");
        // A check ends as the handoff would.
        let (code, said, _) = typed(&["handoff"], &path, &["--check"]);
        assert!(code == Some(3) && said.contains("one error stands against the handoff"), "{said}");
        assert!(said.lines().any(|l| l.starts_with("- error: ") && l.contains(told)), "{said}");
    }
    // What was asked for on the command line alone is not what the sheet wants.
    turn("", "");
    assert_eq!(typed(&["print", "--pull", "50"], &path, &[]).0, Some(0));
    let (code, _, said) = typed(&["handoff"], &path, &[]);
    assert!(code == Some(3) && said.contains("(pull 50 %, now 100 %)"), "{said}");
    assert_eq!(typed(&["print"], &path, &[]).0, Some(0));
    let (code, said, error) = typed(&["handoff"], &path, &[]);
    assert!(matches!(code, Some(0 | 1)) && said.contains("nothing changed since revision 1"), "{said}{error}");
    // Another tempo is another grid.
    turn("bpm = 120", "bpm = 121");
    let (code, _, said) = typed(&["handoff"], &path, &[]);
    assert!(code == Some(3) && said.contains("of its strokes have another place on the grid now"), "{said}");
    // So is an edited velocity another stroke.
    turn("", "");
    edit(&dir.path().join("underlay/hits.csv"), "snare", 3, VELOCITY, "20");
    let (code, _, said) = typed(&["handoff"], &path, &[]);
    assert!(code == Some(3) && said.contains("one of its strokes has another velocity in the hit list now"), "{said}");
    // A run prints it again by itself.
    let steps = did(&path, &[]);
    assert_eq!((of(&steps, "print"), of(&steps, "handoff")), ("done", "done"), "{steps:?}");
}

#[test]
fn a_rough_mix_that_was_made_before_the_last_change_goes_with_a_caution() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 8.0, LAYER);
    did(&path, &[]);
    let made = fs::read_to_string(&path).unwrap();
    let told = |more: &str| {
        let (code, said, error) = typed(&["handoff"], &path, &["--check"]);
        let line = said.lines().find(|l| l.contains("rough_mix.wav: it was made before the last change to "));
        assert_eq!(line.is_some(), !more.is_empty(), "{code:?} {said}{error}");
        if let Some(line) = line {
            assert!(line.ends_with(&format!("the last change to {more}")), "{line}");
            assert_eq!(code, Some(1), "{said}");
            assert!(said.contains("Low Tide: it can be packed; one thing to look at first\n"), "{said}");
        } else {
            assert!(code == Some(0) && said.contains("Low Tide: nothing stands against the handoff\n"), "{said}");
        }
    };
    told("");
    for (from, to, more) in [
        ("place = \"in\"\npolarity = \"keep\"", "place = \"in\"\npolarity = \"invert\"", "kick_in (inverted now)"),
        ("place = \"in\"\n", "place = \"in\"\nlevel = -2\n", "kick_in (nothing set, now level -2 dB)"),
        ("place = \"in\"\n", "place = \"out\"\n", "kick_in (kick in, now kick out)"),
        ("kind = \"guide\"\n", "kind = \"guide\"\npan = 0.5\n", "two_mix (nothing set, now pan 0.5)"),
    ] {
        fs::write(&path, made.replace(from, to)).unwrap();
        told(more);
    }
    // A layer that was printed anew is another sound.
    fs::write(&path, made.replace("level = -6", "level = -9")).unwrap();
    assert_eq!(typed(&["print"], &path, &[]).0, Some(0));
    told("snare_fat (another sound)");
    assert_eq!(typed(&["rough"], &path, &[]).0, Some(0));
    told("");
    // So is a take that was recorded anew.
    let other = crate::small_song::strokes(8.0, 1.0, 1.0, 200.0, 0.4, 7);
    crate::small_song::write(&dir.path().join("snare_bottom.wav"), 1, &other);
    told("snare_bottom (another sound)");
    assert_eq!(typed(&["rough"], &path, &[]).0, Some(0));
    told("");
    // Without its table nobody knows.
    fs::remove_file(dir.path().join("underlay/rough_mix.csv")).unwrap();
    let (code, said, _) = typed(&["handoff"], &path, &["--check"]);
    assert!(code == Some(1) && said.contains("so it may be out of date"), "{said}");
    // A mix that was made after a layer was pulled fits it.
    fs::write(&path, made.replace("level = -6", "level = -6\npull = 60")).unwrap();
    for stage in ["print", "rough"] {
        assert!(matches!(typed(&[stage], &path, &[]).0, Some(0 | 1)));
    }
    let said = typed(&["handoff"], &path, &["--check"]).1;
    assert!(!said.contains("made before the last change") && !said.contains("out of date"), "{said}");
}

#[test]
fn a_folder_of_songs_is_done_past_a_bad_one_and_summed_up() {
    let dir = tempfile::tempdir().unwrap();
    for name in ["1 Low Tide", "2 broken", "3 High Tide"] {
        let folder = dir.path().join(name);
        fs::create_dir(&folder).unwrap();
        sheet(&folder, 3.0, "");
    }
    fs::write(dir.path().join("2 broken/kick_in.wav"), b"no recording").unwrap();
    let run = |typed: &[&str]| underlay().arg("run").args(typed).current_dir(dir.path()).output().unwrap();
    let out = run(&[".", "--json"]);
    assert_eq!(out.status.code(), Some(3), "{}", String::from_utf8_lossy(&out.stderr));
    let told: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
    let codes: Vec<u64> = told["result"].as_array().unwrap().iter().map(|s| s["exit_code"].as_u64().unwrap()).collect();
    assert!(matches!(codes[..], [0 | 1, 3, 0 | 1]), "{codes:?}");
    for name in ["1 Low Tide", "3 High Tide"] {
        assert!(dir.path().join(name).join("underlay/LowTide_Handoff_R01.zip").is_file(), "{name}");
    }
    let text = String::from_utf8(run(&["."]).stdout).unwrap();
    assert!(text.contains("3 songs:") && text.contains("1 not done") && text.contains("kick_in.wav"), "{text}");
    assert!(text.contains("unchanged"), "{text}");
    // Without the bad one nothing is wrong with the batch.
    let good = run(&["1 Low Tide/song.toml", "3 High Tide"]);
    assert!(matches!(good.status.code(), Some(0 | 1)));
    assert_eq!(run(&[".", "--out", "x"]).status.code(), Some(2));
}

#[test]
fn songs_whose_deliveries_would_have_one_name_are_told_apart_or_said() {
    let dir = tempfile::tempdir().unwrap();
    for (name, title) in [("1", "Весна"), ("2", "夜の灯台"), ("3", "Low Tide"), ("4", "low tide")] {
        let folder = dir.path().join(name);
        fs::create_dir(&folder).unwrap();
        let path = sheet(&folder, 2.5, "");
        let text = fs::read_to_string(&path).unwrap();
        fs::write(&path, text.replace("\"Low Tide\"", &format!("\"{title}\""))).unwrap();
    }
    let out = underlay().arg("run").arg(dir.path()).output().unwrap();
    let text = String::from_utf8(out.stdout).unwrap();
    assert_eq!(text.matches("several songs are called").count(), 1, "{text}");
    assert!(text.contains("several songs are called LowTide"), "{text}");
    let zip = |name: &str| {
        let of = fs::read_dir(dir.path().join(name).join("underlay")).unwrap();
        let names = of.map(|e| e.unwrap().file_name().to_string_lossy().into_owned());
        names.filter(|n| n.ends_with("_Handoff_R01.zip")).collect::<Vec<_>>()
    };
    assert!(zip("1")[0].starts_with("Song") && zip("2")[0].starts_with("Song") && zip("1") != zip("2"));
    // In one folder the second of two songs with one name is numbered after the first, and that is said.
    let one = |name: &str| {
        let path = dir.path().join(name).join("song.toml");
        let out = underlay().arg("handoff").arg(path).arg("--out").arg(dir.path().join("all")).output().unwrap();
        String::from_utf8(out.stdout).unwrap()
    };
    assert!(!one("3").contains("this earlier delivery is of"));
    let said = one("4");
    assert!(said.contains("this earlier delivery is of \"Low Tide\""), "{said}");
}

#[test]
fn a_run_that_was_killed_while_it_wrote_its_hit_list_does_not_take_it_for_an_edited_one() {
    for ms in [40, 80, 120, 160, 200, 260, 320, 400] {
        let dir = tempfile::tempdir().unwrap();
        let path = sheet(dir.path(), 4.0, "");
        let mut child = Process::new(assert_cmd::cargo::cargo_bin!("underlay"))
            .args(["run", "--until", "hits"])
            .arg(&path)
            .stdout(Stdio::null())
            .spawn()
            .unwrap();
        std::thread::sleep(Duration::from_millis(ms));
        let _ = child.kill();
        child.wait().unwrap();
        let next = did(&path, &["--until", "hits"]);
        assert!(matches!(of(&next, "hits"), "done" | "unchanged"), "{next:?} after {ms} ms");
    }
}

#[test]
fn what_a_run_noted_before_it_wrote_tells_its_own_list_from_an_edited_one() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 6.0, "");
    let (list, record) = (dir.path().join("underlay/hits.csv"), dir.path().join("underlay/run.json"));
    did(&path, &["--until", "hits"]);
    let found = fs::read_to_string(&list).unwrap();
    // The record as it stands while the stage writes: what will be there, and not finished.
    let mut json: serde_json::Value = serde_json::from_slice(&fs::read(&record).unwrap()).unwrap();
    json["stages"]["hits"]["finished"] = false.into();
    json["stages"]["hits"]["lines"] = serde_json::json!([]);
    let unfinished = json.to_string();
    fs::write(&record, &unfinished).unwrap();
    assert_eq!(of(&did(&path, &["--until", "hits"]), "hits"), "done", "the list is the run's own");
    assert_eq!(fs::read_to_string(&list).unwrap(), found);
    // Edited after the kill, it is the user's and stays.
    fs::write(&record, &unfinished).unwrap();
    let edited = found.replacen(",found", ",dropped", 1);
    fs::write(&list, &edited).unwrap();
    assert_eq!(of(&did(&path, &["--until", "hits"]), "hits"), "kept");
    assert_eq!(fs::read_to_string(&list).unwrap(), edited);
    // Killed before the first file took its name: the list of the run before is there, and no edit either.
    let older = found.lines().take(4).fold(String::new(), |t, l| t + l + "\r\n");
    fs::write(&list, &older).unwrap();
    json["stages"]["hits"]["replaces"] = serde_json::json!({ "hits.csv": underlay::run::sum_of(older.as_bytes()) });
    fs::write(&record, json.to_string()).unwrap();
    assert_eq!(of(&did(&path, &["--until", "hits"]), "hits"), "done");
    assert_eq!(fs::read_to_string(&list).unwrap(), found);
}

#[test]
fn a_song_folder_that_was_moved_is_up_to_date_and_names_no_old_place() {
    let dir = tempfile::tempdir().unwrap();
    let old = dir.path().join("Old Place");
    fs::create_dir(&old).unwrap();
    let path = sheet(&old, 4.0, LAYER);
    let text = fs::read_to_string(&path).unwrap();
    fs::write(&path, text.replace("\"keep\"", "\"undecided\"").replace("\"invert\"", "\"undecided\"")).unwrap();
    did(&path, &[]);
    let new = dir.path().join("New Place");
    fs::rename(&old, &new).unwrap();
    let out = underlay().args(["run", "--json"]).arg(new.join("song.toml")).output().unwrap();
    let text = String::from_utf8(out.stdout).unwrap();
    assert!(text.contains("New Place") && !text.contains("Old Place"), "{text}");
    assert!(!fs::read_to_string(new.join("underlay/run.json")).unwrap().contains("Old Place"));
    assert!(!fs::read_to_string(new.join("underlay/summary.html")).unwrap().contains("Old Place"));
    assert!(all_are(&did(&new.join("song.toml"), &[]), "unchanged"));
}

#[test]
fn triggers_that_the_sheet_wants_pulled_are_made_and_delivered_beside_the_played_ones() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 6.0, "[hits]\npull = 60\n");
    let first = did(&path, &[]);
    assert!(all_are(&first, "done"), "{first:?}");
    let out = dir.path().join("underlay");
    let names = |zip: &str| {
        let z = zip::ZipArchive::new(fs::File::open(out.join(zip)).unwrap()).unwrap();
        z.file_names().map(|n| n.unwrap().into_owned()).collect::<Vec<_>>()
    };
    let in_zip = names("LowTide_Handoff_R01.zip");
    for end in ["Documents/LowTide_Triggers.mid", "Documents/LowTide_TriggersPulled60Percent.mid"] {
        assert!(in_zip.iter().any(|n| n.ends_with(end)), "{end} in {in_zip:?}");
    }
    assert!(out.join("triggers_on_grid.mid").is_file() && out.join("moves.csv").is_file());
    // Nothing is done twice, and the played triggers are still what `hits` wrote.
    assert!(all_are(&did(&path, &[]), "unchanged"));
    // Another pull is a revision: strokes and rough mix stay.
    let text = fs::read_to_string(&path).unwrap();
    fs::write(&path, text.replace("pull = 60", "pull = 33.5")).unwrap();
    let next = did(&path, &[]);
    for (stage, word) in [("hits", "unchanged"), ("timing", "done"), ("rough", "unchanged"), ("handoff", "done")] {
        assert_eq!(of(&next, stage), word, "{stage} in {next:?}");
    }
    let in_zip = names("LowTide_Handoff_R02.zip");
    assert!(in_zip.iter().any(|n| n.ends_with("LowTide_TriggersPulled33Point5Percent.mid")), "{in_zip:?}");
    assert!(!in_zip.iter().any(|n| n.contains("60Percent")), "{in_zip:?}");
}

#[test]
fn results_that_no_longer_apply_are_taken_away_and_what_somebody_touched_stays() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 6.0, &format!("[hits]\npull = 60\n\n{LAYER}"));
    let out = dir.path().join("underlay");
    let there = |name: &str| out.join(name).is_file();
    did(&path, &[]);
    let pulled = ["triggers_on_grid.mid", "kick_on_grid.mid", "snare_on_grid.mid", "moves.mid", "moves.csv"];
    let layered = ["rough_mix_without_layers.wav", "layers/snare_fat.wav", "layer.csv", "pictures/layer_snare_fat.svg"];
    for name in pulled.iter().chain(&layered) {
        assert!(there(name), "{name}");
    }
    // One that the user has put something of his own into.
    fs::write(out.join("snare_on_grid.mid"), b"my own").unwrap();
    let text = fs::read_to_string(&path).unwrap();
    fs::write(&path, text.replace("[hits]\npull = 60\n", "").split("[[layer]]").next().unwrap()).unwrap();
    let next = did(&path, &[]);
    assert_eq!((of(&next, "timing"), of(&next, "rough")), ("done", "done"));
    for name in pulled.iter().chain(&layered).filter(|n| **n != "snare_on_grid.mid") {
        assert!(!there(name), "{name}");
    }
    assert_eq!(fs::read(out.join("snare_on_grid.mid")).unwrap(), b"my own");
    // What applies is there, the former delivery among it.
    for name in
        ["triggers.mid", "snare.mid", "timing.html", "rough_mix.wav", "rough_mix.csv", "rough_mix_drums_only.wav"]
    {
        assert!(there(name), "{name}");
    }
    assert!(there("LowTide_Handoff_R01.zip") && there("LowTide_Handoff_R02.zip"));
    // Without a tempo there is no check of the timing, and no page of one.
    let text = fs::read_to_string(&path).unwrap();
    fs::write(&path, text.replace("[tempo]\nbpm = 120\nbar_one = 0\n", "")).unwrap();
    assert_eq!(of(&did(&path, &[]), "timing"), "skipped");
    assert!(!there("timing.html") && there("hits.csv") && there("snare.mid"));
}

#[test]
fn a_stage_behind_the_last_one_cannot_be_asked_for_again() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 4.0, "");
    let (code, _, said) = typed(&["run"], &path, &["--until", "phase", "--again", "rough"]);
    assert!(code == Some(2) && said.contains("stop after phase") && said.contains("--until rough"), "{said}");
    assert!(!dir.path().join("underlay").exists());
}

#[test]
fn a_former_result_that_the_song_is_made_of_now_stays() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 4.0, LAYER);
    let out = dir.path().join("underlay");
    did(&path, &["--until", "print"]);
    let file = out.join("layers/snare_fat.wav");
    let before = fs::read(&file).unwrap();
    let text = fs::read_to_string(&path).unwrap();
    let programmed = "[[track]]\nname = \"more\"\nfile = \"underlay/layers/snare_fat.wav\"\nkind = \"programming\"\n";
    fs::write(&path, text.split("[[layer]]").next().unwrap().to_owned() + programmed).unwrap();
    did(&path, &["--until", "print"]);
    assert!(fs::read(&file).unwrap() == before);
}

#[test]
fn a_list_that_was_kept_stays_when_strokes_are_found_anew() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 6.0, "");
    let out = dir.path().join("underlay");
    did(&path, &["--until", "hits"]);
    edit(&out.join("hits.csv"), "kick", 2, STATE, "dropped");
    did(&path, &["--until", "hits", "--again", "hits"]);
    let kept = fs::read(out.join("hits_kept_1.csv")).unwrap();
    did(&path, &["--until", "hits", "--again", "hits"]);
    assert!(fs::read(out.join("hits_kept_1.csv")).unwrap() == kept);
}

#[test]
fn the_receiver_can_check_the_zip() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 2.5, "");
    let made = underlay().arg("handoff").arg(&path).arg("--quiet").output().unwrap();
    assert!(matches!(made.status.code(), Some(0 | 1)));
    let zip = dir.path().join("underlay/LowTide_Handoff_R01.zip");
    let good = underlay().args(["handoff", "--verify"]).arg(&zip).output().unwrap();
    assert_eq!(good.status.code(), Some(0));
    assert!(String::from_utf8_lossy(&good.stdout).contains("complete and unharmed"));
    let mut bytes = fs::read(&zip).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 4;
    fs::write(&zip, bytes).unwrap();
    let bad = underlay().args(["handoff", "--verify"]).arg(&zip).output().unwrap();
    assert_eq!(bad.status.code(), Some(3));
    assert!(String::from_utf8_lossy(&bad.stderr).contains("Ask the sender for the zip again"));
}

/// Names in a folder that are not passing ones.
fn visible(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
        .filter(|n| !n.ends_with(".tmp-underlay"))
        .collect();
    names.sort();
    names
}

#[test]
fn a_kill_at_any_moment_leaves_the_old_zip_and_no_half_file() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 6.0, "");
    let out = dir.path().join("out");
    let begin = || {
        let mut c = Process::new(assert_cmd::cargo::cargo_bin!("underlay"));
        c.arg("handoff").arg(&path).arg("--out").arg(&out).stdout(Stdio::null()).stderr(Stdio::null());
        c
    };
    assert!(begin().status().unwrap().code().is_some_and(|c| c <= 1));
    let first = out.join("LowTide_Handoff_R01.zip");
    let old = fs::read(&first).unwrap();
    let text = fs::read_to_string(&path).unwrap();
    fs::write(&path, text.replace("polarity = \"invert\"", "polarity = \"keep\"")).unwrap();
    for ms in [1, 5, 10, 15, 20, 30, 40, 50, 65, 80, 100, 130] {
        let mut child = begin().spawn().unwrap();
        std::thread::sleep(Duration::from_millis(ms));
        // Already over is fine too: the second zip is then whole.
        let _ = child.kill();
        child.wait().unwrap();
        assert_eq!(fs::read(&first).unwrap(), old, "after {ms} ms");
        for name in visible(&out) {
            let zip = out.join(&name);
            assert!(name.ends_with(".zip"), "{name} after {ms} ms");
            let v = underlay::handoff::verify(&zip, &underlay::Quiet).unwrap();
            assert!(v.wrong.is_empty(), "{name} after {ms} ms: {:?}", v.wrong);
        }
    }
    // The next run is none the worse and sweeps up what the killed ones left.
    assert!(begin().status().unwrap().code().is_some_and(|c| c <= 1));
    assert_eq!(visible(&out), ["LowTide_Handoff_R01.zip", "LowTide_Handoff_R02.zip"]);
    #[cfg(unix)]
    assert_eq!(fs::read_dir(&out).unwrap().count(), 2, "passing files of killed runs were left");
}

#[cfg(target_os = "linux")]
#[test]
fn a_disk_that_fills_up_ends_with_code_4_a_remedy_and_no_half_file() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 6.0, "");
    let out = dir.path().join("out");
    // A limit on the size of files stands in for a full disk: writing fails at the same place, with a system error.
    let script = "trap '' XFSZ; ulimit -f 512; exec \"$0\" \"$@\"";
    for command in ["handoff", "rough"] {
        let run = Process::new("bash")
            .args(["-c", script])
            .arg(assert_cmd::cargo::cargo_bin!("underlay"))
            .arg(command)
            .arg(&path)
            .arg("--out")
            .arg(&out)
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&run.stderr).into_owned();
        assert_eq!(run.status.code(), Some(4), "{said}");
        assert!(said.contains("What to do:") && !said.contains("ZipWriter"), "{said}");
        assert!(!out.exists() || fs::read_dir(&out).unwrap().count() == 0, "{command} left something");
    }
}
