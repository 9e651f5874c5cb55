//! `underlay timing SHEET|HITS.csv`: the take against its grid; triggers pulled to it; a click; a tempo found from hits.

mod click;
mod write;

use super::files::OutFolder;
use super::options;
use super::outcome::Outcome;
use super::results::folder_for;
use super::take::{hits_of, list_for};
use crate::audio::{AudioFault, AudioReader};
use crate::error::{Error, Located, Result};
use crate::finding::Finding;
use crate::hits::{HitList, HitListFault};
use crate::output::{Claim, reading_in_words};
use crate::progress::Progress;
use crate::song::{Section, Song};
use crate::tempo::{Grid, Meter, TempoChange, TempoMap, read_tempo_track};
use crate::timing::{
    CheckSettings, Click, FoundTempo, MOST_COUNT_IN, NoTempo, PullCounts, PullSettings, Pulled, Relation, TempoHints,
    Timing, check, drum_words, find_tempo, form_of_cues, misfit, parting, plan_click, pull, pull_doubts, summary,
};
use crate::units::{Bpm, SampleRate, Seconds};
use serde::Serialize;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use write::write;

const EXAMPLES: &str = "\
Examples:
  underlay timing song.toml               where the take sits, section by section, with pictures
  underlay timing song.toml --grid 1/8t   against eighth-note triplets
  underlay timing song.toml --pull 60     triggers 60 % of the way to the grid, and the moves
  underlay timing song.toml --click --count-in 2  a click track from the tempo map
  underlay timing song.toml --find-tempo  no click was played to: the tempo map, found from the hits
  underlay timing hits.csv --bpm 104      a hit list without a sheet
  underlay timing tempo.mid --click --length 240  a click before anything is recorded

Early is negative, late positive. Writes timing.html and pictures/timing_*.svg; with --pull moves.csv, moves.mid, \
and triggers.mid, kick.mid and snare.mid twice, as played and pulled (triggers_on_grid.mid, ...); with --click click.wav; with --find-tempo found_tempo.mid. Start with a low \
headphone level when you play a click for the first time.";

/// The tempo map that was found from the hits.
const FOUND_TEMPO: &str = "found_tempo.mid";

/// Check the take against the grid: offsets, feel, swing, drift; pull triggers towards it; print a click
#[derive(clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// A song sheet (.toml), a hit list (.csv) that `underlay hits` wrote, or for --click alone a tempo track (.mid)
    #[arg(value_name = "SHEET|HITS|TEMPO")]
    input: PathBuf,
    /// Folder for the results [default: "underlay" beside the sheet, or the hit list's own folder]
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Hit list to check [default: hits.csv in the folder for results, where it is there; otherwise hits are found anew]
    #[arg(long, value_name = "CSV")]
    from_list: Option<PathBuf>,
    /// Grid that strokes are compared with: 1/4, 1/8, 1/16 or 1/32, with t for triplets (1/8t) or with swing
    /// ("1/16 swing 60") [default: the sheet's, else 1/16]
    #[arg(long, value_parser = options::grid)]
    grid: Option<Grid>,
    /// What counts as on the line, ms either side, 1 to 100 [default: 10]
    #[arg(long, value_name = "MS", value_parser = window, allow_negative_numbers = true)]
    window: Option<f64>,
    /// How many bars, and how many strokes, to name as the worst, 0 to 100 [default: 8]
    #[arg(long, value_name = "N", value_parser = worst, allow_negative_numbers = true)]
    worst: Option<u8>,
    /// WAV file whose cue markers are the form [default: the sheet's form]
    #[arg(long, value_name = "WAV")]
    form_from: Option<PathBuf>,
    /// Sampling rate of the recording that a hit list without a sheet belongs to, and of its click, Hz, 8000 to 192000
    /// [default: 48000]
    #[arg(long, value_name = "HZ", value_parser = rate, allow_negative_numbers = true)]
    rate: Option<SampleRate>,
    /// Write pictures as PNG too
    #[arg(long)]
    png: bool,
    #[command(flatten)]
    pulling: Pulling,
    #[command(flatten)]
    clicking: Clicking,
    #[command(flatten)]
    tempo: Tempo,
}

