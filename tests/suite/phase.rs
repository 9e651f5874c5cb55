//! Polarity and arrival between mics, on takes whose signs and distances are known.

use crate::small_song::{mic, noise, song, write};
use std::path::Path;
use underlay::Quiet;
use underlay::audio::Channel;
use underlay::hits::{Hit, HitList, Kind, State};
use underlay::phase::{Agreement, PairKind, PhaseReport, PhaseSettings, Recommendation, measure, phase_csv};
use underlay::song::{Drum, Place, Polarity, Song, with_polarity};
use underlay::units::{Dbfs, SamplePos, SampleRate, Velocity};

pub const SECONDS: usize = 16;
pub const RATE: usize = 48_000;

/// One mic of the test take: samples that kick and snare need to reach it, and their linear levels (negative = inverted).
struct Seat {
    name: &'static str,
    drum: Drum,
    place: Place,
    kick: (usize, f64),
    snare: (usize, f64),
}

/// A kit in a room: the kick reaches both overheads 1.4 m (196 samples) after its close mic, the room mic 3.9 m (545).
fn seats() -> Vec<Seat> {
    let seat = |name, drum, place, kick, snare| Seat { name, drum, place, kick, snare };
    vec![
        seat("kick_in", Drum::Kick, Place::In, (0, 0.8), (107, 0.04)),
        seat("kick_out", Drum::Kick, Place::Out, (56, 0.5), (120, 0.05)),
        seat("snare_top", Drum::Snare, Place::Top, (98, 0.06), (0, 0.7)),
        seat("snare_bottom", Drum::Snare, Place::Bottom, (70, 0.05), (14, -0.4)),
        seat("overhead_l", Drum::Overhead, Place::Left, (196, 0.1), (133, 0.2)),
        seat("overhead_r", Drum::Overhead, Place::Right, (196, 0.1), (161, 0.2)),
        seat("room", Drum::Room, Place::Mono, (545, 0.1), (524, 0.15)),
    ]
}

/// A stroke: decaying modes and a burst of noise, a little different every time.
fn stroke(pitch: f64, n: usize, seed: u32) -> Vec<f64> {
    let mut hiss = noise(seed);
    let (tune, bright) = (1.0 + 0.01 * hiss(), 0.3 + 0.1 * hiss());
    (0..n)
        .map(|i| {
            let t = i as f64 / RATE as f64;
            let w = std::f64::consts::TAU * pitch * tune * t;
            let body = (w.sin() + 0.4 * (1.59 * w).sin() + 0.3 * (2.14 * w).sin()) * (-16.0 * t).exp();
            (0.5 * body + bright * hiss() * (-220.0 * t).exp()) * (1.0 - (-2000.0 * t).exp())
        })
        .collect()
}

fn tracks(seats: &[Seat]) -> Vec<Vec<f32>> {
    let mut out: Vec<Vec<f64>> = seats.iter().map(|_| vec![0.0; SECONDS * RATE]).collect();
    for s in 0..SECONDS - 1 {
        for (at, pitch, is_kick) in [(0.2, 58.0, true), (0.7, 196.0, false)] {
            let x = stroke(pitch, 16_000, (10 * s) as u32 + u32::from(is_kick));
            let start = s * RATE + (at * RATE as f64) as usize;
            for (track, seat) in out.iter_mut().zip(seats) {
                let (late, level) = if is_kick { seat.kick } else { seat.snare };
                for (o, v) in track[start + late..].iter_mut().zip(&x) {
                    *o += level * v;
                }
            }
        }
    }
    for (i, track) in out.iter_mut().enumerate() {
        let mut hiss = noise(9_000 + i as u32);
        track.iter_mut().for_each(|v| *v += 3e-4 * hiss());
    }
    out.into_iter().map(|t| t.into_iter().map(|v| v as f32).collect()).collect()
}

pub fn hit(drum: Drum, pos: usize) -> Hit {
    Hit {
        drum,
        pos: SamplePos(pos as u64),
        velocity: Velocity::nearest(100.0),
        peak: Dbfs(-6.0),
        certainty: 1.0,
        kind: Kind::Hit,
        state: State::Found,
        place: None,
    }
}

