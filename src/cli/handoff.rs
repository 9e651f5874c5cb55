//! `underlay handoff SHEET`: checks everything, packs one verified zip; `--verify` checks a zip that came.

use super::files::OutFolder;
use super::hits::HITS;
use super::options;
use super::outcome::Outcome;
use super::print::MAP as LAYER_MAP;
use super::results::{self, folder_for};
use super::run::{found_otherwise, note_sent, sent};
use crate::error::{Error, ExitCode, Located, Result};
use crate::finding::{Finding, Weight};
use crate::handoff::{self, Delivered, Document, Handoff, HandoffFault, Request, Verified};
use crate::hits::HitList;
use crate::layer::{map_at_rate, only};
use crate::mix::{MIX, PrintedLayer};
use crate::output::Claim;
use crate::progress::Progress;
use crate::song::Song;
use crate::units::{SamplePos, SampleRate};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

const EXAMPLES: &str = "\
Examples:
  underlay handoff song.toml --check  say what stands against a delivery, write nothing
  underlay handoff song.toml          the zip, in the folder \"underlay\" beside the sheet
  underlay handoff song.toml --rate 44100 --bits 16  a copy for a client who asks for it
  underlay handoff --verify LowTide_Handoff_R01.zip  for the receiver: is all there, unharmed?

Every file begins at zero and is as long as the song; audio that need not change is bit-identical to the recording. \
The zip is read back and compared before it gets its name. A second handoff gets the next number and says what \
changed; an unchanged song gets no new zip.";

/// Check everything and pack the delivery into one verified zip
#[derive(clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// The song sheet (.toml)
    #[arg(value_name = "SHEET", required_unless_present = "verify")]
    pub sheet: Option<PathBuf>,
    /// Folder for the zip; hit list, layers and rough mix are taken from there too, else from "underlay" beside the
    /// sheet [default: "underlay" beside the sheet]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Check only; write nothing
    #[arg(long)]
    check: bool,
    /// Rate of the delivered files, Hz: 44100, 48000, 88200, 96000, 176400 or 192000 [default: the sheet's, else 48000]
    #[arg(long, value_name = "HZ", value_parser = options::delivery_rate)]
    rate: Option<SampleRate>,
    /// Bits of the delivered files: 16, 24 or 32 [default: the sheet's, else 24]
    #[arg(long, value_parser = options::delivery_bits)]
    bits: Option<u16>,
    /// Check a zip that was made by handoff, entry by entry
    #[arg(long, value_name = "ZIP", conflicts_with_all = ["sheet", "out", "check", "rate", "bits"])]
    verify: Option<PathBuf>,
}

pub(super) fn execute(args: &Args, held: Option<&Claim>, progress: &dyn Progress) -> Result<Outcome> {
    if let Some(zip) = &args.verify {
        return verify(zip, progress);
    }
    let Some(sheet) = &args.sheet else {
        return Err(Error::usage("no song sheet is named", "Name the song sheet, or a zip with --verify."));
    };
    let mut song = Song::read(sheet)?;
    song.handoff.rate = args.rate.unwrap_or(song.handoff.rate);
    song.handoff.bits = args.bits.unwrap_or(song.handoff.bits);
    let out = folder_for(sheet, args.out.as_deref());
    let usual = folder_for(sheet, None);
    let from = if out.join(HITS).is_file() || !usual.join(HITS).is_file() { out.clone() } else { usual };
    hand_off(&song, &from, &out, args.check, held, progress)
}

