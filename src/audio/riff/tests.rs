use super::*;
use crate::finding::Weight;
use proptest::prelude::*;
use std::io::Cursor;

/// A WAV file put together chunk by chunk.
#[derive(Clone)]
struct Wav(Vec<u8>);

impl Wav {
    fn new() -> Self {
        Self(b"RIFF\0\0\0\0WAVE".to_vec())
    }

    fn rf64(data: u64, table: &[([u8; 4], u64)]) -> Self {
        let mut body = Vec::new();
        for v in [0u64, data, 0] {
            body.extend_from_slice(&v.to_le_bytes());
        }
        body.extend_from_slice(&(table.len() as u32).to_le_bytes());
        for (id, n) in table {
            body.extend_from_slice(id);
            body.extend_from_slice(&n.to_le_bytes());
        }
        Self(b"RF64\xff\xff\xff\xffWAVE".to_vec()).with(b"ds64", &body)
    }

    fn with(self, id: &[u8; 4], body: &[u8]) -> Self {
        let padded = self.stated(id, body.len() as u32, body);
        if body.len() & 1 == 1 { padded.raw(&[0]) } else { padded }
    }

    /// A chunk whose stated length is what it is, without a filler byte.
    fn stated(self, id: &[u8; 4], size: u32, body: &[u8]) -> Self {
        self.raw(id).raw(&size.to_le_bytes()).raw(body)
    }

    fn raw(mut self, bytes: &[u8]) -> Self {
        self.0.extend_from_slice(bytes);
        self
    }

    fn fmt(self, bits: u16, channels: u16) -> Self {
        self.with(b"fmt ", &fmt(1, channels, 48_000, bits))
    }

    fn walk(&self) -> Faulty<Riff> {
        walk(&mut Cursor::new(&self.0), Path::new("kick.wav"))
    }

    fn frames(&self) -> u64 {
        self.walk().unwrap().frames
    }
}

fn fmt(tag: u16, channels: u16, rate: u32, bits: u16) -> Vec<u8> {
    let block = channels * bits.div_ceil(8);
    let mut f = Vec::new();
    f.extend_from_slice(&tag.to_le_bytes());
    f.extend_from_slice(&channels.to_le_bytes());
    f.extend_from_slice(&rate.to_le_bytes());
    f.extend_from_slice(&(rate * u32::from(block)).to_le_bytes());
    f.extend_from_slice(&block.to_le_bytes());
    f.extend_from_slice(&bits.to_le_bytes());
    f
}

fn extensible(sub: u16, channels: u16, bits: u16, valid: u16) -> Vec<u8> {
    let mut f = fmt(0xfffe, channels, 48_000, bits);
    f.extend_from_slice(&22u16.to_le_bytes());
    f.extend_from_slice(&valid.to_le_bytes());
    f.extend_from_slice(&0u32.to_le_bytes());
    f.extend_from_slice(&sub.to_le_bytes());
    f.extend_from_slice(&[0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71]);
    f
}

fn what(e: &Located<AudioFault>) -> String {
    e.to_string()
}

#[test]
fn chunks_come_in_any_order() {
    let data = [1u8; 12];
    let before = Wav::new().with(b"JUNK", &[0; 28]).with(b"LIST", b"INFO").fmt(16, 1).with(b"data", &data);
    let after = Wav::new().with(b"data", &data).with(b"iXML", b"<x/>").fmt(16, 1);
    assert_eq!((before.frames(), after.frames()), (6, 6));
    assert_eq!(after.walk().unwrap().data_at, 20);
}

#[test]
fn an_odd_chunk_is_followed_with_its_filler_byte_and_without_it() {
    for odd in 1..60 {
        let body = vec![b'a'; odd * 2 + 1];
        let padded = Wav::new().with(b"iXML", &body).fmt(24, 1).with(b"data", &[7; 9]);
        let bare = Wav::new().stated(b"iXML", body.len() as u32, &body).fmt(24, 1).with(b"data", &[7; 9]);
        for wav in [padded, bare] {
            let riff = wav.walk().unwrap();
            assert_eq!(riff.frames, 3);
            assert_eq!(wav.0[riff.data_at as usize..][..9], [7; 9]);
        }
    }
}

#[test]
fn markers_behind_odd_audio_are_found_with_and_without_the_filler_byte() {
    let cue = cue_chunk(&[(1, 2)]);
    let wav = Wav::new().fmt(24, 1);
    assert_eq!(wav.clone().with(b"data", &[7; 9]).with(b"cue ", &cue).walk().unwrap().cues.len(), 1);
    assert_eq!(wav.stated(b"data", 9, &[7; 9]).with(b"cue ", &cue).walk().unwrap().cues.len(), 1);
}

