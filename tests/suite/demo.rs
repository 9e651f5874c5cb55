//! The invented take: the same for a seed, its strokes where they are said to be.

use std::path::Path;
use underlay::cli::{Screen, run};
use underlay::demo::{DemoMic, DemoSong, DemoSpec, Stroke, Touch, Voice, truth_csv};
use underlay::hits::matching::score;
use underlay::hits::{HitList, Kind};
use underlay::song::{Drum, Song};
use underlay::tempo::parse_tempo_track;
use underlay::units::{Dbfs, Decibels, SampleRate, Seconds};
use underlay::{ExitCode, Progress, Quiet};

/// A short take without noise and room, so that single sounds can be measured.
fn dry(strokes: Vec<Stroke>, mics: &[DemoMic]) -> DemoSong {
    let mut spec = DemoSpec::story();
    spec.mics = mics.to_vec();
    spec.noise = Dbfs(-300.0);
    spec.room = Decibels(-300.0);
    spec.style = underlay::demo::Style::Straight;
    spec.bars = 1;
    DemoSong::new(spec).with_strokes(strokes)
}

fn stroke(time: f64, voice: Voice, strength: f64) -> Stroke {
    Stroke { time: Seconds(time), voice, strength, touch: Touch::Plain }
}

fn mic(song: &DemoSong, wanted: DemoMic) -> Vec<f32> {
    song.take().mics.into_iter().find(|(m, _)| *m == wanted).unwrap().1
}

/// Lag of `b` behind `a` in samples where their product sum is largest in size, and that sum's sign.
fn lag(a: &[f32], b: &[f32], most: usize) -> (usize, f32) {
    let sum = |k: usize| a.iter().zip(&b[k..]).map(|(x, y)| x * y).sum::<f32>();
    (0..most).map(|k| (k, sum(k))).max_by(|x, y| x.1.abs().total_cmp(&y.1.abs())).unwrap()
}

#[test]
fn a_seed_gives_the_same_take_and_another_seed_another() {
    let make = |seed| DemoSong::new(DemoSpec::varied(seed, 1)).take();
    let (a, b, c) = (make(3), make(3), make(4));
    assert_eq!(a.truth, b.truth);
    assert!(a.mics.iter().zip(&b.mics).all(|(x, y)| x == y));
    assert_ne!(a.truth, c.truth);
}

#[test]
fn one_thread_and_many_render_the_same_samples() {
    let song = DemoSong::new(DemoSpec::varied(5, 1));
    let many = song.take();
    let one = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap().install(|| song.take());
    assert!(many.mics == one.mics && many.truth == one.truth);
}

#[test]
fn sound_reaches_far_mics_later_by_the_distance_over_the_speed_of_sound() {
    // 343.2 m/s: 139.86 samples a metre at 48 kHz.
    let song = dry(vec![stroke(0.5, Voice::Snare, 0.9)], &DemoMic::NINE);
    let take = song.take();
    let of = |wanted| &take.mics.iter().find(|(m, _)| *m == wanted).unwrap().1;
    let top = of(DemoMic::SnareTop);
    for far in [DemoMic::OverheadL, DemoMic::OverheadR, DemoMic::Room] {
        let said = (song.arrival(Voice::Snare, far) - song.arrival(Voice::Snare, DemoMic::SnareTop)).0 * 48_000.0;
        let a = &top[23_990..27_000];
        let (found, sign) = lag(a, &of(far)[23_990..29_000], 900);
        assert!((found as f64 - said).abs() <= 3.0, "{far:?}: {found} samples, said {said:.1}");
        assert!(sign > 0.0, "{far:?}");
    }
}

