//! From single guesses to a set of roles that fit together: no two files with one role, every name once.

use super::name::{self, Named};
use super::sound::{Sound, listen};
use super::{Guess, HEARD, Role, Sureness};
use crate::audio::AudioInfo;
use crate::error::Result;
use crate::progress::Progress;
use crate::song::{Drum, Place, TrackKind};
use std::path::Path;

/// One file on the way to its role.
struct Candidate {
    info: AudioInfo,
    role: Role,
    placed: bool,
    tag: Option<String>,
    sure: Sureness,
    why: String,
    sound: Option<Sound>,
}

/// Guesses the role of every file; order as in [`super::Draft::files`].
///
/// # Errors
/// When a file cannot be read while it is listened to.
pub(super) fn guess(infos: Vec<AudioInfo>, progress: &dyn Progress) -> Result<Vec<Guess>> {
    let mut all: Vec<Candidate> = infos.into_iter().map(by_name).collect();
    by_sound(&mut all, progress)?;
    lone_snare(&mut all);
    for drum in Drum::ALL.into_iter().filter(|d| d.place_is_role()) {
        spread(&mut all, drum);
    }
    all.sort_by_key(|c| order(&c.role));
    let mut taken: Vec<String> = Vec::new();
    Ok(all
        .into_iter()
        .map(|c| {
            let name = free(&short_name(&c), &taken);
            taken.push(name.clone());
            Guess { info: c.info, role: c.role, name, sure: c.sure, why: c.why }
        })
        .collect())
}

fn by_name(info: AudioInfo) -> Candidate {
    let stem = info.path.file_stem().map_or_else(String::new, |s| s.to_string_lossy().into_owned());
    match name::read(&stem, info.channels == 2) {
        Some(Named { role, placed, tag, number, sure }) => {
            let tag = tag.or_else(|| number.map(|n| n.to_string()));
            Candidate { info, role, placed, tag, sure, why: "from its name".into(), sound: None }
        }
        None => Candidate {
            info,
            role: Role::Unknown,
            placed: false,
            tag: None,
            sure: Sureness::Guess,
            why: "nothing known in its name".into(),
            sound: None,
        },
    }
}

fn drum_of(c: &Candidate) -> Option<Drum> {
    match c.role {
        Role::Mic(drum, _) => Some(drum),
        _ => None,
    }
}

/// Listens to the files whose names say nothing. A kick and a snare are looked for only where no name gives one.
fn by_sound(all: &mut [Candidate], progress: &dyn Progress) -> Result<()> {
    let nameless = all.iter().filter(|c| c.role == Role::Unknown).count();
    if nameless == 0 {
        return Ok(());
    }
    progress.begin("listening", nameless as u64);
    for c in all.iter_mut().filter(|c| c.role == Role::Unknown) {
        c.sound = Some(listen(&c.info.path, HEARD)?);
        progress.advance(1);
    }
    progress.end();
    for (drum, like) in [(Drum::Kick, Sound::like_kick as fn(&Sound) -> f64), (Drum::Snare, Sound::like_snare)] {
        if all.iter().any(|c| drum_of(c) == Some(drum)) {
            continue;
        }
        let score = |c: &Candidate| match (&c.role, &c.sound) {
            (Role::Unknown, Some(sound)) => like(sound),
            _ => 0.0,
        };
        let best = all.iter_mut().filter(|c| score(c) > 0.0).max_by(|a, b| score(a).total_cmp(&score(b)));
        if let Some(c) = best {
            c.role = Role::Mic(drum, Place::Close);
            c.why = format!("sounds like a {drum}");
        }
    }
    for c in all.iter_mut().filter(|c| c.role == Role::Unknown) {
        let Some(sound) = c.sound else { continue };
        if sound.is_silent() {
            c.why = "silent".into();
        } else if c.info.channels == 1 {
            let drum = sound.otherwise();
            // A second hat would claim the first one's role; a room tells no lie about what it hears.
            let drum = if drum == Drum::Hat { Drum::Room } else { drum };
            c.role = Role::Mic(drum, if drum == Drum::Room { Place::Mono } else { Place::Close });
            c.why = format!("sounds like a {drum}");
        }
    }
    Ok(())
}

