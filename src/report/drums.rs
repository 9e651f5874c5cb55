//! The pictures of one drum: waveform with hits and novelty, whole and near; velocity; offsets.

use super::chart::{Frame, gathered, ticks};
use super::look::{Ink, SMALL};
use super::picture::{Align, Picture};
use super::summary::{KINDS, busiest, is_doubtful};
use crate::hits::{Evidence, Found, Hit, Kind};
use crate::song::{Drum, Song};
use crate::units::{Dbfs, SampleRate};

/// Width of every picture of the whole song, points.
pub const WIDTH: f64 = 1120.0;
const LEFT: f64 = 74.0;
const RIGHT: f64 = 18.0;
/// More columns than this cannot be told apart at twice the width.
const COLUMNS: usize = 2 * 1024;
/// Pictures with more hits than this show where hits are, not each one.
const MANY: usize = 1_500;

fn frame(top: f64, height: f64, x: (f64, f64), y: (f64, f64)) -> Frame {
    Frame { left: LEFT, top, width: WIDTH - LEFT - RIGHT, height, x, y }
}

/// The song's whole time, seconds.
fn whole(song: &Song) -> (f64, f64) {
    (0.0, (song.frames() as f64 / song.rate().hz_f64()).max(0.5))
}

pub(super) fn capital(word: &str) -> String {
    let mut letters = word.chars();
    letters.next().map_or_else(String::new, |c| c.to_uppercase().chain(letters).collect())
}

/// The kinds that occur among hits, for the key; none where hits are too many to be drawn one by one.
fn kinds_of(hits: &[&Hit]) -> Vec<Kind> {
    if hits.len() > MANY {
        return Vec::new();
    }
    KINDS.into_iter().filter(|k| hits.iter().any(|h| h.kind == *k)).collect()
}

fn any_doubtful(hits: &[&Hit]) -> bool {
    hits.len() <= MANY && hits.iter().any(|h| is_doubtful(h))
}

/// A drum's waveform, hits and novelty over the whole song.
#[must_use]
pub fn overview(song: &Song, found: &Found, evidence: &Evidence) -> Picture {
    let drum = evidence.drum;
    let title = format!("{} over the whole song: {}", capital(drum.word()), shown(evidence));
    let p = Picture::new(format!("{drum}_song"), title, WIDTH, height(evidence));
    wave_and_novelty(p, song, found, evidence, whole(song), "the whole song")
}

/// The same for the four bars in which the drum is struck most often. `None` where the evidence is too coarse to
/// show single strokes, or where there are no hits.
#[must_use]
pub fn near(song: &Song, found: &Found, evidence: &Evidence) -> Option<Picture> {
    let (from, to) = busiest(song, &found.list, evidence.drum)?;
    if (to.0 - from.0) / evidence.step.0.max(1e-9) < 400.0 {
        return None;
    }
    // A thirty-second earlier, so that a stroke just before the first bar line is seen whole and has its mark, and one on the
    // sixteenth before it is left out whole.
    let from = (from.0 - (to.0 - from.0) / 128.0).max(0.0);
    let drum = evidence.drum;
    let title = format!("{} in its busiest four bars: {}", capital(drum.word()), shown(evidence));
    let p = Picture::new(format!("{drum}_near"), title, WIDTH, height(evidence));
    Some(wave_and_novelty(p, song, found, evidence, (from, to.0), "the busiest four bars"))
}

/// Whether the finder has looked at the take; a list that was read back has no novelty to show.
fn has_novelty(evidence: &Evidence) -> bool {
    !evidence.novelty.is_empty()
}

fn shown(evidence: &Evidence) -> String {
    let novelty = if has_novelty(evidence) { ", novelty with its threshold" } else { "" };
    format!("waveform of {}, hits{novelty}", evidence.mic)
}

/// Without novelty its row is left away.
fn height(evidence: &Evidence) -> f64 {
    if has_novelty(evidence) { 420.0 } else { 306.0 }
}

/// What a picture of a drum shows: its strokes, waveform and novelty over a stretch of the song.
struct Shown<'a> {
    evidence: &'a Evidence,
    hits: Vec<&'a Hit>,
    rate: SampleRate,
    /// The stretch, seconds.
    x: (f64, f64),
    /// Columns of the evidence that lie in it.
    columns: std::ops::Range<usize>,
}

/// A row of columns: the frame of the columns alone, and that of the whole width.
struct Row {
    columns: Frame,
    frame: Frame,
}

impl<'a> Shown<'a> {
    fn new(found: &'a Found, evidence: &'a Evidence, x: (f64, f64)) -> Self {
        let (step, n) = (evidence.step.0.max(1e-9), evidence.low.len());
        let from = ((x.0 / step).floor().max(0.0) as usize).min(n);
        let to = ((x.1 / step).ceil().max(0.0) as usize).min(n);
        let rate = found.list.rate;
        let hits = found.list.of(evidence.drum).filter(|h| (x.0..=x.1).contains(&h.pos.at(rate).0)).collect();
        Self { evidence, hits, rate, x, columns: from..to.max(from) }
    }

