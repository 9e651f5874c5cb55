//! A delivery that is checked again: by its receiver, and before it stands where nothing has changed.

use crate::handoff::{contents, made};
use crate::small_song::song;
use std::fs;
use std::io::Write;
use std::path::Path;
use underlay::handoff::{self, Request};
use underlay::{ExitCode, Quiet, Weight};

/// Files with their paths, in order.
type Files = Vec<(String, Vec<u8>)>;

/// Writes a zip from such a map, under a top folder.
fn zip_of(path: &Path, root: &str, files: &[(String, Vec<u8>)]) {
    let mut w = zip::ZipWriter::new(fs::File::create(path).unwrap());
    for (name, bytes) in files {
        let options = zip::write::SimpleFileOptions::default();
        w.start_file(format!("{root}{name}"), options).unwrap();
        w.write_all(bytes).unwrap();
    }
    w.finish().unwrap();
}

#[test]
fn the_zip_verifies_and_any_change_is_found() {
    let dir = tempfile::tempdir().unwrap();
    let s = song(dir.path(), 1.5);
    let d = made(&s, dir.path());
    let good = handoff::verify(&d.zip, &Quiet).unwrap();
    assert!(good.wrong.is_empty(), "{:?}", good.wrong);
    assert_eq!(good.manifest, d.manifest);

    let bad = dir.path().join("bad.zip");
    let wrong = |path: &Path| handoff::verify(path, &Quiet).unwrap().wrong.join("; ");
    // A flipped bit in the middle of the audio.
    let mut bytes = fs::read(&d.zip).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    fs::write(&bad, &bytes).unwrap();
    assert!(wrong(&bad).contains("is damaged"), "{}", wrong(&bad));

    // Repacked with right CRCs but changed, missing, added or escaping files.
    let root = "LowTide_Handoff_R01/";
    let files: Files = contents(&d.zip).into_iter().collect();
    zip_of(&bad, root, &files);
    assert_eq!(wrong(&bad), "");
    let repack = |change: &dyn Fn(&mut Files)| {
        let mut f = files.clone();
        change(&mut f);
        zip_of(&bad, root, &f);
        wrong(&bad)
    };
    let notes = files.iter().position(|(n, _)| n.ends_with("Notes.txt")).unwrap();
    assert!(repack(&|f| f[notes].1[0] ^= 1).contains("was changed after it was packed"));
    assert!(repack(&|f| f[notes].1.push(b'!')).contains("bytes, the manifest says"));
    assert!(repack(&|f| drop(f.remove(notes))).contains("is missing"));
    assert!(repack(&|f| f.push(("Guide/virus.exe".into(), vec![1]))).contains("was added"));
    assert!(repack(&|f| f.push(("../../escape.wav".into(), vec![1]))).contains("outside the folder"));
    let manifest = files.iter().position(|(n, _)| n == handoff::MANIFEST).unwrap();
    let edited = |f: &mut Files| {
        let text = String::from_utf8(f[manifest].1.clone()).unwrap();
        f[manifest].1 = text.replace("The house drummer", "Someone else").into_bytes();
    };
    assert!(repack(&edited).contains("contradict each other"));
}

#[test]
fn a_cut_off_zip_and_a_strange_one_are_refused_with_a_reason() {
    let dir = tempfile::tempdir().unwrap();
    let d = made(&song(dir.path(), 1.5), dir.path());
    let bad = dir.path().join("bad.zip");
    let bytes = fs::read(&d.zip).unwrap();
    for len in [0, 10, bytes.len() / 2, bytes.len() - 10] {
        fs::write(&bad, &bytes[..len]).unwrap();
        let e = handoff::verify(&bad, &Quiet).unwrap_err();
        assert_eq!(e.exit_code(), ExitCode::Input);
        assert!(e.to_string().contains("not a zip that can be read"), "{e}");
    }
    zip_of(&bad, "x/", &[("readme.txt".into(), b"hello".to_vec())]);
    let e = handoff::verify(&bad, &Quiet).unwrap_err();
    assert!(e.to_string().contains("not an underlay handoff"), "{e}");
    assert!(handoff::verify(&dir.path().join("none.zip"), &Quiet).is_err());
}

