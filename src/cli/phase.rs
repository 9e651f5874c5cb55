//! `underlay phase SHEET`: polarity and arrival between the mics; corrected copies on request.

mod brief;
mod into_sheet;

use super::files::OutFolder;
use super::options;
use super::outcome::Outcome;
use super::take::{Take, TakeArgs};
use crate::error::{Error, Result};
use crate::finding::{Finding, counted};
use crate::output::{Claim, alike, storable};
use crate::phase::{
    Agreement, COPIES, Celsius, Copied, CopiesRecord, Pair, PairKind, PhaseReport, PhaseSettings, Recommendation,
    Shift, measure, mic_of, phase_csv, write_copy,
};
use crate::progress::Progress;
use crate::report::{Picture, phase_matrix, phase_sum};
use crate::song::{Drum, Mic, Polarity, Song};
use into_sheet::{Entered, enter};
use serde::Serialize;
use std::collections::HashSet;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

const EXAMPLES: &str = "\
Examples:
  underlay phase song.toml                    which mics to invert, and when each hears the drums
  underlay phase song.toml --into-sheet       also write polarity into the sheet where the advice is sure
  underlay phase song.toml --air 28           metres for a warm room
  underlay phase song.toml --write corrected  copies of the files to invert, only their sign flipped
  underlay phase song.toml --write corrected --align snare  also move the snare's close mics

Later is positive. The sums tell the level of two mics together in the drum's low band, both set equally loud, \
against one of them alone: +6 dB is the most, below 0 they take from each other. Writes phase.csv and \
pictures/phase_*.svg. Listen with a low headphone level after flipping signs: the low end may come up.";

/// Check polarity and arrival between mics; write corrected copies on request
#[derive(clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    #[command(flatten)]
    take: TakeArgs,
    /// Temperature of the air for metres, degrees Celsius, -30 to 60
    #[arg(long, value_name = "DEGREES", value_parser = air, default_value = "20", allow_negative_numbers = true)]
    air: Celsius,
    /// Strokes of a drum that are measured at the most, 4 to 512
    #[arg(long, value_name = "N", value_parser = strokes, default_value_t = PhaseSettings::STROKES as u16, allow_negative_numbers = true)]
    strokes: u16,
    /// Write pictures as PNG too
    #[arg(long)]
    png: bool,
    /// Write polarity = "keep" or "invert" into the song sheet for every mic that is undecided there and whose advice is
    /// sure. What you have set stays, comments too; the sheet as it was is kept beside it (song.toml.old)
    #[arg(long, conflicts_with = "write")]
    into_sheet: bool,
    #[command(flatten)]
    copies: Copies,
}

#[derive(clap::Args)]
#[command(next_help_heading = "Corrected copies")]
struct Copies {
    /// Write corrected copies of the files that need it into this folder; the recordings stay as they are
    #[arg(long, value_name = "DIR")]
    write: Option<PathBuf>,
    /// Also move the close mics of this drum by whole samples, so that they arrive with its main mic
    #[arg(long, value_name = "DRUM", value_parser = ["kick", "snare"], requires = "write")]
    align: Vec<String>,
    /// Also move this mic, even an overhead or a room, to arrive with its nearest found drum
    #[arg(long = "move", value_name = "MIC", requires = "write")]
    moved: Vec<String>,
}

fn strokes(text: &str) -> std::result::Result<u16, String> {
    options::whole(text, 4..=512, "")
}

fn air(text: &str) -> std::result::Result<Celsius, String> {
    let degrees = options::number(text, Celsius::MIN..=Celsius::MAX, "(degrees Celsius)")?;
    Celsius::new(degrees).ok_or_else(|| "it takes degrees Celsius".into())
}

/// What was done.
#[derive(Serialize)]
struct Told<'a> {
    title: &'a str,
    hits_from: &'a Option<PathBuf>,
    report: &'a PhaseReport,
    copies: &'a [Copied],
    sheet: Option<&'a Entered>,
    /// What the sheet says of every mic.
    set: Vec<Set<'a>>,
    files: Vec<PathBuf>,
}

/// A mic's polarity as the sheet has it.
#[derive(Serialize)]
struct Set<'a> {
    mic: &'a str,
    polarity: Polarity,
}

