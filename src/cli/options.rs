//! Options that several commands share, and the parsers that hold every number to its range.

use crate::error::Fault;
use crate::song::{BAR_ONE, FLOOR_DBFS, MIN_GAP_MS, MicSettings, SONG_BPM, THRESHOLD_DB};
use crate::tempo::{Grid, GridFault, Meter, TempoFault};
use crate::units::{Dbfs, SampleRate, Seconds};
use std::ops::RangeInclusive;

/// Settings of the finder that a run may override.
#[derive(clap::Args, Clone, Copy, Debug, Default)]
#[command(next_help_heading = "Finding")]
pub(super) struct FinderOptions {
    /// How far a stroke must rise above what bleed explains, dB, 0 to 40; more finds fewer strokes [default: 0.5]
    #[arg(long, value_name = "DB", value_parser = threshold, allow_negative_numbers = true)]
    pub threshold: Option<f64>,
    /// Quietest stroke that counts, dBFS, -120 to 0 [default: -70]
    #[arg(long, value_name = "DBFS", value_parser = floor, allow_negative_numbers = true)]
    pub floor: Option<f64>,
    /// Least time between two strokes, ms, 1 to 500; more than 45 joins flams [default: 15]
    #[arg(long, value_name = "MS", value_parser = min_gap, allow_negative_numbers = true)]
    pub min_gap: Option<f64>,
}

impl FinderOptions {
    /// These settings laid over others.
    pub fn over(self, under: MicSettings) -> MicSettings {
        MicSettings {
            threshold: self.threshold.or(under.threshold),
            floor: self.floor.map(Dbfs).or(under.floor),
            min_gap_ms: self.min_gap.or(under.min_gap_ms),
        }
    }

    /// Whether any is given.
    pub fn any(self) -> bool {
        self.threshold.is_some() || self.floor.is_some() || self.min_gap.is_some()
    }
}

/// A number within its range; otherwise the sentence that says which.
pub(super) fn number(text: &str, range: RangeInclusive<f64>, unit: &str) -> Result<f64, String> {
    let point = if text.contains(',') { ", with a decimal point" } else { "" };
    let said = || format!("it takes a number from {} to {} {unit}{point}", range.start(), range.end());
    let n: f64 = text.trim().parse().map_err(|_| said())?;
    if range.contains(&n) { Ok(n) } else { Err(said()) }
}

/// A whole number within its range; otherwise the sentence that says which.
pub(super) fn whole<T: TryFrom<i64>>(text: &str, range: RangeInclusive<i64>, unit: &str) -> Result<T, String> {
    let said = || format!("it takes a whole number from {} to {}{unit}", range.start(), range.end());
    let n: i64 = text.trim().parse().map_err(|_| said())?;
    Some(n).filter(|n| range.contains(n)).and_then(|n| T::try_from(n).ok()).ok_or_else(said)
}

fn threshold(text: &str) -> Result<f64, String> {
    number(text, THRESHOLD_DB, "(dB)")
}

fn floor(text: &str) -> Result<f64, String> {
    number(text, FLOOR_DBFS, "(dBFS)")
}

fn min_gap(text: &str) -> Result<f64, String> {
    number(text, MIN_GAP_MS, "(ms)")
}

/// Quarter notes a minute.
pub(super) fn bpm(text: &str) -> Result<f64, String> {
    number(text, SONG_BPM, "(quarter notes a minute)")
}

/// Seconds of bar 1.
pub(super) fn bar_one(text: &str) -> Result<Seconds, String> {
    number(text, BAR_ONE, "(seconds)").map(Seconds)
}

/// A meter such as `6/8`.
pub(super) fn meter(text: &str) -> Result<Meter, String> {
    text.parse().map_err(|e: TempoFault| e.remedy())
}

/// A grid such as `1/16` or `1/8t`.
pub(super) fn grid(text: &str) -> Result<Grid, String> {
    text.parse().map_err(|e: GridFault| e.remedy())
}

/// Loudness of the rough mix, LUFS.
pub(super) fn loudness(text: &str) -> Result<f64, String> {
    number(text, -40.0..=-8.0, "(LUFS)")
}

/// True peak of the rough mix, dBTP.
pub(super) fn true_peak(text: &str) -> Result<f64, String> {
    number(text, -9.0..=0.0, "(dBTP)")
}

/// Loudness of the two-mix against the drums, dB.
pub(super) fn guide_level(text: &str) -> Result<f64, String> {
    number(text, -60.0..=24.0, "(dB)")
}

/// Rate of delivered files.
pub(super) fn delivery_rate(text: &str) -> Result<SampleRate, String> {
    const RATES: [u32; 6] = [44_100, 48_000, 88_200, 96_000, 176_400, 192_000];
    let rate = text.trim().parse().ok().filter(|hz| RATES.contains(hz)).and_then(SampleRate::new);
    rate.ok_or_else(|| "it takes 44100, 48000, 88200, 96000, 176400 or 192000 (Hz)".into())
}

/// Bits of delivered files.
pub(super) fn delivery_bits(text: &str) -> Result<u16, String> {
    text.trim()
        .parse()
        .ok()
        .filter(|b| crate::handoff::DEPTHS.contains(b))
        .ok_or_else(|| "it takes 16, 24 or 32".into())
}