/// A snare mic of no stated place beside a bottom mic is the top one.
fn lone_snare(all: &mut [Candidate]) {
    let places: Vec<Place> = all
        .iter()
        .filter_map(|c| match c.role {
            Role::Mic(Drum::Snare, place) => Some(place),
            _ => None,
        })
        .collect();
    let unplaced = all.iter().filter(|c| drum_of(c) == Some(Drum::Snare) && !c.placed).count();
    if unplaced == 1
        && places.contains(&Place::Bottom)
        && !places.contains(&Place::Top)
        && let Some(c) = all.iter_mut().find(|c| drum_of(c) == Some(Drum::Snare) && !c.placed)
    {
        c.role = Role::Mic(Drum::Snare, Place::Top);
        c.placed = true;
        c.sure = c.sure.min(Sureness::Likely);
        c.why = "from its name; top, because the other one is the bottom".into();
    }
}

/// Gives every mic of a drum a place of its own. Stated places win; what is left gets the drum's usual places in order.
fn spread(all: &mut [Candidate], drum: Drum) {
    let mut taken: Vec<Place> = Vec::new();
    let mut homeless: Vec<usize> = Vec::new();
    let unplaced = all.iter().filter(|c| drum_of(c) == Some(drum) && !c.placed).count();
    for (i, c) in all.iter().enumerate() {
        match c.role {
            Role::Mic(d, place) if d == drum => {
                if (c.placed || unplaced == 1) && !taken.contains(&place) {
                    taken.push(place);
                } else {
                    homeless.push(i);
                }
            }
            _ => {}
        }
    }
    for i in homeless {
        let free = drum.places().iter().find(|p| !taken.contains(p));
        let c = &mut all[i];
        match free {
            Some(place) => {
                taken.push(*place);
                c.why = match c.placed {
                    true => format!("another file is the {} one already", place_of(&c.role)),
                    false => format!("one of several {drum} files; its place is assumed"),
                };
                c.role = Role::Mic(drum, *place);
            }
            None => {
                c.role = Role::Unknown;
                c.why = format!("more {drum} files than there are places");
            }
        }
        c.sure = Sureness::Guess;
    }
}

fn place_of(role: &Role) -> &'static str {
    match role {
        Role::Mic(_, place) => place.word(),
        _ => "",
    }
}

/// Kick, snare, the rest of the kit, tracks, what is left out; otherwise as the files are sorted.
fn order(role: &Role) -> usize {
    match role {
        Role::Mic(drum, place) => {
            let by_drum = Drum::ALL.iter().position(|d| d == drum).unwrap_or(0) * 20;
            let by_place = if drum.place_is_role() { drum.places().iter().position(|p| p == place) } else { None };
            by_drum + by_place.unwrap_or(15)
        }
        Role::Track(_) => 1000,
        Role::NotDrums | Role::Unknown => 1001,
    }
}

fn short_name(c: &Candidate) -> String {
    match &c.role {
        Role::Mic(drum, place) if drum.place_is_role() || *drum == Drum::Room => {
            let tag = c.tag.as_deref().filter(|_| *drum == Drum::Room).map_or_else(String::new, |t| format!("_{t}"));
            match place {
                Place::Close => format!("{drum}{tag}"),
                Place::Mono => format!("{drum}{tag}"),
                _ => format!("{drum}{tag}_{place}"),
            }
        }
        Role::Mic(drum, place) => {
            let tag = c.tag.as_deref().map_or_else(String::new, |t| format!("_{t}"));
            match place {
                Place::Close => format!("{drum}{tag}"),
                _ => format!("{drum}{tag}_{place}"),
            }
        }
        Role::Track(TrackKind::Guide) => "guide".into(),
        Role::Track(TrackKind::Click) => "click".into(),
        Role::Track(TrackKind::Programming) | Role::NotDrums | Role::Unknown => plain(&c.info.path),
    }
}

/// A file's name as lower-case letters, digits and underscores.
fn plain(path: &Path) -> String {
    let stem = path.file_stem().map_or_else(String::new, |s| s.to_string_lossy().to_lowercase());
    let words: Vec<&str> = stem.split(|c: char| !c.is_alphanumeric()).filter(|w| !w.is_empty()).collect();
    let name: String = words.join("_").chars().take(40).collect();
    if name.is_empty() { "track".into() } else { name }
}

/// The name, with a number behind it where it is taken.
pub(in crate::song) fn free(name: &str, taken: &[String]) -> String {
    let is_free = |n: &String| !taken.contains(n);
    let numbered = (2..).map(|n| format!("{name}_{n}"));
    std::iter::once(name.to_owned()).chain(numbered).find(is_free).unwrap_or_else(|| name.to_owned())
}
