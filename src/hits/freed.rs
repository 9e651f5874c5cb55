//! Strokes freed from bleed.
//!
//! In: the recordings, and the strokes that are kept. Out: levels of each in the main mic with what the other mics heard of their
//! drums taken off, which tell how strong it was. None is moved by this, nor lost but where the strength in the list is under the floor.

use super::bands::{BANDS, Bands, Framing};
use super::bleed::Expected;
use super::cleaned::{Cleaned, Cleaner};
use super::measure::Measured;
use super::paths::{Paths, frame, telling};
use super::still::{loudest, still};
use super::strength::Left;
use super::survey::Survey;
use super::take::Stretch;
use crate::error::Result;
use crate::song::{Drum, Mic};

/// Frames in which the main mic hears most bleed, and those in which the others are loudest, that paths are learnt from. What the
/// others hear and the main mic does not tells as much as what it hears.
const MAIN_FRAMES: usize = 40;
/// See [`MAIN_FRAMES`].
const OTHER_FRAMES: usize = 72;
/// Share of the bleed that other mics must tell of for strengths to be clearer without it.
const LEAST_TOLD: f32 = 0.1;
/// Bleed that is expected under a tenth of the strokes at least, in relation to their power, for it to matter: −26 dB, which moves a
/// peak by 0.4 dB at most.
const MATTERS: f32 = 2.5e-3;
/// Frames from a little before a stroke to its peak.
const STROKE_FROM: usize = 2;
/// See [`STROKE_FROM`].
const STROKE_TO: usize = 10;

/// Levels of strokes with bleed taken off, in their order: candidates of a survey by number, and what they were measured as. None
/// where nothing bleeds that matters, or no other mic tells of it. Rooms are not asked: they are farther from everything.
///
/// Cost: up to 112 short transforms of each of up to five mics, and six of each stroke.
///
/// # Errors
/// As [`Paths::learn`].
pub fn left(
    mics: &[Mic],
    stretch: &Stretch,
    survey: &Survey,
    kept: &[usize],
    measured: &[Measured],
    framing: Framing,
) -> Result<Vec<Left>> {
    let strokes: Vec<usize> = kept.iter().map(|&i| survey.candidates[i]).collect();
    let (Some(power), Some(bleed)) = (survey.power.first(), survey.bleed.first()) else { return Ok(Vec::new()) };
    let drum = mics[survey.main].drum;
    let others: Vec<usize> = (0..mics.len()).filter(|&i| mics[i].drum != drum && mics[i].drum != Drum::Room).collect();
    if others.is_empty() || !matters(power, bleed, &strokes) {
        return Ok(Vec::new());
    }
    let length = frame(framing.rate);
    let frames = length.div_ceil(framing.hop);
    let sample = |t: usize| stretch.start + framing.sample(t).0;
    let mut free = still(&strokes, power.len(), frames);
    free.retain(|&t| sample(t) + length as u64 <= stretch.end);
    let mut chosen = loudest(power, &free, frames, MAIN_FRAMES);
    let others = telling(&stretch.bands, survey.main, &others, &chosen);
    for &i in &others {
        chosen.extend(loudest(&stretch.bands[i], &free, frames, OTHER_FRAMES / others.len()));
    }
    chosen.sort_unstable();
    chosen.dedup();
    let chosen: Vec<u64> = chosen.into_iter().map(sample).collect();
    let paths = Paths::learn(mics, &stretch.rest, survey.main, &others, &chosen, framing.rate)?;
    let Some(paths) = paths.filter(|paths| paths.told >= LEAST_TOLD) else { return Ok(Vec::new()) };
    let longest = measured.iter().map(|m| m.span.whole()).map(|span| span.end - span.start).max().unwrap_or(0);
    let mut cleaner = Cleaner::new(mics, &stretch.rest, survey.main, &paths, longest as usize)?;
    measured.iter().map(|m| Ok(left_of(m, &cleaner.clean(m.span.whole())?))).collect()
}

fn left_of(stroke: &Measured, cleaned: &Cleaned) -> Left {
    let levels = |samples: &[f32]| stroke.span.levels(cleaned.start, samples);
    Left { levels: levels(cleaned.left), taken: levels(cleaned.bleed).peak }
}

/// Whether as much bleed is expected under a tenth of the strokes that it may be heard in their strength.
fn matters(power: &Bands, bleed: &Expected, strokes: &[usize]) -> bool {
    let most = |at: &dyn Fn(usize) -> f32, t: usize| {
        (t.saturating_sub(STROKE_FROM)..t + STROKE_TO).map(at).fold(0.0f32, f32::max)
    };
    let all = |t: usize| power.row_at(t).iter().take(BANDS).sum::<f32>();
    let expected = |t: usize| bleed.at(t).iter().sum::<f32>();
    let under = strokes.iter().filter(|&&t| most(&expected, t) >= MATTERS * most(&all, t)).count();
    10 * under >= strokes.len().max(1)
}
