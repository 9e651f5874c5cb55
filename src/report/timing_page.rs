//! The report's part on timing: tables and sentences of a check that is done.

use super::page::{Report, Section, Table};
use super::picture::Picture;
use crate::finding::Finding;
use crate::timing::{Feel, Lean, Pulled, Relation, Timing, halfway_words, later_earlier, tightness, worst_bars_words};

/// A signed number with one decimal.
fn signed(x: f64) -> String {
    format!("{x:+.1}").replace('-', "\u{2212}")
}

fn dash() -> String {
    "\u{2013}".to_owned()
}

fn feel_row(first: [String; 2], feel: &Feel) -> Vec<String> {
    let mut row = first.to_vec();
    if feel.lean == Lean::Astray {
        let spread = feel.spread_ms.map_or_else(dash, |s| format!("{s:.1}"));
        let within = format!("{:.0} %", feel.within * 100.0);
        row.extend([feel.strokes.to_string(), dash(), dash(), dash(), feel.words().to_owned(), spread, dash(), within]);
        return row;
    }
    row.extend([
        feel.strokes.to_string(),
        signed(feel.median_ms),
        feel.error_ms.map_or_else(dash, |e| format!("{e:.1}")),
        signed(feel.median_ticks),
        feel.words().to_owned(),
        feel.spread_ms.map_or_else(dash, |s| format!("{s:.1}")),
        feel.spread_ms.map_or_else(dash, |s| tightness(s).to_owned()),
        format!("{:.0} %", feel.within * 100.0),
    ]);
    row
}

fn feel_table(second: &str, window_ms: f64) -> Table {
    let within = format!("within {window_ms:.0} ms");
    Table::new(&[
        ("drum", false),
        (second, false),
        ("strokes", true),
        ("median, ms", true),
        ("give or take, ms", true),
        ("median, ticks", true),
        ("it sits", false),
        ("spread, ms", true),
        ("it is", false),
        (within.as_str(), true),
    ])
}

/// The parts of a report on timing. `pictures` as [`timing_pictures`](super::timing_pictures) drew them: the whole
/// song first, then places in the bar, then bars.
#[must_use]
pub fn timing_sections(t: &Timing, pulled: Option<&Pulled>, mut pictures: Vec<Picture>) -> Vec<Section> {
    let rest = pictures.split_off(pictures.len().min(1));
    let mut rest = rest.into_iter();
    let mut sections = vec![places(t, pictures)];
    if !t.drums.iter().all(|d| d.positions.is_empty()) {
        sections.push(positions(t, rest.next()));
    }
    if !t.bars.is_empty() {
        sections.push(outliers(t, rest.next()));
    }
    if let Some(pulled) = pulled {
        let intro = vec![format!("Pull of {} %: {}.", pulled.settings.percent, pulled.sentence())];
        sections.push(Section { title: "Pulled triggers".into(), intro, ..Section::default() });
    }
    if !t.context.is_empty() {
        let mut table = Table::new(&[("what is known", false), ("where it was published", false)]);
        for c in &t.context {
            let memory = if c.from_memory { " (figures from memory)" } else { "" };
            table.row([c.fact.clone(), format!("{}{memory}", c.source)]);
        }
        table.note = "A hit lies where its close mic first reaches 5 % of the stroke's first peak. Early is negative, late \
            positive; the spread is 1.4826 times the median distance from the median, so that one wild stroke changes nothing."
            .into();
        sections.push(Section { title: "What the numbers mean".into(), tables: vec![table], ..Section::default() });
    }
    sections
}

