//! A run over what an earlier one has left, against a run from nothing: the same files and the same things to look at, whatever
//! was changed between the two; and what people put into the folder while a run goes on stays theirs.

use crate::run::{LAYER, STATE, did, edit};
use crate::small_song::{RATE, sheet, write};
use assert_cmd::Command;
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};
use underlay::audio::{Channel, read_mono};

/// Every file below a folder, by its path there.
fn files(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let (mut out, mut folders) = (BTreeMap::new(), vec![folder.to_owned()]);
    while let Some(sub) = folders.pop() {
        for path in fs::read_dir(sub).unwrap().map(|e| e.unwrap().path()) {
            if path.is_dir() {
                folders.push(path);
            } else {
                out.insert(path.strip_prefix(folder).unwrap().to_owned(), fs::read(&path).unwrap());
            }
        }
    }
    out
}

/// What is in a delivery, without the papers, which tell of its revision.
fn delivered(zip: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut zip = zip::ZipArchive::new(fs::File::open(zip).unwrap()).unwrap();
    let mut out = BTreeMap::new();
    for i in 0..zip.len() {
        let mut entry = zip.by_index(i).unwrap();
        let name = entry
            .name()
            .unwrap()
            .split_once('/')
            .map_or_else(|| entry.name().unwrap().into_owned(), |(_, rest)| rest.to_owned());
        let mut bytes = Vec::new();
        entry.read_to_end(&mut bytes).unwrap();
        if ["wav", "mid", "csv"].iter().any(|e| name.ends_with(e)) && !name.contains("TrackSheet") {
            out.insert(name, bytes);
        }
    }
    out
}

/// Runs a song and gives what there was to look at and all results that are no delivery and tell of no run.
fn result(sheet: &Path) -> (BTreeSet<String>, BTreeMap<PathBuf, Vec<u8>>, BTreeMap<String, Vec<u8>>) {
    let folder = sheet.parent().unwrap();
    let mut underlay = Command::new(assert_cmd::cargo::cargo_bin!("underlay"));
    let out = underlay.arg("run").arg(sheet).arg("--json").output().unwrap();
    let text = String::from_utf8(out.stdout).unwrap();
    assert!(matches!(out.status.code(), Some(0 | 1)), "{text}{}", String::from_utf8_lossy(&out.stderr));
    let told: serde_json::Value = serde_json::from_str(&text).unwrap();
    let findings = told["result"]["findings"].as_array().unwrap().iter();
    let findings = findings.map(|f| f.to_string().replace(folder.to_str().unwrap(), "")).collect();
    let all = files(&folder.join("underlay"));
    let sent = told["result"]["steps"].as_array().unwrap().last().unwrap()["files"][0].as_str().unwrap();
    let sent = delivered(&folder.join("underlay").join(sent));
    let of_the_run = |p: &Path| p.ends_with("run.json") || p.ends_with("summary.html");
    let all = all.into_iter().filter(|(p, _)| !of_the_run(p) && p.extension().is_none_or(|e| e != "zip")).collect();
    (findings, all, sent)
}

/// The songs's folder without its results.
fn copied(from: &Path, to: &Path) {
    for (path, bytes) in files(from).into_iter().filter(|(p, _)| !p.starts_with("underlay")) {
        fs::create_dir_all(to.join(&path).parent().unwrap()).unwrap();
        fs::write(to.join(path), bytes).unwrap();
    }
}

/// A line of the sheet that is exchanged, and a file that is renamed along with it.
type Change = (&'static str, &'static str, Option<(&'static str, &'static str)>);