pub fn hits() -> HitList {
    let mut hits = Vec::new();
    for s in 0..SECONDS - 1 {
        hits.push(hit(Drum::Kick, s * RATE + RATE / 5));
        hits.push(hit(Drum::Snare, s * RATE + RATE * 7 / 10));
    }
    HitList { rate: SampleRate::SESSION, hits }
}

/// The take, with each track changed as wanted before it is written.
pub fn take(dir: &Path, change: impl Fn(&str, &mut Vec<f32>)) -> Song {
    let seats = seats();
    let mut made = song(dir, 1.0);
    made.mics = tracks(&seats)
        .into_iter()
        .zip(&seats)
        .map(|(mut samples, seat)| {
            change(seat.name, &mut samples);
            mic(write(&dir.join(format!("{}.wav", seat.name)), 1, &samples), seat.drum, seat.place)
        })
        .collect();
    made
}

pub fn check(song: &Song) -> PhaseReport {
    measure(song, &hits(), PhaseSettings::default(), &Quiet).unwrap()
}

fn advice(report: &PhaseReport) -> Vec<(String, Recommendation)> {
    report.advice.iter().map(|a| (a.mic.clone(), a.recommendation)).collect()
}

#[test]
fn signs_and_distances_of_a_known_kit_come_back() {
    let dir = tempfile::tempdir().unwrap();
    let report = check(&take(dir.path(), |_, _| {}));
    for seat in seats() {
        for (drum, main, (late, level)) in [(Drum::Kick, "kick_in", seat.kick), (Drum::Snare, "snare_top", seat.snare)]
        {
            if seat.name == main {
                continue;
            }
            let p = report.pair(drum, seat.name).unwrap();
            let who = format!("{drum} in {}: {p:?}", seat.name);
            assert!((p.lag_samples - late as f64).abs() < 0.25, "{who}");
            assert_eq!(p.polarity, if level < 0.0 { Agreement::Opposite } else { Agreement::Same }, "{who}");
            assert!(p.confidence > 0.6 && p.arrival_sure, "{who}");
            assert!(p.sum.aligned.0 >= p.sum.as_is.0.max(p.sum.flipped.0) - 0.05, "{who}");
        }
    }
    // 196 samples at 48 kHz are 1.4 m of air at 20 degrees.
    assert!((report.pair(Drum::Kick, "overhead_l").unwrap().metres - 1.4).abs() < 0.01);
    assert!((report.pair(Drum::Kick, "room").unwrap().metres - 3.9).abs() < 0.01);
    let stereo: Vec<_> = report.pairs.iter().filter(|p| p.kind == PairKind::Stereo).collect();
    assert_eq!(stereo.len(), 2);
    assert!(stereo.iter().all(|p| p.polarity == Agreement::Same));
    for (mic, got) in advice(&report) {
        let want = if mic == "snare_bottom" { Recommendation::Invert } else { Recommendation::Keep };
        assert_eq!(got, want, "{mic}");
    }
}

#[test]
fn inverting_a_file_flips_its_recommendation_and_nothing_else() {
    let dir = tempfile::tempdir().unwrap();
    let before = advice(&check(&take(dir.path(), |_, _| {})));
    for seat in seats() {
        let flipped = take(dir.path(), |name, x| {
            if name == seat.name {
                x.iter_mut().for_each(|v| *v = -*v);
            }
        });
        for ((mic, was), (_, is)) in before.iter().zip(advice(&check(&flipped))) {
            let want = match was {
                _ if mic != seat.name => *was,
                Recommendation::Keep => Recommendation::Invert,
                _ => Recommendation::Keep,
            };
            assert_eq!(is, want, "{mic} when {} was inverted", seat.name);
        }
    }
}

