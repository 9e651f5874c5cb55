//! Hit lists as they come back from a spreadsheet. Seeds: fixtures/csv.
#![no_main]
use libfuzzer_sys::fuzz_target;
use std::path::Path;
use underlay::hits::HitList;
use underlay::units::SampleRate;

fuzz_target!(|bytes: &[u8]| {
    let (path, rate, frames) = (Path::new("x.csv"), SampleRate::SESSION, Some(48_000 * 600));
    let Ok(read) = HitList::parse(path, bytes, rate, frames) else { return };
    let again = HitList::parse(path, read.list.to_csv().as_bytes(), rate, frames).unwrap();
    assert_eq!(again.list.hits.len(), read.list.hits.len());
});
