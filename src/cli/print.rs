//! `underlay print SHEET`: sample layers under the real drums.

use super::files::OutFolder;
use super::options;
use super::outcome::Outcome;
use super::take::{Take, TakeArgs, put_pictures};
use crate::error::{Error, Located, Result};
use crate::finding::{Finding, Weight, counted};
use crate::layer::{
    BUILT_IN, FARTHEST_MS, Layer, LayerReport, Preview, layer_csv, layer_triggers, other_drum, prepare, preview,
    with_others,
};
use crate::midi::{FileMap, MidiFault, triggers};
use crate::output::{Claim, fault_of, file_stem};
use crate::progress::Progress;
use crate::report::{Picture, layer_gains};
use crate::song::{Drum, LayerPlan, Song};
use crate::timing::{CheckSettings, PullSettings, Pulled, check, pull, pull_doubts};
use crate::units::{Decibels, SamplePos, SampleRate, Seconds};
use serde::Serialize;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// Folder for printed layers inside the folder for results.
pub(super) const LAYERS: &str = "layers";
/// Folder for files to listen to, away from the layers, whose names they might have.
const PREVIEWS: &str = "previews";
/// The map of all printed strokes, in the folder for results.
pub(super) const MAP: &str = "layer.csv";
/// Level of the layers that are printed when the sheet names none, dB against the real drum.
const DEFAULT_LEVEL: Decibels = Decibels(-6.0);

const EXAMPLES: &str = "\
Examples:
  underlay print song.toml             every layer of the sheet
  underlay print song.toml --layer snare_fat --preview 20s  one layer, and files to listen to
  underlay print song.toml --from-list edited.csv  from a hit list that you edited
  underlay print song.toml --pull 100  on the grid instead of as played
  underlay print song.toml --samples ~/one-shots/snare --drum snare  a folder of one-shots
  underlay print song.toml --sets      what each layer's set was understood as

A layer's track is 24-bit, begins at zero and ends with the song. Every stroke lies attack on attack with the real \
one and is then moved by up to 2 ms, or its sign flipped, so that both add up in the drum's low band. Writes \
layers/NAME.wav, layers/NAME.mid, layer.csv (which one-shot falls where) and pictures/layer_*.svg; files to listen to go \
into previews/. Start with a low headphone level when you listen to a layer for the first time.";

/// Print phase-aligned sample layers under kick and snare
#[derive(clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    #[command(flatten)]
    take: TakeArgs,
    /// Print only this layer of the sheet; may be given several times
    #[arg(long, value_name = "NAME")]
    layer: Vec<String>,
    /// Print on the grid: this share of the way, per cent, 0 to 100 [default: the layer's own `pull`, else as played]
    #[arg(long, value_name = "PERCENT", value_parser = percent, allow_negative_numbers = true)]
    pull: Option<f64>,
    /// Write real drum, layer and both over the loudest stretch, so many seconds, 1 to 120
    #[arg(long, value_name = "SECONDS", value_parser = seconds, allow_negative_numbers = true)]
    preview: Option<Seconds>,
    /// Say how each sample set was understood, and print nothing
    #[arg(long)]
    sets: bool,
    /// Write pictures as PNG too
    #[arg(long)]
    png: bool,
    #[command(flatten)]
    single: Single,
}

#[derive(clap::Args)]
#[command(next_help_heading = "A layer that is not in the sheet")]
struct Single {
    /// Folder of one-shots, or single files
    #[arg(long, value_name = "PATH", num_args = 1.., requires = "drum", conflicts_with_all = ["set", "layer"])]
    samples: Vec<PathBuf>,
    /// Built-in set: kick-round, kick-tight, snare-full, snare-crisp or snare-dry
    #[arg(long, value_name = "SET", conflicts_with = "layer")]
    set: Option<String>,
    /// Drum that it lies under: kick or snare
    #[arg(long, value_parser = ["kick", "snare"], conflicts_with = "layer")]
    drum: Option<String>,
    /// Level against the real drum, dB, -60 to 24 [default: -6]
    #[arg(long, value_name = "DB", value_parser = level, allow_negative_numbers = true)]
    level: Option<f64>,
    /// 0 = all strokes equal, 100 = as played [default: 100]
    #[arg(long, value_name = "PERCENT", value_parser = percent, allow_negative_numbers = true)]
    dynamics: Option<f64>,
    /// Seed of the choice among alike one-shots, a whole number from 0 [default: 1]
    #[arg(long, value_name = "N", value_parser = seed, allow_negative_numbers = true)]
    seed: Option<u32>,
    /// Cut tails at the next stroke
    #[arg(long)]
    choke: bool,
}

