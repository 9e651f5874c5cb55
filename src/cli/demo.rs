//! `underlay demo DIR`: renders the invented song and does the whole job on it.

use super::outcome::Outcome;
use super::{hits, run};
use crate::demo::DemoSong;
use crate::error::Result;
use crate::progress::Progress;
use std::path::PathBuf;

const EXAMPLES: &str = "\
Examples:
  underlay demo out  the session in out, the results in out/underlay

Writes about 110 MB, and as much again in results: nine mics of an invented song (24 bit, 48 kHz, a little over a \
minute), the client's rough mix, a programmed shaker, the tempo map, a song sheet, and truth.csv with every stroke \
as it was really played; then does everything as `underlay run` does: strokes, timing, phase, a layer, the rough \
mix, the delivery. Recordings that are not the demo's own are never replaced.";

/// Render an invented song with every mic of a kit and do the whole job on it: everything in one command
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
    let found = run::whole(&sheet, progress)?;
    let results = dir.join(hits::OUT);
    let before = format!("\"{}\" is in {}.\n{}\n\n", DemoSong::TITLE, dir.display(), DemoSong::STORY);
    let after = format!(
        "\nLook next:\n  {}   one page with everything\n  {}   pictures of every drum, doubtful hits first\n  {}   every stroke; edit it in a spreadsheet\n  \
         {}   drag it to the start of the audio\n  {}   the sheet: change a line, run `underlay run` on it again\n  \
         {}   what was really played, to compare with\nListen at a low level first.\n",
        results.join(run::PAGE).display(),
        results.join("report.html").display(),
        results.join("hits.csv").display(),
        results.join("triggers.mid").display(),
        sheet.display(),
        dir.join("truth.csv").display(),
    );
    Ok(found.framed("demo", &before, &after))
}
