//! Bar by bar: how tight each is, and the strokes that stand out, by name.
//!
//! In: placed strokes and each drum's usual place. Out: [`BarTightness`] a bar, [`Outlier`]s.

use super::place::{Count, Placed};
use super::pull::PullSettings;
use super::words::{early_late, just_noticed_ms, later_earlier};
use crate::song::Drum;
use serde::Serialize;

/// One bar of the take.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct BarTightness {
    /// The bar, 1 is the song's first.
    pub bar: i64,
    /// Strokes in it.
    pub strokes: usize,
    /// Mean offset from the grid, ms.
    pub mean_ms: f64,
    /// Root mean square distance from each drum's usual place, ms.
    pub rms_ms: f64,
    /// Largest such distance, ms.
    pub worst_ms: f64,
}

/// The bars that lie further than `over_ms` (rms) from where the drums usually sit, at most `count`, worst first.
#[must_use]
pub fn worst_bars(bars: &[BarTightness], over_ms: f64, count: usize) -> Vec<BarTightness> {
    let mut loose: Vec<BarTightness> = bars.iter().filter(|b| b.rms_ms > over_ms).copied().collect();
    loose.sort_by(|a, b| b.rms_ms.total_cmp(&a.rms_ms).then(a.bar.cmp(&b.bar)));
    loose.truncate(count);
    loose
}

/// A stroke that stands out.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Outlier {
    /// Index of its main hit in the hit list.
    pub hit: usize,
    /// The bar.
    pub bar: i64,
    /// The place in the bar.
    pub count: Count,
    /// The drum.
    pub drum: Drum,
    /// Distance from the grid line, ms.
    pub offset_ms: f64,
    /// Distance from where this drum usually sits, ms.
    pub from_usual_ms: f64,
}

/// From so far off the line on, ms, where a drum usually sits is said beside where its stroke lies: in a take that is early as a
/// whole it may be the stroke on the line that stands out.
const USUALLY_OFF_MS: f64 = 10.0;

impl Outlier {
    /// `bar 43, beat 2: snare 31 ms late`, of a drum that is usually early too with `, 60 ms later than usual`.
    #[must_use]
    pub fn sentence(&self) -> String {
        let said = format!("bar {}, beat {}: {} {}", self.bar, self.count, self.drum, early_late(self.offset_ms));
        if (self.offset_ms - self.from_usual_ms).abs() < USUALLY_OFF_MS {
            return said;
        }
        format!("{said}, {} than usual", later_earlier(self.from_usual_ms))
    }
}

/// Every bar that has strokes, in order. `usual_ms` gives each drum's usual offset.
#[must_use]
pub fn bars(placed: &[Placed], usual_ms: impl Fn(Drum) -> f64) -> Vec<BarTightness> {
    let mut sorted: Vec<&Placed> = placed.iter().collect();
    sorted.sort_by_key(|p| p.at.bar);
    sorted
        .chunk_by(|a, b| a.at.bar == b.at.bar)
        .filter_map(|bar| {
            let n = bar.len() as f64;
            let away = |p: &&Placed| p.offset_ms - usual_ms(p.drum);
            Some(BarTightness {
                bar: bar.first()?.at.bar,
                strokes: bar.len(),
                mean_ms: bar.iter().map(|p| p.offset_ms).sum::<f64>() / n,
                rms_ms: (bar.iter().map(|p| away(p).powi(2)).sum::<f64>() / n).sqrt(),
                worst_ms: bar.iter().map(|p| away(p).abs()).fold(0.0, f64::max),
            })
        })
        .collect()
}

/// The strokes furthest from where their drum usually sits, one a bar, at most `count`, worst first. A stroke that is nearer
/// to it than listeners would notice does not stand out, and one [`halfway`] between two lines is not called early or late.
#[must_use]
pub fn worst(placed: &[Placed], usual_ms: impl Fn(Drum) -> f64, count: usize) -> Vec<Outlier> {
    let away = |p: &Placed| (p.offset_ms - usual_ms(p.drum)).abs();
    let judged = placed.iter().filter(|p| away(p) >= just_noticed_ms(p.step_ms) && !is_halfway(p, &usual_ms));
    let mut all: Vec<Outlier> = judged.map(|p| outlier(p, &usual_ms)).collect();
    all.sort_by(|a, b| b.from_usual_ms.abs().total_cmp(&a.from_usual_ms.abs()).then(a.hit.cmp(&b.hit)));
    let mut seen = std::collections::BTreeSet::new();
    all.retain(|o| seen.len() < count && seen.insert(o.bar));
    all
}

/// The strokes further from their line, or from where their drum usually sits, than a pull reaches
/// ([`PullSettings::LIMIT_OF_STEP`] of a grid step), in order of time: the nearest line may not be the one that was meant.
#[must_use]
pub fn halfway(placed: &[Placed], usual_ms: impl Fn(Drum) -> f64) -> Vec<Outlier> {
    placed.iter().filter(|p| is_halfway(p, &usual_ms)).map(|p| outlier(p, &usual_ms)).collect()
}

fn is_halfway(p: &Placed, usual_ms: impl Fn(Drum) -> f64) -> bool {
    let limit = PullSettings::LIMIT_OF_STEP * p.step_ms;
    p.offset_ms.abs() > limit || (p.offset_ms - usual_ms(p.drum)).abs() > limit
}

fn outlier(p: &Placed, usual_ms: impl Fn(Drum) -> f64) -> Outlier {
    Outlier {
        hit: p.hit,
        bar: p.at.bar,
        count: p.count,
        drum: p.drum,
        offset_ms: p.offset_ms,
        from_usual_ms: p.offset_ms - usual_ms(p.drum),
    }
}