fn percent(text: &str) -> std::result::Result<f64, String> {
    options::number(text, 0.0..=100.0, "(per cent)")
}

fn level(text: &str) -> std::result::Result<f64, String> {
    options::number(text, -60.0..=24.0, "(dB)")
}

fn seed(text: &str) -> std::result::Result<u32, String> {
    options::whole(text, 0..=i64::from(u32::MAX), "")
}

/// `20`, `20s` or `20 s`.
fn seconds(text: &str) -> std::result::Result<Seconds, String> {
    options::number(text.trim().trim_end_matches('s'), 1.0..=120.0, "(seconds)").map(Seconds)
}

/// What became of one layer.
#[derive(Serialize)]
struct Printed {
    report: LayerReport,
    file: PathBuf,
    midi: PathBuf,
    /// Largest distance of a note from its printed attack, ms.
    midi_error_ms: f64,
    /// Share of the way to the grid, per cent.
    pull: f64,
    preview: Option<Preview>,
}

/// What was done.
#[derive(Serialize)]
struct Told<'a> {
    title: &'a str,
    hits_from: &'a Option<PathBuf>,
    layers: &'a [Printed],
    map: PathBuf,
    files: Vec<PathBuf>,
}

impl Single {
    fn any(&self) -> bool {
        self.drum.is_some() || self.set.is_some()
    }

    fn plan(&self) -> Result<LayerPlan> {
        let of_set = self.set.as_ref().and_then(|s| BUILT_IN.iter().find(|b| b.name == s)).map(|b| b.drum);
        let Some(drum) = self.drum.as_deref().and_then(Drum::from_word).or(of_set) else {
            let names: Vec<&str> = BUILT_IN.iter().map(|b| b.name).collect();
            return Err(Error::usage(
                format!("there is no built-in set \"{}\"", self.set.as_deref().unwrap_or("")),
                format!("Built-in sets are {}; or add --drum and --samples.", names.join(", ")),
            ));
        };
        Ok(LayerPlan {
            level: self.level.map_or(DEFAULT_LEVEL, Decibels),
            dynamics: self.dynamics.unwrap_or(100.0),
            seed: u64::from(self.seed.unwrap_or(1)),
            choke: self.choke,
            samples: self.samples.clone(),
            built_in: self.set.clone(),
            ..default_plan(drum)
        })
    }
}

/// The layer that lies under a drum when nothing else is said.
pub(super) fn default_plan(drum: Drum) -> LayerPlan {
    LayerPlan {
        name: format!("{drum}_layer"),
        drum,
        samples: Vec::new(),
        built_in: None,
        level: DEFAULT_LEVEL,
        dynamics: 100.0,
        seed: 1,
        choke: false,
        sections: Vec::new(),
        pull: 0.0,
        pan: 0.0,
    }
}

