use super::*;
use proptest::prelude::*;
use std::f64::consts::TAU;
use std::path::Path;

fn measured(channels: u16, format: SampleFormat, samples: &[f32]) -> Levels {
    let mut meter = LevelMeter::new(channels, format, SOUND_FLOOR);
    meter.push(samples);
    meter.finish()
}

fn info(channels: u16, frames: u64) -> AudioInfo {
    AudioInfo {
        path: Path::new("Snare.wav").into(),
        rate: SampleRate::SESSION,
        channels,
        frames,
        format: SampleFormat::Int24,
        bext: None,
        cues: Vec::new(),
        repairs: Vec::new(),
    }
}

fn sine(hz: f64, amplitude: f64, frames: usize) -> Vec<f32> {
    (0..frames).map(|n| (amplitude * (TAU * hz * n as f64 / 48_000.0).sin()) as f32).collect()
}

/// Mean square of a sine is half its amplitude squared: 20·log10(1/√2) = −3.0103 dB under its peak.
#[test]
fn a_full_scale_sine_reads_0_dbfs_peak_and_minus_3_01_rms() {
    let l = measured(1, SampleFormat::Float32, &sine(1000.0, 1.0, 48_000));
    assert!(l.peak.0.abs() < 1e-6, "{:?}", l.peak);
    assert!((l.rms.0 + 3.0103).abs() < 1e-4, "{:?}", l.rms);
    assert!(l.offset.abs() < 1e-9);
    assert_eq!(l.frames, 48_000);
}

#[test]
fn an_offset_is_the_mean_and_shows_above_minus_50_dbfs() {
    let with = |dc: f32| sine(100.0, 0.5, 48_000).iter().map(|s| s + dc).collect::<Vec<_>>();
    let l = measured(1, SampleFormat::Float32, &with(0.01));
    assert!((l.offset - 0.01).abs() < 1e-8 && (l.offset_level().0 + 40.0).abs() < 1e-4);
    let findings = l.findings(&info(1, 48_000));
    assert_eq!(findings.len(), 1);
    assert!(findings[0].what.contains("+1.00 % of full scale"), "{}", findings[0].what);
    assert!(measured(1, SampleFormat::Float32, &with(0.003)).findings(&info(1, 48_000)).is_empty());
}

#[test]
fn three_samples_in_a_row_at_full_scale_are_clipped_and_two_are_not() {
    let mut x = vec![0.1f32; 1000];
    x[100..102].fill(TOP);
    x[200..203].fill(TOP);
    x[300..310].fill(-1.0);
    let l = measured(1, SampleFormat::Int24, &x);
    assert_eq!(l.clipping, Clipping { runs: 2, samples: 13, longest: 10, first: Some(SamplePos(200)) });
    let what = &l.findings(&info(1, 1000))[0].what;
    assert!(what.contains("clips in 2 places, first at 0:00.004 (sample 200); the longest is 10 samples"), "{what}");
}

const TOP: f32 = 8_388_607.0 / 8_388_608.0;

/// A bright hat whose gain was too high: noise held at full scale, its sharp tips cut off for a sample or two.
fn cut_off_hat() -> Vec<f32> {
    let mut seed = 1u64;
    let mut x: Vec<f32> = (0..48_000)
        .map(|_| {
            // Knuth's linear congruential generator.
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            ((seed >> 40) as f32 / (1u64 << 23) as f32 - 1.0) * 1.05
        })
        .map(|v| v.clamp(-1.0, TOP))
        .collect();
    no_three_in_a_row(&mut x, TOP);
    x
}

fn no_three_in_a_row(x: &mut [f32], full: f32) {
    for i in 2..x.len() {
        if x[i - 2..=i].iter().all(|v| v.abs() >= full) {
            x[i] = 0.5;
        }
    }
}

#[test]
fn a_bright_hat_that_is_cut_off_for_a_sample_or_two_again_and_again_clips() {
    let x = cut_off_hat();
    let l = measured(1, SampleFormat::Int24, &x);
    // Counted as written: where a sample at full scale follows one that is not.
    let at = |i: usize| x[i].abs() >= TOP;
    let places = (0..x.len()).filter(|&i| at(i) && (i == 0 || !at(i - 1))).count() as u64;
    assert!(places > 1000 && l.clipping.longest == 2, "{places}, {:?}", l.clipping);
    assert_eq!(l.clipping.runs, places);
    let what = &l.findings(&info(1, 48_000))[0].what;
    assert!(what.contains(&format!("clips in {places} places")) && what.contains("the longest is 2 samples"), "{what}");
}

#[test]
fn a_recording_normalised_to_full_scale_does_not_clip() {
    for (format, steps) in [(SampleFormat::Int16, 32_768.0f32), (SampleFormat::Int24, 8_388_608.0)] {
        let hat = cut_off_hat();
        // Without the cut tips: every height comes as often as any other, up to one that is the highest.
        let mut x: Vec<f32> = hat.iter().map(|v| if v.abs() >= TOP { 0.0 } else { *v }).collect();
        let highest = x.iter().fold(0.0f32, |m, v| m.max(v.abs()));
        x.iter_mut().for_each(|v| *v = (*v / highest * (steps - 1.0)).round() / steps);
        let l = measured(1, format, &x);
        assert!(x.iter().any(|v| v.abs() >= (steps - 1.0) / steps) && l.peak.0 > -0.001);
        assert_eq!(l.clipping.runs, 0, "{format:?}");
        assert!(l.findings(&info(1, 48_000)).is_empty());
    }
}

