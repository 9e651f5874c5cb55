//! Small recordings and MIDI files for tests.

use std::path::Path;

/// A mono 24-bit file of quiet noise (not silence, so that nothing is to be said about it).
pub fn wav(path: &Path, rate: u32, frames: u32) {
    // Another noise for every name: two mics never record the same.
    let name = path.file_name().unwrap().to_string_lossy().into_owned();
    let mut seed = name.bytes().fold(7u32, |seed, b| seed.wrapping_mul(31).wrapping_add(u32::from(b)));
    write(
        path,
        rate,
        24,
        hound::SampleFormat::Int,
        (0..frames).map(|_| {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            ((seed >> 8) as i32 - (1 << 23)) / 4096
        }),
    );
}

fn write(path: &Path, rate: u32, bits: u16, format: hound::SampleFormat, samples: impl Iterator<Item = i32>) {
    let spec = hound::WavSpec { channels: 1, sample_rate: rate, bits_per_sample: bits, sample_format: format };
    let mut w = hound::WavWriter::create(path, spec).unwrap();
    for s in samples {
        w.write_sample(s).unwrap();
    }
    w.finalize().unwrap();
}

/// Seconds between the strokes of [`strokes`].
pub const STROKE_EVERY: f64 = 0.5;

/// A mono file of decaying strokes (a tone with noise) at 48 kHz, the first after `first` seconds (below
/// [`STROKE_EVERY`]), their attacks at the very sample.
pub fn strokes(path: &Path, hz: f64, noise: f64, first: f64, seconds: f64) {
    let mut seed = 11u32;
    let rate = 48_000.0;
    let samples = (0..(seconds * rate) as usize).map(|i| {
        let at = i as f64 / rate - first;
        let t = at.rem_euclid(STROKE_EVERY);
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let white = f64::from(seed >> 8) / f64::from(1 << 23) - 1.0;
        let begun = if at < 0.0 { 0.0 } else { 1.0 };
        let stroke = begun * (-t * 40.0).exp() * (0.6 * (std::f64::consts::TAU * hz * t).sin() + noise * white);
        ((stroke + 1e-4 * white) * 8_388_607.0) as i32
    });
    write(path, 48_000, 24, hound::SampleFormat::Int, samples);
}

/// A MIDI file with one tempo (Standard MIDI File 1.0, format 0, 960 ticks a quarter).
pub fn tempo_midi(path: &Path, bpm: f64) {
    let us = (60e6 / bpm).round() as u32;
    let mut bytes = b"MThd\0\0\0\x06\0\0\0\x01\x03\xc0MTrk\0\0\0\x0b\0\xff\x51\x03".to_vec();
    bytes.extend_from_slice(&us.to_be_bytes()[1..]);
    bytes.extend_from_slice(b"\0\xff\x2f\0");
    std::fs::write(path, bytes).unwrap();
}

/// A mono 24-bit file of digital silence at 48 kHz.
pub fn silence(path: &Path, frames: u32) {
    write(path, 48_000, 24, hound::SampleFormat::Int, (0..frames).map(|_| 0));
}

/// A mono 32-bit float file of two seconds at 48 kHz, from a function of the sample's number.
pub fn floats(path: &Path, sample: impl Fn(usize) -> f32) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut w = hound::WavWriter::create(path, spec).unwrap();
    for i in 0..96_000 {
        w.write_sample(sample(i)).unwrap();
    }
    w.finalize().unwrap();
}

/// A copy of a 24-bit mono file with a constant added (1.0 = full scale).
pub fn offset_copy(from: &Path, to: &Path, constant: f64) {
    let samples: Vec<i32> = hound::WavReader::open(from).unwrap().samples::<i32>().map(Result::unwrap).collect();
    let constant = (constant * 8_388_608.0) as i32;
    write(to, 48_000, 24, hound::SampleFormat::Int, samples.into_iter().map(move |s| s + constant));
}

/// A stereo 24-bit file of two mono ones of one length.
pub fn stereo(left: &Path, right: &Path, to: &Path) {
    let side = |path: &Path| hound::WavReader::open(path).unwrap().into_samples::<i32>().map(Result::unwrap);
    let spec = hound::WavSpec { channels: 2, ..hound::WavReader::open(left).unwrap().spec() };
    let mut w = hound::WavWriter::create(to, spec).unwrap();
    for (l, r) in side(left).zip(side(right)) {
        w.write_sample(l).unwrap();
        w.write_sample(r).unwrap();
    }
    w.finalize().unwrap();
}