#[test]
fn names_that_leave_the_folder_and_absurd_sizes_are_refused_and_never_unpacked() {
    let dir = tempfile::tempdir().unwrap();
    let d = made(&song(dir.path(), 1.5), dir.path());
    let bad = dir.path().join("bad.zip");
    let root = "LowTide_Handoff_R01/";
    let good: Files = contents(&d.zip).into_iter().map(|(n, b)| (format!("{root}{n}"), b)).collect();
    // A path out of the folder, an absolute one, a drive, a backslash (the ways of CWE-22).
    for name in ["LowTide_Handoff_R01/../evil.txt", "/etc/evil.txt", "C:/evil.txt", "..\\evil.txt", "../../evil.txt"] {
        let mut files = good.clone();
        files.push((name.into(), b"evil".to_vec()));
        zip_of(&bad, "", &files);
        let v = handoff::verify(&bad, &Quiet).unwrap();
        assert!(v.wrong.iter().any(|w| w.contains("outside the folder")), "{name}: {:?}", v.wrong);
    }
    // Names that Windows makes a way out or a device of (its documentation on naming files, from memory).
    for name in ["LowTide_Handoff_R01/.. /evil.txt", "LowTide_Handoff_R01/nul.txt", "LowTide_Handoff_R01/a. "] {
        let mut files = good.clone();
        files.push((name.into(), b"evil".to_vec()));
        zip_of(&bad, "", &files);
        let v = handoff::verify(&bad, &Quiet).unwrap();
        assert!(v.wrong.iter().any(|w| w.contains("outside the folder")), "{name}: {:?}", v.wrong);
    }
    // A link in the place of a document that the manifest knows, with the document's very bytes as its target.
    let mut w = zip::ZipWriter::new(fs::File::create(&bad).unwrap());
    for (name, bytes) in &good {
        let options = zip::write::SimpleFileOptions::default();
        if name.ends_with("Notes.txt") {
            w.add_symlink(name.as_str(), String::from_utf8_lossy(bytes), options).unwrap();
        } else {
            w.start_file(name.as_str(), options).unwrap();
            w.write_all(bytes).unwrap();
        }
    }
    w.finish().unwrap();
    let v = handoff::verify(&bad, &Quiet).unwrap();
    assert!(v.wrong.iter().any(|w| w.contains("is a link to another place")), "{:?}", v.wrong);
    // Sizes in the manifest that no number can add up.
    let mut files = good.clone();
    let manifest = files.iter_mut().find(|f| f.0.ends_with("manifest.json")).unwrap();
    let mut value: serde_json::Value = serde_json::from_slice(&manifest.1).unwrap();
    value["files"].as_array_mut().unwrap().iter_mut().for_each(|f| f["bytes"] = u64::MAX.into());
    manifest.1 = serde_json::to_vec(&value).unwrap();
    zip_of(&bad, "", &files);
    let v = handoff::verify(&bad, &Quiet).unwrap();
    assert!(v.wrong.iter().any(|w| w.contains("the manifest says 18446744073709551615")), "{:?}", v.wrong);
    // A document that grew a thousandfold when packed is known by its size alone.
    let mut files = good.clone();
    let notes = files.iter_mut().find(|f| f.0.ends_with("Notes.txt")).unwrap();
    notes.1 = vec![b' '; 40_000_000];
    files.push((format!("{root}more.bin"), vec![0; 40_000_000]));
    zip_of(&bad, "", &files);
    assert!(fs::metadata(&bad).unwrap().len() < 5_000_000);
    let v = handoff::verify(&bad, &Quiet).unwrap();
    assert!(v.wrong.iter().any(|w| w.contains("40000000 bytes, the manifest says")), "{:?}", v.wrong);
    assert!(v.wrong.iter().any(|w| w.contains("more.bin\" was added")), "{:?}", v.wrong);
    assert!(v.bytes < 10_000_000, "{} bytes were unpacked", v.bytes);
    // Sizes that no zip of this length can hold: the 32-bit fields of the central directory (APPNOTE 4.3.12, at 24).
    zip_of(&bad, root, &[("manifest.json".into(), b"{}".to_vec())]);
    let mut bytes = fs::read(&bad).unwrap();
    let directory = bytes.windows(4).position(|w| w == b"PK\x01\x02").unwrap();
    bytes[directory + 24..directory + 28].copy_from_slice(&0xffff_fff0u32.to_le_bytes());
    fs::write(&bad, &bytes).unwrap();
    let e = handoff::verify(&bad, &Quiet).unwrap_err();
    assert!(e.to_string().contains("claims to hold"), "{e}");
}