impl Args {
    /// The layers to print, checked.
    fn plans(&self, song: &Song) -> Result<Vec<LayerPlan>> {
        if self.single.any() {
            return Ok(vec![self.single.plan()?]);
        }
        let given = [
            (self.single.level.is_some(), "--level"),
            (self.single.dynamics.is_some(), "--dynamics"),
            (self.single.seed.is_some(), "--seed"),
            (self.single.choke, "--choke"),
        ];
        if let Some((_, option)) = given.iter().find(|g| g.0) {
            return Err(Error::usage(
                format!("{option} goes with --samples or --set; the layers of a sheet have their own"),
                "Set it in the sheet's [[layer]], so that it is kept.",
            ));
        }
        if let (true, Some(unknown)) = (song.layers.is_empty(), self.layer.first()) {
            return Err(Error::usage(
                format!("the sheet has no layer \"{unknown}\": it names none at all"),
                "Add a [[layer]] to the sheet, or leave out --layer to print the built-in ones.",
            ));
        }
        if song.layers.is_empty() {
            let drums = Drum::FOUND.into_iter().filter(|d| song.mics_of(*d).next().is_some());
            return Ok(drums.map(default_plan).collect());
        }
        if let Some(unknown) = self.layer.iter().find(|n| !song.layers.iter().any(|l| l.name == **n)) {
            let names: Vec<&str> = song.layers.iter().map(|l| l.name.as_str()).collect();
            return Err(Error::usage(
                format!("the sheet has no layer \"{unknown}\""),
                format!("Its layers are {}.", names.join(", ")),
            ));
        }
        let wanted = |l: &&LayerPlan| self.layer.is_empty() || self.layer.contains(&l.name);
        Ok(song.layers.iter().filter(wanted).cloned().collect())
    }
}

/// Where a layer is printed to.
pub(super) fn layer_file(out: &Path, name: &str) -> PathBuf {
    out.join(LAYERS).join(format!("{}.wav", file_stem(name)))
}

pub(super) fn execute(args: &Args, held: Option<&Claim>, progress: &dyn Progress) -> Result<Outcome> {
    let (song, out) = args.take.song()?;
    let mut findings = Vec::new();
    let plans = args.plans(&song)?;
    if args.sets {
        return sets(&song, &plans, findings);
    }
    let folder = OutFolder::hold(&out, &song.sheet, held)?;
    let mut take = args.take.open(song, out, progress)?;
    take.inputs.extend(plans.iter().flat_map(LayerPlan::files));
    let take = take;
    findings.splice(0..0, take.findings.iter().cloned());
    let mut batch = take.batch();
    // Made here so that they vanish again if nothing is put into them.
    let _layers = OutFolder::prepare(&folder.file(LAYERS))?;
    let previews = args.preview.map(|_| OutFolder::prepare(&folder.file(PREVIEWS))).transpose()?;
    let mut printed: Vec<Printed> = Vec::new();
    let mut pictures: Vec<Picture> = Vec::new();
    let mut silent: Vec<PathBuf> = Vec::new();
    progress.begin("printing layers", plans.len() as u64);
    for plan in &plans {
        let share = args.pull.unwrap_or(plan.pull);
        // As it is printed, so that its map tells what was asked for on the command line.
        let plan = &LayerPlan { pull: share, ..plan.clone() };
        let pulled = targets(&take, share, plan)?;
        let layer = prepare(&take.song, plan, &take.list, pulled.as_ref().map(|p| p.targets.as_slice()))?;
        findings.extend(pulled.and_then(|pulled| doubtful(&take, plan, &pulled)));
        findings.extend(layer.report.findings.iter().cloned());
        findings.extend(left(&layer.report));
        if at_limit(layer.report.common_lag, layer.report.rate) {
            findings.push(Finding {
                weight: Weight::Note,
                file: None,
                what: format!(
                    "the layer {} was moved by {FARTHEST_MS:.0} ms, as far as is searched: the samples may fit this drum badly",
                    plan.name
                ),
                remedy: "Listen to it with the drum (--preview 20s); where it sounds thin, try other samples.".into(),
            });
        }
        let file = layer_file(&take.out, &plan.name);
        batch.check(&file)?;
        if layer.report.hits.is_empty() {
            // A silent file would be taken for a layer by whoever comes next; so would an older one of that name.
            batch.check(&file.with_extension("mid"))?;
            silent.push(file);
            progress.advance(1);
            continue;
        }
        batch.add(layer.print(&file)?);
        let midi = file.with_extension("mid");
        let (bytes, midi_error_ms) = layer_midi(&take.song, &layer, &midi)?;
        batch.put(&midi, &bytes)?;
        let preview = match args.preview.zip(previews.as_ref()) {
            None => None,
            Some((length, previews)) => {
                let (told, files) = preview(&take.song, &layer, length, previews.path())?;
                for file in files {
                    batch.check(file.target())?;
                    batch.add(file);
                }
                Some(told)
            }
        };
        pictures.push(layer_gains(&layer.report));
        printed.push(Printed { report: layer.report, file, midi, midi_error_ms, pull: share, preview });
        progress.advance(1);
    }
    progress.end();
    let map = folder.file(MAP);
    let now: Vec<PathBuf> = plans.iter().map(|p| layer_file(&take.out, &p.name)).collect();
    batch.put(&map, map_with_others(&take, &map, &now, &layer_csv(printed.iter().map(|p| &p.report))).as_bytes())?;
    put_pictures(&mut batch, folder.path(), &pictures, args.png)?;
    let files = batch.commit()?;
    for file in silent.iter().flat_map(|f| [f.clone(), f.with_extension("mid")]).filter(|f| f.is_file()) {
        std::fs::remove_file(&file).map_err(|e| Located::whole(&file, fault_of(&e)))?;
    }
    findings.extend(not_in_sheet(&take.song, &printed));
    let told = Told { title: &take.song.title, hits_from: &take.list_from, layers: &printed, map, files };
    let short = printed.iter().map(|p| in_short(&p.report)).collect();
    Ok(Outcome::new("print", summary(&take, &told), &told, findings)?.in_short(short).wrote(told.files))
}