#[test]
fn the_snares_lower_mic_hears_the_drum_turned_over() {
    let song = dry(vec![stroke(0.5, Voice::Snare, 0.9)], &[DemoMic::SnareTop, DemoMic::SnareBottom]);
    let (top, bottom) = (mic(&song, DemoMic::SnareTop), mic(&song, DemoMic::SnareBottom));
    let low = |x: &[f32]| {
        let mut state = 0.0;
        x.iter()
            .map(|v| {
                state += 0.05 * (v - state);
                state
            })
            .collect::<Vec<f32>>()
    };
    let (_, sign) = lag(&low(&top[23_990..27_000]), &low(&bottom[23_990..27_200]), 60);
    assert!(sign < 0.0);
}

#[test]
fn a_flipped_mic_is_the_same_with_the_other_sign() {
    let plain = dry(vec![stroke(0.3, Voice::Kick, 0.9)], &[DemoMic::KickIn, DemoMic::Room]);
    let mut spec = plain.spec().clone();
    spec.flipped = vec![DemoMic::KickIn];
    let flipped = DemoSong::new(spec).with_strokes(plain.performance().to_vec());
    let (a, b) = (plain.take(), flipped.take());
    for ((m, x), (_, y)) in a.mics.iter().zip(&b.mics) {
        let sign = if *m == DemoMic::KickIn { -1.0 } else { 1.0 };
        assert!(x.iter().zip(y).all(|(p, q)| (p - sign * q).abs() < 1e-6), "{m:?}");
    }
}

#[test]
fn the_truth_is_where_the_close_mic_first_reaches_five_per_cent_of_the_first_thirty_ms() {
    for (voice, close) in [(Voice::Kick, DemoMic::KickIn), (Voice::Snare, DemoMic::SnareTop)] {
        for strength in [0.15, 0.5, 0.95] {
            let song = dry(vec![stroke(0.5, voice, strength)], &[close]);
            let take = song.take();
            let x = &take.mics.iter().find(|(m, _)| *m == close).unwrap().1;
            let arrived = x.iter().position(|v| v.abs() > 1e-9).unwrap();
            let top = |n: usize| x[arrived..arrived + n].iter().fold(0f32, |a, v| a.max(v.abs()));
            let first = x.iter().position(|v| v.abs() >= 0.05 * top(1_440)).unwrap();
            let truth = take.truth[0];
            assert!((truth.pos.0 as i64 - first as i64).abs() <= 1, "{voice:?}: {} and {first}", truth.pos);
            assert!((truth.peak.0 - Dbfs::from_peak(f64::from(top(4_800))).0).abs() < 0.1, "{voice:?}");
        }
    }
}

#[test]
fn harder_strokes_are_louder() {
    let times: Vec<Stroke> = (1..=9).map(|k| stroke(f64::from(k) * 0.4, Voice::Snare, f64::from(k) * 0.1)).collect();
    let truth = dry(times, &[DemoMic::SnareTop]).truth();
    assert!(truth.windows(2).all(|w| w[1].peak.0 > w[0].peak.0 - 0.5), "{truth:?}");
    assert!(truth[8].peak.0 - truth[0].peak.0 > 20.0);
}

#[test]
fn bleed_comes_and_goes_with_its_setting() {
    let level = |bleed: f64| {
        let song = dry(vec![stroke(0.5, Voice::Kick, 0.9)], &[DemoMic::TomFloor]);
        let mut spec = song.spec().clone();
        spec.bleed = Decibels(bleed);
        let x = mic(&DemoSong::new(spec).with_strokes(song.performance().to_vec()), DemoMic::TomFloor);
        Dbfs::from_peak(x.iter().fold(0f64, |a, v| a.max(f64::from(v.abs())))).0
    };
    assert!((level(6.0) - level(0.0) - 6.0).abs() < 0.3, "{} {}", level(6.0), level(0.0));
}

