use super::*;
use crate::audio::AudioReader;
use crate::units::SamplePos;
use std::fs;

fn spec(channels: u16, format: SampleFormat) -> WavSpec {
    WavSpec { rate: SampleRate::SESSION, channels, format }
}

fn known(frames: u64) -> WavExtras {
    WavExtras { frames: Some(frames), ..WavExtras::default() }
}

fn written(spec: WavSpec, extras: WavExtras, samples: &[f32]) -> Vec<u8> {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.wav");
    let mut w = WavWriter::create_with(&path, spec, extras).unwrap();
    w.write(samples).unwrap();
    w.finish().unwrap();
    fs::read(path).unwrap()
}

fn u32_at(b: &[u8], at: usize) -> u32 {
    u32::from_le_bytes(b[at..at + 4].try_into().unwrap())
}

/// Sizes worked from Microsoft/IBM, *Multimedia Programming Interface and Data Specifications 1.0*: 44 bytes of
/// header, block alignment channels × bytes, filler byte outside the chunk's length.
#[test]
fn one_second_of_mono_24_bit_is_144044_bytes() {
    let b = written(spec(1, SampleFormat::Int24), known(48_000), &vec![0.0; 48_000]);
    assert_eq!(b.len(), 144_044);
    assert_eq!((u32_at(&b, 4), u32_at(&b, 28), u32_at(&b, 40)), (144_036, 144_000, 144_000));
    let b = written(spec(2, SampleFormat::Int24), known(1), &[0.0; 2]);
    assert_eq!((u32_at(&b, 28), u16::from_le_bytes([b[32], b[33]])), (288_000, 6));
}

#[test]
fn one_sample_of_mono_24_bit_is_48_bytes_with_its_filler() {
    let b = written(spec(1, SampleFormat::Int24), known(1), &[1.0]);
    assert_eq!(b.len(), 48);
    assert_eq!((u32_at(&b, 4), u32_at(&b, 40)), (40, 3));
    assert_eq!(b[44..], [0xff, 0xff, 0x7f, 0]);
}

#[test]
fn a_file_of_unknown_length_keeps_36_bytes_free_and_stays_plain() {
    let b = written(spec(1, SampleFormat::Int24), WavExtras::default(), &[0.5; 2]);
    assert_eq!(b.len(), 44 + 36 + 6);
    assert_eq!((&b[..4], &b[12..16], u32_at(&b, 16)), (&b"RIFF"[..], &b"JUNK"[..], 28));
}

#[test]
fn hound_reads_what_is_written() {
    for channels in [1u16, 2, 5] {
        for format in [SampleFormat::Int16, SampleFormat::Int24, SampleFormat::Int32] {
            let n = 20 * i32::from(channels);
            let ints: Vec<i32> = (0..n).map(|i| (i - n / 2) * 601).collect();
            let dir = tempfile::tempdir().unwrap();
            let path = dir.path().join("a.wav");
            let mut w = WavWriter::create(&path, spec(channels, format)).unwrap();
            w.write_ints(&ints).unwrap();
            w.finish().unwrap();
            let mut r = hound::WavReader::open(&path).unwrap();
            assert_eq!((r.spec().channels, r.spec().bits_per_sample), (channels, format.bits()));
            let got: Vec<i32> = r.samples::<i32>().map(Result::unwrap).collect();
            assert_eq!(got, ints, "{channels} {format:?}");
        }
    }
}

#[test]
fn floats_come_back_as_they_were_and_may_exceed_full_scale() {
    let samples = [0.0, -0.0, 1.5, -2.25, f32::MIN_POSITIVE, 1.0 / 3.0];
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.wav");
    let mut w = WavWriter::create(&path, spec(2, SampleFormat::Float32)).unwrap();
    w.write(&samples).unwrap();
    w.finish().unwrap();
    let got: Vec<f32> = hound::WavReader::open(&path).unwrap().samples::<f32>().map(Result::unwrap).collect();
    assert_eq!(got.map_bits(), samples.map_bits());
    let mut ours = Vec::new();
    AudioReader::open(&path).unwrap().read(&mut ours, 10).unwrap();
    assert_eq!(ours.map_bits(), samples.map_bits());
}

trait Bits {
    fn map_bits(&self) -> Vec<u32>;
}

impl Bits for [f32] {
    fn map_bits(&self) -> Vec<u32> {
        self.iter().map(|s| s.to_bits()).collect()
    }
}

/// Offsets of EBU Tech 3285: 01:00:00 at 48 kHz is 172,800,000 samples, stored low word first at 338.
#[test]
fn the_time_stamp_lies_where_the_standard_puts_it() {
    let bext = Bext {
        description: "Snare top".into(),
        originator: "underlay".into(),
        date: "2024-05-01".into(),
        time: "10:00:00".into(),
        time_reference: 172_800_000,
    };
    let b = written(spec(1, SampleFormat::Int16), WavExtras { bext: Some(bext), ..known(1) }, &[0.0]);
    assert_eq!((&b[12..16], u32_at(&b, 16)), (&b"bext"[..], 602));
    let body = &b[20..622];
    assert_eq!(&body[..9], b"Snare top");
    assert_eq!(&body[256..264], b"underlay");
    assert_eq!(&body[320..338], b"2024-05-0110:00:00");
    assert_eq!((u32_at(body, 338), u32_at(body, 342)), (0x0a4c_b800, 0));
    assert_eq!(body[346..348], [1, 0]);
}

