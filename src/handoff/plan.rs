//! What is to be delivered, under which names, in which folders.
//!
//! In: the song, its printed layers, its documents. Out: [`Plan`], with every path inside the zip decided, no two alike.

use super::manifest::{CHECKSUMS, MANIFEST};
use super::midi::pulled_name;
use super::name::{self, BadName, Fields, rate_word, words};
use super::scan::heard;
use crate::audio::{AudioInfo, AudioReader, Channel, SampleFormat, resampled_frames};
use crate::error::{Error, Located, Result};
use crate::mix::{PrintedLayer, kind_word};
use crate::song::{Polarity, SheetFault, Song, TrackKind};
use crate::units::SampleRate;
use std::collections::HashMap;
use std::path::PathBuf;

/// Documents that the handoff writes itself: what they are called, and their endings.
pub(super) const NOTES: (&str, &str) = ("Notes", "txt");
pub(super) const SHEET_TABLE: (&str, &str) = ("TrackSheet", "csv");
pub(super) const SHEET_PAGE: (&str, &str) = ("TrackSheet", "html");
pub(super) const TEMPO_MAP: &str = "TempoMap";
pub(super) const TRIGGERS: &str = "Triggers";
pub(super) const MIDI: &str = "mid";
/// What the rough mix is called among the documents that are given.
pub(super) const ROUGH_MIX: &str = "RoughMix";
/// What it is, in words, and its name in the manifest.
const MIX_ROLE: &str = "rough mix";

/// What kind of thing a delivered file is; tells its folder.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    Mic,
    Programming,
    Layer,
    Guide,
    /// The song's own rough mix, among the documents.
    Mix,
}

/// One audio file to deliver.
#[derive(Clone, Debug)]
pub(super) struct Item {
    /// Name in the sheet.
    pub name: String,
    /// What it is, in words.
    pub role: String,
    /// Microphone and the like, from the sheet; may be empty.
    pub note: String,
    pub kind: Kind,
    pub source: PathBuf,
    /// What it takes of the file.
    pub channel: Channel,
    /// What is known of that.
    pub info: AudioInfo,
    /// Whether that is one side of a stereo file.
    one_side: bool,
    pub polarity: Polarity,
    /// Whether it is one of several mics of its drum, so that polarity matters.
    pub has_mates: bool,
    /// How far a layer was pulled to the grid, per cent.
    pub pull: f64,
    /// Path in the zip, below the top folder.
    pub path: String,
}

impl Item {
    /// All of a file, of which nothing more is known.
    fn new(name: &str, role: String, kind: Kind, info: AudioInfo) -> Self {
        Self {
            name: name.to_owned(),
            role,
            note: String::new(),
            kind,
            source: info.path.clone(),
            channel: Channel::Sum,
            info,
            one_side: false,
            polarity: Polarity::Keep,
            has_mates: false,
            pull: 0.0,
            path: String::new(),
        }
    }

    /// Its role, as a receiver is told it.
    pub fn told(&self) -> String {
        if self.kind == Kind::Layer && self.pull > 0.0 {
            format!("{}; it does not lie under the played drum unless that is edited alike", self.role)
        } else {
            self.role.clone()
        }
    }

    /// The side of a stereo file that is delivered, in a word; `None` where all of the file is.
    pub fn side(&self) -> Option<&'static str> {
        let word = if self.channel == Channel::Right { "right" } else { "left" };
        self.one_side.then_some(word)
    }
}

/// A document to deliver beside the ones that the handoff writes itself. The rough mix (`what` is `RoughMix`) is brought to the
/// delivery's rate, depth and length as every audio file; others go in as they are.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Document {
    /// The file.
    pub file: PathBuf,
    /// What it is, as a word of its delivered name: `Hits`, `Triggers`, `RoughMix`.
    pub what: String,
    /// What goes in instead of the file's own contents: a hit list in which every column agrees with what was edited.
    pub instead: Option<Vec<u8>>,
}

