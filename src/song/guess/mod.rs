//! Guessing a song sheet from a folder: names first, sound where a name says nothing. Every guess says how sure it is.

mod equal;
mod name;
mod roles;
mod sound;
mod words;

pub(super) use roles::free;

use crate::audio::{AudioInfo, AudioReader, Channel, is_named_audio};
use crate::error::{Error, Located, Result};
use crate::finding::Finding;
use crate::output::in_words;
use crate::progress::Progress;
use crate::song::sheet::{form_of_markers, usual_rate};
use crate::song::{Drum, Place, Section, SheetFault, TrackKind};
use crate::tempo::read_tempo_track;
use crate::units::Seconds;
use serde::Serialize;
use std::fmt;
use std::path::{Path, PathBuf};

/// How sure a guess is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Sureness {
    /// From sound alone, from a number, or from words that contradict each other.
    Guess,
    /// From a usual abbreviation.
    Likely,
    /// From a full word.
    Sure,
}

impl fmt::Display for Sureness {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Sureness::Guess => "a guess: please check",
            Sureness::Likely => "likely",
            Sureness::Sure => "sure",
        })
    }
}

/// What a file is taken for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// A mic of the kit.
    Mic(Drum, Place),
    /// A track that is not a mic.
    Track(TrackKind),
    /// Another instrument: left out of the sheet.
    NotDrums,
    /// Unknown: left out of the sheet.
    Unknown,
}

/// One file of the folder and what it is taken for.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Guess {
    /// The file.
    pub info: AudioInfo,
    /// What it is taken for.
    pub role: Role,
    /// Its name in the sheet, each once.
    pub name: String,
    /// How sure that is.
    pub sure: Sureness,
    /// Where it comes from, in a few words.
    pub why: String,
}

/// A song as guessed from a folder.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Draft {
    /// The folder.
    pub folder: PathBuf,
    /// Every readable audio file: kick first, then snare, then the others as a kit is listed; what is left out last.
    pub files: Vec<Guess>,
    /// Tempo file to be used.
    pub tempo: Option<PathBuf>,
    /// The form, from its markers; empty where it has none.
    pub form: Vec<Section>,
    /// Folders of one-shots that lie there: the drum that they are meant for, and the folder.
    pub samples: Vec<(Drum, PathBuf)>,
    /// What to look at.
    pub findings: Vec<Finding>,
}

/// Names under which underlay itself writes MIDI, never taken for a tempo track; as they are, or with `_on_grid` behind.
const OWN_MIDI: [&str; 4] = ["triggers", "kick", "snare", "moves"];
/// Words in the names of layer MIDI and of delivered triggers.
const OWN_WORDS: [&str; 2] = ["layer", "triggers"];
/// Most files that a folder may hold.
const MOST: usize = 2000;

impl Draft {
    /// Looks at a folder: opens every audio file, guesses what it is, and picks the tempo file.
    ///
    /// # Errors
    /// [`SheetFault`] when the folder cannot be read or holds no readable audio.
    pub fn look(folder: &Path, progress: &dyn Progress) -> Result<Self> {
        let (paths, mut findings) = list(folder)?;
        let mut infos = Vec::new();
        for path in paths.iter().filter(|p| is_named_audio(p)) {
            match AudioReader::open(path) {
                Ok(reader) if reader.info().channels > 2 => findings.push(Finding::caution(
                    path,
                    format!("left out: this file holds {} channels in one", reader.info().channels),
                    "Export every mic as a file of its own, and run prep again.",
                )),
                Ok(reader) => infos.push(reader.info().clone()),
                Err(e) => findings.push(left_out(path, &e)),
            }
        }
        if infos.is_empty() {
            return Err(nothing(folder, &paths, &findings));
        }
        for (copy, of) in equal::copies(&infos) {
            findings.push(Finding::caution(
                copy,
                format!("this is the same recording as {}", of.file_name().unwrap_or_default().to_string_lossy()),
                "Keep one of the two: take the other out of the folder and run prep again, or out of the sheet.",
            ));
        }
        let mut files = roles::guess(infos, progress)?;
        odd_rates(&mut files, &mut findings);
        let has = |d: Drum| files.iter().any(|f| matches!(f.role, Role::Mic(drum, _) if drum == d));
        for drum in Drum::FOUND.into_iter().filter(|d| !has(*d)) {
            findings.push(Finding {
                file: Some(folder.to_owned()),
                ..Finding::song(
                    format!("no file looks or sounds like a {drum} mic"),
                    format!(
                        "If there is one, put \"{drum}\" into its file name, or set drum = \"{drum}\" for it in the sheet."
                    ),
                )
            });
        }
        let is_mic = |f: &&Guess| matches!(f.role, Role::Mic(..));
        let length = files.iter().filter(is_mic).map(|f| f.info.duration().0).fold(0.0, f64::max);
        let (tempo, form) = tempo_of(&paths, Seconds(length), &mut findings).unzip();
        let samples = samples_of(&paths);
        Ok(Self { folder: folder.to_owned(), files, tempo, form: form.unwrap_or_default(), samples, findings })
    }
}

