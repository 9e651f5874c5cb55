use super::*;
use crate::error::{Error, Place};
use crate::finding::{Finding, Weight};
use crate::hits::Kind;
use crate::tempo::{BarBeat, Grid, Meter, TempoMap};
use crate::units::{Bpm, SamplePos, Velocity};
use proptest::prelude::*;

const HEAD: &str = "drum,hit,time_s,sample,bar,beat,tick,offset_ms,velocity,peak_dbfs,certainty,kind,state\r\n";

fn read(text: &str) -> ListRead {
    HitList::parse(Path::new("hits.csv"), text.as_bytes(), SampleRate::SESSION, Some(48_000 * 60)).unwrap()
}

/// Line, column, what is wrong, and the remedy.
fn refused(text: impl AsRef<[u8]>) -> (usize, String, String, String) {
    let got = HitList::parse(Path::new("hits.csv"), text.as_ref(), SampleRate::SESSION, Some(48_000 * 60));
    match got {
        Err(Error::HitList(e)) => {
            assert_eq!(e.fault.exit_code(), ExitCode::Input);
            let (line, column) = match e.place {
                Place::Line(line, column) => (line, column.unwrap_or_default()),
                _ => (0, String::new()),
            };
            (line, column, e.fault.to_string(), e.fault.remedy())
        }
        other => panic!("{other:?}"),
    }
}

fn times(read: &ListRead) -> Vec<u64> {
    read.list.hits.iter().map(|h| h.pos.0).collect()
}

fn says(findings: &[Finding], what: &str) -> bool {
    findings.iter().any(|f| f.what.contains(what))
}

#[test]
fn the_file_looks_like_this() {
    let place = Some(GridPlace { at: BarBeat { bar: 2, beat: 1, tick: 941 }, offset: Seconds(-0.010_000_4) });
    let hit = |drum, pos, place| Hit {
        drum,
        pos: SamplePos(pos),
        velocity: Velocity::nearest(96.0),
        peak: Dbfs(-12.3456),
        certainty: 0.98765,
        kind: Kind::Ghost,
        state: State::Found,
        place,
    };
    let list = HitList {
        rate: SampleRate::SESSION,
        hits: vec![hit(Drum::Snare, 167_520, place), hit(Drum::Kick, 167_520, None), hit(Drum::Snare, 1, None)],
    };
    let expected = format!(
        "{HEAD}snare,1,0.000021,1,,,,,96,-12.35,0.988,ghost,found\r\n\
         kick,1,3.490000,167520,,,,,96,-12.35,0.988,ghost,found\r\n\
         snare,2,3.490000,167520,2,1,941,-10.000,96,-12.35,0.988,ghost,found\r\n"
    );
    assert_eq!(list.to_csv(), expected);
}

#[test]
fn a_row_of_drum_and_time_is_an_added_hit_with_its_drums_median_velocity() {
    let read = read(&format!(
        "{HEAD}kick,1,1.0,48000,,,,,60,-20,1,hit,found\nkick,2,2.0,96000,,,,,90,-10,1,hit,found\n\
         kick,3,3.0,144000,,,,,100,-9,1,hit,found\nkick,4,4.0,192000,,,,,1,-60,1,hit,dropped\n\nkick,,2.5\n"
    ));
    let added = &read.list.hits[2];
    assert_eq!((added.pos.0, added.state, added.velocity.get()), (120_000, State::Added, 90));
    assert_eq!((added.kind, added.certainty, added.peak), (Kind::Hit, 1.0, Dbfs(-10.0)));
    assert!(says(&read.findings, "The kick in line 7 has no velocity and got 90, the median"), "{:?}", read.findings);
    assert_eq!(read.list.of(Drum::Kick).count(), 4);
}

#[test]
fn a_row_without_a_peak_has_that_of_the_row_nearest_in_velocity_and_of_equals_the_first() {
    let row = |velocity: &str, peak: &str| format!("snare,,1,,,,,,{velocity},{peak},,,\r\n");
    let text =
        [("60", "-20"), ("60", "-21"), ("40", "-30"), ("100", "-8"), ("50", ""), ("90", ""), ("61", ""), ("1", "")];
    let text: String = text.iter().map(|(v, p)| row(v, p)).collect();
    let peaks: Vec<f64> = read(&format!("{HEAD}{text}")).list.hits.iter().map(|h| h.peak.0).collect();
    assert_eq!(peaks, [-20.0, -21.0, -30.0, -8.0, -20.0, -8.0, -20.0, -30.0]);
}

