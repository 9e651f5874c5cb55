//! `[[mic]]` and `[[track]]`: opens every file, and sees that roles, names and rates do not clash.

use super::part::Part;
use crate::audio::{AudioFault, AudioInfo, AudioReader, Channel};
use crate::error::{Error, Result};
use crate::song::{Drum, Mic, MicSettings, Place, Polarity, Track, TrackKind};
use crate::units::{Dbfs, Decibels, SampleRate};
use std::path::{Path, PathBuf};

pub(super) fn mics(parts: &[Part<'_>], folder: &Path) -> Result<Vec<Mic>> {
    let mut mics: Vec<Mic> = Vec::with_capacity(parts.len());
    let mut files: Vec<Real> = Vec::with_capacity(parts.len());
    for part in parts {
        let mic = mic(part, folder)?;
        let file = Real::of(&mic.info.path);
        part.finish()?;
        if let Some(other) = mics.iter().find(|m| m.name == mic.name) {
            return Err(same_name(part, &mic.name, &other.info.path));
        }
        if let Some(other) = mics.iter().find(|m| one_role(m, &mic)) {
            return Err(part.wrong(
                "place",
                format!(
                    "{} and {} are both said to be {} {}",
                    shown(&other.info.path),
                    shown(&mic.info.path),
                    mic.drum,
                    mic.place
                ),
                format!(
                    "Give each its own place ({}), or remove the one that you do not want to use.",
                    mic.drum.places().iter().map(|p| p.word()).collect::<Vec<_>>().join(", ")
                ),
            ));
        }
        if let Some((other, _)) = mics.iter().zip(&files).find(|(m, f)| **f == file && clash(m.channel, mic.channel)) {
            return Err(part.wrong(
                "file",
                format!("{} is named twice, as {} and as {}", shown(&mic.info.path), other.name, mic.name),
                "Name each recording once; for the sides of a stereo file say channel = \"left\" and \"right\".",
            ));
        }
        mics.push(mic);
        files.push(file);
    }
    one_rate(parts, &mics)?;
    Ok(mics)
}

fn mic(part: &Part<'_>, folder: &Path) -> Result<Mic> {
    let drum = part.required("drum")?;
    let words = Drum::ALL.map(|d| (d.word(), d));
    let drum = match part.word("drum", &words) {
        Ok(d) => d.unwrap_or(Drum::Kick),
        Err(e) => {
            return Err(crate::song::guess::drum_of_word(drum).map_or(e, |known| {
                part.wrong(
                    "drum",
                    format!("\"{drum}\" is not a known drum"),
                    format!("Write \"{known}\". Known here: {}.", words.map(|w| w.0).join(", ")),
                )
            }));
        }
    };
    let place = part.word("place", &Place::ALL.map(|p| (p.word(), p)))?.unwrap_or_default();
    let info = open(part, folder)?;
    let channel = part
        .word("channel", &[("sum", Channel::Sum), ("left", Channel::Left), ("right", Channel::Right)])?
        .unwrap_or_default();
    if channel == Channel::Right && info.channels < 2 {
        return Err(part.wrong(
            "channel",
            format!("{} is a mono file and has no right channel", shown(&info.path)),
            "Leave the channel out.",
        ));
    }
    let polarity = part.word(
        "polarity",
        &[("undecided", Polarity::Undecided), ("keep", Polarity::Keep), ("invert", Polarity::Invert)],
    )?;
    Ok(Mic {
        name: name(part, || match place {
            Place::Close => drum.word().to_owned(),
            _ => format!("{drum}_{place}"),
        })?,
        info,
        channel,
        drum,
        place,
        polarity: polarity.unwrap_or_default(),
        settings: settings(part)?,
        level: level(part)?,
        pan: part.number("pan")?,
        note: part.text("note")?.unwrap_or_default().trim().to_owned(),
        guess: part.truth("guess")?.unwrap_or_default(),
    })
}

pub(super) fn tracks(parts: &[Part<'_>], folder: &Path, mics: &[Mic]) -> Result<Vec<Track>> {
    let mut tracks: Vec<Track> = Vec::with_capacity(parts.len());
    let mut files: Vec<Real> =
        if parts.is_empty() { Vec::new() } else { mics.iter().map(|m| Real::of(&m.info.path)).collect() };
    for part in parts {
        part.required("kind")?;
        let kinds = [("guide", TrackKind::Guide), ("programming", TrackKind::Programming), ("click", TrackKind::Click)];
        let kind = part.word("kind", &kinds)?.unwrap_or(TrackKind::Guide);
        let info = open(part, folder)?;
        let stem = info.path.file_stem().map_or_else(String::new, |s| s.to_string_lossy().into_owned());
        let name = name(part, || stem)?;
        let named = mics.iter().map(|m| (&m.name, &m.info.path)).chain(tracks.iter().map(|t| (&t.name, &t.info.path)));
        if let Some((_, other)) = named.clone().find(|(n, _)| **n == name) {
            return Err(same_name(part, &name, other));
        }
        let file = Real::of(&info.path);
        if let Some(((other, _), _)) = named.zip(&files).find(|(_, f)| **f == file) {
            return Err(part.wrong(
                "file",
                format!("{} is already used as {other}", shown(&info.path)),
                "Name each recording once.",
            ));
        }
        let (level, pan) = (level(part)?, part.number("pan")?);
        part.finish()?;
        files.push(file);
        tracks.push(Track { name, info, kind, level, pan });
    }
    Ok(tracks)
}

/// Settings of the finder, as `[hits]` and every `[[mic]]` may have them.
pub(super) fn settings(part: &Part<'_>) -> Result<MicSettings> {
    Ok(MicSettings {
        threshold: part.number("threshold")?,
        floor: part.number("floor")?.map(Dbfs),
        min_gap_ms: part.number("min_gap")?,
    })
}

pub(super) fn level(part: &Part<'_>) -> Result<Option<Decibels>> {
    Ok(part.number("level")?.map(Decibels))
}

/// A short name: what is written, or a default.
fn name(part: &Part<'_>, default: impl FnOnce() -> String) -> Result<String> {
    let name = part.text("name")?.map_or_else(default, |n| n.trim().to_owned());
    let bad = |c: char| c.is_control() || matches!(c, '/' | '\\' | ':' | '*' | '?' | '"' | '<' | '>' | '|');
    if name.is_empty() || name.starts_with('.') || name.len() > 80 || name.contains(bad) {
        return Err(part.wrong(
            "name",
            format!("\"{name}\" cannot be used as a name"),
            "Use a short name of letters, digits, spaces, - and _ (it becomes part of file names).",
        ));
    }
    Ok(name)
}

fn open(part: &Part<'_>, folder: &Path) -> Result<AudioInfo> {
    let written = part.required("file")?;
    let path: PathBuf = folder.join(written);
    match AudioReader::open(&path) {
        Ok(reader) if reader.info().channels > 2 => Err(part.wrong(
            "file",
            format!("{} holds {} channels in one file", shown(&path), reader.info().channels),
            "Export every mic as a file of its own.",
        )),
        Ok(reader) => Ok(reader.info().clone()),
        Err(Error::Audio(e)) if matches!(e.fault, AudioFault::Missing) => Err(part.wrong(
            "file",
            format!("the recording {} does not exist", path.display()),
            "Check the spelling; paths in a sheet are relative to the sheet's folder.",
        )),
        Err(e) => Err(e),
    }
}

fn same_name(part: &Part<'_>, name: &str, other: &Path) -> Error {
    part.wrong(
        "name",
        format!("{} is already called \"{name}\"", shown(other)),
        "Give every mic and track a name of its own.",
    )
}

fn one_role(a: &Mic, b: &Mic) -> bool {
    a.drum == b.drum && a.place == b.place && a.drum.place_is_role()
}

fn clash(a: Channel, b: Channel) -> bool {
    a == b || a == Channel::Sum || b == Channel::Sum
}

/// A path, and where it leads once links are followed: worked out once, for it is held against every other.
struct Real {
    path: PathBuf,
    real: Option<PathBuf>,
}

impl Real {
    fn of(path: &Path) -> Self {
        Self { path: path.to_owned(), real: path.canonicalize().ok() }
    }
}

impl PartialEq for Real {
    /// Whether both are one file.
    fn eq(&self, other: &Self) -> bool {
        self.path == other.path || (self.real.is_some() && self.real == other.real)
    }
}

fn shown(path: &Path) -> String {
    path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned()
}

/// All mics must have one rate: that of most of them.
fn one_rate(parts: &[Part<'_>], mics: &[Mic]) -> Result<()> {
    let Some(usual) = usual_rate(mics.iter().map(|m| m.info.rate)) else { return Ok(()) };
    match mics.iter().position(|m| m.info.rate != usual) {
        None => Ok(()),
        Some(odd) => Err(parts[odd].wrong(
            "file",
            format!(
                "{} is recorded at {}, the other mics at {usual}",
                shown(&mics[odd].info.path),
                mics[odd].info.rate
            ),
            format!("Export it again at {usual}, from the same session, so that all files line up."),
        )),
    }
}

/// The commonest rate; of equally common ones, the one that comes first.
pub(crate) fn usual_rate(rates: impl Iterator<Item = SampleRate> + Clone) -> Option<SampleRate> {
    let count = |rate: SampleRate| rates.clone().filter(|r| *r == rate).count();
    rates.clone().fold(None, |best: Option<SampleRate>, r| match best {
        Some(b) if count(b) >= count(r) => Some(b),
        _ => Some(r),
    })
}
