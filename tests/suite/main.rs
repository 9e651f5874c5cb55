//! Statements of fact about drums and files, over the public library and the built command.
//! One binary, one module a subject, so that linking stays quick.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on has failed")]

/// Leaves a copy of a file where `.ci/run` looks for it.
fn keep_for_the_gate(folder: &str, file: &std::path::Path) {
    let folder = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join(folder);
    std::fs::create_dir_all(&folder).unwrap();
    std::fs::copy(file, folder.join(file.file_name().unwrap())).unwrap();
}

mod audio;
mod command;
mod delivered;
mod demo;
mod faults;
mod handoff;
mod help;
mod hitlist;
mod hits;
mod hostile;
mod inputs;
mod layer;
mod loudness;
mod midi;
mod misplaced;
mod mix;
mod open;
mod phase;
mod prep;
mod received;
mod report;
mod rerun;
mod revisions;
mod run;
mod sessions;
mod sheet;
mod small_song;
mod takes;
mod tempo;
mod timing;
