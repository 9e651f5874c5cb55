//! What goes wrong around the program: kills at any moment, full and write-protected disks, recordings that vanish, shrink
//! or grow while they are read, rights that are missing, strange paths. Nothing is lost and nothing is half written.
//!
//! `UNDERLAY_KILLS=100 cargo test --test suite faults` kills more often than the gate does (docs/reliability.md).

use crate::small_song::sheet;
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

const LAYER: &str = "[[layer]]\nname = \"snare_fat\"\ndrum = \"snare\"\nset = \"snare-full\"\nlevel = -6\n\n";
/// Files that tell of the run itself, and so differ where a run was cut off.
const OF_THE_RUN: [&str; 2] = ["out/summary.html", "out/run.json"];

/// Every command that writes, as it is typed in the song's folder.
const COMMANDS: [&[&str]; 8] = [
    &["prep", ".", "--out", "new.toml"],
    &["hits", "song.toml", "--out", "out"],
    &["timing", "song.toml", "--out", "out", "--pull", "60"],
    &["phase", "song.toml", "--out", "out", "--write", "corrected"],
    &["print", "song.toml", "--out", "out"],
    &["rough", "song.toml", "--out", "out"],
    &["handoff", "song.toml", "--out", "out"],
    &["run", "song.toml", "--out", "out"],
];

fn underlay(folder: &Path, typed: &[&str]) -> Command {
    let mut c = Command::new(assert_cmd::cargo::cargo_bin!("underlay"));
    c.args(typed).current_dir(folder).stdout(Stdio::null()).stderr(Stdio::null());
    c
}

fn done(folder: &Path, typed: &[&str]) {
    let out = underlay(folder, typed).stderr(Stdio::piped()).output().unwrap();
    assert!(matches!(out.status.code(), Some(0 | 1)), "{typed:?}: {}", String::from_utf8_lossy(&out.stderr));
}

type Contents = BTreeMap<String, Vec<u8>>;

/// Every file below a folder by its path in it.
fn contents(folder: &Path) -> Contents {
    let mut all = Contents::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(at) = folders.pop() {
        for e in fs::read_dir(&at).unwrap().flatten() {
            let path = e.path();
            if path.is_dir() {
                folders.push(path);
            } else {
                let name = path.strip_prefix(folder).unwrap().to_string_lossy().replace('\\', "/");
                all.insert(name, fs::read(path).unwrap());
            }
        }
    }
    all
}

fn copy(from: &Contents, to: &Path) {
    for (name, bytes) in from {
        let path = to.join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, bytes).unwrap();
    }
}

/// A song whose results are there, and a change in its sheet that makes every result another one.
fn changed_song() -> (tempfile::TempDir, Contents) {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 6.0, LAYER);
    done(dir.path(), &["run", "song.toml", "--out", "out"]);
    let text = fs::read_to_string(&path).unwrap();
    let text =
        text.replace("bpm = 120", "bpm = 121").replace("level = -6", "level = -9").replace("Low Tide", "Low Tides");
    fs::write(&path, text).unwrap();
    let before = contents(dir.path());
    (dir, before)
}

/// Even numbers from 0 to 1, the same in every run.
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
}