#[derive(clap::Args)]
#[command(next_help_heading = "Pulling")]
struct Pulling {
    /// Move triggers this share of the way to the grid, per cent, 0 to 100 [default: pull in [hits] of the sheet, else none]
    #[arg(long, value_name = "PERCENT", value_parser = percent, allow_negative_numbers = true)]
    pull: Option<f64>,
    /// Leave hits that lie further from their line than this, ms, 0 to 500 [default: 40 % of the grid step]
    #[arg(long, value_name = "MS", value_parser = limit, requires = "pull", allow_negative_numbers = true)]
    limit: Option<f64>,
    /// Leave hits that lie closer to their line than this, ms, 0 to 500
    #[arg(long, value_name = "MS", value_parser = limit, requires = "pull", default_value_t = 0.0, allow_negative_numbers = true)]
    leave: f64,
    /// Write the moves as cue points of a silent WAV file too
    #[arg(long, requires = "pull")]
    cues: bool,
}

#[derive(clap::Args)]
#[command(next_help_heading = "Click")]
struct Clicking {
    /// Print a click track from the tempo map, beat 1 accented
    #[arg(long)]
    click: bool,
    /// Bars to count in before bar 1, 0 to 16 [default: 2, or as many as fit]
    #[arg(long, value_name = "BARS", value_parser = count_in, requires = "click", allow_negative_numbers = true)]
    count_in: Option<u32>,
    /// Length of the click, seconds, 1 to 86400 [default: the song's, or 2 s after a hit list's last hit]
    #[arg(long, value_name = "SECONDS", value_parser = length, requires = "click", allow_negative_numbers = true)]
    length: Option<Seconds>,
}

#[derive(clap::Args)]
#[command(next_help_heading = "Tempo")]
struct Tempo {
    /// Find the tempo from the hits and check against it: for takes without a click
    #[arg(long)]
    find_tempo: bool,
    /// Roughly the tempo, quarter notes a minute, 20 to 400, where the tool might take half or double
    #[arg(long, value_name = "BPM", value_parser = options::bpm, requires = "find_tempo", allow_negative_numbers = true)]
    about: Option<f64>,
    /// Tempo, quarter notes a minute, 20 to 400
    #[arg(long, value_parser = options::bpm, conflicts_with_all = ["tempo", "find_tempo"], allow_negative_numbers = true)]
    bpm: Option<f64>,
    /// MIDI file with tempo and meter changes, its start the start of the audio
    #[arg(long, value_name = "MID", conflicts_with = "find_tempo")]
    tempo: Option<PathBuf>,
    /// Meter that goes with --bpm or --find-tempo [default: 4/4]
    #[arg(long, value_parser = options::meter)]
    meter: Option<Meter>,
    /// Where bar 1 lies in the audio, seconds, -3600 to 86400
    #[arg(long, value_name = "SECONDS", value_parser = options::bar_one, allow_negative_numbers = true)]
    bar_one: Option<Seconds>,
}

fn window(text: &str) -> std::result::Result<f64, String> {
    options::number(text, 1.0..=100.0, "(ms)")
}

fn worst(text: &str) -> std::result::Result<u8, String> {
    options::whole(text, 0..=100, "")
}

fn count_in(text: &str) -> std::result::Result<u32, String> {
    options::whole(text, 0..=i64::from(MOST_COUNT_IN), " (bars)")
}

fn percent(text: &str) -> std::result::Result<f64, String> {
    options::number(text, 0.0..=100.0, "(per cent)")
}

fn rate(text: &str) -> std::result::Result<SampleRate, String> {
    let hz = options::number(text, f64::from(SampleRate::MIN)..=f64::from(SampleRate::MAX), "(Hz)")?;
    SampleRate::new(hz as u32).ok_or_else(|| "it takes a sampling rate in Hz".into())
}

fn length(text: &str) -> std::result::Result<Seconds, String> {
    options::number(text, 1.0..=86_400.0, "(seconds)").map(Seconds)
}

fn limit(text: &str) -> std::result::Result<f64, String> {
    options::number(text, 0.0..=500.0, "(ms)")
}

/// What is to be done, checked.
struct Plan {
    title: String,
    /// The sheet's song, with tempo and grid as they are typed; `None` for a hit list alone.
    song: Option<Song>,
    out: PathBuf,
    list: Option<PathBuf>,
    /// Known tempo: of the sheet or typed.
    map: Option<TempoMap>,
    form: Vec<Section>,
    grid: Grid,
    rate: SampleRate,
    end: Option<Seconds>,
    inputs: Vec<PathBuf>,
    /// Where the strokes came from, in words; empty where that needs no saying.
    from: String,
    findings: Vec<Finding>,
}

