//! The song as every later room sees it: plain data, checked when the sheet was read.

use super::{Drum, Place, one_shots};
use crate::audio::{AudioInfo, Channel};
use crate::finding::Finding;
use crate::tempo::{Grid, TempoMap};
use crate::units::{Dbfs, Decibels, SampleRate, Seconds};
use serde::{Deserialize, Serialize};
use std::path::PathBuf;

/// Whether a file is to be delivered as it is or with its sign flipped.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Polarity {
    /// Not decided yet.
    #[default]
    Undecided,
    /// As recorded.
    Keep,
    /// Sign flipped.
    Invert,
}

/// What the user set for one mic; `None` takes the drum's or the tool's default.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct MicSettings {
    /// dB that a stroke must rise above the moving background.
    pub threshold: Option<f64>,
    /// Quietest stroke that counts, dBFS.
    pub floor: Option<Dbfs>,
    /// Least time between two strokes, ms.
    pub min_gap_ms: Option<f64>,
}

/// One mic of the take.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Mic {
    /// Unique short name, from the sheet (`snare_top`).
    pub name: String,
    /// The recording.
    pub info: AudioInfo,
    /// Channel that analysis listens to.
    pub channel: Channel,
    /// What it is meant for.
    pub drum: Drum,
    /// Where it stands.
    pub place: Place,
    /// Polarity decision.
    pub polarity: Polarity,
    /// Own settings of the finder.
    pub settings: MicSettings,
    /// How loud its strokes stand in the rough mix against a kick at 0 dB; `None` takes the role's default.
    pub level: Option<Decibels>,
    /// Pan in the rough mix, −1 (left) .. +1 (right); balance for a stereo file; `None` takes the role's default.
    pub pan: Option<f64>,
    /// Microphone, preamp and the like, for the track sheet; may be empty.
    pub note: String,
    /// Whether drum and place are as `prep` guessed them, from no name, and nobody has checked them since.
    pub guess: bool,
}

impl Mic {
    /// A mic of which nothing more is known: all channels are heard, polarity is undecided, every setting is the default.
    #[must_use]
    pub fn new(name: impl Into<String>, info: AudioInfo, drum: Drum, place: Place) -> Self {
        Self {
            name: name.into(),
            info,
            channel: Channel::Sum,
            drum,
            place,
            polarity: Polarity::Undecided,
            settings: MicSettings::default(),
            level: None,
            pan: None,
            note: String::new(),
            guess: false,
        }
    }
}

/// What a track that is not a mic of the acoustic kit is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TrackKind {
    /// The client's rough two-mix, for orientation.
    Guide,
    /// A programmed part.
    Programming,
    /// A click.
    Click,
}

/// A track that is not a mic of the acoustic kit.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Track {
    /// Unique short name, from the sheet.
    pub name: String,
    /// The recording.
    pub info: AudioInfo,
    /// What it is.
    pub kind: TrackKind,
    /// Loudness in the rough mix against the drums, LU; `None` takes the kind's default (a click is then left out).
    pub level: Option<Decibels>,
    /// Pan in the rough mix, −1..+1 (balance for a stereo file).
    pub pan: Option<f64>,
}

/// How a stroke's level becomes a MIDI velocity.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Curve {
    /// Decibel-linear between the take's own soft and loud strokes.
    #[default]
    Take,
    /// Square law (Dannenberg 2006) over a 60 dB range below the loudest stroke.
    Square,
    /// 40·log10(v/127) below the loudest stroke (DLS Level 1).
    FortyLog,
}

impl Curve {
    /// All, each with its word in the sheet.
    pub const WORDS: [(&'static str, Curve); 3] =
        [("take", Curve::Take), ("square", Curve::Square), ("forty-log", Curve::FortyLog)];

    /// Its word in the sheet.
    #[must_use]
    pub fn word(self) -> &'static str {
        Self::WORDS.into_iter().find(|(_, c)| *c == self).map_or("", |(word, _)| word)
    }
}

/// Settings of the finder for the song; `None` takes the tool's default.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct FinderSettings {
    /// As in [`MicSettings`], for every close mic without its own.
    pub all: MicSettings,
    /// Velocity curve.
    pub curve: Curve,
}

/// One section of the form.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Section {
    /// Its name (`verse 1`).
    pub name: String,
    /// First bar.
    pub first_bar: i64,
    /// Bar after its last; the next section's first.
    pub end_bar: i64,
}