const CHANGES: [Change; 37] = [
    ("title = \"Low Tide\"", "title = \"High Tide\"", None),
    ("drummer = \"The house drummer\"", "drummer = \"The other drummer\"", None),
    ("drummer = ", "end = 5.5\ndrummer = ", None),
    ("grid = \"1/16\"", "grid = \"1/8\"", None),
    ("bpm = 120", "bpm = 121", None),
    ("bar_one = 0", "bar_one = 0.5", None),
    ("name = \"snare_top\"", "name = \"snare_over\"", None),
    ("place = \"top\"", "place = \"close\"", None),
    ("file = \"oh_l.wav\"", "file = \"oh_l.wav\"\nlevel = -9", None),
    ("file = \"oh_l.wav\"", "file = \"oh_l.wav\"\npan = -0.3", None),
    ("file = \"oh_l.wav\"", "file = \"oh_l.wav\"\nnote = \"ribbon\"", None),
    ("name = \"oh_r\"\n", "name = \"oh_r\"\nguess = true\n", None),
    ("file = \"kick_in.wav\"", "file = \"kick_in.wav\"\nthreshold = 1.3", None),
    ("polarity = \"invert\"", "polarity = \"keep\"", None),
    ("file = \"snare_top.wav\"", "file = \"sn.wav\"", Some(("snare_top.wav", "sn.wav"))),
    ("file = \"oh_r.wav\"", "file = \"over_right.wav\"", Some(("oh_r.wav", "over_right.wav"))),
    ("file = \"shaker.wav\"", "file = \"more/shaker.wav\"", Some(("shaker.wav", "more/shaker.wav"))),
    ("file = \"two_mix.wav\"", "file = \"two_mix.wav\"\nlevel = -3", None),
    ("name = \"shaker\"", "name = \"egg\"", None),
    ("kind = \"programming\"", "kind = \"click\"", None),
    ("curve = \"take\"", "curve = \"square\"", None),
    ("kick_key = 36", "kick_key = 35", None),
    ("pull = 0", "pull = 60", None),
    ("shift_ms = 0", "shift_ms = 2", None),
    ("level = -6", "level = -8", None),
    ("dynamics = 100", "dynamics = 50", None),
    ("name = \"snare_fat\"", "name = \"snare_wide\"", None),
    ("samples = \"shots\"", "samples = \"shots\"\nchoke = true", Some(("shots/hard_2.wav", "shots/soft_2.wav"))),
    ("samples = \"shots\"", "samples = \"ones\"", Some(("shots", "ones"))),
    ("name = \"verse\"", "name = \"intro\"", None),
    ("loudness = -18", "loudness = -20", None),
    ("true_peak = -1", "true_peak = -2", None),
    ("guide_level = 0", "guide_level = -4", None),
    ("artist = \"\"", "artist = \"The Client\"", None),
    ("take = \"\"", "take = \"Comp\"", None),
    ("rate = 48000", "rate = 44100", None),
    ("apply_polarity = true", "apply_polarity = false", None),
];

/// A song with a layer of one-shots, a form, and every setting said.
fn everything(dir: &Path) -> PathBuf {
    fs::create_dir(dir.join("shots")).unwrap();
    fs::create_dir(dir.join("more")).unwrap();
    for (i, name) in ["soft_1", "hard_1", "hard_2"].into_iter().enumerate() {
        let hz = 150.0 + 20.0 * i as f64;
        let shot: Vec<f32> = (0..9_600)
            .map(|n| {
                let t = f64::from(n) / RATE.hz_f64();
                (0.5 * (std::f64::consts::TAU * hz * t).sin() * (-20.0 * t).exp()) as f32
            })
            .collect();
        write(&dir.join("shots").join(format!("{name}.wav")), 1, &shot);
    }
    let more = "[[section]]\nname = \"verse\"\nbar = 1\n\n\
        [hits]\ncurve = \"take\"\nkick_key = 36\npull = 0\nshift_ms = 0\n\n\
        [[layer]]\nname = \"snare_fat\"\ndrum = \"snare\"\nsamples = \"shots\"\nlevel = -6\ndynamics = 100\n\n\
        [rough]\nloudness = -18\ntrue_peak = -1\nguide_level = 0\n\n\
        [handoff]\nrate = 48000\nartist = \"\"\ntake = \"\"\napply_polarity = true\n";
    let path = sheet(dir, 5.0, more);
    let text = fs::read_to_string(&path).unwrap();
    fs::write(&path, text.replace("bar_one = 0\n", "bar_one = 0\ngrid = \"1/16\"\n")).unwrap();
    path
}

/// That a run over what is there ends as one from nothing does.
fn ends_as_from_nothing(sheet: &Path, changed: &str) {
    let fresh = tempfile::tempdir().unwrap();
    copied(sheet.parent().unwrap(), fresh.path());
    let (then, now) = (result(sheet), result(&fresh.path().join("song.toml")));
    assert_eq!(then.0, now.0, "what there is to look at after {changed}");
    let names = |files: &BTreeMap<PathBuf, Vec<u8>>| files.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(&then.1), names(&now.1), "results after {changed}");
    for (name, bytes) in &now.1 {
        assert!(then.1[name] == *bytes, "{} is not as made anew after {changed}", name.display());
    }
    assert_eq!(then.2.keys().collect::<Vec<_>>(), now.2.keys().collect::<Vec<_>>(), "delivered after {changed}");
    for (name, bytes) in &now.2 {
        assert!(then.2[name] == *bytes, "the delivered {name} is not as made anew after {changed}");
    }
}