/// Checks and packs. `from` holds the results of earlier commands, `out` gets the zip.
fn hand_off(
    song: &Song,
    from: &Path,
    out: &Path,
    check_only: bool,
    held: Option<&Claim>,
    progress: &dyn Progress,
) -> Result<Outcome> {
    // Made here so that it vanishes again if nothing is put into it. What is packed is not to change meanwhile either.
    let folder = (!check_only).then(|| OutFolder::hold(out, &song.sheet, held)).transpose()?;
    let claim = held.or(folder.as_ref().and_then(OutFolder::claim));
    let _results = (!check_only).then(|| Claim::beside(claim, from, &song.sheet)).transpose()?;
    let prepared = Prepared::of(song, from)?;
    let last = sent(song, out);
    let request = Request {
        song,
        layers: &prepared.layers,
        hits: prepared.hits.as_ref(),
        documents: &prepared.documents,
        findings: &prepared.findings,
        last: last.as_ref(),
        out,
    };
    // For the drummer alone, so they do not go into the notes.
    let own = song.left_open().into_iter().chain(prepared.by_hand.iter().cloned()).chain(found_otherwise(song, from));
    if check_only {
        let mut h = handoff::look(&request, progress)?;
        h.findings.extend(own);
        let text = checked(song, &h);
        let code = (h.errors() > 0).then_some(ExitCode::Input);
        return Ok(Outcome::new("handoff", text, &h.delivered, h.findings)?.failed(code));
    }
    let mut h = handoff::make(&request, progress)?;
    h.findings.extend(own);
    h.findings.extend(h.delivered.as_ref().and_then(|d| note_sent(song, out, d)));
    match &h.delivered {
        Some(d) => {
            let (text, short) = (summary(song, d), in_short(d));
            Ok(Outcome::new("handoff", text, &h.delivered, h.findings)?
                .in_short(short)
                .wrote(vec![d.zip.clone()])
                .passing(h.passing))
        }
        None => Err(stopped(song, &h)),
    }
}

/// What earlier commands left for the delivery.
struct Prepared {
    layers: Vec<PrintedLayer>,
    hits: Option<HitList>,
    documents: Vec<Document>,
    findings: Vec<Finding>,
    /// A caution for each layer that goes along without being in the sheet.
    by_hand: Vec<Finding>,
}

impl Prepared {
    fn of(song: &Song, from: &Path) -> Result<Self> {
        let results::Layers { printed: layers, missing, left_out, by_hand } = results::layers(song, from);
        let hits = results::hit_list(song, from)?;
        let mut findings = song.findings();
        // A layer that is planned but not printed would be missed in the delivery.
        findings.extend(missing.into_iter().map(|f| Finding { weight: Weight::Error, ..f }));
        findings.extend(left_out);
        let map = from.join(LAYER_MAP);
        if !layers.is_empty() {
            let text = std::fs::read_to_string(&map).ok();
            findings.extend(handoff::out_of_date(song, &layers, hits.as_ref(), text.as_deref(), &map));
        }
        let mut documents = Vec::new();
        for (name, what) in [(HITS, "Hits"), (LAYER_MAP, "LayerMap"), (MIX, "RoughMix")] {
            let file = from.join(name);
            if name == LAYER_MAP && layers.is_empty() {
                continue;
            }
            if file.is_file() {
                // Both count samples, and are to count those of the delivered files.
                let instead = match name {
                    HITS => hits.as_ref().map(|list| list.at_rate(song.handoff.rate).to_csv()),
                    // Of what goes along, and nothing else.
                    LAYER_MAP => std::fs::read_to_string(&file).ok().map(|text| {
                        let names: Vec<&str> = layers.iter().map(|l| l.plan.name.as_str()).collect();
                        map_at_rate(&only(&text, &names), song.rate(), song.handoff.rate)
                    }),
                    _ => None,
                };
                let instead = instead.map(String::into_bytes);
                documents.push(Document { file, what: what.into(), instead });
            }
        }
        if !from.join(MIX).is_file() {
            let mut f = Finding::song("there is no rough mix to go with it; `underlay rough` makes one", "");
            f.weight = Weight::Note;
            findings.push(f);
        }
        Ok(Self { layers, hits, documents, findings, by_hand })
    }
}

/// Errors stand against the delivery: all findings are told in one error, worst first.
fn stopped(song: &Song, h: &Handoff) -> Error {
    let n = h.errors();
    let things = if n == 1 { "one thing stands" } else { "these things stand" };
    let mut text = format!("nothing was written: {things} against the handoff");
    for f in &h.findings {
        let word = match f.weight {
            Weight::Error => "error",
            Weight::Caution => "caution",
            Weight::Note => continue,
        };
        let file = f.file.as_ref().map_or_else(String::new, |p| format!("{}: ", p.display()));
        let _ = write!(text, "\n- {word}: {file}{}", f.what);
        if !f.remedy.is_empty() {
            let _ = write!(text, "\n  What to do: {}", f.remedy);
        }
    }
    Located::whole(&song.sheet, HandoffFault::NotFit(text)).into()
}

