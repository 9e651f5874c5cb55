//! What a file's name says about it.

use super::words::{Points, Word, meaning, tom_tag};
use super::{Role, Sureness};
use crate::song::{Drum, Place, TrackKind};
use std::path::Path;

/// Words that systems and people put into the name of a copy.
const COPY: [&str; 7] = ["copy", "kopie", "copie", "copia", "backup", "bak", "duplicate"];

/// What a name says: a role, where it says one, a word or number that tells alike mics apart, and how sure that is.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Named {
    pub role: Role,
    /// Whether the place was said, not assumed.
    pub placed: bool,
    pub tag: Option<String>,
    pub number: Option<u32>,
    pub sure: Sureness,
}

/// Reads a file's name without its ending; `None` when no word in it is known.
pub(super) fn read(stem: &str, stereo: bool) -> Option<Named> {
    let tokens = tokens(stem);
    let mut words: Vec<(usize, Word)> = Vec::new();
    let mut at = 0;
    while at < tokens.len() {
        match longest(&tokens, at) {
            Some((length, mut found)) => {
                words.extend(found.drain(..).map(|w| (at, w)));
                at += length;
            }
            None => at += 1,
        }
    }
    let pointing = |wanted: fn(&Points) -> bool| words.iter().find(|(_, w)| w.points.as_ref().is_some_and(wanted));
    let drum = strongest_drum(&words);
    let track = pointing(|p| matches!(p, Points::Track(_)));
    let other = pointing(|p| matches!(p, Points::Other));
    // "Kick Sample" and "Snare Loop" are not mics; "Room Mix" still is one, and a "Drum Demo" is a mix.
    let over_drum = track.filter(|(_, w)| drum.is_none() || w.points != Some(Points::Track(TrackKind::Guide)));
    if let Some((_, Word { points: Some(Points::Track(kind)), sure, .. })) = over_drum {
        let sure = if drum.is_some() { Sureness::Guess } else { *sure };
        return Some(Named { role: Role::Track(*kind), placed: true, tag: None, number: None, sure });
    }
    let Some((place_of_drum, drum, mut sure)) = drum else {
        let sub = words.iter().any(|(_, w)| w.place == Some(Place::Sub));
        return match (other, sub) {
            (Some((_, w)), _) => {
                Some(Named { role: Role::NotDrums, placed: true, tag: None, number: None, sure: w.sure })
            }
            (None, true) => Some(Named {
                role: Role::Mic(Drum::Kick, Place::Sub),
                placed: true,
                tag: None,
                number: None,
                sure: Sureness::Guess,
            }),
            (None, false) => None,
        };
    };
    let number = tokens.iter().skip(place_of_drum).find_map(|t| t.parse::<u32>().ok()).filter(|n| (1..=9).contains(n));
    let tag = match drum {
        Drum::Tom => words
            .iter()
            .find_map(|(_, w)| if w.points == Some(Points::At(Drum::Tom)) { w.tag } else { None })
            .or_else(|| tokens.iter().find_map(|t| tom_tag(t))),
        Drum::Cymbal | Drum::Room => words.iter().find_map(|(_, w)| match w.points {
            Some(Points::At(d)) if d == drum => w.tag,
            _ => None,
        }),
        _ => None,
    };
    let said = words.iter().filter_map(|(_, w)| w.place).find(|p| fits(drum, *p));
    let (drum, place) = match (drum, said) {
        // Mics on the cymbals' left and right are the overheads.
        (Drum::Cymbal, Some(side @ (Place::Left | Place::Right))) if tag.is_none() => {
            sure = sure.min(Sureness::Likely);
            (Drum::Overhead, side)
        }
        (_, Some(place)) => (drum, place),
        (Drum::Overhead | Drum::Room, None) => (drum, if stereo { Place::Stereo } else { Place::Mono }),
        (_, None) => (drum, Place::Close),
    };
    Some(Named { role: Role::Mic(drum, place), placed: said.is_some(), tag: tag.map(str::to_owned), number, sure })
}

