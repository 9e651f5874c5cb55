//! Reading and writing audio files, against files that other libraries wrote and other readers of the same files.
//!
//! `fixtures/audio/make.py` says what each fixture holds; libsndfile wrote those that a library can write.

use proptest::prelude::*;
use std::fs;
use std::path::{Path, PathBuf};
use underlay::audio::{
    AudioReader, Channel, MonoReader, SampleFormat, WavExtras, WavSpec, WavWriter, around, read_mono,
};
use underlay::units::{SamplePos, SampleRate};
use underlay::{Error, ExitCode, Place, Weight};

fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/audio").join(name)
}

/// The rule of `make.py`: what frame `i` of channel `c` holds.
fn rule16(i: usize, c: usize) -> i32 {
    ((i * 7919 + c * 104_729) % 65_536) as i32 - 32_768
}

type Rule = fn(usize, usize) -> i32;

fn rule24(i: usize, c: usize) -> i32 {
    rule16(i, c) * 256 + (i % 256) as i32
}

fn by_rule(rule: Rule, frames: usize, channels: usize) -> Vec<i32> {
    (0..frames).flat_map(|i| (0..channels).map(move |c| rule(i, c))).collect()
}

fn all(reader: &mut AudioReader, block: usize) -> Vec<f32> {
    let (mut out, mut some) = (Vec::new(), Vec::new());
    while reader.read(&mut some, block).unwrap() > 0 {
        out.extend_from_slice(&some);
    }
    out
}

fn all_ints(name: &str) -> Vec<i32> {
    let mut reader = AudioReader::open(&fixture(name)).unwrap();
    let (mut out, mut some) = (Vec::new(), Vec::new());
    while reader.read_ints(&mut some, 777).unwrap() > 0 {
        out.extend_from_slice(&some);
    }
    out
}

fn open(name: &str) -> AudioReader {
    AudioReader::open(&fixture(name)).unwrap_or_else(|e| panic!("{name}: {e}"))
}

fn refused(name: &str) -> Error {
    let mut reader = match AudioReader::open(&fixture(name)) {
        Err(e) => return e,
        Ok(r) => r,
    };
    let mut block = Vec::new();
    loop {
        match reader.read(&mut block, 100) {
            Ok(0) => panic!("{name} was read to its end"),
            Ok(_) => {}
            Err(e) => return e,
        }
    }
}

#[test]
fn files_written_by_libsndfile_hold_what_was_put_in() {
    let cases: [(&str, SampleFormat, Rule, usize, usize); 9] = [
        ("mono_16bit.wav", SampleFormat::Int16, rule16, 9_000, 1),
        ("mono_16bit.flac", SampleFormat::Int16, rule16, 9_000, 1),
        ("mono_16bit.aiff", SampleFormat::Int16, rule16, 9_000, 1),
        ("stereo_24bit.wav", SampleFormat::Int24, rule24, 5_000, 2),
        ("stereo_24bit.flac", SampleFormat::Int24, rule24, 5_000, 2),
        ("stereo_24bit.aiff", SampleFormat::Int24, rule24, 5_000, 2),
        ("six_channels_extensible.wav", SampleFormat::Int24, rule24, 100, 6),
        ("rf64_24bit.wav", SampleFormat::Int24, rule24, 300, 1),
        ("mono_8bit.aiff", SampleFormat::Int8, |i, c| rule16(i, c) >> 8, 300, 1),
    ];
    for (name, format, rule, frames, channels) in cases {
        let mut reader = open(name);
        let info = reader.info().clone();
        assert_eq!((info.format, info.frames, info.channels), (format, frames as u64, channels as u16), "{name}");
        assert_eq!(info.rate, SampleRate::SESSION, "{name}");
        assert_eq!(info.repairs, [], "{name}");
        let ints = by_rule(rule, frames, channels);
        assert!(all_ints(name) == ints, "{name}: integers");
        let full = f64::from(1u32 << (format.bits() - 1));
        let floats: Vec<f32> = ints.iter().map(|&v| (f64::from(v) / full) as f32).collect();
        assert!(all(&mut reader, 1000) == floats, "{name}: floats");
    }
}

