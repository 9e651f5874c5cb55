//! The rough mix: levels, versions, loudness, polarity, limits.

use crate::small_song::{RATE, layer, mic, on_one_file, song, strokes, track, write, write_as};
use std::path::Path;
use underlay::Quiet;
use underlay::audio::{Channel, SampleFormat, WavSpec, read_mono};
use underlay::mix::{self, Loudness, Meter, PrintedLayer, Rough, Watch};
use underlay::song::{Drum, Place, Polarity, Song, TrackKind};

fn rough(song: &Song, layers: &[PrintedLayer], dir: &Path) -> Rough {
    mix::make(song, layers, &dir.join("out"), &Quiet).unwrap()
}

/// Measures a written file with a meter of its own.
fn measured(path: &Path) -> Loudness {
    let mut meter = Meter::new(RATE, 2, Watch::ALL).unwrap();
    let mut reader = underlay::audio::AudioReader::open(path).unwrap();
    let mut block = Vec::new();
    while reader.read(&mut block, 4_096).unwrap() > 0 {
        meter.add(&block).unwrap();
    }
    meter.loudness()
}

#[test]
fn the_mix_reaches_its_loudness_and_stays_under_its_true_peak() {
    let dir = tempfile::tempdir().unwrap();
    for (target, ceiling) in [(-16.0, -1.0), (-23.0, -1.0), (-14.0, -2.0)] {
        let mut s = song(dir.path(), 6.0);
        (s.rough.loudness, s.rough.true_peak) = (Some(target), ceiling);
        let r = rough(&s, &[], dir.path());
        let got = measured(&r.versions[0].file);
        assert!((got.integrated.unwrap().0 - target).abs() <= 0.1, "{got:?}");
        // Tech 3341 allows a true-peak meter +0.2; the file itself is held to the ceiling as this meter reads it.
        assert!(got.true_peak.0 <= ceiling + 0.01, "{got:?}");
        assert_eq!(r.versions[0].what, "everything");
    }
}

/// ITU-R BS.1770-5 Annex 2, the first two phases of its filter in steps of 1/8192; the other two are these backwards.
const PRINTED: [[f64; 12]; 2] = [
    [14.0, 90.0, -161.0, 272.0, -487.0, 1125.0, 7964.0, -838.0, 390.0, -218.0, 122.0, -68.0],
    [-239.0, 240.0, -424.0, 730.0, -1364.0, 3810.0, 6388.0, -1641.0, 832.0, -477.0, 271.0, -155.0],
];

/// The true peak of a stereo file as a meter reads it that is built from the standard's own table.
fn read_by_the_table(path: &Path) -> f64 {
    let mut highest = 0f64;
    for channel in [Channel::Left, Channel::Right] {
        let (_, x) = read_mono(path, channel).unwrap();
        for i in 11..x.len() {
            for phase in PRINTED {
                let sum = |turned: bool| -> f64 {
                    let tap = |k: usize| phase[if turned { 11 - k } else { k }] / 8192.0;
                    (0..12).map(|k| tap(k) * f64::from(x[i - k])).sum()
                };
                highest = highest.max(sum(false).abs()).max(sum(true).abs());
            }
        }
    }
    20.0 * highest.log10()
}

#[test]
fn no_meter_built_after_the_standards_own_table_reads_the_mix_above_its_true_peak() {
    let dir = tempfile::tempdir().unwrap();
    let mut s = song(dir.path(), 4.0);
    // Short bright strokes: what lies between their samples is most of their peak.
    let bright = strokes(4.0, 0.2, 0.31, 15_000.0, 0.6, 40);
    s.mics.push(mic(write(&dir.path().join("hat.wav"), 1, &bright), Drum::Hat, Place::Close));
    for (loudness, ceiling) in [(-14.0, -1.0), (-14.0, -3.0)] {
        (s.rough.loudness, s.rough.true_peak) = (Some(loudness), ceiling);
        for v in rough(&s, &[], dir.path()).versions {
            let (read, ours) = (read_by_the_table(&v.file), measured(&v.file).true_peak.0);
            assert!(v.limited.frames > 0 && read <= ceiling + 1e-4 && ours <= ceiling + 1e-4, "{read} {ours}: {v:?}");
            assert!(read <= v.loudness.true_peak.0 + 1e-4, "what is told is what the higher meter reads: {read} {v:?}");
        }
    }
}

#[test]
fn drums_that_would_need_hard_limiting_stay_quieter_and_say_so() {
    let dir = tempfile::tempdir().unwrap();
    let mut s = song(dir.path(), 6.0);
    s.tracks.clear();
    s.rough.loudness = Some(-2.0);
    let r = rough(&s, &[], dir.path());
    let v = &r.versions[0];
    assert!(v.limited.deepest.0 <= mix::MOST.0 + 0.5, "{v:?}");
    assert!(v.loudness.integrated.unwrap().0 < -3.0);
    assert_eq!(r.findings.len(), 1);
    assert!(r.findings[0].what.contains("instead of -2.0 LUFS"), "{:?}", r.findings);
    assert_eq!(r.versions.len(), 1, "without music and layers there is one version");
}

