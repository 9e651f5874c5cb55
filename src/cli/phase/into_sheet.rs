//! `--into-sheet`: sure advice on polarity, written into the song sheet.
//!
//! In: a song, and what the phase check advises for each of its mics. Out: the sheet changed where nothing was decided and
//! the advice is sure, the old one kept beside it, and an account of both.

use crate::error::{Located, Result};
use crate::output::{AtomicFile, OutputFault, commit_all, fault_of};
use crate::phase::{PhaseReport, Recommendation};
use crate::song::{Polarity, Song, with_polarity};
use serde::Serialize;
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};

/// What became of the sheet.
#[derive(Serialize)]
pub(super) struct Entered {
    /// The sheet.
    pub sheet: PathBuf,
    /// The sheet as it was; `None` where nothing was changed.
    pub kept: Option<PathBuf>,
    /// Mics whose polarity was written.
    pub written: Vec<Entry>,
    /// Mics whose entry stays as it is although there is something to say.
    pub left: Vec<Left>,
}

/// A mic and the polarity that was written for it.
#[derive(Serialize)]
pub(super) struct Entry {
    pub mic: String,
    pub polarity: Polarity,
}

/// A mic and why its entry was left.
#[derive(Serialize)]
pub(super) struct Left {
    pub mic: String,
    pub why: String,
}

/// Writes sure advice for undecided mics into the sheet, and takes it up in `song`. What the sheet decides already stays.
///
/// # Errors
/// The sheet cannot be read or written, is laid out too oddly, or was changed since the run began; it is then as it was.
pub(super) fn enter(song: &mut Song, report: &PhaseReport) -> Result<Entered> {
    let (mut changes, mut left) = (Vec::new(), Vec::new());
    for (index, (mic, advice)) in song.mics.iter().zip(&report.advice).enumerate() {
        let advised = match advice.recommendation {
            Recommendation::Keep => Polarity::Keep,
            Recommendation::Invert => Polarity::Invert,
            Recommendation::Unclear => Polarity::Undecided,
        };
        let why = match (mic.polarity, advised) {
            (Polarity::Undecided, Polarity::Undecided) => "no clear answer; decide by ear".to_owned(),
            (Polarity::Undecided, advised) if advice.sure => {
                changes.push((index, advised));
                continue;
            }
            (Polarity::Undecided, advised) => {
                format!("probably {}, but not sure enough; decide by ear", advised.word())
            }
            (_, Polarity::Undecided) => continue,
            (set, advised) if set == advised => continue,
            (set, advised) => format!("stays at {} as you set it, although {} is advised", set.word(), advised.word()),
        };
        left.push(Left { mic: mic.name.clone(), why });
    }
    let kept = if changes.is_empty() { None } else { Some(write(song, &changes)?) };
    let mut written = Vec::with_capacity(changes.len());
    for (index, polarity) in changes {
        if let Some(mic) = song.mics.get_mut(index) {
            mic.polarity = polarity;
            written.push(Entry { mic: mic.name.clone(), polarity });
        }
    }
    Ok(Entered { sheet: song.sheet.clone(), kept, written, left })
}

/// Writes the changed sheet in one step and keeps the old one; gives the name of the latter.
fn write(song: &Song, changes: &[(usize, Polarity)]) -> Result<PathBuf> {
    let sheet = &song.sheet;
    let fail = |e: std::io::Error| Located::whole(sheet, fault_of(&e));
    // Behind a link the sheet itself is changed, not the link.
    let real = sheet.canonicalize().map_err(fail)?;
    let meta = std::fs::metadata(&real).map_err(fail)?;
    if meta.permissions().readonly() {
        return Err(Located::whole(sheet, OutputFault::Write("it is write-protected".into())).into());
    }
    let bytes = std::fs::read(&real).map_err(fail)?;
    let text = String::from_utf8(bytes).unwrap_or_default();
    if !Song::parse(&text, sheet).is_ok_and(|now| now == *song) {
        return Err(Located::whole(sheet, OutputFault::Changed).into());
    }
    let new = with_polarity(&text, sheet, changes)?;
    let kept = free_name(&real)?;
    let files = [(&kept, &text), (&real, &new)].map(|(target, text)| -> Result<AtomicFile> {
        let mut file = AtomicFile::create(target)?;
        file.write_all(text.as_bytes()).map_err(fail)?;
        Ok(file)
    });
    commit_all(files.into_iter().collect::<Result<_>>()?)?;
    // For messages, beside the sheet as it was named.
    Ok(kept.file_name().map_or(kept.clone(), |name| sheet.with_file_name(name)))
}

/// `song.toml.old`, or the first of `song.toml.old2`, `song.toml.old3` ... that is not there yet.
fn free_name(sheet: &Path) -> Result<PathBuf> {
    let name = sheet.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let names = std::iter::once(String::new()).chain((2..10_000).map(|n| n.to_string()));
    let free = names.map(|n| sheet.with_file_name(format!("{name}.old{n}"))).find(|p| p.symlink_metadata().is_err());
    free.ok_or_else(|| Located::whole(sheet, OutputFault::Exists).into())
}

/// The account in lines for the terminal.
pub(super) fn words(entered: &Entered) -> String {
    let mut t = String::new();
    let wide = entered.written.iter().map(|e| &e.mic).chain(entered.left.iter().map(|l| &l.mic));
    let wide = wide.map(|m| m.chars().count()).max().unwrap_or(0);
    // Writing to a string cannot fail.
    let _ = match &entered.kept {
        Some(kept) => {
            writeln!(t, "\nWritten into {} (as it was: {}):", entered.sheet.display(), kept.display())
        }
        None => writeln!(t, "\n{} is left as it is: there was nothing sure to write.", entered.sheet.display()),
    };
    for e in &entered.written {
        let _ = writeln!(t, "  {:wide$}  {}", e.mic, e.polarity.word());
    }
    if !entered.left.is_empty() {
        let _ = writeln!(t, "Not written:");
    }
    for l in &entered.left {
        let _ = writeln!(t, "  {:wide$}  {}", l.mic, l.why);
    }
    t
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::error::ExitCode;

    #[test]
    fn a_sheet_that_was_changed_in_the_meantime_is_left_as_it_is() {
        let dir = tempfile::tempdir().unwrap();
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: 48_000,
            bits_per_sample: 16,
            sample_format: hound::SampleFormat::Int,
        };
        let mut kick = hound::WavWriter::create(dir.path().join("kick.wav"), spec).unwrap();
        (0..4_800).for_each(|i| kick.write_sample(i as i16).unwrap());
        kick.finalize().unwrap();
        let sheet = dir.path().join("song.toml");
        let text = "[[mic]]\nfile = \"kick.wav\"\ndrum = \"kick\"\n";
        std::fs::write(&sheet, text).unwrap();
        let song = Song::read(&sheet).unwrap();
        let changed = format!("[song]\ntitle = \"Low Tide\"\n{text}");
        std::fs::write(&sheet, &changed).unwrap();
        let e = write(&song, &[(0, Polarity::Keep)]).unwrap_err();
        assert_eq!(e.exit_code(), ExitCode::Output);
        assert!(e.to_string().contains("song.toml: was changed in the meantime") && !e.remedy().is_empty(), "{e}");
        assert_eq!(std::fs::read_to_string(&sheet).unwrap(), changed);
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 2, "nothing is kept where nothing was changed");
    }
}
