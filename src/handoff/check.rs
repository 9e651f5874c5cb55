//! Everything that is checked before a delivery is made, with what to do about it.
//!
//! In: the plan, the facts of every file, the song. Out: findings: errors stop the handoff, cautions and notes go with it.
//! Nothing is read here; the numbers come from [`scan`](super::scan).

use super::convert::{guide_gain, highest, is_exact};
use super::midi::pull_finding;
use super::name::{LONG_TITLE, loses_letters};
use super::plan::{Item, Kind, Plan};
use super::scan::Facts;
use crate::audio::resampled_frames;
use crate::finding::{Finding, Weight};
use crate::hits::HitList;
use crate::song::{Drum, Polarity, Song};
use crate::units::{Dbfs, SamplePos, Seconds};
use std::collections::HashMap;
use std::path::PathBuf;

/// Level that a tail may have where the file ends.
pub const TAIL_LIMIT: Dbfs = Dbfs(-50.0);
/// Peak under which a file counts as silent.
pub const SILENT: Dbfs = Dbfs(-80.0);
/// How much shorter than the song a mic may be without a word.
const SHORT: Seconds = Seconds(1.0);
/// Silence at the start that is worth a word.
const LATE: Seconds = Seconds(2.0);

/// Checks everything. Findings come in the order of the files, what many files share as one, then those of the song as a
/// whole.
pub(super) fn check(song: &Song, plan: &Plan, facts: &[Facts], hits: Option<&HitList>) -> Vec<Finding> {
    let mut out = Vec::new();
    let reference = common_reference(plan);
    let mut conversions: Vec<(&PathBuf, String)> = Vec::new();
    let mut of_files = Vec::new();
    for (item, f) in plan.items.iter().zip(facts) {
        levels(song, plan, item, f, &mut of_files);
        place_in_time(song, item, f, reference, &mut of_files);
        conversions.extend(formats(plan, item, f, &mut of_files).map(|what| (&item.source, what)));
        names(item, &mut of_files);
    }
    shared(of_files, plan.items.len(), &mut out);
    gathered(conversions, plan.items.len(), &mut out);
    tails(plan, facts, &mut out);
    twins(plan, facts, &mut out);
    lead_in(song, plan, facts, &mut out);
    papers(song, plan, hits, &mut out);
    out
}

fn levels(song: &Song, plan: &Plan, item: &Item, f: &Facts, out: &mut Vec<Finding>) {
    let file = &item.source;
    let at_rate = if f.info.rate == plan.rate { String::new() } else { format!(" at {}", plan.rate) };
    if f.levels.peak < SILENT {
        let how = if f.levels.peak == Dbfs::SILENCE { "is digital silence" } else { "holds nothing above -80 dBFS" };
        let what = format!("{} {how}", item.role);
        let remedy = match item.kind {
            Kind::Layer if song.layers.iter().any(|l| l.name == item.name) => {
                "Look at the layer's level in the sheet and print it again with `underlay print`, or take it out of the sheet."
            }
            Kind::Layer => "Print it again with `underlay print`, or delete this file.",
            Kind::Mix => "Make it again with `underlay rough`, or delete this file.",
            _ => "Name the right file in the sheet, or take this one out of it.",
        };
        out.push(Finding::error(file, what, remedy));
        return;
    }
    let lowered = guide_gain(item, f);
    if lowered.0 < 0.0 {
        let (peak, by) = (highest(f).0, -lowered.0);
        out.push(Finding::note(
            file,
            format!("its peaks reach {peak:+.1} dBFS{at_rate}, so the delivered copy is {by:.1} dB softer"),
        ));
    } else if item.kind == Kind::Mix {
        // What it holds is told of the recordings that it was made from.
    } else if f.levels.peak.0 > 0.0 {
        out.push(Finding::error(
            file,
            format!("its peaks reach {:+.1} dBFS in floating point; the delivery would clip them", f.levels.peak.0),
            "Export it with its level lowered until its peaks are below 0 dBFS.",
        ));
    } else {
        // Clipped places, an offset, a file that barely sounds: said as everywhere, and delivered as it is.
        // A guide is the client's own: how loud it was made is no matter of the drummer's.
        let clipped = (item.kind == Kind::Guide).then(|| f.levels.clipped(&f.info)).flatten();
        let told = |t: Finding| if clipped.as_ref() == Some(&t) { Finding::note(file, t.what) } else { t };
        out.extend(f.levels.findings(&f.info).into_iter().map(told));
        if f.peak.0 > 0.0 {
            out.push(Finding::caution(
                file,
                format!("its peaks reach {:+.1} dBFS{at_rate}; the delivery holds them at full scale", f.peak.0),
                "Deliver at the rate it was recorded at, or export it with its level lowered by a little more than that.",
            ));
        }
    }
    if f.levels.same_channels && item.kind != Kind::Mix {
        out.push(Finding::caution(
            file,
            "both channels of this stereo file are the same",
            "Export it as mono: half the size and no doubt about the picture. It is delivered as it is.",
        ));
    }
    out.extend(f.info.repairs.iter().cloned());
}

