//! A click track printed from the tempo map, exact to the sample.
//!
//! In: tempo map, rate, end, count-in. Out: [`Click`], the sample of every beat; [`write_click`] makes the WAV file.

use crate::audio::{SampleFormat, WavExtras, WavSpec, WavWriter};
use crate::error::{Error, Result};
use crate::finding::Finding;
use crate::output::AtomicFile;
use crate::tempo::TempoMap;
use crate::units::{Dbfs, SampleRate, Seconds};
use serde::Serialize;
use std::path::Path;

#[cfg(test)]
mod tests;

/// One beat of the click.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct ClickBeat {
    /// Sample of the click file on which it begins.
    pub sample: u64,
    /// Bar; the count-in has the bars 0, −1, ... backwards from bar 1.
    pub bar: i64,
    /// Beat in the bar, from 1; beat 1 is accented.
    pub beat: u32,
}

/// A click track, planned.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Click {
    /// Sampling rate.
    pub rate: SampleRate,
    /// Length of the file, samples.
    pub frames: u64,
    /// Samples by which the file begins before the audio: 0 unless the count-in does not fit before bar 1.
    pub lead: u64,
    /// Bars counted in.
    pub count_in: u32,
    /// Beats in order.
    pub beats: Vec<ClickBeat>,
}

/// Most bars that are counted in.
pub const MOST_COUNT_IN: u32 = 16;
/// Bars counted in where nothing is said, as far as they fit before bar 1.
pub const USUAL_COUNT_IN: u32 = 2;
/// Level of the accented click's peak, dBFS: moderate, because clicks are heard on headphones.
pub const LEVEL: Dbfs = Dbfs(-15.0);
/// Other beats are softer by this factor (−5 dB).
const SOFTER: f64 = 0.562;
/// Pitches of accent and other beats, hertz.
const PITCH: (f64, f64) = (1600.0, 1100.0);
/// Length of one click, and the time in which it falls to 1/e, seconds.
const LENGTH: (f64, f64) = (0.040, 0.008);

/// The sample nearest to a time. Sums of whole microseconds come out of floating point a hair beside a tie, so a
/// ten-millionth of a sample is allowed for: halves always round up.
fn nearest(time: Seconds, rate: SampleRate) -> i64 {
    (time.0 * rate.hz_f64() + 0.5 + 1e-7).floor() as i64
}

/// Plans a click from `count_in` bars before bar 1 to `end`. `None` counts in two bars, or as many as fit.
///
/// # Errors
/// A usage error when the song ends before bar 1 or the count-in is longer than 16 bars.
pub fn plan_click(map: &TempoMap, rate: SampleRate, end: Seconds, count_in: Option<u32>) -> Result<Click> {
    if count_in.is_some_and(|n| n > MOST_COUNT_IN) {
        return Err(Error::usage(
            format!("a count-in of {} bars is very long", count_in.unwrap_or_default()),
            format!("Choose 0 to {MOST_COUNT_IN} bars."),
        ));
    }
    if end.0 <= map.bar_one().0 {
        return Err(Error::usage(
            format!("bar 1 begins at {}, but the song ends at {end}: there is nothing to click", map.bar_one()),
            "Check where bar 1 begins, or say how long the song is.",
        ));
    }
    let start_of = |bars: u32| map.bar(1 - i64::from(bars)).time;
    let bars =
        count_in.unwrap_or_else(|| (0..=USUAL_COUNT_IN).rev().find(|&n| nearest(start_of(n), rate) >= 0).unwrap_or(0));
    let first = nearest(start_of(bars), rate);
    let lead = if count_in.is_some() { first.min(0).unsigned_abs() } else { 0 };
    // Half a sample of room keeps a first beat that comes out a rounding error early.
    let from = Seconds(start_of(bars).0 - 0.5 / rate.hz_f64());
    let beats = map
        .beats(from, end)
        .filter_map(|b| {
            let sample = u64::try_from(nearest(b.time, rate) + lead.cast_signed()).ok()?;
            Some(ClickBeat { sample, bar: b.bar, beat: b.beat })
        })
        .collect();
    let frames = u64::try_from(nearest(end, rate)).unwrap_or(0) + lead;
    Ok(Click { rate, frames, lead, count_in: bars, beats })
}

impl Click {
    /// What to know before importing it.
    #[must_use]
    pub fn findings(&self, file: &Path) -> Vec<Finding> {
        if self.lead == 0 {
            return Vec::new();
        }
        let ms = self.lead as f64 / self.rate.hz_f64() * 1000.0;
        vec![Finding::caution(
            file,
            format!(
                "The count-in of {} does not fit before bar 1, so this click begins {ms:.0} ms before the recordings.",
                if self.count_in == 1 { "1 bar".to_owned() } else { format!("{} bars", self.count_in) }
            ),
            format!("Place it {} samples earlier than the other files, or choose a shorter --count-in.", self.lead),
        )]
    }
}

/// One click: a short cosine that dies away. Its first sample is its peak, so that the beat is where the sound begins.
fn sound(rate: SampleRate, accent: bool) -> Vec<f32> {
    let (pitch, level) = if accent { (PITCH.0, LEVEL.peak()) } else { (PITCH.1, LEVEL.peak() * SOFTER) };
    let n = (LENGTH.0 * rate.hz_f64()) as usize;
    (0..n)
        .map(|i| {
            let t = i as f64 / rate.hz_f64();
            // The last quarter fades to nothing, so that the click ends without a tick of its own.
            let fade = ((1.0 - t / LENGTH.0) * 4.0).clamp(0.0, 1.0);
            (level * (std::f64::consts::TAU * pitch * t).cos() * (-t / LENGTH.1).exp() * fade) as f32
        })
        .collect()
}

/// Writes the click as a mono 24-bit WAV file, still under its passing name; memory does not grow with its length.
///
/// # Errors
/// [`OutputFault`](crate::output::OutputFault).
pub fn write_click(path: &Path, click: &Click) -> Result<AtomicFile> {
    let spec = WavSpec { rate: click.rate, channels: 1, format: SampleFormat::Int24 };
    let extras = WavExtras { frames: Some(click.frames), ..WavExtras::default() };
    let mut wav = WavWriter::create_with(path, spec, extras)?;
    render(click, |block| wav.write(block))?;
    wav.close()
}

/// Samples a block.
const BLOCK: u64 = 1 << 15;

/// Gives the samples of a click, block by block. A click is cut where the next begins.
///
/// # Errors
/// Whatever `sink` gives.
pub fn render(click: &Click, mut sink: impl FnMut(&[f32]) -> Result<()>) -> Result<()> {
    let sounds = [sound(click.rate, false), sound(click.rate, true)];
    let mut block = Vec::with_capacity(BLOCK as usize);
    let mut sounding: Option<(u64, usize)> = None;
    let mut next = 0;
    let mut from = 0;
    while from < click.frames {
        let to = (from + BLOCK).min(click.frames);
        block.clear();
        for at in from..to {
            while let Some(beat) = click.beats.get(next).filter(|b| b.sample == at) {
                sounding = Some((at, usize::from(beat.beat == 1)));
                next += 1;
            }
            let value = sounding.and_then(|(since, kind)| sounds.get(kind)?.get((at - since) as usize).copied());
            block.push(value.unwrap_or(0.0));
        }
        sink(&block)?;
        from = to;
    }
    Ok(())
}