#[test]
fn floats_of_32_and_64_bits_hold_what_was_put_in() {
    let floats: Vec<f32> = by_rule(rule24, 300, 1).iter().map(|&v| v as f32 / 8_388_608.0).collect();
    for (name, format) in [("mono_float32.aifc", SampleFormat::Float32), ("mono_float64.wav", SampleFormat::Float64)] {
        let mut reader = open(name);
        assert_eq!(reader.info().format, format, "{name}");
        assert!(all(&mut reader, 64) == floats, "{name}");
        assert!(reader.read_ints(&mut Vec::new(), 1).is_err(), "{name} stores no integers");
    }
}

#[test]
fn unsigned_8_bit_is_read_as_libsndfile_and_hound_read_it() {
    let ours = all_ints("unsigned_8bit.wav");
    let hound: Vec<i32> =
        hound::WavReader::open(fixture("unsigned_8bit.wav")).unwrap().samples::<i32>().map(Result::unwrap).collect();
    assert_eq!(ours, hound);
    assert_eq!(ours, by_rule(|i, c| rule16(i, c) >> 8, 300, 1));
}

#[test]
fn strange_but_whole_files_give_every_sample() {
    for name in [
        "odd_chunk_before_audio.wav",
        "odd_chunk_without_filler.wav",
        "one_hour_time_stamp.wav",
        "markers_behind_odd_audio.wav",
        "crashed_recorder_zero_lengths.wav",
        "streamed_endless_lengths.wav",
        "wrong_byte_rate.wav",
    ] {
        // A recorder that crashed leaves its filler byte in the audio region; it is less than a frame.
        assert!(all_ints(name) == by_rule(rule24, 301, 1), "{name}");
    }
    let twenty: Vec<i32> = by_rule(rule24, 301, 1).iter().map(|v| v & !15).collect();
    assert!(all_ints("twenty_bits_in_24.wav") == twenty);
}

/// Two other readers of the same files, each where it can read them (hound stops at odd chunks and RF64, symphonia
/// at RF64 and 20 bits).
#[test]
fn hound_and_symphonia_read_the_same_samples() {
    for name in ["mono_16bit.wav", "stereo_24bit.wav", "six_channels_extensible.wav", "one_hour_time_stamp.wav"] {
        let hound: Vec<i32> =
            hound::WavReader::open(fixture(name)).unwrap().samples::<i32>().map(Result::unwrap).collect();
        assert!(all_ints(name) == hound, "{name}");
    }
    for name in
        ["mono_16bit.wav", "stereo_24bit.aiff", "mono_float32.aifc", "odd_chunk_before_audio.wav", "mono_float64.wav"]
    {
        assert!(all(&mut open(name), 500) == by_symphonia(&fixture(name)), "{name}");
    }
}

fn by_symphonia(path: &Path) -> Vec<f32> {
    use symphonia::core::codecs::CodecParameters;
    use symphonia::core::formats::TrackType;
    use symphonia::core::io::MediaSourceStream;
    let stream = MediaSourceStream::new(Box::new(fs::File::open(path).unwrap()), Default::default());
    let mut demuxer = symphonia::default::get_probe()
        .probe(&Default::default(), stream, Default::default(), Default::default())
        .unwrap();
    let track = demuxer.default_track(TrackType::Audio).unwrap();
    let Some(CodecParameters::Audio(params)) = track.codec_params.clone() else { panic!("no audio") };
    let mut decoder = symphonia::default::get_codecs().make_audio_decoder(&params, &Default::default()).unwrap();
    let (mut out, mut some) = (Vec::new(), Vec::<f32>::new());
    while let Some(packet) = demuxer.next_packet().unwrap() {
        decoder.decode(&packet).unwrap().copy_to_vec_interleaved(&mut some);
        out.extend_from_slice(&some);
    }
    out
}

