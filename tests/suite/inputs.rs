//! No command writes to what it reads: an input that bears the name of a result is refused and stays as it is.

use crate::small_song::{sheet, strokes, write};
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::SystemTime;
use underlay::ExitCode;
use underlay::cli::{Screen, run};

/// Every command that writes results of a song: its options, `@` standing for the song's folder.
const COMMANDS: [&[&str]; 8] = [
    &["hits", "@song.toml", "--out", "@out"],
    &["timing", "@song.toml", "--out", "@out", "--pull", "60", "--cues", "--click"],
    &["timing", "@song.toml", "--out", "@out", "--find-tempo", "--about", "120"],
    &["phase", "@song.toml", "--out", "@out", "--write", "@corrected"],
    &["print", "@song.toml", "--out", "@out", "--preview", "1s"],
    &["rough", "@song.toml", "--out", "@out"],
    &["handoff", "@song.toml", "--out", "@out"],
    &["run", "@song.toml", "--out", "@out"],
];
/// Folders that they write to.
const FOLDERS: [&str; 2] = ["out", "corrected"];
const LAYER: &str = "[[layer]]\nname = \"snare_fat\"\ndrum = \"snare\"\nset = \"snare-full\"\nlevel = -6\n\n";

/// Runs a command in a song's folder: exit code, and what it said.
fn typed(folder: &Path, words: &[&str]) -> (ExitCode, String) {
    let words = words.iter().map(|w| match w.strip_prefix('@') {
        Some(name) => folder.join(name).into_os_string(),
        None => (*w).into(),
    });
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let code =
        run(std::iter::once("underlay".into()).chain(words), &mut Screen { out: &mut out, err: &mut err, bars: false });
    out.append(&mut err);
    (code, String::from_utf8(out).unwrap())
}

/// Every file below a folder by its path in it; links to folders are not followed.
fn files(folder: &Path) -> Vec<String> {
    let (mut all, mut folders) = (Vec::new(), vec![folder.to_owned()]);
    while let Some(at) = folders.pop() {
        for e in fs::read_dir(&at).unwrap().flatten() {
            match e.file_type().unwrap() {
                kind if kind.is_dir() => folders.push(e.path()),
                kind if kind.is_file() => {
                    all.push(e.path().strip_prefix(folder).unwrap().to_string_lossy().replace('\\', "/"));
                }
                _ => {}
            }
        }
    }
    all.sort();
    all
}

type Contents = BTreeMap<String, Vec<u8>>;

fn contents(folder: &Path) -> Contents {
    files(folder).into_iter().map(|name| (name.clone(), fs::read(folder.join(name)).unwrap())).collect()
}

fn put(all: &Contents, folder: &Path) {
    for (name, bytes) in all {
        let path = folder.join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, bytes).unwrap();
    }
}

/// The results that a command writes, by their paths in the song's folder.
fn results(before: &Contents, words: &[&str]) -> Vec<String> {
    let dir = tempfile::tempdir().unwrap();
    put(before, dir.path());
    let times = || -> BTreeMap<String, SystemTime> {
        let time = |n: &String| fs::metadata(dir.path().join(n)).unwrap().modified().unwrap();
        files(dir.path()).into_iter().map(|n| (n.clone(), time(&n))).collect()
    };
    let then = times();
    let (code, said) = typed(dir.path(), words);
    assert!(matches!(code, ExitCode::Done | ExitCode::Findings), "{words:?}: {said}");
    times().into_iter().filter(|(n, time)| then.get(n) != Some(time)).map(|(n, _)| n).collect()
}

/// The ways in which a file called `name` is an input of the song: the sheet that says so, and the bytes that the file then has.
fn ways(song: &Contents, name: &str) -> Vec<(&'static str, String, Vec<u8>)> {
    let text = String::from_utf8(song["song.toml"].clone()).unwrap();
    let audio = song["two_mix.wav"].clone();
    let track = format!("{text}[[track]]\nname = \"more\"\nfile = \"{name}\"\nkind = \"guide\"\n");
    let mic = format!("{text}[[mic]]\nname = \"more\"\nfile = \"{name}\"\ndrum = \"room\"\npolarity = \"keep\"\n");
    let shot = text.replace("set = \"snare-full\"", &format!("samples = [\"{name}\"]"));
    let tempo = text.replace("bpm = 120", &format!("file = \"{name}\""));
    match Path::new(name).extension().and_then(|e| e.to_str()) {
        Some("mid") => vec![("tempo file", tempo, song["tempo.mid"].clone())],
        Some("wav") => {
            vec![("track", track, audio.clone()), ("mic", mic, audio), ("one-shot", shot, song["shot.wav"].clone())]
        }
        _ => vec![("track", track, audio)],
    }
}

