//! A small invented song on disk for tests of mix and handoff: a few mics with strokes and bleed, a guide, a programmed part.

use std::path::{Path, PathBuf};
use underlay::audio::{AudioReader, Channel, SampleFormat, WavSpec, WavWriter};
use underlay::song::{Drum, LayerPlan, Mic, Place, Polarity, Song, Track, TrackKind};
use underlay::tempo::{Meter, TempoMap};
use underlay::units::{Bpm, Decibels, SampleRate, Seconds};

pub const RATE: SampleRate = SampleRate::SESSION;

/// Deterministic white noise, −1..1.
pub fn noise(seed: u32) -> impl FnMut() -> f64 {
    let mut state = u64::from(seed).wrapping_mul(2_862_933_555_777_941_757).wrapping_add(3_037_000_493);
    move || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 40) as f64 / f64::from(1 << 23) - 1.0
    }
}

/// A stroke every `every` seconds from `first`: a decaying tone with a noisy attack over a quiet noise floor.
pub fn strokes(seconds: f64, first: f64, every: f64, hz: f64, peak: f64, seed: u32) -> Vec<f32> {
    let mut noise = noise(seed);
    (0..(seconds * RATE.hz_f64()) as usize)
        .map(|i| {
            let t = i as f64 / RATE.hz_f64() - first;
            let floor = 1e-4 * noise();
            if t < 0.0 {
                return floor as f32;
            }
            let t = t % every;
            let tone = (std::f64::consts::TAU * hz * t).sin() * (-18.0 * t).exp();
            let snap = noise() * (-300.0 * t).exp();
            (floor + peak * (0.7 * tone + 0.3 * snap)) as f32
        })
        .collect()
}

/// Writes a 24-bit file.
pub fn write(path: &Path, channels: u16, samples: &[f32]) -> PathBuf {
    write_as(path, WavSpec { rate: RATE, channels, format: SampleFormat::Int24 }, samples)
}

/// Writes a file of any kind.
pub fn write_as(path: &Path, spec: WavSpec, samples: &[f32]) -> PathBuf {
    let mut w = WavWriter::create(path, spec).unwrap();
    w.write(samples).unwrap();
    w.finish().unwrap();
    path.to_owned()
}

pub fn mic(path: PathBuf, drum: Drum, place: Place) -> Mic {
    Mic {
        polarity: Polarity::Keep,
        ..Mic::new(
            path.file_stem().unwrap().to_string_lossy().into_owned(),
            AudioReader::open(&path).unwrap().info().clone(),
            drum,
            place,
        )
    }
}

pub fn track(path: PathBuf, kind: TrackKind) -> Track {
    Track {
        name: path.file_stem().unwrap().to_string_lossy().into_owned(),
        info: AudioReader::open(&path).unwrap().info().clone(),
        kind,
        level: None,
        pan: None,
    }
}

pub fn layer(name: &str, drum: Drum) -> LayerPlan {
    LayerPlan {
        name: name.into(),
        drum,
        samples: Vec::new(),
        built_in: Some("round".into()),
        level: Decibels(-6.0),
        dynamics: 60.0,
        seed: 1,
        choke: false,
        sections: Vec::new(),
        pull: 0.0,
        pan: 0.0,
    }
}

/// Puts two mono mics of a song into one stereo file, of which each is a side from then on.
pub fn on_one_file(song: &mut Song, left: usize, right: usize, path: &Path) {
    let read = |m: &Mic| underlay::audio::read_mono(&m.info.path, Channel::Sum).unwrap().1;
    let (l, r) = (read(&song.mics[left]), read(&song.mics[right]));
    write(path, 2, &l.iter().zip(&r).flat_map(|(l, r)| [*l, *r]).collect::<Vec<_>>());
    let info = AudioReader::open(path).unwrap().info().clone();
    for (i, channel) in [(left, Channel::Left), (right, Channel::Right)] {
        song.mics[i] = Mic { info: info.clone(), channel, ..song.mics[i].clone() };
    }
}

/// Five mics, a guide and a programmed part, `seconds` long.
pub fn song(dir: &Path, seconds: f64) -> Song {
    let at = |name: &str| dir.join(name);
    let kick = strokes(seconds, 0.5, 1.0, 60.0, 0.5, 1);
    let snare = strokes(seconds, 1.0, 1.0, 190.0, 0.4, 2);
    let bottom: Vec<f32> = snare.iter().map(|x| -0.5 * x).collect();
    let mut air = noise(3);
    let mut over = |a: f32, b: f32| -> Vec<f32> {
        kick.iter().zip(&snare).map(|(k, s)| a * k + b * s + 1e-4 * air() as f32).collect()
    };
    let (left, right) = (over(0.2, 0.3), over(0.2, 0.2));
    let mut tone = noise(4);
    let guide: Vec<f32> = (0..kick.len())
        .flat_map(|i| {
            let x = 0.2 * (std::f64::consts::TAU * 220.0 * i as f64 / RATE.hz_f64()).sin() + 0.01 * tone();
            [x as f32, 0.9 * x as f32]
        })
        .collect();
    let shaker = strokes(seconds, 0.25, 0.25, 3_000.0, 0.1, 5);
    let mics = vec![
        mic(write(&at("kick_in.wav"), 1, &kick), Drum::Kick, Place::In),
        mic(write(&at("snare_top.wav"), 1, &snare), Drum::Snare, Place::Top),
        mic(write(&at("snare_bottom.wav"), 1, &bottom), Drum::Snare, Place::Bottom),
        mic(write(&at("oh_l.wav"), 1, &left), Drum::Overhead, Place::Left),
        mic(write(&at("oh_r.wav"), 1, &right), Drum::Overhead, Place::Right),
    ];
    let tracks = vec![
        track(write(&at("two_mix.wav"), 2, &guide), TrackKind::Guide),
        track(write(&at("shaker.wav"), 1, &shaker), TrackKind::Programming),
    ];
    Song {
        sheet: at("song.toml"),
        title: "Low Tide".into(),
        drummer: "The house drummer".into(),
        mics,
        tracks,
        tempo: Some(TempoMap::constant(Bpm::new(120.0).unwrap(), Meter::FOUR_FOUR, Seconds(0.0))),
        ..Song::default()
    }
}

/// A sheet for the small song in a folder; `extra` lines are put behind it.
pub fn sheet(dir: &Path, seconds: f64, extra: &str) -> PathBuf {
    song(dir, seconds);
    let mut text = String::from(
        "[song]\ntitle = \"Low Tide\"\ndrummer = \"The house drummer\"\n\n[tempo]\nbpm = 120\nbar_one = 0\n\n",
    );
    for (name, drum, place) in [
        ("kick_in", "kick", "in"),
        ("snare_top", "snare", "top"),
        ("snare_bottom", "snare", "bottom"),
        ("oh_l", "overhead", "left"),
        ("oh_r", "overhead", "right"),
    ] {
        let polarity = if name == "snare_bottom" { "invert" } else { "keep" };
        text += &format!(
            "[[mic]]\nname = \"{name}\"\nfile = \"{name}.wav\"\ndrum = \"{drum}\"\nplace = \"{place}\"\npolarity = \"{polarity}\"\n\n"
        );
    }
    for (name, kind) in [("two_mix", "guide"), ("shaker", "programming")] {
        text += &format!("[[track]]\nname = \"{name}\"\nfile = \"{name}.wav\"\nkind = \"{kind}\"\n\n");
    }
    let path = dir.join("song.toml");
    std::fs::write(&path, text + extra).unwrap();
    path
}
