//! What the command says of itself: help, completions, manual.

use underlay::ExitCode;
use underlay::cli::{Screen, run};

/// What is printed on the words typed, which ask for nothing that can go wrong.
fn said(typed: &[&str]) -> String {
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let mut screen = Screen { out: &mut out, err: &mut err, bars: false };
    let words = std::iter::once("underlay").chain(typed.iter().copied()).map(std::ffi::OsString::from);
    assert_eq!(run(words, &mut screen), ExitCode::Done, "{}", String::from_utf8_lossy(&err));
    String::from_utf8(out).unwrap()
}

#[test]
fn help_names_unit_range_and_default_of_every_number() {
    let help = said(&["hits", "--help"]);
    for part in [
        "dB, 0 to 40",
        "dBFS, -120 to 0",
        "ms, 1 to 500",
        "20 to 400",
        "-3600 to 86400",
        "[default: 1/16]",
        "Examples:",
    ] {
        assert!(help.contains(part), "{part:?} is not in\n{help}");
    }
    let top = said(&["--help"]);
    for command in ["prep", "hits"] {
        assert!(top.contains(command), "{top}");
    }
}

#[test]
fn every_command_and_option_explains_itself() {
    for command in underlay::cli::definition().get_subcommands().filter(|c| !c.is_hide_set()) {
        let name = command.get_name();
        assert!(command.get_about().is_some(), "{name} has no description");
        let examples = command.get_after_help().map(ToString::to_string).unwrap_or_default();
        assert!(examples.contains(&format!("underlay {name} ")), "{name} has no example");
        for option in command.get_arguments() {
            let help = option.get_help().map(ToString::to_string).unwrap_or_default();
            assert!(help.len() > 5, "{name} {} has no help", option.get_id());
        }
    }
}

#[test]
fn completions_and_manual_know_every_command() {
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        let out = said(&["completions", shell]);
        assert!(out.contains("prep") && out.contains("from-list"), "{shell}");
    }
    let man = said(&["man"]);
    assert!(man.contains(".TH underlay") && man.contains("COMMAND HITS") && man.contains("min\\-gap"), "{man}");
}