fn places(t: &Timing, pictures: Vec<Picture>) -> Section {
    let mut table = feel_table("section", t.settings.window_ms);
    for d in &t.drums {
        let name = || d.drum.word().to_owned();
        match &d.feel {
            Some(feel) => table.rows.push(feel_row([name(), "whole take".into()], feel)),
            None => {
                let why = match d.relation {
                    Relation::RunsAway { .. } => "runs through the grid",
                    _ => "no relation to this grid",
                };
                let mut row = vec![name(), "whole take".into()];
                row.extend([dash(), dash(), dash(), dash(), why.to_owned(), dash(), dash(), dash()]);
                table.rows.push(row);
            }
        }
        table.rows.extend(d.sections.iter().map(|s| feel_row([name(), s.name.clone()], &s.feel)));
    }
    let mut intro = Vec::new();
    intro.extend(t.kick_snare.map(|k| k.sentence()));
    for d in &t.drums {
        if let Some(h) = &d.halves {
            intro.push(format!("{}: from bar {} on, {}.", capital(d.drum.word()), h.from_bar, h.sentence()));
        }
    }
    if let Some(d) = t.drift.filter(|d| d.over_song_ms.abs() >= 1.0) {
        intro.push(format!("Over the song the take drifts {}.", later_earlier(d.over_song_ms)));
    }
    if let Some(w) = &t.wander {
        intro.push(format!("The take wanders {}: {}.", w.between(), w.runs()));
    }
    for s in &t.swing {
        let words = format!("{}: {}, {:.2} : 1 over {} pairs.", s.level.word(), s.words(), s.ratio, s.pairs);
        intro.push(capital(&words));
    }
    if t.ornaments > 0 {
        intro.push(match t.ornaments {
            1 => "One grace note or inner stroke of a roll counts with its main stroke.".to_owned(),
            n => format!("{n} grace notes and inner strokes of rolls count with their main stroke."),
        });
    }
    if t.between_lines > 0 {
        intro.push(match t.between_lines {
            1 => "One stroke lies between the lines, in a double or roll faster than the grid; it is not judged."
                .to_owned(),
            n => format!(
                "{n} strokes lie between the lines, in doubles or rolls faster than the grid; they are not judged."
            ),
        });
    }
    Section { title: "Where the take sits".into(), intro, tables: vec![table], pictures }
}

fn positions(t: &Timing, picture: Option<Picture>) -> Section {
    let mut table = feel_table("place in the bar", t.settings.window_ms);
    for d in &t.drums {
        let rows = d.positions.iter().map(|g| feel_row([d.drum.word().to_owned(), g.name.to_string()], &g.feel));
        table.rows.extend(rows);
    }
    Section {
        title: "Place in the bar".into(),
        tables: vec![table],
        pictures: picture.into_iter().collect(),
        ..Section::default()
    }
}

/// So many strokes half-way between two lines have a row of their own.
const HALFWAY_ROWS: usize = 50;

fn outliers(t: &Timing, picture: Option<Picture>) -> Section {
    let mut table =
        Table::new(&[("what", false), ("from the grid, ms", true), ("from where this drum usually sits, ms", true)]);
    for w in &t.worst {
        table.row([w.sentence(), signed(w.offset_ms), signed(w.from_usual_ms)]);
    }
    for h in t.halfway.iter().take(HALFWAY_ROWS) {
        let what = format!("bar {}, beat {}: {} half-way to another line", h.bar, h.count, h.drum);
        table.row([what, signed(h.offset_ms), signed(h.from_usual_ms)]);
    }
    let mut intro: Vec<String> = worst_bars_words(t).map(|w| format!("{w}.")).into_iter().collect();
    if t.worst.is_empty() && t.halfway.is_empty() {
        intro.push("No stroke stands out.".into());
    }
    intro.extend(halfway_words(t).map(|w| format!("{w}.")));
    let tables = if table.rows.is_empty() { Vec::new() } else { vec![table] };
    Section { title: "Bar by bar".into(), intro, tables, pictures: picture.into_iter().collect() }
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |c| c.to_uppercase().chain(letters).collect())
}

