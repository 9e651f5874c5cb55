//! `underlay hits SHEET|FILE...`: finds strokes, writes list, triggers and pictures.

use super::files::{OutFolder, write_together};
use super::options::{self, FinderOptions};
use super::outcome::Outcome;
use super::results::{complete, folder_for};
use super::run;
use crate::audio::{AudioReader, Levels};
use crate::error::{Error, Result};
use crate::finding::{Finding, counted};
use crate::hits::{Found, Hit, HitList, State, find, waveforms};
use crate::midi::{TriggerPlan, Version, make_triggers};
use crate::output::{Claim, Unwritten, same_file};
use crate::progress::Progress;
use crate::report::{DrumSummary, hits_report};
use crate::song::{Curve, Drum, FinderSettings, Mic, SingleFiles, Song};
use crate::tempo::{Grid, Meter, TempoMap, read_tempo_track};
use crate::timing::early_late;
use crate::units::{Bpm, Seconds};
use rayon::prelude::*;
use serde::Serialize;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// Folder for results beside a sheet.
pub(super) const OUT: &str = "underlay";
/// Folder for pictures in the folder for results.
const PICTURES: &str = "pictures";
/// File name of the hit list.
pub(super) const HITS: &str = "hits.csv";

/// Fewer strokes than this tell nothing about a grid.
const FEW: usize = 5;

const EXAMPLES: &str = "\
Examples:
  underlay hits song.toml                       results in the folder \"underlay\" beside the sheet
  underlay hits song.toml --out results --floor -50
  underlay hits kick.wav --drum kick --bpm 104  results beside kick.wav
  underlay hits snare_top.wav snare_bottom.wav --drum snare --tempo tempo.mid --with kick.wav oh.wav
  underlay hits song.toml --from-list underlay/hits.csv  writes MIDI again from an edited list

Writes hits.csv (every stroke, to be edited in any spreadsheet), triggers.mid, one MIDI file for each drum (dragged \
to the start of the audio they line up), and report.html with pictures.";

/// Find every kick and snare stroke: hit list, trigger MIDI, pictures
#[derive(clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// A song sheet (.toml), or recordings of one drum, its main mic first
    #[arg(required = true, value_name = "SHEET|FILE")]
    inputs: Vec<PathBuf>,
    /// Folder for the results [default: "underlay" beside the sheet, or the folder of the first file]
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Write MIDI and report again from a hit list, hand-edited rows included, instead of finding strokes
    #[arg(long, value_name = "CSV")]
    from_list: Option<PathBuf>,
    /// Write pictures as PNG too
    #[arg(long)]
    png: bool,
    #[command(flatten)]
    settings: FinderOptions,
    #[command(flatten)]
    single: Single,
    /// Grid that strokes are compared with: 1/4, 1/8, 1/16 or 1/32, with t for triplets (1/8t) or with swing
    /// ("1/16 swing 60") [default: 1/16]
    #[arg(long, value_parser = options::grid)]
    grid: Option<Grid>,
}

/// Options that take the place of a sheet.
#[derive(clap::Args)]
#[command(next_help_heading = "Files without a sheet")]
struct Single {
    /// Drum of the recordings: kick or snare
    #[arg(long, value_parser = ["kick", "snare"])]
    drum: Option<String>,
    /// Tempo, quarter notes a minute, 20 to 400 [default: none; strokes then have no bar and beat]
    #[arg(long, value_parser = options::bpm, conflicts_with = "tempo", allow_negative_numbers = true)]
    bpm: Option<f64>,
    /// MIDI file with tempo and meter changes, its start the start of the audio
    #[arg(long, value_name = "MID")]
    tempo: Option<PathBuf>,
    /// Meter that goes with --bpm [default: 4/4]
    #[arg(long, value_parser = options::meter, requires = "bpm")]
    meter: Option<Meter>,
    /// Where bar 1 lies in the audio, seconds, -3600 to 86400 [default: 0]
    #[arg(long, value_name = "SECONDS", value_parser = options::bar_one, allow_negative_numbers = true)]
    bar_one: Option<Seconds>,
    /// Other mics of the same take; they tell bleed from strokes
    #[arg(long = "with", value_name = "FILE", num_args = 1..)]
    with: Vec<PathBuf>,
}

