//! Standard MIDI Files as tempo tracks. Seeds: fixtures/midi, reference_data/midi_times.
#![no_main]
use libfuzzer_sys::fuzz_target;
use std::path::Path;
use underlay::tempo::parse_tempo_track;
use underlay::units::Seconds;

fuzz_target!(|bytes: &[u8]| {
    let Ok(track) = parse_tempo_track(Path::new("x.mid"), bytes, Seconds(0.0)) else { return };
    for s in [-1e3, 0.0, 1.0, 1e5] {
        let tick = track.map.tick_at(Seconds(s));
        assert!(tick.is_finite() && track.map.bar_beat(tick).beat >= 1);
    }
    let _ = underlay::midi::tempo_map("x", &track.map, Some(Seconds(300.0)));
});