#[test]
fn a_kill_at_any_moment_of_any_command_leaves_every_file_old_or_new_and_never_half() {
    let kills: usize = std::env::var("UNDERLAY_KILLS").ok().and_then(|n| n.parse().ok()).unwrap_or(2);
    let (dir, changed) = changed_song();
    // A handoff takes no layer that the sheet wants otherwise by now.
    done(dir.path(), &["print", "song.toml", "--out", "out"]);
    let printed = contents(dir.path());
    let mut dice = Dice(1);
    let mut early = 0;
    for typed in COMMANDS {
        let before = if typed[0] == "handoff" { &printed } else { &changed };
        // Of one name always: a sheet takes its title from the folder.
        let home = tempfile::tempdir().unwrap();
        let whole = home.path().join("song");
        copy(before, &whole);
        let start = Instant::now();
        done(&whole, typed);
        let took = start.elapsed();
        let after = contents(&whole);
        assert!(after.keys().all(|n| !n.ends_with(".tmp-underlay")), "{typed:?} leaves passing files");
        for _ in 0..kills {
            let home = tempfile::tempdir().unwrap();
            let dir = home.path().join("song");
            copy(before, &dir);
            let mut child = underlay(&dir, typed).spawn().unwrap();
            std::thread::sleep(took.mul_f64(dice.next()));
            early += usize::from(child.try_wait().unwrap().is_none());
            child.kill().unwrap();
            child.wait().unwrap();
            let now = contents(&dir);
            for (name, bytes) in now.iter().filter(|(n, _)| !n.ends_with(".tmp-underlay")) {
                let known = before.get(name) == Some(bytes) || after.get(name) == Some(bytes);
                let of_the_run = OF_THE_RUN.contains(&name.as_str()) && is_whole(name, bytes);
                assert!(known || of_the_run, "{typed:?} left {name} half written ({} bytes)", bytes.len());
            }
            let lost: Vec<&String> =
                before.keys().filter(|n| after.contains_key(*n) && !now.contains_key(*n)).collect();
            assert!(lost.is_empty(), "{typed:?} lost {lost:?}");
            // The same command again: as if nothing had happened, and swept.
            if typed[0] == "prep" {
                let _ = fs::remove_file(dir.join("new.toml"));
            }
            done(&dir, typed);
            let mut again = contents(&dir);
            #[cfg(not(unix))]
            again.retain(|n, _| !n.ends_with(".tmp-underlay"));
            let mut expected = after.clone();
            for name in OF_THE_RUN {
                again.remove(name);
                expected.remove(name);
            }
            let differ = |a: &Contents, b: &Contents| {
                a.iter().filter(|(n, v)| b.get(*n) != Some(*v)).map(|(n, _)| n.clone()).collect::<Vec<_>>()
            };
            let differ = [differ(&again, &expected), differ(&expected, &again)];
            assert!(differ.iter().all(Vec::is_empty), "{typed:?} after a kill: {differ:?}");
        }
    }
    assert!(early >= kills, "most kills came too late to mean anything: {early}");
}

/// The demo writes a session of its own: what a kill leaves of it are whole recordings, and the next run makes the rest.
#[test]
fn a_kill_of_the_demo_leaves_whole_files_and_the_next_run_completes_them() {
    let kills: usize = std::env::var("UNDERLAY_KILLS").ok().and_then(|n| n.parse().ok()).unwrap_or(1);
    let whole = tempfile::tempdir().unwrap();
    let start = Instant::now();
    done(whole.path(), &["demo", "out"]);
    let took = start.elapsed();
    let after = contents(&whole.path().join("out"));
    let of_the_run = |name: &str| OF_THE_RUN.contains(&name.replace("underlay/", "out/").as_str());
    assert_eq!(after.keys().filter(|n| of_the_run(n)).count(), OF_THE_RUN.len());
    drop(whole);
    let mut dice = Dice(7);
    for kill in 0..kills {
        let dir = tempfile::tempdir().unwrap();
        let out = dir.path().join("out");
        let mut child = underlay(dir.path(), &["demo", "out"]).spawn().unwrap();
        if kill == 0 {
            // As soon as there is a recording: the next run has to know it for the demo's own.
            while !out.join("kick_in.wav").exists() && child.try_wait().unwrap().is_none() {
                std::thread::sleep(Duration::from_millis(1));
            }
        } else {
            std::thread::sleep(took.mul_f64(dice.next()));
        }
        child.kill().unwrap();
        child.wait().unwrap();
        if out.is_dir() {
            for (name, bytes) in contents(&out).iter().filter(|(n, _)| !n.ends_with(".tmp-underlay")) {
                let whole = after.get(name) == Some(bytes) || (of_the_run(name) && is_whole(name, bytes));
                assert!(whole, "the demo left {name} half written ({} bytes)", bytes.len());
            }
        }
        done(dir.path(), &["demo", "out"]);
        let again = contents(&out);
        #[cfg(unix)]
        assert!(again.keys().eq(after.keys()), "{:?}", again.keys());
        for (name, bytes) in after.iter().filter(|(n, _)| !of_the_run(n)) {
            assert!(again.get(name) == Some(bytes), "{name} differs after a kill");
        }
    }
}

fn is_whole(name: &str, bytes: &[u8]) -> bool {
    if name.ends_with(".json") {
        serde_json::from_slice::<serde_json::Value>(bytes).is_ok()
    } else {
        bytes.ends_with(b"</html>\n")
    }
}

