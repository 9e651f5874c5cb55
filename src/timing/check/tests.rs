use super::*;
use crate::hits::{Hit, Kind};
use crate::tempo::Meter;
use crate::timing::made::{hit, list, noise, normal};
use crate::timing::{Lean, summary};
use crate::units::Bpm;

fn map() -> TempoMap {
    TempoMap::constant(Bpm::new(120.0).unwrap(), Meter::FOUR_FOUR, Seconds(2.0))
}

/// Kick on 1 and 3, snare on 2 and 4, `bars` bars at 120 BPM from 2 s, each stroke shifted by `shift(quarter, drum)`.
fn take(bars: u32, mut shift: impl FnMut(u32, Drum) -> f64) -> HitList {
    let mut hits = Vec::new();
    for q in 0..bars * 4 {
        let drum = if q % 2 == 0 { Drum::Kick } else { Drum::Snare };
        hits.push(hit(drum, 2000.0 + 500.0 * f64::from(q) + shift(q, drum), 100));
    }
    list(hits)
}

fn checked(l: &HitList) -> Timing {
    check(l, &map(), &[], &CheckSettings::on(Grid::SIXTEENTH), None)
}

fn feel(t: &Timing, drum: Drum) -> &Feel {
    t.drums.iter().find(|d| d.drum == drum).unwrap().feel.as_ref().unwrap()
}

#[test]
fn a_known_offset_and_jitter_are_found_again() {
    // 8 ms late with a standard deviation of 6 ms, 800 strokes: two standard errors of the median are 0.53 ms,
    // of the spread about 0.5 ms.
    let mut n = normal(7);
    let t = checked(&take(200, |_, d| if d == Drum::Snare { 8.0 } else { -3.0 } + 6.0 * n()));
    assert!((feel(&t, Drum::Snare).median_ms - 8.0).abs() < 0.8);
    assert!((feel(&t, Drum::Kick).median_ms + 3.0).abs() < 0.8);
    assert!((feel(&t, Drum::Snare).spread_ms.unwrap() - 6.0).abs() < 0.8);
    let ks = t.kick_snare.unwrap();
    assert!((ks.snare_behind_ms - 11.0).abs() < 1.1);
    assert_eq!(t.relation, Relation::Follows);
    assert!(t.findings.iter().all(|f| f.weight == crate::finding::Weight::Note), "{:?}", t.findings);
}

#[test]
fn ten_ms_early_is_human_playing_and_no_wrong_tempo() {
    // Fujii et al. 2011: professionals play kick and snare about 10 ms early at 120 BPM.
    let mut n = normal(3);
    let t = checked(&take(32, |_, _| -10.0 + 5.0 * n()));
    assert_eq!(t.relation, Relation::Follows);
    assert!((feel(&t, Drum::Kick).median_ms + 10.0).abs() < 2.5);
    assert_eq!(feel(&t, Drum::Snare).lean, Lean::Early);
}

#[test]
fn sixty_ms_late_is_still_late_and_not_early_for_the_next_line() {
    // Sixteenths are 125 ms apart: a feel at 60 ms, half its strokes nearer to the following line.
    let mut n = normal(11);
    let t = checked(&take(32, |_, _| 60.0 + 5.0 * n()));
    let f = feel(&t, Drum::Snare);
    assert!((f.median_ms.abs() - 60.0).abs() < 4.0, "{}", f.median_ms);
    assert!(f.spread_ms.unwrap() < 9.0);
}

#[test]
fn a_slow_drift_is_found_and_named_over_the_song() {
    // 0.1 ms a quarter over 399 quarters.
    let mut n = normal(5);
    let t = checked(&take(100, |q, _| -20.0 + 0.1 * f64::from(q) + 4.0 * n()));
    let d = t.drift.unwrap();
    assert!((d.ms_per_quarter - 0.1).abs() < 0.005);
    assert!((d.over_song_ms - 39.9).abs() < 2.0);
    let halves = t.drums[0].halves.as_ref().unwrap();
    assert!((halves.second.median_ms - halves.first.median_ms - 20.0).abs() < 2.5);
    assert!(halves.sentence().contains("ms later"), "{}", halves.sentence());
}

