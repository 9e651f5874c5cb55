//! Pictures and the report: well formed, self-contained, true to the list.

use std::path::PathBuf;
use std::sync::OnceLock;
use underlay::demo::{DemoSong, DemoSpec, Style};
use underlay::hits::{Evidence, FLOOR, Found, GridPlace, Hit, HitList, Kind, MIN_GAP_MS, State, THRESHOLD};
use underlay::report::{DrumSummary, Report, hits_report};
use underlay::song::{Drum, Mic, Place, Song};
use underlay::tempo::{Meter, TempoMap};
use underlay::timing::{CheckSettings, check};
use underlay::units::{Bpm, Dbfs, Seconds, Velocity};
use underlay::{Finding, audio};

/// A song without recordings behind it and the strokes of a rendered performance as its hits.
fn made() -> (Song, Found) {
    static MADE: OnceLock<(Song, Found)> = OnceLock::new();
    MADE.get_or_init(make).clone()
}

fn make() -> (Song, Found) {
    let mut spec = DemoSpec::story();
    spec.style = Style::Ghosted;
    spec.bars = 8;
    let demo = DemoSong::new(spec);
    let map = TempoMap::constant(Bpm::new(104.0).unwrap(), Meter::FOUR_FOUR, Seconds(0.0));
    let mut song = Song { title: "Bread & <Salt> \"live\"".into(), tempo: Some(map.clone()), ..Song::default() };
    for (name, drum) in [("kick_in", Drum::Kick), ("snare_top", Drum::Snare)] {
        song.mics.push(mic(name, drum, demo.frames()));
    }
    let hits = demo
        .truth()
        .iter()
        .enumerate()
        .map(|(k, t)| Hit {
            drum: t.drum,
            pos: t.pos,
            velocity: Velocity::nearest(120.0 + 2.0 * t.peak.0),
            peak: t.peak,
            certainty: if k % 10 == 3 { 0.31 } else { 0.99 },
            kind: t.kind,
            state: if k % 17 == 5 { State::Dropped } else { State::Found },
            place: Some(GridPlace {
                at: map.bar_beat(map.tick_at(t.time)),
                offset: t.time - map.nearest_line(t.time, song.grid).time,
            }),
        })
        .collect();
    let n = (demo.frames() / 64) as usize;
    let evidence = [Drum::Kick, Drum::Snare].map(|drum| Evidence {
        drum,
        mic: "a<b".into(),
        step: Seconds(64.0 / 48_000.0),
        low: (0..n).map(|k| -((k % 97) as f32) / 120.0).collect(),
        high: (0..n).map(|k| (k % 89) as f32 / 120.0).collect(),
        novelty: (0..n).map(|k| (k % 211) as f32 / 11.0).collect(),
        threshold: vec![6.0; n],
        floor: Dbfs(-70.0),
        min_gap: Seconds(0.015),
    });
    let findings = vec![Finding::song("a & b < c", "Listen <there>.")];
    (
        song,
        Found {
            list: HitList { rate: underlay::units::SampleRate::SESSION, hits },
            evidence: evidence.into(),
            findings,
        },
    )
}

fn mic(name: &str, drum: Drum, frames: u64) -> Mic {
    Mic {
        name: name.into(),
        info: audio::AudioInfo {
            path: PathBuf::from(format!("{name} & <x>.wav")),
            rate: underlay::units::SampleRate::SESSION,
            channels: 1,
            frames,
            format: audio::SampleFormat::Int24,
            bext: None,
            cues: Vec::new(),
            repairs: Vec::new(),
        },
        channel: audio::Channel::Sum,
        drum,
        place: Default::default(),
        polarity: Default::default(),
        settings: Default::default(),
        level: None,
        pan: None,
        note: String::new(),
        guess: false,
    }
}

fn report() -> Report {
    let (song, found) = made();
    hits_report(&song, &found)
}