/// Runs a command with its results on a small file system of its own; gives how it ended and what was left there.
/// `None`, said loudly, where no such file system can be made.
#[cfg(target_os = "linux")]
fn on_a_small_disk(folder: &Path, options: &str, typed: &[&str]) -> Option<(Output, Contents)> {
    let kept = tempfile::tempdir().unwrap();
    let script = "mount -t tmpfs -o \"$1\" none out || exit 77; shift; kept=$1; shift; \"$@\"; code=$?; \
                  cp -r out/. \"$kept\" || exit 78; exit $code";
    let rights: &[&str] = if is_root() { &["--mount"] } else { &["--user", "--map-root-user", "--mount"] };
    let ran = Command::new("unshare")
        .args(rights)
        .args(["sh", "-c", script, "sh", options])
        .arg(kept.path())
        .arg(assert_cmd::cargo::cargo_bin!("underlay"))
        .args(typed)
        .current_dir(folder)
        .output();
    match ran {
        Ok(ran)
            if ran.status.code().is_some_and(|c| c < 77)
                && !String::from_utf8_lossy(&ran.stderr).contains("unshare") =>
        {
            Some((ran, contents(kept.path())))
        }
        other => {
            eprintln!("SKIPPED a test on a small disk: none can be made here ({other:?})");
            None
        }
    }
}