#[test]
fn delaying_a_file_by_n_samples_moves_its_arrival_by_n_and_nothing_else() {
    let dir = tempfile::tempdir().unwrap();
    let before = check(&take(dir.path(), |_, _| {}));
    for (who, n) in [("overhead_l", 37usize), ("snare_bottom", 20), ("room", 250), ("kick_out", 9)] {
        let later = take(dir.path(), |name, x| {
            if name == who {
                x.splice(0..0, vec![0.0; n]);
                x.truncate(SECONDS * RATE);
            }
        });
        let after = check(&later);
        for drum in Drum::FOUND {
            for seat in seats() {
                let (Some(a), Some(b)) = (before.pair(drum, seat.name), after.pair(drum, seat.name)) else { continue };
                let moved = if seat.name == who { n as f64 } else { 0.0 };
                assert!(
                    (b.lag_samples - a.lag_samples - moved).abs() < 0.1,
                    "{drum} in {}: {} {}",
                    seat.name,
                    a.lag_samples,
                    b.lag_samples
                );
                assert_eq!(a.polarity, b.polarity);
            }
        }
    }
}

#[test]
fn a_mic_of_something_else_gets_no_clear_answer() {
    let dir = tempfile::tempdir().unwrap();
    let report = check(&take(dir.path(), |name, x| {
        if name == "room" {
            let mut hiss = noise(77);
            x.iter_mut().for_each(|v| *v = 0.1 * hiss() as f32);
        }
    }));
    assert_eq!(report.advice_for("room").unwrap().recommendation, Recommendation::Unclear);
    assert_eq!(report.advice_for("overhead_l").unwrap().recommendation, Recommendation::Keep);
}

#[test]
fn silence_no_strokes_and_an_early_overhead_are_said() {
    let dir = tempfile::tempdir().unwrap();
    let silent = take(dir.path(), |name, x| {
        if name == "kick_in" {
            x.fill(0.0);
        }
    });
    let report = check(&silent);
    assert!(report.findings.iter().any(|f| f.what.contains("silent at every kick")), "{:?}", report.findings);
    assert!(report.pair(Drum::Snare, "overhead_l").is_some());

    let good = take(dir.path(), |_, _| {});
    let none = HitList { rate: SampleRate::SESSION, hits: Vec::new() };
    let report = measure(&good, &none, PhaseSettings::default(), &Quiet).unwrap();
    assert!(report.pairs.is_empty() && report.findings.len() == 2);
    assert!(report.advice.iter().all(|a| a.recommendation == Recommendation::Unclear));

    let early = take(dir.path(), |name, x| {
        if name == "overhead_r" {
            x.drain(0..260);
            x.extend(vec![0.0; 260]);
        }
    });
    assert!(check(&early).findings.iter().any(|f| f.what.contains("overhead_r hears the kick")));
}

#[test]
fn nothing_is_sure_of_the_mics_of_a_drum_that_is_hardly_played() {
    let dir = tempfile::tempdir().unwrap();
    let song = take(dir.path(), |_, _| {});
    for left in [0, 3] {
        let mut list = hits();
        let (kicks, snares): (Vec<Hit>, Vec<Hit>) = list.hits.into_iter().partition(|h| h.drum == Drum::Kick);
        list.hits = kicks.into_iter().chain(snares.into_iter().take(left)).collect();
        list.hits.sort_by_key(|h| h.pos);
        let report = measure(&song, &list, PhaseSettings::default(), &Quiet).unwrap();
        assert!(report.findings.iter().any(|f| f.what.contains("nothing certain can be said about the snare's phase")));
        for name in ["snare_top", "snare_bottom"] {
            assert!(!report.advice_for(name).unwrap().sure, "{name} with {left} strokes");
        }
        assert!(report.advice_for("overhead_l").unwrap().sure, "the kick answers for it");
        let told = |p: &underlay::phase::Pair| p.drum == Drum::Snare && p.polarity != Agreement::Unclear;
        assert!(!report.pairs.iter().any(told), "{left} strokes tell no sign");
    }
}

#[test]
fn an_overhead_is_turned_unheard_only_where_kick_and_snare_both_say_so() {
    let dir = tempfile::tempdir().unwrap();
    let turn = |name: &str, x: &mut Vec<f32>| {
        if name == "overhead_l" {
            x.iter_mut().for_each(|v| *v = -*v);
        }
    };
    let song = take(dir.path(), turn);
    let of = |list: &HitList| {
        let report = measure(&song, list, PhaseSettings::default(), &Quiet).unwrap();
        let advice = report.advice_for("overhead_l").unwrap();
        (advice.recommendation, advice.sure)
    };
    assert_eq!(of(&hits()), (Recommendation::Invert, true));
    let mut snare = hits();
    snare.hits.retain(|hit| hit.drum == Drum::Snare);
    assert!(!of(&snare).1, "by the snare alone it may be half a wave");
}