#[test]
fn a_take_half_a_bpm_faster_runs_away_and_its_tempo_is_named() {
    // Played at 120.5 on a map of 120: 2.0747 ms earlier every quarter, 663 ms over 80 bars.
    let mut n = normal(9);
    let t = checked(&take(80, |q, _| f64::from(q) * (60_000.0 / 120.5 - 500.0) + 5.0 * n()));
    let Relation::RunsAway { bpm_factor } = t.relation else { panic!("{:?}", t.relation) };
    assert!((bpm_factor * 120.0 - 120.5).abs() < 0.01, "{}", bpm_factor * 120.0);
    assert!(t.drums.iter().all(|d| d.feel.is_none()));
    assert!(t.findings.iter().any(|f| f.what.contains("120.50 BPM")), "{:?}", t.findings);
}

#[test]
fn strokes_anywhere_have_no_relation_and_no_mean() {
    let mut u = noise(21);
    let t = checked(&list((0..200).map(|_| hit(Drum::Snare, 2000.0 + 60_000.0 * u(), 90)).collect()));
    assert_eq!(t.relation, Relation::None);
    assert!(t.drums.iter().all(|d| d.feel.is_none() && d.sections.is_empty()));
    assert!(t.worst.is_empty());
    assert!(t.findings.iter().any(|f| f.what.contains("no relation to this grid")));
}

#[test]
fn the_worst_bar_is_named_as_a_drummer_would_name_it() {
    // The 170th quarter is beat 2 of bar 43.
    let mut n = normal(13);
    let t = checked(&take(60, |q, _| if q == 169 { 31.0 } else { 2.0 * n() }));
    assert_eq!(t.worst[0].sentence(), "bar 43, beat 2: snare 31 ms late");
    let bar = t.bars.iter().max_by(|a, b| a.rms_ms.total_cmp(&b.rms_ms)).unwrap();
    assert_eq!(bar.bar, 43);
}

#[test]
fn a_stroke_on_the_line_in_an_early_take_is_said_to_be_later_than_usual() {
    let mut n = normal(13);
    let t = checked(&take(60, |q, _| if q == 169 { 0.0 } else { -34.0 + 2.0 * n() }));
    assert_eq!(t.worst[0].sentence(), "bar 43, beat 2: snare on the line, 34 ms later than usual");
}

#[test]
fn triplet_swing_has_a_ratio_of_two_and_straight_eighths_of_one() {
    let eighths = |share: f64| {
        let mut n = normal(17);
        let mut hits = Vec::new();
        for q in 0..64 {
            let q = f64::from(q);
            hits.push(hit(Drum::Kick, 2000.0 + 500.0 * q + 4.0 * n() - 8.0, 100));
            hits.push(hit(Drum::Snare, 2000.0 + 500.0 * (q + share) + 4.0 * n() - 8.0, 100));
        }
        checked(&list(hits)).swing.into_iter().find(|s| s.level == Level::Eighths).unwrap()
    };
    use crate::timing::swing::Level;
    let swung = eighths(2.0 / 3.0);
    assert!((swung.ratio - 2.0).abs() < 0.1, "{}", swung.ratio);
    assert_eq!(swung.words(), "swung in triplets");
    let straight = eighths(0.5);
    assert!((straight.ratio - 1.0).abs() < 0.03);
    assert_eq!(straight.words(), "straight");
}

#[test]
fn figures_come_by_section_and_by_place_in_the_bar() {
    let form = [
        Section { name: "verse".into(), first_bar: 1, end_bar: 9 },
        Section { name: "chorus".into(), first_bar: 9, end_bar: 17 },
    ];
    let l = take(16, |q, d| match (d, q / 32) {
        (Drum::Snare, 0) => 4.0,
        (Drum::Snare, _) => 12.0,
        _ => {
            if q % 4 == 0 {
                -2.0
            } else {
                2.0
            }
        }
    });
    let t = check(&l, &map(), &form, &CheckSettings::on(Grid::SIXTEENTH), None);
    let snare = t.drums.iter().find(|d| d.drum == Drum::Snare).unwrap();
    let of = |name: &str| snare.sections.iter().find(|g| g.name == name).unwrap().feel.median_ms;
    assert!((of("verse") - 4.0).abs() < 0.02 && (of("chorus") - 12.0).abs() < 0.02);
    let kick = t.drums.iter().find(|d| d.drum == Drum::Kick).unwrap();
    let at = |name: &str| kick.positions.iter().find(|g| g.name.to_string() == name).unwrap().feel.median_ms;
    assert!((at("1") + 2.0).abs() < 0.02 && (at("3") - 2.0).abs() < 0.02);
}