/// The drum that the words point at: room and overhead mics are named after what they hear ("Snare Room"), and a plain
/// "cymbal" says less than "ride". Two different drums make it a guess.
fn strongest_drum(words: &[(usize, Word)]) -> Option<(usize, Drum, Sureness)> {
    let rank = |d: Drum| match d {
        Drum::Room => 0,
        Drum::Overhead => 1,
        Drum::Cymbal => 3,
        _ => 2,
    };
    let drums = words.iter().filter_map(|(i, w)| match w.points {
        Some(Points::At(d)) => Some((*i, d, w.sure)),
        _ => None,
    });
    let best = drums.clone().min_by_key(|(i, d, _)| (rank(*d), *i))?;
    let sure = drums.clone().filter(|d| d.1 == best.1).map(|d| d.2).max().unwrap_or(best.2);
    let rival = drums.clone().any(|d| d.1 != best.1 && d.1 != Drum::Cymbal);
    Some((best.0, best.1, if rival { Sureness::Guess } else { sure }))
}

/// Whether a file's name says that it is a copy: `kick_in-copy`, `Kopie von Kick In`.
pub(super) fn is_copy(path: &Path) -> bool {
    let stem = path.file_stem().unwrap_or_default().to_string_lossy();
    tokens(&stem).iter().any(|t| COPY.contains(&t.as_str()))
}

fn fits(drum: Drum, place: Place) -> bool {
    match drum {
        Drum::Tom => matches!(place, Place::Top | Place::Bottom | Place::Side | Place::Close),
        Drum::Kick => !matches!(place, Place::Mono | Place::Stereo),
        Drum::Snare => matches!(place, Place::Top | Place::Bottom | Place::Side | Place::Close),
        Drum::Overhead | Drum::Room => {
            matches!(place, Place::Left | Place::Right | Place::Mono | Place::Stereo | Place::Close)
        }
        _ => matches!(
            place,
            Place::Left | Place::Right | Place::Top | Place::Bottom | Place::Side | Place::Close | Place::Stereo
        ),
    }
}

/// The longest run of up to three tokens from `at` that is a known word when written together, or one token that is two
/// known words written together (`snaretop`).
fn longest(tokens: &[String], at: usize) -> Option<(usize, Vec<Word>)> {
    for length in (1..=3.min(tokens.len() - at)).rev() {
        let together: String = tokens[at..at + length].concat();
        // Single letters are words of their own only; "s t" is no stereo.
        if (length == 1 || together.len() > 2)
            && let Some(word) = meaning(&together)
        {
            return Some((length, vec![word]));
        }
    }
    let token = &tokens[at];
    token
        .char_indices()
        .map(|(i, _)| i)
        .filter(|i| *i >= 2)
        .rev()
        .find_map(|i| Some((1, vec![meaning(&token[..i])?, meaning(&token[i..])?])))
}

/// Lower-case words and numbers of a name: split at signs, between letters and digits, and inside `SnareTop`;
/// umlauts and accents written out.
fn tokens(stem: &str) -> Vec<String> {
    let chars: Vec<char> = stem.chars().collect();
    let mut tokens = vec![String::new()];
    for (i, &c) in chars.iter().enumerate() {
        let before = i.checked_sub(1).map(|b| chars[b]);
        let after = chars.get(i + 1);
        let camel = c.is_uppercase()
            && before
                .is_some_and(|b| b.is_lowercase() || (b.is_uppercase() && after.is_some_and(|a| a.is_lowercase())));
        let digits = before.is_some_and(|b| b.is_ascii_digit() != c.is_ascii_digit());
        if camel || digits {
            tokens.push(String::new());
        }
        let plain: &str = match c {
            'ä' | 'Ä' => "ae",
            'ö' | 'Ö' => "oe",
            'ü' | 'Ü' => "ue",
            'ß' => "ss",
            // A combining diaeresis after its vowel, as some systems store names.
            '\u{308}' => "e",
            'é' | 'è' | 'ê' | 'É' => "e",
            _ => "",
        };
        match tokens.last_mut() {
            Some(token) if !plain.is_empty() => token.push_str(plain),
            Some(token) if c.is_ascii_alphanumeric() => token.push(c.to_ascii_lowercase()),
            _ => tokens.push(String::new()),
        }
    }
    tokens.retain(|t| !t.is_empty());
    tokens
}

#[cfg(test)]
mod tests {
    use super::*;