impl Plan {
    /// The pull that the sheet asks for.
    fn wanted_pull(&self) -> Option<f64> {
        self.song.as_ref().map(|s| s.trigger_pull).filter(|p| *p > 0.0)
    }
}

impl Args {
    fn plan(&self) -> Result<Plan> {
        let beside = self.input.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let is = |ending: &str| self.input.extension().is_some_and(|e| e.eq_ignore_ascii_case(ending));
        if self.tempo.meter.is_some() && self.tempo.bpm.is_none() && !self.tempo.find_tempo {
            return Err(Error::usage(
                "--meter goes with --bpm or --find-tempo",
                "A sheet and a tempo track bring their own meter: leave --meter out.",
            ));
        }
        // What is not there has no kind: the sheet's reader says that it is missing.
        let mut plan = if is("toml") || (!is("csv") && !self.input.exists()) {
            if self.rate.is_some() {
                return Err(Error::usage(
                    format!("--rate goes with a hit list alone, but {} is a sheet", self.input.display()),
                    "Leave it out: the rate is that of the recordings.",
                ));
            }
            let song = Song::read(&self.input)?;
            let out = folder_for(&self.input, self.out.as_deref());
            Plan {
                title: song.title.clone(),
                list: list_for(self.from_list.as_deref(), &out),
                out,
                map: song.tempo.clone(),
                form: song.form.clone(),
                grid: self.grid.unwrap_or(song.grid),
                rate: song.rate(),
                end: Some(Seconds(song.frames() as f64 / song.rate().hz_f64())),
                inputs: song.files(),
                from: String::new(),
                findings: song.findings(),
                song: Some(song),
            }
        } else if is("csv") {
            if let Err(e) = std::fs::metadata(&self.input) {
                return Err(Located::whole(&self.input, HitListFault::Unreadable(reading_in_words(&e))).into());
            }
            if self.from_list.is_some() {
                return Err(Error::usage("two hit lists are named", "Leave out --from-list, or name a sheet first."));
            }
            Plan {
                title: self.input.file_stem().unwrap_or_default().to_string_lossy().into_owned(),
                song: None,
                out: self.out.clone().unwrap_or_else(|| beside.to_owned()),
                list: Some(self.input.clone()),
                map: None,
                form: Vec::new(),
                grid: self.grid.unwrap_or_default(),
                rate: self.rate.unwrap_or(SampleRate::SESSION),
                end: None,
                inputs: vec![self.input.clone()],
                from: String::new(),
                findings: Vec::new(),
            }
        } else {
            return Err(Error::usage(
                format!("{} is no song sheet, hit list or tempo track", self.input.display()),
                "Name a sheet (.toml), the hits.csv that `underlay hits` wrote for your recording, or a tempo track (.mid) for a click.",
            ));
        };
        plan.inputs.extend(plan.list.iter().chain(&self.tempo.tempo).chain(&self.form_from).cloned());
        self.settle_tempo(&mut plan)?;
        if let Some(song) = &mut plan.song {
            song.tempo.clone_from(&plan.map);
            song.grid = plan.grid;
        }
        Ok(plan)
    }

    /// The tempo that is typed, held against the sheet's: two that contradict each other are refused.
    fn settle_tempo(&self, plan: &mut Plan) -> Result<()> {
        let t = &self.tempo;
        let at = t.bar_one.unwrap_or_else(|| plan.map.as_ref().map_or(Seconds(0.0), TempoMap::bar_one));
        let typed = match (t.bpm.and_then(Bpm::new), &t.tempo) {
            (Some(bpm), _) => Some(TempoMap::constant(bpm, t.meter.unwrap_or(Meter::FOUR_FOUR), at)),
            (None, Some(file)) => {
                let track = read_tempo_track(file, Seconds(0.0))?;
                plan.findings.extend(track.findings);
                Some(t.bar_one.map_or(track.map.clone(), |at| track.map.with_bar_one(at)))
            }
            (None, None) => None,
        };
        if t.find_tempo {
            return Ok(());
        }
        if let (Some(sheet), Some(typed)) = (&plan.map, &typed) {
            let until = plan.end.unwrap_or(Seconds(3600.0));
            if let Some(p) = parting(sheet, typed, until) {
                let said = if t.bpm.is_some() { "--bpm".to_owned() } else { "--tempo".to_owned() };
                return Err(Error::usage(
                    format!(
                        "the sheet and {said} contradict each other: at bar {} they are {:.0} ms apart ({:.2} and {:.2} BPM there)",
                        p.bar,
                        p.by_ms.abs(),
                        p.first_bpm,
                        p.second_bpm
                    ),
                    "Leave out the wrong one; a lasting change belongs in the sheet.",
                ));
            }
        }
        match (typed, &plan.map) {
            (Some(typed), _) => plan.map = Some(typed),
            (None, Some(map)) => plan.map = Some(t.bar_one.map_or(map.clone(), |at| map.clone().with_bar_one(at))),
            (None, None) => {
                return Err(Error::usage(
                    "no tempo is known, so there is no grid to check against",
                    "Give it in the sheet, with --bpm or with --tempo; for a take without a click add --find-tempo.",
                ));
            }
        }
        Ok(())
    }
}