#[test]
fn grace_notes_count_with_their_stroke() {
    let mut hits = take(8, |_, _| 0.0).hits;
    hits.push(Hit { kind: Kind::Flam, ..hit(Drum::Snare, 2470.0, 40) });
    let t = checked(&list(hits));
    assert_eq!((t.strokes, t.ornaments), (32, 1));
    assert!(feel(&t, Drum::Snare).median_ms.abs() < 0.02);
}

#[test]
fn no_hit_one_hit_and_only_early_hits_are_said_plainly() {
    let says = |l: &HitList, words: &str| {
        let t = checked(l);
        assert!(t.findings.iter().any(|f| f.what.contains(words) && !f.remedy.is_empty()), "{:?}", t.findings);
    };
    says(&list(vec![]), "no hits");
    says(&list(vec![hit(Drum::Kick, 2504.0, 100)]), "only one hit");
    says(&list(vec![hit(Drum::Kick, 100.0, 100), hit(Drum::Kick, 600.0, 100)]), "before bar 1");
}

#[test]
fn a_grid_that_is_too_fine_is_said() {
    let fine = Grid { lines_per_whole: 32, swing: 0.5 };
    let t = check(&take(16, |_, _| 0.0), &map(), &[], &CheckSettings::on(fine), None);
    assert!(t.findings.iter().any(|f| f.what.contains("finer than the hits' spacing")), "{:?}", t.findings);
    let mut n = normal(23);
    let t = check(&take(64, |_, _| 14.0 * n()), &map(), &[], &CheckSettings::on(fine), None);
    assert!(t.findings.iter().any(|f| f.what.contains("wrong line")), "{:?}", t.findings);
    let t = check(&take(64, |_, _| 17.0 * n()), &map(), &[], &CheckSettings::on(fine), None);
    assert!(t.findings.iter().any(|f| f.remedy.contains("--grid 1/16")), "{:?}", t.findings);
}

#[test]
fn hits_behind_the_form_and_behind_the_audio_are_said() {
    let form = [Section { name: "verse".into(), first_bar: 2, end_bar: 3 }];
    let t = check(&take(4, |_, _| 0.0), &map(), &form, &CheckSettings::on(Grid::SIXTEENTH), Some(Seconds(5.0)));
    let said = |what: &str| t.findings.iter().any(|f| f.what.contains("in no section") && f.what.ends_with(what));
    assert!(said("before the first section, \"verse\" in bar 2."), "{:?}", t.findings);
    assert!(said("behind the form, which ends with \"verse\" before bar 3."), "{:?}", t.findings);
    assert!(!said("between sections of the form."));
    assert!(t.findings.iter().any(|f| f.what.contains("after the end of the audio")));
}

#[test]
fn a_map_that_is_shorter_than_the_song_is_said() {
    // The map knows 120 and then 118 BPM from bar 9 on; the drummer went on to 108 at bar 17.
    let bpm = |b| Bpm::new(b).unwrap();
    let map =
        TempoMap::by_bars(Seconds(0.0), &[(1, Meter::FOUR_FOUR)], &[(1, bpm(120.0)), (9, bpm(118.0))], &[]).unwrap();
    let whole = TempoMap::by_bars(
        Seconds(0.0),
        &[(1, Meter::FOUR_FOUR)],
        &[(1, bpm(120.0)), (9, bpm(118.0)), (10, bpm(108.0)), (16, bpm(101.0)), (24, bpm(93.0))],
        &[],
    )
    .unwrap();
    let hits = (0..128).map(|q| hit(Drum::Snare, whole.time_at(f64::from(q) * 960.0).ms(), 100)).collect();
    let t = check(&list(hits), &map, &[], &CheckSettings::on(Grid::SIXTEENTH), None);
    assert!(
        t.findings.iter().any(|f| f.what.contains("shorter than the song") && f.what.contains("bar 9")),
        "{:?}",
        t.findings
    );
}