    fn role(stem: &str) -> Option<(&'static str, &'static str)> {
        match read(stem, false)?.role {
            Role::Mic(drum, place) => Some((drum.word(), place.word())),
            Role::Track(TrackKind::Guide) => Some(("track", "guide")),
            Role::Track(TrackKind::Programming) => Some(("track", "programming")),
            Role::Track(TrackKind::Click) => Some(("track", "click")),
            Role::NotDrums | Role::Unknown => Some(("other", "")),
        }
    }

    #[test]
    fn the_habits_of_many_studios_are_understood() {
        for (stem, drum, place) in [
            ("01 Kick In", "kick", "in"),
            ("KIK_OUT", "kick", "out"),
            ("kick_in", "kick", "in"),
            ("BD", "kick", "close"),
            ("BD-in_02", "kick", "in"),
            ("KickOut.2", "kick", "out"),
            ("03_KICKSUB_01-02", "kick", "sub"),
            ("Sub Kick", "kick", "sub"),
            ("K in", "kick", "in"),
            ("Bassdrum innen", "kick", "in"),
            ("Bass Drum außen", "kick", "out"),
            ("Große Trommel", "kick", "close"),
            ("Snr Top", "snare", "top"),
            ("SN_BTM", "snare", "bottom"),
            ("SnareUp", "snare", "top"),
            ("SnareDn", "snare", "bottom"),
            ("snaretop", "snare", "top"),
            ("Snare oben", "snare", "top"),
            ("Snare unten", "snare", "bottom"),
            ("SD", "snare", "close"),
            ("OHL", "overhead", "left"),
            ("Overhead R", "overhead", "right"),
            ("OH L", "overhead", "left"),
            ("OHLeft", "overhead", "left"),
            ("Becken links", "overhead", "left"),
            ("Becken", "cymbal", "close"),
            ("HH", "hat", "close"),
            ("Hi-Hat", "hat", "close"),
            ("Hat", "hat", "close"),
            ("Tom1", "tom", "close"),
            ("Rack", "tom", "close"),
            ("Floor", "tom", "close"),
            ("FT", "tom", "close"),
            ("Hängetom", "tom", "close"),
            ("Ha\u{308}ngetom", "tom", "close"),
            ("Ride", "ride", "close"),
            ("Ride Cymbal", "ride", "close"),
            ("Room", "room", "mono"),
            ("Mono Room", "room", "mono"),
            ("Raum L", "room", "left"),
            ("Snare Room", "room", "mono"),
            ("Click", "track", "click"),
            ("Guide", "track", "guide"),
            ("Rough Mix v3", "track", "guide"),
            ("2mix", "track", "guide"),
            ("2 Mix", "track", "guide"),
            ("Perc", "track", "programming"),
            ("Loop 1", "track", "programming"),
            ("Shaker", "track", "programming"),
            ("Tamb", "track", "programming"),
            ("Kick Sample", "track", "programming"),
            ("Bass DI", "other", ""),
        ] {
            assert_eq!(role(stem), Some((drum, place)), "{stem}");
        }
    }

    #[test]
    fn names_without_a_known_word_say_nothing() {
        for stem in ["Audio 1", "Track 07", "20240131_1203", "untitled", "REC0004"] {
            assert_eq!(role(stem), None, "{stem}");
        }
    }

    #[test]
    fn a_full_word_is_surer_than_a_short_one() {
        let sure = |stem: &str| read(stem, false).map(|n| n.sure);
        assert!(sure("Snare Top") > sure("SD"));
        assert!(sure("Kick In") > sure("K"));
        assert_eq!(sure("Snare Room"), Some(Sureness::Guess));
    }

    #[test]
    fn toms_keep_their_number_or_word() {
        assert_eq!(read("Tom 2", false).unwrap().number, Some(2));
        assert_eq!(read("02 Floor Tom", false).unwrap().tag.as_deref(), Some("floor"));
        assert_eq!(read("02 Floor Tom", false).unwrap().number, None);
        assert_eq!(read("tom_high", false).unwrap().tag.as_deref(), Some("high"));
    }

    #[test]
    fn a_stereo_file_of_the_whole_kit_is_both_sides() {
        assert_eq!(read("Overheads", true).unwrap().role, Role::Mic(Drum::Overhead, Place::Stereo));
        assert_eq!(read("Kick", true).unwrap().role, Role::Mic(Drum::Kick, Place::Close));
    }
}
