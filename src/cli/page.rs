//! The one page at the end of `run`: what was done, what came of it, what to look at, what to send.
//!
//! In: the steps of a run, and what came of each as its command says it in short. Out: a few lines for the terminal, and a
//! page to read or print. Nothing is computed here.

use super::hits::HITS;
use super::outcome::Outcome;
use super::run::{Did, Step, Told};
use crate::finding::{Finding, Weight, file_name, grouped, of_files};
use crate::mix::{DRUMS_ONLY, MIX, WITHOUT_LAYERS};
use crate::run::Stage;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// Lines that a stage's text gives where nothing better is known.
const MOST_LINES: usize = 3;

/// What came of a stage, in one to three short lines.
pub(super) fn lines(outcome: &Outcome) -> Vec<String> {
    if !outcome.short().is_empty() {
        return outcome.short().to_vec();
    }
    let rest = outcome
        .text()
        .lines()
        .map(str::trim)
        .filter(|l| !l.is_empty() && !l.starts_with("Written") && !l.starts_with("Next:"));
    rest.skip(1).take(MOST_LINES).map(str::to_owned).collect()
}

/// Results of a stage that people open, the first first. `made` are the files that it is known to have written.
pub(super) fn to_open(stage: Stage, made: Vec<PathBuf>) -> Vec<PathBuf> {
    let named = |names: &[&str]| names.iter().map(PathBuf::from).collect();
    let of_kind = |ending: &str| made.iter().filter(|p| p.extension().is_some_and(|e| e == ending)).cloned().collect();
    match stage {
        Stage::Hits => named(&["report.html", HITS, "triggers.mid"]),
        Stage::Timing => named(&["timing.html"]),
        Stage::Phase => named(&["pictures/phase_matrix.svg", "phase.csv"]),
        Stage::Print => of_kind("wav"),
        Stage::Rough => named(&[MIX, DRUMS_ONLY, WITHOUT_LAYERS, "rough_mix.csv"]),
        Stage::Handoff => of_kind("zip"),
    }
}

/// The page for the terminal; findings are listed behind it by whoever shows it.
pub(super) fn text(told: &Told) -> String {
    let mut t = format!("{}\n", told.title);
    for s in &told.steps {
        let mut first = true;
        for line in if s.lines.is_empty() { vec![String::new()] } else { s.lines.clone() } {
            let (name, did) = if first { (s.stage.word(), s.did.word()) } else { ("", "") };
            let _ = writeln!(t, "  {name:<8} {did:<10} {line}");
            first = false;
        }
    }
    let _ = writeln!(t, "The page: {}", told.page.display());
    t
}

fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

const STYLE: &str =
    "body{font:16px/1.5 system-ui,sans-serif;color:#222;background:#fff;margin:2em auto;max-width:46em;padding:0 1em}
h1{font-size:1.6em;margin:0}h2{font-size:1.05em;margin:1.6em 0 .4em}
.verdict{font-size:1.1em;margin:.3em 0 1em}
table{border-collapse:collapse;width:100%}td{vertical-align:top;padding:.35em .7em .35em 0;border-bottom:1px solid #ddd}
td.s{font-weight:600;width:5em}a{color:#005a8c}.o{font-size:.9em}td.d{width:6em;color:#555}.stopped td{background:#fbeee6}
li{margin:.5em 0}.do{color:#444}.n{color:#555}
@media print{body{margin:0;font-size:12px}}
";

/// A link to a file of the folder, which works wherever the folder is moved to.
fn link(file: &Path) -> String {
    let text = file.to_string_lossy();
    let text = if cfg!(windows) { text.replace('\\', "/") } else { text.into_owned() };
    // RFC 3986: everything but unreserved characters and the slash is written as %XX.
    let mut target = String::new();
    for b in text.bytes() {
        match b {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' | b'/' => target.push(char::from(b)),
            b => {
                let _ = write!(target, "%{b:02X}");
            }
        }
    }
    let name = file.file_name().map_or_else(|| text.clone(), |n| n.to_string_lossy().into_owned());
    format!("<a href=\"{target}\">{}</a>", escape(&name))
}

/// The page as HTML: one file, nothing to load.
pub(super) fn html(told: &Told) -> String {
    let e = escape;
    let mut h = format!(
        "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><title>{0}</title>\n<style>\n{STYLE}</style></head><body>\n<h1>{0}</h1>\n",
        e(&told.title)
    );
    let _ = writeln!(h, "<p class=\"verdict\">{}</p>", e(&verdict(told)));
    h.push_str("<table>\n");
    for s in &told.steps {
        let mut lines: Vec<String> = s.lines.iter().map(|l| e(l)).collect();
        let links: Vec<String> = s.files.iter().map(|f| link(f)).collect();
        if !links.is_empty() {
            lines.push(format!("<span class=\"o\">{}</span>", links.join(" · ")));
        }
        let lines = lines.join("<br>");
        let class = if s.did == Did::Failed { " class=\"stopped\"" } else { "" };
        let _ = writeln!(
            h,
            "<tr{class}><td class=\"s\">{}</td><td class=\"d\">{}</td><td>{lines}</td></tr>",
            s.stage.word(),
            s.did.word()
        );
    }
    h.push_str("</table>\n");
    for (title, wanted) in [("To look at", true), ("Noted", false)] {
        let some: Vec<&Finding> = told.findings.iter().filter(|f| (f.weight >= Weight::Caution) == wanted).collect();
        if some.is_empty() {
            continue;
        }
        let _ = writeln!(h, "<h2>{title}</h2>\n<ul{}>", if wanted { "" } else { " class=\"n\"" });
        for (f, files) in grouped(some) {
            let file =
                Some(of_files(&files, file_name)).filter(|t| !t.is_empty()).map(|t| format!("<b>{}</b>: ", e(&t)));
            let remedy = if f.remedy.is_empty() {
                String::new()
            } else {
                format!("<br><span class=\"do\">{}</span>", e(&f.remedy))
            };
            let _ = writeln!(h, "<li>{}{}{remedy}</li>", file.unwrap_or_default(), e(&f.what));
        }
        h.push_str("</ul>\n");
    }
    h.push_str("</body></html>\n");
    h
}

/// How it stands, in one sentence.
fn verdict(told: &Told) -> String {
    let stopped: Option<&Step> = told.steps.iter().find(|s| s.did == Did::Failed);
    let ready = told.steps.iter().any(|s| s.stage == Stage::Handoff && matches!(s.did, Did::Done | Did::Unchanged));
    let serious = told.serious().count();
    let look = match serious {
        0 => "nothing stands in the way".to_owned(),
        1 => "one thing to look at first".to_owned(),
        n => format!("{n} things to look at first"),
    };
    match (ready, stopped) {
        (true, _) => format!("Ready to send; {look}."),
        (false, Some(s)) => format!("Stopped at {}: put right what is said there and run again.", s.stage.word()),
        (false, None) => format!("Done as far as asked; {look}."),
    }
}
