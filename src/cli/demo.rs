//! `underlay demo DIR`: renders the invented song and finds its strokes.

use super::hits;
use super::outcome::Outcome;
use crate::demo::DemoSong;
use crate::error::{Error, Result};
use crate::progress::Progress;
use clap::{Args as _, FromArgMatches as _};
use std::ffi::OsStr;
use std::path::PathBuf;

const EXAMPLES: &str = "\
Examples:
  underlay demo out       the session in out, the results in out/underlay

Writes about 110 MB: nine mics of an invented song (24 bit, 48 kHz, a little over a minute), the client's rough mix, a
programmed shaker, the tempo map, a song sheet, and truth.csv with every stroke as it was really played; then finds the
strokes as `underlay hits` does. Recordings that are not the demo's own are never replaced.";

/// Render an invented song with every mic of a kit and find its strokes: everything in one command
#[derive(clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// Folder for the session
    #[arg(value_name = "DIR")]
    folder: PathBuf,
}

pub(super) fn execute(args: &Args, progress: &dyn Progress) -> Result<Outcome> {
    let dir = &args.folder;
    DemoSong::story().render_session(dir, progress)?;
    let sheet = dir.join("song.toml");
    let found = hits::execute(&hits_on(sheet.as_os_str())?, progress)?;
    let results = dir.join(hits::OUT);
    let before = format!("\"{}\" is in {}.\n{}\n\n", DemoSong::TITLE, dir.display(), DemoSong::STORY);
    let after = format!(
        "\nLook next:\n  {}   pictures of every drum, doubtful hits first\n  {}   every stroke; edit it in a spreadsheet\n  \
         {}   drag it to the start of the audio\n  {}   the sheet: change a line, run `underlay hits` on it again\n  \
         {}   what was really played, to compare with\nListen at a low level first.\n",
        results.join("report.html").display(),
        results.join("hits.csv").display(),
        results.join("triggers.mid").display(),
        sheet.display(),
        dir.join("truth.csv").display(),
    );
    Ok(found.framed("demo", &before, &after))
}

/// The arguments of `underlay hits SHEET`.
fn hits_on(sheet: &OsStr) -> Result<hits::Args> {
    let command = hits::Args::augment_args(clap::Command::new("hits"));
    command
        .try_get_matches_from([OsStr::new("hits"), sheet])
        .and_then(|typed| hits::Args::from_arg_matches(&typed))
        .map_err(|e| Error::usage(format!("this folder's name cannot be used ({})", e.kind()), "Name another folder."))
}