#[cfg(target_os = "linux")]
fn is_root() -> bool {
    let id = Command::new("id").arg("-u").output().map(|o| o.stdout).unwrap_or_default();
    id.trim_ascii() == b"0"
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_ends_every_command_with_code_4_and_leaves_only_whole_files() {
    let (dir, before) = changed_song();
    done(dir.path(), &["run", "song.toml", "--out", "out"]);
    let list = fs::read(dir.path().join("out/hits.csv")).unwrap();
    for (typed, sizes) in [
        (COMMANDS[1], &["60k"][..]),
        (COMMANDS[2], &["60k"]),
        (COMMANDS[4], &["32k", "300k"]),
        (COMMANDS[5], &["64k", "2m"]),
        (COMMANDS[6], &["64k", "2m"]),
        (COMMANDS[7], &["64k", "2m"]),
    ] {
        // What the command writes where there is room: into an empty folder but for the hit list.
        let whole = tempfile::tempdir().unwrap();
        copy(&before, whole.path());
        fs::remove_dir_all(whole.path().join("out")).unwrap();
        fs::create_dir(whole.path().join("out")).unwrap();
        let needs_layers = matches!(typed[0], "rough" | "handoff");
        if needs_layers {
            let text = fs::read_to_string(whole.path().join("song.toml")).unwrap();
            fs::write(whole.path().join("song.toml"), text.split("[[layer]]").next().unwrap()).unwrap();
        }
        let empty = contents(whole.path());
        done(whole.path(), typed);
        let good = contents(&whole.path().join("out"));
        for size in sizes {
            let small = tempfile::tempdir().unwrap();
            copy(&empty, small.path());
            fs::create_dir_all(small.path().join("out")).unwrap();
            let Some((ran, left)) = on_a_small_disk(small.path(), &format!("size={size}"), typed) else { return };
            let said = String::from_utf8_lossy(&ran.stderr);
            assert_eq!(ran.status.code(), Some(4), "{typed:?} on {size}: {said}");
            assert!(
                said.contains("the disk is full") && said.contains("Free some space"),
                "{typed:?} on {size}: {said}"
            );
            for (name, bytes) in &left {
                let of_the_run = OF_THE_RUN.contains(&format!("out/{name}").as_str()) && is_whole(name, bytes);
                assert!(
                    good.get(name) == Some(bytes) || of_the_run,
                    "{typed:?} on {size} left {name}, {} bytes",
                    bytes.len()
                );
            }
            let recordings = contents(small.path());
            assert!(empty.iter().all(|(n, v)| recordings.get(n) == Some(v)), "{typed:?} touched the session");
        }
    }
    assert_eq!(fs::read(dir.path().join("out/hits.csv")).unwrap(), list);
}

#[cfg(target_os = "linux")]
#[test]
fn a_write_protected_disk_is_told_by_every_command() {
    let dir = tempfile::tempdir().unwrap();
    sheet(dir.path(), 3.0, "");
    fs::create_dir(dir.path().join("out")).unwrap();
    for typed in COMMANDS.into_iter().skip(1) {
        let Some((ran, left)) = on_a_small_disk(dir.path(), "ro", typed) else { return };
        let said = String::from_utf8_lossy(&ran.stderr);
        assert_eq!(ran.status.code(), Some(4), "{typed:?}: {said}");
        assert!(said.contains("write-protected") && said.contains("--out"), "{typed:?}: {said}");
        assert!(left.is_empty(), "{typed:?}: {:?}", left.keys());
    }
}

/// As a user without rights: the test's own, or nobody where the test runs as root.
#[cfg(target_os = "linux")]
fn as_nobody(folder: &Path, typed: &[&str]) -> Option<Output> {
    let binary = assert_cmd::cargo::cargo_bin!("underlay");
    let mut c = if is_root() {
        let mut c = Command::new("setpriv");
        c.args(["--reuid=65534", "--regid=65534", "--clear-groups"]).arg(binary);
        c
    } else {
        Command::new(binary)
    };
    match c.args(typed).current_dir(folder).output() {
        // 126 and 127: the program itself may not be run by this user.
        Ok(out) if out.status.code().is_some_and(|c| c < 100) => Some(out),
        other => {
            eprintln!("SKIPPED a test without rights: {other:?}");
            None
        }
    }
}

#[cfg(target_os = "linux")]
#[test]
fn missing_rights_are_told_with_the_file_and_leave_everything_as_it_was() {
    use std::os::unix::fs::PermissionsExt;
    let dir = tempfile::tempdir().unwrap();
    sheet(dir.path(), 3.0, "");
    fs::create_dir(dir.path().join("out")).unwrap();
    let allow =
        |path: &str, mode: u32| fs::set_permissions(dir.path().join(path), fs::Permissions::from_mode(mode)).unwrap();
    allow("", 0o755);
    // A folder that may be looked into and not written to.
    for typed in COMMANDS {
        let Some(ran) = as_nobody(dir.path(), typed) else { return };
        let said = String::from_utf8_lossy(&ran.stderr);
        assert_eq!(ran.status.code(), Some(4), "{typed:?}: {said}");
        assert!(said.contains("not allowed") && said.contains("What to do"), "{typed:?}: {said}");
    }
    assert_eq!(fs::read_dir(dir.path().join("out")).unwrap().count(), 0);
    // A recording that may not be read.
    allow("out", 0o777);
    allow("snare_top.wav", 0o000);
    for typed in COMMANDS.into_iter().skip(1) {
        let Some(ran) = as_nobody(dir.path(), typed) else { return };
        let said = String::from_utf8_lossy(&ran.stderr);
        assert_eq!(ran.status.code(), Some(3), "{typed:?}: {said}");
        assert!(said.contains("snare_top.wav") && said.contains("not allowed"), "{typed:?}: {said}");
    }
    assert_eq!(fs::read_dir(dir.path().join("out")).unwrap().count(), 0);
}

/// Does something to a file at the first step of the work.
struct Meanwhile<F: Fn() + Sync>(F, std::sync::Once);

impl<F: Fn() + Sync> underlay::Progress for Meanwhile<F> {
    fn begin(&self, _: &str, _: u64) {
        self.1.call_once(&self.0);
    }
    fn advance(&self, _: u64) {
        self.1.call_once(&self.0);
    }
    fn end(&self) {}
}

#[test]
fn a_recording_that_vanishes_shrinks_or_grows_while_it_is_read_is_an_error_or_changes_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let song = crate::small_song::song(dir.path(), 4.0);
    let take = dir.path().join("snare_top.wav");
    let good = fs::read(&take).unwrap();
    let calm = dir.path().join("calm");
    let found = underlay::hits::find(&song, &underlay::Quiet).unwrap().list;
    underlay::mix::make(&song, &[], &calm, &underlay::Quiet).unwrap();
    let mix = fs::read(calm.join("rough_mix.wav")).unwrap();
    let half = good[..good.len() / 2].to_vec();
    let longer = [good.as_slice(), &[1; 30_000]].concat();
    let acts: [(&str, &(dyn Fn() + Sync)); 3] = [
        ("vanishes", &|| fs::remove_file(&take).unwrap()),
        ("shrinks", &|| fs::write(&take, &half).unwrap()),
        ("grows", &|| fs::write(&take, &longer).unwrap()),
    ];
    for (what, act) in acts {
        fs::write(&take, &good).unwrap();
        match underlay::hits::find(&song, &Meanwhile(act, std::sync::Once::new())) {
            Ok(now) => assert_eq!(now.list, found, "{what}"),
            Err(e) => assert!(e.to_string().contains("snare_top.wav") && e.exit_code() as u8 == 3, "{what}: {e}"),
        }
        fs::write(&take, &good).unwrap();
        let out = dir.path().join(what);
        match underlay::mix::make(&song, &[], &out, &Meanwhile(act, std::sync::Once::new())) {
            Ok(_) => assert_eq!(fs::read(out.join("rough_mix.wav")).unwrap(), mix, "{what}"),
            Err(e) => {
                assert!(e.to_string().contains("snare_top.wav") && e.exit_code() as u8 == 3, "{what}: {e}");
                assert!(contents(&out).is_empty(), "{what} left {:?}", contents(&out).keys());
            }
        }
    }
}

