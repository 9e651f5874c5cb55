//! The delivery as a whole: look at everything, decide, make, verify, put in place.
//!
//! In: the song, its layers, hit list and documents, a folder. Out: [`Handoff`]: findings and, where nothing stands
//! against it, one verified zip under its own number. Files are looked at side by side, made and packed one after the
//! other; memory does not depend on their length. A run that fails leaves the folder as it was.

use super::bundle::{Bundle, Written};
use super::check::check;
use super::convert::{Conversion, guide_gain};
use super::fault::HandoffFault;
use super::manifest::{AudioEntry, CHECKSUMS, FileEntry, KIND, LAYOUT, MANIFEST, Manifest, STROKES, hex};
use super::midi::{pulled_name, pulled_trigger_file, tempo_file, trigger_file};
use super::mixed;
use super::number::{Asked, Number, moved_away, newest, without_triggers};
use super::papers::{notes, sheet_csv, sheet_html};
use super::plan::{Document, Item, Kind, MIDI, NOTES, Plan, SHEET_PAGE, SHEET_TABLE, TEMPO_MAP, TRIGGERS, plan};
use super::revision::{Changes, Sent, former, root_name, zip_name};
use super::scan::{Facts, Stamp, scan};
use super::verify::verify;
use crate::audio::{Bext, WavExtras, WavSpec, around, resampled_frames};
use crate::error::{Located, Result};
use crate::finding::{Finding, Weight};
use crate::hits::{HitList, State};
use crate::mix::PrintedLayer;
use crate::output::{OutputFault, make_folder};
use crate::progress::Progress;
use crate::song::{Drum, Polarity, Song};
use crate::units::SampleRate;
use rayon::prelude::*;
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

/// What a handoff is made of.
#[derive(Clone, Copy, Debug)]
pub struct Request<'a> {
    /// The song.
    pub song: &'a Song,
    /// Its printed layers.
    pub layers: &'a [PrintedLayer],
    /// Its hit list, where there is one.
    pub hits: Option<&'a HitList>,
    /// Documents to put beside the handoff's own: hit list, rough mix.
    pub documents: &'a [Document],
    /// What other rooms found out that belongs with the checks (a layer that is out of date).
    pub findings: &'a [Finding],
    /// The newest delivery of the song as it is remembered, where it is: its zip may be elsewhere by now.
    pub last: Option<&'a Sent>,
    /// Folder for the zip.
    pub out: &'a Path,
}

/// The outcome of a handoff.
#[derive(Clone, Debug, Serialize)]
pub struct Handoff {
    /// Everything that was noticed, errors first.
    pub findings: Vec<Finding>,
    /// Those of them that tell of this occasion alone, and no longer hold once it is made.
    #[serde(skip)]
    pub passing: Vec<Finding>,
    /// The delivery; `None` where errors stood against it or only a check was asked for.
    pub delivered: Option<Delivered>,
}

impl Handoff {
    /// Errors among the findings.
    #[must_use]
    pub fn errors(&self) -> usize {
        self.findings.iter().filter(|f| f.weight == Weight::Error).count()
    }
}

/// A delivery that lies in its folder.
#[derive(Clone, Debug, Serialize)]
pub struct Delivered {
    /// The zip.
    pub zip: PathBuf,
    /// Its number.
    pub revision: u32,
    /// Size of the zip.
    pub bytes: u64,
    /// Files in it.
    pub files: usize,
    /// Whether it was made now; `false` where nothing has changed since the newest one, which then stands.
    pub fresh: bool,
    /// What changed against the former one; `None` for a first delivery.
    pub changes: Option<Changes>,
    /// Its manifest.
    #[serde(skip)]
    pub manifest: Manifest,
}

/// A document that was looked at.
struct Paper {
    document: Document,
    path: String,
    bytes: u64,
    sha: [u8; 32],
}