/// A layer to print.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LayerPlan {
    /// Unique short name (`snare_fat`).
    pub name: String,
    /// Drum that it lies under.
    pub drum: Drum,
    /// Folder or list of one-shots; empty means the built-in set named by `built_in`.
    pub samples: Vec<PathBuf>,
    /// Built-in set, where `samples` is empty.
    pub built_in: Option<String>,
    /// Level of the whole layer.
    pub level: Decibels,
    /// 0 = all strokes equal, 100 = as played.
    pub dynamics: f64,
    /// Seed of the round-robin choice.
    pub seed: u64,
    /// Tails: cut at the next stroke (`true`) or let ring on.
    pub choke: bool,
    /// Section name and level there; `None` = silent.
    pub sections: Vec<(String, Option<Decibels>)>,
    /// Print on the grid (share 0..=100 of the way) instead of as played.
    pub pull: f64,
    /// Pan in the rough mix.
    pub pan: f64,
}

impl LayerPlan {
    /// What it is, in words (`layer under the snare`).
    #[must_use]
    pub fn role(&self) -> String {
        let Self { drum, pull, .. } = self;
        if *pull > 0.0 {
            format!("layer for the {drum}, pulled by {pull} % to the grid")
        } else {
            format!("layer under the {drum}")
        }
    }

    /// Its one-shots, as [`one_shots`] finds them. What cannot be looked into is left out.
    #[must_use]
    pub fn files(&self) -> Vec<PathBuf> {
        self.samples.iter().flat_map(|path| one_shots(path).unwrap_or_default()).collect()
    }
}

/// How the rough mix is made.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RoughPlan {
    /// Integrated loudness to reach, LUFS; `None` = [`RoughPlan::AIM`], or less where peaks would suffer.
    pub loudness: Option<f64>,
    /// Highest true peak, dBTP.
    pub true_peak: f64,
    /// Loudness of the client's two-mix against the drums, LU.
    pub guide_level: Decibels,
}

impl RoughPlan {
    /// Loudness that a mix is given where none is asked for and its peaks allow it, LUFS.
    pub const AIM: f64 = -16.0;
}

impl Default for RoughPlan {
    /// No loudness asked for, −1 dBTP, the two-mix as loud as the drums.
    fn default() -> Self {
        Self { loudness: None, true_peak: -1.0, guide_level: Decibels(0.0) }
    }
}

/// How the handoff is made.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct HandoffPlan {
    /// Rate of the delivered files.
    pub rate: SampleRate,
    /// Bits of the delivered files, 16, 24 or 32.
    pub bits: u16,
    /// Name template, fields in braces: `artist`, `song`, `drum`, `place`, `name`, `take`, `rate`, `bits`.
    pub names: String,
    /// Who the song is for, for `{artist}`; may be empty.
    pub artist: String,
    /// Take or comp, for `{take}`; may be empty.
    pub take: String,
    /// Folder names: kit, programming, layers, guide, documents.
    pub folders: [String; 5],
    /// Apply `invert` decisions to the delivered copies (otherwise they are only listed).
    pub apply_polarity: bool,
    /// Free text for the notes file.
    pub notes: String,
}

impl HandoffPlan {
    /// Template that names are built from when the sheet has none.
    pub const NAMES: &str = "{song}_{drum}_{place}_{take}_{rate}{bits}";
    /// Folders when the sheet names none.
    pub const FOLDERS: [&str; 5] = ["Acoustic Kit", "Programming", "Sample Layers", "Guide", "Documents"];
}

impl Default for HandoffPlan {
    /// 48 kHz, 24 bit, polarity decisions applied.
    fn default() -> Self {
        Self {
            rate: SampleRate::SESSION,
            bits: 24,
            names: Self::NAMES.into(),
            artist: String::new(),
            take: String::new(),
            folders: Self::FOLDERS.map(String::from),
            apply_polarity: true,
            notes: String::new(),
        }
    }
}