/// What is to be done, checked.
struct Plan {
    song: Song,
    out: PathBuf,
    /// Files that must not be written to.
    inputs: Vec<PathBuf>,
}

impl Args {
    /// The plan, and its folder, held.
    fn begin(&self, held: Option<&Claim>) -> Result<(Plan, OutFolder)> {
        let plan = self.plan()?;
        let folder = OutFolder::hold(&plan.out, &self.inputs[0], held)?;
        Ok((plan, folder))
    }

    fn plan(&self) -> Result<Plan> {
        let sheets = self.inputs.iter().filter(|p| is_sheet(p)).count();
        let first = &self.inputs[0];
        if let Some(folder) = self.inputs.iter().find(|p| p.is_dir()) {
            return Err(Error::usage(
                format!("{} is a folder", folder.display()),
                format!(
                    "Let `underlay prep \"{}\"` write a song sheet first, then run hits on the sheet.",
                    folder.display()
                ),
            ));
        }
        let (song, beside) = match (sheets, self.inputs.len()) {
            (0, _) => (self.song_of_files()?, folder_of(first).to_owned()),
            (1, 1) => (self.song_of_sheet(first)?, folder_for(first, None)),
            _ => {
                return Err(Error::usage(
                    "a sheet is named together with other files",
                    "Name one sheet, or only recordings of one drum.",
                ));
            }
        };
        let mut inputs: Vec<PathBuf> = self.inputs.clone();
        inputs.extend(song.files());
        inputs.extend(self.from_list.clone());
        Ok(Plan { song, out: self.out.clone().unwrap_or(beside), inputs })
    }

    fn song_of_sheet(&self, sheet: &Path) -> Result<Song> {
        let s = &self.single;
        let given = [
            (s.drum.is_some(), "--drum"),
            (s.bpm.is_some(), "--bpm"),
            (s.tempo.is_some(), "--tempo"),
            (s.bar_one.is_some(), "--bar-one"),
            (!s.with.is_empty(), "--with"),
        ];
        if let Some((_, option)) = given.iter().find(|g| g.0) {
            return Err(Error::usage(
                format!("{option} goes with single files, but {} is a sheet", sheet.display()),
                "Set it in the sheet, so that every command uses the same.",
            ));
        }
        let mut song = Song::read(sheet)?;
        song.finder.all = self.settings.over(song.finder.all);
        if self.settings.any() {
            for mic in &mut song.mics {
                mic.settings = self.settings.over(mic.settings);
            }
        }
        song.grid = self.grid.unwrap_or(song.grid);
        Ok(song)
    }

    fn song_of_files(&self) -> Result<Song> {
        let s = &self.single;
        let Some(drum) = s.drum.as_deref().and_then(Drum::from_word) else {
            return Err(Error::usage(
                "it is not said which drum these files hold",
                "Add --drum kick or --drum snare; for a whole take let `underlay prep FOLDER` write a sheet.",
            ));
        };
        let at = s.bar_one.unwrap_or_default();
        let mut noticed = Vec::new();
        let tempo = match (s.bpm.and_then(Bpm::new), &s.tempo) {
            (Some(bpm), _) => Some(TempoMap::constant(bpm, s.meter.unwrap_or(Meter::FOUR_FOUR), at)),
            (None, Some(file)) => {
                let track = read_tempo_track(file, Seconds(0.0))?;
                noticed = track.findings;
                Some(s.bar_one.map_or(track.map.clone(), |at| track.map.with_bar_one(at)))
            }
            (None, None) if s.bar_one.is_some() => {
                return Err(Error::usage("--bar-one says nothing without a tempo", "Add --bpm or --tempo."));
            }
            (None, None) => None,
        };
        Song::of_files(SingleFiles {
            files: self.inputs.clone(),
            drum,
            with: s.with.clone(),
            tempo,
            tempo_file: s.tempo.clone(),
            noticed,
            grid: self.grid.unwrap_or(Grid::SIXTEENTH),
            finder: FinderSettings { all: self.settings.over(Default::default()), curve: Curve::default() },
        })
    }
}

/// What was done.
#[derive(Serialize)]
struct Told<'a> {
    title: &'a str,
    drums: Vec<DrumSummary>,
    hits: &'a [Hit],
    files: Vec<PathBuf>,
    /// Whether there is a grid.
    #[serde(skip)]
    tempo: bool,
}