/// Everything that goes into the zip besides what the handoff itself writes.
#[derive(Clone, Debug)]
pub(super) struct Plan {
    pub items: Vec<Item>,
    /// Documents with their paths in the zip.
    pub documents: Vec<(Document, String)>,
    /// Name of the song in file names; never empty.
    pub song: String,
    /// Folder of the documents.
    pub papers: String,
    /// Rate, bits and frames of every delivered audio file.
    pub rate: SampleRate,
    pub bits: u16,
    pub frames: u64,
}

impl Plan {
    /// How the delivered samples are stored.
    pub fn format(&self) -> SampleFormat {
        match self.bits {
            16 => SampleFormat::Int16,
            32 => SampleFormat::Int32,
            _ => SampleFormat::Int24,
        }
    }

    /// Path of one of the handoff's own documents, such as `Documents/LowTide_TrackSheet.csv`.
    pub fn paper(&self, (what, ending): (&str, &str)) -> String {
        format!("{}/{}_{what}.{ending}", self.papers, self.song)
    }

    /// Two files that would have one path, or one that would have the path of a folder, whatever the case of their letters.
    fn collision(&self, pull: f64) -> Option<BadName> {
        let pulled = pulled_name(pull);
        let own = [NOTES, SHEET_TABLE, SHEET_PAGE, (TEMPO_MAP, MIDI), (TRIGGERS, MIDI), (&pulled, MIDI)];
        let own = own.map(|paper| self.paper(paper)).into_iter().chain([MANIFEST, CHECKSUMS].map(str::to_owned));
        let files = self.items.iter().map(|i| (i.name.clone(), i.path.clone()));
        let files =
            files.chain(self.documents.iter().map(|(d, path)| (format!("the document {}", d.what), path.clone())));
        let files: Vec<(String, String)> =
            files.chain(own.map(|path| ("a document of the handoff".into(), path))).collect();
        let remedy = "Change names or folders in the sheet's [handoff], or give that track another name.".to_owned();
        let mut taken: HashMap<String, &str> = HashMap::new();
        for (what, path) in &files {
            if let Some(other) = taken.insert(path.to_lowercase(), what) {
                return Some(BadName { what: format!("{other} and {what} would both be delivered as {path}"), remedy });
            }
        }
        let folders = files.iter().flat_map(|(_, path)| path.match_indices('/').filter_map(|(at, _)| path.get(..at)));
        let (folder, what) = folders.filter_map(|f| Some((f, taken.get(&f.to_lowercase())?))).next()?;
        Some(BadName { what: format!("the folder {folder} would have the path of {what}"), remedy })
    }
}

/// Bits that can be delivered.
pub const DEPTHS: [u16; 3] = [16, 24, 32];

/// Decides folders and names.
///
/// # Errors
/// A sheet fault for a template or folder that cannot be used, or that gives two files one path; usage for a depth that is not
/// delivered; audio faults of a printed layer or the rough mix.
pub(super) fn plan(song: &Song, layers: &[PrintedLayer], documents: &[Document]) -> Result<Plan> {
    let h = &song.handoff;
    if !DEPTHS.contains(&h.bits) {
        return Err(sheet(
            song,
            BadName {
                what: format!("{} bit is asked for in the handoff", h.bits),
                remedy: "Deliver 24 bit; 16 or 32 bit only where the client asks for it.".into(),
            },
        ));
    }
    let title = name::title(&song.title);
    let folders: Vec<String> =
        h.folders.iter().map(|f| name::folder(f)).collect::<Result<_, BadName>>().map_err(|e| sheet(song, e))?;
    let called = items(song, layers, documents)?;
    if called.iter().all(|c| c.item.kind == Kind::Mix) {
        return Err(Error::usage("there is nothing to hand off", "Name at least one mic in the song sheet."));
    }
    let names = called.iter().map(|c| c.names(song, &title)).collect::<Result<Vec<_>, _>>();
    let names = name::all_different(&names.map_err(|e| sheet(song, e))?);
    let mut items: Vec<Item> = called.into_iter().map(|c| c.item).collect();
    let folder = |kind| {
        let index = match kind {
            Kind::Mic => 0,
            Kind::Programming => 1,
            Kind::Layer => 2,
            Kind::Guide => 3,
            Kind::Mix => 4,
        };
        folders.get(index).cloned().unwrap_or_default()
    };
    for (item, name) in items.iter_mut().zip(names) {
        item.path = format!("{}/{name}.wav", folder(item.kind));
    }
    let papers = folders.last().cloned().unwrap_or_default();
    let documents = documents
        .iter()
        .filter(|d| d.what != ROUGH_MIX)
        .map(|d| {
            let ending: String = d.file.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
            let ending: String = ending.chars().filter(char::is_ascii_alphanumeric).collect();
            (d.clone(), format!("{papers}/{title}_{}.{ending}", words(&d.what)))
        })
        .collect();
    let frames = resampled_frames(song.frames(), song.rate(), h.rate);
    let plan = Plan { items, documents, song: title, papers, rate: h.rate, bits: h.bits, frames };
    plan.collision(song.trigger_pull).map_or(Ok(plan), |bad| Err(sheet(song, bad)))
}