/// A report on timing alone. `facts` are short pieces for its head: tempo, grid, what was checked.
#[must_use]
pub fn timing_report(
    title: &str,
    facts: Vec<String>,
    t: &Timing,
    pulled: Option<&Pulled>,
    pictures: Vec<Picture>,
    findings: Vec<Finding>,
) -> Report {
    let title = if title.is_empty() { "Untitled song" } else { title };
    Report {
        title: title.to_owned(),
        subject: "timing".into(),
        facts,
        findings,
        sections: timing_sections(t, pulled, pictures),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hits::{Hit, HitList, Kind, State};
    use crate::report::timing_pictures;
    use crate::song::{Drum, Section as Part};
    use crate::tempo::{Grid, Meter, TempoMap};
    use crate::timing::{CheckSettings, check};
    use crate::units::{Bpm, Dbfs, SampleRate, Seconds, Velocity};

    #[test]
    fn the_page_tells_every_drum_section_and_outlier_and_escapes_names() {
        let map = TempoMap::constant(Bpm::new(120.0).unwrap(), Meter::FOUR_FOUR, Seconds(0.0));
        let rate = SampleRate::SESSION;
        let hits = (0..64u32)
            .map(|q| Hit {
                drum: if q % 2 == 0 { Drum::Kick } else { Drum::Snare },
                pos: Seconds(0.5 * f64::from(q) + if q == 37 { 0.031 } else { 0.004 }).sample(rate),
                velocity: Velocity::MAX,
                peak: Dbfs(-6.0),
                certainty: 1.0,
                kind: Kind::Hit,
                state: State::Found,
                place: None,
            })
            .collect();
        let list = HitList { rate, hits };
        let form = [Part { name: "verse <1>".into(), first_bar: 1, end_bar: 17 }];
        let t = check(&list, &map, &form, &CheckSettings::on(Grid::SIXTEENTH), None);
        let pictures = timing_pictures(&t, &list, &map, &form, Seconds(34.0));
        let names: Vec<&str> = pictures.iter().map(Picture::name).collect();
        assert_eq!(names, ["timing_song", "timing_positions", "timing_bars"]);
        let html = timing_report("Paper Tram", vec![], &t, None, pictures, t.findings.clone()).html();
        // Quarter 37 is beat 2 of bar 10.
        for words in ["bar 10, beat 2: snare 31 ms late", "verse &#60;1&#62;", "Friberg", "place in the bar", "+4.0"] {
            assert!(html.contains(words), "{words}");
        }
        assert!(!html.contains("verse <1>") && html.contains("timing</title>"));
    }

    /// Kick and snare in turn on quarters at 120 BPM, each so many ms off.
    fn drawn(offsets_ms: impl Fn(u32) -> f64, kind: impl Fn(u32) -> Kind) -> Vec<Picture> {
        let map = TempoMap::constant(Bpm::new(120.0).unwrap(), Meter::FOUR_FOUR, Seconds(0.0));
        let rate = SampleRate::SESSION;
        let hits = (0..128u32)
            .map(|q| Hit {
                drum: if q % 2 == 0 { Drum::Kick } else { Drum::Snare },
                pos: Seconds(1.0 + 0.5 * f64::from(q) + offsets_ms(q) / 1000.0).sample(rate),
                velocity: Velocity::MAX,
                peak: Dbfs(-6.0),
                certainty: 1.0,
                kind: kind(q),
                state: State::Found,
                place: None,
            })
            .collect();
        let list = HitList { rate, hits };
        // Eighths, so that 70 ms is still near its line.
        let t = check(&list, &map, &[], &CheckSettings::on(Grid { lines_per_whole: 8, swing: 0.5 }), None);
        timing_pictures(&t, &list, &map, &[], Seconds(66.0))
    }

    #[test]
    fn pictures_reach_as_far_as_the_strokes_and_name_the_few_that_lie_beyond() {
        let wide = drawn(|q| if q % 3 == 0 { -78.0 } else { f64::from(q % 40) }, |_| Kind::Hit);
        for p in &wide[..2] {
            let svg = p.svg();
            assert!(svg.contains(">\n\u{2212}50\n<") && !svg.contains("78 ms"), "{svg}");
        }
        let lone = drawn(|q| if q == 41 { 72.0 } else { f64::from(q % 9) }, |_| Kind::Hit);
        for p in &lone[..2] {
            assert!(p.svg().contains("72 ms"), "{}", p.name());
        }
    }

    #[test]
    fn the_key_tells_ghost_notes_and_grace_notes_that_occur() {
        let plain = drawn(|q| f64::from(q % 9), |_| Kind::Hit);
        assert!(!plain[0].svg().contains("ghost"));
        let ghosts = drawn(|q| f64::from(q % 9), |q| if q % 4 == 1 { Kind::Ghost } else { Kind::Hit });
        let svg = ghosts[0].svg();
        assert!(svg.contains("snare, ghost notes") && !svg.contains("kick, ghost"), "{svg}");
    }
}