#[test]
fn a_marker_behind_the_audio_is_said() {
    let map = TempoMap::by_bars(
        Seconds(2.0),
        &[(1, Meter::FOUR_FOUR)],
        &[(1, Bpm::new(120.0).unwrap())],
        &[(40, "outro".into())],
    )
    .unwrap();
    let t = check(&take(8, |_, _| 0.0), &map, &[], &CheckSettings::on(Grid::SIXTEENTH), Some(Seconds(30.0)));
    assert!(
        t.findings.iter().any(|f| f.what.contains("\"outro\"") && f.what.contains("after the end")),
        "{:?}",
        t.findings
    );
}

#[test]
fn a_fast_kick_double_does_not_stand_out_and_changes_no_figure() {
    // Thirty-seconds at 120 BPM are 62.5 ms apart, half a step of the sixteenths: "63 ms late" if they were judged.
    let mut n = normal(19);
    let plain = take(32, |_, _| 4.0 * n());
    let mut doubled = plain.clone();
    let kicks: Vec<Hit> = plain.of(Drum::Kick).step_by(2).cloned().collect();
    for k in &kicks {
        let ms = k.pos.at(plain.rate).ms();
        doubled.hits.push(hit(Drum::Kick, ms + 62.5, 90));
    }
    let doubled = list(doubled.hits);
    let (a, b) = (checked(&plain), checked(&doubled));
    assert_eq!(b.between_lines, kicks.len());
    assert_eq!(a.worst.len(), b.worst.len());
    for (x, y) in a.worst.iter().zip(&b.worst) {
        assert_eq!((x.bar, x.count, x.drum, x.offset_ms), (y.bar, y.count, y.drum, y.offset_ms));
    }
    assert!(b.worst.iter().all(|w| w.offset_ms.abs() < 20.0), "{:?}", b.worst);
    assert_eq!(feel(&a, Drum::Kick), feel(&b, Drum::Kick));
    assert_eq!(a.bars, b.bars);
    assert!(super::super::summary(&b).iter().any(|l| l.contains("between the lines")));
}

#[test]
fn a_single_stroke_that_is_really_late_still_stands_out() {
    let t = checked(&take(32, |q, _| if q == 41 { 45.0 } else { 1.0 }));
    assert_eq!((t.worst[0].bar, t.worst[0].offset_ms.round()), (11, 45.0));
    assert_eq!(t.between_lines, 0);
}

#[test]
fn a_stroke_half_way_between_two_lines_is_named_but_not_called_late() {
    // 61 ms behind its line, 64 before the next.
    let t = checked(&take(32, |q, _| if q == 41 { 61.0 } else { 1.0 }));
    assert!(t.worst.is_empty(), "{:?}", t.worst);
    assert_eq!((t.halfway.len(), t.halfway[0].bar), (1, 11));
    let words = super::super::halfway_words(&t).unwrap();
    assert_eq!(words, "One stroke lies half-way between two lines, so early or late cannot be told: snare in bar 11");
}

#[test]
fn an_offset_that_all_drums_have_alike_is_told_first_with_the_bar_one_that_mends_it() {
    let mut n = normal(5);
    let t = checked(&take(64, |_, d| if d == Drum::Kick { -28.0 } else { -26.0 } + 6.0 * n()));
    assert!((t.common_ms.unwrap() + 27.0).abs() < 3.0, "{:?}", t.common_ms);
    let first = t.findings.first().unwrap();
    assert!(first.what.contains("All drums lie about 2") && first.what.contains("before the grid alike"), "{first:?}");
    // Bar 1 lies at 2 s; the grid belongs 27 ms before it.
    assert!(first.remedy.contains("bar_one = 1.97"), "{first:?}");
    assert!(super::super::summary::summary(&t)[0].starts_with("All drums lie 2"));
}

#[test]
fn latency_is_told_under_a_snare_that_sits_behind_its_kick() {
    // Kick 1 ms ahead of the line, snare 5 ms behind it, as in ordinary playing; then all of it late alike.
    for (latency, told) in
        [(-45.0, true), (-25.0, true), (0.0, false), (10.0, false), (22.0, true), (40.0, true), (55.0, true)]
    {
        for seed in 1..20 {
            let mut n = normal(seed);
            let t = checked(&take(32, |_, d| latency + if d == Drum::Kick { -1.0 } else { 5.0 } + 5.0 * n()));
            assert_eq!(t.common_ms.is_some(), told, "{latency} ms, seed {seed}: {:?}", t.common_ms);
            if told {
                assert!((t.common_ms.unwrap() - latency - 2.0).abs() < 3.0, "{latency}: {:?}", t.common_ms);
                let first = t.findings.first().unwrap();
                assert!(first.what.contains("the grid alike") && first.remedy.contains("bar_one = "), "{first:?}");
            }
        }
    }
}

