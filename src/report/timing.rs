//! The pictures of a take against its grid.

use super::chart::{Frame, short, ticks};
use super::look::{HEAD, Ink, SMALL};
use super::picture::{Align, Picture};
use crate::hits::{HitList, Kind};
use crate::song::{Drum, Section};
use crate::tempo::TempoMap;
use crate::timing::{Count, Placed, Relation, Timing};
use crate::units::Seconds;

/// Width of the pictures, points.
const WIDTH: f64 = 1120.0;
const LEFT: f64 = 74.0;
/// Room for the words at the right edge.
const RIGHT: f64 = 26.0;
/// Strokes so many times further than nearly all others do not set the scale: they are marked at its edge, with their offset.
const LONE: f64 = 1.5;

fn frame(top: f64, height: f64, x: (f64, f64), y: (f64, f64)) -> Frame {
    Frame { left: LEFT, top, width: WIDTH - LEFT - RIGHT, height, x, y }
}

/// Every picture of a check; none where the take does not follow its grid or has no strokes.
#[must_use]
pub fn timing_pictures(t: &Timing, list: &HitList, map: &TempoMap, form: &[Section], end: Seconds) -> Vec<Picture> {
    if t.strokes == 0 {
        return Vec::new();
    }
    let mut pictures = vec![over_the_song(t, list, map, form, end)];
    if t.relation == Relation::Follows {
        pictures.push(by_position(t));
        pictures.push(by_bar(t, form));
    }
    pictures
}