#[test]
fn the_same_take_gives_the_same_report_under_any_number_of_threads() {
    let dir = tempfile::tempdir().unwrap();
    let song = take(dir.path(), |_, _| {});
    let one = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap().install(|| check(&song));
    assert_eq!(one, check(&song));
}

/// The rendered sessions: recorded drums with modelled distances. `UNDERLAY_SESSIONS` names their folder.
#[test]
#[ignore = "needs the rendered sessions; set UNDERLAY_SESSIONS"]
fn on_the_rendered_sessions_the_kick_reaches_the_overheads_and_the_room_when_it_should() {
    let root = std::env::var_os("UNDERLAY_SESSIONS").expect("UNDERLAY_SESSIONS names the folder of the sessions");
    let mut names: Vec<_> = std::fs::read_dir(root).unwrap().map(|e| e.unwrap().path()).collect();
    names.sort();
    let dir = tempfile::tempdir().unwrap();
    for session in names.iter().filter(|p| p.join("truth.csv").exists()) {
        let started = std::time::Instant::now();
        let (song, list) = crate::sessions::load(session, dir.path());
        let report = measure(&song, &list, PhaseSettings::default(), &Quiet).unwrap();
        println!("{} ({:.2} s)", session.display(), started.elapsed().as_secs_f64());
        for p in &report.pairs {
            println!(
                "  {:6} {:12} {:13} n{:3} {:8} {:8.2} ({:.2} m) ±{:.2} agree {:.2} rival {:.2} conf {:.2}  sum {:+.1} {:+.1} {:+.1}  {:.0}-{:.0}",
                p.drum,
                p.reference,
                p.mic,
                p.strokes,
                p.polarity.word(),
                p.lag_samples,
                p.metres,
                p.spread_samples,
                p.agreement,
                p.rival,
                p.confidence,
                p.sum.as_is.0,
                p.sum.flipped.0,
                p.sum.aligned.0,
                p.band.low,
                p.band.high
            );
        }
        for a in &report.advice {
            println!("  {:13} {:15} {:.2} {}", a.mic, a.recommendation.words(), a.confidence, a.why);
        }
        for (mic, metres) in [("overhead_l", 1.4), ("overhead_r", 1.4), ("room", 3.9)] {
            let p = report.pair(Drum::Kick, mic).unwrap();
            assert!((p.metres - metres).abs() < 0.03, "{mic}: {p:?}");
            assert_eq!(p.polarity, Agreement::Same, "{mic}: {p:?}");
        }
    }
}

fn copy(shift: &underlay::phase::Shift) -> underlay::phase::Copied {
    let (file, told) = underlay::phase::write_copy(shift).unwrap();
    file.commit().unwrap();
    told
}