#[test]
fn a_damaged_zip_never_stands_as_unchanged_and_stays_where_it_is() {
    let dir = tempfile::tempdir().unwrap();
    let (s, out) = (song(dir.path(), 1.5), dir.path().join("out"));
    let first = made(&s, &out);
    assert!(!made(&s, &out).fresh, "an unharmed one stands");
    let mut bytes = fs::read(&first.zip).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    fs::write(&first.zip, &bytes).unwrap();
    let request = Request { song: &s, layers: &[], hits: None, documents: &[], findings: &[], last: None, out: &out };
    let h = handoff::make(&request, &Quiet).unwrap();
    let second = h.delivered.unwrap();
    assert_eq!((second.revision, second.fresh), (2, true));
    let told = h.findings.iter().find(|f| f.what.contains("was damaged since it was made")).unwrap();
    assert_eq!((told.weight, told.file.as_ref()), (Weight::Caution, Some(&first.zip)));
    assert!(fs::read(&first.zip).unwrap() == bytes, "the damaged one is not touched");
    let notes = contents(&second.zip).into_iter().find(|(n, _)| n.ends_with("_Notes.txt")).unwrap().1;
    let notes = String::from_utf8(notes).unwrap();
    assert!(!notes.contains("damaged") && !notes.contains("R01"), "the drummer's own folder is told: {notes}");
    assert!(handoff::verify(&second.zip, &Quiet).unwrap().wrong.is_empty());
    // The good one stands from then on.
    let third = made(&s, &out);
    assert_eq!((third.revision, third.fresh), (2, false));
}

/// Where `words` begin first from `from` on.
fn find_in(bytes: &[u8], words: &[u8], from: usize) -> usize {
    from + bytes[from..].windows(words.len()).position(|w| w == words).unwrap()
}

/// PKWARE's APPNOTE 4.3.7: before each file stand its CRC-32 (at 14), sizes (18, 22) and name (30); the directory at the end
/// tells them a second time.
#[test]
fn a_file_that_is_described_twice_and_not_alike_is_told() {
    let dir = tempfile::tempdir().unwrap();
    let d = made(&song(dir.path(), 1.5), dir.path());
    let bytes = fs::read(&d.zip).unwrap();
    let name = b"LowTide_Handoff_R01/Documents/LowTide_Notes.txt";
    let local = find_in(&bytes, name, 0);
    assert_eq!(&bytes[local - 30..local - 26], b"PK\x03\x04");
    let bad = dir.path().join("bad.zip");
    let wrong = |change: &dyn Fn(&mut Vec<u8>)| {
        let mut b = bytes.clone();
        change(&mut b);
        fs::write(&bad, b).unwrap();
        handoff::verify(&bad, &Quiet).unwrap().wrong.join("; ")
    };
    assert_eq!(wrong(&|_| ()), "");
    let end = local + name.len();
    let renamed = wrong(&|b| b[end - 9..end].copy_from_slice(b"Virus.exe"));
    assert!(renamed.contains("Documents/LowTide_Notes.txt\" is described twice in the zip"), "{renamed}");
    let escaping = wrong(&|b| b[local..local + 3].copy_from_slice(b"../"));
    assert!(escaping.contains("is described twice in the zip"), "{escaping}");
    for field in [14, 18, 22] {
        let other = wrong(&|b| b[local - 30 + field] ^= 1);
        assert!(other.contains("is described twice in the zip"), "{field}: {other}");
    }
    // Twice under one name in the directory, and a file that the directory does not name at all.
    let directory = find_in(&bytes, name, end);
    let sheet = b"LowTide_Handoff_R01/Documents/LowTide_TempoMap.mid";
    let twin = b"LowTide_Handoff_R01/Documents/LowTide_Hidden_X.mid";
    assert!(find_in(&bytes, sheet, 0) < directory);
    let root = "LowTide_Handoff_R01/";
    let mut files: Files = contents(&d.zip).into_iter().collect();
    let unlisted = String::from_utf8(twin[root.len()..].to_vec()).unwrap();
    files.push((unlisted, b"hidden".to_vec()));
    zip_of(&bad, root, &files);
    let mut b = fs::read(&bad).unwrap();
    let first = find_in(&b, twin, 0);
    let second = find_in(&b, twin, first + 1);
    b[second..second + twin.len()].copy_from_slice(sheet);
    fs::write(&bad, &b).unwrap();
    let twice = handoff::verify(&bad, &Quiet).unwrap().wrong.join("; ");
    assert!(twice.contains("two files in the zip have one name"), "{twice}");
    // The last entry is taken out of the directory, under the name that it has there and before itself.
    zip_of(&bad, root, &files);
    let b = without_last_in_list(&fs::read(&bad).unwrap(), twin);
    fs::write(&bad, &b).unwrap();
    let hidden = handoff::verify(&bad, &Quiet).unwrap();
    assert!(hidden.wrong.join("; ").contains("the zip contradicts itself"), "{:?}", hidden.wrong);
    assert!(!hidden.intact, "a program that reads on without the list unpacks another delivery");
    let (code, _, told) = crate::run::typed(&["handoff", "--verify"], &bad, &[]);
    assert_eq!(code, Some(ExitCode::Input as i32));
    assert!(told.contains("contradicts itself") && !told.contains("unaltered"), "{told}");
    // The same with one file that was added in plain sight, which is a smaller fault.
    files.insert(0, ("Guide/readme.txt".into(), vec![1]));
    zip_of(&bad, root, &files);
    fs::write(&bad, without_last_in_list(&fs::read(&bad).unwrap(), twin)).unwrap();
    let both = handoff::verify(&bad, &Quiet).unwrap();
    let told = both.wrong.join("; ");
    assert!(told.contains("the zip contradicts itself") && told.contains("readme.txt\" was added"), "{told}");
    assert!(!both.intact);
}