/// Looks at everything and says what is to be said, without writing anything.
///
/// # Errors
/// Sheet, audio and output faults: what cannot be read at all.
pub fn look(request: &Request<'_>, progress: &dyn Progress) -> Result<Handoff> {
    let Seen { plan, mut findings, .. } = see(request, progress)?;
    let former = former(request.out, &plan.song);
    let names: Vec<String> = midi_files(request)?.into_iter().map(|(what, _)| what).collect();
    findings.extend(newest(former.as_ref(), request.last).and_then(|old| without_triggers(old, &names)));
    findings.sort_by_key(|f| std::cmp::Reverse(f.weight));
    Ok(Handoff { findings, passing: Vec::new(), delivered: None })
}

/// Makes the handoff. Findings of the weight of an error stop it before anything is written. Where nothing has changed since
/// the newest delivery in the folder, and that is unharmed, it stands; a damaged one stays where it is and gets a successor.
///
/// # Errors
/// As [`look`]; [`HandoffFault::SourceChanged`] when a recording changed meanwhile; [`HandoffFault::BadCopy`] when the zip
/// does not read back as it was written; [`OutputFault`].
pub fn make(request: &Request<'_>, progress: &dyn Progress) -> Result<Handoff> {
    let Seen { plan, facts, papers, mut findings } = see(request, progress)?;
    if findings.iter().any(|f| f.weight == Weight::Error) {
        return Ok(Handoff { findings, passing: Vec::new(), delivered: None });
    }
    make_folder(request.out)?;
    let midi = midi_files(request)?;
    let decisions = decisions(request, &plan, &midi);
    let content = content(request, &plan, &facts, &papers, &midi, &decisions);
    let former = former(request.out, &plan.song);
    let names: Vec<String> = midi.iter().map(|(what, _)| what.clone()).collect();
    let old = newest(former.as_ref(), request.last);
    findings.extend(old.and_then(|old| without_triggers(old, &names)));
    let asked = Asked { request, former: former.as_ref(), old, content: &content };
    // What is to be said of the drummer's own folder is no business of the receiver, so it does not stand in the notes.
    let mut own = Vec::new();
    let number = asked.number(&mut own, progress);
    let making = Making { request, plan: &plan, facts: &facts, papers: &papers, midi: &midi, findings: &findings };
    let manifest = |revision: u32| Manifest {
        kind: KIND.into(),
        layout: LAYOUT,
        made_by: format!("underlay {}", env!("CARGO_PKG_VERSION")),
        song: request.song.title.clone(),
        drummer: request.song.drummer.clone(),
        revision,
        rate_hz: plan.rate.hz(),
        bits: plan.bits,
        frames: plan.frames,
        content: content.clone(),
        decisions: decisions.clone(),
        strokes: request.hits.map(|hits| places(hits, plan.rate)).unwrap_or_default(),
        files: Vec::new(),
    };
    let since = |old: &Manifest, new: &Manifest| Some(Changes::between(old, new));
    let Packed { bundle, manifest, changes } = match number {
        Number::Stands(delivered) => {
            findings.extend(own);
            return Ok(Handoff { findings, passing: Vec::new(), delivered: Some(*delivered) });
        }
        Number::Next(revision) => {
            making.pack(manifest(revision), |new| old.and_then(|old| since(old, new)), progress)?
        }
        Number::Again(sent) => {
            let before = &sent.manifest;
            let as_before = Manifest { made_by: before.made_by.clone(), ..manifest(before.revision) };
            let again = making.pack(as_before, |_| sent.changes.clone(), progress)?;
            let is_same = again.manifest == *before;
            own.push(moved_away(request.out, before.revision, is_same));
            if is_same {
                again
            } else {
                drop(again);
                // Another version of the program words or makes something otherwise, or other cautions stand in the notes.
                making.pack(manifest(before.revision.saturating_add(1)), |new| since(before, new), progress)?
            }
        }
    };
    let passing = own.iter().filter(|f| f.weight == Weight::Note).cloned().collect();
    findings.extend(own);
    let revision = manifest.revision;
    let target = request.out.join(zip_name(&plan.song, revision));

    let file = bundle.finish()?;
    let checked = verify(file.beside(), progress).map_err(|e| gone_or_bad(&target, file.beside(), &e))?;
    if let Some(fault) = checked.fault() {
        return Err(Located::whole(&target, HandoffFault::BadCopy(fault.to_string())).into());
    }
    if checked.manifest != manifest {
        return Err(Located::whole(&target, HandoffFault::BadCopy("the manifest".into())).into());
    }
    unchanged(&plan, &facts)?;
    let bytes = std::fs::metadata(file.beside()).map_or(0, |m| m.len());
    if target.exists() {
        // Another run took the number meanwhile. Its zip stays.
        return Err(Located::whole(&target, OutputFault::Exists).into());
    }
    file.commit()?;
    let delivered = Delivered { zip: target, revision, bytes, files: checked.files, fresh: true, changes, manifest };
    Ok(Handoff { findings, passing, delivered: Some(delivered) })
}

