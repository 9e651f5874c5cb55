//! How long a layer of a four-minute song takes, and a phase check of nine mics.
//!
//! `cargo bench --bench layer`

#![allow(clippy::unwrap_used, reason = "a benchmark that cannot go on has failed")]

use std::path::{Path, PathBuf};
use underlay::Quiet;
use underlay::audio::{AudioReader, SampleFormat, WavSpec, WavWriter};
use underlay::hits::{Hit, HitList, Kind, State};
use underlay::layer::prepare;
use underlay::phase::{PhaseSettings, measure};
use underlay::song::{Drum, LayerPlan, Mic, Place, Song};
use underlay::units::{Dbfs, Decibels, SamplePos, SampleRate, Velocity};

const SECONDS: u64 = 240;

fn main() {
    divan::main();
}

/// A mic with a stroke every half second.
fn mic(dir: &Path, name: &str, drum: Drum, place: Place) -> Mic {
    let path: PathBuf = dir.join(format!("{name}.wav"));
    let spec = WavSpec { rate: SampleRate::SESSION, channels: 1, format: SampleFormat::Int24 };
    let mut wav = WavWriter::create(&path, spec).unwrap();
    let mut state = name.len() as u32 + 1;
    let block: Vec<f32> = (0..24_000)
        .map(|i| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let t = i as f32 / 48_000.0;
            let hiss = state as f32 / u32::MAX as f32 - 0.5;
            0.5 * (t * 60.0 * std::f32::consts::TAU).sin() * (-t * 15.0).exp() + 0.01 * hiss
        })
        .collect();
    for _ in 0..SECONDS * 2 {
        wav.write(&block).unwrap();
    }
    wav.finish().unwrap();
    Mic::new(name, AudioReader::open(&path).unwrap().info().clone(), drum, place)
}

fn song(dir: &Path) -> (Song, HitList) {
    let mics = vec![
        mic(dir, "kick_in", Drum::Kick, Place::In),
        mic(dir, "snare_top", Drum::Snare, Place::Top),
        mic(dir, "snare_bottom", Drum::Snare, Place::Bottom),
        mic(dir, "hat", Drum::Hat, Place::Close),
        mic(dir, "tom_high", Drum::Tom, Place::Close),
        mic(dir, "tom_floor", Drum::Tom, Place::Close),
        mic(dir, "overhead_l", Drum::Overhead, Place::Left),
        mic(dir, "overhead_r", Drum::Overhead, Place::Right),
        mic(dir, "room", Drum::Room, Place::Mono),
    ];
    let hit = |i: u64| Hit {
        drum: if i.is_multiple_of(2) { Drum::Kick } else { Drum::Snare },
        pos: SamplePos(i * 12_000),
        velocity: Velocity::nearest((i * 37 % 100 + 20) as f64),
        peak: Dbfs(-20.0 + (i * 37 % 100) as f64 * 0.15),
        certainty: 1.0,
        kind: Kind::Hit,
        state: State::Found,
        place: None,
    };
    let list = HitList { rate: SampleRate::SESSION, hits: (0..SECONDS * 4 - 4).map(hit).collect() };
    (Song { mics, ..Song::default() }, list)
}

fn plan(drum: Drum) -> LayerPlan {
    LayerPlan {
        name: "bench".into(),
        drum,
        samples: Vec::new(),
        built_in: None,
        level: Decibels(-6.0),
        dynamics: 100.0,
        seed: 1,
        choke: false,
        sections: Vec::new(),
        pull: 0.0,
        pan: 0.0,
    }
}

/// Four minutes, about 480 strokes: set made, shots chosen, aligned, mixed, written.
#[divan::bench(args = [Drum::Kick, Drum::Snare], sample_count = 5)]
fn a_layer_of_four_minutes(bencher: divan::Bencher, drum: Drum) {
    let dir = tempfile::tempdir().unwrap();
    let (song, list) = song(dir.path());
    bencher.bench(|| {
        let layer = prepare(&song, &plan(drum), &list, None).unwrap();
        layer.print(&dir.path().join("layer_print.wav")).unwrap().commit().unwrap();
    });
}

/// Nine mics, both drums.
#[divan::bench(sample_count = 5)]
fn a_phase_check_of_nine_mics(bencher: divan::Bencher) {
    let dir = tempfile::tempdir().unwrap();
    let (song, list) = song(dir.path());
    bencher.bench(|| measure(&song, &list, PhaseSettings::default(), &Quiet).unwrap());
}
