//! Frames, axes and the few kinds of chart that the rooms share.
//!
//! Nothing here computes a result: values come in, shapes go into a [`Picture`].

use super::look::{HEAD, Ink, SMALL, TEXT};
use super::paint::text_width;
use super::picture::{Align, Picture};
use crate::song::Section;
use crate::tempo::TempoMap;
use crate::units::Seconds;
use std::collections::BTreeSet;

/// A rectangle of a picture with a range of values along each side.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Frame {
    /// Left edge, points.
    pub left: f64,
    /// Top edge, points.
    pub top: f64,
    /// Width, points.
    pub width: f64,
    /// Height, points.
    pub height: f64,
    /// Values at the left and right edge.
    pub x: (f64, f64),
    /// Values at the bottom and top edge.
    pub y: (f64, f64),
}

/// Values of 1, 2 or 5 times a power of ten that divide a range into at most `most` steps.
#[must_use]
pub fn ticks(low: f64, high: f64, most: usize) -> Vec<f64> {
    let span = high - low;
    if !(span > 0.0 && span.is_finite()) || most == 0 {
        return Vec::new();
    }
    let raw = span / most as f64;
    let power = 10f64.powf(raw.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].iter().map(|m| m * power).find(|s| *s >= raw * 0.999_999).unwrap_or(10.0 * power);
    let first = (low / step - 1e-9).ceil() as i64;
    let last = (high / step + 1e-9).floor() as i64;
    (first..=last).map(|k| k as f64 * step).collect()
}

/// A number as short as its step allows: `-10`, `0.5`, `0`.
#[must_use]
pub fn short(value: f64) -> String {
    let text = format!("{:.3}", value);
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".into() } else { text.replace('-', "\u{2212}") }
}

/// A time as minutes and seconds, `1:05`; with tenths where `step` is under a second.
#[must_use]
pub fn clock(time: f64, step: f64) -> String {
    let tenths = (time * 10.0).round() as i64;
    let (minutes, rest) = (tenths.div_euclid(600), tenths.rem_euclid(600));
    if step < 1.0 { format!("{minutes}:{:02}.{}", rest / 10, rest % 10) } else { format!("{minutes}:{:02}", rest / 10) }
}

impl Frame {
    /// Points of a value on the horizontal axis.
    #[must_use]
    pub fn px(&self, x: f64) -> f64 {
        self.left + (x - self.x.0) / (self.x.1 - self.x.0) * self.width
    }

    /// Points of a value on the vertical axis.
    #[must_use]
    pub fn py(&self, y: f64) -> f64 {
        self.top + (self.y.1 - y) / (self.y.1 - self.y.0) * self.height
    }

    /// A point of two values.
    #[must_use]
    pub fn at(&self, x: f64, y: f64) -> (f64, f64) {
        (self.px(x), self.py(y))
    }

    /// Right edge, points.
    #[must_use]
    pub fn right(&self) -> f64 {
        self.left + self.width
    }

    /// Bottom edge, points.
    #[must_use]
    pub fn bottom(&self) -> f64 {
        self.top + self.height
    }

    /// The frame's heading above its left edge.
    pub fn heading(&self, p: &mut Picture, text: &str) {
        p.heading((self.left, self.top - 15.0), text, HEAD, Align::Start, Ink::Text);
    }

    /// A vertical axis: fine lines and numbers at the values, the label with its unit beside them.
    pub fn y_axis(&self, p: &mut Picture, values: &[f64], label: &str) {
        let mut widest = 0f64;
        for &v in values {
            let y = self.py(v);
            p.line(vec![(self.left, y), (self.right(), y)], Ink::Faint, 0.7);
            let word = short(v);
            widest = widest.max(text_width(&word, SMALL));
            p.text((self.left - 8.0, y), word, SMALL, Align::End, Ink::Muted);
        }
        let x = self.left - 8.0 - widest - 14.0;
        p.upright((x, self.top + self.height / 2.0), label, SMALL, Align::Middle, Ink::Muted);
    }

