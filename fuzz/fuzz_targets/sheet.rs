//! Song sheets in a folder of real recordings (fixtures/audio). Seeds: a short one and the example of docs/song-sheet.md.
#![no_main]
use libfuzzer_sys::fuzz_target;
use std::path::Path;
use underlay::song::Song;

fuzz_target!(|text: &str| {
    match Song::parse(text, Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../fixtures/audio/song.toml"))) {
        Ok(song) => {
            let _ = (song.findings(), song.frames(), song.drums());
        }
        Err(e) => assert!(!e.remedy().is_empty()),
    }
});