#[test]
fn no_two_strokes_sound_alike() {
    let two = vec![stroke(0.5, Voice::Snare, 0.8), stroke(1.5, Voice::Snare, 0.8)];
    let x = mic(&dry(two, &[DemoMic::SnareTop]), DemoMic::SnareTop);
    let (a, b) = (&x[24_000..26_400], &x[72_000..74_400]);
    let dot = |p: &[f32], q: &[f32]| p.iter().zip(q).map(|(x, y)| x * y).sum::<f32>();
    let alike = dot(a, b) / (dot(a, a) * dot(b, b)).sqrt();
    assert!((0.2..0.98).contains(&alike), "{alike}");
}

#[test]
fn the_story_has_every_kind_of_stroke_and_fits_its_minute() {
    let song = DemoSong::story();
    let truth = song.truth();
    let count = |drum, kind| truth.iter().filter(|t| t.drum == drum && t.kind == kind).count();
    assert!(count(Drum::Kick, Kind::Hit) > 60 && count(Drum::Snare, Kind::Hit) > 40);
    assert!(count(Drum::Snare, Kind::Ghost) > 25 && count(Drum::Snare, Kind::Flam) >= 5);
    assert!(count(Drum::Snare, Kind::Roll) > 10);
    let seconds = song.frames() as f64 / 48_000.0;
    assert!((45.0..75.0).contains(&seconds), "{seconds}");
    assert_eq!(truth_csv(&truth).lines().count(), truth.len() + 1);
}

#[test]
fn the_tempo_file_puts_every_bar_where_the_song_has_it() {
    let song = DemoSong::story();
    let track = parse_tempo_track(Path::new("tempo.mid"), &song.tempo_file(), Seconds(0.0)).unwrap();
    for (k, start) in song.bar_starts().iter().enumerate() {
        let at = track.map.time_at(track.map.bar_start(k as i64 + 1) as f64);
        assert!((at.0 - start.0).abs() < 1e-9, "bar {}: {} and {}", k + 1, at, start);
    }
    assert!(track.map.tempos().len() >= 3, "the tempo changes");
    assert_eq!(track.map.markers().len(), song.sections().len());
}

#[test]
fn takes_exist_at_other_rates_with_their_strokes_at_the_same_times() {
    let at = |hz| {
        let mut spec = DemoSpec::varied(11, 1);
        spec.rate = SampleRate::new(hz).unwrap();
        DemoSong::new(spec).truth()
    };
    let base = at(48_000);
    for hz in [44_100, 96_000] {
        let other = at(hz);
        assert_eq!(other.len(), base.len());
        for (a, b) in base.iter().zip(&other) {
            assert!((a.time.0 - b.time.0).abs() < 0.001, "{hz}: {} and {}", a.time, b.time);
        }
    }
}

#[test]
fn many_drummers_on_many_kits_stay_below_full_scale() {
    for seed in 0..4 {
        let take = DemoSong::new(DemoSpec::varied(seed, 1)).take();
        for (m, x) in &take.mics {
            let full = x.iter().filter(|v| v.abs() >= 0.999).count();
            assert!(full < 20, "seed {seed}, {m:?}: {full} samples at full scale");
            assert!(x.iter().all(|v| v.is_finite()));
        }
    }
}

