//! The load of a handoff: 40 mics of 4 minutes at 48 kHz, 24 bit (1.4 GB), packed by the built command, against what the
//! system's own tools take to copy and zip the same bytes. One run, one machine; every step from a warm page cache.
//!
//! `cargo bench --bench handoff [-- FILES MINUTES]`. Needs `cp`, `zip`, `unzip` and three times the space under `target/`.
//! Figures are in docs/performance.md.

#![allow(clippy::unwrap_used, reason = "a benchmark that cannot go on has failed")]

#[allow(dead_code, reason = "each benchmark uses its part")]
mod load;

use load::{Load, timed, underlay, warm};
use std::fs;
use std::path::Path;
use std::process::Command;

fn main() {
    // `cargo test --all-targets` starts this too, without the option.
    if !std::env::args().any(|a| a == "--bench") {
        return;
    }
    let numbers: Vec<usize> = std::env::args().skip(1).filter_map(|a| a.parse().ok()).collect();
    let (files, minutes) = (numbers.first().copied().unwrap_or(40), numbers.get(1).copied().unwrap_or(4));
    let dir = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("load_{files}x{minutes}"));
    let takes = dir.join("takes");
    let sheet = Load::new(files, 60 * minutes).make(&takes);
    // The layer would have to be printed first; this is about packing.
    let plain = takes.join("plain.toml");
    let text = fs::read_to_string(sheet).unwrap();
    fs::write(&plain, text.split("\n[[layer]]").next().unwrap()).unwrap();
    println!("{files} files of {minutes} min, {:.2} GB", warm(&takes) as f64 / 1e9);

    let (copy, zip) = (dir.join("copy"), dir.join("system.zip"));
    let _ = fs::remove_dir_all(&copy);
    let cp = timed("cp -r", Command::new("cp").arg("-r").arg(&takes).arg(&copy));
    let mut by_zip = Vec::new();
    for level in ["-0", "-1", "-6"] {
        let _ = fs::remove_file(&zip);
        let mut command = Command::new("zip");
        command.args(["-q", "-r", level]).arg(&zip).arg("copy").current_dir(&dir);
        by_zip.push((level, timed(&format!("zip {level}"), &mut command), size(&zip)));
    }
    let _ = (fs::remove_file(&zip), fs::remove_dir_all(&copy));

    let out = dir.join("out");
    let _ = fs::remove_dir_all(&out);
    let (plain, out_text) = (plain.to_string_lossy(), out.to_string_lossy());
    let ours = timed("underlay handoff", &mut underlay(&["handoff", &plain, "--out", &out_text]));
    let zip = out.join("LowTide_Handoff_R01.zip");
    timed("underlay handoff --verify", &mut underlay(&["handoff", "--verify", &zip.to_string_lossy()]));
    timed("unzip -t", Command::new("unzip").arg("-tq").arg(&zip));
    println!("the delivery has {:.2} GB", size(&zip));
    for (level, t, gb) in by_zip {
        let ratio = ours.as_secs_f64() / (cp + t).as_secs_f64();
        println!("handoff takes {ratio:.2} times as long as cp and zip {level} ({gb:.2} GB)");
    }
    let _ = fs::remove_dir_all(&out);
}

fn size(file: &Path) -> f64 {
    fs::metadata(file).unwrap().len() as f64 / 1e9
}
