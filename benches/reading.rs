//! How fast takes are read: four minutes of one mono 24-bit mic, and a shorter stereo file, from the page cache.
//!
//! `cargo bench --bench reading`. The figure to watch is `mono_24_bit`: 28 such mics are one take.

#![allow(clippy::unwrap_used, reason = "a benchmark that cannot go on has failed")]

use divan::counter::{BytesCount, ItemsCount};
use divan::{Bencher, black_box};
use std::path::{Path, PathBuf};
use underlay::audio::levels::SOUND_FLOOR;
use underlay::audio::{
    AudioReader, Channel, Dither, LevelMeter, MonoReader, Resampler, SampleFormat, WavExtras, WavSpec, WavWriter,
};
use underlay::units::SampleRate;

const MINUTES_4: usize = 4 * 60 * 48_000;

fn main() {
    divan::main();
}

struct Take {
    path: PathBuf,
    _dir: tempfile::TempDir,
}

fn strokes(n: usize) -> Vec<f32> {
    (0..n).map(|i| (i as f32 * 0.05).sin() * (-((i % 24_000) as f32) / 4_000.0).exp()).collect()
}

fn take(format: SampleFormat, channels: u16, frames: usize) -> Take {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("mic.wav");
    let spec = WavSpec { rate: SampleRate::SESSION, channels, format };
    let extras = WavExtras { frames: Some(frames as u64), ..WavExtras::default() };
    let mut w = WavWriter::create_with(&path, spec, extras).unwrap();
    w.write(&strokes(frames * usize::from(channels))).unwrap();
    w.finish().unwrap();
    Take { path, _dir: dir }
}

fn read_all(path: &Path, channel: Channel) -> u64 {
    let mut reader = MonoReader::open(path, channel).unwrap();
    let mut block = Vec::new();
    let mut frames = 0;
    loop {
        block.clear();
        match reader.read(&mut block, 1 << 14).unwrap() {
            0 => return frames,
            n => frames += n as u64,
        }
        black_box(&block);
    }
}

#[divan::bench(args = [SampleFormat::Int16, SampleFormat::Int24, SampleFormat::Int32, SampleFormat::Float32])]
fn mono_four_minutes(b: Bencher, format: SampleFormat) {
    let t = take(format, 1, MINUTES_4);
    b.counter(ItemsCount::new(MINUTES_4)).bench(|| read_all(&t.path, Channel::Sum));
}

#[divan::bench]
fn stereo_24_bit_to_the_mean(b: Bencher) {
    let t = take(SampleFormat::Int24, 2, MINUTES_4 / 4);
    b.counter(ItemsCount::new(MINUTES_4 / 2)).bench(|| read_all(&t.path, Channel::Sum));
}

/// The same file through hound, one sample at a time: what a reader costs that checks every sample on its own.
#[divan::bench]
fn mono_24_bit_by_hound(b: Bencher) {
    let t = take(SampleFormat::Int24, 1, MINUTES_4);
    b.counter(ItemsCount::new(MINUTES_4)).bench(|| {
        let mut r = hound::WavReader::open(&t.path).unwrap();
        r.samples::<i32>().map(|s| s.unwrap() as f32).fold(0.0f32, f32::max)
    });
}

#[divan::bench]
fn open_only(b: Bencher) {
    let t = take(SampleFormat::Int24, 1, 48_000);
    b.bench(|| AudioReader::open(&t.path).unwrap());
}

#[divan::bench(args = [1u16, 2])]
fn levels(b: Bencher, channels: u16) {
    let x = strokes(1 << 20);
    b.counter(ItemsCount::new(x.len())).bench(|| {
        let mut meter = LevelMeter::new(channels, SampleFormat::Int24, SOUND_FLOOR);
        x.chunks(1 << 14).for_each(|c| meter.push(c));
        meter.finish()
    });
}

#[divan::bench(args = [SampleFormat::Int16, SampleFormat::Int24])]
fn write_four_minutes(b: Bencher, format: SampleFormat) {
    let x = strokes(1 << 14);
    let dir = tempfile::tempdir().unwrap();
    let spec = WavSpec { rate: SampleRate::SESSION, channels: 1, format };
    b.counter(BytesCount::new(MINUTES_4 * usize::from(format.bits() / 8))).bench(|| {
        let mut w = WavWriter::create(&dir.path().join("out.wav"), spec).unwrap();
        for _ in 0..MINUTES_4 / x.len() {
            w.write(&x).unwrap();
        }
        drop(w);
    });
}

#[divan::bench]
fn dither_to_16_bit(b: Bencher) {
    let x = strokes(1 << 20);
    let mut out = Vec::with_capacity(x.len());
    b.counter(ItemsCount::new(x.len())).bench_local(|| {
        out.clear();
        Dither::new(1).quantise(SampleFormat::Int16, &x, &mut out);
        black_box(&out);
    });
}

#[divan::bench]
fn resample_48_to_44_1(b: Bencher) {
    let x = strokes(1 << 20);
    let to = SampleRate::new(44_100).unwrap();
    b.counter(ItemsCount::new(x.len())).bench(|| {
        let mut r = Resampler::new(SampleRate::SESSION, to, 1).unwrap();
        let mut out = Vec::new();
        x.chunks(1 << 14).for_each(|c| r.push(c, &mut out).unwrap());
        r.finish(&mut out).unwrap();
        out
    });
}