#[test]
fn a_spreadsheet_may_change_separators_decimals_order_and_add_columns() {
    let plain = read(&format!("{HEAD}snare,1,5.115625,245550,1,2,3,-0.5,17,-44.9,0.9,roll,found\r\n"));
    for text in [
        "\u{FEFF}drum;time_s;sample;bar;beat;tick;offset_ms;velocity;peak_dbfs;certainty;kind;state\r\n\
         snare;5,115625;245550;1;2;3;-0,5;17;-44,9;0,9;roll;found\r\n",
        "sep=;\r\nState;Kind;certainty;peak_dbfs;velocity;offset_ms;tick;beat;bar;sample;time_s;drum\r\n\
         Found;Roll;0,9;-44,9;17,0;\u{2212}0,5;3;2;1;245550;5,115625;SNARE\r\n;;;;;;;;;;;\r\n\r\n",
        "drum\ttime_s\tsample\tbar\tbeat\ttick\toffset_ms\tvelocity\tpeak_dbfs\tcertainty\tkind\tstate\n\
         snare\t0:05.115625\t245550\t1\t2\t3\t-0.5\t17\t-44.9\t0.9\troll\tfound\n",
        "\"drum\",\"my notes\",time_s,sample,bar,beat,tick,offset_ms,velocity,peak_dbfs,certainty,kind,state\n\
         \"snare\",\"soft; \"\"really\"\"\nsoft\",\"5,115625\",245550,1,2,3,-.5,17,-44.9,.9,roll,found\n",
    ] {
        let got = read(text);
        assert_eq!(got.list, plain.list, "{text}");
    }
    let extra = read("drum,my notes,time_s\nkick,x,1\n");
    assert!(says(&extra.findings, "my notes"));
}

#[test]
fn an_edited_time_counts_and_is_said() {
    let read = read(&format!(
        "{HEAD}kick,1,1.000000,48000,1,1,0,0.0,99,-9,1,hit,found\nkick,2,2.050000,96000,2,1,0,0.0,99,-9,1,hit,found\n"
    ));
    assert_eq!(times(&read), [48_000, 98_400]);
    assert!(says(&read.findings, "In line 3 time_s and sample disagree; the time counts"), "{:?}", read.findings);
    // The old place in the song is no longer true.
    assert!(read.list.hits[0].place.is_some() && read.list.hits[1].place.is_none());
}

#[test]
fn times_that_a_spreadsheet_rounded_leave_the_samples_alone() {
    let read =
        read("drum,time_s,sample\nkick,1.02,49152\nkick,2,96240\nkick,3.51,168480\nkick,9.99,96000\nkick,5.5,\n");
    // 49152 is 1.024 s and 96240 is 2.005 s: the same to two decimals. 9.99 s is not 2 s.
    assert_eq!(times(&read), [49_152, 96_240, 168_480, 264_000, 479_520]);
    assert!(says(&read.findings, "rounded to 2 decimals"), "{:?}", read.findings);
    assert!(says(&read.findings, "In line 5 time_s"), "{:?}", read.findings);
}

#[test]
fn samples_of_another_rate_give_way_to_the_times() {
    let read = read("drum,time_s,sample\nkick,1.123456,49545\nkick,2.234567,98544\n");
    assert_eq!(times(&read), [53_926, 107_259]);
}

#[test]
fn two_hits_of_a_drum_in_one_place_are_a_caution() {
    let read = read("drum,time_s\nkick,1.5\nsnare,1.5\nkick,1.5\n");
    let double = read.findings.iter().find(|f| f.weight == Weight::Caution).unwrap();
    assert!(double.what.contains("The kick has two hits at one place, 0:01.500"), "{double:?}");
}

#[test]
fn a_list_without_hits_is_a_list() {
    assert!(read(HEAD).list.hits.is_empty());
}