pub(super) fn execute(args: &Args, held: Option<&Claim>, progress: &dyn Progress) -> Result<Outcome> {
    let (plan, folder) = args.begin(held)?;
    let Some(sheet) = args.inputs.first().filter(|p| is_sheet(p) && args.from_list.is_none()) else {
        return done(args, &plan, &folder, progress, |_, _| Ok(()));
    };
    let out = folder_for(sheet, args.out.as_deref());
    let outcome = done(args, &plan, &folder, progress, |song, files| run::note_found(song, &out, files))?;
    run::note_written(sheet, &out)?;
    Ok(outcome)
}

/// Finds or reads, and writes; `note` is shown every file as it will be, before the first is written, and may add others.
pub(super) fn execute_noting(
    args: &Args,
    held: Option<&Claim>,
    progress: &dyn Progress,
    note: impl FnOnce(&Song, &mut Unwritten) -> Result<()>,
) -> Result<Outcome> {
    let (plan, folder) = args.begin(held)?;
    done(args, &plan, &folder, progress, note)
}

fn done(
    args: &Args,
    plan: &Plan,
    folder: &OutFolder,
    progress: &dyn Progress,
    note: impl FnOnce(&Song, &mut Unwritten) -> Result<()>,
) -> Result<Outcome> {
    let mut found = strokes(plan, args.from_list.as_deref(), progress)?;
    let Results { kept, mut made } = results(plan, &mut found, folder, args)?;
    let _pictures = OutFolder::prepare(&folder.file(PICTURES))?;
    let named = |files: &Unwritten| files.iter().map(|f| f.0.clone()).collect::<Vec<PathBuf>>();
    let (own, names) = (named(&made), [named(&kept), named(&made)].concat());
    note(&plan.song, &mut made)?;
    // What is kept has its new name before another file takes the old one.
    let files: Unwritten = kept.into_iter().chain(made).collect();
    write_together(&files, &plan.inputs)?;
    // What is told needs the room that their bytes took.
    drop(files);
    let told = Told {
        title: &plan.song.title,
        drums: DrumSummary::all(&plan.song, &found.list),
        hits: &found.list.hits,
        files: names,
        tempo: plan.song.tempo.is_some(),
    };
    let sheet = Some(plan.song.sheet.as_path()).filter(|s| !s.as_os_str().is_empty());
    let outcome = Outcome::new("hits", summary(&told, folder.path(), sheet), &told, found.findings)?;
    Ok(outcome.in_short(told.drums.iter().map(in_short).collect()).wrote(own))
}

/// Strokes from the recordings, or from a hit list where one is named.
fn strokes(plan: &Plan, from_list: Option<&Path>, progress: &dyn Progress) -> Result<Found> {
    let song = &plan.song;
    let mut found = match from_list {
        None => {
            let mut levels = close_levels(song)?;
            let mut found = find(song, progress)?;
            found.findings.retain(|f| !levels.contains(f));
            levels.append(&mut found.findings);
            Found { findings: levels, ..found }
        }
        Some(list) => {
            let mut read = HitList::read(list, song.rate(), Some(song.reach()))?;
            if let Some(map) = &song.tempo {
                read.hold_against(map, song.grid);
            }
            Found { list: read.list, evidence: waveforms(song), findings: read.findings }
        }
    };
    complete(song, &mut found.list);
    found.findings.extend(mostly_before_bar_one(song, &found.list));
    Ok(found)
}

/// Where most strokes lie before bar 1 it is set wrongly, or the tempo belongs to another recording. A bar 1 behind the end of
/// the audio is told by the song itself.
fn mostly_before_bar_one(song: &Song, list: &HitList) -> Option<Finding> {
    let bar_one = song.tempo.as_ref()?.bar_one();
    let before =
        list.hits.iter().filter(|h| h.state != State::Dropped && h.place.is_some_and(|p| p.at.bar < 1)).count();
    let all = list.hits.iter().filter(|h| h.state != State::Dropped).count();
    (2 * before > all && bar_one.sample(song.rate()).0 < song.frames()).then(|| {
        Finding::song(
            format!("{before} of {all} strokes lie before bar 1, which begins at {bar_one}"),
            "Check bar_one: it is the time in the audio, in seconds, at which bar 1 begins.",
        )
    })
}

