//! Reading a song sheet: TOML text in, a checked [`Song`] out.
//!
//! Every mistake is told with its line and field, what is wrong and one remedy; nothing is guessed silently.

mod meant;
mod mics;
mod part;
mod plans;
mod slips;
mod time;

pub(crate) use mics::usual_rate;
pub(super) use time::form_of_markers;

use crate::error::{Located, Result};
use crate::song::field::SECTIONS;
use crate::song::spelling::did_you_mean;
use crate::song::{SheetFault, Song};
use crate::units::Seconds;
use part::{Page, Part};
use std::path::Path;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Largest sheet that is read, bytes: a hundred times what a big session needs.
const MAX_BYTES: u64 = 4 << 20;

/// Silence that a song may have behind its longest recording; more is a slip of the pen that would fill the disk.
const MOST_SILENCE: Seconds = Seconds(3_600.0);

impl Song {
    /// Reads and checks a sheet, and opens every file that it names to learn rate, length and kind.
    ///
    /// # Errors
    /// [`SheetFault`] with line and field for a mistake in the sheet; the fault of an audio or MIDI file that it names.
    pub fn read(sheet: &Path) -> Result<Self> {
        let unreadable = |why: String| Located::whole(sheet, SheetFault::Unreadable(why));
        let bytes = std::fs::metadata(sheet).map_err(|e| unreadable(said(&e)))?;
        if bytes.is_dir() {
            return Err(unreadable("this is a folder, not a song sheet".into()).into());
        }
        if bytes.len() > MAX_BYTES {
            return Err(unreadable("too large for a song sheet".into()).into());
        }
        let raw = std::fs::read(sheet).map_err(|e| unreadable(said(&e)))?;
        let text = String::from_utf8(raw).map_err(|_| unreadable("this is not a text file in UTF-8".into()))?;
        Self::parse(&text, sheet)
    }

    /// As [`read`](Self::read), from text; `sheet` is the name in messages, and paths are relative to its folder.
    ///
    /// # Errors
    /// As [`read`](Self::read).
    pub fn parse(text: &str, sheet: &Path) -> Result<Self> {
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let page = Page { path: sheet, text };
        let root = DeTable::parse(text).map_err(|e| {
            let at = e.span().map_or(0, |s| s.start);
            let (what, remedy) = slips::slip(text, at, e.message());
            page.wrong(at, None, what, remedy)
        })?;
        let root = root.get_ref();
        known_sections(page, root)?;
        let one = |section: &'static str| Part::new(page, section, named(root, section));
        let folder = sheet.parent().unwrap_or(Path::new(""));

        let song = one("[song]")?;
        let title = song.text("title")?.map_or_else(|| title_of(sheet), str::to_owned);
        let drummer = song.text("drummer")?.unwrap_or_default().to_owned();
        let end = time::seconds(&song, "end")?;
        let left_out = song.texts("leave_out")?.unwrap_or_default().iter().map(|p| folder.join(p)).collect();

        let mics = mics::mics(&many(page, root, "[[mic]]")?, folder)?;
        if mics.is_empty() {
            return Err(page.wrong(
                0,
                None,
                "no mic is named".into(),
                "Add a [[mic]] with file and drum, or let `underlay prep FOLDER` write a sheet.".into(),
            ));
        }
        let tracks = mics::tracks(&many(page, root, "[[track]]")?, folder, &mics)?;
        let tempo = time::tempo(one("[tempo]")?, folder)?;
        let longest = Seconds(mics.iter().map(|m| m.info.duration().0).fold(0.0, f64::max));
        if let Some(end) = end.filter(|e| e.0 > longest.0 + MOST_SILENCE.0) {
            return Err(song.wrong(
                "end",
                format!("the song would end at {end}, and the longest recording ends at {longest}"),
                "Check the end: everything behind the recordings would be silence.",
            ));
        }
        song.finish()?;
        let length = end.unwrap_or(longest);
        let form = time::form(many(page, root, "[[section]]")?, tempo.map.as_ref(), length)?;
        let hits = plans::hits(one("[hits]")?)?;
        let layers = plans::layers(many(page, root, "[[layer]]")?, folder, &form, tempo.map.as_ref())?;
        Ok(Self {
            sheet: sheet.to_owned(),
            title,
            drummer,
            mics,
            tracks,
            tempo: tempo.map,
            tempo_file: tempo.file,
            grid: tempo.grid,
            form,
            end,
            finder: hits.finder,
            keys: hits.keys,
            trigger_shift_ms: hits.shift_ms,
            trigger_pull: hits.pull,
            left_out,
            layers,
            rough: plans::rough(one("[rough]")?)?,
            handoff: plans::handoff(one("[handoff]")?)?,
            noticed: tempo.findings,
        })
    }
}