#[test]
fn a_corrected_copy_differs_in_its_sign_and_in_nothing_else() {
    use underlay::audio::{AudioReader, Bext, Cue, SampleFormat, WavExtras, WavSpec, WavWriter};
    let dir = tempfile::tempdir().unwrap();
    for format in
        [SampleFormat::Int8, SampleFormat::Int16, SampleFormat::Int24, SampleFormat::Int32, SampleFormat::Float32]
    {
        let path = dir.path().join(format!("{format:?}.wav"));
        let spec = WavSpec { rate: SampleRate::SESSION, channels: 2, format };
        let bext = Bext { description: "kick inside".into(), time_reference: 4_800, ..Bext::default() };
        let cues = vec![Cue { pos: SamplePos(17), label: "verse".into() }];
        let mut w = WavWriter::create_with(&path, spec, WavExtras { bext: Some(bext), cues, frames: None }).unwrap();
        let mut hiss = noise(5);
        let samples: Vec<f32> = (0..2 * 30_001).map(|i| if i == 7 { -1.0 } else { 0.9 * hiss() as f32 }).collect();
        w.write(&samples).unwrap();
        w.finish().unwrap();
        let target = dir.path().join(format!("{format:?}_copy.wav"));
        let shift = underlay::phase::Shift {
            source: path.clone(),
            channel: Channel::Sum,
            target: target.clone(),
            invert: true,
            later: 0,
        };
        let told = copy(&shift);
        assert_eq!(told.held, u64::from(format.is_integer()), "{format:?}");
        let (a, b) =
            (AudioReader::open(&path).unwrap().info().clone(), AudioReader::open(&target).unwrap().info().clone());
        assert_eq!((a.bext, a.cues, a.frames, a.format), (b.bext, b.cues, b.frames, b.format));
        let (mut was, mut is) = (Vec::new(), Vec::new());
        AudioReader::open(&path).unwrap().read(&mut was, 40_000).unwrap();
        AudioReader::open(&target).unwrap().read(&mut is, 40_000).unwrap();
        for (i, (a, b)) in was.iter().zip(&is).enumerate() {
            if i == 7 && format.is_integer() {
                assert!(*b > 0.99 && *b <= 1.0);
            } else {
                assert_eq!(*a, -*b, "{format:?} sample {i}");
            }
        }
        // Flipped back, it is the recording again, byte by byte, but for the one sample that has no opposite.
        let again = dir.path().join("again.wav");
        copy(&underlay::phase::Shift {
            source: target,
            channel: Channel::Sum,
            target: again.clone(),
            invert: true,
            later: 0,
        });
        let (x, y) = (std::fs::read(&path).unwrap(), std::fs::read(&again).unwrap());
        let differ = x.iter().zip(&y).filter(|(a, b)| a != b).count();
        assert!(x.len() == y.len() && differ <= if format.is_integer() { 4 } else { 0 }, "{format:?}: {differ}");
    }
}

#[test]
fn a_copy_moved_by_whole_samples_keeps_its_length_and_every_sample_that_stays() {
    let dir = tempfile::tempdir().unwrap();
    let mut hiss = noise(6);
    let samples: Vec<f32> = (0..10_000).map(|_| 0.9 * hiss() as f32).collect();
    let source = write(&dir.path().join("snare_bottom.wav"), 1, &samples);
    let read = |p: &Path| underlay::audio::read_mono(p, underlay::audio::Channel::Sum).unwrap().1;
    let was = read(&source);
    for later in [-14i64, 37] {
        let target = dir.path().join("moved.wav");
        copy(&underlay::phase::Shift {
            source: source.clone(),
            channel: Channel::Sum,
            target: target.clone(),
            invert: false,
            later,
        });
        let is = read(&target);
        assert_eq!(is.len(), was.len());
        for (i, v) in is.iter().enumerate() {
            let from = i as i64 - later;
            let want = usize::try_from(from).ok().and_then(|f| was.get(f)).copied().unwrap_or(0.0);
            assert_eq!(*v, want, "{later}: sample {i}");
        }
    }
    let too_far = underlay::phase::Shift {
        source: source.clone(),
        channel: Channel::Sum,
        target: dir.path().join("x.wav"),
        invert: false,
        later: 10_000,
    };
    assert!(underlay::phase::write_copy(&too_far).is_err());
    let itself = underlay::phase::Shift {
        source: source.clone(),
        channel: Channel::Sum,
        target: source.clone(),
        invert: true,
        later: 0,
    };
    assert_eq!(underlay::phase::write_copy(&itself).unwrap_err().exit_code() as u8, 4);
    assert_eq!(read(&source), was);
}

#[test]
fn a_corrected_copy_of_one_side_is_a_mono_file_of_that_side() {
    use underlay::audio::{AudioReader, SampleFormat, WavSpec, WavWriter, read_mono};
    let dir = tempfile::tempdir().unwrap();
    for format in [SampleFormat::Int24, SampleFormat::Float32] {
        let source = dir.path().join(format!("{format:?}.wav"));
        let mut w = WavWriter::create(&source, WavSpec { rate: SampleRate::SESSION, channels: 2, format }).unwrap();
        let mut hiss = noise(8);
        w.write(&(0..2 * 70_001).map(|_| 0.9 * hiss() as f32).collect::<Vec<_>>()).unwrap();
        w.finish().unwrap();
        for (channel, later) in [(Channel::Left, 0i64), (Channel::Right, 0), (Channel::Right, -3)] {
            let target = dir.path().join("side.wav");
            copy(&underlay::phase::Shift {
                source: source.clone(),
                channel,
                target: target.clone(),
                invert: true,
                later,
            });
            let info = AudioReader::open(&target).unwrap().info().clone();
            assert_eq!((info.channels, info.frames, info.format), (1, 70_001, format));
            let (was, is) = (read_mono(&source, channel).unwrap().1, read_mono(&target, Channel::Sum).unwrap().1);
            let early = later.unsigned_abs() as usize;
            assert!(was.iter().skip(early).zip(&is).all(|(a, b)| *a == -*b), "{format:?} {channel:?}");
        }
    }
}