    /// A horizontal axis with numbers below and a label with its unit under them.
    pub fn x_axis(&self, p: &mut Picture, values: &[f64], label: &str) {
        let y = self.bottom();
        p.line(vec![(self.left, y), (self.right(), y)], Ink::Muted, 0.8);
        for &v in values {
            let x = self.px(v);
            p.line(vec![(x, y), (x, y + 4.0)], Ink::Muted, 0.8);
            p.text((x, y + 13.0), short(v), SMALL, Align::Middle, Ink::Muted);
        }
        p.text((self.left + self.width / 2.0, y + 30.0), label, SMALL, Align::Middle, Ink::Muted);
    }

    /// Fine vertical lines at the bars and, when there is room, at the beats.
    pub fn bar_lines(&self, p: &mut Picture, tempo: &TempoMap) {
        let bars = self.bars(tempo);
        let every = bar_step(bars.len(), self, 9.0);
        let mut line = |x: f64, weight: f64| p.line(vec![(x, self.top), (x, self.bottom())], Ink::Faint, weight);
        if self.width / bars.len().max(1) as f64 > 70.0 {
            for beat in tempo.beats(Seconds(self.x.0), Seconds(self.x.1)).filter(|b| b.beat > 1) {
                line(self.px(beat.time.0), 0.5);
            }
        }
        for (bar, x) in bars {
            if (bar - 1).rem_euclid(every) == 0 {
                line(x, 1.0);
            }
        }
    }

    /// The song's time below the frame: bar numbers in one row, minutes and seconds in the next.
    pub fn time_axis(&self, p: &mut Picture, tempo: Option<&TempoMap>) {
        let base = self.bottom();
        p.line(vec![(self.left, base), (self.right(), base)], Ink::Muted, 0.8);
        let mut row = base + 13.0;
        if let Some(tempo) = tempo {
            let bars = self.bars(tempo);
            let every = bar_step(bars.len(), self, 30.0);
            p.text((self.left - 24.0, row), "bar", SMALL, Align::End, Ink::Muted);
            for (bar, x) in bars {
                if (bar - 1).rem_euclid(every) == 0 && x <= self.right() - 4.0 {
                    p.line(vec![(x, base), (x, base + 4.0)], Ink::Muted, 0.8);
                    p.text((x, row), bar.to_string(), SMALL, Align::Middle, Ink::Text);
                }
            }
            row += 15.0;
        }
        let steps =
            [0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1200.0, 1800.0, 3600.0, 7200.0];
        let span = self.x.1 - self.x.0;
        let step = steps.iter().copied().find(|s| span / s * 52.0 <= self.width).unwrap_or(7200.0);
        p.text((self.left - 24.0, row), "min:s", SMALL, Align::End, Ink::Muted);
        let first = (self.x.0 / step - 1e-6).ceil() as i64;
        let last = (self.x.1 / step + 1e-6).floor() as i64;
        for k in first..=last {
            let time = k as f64 * step;
            if tempo.is_none() {
                p.line(vec![(self.px(time), base), (self.px(time), base + 4.0)], Ink::Muted, 0.8);
            }
            p.text((self.px(time), row), clock(time, step), SMALL, Align::Middle, Ink::Muted);
        }
    }

    /// The song's sections: a band in every second one, a line at each start, the name where it fits, inside the
    /// frame's top edge or above it (`above` points).
    pub fn sections(&self, p: &mut Picture, tempo: &TempoMap, form: &[Section], above: f64) {
        for (k, section) in form.iter().enumerate() {
            let edge = |bar: i64| self.px(tempo.time_at(tempo.bar_start(bar) as f64).0).clamp(self.left, self.right());
            let (from, to) = (edge(section.first_bar), edge(section.end_bar));
            if to - from < 0.5 {
                continue;
            }
            if k % 2 == 1 {
                p.block(from, self.top, to - from, self.height, Ink::Faint, 0.35);
            }
            if text_width(&section.name, SMALL) + 6.0 < to - from {
                p.text((from + 3.0, self.top - above), section.name.as_str(), SMALL, Align::Start, Ink::Muted);
            }
        }
    }

