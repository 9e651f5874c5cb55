//! Time and memory of every stage, by the size of the song: many mics, a high rate, long takes, many strokes, many songs.
//!
//! `cargo bench --bench scale [-- CASE...]`, cases: short mics rate hour mics128 list songs hour28 day day28 zip64. Without a
//! case all but the last four, which need 12 to 30 GB under `target/`. Figures are in docs/performance.md.

#![allow(clippy::unwrap_used, reason = "a benchmark that cannot go on has failed")]

#[allow(dead_code, reason = "each benchmark uses its part")]
mod load;

use load::{Load, timed, timed_to, underlay};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use underlay::audio::SampleFormat;

const SMALL: [&str; 7] = ["short", "mics", "rate", "hour", "mics128", "list", "songs"];

fn main() {
    if !std::env::args().any(|a| a == "--bench") {
        return;
    }
    let asked: Vec<String> = std::env::args().skip(1).filter(|a| !a.starts_with('-')).collect();
    let asked = if asked.is_empty() { SMALL.map(String::from).to_vec() } else { asked };
    for case in asked {
        let dir = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("scale_{case}"));
        println!("\n{case}");
        match case.as_str() {
            "short" => stages(&dir, Load::new(9, 60)),
            "mics" => stages(&dir, Load::new(28, 240)),
            "rate" => stages(&dir, Load { rate: 96_000, ..Load::new(9, 240) }),
            "hour" => stages(&dir, Load { format: SampleFormat::Int16, ..Load::new(4, 3_600) }),
            "mics128" => stages(&dir, Load::new(128, 60)),
            "list" => fifty_thousand(&dir),
            "songs" => songs(&dir),
            "hour28" => stages(&dir, Load { format: SampleFormat::Int16, ..Load::new(28, 3_600) }),
            // The rough mix's passing file grows by 8 bytes a frame and bus: no layer, so that it fits.
            "day" => stages(&dir, Load { format: SampleFormat::Int16, layer: false, ..Load::new(2, 8 * 3_600) }),
            "day28" => {
                let load = Load { format: SampleFormat::Int16, distinct: 4, ..Load::new(28, 8 * 3_600) };
                let sheet = load.make(&dir);
                println!("28 mics of 8 h at 48000 Hz, 16 bit, four of them distinct");
                timed("hits", &mut underlay(&["hits", &sheet.to_string_lossy()]));
                println!("  {} strokes", strokes(&dir));
            }
            "zip64" => {
                // A stereo file of 4.4 GB: RF64 in, RF64 and ZIP64 out.
                let load = Load { overhead_channels: 2, ..Load::new(3, 4 * 3_600 + 900) };
                zip64(&dir, load);
            }
            other => println!("there is no case {other}"),
        }
        let _ = fs::remove_dir_all(&dir);
    }
}

/// Every stage by itself, in order.
fn stages(dir: &Path, load: Load) {
    let sheet = load.make(dir);
    println!("{} mics of {} s at {} Hz", load.mics, load.seconds, load.rate);
    let sheet = sheet.to_string_lossy();
    for stage in ["hits", "timing", "phase", "print", "rough"] {
        if stage != "print" || load.layer {
            timed(stage, &mut underlay(&[stage, &sheet]));
        }
    }
    // 16-bit takes stay at 16 bit here, so that the long cases fit the disk.
    let bits = if load.format == SampleFormat::Int16 { "16" } else { "24" };
    let mixes = ["rough_mix.wav", "rough_mix_without_layers.wav"];
    let written = mixes.iter().filter_map(|m| fs::metadata(dir.join("underlay").join(m)).ok()).map(|m| m.len());
    println!("  rough mixes of {:.2} GB", written.sum::<u64>() as f64 / 1e9);
    // The delivery takes a rough mix along; a long one would need the room twice.
    if load.seconds > 7_200 {
        mixes.iter().for_each(|m| drop(fs::remove_file(dir.join("underlay").join(m))));
    }
    timed("handoff", &mut underlay(&["handoff", &sheet, "--bits", bits]));
    let zip = zip_in(dir);
    println!("  {} strokes; the zip has {:.2} GB", strokes(dir), fs::metadata(&zip).unwrap().len() as f64 / 1e9);
    timed("handoff --verify", &mut underlay(&["handoff", "--verify", &zip.to_string_lossy()]));
    timed("unzip -t", Command::new("unzip").arg("-tq").arg(&zip));
}