/// A layer in one short line. Strokes that a pull has left where they were are told among the findings.
fn in_short(r: &LayerReport) -> String {
    let gain = r.sum.as_ref().map(|s| format!(", adds {:.1} dB in the drum's low band", s.median_after));
    format!("{}: {} under the {}{}", r.name, counted(r.hits.len(), "stroke"), r.drum, gain.unwrap_or_default())
}

/// That strokes of a pulled layer stay where they were played, and how they are found.
fn left(report: &LayerReport) -> Option<Finding> {
    let left: usize = report.pulled.iter().filter(|(because, _)| because.leaves()).map(|(_, n)| n).sum();
    let many = left as f64 > PullSettings::MANY_LEFT * report.hits.len() as f64;
    Some(Finding {
        weight: if many { Weight::Caution } else { Weight::Note },
        file: None,
        what: format!("layer {}: {}", report.name, report.left_words()?),
        remedy: format!(
            "The column `why` of {MAP} names each. Where you move the real strokes to the grid, leave these too; where many are \
             left, check tempo, bar 1 and grid with `underlay timing`."
        ),
    })
}

/// Whether layers that the sheet does not have go along with the delivery, and how to have it otherwise.
fn not_in_sheet(song: &Song, printed: &[Printed]) -> Option<Finding> {
    let of_sheet = |p: &&Printed| song.layers.iter().any(|l| l.name == p.report.name);
    let others: Vec<&Printed> = printed.iter().filter(|p| !of_sheet(p)).collect();
    let list = |one: fn(&Printed) -> String| others.iter().map(|p| one(p)).collect::<Vec<_>>().join(" and ");
    let names = list(|p| p.report.name.clone());
    let (what, remedy) = if others.is_empty() {
        return None;
    } else if song.layers.is_empty() {
        let files = list(|p| p.file.display().to_string());
        (
            format!(
                "the sheet has no [[layer]]: what is printed by hand ({names}) goes into the rough mix and the delivery as \
                 long as it lies there"
            ),
            format!("To keep it out, delete {files}. To have it for good, write a [[layer]] into the sheet."),
        )
    } else {
        (
            format!(
                "the sheet has no [[layer]] called {names}: this print goes neither into the rough mix nor into the delivery"
            ),
            "To send it along, write a [[layer]] for it into the sheet.".into(),
        )
    };
    Some(Finding { remedy, ..Finding::note(&song.sheet, what) })
}