/// What a zip is packed from.
struct Making<'a> {
    request: &'a Request<'a>,
    plan: &'a Plan,
    facts: &'a [Facts],
    papers: &'a [Paper],
    midi: &'a [(String, Vec<u8>)],
    /// What the notes tell.
    findings: &'a [Finding],
}

/// A zip with everything in it, not finished yet: given up, it vanishes.
struct Packed {
    bundle: Bundle,
    manifest: Manifest,
    changes: Option<Changes>,
}

impl Making<'_> {
    /// Packs everything under the number of a manifest that lists no file yet; `since` tells what changed.
    fn pack(
        &self,
        mut manifest: Manifest,
        since: impl FnOnce(&Manifest) -> Option<Changes>,
        progress: &dyn Progress,
    ) -> Result<Packed> {
        let Self { request, plan, .. } = *self;
        let target = request.out.join(zip_name(&plan.song, manifest.revision));
        let mut bundle = Bundle::create(&target, &root_name(&plan.song, manifest.revision))?;
        progress.begin("packing", plan.frames.saturating_mul(plan.items.len() as u64));
        for (item, f) in plan.items.iter().zip(self.facts) {
            manifest.files.push(pack(&mut bundle, item, f, plan, request.song, progress)?);
        }
        progress.end();
        for paper in self.papers {
            manifest.files.push(copy(&mut bundle, paper)?);
        }
        for (what, bytes) in self.midi {
            manifest.files.push(entry(bundle.add(&plan.paper((what, MIDI)), bytes)?, None));
        }
        let changes = since(&manifest);
        write_papers(&mut bundle, request, plan, &mut manifest, self.findings, changes.as_ref())?;
        Ok(Packed { bundle, manifest, changes })
    }
}

/// Why a zip that was just written cannot be read.
fn gone_or_bad(target: &Path, beside: &Path, e: &crate::Error) -> crate::Error {
    if beside.exists() {
        Located::whole(target, HandoffFault::BadCopy(e.to_string())).into()
    } else {
        Located::whole(target, OutputFault::Write("the folder is no longer there".into())).into()
    }
}

/// Everything that is known before the first byte is written.
struct Seen {
    plan: Plan,
    facts: Vec<Facts>,
    papers: Vec<Paper>,
    findings: Vec<Finding>,
}