/// What Windows cannot store (its documentation on naming files, from memory).
fn fits_windows(path: &str) -> bool {
    let device = |part: &str| {
        let stem = part.split('.').next().unwrap_or(part).to_ascii_uppercase();
        let numbered = |p: &str| stem.strip_prefix(p).is_some_and(|n| n.len() == 1 && n.as_bytes()[0].is_ascii_digit());
        ["CON", "PRN", "AUX", "NUL"].contains(&stem.as_str()) || numbered("COM") || numbered("LPT")
    };
    path.split('/').all(|part| {
        !part.chars().any(|c| c.is_control() || "<>:\"\\|?*".contains(c))
            && !part.ends_with(['.', ' '])
            && !device(part)
    })
}

#[test]
fn strange_paths_work_from_prep_to_the_zip_and_results_have_names_that_every_system_takes() {
    let dir = tempfile::tempdir().unwrap();
    // Two folders of 150 letters: a path of over 300.
    let long = |c: &str, n: usize| c.repeat(n);
    let folder: PathBuf = dir
        .path()
        .join(format!("{} Für Zoë 🥁 'n' #1 %20 & co", long("a", 100)))
        .join(long("ö", 75))
        .join(long("b", 100));
    fs::create_dir_all(&folder).unwrap();
    assert!(folder.as_os_str().len() > 300);
    crate::small_song::song(&folder, 6.0);
    for (old, new) in [
        ("kick_in.wav", "01 Kick in (take 2) ✅.wav"),
        ("snare_top.wav", "Snäre top; \"loud\".wav"),
        ("snare_bottom.wav", "snare bottom = $HOME.wav"),
        ("oh_l.wav", "OH L [x] 100%.wav"),
        ("oh_r.wav", &format!("OH R {}.wav", long("z", 230))),
        ("two_mix.wav", "2mix — rough.wav"),
        ("shaker.wav", "shaker.wav"),
    ] {
        // Windows and some disks refuse a few of these; there the file keeps its name.
        let _ = fs::rename(folder.join(old), folder.join(new));
    }
    done(&folder, &["prep", "."]);
    let text = fs::read_to_string(folder.join("song.toml")).unwrap();
    let layers = [("con", -3), ("a/b:c*?", -6), ("..\\..\\x", -9), ("Ünter 🥁", -12)].map(|(name, level)| {
        let name = serde_json::to_string(name).unwrap();
        format!("[[layer]]\nname = {name}\ndrum = \"snare\"\nset = \"snare-full\"\nlevel = {level}\n")
    });
    let text = text.replace("[tempo]\n", "[tempo]\nbpm = 120\n");
    let title = "title = \"CON: a/b\\\\c? ..\"\n";
    let text: String =
        text.lines().map(|l| if l.starts_with("title") { title.to_owned() } else { format!("{l}\n") }).collect();
    fs::write(folder.join("song.toml"), text + &layers.concat()).unwrap();
    done(&folder, &["run", "song.toml"]);
    let all = contents(&folder);
    let results: Vec<&String> = all.keys().filter(|n| n.starts_with("underlay/")).collect();
    assert!(
        results.iter().filter(|n| n.starts_with("underlay/layers/") && n.ends_with(".wav")).count() == 4,
        "{results:?}"
    );
    assert!(results.iter().all(|n| fits_windows(n)), "{results:?}");
    let zip = results.iter().find(|n| n.ends_with(".zip")).unwrap();
    let v = underlay::handoff::verify(&folder.join(zip), &underlay::Quiet).unwrap();
    assert!(v.wrong.is_empty(), "{:?}", v.wrong);
    assert!(v.manifest.files.iter().all(|f| fits_windows(&f.path) && f.path.is_ascii()), "{:?}", v.manifest.files);
    // Nothing but the session and its results came to be, anywhere.
    let outside: Vec<_> = contents(dir.path()).into_keys().filter(|n| !n.contains(&long("b", 100))).collect();
    assert!(outside.is_empty(), "{outside:?}");
}