#[test]
fn mistakes_are_named_with_line_and_column() {
    for (text, line, column, what) in [
        ("", 0, "", "empty"),
        ("\r\n\r\n", 0, "", "empty"),
        ("drum,velocity\nkick,3\n", 1, "", "column time_s is missing"),
        ("\n\nhit,time_s\n1,2\n", 3, "", "column drum is missing"),
        ("kick,1.5\nkick,2.5\n", 1, "", "column drum is missing"),
        ("drum,time_s,time_s\nkick,1,1\n", 1, "", "twice"),
        ("drum,time_s\nkick,1.0\n\n\nkick,1.x\n", 5, "time_s", "\"1.x\" is not a number"),
        ("drum,time_s\r\n\r\nkick,1\r\n\r\nkick,x\r\n", 5, "time_s", "\"x\""),
        ("drum,time_s\r\nkick,NaN\r\n", 2, "time_s", "not a number"),
        ("drum,time_s\nkick,inf\n", 2, "time_s", "not a number"),
        ("drum,time_s\nkick,\"1.234,5\"\n", 2, "time_s", "not a number"),
        ("drum,time_s\nkick,-0.5\n", 2, "time_s", "before the start"),
        ("drum,time_s\nkick,60.0\n", 2, "time_s", "beyond the end of the song at 1:00.000"),
        ("drum,sample\nkick,2880000\n", 2, "sample", "beyond the end"),
        ("drum,time_s\nkick,1:75\n", 2, "time_s", "not a time"),
        ("drum,time_s\ncowbell,1\n", 2, "drum", "\"cowbell\" is no drum"),
        ("drum,time_s\n,1\n", 2, "drum", "the drum is missing"),
        ("drum,time_s\nkick,\n", 2, "time_s", "no time"),
        ("drum,time_s,velocity\nkick,1,0\n", 2, "velocity", "0 is not a velocity"),
        ("drum,time_s,velocity\nkick,1,99.5\n", 2, "velocity", "99.5"),
        ("drum,time_s,certainty\nkick,1,1.5\n", 2, "certainty", "1.5"),
        ("drum,time_s,kind\nkick,1,drag\n", 2, "kind", "drag"),
        ("drum,time_s,state\nkick,1,gone\n", 2, "state", "gone"),
        ("drum,time_s\nkick,1,5\n", 2, "", "3 fields"),
        ("drum,time_s\n\"kick,1\nkick,2\n", 2, "", "quotation mark"),
    ] {
        let (at, field, said, remedy) = refused(text);
        assert_eq!((at, field.as_str()), (line, column), "{text:?}: {said}");
        assert!(said.contains(what) && !remedy.is_empty(), "{text:?}: {said}");
    }
    assert!(refused(b"drum,time_s\0\n").2.contains("not plain text"));
    assert!(refused(b"PK\x03\x04\x14\0\x06\0").2.contains("spreadsheet"));
    let missing = HitList::read(Path::new("no/such/hits.csv"), SampleRate::SESSION, None);
    assert!(matches!(missing, Err(Error::HitList(e)) if matches!(e.fault, HitListFault::Unreadable(_))));
}

fn hits() -> impl Strategy<Value = Vec<Hit>> {
    let place = prop::option::of((-200i64..900, 1u32..16, 0u32..3840, -500.0..500.0f64));
    let words = (0usize..4, 0usize..3, any::<bool>());
    let hit = (0u64..2_880_000, 1u8..128, -120.0..6.0f64, 0.0..=1.0f64, words, place);
    prop::collection::vec(hit, 0..30).prop_map(|hits| {
        let to_hit = |(pos, velocity, peak, certainty, (kind, state, kick), place): (
            _,
            _,
            _,
            _,
            (usize, usize, bool),
            Option<_>,
        )| Hit {
            drum: if kick { Drum::Kick } else { Drum::Snare },
            pos: SamplePos(pos),
            velocity: Velocity::new(velocity).unwrap(),
            peak: Dbfs(peak),
            certainty,
            kind: [Kind::Hit, Kind::Ghost, Kind::Flam, Kind::Roll][kind],
            state: [State::Found, State::Added, State::Dropped][state],
            place: place.map(|(bar, beat, tick, ms)| GridPlace {
                at: BarBeat { bar, beat, tick },
                offset: Seconds::from_ms(ms),
            }),
        };
        hits.into_iter().map(to_hit).collect()
    })
}

proptest! {
    #[test]
    fn reading_what_was_written_loses_nothing(hits in hits(), rate in 0usize..4) {
        let rate = SampleRate::new([44_100, 48_000, 96_000, 192_000][rate]).unwrap();
        let mut list = HitList { rate, hits };
        let text = list.to_csv();
        let read = HitList::parse(Path::new("hits.csv"), text.as_bytes(), rate, None).unwrap();
        prop_assert_eq!(read.list.to_csv(), text);
        list.settle();
        prop_assert_eq!(&read.list, &list);
        prop_assert!(read.findings.iter().all(|f| f.weight == Weight::Caution), "{:?}", read.findings);
    }

    #[test]
    fn a_spreadsheet_with_decimal_commas_loses_nothing(hits in hits()) {
        let list = HitList { rate: SampleRate::SESSION, hits };
        let text = list.to_csv();
        let european = text.replace(',', ";").replace('.', ",");
        let read = HitList::parse(Path::new("hits.csv"), european.as_bytes(), SampleRate::SESSION, None).unwrap();
        prop_assert_eq!(read.list.to_csv(), text);
    }

    #[test]
    fn no_text_brings_the_reader_down(text in "[a-z0-9,;.\"\n\r:=-]{0,200}", bytes in prop::collection::vec(any::<u8>(), 0..80)) {
        let parse = |b: &[u8]| HitList::parse(Path::new("hits.csv"), b, SampleRate::SESSION, None).is_ok();
        parse(text.as_bytes());
        parse(&bytes);
        parse(format!("{HEAD}{text}").as_bytes());
        parse(&[HEAD.as_bytes(), &bytes].concat());
    }
}