/// What was done.
#[derive(Serialize)]
struct Told<'a> {
    title: &'a str,
    tempo: String,
    grid: String,
    timing: &'a Timing,
    found_tempo: Option<&'a FoundTempo>,
    pull: Option<&'a PullCounts>,
    click: Option<&'a Click>,
    files: Vec<PathBuf>,
}

pub(super) fn execute(args: &Args, held: Option<&Claim>, progress: &dyn Progress) -> Result<Outcome> {
    if ["mid", "midi"].iter().any(|m| args.input.extension().is_some_and(|e| e.eq_ignore_ascii_case(m))) {
        return click::execute(args, held);
    }
    let mut plan = args.plan()?;
    let folder = OutFolder::hold(&plan.out, &args.input, held)?;
    let checked = checked(args, &mut plan, progress)?;
    let until = args.clicking.length.unwrap_or(checked.end);
    let click =
        args.clicking.click.then(|| plan_click(&checked.map, plan.rate, until, args.clicking.count_in)).transpose()?;
    let (written, noticed) = write(args, &plan, &checked, click.as_ref(), &folder)?;
    plan.findings.extend(noticed);
    plan.findings.extend(args.pulling.pull.and_then(|percent| not_delivered(&plan, percent)));
    let pulled = checked.pulled.as_ref();
    let told = Told {
        title: &plan.title,
        tempo: tempo_words(&checked.map),
        grid: plan.grid.to_string(),
        timing: &checked.timing,
        found_tempo: checked.found.as_ref(),
        pull: pulled.map(|p| &p.counts),
        click: click.as_ref(),
        files: written,
    };
    let text = text(&told, pulled, folder.path(), (&args.input, &plan.from));
    Ok(Outcome::new("timing", text, &told, plan.findings)?.in_short(in_short(&told, pulled)).wrote(told.files))
}

/// The take held against its grid.
struct Checked {
    list: HitList,
    /// The tempo that was found, where that was asked for.
    found: Option<FoundTempo>,
    /// The tempo that all is held against: the one found, else the known one.
    map: TempoMap,
    form: Vec<Section>,
    end: Seconds,
    timing: Timing,
    pulled: Option<Pulled>,
}

/// Reads or finds the hits, finds the tempo where that is asked for, checks and pulls. What is noticed joins the plan's findings.
fn checked(args: &Args, plan: &mut Plan, progress: &dyn Progress) -> Result<Checked> {
    let list = strokes(plan, progress)?;
    let no_tempo = |fault: NoTempo| Located::whole(plan.list.as_ref().unwrap_or(&args.input), fault);
    let found = args.tempo.find_tempo.then(|| find_tempo(&list, &hints(args, plan))).transpose().map_err(no_tempo)?;
    plan.findings.extend(found.iter().flat_map(|f| f.findings.iter().cloned()));
    let map = match found.as_ref().map(|f| &f.map).or(plan.map.as_ref()) {
        Some(map) => map.clone(),
        None => return Err(Error::usage("no tempo is known", "Add --bpm, --tempo or --find-tempo.")),
    };
    let last = || list.hits.last().map_or(map.bar_one(), |h| h.pos.at(list.rate));
    let end = plan.end.unwrap_or_else(|| last() + Seconds(2.0));
    let form = form_of(args, plan, &map, end)?;
    let window_ms = args.window.unwrap_or(CheckSettings::WINDOW_MS);
    let worst = args.worst.map_or(CheckSettings::WORST, usize::from);
    let timing = check(&list, &map, &form, &CheckSettings { grid: plan.grid, window_ms, worst }, plan.end);
    plan.findings.extend(timing.findings.iter().cloned());
    if found.is_some() {
        plan.findings.extend(misfit(&timing));
    }
    let (limit_ms, leave_ms) = (args.pulling.limit, args.pulling.leave);
    let settings = args.pulling.pull.or(plan.wanted_pull()).map(|percent| PullSettings { percent, limit_ms, leave_ms });
    let pulled = settings.map(|settings| pull(&list, &map, plan.grid, settings)).transpose()?;
    plan.findings.extend(pulled.iter().flat_map(|pulled| pull_doubts(pulled, &list, &timing)));
    Ok(Checked { list, found, map, form, end, timing, pulled })
}