/// What the levels of the kick and snare mics say of each channel where a file has two. The finder hears one channel
/// of them or their mean, in which a clipped side does not show; files of one channel it measures itself.
fn close_levels(song: &Song) -> Result<Vec<Finding>> {
    let wide = |m: &&Mic| Drum::FOUND.contains(&m.drum) && m.info.channels > 1;
    let mics: Vec<&Mic> = song.mics.iter().filter(wide).collect();
    let findings: Vec<Vec<Finding>> = mics
        .par_iter()
        .map(|mic| {
            let levels = Levels::of(&mut AudioReader::open(&mic.info.path)?)?;
            let mut findings = levels.findings(&mic.info);
            findings.extend(mic.summed_finding(&levels));
            Ok(findings)
        })
        .collect::<Result<_>>()?;
    Ok(findings.into_iter().flatten().collect())
}

/// Files that are about to be written.
struct Results {
    /// Files of the user's own, or lists that may hold edits, under names that they are kept under.
    kept: Unwritten,
    /// What hits makes.
    made: Unwritten,
}

/// Every file of the result, complete, before the first is written. What was noticed on the way joins the findings.
fn results(plan: &Plan, found: &mut Found, folder: &OutFolder, args: &Args) -> Result<Results> {
    let (mut keep, mut files) = (Unwritten::new(), Unwritten::new());
    found.findings.splice(0..0, plan.song.findings());
    let list = folder.file("hits.csv");
    // A list that is worked from is the user's own and stays as it is.
    if !args.from_list.as_ref().is_some_and(|from| same_file(from, &list)) {
        let new = found.list.to_csv().into_bytes();
        if let Some((kept, bytes)) = kept(&list, &new, plan, folder) {
            found.findings.push(Finding::caution(
                &kept,
                "the list that was here differs from the new one and may hold rows edited by hand, or other drums; it was \
                 kept under this name",
                "To write MIDI from it, run hits again with --from-list and this file; delete it if you have changed nothing \
                 in it.",
            ));
            keep.push((kept, bytes));
        }
        files.push((list.clone(), new));
    }
    let recorded = is_sheet(&plan.song.sheet) && run::has_found(&plan.song.sheet, folder.path());
    let listed = list.exists();
    let plan = &plan.song;
    let (mut triggers, midi) =
        make_triggers(folder.path(), &found.list, &plan.drums(), TriggerPlan::of(plan), Version::AsPlayed)?;
    found.findings.append(&mut triggers.findings);
    files.extend(midi);
    let report = hits_report(plan, found).files(args.png)?;
    files.extend(report.into_iter().map(|(name, bytes)| (folder.path().join(name), bytes)));
    if !recorded {
        let foreign: Vec<(PathBuf, Vec<u8>)> =
            files.iter().filter_map(|(path, new)| foreign(path, new, listed)).collect();
        for (kept, bytes) in foreign {
            found.findings.push(Finding::caution(
                &kept,
                "a file of this name was here already that hits had not written; it was kept under this name",
                "Choose another folder for the results with --out, or take your own file elsewhere.",
            ));
            keep.push((kept, bytes));
        }
    }
    Ok(Results { kept: keep, made: files })
}

/// A file of the user's own that has the name of one that is to be written: its contents, and a free name. What hits wrote
/// itself is known by its form, MIDI moreover by the hit list that lies beside it (`listed`).
fn foreign(target: &Path, new: &[u8], listed: bool) -> Option<(PathBuf, Vec<u8>)> {
    let ending = target.extension().and_then(|e| e.to_str()).filter(|e| ["mid", "html"].contains(e))?;
    let bytes = std::fs::read(target).ok()?;
    let own = match ending {
        // Format 1 at 960 ticks a quarter, as every file of ours.
        "mid" => listed && bytes.get(..14).is_some_and(|head| head[8..10] == [0, 1] && head[12..14] == [3, 0xC0]),
        _ => String::from_utf8_lossy(&bytes).contains("<footer>Made by underlay"),
    };
    if own || bytes == new {
        return None;
    }
    let stem = target.file_stem()?.to_str()?;
    let free = |n: u32| target.with_file_name(format!("{stem}_kept_{n}.{ending}"));
    Some(((1..10_000).map(free).find(|p| !p.exists())?, bytes))
}

