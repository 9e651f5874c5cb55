//! The command line: one thin file a command.
//!
//! In: what was typed. Out: an exit code, a summary (or one JSON document) on the standard output, progress and errors
//! on the standard error. Each command turns what was typed into a plan, checked before any work; rooms do the work.

mod about;
mod bars;
mod batch;
mod demo;
mod files;
mod handoff;
mod hits;
mod options;
mod outcome;
mod page;
mod phase;
mod prep;
mod print;
mod results;
mod rough;
mod run;
mod take;
mod timing;

use crate::error::{Error, ExitCode};
use crate::output::Claim;
use crate::progress::{Progress, Quiet};
use clap::{CommandFactory, Parser, Subcommand};
use outcome::Outcome;
use std::ffi::OsString;
use std::io::{self, Write};

/// Where a run writes, and whether anybody watches.
pub struct Screen<'a> {
    /// Results.
    pub out: &'a mut dyn Write,
    /// Progress and errors.
    pub err: &'a mut dyn Write,
    /// Draw progress bars on the process's standard error (a terminal is there).
    pub bars: bool,
}

const EXAMPLES: &str = "\
Examples:
  underlay demo out                             an invented song with everything, to try things on
  underlay prep \"Slow Harbour/audio\"          write a song sheet for a folder of recordings
  underlay hits song.toml                       find kick and snare strokes: list, MIDI, pictures
  underlay hits kick.wav --drum kick --bpm 104  the same for one file
  underlay timing song.toml                     where the take sits on the grid; triggers pulled to it
  underlay phase song.toml                      polarity and arrival of every mic
  underlay print song.toml                      sample layers under the real drums
  underlay rough song.toml                      make a rough mix for approval
  underlay handoff song.toml                    check everything and pack one verified zip
  underlay run song.toml                        all of it, only what has changed, and one page

Exit codes: 0 done, 1 done with findings to look at, 2 wrong use, 3 an input cannot be used, 4 could not write.
Recordings are only ever read.";

/// Finds kick and snare strokes in multi-mic drum takes and makes a session's deliverables from them.
#[derive(Parser)]
#[command(name = "underlay", version, after_help = EXAMPLES, max_term_width = 100, subcommand_required = true, arg_required_else_help = true)]
struct Args {
    /// Print one JSON document instead of a summary
    #[arg(long, global = true)]
    json: bool,
    /// Print nothing but errors; the exit code tells the rest
    #[arg(long, short, global = true, conflicts_with = "json")]
    quiet: bool,
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    Demo(demo::Args),
    Prep(prep::Args),
    Hits(Box<hits::Args>),
    Phase(Box<phase::Args>),
    Print(Box<print::Args>),
    Timing(Box<timing::Args>),
    Rough(rough::Args),
    Handoff(handoff::Args),
    Run(run::Args),
    /// Print shell completions
    #[command(hide = true)]
    Completions(about::Completions),
    /// Print the manual page
    #[command(hide = true)]
    Man,
}

/// The command's definition, from which help, completions and the manual page are made.
#[must_use]
pub fn definition() -> clap::Command {
    Args::command()
}