    fn ink(&self) -> Ink {
        Ink::Of(self.evidence.drum)
    }

    /// Where a stroke lies, seconds.
    fn time(&self, h: &Hit) -> f64 {
        h.pos.at(self.rate).0
    }

    /// The columns of the stretch.
    fn part<'v>(&self, values: &'v [f32]) -> &'v [f32] {
        let n = values.len();
        values.get(self.columns.start.min(n)..self.columns.end.min(n)).unwrap_or(&[])
    }

    fn row(&self, top: f64, height: f64, y: (f64, f64)) -> Row {
        let step = self.evidence.step.0.max(1e-9);
        let (from, to) = (self.columns.start as f64 * step, self.columns.end as f64 * step);
        // The columns say exactly which time they cover; the frame shows that time.
        let shown = if self.columns.is_empty() { self.x } else { (from, to) };
        let inside = Frame { x: self.x, ..frame(0.0, 1.0, self.x, (0.0, 1.0)) };
        // Where the take ends inside the picture, its columns fill only their share of the width.
        let (left, right) = (inside.px(shown.0.max(self.x.0)), inside.px(shown.1.min(self.x.1)));
        let columns = Frame { left, width: right - left, x: shown, ..frame(top, height, shown, y) };
        Row { columns, frame: frame(top, height, self.x, y) }
    }

    /// Strokes: a stem as high as the velocity, the mark on top.
    fn stems(&self, p: &mut Picture, stems: Frame) {
        let ink = self.ink();
        stems.y_axis(p, &[0.0, 64.0, 127.0], "velocity");
        let stem = |h: &Hit| (self.time(h), f64::from(h.velocity.get()));
        if self.hits.len() > MANY {
            stems.cloud(p, self.hits.iter().map(|h| stem(h)), ink);
        } else {
            for h in &self.hits {
                let (time, velocity) = stem(h);
                let at = stems.at(time, velocity);
                p.line(vec![(at.0, stems.bottom()), at], ink, 1.0);
                p.mark(at, self.evidence.drum, h.kind);
                if is_doubtful(h) {
                    p.ring(at, 7.0);
                }
            }
        }
        p.line(vec![(LEFT, stems.bottom()), (stems.right(), stems.bottom())], Ink::Muted, 0.8);
    }

    /// The waveform, with its `top` written beside it.
    fn wave(&self, p: &mut Picture, row: &Row, top: f32, reach: f64) {
        let level = Dbfs::from_peak(f64::from(top));
        for value in [reach / 1.05, 0.0, -reach / 1.05] {
            let y = row.frame.py(value);
            p.line(vec![(LEFT, y), (row.frame.right(), y)], Ink::Faint, 0.7);
            if value != 0.0 {
                let text = format!("{:.1}", level.0).replace('-', "\u{2212}");
                p.text((LEFT - 8.0, y), text, SMALL, Align::End, Ink::Muted);
            }
        }
        let middle = row.frame.top + row.frame.height / 2.0;
        p.upright((LEFT - 60.0 + 2.0, middle), "peak, dBFS", SMALL, Align::Middle, Ink::Muted);
        let Evidence { low, high, .. } = self.evidence;
        row.columns.waveform(p, &gathered(self.part(low), self.part(high), COLUMNS), self.ink());
    }

    /// Where strokes lie, above the waveform and in the novelty.
    fn ticks(&self, p: &mut Picture, wave: Frame, novelty: Option<Frame>) {
        if self.hits.len() > MANY || self.x.1 - self.x.0 >= 30.0 {
            return;
        }
        for h in &self.hits {
            let px = wave.px(self.time(h));
            p.line(vec![(px, wave.top - 14.0), (px, wave.top)], self.ink(), 1.0);
            if let Some(novelty) = novelty {
                p.line(vec![(px, novelty.top), (px, novelty.top + 7.0)], self.ink(), 1.0);
            }
        }
    }

    /// Novelty against its threshold.
    fn novelty(&self, p: &mut Picture, row: &Row) {
        let ink = self.ink();
        row.frame.y_axis(p, &[0.0, 10.0, 20.0], "novelty, dB");
        let of = |values: &[f32]| -> Vec<f32> {
            let part = self.part(values);
            gathered(part, part, COLUMNS).into_iter().map(|c| c.1).collect()
        };
        row.columns.curve(p, &of(&self.evidence.novelty), ink, 0.8, true);
        row.columns.curve(p, &of(&self.evidence.threshold), Ink::Text, 1.4, false);
        let key = row.frame.top - 12.0;
        let next = p.key_entry(row.frame.right(), key, "threshold", |p, at| {
            p.line(vec![(at.0 - 7.0, at.1), (at.0 + 5.0, at.1)], Ink::Text, 1.4);
        });
        p.key_entry(next, key, "novelty", |p, at| {
            p.block(at.0 - 7.0, at.1 - 4.0, 12.0, 8.0, ink, 0.45);
        });
    }
}

