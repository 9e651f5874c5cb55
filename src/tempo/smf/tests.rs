use super::*;
use crate::error::{Error, ExitCode, Fault};
use crate::tempo::{BarBeat, Meter};
use proptest::prelude::*;

fn parse(bytes: &[u8]) -> Result<TempoTrack> {
    parse_tempo_track(Path::new("song.mid"), bytes, Seconds(0.0))
}

/// A file of one format, division and tracks; every track's data is given without its end mark.
fn file(format: u16, division: u16, tracks: &[&[u8]]) -> Vec<u8> {
    let mut bytes = b"MThd\0\0\0\x06".to_vec();
    for word in [format, tracks.len() as u16, division] {
        bytes.extend(word.to_be_bytes());
    }
    for track in tracks {
        let data = [track, &b"\0\xFF\x2F\0"[..]].concat();
        bytes.extend(b"MTrk");
        bytes.extend((data.len() as u32).to_be_bytes());
        bytes.extend(data);
    }
    bytes
}

fn tempo(delta: &[u8], us: u32) -> Vec<u8> {
    [delta, &[0xFF, 0x51, 3], &us.to_be_bytes()[1..]].concat()
}

fn meter(delta: &[u8], beats: u8, power: u8) -> Vec<u8> {
    [delta, &[0xFF, 0x58, 4, beats, power, 24, 8]].concat()
}

