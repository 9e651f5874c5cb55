//! Files that were damaged, cut, or made to do harm. Valid files of every kind that is read are changed at random (bits
//! flipped, bytes cut out, lengths made to lie, pieces of other files put in) and read again: no panic, no hang, and no
//! memory beyond a bound set by the size of the file.
//!
//! The harness runs in a process of its own, whose memory is limited and watched after every file. It takes a second a
//! kind of file in the gate; `UNDERLAY_FUZZ_SECONDS=600 cargo test --release --test suite hostile` goes on for longer
//! (docs/reliability.md tells what was run). A file that breaks something is kept under `target/tmp/hostile`, and belongs
//! into `fixtures/hostile` once the fault is mended: those are read first, every time.

use std::fs;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};
use underlay::Quiet;
use underlay::audio::AudioReader;
use underlay::hits::HitList;
use underlay::song::Song;
use underlay::tempo::parse_tempo_track;
use underlay::units::{SampleRate, Seconds};

/// One file may take so long; damaged ones are small.
const LONGEST: Duration = Duration::from_secs(5);
/// Address space that one file may add: buffers of a fixed size, and a share of the file's own size.
const FIXED_KIB: u64 = 48 << 10;
const TIMES_SIZE: u64 = 64;

/// A kind of file: what it is called, valid files, and what is done with a file.
struct Kind {
    name: &'static str,
    seeds: Vec<Vec<u8>>,
    read: fn(&Path, &[u8]),
}

