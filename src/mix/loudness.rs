//! Loudness and true peak of a stream of samples.
//!
//! In: interleaved samples in blocks of any size. Out: [`Loudness`]. Measured as ITU-R BS.1770 and EBU R 128 say, by
//! meters of our own for what is asked often and through the `ebur128` crate for the rest; `tests/suite/loudness.rs` holds
//! both to the signals of EBU Tech 3341.

use super::gated::Gated;
use super::peak::TruePeak;
use crate::error::{Error, Result};
use crate::units::{Dbfs, SampleRate};
use ebur128::{EbuR128, Mode};
use serde::Serialize;
use std::fmt;

/// Loudness, LUFS (ITU-R BS.1770 calls the same unit LKFS).
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize)]
#[serde(transparent)]
pub struct Lufs(pub f64);

impl fmt::Display for Lufs {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.1} LUFS", self.0)
    }
}

/// True peak, dB relative to full scale (ITU-R BS.1770 Annex 2), as the higher of two meters reads it.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize)]
#[serde(transparent)]
pub struct Dbtp(pub f64);

impl Dbtp {
    /// From a linear peak, 1.0 = full scale; silence gives −200, as for [`Dbfs`].
    #[must_use]
    pub fn from_peak(peak: f64) -> Self {
        Self(Dbfs::from_peak(peak).0)
    }
}

impl fmt::Display for Dbtp {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.1} dBTP", self.0)
    }
}

/// What was measured of one stream.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Loudness {
    /// Gated loudness of the whole; `None` under 400 ms or where nothing is above −70 LUFS.
    pub integrated: Option<Lufs>,
    /// Loudest 400 ms, looked at every 100 ms; `None` as above or when not asked for.
    pub momentary: Option<Lufs>,
    /// Loudest 3 s, looked at every 100 ms; `None` as above or when not asked for.
    pub short_term: Option<Lufs>,
    /// Highest true peak; the highest sample when true peak was not asked for.
    pub true_peak: Dbtp,
}

/// What a [`Meter`] is to measure besides the integrated loudness. Each costs time.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Watch {
    /// True peak instead of sample peak.
    pub true_peak: bool,
    /// Loudest 400 ms.
    pub momentary: bool,
    /// Loudest 3 s.
    pub short_term: bool,
}

impl Watch {
    /// Everything.
    pub const ALL: Watch = Watch { true_peak: true, momentary: true, short_term: true };
    /// Integrated loudness and true peak.
    pub const MIX: Watch = Watch { true_peak: true, momentary: false, short_term: false };
}

/// What does the measuring: all that EBU R 128 knows for any number of channels, or everything but the loudest 3 s for one
/// or two, at a fifth of the time.
enum Engine {
    All(Box<EbuR128>),
    Quick(Gated),
}

/// Measures the loudness of a stream; memory does not depend on its length beyond 8 bytes every 100 ms.
pub struct Meter {
    inner: Engine,
    /// Present where true peak is watched.
    true_peak: Option<Box<TruePeak>>,
    watch: Watch,
    channels: usize,
    /// Frames between two looks at momentary and short-term loudness.
    step: usize,
    /// Frames since the last look.
    since: usize,
    momentary: Option<Lufs>,
    short_term: Option<Lufs>,
}

impl Meter {
    /// A meter for 1 to 64 interleaved channels. One channel alone reads 3.01 LU below the same in two (BS.1770).
    ///
    /// # Errors
    /// A usage error for a channel count outside 1..=64.
    pub fn new(rate: SampleRate, channels: u16, watch: Watch) -> Result<Self> {
        let quick = !watch.short_term && (1..=2).contains(&channels);
        let unmeasurable = |e| unmeasurable(channels, e);
        let inner = if quick {
            Engine::Quick(Gated::new(rate, usize::from(channels)))
        } else {
            let mode = Mode::I | Mode::SAMPLE_PEAK | if watch.short_term { Mode::S } else { Mode::empty() };
            Engine::All(Box::new(EbuR128::new(u32::from(channels), rate.hz(), mode).map_err(unmeasurable)?))
        };
        let true_peak = watch.true_peak.then(|| TruePeak::new(rate, usize::from(channels))).transpose();
        let true_peak = true_peak.map_err(unmeasurable)?.map(Box::new);
        let step = (rate.hz() as usize).div_ceil(10);
        let channels = usize::from(channels);
        Ok(Self { inner, true_peak, watch, channels, step, since: 0, momentary: None, short_term: None })
    }