/// The map of what was printed now, together with the rows of layers that were not and whose files are as they were when the
/// former map was written. `now`: files that this run prints, or takes away.
fn map_with_others(take: &Take, map: &Path, now: &[PathBuf], fresh: &str) -> String {
    // A map that is not there or cannot be read knows of no layer.
    let old = std::fs::read_to_string(map).unwrap_or_default();
    let written = |file: &Path| std::fs::metadata(file).and_then(|m| m.modified()).ok();
    let stem = |file: &Path| file.file_stem().map(|s| s.to_string_lossy().to_lowercase());
    let keep = |name: &str| {
        let file = layer_file(&take.out, name);
        let same = now.iter().any(|n| stem(n) == stem(&file));
        !same && written(&file).zip(written(map)).is_some_and(|(file, map)| file <= map)
    };
    let order: Vec<String> = match take.song.layers.as_slice() {
        [] => Drum::FOUND.map(|d| default_plan(d).name).into(),
        layers => layers.iter().map(|l| l.name.clone()).collect(),
    };
    with_others(fresh, &old, &order, keep)
}

/// Every hit of the list pulled to the grid; `None` for as played.
fn targets(take: &Take, share: f64, plan: &LayerPlan) -> Result<Option<Pulled>> {
    if share <= 0.0 {
        return Ok(None);
    }
    let Some(map) = &take.song.tempo else {
        return Err(Error::usage(
            format!("layer {} cannot be printed on the grid: the song has no tempo", plan.name),
            "Give the sheet a bpm or a tempo file, or print as played (--pull 0).",
        ));
    };
    Ok(Some(pull(&take.list, map, take.song.grid, PullSettings::percent(share)?)?))
}

/// What speaks against the pull of a layer: a take that does not follow the grid.
fn doubtful(take: &Take, plan: &LayerPlan, pulled: &Pulled) -> Option<Finding> {
    let map = take.song.tempo.as_ref()?;
    let timing = check(&take.list, map, &take.song.form, &CheckSettings::on(take.song.grid), None);
    let doubt = pull_doubts(pulled, &take.list, &timing).into_iter().next()?;
    let why = doubt.what.trim_end_matches('.');
    Some(Finding::song(
        format!("the pull of layer {} to the grid is doubtful: \"{why}\"", plan.name),
        "Run `underlay timing` on the sheet and put right what it says, or print the layer as played (pull = 0).",
    ))
}

/// The layer's MIDI file and its largest rounding, ms.
fn layer_midi(song: &Song, layer: &Layer, path: &Path) -> Result<(Vec<u8>, f64)> {
    let map = match &song.tempo {
        Some(map) => FileMap::of(map).map_err(|e| Located::whole(path, MidiFault::Tempo(e)))?,
        None => FileMap::unknown(),
    };
    let key = if layer.report.drum == Drum::Kick { song.keys.0 } else { song.keys.1 };
    let end = SamplePos(song.frames()).at(song.rate());
    let file = triggers(&song.title, &map, &[layer_triggers(&layer.report, key)], 0.0, Some(end))?;
    Ok((file.bytes, file.rounding.max_ms))
}

/// `--sets`: what every layer's set was understood as.
fn sets(song: &Song, plans: &[LayerPlan], mut findings: Vec<Finding>) -> Result<Outcome> {
    let mut text = String::new();
    let mut told = Vec::new();
    for plan in plans {
        let set = if plan.samples.is_empty() {
            findings.extend(other_drum(plan));
            crate::layer::built_in(plan.built_in.as_deref().unwrap_or(""), plan.drum, song.rate(), &song.sheet)?
        } else {
            let (set, noticed) = crate::layer::load(&plan.samples, song.rate())?;
            findings.extend(noticed);
            set
        };
        let by = match set.told_by {
            crate::layer::ToldBy::Names => "file names",
            crate::layer::ToldBy::Level => "measured level",
        };
        // Writing to a string cannot fail.
        let _ = writeln!(
            text,
            "Layer {} ({}): set {}, {} one-shots in {} velocity layers, told by {by}",
            plan.name,
            plan.drum,
            set.name,
            set.shots.len(),
            set.layers.len()
        );
        let listing = set.listing();
        for l in &listing {
            let _ = writeln!(
                text,
                "  velocity {:3} to {:3}  {} of {}  {:6.1} dBFS  {:5.2} s  {}  {}",
                l.velocities.0,
                l.velocities.1,
                l.robin.0,
                l.robin.1,
                l.level_dbfs,
                l.frames as f64 / song.rate().hz_f64(),
                if l.channels == 2 { "stereo" } else { "mono" },
                l.shot
            );
        }
        told.push((plan.name.clone(), listing));
    }
    Outcome::new("print", text, &told, findings)
}