fn see(request: &Request<'_>, progress: &dyn Progress) -> Result<Seen> {
    let song = request.song;
    let plan = plan(song, request.layers, request.documents)?;
    let end = |item: &Item| resampled_frames(song.frames(), song.rate(), item.info.rate);
    let total = plan.items.iter().map(|i| i.info.frames.min(end(i))).sum();
    progress.begin("looking at every file", total);
    let facts = plan.items.par_iter().map(|i| scan(i, end(i), plan.rate, progress)).collect::<Vec<Result<Facts>>>();
    // In order, so that the error of the first bad file is told whatever the threads did.
    let facts = facts.into_iter().collect::<Result<Vec<Facts>>>()?;
    progress.end();
    let mut papers = Vec::new();
    for (document, path) in &plan.documents {
        let (bytes, sha) = match &document.instead {
            Some(contents) => (contents.len() as u64, Sha256::digest(contents).into()),
            None => sum_of(&document.file)?,
        };
        papers.push(Paper { document: document.clone(), path: path.clone(), bytes, sha });
    }
    let mut findings = check(song, &plan, &facts, request.hits);
    findings.extend(mixed::out_of_date(song, request.layers, request.documents, &plan, &facts));
    for f in request.findings {
        if !findings.contains(f) {
            findings.push(f.clone());
        }
    }
    // Stable: inside a weight the order of the files stays.
    findings.sort_by_key(|f| std::cmp::Reverse(f.weight));
    Ok(Seen { plan, facts, papers, findings })
}

fn unreadable(path: &Path, e: &std::io::Error) -> crate::Error {
    Located::whole(path, HandoffFault::Unreadable(crate::output::in_words(e))).into()
}

/// Size and SHA-256 of a file, in blocks.
fn sum_of(path: &Path) -> Result<(u64, [u8; 32])> {
    let mut sha = Sha256::new();
    let mut bytes = 0;
    each_block(path, |b| {
        sha.update(b);
        bytes += b.len() as u64;
        Ok(())
    })?;
    Ok((bytes, sha.finalize().into()))
}

fn each_block(path: &Path, mut take: impl FnMut(&[u8]) -> Result<()>) -> Result<()> {
    let mut file = File::open(path).map_err(|e| unreadable(path, &e))?;
    let mut block = vec![0u8; 1 << 17];
    loop {
        match file.read(&mut block) {
            Ok(0) => return Ok(()),
            Ok(n) => take(block.get(..n).unwrap_or_default())?,
            Err(e) if e.kind() == std::io::ErrorKind::Interrupted => {}
            Err(e) => return Err(unreadable(path, &e)),
        }
    }
}

/// Packs one recording and gives its row of the manifest.
fn pack(
    bundle: &mut Bundle,
    item: &Item,
    facts: &Facts,
    plan: &Plan,
    song: &Song,
    progress: &dyn Progress,
) -> Result<FileEntry> {
    let spec = WavSpec { rate: plan.rate, channels: item.info.channels, format: plan.format() };
    let description = format!("{}: {}", song.title, item.role);
    let bext = Bext { description, originator: "underlay".into(), ..Bext::default() }.in_plain_letters();
    let (head, tail) = around(spec, WavExtras { bext: Some(bext), ..WavExtras::default() }, plan.frames)?;
    let frame = u64::from(item.info.channels) * u64::from(plan.bits / 8);
    let size = head.len() as u64 + plan.frames.saturating_mul(frame) + tail.len() as u64;

    let changed = || Located::whole(&item.source, HandoffFault::SourceChanged);
    if Stamp::of(&item.source) != facts.stamp {
        return Err(changed().into());
    }
    bundle.start_audio(&item.path, size)?;
    bundle.write(&head)?;
    let mut conversion = Conversion::open(item, plan, facts, song.handoff.apply_polarity, seed(&item.path))?;
    let mut seconds = Seconds::new(u64::from(plan.rate.hz()) * frame);
    let mut bytes = Vec::new();
    loop {
        conversion.next(&mut bytes)?;
        if bytes.is_empty() {
            break;
        }
        seconds.add(&bytes);
        bundle.write(&bytes)?;
        progress.advance(bytes.len() as u64 / frame);
    }
    bundle.write(&tail)?;
    let written = bundle.end()?;
    if conversion.source_crc()? != facts.samples_crc {
        return Err(changed().into());
    }
    let sounding = resampled_frames(facts.frames, item.info.rate, plan.rate).min(plan.frames);
    let gain = guide_gain(item, facts);
    let treatment = conversion.treatment(sounding, facts.frames < item.info.frames);
    let audio = AudioEntry {
        name: item.name.clone(),
        role: item.told(),
        note: item.note.clone(),
        source: item.source.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned()),
        treatment,
        polarity: polarity(item, song.handoff.apply_polarity),
        channels: item.info.channels,
        frames: plan.frames,
        peak_dbfs: rounded((facts.peak.0 + gain.0).min(0.0)),
        loudness_lufs: facts.loudness.integrated.map(|l| rounded(l.0 + gain.0)),
        seconds: seconds.finish(),
    };
    Ok(entry(written, Some(audio)))
}

