//! Zips that claim to be a delivery. Seed: one made by `underlay handoff`.
#![no_main]
use libfuzzer_sys::fuzz_target;
use underlay::Quiet;

fuzz_target!(|bytes: &[u8]| {
    let file = tempfile::NamedTempFile::new_in("/dev/shm").unwrap();
    std::fs::write(file.path(), bytes).unwrap();
    if let Err(e) = underlay::handoff::verify(file.path(), &Quiet) {
        assert!(!e.remedy().is_empty());
    }
});