#[test]
fn where_no_loudness_was_asked_for_the_limiter_takes_3_db_at_the_most_and_the_line_says_what_was_reached() {
    let dir = tempfile::tempdir().unwrap();
    let mut s = song(dir.path(), 6.0);
    s.tracks.clear();
    // Peaks of the song's bare strokes stand 18 dB above their loudness: under -6 dBTP, -16 LUFS would cost them 8 dB.
    s.rough.true_peak = -6.0;
    let v = &rough(&s, &[], dir.path()).versions[0];
    assert!(v.limited.deepest.0 > 2.0 && v.limited.deepest.0 <= mix::UNASKED.0 + 0.05, "{v:?}");
    let got = measured(&v.file);
    assert!(got.integrated.unwrap().0 < -19.0 && got.true_peak.0 <= -5.99, "{got:?}");
    assert_eq!(v.spared(), ", below -16.0 LUFS to spare its peaks");
    // Asked for, the same loudness is made, and what it costs is another matter.
    s.rough.loudness = Some(-16.0);
    let asked = &rough(&s, &[], dir.path()).versions[0];
    assert!(asked.limited.deepest > v.limited.deepest && asked.spared().is_empty(), "{asked:?}");
    // Asked for less than that, nothing is limited.
    s.rough.loudness = Some(-30.0);
    assert_eq!(rough(&s, &[], dir.path()).versions[0].limited.frames, 0);
}

#[test]
fn each_version_holds_what_its_name_says() {
    let dir = tempfile::tempdir().unwrap();
    let s = song(dir.path(), 4.0);
    let plan = layer("snare_fat", Drum::Snare);
    let file = write(&dir.path().join("snare_fat.wav"), 1, &strokes(4.0, 1.0, 1.0, 170.0, 0.2, 9));
    let layers = [PrintedLayer { plan, file }];
    let r = rough(&s, &layers, dir.path());
    let names: Vec<_> = r.versions.iter().map(|v| v.file.file_name().unwrap().to_str().unwrap()).collect();
    assert_eq!(names, [mix::MIX, mix::DRUMS_ONLY, mix::WITHOUT_LAYERS]);
    // The last is at the mix's own gain, so that layers can be judged by switching between the two.
    assert_eq!(r.versions[0].gain, r.versions[2].gain);
    // A layer has the fader of the mic that it was aligned with.
    let fader = |name: &str| r.rows.iter().find(|row| row.name == name).unwrap().gain;
    assert_eq!(fader("snare_fat"), fader("snare_top"));
    // That is the mic on top, in whatever order the sheet has them.
    let (mut turned, place) = (s.clone(), dir.path().join("turned"));
    turned.mics.reverse();
    std::fs::create_dir(&place).unwrap();
    let rows = rough(&turned, &layers, &place).rows;
    let fader = |name: &str| rows.iter().find(|row| row.name == name).unwrap().gain;
    assert!(fader("snare_fat") == fader("snare_top") && fader("snare_fat") != fader("snare_bottom"));
    let frames = |v: usize| read_mono(&r.versions[v].file, Channel::Sum).unwrap().0.frames;
    assert_eq!([frames(0), frames(1), frames(2)], [s.frames(); 3]);
    // Nothing but what was written is left in the folder.
    assert_eq!(std::fs::read_dir(dir.path().join("out")).unwrap().count(), 3);
}

#[test]
fn an_invert_decision_flips_the_mic_in_the_mix() {
    let dir = tempfile::tempdir().unwrap();
    let mut s = song(dir.path(), 3.0);
    s.tracks.clear();
    s.mics.retain(|m| m.name == "kick_in");
    let kept = rough(&s, &[], dir.path());
    let (_, a) = read_mono(&kept.versions[0].file, Channel::Left).unwrap();
    s.mics[0].polarity = Polarity::Invert;
    let flipped = rough(&s, &[], dir.path());
    let (_, b) = read_mono(&flipped.versions[0].file, Channel::Left).unwrap();
    let sum: f64 = a.iter().zip(&b).map(|(x, y)| f64::from(x + y).powi(2)).sum();
    let one: f64 = a.iter().map(|x| f64::from(*x).powi(2)).sum();
    // They cancel down to dither, below −90 dB.
    assert!(sum < 1e-9 * one, "{sum} of {one}");
    assert_eq!(flipped.rows[0].polarity, Polarity::Invert);
}

#[test]
fn the_sides_of_one_stereo_file_mix_as_two_mono_files_do() {
    let dir = tempfile::tempdir().unwrap();
    let mut s = song(dir.path(), 3.0);
    let bytes = |s: &Song| {
        let r = rough(s, &[], dir.path());
        let rows: Vec<_> = r.rows.iter().map(|r| (r.gain, r.pan, r.loudness)).collect();
        (std::fs::read(&r.versions[0].file).unwrap(), rows)
    };
    // A snare and its opposite from below, which as a sum would all but cancel, and a pair of overheads.
    let apart = bytes(&s);
    on_one_file(&mut s, 1, 2, &dir.path().join("snares.wav"));
    on_one_file(&mut s, 3, 4, &dir.path().join("overheads.wav"));
    assert_eq!(bytes(&s), apart);
}