fn cue_chunk(points: &[(u32, u32)]) -> Vec<u8> {
    let mut b = (points.len() as u32).to_le_bytes().to_vec();
    for (id, at) in points {
        b.extend_from_slice(&id.to_le_bytes());
        b.extend_from_slice(&at.to_le_bytes());
        b.extend_from_slice(b"data\0\0\0\0\0\0\0\0");
        b.extend_from_slice(&at.to_le_bytes());
    }
    b
}

#[test]
fn labels_find_their_cue_points_by_number() {
    let list = b"adtllabl\x0b\0\0\0\x02\0\0\0verse\0\0\0labl\x05\0\0\0\x01\0\0\0\0\0";
    let wav = Wav::new().fmt(16, 1).with(b"data", &[0; 8]).with(b"cue ", &cue_chunk(&[(1, 0), (2, 3)]));
    let cues = wav.with(b"LIST", list).walk().unwrap().cues;
    let got: Vec<_> = cues.iter().map(|c| (c.pos.0, c.label.as_str())).collect();
    assert_eq!(got, [(0, ""), (3, "verse")]);
}

#[test]
fn a_count_of_cue_points_beyond_the_chunk_is_cut_to_what_is_there() {
    let mut cue = cue_chunk(&[(1, 0)]);
    cue[..4].copy_from_slice(&u32::MAX.to_le_bytes());
    assert_eq!(Wav::new().fmt(16, 1).with(b"data", &[0; 8]).with(b"cue ", &cue).walk().unwrap().cues.len(), 1);
}

#[test]
fn lengths_left_open_by_a_crashed_recorder_are_recovered_and_said() {
    for open in [0u32, u32::MAX, 0x7fff_f000, 0x8000_0000, 0xffff_ffd8] {
        let riff = Wav::new().fmt(24, 1).stated(b"data", open, &[9; 31]).walk().unwrap();
        assert_eq!(riff.frames, 10, "{open:#x}");
        assert_eq!(riff.repairs.len(), 1);
        assert_eq!(riff.repairs[0].weight, Weight::Caution);
        assert!(riff.repairs[0].what.contains("the recorder never wrote how long"), "{}", riff.repairs[0].what);
    }
}

#[test]
fn a_long_file_header_left_open_is_recovered_too() {
    for open in [0, u64::MAX] {
        let riff = Wav::rf64(open, &[]).fmt(16, 2).stated(b"data", u32::MAX, &[9; 40]).walk().unwrap();
        assert_eq!((riff.frames, riff.repairs.len()), (10, 1));
    }
}

#[test]
fn a_length_of_zero_before_further_chunks_is_an_empty_file() {
    let e = Wav::new().fmt(16, 1).with(b"data", &[]).with(b"LIST", b"INFO").walk().unwrap_err();
    assert!(matches!(e.fault, AudioFault::Empty));
    let e = Wav::new().fmt(16, 1).with(b"data", &[]).walk().unwrap_err();
    assert!(matches!(e.fault, AudioFault::Empty));
}

#[test]
fn a_cut_file_is_an_error_that_says_how_much_is_there() {
    let e = Wav::new().fmt(24, 1).stated(b"data", 48_000 * 3 * 60, &[0; 144_000]).walk().unwrap_err();
    let text = what(&e);
    assert!(text.contains("kick.wav, byte 144044"), "{text}");
    assert!(text.contains("1:00.000 of audio is promised, 0:01.000 is there"), "{text}");
    let AudioFault::Damaged { remedy, .. } = e.fault else { panic!("not damaged") };
    assert!(remedy.contains("Copy the file again from the recorder"));
}

#[test]
fn a_file_that_ends_inside_a_chunk_before_its_audio_is_cut_off() {
    let wav = Wav::new().fmt(16, 1).stated(b"bext", 602, &[0; 100]);
    assert!(what(&wav.walk().unwrap_err()).contains("cut off before its audio begins"));
    for n in 4..12 {
        let e = walk(&mut Cursor::new(&wav.0[..n]), Path::new("kick.wav")).unwrap_err();
        assert!(what(&e).contains("cut off"), "{n}");
    }
}

#[test]
fn cut_off_markers_behind_the_audio_do_not_spoil_it() {
    let riff = Wav::new().fmt(16, 1).with(b"data", &[0; 8]).stated(b"cue ", 500, &[0; 20]).walk().unwrap();
    assert_eq!((riff.frames, riff.repairs[0].weight), (4, Weight::Note));
}

#[test]
fn whatever_trails_behind_the_audio_is_left_alone() {
    let riff = Wav::new().fmt(16, 1).with(b"data", &[0; 8]).raw(&[0; 1000]).walk().unwrap();
    assert_eq!((riff.frames, riff.repairs.len()), (4, 0));
}

