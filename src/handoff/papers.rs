//! The documents that the handoff writes itself: track sheet, notes.
//!
//! In: the manifest's rows. Out: text. Nothing is measured here.

use super::manifest::{AudioEntry, FileEntry, Manifest};
use super::revision::Changes;
use crate::error::{Error, Result};
use crate::finding::{Finding, Weight};
use crate::song::Song;
use crate::units::{SamplePos, SampleRate};
use std::fmt::Write as _;

/// Columns of the track sheet.
const COLUMNS: [&str; 15] = [
    "file",
    "what",
    "name",
    "note",
    "source",
    "polarity",
    "treatment",
    "channels",
    "rate_hz",
    "bits",
    "samples",
    "length",
    "peak_dbfs",
    "loudness_lufs",
    "sha256",
];

fn rows(m: &Manifest) -> impl Iterator<Item = (&FileEntry, &AudioEntry)> {
    m.files.iter().filter_map(|f| f.audio.as_ref().map(|a| (f, a)))
}

fn length(frames: u64, rate_hz: u32) -> String {
    SampleRate::new(rate_hz).map_or_else(String::new, |r| SamplePos(frames).at(r).to_string())
}

fn treatment(a: &AudioEntry) -> String {
    if a.treatment.is_empty() { "copied bit for bit".into() } else { a.treatment.join("; ") }
}

fn cells(m: &Manifest, f: &FileEntry, a: &AudioEntry) -> [String; 15] {
    [
        f.path.clone(),
        a.role.clone(),
        a.name.clone(),
        a.note.clone(),
        a.source.clone(),
        a.polarity.clone(),
        treatment(a),
        a.channels.to_string(),
        m.rate_hz.to_string(),
        m.bits.to_string(),
        a.frames.to_string(),
        length(a.frames, m.rate_hz),
        format!("{:.1}", a.peak_dbfs),
        a.loudness_lufs.map_or_else(String::new, |l| format!("{l:.1}")),
        f.sha256.clone(),
    ]
}

/// The track sheet as CSV (RFC 4180).
///
/// # Errors
/// None in practice: a table of strings.
pub(super) fn sheet_csv(m: &Manifest) -> Result<Vec<u8>> {
    let fail = |e: String| Error::usage(format!("the track sheet cannot be written ({e})"), "Report this.");
    let mut w = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    w.write_record(COLUMNS).map_err(|e| fail(e.to_string()))?;
    for (f, a) in rows(m) {
        w.write_record(cells(m, f, a)).map_err(|e| fail(e.to_string()))?;
    }
    w.into_inner().map_err(|e| fail(e.to_string()))
}

/// The track sheet as a page to read and print.
pub(super) fn sheet_html(song: &Song, m: &Manifest) -> String {
    let e = escape;
    let mut h = String::new();
    let title = format!("{}: track sheet, revision {}", m.song, m.revision);
    let _ = write!(
        h,
        "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><title>{}</title>\n<style>\n{STYLE}</style></head><body>\n<h1>{}</h1>\n",
        e(&title),
        e(&m.song)
    );
    let _ =
        writeln!(h, "<p class=\"facts\">{}</p>", facts(song, m).iter().map(|f| e(f)).collect::<Vec<_>>().join(" · "));
    h.push_str("<table>\n<thead><tr><th>File</th><th>What</th><th>Source</th><th>Polarity</th><th>What was done</th><th class=\"n\">Peak<br>dBFS</th><th class=\"n\">Loudness<br>LUFS</th></tr></thead>\n<tbody>\n");
    let mut folder = String::new();
    for (f, a) in rows(m) {
        let (dir, name) = f.path.rsplit_once('/').unwrap_or(("", &f.path));
        if dir != folder {
            folder = dir.to_owned();
            let _ = writeln!(h, "<tr class=\"folder\"><th colspan=\"7\">{}</th></tr>", e(dir));
        }
        let loudness = a.loudness_lufs.map_or_else(|| "–".to_owned(), minus);
        let _ = writeln!(
            h,
            "<tr><td><b>{}</b>{}</td><td>{}{}</td><td>{}</td><td>{}</td><td>{}</td><td class=\"n\">{}</td><td class=\"n\">{loudness}</td></tr>",
            breakable(&e(name)),
            if a.channels == 2 { " (stereo)" } else { "" },
            e(&a.role),
            if a.note.is_empty() { String::new() } else { format!("<br><span class=\"q\">{}</span>", e(&a.note)) },
            breakable(&e(&a.source)),
            e(&a.polarity),
            e(&treatment(a)).replace("bit for bit", "bit\u{a0}for\u{a0}bit"),
            minus(a.peak_dbfs),
        );
    }
    h.push_str("</tbody></table>\n<h2>Checksums (SHA-256)</h2>\n<pre>\n");
    for f in &m.files {
        let _ = writeln!(h, "{}  {}", f.sha256, e(&f.path));
    }
    h.push_str("</pre>\n</body></html>\n");
    h
}