fn zip_in(dir: &Path) -> PathBuf {
    dir.join("underlay/LowTide_Handoff_R01.zip")
}

fn strokes(dir: &Path) -> usize {
    fs::read_to_string(dir.join("underlay/hits.csv")).unwrap().lines().count() - 1
}

/// A list of 50,000 strokes under an hour of two mics: everything that works from a list.
fn fifty_thousand(dir: &Path) {
    let sheet = Load { format: SampleFormat::Int16, ..Load::new(2, 3_600) }.make(dir);
    let list = dir.join("list.csv");
    let rows = (0..50_000).map(|i| {
        let drum = ["kick", "snare"][i % 2];
        format!("{drum},{:.6},{}\r\n", 0.0001 + i as f64 * 0.0719, 20 + i % 100)
    });
    fs::write(&list, String::from("drum,time_s,velocity\r\n") + &rows.collect::<String>()).unwrap();
    let (sheet, list) = (sheet.to_string_lossy(), list.to_string_lossy());
    println!("50,000 strokes in an hour of two mics");
    timed("hits --from-list", &mut underlay(&["hits", &sheet, "--from-list", &list]));
    timed("timing --pull", &mut underlay(&["timing", &sheet, "--pull", "60"]));
    timed("phase", &mut underlay(&["phase", &sheet]));
    timed("print", &mut underlay(&["print", &sheet]));
}

/// 200 songs in one go, three of which cannot be read.
fn songs(dir: &Path) {
    for i in 0..200 {
        let folder = dir.join(format!("song {i:03}"));
        let sheet = Load::new(2, 10).make(&folder);
        let text = fs::read_to_string(&sheet).unwrap();
        fs::write(&sheet, text.split("\n[[layer]]").next().unwrap()).unwrap();
        if i % 70 == 30 {
            fs::write(folder.join("mic001.wav"), b"no recording").unwrap();
        }
    }
    let dir_text = dir.to_string_lossy();
    println!("200 songs of 10 s, three of them damaged");
    timed_to("run FOLDER", &mut underlay(&["run", &dir_text]), 3);
    timed_to("run FOLDER again", &mut underlay(&["run", &dir_text]), 3);
    let done = (0..200).filter(|i| zip_in(&dir.join(format!("song {i:03}"))).is_file()).count();
    println!("  {done} deliveries");
}

fn zip64(dir: &Path, load: Load) {
    let sheet = load.make(dir);
    let text = fs::read_to_string(&sheet).unwrap();
    fs::write(&sheet, text.split("\n[[layer]]").next().unwrap()).unwrap();
    let big = dir.join("mic003.wav");
    println!(
        "{} mics of {} s, the largest of {:.2} GB",
        load.mics,
        load.seconds,
        fs::metadata(&big).unwrap().len() as f64 / 1e9
    );
    timed("handoff", &mut underlay(&["handoff", &sheet.to_string_lossy()]));
    let zip = zip_in(dir);
    println!("  the zip has {:.2} GB", fs::metadata(&zip).unwrap().len() as f64 / 1e9);
    timed("handoff --verify", &mut underlay(&["handoff", "--verify", &zip.to_string_lossy()]));
    timed("unzip -t", Command::new("unzip").arg("-tq").arg(&zip));
    let check = "import sys, zipfile; z = zipfile.ZipFile(sys.argv[1]); assert z.testzip() is None; print(max(i.file_size for i in z.infolist()))";
    timed("python zipfile", Command::new("python3").args(["-c", check]).arg(&zip));
}