#[cfg(unix)]
#[test]
fn corrected_copies_stay_in_their_folder_under_names_that_every_disk_takes_and_tells_apart() {
    let home = tempfile::tempdir().unwrap();
    let dir = home.path().join("deep/er/song");
    fs::create_dir_all(&dir).unwrap();
    crate::small_song::song(&dir, 4.0);
    // Three recordings whose names differ in case, or in what Windows does not take, or in how their accents are stored.
    let moves = [("snare_top.wav", "a/Take 1: Bäng?.wav"), ("snare_bottom.wav", "b/take 1_ Ba\u{308}ng_.wav")];
    for (old, new) in moves {
        fs::create_dir_all(dir.join(new).parent().unwrap()).unwrap();
        fs::rename(dir.join(old), dir.join(new)).unwrap();
    }
    fs::create_dir(dir.join("c")).unwrap();
    fs::copy(dir.join("oh_l.wav"), dir.join("c/TAKE 1_ BÄNG_.wav")).unwrap();
    let mic = |name: &str, file: &str, role: &str| {
        let name = serde_json::to_string(name).unwrap();
        format!("[[mic]]\nname = {name}\nfile = \"{file}\"\n{role}\npolarity = \"invert\"\n")
    };
    let text = "[tempo]\nbpm = 120\n[[mic]]\nfile = \"kick_in.wav\"\ndrum = \"kick\"\n".to_owned()
        + &mic("upper", moves[0].1, "drum = \"snare\"\nplace = \"top\"")
        + &mic("lower", moves[1].1, "drum = \"snare\"\nplace = \"bottom\"")
        + &mic("rack", "c/TAKE 1_ BÄNG_.wav", "drum = \"tom\"");
    fs::write(dir.join("song.toml"), text).unwrap();
    let before = contents(home.path());
    done(&dir, &["phase", "song.toml", "--write", "copies"]);
    let mut copies = contents(&dir.join("copies"));
    assert!(copies.remove("copies.csv").is_some(), "the record of what was done to each");
    assert_eq!(copies.len(), 3, "{:?}", copies.keys());
    assert!(copies.contains_key("Take 1_ Bäng_.wav"), "{:?}", copies.keys());
    assert!(copies.keys().all(|n| fits_windows(n) && !n.contains('/')), "{:?}", copies.keys());
    let results = ["deep/er/song/copies/", "deep/er/song/underlay/"];
    let elsewhere = contents(home.path()).into_iter().filter(|(n, _)| !results.iter().any(|r| n.starts_with(r)));
    assert_eq!(elsewhere.collect::<Contents>(), before, "something was written elsewhere");
}

#[test]
fn a_pause_between_begin_and_end_is_no_reason_to_sweep_a_living_run() {
    // Two at once into one folder: the second waits for nobody and ends well after the first, or is refused beside it; what is
    // there is whole.
    let dir = tempfile::tempdir().unwrap();
    sheet(dir.path(), 3.0, "");
    let mut both: Vec<_> =
        (0..2).map(|_| underlay(dir.path(), &["rough", "song.toml", "--out", "out"]).spawn().unwrap()).collect();
    std::thread::sleep(Duration::from_millis(1));
    let codes: Vec<_> = both.iter_mut().map(|child| child.wait().unwrap().code()).collect();
    let well = codes.iter().filter(|code| matches!(code, Some(0 | 1))).count();
    let refused = codes.iter().filter(|code| **code == Some(4)).count();
    assert!(well >= 1 && well + refused == 2, "{codes:?}");
    let first = contents(&dir.path().join("out"));
    assert!(first.keys().all(|n| !n.contains("tmp-underlay")), "{:?}", first.keys());
    done(dir.path(), &["rough", "song.toml", "--out", "out"]);
    assert_eq!(contents(&dir.path().join("out")), first);
}

