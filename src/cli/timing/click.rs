//! A click from a tempo track alone, before anything is recorded.

use super::super::files::OutFolder;
use super::super::outcome::Outcome;
use super::super::take::Batch;
use super::{Args, click_words, tempo_words};
use crate::error::{Error, Result};
use crate::output::Claim;
use crate::tempo::read_tempo_track;
use crate::timing::{Click, plan_click, write_click};
use crate::units::{SampleRate, Seconds};
use serde::Serialize;
use std::path::{Path, PathBuf};

/// What was done.
#[derive(Serialize)]
struct Told<'a> {
    tempo: String,
    click: &'a Click,
    files: Vec<PathBuf>,
}

/// `underlay timing tempo.mid --click --length SECONDS`.
pub(super) fn execute(args: &Args, held: Option<&Claim>) -> Result<Outcome> {
    let file = &args.input;
    if !file.exists() {
        // It says so.
        read_tempo_track(file, Seconds(0.0))?;
    }
    if !args.clicking.click || args.pulling.pull.is_some() || args.tempo.find_tempo || args.from_list.is_some() {
        return Err(Error::usage(
            format!("{} is a tempo track and holds no hits to check", file.display()),
            "Add --click and --length to print a click from it; name a sheet or a hit list to check a take.",
        ));
    }
    let (tempo, pulling) = (&args.tempo, &args.pulling);
    let given = [
        (tempo.bpm.is_some(), "--bpm"),
        (tempo.tempo.is_some(), "--tempo"),
        (tempo.meter.is_some(), "--meter"),
        (args.grid.is_some(), "--grid"),
        (args.window.is_some(), "--window"),
        (args.worst.is_some(), "--worst"),
        (args.form_from.is_some(), "--form-from"),
        (pulling.cues, "--cues"),
        (args.png, "--png"),
    ];
    if let Some((_, option)) = given.iter().find(|g| g.0) {
        return Err(Error::usage(
            format!("{option} says nothing for a click from {}", file.display()),
            "Leave it out: tempo and meter are the tempo track's, and there are no hits to check.",
        ));
    }
    let Some(length) = args.clicking.length else {
        return Err(Error::usage(
            "it is not said how long the click is to be",
            "Add --length and the song's length in seconds.",
        ));
    };
    let track = read_tempo_track(file, Seconds(0.0))?;
    let map = args.tempo.bar_one.map_or(track.map.clone(), |at| track.map.with_bar_one(at));
    let rate = args.rate.unwrap_or(SampleRate::SESSION);
    let click = plan_click(&map, rate, length, args.clicking.count_in)?;
    let beside = file.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let folder = OutFolder::hold(args.out.as_deref().unwrap_or(beside), file, held)?;
    let path = folder.file("click.wav");
    let inputs = [file.clone()];
    let mut batch = Batch { inputs: &inputs, begun: Vec::new() };
    batch.check(&path)?;
    batch.add(write_click(&path, &click)?);
    let told = Told { tempo: tempo_words(&map), click: &click, files: batch.commit()? };
    let mut findings = track.findings;
    findings.extend(click.findings(&path));
    let text =
        format!("{}\n  {}\nWritten to {}: click.wav\n", told.tempo, click_words(&click), folder.path().display());
    Outcome::new("timing", text, &told, findings)
}
