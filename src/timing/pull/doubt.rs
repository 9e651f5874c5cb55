//! Whether pulled triggers may be handed on.
//!
//! In: pulled triggers and the check of the same take. Out: findings; none where nothing speaks against them.

use super::{Because, PullSettings, Pulled};
use crate::finding::Finding;
use crate::hits::HitList;
use crate::timing::{Relation, Timing, early_late};

/// From bars that wander this share of a grid step off its lines, loose strokes come nearer to the next line.
const ASTRAY: f64 = 1.0 / 3.0;

/// What speaks against using pulled triggers, the weightiest first.
#[must_use]
pub fn pull_doubts(pulled: &Pulled, list: &HitList, timing: &Timing) -> Vec<Finding> {
    let mut out = Vec::new();
    let because = |b: Because| pulled.counts.because.get(&b).copied().unwrap_or(0);
    let mut left: Vec<&str> = Vec::new();
    for (hit, target) in list.hits.iter().zip(&pulled.targets) {
        if target.because == Because::NoRelation && !left.contains(&hit.drum.word()) {
            left.push(hit.drum.word());
        }
    }
    left.sort_unstable();
    let not_meant = if pulled.counts.moved == 0 {
        None
    } else if let Some(slide) = &timing.slide {
        Some(format!("bar 1 probably lies at {} and not where it is set", slide.bar_one))
    } else if let Some(bar) = timing.leaves_in_bar {
        Some(format!("the take fits this grid up to bar {} only", bar - 1))
    } else if matches!(timing.relation, Relation::Follows | Relation::TooFew) {
        None
    } else {
        Some("the hits do not follow this grid".into())
    };
    let far = because(Because::TooFar);
    let judged =
        pulled.counts.moved + pulled.counts.stayed - because(Because::BeforeBarOne) - because(Because::NoRelation);
    if let Some(why) = not_meant {
        out.push(Finding::song(
            format!("Strokes were pulled although {why}: some now lie on lines that were not meant."),
            "Use the triggers as played until tempo, bar 1 and grid are right, and pull again.",
        ));
    } else if let Some(ms) = timing.common_ms {
        out.push(Finding::song(
            format!("The pull takes what all drums share ({}) for playing.", early_late(ms)),
            "Check latency and bar_one first, and pull again.",
        ));
    } else if far as f64 > PullSettings::MANY_LEFT * judged as f64 {
        out.push(Finding::song(
            format!(
                "{far} of {judged} hits lie too far from the grid to be pulled: the pulled triggers mix strokes that moved with strokes that stayed."
            ),
            "Check tempo, bar 1 and grid; if they are right, listen to the pulled triggers before you use them.",
        ));
    } else if let Some(wander) = timing.wander.as_ref().filter(|w| w.furthest_ms() > ASTRAY * timing.step_ms) {
        out.push(Finding::song(
            format!(
                "The take wanders: {}; strokes there may have been pulled to lines that were not meant.",
                wander.runs()
            ),
            "Listen to the pulled triggers in those bars before you use them.",
        ));
    }
    if !left.is_empty() {
        let (they, have) = if left.len() == 1 { ("its", "has") } else { ("their", "have") };
        out.push(Finding::song(
            format!(
                "The {} {have} no relation to this grid, so {they} triggers were not pulled.",
                left.join(" and the ")
            ),
            "Use them as played until tempo, bar 1 and grid are right, and pull again.",
        ));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::song::Drum;
    use crate::tempo::{Grid, Meter, TempoMap};
    use crate::timing::made::{hit, list, noise, normal};
    use crate::timing::{CheckSettings, check, pull};
    use crate::units::{Bpm, Seconds};

    /// What is said of a whole pull at 120 BPM from 2 s on.
    fn said(hits: Vec<crate::hits::Hit>) -> (Pulled, String) {
        let map = TempoMap::constant(Bpm::new(120.0).unwrap(), Meter::FOUR_FOUR, Seconds(2.0));
        let l = list(hits);
        let timing = check(&l, &map, &[], &CheckSettings::on(Grid::SIXTEENTH), None);
        let pulled = pull(&l, &map, Grid::SIXTEENTH, PullSettings::percent(100.0).unwrap()).unwrap();
        let doubts = pull_doubts(&pulled, &l, &timing);
        (pulled, doubts.iter().map(|f| format!("{} {}\n", f.what, f.remedy)).collect())
    }

    /// Kick on 1 and 3, snare on 2 and 4 from 2 s on, quarters `quarter` ms long from the 64th on, 500 before.
    fn beats(quarter: f64) -> Vec<crate::hits::Hit> {
        let mut n = normal(6);
        let at = |q: u32| 500.0 * f64::from(q.min(64)) + quarter * f64::from(q.saturating_sub(64));
        let drum = |q: u32| if q.is_multiple_of(2) { Drum::Kick } else { Drum::Snare };
        (0..128).map(|q| hit(drum(q), 2000.0 + at(q) + 5.0 * n(), 100)).collect()
    }

    #[test]
    fn a_drum_with_no_relation_to_the_grid_is_not_pulled_and_that_is_said() {
        let mut u = noise(15);
        let mut hits: Vec<_> = beats(500.0).into_iter().filter(|h| h.drum == Drum::Kick).collect();
        hits.extend((0..80).map(|_| hit(Drum::Snare, 2000.0 + 60_000.0 * u(), 90)));
        let (pulled, said) = said(hits);
        assert_eq!(pulled.counts.because.get(&Because::NoRelation), Some(&80));
        assert!(pulled.targets.iter().filter(|t| t.because == Because::NoRelation).all(|t| t.from == t.to));
        assert!(pulled.counts.moved > 50);
        assert!(said.contains("The snare has no relation to this grid, so its triggers were not pulled"), "{said}");
        assert!(pulled.sentence().contains("80 of a drum with no relation to the grid"), "{}", pulled.sentence());
    }

    #[test]
    fn a_pull_past_the_bar_from_which_the_grid_no_longer_fits_is_doubted() {
        let (_, said) = said(beats(547.0));
        assert!(said.contains("the take fits this grid up to bar 1") && said.contains("not meant"), "{said}");
    }

    #[test]
    fn latency_is_said_of_a_pull_too() {
        let late =
            beats(500.0).into_iter().map(|h| hit(h.drum, h.pos.at(crate::units::SampleRate::SESSION).ms() + 40.0, 100));
        let (_, said) = said(late.collect());
        assert!(said.contains("The pull takes what all drums share (40 ms late) for playing"), "{said}");
    }

    #[test]
    fn nothing_is_said_of_a_good_pull() {
        assert_eq!(said(beats(500.0)).1, "");
    }
}