/// A list of a beat a second at 60 BPM, changed row by row: place columns of `(bar, beat, tick, offset)`, lines from 2 on.
fn with_places(change: impl Fn(usize, &mut [String; 4])) -> Vec<String> {
    let map = TempoMap::constant(Bpm::new(60.0).unwrap(), Meter::FOUR_FOUR, Seconds(0.0));
    let mut text = HEAD.to_owned();
    for k in 0..40usize {
        let mut place = [k / 4 + 1, k % 4 + 1, 0, 0].map(|v| v.to_string());
        change(k + 2, &mut place);
        let at = place.join(",");
        text += &format!("kick,{},{k}.000000,{},{at},99,-9,1,hit,found\r\n", k + 1, k * 48_000);
    }
    let mut got = read(&text);
    got.hold_against(&map, Grid::SIXTEENTH);
    let cautions = got.findings.iter().filter(|f| f.weight == Weight::Caution);
    cautions.map(|f| format!("{} {}", f.what, f.remedy)).collect()
}

#[test]
fn a_list_saved_as_unicode_text_is_read_as_the_same_in_utf_8() {
    let text = "drum\ttime_s\tstate\r\nsnare\t0,5\tadded\r\n";
    let plain = HitList::parse(Path::new("hits.csv"), text.as_bytes(), SampleRate::SESSION, None).unwrap().list;
    let units = || text.encode_utf16();
    let low: Vec<u8> = [0xFF, 0xFE].into_iter().chain(units().flat_map(u16::to_le_bytes)).collect();
    let high: Vec<u8> = [0xFE, 0xFF].into_iter().chain(units().flat_map(u16::to_be_bytes)).collect();
    for bytes in [low, high] {
        let got = HitList::parse(Path::new("hits.csv"), &bytes, SampleRate::SESSION, None).unwrap().list;
        assert!(got == plain && got.hits.len() == 1 && got.hits[0].pos.0 == 24_000, "{got:?}");
    }
}

#[test]
fn a_place_that_was_edited_without_its_time_is_said_with_its_line() {
    let said = with_places(|line, place| {
        if line == 9 {
            place[0] = "5".into();
            place[1] = "2".into();
        }
    });
    assert_eq!(said.len(), 1);
    assert!(
        said[0].contains("line 9: its bar and beat were changed but not its time; only time_s moves a stroke"),
        "{said:?}"
    );
    assert!(said[0].contains("into time_s"), "{said:?}");
    let said = with_places(|line, place| match line {
        5 => place[2] = "120".into(),
        7 => place[3] = "-12.5".into(),
        _ => {}
    });
    assert_eq!(said.len(), 2, "{said:?}");
    assert!(said[0].contains("line 5: its tick was changed") && said[1].contains("line 7: its offset was"), "{said:?}");
}

#[test]
fn places_that_were_rounded_emptied_or_made_with_another_map_are_no_edits() {
    let none: [&str; 0] = [];
    assert_eq!(with_places(|_, _| {}), none);
    // A tick to either side, also over the bar line, and empty cells.
    let rounded = |line: usize, place: &mut [String; 4]| match line {
        6 => *place = ["1", "4", "959", "0.0"].map(String::from),
        8 => place[2] = "1".into(),
        10 => place[3] = String::new(),
        _ => {}
    };
    assert_eq!(with_places(rounded), none);
    // Bar 1 was set a beat later since: every row disagrees alike.
    let later = |line: usize, place: &mut [String; 4]| {
        let beat = line - 2 + 1;
        place[0] = (beat / 4 + 1).to_string();
        place[1] = (beat % 4 + 1).to_string();
    };
    assert_eq!(with_places(later), none);
    // The tempo was changed since near the end of the song.
    assert_eq!(
        with_places(|line, place| if line >= 38 {
            place[2] = "300".into()
        }),
        none
    );
}