#[test]
fn a_player_who_lies_behind_is_told_no_latency() {
    for behind in [5.0, 10.0, 13.0] {
        for seed in 1..30 {
            let mut n = normal(seed);
            let t = checked(&take(32, |_, d| behind + if d == Drum::Kick { 0.0 } else { 4.0 } + 8.0 * n()));
            assert_eq!(t.common_ms, None, "{behind} ms, seed {seed}");
        }
    }
}

#[test]
fn feel_is_not_taken_for_latency() {
    let common = |kick: f64, snare: f64| {
        let mut n = normal(9);
        checked(&take(32, |_, d| if d == Drum::Kick { kick } else { snare } + 5.0 * n())).common_ms
    };
    assert_eq!(common(-10.0, -10.0), None, "as professionals play");
    assert_eq!(common(-1.0, 22.0), None, "a snare that lies back");
    assert_eq!(common(-28.0, -16.0), None, "two drums at two places");
    assert!(common(20.0, 20.0).is_some());
    let kick_alone = list((0..40).map(|q| hit(Drum::Kick, 2030.0 + 500.0 * f64::from(q), 100)).collect());
    assert_eq!(checked(&kick_alone).common_ms, None, "one drum tells nothing of the others");
}

#[test]
fn the_grid_has_a_step_even_where_no_stroke_lies_on_it() {
    let early = list((0..8).map(|q| hit(Drum::Kick, 100.0 + 200.0 * f64::from(q), 100)).collect());
    let t = checked(&early);
    assert_eq!((t.strokes, t.before_bar_one), (0, 8));
    assert!((t.step_ms - 125.0).abs() < 1e-9);
}

#[test]
fn a_take_that_wanders_is_not_taken_for_latency_and_its_bars_are_named() {
    // 26 ms early on the whole, but bars 13 and 14 run 40 ms ahead of that, and bars 3 and 20 fall back to the line.
    let mut n = normal(31);
    let by_bar = |bar: u32| match bar {
        13 | 14 => -66.0,
        3 | 20 => 4.0,
        _ => -26.0,
    };
    let t = checked(&take(24, |q, _| by_bar(q / 4 + 1) + 4.0 * n()));
    assert_eq!(t.common_ms, None);
    let wander = t.wander.as_ref().unwrap();
    assert_eq!((wander.ahead.as_slice(), wander.behind.as_slice()), (&[13, 14][..], &[3, 20][..]));
    assert!(
        (wander.earliest.median_ms + 66.0).abs() < 6.0 && (wander.latest.median_ms - 4.0).abs() < 6.0,
        "{wander:?}"
    );
    let first = t.findings.first().unwrap();
    assert!(first.what.contains("the take wanders between 6") && first.what.contains("bars 13, 14"), "{first:?}");
    assert!(!first.remedy.contains("bar_one ="), "{first:?}");
    assert!(t.findings.iter().all(|f| !f.what.contains("latency")), "{:?}", t.findings);
    assert!(super::super::summary(&t)[0].starts_with("The take wanders between"));
}

#[test]
fn latency_under_loose_playing_is_still_latency() {
    for seed in 1..40 {
        for spread in [3.0, 10.0, 20.0] {
            let mut n = normal(seed);
            let t = checked(&take(40, |_, _| -28.0 + spread * n()));
            assert!(t.wander.is_none(), "seed {seed}, spread {spread}: {:?}", t.wander);
            // With loose playing the offset itself is not always certain.
            assert!(t.common_ms.is_some() || spread > 5.0, "seed {seed}, spread {spread}");
        }
    }
}

#[test]
fn one_bar_that_goes_astray_is_no_wandering() {
    let mut n = normal(8);
    let t = checked(&take(24, |q, _| if q / 4 == 9 { 30.0 } else { -28.0 } + 4.0 * n()));
    assert!(t.wander.is_none() && t.common_ms.is_some(), "{:?}", t.wander);
}

