//! The load of a handoff: 40 mics of 4 minutes at 48 kHz, 24 bit (1.4 GB), packed by the built command, against what the
//! system's own tools take to copy and zip the same bytes. One run, one machine; every step from a warm page cache.
//!
//! `cargo bench --bench handoff [-- FILES MINUTES]`. Needs `cp`, `zip` and three times the space under `target/`. Figures
//! are in docs/performance.md.

#![allow(clippy::unwrap_used, reason = "a benchmark that cannot go on has failed")]

use rayon::prelude::*;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};
use underlay::audio::{SampleFormat, WavExtras, WavSpec, WavWriter};
use underlay::units::SampleRate;

const RATE: usize = 48_000;

fn main() {
    // `cargo test --all-targets` and `cargo bench` pass options that are not for us.
    let numbers: Vec<usize> = std::env::args().skip(1).filter_map(|a| a.parse().ok()).collect();
    if !std::env::args().any(|a| a == "--bench") {
        return;
    }
    let (files, minutes) = (numbers.first().copied().unwrap_or(40), numbers.get(1).copied().unwrap_or(4));
    let dir = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("load_{files}x{minutes}"));
    let takes = dir.join("takes");
    let sheet = session(&takes, files, minutes);
    let bytes: u64 = fs::read_dir(&takes).unwrap().map(|e| e.unwrap().metadata().unwrap().len()).sum();
    println!("{files} files of {minutes} min, {:.2} GB", bytes as f64 / 1e9);
    each_file(&takes); // into the page cache

    let copy = dir.join("copy");
    let _ = fs::remove_dir_all(&copy);
    let cp = timed("cp -r", Command::new("cp").arg("-r").arg(&takes).arg(&copy));
    let mut by_zip = Vec::new();
    for level in ["-0", "-1", "-6"] {
        let zip = dir.join("system.zip");
        let _ = fs::remove_file(&zip);
        let t = timed(
            &format!("zip {level}"),
            Command::new("zip").args(["-q", "-r", level]).arg(&zip).arg("copy").current_dir(&dir),
        );
        println!("    {:.2} GB", fs::metadata(&zip).unwrap().len() as f64 / 1e9);
        by_zip.push((level, t));
        let _ = fs::remove_file(&zip);
    }
    let _ = fs::remove_dir_all(&copy);

    let out = dir.join("out");
    let _ = fs::remove_dir_all(&out);
    let underlay = |typed: &[&str]| {
        let mut c = Command::new(env!("CARGO_BIN_EXE_underlay"));
        c.args(typed).arg("--quiet");
        c
    };
    let (sheet, out_text) = (sheet.to_string_lossy(), out.to_string_lossy());
    let ours = timed("underlay handoff", &mut underlay(&["handoff", &sheet, "--out", &out_text]));
    let zip = out.join("LowTide_Handoff_R01.zip");
    println!("    {:.2} GB", fs::metadata(&zip).unwrap().len() as f64 / 1e9);
    timed("underlay handoff --verify", &mut underlay(&["handoff", "--verify", &zip.to_string_lossy()]));
    timed("unzip -t", Command::new("unzip").arg("-tq").arg(&zip));
    for (level, t) in by_zip {
        let ratio = ours.as_secs_f64() / (cp + t).as_secs_f64();
        println!("handoff takes {ratio:.2} times as long as cp and zip {level}");
    }
    let _ = fs::remove_dir_all(&out);
}

/// A session on the disk and its sheet; made once and used again.
fn session(takes: &Path, files: usize, minutes: usize) -> PathBuf {
    let sheet = takes.with_file_name("song.toml");
    let mut text = String::from("[song]\ntitle = \"Low Tide\"\n\n[tempo]\nbpm = 104\n");
    let names: Vec<PathBuf> = (0..files).map(|i| takes.join(format!("mic{:02}.wav", i + 1))).collect();
    for (i, path) in names.iter().enumerate() {
        let role = match i {
            0 => "drum = \"kick\"\nplace = \"in\"",
            1 => "drum = \"snare\"\nplace = \"top\"",
            _ => "drum = \"percussion\"",
        };
        let file = path.strip_prefix(takes.parent().unwrap()).unwrap().display();
        text += &format!("\n[[mic]]\nname = \"mic{:02}\"\nfile = \"{file}\"\n{role}\npolarity = \"keep\"\n", i + 1);
    }
    if fs::read_to_string(&sheet).is_ok_and(|old| old == text) {
        return sheet;
    }
    fs::create_dir_all(takes).unwrap();
    names.par_iter().enumerate().for_each(|(i, path)| record(path, minutes * 60 * RATE, i as u32 + 1));
    fs::write(&sheet, text).unwrap();
    sheet
}

/// Strokes over a noise floor at about -60 dBFS, as a quiet room and a preamp give, so that zip finds what it would find.
fn record(path: &Path, frames: usize, seed: u32) {
    let spec = WavSpec { rate: SampleRate::SESSION, channels: 1, format: SampleFormat::Int24 };
    let extras = WavExtras { frames: Some(frames as u64), ..WavExtras::default() };
    let mut w = WavWriter::create_with(path, spec, extras).unwrap();
    let mut state = seed.wrapping_mul(747_796_405).wrapping_add(1);
    let stroke: Vec<f32> = (0..RATE / 2)
        .map(|i| {
            let t = i as f32 / RATE as f32;
            0.6 * (-t * 18.0).exp() * (std::f32::consts::TAU * (60.0 + 11.0 * seed as f32) * t).sin()
        })
        .collect();
    let mut block = vec![0f32; stroke.len()];
    let mut left = frames;
    while left > 0 {
        let n = left.min(block.len());
        for (y, x) in block.iter_mut().zip(&stroke) {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            *y = x + 0.001 * ((state >> 8) as f32 / 8_388_608.0 - 1.0);
        }
        w.write(&block[..n]).unwrap();
        left -= n;
    }
    w.finish().unwrap();
}

fn each_file(folder: &Path) {
    for e in fs::read_dir(folder).unwrap() {
        std::io::copy(&mut fs::File::open(e.unwrap().path()).unwrap(), &mut std::io::sink()).unwrap();
    }
}

/// Runs a command, prints its time and, where the system tells, its highest memory.
fn timed(what: &str, command: &mut Command) -> Duration {
    let start = Instant::now();
    let mut child = command.stdout(Stdio::null()).spawn().unwrap();
    let mut most = 0;
    let status = loop {
        most = most.max(high_water(child.id()));
        if let Some(status) = child.try_wait().unwrap() {
            break status;
        }
        std::thread::sleep(Duration::from_millis(5));
    };
    let took = start.elapsed();
    assert!(status.code().is_some_and(|c| c <= 1), "{what}: {status}");
    println!("{what:<28} {:7.2} s   {:6.1} MiB", took.as_secs_f64(), most as f64 / 1024.0);
    took
}

/// VmHWM of a process, KiB; 0 where it cannot be read.
fn high_water(pid: u32) -> u64 {
    let text = fs::read_to_string(format!("/proc/{pid}/status")).unwrap_or_default();
    let line = text.lines().find(|l| l.starts_with("VmHWM:"));
    line.and_then(|l| l.split_whitespace().nth(1)?.parse().ok()).unwrap_or(0)
}
