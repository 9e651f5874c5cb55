//! Which number a delivery gets, and whether the newest one stands.
//!
//! In: the newest delivery in the folder, the one that is remembered, and what is to be delivered now. Out: [`Number`], and
//! findings about the deliveries before. No two deliveries of a song that differ have one number, wherever their zips are.

use super::deliver::{Delivered, Request};
use super::manifest::Manifest;
use super::plan::{MIDI, TRIGGERS};
use super::revision::{Former, Sent};
use super::verify::verify;
use crate::finding::Finding;
use crate::progress::Progress;
use std::path::Path;

/// The newest delivery that is known: in the folder, or remembered where that is newer or cannot be read any more.
pub(super) fn newest<'a>(former: Option<&'a Former>, last: Option<&'a Sent>) -> Option<&'a Manifest> {
    let last = last.map(|l| &l.manifest);
    let remembered = last.filter(|l| former.is_none_or(|f| l.revision >= f.revision));
    match former {
        Some(f) if remembered.is_none_or(|l| l.revision == f.revision) => f.manifest.as_ref().or(remembered),
        _ => remembered,
    }
}

/// Says so where the former delivery had triggers and this one has none.
pub(super) fn without_triggers(old: &Manifest, midi: &[String]) -> Option<Finding> {
    let triggers = format!("_{TRIGGERS}.{MIDI}");
    let had = old.files.iter().any(|f| f.path.ends_with(&triggers));
    (had && !midi.iter().any(|what| what == TRIGGERS)).then(|| {
        Finding::song(
            format!("revision {} had triggers (MIDI), and this delivery has none", old.revision),
            "Where the receiver works with them, find the strokes again with `underlay hits`; else nothing needs doing.",
        )
    })
}

/// Says that the newest delivery was sent and moved away or deleted, and what became of its number.
pub(super) fn moved_away(out: &Path, number: u32, is_same: bool) -> Finding {
    let how = if is_same {
        "nothing had changed since, so it was made again under its number"
    } else {
        "this delivery is numbered after it"
    };
    let what = format!("the zip of revision {number} was not in the folder any more; {how}");
    Finding { file: None, ..Finding::note(out, what) }
}

/// What a number is asked for.
pub(super) struct Asked<'a> {
    pub request: &'a Request<'a>,
    /// The newest delivery in the folder.
    pub former: Option<&'a Former>,
    /// The newest one that is known, of [`newest`].
    pub old: Option<&'a Manifest>,
    /// What is to be delivered, as the manifest sums it.
    pub content: &'a str,
}

/// What becomes of a delivery.
pub(super) enum Number<'a> {
    /// Nothing has changed, and the newest zip is as it was made.
    Stands(Box<Delivered>),
    /// Nothing has changed, and the newest zip was moved away: it is made once more, under its number if every file in it
    /// comes out as it was.
    Again(&'a Sent),
    /// Something has changed, or the newest zip is damaged.
    Next(u32),
}

impl<'a> Asked<'a> {
    /// Decides. What is to be said of the deliveries before joins the findings.
    pub fn number(&self, findings: &mut Vec<Finding>, progress: &dyn Progress) -> Number<'a> {
        let out = self.request.out;
        // A newer one than lies in the folder was sent, and moved away or deleted.
        let gone = self.request.last.filter(|l| self.former.is_none_or(|f| l.manifest.revision > f.revision));
        if let Some(sent) = gone {
            let number = sent.manifest.revision;
            if sent.manifest.content == self.content {
                return Number::Again(sent);
            }
            findings.push(moved_away(out, number, false));
            return Number::Next(number.saturating_add(1));
        }
        let Some(former) = self.former else { return Number::Next(1) };
        match &former.manifest {
            Some(m) if m.content == self.content => match harm(&former.zip, progress) {
                None => return Number::Stands(Box::new(standing(former, m))),
                Some(harm) => findings.push(Finding::caution(
                    &former.zip,
                    format!("this delivery was damaged since it was made ({harm}), so a new one is made"),
                    "Send the new one. If the disk goes on damaging files, choose another one with --out.",
                )),
            },
            Some(m) if m.song != self.request.song.title => findings.push(Finding::caution(
                &former.zip,
                format!("this earlier delivery is of \"{}\", so the new one is numbered after it", m.song),
                "If that is another song, give one of them another title, or another folder with --out.",
            )),
            Some(_) => {}
            None => {
                let untold = if self.old.is_some() { "" } else { ", so what changed since cannot be told" };
                findings.push(Finding::caution(
                    &former.zip,
                    format!("the former delivery cannot be read{untold}"),
                    "Keep a good copy of every delivery; this one is numbered after it.",
                ));
            }
        }
        Number::Next(former.revision.saturating_add(1))
    }
}

/// A delivery that lies in the folder, unharmed.
fn standing(former: &Former, manifest: &Manifest) -> Delivered {
    let bytes = std::fs::metadata(&former.zip).map_or(0, |m| m.len());
    let (zip, revision, manifest) = (former.zip.clone(), former.revision, manifest.clone());
    Delivered { zip, revision, bytes, files: manifest.files.len() + 2, fresh: false, changes: None, manifest }
}

/// What is wrong with a delivery that lies in the folder, read to its end; `None` where it is as it was made.
fn harm(zip: &Path, progress: &dyn Progress) -> Option<String> {
    match verify(zip, progress) {
        Ok(checked) => checked.fault().map(|fault| fault.to_string()),
        Err(_) => Some("it cannot be read any more".into()),
    }
}
