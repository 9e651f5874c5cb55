//! Whole zips whose checks all hold, around a manifest that says anything: what a zip's own sums keep from the target `zip`.
//! Seed: the manifest of a delivery. The first line, where it is a name, is that of another file in the zip.
#![no_main]
use libfuzzer_sys::fuzz_target;
use std::io::Write;
use underlay::Quiet;
use zip::write::{SimpleFileOptions, ZipWriter};

fuzz_target!(|bytes: &[u8]| {
    let (name, manifest) = match bytes.iter().position(|b| *b == b'\n') {
        Some(n) if bytes.first() != Some(&b'{') => bytes.split_at(n),
        _ => (&b"Top/a.wav"[..], bytes),
    };
    let mut file = tempfile::NamedTempFile::new_in("/dev/shm").unwrap();
    let mut zip = ZipWriter::new(std::io::Cursor::new(Vec::new()));
    let stored = SimpleFileOptions::default().compression_method(zip::CompressionMethod::Stored);
    let name = String::from_utf8_lossy(name);
    for (name, content) in [("Top/manifest.json", manifest), (&name, b"RIFF"), ("Top/checksums.sha256", b"0")] {
        if zip.start_file(name, stored).is_ok() {
            zip.write_all(content).unwrap();
        }
    }
    file.write_all(zip.finish().unwrap().get_ref()).unwrap();
    match underlay::handoff::verify(file.path(), &Quiet) {
        Ok(v) => {
            assert!(v.wrong.is_empty() || v.fault().is_some());
            let _ = underlay::handoff::Changes::between(&v.manifest, &v.manifest).to_text();
        }
        Err(e) => assert!(!e.remedy().is_empty()),
    }
});