/// A zip whose list does not name its last entry, which lies in it all the same (APPNOTE 4.3.12, 4.3.16: counts at 8
/// and 10, the list's size at 12).
fn without_last_in_list(zip: &[u8], last: &[u8]) -> Vec<u8> {
    let mut b = zip.to_vec();
    let local = find_in(&b, last, 0);
    let named = find_in(&b, last, local + 1);
    let tail = find_in(&b, b"PK\x05\x06", named);
    let entry = named - 46;
    let size = u32::from_le_bytes(b[tail + 12..tail + 16].try_into().unwrap()) - (tail - entry) as u32;
    b[tail + 12..tail + 16].copy_from_slice(&size.to_le_bytes());
    b[tail + 8] -= 1;
    b[tail + 10] -= 1;
    b.drain(entry..tail);
    b
}

/// What a file manager makes of a delivery that somebody unpacked and packs again.
#[test]
fn folders_that_a_file_manager_writes_before_their_files_are_no_harm() {
    let dir = tempfile::tempdir().unwrap();
    let mut s = song(dir.path(), 1.5);
    s.handoff.folders[0] = "Drums/Acoustic Kit".into();
    let d = made(&s, dir.path());
    let files: Files = contents(&d.zip).into_iter().collect();
    let again = dir.path().join("again.zip");
    let root = "LowTide_Handoff_R01/";
    let verified = |folders: &[&str]| {
        let mut w = zip::ZipWriter::new(fs::File::create(&again).unwrap());
        let options = zip::write::SimpleFileOptions::default();
        for folder in folders {
            w.add_directory(*folder, options).unwrap();
        }
        for (name, bytes) in &files {
            w.start_file(format!("{root}{name}"), options).unwrap();
            w.write_all(bytes).unwrap();
        }
        w.finish().unwrap();
        handoff::verify(&again, &Quiet).unwrap()
    };
    let at = |folder: &str| format!("{root}{folder}");
    let good = verified(&[root, &at("Drums/"), &at("Drums/Acoustic Kit/"), &at("Guide"), &at("Documents/")]);
    assert!(good.wrong.is_empty(), "{:?}", good.wrong);
    assert_eq!(good.files, files.len(), "folders are not counted as files");
    for (folder, told) in [
        (at("Extra/"), "Extra\" was added"),
        (at("Drums/Acoustic/"), "Drums/Acoustic\" was added"),
        ("Elsewhere/".into(), "\"Elsewhere\" was added"),
        (at("../x/"), "outside the folder"),
        (at("Guide//"), "outside the folder"),
        ("/".into(), "outside the folder"),
        (at("manifest.json/"), "manifest.json\" was added"),
    ] {
        let wrong = verified(&[&folder]).wrong.join("; ");
        assert!(wrong.contains(told), "{folder}: {wrong}");
    }
}

