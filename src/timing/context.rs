//! What the literature says about offsets of some ms, for a reader who wonders what 6 ms mean.
//!
//! In: the time between grid lines. Out: [`Context`] lines, each with its source.

use super::words::just_noticed_ms;
use serde::Serialize;

/// One fact with its source.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Context {
    /// The fact, one sentence.
    pub fact: String,
    /// Where it was published.
    pub source: &'static str,
    /// Whether only the source's title could be checked, so that its figures are from memory.
    pub from_memory: bool,
}

/// The lines that belong under every report. `step_ms` is the time between two grid lines.
#[must_use]
pub fn context(step_ms: f64) -> Vec<Context> {
    let line = |fact: String, source, from_memory| Context { fact, source, from_memory };
    vec![
        line(
            format!(
                "In an even row of strokes {step_ms:.0} ms apart, listeners notice one that is displaced by about {:.0} ms or more.",
                just_noticed_ms(step_ms)
            ),
            "Friberg & Sundberg 1995, J. Acoust. Soc. Am. 98(5), 2524-2531",
            false,
        ),
        line(
            "Fifteen professional drummers with a metronome at 60 and 120 BPM played kick and snare about 10 ms early, the hi-hat within about 2 ms; at 200 BPM kick and snare came within about 1 ms.".into(),
            "Fujii et al. 2011, Music Perception 28(5), 491-503",
            false,
        ),
        line(
            "In a groove of drums, bass and guitar, listeners noticed a kick, snare or hi-hat that was shifted by about 19 to 24 ms.".into(),
            "JND thresholds of asynchrony and non-isochrony in a multi-instrumental groove-based context, preprint jsg94_v3",
            false,
        ),
        line(
            "Drummers who mean to play evenly spread by roughly 5 to 15 ms (standard deviation).".into(),
            "Hellmer & Madison 2015, Music Perception 33(2)",
            true,
        ),
    ]
}