/// Goes through a document and sees that every element that is opened is closed in turn; returns element names.
fn well_formed(text: &str, void: &[&str]) -> Vec<String> {
    let (mut open, mut seen): (Vec<String>, Vec<String>) = (Vec::new(), Vec::new());
    let mut rest = text;
    while let Some(at) = rest.find('<') {
        let end = at + rest[at..].find('>').expect("an unclosed tag");
        let tag = &rest[at + 1..end];
        assert!(!tag.contains('<'), "a bare < in {tag}");
        assert_eq!(tag.matches('"').count() % 2, 0, "quotes of {tag}");
        if let Some(name) = tag.strip_prefix('/') {
            assert_eq!(open.pop().as_deref(), Some(name.trim()), "closing order");
        } else if !tag.starts_with('!') && !tag.starts_with('?') {
            let name: String = tag.chars().take_while(|c| c.is_ascii_alphanumeric()).collect();
            let attributes = tag[name.len()..].trim_end_matches('/');
            assert!(attributes.is_empty() || attributes.starts_with(char::is_whitespace), "{tag}");
            if !tag.ends_with('/') && !void.contains(&name.as_str()) {
                open.push(name.clone());
            }
            seen.push(name);
        }
        rest = &rest[end + 1..];
    }
    assert!(open.is_empty(), "still open: {open:?}");
    seen
}

#[test]
fn every_picture_is_well_formed_small_and_says_what_it_shows() {
    let pictures: Vec<_> = report().sections.into_iter().flat_map(|s| s.pictures).collect();
    assert_eq!(pictures.len(), 10, "five for each drum");
    for p in pictures {
        let svg = p.svg();
        let seen = well_formed(&svg, &[]);
        assert_eq!((seen[0].as_str(), seen[1].as_str()), ("svg", "title"));
        assert!(svg.len() < 300_000, "{}: {} bytes", p.name(), svg.len());
        assert!(!svg.contains("NaN") && !svg.contains("inf"), "{}", p.name());
    }
}

#[test]
fn the_page_is_well_formed_loads_nothing_and_runs_nothing() {
    let html = report().html();
    let seen = well_formed(&html, &["meta", "link", "br", "img"]);
    for banned in ["script", "link", "img", "iframe", "object", "embed", "base", "form"] {
        assert!(!seen.iter().any(|s| s == banned), "{banned}");
    }
    let outside = html.replace("http://www.w3.org/2000/svg", "");
    for banned in ["http:", "https:", "url(", "@import", "src=", "file:", "data:"] {
        assert!(!outside.contains(banned), "{banned}");
    }
}

#[test]
fn names_from_outside_are_escaped() {
    let html = report().html();
    assert!(html.contains("Bread &#38; &#60;Salt&#62;") || html.contains("Bread &amp; &lt;Salt&gt;"));
    assert!(!html.contains("<Salt>") && !html.contains("<there>") && !html.contains("& <x>"));
}

#[test]
fn the_page_counts_what_the_list_holds() {
    let (song, found) = made();
    let all = DrumSummary::all(&song, &found.list);
    for (drum, s) in [Drum::Kick, Drum::Snare].into_iter().zip(&all) {
        assert_eq!(s.drum, drum);
        assert_eq!(s.strokes, found.list.of(drum).count());
        assert_eq!(s.kinds.iter().sum::<usize>(), s.strokes);
        let dropped = found.list.hits.iter().filter(|h| h.drum == drum && h.state == State::Dropped).count();
        assert_eq!(s.by_hand, (0, dropped));
        let doubtful = found.list.of(drum).filter(|h| h.certainty < 0.5).count();
        assert_eq!(s.doubtful, doubtful);
    }
    let page = hits_report(&song, &found);
    let listed = page.sections.iter().find(|s| s.title == "Doubtful hits").unwrap();
    let total: usize = all.iter().map(|s| s.doubtful).sum();
    assert_eq!(listed.tables[0].rows.len(), total.min(60));
}

#[test]
fn hits_and_timing_tell_the_same_offset_and_spread() {
    let (song, mut found) = made();
    let map = song.tempo.clone().unwrap();
    // The whole take 60 ms late on a grid of 144 ms: late strokes pass the middle between two lines.
    found.list.hits.iter_mut().for_each(|h| h.pos.0 += 2_880);
    let t = check(&found.list, &map, &[], &CheckSettings::on(song.grid), None);
    for s in DrumSummary::all(&song, &found.list) {
        let feel = t.drums.iter().find(|d| d.drum == s.drum).and_then(|d| d.feel.as_ref()).unwrap();
        assert_eq!(s.offset_ms, Some((feel.median_ms, feel.spread_ms.unwrap())), "{}", s.drum);
        assert!(feel.median_ms > 50.0);
    }
}