/// Runs what was typed (the program's name first) and says how it ended. A closed pipe is not an error.
pub fn run<I, T>(typed: I, screen: &mut Screen<'_>) -> ExitCode
where
    I: IntoIterator<Item = T>,
    T: Into<OsString> + Clone,
{
    let typed: Vec<OsString> = typed.into_iter().map(Into::into).collect();
    if let Some(name) = typed.iter().find(|name| name.to_str().is_none()) {
        // Neither a sheet nor a result could tell of it; better now than when the work is done.
        let e = Error::usage(
            format!("\"{}\" is not a name that other systems can read (it is not Unicode)", name.display()),
            "Give that file or folder a new name, then start again.",
        );
        say_error(&e, screen);
        return e.exit_code();
    }
    let json = typed.iter().any(|word| word == "--json");
    let args = match Args::try_parse_from(typed) {
        Ok(args) => args,
        Err(e) => return typed_wrongly(&e, json, screen),
    };
    let ended = match &args.command {
        Command::Completions(shell) => return written(about::completions(shell, screen.out), screen),
        Command::Man => return written(about::man(screen.out), screen),
        command => {
            let bars;
            let progress: &dyn Progress = if screen.bars && !args.quiet {
                bars = bars::Bars::default();
                &bars
            } else {
                &Quiet
            };
            execute(command, None, progress)
        }
    };
    match ended {
        Ok(outcome) => {
            let code = outcome.exit_code();
            let shown = match (args.quiet, args.json) {
                (true, _) => Ok(()),
                (_, true) => outcome.write_json(screen.out),
                _ => outcome.write_text(screen.out),
            };
            match written(shown, screen) {
                ExitCode::Done => code,
                failed => failed,
            }
        }
        Err(e) => {
            if args.json {
                // The message below says the same; a pipe that is closed here changes nothing.
                let _ = outcome::write_json_error(&e, screen.out);
            }
            say_error(&e, screen);
            e.exit_code()
        }
    }
}

/// `held`: the hold on the folder of results that a run has, where the command is a stage of it.
fn execute(command: &Command, held: Option<&Claim>, progress: &dyn Progress) -> crate::Result<Outcome> {
    match command {
        Command::Demo(args) => demo::execute(args, progress),
        Command::Prep(args) => prep::execute(args, progress),
        Command::Hits(args) => hits::execute(args, held, progress),
        Command::Phase(args) => phase::execute(args, held, progress),
        Command::Print(args) => print::execute(args, held, progress),
        Command::Timing(args) => timing::execute(args, held, progress),
        Command::Rough(args) => rough::execute(args, held, progress),
        Command::Handoff(args) => handoff::execute(args, held, progress),
        Command::Run(args) => run::execute(args, progress),
        Command::Completions(_) | Command::Man => Err(Error::usage("this prints text", "Call it without --json.")),
    }
}

/// `underlay: FILE, PLACE: what is wrong.` and what to do, on the standard error.
fn say_error(e: &Error, screen: &mut Screen<'_>) {
    let text = e.to_string();
    let stop = if text.ends_with(['.', '!', '?']) { "" } else { "." };
    // Where even the error stream is closed nobody can be told.
    let _ = writeln!(screen.err, "underlay: {text}{stop}\n  What to do: {}", e.remedy());
}

/// Says what the parser says: help and version as they are, errors in our words, and to scripts as JSON too.
fn typed_wrongly(e: &clap::Error, json: bool, screen: &mut Screen<'_>) -> ExitCode {
    let text = e.render().to_string();
    let text = text.strip_prefix("error: ").map_or(text.clone(), |rest| format!("underlay: {}", in_our_words(rest)));
    if e.use_stderr() {
        if json {
            let said = text.strip_prefix("underlay: ").unwrap_or(&text);
            let (what, remedy) = said.split_once("\n\n").unwrap_or((said, ""));
            let in_one_line = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
            // As below.
            let _ = outcome::write_json_error(&Error::usage(in_one_line(what), in_one_line(remedy)), screen.out);
        }
        let _ = write!(screen.err, "{text}");
        ExitCode::Usage
    } else {
        written(write!(screen.out, "{text}"), screen)
    }
}

/// The parser's message in words that need no knowledge of command lines.
fn in_our_words(said: &str) -> String {
    let mut text = said.to_owned();
    for (theirs, ours) in [
        ("unrecognized subcommand ", "there is no command "),
        ("a similar subcommand exists: ", "did you mean "),
        ("some similar subcommands exist: ", "did you mean one of "),
        ("a similar argument exists: ", "did you mean "),
        ("some similar arguments exist: ", "did you mean one of "),
        ("the following required arguments were not provided:", "this is missing:"),
        ("invalid value ", "this value does not fit: "),
    ] {
        text = text.replace(theirs, ours);
    }
    if let Some((what, rest)) = text.strip_prefix("unexpected argument ").and_then(|t| t.split_once(" found")) {
        text = format!("{what} is not understood here{rest}");
    }
    text
}

/// Exit code of writing to the standard output: a reader that has gone away is fine, a full disk is not.
fn written(result: io::Result<()>, screen: &mut Screen<'_>) -> ExitCode {
    match result.and_then(|()| screen.out.flush()) {
        Ok(()) => ExitCode::Done,
        Err(e) if e.kind() == io::ErrorKind::BrokenPipe => ExitCode::Done,
        Err(e) => {
            let _ = writeln!(
                screen.err,
                "underlay: the standard output cannot be written ({e}).\n  What to do: Check where it is sent to."
            );
            ExitCode::Output
        }
    }
}
