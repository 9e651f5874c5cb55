//! The report on found hits.

use super::chart::clock;
use super::drums::{capital, limits, near, offsets, overview, velocity};
use super::page::{Report, Section, Table};
use super::summary::{DrumSummary, is_doubtful};
use crate::hits::{FLOOR, Found, Hit, HitList, MIN_GAP_MS, THRESHOLD, own_mics};
use crate::song::{Curve, Drum, MicSettings, Song};
use crate::units::Seconds;

/// Doubtful hits that are listed one by one.
const LISTED: usize = 60;

/// Everything about a search: counts, doubtful hits, pictures of every drum, settings.
#[must_use]
pub fn hits_report(song: &Song, found: &Found) -> Report {
    let drums: Vec<Drum> = Drum::FOUND.into_iter().filter(|d| song.mics_of(*d).next().is_some()).collect();
    let mut sections = vec![summary(song, found)];
    sections.extend(doubtful(found));
    for &drum in &drums {
        sections.push(pictures(song, found, drum));
    }
    sections.push(settings(song));
    let title = if song.title.is_empty() { "Untitled song".to_owned() } else { song.title.clone() };
    Report { title, subject: "hits".into(), facts: facts(song), findings: found.findings.clone(), sections }
}

fn facts(song: &Song) -> Vec<String> {
    let seconds = song.frames() as f64 / song.rate().hz_f64();
    let mut facts = Vec::new();
    if !song.drummer.is_empty() {
        facts.push(song.drummer.clone());
    }
    let mics = song.mics.len();
    facts.push(format!("{mics} {}", if mics == 1 { "mic" } else { "mics" }));
    facts.push(song.rate().to_string());
    facts.push(format!("{} min", clock(seconds, 1.0)));
    match &song.tempo {
        None => facts.push("no tempo known".into()),
        Some(tempo) => {
            let bpm = |t: &crate::tempo::TempoChange| (60e6 / f64::from(t.us_per_quarter) * 10.0).round() / 10.0;
            let of: Vec<f64> = tempo.tempos().iter().map(bpm).collect();
            let (low, high) = of.iter().fold((f64::INFINITY, 0f64), |(a, b), x| (a.min(*x), b.max(*x)));
            facts.push(if low == high { format!("{low} BPM") } else { format!("{low}\u{2013}{high} BPM") });
        }
    }
    facts
}

fn summary(song: &Song, found: &Found) -> Section {
    let mut table = Table::new(&[
        ("drum", false),
        ("strokes", true),
        ("hits", true),
        ("ghost notes", true),
        ("grace notes", true),
        ("in rolls", true),
        ("doubtful", true),
        ("added / dropped", true),
        ("velocity: softest, median, loudest", true),
        ("median offset, ms", true),
        ("spread, ms", true),
    ]);
    for s in DrumSummary::all(song, &found.list) {
        let dash = || "\u{2013}".to_owned();
        let ms = |x: f64| format!("{x:+.1}").replace('-', "\u{2212}");
        table.row([
            s.drum.to_string(),
            s.strokes.to_string(),
            s.kinds[0].to_string(),
            s.kinds[1].to_string(),
            s.kinds[2].to_string(),
            s.kinds[3].to_string(),
            s.doubtful.to_string(),
            if s.by_hand == (0, 0) { dash() } else { format!("{} / {}", s.by_hand.0, s.by_hand.1) },
            s.velocity.map_or_else(dash, |(a, b, c)| format!("{a}, {b}, {c}")),
            s.offset_ms.map_or_else(dash, |(m, _)| ms(m)),
            s.offset_ms.map_or_else(dash, |(_, s)| format!("{s:.1}")),
        ]);
    }
    table.note = "Offsets are as underlay timing tells them, late positive: a flam or roll counts once, with its main stroke, and \
        strokes between the grid's lines do not count. The spread is 1.4826 times the median distance from their median."
        .into();
    Section { title: "Strokes".into(), tables: vec![table], ..Section::default() }
}

fn place(list: &HitList, hit: &Hit) -> (String, String) {
    let bar = hit.place.map_or_else(|| "\u{2013}".into(), |p| format!("{}.{}.{}", p.at.bar, p.at.beat, p.at.tick));
    (Seconds(hit.pos.at(list.rate).0).to_string(), bar)
}