    /// Bars that begin inside the frame, as (number, points).
    fn bars(&self, tempo: &TempoMap) -> Vec<(i64, f64)> {
        // A bar that begins a rounding error before the frame is meant to begin with it.
        let from = Seconds(self.x.0 - 1e-6);
        tempo.bars(from, Seconds(self.x.1)).map(|b| (b.bar, self.px(b.time.0))).collect()
    }
}

/// Every how many bars there is room for a mark, by steps that musicians count in.
fn bar_step(bars: usize, frame: &Frame, room: f64) -> i64 {
    let one = frame.width / bars.max(1) as f64;
    (0..14).map(|k| 1i64 << k).find(|k| one * *k as f64 >= room).unwrap_or(1 << 14)
}

/// Lowest and highest value of a signal in one column.
pub type Column = (f32, f32);

/// Columns of lowest and highest values, gathered into at most `most` columns by the extremes of neighbours.
#[must_use]
pub fn gathered(low: &[f32], high: &[f32], most: usize) -> Vec<Column> {
    let n = low.len().min(high.len());
    let out = n.min(most.max(1));
    (0..out)
        .map(|k| {
            let (a, b) = (k * n / out, ((k + 1) * n / out).max(k * n / out + 1));
            let lowest = low[a..b].iter().copied().fold(f32::INFINITY, f32::min);
            let highest = high[a..b].iter().copied().fold(f32::NEG_INFINITY, f32::max);
            (lowest, highest)
        })
        .collect()
}

impl Frame {
    /// A waveform from its columns, spread evenly over the frame's width. Values beyond the frame are held at its edge.
    pub fn waveform(&self, p: &mut Picture, columns: &[Column], ink: Ink) {
        if columns.is_empty() {
            return;
        }
        let step = self.width / columns.len() as f64;
        let held = |v: f32| self.py(f64::from(v).clamp(self.y.0, self.y.1));
        let x = |k: usize| self.left + (k as f64 + 0.5) * step;
        // At least a third of a point high, so that silence is still a line.
        let top = columns.iter().enumerate().map(|(k, c)| (x(k), held(c.1) - 0.17));
        let below = columns.iter().enumerate().rev().map(|(k, c)| (x(k), held(c.0) + 0.17));
        p.area(top.chain(below).collect(), ink, 1.0);
    }

    /// A curve through values spread evenly over the frame's width, filled down to the bottom when asked.
    pub fn curve(&self, p: &mut Picture, values: &[f32], ink: Ink, weight: f64, filled: bool) {
        if values.is_empty() {
            return;
        }
        let step = self.width / values.len() as f64;
        let points: Vec<(f64, f64)> = values
            .iter()
            .enumerate()
            .map(|(k, v)| (self.left + (k as f64 + 0.5) * step, self.py(f64::from(*v).clamp(self.y.0, self.y.1))))
            .collect();
        if filled {
            let mut area = points.clone();
            area.push((points[points.len() - 1].0, self.bottom()));
            area.push((points[0].0, self.bottom()));
            p.area(area, ink, 0.30);
        }
        p.line(points, ink, weight);
    }

    /// Very many values as a cloud: square cells that hold at least one, as small as a picture of moderate size allows,
    /// so that it does not grow with their number.
    pub fn cloud(&self, p: &mut Picture, values: impl Iterator<Item = (f64, f64)> + Clone, ink: Ink) {
        for size in [2.0, 3.0, 4.0, 6.0, 8.0] {
            let runs = self.cells(values.clone(), size);
            if runs.len() <= 1_500 || size == 8.0 {
                for (x, top, n) in runs {
                    p.block(x as f64 * size, top as f64 * size, size, n as f64 * size, ink, 1.0);
                }
                return;
            }
        }
    }