#[test]
fn the_page_shows_the_settings_that_were_used() {
    let (mut song, found) = made();
    let rows = |song: &Song| {
        let page = hits_report(song, &found);
        page.sections.iter().find(|s| s.title == "Settings").unwrap().tables[0].rows.clone()
    };
    let (threshold, gap) = (THRESHOLD.to_string(), MIN_GAP_MS.to_string());
    let floor = format!("\u{2212}{}", -FLOOR.0);
    assert_eq!(rows(&song)[0][2..], [threshold, floor.clone(), gap.clone()]);
    song.mics[1].settings.threshold = Some(3.5);
    assert_eq!(rows(&song)[1][2..], ["3.5".to_owned(), floor, gap]);
    // A drum has one set of settings: its main mic's.
    song.mics.push(Mic { place: Place::Bottom, ..mic("snare_bottom", Drum::Snare, 48_000) });
    assert_eq!(rows(&song)[2][2..], ["as snare_top", "as snare_top", "as snare_top"]);
}

#[test]
fn a_velocity_picture_has_one_mark_for_each_hit() {
    let (song, found) = made();
    // Filled discs: hits and grace notes one each, hollow ones two; the key adds its own.
    let svg = underlay::report::velocity(&song, &found, Drum::Kick).svg();
    let kinds: Vec<Kind> = found.list.of(Drum::Kick).map(|h| h.kind).collect();
    let discs = |k: &Kind| if matches!(k, Kind::Ghost | Kind::Roll) { 2 } else { 1 };
    let key: usize = underlay::report::KINDS.iter().filter(|k| kinds.contains(k)).map(discs).sum();
    assert_eq!(svg.matches("<circle").count(), kinds.iter().map(discs).sum::<usize>() + key);
}

#[test]
fn a_stroke_just_before_the_busiest_four_bars_has_its_mark() {
    let (song, mut found) = made();
    let map = song.tempo.clone().unwrap();
    let evidence = found.evidence.iter().find(|e| e.drum == Drum::Kick).cloned().unwrap();
    // Four bars of sixteenths from bar 3 on, and one stroke 5 ms before it.
    let kick = found.list.of(Drum::Kick).next().cloned().unwrap();
    let bar = map.bar_start(3) as f64;
    let at = |tick: f64, early: f64| Hit {
        pos: (map.time_at(tick) - Seconds(early)).sample(song.rate()),
        kind: Kind::Hit,
        certainty: 1.0,
        ..kick.clone()
    };
    found.list.hits = (0..64).map(|k| at(bar + 240.0 * f64::from(k), -0.001)).collect();
    let marks =
        |found: &Found| underlay::report::near(&song, found, &evidence).unwrap().svg().matches("<circle").count();
    let without = marks(&found);
    found.list.hits.insert(0, at(bar, 0.005));
    assert_eq!(marks(&found), without + 1);
}

#[test]
fn a_song_without_tempo_or_hits_still_has_a_report() {
    let (mut song, mut found) = made();
    song.tempo = None;
    found.list.hits.iter_mut().for_each(|h| h.place = None);
    let html = hits_report(&song, &found).html();
    assert!(html.contains("no tempo known"));
    found.list.hits.clear();
    let html = hits_report(&song, &found).html();
    assert!(html.contains("No strokes were found."));
    well_formed(&html, &["meta"]);
}

#[test]
fn a_take_of_hours_keeps_its_pictures_small() {
    let (mut song, mut found) = made();
    let hits = found.list.hits.clone();
    let hours = 8 * 3_600 * 48_000u64;
    song.mics.iter_mut().for_each(|m| m.info.frames = hours);
    found.list.hits = (0..600)
        .flat_map(|k| {
            hits.iter().cloned().map(move |mut h| {
                h.pos.0 += k * 2_300_000;
                h
            })
        })
        .collect();
    for e in &mut found.evidence {
        e.step = Seconds(hours as f64 / 48_000.0 / e.low.len() as f64);
    }
    for p in hits_report(&song, &found).sections.iter().flat_map(|s| &s.pictures) {
        assert!(p.svg().len() < 300_000, "{}: {}", p.name(), p.svg().len());
    }
}

#[test]
fn files_of_the_report_are_the_page_and_its_pictures() {
    let files = report().files(true).unwrap();
    assert_eq!(files[0].0, PathBuf::from("report.html"));
    assert_eq!(files.iter().filter(|f| f.0.extension().is_some_and(|e| e == "svg")).count(), 10);
    let png: Vec<_> = files.iter().filter(|f| f.0.extension().is_some_and(|e| e == "png")).collect();
    assert!(png.len() == 10 && png.iter().all(|f| f.1.starts_with(b"\x89PNG")));
}
