//! The check in a few lines for a drummer.
//!
//! In: [`Timing`]. Out: lines of text; every number in them is taken from the check as it is.

use super::check::{DrumTiming, Timing};
use super::feel::{Feel, Relation};
use super::slide::ToldBy;
use super::words::{Lean, early_late, later_earlier, tightness};
use crate::finding::counted;

/// How many outliers a summary names.
const NAMED: usize = 5;

/// `4 ms early (±2), spread 9 ms: tight, 78 % within 10 ms`.
#[must_use]
pub fn feel_words(feel: &Feel, window_ms: f64) -> String {
    if feel.lean == Lean::Astray {
        let spread = feel.spread_ms.map_or_else(String::new, |s| format!(", spread {s:.0} ms"));
        return format!("{}{spread}, {:.0} % within {window_ms:.0} ms", feel.words(), feel.within * 100.0);
    }
    let place = early_late(feel.median_ms);
    let mut text = match feel.lean {
        Lean::OnTheLine if place != feel.words() => format!("{} ({place})", feel.words()),
        Lean::OnTheLine => place,
        _ => format!("{place} ({})", feel.words()),
    };
    if let (Some(spread), Some(error)) = (feel.spread_ms, feel.error_ms) {
        text += &format!(" give or take {error:.0} ms, spread {spread:.0} ms: {}", tightness(spread));
    }
    text + &format!(", {:.0} % within {window_ms:.0} ms", feel.within * 100.0)
}

/// A drum in one line: `snare: 64 strokes, 12 ms late (late)`, with its spread and share within the window, ms either side.
#[must_use]
pub fn drum_words(d: &DrumTiming, window_ms: f64) -> String {
    let name = d.drum.word();
    match (&d.feel, d.relation) {
        (Some(feel), _) => format!("{name}: {}, {}", counted(feel.strokes, "stroke"), feel_words(feel, window_ms)),
        (None, Relation::RunsAway { .. }) => format!("{name}: runs through the grid, so it has no place on it"),
        (None, _) => format!("{name}: no relation to this grid"),
    }
}

/// Which strokes lie half-way between two lines, in one sentence; `None` without any.
#[must_use]
pub fn halfway_words(t: &Timing) -> Option<String> {
    let at: Vec<String> = t.halfway.iter().take(NAMED).map(|o| format!("{} in bar {}", o.drum, o.bar)).collect();
    let more = if t.halfway.len() > NAMED { " ..." } else { "" };
    let (n, lie) = match t.halfway.len() {
        0 => return None,
        1 => ("One stroke".to_owned(), "lies"),
        n => (format!("{n} strokes"), "lie"),
    };
    Some(format!("{n} {lie} half-way between two lines, so early or late cannot be told: {}{more}", at.join(", ")))
}

/// The bars furthest from where the drums usually sit, in one sentence; `None` where all are even.
#[must_use]
pub fn worst_bars_words(t: &Timing) -> Option<String> {
    let bars: Vec<String> =
        t.worst_bars.iter().take(NAMED).map(|b| format!("{} ({:.0} ms)", b.bar, b.rms_ms)).collect();
    let word = if bars.len() == 1 { "The bar" } else { "The bars" };
    (!bars.is_empty()).then(|| format!("{word} furthest from where the drums usually sit: {}", bars.join(", ")))
}

/// The lines of a summary, without indent.
#[must_use]
pub fn summary(t: &Timing) -> Vec<String> {
    let mut lines = Vec::new();
    if let Some(slide) = t.slide.as_ref().filter(|s| s.told_by == ToldBy::Tempos) {
        lines.push(format!(
            "The take fits this map if bar 1 lies at {}; all below is told with bar 1 as it is set",
            slide.bar_one
        ));
    }
    lines.extend(t.common_ms.map(|ms| {
        format!("All drums lie {} alike: first check the interface's latency and where bar 1 begins", early_late(ms))
    }));
    lines.extend(t.wander.as_ref().map(|w| format!("The take wanders {}: {}", w.between(), w.runs())));
    for d in &t.drums {
        lines.push(drum_words(d, t.settings.window_ms));
        for s in &d.sections {
            lines.push(format!("  {}: {}", s.name, feel_words(&s.feel, t.settings.window_ms)));
        }
        if let Some(h) = &d.halves {
            lines.push(format!("  from bar {} on, {}", h.from_bar, h.sentence()));
        }
    }
    lines.extend(t.kick_snare.map(|k| k.sentence()));
    for s in &t.swing {
        lines.push(format!("{}: {} ({:.2} : 1 over {} pairs)", s.level.word(), s.words(), s.ratio, s.pairs));
    }
    if let Some(d) = t.drift.filter(|d| d.over_song_ms.abs() >= 5.0) {
        lines.push(format!("drift over the song: {}", later_earlier(d.over_song_ms)));
    }
    if t.between_lines > 0 {
        let (verb, their) = if t.between_lines == 1 { ("lies", "a double") } else { ("lie", "doubles or rolls") };
        lines.push(format!(
            "{} of {} strokes {verb} between the lines, in {their} faster than the grid: not judged",
            t.between_lines, t.strokes
        ));
    }
    lines.extend(halfway_words(t));
    lines.extend(worst_bars_words(t));
    if !t.worst.is_empty() {
        lines.push("What stands out:".into());
        lines.extend(t.worst.iter().take(NAMED).map(|w| format!("  {}", w.sentence())));
    }
    lines
}