/// Everything known about a song before any hit is found.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Song {
    /// The sheet that it was read from; empty when made from single files.
    pub sheet: PathBuf,
    /// Title, for documents and file names.
    pub title: String,
    /// Who plays, for documents.
    pub drummer: String,
    /// Mics of the acoustic kit, in sheet order.
    pub mics: Vec<Mic>,
    /// Other tracks, in sheet order.
    pub tracks: Vec<Track>,
    /// Tempo map; `None` when no tempo is known.
    pub tempo: Option<TempoMap>,
    /// The MIDI file that the tempo map was read from, where there is one.
    pub tempo_file: Option<PathBuf>,
    /// Grid that hits are compared with.
    pub grid: Grid,
    /// Sections in order; empty when no form is known.
    pub form: Vec<Section>,
    /// End of the song in the audio; `None` = end of the longest mic.
    pub end: Option<Seconds>,
    /// Finder settings.
    pub finder: FinderSettings,
    /// MIDI keys of kick and snare.
    pub keys: (u8, u8),
    /// Shift of every trigger for samplers with latency, ms; negative = earlier.
    pub trigger_shift_ms: f64,
    /// Share of the way to the grid, 0..=100 per cent, at which pulled triggers are made beside the played ones; 0 = none.
    pub trigger_pull: f64,
    /// Recordings, and folders of them, that lie beside those of the song and do not belong to it.
    pub left_out: Vec<PathBuf>,
    /// Layers to print.
    pub layers: Vec<LayerPlan>,
    /// Rough mix.
    pub rough: RoughPlan,
    /// Handoff.
    pub handoff: HandoffPlan,
    /// What was noticed while sheet and tempo file were read.
    pub noticed: Vec<Finding>,
}

impl Default for Song {
    /// A song without mics, everything at its default.
    fn default() -> Self {
        Self {
            sheet: PathBuf::new(),
            title: String::new(),
            drummer: String::new(),
            mics: Vec::new(),
            tracks: Vec::new(),
            tempo: None,
            tempo_file: None,
            grid: Grid::SIXTEENTH,
            form: Vec::new(),
            end: None,
            finder: FinderSettings::default(),
            keys: Self::KEYS,
            trigger_shift_ms: 0.0,
            trigger_pull: 0.0,
            left_out: Vec::new(),
            layers: Vec::new(),
            rough: RoughPlan::default(),
            handoff: HandoffPlan::default(),
            noticed: Vec::new(),
        }
    }
}

impl Song {
    /// General MIDI percussion keys of kick and snare (General MIDI Level 1: 36 Bass Drum 1, 38 Acoustic Snare).
    pub const KEYS: (u8, u8) = (36, 38);

    /// The session's rate: that of its mics (all alike, checked when the sheet was read).
    #[must_use]
    pub fn rate(&self) -> SampleRate {
        self.mics.first().map_or(SampleRate::SESSION, |m| m.info.rate)
    }

    /// Length of the song in frames: its stated end, or the end of its longest mic.
    #[must_use]
    pub fn frames(&self) -> u64 {
        let longest = self.mics.iter().map(|m| m.info.frames).max().unwrap_or(0);
        self.end.map_or(longest, |end| end.sample(self.rate()).0)
    }

    /// How far its recordings reach, frames: to the end of the song or of its longest mic, whichever is later. A stroke may lie
    /// behind the end of the song, as the sheet may set it after the strokes were found; behind this nothing can.
    #[must_use]
    pub fn reach(&self) -> u64 {
        self.mics.iter().map(|m| m.info.frames).max().unwrap_or(0).max(self.frames())
    }

    /// Every file that the song is made of, none of which a result may ever replace: sheet, tempo file, recordings, other
    /// tracks, and the one-shots of its layers.
    #[must_use]
    pub fn files(&self) -> Vec<PathBuf> {
        let sheet = Some(self.sheet.clone()).filter(|s| !s.as_os_str().is_empty());
        let mics = self.mics.iter().map(|m| m.info.path.clone());
        let tracks = self.tracks.iter().map(|t| t.info.path.clone());
        let shots = self.layers.iter().flat_map(LayerPlan::files);
        sheet.into_iter().chain(self.tempo_file.clone()).chain(mics).chain(tracks).chain(shots).collect()
    }

    /// The drums that strokes are found for and that have a mic here.
    #[must_use]
    pub fn drums(&self) -> Vec<Drum> {
        Drum::FOUND.into_iter().filter(|d| self.mics_of(*d).next().is_some()).collect()
    }

    /// The close mic of a drum that its other mics and its layers are held against.
    #[must_use]
    pub fn main_mic(&self, drum: Drum) -> Option<&Mic> {
        self.mics_of(drum).min_by_key(|m| m.place.main_rank())
    }

    /// Mics of one drum, in sheet order.
    pub fn mics_of(&self, drum: Drum) -> impl Iterator<Item = &Mic> {
        self.mics.iter().filter(move |m| m.drum == drum)
    }
}