#[test]
fn every_command_leaves_a_folder_of_results_alone_in_which_another_one_is_at_work() {
    use underlay::output::Claim;
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 6.0, LAYER);
    done(dir.path(), &["run", "song.toml", "--out", "out"]);
    fs::create_dir(dir.path().join("client")).unwrap();
    let (out, client, usual) = (dir.path().join("out"), dir.path().join("client"), dir.path().join("underlay"));
    copy(&contents(&out), &usual);
    let before = contents(dir.path());
    let held = Claim::of(&out, &path).unwrap();
    let of_a_list = ["timing", "out/hits.csv", "--bpm", "120"];
    // The folder that results come from is held by a handoff too, wherever its zip goes.
    let results = Claim::of(&usual, &path).unwrap();
    let to_a_client = ["handoff", "song.toml", "--out", "client"];
    let refused = |typed: &[&str]| {
        let ended = underlay(dir.path(), typed).stderr(Stdio::piped()).output().unwrap();
        let said = String::from_utf8_lossy(&ended.stderr);
        assert_eq!(ended.status.code(), Some(4), "{typed:?}: {said}");
        assert!(said.contains("another run is at work on this song's folder of results"), "{typed:?}: {said}");
        assert!(contents(dir.path()) == before, "{typed:?} changed something");
    };
    let writing = COMMANDS.iter().filter(|typed| typed[0] != "prep");
    writing.chain(&[&of_a_list[..], &to_a_client]).for_each(|typed| refused(typed));
    // Nothing is written by these, so nobody is kept out of them.
    done(dir.path(), &["handoff", "song.toml", "--out", "out", "--check"]);
    done(dir.path(), &["print", "song.toml", "--out", "out", "--sets"]);
    drop(results);
    let zips = Claim::of(&client, &path).unwrap();
    refused(&to_a_client);
    drop((held, zips));
    let others = [&of_a_list[..], &to_a_client];
    let all = COMMANDS.iter().chain(&others);
    all.for_each(|typed| done(dir.path(), typed));
    let left: Vec<String> = contents(dir.path()).into_keys().filter(|n| n.contains("tmp-underlay")).collect();
    assert!(left.is_empty(), "{left:?}");
}

#[test]
fn a_second_run_of_a_song_that_is_being_run_is_refused_and_changes_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 8.0, LAYER);
    let out = dir.path().join("underlay");
    let run = || underlay(dir.path(), &["run", path.to_str().unwrap()]);
    let mut first = run().spawn().unwrap();
    // The first has the folder from the moment on in which its first result, or what comes before, is there.
    while !out.is_dir() || fs::read_dir(&out).unwrap().count() == 0 {
        assert!(first.try_wait().unwrap().is_none(), "the first run goes on for seconds");
        std::thread::sleep(Duration::from_millis(2));
    }
    std::thread::sleep(Duration::from_millis(50));
    let second = run().stderr(Stdio::piped()).output().unwrap();
    let said = String::from_utf8_lossy(&second.stderr).into_owned();
    let first_goes_on = first.try_wait().unwrap().is_none();
    first.kill().unwrap();
    first.wait().unwrap();
    assert!(first_goes_on, "the first run was still at work when the second ended");
    assert_eq!(second.status.code(), Some(4), "{said}");
    assert!(said.contains("another run is at work on this song") && said.contains("What to do: Wait"), "{said}");
    // A run that was killed holds nothing.
    let third = crate::run::did(&path, &[]);
    assert!(third.iter().all(|(_, did)| did != "stopped"), "{third:?}");
    let hidden: Vec<_> = fs::read_dir(&out)
        .unwrap()
        .flatten()
        .filter(|e| e.file_name().to_string_lossy().starts_with('.'))
        .map(|e| e.file_name())
        .collect();
    assert!(hidden.is_empty(), "{hidden:?}");
}