pub(super) fn execute(args: &Args, held: Option<&Claim>, progress: &dyn Progress) -> Result<Outcome> {
    let (song, out) = args.take.song()?;
    for name in &args.copies.moved {
        if !song.mics.iter().any(|m| m.name == *name) {
            let names: Vec<&str> = song.mics.iter().map(|m| m.name.as_str()).collect();
            return Err(Error::usage(
                format!("the song has no mic \"{name}\""),
                format!("Its mics are {}.", names.join(", ")),
            ));
        }
    }
    let folder = OutFolder::hold(&out, &song.sheet, held)?;
    let corrected = args.copies.write.as_deref().map(OutFolder::prepare).transpose()?;
    let mut take = args.take.open(song, out, progress)?;
    let settings = PhaseSettings { air: args.air, strokes: usize::from(args.strokes), ..PhaseSettings::default() };
    let report = measure(&take.song, &take.list, settings, progress)?;
    let mut findings = take.findings.clone();
    findings.extend(report.findings.iter().cloned());

    let mut batch = take.batch();
    batch.put(&folder.file("phase.csv"), phase_csv(&report).as_bytes())?;
    let pictures: Vec<Picture> = [phase_matrix(&report)].into_iter().chain(report.sums.iter().map(phase_sum)).collect();
    super::take::put_pictures(&mut batch, folder.path(), &pictures, args.png)?;
    let mut copies = Vec::new();
    let read = |corrected: &OutFolder| {
        batch.check(&corrected.file(COPIES))?;
        CopiesRecord::read(corrected.path())
    };
    let record = corrected.as_ref().map(read).transpose()?;
    if let (Some(corrected), Some(record)) = (&corrected, &record) {
        for shift in plan_copies(&take, &report, args, corrected.path(), &mut findings)? {
            batch.check(&shift.target)?;
            let (mut file, copied) = write_copy(&shift)?;
            file.settle()?;
            record.permit(&shift.target, file.beside())?;
            note_held(&copied, &mut findings);
            batch.add(file);
            copies.push(copied);
        }
    }
    let mut files = batch.commit()?;
    if let (Some(corrected), Some(record), false) = (&corrected, record, copies.is_empty()) {
        let mut batch = take.batch();
        batch.put(&corrected.file(COPIES), record.with(&copies)?.as_bytes())?;
        files.extend(batch.commit()?);
    }
    let entered = args.into_sheet.then(|| enter(&mut take.song, &report)).transpose()?;
    let told = Told {
        title: &take.song.title,
        hits_from: &take.list_from,
        report: &report,
        copies: &copies,
        sheet: entered.as_ref(),
        set: take.song.mics.iter().map(|m| Set { mic: &m.name, polarity: m.polarity }).collect(),
        files,
    };
    findings.extend(advice_findings(&take.song, &report, args.copies.write.is_some()));
    let short = brief::lines(take.song.mics.iter().map(|m| m.polarity).zip(&report.advice));
    Ok(Outcome::new("phase", summary(&take, &told), &told, findings)?.in_short(short).wrote(told.files))
}

fn note_held(copied: &Copied, findings: &mut Vec<Finding>) {
    if copied.held > 0 {
        findings.push(Finding::note(
            &copied.target,
            format!("{} samples at the very lowest value have no opposite and became the highest", copied.held),
        ));
    }
}

/// A mic that the evidence says to invert, as long as the sheet has not decided.
fn advice_findings(song: &Song, report: &PhaseReport, written: bool) -> Vec<Finding> {
    let mut out = Vec::new();
    for (mic, advice) in song.mics.iter().zip(&report.advice) {
        let file = &mic.info.path;
        match (mic.polarity, advice.recommendation) {
            (Polarity::Undecided, Recommendation::Invert) if !written => out.push(Finding::caution(
                file,
                format!("{} adds up better flipped, and the sheet does not decide yet: {}", mic.name, advice.why),
                format!(
                    "Listen, then set polarity = \"invert\" (or \"keep\") for {} in the sheet; `underlay phase --into-sheet` does it where the advice is sure, `--write` makes a flipped copy.",
                    mic.name
                ),
            )),
            (Polarity::Keep, Recommendation::Invert) => {
                out.push(Finding::note(
                    file,
                    format!("the sheet keeps {} as recorded, although it adds up better flipped: {}", mic.name, advice.why),
                ));
            }
            (Polarity::Invert, Recommendation::Keep) => {
                out.push(Finding::note(file, format!("the sheet inverts {}, although its sign is right as recorded: {}", mic.name, advice.why)));
            }
            _ => {}
        }
    }
    out
}

