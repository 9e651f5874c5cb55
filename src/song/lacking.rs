//! Lines for recordings that a sheet lacks.
//!
//! In: a song as its sheet has it, and a fresh look at a folder. Out: only what the sheet does not mention, with names and
//! places that it has not given away, and the lines for it. The sheet itself stays as it is.

use super::guess::free;
use super::write::files;
use super::{Draft, Drum, Guess, Place, Role, Song, Sureness};
use crate::audio::is_named_audio;
use crate::finding::Finding;
use std::path::{Path, PathBuf};

impl Draft {
    /// What a song's sheet does not mention: files, and what is to be said of them.
    #[must_use]
    pub fn lacking(mut self, song: &Song) -> Self {
        let knows = song.knows();
        self.files.retain(|g| !knows(&g.info.path));
        self.findings.retain(|f| f.file.as_ref().is_some_and(|p| is_named_audio(p) && !knows(p)));
        let mut names: Vec<String> =
            song.mics.iter().map(|m| &m.name).chain(song.tracks.iter().map(|t| &t.name)).cloned().collect();
        let mut roles: Vec<(Drum, Place)> = song.mics.iter().map(|m| (m.drum, m.place)).collect();
        for guess in &mut self.files {
            if let Role::Mic(drum, place) = guess.role {
                self.findings.extend(settle(guess, drum, place, song, &roles));
            }
            if let Role::Mic(drum, place) = guess.role {
                roles.push((drum, place));
            }
            guess.name = free(&guess.name, &names);
            names.push(guess.name.clone());
        }
        self
    }

    /// The lines that a sheet is to get for these files, to be put at its end.
    #[must_use]
    pub fn lines(&self, sheet: &Path) -> String {
        let mut t = String::new();
        files(&mut t, &self.files, sheet.parent().unwrap_or(Path::new("")));
        t
    }

    /// The entry of `[song]` that leaves these files out too, besides what the song leaves out already.
    #[must_use]
    pub fn leaving_out(&self, song: &Song) -> String {
        let files: Vec<PathBuf> = self.files.iter().map(|g| g.info.path.clone()).collect();
        song.leaving_out(&files)
    }
}

/// Fits a mic in beside those of the sheet: another place where its own is taken, no role where it cannot join them.
fn settle(guess: &mut Guess, drum: Drum, place: Place, song: &Song, roles: &[(Drum, Place)]) -> Option<Finding> {
    let rate = song.rate();
    if guess.info.rate != rate {
        guess.role = Role::Unknown;
        guess.why = format!("recorded at {}, the other mics at {rate}", guess.info.rate);
        return Some(Finding::caution(
            &guess.info.path,
            format!("left out: recorded at {}, the other mics at {rate}", guess.info.rate),
            format!("Export it again at {rate}, from the same session, and run prep again."),
        ));
    }
    if drum.place_is_role() && roles.contains(&(drum, place)) {
        guess.sure = Sureness::Guess;
        guess.why = format!("the sheet has another {drum} mic at this place; the place is assumed");
        match drum.places().iter().find(|p| !roles.contains(&(drum, **p))) {
            Some(other) => {
                guess.role = Role::Mic(drum, *other);
                guess.name = format!("{drum}_{other}");
            }
            None => {
                guess.role = Role::Unknown;
                guess.why = format!("more {drum} files than there are places");
            }
        }
    }
    None
}