/// An older list with hand-edited rows, or of other drums, could not be made again: its contents, and a free name. Where no
/// record tells what was written, every list that differs from the new one may have been edited.
fn kept(list: &Path, new: &[u8], plan: &Plan, folder: &OutFolder) -> Option<(PathBuf, Vec<u8>)> {
    let bytes = std::fs::read(list).ok()?;
    if bytes == new {
        return None;
    }
    let song = &plan.song;
    let own = |h: &Hit| h.state == State::Found && song.mics_of(h.drum).next().is_some();
    let old = HitList::parse(list, &bytes, song.rate(), None);
    let edited = !is_sheet(&song.sheet) || run::is_edited(&song.sheet, folder.path(), &bytes);
    if !edited && old.is_ok_and(|old| old.list.hits.iter().all(own)) {
        return None;
    }
    let free = (1..10_000).map(|n| folder.file(&format!("hits_kept_{n}.csv"))).find(|p| !p.exists())?;
    Some((free, bytes))
}

/// A drum in one short line.
fn in_short(d: &DrumSummary) -> String {
    let mut t = format!("{}: {}", d.drum, counted(d.strokes, "stroke"));
    let [_, ghosts, grace, rolls] = d.kinds;
    for (n, word) in [(ghosts, "ghost note"), (grace, "grace note")] {
        if n > 0 {
            let _ = write!(t, ", {}", counted(n, word));
        }
    }
    if rolls > 0 {
        let _ = write!(t, ", {rolls} in rolls");
    }
    if d.doubtful > 0 {
        let _ = write!(t, "; {} to check by ear", d.doubtful);
    }
    t
}

fn summary(told: &Told<'_>, folder: &Path, sheet: Option<&Path>) -> String {
    let mut text = format!("{}\n", told.title);
    for d in &told.drums {
        let _ = write!(text, "  {:<6} {:>5} stroke{}", d.drum.word(), d.strokes, if d.strokes == 1 { "" } else { "s" });
        let [_, ghosts, grace, rolls] = d.kinds;
        for (n, word) in [
            (ghosts, if ghosts == 1 { "ghost note" } else { "ghost notes" }),
            (grace, if grace == 1 { "grace note" } else { "grace notes" }),
            (rolls, "in rolls"),
            (d.by_hand.0, "added by hand"),
            (d.by_hand.1, "dropped by hand"),
        ] {
            if n > 0 {
                let _ = write!(text, ", {n} {word}");
            }
        }
        if let Some((offset, spread)) = d.offset_ms {
            let _ = write!(text, "; typically {}, spread {spread:.0} ms", early_late(offset));
        } else if told.tempo && d.strokes >= FEW {
            text.push_str("; no typical offset from the grid");
        }
        text.push('\n');
        if d.doubtful > 0 {
            let (n, are) = if d.doubtful == 1 {
                ("one stroke is".into(), "it")
            } else {
                (format!("{} strokes are", d.doubtful), "them")
            };
            let _ = writeln!(text, "         {n} doubtful and first in the report: listen to {are}");
        }
    }
    let name = |f: &PathBuf| f.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let (pictures, files): (Vec<&PathBuf>, Vec<&PathBuf>) =
        told.files.iter().partition(|f| f.parent().is_some_and(|p| p.ends_with(PICTURES)));
    let mut names: Vec<String> = files.into_iter().map(name).collect();
    names.push(format!("{PICTURES} ({})", pictures.len()));
    let _ = writeln!(text, "Written to {}: {}", folder.display(), names.join(", "));
    let doubtful =
        if told.drums.iter().any(|d| d.doubtful > 0) { "check the doubtful strokes in report.html, then " } else { "" };
    let _ = match sheet {
        Some(sheet) => {
            writeln!(text, "Next: {doubtful}underlay timing \"{0}\" and underlay phase \"{0}\"", sheet.display())
        }
        None => writeln!(text, "Next: {doubtful}drag triggers.mid to the start of the audio"),
    };
    text
}

fn is_sheet(path: &Path) -> bool {
    path.extension().is_some_and(|e| e.eq_ignore_ascii_case("toml"))
}

fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."))
}