/// The title of a song whose sheet gives none: the name of the sheet's folder, else of the sheet.
pub(crate) fn title_of(sheet: &Path) -> String {
    // "." has no name of its own.
    let sheet = &std::path::absolute(sheet).unwrap_or_else(|_| sheet.to_owned());
    // A folder that is called by what it holds says nothing of the song; the one above it does.
    let plain = |p: &Path| {
        let name = p.file_name().unwrap_or_default().to_string_lossy().to_lowercase();
        ["audio", "audio files", "recordings", "takes", "raw", "wav", "wavs"].contains(&name.as_str())
    };
    let folder =
        sheet.parent().map(|p| p.parent().filter(|above| plain(p) && above.file_name().is_some()).unwrap_or(p));
    folder
        .and_then(Path::file_name)
        .or(sheet.file_stem())
        .map_or_else(|| "song".into(), |n| n.to_string_lossy().into_owned())
}

/// What the system said, in a musician's words.
fn said(e: &std::io::Error) -> String {
    match e.kind() {
        std::io::ErrorKind::NotFound => "there is no such file".into(),
        std::io::ErrorKind::PermissionDenied => "you may not read it".into(),
        _ => e.to_string(),
    }
}

fn bare(section: &str) -> &str {
    section.trim_matches(['[', ']'])
}

fn named<'a>(root: &'a DeTable<'a>, section: &str) -> Option<&'a Spanned<DeValue<'a>>> {
    root.iter().find(|(k, _)| k.get_ref().as_ref() == bare(section)).map(|(_, v)| v)
}

/// Every `[[...]]` of a name, in sheet order.
fn many<'a>(page: Page<'a>, root: &'a DeTable<'a>, section: &'static str) -> Result<Vec<Part<'a>>> {
    match named(root, section) {
        None => Ok(Vec::new()),
        Some(value) => match value.get_ref() {
            DeValue::Array(list) => list.iter().map(|v| Part::new(page, section, Some(v))).collect(),
            _ => Err(page.wrong(
                value.span().start,
                Some(section.into()),
                format!("[{0}] is written with one pair of brackets", bare(section)),
                format!("There may be several, so write two pairs: {section}."),
            )),
        },
    }
}

fn known_sections(page: Page<'_>, root: &DeTable<'_>) -> Result<()> {
    let known = SECTIONS.map(bare);
    let unknown = root.iter().find(|(k, _)| !known.contains(&k.get_ref().as_ref()));
    match unknown {
        None => Ok(()),
        Some((key, value)) => {
            let word = key.get_ref();
            let what = match value.get_ref() {
                DeValue::Table(_) | DeValue::Array(_) => format!("there is no section \"{word}\""),
                _ => format!("\"{word}\" stands outside any section"),
            };
            Err(page.wrong(key.span().start, Some(word.to_string()), what, did_you_mean(word, &known)))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_called_audio_leaves_the_title_to_the_folder_above() {
        assert_eq!(title_of(Path::new("/songs/Slow Harbour/audio/song.toml")), "Slow Harbour");
        assert_eq!(title_of(Path::new("/songs/Slow Harbour/song.toml")), "Slow Harbour");
        assert_eq!(title_of(Path::new("/audio/song.toml")), "audio");
    }
}