/// Strokes, waveform and, where there is one, novelty over a stretch of the song, under each other.
fn wave_and_novelty(
    mut p: Picture,
    song: &Song,
    found: &Found,
    evidence: &Evidence,
    x: (f64, f64),
    where_: &str,
) -> Picture {
    let drum = evidence.drum;
    let shown = Shown::new(found, evidence, x);
    let both = shown.part(&evidence.low).iter().chain(shown.part(&evidence.high));
    let top = both.fold(0f32, |a, v| a.max(v.abs()));
    let reach = f64::from(top).max(1e-4) * 1.05;
    let stems = frame(52.0, 62.0, x, (0.0, 127.0));
    let wave = shown.row(134.0, 122.0, (-reach, reach));
    let novelty = has_novelty(evidence).then(|| shown.row(284.0, 86.0, (0.0, 20.0)));
    for f in [stems, wave.frame].into_iter().chain(novelty.as_ref().map(|n| n.frame)) {
        if let Some(tempo) = &song.tempo {
            f.sections(&mut p, tempo, &song.form, if f == stems { 9.0 } else { -1000.0 });
            f.bar_lines(&mut p, tempo);
        }
    }
    let title = format!("{} \u{2013} {where_}", capital(drum.word()));
    p.heading((LEFT, 17.0), title, super::look::HEAD, Align::Start, Ink::Text);
    p.key_of_marks(stems.right(), 17.0, drum, &kinds_of(&shown.hits), any_doubtful(&shown.hits));
    shown.stems(&mut p, stems);
    shown.wave(&mut p, &wave, top, reach);
    shown.ticks(&mut p, wave.frame, novelty.as_ref().map(|n| n.frame));
    if let Some(novelty) = &novelty {
        shown.novelty(&mut p, novelty);
    }
    novelty.as_ref().unwrap_or(&wave).frame.time_axis(&mut p, song.tempo.as_ref());
    p
}

/// A drum's velocity over the song.
#[must_use]
pub fn velocity(song: &Song, found: &Found, drum: Drum) -> Picture {
    let title = format!("{}: velocity of every hit over the song", capital(drum.word()));
    let mut p = Picture::new(format!("{drum}_velocity"), title, WIDTH, 270.0);
    let f = frame(52.0, 168.0, whole(song), (0.0, 131.0));
    points(
        &mut p,
        &f,
        song,
        found,
        drum,
        "velocity over the song",
        |h| Some(f64::from(h.velocity.get())),
        |p, f| {
            f.y_axis(p, &[1.0, 32.0, 64.0, 96.0, 127.0], "velocity, 1\u{2013}127");
        },
    );
    p
}

/// Grace notes and the strokes of rolls are not meant to lie on the grid.
fn meant_for_grid(hit: &Hit) -> bool {
    matches!(hit.kind, Kind::Hit | Kind::Ghost)
}

fn on_grid(found: &Found, drum: Drum) -> impl Iterator<Item = &Hit> {
    found.list.of(drum).filter(|h| meant_for_grid(h))
}

/// A drum's offsets from the grid over the song: early below, late above; grace notes and rolls are left out. `None`
/// where no hit has a place on a grid.
#[must_use]
pub fn offsets(song: &Song, found: &Found, drum: Drum) -> Option<Picture> {
    let furthest = on_grid(found, drum)
        .filter_map(|h| h.place)
        .map(|p| p.offset.ms().abs())
        .fold(None, |a, x| Some(f64::max(a.unwrap_or(0.0), x)))?;
    let reach = (furthest * 1.08).max(12.0);
    let title =
        format!("{}: offset of every hit from the nearest grid line, early below, late above", capital(drum.word()));
    let mut p = Picture::new(format!("{drum}_offsets"), title, WIDTH, 290.0);
    let f = frame(52.0, 188.0, whole(song), (-reach, reach));
    points(
        &mut p,
        &f,
        song,
        found,
        drum,
        "offset from the grid",
        |h| h.place.filter(|_| meant_for_grid(h)).map(|p| p.offset.ms()),
        |p, f| {
            f.y_axis(p, &ticks(-reach, reach, 6), "offset, ms");
            let y = f.py(0.0);
            p.line(vec![(f.left, y), (f.right(), y)], Ink::Text, 1.0);
            p.text((f.right() - 4.0, f.top + 9.0), "late", SMALL, Align::End, Ink::Muted);
            p.text((f.right() - 4.0, f.bottom() - 9.0), "early", SMALL, Align::End, Ink::Muted);
        },
    );
    Some(p)
}