/// Half height of the offset axis: round, and wide enough for every stroke, but for a few that lie far beyond all others.
fn reach(t: &Timing) -> f64 {
    let mut sizes: Vec<f64> = t.placed.iter().filter(|p| p.on_own_line).map(|p| p.offset_ms.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let nearly = sizes.get(sizes.len().saturating_sub(1) * 98 / 100).copied().unwrap_or(10.0);
    let most = sizes.last().copied().filter(|most| *most <= LONE * nearly).unwrap_or(nearly);
    ((most * 1.05 / 10.0).ceil() * 10.0).max(20.0)
}

/// A stroke that lies beyond the frame: an arrow at its edge, with the offset in ms.
fn beyond(p: &mut Picture, f: &Frame, x: f64, offset_ms: f64, drum: Drum) {
    let late = offset_ms > 0.0;
    let (edge, out) = if late { (f.py(f.y.1), -1.0) } else { (f.py(f.y.0), 1.0) };
    p.area(vec![(x - 4.0, edge - out * 7.0), (x + 4.0, edge - out * 7.0), (x, edge)], Ink::Of(drum), 1.0);
    p.text((x + 6.0, edge - out * 6.0), format!("{} ms", short(offset_ms.round())), SMALL, Align::Start, Ink::Text);
}

fn inside(f: &Frame, offset_ms: f64) -> bool {
    (f.y.0..=f.y.1).contains(&offset_ms)
}

fn drums(t: &Timing) -> Vec<Drum> {
    t.drums.iter().map(|d| d.drum).collect()
}

/// Offsets over the song, with sections and each drum's own level.
fn over_the_song(t: &Timing, list: &HitList, map: &TempoMap, form: &[Section], end: Seconds) -> Picture {
    let reach = reach(t);
    let mut p = Picture::new("timing_song", "Offsets from the grid over the song; late is up", WIDTH, 400.0);
    let f = frame(58.0, 270.0, (0.0, end.0.max(0.5)), (-reach, reach));
    f.sections(&mut p, map, form, 8.0);
    f.bar_lines(&mut p, map);
    f.y_axis(&mut p, &ticks(-reach, reach, 8), "ms from the grid");
    p.heading((f.left, 18.0), "Offsets over the song", HEAD, Align::Start, Ink::Text);
    window_band(&mut p, &f, t.settings.window_ms);
    p.line(vec![f.at(f.x.0, 0.0), f.at(f.x.1, 0.0)], Ink::Muted, 1.0);
    for placed in t.placed.iter().filter(|p| p.on_own_line) {
        if inside(&f, placed.offset_ms) {
            p.mark(f.at(placed.time.0, placed.offset_ms), placed.drum, kind_of(list, placed));
        } else {
            beyond(&mut p, &f, f.px(placed.time.0), placed.offset_ms, placed.drum);
        }
    }
    for d in &t.drums {
        for s in levels(t, d.drum, form) {
            let from = s.0.max(0.0);
            let points = [f.at(from, s.2.clamp(-reach, reach)), f.at(s.1.min(end.0), s.2.clamp(-reach, reach))];
            p.dashed(&points, Ink::Of(d.drum), 1.8, super::look::dash_of(d.drum));
        }
    }
    f.time_axis(&mut p, Some(map));
    key(&mut p, WIDTH - RIGHT, 18.0, t, list);
    early_late_words(&mut p, &f);
    p
}

fn kind_of(list: &HitList, placed: &Placed) -> Kind {
    list.hits.get(placed.hit).map(|h| h.kind).unwrap_or_default()
}

/// The drum's median in each section as (from, to, ms), or over the whole song where there is no form.
fn levels(t: &Timing, drum: Drum, form: &[Section]) -> Vec<(f64, f64, f64)> {
    let Some(d) = t.drums.iter().find(|d| d.drum == drum) else { return Vec::new() };
    if form.is_empty() {
        let ends = (t.placed.first(), t.placed.last(), &d.feel);
        if let (Some(a), Some(b), Some(feel)) = ends {
            return vec![(a.time.0, b.time.0, feel.median_ms)];
        }
        return Vec::new();
    }
    let span = |name: &str| t.form.iter().find(|s| s.name == name);
    d.sections.iter().filter_map(|s| span(&s.name).map(|w| (w.from.0, w.to.0, s.feel.median_ms))).collect()
}

fn window_band(p: &mut Picture, f: &Frame, window: f64) {
    let (top, bottom) = (f.py(window.min(f.y.1)), f.py((-window).max(f.y.0)));
    p.block(f.left, top, f.width, bottom - top, Ink::Good, 0.10);
}

/// Which way is late, outside the frame, where no stroke lies.
fn early_late_words(p: &mut Picture, f: &Frame) {
    p.upright((f.right() + 11.0, f.top + 2.0), "late", SMALL, Align::End, Ink::Muted);
    p.upright((f.right() + 11.0, f.bottom() - 2.0), "early", SMALL, Align::Start, Ink::Muted);
}

/// What every mark stands for: drums, and how their ghost notes, grace notes and rolls are drawn.
fn key(p: &mut Picture, right: f64, y: f64, t: &Timing, list: &HitList) {
    let mut x = right;
    for drum in drums(t).into_iter().rev() {
        let shown = |kind: Kind| t.placed.iter().any(|p| p.drum == drum && p.on_own_line && kind_of(list, p) == kind);
        for (kind, word) in [(Kind::Roll, "in rolls"), (Kind::Flam, "grace notes"), (Kind::Ghost, "ghost notes")] {
            if shown(kind) {
                x = p.key_entry(x, y, &format!("{drum}, {word}"), |p, at| p.mark(at, drum, kind));
            }
        }
        x = p.key_entry(x, y, drum.word(), |p, at| p.mark(at, drum, Kind::Hit));
    }
}

/// How offsets are distributed: whole on top, then place by place in the bar, one row a drum.
fn by_position(t: &Timing) -> Picture {
    let reach = reach(t);
    let rows = t.drums.len().max(1) as f64;
    let (top, height, gap) = (74.0, 190.0, 56.0);
    let mut p = Picture::new(
        "timing_positions",
        "Offsets by drum and place in the bar: median, middle half, every stroke; late is up",
        WIDTH,
        top + rows * (height + gap) + 10.0,
    );
    p.heading((LEFT, 18.0), "By drum and place in the bar", HEAD, Align::Start, Ink::Text);
    let mut counts: Vec<Count> = t.placed.iter().filter(|p| p.on_own_line).map(|p| p.count).collect();
    counts.sort_unstable();
    counts.dedup();
    for (row, d) in t.drums.iter().enumerate() {
        let at = top + row as f64 * (height + gap);
        let whole = Frame { left: LEFT, top: at, width: 150.0, height, x: (0.0, 1.0), y: (-reach, reach) };
        let own: Vec<&Placed> = t.placed.iter().filter(|p| p.drum == d.drum && p.on_own_line).collect();
        distribution(&mut p, &whole, &own, d.drum);
        whole.y_axis(&mut p, &ticks(-reach, reach, 6), "ms from the grid");
        p.text(
            (whole.left + whole.width / 2.0, whole.bottom() + 13.0),
            format!("all {}", own.len()),
            SMALL,
            Align::Middle,
            Ink::Text,
        );
        p.text((whole.left, at - 13.0), d.drum.word(), SMALL, Align::Start, Ink::Text);
        let left = LEFT + 190.0;
        let f = Frame {
            left,
            top: at,
            width: WIDTH - left - RIGHT,
            height,
            x: (0.0, counts.len().max(1) as f64),
            y: (-reach, reach),
        };
        window_band(&mut p, &f, t.settings.window_ms);
        p.line(vec![f.at(0.0, 0.0), f.at(f.x.1, 0.0)], Ink::Muted, 1.0);
        for (k, count) in counts.iter().enumerate() {
            let x = k as f64 + 0.5;
            let here: Vec<&Placed> = own.iter().copied().filter(|p| p.count == *count).collect();
            column(&mut p, &f, x, &here, d.drum);
            if let Some(g) = d.positions.iter().find(|g| g.name == *count && inside(&f, g.feel.median_ms)) {
                let y = g.feel.median_ms;
                p.line(vec![f.at(x - 0.32, y), f.at(x + 0.32, y)], Ink::Text, 2.2);
            }
            p.text((f.px(x), f.bottom() + 13.0), count.to_string(), SMALL, Align::Middle, Ink::Text);
            let n = if here.is_empty() { "\u{2013}".to_owned() } else { here.len().to_string() };
            p.text((f.px(x), f.bottom() + 27.0), n, SMALL, Align::Middle, Ink::Muted);
        }
        p.text((f.left - 10.0, f.bottom() + 27.0), "strokes", SMALL, Align::End, Ink::Muted);
        early_late_words(&mut p, &f);
    }
    p
}

/// Strokes of one place, side by side so that they do not hide each other.
fn column(p: &mut Picture, f: &Frame, x: f64, here: &[&Placed], drum: Drum) {
    for (k, stroke) in here.iter().enumerate() {
        // The golden ratio spreads any number of points evenly across the column.
        let aside = ((k + 1) as f64 * 0.618_034).fract() - 0.5;
        let at = x + aside * 0.55;
        if inside(f, stroke.offset_ms) {
            p.mark_sized(f.at(at, stroke.offset_ms), drum, 2.4, false);
        } else {
            beyond(p, f, f.px(at), stroke.offset_ms, drum);
        }
    }
}

/// A histogram lying on its side: counts to the right, offsets up. What lies beyond the frame is not in it.
fn distribution(p: &mut Picture, f: &Frame, strokes: &[&Placed], drum: Drum) {
    let bins = 24usize;
    let step = (f.y.1 - f.y.0) / bins as f64;
    let mut counts = vec![0u32; bins];
    for s in strokes.iter().filter(|s| inside(f, s.offset_ms)) {
        let k = (((s.offset_ms - f.y.0) / step).floor().max(0.0) as usize).min(bins - 1);
        if let Some(slot) = counts.get_mut(k) {
            *slot += 1;
        }
    }
    let most = counts.iter().copied().max().unwrap_or(1).max(1);
    for (k, &n) in counts.iter().enumerate() {
        if n > 0 {
            let low = f.y.0 + k as f64 * step;
            let (top, bottom) = (f.py(low + step), f.py(low));
            p.block(
                f.left,
                top + 0.6,
                f.width * f64::from(n) / f64::from(most),
                bottom - top - 1.2,
                Ink::Of(drum),
                1.0,
            );
        }
    }
    p.line(vec![f.at(0.0, 0.0), f.at(1.0, 0.0)], Ink::Muted, 1.0);
}

/// How many of the worst bars carry a triangle.
const MARKED: usize = 3;

/// Bar by bar: how far strokes lie from their drum's usual place.
fn by_bar(t: &Timing, form: &[Section]) -> Picture {
    let mut p =
        Picture::new("timing_bars", "Tightness bar by bar: distance from each drum's usual place", WIDTH, 250.0);
    p.heading((LEFT, 18.0), "Bar by bar", HEAD, Align::Start, Ink::Text);
    let (first, last) = match (t.bars.first(), t.bars.last()) {
        (Some(a), Some(b)) => (a.bar, b.bar),
        _ => return p,
    };
    let n = (last - first + 1).clamp(1, 4096) as usize;
    let mut values: Vec<Option<f64>> = vec![None; n];
    for b in &t.bars {
        if let Some(slot) = values.get_mut((b.bar - first) as usize) {
            *slot = Some(b.rms_ms);
        }
    }
    let most = values.iter().flatten().copied().fold(10.0, f64::max);
    let most = (most / 10.0).ceil() * 10.0;
    let f = frame(58.0, 130.0, (first as f64, first as f64 + n as f64), (0.0, most));
    for (k, s) in form.iter().enumerate() {
        let edge = |bar: i64| f.px((bar as f64).clamp(f.x.0, f.x.1));
        let (from, to) = (edge(s.first_bar), edge(s.end_bar));
        if to - from > 0.5 {
            if k % 2 == 1 {
                p.block(from, f.top, to - from, f.height, Ink::Faint, 0.35);
            }
            if super::paint::text_width(&s.name, SMALL) + 6.0 < to - from {
                p.text((from + 3.0, f.top - 8.0), s.name.as_str(), SMALL, Align::Start, Ink::Muted);
            }
        }
    }
    f.y_axis(&mut p, &ticks(0.0, most, 4), "ms (rms)");
    let even = t.settings.even_bar_ms();
    f.strip(&mut p, &values, |v| if v > even { Ink::Warm } else { Ink::Good });
    let marked = t.worst_bars.len().min(MARKED);
    for w in t.worst_bars.iter().take(MARKED) {
        let x = f.px(w.bar as f64 + 0.5);
        let y = f.py(values.get((w.bar - first) as usize).copied().flatten().unwrap_or(0.0));
        p.area(vec![(x - 5.0, y - 12.0), (x + 5.0, y - 12.0), (x, y - 4.0)], Ink::Text, 1.0);
    }
    let every = [1i64, 2, 4, 8, 16, 32, 64, 128, 256, 512]
        .into_iter()
        .find(|k| f.width / n as f64 * *k as f64 >= 30.0)
        .unwrap_or(1024);
    p.text((f.left - 8.0, f.bottom() + 13.0), "bar", SMALL, Align::End, Ink::Muted);
    for bar in first..=last {
        if (bar - 1).rem_euclid(every) == 0 {
            p.text((f.px(bar as f64 + 0.5), f.bottom() + 13.0), bar.to_string(), SMALL, Align::Middle, Ink::Text);
        }
    }
    let marks = match marked {
        0 => "",
        1 => "; the triangle marks the worst bar",
        _ => "; the triangles mark the worst bars",
    };
    let words = format!("green up to {even:.0} ms{marks}");
    p.text((f.left, f.bottom() + 34.0), words, SMALL, Align::Start, Ink::Muted);
    p
}