fn fault(bytes: &[u8]) -> (Place, MidiFault) {
    match parse(bytes) {
        Err(Error::Midi(located)) => {
            assert!(!located.fault.remedy().is_empty());
            assert_eq!(located.fault.exit_code(), ExitCode::Input);
            (located.place, located.fault)
        }
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_file_without_tempo_or_meter_is_120_in_four_four_and_says_so() {
    let track = parse(&file(1, 480, &[b""])).unwrap();
    assert_eq!(track.map.tempos()[0].us_per_quarter, 500_000);
    assert_eq!(track.map.meters()[0].meter, Meter::FOUR_FOUR);
    assert_eq!(track.findings.len(), 2);
    assert_eq!(track.title, None);
}

#[test]
fn any_resolution_gives_the_same_bars() {
    // Two bars of 7/8 and then 6/8, at 24, 96, 480, 960, 1024 and 25 ticks a quarter; the title and a marker.
    for ppq in [24u32, 96, 480, 960, 1024, 32_767] {
        let ticks = 7 * ppq;
        let delta = [0x80 | (ticks >> 14) as u8, 0x80 | (ticks >> 7 & 127) as u8, (ticks & 127) as u8];
        let track = [&b"\0\xFF\x03\x04Song"[..], &meter(b"\0", 7, 3), &tempo(b"\0", 600_000), &meter(&delta, 6, 3)];
        let track = [&track.concat()[..], b"\0\xFF\x06\x05verse"].concat();
        let track = parse(&file(0, ppq as u16, &[&track])).unwrap();
        assert_eq!(track.map.bar_start(3), 6720, "{ppq}");
        assert_eq!(track.map.meter_of(3), Meter { beats: 6, unit: 8 });
        assert_eq!((track.map.markers()[0].tick, track.map.markers()[0].name.as_str()), (6720, "verse"));
        assert_eq!(track.title.as_deref(), Some("Song"));
        assert!(track.findings.is_empty(), "{:?}", track.findings);
    }
}

#[test]
fn a_tempo_change_between_two_of_our_ticks_is_moved_and_said() {
    let track = [meter(b"\0", 4, 2), tempo(b"\0", 500_000), tempo(b"\x64", 400_000)].concat();
    let track = parse(&file(1, 1024, &[&track])).unwrap();
    // Tick 100 of 1024 is 93.75 of 960; a quarter of a tick later, at a change of 100,000 us a quarter: 26 us.
    assert_eq!(track.map.tempos()[1].tick, 94);
    assert!((track.rounding.0 - 0.25 * 0.1 / 960.0).abs() < 1e-12);
    assert_eq!(track.findings.len(), 1);
    assert!(track.findings[0].what.contains("0.026 ms"));
}

#[test]
fn a_long_ramp_between_ticks_does_not_drift() {
    // 3,000 changes at odd places, the tempo going to and fro: rounded alike they would add up.
    let change = |i: u32| tempo(&[0x65], if i.is_multiple_of(2) { 400_000 } else { 700_000 });
    let track = [meter(b"\0", 4, 2), tempo(b"\0", 700_000), (0..3000).flat_map(change).collect()].concat();
    let track = parse(&file(1, 1024, &[&track])).unwrap();
    assert!(track.rounding.ms() <= 0.5 * 300.0 / 960.0, "{}", track.rounding.ms());
    let exact = (0.7 + 0.4) / 2.0 * 101.0 * 3000.0 / 1024.0;
    let end = track.map.time_at(101.0 * 3000.0 * 960.0 / 1024.0);
    assert!((end.0 - exact).abs() <= track.rounding.0 + 1e-9, "{end:?} {exact}");
}

#[test]
fn a_bar_that_the_file_cuts_short_gets_its_own_meter() {
    // 4/4, after five quarters 3/4: the second bar has one quarter.
    let track = [tempo(b"\0", 500_000), meter(b"\0", 4, 2), meter(b"\x83\x60", 3, 2)].concat();
    let track = parse(&file(1, 96, &[&track])).unwrap();
    assert_eq!([1, 2, 3, 4].map(|b| track.map.bar_start(b)), [0, 3840, 4800, 7680]);
    assert_eq!(track.map.meter_of(2), Meter { beats: 1, unit: 4 });
    assert!(track.findings[0].what.contains("Bar 2"), "{:?}", track.findings);
    // Cut at no note value: refused, with the bar.
    let odd = [tempo(b"\0", 500_000), meter(b"\0", 4, 2), meter(b"\x83\x45", 3, 2)].concat();
    let (_, odd) = fault(&file(1, 96, &[&odd]));
    assert!(odd.to_string().contains("bar 2"), "{odd}");
}

#[test]
fn tempo_events_outside_the_first_track_count_and_are_said() {
    let second = [tempo(b"\0", 400_000), meter(b"\0", 3, 2)].concat();
    let track = parse(&file(1, 96, &[b"", &second])).unwrap();
    assert_eq!(track.map.tempos()[0].us_per_quarter, 400_000);
    assert!(track.findings[0].what.contains("outside the first track"));
}

#[test]
fn a_marker_that_is_not_utf8_is_read_as_latin_1() {
    let track = [&tempo(b"\0", 500_000)[..], &meter(b"\0", 4, 2), b"\0\xFF\x06\x04caf\xE9"].concat();
    assert_eq!(parse(&file(0, 96, &[&track])).unwrap().map.markers()[0].name, "café");
}

#[test]
fn the_file_may_begin_anywhere_in_the_audio() {
    let bytes = file(0, 96, &[&[tempo(b"\0", 500_000), meter(b"\0", 4, 2)].concat()]);
    let track = parse_tempo_track(Path::new("song.mid"), &bytes, Seconds(1.5)).unwrap();
    assert_eq!(track.map.bar_beat_at(Seconds(3.5)), BarBeat { bar: 2, beat: 1, tick: 0 });
}

#[test]
fn what_cannot_be_used_is_named() {
    let good = file(1, 96, &[&[tempo(b"\0", 500_000), meter(b"\0", 4, 2)].concat()]);
    assert!(matches!(fault(b""), (Place::Byte(0), MidiFault::Damaged(_))));
    assert!(matches!(fault(b"RIFF\0\0\0\0WAVE"), (_, MidiFault::NotMidi(w)) if w.contains("WAV")));
    assert!(matches!(fault(b"hello"), (_, MidiFault::NotMidi(_))));
    assert!(matches!(fault(&file(2, 96, &[b""])), (_, MidiFault::Unsupported(w)) if w.contains("format 2")));
    assert!(matches!(fault(&file(7, 96, &[b""])), (_, MidiFault::Damaged(_))));
    assert!(matches!(fault(&file(1, 0xE728, &[b""])), (_, MidiFault::Unsupported(w)) if w.contains("SMPTE")));
    assert!(matches!(fault(&file(1, 0, &[b""])), (Place::Byte(12), MidiFault::Damaged(_))));
    assert!(matches!(fault(&file(1, 96, &[])), (_, MidiFault::Damaged(_))));
    let one_of_two = [&good[..10], &[0, 2], &good[12..]].concat();
    assert!(matches!(fault(&one_of_two), (_, MidiFault::Damaged(w)) if w.contains("only 1")));
    let zero = file(1, 96, &[&tempo(b"\0", 0)]);
    assert!(matches!(fault(&zero), (_, MidiFault::Tempo(crate::tempo::TempoFault::Tempo { .. }))));
    for odd in [meter(b"\0", 0, 2), meter(b"\0", 4, 7), meter(b"\0", 4, 200)] {
        assert!(matches!(fault(&file(1, 96, &[&odd])), (_, MidiFault::Tempo(_))));
    }
    let far = [tempo(b"\0", 500_000), [&b"\xFF\xFF\xFF\x7F"[..], b"\xFF\x01\0"].concat().repeat(300)].concat();
    let far = [far, tempo(b"\0", 400_000)].concat();
    assert!(matches!(fault(&file(1, 1, &[&far])), (_, MidiFault::Tempo(crate::tempo::TempoFault::TooLong))));
    let huge = vec![0; MAX_BYTES as usize + 1];
    assert!(matches!(fault(&huge), (_, MidiFault::Unsupported(_))));
    let missing = read_tempo_track(Path::new("no/such/tempo.mid"), Seconds(0.0));
    assert!(matches!(missing, Err(Error::Midi(Located { fault: MidiFault::Unreadable(_), .. }))));
}

#[test]
fn a_file_cut_anywhere_is_refused() {
    let track = [tempo(b"\0", 500_000), meter(b"\0", 4, 2), tempo(b"\x60", 400_000)].concat();
    let good = file(1, 96, &[&track, b"\0\x99\x24\x64\x60\x24\0"]);
    assert!(parse(&good).is_ok());
    for end in 0..good.len() {
        assert!(parse(&good[..end]).is_err(), "cut to {end} bytes");
    }
}

proptest! {
    #[test]
    fn no_bytes_bring_the_reader_down(bytes in prop::collection::vec(any::<u8>(), 0..200), at in 0usize..60) {
        let track = [tempo(b"\0", 500_000), meter(b"\0", 4, 2), tempo(b"\x60", 400_000)].concat();
        let mut good = file(1, 96, &[&track]);
        for (place, byte) in good.iter_mut().skip(at).zip(&bytes) {
            *place = *byte;
        }
        let _ = parse(&good);
        let _ = parse(&bytes);
        let _ = parse(&file(1, 96, &[&bytes]));
    }
}

/// A variable-length quantity of at most 21 bits.
fn delta(ticks: u32) -> Vec<u8> {
    [0x80 | (ticks >> 14 & 127) as u8, 0x80 | (ticks >> 7 & 127) as u8, (ticks & 127) as u8].to_vec()
}

#[test]
fn two_changes_between_the_same_two_of_our_ticks_are_read_in_their_order() {
    // 10 ticks of the file lie on one of ours. The first change is best put upwards, the one behind it downwards.
    let changes = [(0, 500_000), (6, 600_000), (1, 600_001)];
    let track: Vec<u8> = changes.iter().flat_map(|(d, us)| tempo(&delta(*d), *us)).collect();
    let map = parse(&file(1, 9_600, &[&track])).unwrap().map;
    assert_eq!(
        map.tempos().iter().map(|t| (t.tick, t.us_per_quarter)).collect::<Vec<_>>(),
        [(0, 500_000), (1, 600_001)]
    );
}

proptest! {
    #[test]
    fn a_ramp_as_fine_as_can_be_is_read_and_no_time_moves_by_more_than_is_said(
        ppq in 961u16..32_768,
        changes in prop::collection::vec((0u32..40, 100_000u32..2_000_000), 1..120),
    ) {
        let track: Vec<u8> = std::iter::once(&(0, 500_000)).chain(&changes).flat_map(|(d, us)| tempo(&delta(*d), *us)).collect();
        let read = parse(&file(1, ppq, &[&track])).unwrap();
        // The time of the last change and a second behind it, summed from the file's own ticks.
        let (mut tick, mut us, mut before) = (0u64, 0.0, 500_000.0);
        for (d, now) in &changes {
            tick += u64::from(*d);
            us += f64::from(*d) * before / f64::from(ppq);
            before = f64::from(*now);
        }
        let ours = (tick as f64 / f64::from(ppq) + 1.0) * TempoMap::PPQ as f64;
        let off = (read.map.time_at(ours).0 - (us + before) * 1e-6).abs();
        prop_assert!(off <= read.rounding.0 + 1e-9, "{off} s, said {} s", read.rounding.0);
    }
}

#[test]
fn a_marker_bar_1_at_a_later_bar_line_says_where_bar_1_lies() {
    // 4/4 at 120 BPM and 96 ticks a quarter: two bars are 768 ticks, delta 0x86 0x00.
    let marked = |delta: &[u8], name: &[u8]| {
        let marker = [delta, &[0xFF, 6, name.len() as u8], name].concat();
        let verse = [&b"\0\xFF\x06\x05"[..], b"verse"].concat();
        parse(&file(1, 96, &[&[tempo(b"\0", 500_000), meter(b"\0", 4, 2), marker, verse].concat()])).unwrap().map
    };
    let map = marked(b"\x86\0", b"bar 1");
    assert_eq!((map.start(), map.bar_one(), map.first_bar()), (Seconds(0.0), Seconds(4.0), -1));
    assert_eq!(map.markers().iter().map(|m| m.name.as_str()).collect::<Vec<_>>(), ["verse"]);
    for (delta, name) in [(&b"\x86\0"[..], &b"intro"[..]), (b"\0", b"bar 1"), (b"\x60", b"bar 1")] {
        let map = marked(delta, name);
        assert_eq!((map.bar_one(), map.markers().len()), (Seconds(0.0), 2), "{name:?}");
    }
}