/// How a check ended, in a line above what there is to look at.
fn checked(song: &Song, h: &Handoff) -> String {
    let cautions = h.findings.iter().filter(|f| f.weight == Weight::Caution).count();
    let things = |n: usize| if n == 1 { "one thing".to_owned() } else { format!("{n} things") };
    let how = match (h.errors(), cautions) {
        (0, 0) => "nothing stands against the handoff".into(),
        (0, n) => format!("it can be packed; {} to look at first", things(n)),
        (1, 0) => "one error stands against the handoff".into(),
        (1, n) => format!("one error stands against the handoff, with {} more to look at", things(n)),
        (e, 0) => format!("{e} errors stand against the handoff"),
        (e, n) => format!("{e} errors stand against the handoff, with {} more to look at", things(n)),
    };
    format!("{}: {how}\n", song.title)
}

fn size(bytes: u64) -> String {
    match bytes {
        0..1_000_000 => format!("{:.0} kB", bytes as f64 / 1e3),
        1_000_000..1_000_000_000 => format!("{:.1} MB", bytes as f64 / 1e6),
        _ => format!("{:.2} GB", bytes as f64 / 1e9),
    }
}

/// The delivery, and what differs from the former one, in a short line each.
fn in_short(d: &Delivered) -> Vec<String> {
    let zip = d.zip.file_name().unwrap_or_default().to_string_lossy();
    let mut out = vec![format!("revision {}, verified: {zip}", d.revision)];
    out.extend(d.changes.as_ref().map(|c| {
        let strokes = c.strokes.iter().map(|s| format!("; {} strokes {}", s.drum, s.in_words())).collect::<String>();
        format!(
            "since revision {}: audio files that differ {}, new {}, gone {}; MIDI files to load anew {}, gone {}{strokes}; \
             decisions changed {} (see the notes inside)",
            c.since,
            c.changed.len(),
            c.added.len(),
            c.removed.len(),
            c.midi.len(),
            c.midi_gone.len(),
            c.decisions.len()
        )
    }));
    out
}

/// The delivery in a few lines.
pub(super) fn summary(song: &Song, d: &Delivered) -> String {
    let m = &d.manifest;
    let mut t = String::new();
    if !d.fresh {
        let _ = writeln!(
            t,
            "{}: nothing changed since revision {}, so it stands\n  {}",
            song.title,
            d.revision,
            d.zip.display()
        );
        return t;
    }
    let audio = m.files.iter().filter(|f| f.audio.is_some()).count();
    let untouched = m.files.iter().filter_map(|f| f.audio.as_ref()).filter(|a| a.treatment.is_empty()).count();
    let rate = SampleRate::new(m.rate_hz).unwrap_or(SampleRate::SESSION);
    let _ = writeln!(t, "{}: revision {}, packed and verified", song.title, d.revision);
    let _ = writeln!(
        t,
        "  {audio} audio files, {rate}, {} bit, each {} long from zero; {untouched} of them bit-identical",
        m.bits,
        SamplePos(m.frames).at(rate)
    );
    let _ = writeln!(t, "  {} ({}, {} files)", d.zip.display(), size(d.bytes), d.files);
    if let Some(c) = &d.changes {
        let _ = write!(t, "\n{}", c.to_text());
    }
    t
}

fn verify(zip: &Path, progress: &dyn Progress) -> Result<Outcome> {
    let v = handoff::verify(zip, progress)?;
    if !v.wrong.is_empty() {
        let list = v.wrong.iter().fold(String::new(), |t, w| t + "\n- " + w);
        let fault = if v.intact {
            HandoffFault::Added(format!("every file of the delivery is there and unaltered, but more was added:{list}"))
        } else {
            HandoffFault::Broken(format!("this zip is not what was sent:{list}"))
        };
        return Err(Located::whole(zip, fault).into());
    }
    let text = verified(&v);
    let notes = v.harmless.iter().map(|what| Finding::note(zip, what)).collect();
    Outcome::new("handoff", text, &v, notes)
}

fn verified(v: &Verified) -> String {
    let m = &v.manifest;
    let audio = m.files.iter().filter(|f| f.audio.is_some()).count();
    format!(
        "{}: revision {}, complete and unharmed\n  {} files ({}) read to their end; {audio} audio files, {} Hz, {} bit, {} samples each\n",
        m.song,
        m.revision,
        v.files,
        size(v.bytes),
        m.rate_hz,
        m.bits,
        m.frames
    )
}