/// To a hundredth of a decibel: what a meter can mean, and text that reads back as the same number.
fn rounded(db: f64) -> f64 {
    (db * 100.0).round() / 100.0
}

fn entry(w: Written, audio: Option<AudioEntry>) -> FileEntry {
    FileEntry { path: w.path, bytes: w.bytes, sha256: w.sha256, audio }
}

fn polarity(item: &Item, applied: bool) -> String {
    match (item.polarity, applied) {
        _ if item.kind == Kind::Mix => "as mixed".into(),
        _ if item.kind == Kind::Layer && item.pull > 0.0 => "as printed, not aligned with the played drum".into(),
        _ if item.kind == Kind::Layer => "as printed, aligned with the drum".into(),
        (Polarity::Undecided, _) => "not decided".into(),
        (Polarity::Keep, _) => "as recorded".into(),
        (Polarity::Invert, true) => "inverted in this file".into(),
        (Polarity::Invert, false) => "to be inverted in the mix".into(),
    }
}

/// A seed for the dither that differs from file to file and stays the same from run to run.
fn seed(path: &str) -> u64 {
    let sum: [u8; 32] = Sha256::digest(path.as_bytes()).into();
    sum.iter().take(8).fold(0, |s, &b| s << 8 | u64::from(b))
}

/// CRC-32 of every second of a stream of samples.
struct Seconds {
    step: u64,
    since: u64,
    crc: crc32fast::Hasher,
    text: String,
}

impl Seconds {
    fn new(step: u64) -> Self {
        Self { step: step.max(1), since: 0, crc: crc32fast::Hasher::new(), text: String::new() }
    }

    fn add(&mut self, mut bytes: &[u8]) {
        while !bytes.is_empty() {
            let room = usize::try_from(self.step - self.since).unwrap_or(usize::MAX);
            let (now, later) = bytes.split_at(room.min(bytes.len()));
            self.crc.update(now);
            self.since += now.len() as u64;
            if self.since == self.step {
                self.close();
            }
            bytes = later;
        }
    }

    fn close(&mut self) {
        let crc = std::mem::take(&mut self.crc).finalize();
        self.text.push_str(&hex(&crc.to_be_bytes()));
        self.since = 0;
    }

    fn finish(mut self) -> String {
        if self.since > 0 {
            self.close();
        }
        self.text
    }
}

/// Copies a document that was looked at before.
fn copy(bundle: &mut Bundle, paper: &Paper) -> Result<FileEntry> {
    let file = &paper.document.file;
    if let Some(contents) = &paper.document.instead {
        return Ok(entry(bundle.add(&paper.path, contents)?, None));
    }
    bundle.start_copy(paper.path.as_str(), paper.bytes)?;
    each_block(file, |b| bundle.write(b))?;
    let written = bundle.end()?;
    if written.bytes != paper.bytes || written.sha256 != hex(&paper.sha) {
        return Err(Located::whole(file, HandoffFault::SourceChanged).into());
    }
    Ok(entry(written, None))
}