/// Longest gap that is drawn, ms; longer ones lie on the edge.
const LONGEST_GAP_MS: f64 = 300.0;
const DASH: &[f64] = &[6.0, 4.0];

/// A drum's strokes by the gap since the one before and by level, with the floor and the least gap in force: what a change of
/// either would take away. `None` without evidence or strokes.
#[must_use]
pub fn limits(found: &Found, drum: Drum) -> Option<Picture> {
    let evidence = found.evidence.iter().find(|e| e.drum == drum)?;
    let hits: Vec<&Hit> = found.list.of(drum).collect();
    let softest = hits.iter().map(|h| h.peak.0).fold(None, |a, x| Some(f64::min(a.unwrap_or(x), x)))?;
    let title =
        format!("{}: level of every hit and gap to the one before, against floor and least gap", capital(drum.word()));
    let mut p = Picture::new(format!("{drum}_limits"), title, WIDTH, 300.0);
    let low = softest.min(evidence.floor.0) - 4.0;
    let f = frame(52.0, 190.0, (0.0, LONGEST_GAP_MS), (low, 0.0));
    let text = format!("{} \u{2013} what floor and least gap let through", capital(drum.word()));
    p.heading((LEFT, 17.0), text, super::look::HEAD, Align::Start, Ink::Text);
    p.key_of_marks(f.right(), 17.0, drum, &kinds_of(&hits), any_doubtful(&hits));
    f.y_axis(&mut p, &ticks(low, 0.0, 5), "peak, dBFS");
    f.x_axis(&mut p, &ticks(0.0, LONGEST_GAP_MS, 7), "gap to the hit before, ms (longer ones at the right edge)");
    let (gap, floor) = (f.px(evidence.min_gap.ms().min(LONGEST_GAP_MS)), f.py(evidence.floor.0));
    p.dashed(&[(gap, f.top), (gap, f.bottom())], Ink::Text, 1.2, DASH);
    p.dashed(&[(f.left, floor), (f.right(), floor)], Ink::Text, 1.2, DASH);
    p.text((gap + 5.0, f.top + 9.0), "least gap (--min-gap)", SMALL, Align::Start, Ink::Muted);
    p.text((f.right() - 5.0, floor - 8.0), "floor (--floor)", SMALL, Align::End, Ink::Muted);
    let mut before = None;
    let places: Vec<(&Hit, (f64, f64))> = hits
        .iter()
        .map(|&h| {
            let at = h.pos.at(found.list.rate).ms();
            let gap = before.replace(at).map_or(LONGEST_GAP_MS, |b: f64| (at - b).clamp(0.0, LONGEST_GAP_MS));
            (h, (gap, h.peak.0))
        })
        .collect();
    if hits.len() > MANY {
        f.cloud(&mut p, places.iter().map(|p| p.1), Ink::Of(drum));
    } else {
        for (h, (x, y)) in places {
            let place = f.at(x, y);
            p.mark(place, drum, h.kind);
            if is_doubtful(h) {
                p.ring(place, 7.0);
            }
        }
    }
    Some(p)
}

/// One mark a hit over the song's time.
#[allow(clippy::too_many_arguments, reason = "one picture, one sound: what it is made of")]
fn points(
    p: &mut Picture,
    f: &Frame,
    song: &Song,
    found: &Found,
    drum: Drum,
    what: &str,
    value: impl Fn(&Hit) -> Option<f64>,
    axis: impl FnOnce(&mut Picture, &Frame),
) {
    if let Some(tempo) = &song.tempo {
        f.sections(p, tempo, &song.form, 9.0);
        f.bar_lines(p, tempo);
    }
    axis(p, f);
    let hits: Vec<&Hit> = found.list.of(drum).filter(|h| value(h).is_some()).collect();
    p.heading(
        (LEFT, 17.0),
        format!("{} \u{2013} {what}", capital(drum.word())),
        super::look::HEAD,
        Align::Start,
        Ink::Text,
    );
    let doubtful = any_doubtful(&hits);
    p.key_of_marks(f.right(), 17.0, drum, &kinds_of(&hits), doubtful);
    let at = |h: &Hit| value(h).map(|v| (h.pos.at(found.list.rate).0, v));
    if hits.len() > MANY {
        f.cloud(p, hits.iter().filter_map(|h| at(h)), Ink::Of(drum));
    } else {
        for h in &hits {
            if let Some((time, v)) = at(h) {
                let place = f.at(time, v);
                p.mark(place, drum, h.kind);
                if is_doubtful(h) {
                    p.ring(place, 7.0);
                }
            }
        }
    }
    f.time_axis(p, song.tempo.as_ref());
}