/// What is known of a delivery that somebody packed again: its files with their whole names.
fn packed_again(path: &Path, files: &[(String, Vec<u8>)]) -> handoff::Verified {
    zip_of(path, "", files);
    handoff::verify(path, &Quiet).unwrap()
}

/// Names of a file manager's own files: a Mac's (`__MACOSX` with an AppleDouble file for each, RFC 1740, and
/// `.DS_Store`), Windows' (`Thumbs.db`, `desktop.ini`).
#[test]
fn files_of_a_file_manager_are_no_fault_and_told_in_one_line() {
    let dir = tempfile::tempdir().unwrap();
    let d = made(&song(dir.path(), 1.5), dir.path());
    let again = dir.path().join("again.zip");
    let root = "LowTide_Handoff_R01/";
    let sent: Files = contents(&d.zip).into_iter().map(|(n, b)| (format!("{root}{n}"), b)).collect();
    let mut files = sent.clone();
    for (name, _) in &sent {
        let (folder, file) = name.rsplit_once('/').unwrap();
        files.push((format!("__MACOSX/{folder}/._{file}"), b"\0\x05\x16\x07".to_vec()));
    }
    for name in [
        ".DS_Store",
        "Guide/Thumbs.db",
        "Documents/desktop.ini",
        "._Guide",
        "._.DS_Store",
        "Guide/Icon\r",
        "Guide/._Icon\r",
    ] {
        files.push((format!("{root}{name}"), b"theirs".to_vec()));
    }
    let v = packed_again(&again, &files);
    assert!(v.wrong.is_empty() && v.intact, "{:?}", v.wrong);
    assert_eq!((v.files, v.harmless.len()), (sent.len(), 1));
    assert!(v.harmless[0].starts_with(&format!("{} files of a file manager", sent.len() + 7)), "{:?}", v.harmless);
    // What is called as theirs would be and belongs to no file of the delivery was added by somebody.
    for name in ["Guide/._setup.exe", "._Drums", "__MACOSX/setup.exe", "__MACOSX/Guide/._setup.exe"] {
        let v = packed_again(&again, &[files.clone(), vec![(format!("{root}{name}"), vec![1])]].concat());
        assert!(v.intact && v.wrong.len() == 1 && v.wrong[0].contains("was added to the zip"), "{name}: {:?}", v.wrong);
    }
    let out = packed_again(&again, &[files.clone(), vec![(format!("{root}Gui\rde/Icon\r"), vec![1])]].concat());
    assert!(!out.intact && out.wrong[0].contains("outside the folder"), "{:?}", out.wrong);
    // Whatever it is called: nothing may lead out of the folder, and a file of the delivery is none of a file
    // manager's.
    let out = packed_again(&again, &[files.clone(), vec![("__MACOSX/../../._x".into(), vec![1])]].concat());
    assert!(!out.intact && out.wrong[0].contains("outside the folder"), "{:?}", out.wrong);
    let kick = sent.iter().position(|(n, _)| n.contains("Kick_In")).unwrap();
    let (name, _) = files.remove(kick);
    let gone = packed_again(&again, &files);
    let path = name.strip_prefix(root).unwrap();
    assert!(!gone.intact && gone.wrong == [format!("{path} is missing")], "{:?}", gone.wrong);
}

