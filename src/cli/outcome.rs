//! What a command did, as data, and how it is shown: a summary for people, one JSON document for scripts.

use crate::error::{Error, ExitCode, Result};
use crate::finding::{Finding, Weight, grouped, of_files};
use serde::Serialize;
use serde_json::{Value, json};
use std::io::{self, Write};
use std::path::PathBuf;

/// The end of a command that went through.
pub(super) struct Outcome {
    command: &'static str,
    /// Summary, whole lines.
    text: String,
    /// JSON, as text: a tree of values takes a kilobyte and a half a hit, and most runs do not ask for it.
    data: String,
    /// What came of it, in one to three short lines; none where the command has not said.
    short: Vec<String>,
    findings: Vec<Finding>,
    /// Those of them that tell of this occasion alone.
    passing: Vec<Finding>,
    /// Results that it wrote, or found as they are to be.
    files: Vec<PathBuf>,
    /// Why a part was not done, where one was not.
    failed: Option<ExitCode>,
}

impl Outcome {
    /// From a summary, the values that it was made of, and what was noticed.
    ///
    /// # Errors
    /// When a value cannot be told in JSON: a file name that is no text.
    pub fn new(command: &'static str, text: String, data: &impl Serialize, findings: Vec<Finding>) -> Result<Self> {
        let data = text_of(data).map_err(|e| {
            Error::usage(
                format!("the results cannot be told in JSON ({e})"),
                "Give the files names of letters and digits.",
            )
        })?;
        let (short, passing, files) = (Vec::new(), Vec::new(), Vec::new());
        Ok(Self { command, text, data, short, findings, passing, files, failed: None })
    }

    /// The same outcome told by another command, with words before and after the summary.
    pub fn framed(self, command: &'static str, before: &str, after: &str) -> Self {
        Self { command, text: format!("{before}{}{after}", self.text), ..self }
    }

    /// The same outcome with the results that it wrote, or found as they are to be.
    pub fn wrote(self, files: Vec<PathBuf>) -> Self {
        Self { files, ..self }
    }

    /// The same outcome with what came of it in one to three short lines, for the page of `run`.
    pub fn in_short(self, short: Vec<String>) -> Self {
        Self { short, ..self }
    }

    /// The same outcome with those of its findings that tell of this occasion alone.
    pub fn passing(self, passing: Vec<Finding>) -> Self {
        Self { passing, ..self }
    }

    /// The same outcome with the code of a part that could not be done.
    pub fn failed(self, failed: Option<ExitCode>) -> Self {
        Self { failed, ..self }
    }

    /// The summary.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// The values that the summary was made of.
    pub fn data(&self) -> Value {
        // It was made by the same library, so it can be read.
        serde_json::from_str(&self.data).unwrap_or_default()
    }

    /// What came of it, in short lines.
    pub fn short(&self) -> &[String] {
        &self.short
    }

    /// What was noticed.
    pub fn findings(&self) -> &[Finding] {
        &self.findings
    }

    /// What was noticed, without what tells of this occasion alone.
    pub fn lasting(&self) -> impl Iterator<Item = &Finding> {
        self.findings.iter().filter(|f| !self.passing.contains(f))
    }

    /// Results that it wrote, or found as they are to be.
    pub fn files(&self) -> &[PathBuf] {
        &self.files
    }

    /// 1 where something is to be looked at; the code of what could not be done before that.
    pub fn exit_code(&self) -> ExitCode {
        if let Some(code) = self.failed {
            return code;
        }
        if self.findings.iter().any(|f| f.weight >= Weight::Caution) { ExitCode::Findings } else { ExitCode::Done }
    }

    pub fn write_text(&self, out: &mut dyn Write) -> io::Result<()> {
        out.write_all(self.text.as_bytes())?;
        let serious = self.findings.iter().filter(|f| f.weight >= Weight::Caution);
        let notes = self.findings.iter().filter(|f| f.weight < Weight::Caution);
        for (title, findings) in [("To look at:", serious.collect::<Vec<_>>()), ("Noted:", notes.collect())] {
            if !findings.is_empty() {
                writeln!(out, "\n{title}")?;
            }
            for (f, files) in grouped(findings) {
                let file = of_files(&files, |p| p.display().to_string());
                let file = if file.is_empty() { file } else { format!("{file}: ") };
                let word = if f.weight == Weight::Error { "error: " } else { "" };
                writeln!(out, "- {word}{file}{}", f.what)?;
                if !f.remedy.is_empty() {
                    writeln!(out, "  What to do: {}", f.remedy)?;
                }
            }
        }
        Ok(())
    }

    pub fn write_json(&self, out: &mut dyn Write) -> io::Result<()> {
        let document = json!({
            "command": self.command,
            "version": env!("CARGO_PKG_VERSION"),
            "exit_code": self.exit_code() as u8,
            "findings": self.findings,
            "result": self.data(),
        });
        serde_json::to_writer_pretty(&mut *out, &document)?;
        writeln!(out)
    }
}

/// JSON in a string of just its length: one that grows takes up to three times the room on its way, which a list of
/// 40,000 hits would notice.
fn text_of(data: &impl Serialize) -> serde_json::Result<String> {
    let mut length = Length(0);
    serde_json::to_writer(&mut length, data)?;
    let mut bytes = Vec::with_capacity(length.0);
    serde_json::to_writer(&mut bytes, data)?;
    // The library writes UTF-8.
    Ok(String::from_utf8(bytes).unwrap_or_default())
}

/// Counts what is written.
struct Length(usize);

impl Write for Length {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0 += bytes.len();
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// An error as one JSON document.
pub(super) fn write_json_error(e: &Error, out: &mut dyn Write) -> io::Result<()> {
    let document = json!({
        "version": env!("CARGO_PKG_VERSION"),
        "exit_code": e.exit_code() as u8,
        "error": { "what": e.to_string(), "remedy": e.remedy() },
    });
    serde_json::to_writer_pretty(&mut *out, &document)?;
    writeln!(out)
}
