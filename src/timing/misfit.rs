//! Stretches of bars that a tempo found from the hits does not fit.
//!
//! In: the check of a take against the tempo that was found from it. Out: a finding that names the bars.

use super::bars::BarTightness;
use super::check::Timing;
use super::stats::median;
use super::wander::bars_in_words;
use crate::finding::Finding;

/// Bars with fewer strokes tell nothing.
const FEW_IN_BAR: usize = 3;
/// A bar does not fit where its strokes lie so many times as far away as in most bars, and further than in an even one.
const AWAY: f64 = 2.5;
/// Bars that do not fit belong together over one bar that does.
const GAP: i64 = 2;

/// The bars that the found tempo does not fit; `None` without any two that lie together. One bar alone is a fill.
#[must_use]
pub fn misfit(t: &Timing) -> Option<Finding> {
    let full: Vec<&BarTightness> = t.bars.iter().filter(|b| b.strokes >= FEW_IN_BAR).collect();
    let usual = median(&full.iter().map(|b| b.rms_ms).collect::<Vec<_>>())?;
    let far: Vec<&BarTightness> =
        full.into_iter().filter(|b| b.rms_ms > (AWAY * usual).max(t.settings.even_bar_ms())).collect();
    let runs = far.chunk_by(|a, b| b.bar - a.bar <= GAP).filter(|run| run.len() >= 2);
    let (mut bars, mut sizes) = (Vec::new(), Vec::new());
    for run in runs {
        if let (Some(a), Some(b)) = (run.first(), run.last()) {
            bars.extend(a.bar..=b.bar);
            sizes.extend(run.iter().map(|b| b.rms_ms));
        }
    }
    let there = median(&sizes)?;
    let mut named = bars_in_words(&bars);
    named.replace_range(..1, "B");
    Some(Finding::song(
        format!(
            "{named} do not fit the tempo that was found: strokes lie about {there:.0} ms from their usual places there, {usual:.0} ms in most other bars."
        ),
        "Look at those bars in timing.html and listen to the click there: the tempo probably goes another way, and what stands out \
         there is no playing.",
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::song::Drum;
    use crate::tempo::{Grid, Meter, TempoMap};
    use crate::timing::made::{hit, list, normal};
    use crate::timing::{CheckSettings, check};
    use crate::units::{Bpm, Seconds};

    /// What is said of quarters at 120 BPM from 2 s on, each shifted by `shift(quarter)`, 5 ms loose.
    fn said(shift: impl Fn(u32) -> f64) -> Option<String> {
        let map = TempoMap::constant(Bpm::new(120.0).unwrap(), Meter::FOUR_FOUR, Seconds(2.0));
        let mut n = normal(12);
        let drum = |q: u32| if q.is_multiple_of(2) { Drum::Kick } else { Drum::Snare };
        let hits = (0..128).map(|q| hit(drum(q), 2000.0 + 500.0 * f64::from(q) + shift(q) + 5.0 * n(), 100)).collect();
        misfit(&check(&list(hits), &map, &[], &CheckSettings::on(Grid::SIXTEENTH), None)).map(|f| f.what)
    }

    #[test]
    fn bars_under_another_tempo_are_named_and_a_fill_or_an_even_take_is_not() {
        // Bars 17 to 20 run from 60 ms early to 60 ms late.
        let what = said(|q| if (64..80).contains(&q) { f64::from(q - 64) * 8.0 - 60.0 } else { 0.0 }).unwrap();
        assert!(what.starts_with("Bars 17 to 20 do not fit the tempo that was found"), "{what}");
        assert_eq!(said(|q| if q / 4 == 16 { 35.0 } else { 0.0 }), None, "one bar");
        assert_eq!(said(|_| 0.0), None);
    }
}
