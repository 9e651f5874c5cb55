//! What a folder of results tells of the strokes in it: whether the tool found them, with which settings, and whether somebody
//! has edited the list since; and which delivery was the newest.
//!
//! In: a song and its folder of results. Out: answers, and a record that is written along with strokes found by hand.

use crate::cli::hits::HITS;
use crate::cli::results::folder_for;
use crate::error::Result;
use crate::finding::Finding;
use crate::handoff::{Delivered, Sent};
use crate::output::Unwritten;
use crate::run::{Key, Places, RECORD, Record, Stage, StageRecord, sum_of};
use crate::song::Song;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Where a song lies.
pub(super) fn places<'a>(sheet: &'a Path, out: &'a Path) -> Places<'a> {
    Places { results: out, song: sheet.parent().unwrap_or(Path::new("")) }
}

/// Adds the record of strokes that were found by hand to the files that are about to be written: the list is then known as
/// the tool's own as long as nobody has edited it. What a run has noted of the very same files stays.
pub(in crate::cli) fn note_found(song: &Song, out: &Path, files: &mut Unwritten) -> Result<()> {
    let places = places(&song.sheet, out);
    let mut record = Record::read(places);
    let found_with = Some(Key::of_search(song));
    let same = |(p, bytes): &(PathBuf, Vec<u8>)| {
        let made = record.of(Stage::Hits).filter(|r| r.finished);
        let name = p.strip_prefix(out).ok();
        made.zip(name).is_some_and(|(r, name)| r.outputs.get(name) == Some(&sum_of(bytes)))
    };
    let noted = |record: &Record| record.of(Stage::Hits).is_some_and(|r| r.found_with == found_with);
    if !noted(&record) || !files.iter().all(same) {
        record.announce(Stage::Hits, Key::unknown(), out, files)?;
        if let Some(made) = record.of(Stage::Hits).cloned() {
            record.note(Stage::Hits, StageRecord { found_with: found_with.clone(), ..made });
        }
        // First, so that it is in place before the list is.
        files.insert(0, (out.join(RECORD), record.text(places)));
    }
    Ok(())
}

/// Notes that the files of [`note_found`] are all there: what was there before counts as edited from now on.
pub(in crate::cli) fn note_written(sheet: &Path, out: &Path) -> Result<()> {
    let places = places(sheet, out);
    let mut record = Record::read(places);
    let Some(made) = record.of(Stage::Hits).filter(|r| !r.finished).cloned() else { return Ok(()) };
    record.note(Stage::Hits, StageRecord { finished: true, replaces: BTreeMap::new(), ..made });
    record.write(places)
}

/// Whether the hit list of a folder, with these contents, is another one than the tool wrote there last, or may be: without
/// a record nobody can tell.
pub(in crate::cli) fn is_edited(sheet: &Path, out: &Path, list: &[u8]) -> bool {
    let record = Record::read(places(sheet, out));
    record.of(Stage::Hits).is_none_or(|r| r.is_edited(Path::new(HITS), Some(&sum_of(list))))
}

/// Says so where the strokes of a folder were found with other settings than the sheet has now.
pub(in crate::cli) fn found_otherwise(song: &Song, out: &Path) -> Option<Finding> {
    let record = Record::read(places(&song.sheet, out));
    let found_with = record.of(Stage::Hits)?.found_with.as_ref()?;
    (*found_with != Key::of_search(song)).then(|| {
        Finding::caution(
            &out.join(HITS),
            "its strokes were found with other settings than the sheet has now",
            "Find them again with `underlay hits`, or put the settings that you used into the sheet.",
        )
    })
}

/// The newest delivery of the song that is noted in a folder.
pub(in crate::cli) fn sent(song: &Song, out: &Path) -> Option<Sent> {
    Record::read(places(&song.sheet, out)).sent(&song.title).cloned()
}

/// Notes a delivery in its folder, so that the next one there counts on where its zip is moved away. Nothing is noted
/// in a folder that holds no record and is not the song's own, such as one for a client; a note that cannot be
/// written is told.
pub(in crate::cli) fn note_sent(song: &Song, out: &Path, made: &Delivered) -> Option<Finding> {
    let places = places(&song.sheet, out);
    let file = out.join(RECORD);
    if !file.is_file() && out != folder_for(&song.sheet, None) {
        return None;
    }
    let mut record = Record::read(places);
    let sent = Sent { manifest: made.manifest.clone(), changes: made.changes.clone() };
    let failed = record.note_sent(&song.title, sent).then(|| record.write(places).err())??;
    Some(Finding::caution(
        &file,
        format!("the number of this delivery could not be noted ({failed})"),
        "Keep its zip in the folder, so that the next one does not take its number.",
    ))
}

/// Whether hits wrote into a folder and left a record of it.
pub(in crate::cli) fn has_found(sheet: &Path, out: &Path) -> bool {
    Record::read(places(sheet, out)).of(Stage::Hits).is_some()
}