fn project(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn files(folder: &str, endings: &[&str]) -> Vec<Vec<u8>> {
    let mut paths: Vec<PathBuf> = fs::read_dir(project(folder)).unwrap().map(|e| e.unwrap().path()).collect();
    paths.retain(|p| p.extension().is_some_and(|e| endings.iter().any(|w| e == *w)));
    paths.sort();
    assert!(!paths.is_empty(), "no {endings:?} in {folder}");
    paths.iter().map(|p| fs::read(p).unwrap()).collect()
}

fn audio(path: &Path, bytes: &[u8]) {
    fs::write(path, bytes).unwrap();
    let Ok(mut reader) = AudioReader::open(path) else { return };
    let info = reader.info().clone();
    let (mut block, mut ints, mut frames) = (Vec::new(), Vec::new(), 0u64);
    // A header may claim hours; what is really there is read to its end.
    while let Ok(n @ 1..) = reader.read(&mut block, 1 << 14) {
        frames += n as u64;
        assert!(block.len() == n * usize::from(info.channels) && block.iter().all(|x| x.is_finite()));
    }
    assert!(frames <= info.frames, "{frames} of {} frames", info.frames);
    let _ = reader.seek(info.frames / 2);
    let _ = reader.read_ints(&mut ints, 100);
}

fn smf(path: &Path, bytes: &[u8]) {
    let Ok(track) = parse_tempo_track(path, bytes, Seconds(0.0)) else { return };
    let map = track.map;
    for s in [-1e3, 0.0, 1.0, 1e5] {
        let tick = map.tick_at(Seconds(s));
        assert!(tick.is_finite() && map.bar_beat(tick).beat >= 1);
    }
    for m in map.markers() {
        assert!(map.bar_beat(m.tick as f64).bar >= -1_000_000);
    }
    let _ = map.bar_start(9_999);
    let _ = underlay::midi::tempo_map("x", &map, Some(Seconds(300.0)));
}

fn sheet(path: &Path, bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    match Song::parse(&text, path) {
        Ok(song) => {
            let _ = (song.findings(), song.frames(), song.drums());
        }
        Err(e) => assert!(!e.remedy().is_empty() && matches!(e.exit_code() as u8, 2 | 3), "{e}"),
    }
}

fn list(path: &Path, bytes: &[u8]) {
    let rate = SampleRate::SESSION;
    match HitList::parse(path, bytes, rate, Some(48_000 * 600)) {
        Ok(read) => {
            let text = read.list.to_csv();
            let again = HitList::parse(path, text.as_bytes(), rate, Some(48_000 * 600)).unwrap();
            assert_eq!(again.list.hits.len(), read.list.hits.len(), "what is written reads back");
        }
        Err(e) => assert!(!e.remedy().is_empty() && e.exit_code() as u8 == 3, "{e}"),
    }
}

fn zip(path: &Path, bytes: &[u8]) {
    fs::write(path, bytes).unwrap();
    match underlay::handoff::verify(path, &Quiet) {
        Ok(v) if v.wrong.is_empty() => {
            // Nothing that matters was touched: the same files with the same contents.
            assert!(v.bytes < 10_000_000);
        }
        Ok(v) => assert!(v.fault().is_some()),
        Err(e) => assert!(!e.remedy().is_empty() && e.exit_code() as u8 == 3, "{e}"),
    }
}

fn kinds(dir: &Path) -> Vec<Kind> {
    for name in ["kick_in.wav", "kick.wav", "snare_top.wav"] {
        fs::copy(project("fixtures/audio/mono_16bit.wav"), dir.join(name)).unwrap();
    }
    fs::copy(project("fixtures/midi/standard_format_1.mid"), dir.join("tempo.mid")).unwrap();
    let page = fs::read_to_string(project("docs/song-sheet.md")).unwrap();
    let example = page.split("```toml\n").nth(1).and_then(|t| t.split("```").next()).unwrap().replace("takes/", "");
    let short = "[tempo]\nfile = \"tempo.mid\"\ngrid = \"1/16 swing 60\"\n[[mic]]\nfile = \"kick.wav\"\ndrum = \"kick\"\npan = -0.5\n\
                 [handoff]\nbits = 24\nfolders = [\"a\", \"b\", \"c\", \"d\", \"e\"]\n[rough]\nloudness = -16\n";
    let hits = "drum,time_s,sample,bar,beat,tick,offset_ms,velocity,peak_dbfs,certainty,kind,state\r\n\
                kick,0.5,24000,1,2.0,0,0.0,100,-6.0,0.99,hit,found\r\nsnare,1.0,48000,1,3.0,0,-1.5,90,-9.0,0.90,flam,added\r\n";
    let mut lists = files("fixtures/csv", &["csv"]);
    lists.push(hits.as_bytes().to_vec());
    let mut midi = files("fixtures/midi", &["mid"]);
    midi.extend(files("reference_data/midi_times", &["mid"]));
    vec![
        Kind { name: "wav", seeds: files("fixtures/audio", &["wav"]), read: audio },
        Kind { name: "aiff", seeds: files("fixtures/audio", &["aiff", "aifc"]), read: audio },
        Kind { name: "flac", seeds: files("fixtures/audio", &["flac"]), read: audio },
        Kind { name: "mp3", seeds: files("fixtures/audio", &["mp3"]), read: audio },
        Kind { name: "smf", seeds: midi, read: smf },
        Kind { name: "sheet", seeds: vec![example.into_bytes(), short.as_bytes().to_vec()], read: sheet },
        Kind { name: "list", seeds: lists, read: list },
        Kind { name: "zip", seeds: vec![delivery(dir)], read: zip },
    ]
}

/// A real delivery, as small as one can be.
fn delivery(dir: &Path) -> Vec<u8> {
    let dir = dir.join("delivery");
    fs::create_dir_all(&dir).unwrap();
    let mut song = crate::small_song::song(&dir, 0.6);
    song.mics.truncate(1);
    song.tracks.clear();
    let request = underlay::handoff::Request {
        song: &song,
        layers: &[],
        hits: None,
        documents: &[],
        findings: &[],
        last: None,
        out: &dir.join("out"),
    };
    let made = underlay::handoff::make(&request, &Quiet).unwrap();
    fs::read(made.delivered.unwrap().zip).unwrap()
}

struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let x = self.0 ^ (self.0 >> 33);
        x.wrapping_mul(0xff51_afd7_ed55_8ccd) >> 11
    }

    /// 0..n; 0 for n = 0.
    fn below(&mut self, n: usize) -> usize {
        if n == 0 { 0 } else { (self.next() % n as u64) as usize }
    }

    /// A place in a file, near its head more often than not: that is where lengths and kinds stand.
    fn place(&mut self, n: usize) -> usize {
        if self.below(3) == 0 { self.below(n) } else { self.below(n.min(120)) }
    }
}