/// A sampled kick, normalised, in 16 bits, played again and again with dither of a step: the samples around its top lie
/// where a step moves them into another cell, and the top is one sample wide or two.
#[test]
fn one_sample_that_is_played_again_and_again_at_full_scale_does_not_clip() {
    let step = 1.0 / 32_768.0;
    let x: Vec<f32> = (0..400u16)
        .flat_map(|n| {
            let up = |bit: u16| (16_399.0 + f32::from(n >> bit & 1)) * step;
            let mut stroke = [0.0f32; 100];
            let wide = n >> 2 & 1 == 1;
            (stroke[19], stroke[20], stroke[21]) = (up(0), 1.0 - step, if wide { 1.0 - step } else { up(1) });
            stroke[22] = if wide { up(1) } else { 0.25 };
            stroke
        })
        .collect();
    let l = measured(1, SampleFormat::Int16, &x);
    assert!(l.peak.0 > -0.001 && l.clipping.runs == 0, "{:?}", l.clipping);
}

/// Thirty sounds of one sweep of pitches, a fifth of a second apart: each swings for a while and dies away.
fn thirty_one_shots() -> Vec<Vec<f32>> {
    let sound = |n: u16| {
        let (pitch, rate) = (150.0 * 1.12f64.powi(n.into()), 48_000.0);
        let wave = |i: u16| (std::f64::consts::TAU * pitch * f64::from(i) / rate + f64::from(n)).sin();
        (0..9600u16).map(|i| (wave(i) * (-f64::from(i) / 900.0).exp()) as f32).collect()
    };
    (0..30).map(sound).collect()
}

/// Played with so much gain over full scale, dB, and stored in 24 bits.
fn stored(shots: &[Vec<f32>], over: f32) -> Vec<f32> {
    let gain = 10f32.powf(over / 20.0);
    let one = |shot: &Vec<f32>| {
        let highest = shot.iter().fold(0.0f32, |m, v| m.max(v.abs()));
        shot.iter().map(move |v| (v / highest * gain * TOP).clamp(-TOP, TOP)).collect::<Vec<f32>>()
    };
    shots.iter().flat_map(one).collect()
}

#[test]
fn thirty_different_one_shots_each_normalised_to_full_scale_do_not_clip_and_driven_over_they_do() {
    let shots = thirty_one_shots();
    let peaks = stored(&shots, 0.0);
    assert_eq!(peaks.iter().filter(|v| v.abs() >= TOP).count(), 30, "one single sample each");
    let l = measured(1, SampleFormat::Int24, &peaks);
    assert!(l.clipping.runs == 0 && l.findings(&info(1, 48_000)).is_empty(), "{:?}", l.clipping);
    // The brightest alone, a few tenths of a decibel too loud: never three samples in a row.
    let mut bright = stored(&shots[26..], 1.5).repeat(3);
    no_three_in_a_row(&mut bright, TOP);
    let l = measured(1, SampleFormat::Int24, &bright);
    assert!(l.clipping.runs > 12 && l.clipping.longest <= 2, "{:?}", l.clipping);
    assert!(measured(1, SampleFormat::Int24, &stored(&shots, 0.5)).clipping.longest > 2);
}

#[test]
fn a_few_short_places_are_peaks_and_beside_a_longer_one_do_not_count() {
    let mut x: Vec<f32> = (0..1000u16).map(|i| f32::from(i) / 2000.0).collect();
    (0..SHORT_SHAPES).for_each(|i| x[100 * i] = TOP);
    assert_eq!(measured(1, SampleFormat::Int24, &x).clipping.runs, 0);
    x[950..954].fill(-1.0);
    assert_eq!(measured(1, SampleFormat::Int24, &x).clipping.runs, 1);
    x[870] = TOP;
    assert_eq!(measured(1, SampleFormat::Int24, &x).clipping.runs, 2 + SHORT_SHAPES as u64);
}

/// The top step of 8 bits is 20·log10(128/127) = 0.07 dB high.
#[test]
fn eight_bits_are_too_coarse_to_tell_short_places_from_peaks() {
    let mut x: Vec<f32> = cut_off_hat().iter().map(|v| (v * 127.0).round() / 128.0).collect();
    no_three_in_a_row(&mut x, 127.0 / 128.0);
    assert_eq!(measured(1, SampleFormat::Int8, &x).clipping.runs, 0);
}

#[test]
fn full_scale_lies_where_the_format_puts_it() {
    let at = |v: f32, f| measured(1, f, &[v; 5]).clipping.runs;
    assert_eq!(at(32_767.0 / 32_768.0, SampleFormat::Int16), 1);
    assert_eq!(at(32_766.0 / 32_768.0, SampleFormat::Int16), 0);
    assert_eq!(at(32_767.0 / 32_768.0, SampleFormat::Int24), 0);
    assert_eq!(at(127.0 / 128.0, SampleFormat::Int8), 1);
    assert_eq!(at(8_388_607.0 / 8_388_608.0, SampleFormat::Float32), 1, "a float file from a 24-bit converter");
}

