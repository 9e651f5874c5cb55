//! Hit lists as they come back from spreadsheets, and the scoring of hits.

use std::path::{Path, PathBuf};
use underlay::hits::{HitList, ListRead, State, matching};
use underlay::song::Drum;
use underlay::units::{SampleRate, Seconds};

fn at_home(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn read(name: &str) -> ListRead {
    HitList::read(&at_home("fixtures/csv").join(name), SampleRate::SESSION, Some(480_000)).unwrap()
}

fn says(read: &ListRead, what: &str) -> bool {
    read.findings.iter().any(|f| f.what.contains(what))
}

#[test]
fn a_list_saved_with_decimal_commas_is_the_same_list() {
    let read = read("decimal_commas.csv");
    let hits: Vec<_> = read.list.hits.iter().map(|h| (h.drum, h.pos.0, h.velocity.get(), h.state)).collect();
    use Drum::{Kick, Snare};
    assert_eq!(
        hits,
        [
            (Kick, 24_000, 112, State::Found),
            (Snare, 48_246, 98, State::Found),
            (Snare, 60_000, 31, State::Dropped),
            (Kick, 72_000, 112, State::Added),
        ]
    );
    assert_eq!(read.list.hits[1].peak.0, -12.25);
    assert!(says(&read, "line 6 has no velocity"), "{:?}", read.findings);
    assert_eq!(read.list.of(Snare).count(), 1);
}

#[test]
fn times_rounded_by_a_cell_format_move_no_stroke() {
    let read = read("rounded_times.csv");
    assert_eq!(read.list.hits.iter().map(|h| h.pos.0).collect::<Vec<_>>(), [24_000, 48_246, 60_240]);
    assert!(says(&read, "rounded to 2 decimals") && says(&read, "comment"), "{:?}", read.findings);
}

#[test]
fn two_columns_are_enough() {
    let read = read("written_by_hand.csv");
    let times: Vec<Seconds> = read.list.hits.iter().map(|h| h.pos.at(read.list.rate)).collect();
    assert_eq!(times, [1.5, 1.75, 2.0].map(Seconds));
    assert!(read.list.hits.iter().all(|h| h.state == State::Added && h.velocity.get() == 100));
}

/// `reference_data/matching.py`: scores of mir_eval for random lists.
#[test]
fn scores_agree_with_mir_eval() {
    let kept = std::fs::read_to_string(at_home("reference_data/matching.json")).unwrap();
    let kept: serde_json::Value = serde_json::from_str(&kept).unwrap();
    let cases = kept["cases"].as_array().unwrap();
    assert_eq!(cases.len(), 80);
    for case in cases {
        let list = |key: &str| case[key].as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect::<Vec<_>>();
        let got = matching::score(&list("known"), &list("found"), case["window"].as_f64().unwrap());
        for (value, key) in [(got.f, "f"), (got.precision, "precision"), (got.recall, "recall")] {
            assert!((value - case[key].as_f64().unwrap()).abs() < 1e-9, "{key}: {got:?} {case}");
        }
    }
}