/// Values that lengths like to lie with.
const LIES: [u32; 12] =
    [0, 1, 2, 3, 0x7f, 0xff, 0xffff, 0x7fff_ffff, 0x8000_0000, 0xffff_fff0, 0xffff_fffe, 0xffff_ffff];

/// A valid file, changed one to six times.
fn changed(seeds: &[Vec<u8>], dice: &mut Dice) -> Vec<u8> {
    let mut x = seeds[dice.below(seeds.len())].clone();
    for _ in 0..=dice.below(6) {
        let n = x.len();
        match dice.below(10) {
            0 | 1 => {
                let (at, bit) = (dice.place(n), dice.below(8));
                x.get_mut(at).into_iter().for_each(|b| *b ^= 1 << bit);
            }
            2 => {
                let (at, byte) = (dice.place(n), dice.next() as u8);
                x.get_mut(at).into_iter().for_each(|b| *b = byte);
            }
            3 => x.truncate(dice.below(n + 1)),
            4 | 5 => {
                let lie = LIES[dice.below(LIES.len())];
                let lie = if dice.below(2) == 0 { lie.to_le_bytes() } else { lie.to_be_bytes() };
                let (at, width) = (dice.place(n), [1, 2, 4, 4][dice.below(4)]);
                x.iter_mut().skip(at).zip(lie.iter().take(width)).for_each(|(b, l)| *b = *l);
            }
            6 => {
                let other = &seeds[dice.below(seeds.len())];
                let (from, at) = (dice.below(other.len()), dice.place(n));
                let part = other[from..(from + dice.below(400)).min(other.len())].to_vec();
                let drop = if dice.below(2) == 0 { part.len() } else { 0 };
                x.splice(at.min(n)..(at + drop).min(n), part);
            }
            7 => {
                let at = dice.place(n).min(n);
                x.drain(at..(at + dice.below(64)).min(n));
            }
            8 => {
                // The same piece many times over: nested and repeated chunks, fields and events.
                let at = dice.place(n).min(n);
                let part = x[at..(at + dice.below(48)).min(n)].to_vec();
                let times = dice.below(40);
                x.splice(at..at, part.repeat(times));
            }
            _ => {
                // Numbers in text: longer, signed, with an exponent.
                let digits: Vec<usize> = (0..n).filter(|&i| x[i].is_ascii_digit()).take(4_000).collect();
                if let Some(&at) = digits.get(dice.below(digits.len())) {
                    let with = ["-1", "1e308", "99999999999999999999", "0.0000001", "NaN", "", "-", "\"", ",", "\n"];
                    let with = with[dice.below(with.len())].as_bytes().to_vec();
                    x.splice(at..=at, with);
                }
            }
        }
    }
    x
}

/// Address space in use and its highest so far, KiB.
fn memory() -> (u64, u64) {
    let text = fs::read_to_string("/proc/self/status").unwrap_or_default();
    let field = |name: &str| -> u64 {
        let line = text.lines().find(|l| l.starts_with(name));
        line.and_then(|l| l.split_whitespace().nth(1)?.parse().ok()).unwrap_or(0)
    };
    (field("VmSize:"), field("VmPeak:"))
}

const INSIDE: &str = "UNDERLAY_FUZZ_INSIDE";

