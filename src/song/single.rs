//! A song made from single files named on the command line, without a sheet.

use super::guess::{drum_of_word, place_of_name};
use super::sheet::usual_rate;
use super::{Drum, FinderSettings, Mic, Place, SheetFault, Song};
use crate::audio::{AudioInfo, AudioReader};
use crate::error::{Located, Result};
use crate::finding::Finding;
use crate::tempo::{Grid, TempoMap};
use std::path::{Path, PathBuf};

/// What is known of single files.
#[derive(Clone, Debug)]
pub struct SingleFiles {
    /// Mics of one drum, its main mic first.
    pub files: Vec<PathBuf>,
    /// The drum.
    pub drum: Drum,
    /// Other mics of the same take; they tell bleed from strokes.
    pub with: Vec<PathBuf>,
    /// Tempo, where one is known.
    pub tempo: Option<TempoMap>,
    /// The MIDI file that it was read from.
    pub tempo_file: Option<PathBuf>,
    /// What was noticed while it was read.
    pub noticed: Vec<Finding>,
    /// Grid that strokes are compared with.
    pub grid: Grid,
    /// Settings of the finder.
    pub finder: FinderSettings,
}

impl Song {
    /// A song of single files, everything else at its default. Title: the main file's name.
    ///
    /// # Errors
    /// The fault of a file that cannot be read; [`SheetFault`] when a file is named twice or has another rate.
    pub fn of_files(single: SingleFiles) -> Result<Self> {
        let mut mics: Vec<Mic> = Vec::with_capacity(single.files.len() + single.with.len());
        for (i, path) in single.files.iter().enumerate() {
            let info = open(path, &mics)?;
            let taken: Vec<Place> = mics.iter().map(|m| m.place).collect();
            let place = match (i, single.files.len()) {
                (0, 1) => Place::Close,
                (0, _) => single.drum.places()[0],
                _ => place_of_name(path)
                    .filter(|p| !taken.contains(p))
                    .or_else(|| single.drum.places().iter().find(|p| !taken.contains(p)).copied())
                    .unwrap_or_default(),
            };
            mics.push(mic(info, single.drum, place, &mics));
        }
        for path in &single.with {
            let info = open(path, &mics)?;
            let word = path.file_stem().map_or_else(String::new, |s| s.to_string_lossy().into_owned());
            let drum = drum_of_word(&word).filter(|d| *d != single.drum).unwrap_or(Drum::Room);
            mics.push(mic(info, drum, place_of_name(path).unwrap_or_default(), &mics));
        }
        let usual = usual_rate(mics.iter().map(|m| m.info.rate));
        if let Some(odd) = mics.iter().find(|m| Some(m.info.rate) != usual) {
            let usual = usual.map_or_else(String::new, |r| r.to_string());
            let what = format!("recorded at {}, the other files at {usual}", odd.info.rate);
            let remedy = format!("Export it again at {usual}, from the same session, so that all files line up.");
            return Err(Located::whole(&odd.info.path, SheetFault::Wrong { what, remedy }).into());
        }
        let stem = single.files.first().and_then(|f| f.file_stem());
        Ok(Self {
            title: stem.map_or_else(|| "song".into(), |s| s.to_string_lossy().into_owned()),
            mics,
            tempo: single.tempo,
            tempo_file: single.tempo_file,
            grid: single.grid,
            finder: single.finder,
            noticed: single.noticed,
            ..Self::default()
        })
    }
}

fn open(path: &Path, mics: &[Mic]) -> Result<AudioInfo> {
    let info = AudioReader::open(path)?.info().clone();
    let real = path.canonicalize().ok();
    if mics.iter().any(|m| m.info.path == path || (real.is_some() && m.info.path.canonicalize().ok() == real)) {
        let fault = SheetFault::Wrong {
            what: "this recording is named twice".into(),
            remedy: "Name each recording once.".into(),
        };
        return Err(Located::whole(path, fault).into());
    }
    Ok(info)
}

fn mic(info: AudioInfo, drum: Drum, place: Place, mics: &[Mic]) -> Mic {
    let name = if place == Place::Close { drum.word().to_owned() } else { format!("{drum}_{place}") };
    let alike = mics.iter().filter(|m| m.drum == drum && m.place == place).count();
    Mic::new(if alike == 0 { name } else { format!("{name}_{}", alike + 1) }, info, drum, place)
}
