//! `underlay rough SHEET`: the rough mix, its versions, and a table of what was done.

use super::files::{OutFolder, write_together};
use super::options;
use super::outcome::Outcome;
use super::results::{self, folder_for};
use crate::error::Result;
use crate::mix::{Rough, TABLE, Version, aim_words, make};
use crate::output::{Claim, csv_field};
use crate::progress::Progress;
use crate::song::{Polarity, Song};
use crate::units::Decibels;
use serde::Serialize;
use std::fmt::Write as _;
use std::path::PathBuf;

const EXAMPLES: &str = "\
Examples:
  underlay rough song.toml
  underlay rough song.toml --loudness -14 --guide-level -3

Writes rough_mix.wav (24 bit), rough_mix_drums_only.wav and rough_mix_without_layers.wav where there is a \
difference, and rough_mix.csv, the table of every level and pan. Levels and pans come from each mic's role, or from \
the sheet. Turn your monitors down before the first listen.";

/// Make a rough mix for approval: drums, layers and the client's two-mix at a stated loudness
#[derive(clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// The song sheet (.toml)
    #[arg(value_name = "SHEET")]
    pub sheet: PathBuf,
    /// Folder for the results [default: "underlay" beside the sheet]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Integrated loudness to reach, LUFS, -40 to -8 [default: the sheet's, else -16, or as near to it as 3 dB of
    /// limiting allow]
    #[arg(long, value_name = "LUFS", value_parser = options::loudness, allow_negative_numbers = true)]
    loudness: Option<f64>,
    /// Highest true peak, dBTP, -9 to 0 [default: the sheet's, else -1]
    #[arg(long, value_name = "DBTP", value_parser = options::true_peak, allow_negative_numbers = true)]
    true_peak: Option<f64>,
    /// Loudness of the client's two-mix against the drums, dB, -60 to 24 [default: the sheet's, else 0]
    #[arg(long, value_name = "DB", value_parser = options::guide_level, allow_negative_numbers = true)]
    guide_level: Option<f64>,
}

/// What was done.
#[derive(Serialize)]
struct Told<'a> {
    #[serde(flatten)]
    rough: &'a Rough,
    table: PathBuf,
}

pub(super) fn execute(args: &Args, held: Option<&Claim>, progress: &dyn Progress) -> Result<Outcome> {
    let mut song = Song::read(&args.sheet)?;
    song.rough.loudness = args.loudness.or(song.rough.loudness);
    song.rough.true_peak = args.true_peak.unwrap_or(song.rough.true_peak);
    song.rough.guide_level = args.guide_level.map_or(song.rough.guide_level, Decibels);
    let folder = OutFolder::hold(&folder_for(&args.sheet, args.out.as_deref()), &args.sheet, held)?;
    let results::Layers { printed: layers, missing: mut findings, left_out, by_hand: _ } =
        results::layers(&song, folder.path());
    findings.extend(left_out);
    let mut rough = make(&song, &layers, folder.path(), progress)?;
    let table = folder.file(TABLE);
    write_together(&[(table.clone(), csv(&rough).into_bytes())], &song.files())?;
    findings.append(&mut rough.findings);
    let told = Told { rough: &rough, table };
    let files = rough.versions.iter().map(|v| v.file.clone()).chain([told.table.clone()]).collect();
    let short = rough.versions.iter().map(in_short).collect();
    Ok(Outcome::new("rough", summary(&song, &rough), &told, findings)?.in_short(short).wrote(files))
}

/// A version of the mix in one short line.
fn in_short(v: &Version) -> String {
    format!("{}: {}{}, {}", v.what, loud(v), v.spared(), v.loudness.true_peak)
}

/// How loud a version is, in words.
fn loud(v: &Version) -> String {
    v.loudness.integrated.map_or_else(|| "silent".to_owned(), |l| l.to_string())
}

fn polarity(p: Polarity) -> &'static str {
    match p {
        Polarity::Invert => "inverted",
        Polarity::Keep | Polarity::Undecided => "as recorded",
    }
}

fn pan_words(pan: f64) -> String {
    let percent = (pan.abs() * 100.0).round();
    match pan {
        _ if percent == 0.0 => "middle".into(),
        p if p < 0.0 => format!("left {percent:.0}"),
        _ => format!("right {percent:.0}"),
    }
}

/// The table, for the terminal and for `run`'s page.
pub(super) fn summary(song: &Song, rough: &Rough) -> String {
    let mut t = format!("{}: rough mix, {}\n\n", song.title, aim_words(song));
    let wide = rough.rows.iter().map(|r| r.name.chars().count()).max().unwrap_or(0).max(4);
    let role = rough.rows.iter().map(|r| r.role.chars().count()).max().unwrap_or(0).max(4);
    let _ = writeln!(
        t,
        "  {:wide$}  {:role$}  {:>11}  {:>8}  {:9}  {:11}  note",
        "name", "role", "as recorded", "gain", "pan", "polarity"
    );
    for r in &rough.rows {
        let gain = r.gain.map_or_else(|| "left out".to_owned(), |g| g.to_string());
        let loud = r.loudness.map_or_else(|| "silent".to_owned(), |l| l.to_string());
        let _ = writeln!(
            t,
            "  {:wide$}  {:role$}  {loud:>11}  {gain:>8}  {:9}  {:11}  {}",
            r.name,
            r.role,
            pan_words(r.pan),
            polarity(r.polarity),
            r.note
        );
    }
    t.push('\n');
    for v in &rough.versions {
        let limited = if v.limited.frames == 0 {
            "the limiter had nothing to do".to_owned()
        } else {
            let seconds = v.limited.frames as f64 / song.rate().hz_f64();
            format!(
                "the limiter took {:.1} dB at the most, at {}, over {seconds:.1} s in all",
                v.limited.deepest.0,
                v.limited.at.at(song.rate())
            )
        };
        let _ = writeln!(t, "  {}; {limited}\n    {}", in_short(v), v.file.display());
    }
    let _ = writeln!(
        t,
        "Next: listen at a low level, send it for approval, then underlay handoff \"{}\"",
        song.sheet.display()
    );
    t
}

fn csv(rough: &Rough) -> String {
    let mut t = String::from("name,role,file,loudness_lufs,gain_db,pan,polarity,note,sheet,checksum\r\n");
    for r in &rough.rows {
        let number = |v: Option<f64>| v.map_or_else(String::new, |v| format!("{v:.2}"));
        let file = r.file.file_name().unwrap_or_default().to_string_lossy();
        let _ = write!(
            t,
            "{},{},{},{},{},{:.2},{},{},{},{}\r\n",
            csv_field(&r.name),
            csv_field(&r.role),
            csv_field(&file),
            number(r.loudness.map(|l| l.0)),
            number(r.gain.map(|g| g.0)),
            r.pan,
            polarity(r.polarity),
            csv_field(&r.note),
            csv_field(&r.sheet),
            r.checksum.as_deref().unwrap_or_default()
        );
    }
    t
}