    /// Cells of a size that hold a value, as column, first row, rows one below the other.
    fn cells(&self, values: impl Iterator<Item = (f64, f64)>, size: f64) -> Vec<(i64, i64, i64)> {
        let cell = |v: f64| (v / size).floor() as i64;
        let cells: BTreeSet<(i64, i64)> = values.map(|(x, y)| (cell(self.px(x)), cell(self.py(y)))).collect();
        let mut runs: Vec<(i64, i64, i64)> = Vec::new();
        for (x, y) in cells {
            match runs.last_mut() {
                Some((column, top, n)) if *column == x && *top + *n == y => *n += 1,
                _ => runs.push((x, y, 1)),
            }
        }
        runs
    }

    /// Counts as upright bars; bar k stands between `edges[k]` and `edges[k + 1]`.
    pub fn histogram(&self, p: &mut Picture, edges: &[f64], counts: &[u32], ink: Ink) {
        for (pair, &count) in edges.windows(2).zip(counts) {
            if count > 0 {
                let (left, right) = (self.px(pair[0]) + 0.6, self.px(pair[1]) - 0.6);
                let top = self.py(f64::from(count));
                p.block(left, top, (right - left).max(0.4), self.bottom() - top, ink, 1.0);
            }
        }
    }

    /// One upright bar from zero for each value, evenly spread; `None` leaves a gap.
    pub fn strip(&self, p: &mut Picture, values: &[Option<f64>], ink: impl Fn(f64) -> Ink) {
        let step = self.width / values.len().max(1) as f64;
        let zero = self.py(0.0f64.clamp(self.y.0, self.y.1));
        for (k, v) in values.iter().enumerate() {
            if let Some(v) = v {
                let y = self.py(v.clamp(self.y.0, self.y.1));
                let left = self.left + k as f64 * step + step * 0.14;
                p.block(left, y.min(zero), step * 0.72, (y - zero).abs().max(0.8), ink(*v), 1.0);
            }
        }
        p.line(vec![(self.left, zero), (self.right(), zero)], Ink::Muted, 0.8);
    }
}

/// A cell of a [`matrix`].
#[derive(Clone, Debug, PartialEq)]
pub struct Cell {
    /// What it says.
    pub text: String,
    /// Colour of its ground.
    pub ink: Ink,
    /// How strong the ground is, 0..1.
    pub strength: f64,
}

/// Fonts that stand in for the one that widths are known of may be so much wider.
const ROOM: f64 = 1.2;

