//! Events at absolute ticks, encoded as a Standard MIDI File of format 1 (RP-001) by midly.

use crate::tempo::{Meter, TempoMap};
use midly::num::{u4, u7, u15, u24, u28};
use midly::{Format, Header, MetaMessage, MidiMessage, Smf, Timing, TrackEvent, TrackEventKind};

/// The percussion channel, channel 10 (General MIDI System Level 1), counted from 0.
const PERCUSSION: u8 = 9;
/// Velocity of a note-off that says nothing, 64 (MIDI 1.0).
const RELEASE: u8 = 64;

/// One event of a track.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Event {
    /// Track name; in the first track the song's title.
    Name(String),
    /// Microseconds a quarter.
    Tempo(u32),
    Meter(Meter),
    Marker(String),
    NoteOn(u7, u7),
    NoteOff(u7),
}

/// One track: events by rising tick, and the tick of its end.
#[derive(Clone, Debug, Default)]
pub(super) struct Track {
    pub events: Vec<(u64, Event)>,
    pub end: u64,
}

impl Track {
    /// The first track of a file: title, meters, tempos, markers.
    pub fn of_map(title: &str, map: &TempoMap, end: u64) -> Self {
        let mut events = vec![(0, Event::Name(title.to_owned()))];
        events.extend(map.meters().iter().map(|m| (m.tick, Event::Meter(m.meter))));
        events.extend(map.tempos().iter().map(|t| (t.tick, Event::Tempo(t.us_per_quarter))));
        events.extend(map.markers().iter().map(|m| (m.tick, Event::Marker(m.name.clone()))));
        events.sort_by_key(|e| e.0);
        Self { events, end }
    }
}

/// The file's bytes, always the same for the same tracks.
pub(super) fn encode(tracks: &[Track]) -> Vec<u8> {
    let header = Header::new(Format::Parallel, Timing::Metrical(u15::from(TempoMap::PPQ as u16)));
    let mut smf = Smf::new(header);
    smf.tracks = tracks.iter().map(encode_track).collect();
    let mut bytes = Vec::new();
    // Writing to memory fails only beyond 65,535 tracks or 4 GiB a track, which the callers' few tracks cannot reach.
    let _ = smf.write(&mut bytes);
    bytes
}

fn encode_track(track: &Track) -> Vec<TrackEvent<'_>> {
    let longest = u64::from(u28::max_value().as_int());
    let last = track.events.last().map_or(0, |e| e.0);
    let end = (track.end.max(last), TrackEventKind::Meta(MetaMessage::EndOfTrack));
    let events = track.events.iter().map(|(tick, event)| (*tick, kind_of(event)));
    let mut out = Vec::with_capacity(track.events.len() + 1);
    let mut now = 0;
    for (tick, kind) in events.chain(std::iter::once(end)) {
        // A delta-time holds 28 bits; empty text events bridge what is longer.
        while tick - now > longest {
            out.push(TrackEvent { delta: u28::max_value(), kind: TrackEventKind::Meta(MetaMessage::Text(b"")) });
            now += longest;
        }
        out.push(TrackEvent { delta: u28::from((tick - now) as u32), kind });
        now = tick;
    }
    out
}

fn kind_of(event: &Event) -> TrackEventKind<'_> {
    let note = |message| TrackEventKind::Midi { channel: u4::from(PERCUSSION), message };
    match event {
        Event::Name(name) => TrackEventKind::Meta(MetaMessage::TrackName(name.as_bytes())),
        Event::Tempo(us) => TrackEventKind::Meta(MetaMessage::Tempo(u24::from(*us))),
        Event::Meter(meter) => {
            let power = meter.unit.trailing_zeros() as u8;
            TrackEventKind::Meta(MetaMessage::TimeSignature(meter.beats, power, clocks_a_click(*meter), 8))
        }
        Event::Marker(name) => TrackEventKind::Meta(MetaMessage::Marker(name.as_bytes())),
        Event::NoteOn(key, vel) => note(MidiMessage::NoteOn { key: *key, vel: *vel }),
        Event::NoteOff(key) => note(MidiMessage::NoteOff { key: *key, vel: u7::from(RELEASE) }),
    }
}

/// MIDI clocks (24 a quarter) from click to click: a beat, or three of them in 6/8, 9/8, 12/8 (RP-001's own example).
fn clocks_a_click(meter: Meter) -> u8 {
    let beat = (96 / meter.unit.max(1)).max(1);
    if meter.unit == 8 && meter.beats > 3 && meter.beats.is_multiple_of(3) { beat * 3 } else { beat }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Delta-times as the file holds them: of a track with one text event at a tick.
    fn delta_bytes(tick: u64) -> Vec<u8> {
        let track = Track { events: vec![(tick, Event::Marker(String::new()))], end: 0 };
        let bytes = encode(&[track]);
        let body = &bytes[14 + 8..];
        body[..body.len() - 3 - 4].to_vec()
    }

    /// The table of variable-length quantities that RP-001 prints, and rows computed from its rule.
    #[test]
    fn delta_times_are_written_as_the_standard_prints_them() {
        for (tick, bytes) in [
            (0x0000_0000, &[0x00][..]),
            (0x0000_0040, &[0x40]),
            (0x0000_007F, &[0x7F]),
            (0x0000_0080, &[0x81, 0x00]),
            (0x0000_2000, &[0xC0, 0x00]),
            (0x0000_3FFF, &[0xFF, 0x7F]),
            (0x0000_4000, &[0x81, 0x80, 0x00]),
            (0x0010_0000, &[0xC0, 0x80, 0x00]),
            (0x001F_FFFF, &[0xFF, 0xFF, 0x7F]),
            (0x0020_0000, &[0x81, 0x80, 0x80, 0x00]),
            (0x0800_0000, &[0xC0, 0x80, 0x80, 0x00]),
            (0x0FFF_FFFF, &[0xFF, 0xFF, 0xFF, 0x7F]),
            (200, &[0x81, 0x48]),
            (480, &[0x83, 0x60]),
            (960, &[0x87, 0x40]),
            (1920, &[0x8F, 0x00]),
        ] {
            assert_eq!(delta_bytes(tick), bytes, "{tick:#x}");
        }
    }

    #[test]
    fn a_gap_beyond_28_bits_is_bridged_and_not_cut() {
        // The most that fits, an empty text event, one tick more.
        assert_eq!(delta_bytes(0x1000_0000), [0xFF, 0xFF, 0xFF, 0x7F, 0xFF, 0x01, 0x00, 0x01]);
    }

    /// The bytes that RP-001 gives for 120 BPM, 4/4 and 6/8.
    #[test]
    fn tempo_and_meter_have_the_bytes_of_the_standard() {
        let map = TempoMap::constant(crate::units::Bpm::MIDI_DEFAULT, Meter { beats: 6, unit: 8 }, Default::default());
        let bytes = encode(&[Track::of_map("A", &map, 0)]);
        let expected = [
            &b"MThd\0\0\0\x06\0\x01\0\x01\x03\xC0MTrk\0\0\0\x18\0\xFF\x03\x01A"[..],
            b"\0\xFF\x58\x04\x06\x03\x24\x08\0\xFF\x51\x03\x07\xA1\x20\0\xFF\x2F\0",
        ];
        assert_eq!(bytes, expected.concat());
        assert_eq!(clocks_a_click(Meter::FOUR_FOUR), 0x18);
        assert_eq!(clocks_a_click(Meter { beats: 7, unit: 8 }), 12);
    }
}