#[test]
fn the_worst_bars_are_those_furthest_away_though_another_has_the_worst_stroke() {
    // All of bar 7 lies 30 ms late, of bar 12 a single stroke 45 ms.
    let t = checked(&take(32, |q, _| match q {
        24..28 => 30.0,
        45 => 45.0,
        _ => 0.0,
    }));
    let worst: Vec<(i64, f64)> = t.worst_bars.iter().map(|b| (b.bar, b.rms_ms.round())).collect();
    assert_eq!(worst, [(7, 30.0), (12, 23.0)]);
    assert_eq!((t.worst[0].bar, t.worst[1].bar), (12, 7));
    let words = super::super::worst_bars_words(&t).unwrap();
    assert_eq!(words, "The bars furthest from where the drums usually sit: 7 (30 ms), 12 (23 ms)");
}

/// Sixteenths at 120 BPM from 2 s on, but for every fifth, 9 ms loose.
fn sixteenths() -> HitList {
    let mut n = normal(29);
    let drum = |k: u32| if k.is_multiple_of(3) { Drum::Snare } else { Drum::Kick };
    let some = (0..400u32).filter(|k| k % 5 != 4);
    list(some.map(|k| hit(drum(k), 2000.0 + 125.0 * f64::from(k) + 9.0 * n(), 100)).collect())
}

fn findings_at(bpm: f64, grid: Grid, list: &HitList) -> String {
    let map = TempoMap::constant(Bpm::new(bpm).unwrap(), Meter::FOUR_FOUR, Seconds(2.0));
    let t = check(list, &map, &[], &CheckSettings::on(grid), None);
    t.findings.iter().map(|f| format!("{} {}\n", f.what, f.remedy)).collect()
}

#[test]
fn a_tempo_typed_half_or_double_or_by_half_too_high_is_told_with_the_one_that_fits() {
    let l = sixteenths();
    for (bpm, words) in [
        (60.0, "fit twice the tempo clearly better, so the tempo is probably 120, not 60 BPM"),
        (
            240.0,
            "fit half the tempo clearly better: it may be 120 rather than 240 BPM. If the tempo is right, choose --grid 1/8",
        ),
        (180.0, "fit two thirds of the tempo clearly better, so the tempo is probably 120, not 180 BPM"),
    ] {
        let told = findings_at(bpm, Grid::SIXTEENTH, &l);
        assert!(told.contains(words), "{bpm}: {told}");
    }
    for bpm in [120.0, 123.0] {
        let told = findings_at(bpm, Grid::SIXTEENTH, &l);
        assert!(!told.contains("probably"), "{bpm}: {told}");
    }
    // Where the grid is coarse, it is the grid.
    let told = findings_at(120.0, Grid { lines_per_whole: 8, swing: 0.5 }, &l);
    assert!(told.contains("Choose --grid 1/16") && !told.contains("probably"), "{told}");
}

/// A beat that is the same in every bar gathers a little on many grids that nobody played to.
#[test]
fn a_wrong_tempo_is_never_answered_with_another_wrong_one() {
    const TRUE: f64 = 104.0;
    let sixteenth = 15_000.0 / TRUE;
    let beat = [(0, Drum::Kick), (4, Drum::Snare), (6, Drum::Kick), (8, Drum::Kick), (12, Drum::Snare)];
    let mut n = normal(41);
    let hits = (0..28).flat_map(|bar| beat.map(|(k, drum)| (bar * 16 + k, drum)));
    let l = list(hits.map(|(k, drum)| hit(drum, 2000.0 + sixteenth * f64::from(k) + 10.0 * n(), 100)).collect());
    for share in [0.64, 0.7, 0.8, 0.85, 0.9, 1.1, 1.15, 1.25, 1.4] {
        let told = findings_at(share * TRUE, Grid::SIXTEENTH, &l);
        assert!(!told.contains("Choose --grid") && !told.contains("the take fits"), "{share}: {told}");
        assert!(!told.contains("probably") && told.contains("let the tempo be found"), "{share}: {told}");
    }
    // A tempo that is only a little off is told, and the right one with it.
    let told = findings_at(1.02 * TRUE, Grid::SIXTEENTH, &l);
    assert!(told.contains("the take fits 104.0"), "{told}");
}

