//! What kind of value a field of a song sheet takes, with range and unit: the reader, what is suggested for a slip of the pen
//! and the words of [`FIELDS`](super::FIELDS) go by it.

use std::ops::RangeInclusive;

/// Tempos that a song may have, quarter notes a minute; what lies outside is taken for a slip of the pen.
pub const SONG_BPM: RangeInclusive<f64> = 20.0..=400.0;
/// Where bar 1 may lie, seconds from the audio's first sample.
pub const BAR_ONE: RangeInclusive<f64> = -3600.0..=86_400.0;
/// How far a stroke may be asked to rise above what bleed explains, dB.
pub const THRESHOLD_DB: RangeInclusive<f64> = 0.0..=40.0;
/// Quietest stroke that counts, dBFS.
pub const FLOOR_DBFS: RangeInclusive<f64> = -120.0..=0.0;
/// Least time between two strokes, ms.
pub const MIN_GAP_MS: RangeInclusive<f64> = 1.0..=500.0;
/// Level of a mic, track or layer, dB.
pub(super) const LEVEL_DB: RangeInclusive<f64> = -60.0..=24.0;
/// Bars that a section may begin at.
pub(super) const BAR: RangeInclusive<i64> = -999..=9999;
/// Bars that a section may last.
pub(super) const BARS: RangeInclusive<i64> = 1..=9999;
/// Where a song may end in the audio, seconds: above 0, four days at the most.
pub(super) const END: RangeInclusive<f64> = f64::MIN_POSITIVE..=345_600.0;

/// What kind of value a field takes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Kind {
    /// A number in a range.
    Number(Number),
    /// True or false.
    Truth,
    /// Any text.
    Text,
    /// One of a few words.
    Word(&'static [&'static str]),
    /// A text of a set form, such as a meter.
    Form,
    /// The path of a file or folder.
    Path,
    /// Several texts.
    List,
    /// Several paths.
    Paths,
    /// Names with a value each.
    Table,
}

/// A number that a field takes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Number {
    /// What it counts.
    pub unit: Unit,
    /// The least that is taken.
    pub least: f64,
    /// The most that is taken.
    pub most: f64,
    /// Whether it has no decimals.
    pub whole: bool,
    /// The only numbers of the range that are taken; empty where all are.
    pub only: &'static [f64],
    /// Whether the text "auto" may stand instead.
    pub auto: bool,
}

/// What a number counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit {
    /// Decibels of a level against another one.
    Db,
    /// Decibels against full scale.
    Dbfs,
    /// Decibels of true peak.
    Dbtp,
    /// Loudness units against full scale.
    Lufs,
    /// Milliseconds.
    Ms,
    /// Seconds, or minutes and seconds with a colon between them.
    Seconds,
    /// Samples a second.
    Hz,
    /// Hundredths.
    PerCent,
    /// Quarter notes a minute.
    Bpm,
    /// The number of a bar.
    Bar,
    /// Bars of length.
    Bars,
    /// Bits of a sample.
    Bits,
    /// Key of a MIDI note.
    Key,
    /// From -1 on the left to 1 on the right.
    Pan,
    /// Nothing: a plain number.
    Plain,
}

impl Number {
    /// Whether a number is one of those that are taken.
    #[must_use]
    pub fn takes(&self, n: f64) -> bool {
        self.range().contains(&n)
            && (!self.whole || n.fract() == 0.0)
            && (self.only.is_empty() || self.only.contains(&n))
    }

    /// From the least to the most.
    #[must_use]
    pub fn range(&self) -> RangeInclusive<f64> {
        self.least..=self.most
    }
}

impl Kind {
    /// Whether it is a path, or several.
    #[must_use]
    pub fn is_path(self) -> bool {
        matches!(self, Kind::Path | Kind::Paths)
    }

    /// Whether it is several texts.
    #[must_use]
    pub fn is_list(self) -> bool {
        matches!(self, Kind::List | Kind::Paths)
    }
}

/// A number with decimals.
pub(super) const fn number(unit: Unit, range: RangeInclusive<f64>) -> Kind {
    Kind::Number(Number { unit, least: *range.start(), most: *range.end(), whole: false, only: &[], auto: false })
}

/// A number without decimals.
pub(super) const fn whole(unit: Unit, range: RangeInclusive<i64>) -> Kind {
    let (least, most) = (*range.start() as f64, *range.end() as f64);
    Kind::Number(Number { unit, least, most, whole: true, only: &[], auto: false })
}

/// A number with decimals, or "auto".
pub(super) const fn number_or_auto(unit: Unit, range: RangeInclusive<f64>) -> Kind {
    Kind::Number(Number { unit, least: *range.start(), most: *range.end(), whole: false, only: &[], auto: true })
}

pub(super) const LEVEL: Kind = number(Unit::Db, LEVEL_DB);
pub(super) const PAN: Kind = number(Unit::Pan, -1.0..=1.0);
pub(super) const PER_CENT: Kind = number(Unit::PerCent, 0.0..=100.0);
pub(super) const KEY: Kind = whole(Unit::Key, 0..=127);
/// Bits that files are made with.
pub(super) const BITS: Kind = Kind::Number(Number {
    unit: Unit::Bits,
    least: 16.0,
    most: 32.0,
    whole: true,
    only: &[16.0, 24.0, 32.0],
    auto: false,
});