#[test]
fn the_guide_is_as_loud_against_the_drums_as_the_sheet_says() {
    let dir = tempfile::tempdir().unwrap();
    let mut s = song(dir.path(), 6.0);
    s.tracks.retain(|t| t.kind == TrackKind::Guide);
    s.rough.guide_level = underlay::units::Decibels(-40.0);
    s.rough.loudness = Some(-30.0);
    let quiet = rough(&s, &[], dir.path());
    // With the guide all but gone the mix is the drums: the same gain takes both to the target.
    assert!((quiet.versions[0].gain.0 - quiet.versions[1].gain.0).abs() < 0.1, "{:?}", quiet.versions);
    s.rough.guide_level = underlay::units::Decibels(0.0);
    let equal = rough(&s, &[], dir.path());
    let more = equal.versions[1].gain.0 - equal.versions[0].gain.0;
    // Two unrelated sources of equal loudness add about 3 dB; gating and coherence leave room around it.
    assert!((1.5..=5.0).contains(&more), "{more}");
}

#[test]
fn a_silent_mic_is_left_out_and_said() {
    let dir = tempfile::tempdir().unwrap();
    let mut s = song(dir.path(), 3.0);
    let silent = write(&dir.path().join("tom.wav"), 1, &vec![0.0; 3 * 48_000]);
    s.mics.push(mic(silent, Drum::Tom, Place::Close));
    let r = rough(&s, &[], dir.path());
    let row = r.rows.iter().find(|row| row.name == "tom").unwrap();
    assert_eq!(row.gain, None);
    assert!(r.findings.iter().any(|f| f.what.contains("no sound")));
}

#[test]
fn the_same_song_gives_the_same_bytes_with_one_thread_and_with_many() {
    let dir = tempfile::tempdir().unwrap();
    let s = song(dir.path(), 3.0);
    let bytes = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        let r = pool.install(|| rough(&s, &[], dir.path()));
        std::fs::read(&r.versions[0].file).unwrap()
    };
    assert!(bytes(1) == bytes(4));
}

#[test]
fn a_guide_at_another_rate_is_brought_to_the_songs() {
    let dir = tempfile::tempdir().unwrap();
    let mut s = song(dir.path(), 4.0);
    let cd = underlay::units::SampleRate::new(44_100).unwrap();
    let tone: Vec<f32> = (0..4 * 44_100)
        .flat_map(|i| [(0.2 * (std::f64::consts::TAU * 440.0 * f64::from(i) / 44_100.0).sin()) as f32; 2])
        .collect();
    let spec = WavSpec { rate: cd, channels: 2, format: SampleFormat::Int16 };
    let file = write_as(&dir.path().join("mix_44.wav"), spec, &tone);
    s.mics.retain(|m| m.name == "kick_in");
    s.tracks = vec![track(file, TrackKind::Guide)];
    s.rough.guide_level = underlay::units::Decibels(30.0);
    s.rough.loudness = Some(-23.0);
    let r = rough(&s, &[], dir.path());
    let (info, x) = read_mono(&r.versions[0].file, Channel::Left).unwrap();
    assert_eq!((info.rate, info.frames), (RATE, 4 * 48_000));
    // 440 Hz stays 440 Hz: correlate one second from the middle with sine and cosine.
    let at = |hz: f64| {
        let (mut c, mut q) = (0.0, 0.0);
        for (i, &v) in x[72_000..120_000].iter().enumerate() {
            let p = std::f64::consts::TAU * hz * i as f64 / 48_000.0;
            c += f64::from(v) * p.cos();
            q += f64::from(v) * p.sin();
        }
        (c * c + q * q).sqrt()
    };
    assert!(at(440.0) > 100.0 * at(478.9), "{} {}", at(440.0), at(478.9));
}

#[test]
fn no_file_of_the_song_is_replaced_by_a_mix_a_version_or_the_table() {
    for name in ["rough_mix.wav", "rough_mix_drums_only.wav", "rough_mix_without_layers.wav", "rough_mix.csv"] {
        let dir = tempfile::tempdir().unwrap();
        let mut s = song(dir.path(), 3.0);
        let file = dir.path().join(name);
        std::fs::copy(&s.tracks[0].info.path, &file).unwrap();
        s.tracks[0] = track(file.clone(), TrackKind::Guide);
        let before = std::fs::read(&file).unwrap();
        let e = mix::make(&s, &[], dir.path(), &Quiet).unwrap_err();
        assert_eq!(e.exit_code(), underlay::ExitCode::Output, "{name}: {e}");
        assert!(std::fs::read(&file).unwrap() == before, "{name}");
        let written = std::fs::read_dir(dir.path()).unwrap().flatten();
        let mixes = written.filter(|f| f.file_name().to_string_lossy().starts_with("rough_mix")).count();
        assert_eq!(mixes, 1, "{name} alone is there");
    }
}
