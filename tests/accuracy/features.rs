//! Writes what the finder knows of every candidate stroke in sessions with known strokes, for training and study.
//!
//! `cargo run --release --example features -- SESSIONS PREFIX` reads every folder of SESSIONS that holds `truth.csv`
//! (see `sessions.py`) and writes `PREFIX_MICS_DRUM.bin`: rows of f32, kind (0 not a stroke, 1 hit, 2 ghost, 3 flam,
//! 4 roll), timing error in frames, session, frame, the main mic's features, and the kit's verdict (four numbers). The file
//! `width` beside them holds how many numbers the last two are.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use underlay::Quiet;
use underlay::audio::AudioReader;
use underlay::hits::bands::{Bands, Framing};
use underlay::hits::judge::FEATURES;
use underlay::hits::own_mics;
use underlay::hits::rest::Rest;
use underlay::hits::survey::Survey;
use underlay::hits::take::{Stretch, Watcher};
use underlay::song::{Drum, Mic, Place};

type Anyhow<T> = Result<T, Box<dyn std::error::Error>>;

const MICS: [(&str, Drum, Place); 9] = [
    ("kick_in", Drum::Kick, Place::In),
    ("snare_top", Drum::Snare, Place::Top),
    ("snare_bottom", Drum::Snare, Place::Bottom),
    ("hat", Drum::Hat, Place::Close),
    ("tom_high", Drum::Tom, Place::Close),
    ("tom_floor", Drum::Tom, Place::Close),
    ("overhead_l", Drum::Overhead, Place::Left),
    ("overhead_r", Drum::Overhead, Place::Right),
    ("room", Drum::Room, Place::Mono),
];

/// Sets of mics that a session is listened to with: all, kick with snare and overheads, kick and snare, one alone.
const SETS: [(&str, &[usize]); 5] =
    [("9", &[0, 1, 2, 3, 4, 5, 6, 7, 8]), ("4", &[0, 1, 6, 7]), ("2", &[0, 1]), ("k", &[0]), ("s", &[1])];

/// Numbers of the kit's verdict that are written.
const VERDICT: usize = 4;

/// A known stroke: drum, frame, kind.
struct Known {
    drum: String,
    frame: f64,
    kind: f32,
}

fn mic(dir: &Path, (name, drum, place): (&str, Drum, Place)) -> Anyhow<Mic> {
    let info = AudioReader::open(&dir.join(format!("{name}.wav")))?.info().clone();
    Ok(Mic::new(name, info, drum, place))
}

fn truth(dir: &Path, framing: Framing) -> Anyhow<Vec<Known>> {
    let mut out = Vec::new();
    for line in fs::read_to_string(dir.join("truth.csv"))?.lines().skip(1) {
        let f: Vec<&str> = line.split(',').collect();
        let [drum, time, _, kind] = f[..] else { return Err("a row of truth.csv has not four fields".into()) };
        let frame = time.parse::<f64>()? * framing.rate.hz_f64() / framing.hop as f64;
        let kind = ["hit", "ghost", "flam", "roll"].iter().position(|k| *k == kind).map_or(1.0, |k| k as f32 + 1.0);
        out.push(Known { drum: drum.into(), frame, kind });
    }
    Ok(out)
}

/// For every candidate the known stroke that is its own, one to one, the nearest and highest first, within 8 ms.
fn assign(survey: &Survey, known: &[&Known]) -> Vec<Option<usize>> {
    let mut pairs = Vec::new();
    for (i, k) in known.iter().enumerate() {
        for (j, &c) in survey.candidates.iter().enumerate() {
            let far = (c as f64 - k.frame).abs();
            if far <= 6.0 {
                pairs.push((far - 0.3 * f64::from(survey.heights[j]), i, j));
            }
        }
    }
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (mut used, mut out) = (vec![false; known.len()], vec![None; survey.candidates.len()]);
    for (_, i, j) in pairs {
        if !used[i] && out[j].is_none() {
            used[i] = true;
            out[j] = Some(i);
        }
    }
    out
}

fn main() -> Anyhow<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [sessions, prefix] = &arguments[..] else { return Err("features SESSIONS PREFIX".into()) };
    let mut dirs: Vec<PathBuf> = fs::read_dir(sessions)?.filter_map(|e| Some(e.ok()?.path())).collect();
    dirs.retain(|d| d.join("truth.csv").exists());
    dirs.sort();
    let mut files: BTreeMap<String, BufWriter<File>> = BTreeMap::new();
    for (session, dir) in dirs.iter().enumerate() {
        let all = MICS.into_iter().map(|m| mic(dir, m)).collect::<Anyhow<Vec<Mic>>>()?;
        let (samples, framing) = (all[0].info.frames, Framing::new(all[0].info.rate));
        let mut watchers: Vec<Watcher> = all.iter().map(|m| Watcher::new(m, None)).collect();
        let whole = Stretch::read(&all, 0..samples, samples, framing, &mut watchers, &Quiet)?;
        let known = truth(dir, framing)?;
        for (set, members) in SETS {
            let mics: Vec<Mic> = members.iter().map(|&i| all[i].clone()).collect();
            let bands: Vec<Bands> = members.iter().map(|&i| whole.bands[i].clone()).collect();
            let stretch =
                Stretch { range: 0..samples, start: 0, end: samples, rest: vec![Rest::default(); bands.len()], bands };
            for drum in Drum::FOUND {
                let own = own_mics(&mics, drum);
                if own.is_empty() {
                    continue;
                }
                let survey = Survey::new(&mics, &stretch, &own);
                let strokes: Vec<&Known> = known.iter().filter(|k| k.drum == drum.word()).collect();
                let owner = assign(&survey, &strokes);
                let path = format!("{prefix}_{set}_{drum}.bin");
                let file = match files.entry(path.clone()) {
                    std::collections::btree_map::Entry::Occupied(e) => e.into_mut(),
                    std::collections::btree_map::Entry::Vacant(e) => e.insert(BufWriter::new(File::create(&path)?)),
                };
                let Some(witness) = survey.witness(&survey.sure_at_sight(), true) else { continue };
                for (i, (owner, &frame)) in owner.iter().zip(&survey.candidates).enumerate() {
                    let (alone, kit) = witness.features(i);
                    let kind = owner.map_or(0.0, |i| strokes[i].kind);
                    let error = owner.map_or(0.0, |i| (frame as f64 - strokes[i].frame) as f32);
                    let head = [kind, error, session as f32, frame as f32];
                    let tail: [f32; VERDICT] = [kit.height, kit.plain, kit.above, kit.clear];
                    for v in head.iter().chain(&alone).chain(&tail) {
                        file.write_all(&v.to_le_bytes())?;
                    }
                }
            }
        }
        eprint!("\r{} of {}", session + 1, dirs.len());
    }
    eprintln!();
    fs::write(Path::new(prefix).with_file_name("width"), format!("{FEATURES} {VERDICT}\n"))?;
    Ok(())
}