#[test]
fn what_a_file_carries_besides_audio_is_kept() {
    let bext = open("one_hour_time_stamp.wav").info().bext.clone().unwrap();
    assert_eq!((bext.time_reference, bext.description.as_str()), (172_800_000, "Snare top"));
    assert_eq!(
        (bext.originator.as_str(), bext.date.as_str(), bext.time.as_str()),
        ("Recorder", "2024-05-01", "10:00:00")
    );
    let cues = open("markers_behind_odd_audio.wav").info().cues.clone();
    let cues: Vec<_> = cues.iter().map(|c| (c.pos, c.label.as_str())).collect();
    assert_eq!(cues, [(SamplePos(0), "count-in"), (SamplePos(100), "verse"), (SamplePos(250), "chorus")]);
}

#[test]
fn what_a_recorder_left_undone_is_repaired_and_said() {
    for name in ["crashed_recorder_zero_lengths.wav", "streamed_endless_lengths.wav"] {
        let reader = open(name);
        let [repair] = reader.info().repairs.as_slice() else { panic!("{name}: {:?}", reader.info().repairs) };
        assert_eq!(repair.weight, Weight::Caution);
        assert!(repair.what.contains("301 samples") && repair.remedy.contains("save it again"), "{repair:?}");
        assert_eq!(repair.file.as_deref(), Some(fixture(name).as_path()));
    }
}

#[test]
fn every_unusable_file_is_refused_with_its_place_and_a_remedy() {
    let cases = [
        ("no_such_file.wav", "does not exist", "spelling"),
        ("", "is a folder", "inside"),
        ("midi_named_wav.wav", "it is a MIDI file", "Export"),
        ("make.py", "not a WAV, AIFF, FLAC or MP3", "Export"),
        ("no_samples.wav", "byte 44: there is no audio", "Export the track again"),
        ("cut_off_half_way.wav", "byte 494: the file is cut off", "Copy the file again"),
        ("cut_off_half_way.flac", "the file is cut off", "Copy the file again"),
        ("cut_off_half_way.aiff", "the file is cut off", "Copy the file again"),
        ("damaged_in_the_middle.flac", "sample 4096: ", "Copy the file again"),
        ("not_a_number_at_sample_2.wav", "sample 2: the sample at 0:00.000 is not a number", "bounce the track again"),
        ("infinite_at_sample_3.wav", "sample 3: ", "bounce the track again"),
        ("compressed_adpcm.wav", "compressed (ADPCM)", "Export the track as WAV"),
    ];
    for (name, says, remedy) in cases {
        let e = refused(name);
        assert!(e.to_string().contains(says), "{name}: {e}");
        assert!(e.remedy().contains(remedy), "{name}: {}", e.remedy());
        assert_eq!(e.exit_code(), ExitCode::Input, "{name}");
        let Error::Audio(located) = &e else { panic!("{name}: {e:?}") };
        assert_eq!(located.file, fixture(name), "{name}");
    }
}

#[test]
fn a_file_of_no_bytes_is_empty() {
    let file = tempfile::NamedTempFile::new().unwrap();
    let Err(e) = AudioReader::open(file.path()) else { panic!("opened") };
    assert!(e.to_string().contains("there is no audio in this file"), "{e}");
}

#[test]
fn reading_in_any_blocks_and_seeking_anywhere_give_the_same_samples() {
    for name in ["stereo_24bit.wav", "stereo_24bit.flac", "stereo_24bit.aiff"] {
        let whole = all(&mut open(name), 100_000);
        assert!(all(&mut open(name), 1) == whole && all(&mut open(name), 4_097) == whole, "{name}");
        let mut reader = open(name);
        let mut some = Vec::new();
        for at in [4_990usize, 0, 17, 4_096, 4_095, 3_000, 5_000, 9_999, 1] {
            reader.seek(at as u64).unwrap();
            let n = reader.read(&mut some, 20).unwrap();
            let from = at.min(5_000);
            assert!(some == whole[from * 2..(from + n) * 2], "{name} at {at}");
            assert_eq!(n, 20.min(5_000 - from), "{name} at {at}");
        }
    }
}

