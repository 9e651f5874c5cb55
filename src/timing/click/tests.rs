use super::*;
use crate::tempo::{Meter, MeterChange, TempoChange};
use crate::units::Bpm;

fn rendered(click: &Click) -> Vec<f32> {
    let mut out = Vec::new();
    render(click, |b| {
        out.extend_from_slice(b);
        Ok(())
    })
    .unwrap();
    out
}

/// Ten minutes of tempo steps and three meters; the last bars are slow.
fn long_map() -> TempoMap {
    let meters = vec![
        MeterChange { tick: 0, meter: Meter::FOUR_FOUR },
        MeterChange { tick: 3840 * 40, meter: Meter { beats: 7, unit: 8 } },
        MeterChange { tick: 3840 * 40 + 3360 * 40, meter: Meter { beats: 3, unit: 4 } },
    ];
    let tempos = (0..150)
        .map(|k| TempoChange { tick: k * 3600 * 960 / 960, us_per_quarter: 480_001 + (k as u32 * 7_919) % 120_000 })
        .collect();
    TempoMap::new(Seconds(1.5), tempos, meters, Vec::new()).unwrap()
}

#[test]
fn every_click_of_ten_minutes_begins_on_the_very_sample() {
    // Independent arithmetic in whole numbers: elapsed microseconds × 960 as i128, tick by tick of each beat, rounded
    // half up to samples of 1/44,100 s (RP-001: time = Σ ticks · µs a quarter / division).
    let map = long_map();
    let rate = SampleRate::new(44_100).unwrap();
    let click = plan_click(&map, rate, Seconds(600.0), Some(0)).unwrap();
    let elapsed = |tick: i128| -> i128 {
        let mut sum = 0;
        let tempos = map.tempos();
        for (i, c) in tempos.iter().enumerate() {
            let from = i128::from(c.tick);
            let to = tempos.get(i + 1).map_or(i128::MAX, |n| i128::from(n.tick)).min(tick);
            if to > from {
                sum += (to - from) * i128::from(c.us_per_quarter);
            }
        }
        sum
    };
    let (mut tick, mut expected) = (0i128, Vec::new());
    loop {
        let meter = map.meters().iter().rev().find(|m| i128::from(m.tick) <= tick).unwrap();
        // 1.5 s are 1.5e6 µs; × 960.
        let sum = 1_500_000 * 960 + elapsed(tick);
        let denominator = 960 * 1_000_000i128;
        if sum >= 600 * denominator {
            break;
        }
        expected.push((2 * sum * 44_100 + denominator).div_euclid(2 * denominator));
        tick += i128::from(meter.meter.beat_ticks());
    }
    let got: Vec<i128> = click.beats.iter().map(|b| i128::from(b.sample)).collect();
    assert!(got.len() > 1000);
    assert_eq!(got, expected);
    assert_eq!(click.frames, 26_460_000);
}

#[test]
fn the_sound_begins_on_the_beat_and_not_a_sample_before() {
    let map = TempoMap::constant(Bpm::new(97.3).unwrap(), Meter::FOUR_FOUR, Seconds(0.7));
    let click = plan_click(&map, SampleRate::SESSION, Seconds(20.0), Some(0)).unwrap();
    let audio = rendered(&click);
    assert_eq!(audio.len() as u64, click.frames);
    let mut onsets = Vec::new();
    let mut silent = 48_000;
    for (i, s) in audio.iter().enumerate() {
        if *s != 0.0 {
            if silent > 1000 {
                onsets.push(i as u64);
            }
            silent = 0;
        } else {
            silent += 1;
        }
    }
    assert_eq!(onsets, click.beats.iter().map(|b| b.sample).collect::<Vec<_>>());
}

#[test]
fn bar_one_is_accented_and_nothing_is_loud() {
    let map = TempoMap::constant(Bpm::new(120.0).unwrap(), Meter { beats: 3, unit: 4 }, Seconds(0.0));
    let click = plan_click(&map, SampleRate::SESSION, Seconds(6.0), Some(0)).unwrap();
    let audio = rendered(&click);
    let peak = |b: &ClickBeat| f64::from(audio[b.sample as usize].abs());
    for b in &click.beats {
        let wanted = if b.beat == 1 { LEVEL.peak() } else { LEVEL.peak() * SOFTER };
        assert!((peak(b) - wanted).abs() < 1e-6);
    }
    assert!(audio.iter().all(|s| f64::from(s.abs()) <= LEVEL.peak() + 1e-6));
    assert_eq!(click.beats.iter().filter(|b| b.beat == 1).count(), 4);
}

#[test]
fn a_count_in_that_fits_keeps_the_file_at_the_audio_s_start() {
    // Bars of 2 s; bar 1 at 5 s: two bars of count-in begin at 1 s.
    let map = TempoMap::constant(Bpm::new(120.0).unwrap(), Meter::FOUR_FOUR, Seconds(5.0));
    let click = plan_click(&map, SampleRate::SESSION, Seconds(9.0), Some(2)).unwrap();
    assert_eq!((click.lead, click.beats[0].sample, click.beats[0].bar), (0, 48_000, -1));
    assert_eq!(click.beats.len(), 16);
    assert!(click.findings(Path::new("click.wav")).is_empty());
}

#[test]
fn a_count_in_that_does_not_fit_begins_early_and_says_so() {
    let map = TempoMap::constant(Bpm::new(120.0).unwrap(), Meter::FOUR_FOUR, Seconds(1.0));
    let click = plan_click(&map, SampleRate::SESSION, Seconds(9.0), Some(2)).unwrap();
    assert_eq!((click.lead, click.beats[0].sample, click.frames), (144_000, 0, 576_000));
    assert!(click.findings(Path::new("click.wav"))[0].remedy.contains("144000 samples earlier"));
    // Unasked, only what fits is counted in.
    let click = plan_click(&map, SampleRate::SESSION, Seconds(9.0), None).unwrap();
    assert_eq!((click.lead, click.count_in, click.beats[0].sample), (0, 0, 48_000));
}

#[test]
fn a_song_that_ends_before_bar_one_has_no_click() {
    let map = TempoMap::constant(Bpm::new(120.0).unwrap(), Meter::FOUR_FOUR, Seconds(10.0));
    let e = plan_click(&map, SampleRate::SESSION, Seconds(9.0), None).unwrap_err();
    assert!(e.to_string().contains("nothing to click"));
    assert!(plan_click(&map, SampleRate::SESSION, Seconds(30.0), Some(99)).is_err());
}

#[test]
fn the_file_holds_the_same_clicks() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("click.wav");
    let map = TempoMap::constant(Bpm::new(133.0).unwrap(), Meter::FOUR_FOUR, Seconds(0.5));
    let click = plan_click(&map, SampleRate::SESSION, Seconds(4.0), Some(0)).unwrap();
    write_click(&path, &click).unwrap().commit().unwrap();
    let (info, audio) = crate::audio::read_mono(&path, crate::audio::Channel::Sum).unwrap();
    assert_eq!(info.frames, click.frames);
    for (a, b) in audio.iter().zip(rendered(&click)) {
        assert!((a - b).abs() < 1.0 / 8_000_000.0);
    }
}