/// That pulled triggers stay out of the delivery, where the sheet does not ask for them.
fn not_delivered(plan: &Plan, percent: f64) -> Option<Finding> {
    let song = plan.song.as_ref()?;
    let what = match plan.wanted_pull() {
        Some(wanted) if wanted == percent => return None,
        Some(wanted) => format!("the delivery gets triggers pulled {wanted} per cent, as the sheet says, not these"),
        None => "these pulled triggers do not go into the delivery, which has the played ones".into(),
    };
    let remedy = format!("To send them along, write pull = {percent} into [hits] of the sheet.");
    (percent > 0.0).then(|| Finding { remedy, ..Finding::note(&song.sheet, what) })
}

/// The hits of the song, or of the list alone.
fn strokes(plan: &mut Plan, progress: &dyn Progress) -> Result<HitList> {
    let list = plan.list.as_deref();
    if let Some(song) = &plan.song {
        plan.from = list.map_or_else(String::new, |path| format!("strokes from {}", path.display()));
        return hits_of(song, list, &mut plan.findings, progress);
    }
    let Some(path) = list else {
        return Err(Error::usage("there is nothing to check", "Name a sheet or a hit list."));
    };
    let mut read = HitList::read(path, plan.rate, None)?;
    if let Some(map) = &plan.map {
        read.hold_against(map, plan.grid);
    }
    plan.findings.extend(read.findings);
    Ok(read.list)
}

fn hints(args: &Args, plan: &Plan) -> TempoHints {
    let sheet = plan.map.as_ref().and_then(|m| m.meters().first()).map(|m| m.meter);
    TempoHints {
        about: args.tempo.about.and_then(Bpm::new),
        meter: args.tempo.meter.or(sheet).unwrap_or(Meter::FOUR_FOUR),
        bar_one: args.tempo.bar_one,
    }
}

fn form_of(args: &Args, plan: &mut Plan, map: &TempoMap, end: Seconds) -> Result<Vec<Section>> {
    let Some(file) = &args.form_from else { return Ok(plan.form.clone()) };
    let reader = AudioReader::open(file)?;
    let info = reader.info();
    if info.cues.is_empty() {
        return Err(Located::whole(file, AudioFault::NoMarkers).into());
    }
    let (form, findings) = form_of_cues(&info.cues, info.rate, map, end);
    plan.findings.extend(findings);
    Ok(form)
}

/// `104.00 BPM`, `96.00 to 108.00 BPM in 6 steps`, `104.00 BPM after a count-in at 97.20`: bars before bar 1 are often stretched
/// so that bar 1 lies where it does, and are no tempo of the song.
fn tempo_words(map: &TempoMap) -> String {
    let range = |tempos: &[TempoChange]| {
        let bpms = tempos.iter().map(|t| t.bpm());
        let (low, high) = bpms.fold((f64::INFINITY, 0.0), |(low, high): (f64, f64), b| (low.min(b), high.max(b)));
        if low == high { format!("{low:.2}") } else { format!("{low:.2} to {high:.2}") }
    };
    let song = map.tempos_from_bar_one();
    let mut words = format!("{} BPM", range(song));
    if song.len() > 1 {
        let _ = write!(words, " in {} steps", song.len());
    }
    let before = map.tempos().get(..map.tempos().len() - song.len()).unwrap_or_default();
    if !before.is_empty() {
        let _ = write!(words, " after a count-in at {}", range(before));
    }
    words
}

fn click_words(click: &Click) -> String {
    let bars = if click.count_in == 1 { "1 bar".to_owned() } else { format!("{} bars", click.count_in) };
    format!("click: {} beats, {bars} counted in; begin at a low headphone level", click.beats.len())
}

/// Whether the take follows its grid from its own bar 1 to its end, as far as so many strokes tell.
fn on_grid(t: &Timing) -> bool {
    matches!(t.relation, Relation::Follows | Relation::TooFew) && t.slide.is_none() && t.leaves_in_bar.is_none()
}