#[test]
fn triplets_on_a_straight_grid_want_a_grid_of_triplets_and_no_other_tempo() {
    let mut n = normal(37);
    let hits = (0..300).map(|k| hit(Drum::Snare, 2000.0 + 500.0 / 3.0 * f64::from(k) + 8.0 * n(), 100)).collect();
    let told = findings_at(120.0, Grid::SIXTEENTH, &list(hits));
    assert!(told.contains("they follow triplets. Choose --grid 1/8t") && !told.contains("probably"), "{told}");
}

/// Kick on 1 and 3, snare on 2 and 4 over `bars` bars of a map, late by `late` ms.
fn beats_of(map: &TempoMap, bars: u32, late: f64) -> HitList {
    let mut n = normal(41);
    let drum = |q: u32| if q.is_multiple_of(2) { Drum::Kick } else { Drum::Snare };
    let at = |q: u32| map.time_at(f64::from(q) * 960.0).ms() + late;
    list((0..bars * 4).map(|q| hit(drum(q), at(q) + 5.0 * n(), 100)).collect())
}

#[test]
fn of_audio_that_begins_before_the_song_only_bar_one_is_blamed() {
    let bpm = |b| Bpm::new(b).unwrap();
    let tempos = [(1, bpm(104.0)), (9, bpm(108.0)), (17, bpm(96.0)), (21, bpm(104.0))];
    let map = TempoMap::by_bars(Seconds(0.0), &[(1, Meter::FOUR_FOUR)], &tempos, &[]).unwrap();
    for late in [900.0, 1700.0, 2308.0] {
        let t = check(&beats_of(&map, 28, late), &map, &[], &CheckSettings::on(Grid::SIXTEENTH), None);
        let said = format!("The take fits this map if bar 1 lies at {}", Seconds::from_ms(late));
        let [only] = t.findings.as_slice() else { panic!("{late} ms: {:?}", t.findings) };
        // The last figure of the time may be another.
        assert!(only.what.starts_with(&said[..said.len() - 1]), "{late} ms: {only:?}");
        assert!(only.remedy.contains("bar_one = ") && only.remedy.contains("before you judge or pull"), "{only:?}");
    }
}

#[test]
fn a_tempo_change_that_the_map_does_not_have_is_no_matter_of_a_coarser_grid() {
    let bpm = |b| Bpm::new(b).unwrap();
    let played =
        TempoMap::by_bars(Seconds(2.0), &[(1, Meter::FOUR_FOUR)], &[(1, bpm(120.0)), (17, bpm(112.0))], &[]).unwrap();
    let t = checked(&beats_of(&played, 32, 0.0));
    assert!(matches!(t.leaves_in_bar, Some(17 | 18)), "{:?}", t.leaves_in_bar);
    let [only] = t.findings.as_slice() else { panic!("{:?}", t.findings) };
    assert!(only.what.starts_with("The take fits this grid up to bar 1"), "{only:?}");
    assert!(only.remedy.contains("--find-tempo"), "{only:?}");
}

#[test]
fn a_drum_that_gathers_loosely_on_a_grid_has_no_early_or_late_there() {
    // Strokes that spread by 18 ms around 20 ms early: sixteenths lie 125 ms apart, sixteenth triplets 83 ms.
    let mut n = normal(21);
    let loose = take(100, |_, _| -20.0 + 18.0 * n());
    let triplets = Grid { lines_per_whole: 24, swing: 0.5 };
    let t = check(&loose, &map(), &[], &CheckSettings::on(triplets), None);
    let feels: Vec<&Feel> = t.drums.iter().filter_map(|d| d.feel.as_ref()).collect();
    assert!(!feels.is_empty() && feels.iter().all(|f| f.concentration < 0.5), "{feels:?}");
    assert!(feels.iter().all(|f| f.lean == Lean::Astray), "{feels:?}");
    assert!(t.kick_snare.is_none() && t.common_ms.is_none());
    let said = summary(&t).join("\n");
    let drums: Vec<&str> = said.lines().filter(|l| l.contains("200 strokes")).collect();
    assert_eq!(drums.len(), 2, "{said}");
    assert!(drums.iter().all(|l| l.contains("does not follow this grid") && !l.contains("early")), "{said}");
    // The same take on its own grid sits where it was played.
    assert_eq!(feel(&checked(&loose), Drum::Kick).lean, Lean::ClearlyEarly);
}