/// The time reference that most of the mics share that carry one; 0 where none does.
fn common_reference(plan: &Plan) -> u64 {
    let mut count: HashMap<u64, usize> = HashMap::new();
    for reference in plan.items.iter().filter(|i| i.kind == Kind::Mic).filter_map(reference) {
        *count.entry(reference).or_default() += 1;
    }
    // The smaller one where two are equally common, so that the outcome is always the same.
    count.into_iter().max_by_key(|&(r, n)| (n, std::cmp::Reverse(r))).map_or(0, |(r, _)| r)
}

/// The time stamp of a file; `None` where it carries none.
fn reference(item: &Item) -> Option<u64> {
    item.info.bext.as_ref().map(|b| b.time_reference)
}

fn place_in_time(song: &Song, item: &Item, f: &Facts, common: u64, out: &mut Vec<Finding>) {
    let (file, rate) = (&item.source, f.info.rate);
    let end = resampled_frames(song.frames(), song.rate(), rate);
    let stamped = reference(item);
    let own = stamped.unwrap_or(0);
    if item.kind == Kind::Mic && stamped.is_some() && own != common {
        let late = own as f64 - common as f64;
        let by = Seconds(late.abs() / rate.hz_f64());
        let word = if late > 0.0 { "later" } else { "earlier" };
        let fits = late > 0.0 && (f.frames as f64 + late - end as f64).abs() < 0.1 * rate.hz_f64();
        let what = format!("its time stamp says that it starts {by} {word} than the other mics");
        let remedy = "Export it again from the same start as the others, or take its time stamp off.";
        // A file that is short by just that much was surely cut at its start: delivered from zero it would lie wrong.
        out.push(if fits { Finding::error(file, what, remedy) } else { Finding::caution(file, what, remedy) });
    } else if own != 0 {
        let time = SamplePos(own).at(rate);
        out.push(Finding::note(file, format!("its time stamp starts at {time}; the delivered copy starts at zero")));
    }
    let short = end.saturating_sub(f.frames);
    if short > 0 && item.kind == Kind::Mic {
        let what = format!("it ends {} before the song does; silence is added", SamplePos(short).at(rate));
        if SamplePos(short).at(rate) > SHORT {
            out.push(Finding::caution(
                file,
                what,
                "Check that the recording is complete, or set the song's end in the sheet.",
            ));
        } else {
            out.push(Finding::note(file, what));
        }
    }
}

/// Cautions about a file's rate and depth; comes back with what is converted, behind `is` or `are`.
fn formats(plan: &Plan, item: &Item, f: &Facts, out: &mut Vec<Finding>) -> Option<String> {
    let (file, info) = (&item.source, &f.info);
    let mut converted = Vec::new();
    if info.rate != plan.rate {
        let (from, to) = (info.rate, plan.rate);
        if from.hz() < to.hz() {
            out.push(Finding::caution(
                file,
                format!("it was recorded at {from}; going up to {to} adds nothing above what is there"),
                "Record at the delivery's rate next time; this copy is converted.",
            ));
        } else {
            converted.push(format!("converted from {from} to {to}"));
        }
    }
    let bits = info.format.bits();
    if info.format.is_integer() && bits < plan.bits {
        let what = format!("it is a {bits}-bit recording; {} bit adds no resolution", plan.bits);
        out.push(Finding::caution(file, what, "Record at 24 bit next time; this copy is delivered unharmed."));
    } else if !is_exact(item, plan, f) && (!info.format.is_integer() || bits > plan.bits) {
        let from = if bits == 0 { "a lossy format".to_owned() } else { format!("{bits} bit") };
        converted.push(format!("brought from {from} to {} bit with dither", plan.bits));
    }
    (!converted.is_empty()).then(|| converted.join(" and "))
}