#[test]
fn small_steps_back_and_large_ones_give_the_same_samples_of_a_decoded_file() {
    for name in ["mono_16bit.flac", "two_strokes.mp3"] {
        let whole = all(&mut open(name), 100_000);
        let end = whole.len();
        let mut reader = open(name);
        let mut some = Vec::new();
        for at in [0, 6_000, 5_900, 5_899, 8_500, 3_800, 8_990, 4_200, end - 30, end - 200, 10, end, end - 1] {
            reader.seek(at as u64).unwrap();
            let n = reader.read(&mut some, 100).unwrap();
            assert!(n == 100.min(end - at) && some == whole[at..at + n], "{name} at {at}");
        }
    }
}

/// The MP3 was encoded by LAME through libsndfile from the WAV beside it; its tag says the delay, which the reader
/// takes out, so both begin together. libsndfile's own decoder differs from the WAV by −59 dBFS RMS.
#[test]
fn an_mp3_begins_and_ends_with_the_track_it_was_made_from() {
    let (info, mp3) = read_mono(&fixture("two_strokes.mp3"), Channel::Sum).unwrap();
    let (_, wav) = read_mono(&fixture("two_strokes.wav"), Channel::Sum).unwrap();
    assert_eq!((info.format, info.frames, mp3.len()), (SampleFormat::Lossy, 24_000, wav.len()));
    let error = mp3.iter().zip(&wav).map(|(a, b)| f64::from(a - b).powi(2)).sum::<f64>() / 24_000.0;
    assert!(10.0 * error.log10() < -55.0, "{} dB", 10.0 * error.log10());
    let mut reader = open("two_strokes.mp3");
    let mut some = Vec::new();
    reader.seek(10_000).unwrap();
    reader.read(&mut some, 500).unwrap();
    assert!(some == mp3[10_000..10_500]);
}

#[test]
fn a_piece_of_a_recording_is_what_stands_there_and_ends_where_the_recording_ends() {
    let path = fixture("mono_16bit.wav");
    let (_, whole) = read_mono(&path, Channel::Sum).unwrap();
    let mut reader = MonoReader::open(&path, Channel::Sum).unwrap();
    let end = whole.len();
    // Out of their order, over the end, beyond it, and none.
    for (start, frames) in [(end - 5, 20), (3, 40), (0, end), (end, 4), (end + 9, 4), (7, 0)] {
        let mut out = vec![0.25];
        reader.read_from(start as u64, frames, &mut out).unwrap();
        assert_eq!(out[0], 0.25);
        assert_eq!(out[1..], whole[start.min(end)..(start + frames).min(end)], "{frames} from {start}");
    }
}

#[test]
fn a_channel_or_the_mean_of_both_is_listened_to() {
    let both = all(&mut open("stereo_24bit.wav"), 10_000);
    let path = fixture("stereo_24bit.wav");
    let side = |c| read_mono(&path, c).unwrap().1;
    assert!(side(Channel::Left).iter().eq(both.iter().step_by(2)));
    assert!(side(Channel::Right).iter().eq(both.iter().skip(1).step_by(2)));
    assert!(side(Channel::Sum).iter().copied().eq(both.chunks(2).map(|f| (f[0] + f[1]) * 0.5)));
    let Err(e) = MonoReader::open(&fixture("mono_16bit.wav"), Channel::Right) else { panic!("opened") };
    assert!(e.to_string().contains("no right channel"), "{e}");
}

#[test]
fn a_copy_by_integers_is_bit_identical() {
    let dir = tempfile::tempdir().unwrap();
    for name in ["mono_16bit.wav", "stereo_24bit.wav"] {
        let mut reader = open(name);
        let info = reader.info().clone();
        let spec = WavSpec { rate: info.rate, channels: info.channels, format: info.format };
        let copy = dir.path().join(name);
        let extras = WavExtras { frames: Some(info.frames), ..WavExtras::default() };
        let mut writer = WavWriter::create_with(&copy, spec, extras).unwrap();
        let mut block = Vec::new();
        while reader.read_ints(&mut block, 1000).unwrap() > 0 {
            writer.write_ints(&block).unwrap();
        }
        writer.finish().unwrap();
        assert!(fs::read(&copy).unwrap() == fs::read(fixture(name)).unwrap(), "{name}");
    }
}