#[test]
fn everything_a_file_carries_is_read_back() {
    let bext = Bext { description: "Kick in".into(), time_reference: 5 << 32 | 7, ..Bext::default() };
    let cues = vec![
        Cue { pos: SamplePos(0), label: "count-in".into() },
        Cue { pos: SamplePos(3), label: "verse".into() },
        Cue { pos: SamplePos(4), label: String::new() },
    ];
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.wav");
    let extras = WavExtras { bext: Some(bext.clone()), cues: cues.clone(), frames: None };
    let mut w = WavWriter::create_with(&path, spec(1, SampleFormat::Int24), extras).unwrap();
    w.write(&[0.5; 5]).unwrap();
    w.finish().unwrap();
    let r = AudioReader::open(&path).unwrap();
    assert_eq!((r.info().frames, &r.info().bext, &r.info().cues), (5, &Some(bext), &cues));
    assert!(r.info().repairs.is_empty());
    assert_eq!(fs::metadata(&path).unwrap().len() % 2, 0);
}

/// EBU Tech 3306: the filler becomes `ds64` with the 64-bit lengths, the short ones are 0xFFFFFFFF. The limit is
/// lowered here from 4 GiB to 300 bytes.
#[test]
fn a_file_too_long_for_plain_lengths_becomes_rf64_in_place() {
    let dir = tempfile::tempdir().unwrap();
    for frames in [20u64, 100] {
        let path = dir.path().join("a.wav");
        let extras = WavExtras { cues: vec![Cue { pos: SamplePos(9), label: "x".into() }], ..WavExtras::default() };
        let mut w = WavWriter::with_limit(&path, spec(1, SampleFormat::Int24), extras, 300).unwrap();
        let ints: Vec<i32> = (0..frames as i32).collect();
        w.write_ints(&ints).unwrap();
        w.finish().unwrap();
        let b = fs::read(&path).unwrap();
        if frames == 20 {
            assert_eq!((&b[..4], &b[12..16]), (&b"RIFF"[..], &b"JUNK"[..]));
        } else {
            assert_eq!((&b[..8], &b[12..16], u32_at(&b, 16)), (&b"RF64\xff\xff\xff\xff"[..], &b"ds64"[..], 28));
            assert_eq!((u32_at(&b, 20) as usize, u32_at(&b, 28), u32_at(&b, 36)), (b.len() - 8, 300, 100));
        }
        let mut r = AudioReader::open(&path).unwrap();
        let mut got = Vec::new();
        r.read_ints(&mut got, 1000).unwrap();
        assert_eq!((r.info().frames, got, r.info().cues.len()), (frames, ints, 1));
    }
}

#[test]
fn a_file_that_outgrows_what_was_announced_is_refused_and_leaves_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.wav");
    let mut w = WavWriter::with_limit(&path, spec(1, SampleFormat::Int24), known(10), 200).unwrap();
    w.write(&[0.0; 100]).unwrap();
    assert!(w.finish().is_err());
    assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 0);
}

#[test]
fn what_the_format_cannot_hold_is_refused_before_a_file_is_begun() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.wav");
    let long = WavExtras { bext: Some(Bext { originator: "x".repeat(33), ..Bext::default() }), ..WavExtras::default() };
    let far = WavExtras { cues: vec![Cue { pos: SamplePos(1 << 32), label: String::new() }], ..WavExtras::default() };
    let cases = [
        (spec(1, SampleFormat::Int16), long),
        (spec(1, SampleFormat::Int16), far),
        (spec(0, SampleFormat::Int16), WavExtras::default()),
        (spec(1, SampleFormat::Float64), WavExtras::default()),
    ];
    for (spec, extras) in cases {
        assert!(matches!(WavWriter::create_with(&path, spec, extras), Err(Error::Usage(_))));
    }
    let mut w = WavWriter::create(&path, spec(2, SampleFormat::Float32)).unwrap();
    assert!(w.write(&[0.0, f32::NAN]).is_err());
    assert!(w.write_ints(&[0, 0]).is_err());
    drop(w);
    assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 0);
}

#[test]
fn what_stands_around_the_samples_is_the_same_in_a_file_and_elsewhere() {
    let x = [0.25f32, -0.5, 1.0];
    let bext = Bext { description: "Low Tide".into(), ..Bext::default() };
    let extras = WavExtras { bext: Some(bext), frames: Some(3), ..WavExtras::default() };
    let b = written(spec(1, SampleFormat::Int24), extras.clone(), &x);
    let (head, tail) = around(spec(1, SampleFormat::Int24), extras, 3).unwrap();
    assert_eq!(b[..head.len()], head[..]);
    assert_eq!(b[b.len() - tail.len()..], tail[..]);
    assert_eq!(b.len(), head.len() + 9 + tail.len());
}

#[test]
fn a_long_file_gets_64_bit_lengths_before_a_sample_is_written() {
    // EBU Tech 3306: RF64, all 32-bit lengths at their limit, the true ones in ds64.
    let frames = 2_000_000_000u64;
    let (head, _) = around(spec(1, SampleFormat::Int24), WavExtras::default(), frames).unwrap();
    assert_eq!((&head[..4], u32_at(&head, 4), &head[12..16]), (&b"RF64"[..], u32::MAX, &b"ds64"[..]));
    assert_eq!(u64::from_le_bytes(head[28..36].try_into().unwrap()), 3 * frames);
    assert_eq!(u64::from_le_bytes(head[36..44].try_into().unwrap()), frames);
}