/// The harness itself; does nothing unless it was started by the test below.
#[test]
fn the_harness() {
    let Ok(seconds) = std::env::var(INSIDE) else { return };
    let seconds: f64 = seconds.parse().unwrap();
    let seed: u64 = std::env::var("UNDERLAY_FUZZ_SEED").ok().and_then(|s| s.parse().ok()).unwrap_or(1);
    let only = std::env::var("UNDERLAY_FUZZ_KIND").ok();
    let dir = tempfile::tempdir().unwrap();
    let kept = Path::new(env!("CARGO_TARGET_TMPDIR")).join("hostile");
    fs::create_dir_all(&kept).unwrap();
    for kind in kinds(dir.path()).iter().filter(|k| only.as_ref().is_none_or(|o| o == k.name)) {
        let path = dir.path().join(format!("hostile.{}", kind.name));
        let known: Vec<Vec<u8>> = fs::read_dir(project("fixtures/hostile"))
            .into_iter()
            .flatten()
            .flatten()
            .filter(|e| e.file_name().to_string_lossy().starts_with(&format!("{}_", kind.name)))
            .map(|e| fs::read(e.path()).unwrap())
            .collect();
        // Whatever is made once and kept (threads, tables) is made before memory is watched.
        kind.seeds.iter().for_each(|s| (kind.read)(&path, s));
        let (start, mut count, mut dice) = (Instant::now(), 0u64, Dice(seed));
        let mut waiting = known.into_iter();
        while count < 20 || start.elapsed().as_secs_f64() < seconds {
            let x = waiting.next().unwrap_or_else(|| changed(&kind.seeds, &mut dice));
            let before = memory();
            let began = Instant::now();
            let ended = std::panic::catch_unwind(|| (kind.read)(&path, &x));
            let took = began.elapsed();
            let added = memory().1.saturating_sub(before.1.max(before.0));
            let most = FIXED_KIB + TIMES_SIZE * (x.len() as u64).div_ceil(1024);
            let why = match ended {
                Err(_) => "a panic".to_owned(),
                Ok(()) if took > LONGEST => format!("{took:?}"),
                Ok(()) if added > most => format!("{added} KiB of memory for {} bytes", x.len()),
                Ok(()) => {
                    count += 1;
                    continue;
                }
            };
            let file = kept.join(format!("{}_{seed}_{count}", kind.name));
            fs::write(&file, &x).unwrap();
            panic!("{}: {why}; the file is {}", kind.name, file.display());
        }
        println!("{}: {count} files", kind.name);
    }
}

#[cfg(target_os = "linux")]
#[test]
fn no_damaged_file_makes_a_reader_panic_hang_or_take_memory_without_bound() {
    let seconds = std::env::var("UNDERLAY_FUZZ_SECONDS").ok().and_then(|s| s.parse().ok()).unwrap_or(1.0);
    let before = memory().0;
    assert!(before > 0, "memory can be watched here");
    // An address space of 2 GiB: whatever asks for more dies, and the test with it.
    let mut child = std::process::Command::new("sh")
        .args(["-c", "ulimit -v 2097152; exec \"$0\" \"$@\""])
        .arg(std::env::current_exe().unwrap())
        .args(["hostile::the_harness", "--exact", "--nocapture", "--test-threads", "1"])
        .env(INSIDE, format!("{seconds}"))
        .env("RAYON_NUM_THREADS", "2")
        .spawn()
        .unwrap();
    let start = Instant::now();
    let status = loop {
        if let Some(status) = child.try_wait().unwrap() {
            break status;
        }
        if start.elapsed().as_secs_f64() > 60.0 + 16.0 * seconds {
            child.kill().unwrap();
            panic!("a reader hangs; the file is the newest in the harness's folder under the system's temporary files");
        }
        std::thread::sleep(Duration::from_millis(20));
    };
    assert!(status.success(), "{status}: see above, and target/tmp/hostile for the file");
}