/// Runs the command in-process; gives exit code, standard output and standard error.
fn run(args: &[&str]) -> (u8, String, String) {
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let typed = std::iter::once("underlay").chain(args.iter().copied());
    let code = underlay::cli::run(typed, &mut underlay::cli::Screen { out: &mut out, err: &mut err, bars: false });
    (code as u8, String::from_utf8(out).unwrap(), String::from_utf8(err).unwrap())
}

/// A sheet for the known kit, with its hit list beside it.
fn sheet(dir: &Path) -> String {
    let song = take(dir, |_, _| {});
    let mut text = String::from("[song]\ntitle = \"Low Tide\"\n\n[tempo]\nbpm = 120\n");
    for mic in &song.mics {
        let file = mic.info.path.file_name().unwrap().to_string_lossy();
        text += &format!(
            "\n[[mic]]\nname = \"{}\"\nfile = \"{file}\"\ndrum = \"{}\"\nplace = \"{}\"\n",
            mic.name, mic.drum, mic.place
        );
    }
    let path = dir.join("song.toml");
    std::fs::write(&path, text).unwrap();
    std::fs::create_dir_all(dir.join("out")).unwrap();
    hits().write(&dir.join("out/hits.csv")).unwrap();
    path.to_string_lossy().into_owned()
}

#[test]
fn the_command_advises_writes_copies_and_leaves_the_recordings_alone() {
    let dir = tempfile::tempdir().unwrap();
    let sheet = sheet(dir.path());
    let at = |name: &str| dir.path().join(name);
    let before: Vec<Vec<u8>> = seats().iter().map(|s| std::fs::read(at(&format!("{}.wav", s.name))).unwrap()).collect();
    let out = at("out").to_string_lossy().into_owned();
    let copies = at("copies").to_string_lossy().into_owned();
    let (code, text, err) = run(&["phase", &sheet, "--out", &out]);
    assert_eq!((code, err.as_str()), (1, ""), "{text}");
    assert!(
        text.contains("snare_bottom") && text.contains("adds up better flipped, and the sheet does not decide yet"),
        "{text}"
    );
    assert!(text.contains("--into-sheet"), "the next step names it: {text}");
    assert!(!text.contains("decide by ear"), "everything is sure here: {text}");
    for name in
        ["phase.csv", "pictures/phase_matrix.svg", "pictures/phase_sum_kick.svg", "pictures/phase_sum_snare.svg"]
    {
        assert!(at("out").join(name).is_file(), "{name}");
    }
    let drawn = std::fs::read_to_string(at("out/pictures/phase_sum_snare.svg")).unwrap();
    assert!(drawn.contains("Snare: as the files are"), "the picture itself names its drum");
    let (code, text, err) = run(&["phase", &sheet, "--out", &out, "--write", &copies, "--align", "snare", "--json"]);
    assert_eq!((code, err.as_str()), (0, ""), "{text}");
    let json: serde_json::Value = serde_json::from_str(&text).unwrap();
    let told = json["result"]["copies"].as_array().unwrap();
    assert_eq!(told.len(), 1, "only the snare's lower mic needs a copy: {told:?}");
    assert_eq!((told[0]["inverted"].as_bool(), told[0]["later"].as_i64()), (Some(true), Some(-14)));
    let mut written: Vec<_> = std::fs::read_dir(&copies).unwrap().map(|e| e.unwrap().file_name()).collect();
    written.sort();
    assert_eq!(written, ["copies.csv", "snare_bottom.wav"]);
    let record = std::fs::read_to_string(at("copies/copies.csv")).unwrap();
    assert!(record.contains("snare_bottom.wav,snare_bottom.wav,inverted,-14,"), "{record}");
    let after: Vec<Vec<u8>> = seats().iter().map(|s| std::fs::read(at(&format!("{}.wav", s.name))).unwrap()).collect();
    assert_eq!(before, after);
    // Written beside the recordings, a copy would replace its own source: refused, and nothing changes.
    let (code, _, err) = run(&["phase", &sheet, "--out", &out, "--write", &dir.path().to_string_lossy()]);
    assert_eq!(code, 4, "{err}");
    assert_eq!(std::fs::read(at("snare_bottom.wav")).unwrap(), before[3]);
    // Named, an overhead may be moved, with a caution.
    let (code, text, _) = run(&["phase", &sheet, "--out", &out, "--write", &copies, "--move", "overhead_l"]);
    assert_eq!(code, 1);
    assert!(text.contains("overhead_l was moved against the rest of the kit"), "{text}");
    // An earlier copy was replaced by that; what somebody has made of it since is not.
    let copy = at("copies/snare_bottom.wav");
    std::fs::write(&copy, b"somebody's work").unwrap();
    let (code, _, err) = run(&["phase", &sheet, "--out", &out, "--write", &copies]);
    assert!(code == 4 && err.contains("snare_bottom.wav"), "{err}");
    assert_eq!(std::fs::read(&copy).unwrap(), b"somebody's work");
    let (code, _, err) = run(&["phase", &sheet, "--out", &out, "--write", &copies, "--move", "cowbell"]);
    assert!(code == 2 && err.contains("cowbell") && err.contains("overhead_l"), "{err}");
}

