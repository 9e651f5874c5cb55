//! What a phase check found, as plain data.

use super::air::Celsius;
use super::sum::SumGain;
use super::view::SumView;
use crate::finding::Finding;
use crate::song::Drum;
use crate::units::{SampleRate, Seconds};
use serde::Serialize;
use std::path::PathBuf;

/// How the check is made.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct PhaseSettings {
    /// Air temperature, for metres.
    pub air: Celsius,
    /// Strokes of a drum that are measured at the most, spread over the song; 4..=512.
    pub strokes: usize,
    /// Certainty that a stroke must have to be measured, 0..=1.
    pub certainty: f64,
}

impl PhaseSettings {
    /// Strokes of a drum measured by default.
    pub const STROKES: usize = 64;
    /// Certainty wanted by default.
    pub const CERTAINTY: f64 = 0.8;
}

impl Default for PhaseSettings {
    fn default() -> Self {
        Self { air: Celsius::ROOM, strokes: Self::STROKES, certainty: Self::CERTAINTY }
    }
}

/// A range of frequencies, Hz.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Band {
    /// Lower edge, Hz.
    pub low: f64,
    /// Upper edge, Hz.
    pub high: f64,
}

impl Band {
    /// Whether a frequency lies in the band.
    #[must_use]
    pub fn holds(self, hz: f64) -> bool {
        (self.low..=self.high).contains(&hz)
    }
}

/// Whether two mics hear a drum with the same sign.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Agreement {
    /// Both push where the other pushes.
    Same,
    /// One pushes where the other pulls.
    Opposite,
    /// The evidence does not say.
    Unclear,
}

impl Agreement {
    /// The word for tables.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Agreement::Same => "same",
            Agreement::Opposite => "opposite",
            Agreement::Unclear => "unclear",
        }
    }
}

/// What joins the two mics of a pair.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum PairKind {
    /// Two close mics of the drum that is heard.
    Close,
    /// The drum's main mic and a mic of the whole kit.
    Kit,
    /// The two sides of a stereo pair.
    Stereo,
    /// The drum's main mic and a close mic of another drum, by way of bleed.
    Bleed,
}

/// One drum in two mics.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Pair {
    /// The drum whose strokes were heard.
    pub drum: Drum,
    /// What joins the two mics.
    pub kind: PairKind,
    /// The mic that counts as zero.
    pub reference: String,
    /// The mic that is compared with it.
    pub mic: String,
    /// Strokes measured.
    pub strokes: usize,
    /// Sign of the correlation at the arrival; for two close mics of one drum the sign of the fuller sum, where one is fuller by 1 dB.
    pub polarity: Agreement,
    /// How much later the drum reaches `mic`, samples (fractional); negative = earlier. Median over strokes.
    pub lag_samples: f64,
    /// The same, seconds.
    pub lag: Seconds,
    /// The same, metres of air.
    pub metres: f64,
    /// Spread of the lag between strokes, samples: 1.4826 · median absolute deviation.
    pub spread_samples: f64,
    /// Share of strokes that tell the same sign and the same lag within 0.5 ms, 0..=1.
    pub agreement: f64,
    /// Strongest correlation of the other sign against the one at the arrival, 0..=1; near 1 the sign is a guess.
    pub rival: f64,
    /// 0..=1, from agreement and rival; below [`Pair::CLEAR`] the polarity counts as unclear.
    pub confidence: f64,
    /// Whether the arrival itself can be trusted: most strokes agree on it.
    pub arrival_sure: bool,
    /// The drum's low band that sums are computed in.
    pub band: Band,
    /// What summing does in that band with both mics at equal level of the drum.
    pub sum: SumGain,
    /// The same with both mics as recorded, against the reference alone.
    pub sum_as_recorded: SumGain,
}

impl Pair {
    /// Confidence from which the polarity counts as known.
    pub const CLEAR: f64 = 0.4;
}

/// What to do with a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Recommendation {
    /// Leave the sign as it is.
    Keep,
    /// Flip the sign.
    Invert,
    /// No clear answer.
    Unclear,
}

impl Recommendation {
    /// The words for tables.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Recommendation::Keep => "keep",
            Recommendation::Invert => "invert",
            Recommendation::Unclear => "no clear answer",
        }
    }
}

/// The advice for one file.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Advice {
    /// The mic.
    pub mic: String,
    /// Its file.
    pub file: PathBuf,
    /// What it is meant for.
    pub drum: Drum,
    /// What to do.
    pub recommendation: Recommendation,
    /// 0..=1: share of the evidence that speaks for it, less the share that speaks against it.
    pub confidence: f64,
    /// Whether it is clear enough to be written into a sheet: confidence from 0.8, an inversion not by bleed alone nor, of
    /// overheads and rooms, by one drum alone, no side of a stereo pair turned against the other while their sum is fuller as it
    /// is, and for a kick or snare mic enough strokes of its drum.
    pub sure: bool,
    /// Why, one sentence.
    pub why: String,
}

/// Everything a phase check found.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PhaseReport {
    /// Rate that lags count in.
    pub rate: SampleRate,
    /// How it was made.
    pub settings: PhaseSettings,
    /// Speed of sound used, m/s.
    pub speed_of_sound: f64,
    /// Drum, its main mic, and how many sure strokes were measured.
    pub drums: Vec<(Drum, String, usize)>,
    /// Every pair measured.
    pub pairs: Vec<Pair>,
    /// One piece of advice a file, in the order of the mics.
    pub advice: Vec<Advice>,
    /// The close mics' sum before and after, a picture's data; one a drum with two close mics or with overheads.
    pub sums: Vec<SumView>,
    /// Things to look at.
    pub findings: Vec<Finding>,
}

impl Advice {
    /// The words for tables: what is not sure enough for a sheet is only probable.
    #[must_use]
    pub fn words(&self) -> &'static str {
        match (self.recommendation, self.sure) {
            (Recommendation::Keep, false) => "probably keep",
            (Recommendation::Invert, false) => "probably invert",
            (recommendation, _) => recommendation.words(),
        }
    }
}

/// What the sides of a stereo file are called: its mic's name and one of these.
pub(super) const SIDES: [&str; 2] = [" L", " R"];

/// Which of `mics` an ear belongs to: the mic of that name, or else the one whose stereo file it is a side of.
pub fn mic_of<'m>(ear: &str, mics: impl Iterator<Item = &'m str> + Clone) -> Option<usize> {
    let side = || SIDES.iter().find_map(|side| ear.strip_suffix(side));
    mics.clone().position(|mic| mic == ear).or_else(|| mics.clone().position(|mic| Some(mic) == side()))
}

impl PhaseReport {
    /// The advice for a mic, by its name or by that of a side of its stereo file.
    #[must_use]
    pub fn advice_for(&self, ear: &str) -> Option<&Advice> {
        mic_of(ear, self.advice.iter().map(|a| a.mic.as_str())).and_then(|i| self.advice.get(i))
    }

    /// A pair by drum and mic.
    #[must_use]
    pub fn pair(&self, drum: Drum, mic: &str) -> Option<&Pair> {
        self.pairs.iter().find(|p| p.drum == drum && p.mic == mic && p.kind != PairKind::Stereo)
    }
}