/// The copies to write: files to invert by the sheet's decision or, where there is none, by the advice; files to move.
fn plan_copies(
    take: &Take,
    report: &PhaseReport,
    args: &Args,
    dir: &Path,
    findings: &mut Vec<Finding>,
) -> Result<Vec<Shift>> {
    let mut out: Vec<Shift> = Vec::new();
    let mut taken: HashSet<String> = HashSet::new();
    let inverts = |name: &str| {
        let number = mic_of(name, take.song.mics.iter().map(|mic| mic.name.as_str()));
        let of = |number: usize| Some((take.song.mics.get(number)?, report.advice.get(number)?));
        number.and_then(of).is_some_and(|(mic, advice)| match mic.polarity {
            Polarity::Invert => true,
            Polarity::Keep => false,
            Polarity::Undecided => advice.recommendation == Recommendation::Invert,
        })
    };
    for mic in &take.song.mics {
        let invert = inverts(&mic.name);
        let later = later(mic, report, args, &inverts, findings);
        if invert || later != 0 {
            let target = dir.join(copy_name(mic, &mut taken));
            out.push(Shift { source: mic.info.path.clone(), channel: mic.channel, target, invert, later });
        }
    }
    if out.is_empty() {
        findings.push(Finding::song("no file needs a corrected copy: none was written", ""));
        if let Some(last) = findings.last_mut() {
            last.weight = crate::finding::Weight::Note;
        }
    }
    Ok(out)
}

/// A copy is called as its recording, as far as every system can store that; where another copy of this run has that name, in
/// whatever case of its letters, the mic's name stands before it.
fn copy_name(mic: &Mic, taken: &mut HashSet<String>) -> String {
    let stem = mic.info.path.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_else(|| mic.name.clone());
    let mut name = storable(&stem);
    let mut n = 1;
    while !taken.insert(alike(&name)) {
        let number = if n > 1 { format!("{n}_") } else { String::new() };
        name = storable(&format!("{number}{}_{stem}", mic.name));
        n += 1;
    }
    format!("{name}.wav")
}

/// Whole samples to move a mic, positive = later; 0 unless it was asked for and moving it helps. `inverts` tells whether a mic's copy
/// is inverted.
fn later(
    mic: &Mic,
    report: &PhaseReport,
    args: &Args,
    inverts: &dyn Fn(&str) -> bool,
    findings: &mut Vec<Finding>,
) -> i64 {
    let named = args.copies.moved.contains(&mic.name);
    let close = Drum::FOUND.contains(&mic.drum) && args.copies.align.iter().any(|d| d == mic.drum.word());
    if !named && !close {
        return 0;
    }
    let own = report
        .pairs
        .iter()
        .filter(|p| p.mic == mic.name && p.kind != PairKind::Stereo && (named || p.kind == PairKind::Close));
    // Its own drum's main mic, otherwise that of the nearest drum; the main mic itself has none.
    let nearest = own.min_by(|a, b| {
        (b.kind == PairKind::Close)
            .cmp(&(a.kind == PairKind::Close))
            .then(a.lag_samples.abs().total_cmp(&b.lag_samples.abs()))
    });
    let Some(pair) = nearest else { return 0 };
    match pair.moved(inverts(&mic.name) != inverts(&pair.reference)) {
        Ok(later) => {
            if matches!(mic.drum, Drum::Overhead | Drum::Room) {
                findings.push(Finding::caution(
                    &mic.info.path,
                    format!("{} was moved against the rest of the kit, because it was named", mic.name),
                    "Move both sides of a stereo pair alike, and listen to the cymbals.",
                ));
            }
            later
        }
        Err(stays) => {
            findings.push(Finding::caution(
                &mic.info.path,
                format!("{} stays where it is: {stays}", mic.name),
                "Move it by ear if you must.",
            ));
            0
        }
    }
}