/// A Mac stores an accent behind its letter in the names of a zip that it packs (Unicode Standard Annex 15, form D).
#[test]
fn a_delivery_that_a_mac_packed_again_is_whole_with_its_accents_stored_apart() {
    let dir = tempfile::tempdir().unwrap();
    let mut s = song(dir.path(), 1.5);
    s.handoff.folders[0] = "Trommeln für Zoë".into();
    let d = made(&s, dir.path());
    let apart = |name: &str| name.replace('ü', "u\u{308}").replace('ë', "e\u{308}");
    let sent: Files = contents(&d.zip).into_iter().map(|(n, b)| (format!("Übergabe für R01/{n}"), b)).collect();
    let files: Files = sent.iter().map(|(n, b)| (apart(n).replace('Ü', "U\u{308}"), b.clone())).collect();
    assert_ne!(files, sent);
    let again = dir.path().join("again.zip");
    let mac = |(name, _): &(String, Vec<u8>)| {
        let (folder, file) = name.rsplit_once('/').unwrap();
        (format!("__MACOSX/{folder}/._{file}"), b"\0\x05\x16\x07".to_vec())
    };
    let v = packed_again(&again, &[files.clone(), files.iter().map(mac).collect()].concat());
    assert!(v.wrong.is_empty() && v.intact, "{:?}", v.wrong);
    assert_eq!((v.files, v.harmless.len()), (sent.len(), 1));
    // The same file in both ways of storing is there twice, and a name without its accent is another name.
    let kick = sent.iter().position(|(n, _)| n.contains("Kick_In")).unwrap();
    let twice = packed_again(&again, &[files.clone(), vec![sent[kick].clone()]].concat());
    assert!(!twice.intact && twice.wrong[0].contains("is in the zip twice"), "{:?}", twice.wrong);
    let mut plain = files;
    plain[kick].0 = plain[kick].0.replace('\u{308}', "");
    let gone = packed_again(&again, &plain);
    assert!(!gone.intact && gone.wrong.iter().any(|w| w.ends_with("is missing")), "{:?}", gone.wrong);
}

#[test]
fn another_top_folder_or_none_is_no_fault_of_the_delivery() {
    let dir = tempfile::tempdir().unwrap();
    let d = made(&song(dir.path(), 1.5), dir.path());
    let again = dir.path().join("again.zip");
    let bare: Files = contents(&d.zip).into_iter().collect();
    let under = |root: &str| -> Files { bare.iter().map(|(n, b)| (format!("{root}{n}"), b.clone())).collect() };
    for root in ["For the mix/", "Sent/To you/LowTide_Handoff_R01/"] {
        let v = packed_again(&again, &under(root));
        assert!(v.wrong.is_empty() && v.harmless.is_empty(), "{root}: {v:?}");
    }
    let v = packed_again(&again, &bare);
    assert!(v.wrong.is_empty() && v.files == bare.len(), "{:?}", v.wrong);
    assert!(v.harmless.len() == 1 && v.harmless[0].contains("without its top folder"), "{:?}", v.harmless);
    // The delivery is looked for in its folder: a file that lies beside it is missing.
    let mut beside = under("LowTide_Handoff_R01/");
    let kick = beside.iter().position(|(n, _)| n.contains("Kick_In")).unwrap();
    beside[kick].0 = bare[kick].0.clone();
    let v = packed_again(&again, &beside);
    assert!(!v.intact && v.wrong[0] == format!("{} is missing", bare[kick].0), "{:?}", v.wrong);
}

#[test]
fn what_was_added_is_told_by_its_folder_and_the_delivery_beside_it_is_whole() {
    let dir = tempfile::tempdir().unwrap();
    let d = made(&song(dir.path(), 1.5), dir.path());
    let again = dir.path().join("again.zip");
    let bare: Files = contents(&d.zip).into_iter().collect();
    let mut files: Files = bare.iter().map(|(n, b)| (format!("LowTide_Handoff_R01/{n}"), b.clone())).collect();
    files.extend(bare.iter().map(|(n, b)| (format!("LowTide_Handoff_R02/{n}"), b.clone())));
    files.push(("LowTide_Handoff_R01/Mixes/mine.wav".into(), vec![1]));
    files.push(("LowTide_Handoff_R01/Guide/readme.txt".into(), vec![1]));
    let v = packed_again(&again, &files);
    assert!(v.intact);
    let told = [
        "\"Guide/readme.txt\" was added to the zip".to_owned(),
        "the folder \"Mixes\" with one file was added to the zip".into(),
        format!("the folder \"LowTide_Handoff_R02\" with {} files was added to the zip", bare.len()),
    ];
    assert_eq!(v.wrong, told);
    let (code, _, told) = crate::run::typed(&["handoff", "--verify"], &again, &[]);
    assert_eq!(code, Some(ExitCode::Input as i32));
    assert!(told.contains("every file of the delivery is there and unaltered, but more was added"), "{told}");
}