#[test]
fn a_run_at_the_very_end_counts() {
    let l = measured(1, SampleFormat::Int16, &[0.0, -1.0, -1.0, -1.0]);
    assert_eq!((l.clipping.runs, l.clipping.first), (1, Some(SamplePos(1))));
}

#[test]
fn floats_over_full_scale_are_told_as_overs_not_as_clipping() {
    let l = measured(1, SampleFormat::Float32, &sine(50.0, 2.0, 48_000));
    let f = l.findings(&info(1, 48_000));
    assert_eq!(f.len(), 1);
    assert!(f[0].what.contains("6.0 dB over full scale"), "{}", f[0].what);
}

#[test]
fn silence_is_found_and_sound_has_a_beginning_and_an_end() {
    let silent = measured(1, SampleFormat::Int24, &[0.0; 100]);
    assert_eq!((silent.peak, silent.sound), (Dbfs::SILENCE, None));
    assert!(silent.findings(&info(1, 100))[0].what.contains("silent"));
    let mut x = vec![0.0; 1000];
    (x[300], x[700]) = (0.5, -0.002);
    let l = measured(1, SampleFormat::Int24, &x);
    assert_eq!(l.sound, Some(Extent { first: SamplePos(300), last: SamplePos(700) }));
    assert_eq!(l.peak_at, SamplePos(300));
    assert!(l.findings(&info(1, 1000)).is_empty());
    let faint = measured(1, SampleFormat::Int24, &[0.0005; 100]);
    assert!(faint.findings(&info(1, 100))[0].what.contains("-66.0 dBFS"));
}

#[test]
fn each_channel_is_measured_and_the_worst_is_told() {
    let left = sine(100.0, 0.1, 4_800);
    let stereo: Vec<f32> = left.iter().flat_map(|&l| [l, -0.25]).collect();
    let l = measured(2, SampleFormat::Int24, &stereo);
    assert!((l.peak.0 + 12.0412).abs() < 1e-3 && (l.offset + 0.25).abs() < 1e-9);
    assert!(!l.same_channels);
    let twin: Vec<f32> = left.iter().flat_map(|&l| [l, l]).collect();
    assert!(measured(2, SampleFormat::Int24, &twin).same_channels);
    assert!(!measured(1, SampleFormat::Int24, &left).same_channels, "one channel has no twin");
}

#[test]
fn nothing_pushed_is_silence() {
    let l = LevelMeter::new(1, SampleFormat::Int24, SOUND_FLOOR).finish();
    assert_eq!((l.frames, l.peak, l.rms, l.offset), (0, Dbfs::SILENCE, Dbfs::SILENCE, 0.0));
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_cut_into_blocks_gives_the_same_bits(
        values in proptest::collection::vec(prop_oneof![-1.0f32..=1.0, Just(1.0f32), Just(0.0f32)], 1..200),
        cuts in proptest::collection::vec(1usize..40, 1..20),
        channels in 1u16..4,
    ) {
        let whole = values.len() / usize::from(channels) * usize::from(channels);
        let values = &values[..whole];
        let mut meter = LevelMeter::new(channels, SampleFormat::Float32, SOUND_FLOOR);
        let mut rest = values;
        for n in cuts.iter().cycle() {
            if rest.is_empty() { break }
            let (now, later) = rest.split_at((n * usize::from(channels)).min(rest.len()));
            meter.push(now);
            rest = later;
        }
        prop_assert_eq!(meter.finish(), measured(channels, SampleFormat::Float32, values));
    }

    #[test]
    fn the_last_loud_sample_is_found_part_by_part(
        quiet in 0usize..900,
        loud in proptest::collection::vec(-1.0f32..=1.0, 0..600),
        floor in 0.0f32..1.0,
    ) {
        let mut block = loud;
        block.resize(block.len() + quiet, 0.0);
        let plain = block.iter().rposition(|s| s.abs() > floor).unwrap_or(0);
        prop_assert_eq!(super::last_above(&block, floor), plain);
    }
}

#[test]
fn what_is_measured_for_findings_is_the_same_but_for_the_root_mean_square() {
    let x: Vec<f32> = (0..10_001).map(|i| if i % 900 < 5 { 1.0 } else { (i % 77) as f32 / 80.0 - 0.3 }).collect();
    let measured = |mut meter: LevelMeter| {
        x.chunks(333).for_each(|block| meter.push(block));
        meter.finish()
    };
    let whole = measured(LevelMeter::new(1, SampleFormat::Int24, SOUND_FLOOR));
    let found = measured(LevelMeter::for_findings(1, SampleFormat::Int24, SOUND_FLOOR));
    assert!(whole.clipping.runs > 0 && whole.rms.0 > -20.0 && found.rms == Dbfs::SILENCE);
    assert_eq!(Levels { rms: whole.rms, ..found }, whole);
}