/// Two thousand million frames, 6 GB, of which the disk holds a few blocks: EBU Tech 3306 is for such files.
#[cfg(unix)]
#[test]
fn a_take_of_eleven_hours_is_opened_sought_and_read_at_its_end() {
    use std::os::unix::fs::FileExt;
    let spec = WavSpec { rate: SampleRate::SESSION, channels: 1, format: SampleFormat::Int24 };
    let frames = 2_000_000_000u64;
    let (head, tail) = around(spec, WavExtras::default(), frames).unwrap();
    assert!(head.starts_with(b"RF64") && tail.is_empty());
    let file = tempfile::NamedTempFile::new().unwrap();
    file.as_file().write_all_at(&head, 0).unwrap();
    file.as_file().set_len(head.len() as u64 + frames * 3).unwrap();
    file.as_file().write_all_at(&[0, 0, 0x40], head.len() as u64 + (frames - 1) * 3).unwrap();
    let mut reader = AudioReader::open(file.path()).unwrap();
    assert_eq!((reader.info().frames, reader.info().repairs.len()), (frames, 0));
    reader.seek(frames - 2).unwrap();
    let mut block = Vec::new();
    assert_eq!(reader.read(&mut block, 100).unwrap(), 2);
    assert_eq!(block, [0.0, 0.5]);
}

#[test]
fn a_missing_folder_is_an_output_error_and_an_unfinished_file_leaves_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let spec = WavSpec { rate: SampleRate::SESSION, channels: 1, format: SampleFormat::Int24 };
    let Err(e) = WavWriter::create(&dir.path().join("no/kick.wav"), spec) else { panic!("created") };
    assert_eq!(e.exit_code(), ExitCode::Output);
    assert!(e.to_string().contains("the folder does not exist"), "{e}");
    let mut w = WavWriter::create(&dir.path().join("kick.wav"), spec).unwrap();
    w.write(&[0.0; 100]).unwrap();
    drop(w);
    assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 0);
}

/// Reads whatever can be read of a file; gives the frames that came out.
fn exhaust(path: &Path) -> Result<u64, Error> {
    let mut reader = AudioReader::open(path)?;
    let promised = reader.info().frames;
    let (mut block, mut frames) = (Vec::new(), 0);
    loop {
        match reader.read(&mut block, 5_000)? {
            0 => break,
            n => frames += n as u64,
        }
        assert!(frames <= promised);
    }
    assert_eq!(frames, promised, "a file that reads without an error gives all that it promised");
    Ok(frames)
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 150, ..ProptestConfig::default() })]

    #[test]
    fn no_mutation_of_a_file_makes_reading_fail_badly(
        which in 0usize..7,
        edits in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>(), any::<bool>()), 0..6),
        cut in proptest::option::weighted(0.3, any::<prop::sample::Index>()),
    ) {
        let name = ["mono_16bit.flac", "stereo_24bit.aiff", "two_strokes.mp3", "mono_16bit.wav", "mono_float32.aifc",
            "rf64_24bit.wav", "markers_behind_odd_audio.wav"][which];
        let mut bytes = fs::read(fixture(name)).unwrap();
        for (at, value, front) in edits {
            // Half of the edits go where the headers are.
            let at = at.index(if front { 100.min(bytes.len()) } else { bytes.len() });
            bytes[at] = value;
        }
        if let Some(cut) = cut {
            bytes.truncate(cut.index(bytes.len()));
        }
        let file = tempfile::NamedTempFile::new().unwrap();
        fs::write(file.path(), &bytes).unwrap();
        if let Err(e) = exhaust(file.path()) {
            prop_assert_eq!(e.exit_code(), ExitCode::Input);
            prop_assert!(!e.remedy().is_empty());
            if let Error::Audio(l) = &e {
                prop_assert!(!matches!(l.place, Place::Line(..)));
            }
        }
    }
}