/// Runs a command on a song one of whose inputs stands where a result goes; `linked`: the folders of results are links.
fn try_to_replace(before: &Contents, words: &[&str], result: &str, linked: bool) {
    // With links the sheet names the input by its own folder, and the command is sent through the link.
    let own = if linked { format!("real_{result}") } else { result.to_owned() };
    for (what, sheet, bytes) in ways(before, &own) {
        let dir = tempfile::tempdir().unwrap();
        let mut song: Contents = before.clone();
        song.insert("song.toml".into(), sheet.into_bytes());
        if linked {
            let in_folder = |n: &String| FOLDERS.iter().any(|f| n.starts_with(&format!("{f}/")));
            song = song.into_iter().map(|(n, b)| (if in_folder(&n) { format!("real_{n}") } else { n }, b)).collect();
        }
        song.insert(own.clone(), bytes);
        put(&song, dir.path());
        #[cfg(unix)]
        for folder in FOLDERS.iter().filter(|_| linked) {
            let real = dir.path().join(format!("real_{folder}"));
            fs::create_dir_all(&real).unwrap();
            std::os::unix::fs::symlink(&real, dir.path().join(folder)).unwrap();
        }
        let (code, said) = typed(dir.path(), words);
        let now = contents(dir.path());
        let inputs = song.iter().filter(|(n, _)| !n.contains("out/") && !n.contains("corrected/") || **n == own);
        for (name, bytes) in inputs {
            assert!(now.get(name) == Some(bytes), "{words:?}, the {what} {own}: {name} was changed; {said}");
        }
        // A delivery takes the next number; an audio file called hits.csv is no list to work from.
        let refused = code == ExitCode::Output && said.contains("never written to");
        let may = result.ends_with(".zip") || result.ends_with("hits.csv") && code == ExitCode::Input;
        assert!(refused || may, "{words:?}, the {what} {own}: {code:?} {said}");
    }
}

#[test]
fn no_command_changes_a_byte_of_what_it_reads_whatever_that_is_called() {
    let dir = tempfile::tempdir().unwrap();
    sheet(dir.path(), 9.5, LAYER);
    crate::takes::tempo_midi(&dir.path().join("tempo.mid"), 120.0);
    write(&dir.path().join("shot.wav"), 1, &strokes(0.4, 0.0, 1.0, 190.0, 0.5, 9));
    let (code, said) = typed(dir.path(), &["run", "@song.toml", "--out", "@out"]);
    assert!(matches!(code, ExitCode::Done | ExitCode::Findings), "{said}");
    let mut before = contents(dir.path());
    before.retain(|n, _| !n.ends_with(".zip") && !n.ends_with("run.json"));
    let mut tried = Vec::new();
    for words in COMMANDS {
        for result in results(&before, words) {
            // What `run` has its stages write is tried with their own commands.
            if words[0] == "run" && tried.contains(&result) && !result.ends_with("rough_mix.wav") {
                continue;
            }
            try_to_replace(&before, words, &result, false);
            if cfg!(unix) {
                try_to_replace(&before, words, &result, true);
            }
            tried.push(result);
        }
    }
    for name in ["out/hits.csv", "out/triggers_on_grid.mid", "out/found_tempo.mid", "out/rough_mix_drums_only.wav"] {
        assert!(tried.iter().any(|t| t == name), "{name} is not in {tried:?}");
    }
    for name in ["out/previews/snare_fat_both.wav", "corrected/snare_bottom.wav", "out/run.json", "out/summary.html"] {
        assert!(tried.iter().any(|t| t == name), "{name} is not in {tried:?}");
    }
}

#[test]
fn prep_and_demo_replace_no_file_that_is_there() {
    let dir = tempfile::tempdir().unwrap();
    let kick = write(&dir.path().join("kick.wav"), 1, &strokes(1.0, 0.1, 0.5, 60.0, 0.5, 1));
    let take = fs::read(&kick).unwrap();
    let (code, said) = typed(dir.path(), &["prep", "@", "--out", "@kick.wav"]);
    assert_eq!(code, ExitCode::Output, "{said}");
    for name in ["song.toml", "kick_in.wav", "guide.wav", "shaker.wav", "tempo.mid", "truth.csv"] {
        let there: PathBuf = dir.path().join(name);
        fs::copy(&kick, &there).unwrap();
        let (code, said) = typed(dir.path(), &["demo", "@"]);
        assert_eq!(code, ExitCode::Output, "{name}: {said}");
        assert!(fs::read(&there).unwrap() == take, "{name}");
        fs::remove_file(there).unwrap();
    }
    assert!(fs::read(&kick).unwrap() == take);
    assert_eq!(files(dir.path()), ["kick.wav"]);
}