fn summary(take: &Take, told: &Told<'_>) -> String {
    let report = told.report;
    let mut text = String::new();
    let counts: Vec<String> =
        report.drums.iter().map(|(d, mic, n)| format!("{} in {mic}", counted(*n, &format!("{d} stroke")))).collect();
    let air = report.settings.air.degrees();
    // Writing to a string cannot fail.
    let _ = writeln!(
        text,
        "{}: {}, {}; air at {air} °C, sound at {:.0} m/s.\n",
        told.title,
        counts.join(" and "),
        take.source(),
        report.speed_of_sound
    );
    let width = report.advice.iter().map(|a| a.mic.chars().count()).max().unwrap_or(3).max(3);
    for (mic, a) in take.song.mics.iter().zip(&report.advice) {
        let sheet = match mic.polarity {
            Polarity::Undecided => "",
            Polarity::Keep => " [sheet: keep]",
            Polarity::Invert => " [sheet: invert]",
        };
        let _ = writeln!(text, "  {:width$}  {:15}  {}{sheet}", a.mic, a.words(), a.why);
    }
    for (drum, main, _) in &report.drums {
        let pairs: Vec<&Pair> = report.pairs.iter().filter(|p| p.drum == *drum).collect();
        let Some(first) = pairs.first() else { continue };
        let width = pairs.iter().map(|p| name_of(p).chars().count()).max().unwrap_or(3);
        let _ = writeln!(
            text,
            "\nThe {drum}, against {main} (sums: its low band, {:.0} to {:.0} Hz)\n  {:width$}  sign      samples      ms  metres   sum  flipped  together",
            first.band.low, first.band.high, "mic"
        );
        for p in pairs {
            let name = name_of(p);
            let when = if p.arrival_sure {
                format!("{:8.1} {:7.2} {:7.2}", p.lag_samples, p.lag.ms(), p.metres)
            } else {
                format!("{:>8} {:>7} {:>7}", "?", "?", "?")
            };
            let sign = if p.polarity == Agreement::Unclear { "?" } else { p.polarity.word() };
            let _ = writeln!(
                text,
                "  {name:width$}  {sign:8} {when} {:+5.1}   {:+5.1}     {:+5.1}",
                p.sum.as_is.0, p.sum.flipped.0, p.sum.aligned.0
            );
        }
    }
    for c in told.copies {
        let what = match (c.inverted, c.later) {
            (true, 0) => "sign flipped, nothing else".to_owned(),
            (false, n) => moved(n),
            (true, n) => format!("sign flipped, {}", moved(n)),
        };
        let _ = writeln!(text, "\nCopy: {} ({what})", c.target.display());
    }
    let _ = writeln!(text, "\nWritten to {}: phase.csv, pictures.", take.out.display());
    if let Some(entered) = told.sheet {
        text += &into_sheet::words(entered);
    }
    text += &next(take, told);
    text
}

/// What to do next about polarity.
fn next(take: &Take, told: &Told<'_>) -> String {
    let undecided =
        || take.song.mics.iter().zip(&told.report.advice).filter(|(m, _)| m.polarity == Polarity::Undecided);
    let sheet = take.song.sheet.display();
    if undecided().next().is_none() {
        return format!(
            "Next: underlay print \"{sheet}\" for sample layers, or underlay rough \"{sheet}\" to hear it all\n"
        );
    }
    let names: Vec<&str> = undecided().filter(|(_, a)| !a.sure).map(|(m, _)| m.name.as_str()).collect();
    let names = names.join(", ");
    if undecided().any(|(_, a)| a.sure) {
        let rest = if names.is_empty() { String::new() } else { format!("; decide by ear about {names}") };
        return format!(
            "Next: listen, then underlay phase \"{sheet}\" --into-sheet writes what is sure into the sheet{rest}\n"
        );
    }
    format!("Next: listen, then set polarity = \"keep\" or \"invert\" in the sheet for {names}\n")
}

/// The mic of a pair, or both sides of a stereo pair.
fn name_of(p: &Pair) -> String {
    if p.kind == PairKind::Stereo { format!("{} to {}", p.reference, p.mic) } else { p.mic.clone() }
}

fn moved(n: i64) -> String {
    format!("{} samples {}", n.abs(), if n < 0 { "earlier" } else { "later" })
}