const STYLE: &str =
    "body{font:14px/1.45 system-ui,sans-serif;color:#222;background:#fff;margin:2em auto;max-width:82em;padding:0 1em}
h1{margin:0;font-size:1.5em}h2{font-size:1em;margin-top:2em}
.facts{color:#444;margin:.3em 0 1.2em}
table{border-collapse:collapse;width:100%}
th,td{text-align:left;vertical-align:top;padding:.3em .6em;border-bottom:1px solid #ddd}
thead th{border-bottom:2px solid #222}.folder th{background:#eef4f8;padding-top:.7em}
.n{text-align:right;font-variant-numeric:tabular-nums;white-space:nowrap}
td b{font-weight:600}.q{color:#555}
pre{font-size:11px;overflow-x:auto}
@media print{body{margin:0;max-width:none;font-size:11px}tr{break-inside:avoid}}
";

/// A level with a true minus sign.
fn minus(x: f64) -> String {
    format!("{x:.1}").replace('-', "−")
}

/// A file name that may be broken behind its underscores, and nowhere else.
fn breakable(name: &str) -> String {
    name.replace('_', "_<wbr>")
}

/// Text for HTML.
fn escape(text: &str) -> String {
    text.chars().fold(String::with_capacity(text.len()), |mut out, c| {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c => out.push(c),
        }
        out
    })
}

/// The delivery in a few short statements.
fn facts(song: &Song, m: &Manifest) -> Vec<String> {
    let mut out = vec![format!("revision {}", m.revision)];
    if !m.drummer.is_empty() {
        out.push(format!("drums: {}", m.drummer));
    }
    if let Some(rate) = SampleRate::new(m.rate_hz) {
        out.push(format!("{rate}, {} bit", m.bits));
    }
    out.push(format!("every file {} ({} samples) from zero", length(m.frames, m.rate_hz), m.frames));
    if let Some(tempo) = &song.tempo {
        let first = tempo.tempos().first().map_or(0.0, |t| 60e6 / f64::from(t.us_per_quarter));
        let shown = (first * 1000.0).round() / 1000.0;
        let more = if tempo.tempos().len() > 1 { " with changes, see the tempo map" } else { "" };
        out.push(format!("{shown} BPM{more}, bar 1 at {}", tempo.bar_one()));
    }
    out
}

/// The notes: what is in the delivery, what to know, what the drummer wrote.
pub(super) fn notes(song: &Song, m: &Manifest, findings: &[Finding], changes: Option<&Changes>) -> String {
    let mut t = format!("{}\n{}\n\n", m.song, "=".repeat(m.song.chars().count().max(1)));
    for f in facts(song, m) {
        let _ = writeln!(t, "{f}");
    }
    t.push('\n');
    if !song.handoff.notes.trim().is_empty() {
        let _ = writeln!(t, "{}\n", song.handoff.notes.trim());
    }
    t.push_str(
        "How to use it\n- Put every file at the start of your session: all begin at zero and are equally long.\n",
    );
    t.push_str("- Raw tracks: no processing but what the track sheet says.\n");
    t.push_str("- MIDI and tempo map start at the same zero as the audio.\n\n");
    if !song.form.is_empty() {
        t.push_str("Form\n");
        for s in &song.form {
            let last = s.end_bar - 1;
            if last > s.first_bar {
                let _ = writeln!(t, "- {}: bars {} to {last}", s.name, s.first_bar);
            } else {
                let _ = writeln!(t, "- {}: bar {last}", s.name);
            }
        }
        t.push('\n');
    }
    let serious: Vec<&Finding> = findings.iter().filter(|f| f.weight >= Weight::Caution).collect();
    if !serious.is_empty() {
        t.push_str("To know\n");
        for f in serious {
            let file = f.file.as_ref().and_then(|p| p.file_name()).map(|n| format!("{}: ", n.to_string_lossy()));
            let _ = writeln!(t, "- {}{}", file.unwrap_or_default(), f.what);
        }
        t.push('\n');
    }
    if let Some(c) = changes {
        let _ = writeln!(t, "{}", c.to_text());
    }
    t.push_str("Files\n");
    for (f, a) in rows(m) {
        let note = if a.note.is_empty() { String::new() } else { format!(", {}", a.note) };
        let _ = writeln!(t, "- {}: {}{note} ({})", f.path, a.role, treatment(a));
    }
    t
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_from_the_sheet_cannot_become_markup() {
        assert_eq!(escape("<b>\"&'"), "&lt;b&gt;&quot;&amp;&#39;");
        assert_eq!(minus(-12.34), "−12.3");
    }
}