/// Cautions that several files have in common become one that names them; everything else stays as it is.
fn shared(findings: Vec<Finding>, all: usize, out: &mut Vec<Finding>) {
    let mut rest = findings;
    while !rest.is_empty() {
        let first = rest.remove(0);
        let same = |f: &Finding| {
            f.weight == Weight::Caution && (f.weight, &f.what, &f.remedy) == (first.weight, &first.what, &first.remedy)
        };
        let (alike, others): (Vec<_>, Vec<_>) = rest.into_iter().partition(same);
        rest = others;
        if alike.is_empty() {
            out.push(first);
            continue;
        }
        let name = |f: &Finding| f.file.as_ref().and_then(|p| p.file_name()).map(|n| n.to_string_lossy().into_owned());
        let names: Vec<String> = std::iter::once(&first).chain(&alike).filter_map(name).collect();
        let files = match names.len() {
            n if n == all => "every file".to_owned(),
            n => format!("each of {n} files ({})", names.join(", ")),
        };
        out.push(Finding { file: None, what: format!("{files}: {}", first.what), ..first });
    }
}

/// Files that still sound where they end: one caution for those whose recording ends there, one for those that the song's end
/// cuts. Only the latter are helped by a later end.
fn tails(plan: &Plan, facts: &[Facts], out: &mut Vec<Finding>) {
    let listened_to = |i: &Item| matches!(i.kind, Kind::Guide | Kind::Mix);
    let sounding = |(i, f): &(&Item, &Facts)| f.tail > TAIL_LIMIT && f.levels.peak >= SILENT && !listened_to(i);
    // A layer is printed up to the song's end.
    let cut = |(i, f): &(&Item, &Facts)| f.frames < f.info.frames || i.kind == Kind::Layer;
    let (cut, ended): (Vec<_>, Vec<_>) = plan.items.iter().zip(facts).filter(sounding).partition(cut);
    let longer = |(i, f): &(&Item, &Facts)| i.kind == Kind::Guide && f.frames < f.info.frames && f.tail > TAIL_LIMIT;
    for (guide, f) in plan.items.iter().zip(facts).filter(longer) {
        let time = |frames| SamplePos(frames).at(f.info.rate);
        out.push(Finding::caution(
            &guide.source,
            format!("it goes on up to {} and is cut at the song's end, {}", time(f.info.frames), time(f.frames)),
            "Where the song goes on without drums, set `end` in [song] of the sheet to where it ends.",
        ));
    }
    for (files, where_, remedy) in [
        (cut, "where the song's end cuts it", "Set a later song end in the sheet, so that the last stroke rings out."),
        (ended, "where its recording ends", "Let the last stroke ring out in the recording or its export."),
    ] {
        let level = |(i, f): &(&Item, &Facts)| format!("{} {}", i.name, f.tail);
        match files.as_slice() {
            [] => {}
            [(item, f)] => {
                let end = SamplePos(f.frames).at(f.info.rate);
                out.push(Finding::caution(
                    &item.source,
                    format!("it still sounds ({}) {where_}, at {end}", f.tail),
                    remedy,
                ));
            }
            many => out.push(Finding::song(
                format!(
                    "{} of {} files still sound {}: {}",
                    many.len(),
                    plan.items.len(),
                    where_.replace("its recording ends", "their recordings end").replace("cuts it", "cuts them"),
                    many.iter().map(level).collect::<Vec<_>>().join(", ")
                ),
                remedy,
            )),
        }
    }
}

/// One note for all files that are converted alike; one file is named.
fn gathered(conversions: Vec<(&PathBuf, String)>, all: usize, out: &mut Vec<Finding>) {
    let mut rest = conversions;
    while let Some((file, what)) = rest.first().cloned() {
        let (alike, others): (Vec<_>, Vec<_>) = rest.into_iter().partition(|c| c.1 == what);
        rest = others;
        let mut note = Finding::note(file, format!("it is {what}"));
        if alike.len() > 1 {
            let those =
                if alike.len() == all { format!("all {all} files") } else { format!("{} of {all} files", alike.len()) };
            note = Finding { file: None, what: format!("{those} are {what}"), ..note };
        }
        out.push(note);
    }
}

fn names(item: &Item, out: &mut Vec<Finding>) {
    if item.kind == Kind::Mic {
        return;
    }
    // A track that is called `audio 3` tells the mixer nothing.
    let letters: String = item.name.chars().filter(|c| c.is_alphabetic()).collect::<String>().to_lowercase();
    if ["", "audio", "track", "untitled", "export", "bounce", "take", "file"].contains(&letters.as_str()) {
        out.push(Finding::caution(
            &item.source,
            format!("the name \"{}\" does not tell what is on it", item.name),
            "Give it a name in the sheet, such as shaker or two_mix.",
        ));
    }
}

