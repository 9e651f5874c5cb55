//! `underlay prep FOLDER`: writes a song sheet.

use super::files::OutFolder;
use super::outcome::Outcome;
use crate::audio::{AudioReader, Levels};
use crate::error::{Error, Result};
use crate::finding::Finding;
use crate::progress::Progress;
use crate::song::{Draft, Drum, HandoffPlan, Role, Section, Song, Sureness, may_write};
use serde::Serialize;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

const EXAMPLES: &str = "\
Examples:
  underlay prep takes                  writes takes/song.toml
  underlay prep takes --out song.toml  writes the sheet here; it names the files in takes/

A sheet that is there already is never replaced. For recordings that it lacks, the lines to paste into it are printed.";

/// Write a song sheet for a folder of recordings: guesses drum and place of every file from its name, or from its
/// sound where the name says nothing, and takes up a tempo MIDI file that lies there
#[derive(clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// Folder that holds the recordings (links are followed)
    folder: PathBuf,
    /// Sheet to write [default: song.toml in the folder]
    #[arg(long, value_name = "SHEET")]
    out: Option<PathBuf>,
}

/// What prep did.
#[derive(Serialize)]
struct Told<'a> {
    sheet: &'a Path,
    /// Whether the sheet was written now; otherwise it was there, and `draft` has only what it lacks.
    written: bool,
    /// What is to be pasted into a sheet that was there.
    #[serde(skip_serializing_if = "Option::is_none")]
    lines: Option<String>,
    draft: &'a Draft,
}

pub(super) fn execute(args: &Args, progress: &dyn Progress) -> Result<Outcome> {
    let sheet = args.out.clone().unwrap_or_else(|| args.folder.join("song.toml"));
    if let Err(refused) = may_write(&sheet) {
        return complement(&args.folder, &sheet, refused, progress);
    }
    let mut draft = Draft::look(&args.folder, progress)?;
    let folder = OutFolder::prepare(sheet.parent().unwrap_or(Path::new("")))?;
    // Reading the text back proves that the sheet is one that the other commands accept.
    let song = Song::parse(&draft.to_text(&sheet), &sheet)?;
    draft.findings.extend(song.findings());
    draft.findings.extend(song.guessed());
    for mic in song.mics.iter().filter(|m| m.summed()) {
        draft.findings.extend(mic.summed_finding(&Levels::of(&mut AudioReader::open(&mic.info.path)?)?));
    }
    draft.write(&sheet)?;
    drop(folder);
    let findings = draft.findings.clone();
    Outcome::new(
        "prep",
        summary(&draft, &sheet),
        &Told { sheet: &sheet, written: true, lines: None, draft: &draft },
        findings,
    )
}

/// A sheet that is there stays as it is: gives the lines for the recordings of the folder that it lacks. Where there are none,
/// or what is there is no sheet that can be read, the refusal stands.
fn complement(folder: &Path, sheet: &Path, refused: Error, progress: &dyn Progress) -> Result<Outcome> {
    let Ok(song) = Song::read(sheet) else { return Err(refused) };
    let mut draft = Draft::look(folder, progress)?.lacking(&song);
    if draft.files.is_empty() && draft.findings.is_empty() {
        return Err(refused);
    }
    let lines = draft.lines(sheet);
    // Reading both together proves that the lines fit the sheet.
    let text = std::fs::read_to_string(sheet).unwrap_or_default();
    let Ok(complete) = Song::parse(&format!("{text}\n{lines}"), sheet) else { return Err(refused) };
    draft.findings.extend(complete.guessed());
    let mut told = format!("{} is there already and stays as it is.\n", sheet.display());
    if !draft.files.is_empty() {
        let recordings = match draft.files.len() {
            1 => "a recording".into(),
            n => format!("{n} recordings"),
        };
        told += &format!("It lacks {recordings} of this folder; these lines can be pasted at its end:\n{lines}");
        let remedy = format!(
            "Paste the lines above into it; for what is not wanted, write this into [song]: {}",
            draft.leaving_out(&song)
        );
        draft
            .findings
            .insert(0, Finding::caution(sheet, format!("the sheet lacks {recordings} of this folder"), remedy));
    }
    let findings = draft.findings.clone();
    let data = Told { sheet, written: false, lines: Some(lines), draft: &draft };
    Outcome::new("prep", told, &data, findings)
}

fn summary(draft: &Draft, sheet: &Path) -> String {
    let rows: Vec<[String; 4]> = draft
        .files
        .iter()
        .map(|g| {
            let file = g.info.path.file_name().unwrap_or_default().to_string_lossy().into_owned();
            let (what, sure) = match g.role {
                Role::Mic(drum, place) => (format!("{drum}, {place}"), g.sure.to_string()),
                Role::Track(kind) => (format!("{kind:?}").to_lowercase(), g.sure.to_string()),
                Role::NotDrums => ("left out".into(), "another instrument".into()),
                Role::Unknown => ("left out".into(), g.why.clone()),
            };
            let sure = if g.sure == Sureness::Guess && g.why != "from its name" && !sure.contains(&g.why) {
                format!("{sure} ({})", g.why)
            } else {
                sure
            };
            [file, what, sure, format!("{}, {}, {}", g.info.duration(), g.info.rate, depth(g.info.format.bits()))]
        })
        .collect();
    let width = |i: usize| rows.iter().map(|r| r[i].chars().count()).max().unwrap_or(0);
    let widths = [width(0), width(1), width(2)];
    let mut text = String::new();
    for [file, what, sure, facts] in &rows {
        let _ = writeln!(text, "{file:<0$}  {what:<1$}  {sure:<2$}  {facts}", widths[0], widths[1], widths[2]);
    }
    let tempo = draft.tempo.as_ref().map_or_else(
        || "No tempo file lies here; set bpm in [tempo] of the sheet.".to_owned(),
        |p| format!("Tempo from {}; its start is taken as the start of the files.", p.display()),
    );
    let form = match draft.form.len() {
        0 => {
            "No form is known; write a [[section]] for each part of the song if you want to work by section.".to_owned()
        }
        _ => {
            let part = |s: &Section| format!("{} (bar {})", s.name, s.first_bar);
            format!("Form from its markers: {}.", draft.form.iter().map(part).collect::<Vec<_>>().join(", "))
        }
    };
    let layers = match draft.samples.as_slice() {
        [] => "Layers: none asked for; the sheet has them ready to be switched on.".to_owned(),
        some => {
            let set = |(drum, path): &(Drum, PathBuf)| format!("{drum} from {}", path.display());
            format!("Layers: {}.", some.iter().map(set).collect::<Vec<_>>().join(", "))
        }
    };
    let (rate, bits) = (HandoffPlan::default().rate, HandoffPlan::default().bits);
    let sheet = sheet.display();
    let _ = writeln!(text, "\n{tempo}\n{form}\n{layers}\nDelivery: {rate}, {bits} bit.\nWritten: {sheet}");
    let _ = writeln!(
        text,
        "Next: look through the sheet, then underlay hits \"{sheet}\", or everything with underlay run \"{sheet}\""
    );
    text
}

fn depth(bits: u16) -> String {
    if bits == 0 { "compressed".into() } else { format!("{bits} bit") }
}
