//! WAV, AIFF, FLAC and MP3: the kind is told by the file's first bytes. Seeds: fixtures/audio.
#![no_main]
use libfuzzer_sys::fuzz_target;
use underlay::audio::AudioReader;

fuzz_target!(|bytes: &[u8]| {
    let file = tempfile::NamedTempFile::new_in("/dev/shm").unwrap();
    std::fs::write(file.path(), bytes).unwrap();
    let Ok(mut reader) = AudioReader::open(file.path()) else { return };
    let (mut block, mut ints, mut frames) = (Vec::new(), Vec::new(), 0u64);
    while let Ok(n @ 1..) = reader.read(&mut block, 1 << 14) {
        frames += n as u64;
        assert!(block.iter().all(|x| x.is_finite()));
    }
    assert!(frames <= reader.info().frames);
    let _ = reader.seek(reader.info().frames / 2);
    let _ = reader.read_ints(&mut ints, 100);
});