/// Two files that hold the same samples: one of them is surely the wrong one.
fn twins(plan: &Plan, facts: &[Facts], out: &mut Vec<Finding>) {
    let mut seen: HashMap<[u8; 32], &Item> = HashMap::new();
    let sounds = |(i, f): &(&Item, &Facts)| i.kind != Kind::Mix && f.levels.peak >= SILENT;
    for (item, f) in plan.items.iter().zip(facts).filter(sounds) {
        if let Some(first) = seen.insert(f.samples_sha, item) {
            out.push(Finding::error(
                &item.source,
                format!("{} and {} are the same recording", first.name, item.name),
                "Name the right file for each in the sheet.",
            ));
        }
    }
}

fn lead_in(song: &Song, plan: &Plan, facts: &[Facts], out: &mut Vec<Finding>) {
    let kit = || plan.items.iter().zip(facts).filter(|(i, _)| i.kind == Kind::Mic);
    let first = kit().filter_map(|(_, f)| f.levels.sound.map(|s| s.first.at(f.info.rate).0)).reduce(f64::min);
    let Some(first) = first.map(Seconds) else { return };
    if let Some(tempo) = &song.tempo {
        let one = tempo.bar_one();
        let beat = tempo.tempos().first().map_or(0.5, |t| f64::from(t.us_per_quarter) * 1e-6);
        if first.0 < one.0 - 0.5 * beat {
            out.push(Finding::song(
                format!("there is sound from {first} on, before bar 1 at {one}: a count-in may have been left in"),
                "Mute it in the recordings if the client does not want it; it is delivered as it is.",
            ));
        }
    }
    if first > LATE {
        let begins = song.form.first().map_or_else(String::new, |s| format!(" (the form begins with {})", s.name));
        let mut f = Finding::song(
            format!("the drums begin at {first}{begins}; the silence before is normal: every file starts at zero"),
            "",
        );
        f.weight = Weight::Note;
        out.push(f);
    }
}

fn papers(song: &Song, plan: &Plan, hits: Option<&HitList>, out: &mut Vec<Finding>) {
    let undecided: Vec<&str> = plan
        .items
        .iter()
        .filter(|i| i.kind == Kind::Mic && i.has_mates && i.polarity == Polarity::Undecided)
        .map(|i| i.name.as_str())
        .collect();
    if !undecided.is_empty() {
        out.push(Finding::song(
            format!("the polarity of {} is not decided", undecided.join(", ")),
            "Run `underlay phase --into-sheet`, which writes keep or invert where it is sure; decide the rest by ear.",
        ));
    }
    if song.tempo.is_none() {
        out.push(Finding::song(
            "no tempo is known, so there is no tempo map in the handoff",
            "Give the sheet a tempo or the MIDI file of the song's tempo track.",
        ));
        if song.trigger_pull > 0.0 {
            out.push(Finding::song(
                "without a tempo there is no grid, so the pulled triggers that the sheet asks for are left out",
                "Give the sheet a tempo, or take pull out of its [hits].",
            ));
        }
    }
    out.extend(hits.and_then(|hits| pull_finding(song, hits)));
    let note = |what: String| {
        let mut f = Finding::song(what, "");
        f.weight = Weight::Note;
        f
    };
    if hits.is_none() && song.mics.iter().any(|m| Drum::FOUND.contains(&m.drum)) {
        out.push(note("there is no hit list; `underlay hits` makes one, with triggers, for the documents".into()));
    }
    if loses_letters(&song.title) {
        let mut f =
            note(format!("the title has letters that file names cannot hold everywhere; there it is {}", plan.song));
        f.remedy = "For a name of your choice write a title in Latin letters into the sheet.".into();
        out.push(f);
    }
    if plan.song.len() >= LONG_TITLE {
        out.push(note(format!(
            "the title takes {} letters in file names; under {LONG_TITLE} is easier to read",
            plan.song.len()
        )));
    }
    if let Some(hits) = hits {
        if Drum::FOUND.into_iter().all(|drum| hits.of(drum).next().is_none()) {
            out.push(Finding::song(
                "the hit list holds no stroke, so there are no triggers in the handoff",
                "Find the strokes again with `underlay hits`, or look at the levels of the kick and snare mics.",
            ));
        }
        let end = song.frames();
        let after = hits.hits.iter().filter(|h| h.pos.0 >= end).count();
        if after > 0 {
            out.push(Finding::song(
                format!("{after} strokes of the hit list lie after the song's end"),
                "Set a later end in the sheet, or drop them from the hit list.",
            ));
        }
    }
}