/// Hits that a person should listen to, the least sure first.
fn doubtful(found: &Found) -> Option<Section> {
    let mut hits: Vec<&Hit> =
        Drum::FOUND.into_iter().flat_map(|d| found.list.of(d)).filter(|h| is_doubtful(h)).collect();
    if hits.is_empty() {
        return None;
    }
    hits.sort_by(|a, b| a.certainty.total_cmp(&b.certainty).then(a.pos.cmp(&b.pos)).then(a.drum.cmp(&b.drum)));
    let mut table = Table::new(&[
        ("drum", false),
        ("time", true),
        ("bar.beat.tick", true),
        ("kind", false),
        ("velocity", true),
        ("peak, dBFS", true),
        ("certainty", true),
    ]);
    for h in hits.iter().take(LISTED) {
        let (time, bar) = place(&found.list, h);
        table.row([
            h.drum.to_string(),
            time,
            bar,
            h.kind.to_string(),
            h.velocity.to_string(),
            format!("{:.1}", h.peak.0).replace('-', "\u{2212}"),
            format!("{:.2}", h.certainty),
        ]);
    }
    if hits.len() > LISTED {
        table.note = format!("And {} more: sort hits.csv by its column certainty.", hits.len() - LISTED);
    }
    let intro = vec![
        "These may be bleed from another drum. Listen to them; a wrong one gets the word dropped in the column state \
         of hits.csv, a missed stroke a new row with drum and time."
            .into(),
    ];
    Some(Section { title: "Doubtful hits".into(), intro, tables: vec![table], ..Section::default() })
}

fn pictures(song: &Song, found: &Found, drum: Drum) -> Section {
    let mut pictures = Vec::new();
    if let Some(evidence) = found.evidence.iter().find(|e| e.drum == drum && !e.low.is_empty()) {
        pictures.push(overview(song, found, evidence));
        pictures.extend(near(song, found, evidence));
    }
    let mut intro = Vec::new();
    if !pictures.is_empty() {
        intro.push(
            "The lowest row shows novelty: how far this drum's mics rise above what the rest of the kit and the drum's own \
             ring explain. A stroke rises above the line, but not all that does is one: what sounds like bleed of another drum gets no \
             mark, however high it rises."
                .into(),
        );
    }
    if found.list.of(drum).next().is_some() {
        pictures.push(velocity(song, found, drum));
        pictures.extend(offsets(song, found, drum));
        pictures.extend(limits(found, drum));
        if song.tempo.is_some() {
            intro.push("Offsets leave out grace notes and rolls: they are not meant to lie on the grid.".into());
        }
    } else {
        intro.push("No strokes were found.".into());
    }
    let title = capital(drum.word());
    Section { title, intro, pictures, ..Section::default() }
}

fn settings(song: &Song) -> Section {
    let mut general = Table::new(&[("setting", false), ("value", false)]);
    let curve = match song.finder.curve {
        Curve::Take => "decibel-linear between the take's own soft and loud strokes",
        Curve::Square => "square law over 60 dB",
        Curve::FortyLog => "40\u{b7}log10 of the velocity",
    };
    general.row(["velocity", curve]);
    let grid = match (song.grid.lines_per_whole, song.grid.swing) {
        (n, s) if s != 0.5 => format!("1/{n}, swing {:.0} %", s * 100.0),
        (n, _) => format!("1/{n}"),
    };
    general.row(["grid", grid.as_str()]);
    general.row(["MIDI keys, kick and snare", format!("{} and {}", song.keys.0, song.keys.1).as_str()]);
    general.row(["triggers moved", format!("{} ms", song.trigger_shift_ms).as_str()]);
    let mut mics = Table::new(&[
        ("mic", false),
        ("file", false),
        ("threshold, dB", true),
        ("floor, dBFS", true),
        ("least gap, ms", true),
    ]);
    for mic in song.mics.iter().filter(|m| Drum::FOUND.contains(&m.drum)) {
        let file = mic.info.path.file_name().map(|f| f.to_string_lossy().into_owned()).unwrap_or_default();
        let main = own_mics(&song.mics, mic.drum).first().and_then(|&i| song.mics.get(i)).unwrap_or(mic);
        let [threshold, floor, gap] = if main.name == mic.name {
            let (own, all): (MicSettings, MicSettings) = (mic.settings, song.finder.all);
            let set = [
                (own.threshold.or(all.threshold), THRESHOLD),
                (own.floor.or(all.floor).map(|d| d.0), FLOOR.0),
                (own.min_gap_ms.or(all.min_gap_ms), MIN_GAP_MS),
            ];
            set.map(|(set, default)| set.unwrap_or(default).to_string().replace('-', "\u{2212}"))
        } else {
            // A drum has one set of settings, its main mic's.
            std::array::from_fn(|_| format!("as {}", main.name))
        };
        mics.row([mic.name.clone(), file, threshold, floor, gap]);
    }
    Section { title: "Settings".into(), tables: vec![mics, general], ..Section::default() }
}