#[test]
fn a_hit_with_a_bar_and_no_time_is_told_what_to_write() {
    let (line, column, what, remedy) = refused(format!("{HEAD}snare,,,,5,2,,,,,,,\r\n"));
    assert_eq!((line, column.as_str()), (2, "time_s"));
    assert!(what.contains("bar and beat do not place it") && remedy.contains("12.345"), "{what} {remedy}");
}

#[test]
fn a_list_without_a_recording_ends_where_a_tempo_map_does() {
    let text = "drum,time_s\nkick,1\nkick,90000000\n";
    let got = HitList::parse(Path::new("hits.csv"), text.as_bytes(), SampleRate::SESSION, None);
    let said = got.unwrap_err().to_string();
    assert!(said.contains("line 3") && said.contains("beyond 100 hours"), "{said}");
}

#[test]
fn times_without_their_decimal_points_are_told_as_such() {
    // 2.309667 s and on, as a spreadsheet that takes points for marks between thousands gives them back.
    let row = |us: u64| format!("kick,1,{us},{},,,,,96,-1235,988,hit,found\r\n", us * 48_000 / 1_000_000);
    let list: String = [2_309_667, 4_327_708, 5_480_001].map(row).concat();
    let (line, column, what, remedy) = refused(format!("{HEAD}{list}"));
    assert_eq!((line, column.as_str()), (2, "time_s"));
    assert!(
        what.contains("lost their decimal points (2309667 stands for 2.309") && remedy.contains("decimal"),
        "{what}"
    );
    assert!(remedy.contains("written anew, without the edits"), "the list of the message is the one that is spoilt");
    // Without samples: milliseconds taken for seconds inside the song, and a single time beyond its end.
    let (_, _, what, _) = refused("drum,time_s\nkick,0\nkick,30\nkick,61\nsnare,95\n");
    assert!(what.contains("seem to have lost their decimal points"), "{what}");
    let (_, _, _, remedy) = refused("drum,time_s\nkick,12345\n");
    assert!(remedy.contains("its decimal point may be lost"), "{remedy}");
    let (line, _, what, remedy) = refused("drum;time_s\nkick;1.345.678\nkick;2.345.678\nsnare;3.5\n");
    assert!(
        line == 2 && what.contains("two points: a spreadsheet") && remedy.contains("written anew"),
        "{what} {remedy}"
    );
    let (line, _, what, remedy) = refused("drum;time_s\nkick;0.5\nkick;1.02.5\nsnare;63.5\n");
    assert!(line == 3 && what.contains("\"1.02.5\" has two points") && remedy.contains("1:23.25"), "{what} {remedy}");
    assert!(
        !what.contains("spreadsheet") && !remedy.contains("anew"),
        "one slip does not spoil a list: {what} {remedy}"
    );
    let (_, _, _, remedy) = refused("drum;time_s\nkick;2026-02-12\n");
    assert!(remedy.contains("a date"), "{remedy}");
    let (_, _, what, remedy) = refused("drum;time_s\nkick;#####\n");
    assert!(what.contains("too narrow") && remedy.contains("Widen"), "{what} {remedy}");
    let (_, _, what, remedy) = refused("drum,time_s\nkick,12,345\n");
    assert!(what.contains("decimal commas") && remedy.contains("; between the fields"), "{what} {remedy}");
    let (_, _, _, remedy) = refused("drum;time_s\nkick;12. Mai\n");
    assert!(remedy.contains("a date"), "{remedy}");
}

#[test]
fn whole_seconds_that_somebody_wrote_are_times() {
    let rows = "kick,20,96000\nkick,3.5,168000\nsnare,4.5,216000\n";
    let moved = read(&format!("drum,time_s,sample\n{rows}"));
    assert_eq!(times(&moved), [168_000, 216_000, 960_000], "one stroke was moved from 2 s to 20 s by hand");
    let quarters: String = (0..20).map(|s| format!("kick,{s}\n")).collect();
    assert_eq!(times(&read(&format!("drum,time_s\n{quarters}"))).len(), 20);
}

#[test]
fn times_are_read_back_as_they_are_shown_past_the_hour_too() {
    let text = format!("drum,time_s\nkick,{}\nkick,{}\n", Seconds(83.25), Seconds(3725.5));
    let read = HitList::parse(Path::new("hits.csv"), text.as_bytes(), SampleRate::SESSION, None).unwrap();
    assert_eq!(times(&read), [83_250 * 48, 3_725_500 * 48]);
}