/// The drum that a word of any habit means (`bassdrum`, `snr`), for suggestions.
pub(crate) fn drum_of_word(word: &str) -> Option<Drum> {
    match name::read(word, false)?.role {
        Role::Mic(drum, _) => Some(drum),
        _ => None,
    }
}

/// The place that a file's name says, if it says one.
pub(crate) fn place_of_name(path: &Path) -> Option<Place> {
    let named = name::read(&path.file_stem()?.to_string_lossy(), false)?;
    match named.role {
        Role::Mic(_, place) if named.placed => Some(place),
        _ => None,
    }
}

/// Everything in a folder that a sheet can name, in natural order, and a caution for each recording or MIDI file that it
/// cannot.
fn list(folder: &Path) -> Result<(Vec<PathBuf>, Vec<Finding>)> {
    let fault = |what: String, remedy: &str| {
        Error::from(Located::whole(folder, SheetFault::Wrong { what, remedy: remedy.to_owned() }))
    };
    if !folder.exists() {
        return Err(fault("this folder does not exist".into(), "Check the spelling."));
    }
    if !folder.is_dir() {
        return Err(fault("this is a file, not a folder".into(), "Name the folder that holds the song's recordings."));
    }
    let entries = std::fs::read_dir(folder)
        .map_err(|e| fault(format!("this folder cannot be read ({})", in_words(&e)), "Check that you may read it."))?;
    let (mut paths, mut findings) = (Vec::new(), Vec::new());
    for entry in entries {
        let entry =
            entry.map_err(|e| fault(format!("this folder cannot be read ({})", in_words(&e)), "Check the disk."))?;
        let name = entry.file_name();
        let path = folder.join(&name);
        // Names that begin with a dot are the system's own companions of real files.
        if name.to_str().is_some_and(|name| !name.starts_with('.')) {
            paths.push(path);
        } else if name.to_str().is_none() && (is_named_audio(&path) || is_named_midi(&path)) {
            // Said as far as it can be read.
            findings.push(Finding::caution(
                &folder.join(name.to_string_lossy().as_ref()),
                "left out: its name is not one that other systems can read (it is not Unicode)",
                "Give this file a new name and run prep again.",
            ));
        }
        if paths.len() + findings.len() > MOST {
            return Err(fault(format!("this folder holds more than {MOST} files"), "Name the folder of one song."));
        }
    }
    // The plain name first: `kick_in.wav` before `kick_in-copy.wav`, whatever sign stands behind it.
    paths.sort_by_key(|p| {
        let name = |part: Option<&std::ffi::OsStr>| natural(&part.unwrap_or_default().to_string_lossy());
        (name::is_copy(p), name(p.file_stem()), name(p.extension()))
    });
    // The order in which a disk lists its files is nobody's.
    findings.sort_by(|a: &Finding, b| a.file.cmp(&b.file));
    Ok((paths, findings))
}

/// Sorting key under which `Tom 2` comes before `Tom 10`.
fn natural(text: &str) -> String {
    let mut key = String::with_capacity(text.len() + 16);
    let mut digits = String::new();
    for c in text.to_lowercase().chars().chain(['\0']) {
        if c.is_ascii_digit() {
            digits.push(c);
        } else {
            if !digits.is_empty() {
                key.push_str(&format!("{digits:0>12}"));
                digits.clear();
            }
            key.push(c);
        }
    }
    key
}

fn is_named_midi(path: &Path) -> bool {
    path.extension().is_some_and(|e| ["mid", "midi", "smf"].contains(&e.to_string_lossy().to_lowercase().as_str()))
}

fn left_out(path: &Path, e: &Error) -> Finding {
    let what = match e {
        Error::Audio(e) => e.fault.to_string(),
        Error::Midi(e) => e.fault.to_string(),
        other => other.to_string(),
    };
    Finding::caution(path, format!("left out: {what}"), e.remedy())
}