    /// Takes the next interleaved samples; a last incomplete frame is left out.
    ///
    /// # Errors
    /// None with samples of the channel count that the meter was made for.
    pub fn add(&mut self, samples: &[f32]) -> Result<()> {
        let whole = samples.len() / self.channels * self.channels;
        let mut rest = samples.get(..whole).unwrap_or(samples);
        let broken = |e| unmeasurable(self.channels as u16, e);
        if let Some(peak) = &mut self.true_peak {
            peak.add(rest).map_err(broken)?;
        }
        let all = match &mut self.inner {
            Engine::All(all) => all,
            Engine::Quick(gated) => {
                gated.add(rest);
                return Ok(());
            }
        };
        let polls = self.watch.momentary || self.watch.short_term;
        while !rest.is_empty() {
            let n = if polls { (self.step - self.since) * self.channels } else { rest.len() };
            let (now, later) = rest.split_at(n.min(rest.len()));
            all.add_frames_f32(now).map_err(broken)?;
            self.since += now.len() / self.channels;
            if polls && self.since == self.step {
                self.since = 0;
                if self.watch.momentary {
                    self.momentary = louder(self.momentary, all.loudness_momentary().ok());
                }
                if self.watch.short_term {
                    self.short_term = louder(self.short_term, all.loudness_shortterm().ok());
                }
            }
            rest = later;
        }
        Ok(())
    }

    /// Loudness of the last 3 s, as a meter would show it now, when it is watched.
    #[must_use]
    pub fn short_term_now(&self) -> Option<Lufs> {
        let Engine::All(all) = &self.inner else { return None };
        all.loudness_shortterm().ok().and_then(finite)
    }

    /// What was measured so far.
    #[must_use]
    pub fn loudness(&self) -> Loudness {
        let (integrated, momentary) = match &self.inner {
            Engine::All(all) => (all.loudness_global().ok(), self.momentary),
            Engine::Quick(gated) => {
                let momentary = gated.momentary().filter(|_| self.watch.momentary);
                (gated.integrated(), momentary.and_then(finite))
            }
        };
        Loudness {
            integrated: integrated.and_then(finite),
            momentary,
            short_term: self.short_term,
            true_peak: Dbtp::from_peak(self.peak()),
        }
    }

    /// Highest peak of any channel so far, linear. The crate keeps it; a channel inside the count cannot fail.
    fn peak(&self) -> f64 {
        if let Some(peak) = &self.true_peak {
            return peak.highest();
        }
        match &self.inner {
            Engine::All(all) => (0..self.channels as u32).filter_map(|c| all.sample_peak(c).ok()).fold(0.0, f64::max),
            Engine::Quick(gated) => gated.peak(),
        }
    }
}

fn unmeasurable(channels: u16, e: ebur128::Error) -> Error {
    Error::usage(
        format!("loudness cannot be measured over {channels} channels ({e})"),
        "Split the file into files of at most 64 channels.",
    )
}

/// The crate gives minus infinity for silence and for less than 400 ms: no figure, rather than a false one.
fn finite(lufs: f64) -> Option<Lufs> {
    lufs.is_finite().then_some(Lufs(lufs))
}

fn louder(a: Option<Lufs>, b: Option<f64>) -> Option<Lufs> {
    match (a, b.and_then(finite)) {
        (Some(a), Some(b)) => Some(if b > a { b } else { a }),
        (a, b) => a.or(b),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: SampleRate = SampleRate::SESSION;

    fn sine(amplitude: f64, seconds: f64) -> Vec<f32> {
        let n = (seconds * RATE.hz_f64()) as usize;
        (0..n)
            .flat_map(|i| {
                let x = (amplitude * (std::f64::consts::TAU * 1000.0 * i as f64 / RATE.hz_f64()).sin()) as f32;
                [x, x]
            })
            .collect()
    }

    #[test]
    fn silence_and_very_short_audio_have_no_loudness() {
        let mut m = Meter::new(RATE, 2, Watch::ALL).unwrap();
        m.add(&vec![0.0; 96_000]).unwrap();
        let l = m.loudness();
        assert_eq!((l.integrated, l.momentary, l.short_term), (None, None, None));
        assert_eq!(l.true_peak, Dbtp(-200.0));
        let mut m = Meter::new(RATE, 2, Watch::ALL).unwrap();
        m.add(&sine(0.5, 0.3)).unwrap();
        assert_eq!(m.loudness().integrated, None);
    }

    #[test]
    fn the_size_of_the_blocks_changes_nothing() {
        let x = sine(0.3, 5.0);
        let mut whole = Meter::new(RATE, 2, Watch::ALL).unwrap();
        whole.add(&x).unwrap();
        let mut pieces = Meter::new(RATE, 2, Watch::ALL).unwrap();
        for block in x.chunks(2 * 1_237) {
            pieces.add(block).unwrap();
        }
        assert_eq!(whole.loudness(), pieces.loudness());
    }

    #[test]
    fn no_channel_and_too_many_are_refused() {
        assert!(Meter::new(RATE, 0, Watch::MIX).is_err());
        assert!(Meter::new(RATE, 65, Watch::MIX).is_err());
    }
}
