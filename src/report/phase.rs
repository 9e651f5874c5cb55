//! Pictures of a phase check: who hears what how, and the sum before and after.

use super::chart::{Cell, Frame, matrix, ticks};
use super::drums::capital;
use super::look::{Ink, SMALL, TEXT};
use super::picture::{Align, Picture};
use crate::phase::{Agreement, PairKind, PhaseReport, SumView};

const WIDTH: f64 = 860.0;
const LEFT: f64 = 74.0;
const RIGHT: f64 = 18.0;

/// Every mic against the main mics: a row a drum and main mic, a column a mic; sign, lag in ms, colour by sign and its
/// strength by confidence. The last row is the advice.
#[must_use]
pub fn phase_matrix(report: &PhaseReport) -> Picture {
    let columns: Vec<String> = report.advice.iter().map(|a| a.mic.clone()).collect();
    let mut rows = Vec::new();
    let mut cells = Vec::new();
    for (drum, main, _) in &report.drums {
        rows.push(format!("{drum} in {main}"));
        let row = columns.iter().map(|mic| {
            if mic == main {
                return Some(Cell { text: "0 ms".into(), ink: Ink::Of(*drum), strength: 0.25 });
            }
            let of_mic = |p: &&crate::phase::Pair| {
                p.drum == *drum && p.kind != PairKind::Stereo && (p.mic == *mic || p.mic == format!("{mic} L"))
            };
            let p = report.pairs.iter().find(of_mic)?;
            let (sign, ink) = match p.polarity {
                Agreement::Same => ("", Ink::Good),
                Agreement::Opposite => ("opp. ", Ink::Warm),
                Agreement::Unclear => ("? ", Ink::Faint),
            };
            // Cells are narrow: tenths of a millisecond below 10 ms.
            let digits = usize::from(p.lag.ms().abs() < 9.95);
            let lag = if p.arrival_sure { format!("{:.digits$}", p.lag.ms()) } else { String::new() };
            Some(Cell { text: format!("{sign}{lag}").trim().to_owned(), ink, strength: 0.2 + 0.4 * p.confidence })
        });
        cells.push(row.collect());
    }
    rows.push("advice".into());
    cells.push(report.advice.iter().map(advice_cell).collect());
    let title = "Arrival of the drums in each mic, ms after the main mic; opp. = opposite sign, ? = sign not clear";
    let key = [(Ink::Good, "same sign"), (Ink::Warm, "opposite (opp.)"), (Ink::Faint, "not clear (?)")];
    matrix(("phase_matrix", title), &rows, &columns, &cells, (&key, "numbers: ms after the main mic; paler: less sure"))
}

fn advice_cell(advice: &crate::phase::Advice) -> Option<Cell> {
    use crate::phase::Recommendation as R;
    let (text, ink) = match advice.recommendation {
        R::Keep => ("keep", Ink::Good),
        R::Invert => ("invert", Ink::Warm),
        R::Unclear => ("?", Ink::Faint),
    };
    Some(Cell { text: text.into(), ink, strength: 0.2 + 0.4 * advice.confidence })
}

/// A drum's mics added up: as the files are, with the advised signs, and for comparison with everything moved together.
#[must_use]
pub fn phase_sum(view: &SumView) -> Picture {
    let height = 150.0;
    let title = format!("An average {} stroke, {} added up, up to 1 kHz", view.drum, view.mics.join(" + "));
    let mut p = Picture::new(format!("phase_sum_{}", view.drum), title, WIDTH, 3.0 * (height + 46.0) + 40.0);
    let all = [&view.alone, &view.before, &view.after, &view.together];
    let highest = all.iter().flat_map(|v| v.iter()).fold(1e-6f32, |m, v| m.max(v.abs()));
    let limit = f64::from(highest) * 1.08;
    let (start, step) = (view.start.ms(), view.step.ms());
    let drum = capital(view.drum.word());
    let rows = [
        ("as the files are", &view.before, Ink::Text),
        ("with the advised signs", &view.after, Ink::Good),
        ("all moved to arrive together (to compare; not advised for overheads)", &view.together, Ink::Muted),
    ];
    for (k, (heading, values, ink)) in rows.into_iter().enumerate() {
        let top = 34.0 + k as f64 * (height + 46.0);
        let end = start + step * values.len() as f64;
        let f = Frame { left: LEFT, top, width: WIDTH - LEFT - RIGHT, height, x: (start, end), y: (-limit, limit) };
        f.heading(&mut p, &format!("{drum}: {heading}"));
        f.y_axis(&mut p, &ticks(-limit, limit, 4), "level");
        if k == 2 {
            f.x_axis(&mut p, &ticks(start, end, 10), "ms from the stroke");
        }
        trace(&mut p, &f, &view.alone, (start, step), Ink::Faint, 4.5);
        trace(&mut p, &f, values, (start, step), ink, 1.3);
        p.line(vec![f.at(0.0, -limit), f.at(0.0, limit)], Ink::Of(view.drum), 0.8);
    }
    let main = view.mics.first().map_or("", String::as_str);
    let key = format!("{}; broad grey: {main} alone", view.mics.join(" + "));
    p.text((WIDTH - RIGHT, 16.0), key, SMALL, Align::End, Ink::Muted);
    p
}

fn trace(p: &mut Picture, f: &Frame, values: &[f32], (start, step): (f64, f64), ink: Ink, weight: f64) {
    let points = values.iter().enumerate().map(|(i, v)| f.at(start + i as f64 * step, f64::from(*v))).collect();
    p.line(points, ink, weight);
}

/// What each printed stroke gains in the drum's low band, attack on attack and as printed, over the song.
#[must_use]
pub fn layer_gains(report: &crate::layer::LayerReport) -> Picture {
    let title = format!("What layer {} does to the {}'s low band, stroke by stroke", report.name, report.drum);
    let mut p = Picture::new(format!("layer_{}", crate::output::file_stem(&report.name)), title, WIDTH + 260.0, 250.0);
    let told: Vec<(f64, f64, f64)> =
        report.hits.iter().filter_map(|h| Some((h.real.at(report.rate).0, h.sum_before?, h.sum_after?))).collect();
    let highest = told.iter().fold(3.0f64, |m, t| m.max(t.1).max(t.2)).min(15.0);
    let lowest = told.iter().fold(-1.0f64, |m, t| m.min(t.1).min(t.2)).max(-15.0);
    let end = report.frames as f64 / report.rate.hz_f64();
    let f = Frame {
        left: LEFT,
        top: 34.0,
        width: WIDTH + 260.0 - LEFT - RIGHT,
        height: 160.0,
        x: (0.0, end.max(0.5)),
        y: (lowest - 0.5, highest + 0.5),
    };
    f.heading(&mut p, "Real drum and layer together against the real drum alone");
    f.y_axis(&mut p, &ticks(lowest - 0.5, highest + 0.5, 6), "dB");
    f.time_axis(&mut p, None);
    p.line(vec![f.at(0.0, 0.0), f.at(f.x.1, 0.0)], Ink::Text, 1.0);
    for (time, before, after) in &told {
        let (b, a) = (before.clamp(f.y.0, f.y.1), after.clamp(f.y.0, f.y.1));
        p.line(vec![f.at(*time, b), f.at(*time, a)], Ink::Faint, 1.0);
        p.disc(f.at(*time, b), 2.0, Ink::Muted);
        p.disc(f.at(*time, a), 2.8, Ink::Of(report.drum));
    }
    p.text(
        (f.right(), 16.0),
        "large: as printed; small grey: attack on attack, unaligned",
        TEXT,
        Align::End,
        Ink::Muted,
    );
    p
}