#[test]
fn one_command_renders_the_demo_and_does_the_whole_job_on_it() {
    let dir = tempfile::tempdir().unwrap();
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let typed = ["underlay".into(), "demo".into(), dir.path().as_os_str().to_owned()];
    let code = run(typed, &mut Screen { out: &mut out, err: &mut err, bars: false });
    assert!(matches!(code, ExitCode::Done | ExitCode::Findings), "{}", String::from_utf8_lossy(&err));
    assert!(String::from_utf8_lossy(&out).contains("report.html"));

    let song = Song::read(&dir.path().join("song.toml")).unwrap();
    assert!(song.findings().is_empty(), "{:?}", song.findings());
    assert_eq!((song.mics.len(), song.tracks.len(), song.form.len()), (9, 2, 8));
    let list = HitList::read(&dir.path().join("underlay/hits.csv"), song.rate(), None).unwrap().list;
    let truth = DemoSong::story().truth();
    for (drum, least) in [(Drum::Kick, 0.985), (Drum::Snare, 0.96)] {
        let known: Vec<f64> = truth.iter().filter(|t| t.drum == drum).map(|t| t.time.0).collect();
        let found: Vec<f64> = list.of(drum).map(|h| h.pos.at(list.rate).0).collect();
        let f = score(&known, &found, 0.005).f;
        assert!(f >= least, "{drum}: F {f:.3}");
    }
    let page = std::fs::read_to_string(dir.path().join("underlay/report.html")).unwrap();
    assert!(page.contains(DemoSong::TITLE) && page.matches("<svg").count() >= 4);
    let results = dir.path().join("underlay");
    for file in ["pictures/snare_velocity.svg", "timing.html", "phase.csv", "layers/snare_layer.wav", "rough_mix.wav"] {
        assert!(results.join(file).exists(), "{file}");
    }
    let zip = results.join("TheLighthouseBicycle_Handoff_R01.zip");
    assert!(underlay::handoff::verify(&zip, &Quiet).unwrap().wrong.is_empty());
    // Every link of the last page leads to a file.
    let page = std::fs::read_to_string(results.join("summary.html")).unwrap();
    let links: Vec<&str> = page.split("href=\"").skip(1).filter_map(|l| l.split('"').next()).collect();
    assert!(links.len() >= 8, "{links:?}");
    assert!(links.iter().all(|l| results.join(l).is_file()), "{links:?}");
    // For the gate, which opens it with tools that know nothing of this program.
    crate::keep_for_the_gate("handoff_check", &zip);
}

#[test]
fn the_demo_never_replaces_recordings_that_are_not_its_own() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("snare_top.wav"), b"a take that nobody can play again").unwrap();
    let e = DemoSong::story().render_session(dir.path(), &Quiet).unwrap_err();
    assert_eq!(e.exit_code(), ExitCode::Output);
    assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 1);
}

#[test]
fn the_demo_may_be_rendered_again_over_itself_but_not_over_an_edited_sheet() {
    let dir = tempfile::tempdir().unwrap();
    let mut spec = DemoSpec::varied(2, 1);
    spec.mics.truncate(2);
    let song = DemoSong::new(spec);
    song.render_session(dir.path(), &Quiet).unwrap();
    let first = std::fs::read(dir.path().join("kick_in.wav")).unwrap();
    song.render_session(dir.path(), &Quiet).unwrap();
    assert_eq!(std::fs::read(dir.path().join("kick_in.wav")).unwrap(), first);
    let sheet = dir.path().join("song.toml");
    std::fs::write(&sheet, "[song]\ntitle = \"Mine now\"\n").unwrap();
    assert_eq!(song.render_session(dir.path(), &Quiet).unwrap_err().exit_code(), ExitCode::Output);
    assert!(std::fs::read_to_string(&sheet).unwrap().contains("Mine now"));
}

#[test]
fn a_demo_that_cannot_be_finished_leaves_nothing_half_done() {
    let dir = tempfile::tempdir().unwrap();
    let mut spec = DemoSpec::varied(2, 1);
    spec.mics.truncate(2);
    let e = DemoSong::new(spec).render_session(dir.path(), &InTheWay(dir.path())).unwrap_err();
    assert_eq!(e.exit_code(), ExitCode::Output);
    let left: Vec<_> = std::fs::read_dir(dir.path()).unwrap().map(|f| f.unwrap().path()).collect();
    assert_eq!(left, [dir.path().join("shaker.wav")]);
}

/// Puts a folder where the shaker is to be written, as soon as the mics are done.
struct InTheWay<'a>(&'a Path);

impl Progress for InTheWay<'_> {
    fn begin(&self, what: &str, _total: u64) {
        if what.contains("client") {
            std::fs::create_dir(self.0.join("shaker.wav")).unwrap();
        }
    }
    fn advance(&self, _units: u64) {}
    fn end(&self) {}
}
