//! Wandering: whole bars that lie away from where the drums usually sit, as no latency can make them.
//!
//! In: placed strokes and each drum's usual place. Out: [`Wander`], where the take wanders.

use super::check::NO_PLAYING_MS;
use super::place::Placed;
use super::stats::{median, robust_spread};
use super::words::early_late;
use crate::song::Drum;
use serde::Serialize;

/// Bars with fewer strokes have no place of their own.
const FEW_IN_BAR: usize = 3;
/// A bar's median so many times its standard error away from the usual place is there for certain.
const FAR: f64 = 3.0;
/// A take wanders where more than this share of its bars lie elsewhere, and at least two do.
const SHARE: f64 = 0.1;

/// The middle of one bar's strokes.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct BarPlace {
    /// The bar, 1 is the song's first.
    pub bar: i64,
    /// Median distance of its strokes from the grid, ms.
    pub median_ms: f64,
}

/// How a take wanders: the bars between which it does, and those that lie plainly away from its usual place.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Wander {
    /// The bar that lies earliest.
    pub earliest: BarPlace,
    /// The bar that lies latest.
    pub latest: BarPlace,
    /// Bars ahead of the take's usual place, in order.
    pub ahead: Vec<i64>,
    /// Bars behind it, in order.
    pub behind: Vec<i64>,
}

impl Wander {
    /// `between 66 ms early (bar 14) and 12 ms late (bar 3)`.
    #[must_use]
    pub fn between(&self) -> String {
        let said = |p: &BarPlace| format!("{} (bar {})", early_late(p.median_ms), p.bar);
        format!("between {} and {}", said(&self.earliest), said(&self.latest))
    }

    /// How far from the grid the furthest bar lies, ms.
    #[must_use]
    pub fn furthest_ms(&self) -> f64 {
        self.earliest.median_ms.abs().max(self.latest.median_ms.abs())
    }

    /// `it runs ahead of its usual place in bars 12 to 14, behind it in bar 3`.
    #[must_use]
    pub fn runs(&self) -> String {
        match (self.ahead.is_empty(), self.behind.is_empty()) {
            (false, false) => format!(
                "it runs ahead of its usual place in {} and behind it in {}",
                bars_in_words(&self.ahead),
                bars_in_words(&self.behind)
            ),
            (false, true) => format!("it runs ahead of its usual place in {}", bars_in_words(&self.ahead)),
            _ => format!("it falls behind its usual place in {}", bars_in_words(&self.behind)),
        }
    }
}

/// `bar 3`, `bars 3, 12 to 14 and 17`. `bars` in order.
pub(super) fn bars_in_words(bars: &[i64]) -> String {
    let runs: Vec<String> = bars
        .chunk_by(|a, b| a + 1 == *b)
        .filter_map(|run| match (run.first()?, run.last()?) {
            (a, b) if a == b => Some(a.to_string()),
            (a, b) if a + 1 == *b => Some(format!("{a}, {b}")),
            (a, b) => Some(format!("{a} to {b}")),
        })
        .collect();
    let word = if bars.len() == 1 { "bar" } else { "bars" };
    match runs.split_last() {
        Some((last, first)) if !first.is_empty() => format!("{word} {} and {last}", first.join(", ")),
        Some((last, _)) => format!("{word} {last}"),
        None => word.to_owned(),
    }
}

/// How a take wanders; `None` where its bars agree. `usual_ms` gives each drum's usual offset.
///
/// A bar lies elsewhere where the median of its strokes' distances from their drums' usual places is larger than playing
/// explains (15 ms), and than three of its own standard errors: √(π/2)·σ/√n, with σ the robust spread inside bars.
#[must_use]
pub fn wander(placed: &[Placed], usual_ms: impl Fn(Drum) -> f64) -> Option<Wander> {
    let mut sorted: Vec<&Placed> = placed.iter().collect();
    sorted.sort_by_key(|p| p.at.bar);
    // Counted from the line on whose side the drum lies: early of one line is not late of the one before.
    let away = |p: &&Placed| {
        let away = p.offset_ms - usual_ms(p.drum);
        away - (away / p.step_ms).round() * p.step_ms
    };
    let (mut bars, mut inside) = (Vec::new(), Vec::new());
    for bar in sorted.chunk_by(|a, b| a.at.bar == b.at.bar).filter(|bar| bar.len() >= FEW_IN_BAR) {
        let from_usual: Vec<f64> = bar.iter().map(away).collect();
        let places: Vec<f64> = bar.iter().map(|p| usual_ms(p.drum) + away(p)).collect();
        let (Some(first), Some(middle), Some(median_ms)) = (bar.first(), median(&from_usual), median(&places)) else {
            continue;
        };
        // A median of few values lies closer to them than the middle of all that could be played there.
        let n = bar.len() as f64;
        let unbiased = (n / (n - 1.0)).sqrt();
        inside.extend(from_usual.iter().map(|v| (v - middle) * unbiased));
        bars.push((BarPlace { bar: first.at.bar, median_ms }, middle, n));
    }
    let spread = robust_spread(&inside)?;
    let far = |n: f64| NO_PLAYING_MS.max(FAR * 1.2533 * spread / n.sqrt());
    let of = |side: f64| -> Vec<i64> {
        bars.iter().filter(|(_, middle, n)| middle * side >= far(*n)).map(|(p, ..)| p.bar).collect()
    };
    let (ahead, behind) = (of(-1.0), of(1.0));
    let elsewhere = ahead.len() + behind.len();
    if elsewhere < 2 || elsewhere as f64 <= SHARE * bars.len() as f64 {
        return None;
    }
    let places = || bars.iter().map(|(p, ..)| *p);
    let earliest = places().min_by(|a, b| a.median_ms.total_cmp(&b.median_ms))?;
    let latest = places().max_by(|a, b| a.median_ms.total_cmp(&b.median_ms))?;
    Some(Wander { earliest, latest, ahead, behind })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bars_are_named_in_runs() {
        assert_eq!(bars_in_words(&[3]), "bar 3");
        assert_eq!(bars_in_words(&[3, 12, 13, 14, 17, 18]), "bars 3, 12 to 14 and 17, 18");
    }
}
