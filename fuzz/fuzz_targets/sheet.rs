//! Song sheets; files that a sheet names do not exist. Seeds: the example of docs/song-sheet.md.
#![no_main]
use libfuzzer_sys::fuzz_target;
use std::path::Path;
use underlay::song::Song;

fuzz_target!(|text: &str| {
    if let Err(e) = Song::parse(text, Path::new("/dev/shm/no-such-folder/song.toml")) {
        assert!(!e.remedy().is_empty());
    }
});