#[test]
fn the_two_sides_of_a_stereo_file_are_heard_apart_and_a_swapped_side_is_said() {
    let dir = tempfile::tempdir().unwrap();
    let seats = seats();
    for swapped in [false, true] {
        let mut song = take(dir.path(), |_, _| {});
        let made = tracks(&seats);
        let side = if swapped { -1.0 } else { 1.0 };
        let wide: Vec<f32> = made[4].iter().zip(&made[5]).flat_map(|(l, r)| [*l, side * r]).collect();
        let stereo = mic(write(&dir.path().join("overheads.wav"), 2, &wide), Drum::Overhead, Place::Stereo);
        song.mics.splice(4..6, [stereo]);
        let report = check(&song);
        let right = report.pair(Drum::Kick, "overheads R").unwrap();
        assert!((right.lag_samples - 196.0).abs() < 0.25, "{right:?}");
        assert_eq!(right.polarity, if swapped { Agreement::Opposite } else { Agreement::Same });
        let said = report.findings.iter().any(|f| f.what.contains("left and right hear the kit with opposite signs"));
        assert_eq!(said, swapped, "{:?}", report.findings);
        let advice = report.advice_for("overheads").unwrap().recommendation;
        assert_eq!(advice, if swapped { Recommendation::Unclear } else { Recommendation::Keep });
        // What is advised for the file stands beside both of its sides.
        let table = phase_csv(&report);
        let sides: Vec<&str> = table.lines().filter(|row| row.contains(",overheads R,")).collect();
        assert!(sides.len() > 1 && sides.iter().all(|row| row.ends_with(advice.words())), "{sides:?}");
    }
}

/// The known kit's sheet with the quirks of one that people have worked in.
fn lived_in(dir: &Path, line_end: &str) -> String {
    let path = sheet(dir);
    let text = std::fs::read_to_string(&path)
        .unwrap()
        .replacen("# ", "#  ", 1)
        .replace("place = \"top\"", "place = \"top\"   # over the rim\npolarity = 'undecided'     # ask Jo")
        .replace("drum = \"room\"", "  drum   =  \"room\" # far away")
        .replace("name = \"kick_out\"", "# my second kick mic\nname = \"kick_out\"\npolarity = \"invert\"");
    std::fs::write(&path, text.replace('\n', line_end)).unwrap();
    path
}