fn nothing(folder: &Path, paths: &[PathBuf], findings: &[Finding]) -> Error {
    let inside = paths
        .iter()
        .find(|p| p.is_dir() && std::fs::read_dir(p).is_ok_and(|d| d.flatten().any(|e| is_named_audio(&e.path()))));
    let (what, remedy) = match (findings.first(), inside) {
        (Some(f), _) => (
            format!("none of the {} audio files here can be read; the first one: {}", findings.len(), f.what),
            f.remedy.clone(),
        ),
        (None, Some(inner)) => (
            "there are no recordings in this folder itself".into(),
            format!("Name the folder inside it: underlay prep \"{}\"", inner.display()),
        ),
        (None, None) => {
            ("there are no recordings in this folder".into(), "Name the folder that holds the song's WAV files.".into())
        }
    };
    Located::whole(folder, SheetFault::Wrong { what, remedy }).into()
}

/// Mics of another rate than most cannot be used together with them: they are left out, and said.
fn odd_rates(files: &mut [Guess], findings: &mut Vec<Finding>) {
    let is_mic = |f: &&Guess| matches!(f.role, Role::Mic(..));
    let Some(usual) = usual_rate(files.iter().filter(is_mic).map(|f| f.info.rate)) else { return };
    for file in files.iter_mut().filter(|f| matches!(f.role, Role::Mic(..)) && f.info.rate != usual) {
        findings.push(Finding::caution(
            &file.info.path,
            format!("left out: recorded at {}, the other mics at {usual}", file.info.rate),
            format!("Export it again at {usual}, from the same session, and run prep again."),
        ));
        file.role = Role::Unknown;
        file.why = format!("recorded at {}, the other mics at {usual}", file.info.rate);
    }
}

/// Words that a folder of one-shots may be called by.
const SAMPLES: [&str; 6] = ["samples", "one-shots", "oneshots", "one shots", "shots", "drum samples"];

/// Folders of one-shots for kick and snare: `samples/snare`, or `snare samples`.
fn samples_of(paths: &[PathBuf]) -> Vec<(Drum, PathBuf)> {
    let name = |p: &Path| p.file_name().map_or_else(String::new, |n| n.to_string_lossy().to_lowercase());
    let holds_audio = |p: &Path| std::fs::read_dir(p).is_ok_and(|d| d.flatten().any(|e| is_named_audio(&e.path())));
    let mut folders: Vec<PathBuf> = Vec::new();
    for path in paths.iter().filter(|p| p.is_dir() && SAMPLES.iter().any(|w| name(p).ends_with(w))) {
        folders.push(path.clone());
        let inside = std::fs::read_dir(path).into_iter().flatten().flatten().map(|e| path.join(e.file_name()));
        let mut inside: Vec<PathBuf> = inside.filter(|p| p.to_str().is_some() && p.is_dir()).take(MOST).collect();
        inside.sort();
        folders.extend(inside);
    }
    Drum::FOUND
        .into_iter()
        .filter_map(|drum| {
            let fits = |p: &&PathBuf| name(p).contains(drum.word()) && holds_audio(p);
            folders.iter().find(fits).map(|p| (drum, p.clone()))
        })
        .collect()
}

/// Whether underlay itself writes MIDI under this name, without its ending and in lower case.
fn is_own(stem: &str) -> bool {
    OWN_MIDI.contains(&stem.strip_suffix("_on_grid").unwrap_or(stem)) || OWN_WORDS.iter().any(|w| stem.contains(w))
}

/// The MIDI file that is most likely the tempo track, of those that can be read, and the form that its markers give to a
/// take of this length.
fn tempo_of(paths: &[PathBuf], length: Seconds, findings: &mut Vec<Finding>) -> Option<(PathBuf, Vec<Section>)> {
    let stem = |p: &Path| p.file_stem().map_or_else(String::new, |s| s.to_string_lossy().to_lowercase());
    let mut candidates: Vec<&PathBuf> = paths.iter().filter(|p| is_named_midi(p) && !is_own(&stem(p))).collect();
    candidates.sort_by_key(|p| !["tempo", "map", "click", "grid"].iter().any(|w| stem(p).contains(w)));
    let mut usable = Vec::new();
    for path in candidates {
        match read_tempo_track(path, Seconds(0.0)) {
            Ok(track) => usable.push((path, track.map)),
            Err(e) => findings.push(left_out(path, &e)),
        }
    }
    let (chosen, map) = usable.first()?;
    let form = form_of_markers(map, length);
    if usable.len() > 1 {
        let others: Vec<String> =
            usable[1..].iter().map(|(p, _)| p.file_name().unwrap_or_default().to_string_lossy().into_owned()).collect();
        findings.push(Finding::caution(
            chosen,
            format!("taken as the tempo file; there is also {}", others.join(", ")),
            "If another one is right, change file in [tempo].",
        ));
    }
    Some(((*chosen).clone(), form))
}

/// The channel that a light listen takes.
const HEARD: Channel = Channel::Sum;