#[test]
fn whatever_is_changed_in_the_sheet_a_run_ends_as_one_from_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let path = everything(dir.path());
    result(&path);
    for (from, to, renamed) in CHANGES {
        let text = fs::read_to_string(&path).unwrap();
        assert_eq!(text.matches(from).count(), 1, "{from}");
        fs::write(&path, text.replace(from, to)).unwrap();
        if let Some((from, to)) = renamed {
            fs::rename(dir.path().join(from), dir.path().join(to)).unwrap();
        }
        ends_as_from_nothing(&path, to);
    }
}

#[test]
fn whatever_is_changed_in_the_recordings_a_run_ends_as_one_from_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let path = everything(dir.path());
    result(&path);
    // One mic shorter; all of them shorter, so that the song is; a part that is louder.
    for (names, seconds, gain) in [
        (&["oh_l"][..], 4.0, 1.0),
        (&["kick_in", "snare_top", "snare_bottom", "oh_r"], 4.5, 1.0),
        (&["shaker"], 5.0, 1.5),
    ] {
        for name in names {
            let file = dir.path().join(format!("{name}.wav"));
            let mut x = read_mono(&file, Channel::Sum).unwrap().1;
            x.truncate((seconds * RATE.hz_f64()) as usize);
            x.iter_mut().for_each(|x| *x *= gain);
            write(&file, 1, &x);
        }
        ends_as_from_nothing(&path, &names.join(", "));
    }
}

/// Waits until a file says something.
fn until_said(file: &Path, text: &str) {
    let begun = Instant::now();
    while !fs::read_to_string(file).unwrap_or_default().contains(text) {
        assert!(begun.elapsed() < Duration::from_secs(120), "{} never tells of {text}", file.display());
        std::thread::sleep(Duration::from_millis(1));
    }
}

#[test]
fn what_people_save_into_the_folder_while_a_run_goes_on_stays_theirs() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 20.0, &LAYER.replace("level", "dynamics = 90\nlevel"));
    let out = dir.path().join("underlay");
    did(&path, &["--until", "hits"]);
    let own = ["notes for the mix.txt", "room_mic.wav", "pictures/kit.png"];
    let run = path.clone();
    let running = std::thread::spawn(move || did(&run, &["--until", "rough"]));
    // While layers are printed, and while the mix is made.
    for stage in ["\"phase\"", "\"print\""] {
        until_said(&out.join("run.json"), stage);
        std::thread::sleep(Duration::from_millis(20));
        edit(&out.join("hits.csv"), "snare", 2, STATE, "dropped");
        own.iter().for_each(|name| fs::write(out.join(name), name).unwrap());
    }
    running.join().unwrap();
    let edited = fs::read(out.join("hits.csv")).unwrap();
    // Other results, and some of before that no longer apply: a run with another mix and another layer, then with none.
    let text = fs::read_to_string(&path).unwrap();
    for next in
        [text.replace("level = -6", "level = -9\npan = 0.1"), text.split("[[layer]]").next().unwrap().to_owned()]
    {
        fs::write(&path, next).unwrap();
        did(&path, &[]);
        assert!(fs::read(out.join("hits.csv")).unwrap() == edited);
        for name in own {
            assert_eq!(fs::read_to_string(out.join(name)).unwrap(), name);
        }
    }
    assert!(!out.join("layers/snare_fat.wav").exists());
}

#[test]
fn a_file_that_was_kept_under_another_name_is_never_taken_back() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 5.0, "");
    let out = dir.path().join("underlay");
    fs::create_dir(&out).unwrap();
    fs::write(out.join("triggers.mid"), b"somebody's own").unwrap();
    for bpm in ["bpm = 120", "bpm = 121", "bpm = 122"] {
        let text = fs::read_to_string(&path).unwrap();
        let now = text.lines().find(|l| l.starts_with("bpm")).unwrap();
        fs::write(&path, text.replace(now, bpm)).unwrap();
        did(&path, &["--until", "timing"]);
        assert_eq!(fs::read(out.join("triggers_kept_1.mid")).unwrap(), b"somebody's own");
    }
}