/// Tempo map and triggers, made anew so that they cannot be older than sheet and hit list.
fn midi_files(request: &Request<'_>) -> Result<Vec<(String, Vec<u8>)>> {
    let mut out = Vec::new();
    if let Some(bytes) = tempo_file(request.song)? {
        out.push((TEMPO_MAP.into(), bytes));
    }
    if let Some(hits) = request.hits {
        if let Some(bytes) = trigger_file(request.song, hits)? {
            out.push((TRIGGERS.into(), bytes));
        }
        if let Some(bytes) = pulled_trigger_file(request.song, hits)? {
            out.push((pulled_name(request.song.trigger_pull), bytes));
        }
    }
    Ok(out)
}

fn write_papers(
    bundle: &mut Bundle,
    request: &Request<'_>,
    plan: &Plan,
    manifest: &mut Manifest,
    findings: &[Finding],
    changes: Option<&Changes>,
) -> Result<()> {
    let own = [
        (plan.paper(NOTES), notes(request.song, manifest, findings, changes).into_bytes()),
        (plan.paper(SHEET_TABLE), sheet_csv(manifest)?),
    ];
    for (path, contents) in &own {
        manifest.files.push(entry(bundle.add(path, contents)?, None));
    }
    // Last, so that its list of checksums is complete but for itself.
    let html = sheet_html(request.song, manifest);
    manifest.files.push(entry(bundle.add(&plan.paper(SHEET_PAGE), html.as_bytes())?, None));
    let written = bundle.add(MANIFEST, manifest.to_json().as_bytes())?;
    bundle.add(CHECKSUMS, manifest.checksums(&written.sha256).as_bytes())?;
    Ok(())
}

/// Says which recording was touched between the first look and now.
fn unchanged(plan: &Plan, facts: &[Facts]) -> Result<()> {
    match plan.items.iter().zip(facts).find(|(i, f)| Stamp::of(&i.source) != f.stamp) {
        Some((item, _)) => Err(Located::whole(&item.source, HandoffFault::SourceChanged).into()),
        None => Ok(()),
    }
}

/// How many strokes of a drum there are, and what was done by hand; `None` without any.
fn strokes(hits: &HitList, drum: Drum) -> Option<String> {
    let count = |state: State| hits.hits.iter().filter(|h| h.drum == drum && h.state == state).count();
    let (found, added, dropped) = (count(State::Found), count(State::Added), count(State::Dropped));
    let by_hand = [(added, "added by hand"), (dropped, "dropped by hand")];
    let by_hand = by_hand.into_iter().filter(|(n, _)| *n > 0).map(|(n, how)| format!(", {n} {how}"));
    (found + added + dropped > 0).then(|| format!("{}{}", found + added, by_hand.collect::<String>()))
}

/// Where the strokes of each drum lie at a rate, as the manifest tells them.
fn places(hits: &HitList, rate: SampleRate) -> BTreeMap<String, String> {
    let hits = hits.at_rate(rate);
    let told = |drum: Drum| hits.of(drum).map(|h| h.pos.0.to_string()).collect::<Vec<_>>().join(" ");
    let each = Drum::FOUND.into_iter().map(|drum| (drum.to_string(), told(drum)));
    each.filter(|(_, places)| !places.is_empty()).collect()
}