/// A table drawn as a picture: names of rows at the left, of columns upright on top, a coloured ground in every cell; below it what
/// the grounds say and a remark.
#[must_use]
pub fn matrix(
    (name, title): (&str, &str),
    rows: &[String],
    columns: &[String],
    cells: &[Vec<Option<Cell>>],
    (key, remark): (&[(Ink, &str)], &str),
) -> Picture {
    let widest = |names: &[String]| names.iter().map(|n| text_width(n, SMALL)).fold(0.0, f64::max);
    let (left, top) = (widest(rows) + 24.0, widest(columns) + 24.0);
    let (w, h) = (58.0, 28.0);
    let bottom = top + h * rows.len() as f64;
    // A ground of the key, its words, and room to the next.
    let (ground, space) = (16.0, 18.0);
    let words = |text: &str| ROOM * text_width(text, SMALL);
    let told = key.iter().map(|(_, text)| ground + 6.0 + words(text) + space).sum::<f64>() + words(remark);
    let width = (left + w * columns.len() as f64).max(24.0 + told) + 12.0;
    let mut p = Picture::new(name, title, width, bottom + 40.0);
    for (k, column) in columns.iter().enumerate() {
        p.upright((left + w * (k as f64 + 0.5), top - 8.0), column.as_str(), SMALL, Align::Start, Ink::Text);
    }
    for (r, row) in rows.iter().enumerate() {
        let y = top + h * r as f64;
        p.text((left - 8.0, y + h / 2.0), row.as_str(), SMALL, Align::End, Ink::Text);
        for (c, cell) in cells.get(r).into_iter().flatten().enumerate() {
            let x = left + w * c as f64;
            p.block(x + 1.0, y + 1.0, w - 2.0, h - 2.0, Ink::Faint, 0.35);
            if let Some(cell) = cell {
                p.block(x + 1.0, y + 1.0, w - 2.0, h - 2.0, cell.ink, cell.strength.clamp(0.0, 1.0));
                p.text((x + w / 2.0, y + h / 2.0), cell.text.as_str(), TEXT, Align::Middle, Ink::Text);
            }
        }
    }
    let (mut x, y) = (width - 12.0 - told, bottom + 22.0);
    for (ink, text) in key {
        p.block(x, y - 6.0, ground, 12.0, *ink, 0.6);
        p.text((x + ground + 6.0, y), *text, SMALL, Align::Start, Ink::Muted);
        x += ground + 6.0 + words(text) + space;
    }
    p.text((x, y), remark, SMALL, Align::Start, Ink::Muted);
    p
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_key_of_a_matrix_has_room_for_a_wider_font() {
        let remark = "numbers: ms after the main mic; paler: less sure";
        let key = [(Ink::Good, "same sign"), (Ink::Warm, "opposite (opp.)")];
        let svg = matrix(("m", "m"), &["kick".into()], &["room".into()], &[vec![None]], (&key, remark)).svg();
        let number = |text: &str, name: &str| -> f64 {
            let from = text.rfind(&format!(" {name}=\"")).unwrap() + name.len() + 3;
            text[from..].split('"').next().unwrap().parse().unwrap()
        };
        let x = number(&svg[..svg.find(remark).unwrap()], "x");
        let width: f64 = svg.split("viewBox=\"0 0 ").nth(1).unwrap().split(' ').next().unwrap().parse().unwrap();
        assert!(x + 1.15 * text_width(remark, SMALL) <= width, "{x} {width}");
    }

    #[test]
    fn ticks_are_round_numbers_inside_the_range() {
        assert_eq!(ticks(0.0, 100.0, 5), [0.0, 20.0, 40.0, 60.0, 80.0, 100.0]);
        assert_eq!(ticks(-17.0, 23.0, 5), [-10.0, 0.0, 10.0, 20.0]);
        assert!(ticks(1.0, 1.0, 5).is_empty() && ticks(0.0, f64::NAN, 5).is_empty());
    }

    #[test]
    fn numbers_and_times_are_short() {
        assert_eq!((short(0.5), short(-10.0), short(-0.0001)), ("0.5".into(), "\u{2212}10".into(), "0".into()));
        assert_eq!(
            (clock(65.0, 5.0), clock(65.25, 0.5), clock(3725.0, 60.0)),
            ("1:05".into(), "1:05.3".into(), "62:05".into())
        );
    }

    #[test]
    fn a_frame_maps_its_corners() {
        let f = Frame { left: 50.0, top: 10.0, width: 200.0, height: 100.0, x: (0.0, 2.0), y: (-1.0, 1.0) };
        assert_eq!((f.at(0.0, 1.0), f.at(2.0, -1.0)), ((50.0, 10.0), (250.0, 110.0)));
    }

    #[test]
    fn gathering_columns_keeps_every_extreme() {
        let high: Vec<f32> = (0..1000).map(|k| if k == 537 { 9.0 } else { 1.0 }).collect();
        let low: Vec<f32> = (0..1000).map(|k| if k == 2 { -7.0 } else { -1.0 }).collect();
        let g = gathered(&low, &high, 33);
        assert_eq!(g.len(), 33);
        assert_eq!(g.iter().map(|c| c.1).fold(0.0, f32::max), 9.0);
        assert_eq!(g.iter().map(|c| c.0).fold(0.0, f32::min), -7.0);
        assert_eq!(gathered(&low[..5], &high[..5], 33).len(), 5);
    }
}
