//! Revisions of a song: no two deliveries have one number, wherever their zips are now, and what became of strokes and
//! triggers is told.

use crate::run::{STATE, TIME, did, edit, of, typed};
use crate::small_song::sheet;
use std::fs;
use std::io::Read;
use std::path::{Path, PathBuf};
use underlay::Quiet;
use underlay::handoff::{self, Request, Sent};

fn zip_of(out: &Path, revision: u32) -> PathBuf {
    out.join(format!("LowTide_Handoff_R{revision:02}.zip"))
}

/// The zips of a folder, by name.
fn zips(out: &Path) -> Vec<String> {
    let names = fs::read_dir(out).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap());
    let mut zips: Vec<String> = names.filter(|n| n.ends_with(".zip")).collect();
    zips.sort();
    zips
}

/// Changes the sheet in a way that a delivery tells.
fn change(sheet: &Path, from: &str, to: &str) {
    let text = fs::read_to_string(sheet).unwrap();
    assert!(text.contains(from));
    fs::write(sheet, text.replace(from, to)).unwrap();
}

fn notes(zip: &Path) -> String {
    let mut z = zip::ZipArchive::new(fs::File::open(zip).unwrap()).unwrap();
    let name = z.file_names().map(|n| n.unwrap().into_owned()).find(|n| n.ends_with("_Notes.txt")).unwrap();
    let mut text = String::new();
    z.by_name(&name).unwrap().read_to_string(&mut text).unwrap();
    text
}

#[test]
fn a_delivery_that_was_moved_away_keeps_its_number_and_the_next_one_counts_on() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 6.0, "");
    let (out, away) = (dir.path().join("underlay"), dir.path().join("another disk"));
    fs::create_dir(&away).unwrap();
    did(&path, &[]);
    change(&path, "The house drummer", "A guest");
    did(&path, &[]);
    let second = fs::read(zip_of(&out, 2)).unwrap();
    for zip in zips(&out) {
        fs::rename(out.join(&zip), away.join(&zip)).unwrap();
    }
    // Nothing has changed: the very delivery that was sent, notes and all.
    assert_eq!(of(&did(&path, &[]), "handoff"), "done");
    assert_eq!(zips(&out), ["LowTide_Handoff_R02.zip"]);
    assert!(fs::read(zip_of(&out, 2)).unwrap() == second);
    assert_eq!(of(&did(&path, &[]), "handoff"), "unchanged");

    // Something has: the next number, and what changed since the delivery that is not there.
    fs::remove_file(zip_of(&out, 2)).unwrap();
    edit(&out.join("hits.csv"), "snare", 2, STATE, "dropped");
    did(&path, &[]);
    assert_eq!(zips(&out), ["LowTide_Handoff_R03.zip"]);
    let told = notes(&zip_of(&out, 3));
    assert!(
        told.contains("Changes since revision 2") && told.contains("strokes of the snare since then: 1 gone"),
        "{told}"
    );

    // The newest one deleted, an older one still there: the deleted number is not given again.
    fs::copy(away.join("LowTide_Handoff_R01.zip"), zip_of(&out, 1)).unwrap();
    fs::remove_file(zip_of(&out, 3)).unwrap();
    edit(&out.join("hits.csv"), "snare", 3, STATE, "dropped");
    let (_, told, _) = typed(&["handoff"], &path, &[]);
    assert!(
        told.contains("revision 4") && told.contains("the zip of revision 3 was not in the folder any more"),
        "{told}"
    );
    assert_eq!(zips(&out), ["LowTide_Handoff_R01.zip", "LowTide_Handoff_R04.zip"]);

    // A run that finds the zip moved away says so once, and not again while nothing changes.
    fs::rename(zip_of(&out, 4), away.join("LowTide_Handoff_R04.zip")).unwrap();
    edit(&out.join("hits.csv"), "snare", 4, STATE, "dropped");
    let (_, told, _) = typed(&["run"], &path, &[]);
    assert!(told.contains("the zip of revision 4 was not in the folder any more"), "{told}");
    assert!(!notes(&zip_of(&out, 5)).contains("was not in the folder"));
    let (_, again, _) = typed(&["run"], &path, &[]);
    assert!(again.contains("revision 5") && !again.contains("was not in the folder"), "{again}");
}