/// What was decided, in words that stand beside each other in two revisions.
fn decisions(request: &Request<'_>, plan: &Plan, midi: &[(String, Vec<u8>)]) -> BTreeMap<String, String> {
    let song = request.song;
    let mut d = BTreeMap::new();
    let mut put = |what: String, how: String| d.insert(what, how);
    put("delivery".into(), format!("{}, {} bit", plan.rate, plan.bits));
    put("length".into(), format!("{} samples", plan.frames));
    put("names".into(), song.handoff.names.clone());
    for item in plan.items.iter().filter(|i| i.kind != Kind::Mix) {
        let source = item.source.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
        let side = item.side().map_or_else(String::new, |side| format!(", {side} side"));
        put(format!("recording of {}", item.name), source + &side);
        put(format!("role of {}", item.name), item.role.clone());
    }
    for m in &song.mics {
        let word = match m.polarity {
            Polarity::Undecided => "not decided",
            Polarity::Keep => "as recorded",
            Polarity::Invert if song.handoff.apply_polarity => "inverted",
            Polarity::Invert => "to be inverted in the mix",
        };
        put(format!("polarity of {}", m.name), word.into());
        if !m.note.is_empty() {
            put(format!("note on {}", m.name), m.note.clone());
        }
    }
    for l in &song.layers {
        let sections: Vec<String> = l
            .sections
            .iter()
            .map(|(name, level)| format!("{name} {}", level.map_or_else(|| "silent".to_owned(), |g| g.to_string())))
            .collect();
        let by_section = if sections.is_empty() { String::new() } else { format!(", {}", sections.join(", ")) };
        let how = format!("{}, dynamics {:.0} %, pull {:.0} %{by_section}", l.level, l.dynamics, l.pull);
        put(format!("layer {}", l.name), how);
    }
    let is_packed = |name: &str| midi.iter().any(|(what, _)| what == name);
    let pulled = match song.trigger_pull {
        pull if is_packed(&pulled_name(pull)) => format!(", and pulled {pull} % of the way to the grid"),
        _ => String::new(),
    };
    let moved = match song.trigger_shift_ms {
        shift if shift > 0.0 => format!(", all {shift} ms later"),
        shift if shift < 0.0 => format!(", all {} ms earlier", -shift),
        _ => String::new(),
    };
    let (kick, snare) = song.keys;
    if is_packed(TRIGGERS) {
        put("triggers".into(), format!("as played{pulled}{moved}; kick on note {kick}, snare on note {snare}"));
    }
    for drum in Drum::FOUND {
        if let Some(told) = request.hits.and_then(|hits| strokes(hits, drum)) {
            put(format!("{STROKES}{drum}"), told);
        }
    }
    if let Some(t) = &song.tempo {
        let first = t.tempos().first().map_or(0.0, |c| 60e6 / f64::from(c.us_per_quarter));
        let changes = t.tempos().len().saturating_sub(1);
        put("tempo".into(), format!("{:.3} BPM, {changes} changes, bar 1 at {}", first, t.bar_one()));
    }
    if !song.handoff.notes.trim().is_empty() {
        put("notes".into(), song.handoff.notes.trim().into());
    }
    d
}

/// SHA-256 over everything that a delivery is made of.
fn content(
    request: &Request<'_>,
    plan: &Plan,
    facts: &[Facts],
    papers: &[Paper],
    midi: &[(String, Vec<u8>)],
    decisions: &BTreeMap<String, String>,
) -> String {
    let mut sha = Sha256::new();
    // Every part is told with its length, so that no two different lists give the same stream.
    let mut part = |bytes: &[u8]| {
        sha.update((bytes.len() as u64).to_le_bytes());
        sha.update(bytes);
    };
    part(&LAYOUT.to_le_bytes());
    for (item, f) in plan.items.iter().zip(facts) {
        part(item.path.as_bytes());
        part(item.name.as_bytes());
        part(item.role.as_bytes());
        part(item.note.as_bytes());
        part(&f.samples_sha);
        part(&f.frames.to_le_bytes());
    }
    for p in papers {
        part(p.path.as_bytes());
        part(&p.sha);
    }
    for (what, how) in decisions {
        part(what.as_bytes());
        part(how.as_bytes());
    }
    for text in [&request.song.title, &request.song.drummer] {
        part(text.as_bytes());
    }
    for s in &request.song.form {
        part(s.name.as_bytes());
        part(&s.first_bar.to_le_bytes());
        part(&s.end_bar.to_le_bytes());
    }
    for (what, bytes) in midi {
        part(what.as_bytes());
        part(bytes);
    }
    hex(&sha.finalize())
}