/// A recorder that notes the length now and then and stops: the notes behind the samples are missing too.
#[test]
fn audio_that_goes_on_behind_a_length_noted_early_is_recovered_and_said() {
    let audio: Vec<u8> = (0..30_000u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 24) as u8 | 0x80).collect();
    let riff = Wav::new().fmt(24, 1).stated(b"data", 14_400, &audio).walk().unwrap();
    assert_eq!((riff.frames, riff.repairs.len()), (10_000, 1));
    let told = &riff.repairs[0];
    assert_eq!(told.weight, Weight::Caution);
    assert!(told.what.contains("wrote that this recording is 0:00.100 long, but it goes on"), "{}", told.what);
    assert!(told.what.contains("0:00.208 (10000 samples)"), "{}", told.what);
    let rf64 = Wav::rf64(14_400, &[]).fmt(24, 1).stated(b"data", u32::MAX, &audio).walk().unwrap();
    assert_eq!((rf64.frames, rf64.repairs.len()), (10_000, 1));
}

#[test]
fn markers_filler_and_silence_behind_the_audio_are_not_taken_for_it() {
    let wav = || Wav::new().fmt(24, 1).with(b"data", &[9; 14_400]);
    let notes = wav().with(b"LIST", &[7; 9000]);
    let cut_notes = wav().stated(b"iXML", 20_000, &[7; 9000]);
    for wav in [notes, cut_notes, wav().raw(&[0; 70_000]), wav().raw(&[7; 512])] {
        assert_eq!(wav.walk().unwrap().frames, 4800);
    }
}

/// The layout of EBU Tech 3306: `ds64` holds the lengths; the data field says 0xFFFFFFFF.
#[test]
fn an_rf64_file_takes_its_lengths_from_ds64() {
    let wav = Wav::rf64(24, &[(*b"axml", 10)]).stated(b"axml", u32::MAX, &[b'x'; 10]).fmt(24, 2);
    let wav = wav.stated(b"data", u32::MAX, &[1; 24]).with(b"cue ", &cue_chunk(&[(1, 3)]));
    let riff = wav.walk().unwrap();
    assert_eq!((riff.frames, riff.cues.len(), riff.repairs.len()), (4, 1, 0));
    let mut bw64 = wav;
    bw64.0[..4].copy_from_slice(b"BW64");
    assert_eq!(bw64.frames(), 4);
}

#[test]
fn a_broken_ds64_is_named() {
    let e = Wav::new().with(b"ds64", &[0; 20]).fmt(16, 1).with(b"data", &[0; 4]).walk().unwrap_err();
    assert!(what(&e).contains("ds64"));
}

/// A sparse file: 5 GiB long, a few blocks on the disk.
#[cfg(unix)]
#[test]
fn more_than_4_gib_are_counted_right() {
    let data = 5_100_000_000u64;
    let cases = [
        (Wav::rf64(data, &[]).fmt(24, 1).stated(b"data", u32::MAX, &[]), 0),
        (Wav::new().fmt(24, 1).stated(b"data", (data % (1 << 32)) as u32, &[]), 1),
        (Wav::new().fmt(24, 1).stated(b"data", u32::MAX, &[]), 1),
    ];
    for (wav, repairs) in cases {
        let mut file = tempfile::tempfile().unwrap();
        std::io::Write::write_all(&mut file, &wav.0).unwrap();
        file.set_len(wav.0.len() as u64 + data).unwrap();
        let riff = walk(&mut file, Path::new("long.wav")).unwrap();
        assert_eq!((riff.frames, riff.repairs.len()), (data / 3, repairs));
    }
}

#[test]
fn every_stored_form_is_told_apart() {
    let cases = [
        (fmt(1, 1, 8_000, 8), SampleFormat::Int8),
        (fmt(1, 2, 192_000, 16), SampleFormat::Int16),
        (fmt(1, 1, 44_100, 20), SampleFormat::Int24),
        (fmt(1, 1, 96_000, 24), SampleFormat::Int24),
        (fmt(1, 128, 48_000, 32), SampleFormat::Int32),
        (fmt(3, 1, 48_000, 32), SampleFormat::Float32),
        (fmt(3, 1, 48_000, 64), SampleFormat::Float64),
        (extensible(1, 6, 24, 20), SampleFormat::Int24),
        (extensible(3, 2, 32, 32), SampleFormat::Float32),
    ];
    for (bytes, format) in cases {
        let layout = Layout::parse(&bytes).unwrap();
        assert_eq!(layout.format, format);
        let mut wrong_rate = bytes;
        wrong_rate[8..12].copy_from_slice(&12_345u32.to_le_bytes());
        assert_eq!(Layout::parse(&wrong_rate).unwrap().format, format, "the byte rate is not trusted");
    }
}

#[test]
fn twenty_four_bits_in_four_bytes_are_believed_when_the_byte_rate_agrees() {
    let mut f = fmt(1, 2, 48_000, 24);
    f[8..12].copy_from_slice(&(48_000u32 * 8).to_le_bytes());
    f[12..14].copy_from_slice(&8u16.to_le_bytes());
    assert_eq!(Layout::parse(&f).unwrap().format, SampleFormat::Int32);
}