/// A file on its way to a name.
struct Called {
    item: Item,
    /// What stands for drum and place in the template.
    drum: String,
    place: String,
}

impl Called {
    /// Names by the sheet's template: the usual one, and one by its own name for where others would be called so too.
    fn names(&self, song: &Song, title: &str) -> Result<(String, String), BadName> {
        let h = &song.handoff;
        let usual = Fields {
            artist: h.artist.clone(),
            song: title.to_owned(),
            drum: self.drum.clone(),
            place: self.place.clone(),
            name: self.item.name.clone(),
            take: h.take.clone(),
            rate: rate_word(h.rate),
            bits: h.bits.to_string(),
        };
        let apart = Fields { drum: self.item.name.clone(), place: String::new(), ..usual.clone() };
        Ok((name::expand(&h.names, &usual)?, name::expand(&h.names, &apart)?))
    }
}

/// Every audio file that goes along, not named yet: mics, layers, other tracks, the rough mix.
fn items(song: &Song, layers: &[PrintedLayer], documents: &[Document]) -> Result<Vec<Called>> {
    let mut out = Vec::new();
    for m in &song.mics {
        let item = Item {
            channel: m.channel,
            info: heard(&m.info, m.channel),
            one_side: m.channel.side(m.info.channels).is_some(),
            polarity: m.polarity,
            note: m.note.clone(),
            has_mates: song.mics.len() > 1,
            ..Item::new(&m.name, format!("{} {}", m.drum, m.place), Kind::Mic, m.info.clone())
        };
        out.push(Called { item, drum: m.drum.to_string(), place: m.place.to_string() });
    }
    for l in layers {
        let info = AudioReader::open(&l.file)?.info().clone();
        let item = Item { pull: l.plan.pull, ..Item::new(&l.plan.name, l.plan.role(), Kind::Layer, info) };
        out.push(Called { item, drum: l.plan.name.clone(), place: "layer".into() });
    }
    for t in &song.tracks {
        let kind = if t.kind == TrackKind::Programming { Kind::Programming } else { Kind::Guide };
        let item = Item::new(&t.name, kind_word(t.kind).into(), kind, t.info.clone());
        out.push(Called { item, drum: t.name.clone(), place: String::new() });
    }
    if let Some(mix) = documents.iter().find(|d| d.what == ROUGH_MIX) {
        let info = AudioReader::open(&mix.file)?.info().clone();
        // Told apart from a track of the sheet that is called so.
        let taken = song.tracks.iter().map(|t| &t.name).chain(song.mics.iter().map(|m| &m.name)).any(|n| n == MIX_ROLE);
        let item = Item::new(if taken { "the rough mix" } else { MIX_ROLE }, MIX_ROLE.into(), Kind::Mix, info);
        out.push(Called { item, drum: MIX_ROLE.into(), place: String::new() });
    }
    Ok(out)
}

fn sheet(song: &Song, bad: BadName) -> Error {
    Located::whole(&song.sheet, SheetFault::Wrong { what: bad.what, remedy: bad.remedy }).into()
}