/// Whether a lag, samples, is the furthest that is searched, to half a sample.
fn at_limit(lag: f64, rate: SampleRate) -> bool {
    lag.abs() >= FARTHEST_MS * rate.hz_f64() / 1000.0 - 0.5
}

fn summary(take: &Take, told: &Told<'_>) -> String {
    let mut text = format!("{}: {}.\n", told.title, take.source());
    for p in told.layers {
        let r = &p.report;
        let played = if p.pull > 0.0 { format!("{:.0} % of the way to the grid", p.pull) } else { "as played".into() };
        let off = if r.off > 0 { format!(", {} in sections that are off", r.off) } else { String::new() };
        // Writing to a string cannot fail.
        let strokes = counted(r.hits.len(), &format!("{} stroke", r.drum));
        let _ = writeln!(text, "\n{}: {strokes} from set {}, {played}{off}", r.name, r.set);
        if let (Some(sum), Some(mic)) = (&r.sum, &r.aligned_with) {
            let sign = if r.common_inverted { "sign flipped" } else { "sign as it is" };
            let lag = r.common_lag * 1000.0 / r.rate.hz_f64();
            let _ = writeln!(
                text,
                "  aligned with {mic}: {sign}, {lag:+.2} ms{} for most strokes; {} with their own",
                if at_limit(r.common_lag, r.rate) { " (the limit of the search)" } else { "" },
                sum.own
            );
            let _ = writeln!(
                text,
                "  low band {:.0} to {:.0} Hz, with the real drum: {:+.1} dB (weakest stroke {:+.1}); unaligned it would be {:+.1} (weakest {:+.1}, {} losing)",
                sum.band.low,
                sum.band.high,
                sum.median_after,
                sum.lowest_after,
                sum.median_before,
                sum.lowest_before,
                sum.losing_before
            );
        }
        let room = if r.headroom.0 < 0.0 {
            format!(", printed {:.1} dB lower to stay below full scale", -r.headroom.0)
        } else {
            String::new()
        };
        let _ = writeln!(text, "  peak {}{room}; MIDI within {:.2} ms of the print", r.peak, p.midi_error_ms);
        if let Some(pre) = &p.preview {
            let at = pre.start.at(r.rate);
            let gain = if pre.gain.0 < 0.0 { format!(", all {:.1} dB lower", -pre.gain.0) } else { String::new() };
            let _ = writeln!(text, "  preview from {at}: {} files{gain}", pre.files.len());
        }
    }
    if told.layers.is_empty() {
        text.push_str("\nThere is no stroke to lay a sample under: no layer was printed.\n");
        return text;
    }
    let previews =
        if told.layers.iter().any(|p| p.preview.is_some()) { format!(", {PREVIEWS}/") } else { String::new() };
    let _ = writeln!(text, "\nWritten to {}: {LAYERS}/{previews}, {MAP}, pictures.", take.out.display());
    let sheet = take.song.sheet.display();
    let _ = writeln!(text, "Next: underlay rough \"{sheet}\" to hear it with the whole kit; begin at a low level");
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lag_of_two_ms_either_way_is_the_limit_of_the_search() {
        let rate = SampleRate::SESSION;
        assert!(at_limit(96.0, rate) && at_limit(-95.8, rate));
        assert!(!at_limit(0.0, rate) && !at_limit(-95.0, rate));
    }
}