#[test]
fn sure_advice_goes_into_the_sheet_and_no_other_character_changes() {
    for line_end in ["\n", "\r\n"] {
        let dir = tempfile::tempdir().unwrap();
        let sheet = lived_in(dir.path(), line_end);
        let out = dir.path().join("out").to_string_lossy().into_owned();
        let before = std::fs::read_to_string(&sheet).unwrap();
        let (code, text, err) = run(&["phase", &sheet, "--out", &out, "--into-sheet"]);
        assert_eq!((code, err.as_str()), (0, ""), "{text}");
        let after = std::fs::read_to_string(&sheet).unwrap();
        let expected = before
            .replace("'undecided'", "\"keep\"")
            .replace("# far away", &format!("# far away{line_end}  polarity = \"keep\""))
            .replace(
                &format!("drum = \"snare\"{line_end}place = \"bottom\""),
                &format!("drum = \"snare\"{line_end}polarity = \"invert\"{line_end}place = \"bottom\""),
            )
            .replace("drum = \"overhead\"", &format!("drum = \"overhead\"{line_end}polarity = \"keep\""))
            .replace(
                &format!("drum = \"kick\"{line_end}place = \"in\""),
                &format!("drum = \"kick\"{line_end}polarity = \"keep\"{line_end}place = \"in\""),
            );
        assert_eq!(after, expected);
        assert_eq!(std::fs::read_to_string(format!("{sheet}.old")).unwrap(), before, "the old sheet is kept");
        for said in ["snare_bottom  invert", "kick_out", "stays at invert as you set it, although keep is advised"] {
            assert!(text.contains(said), "{said}: {text}");
        }
        let song = Song::read(Path::new(&sheet)).unwrap();
        let inverted: Vec<&str> =
            song.mics.iter().filter(|m| m.polarity == Polarity::Invert).map(|m| m.name.as_str()).collect();
        assert_eq!(inverted, ["kick_out", "snare_bottom"]);
        // Once more: everything is decided, so nothing is written and no second copy is kept.
        let (_, text, _) = run(&["phase", &sheet, "--out", &out, "--into-sheet"]);
        assert!(text.contains("left as it is"), "{text}");
        assert_eq!(std::fs::read_to_string(&sheet).unwrap(), after);
        assert!(!Path::new(&format!("{sheet}.old2")).exists());
    }
}

#[test]
fn mics_in_one_line_and_a_sheet_with_a_byte_order_mark_get_their_polarity_too() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path());
    let line = |s: &Seat| {
        format!("  {{ file = \"{}.wav\", name = \"{0}\", drum = \"{}\", place = \"{}\" }}", s.name, s.drum, s.place)
    };
    let mics: Vec<String> = seats().iter().map(line).collect();
    let text = format!("\u{feff}mic = [\n{},\n]\n[tempo]\nbpm = 120\n", mics.join(",\n"));
    std::fs::write(&path, &text).unwrap();
    let new = with_polarity(&text, Path::new(&path), &[(3, Polarity::Invert), (0, Polarity::Keep)]).unwrap();
    assert!(new.contains("drum = \"kick\", polarity = \"keep\", place = \"in\" }"), "{new}");
    assert!(new.contains("drum = \"snare\", polarity = \"invert\", place = \"bottom\" }"), "{new}");
    assert_eq!(new.replace(", polarity = \"keep\"", "").replace(", polarity = \"invert\"", ""), text);
}

#[test]
fn a_sheet_without_anything_sure_a_protected_one_and_a_copy_at_once_are_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path());
    let out = dir.path().join("out").to_string_lossy().into_owned();
    let (code, _, err) = run(&["phase", &path, "--out", &out, "--into-sheet", "--write", &out]);
    assert!(code == 2 && err.contains("--into-sheet"), "flipped twice would be as recorded: {err}");
    let before = std::fs::read(&path).unwrap();
    let mut may = std::fs::metadata(&path).unwrap().permissions();
    may.set_readonly(true);
    std::fs::set_permissions(&path, may).unwrap();
    let (code, _, err) = run(&["phase", &path, "--out", &out, "--into-sheet"]);
    assert!(code == 4 && err.contains("write-protected"), "{err}");
    assert_eq!(std::fs::read(&path).unwrap(), before);
    assert!(!Path::new(&format!("{path}.old")).exists());
}