#[test]
fn a_zip_that_was_moved_away_gets_its_number_again_only_where_every_file_comes_out_the_same() {
    let dir = tempfile::tempdir().unwrap();
    let (s, out) = (crate::small_song::song(dir.path(), 1.5), dir.path().join("out"));
    let first = crate::handoff::made(&s, &out);
    let bytes = fs::read(&first.zip).unwrap();
    fs::remove_file(&first.zip).unwrap();
    let made = |sent: &Sent| {
        let last = Some(sent);
        let request = Request { song: &s, layers: &[], hits: None, documents: &[], findings: &[], last, out: &out };
        let h = handoff::make(&request, &Quiet).unwrap();
        let told = h.findings.iter().find(|f| f.what.contains("was not in the folder any more")).unwrap().what.clone();
        (h.delivered.unwrap(), told)
    };
    let mut sent = Sent { manifest: first.manifest, changes: None };
    let (again, told) = made(&sent);
    assert_eq!(again.revision, 1);
    assert!(fs::read(&again.zip).unwrap() == bytes && told.contains("made again under its number"), "{told}");
    fs::remove_file(&again.zip).unwrap();
    // Another version of the program worded the notes otherwise.
    let notes = sent.manifest.files.iter_mut().find(|f| f.path.ends_with("_Notes.txt")).unwrap();
    notes.sha256 = "0".repeat(64);
    let (next, told) = made(&sent);
    assert_eq!((next.revision, zips(&out)), (2, vec!["LowTide_Handoff_R02.zip".to_owned()]));
    assert!(told.contains("numbered after it") && next.changes.is_some_and(|c| c.since == 1), "{told}");
}

#[test]
fn a_song_that_is_only_handed_off_by_hand_has_no_number_twice_either() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 3.0, "");
    let out = dir.path().join("underlay");
    typed(&["handoff"], &path, &[]);
    fs::remove_file(zip_of(&out, 1)).unwrap();
    change(&path, "The house drummer", "A guest");
    typed(&["handoff"], &path, &[]);
    assert_eq!(zips(&out), ["LowTide_Handoff_R02.zip"]);
    // A folder for a client numbers by itself and holds nothing but the zip.
    let client = dir.path().join("client");
    typed(&["handoff"], &path, &["--out", client.to_str().unwrap()]);
    let there: Vec<_> = fs::read_dir(&client).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(there, ["LowTide_Handoff_R01.zip"]);
}

#[test]
fn without_a_record_the_zips_in_the_folder_tell_the_number() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 3.0, "");
    let out = dir.path().join("underlay");
    typed(&["handoff"], &path, &[]);
    fs::rename(zip_of(&out, 1), zip_of(&out, 7)).unwrap();
    for record in [None, Some("{")] {
        fs::remove_file(out.join("run.json")).unwrap();
        if let Some(text) = record {
            fs::write(out.join("run.json"), text).unwrap();
        }
        let newest = zips(&out).len() as u32 + 6;
        change(&path, "drummer = \"", "drummer = \"X");
        typed(&["handoff"], &path, &[]);
        assert!(zip_of(&out, newest + 1).is_file(), "{:?}", zips(&out));
    }
}

#[test]
fn the_notes_tell_strokes_that_were_deleted_moved_or_added_and_triggers_that_are_gone() {
    let dir = tempfile::tempdir().unwrap();
    let path = sheet(dir.path(), 8.0, "");
    let out = dir.path().join("underlay");
    let list = out.join("hits.csv");
    did(&path, &[]);
    let rows = fs::read_to_string(&list).unwrap();
    let found = |drum: &str| rows.lines().filter(|l| l.starts_with(drum)).count();
    let (kicks, snares) = (found("kick,"), found("snare,"));

    // A row deleted, one moved by 5 ms, one added.
    let third = rows.lines().filter(|l| l.starts_with("snare,")).nth(2).unwrap();
    fs::write(&list, rows.replace(&format!("{third}\r\n"), "") + "snare,,3.31,,,,,,,,,,\r\n").unwrap();
    let kick: f64 =
        rows.lines().find(|l| l.starts_with("kick,")).unwrap().split(',').nth(TIME).unwrap().parse().unwrap();
    edit(&list, "kick", 1, TIME, &format!("{:.6}", kick + 0.005));
    let out_json = typed(&["run"], &path, &[]).1;
    assert!(
        out_json.contains("MIDI files to load anew 1, gone 0; kick strokes 1 moved; snare strokes 1 gone, 1 new"),
        "{out_json}"
    );
    let told = notes(&zip_of(&out, 2));
    assert!(told.contains("strokes of the kick since then: 1 moved"), "{told}");
    assert!(told.contains("strokes of the snare since then: 1 gone, 1 new"), "{told}");

    // No stroke left: no triggers, and that is told to the drummer before it is packed, and to the receiver.
    let head = rows.lines().next().unwrap();
    fs::write(&list, format!("{head}\r\n")).unwrap();
    let (_, check, _) = typed(&["handoff", "--check"], &path, &[]);
    assert!(check.contains("revision 2 had triggers (MIDI), and this delivery has none"), "{check}");
    let (_, run, _) = typed(&["run"], &path, &[]);
    assert!(
        run.contains(&format!(
            "MIDI files to load anew 0, gone 1; kick strokes {kicks} gone; snare strokes {snares} gone"
        )),
        "{run}"
    );
    let told = notes(&zip_of(&out, 3));
    assert!(told.contains("- gone: Documents/LowTide_Triggers.mid"), "{told}");
    assert!(
        told.contains("the hit list holds no stroke, so there are no triggers")
            && told.contains("revision 2 had triggers"),
        "{told}"
    );
}