/// How a found tempo is put to use: by the sheet, or beside a hit list.
fn into_use(told: &Told<'_>, input: &Path) -> String {
    let Some(file) = told.files.iter().find(|f| f.ends_with(FOUND_TEMPO)) else { return "use it".into() };
    if input.extension().is_some_and(|e| e.eq_ignore_ascii_case("csv")) {
        return format!("go on with --tempo \"{}\"", file.display());
    }
    let beside = input.parent().and_then(|folder| file.strip_prefix(folder).ok()).unwrap_or(file);
    let path = beside.to_string_lossy().replace('\\', "/");
    format!("put file = \"{path}\" into [tempo] of the sheet in place of bpm and bar_one: bar 1 is marked in it")
}

/// What to do next.
fn next(told: &Told<'_>, path: &Path) -> String {
    let input = path.display();
    match (told.pull, told.found_tempo) {
        (Some(_), _) if !on_grid(told.timing) => {
            format!("Next: check tempo, bar 1 and grid as said below, then pull again: underlay timing \"{input}\"\n")
        }
        (Some(_), _) if told.timing.common_ms.is_some() => {
            format!("Next: check latency and bar_one as said below, then pull again: underlay timing \"{input}\"\n")
        }
        (Some(_), _) => {
            "Next: drag triggers_on_grid.mid to the start of the audio in place of triggers.mid, and listen\n".into()
        }
        (None, Some(_)) => format!(
            "Next: underlay timing \"{input}\" --find-tempo --click, and listen to it against the take; if it fits, {}\n",
            into_use(told, path)
        ),
        (None, None) if told.timing.strokes == 0 => {
            format!("Next: put right what is said below, then underlay timing \"{input}\" again\n")
        }
        (None, None) if told.timing.slide.is_some() => {
            format!("Next: put bar_one right as said below, then underlay timing \"{input}\" again\n")
        }
        (None, None) if !on_grid(told.timing) => {
            format!("Next: check tempo, bar 1 and grid as said below, then underlay timing \"{input}\" again\n")
        }
        (None, None) if told.timing.common_ms.is_some() => format!(
            "Next: check latency and bar_one as said below, then underlay timing \"{input}\" again; timing.html shows every drum\n"
        ),
        (None, None) => format!(
            "Next: timing.html shows it and tells what such figures mean; tighter triggers: underlay timing \"{input}\" --pull 60\n"
        ),
    }
}

/// The grid, one line a drum, and what a pull did; the sections are on the page.
fn in_short(told: &Told<'_>, pulled: Option<&Pulled>) -> Vec<String> {
    let drums = told.timing.drums.iter().map(|d| drum_words(d, told.timing.settings.window_ms));
    [grid_words(told)].into_iter().chain(drums).chain(pulled.map(pull_words)).collect()
}

/// `104.00 BPM, grid 1/16 (144 ms between lines)`.
fn grid_words(told: &Told<'_>) -> String {
    let triplets = told.timing.settings.grid.triplets().map_or_else(String::new, |word| format!(", {word}"));
    format!("{}, grid {}{triplets} ({:.0} ms between lines)", told.tempo, told.grid, told.timing.step_ms)
}

/// What a pull did, in one line.
fn pull_words(pulled: &Pulled) -> String {
    format!("pulled {} %: {}", pulled.settings.percent, pulled.sentence())
}

fn text(told: &Told<'_>, pulled: Option<&Pulled>, folder: &Path, (input, from): (&Path, &str)) -> String {
    let title = if from.is_empty() { told.title.to_owned() } else { format!("{}: {from}", told.title) };
    let mut text = format!("{title}\n  {}\n", grid_words(told));
    if let Some(found) = told.found_tempo {
        let _ = writeln!(
            text,
            "  found from the hits: {}, certainty {:.0} %, bar 1 at {}",
            found.words(),
            found.certainty.beats * 100.0,
            found.map.bar_one()
        );
    }
    for line in summary(told.timing) {
        let _ = writeln!(text, "  {line}");
    }
    if let Some(pulled) = pulled {
        let _ = writeln!(text, "  {}", pull_words(pulled));
    }
    if let Some(click) = told.click {
        let _ = writeln!(text, "  {}", click_words(click));
    }
    let names: Vec<String> =
        told.files.iter().map(|f| f.strip_prefix(folder).unwrap_or(f).to_string_lossy().into_owned()).collect();
    if !names.is_empty() {
        let _ = writeln!(text, "Written to {}: {}", folder.display(), names.join(", "));
    }
    text += &next(told, input);
    text
}