#[test]
fn what_is_not_read_is_said_with_its_reason() {
    let cases = [
        (fmt(1, 0, 48_000, 16), "no channels"),
        (fmt(1, 129, 48_000, 16), "129 channels"),
        (fmt(1, 1, 384_000, 16), "384000 Hz"),
        (fmt(1, 1, 4_000, 16), "4000 Hz"),
        (fmt(1, 1, 48_000, 0), "no bits"),
        (fmt(1, 1, 48_000, 40), "40-bit"),
        (fmt(3, 1, 48_000, 16), "16-bit floating-point"),
        (fmt(0x11, 1, 48_000, 4), "ADPCM"),
        (fmt(7, 1, 8_000, 8), "µ-law"),
        (extensible(1, 1, 16, 16)[..30].to_vec(), "shorter than it claims"),
        (vec![1; 10], "too short"),
    ];
    for (bytes, says) in cases {
        let e = Wav::new().with(b"fmt ", &bytes).with(b"data", &[0; 8]).walk().unwrap_err();
        assert!(what(&e).contains(says), "{says}: {}", what(&e));
    }
}

use crate::audio::SampleFormat;

#[test]
fn a_file_without_its_main_parts_is_named_for_what_it_lacks() {
    assert!(what(&Wav::new().fmt(16, 1).walk().unwrap_err()).contains("before any audio begins"));
    assert!(what(&Wav::new().with(b"data", &[0; 8]).walk().unwrap_err()).contains("how its audio is stored"));
    let avi = Wav(b"RIFF\x04\0\0\0AVI ".to_vec());
    assert!(what(&avi.walk().unwrap_err()).contains("holds something else"));
    let zeros = Wav::new().fmt(16, 1).raw(&[0; 64]);
    assert!(what(&zeros.walk().unwrap_err()).contains("breaks off here"));
}

#[test]
fn a_time_stamp_shorter_than_the_standard_is_left_out_and_said() {
    let riff = Wav::new().with(b"bext", &[0; 400]).fmt(16, 1).with(b"data", &[0; 8]).walk().unwrap();
    assert!(riff.bext.is_none() && riff.repairs.len() == 1);
}

/// Counts what is read, so that a small file that asks for much work is caught.
struct Counting<'a> {
    inner: Cursor<&'a [u8]>,
    read: u64,
}

impl Read for Counting<'_> {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        let n = self.inner.read(buf)?;
        self.read += n as u64;
        Ok(n)
    }
}

impl Seek for Counting<'_> {
    fn seek(&mut self, pos: SeekFrom) -> io::Result<u64> {
        self.inner.seek(pos)
    }
}

fn full_file() -> Vec<u8> {
    let mut bext = vec![0; 602];
    bext[..4].copy_from_slice(b"Kick");
    let list = b"adtllabl\x0a\0\0\0\x01\0\0\0verse\0";
    Wav::rf64(30, &[(*b"data", 30)])
        .with(b"bext", &bext)
        .with(b"iXML", b"odd")
        .with(b"fmt ", &extensible(1, 1, 24, 20))
        .with(b"data", &[5; 30])
        .with(b"cue ", &cue_chunk(&[(1, 3), (2, 5)]))
        .with(b"LIST", list)
        .0
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 2000, ..ProptestConfig::default() })]

    #[test]
    fn no_mutation_of_a_file_makes_the_walk_fail_badly(
        edits in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..8),
        cut in any::<Option<prop::sample::Index>>(),
        insert in any::<Option<(prop::sample::Index, u32)>>(),
    ) {
        let mut bytes = full_file();
        for (at, value) in edits {
            let at = at.index(bytes.len());
            bytes[at] = value;
        }
        if let Some((at, value)) = insert {
            let at = at.index(bytes.len());
            bytes.splice(at..at, value.to_le_bytes());
        }
        if let Some(cut) = cut {
            bytes.truncate(cut.index(bytes.len()));
        }
        let mut input = Counting { inner: Cursor::new(&bytes), read: 0 };
        if let Ok(riff) = walk(&mut input, Path::new("x.wav")) {
            let end = riff.data_at + riff.frames * u64::from(riff.layout.block());
            prop_assert!(riff.frames > 0 && end <= bytes.len() as u64);
        }
        prop_assert!(input.read < 1 << 16, "{} bytes read of {}", input.read, bytes.len());
    }

    #[test]
    fn no_bytes_whatever_make_the_walk_fail_badly(tail in proptest::collection::vec(any::<u8>(), 0..300)) {
        let _ = Wav::new().raw(&tail).walk();
        let _ = Wav::new().fmt(16, 1).raw(&tail).walk();
    }
}
