//! File and folder names of a delivery.
//!
//! In: a template and what is known of a file. Out: names that every system and every person can read: words of
//! `A-Z a-z 0-9` joined by underscores, after the Producers & Engineers Wing's *Delivery Recommendations for Recorded
//! Music Projects* (2018, p. 13, as quoted by others): no spaces, no punctuation, no accents, each word capitalised,
//! rate and bit depth last, the rate with a lone `k`.

use super::manifest::{CHECKSUMS, MANIFEST};
use crate::output::{FOLDER_REMEDY, composed, folder_fault, is_accent, kept_by_windows, without_accent};
use crate::units::SampleRate;
use sha2::{Digest, Sha256};
use std::collections::{HashMap, HashSet};

/// Length from which on a title is better shortened, characters (same source).
pub const LONG_TITLE: usize = 15;
/// Longest file name without its ending; longer ones are cut. Leaves room for a deep folder on any system.
const LONGEST: usize = 96;
/// Longest title in the names of the zip, its top folder and the documents; longer ones are cut.
const LONGEST_TITLE: usize = 48;

/// Why a template or folder name of the sheet cannot be used: what is wrong, and what to do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BadName {
    /// One sentence without the final stop.
    pub what: String,
    /// One sentence.
    pub remedy: String,
}

/// What a template can draw on. An empty field leaves no trace.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Fields {
    /// Who the song is for.
    pub artist: String,
    /// Title.
    pub song: String,
    /// Drum, or the name of a track or layer.
    pub drum: String,
    /// Mic place, or what a track is.
    pub place: String,
    /// Name in the sheet.
    pub name: String,
    /// Take or comp.
    pub take: String,
    /// Rate, as `48k`.
    pub rate: String,
    /// Bits, as `24`.
    pub bits: String,
}

impl Fields {
    const NAMES: &str = "artist, song, drum, place, name, take, rate, bits";

    fn of(&self, field: &str) -> Option<&str> {
        Some(match field {
            "artist" => &self.artist,
            "song" => &self.song,
            "drum" => &self.drum,
            "place" => &self.place,
            "name" => &self.name,
            "take" => &self.take,
            "rate" => &self.rate,
            "bits" => &self.bits,
            _ => return None,
        })
    }
}

/// A rate as a file name spells it: `48k`, `96k`; 44.1 kHz is `44k`, as it is spoken.
#[must_use]
pub fn rate_word(rate: SampleRate) -> String {
    format!("{}k", rate.hz() / 1000)
}

/// One or more words as one: each capitalised, accents taken off, everything but letters and digits left out.
/// `snare top` and `snare_top` give `SnareTop`; `Für Zoë` gives `FuerZoe`, also where a letter and its accent are stored one
/// after the other, as some systems do in file names. Letters without a plain form give nothing.
#[must_use]
pub fn words(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut start = true;
    for c in composed(text).chars().filter(|c| !is_accent(*c)) {
        let mut plain = String::new();
        if c.is_ascii_alphanumeric() {
            plain.push(c);
        } else {
            plain.push_str(&without_accent(c));
        }
        for (i, p) in plain.chars().enumerate() {
            out.push(if start && i == 0 { p.to_ascii_uppercase() } else { p });
        }
        // An apostrophe is left out without starting a new word: `don't` is one word.
        start = if plain.is_empty() { !matches!(c, '\'' | '’') } else { false };
    }
    out
}

/// Whether a title has letters that [`words`] has no plain form for, or nothing that it can write at all.
#[must_use]
pub fn loses_letters(title: &str) -> bool {
    let lost = |c: char| c.is_alphanumeric() && !c.is_ascii() && without_accent(c).is_empty();
    composed(title).chars().any(lost) || words(title).is_empty()
}

/// A song's title in file names: as [`words`]; where letters are lost or there are more than 48, six digits and letters made
/// from the whole title (the beginning of its SHA-256) stand behind what is left, or behind `Song`. So two such titles are
/// told apart, and one title always has one name.
#[must_use]
pub fn title(text: &str) -> String {
    let mut plain = words(text);
    if !loses_letters(text) && plain.len() <= LONGEST_TITLE {
        return plain;
    }
    // ASCII, so any cut is safe.
    plain.truncate(LONGEST_TITLE - 10);
    let apart = Sha256::digest(text.trim().as_bytes());
    let apart: String = apart.iter().take(3).map(|b| format!("{b:02X}")).collect();
    if plain.chars().any(|c| c.is_ascii_alphabetic()) {
        format!("{plain}{apart}")
    } else {
        format!("Song{plain}{apart}")
    }
}

/// Letters that artist, song and take keep at first where a name is too long, and then: what a file is stays whole.
const SHORTENED: [usize; 2] = [24, 12];

/// Fills a template. Fields stand in braces; underscores part the words; what would leave two underscores leaves one.
/// Where the name gets too long, artist, song and take are cut first, which all files have in common.
///
/// # Errors
/// [`BadName`] for an unknown field, an open brace, or a template that yields nothing.
pub fn expand(template: &str, fields: &Fields) -> Result<String, BadName> {
    let mut name = filled(template, fields, usize::MAX)?;
    for most in SHORTENED {
        if name.len() > LONGEST {
            name = filled(template, fields, most)?;
        }
    }
    let name = shorten(name);
    if name.is_empty() {
        return Err(BadName {
            what: format!("the name template \"{template}\" gives a file no name"),
            remedy: "Use a template such as {song}_{drum}_{place}_{rate}{bits}.".into(),
        });
    }
    Ok(if kept_by_windows(&name) { format!("{name}_Track") } else { name })
}

/// A template filled in, with at most so many letters of artist, song and take each.
fn filled(template: &str, fields: &Fields, most: usize) -> Result<String, BadName> {
    let mut out = String::new();
    let mut rest = template;
    while let Some((before, after)) = rest.split_once('{') {
        out.push_str(&literal(before));
        let Some((field, later)) = after.split_once('}') else {
            return Err(BadName {
                what: format!("the name template \"{template}\" has a brace that is not closed"),
                remedy: "Close it, as in {song}_{drum}_{place}.".into(),
            });
        };
        let field = field.trim();
        let Some(value) = fields.of(field) else {
            return Err(BadName {
                what: format!("the name template has no field \"{field}\""),
                remedy: format!("Use these fields: {}.", Fields::NAMES),
            });
        };
        let mut value = words(value);
        if ["artist", "song", "take"].contains(&field) {
            // ASCII, so any cut is safe.
            value.truncate(most);
        }
        out.push_str(&value);
        rest = later;
    }
    out.push_str(&literal(rest));
    let parts: Vec<&str> = out.split('_').filter(|p| !p.is_empty()).collect();
    Ok(parts.join("_"))
}

/// Text between fields: letters, digits and underscores stay, spaces and hyphens become underscores, the rest goes.
fn literal(text: &str) -> String {
    text.chars()
        .filter_map(|c| match c {
            ' ' | '-' => Some('_'),
            c if c.is_ascii_alphanumeric() || c == '_' => Some(c),
            _ => None,
        })
        .collect()
}

fn shorten(name: String) -> String {
    if name.len() <= LONGEST {
        return name;
    }
    // The end tells mic, take and rate, the beginning which song: both stay, the middle goes. ASCII, so any cut is safe.
    let (head, tail) = (name.get(..LONGEST / 2 - 1).unwrap_or(""), name.get(name.len() - LONGEST / 2..).unwrap_or(""));
    format!("{}_{}", head.trim_end_matches('_'), tail.trim_start_matches('_'))
}

/// Checks a folder name of the sheet; gives it back without outer spaces. Folders may lie in folders: `Drums/Kit`.
///
/// # Errors
/// [`BadName`] for a name of [`folder_fault`], and for that of a file in the delivery's top folder.
pub fn folder(name: &str) -> Result<String, BadName> {
    let plain = name.trim();
    let top = plain.split('/').next().unwrap_or(plain);
    let own = [MANIFEST, CHECKSUMS].iter().any(|own| own.eq_ignore_ascii_case(top));
    let fault = own.then_some("is that of a file which every delivery holds").or_else(|| folder_fault(name));
    match fault {
        Some(what) => Err(BadName { what: format!("the folder name \"{name}\" {what}"), remedy: FOLDER_REMEDY.into() }),
        None => Ok(plain.to_owned()),
    }
}

/// Makes names differ whatever the case of their letters and whichever folder they lie in. A name that stands twice takes
/// its `other` form; names that are still alike are numbered from the second on.
#[must_use]
pub fn all_different(names: &[(String, String)]) -> Vec<String> {
    let mut count: HashMap<String, usize> = HashMap::new();
    for (name, _) in names {
        *count.entry(name.to_ascii_lowercase()).or_default() += 1;
    }
    let mut taken = HashSet::new();
    names
        .iter()
        .map(|(name, other)| {
            let twice = count.get(&name.to_ascii_lowercase()).is_some_and(|&n| n > 1);
            let base = if twice { other } else { name };
            let mut chosen = base.clone();
            let mut n = 2;
            while !taken.insert(chosen.to_ascii_lowercase()) {
                chosen = format!("{base}_{n}");
                n += 1;
            }
            chosen
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// `^[A-Za-z0-9]+(_[A-Za-z0-9]+)*$`, the published convention.
    fn conforms(name: &str) -> bool {
        name.split('_').all(|w| !w.is_empty() && w.chars().all(|c| c.is_ascii_alphanumeric()))
    }

    fn fields() -> Fields {
        Fields {
            song: "low tide".into(),
            drum: "snare".into(),
            place: "top".into(),
            rate: rate_word(SampleRate::SESSION),
            bits: "24".into(),
            ..Fields::default()
        }
    }

    #[test]
    fn the_usual_template_reads_song_drum_place_rate_and_depth() {
        let t = "{song}_{drum}_{place}_{take}_{rate}{bits}";
        assert_eq!(expand(t, &fields()).unwrap(), "LowTide_Snare_Top_48k24");
        let f = Fields { take: "comp 2".into(), ..fields() };
        assert_eq!(expand(t, &f).unwrap(), "LowTide_Snare_Top_Comp2_48k24");
    }

    #[test]
    fn however_long_artist_song_and_take_are_the_name_tells_drum_and_place() {
        let long = |what: &str| format!("{what} {}", "and on ".repeat(20));
        for template in
            ["{song}_{drum}_{place}_{take}_{rate}{bits}", "{artist}_{drum}_{place}_{song}_{take}_{rate}{bits}"]
        {
            let name = |drum: &str, place: &str| {
                let (artist, song, take) = (long("Anna"), long("Low Tide"), long("Comp of takes 3 and 7"));
                let f = Fields { artist, song, take, drum: drum.into(), place: place.into(), ..fields() };
                expand(template, &f).unwrap()
            };
            let got = name("snare", "top");
            assert!(got.contains("_Snare_Top_") && got.ends_with("_48k24") && got.len() <= LONGEST, "{got}");
            assert_ne!(name("tom", "close"), name("hat", "close"));
        }
    }

    #[test]
    fn accents_and_punctuation_go_and_words_are_capitalised() {
        assert_eq!(words("für Zoë"), "FuerZoe");
        assert_eq!(words("don't  stop-now"), "DontStopNow");
        assert_eq!(words("snare_top"), "SnareTop");
        assert_eq!(words("太鼓"), "");
    }

    /// Canonical decompositions of the Unicode Character Database, from memory: letter, base letter and combining mark.
    #[test]
    fn a_letter_reads_alike_whether_its_accent_is_stored_with_it_or_behind_it() {
        let pairs = [
            ('ä', "a\u{308}"),
            ('Ö', "O\u{308}"),
            ('ü', "u\u{308}"),
            ('ë', "e\u{308}"),
            ('å', "a\u{30a}"),
            ('Å', "A\u{30a}"),
            ('ů', "u\u{30a}"),
            ('ç', "c\u{327}"),
            ('é', "e\u{301}"),
            ('È', "E\u{300}"),
            ('ñ', "n\u{303}"),
            ('š', "s\u{30c}"),
            ('ő', "o\u{30b}"),
            ('ż', "z\u{307}"),
            ('ą', "a\u{328}"),
            ('İ', "I\u{307}"),
            ('ý', "y\u{301}"),
            ('î', "i\u{302}"),
            ('ā', "a\u{304}"),
            ('ğ', "g\u{306}"),
        ];
        for (one, two) in pairs {
            for around in ["", "x", " "] {
                let (one, two) = (format!("{around}{one}{around}"), format!("{around}{two}{around}"));
                assert_eq!(words(&one), words(&two), "{one}");
            }
        }
        assert_eq!(words("Fu\u{308}r Zoe\u{308}"), "FuerZoe");
        // Two mics whose names look alike are told apart all the same.
        let n = |a: &str| (words(a), words(a));
        let got = all_different(&[n("Bäng"), n("Ba\u{308}ng")]);
        assert_eq!(got, ["Baeng", "Baeng_2"]);
    }

    #[test]
    fn a_title_of_any_length_makes_a_name_that_every_disk_takes_and_that_is_its_own() {
        let long = "very long title ".repeat(40);
        let (one, two) = (title(&long), title(&format!("{long} II")));
        assert!(one.len() <= LONGEST_TITLE && one.starts_with("VeryLongTitle") && one != two, "{one}, {two}");
        assert_eq!(one, words(&one), "it stays what it is inside a template");
        assert!(title(&"夜".repeat(300)).len() <= LONGEST_TITLE);
        assert!(title(&format!("{}夜", "1".repeat(300))).len() <= LONGEST_TITLE);
    }

    #[test]
    fn a_field_that_does_not_exist_and_an_open_brace_are_said() {
        assert!(expand("{song}_{mic}", &fields()).unwrap_err().what.contains("\"mic\""));
        assert!(expand("{song", &fields()).unwrap_err().what.contains("not closed"));
        assert!(expand("{artist}", &fields()).unwrap_err().what.contains("no name"));
    }

    #[test]
    fn names_that_windows_keeps_for_itself_are_avoided() {
        // Windows file naming rules, Microsoft's documentation, from memory.
        for name in ["con", "nul", "Com1", "LPT9", "aux"] {
            let f = Fields { name: name.into(), ..Fields::default() };
            let got = expand("{name}", &f).unwrap();
            assert!(got.ends_with("_Track"), "{got}");
            assert!(folder(name).is_err());
        }
        for name in ["COM\u{b9}", "lpt\u{b3}.wav", "con .txt", "PRN.tar.gz"] {
            assert!(folder(name).is_err(), "{name}");
        }
        assert!(!kept_by_windows("COM") && !kept_by_windows("Con_Track") && !kept_by_windows("COM10"));
    }

    #[test]
    fn folders_cannot_leave_the_delivery() {
        for bad in ["", " ", "..", "../x", "/x", "x/..", "C:", "C:\\x", "a\\b", "a//b", "x.", "a\u{0}b", "what?", "./x"]
        {
            assert!(folder(bad).is_err(), "{bad:?}");
        }
        assert!(folder(&"a/".repeat(60)).is_err() && folder(&["a"; 60].join("/")).is_err());
        assert_eq!(folder("Acoustic Kit").unwrap(), "Acoustic Kit");
        assert_eq!(folder("Drums/Kit").unwrap(), "Drums/Kit");
    }

    #[test]
    fn no_folder_takes_the_name_of_a_file_in_the_top_folder() {
        for bad in ["manifest.json", "Manifest.JSON", " checksums.sha256", "CHECKSUMS.SHA256/Kit"] {
            assert!(folder(bad).unwrap_err().what.contains("which every delivery holds"), "{bad:?}");
        }
        for good in ["manifest", "Kit/manifest.json", "checksums"] {
            assert!(folder(good).is_ok(), "{good}");
        }
    }

    #[test]
    fn two_toms_are_told_apart_by_their_own_names_and_then_by_number() {
        let n = |a: &str, b: &str| (a.to_owned(), b.to_owned());
        let got = all_different(&[n("X_Tom", "X_Rack"), n("x_tom", "X_Floor"), n("X_Hat", "X_Hat")]);
        assert_eq!(got, ["X_Rack", "X_Floor", "X_Hat"]);
        let got = all_different(&[n("A", "B"), n("a", "b"), n("B", "C")]);
        assert_eq!(got, ["B", "b_2", "B_3"]);
    }

    proptest! {
        #[test]
        fn whatever_the_sheet_says_the_name_keeps_the_convention(
            template in "[{}a-z_ /.-]{0,24}|\\{song\\}.{0,12}\\{name\\}", song in ".{0,200}", name in ".{0,40}"
        ) {
            let f = Fields { song, name, ..fields() };
            if let Ok(got) = expand(&template, &f) {
                prop_assert!(conforms(&got), "{}", got);
                prop_assert!(got.len() <= LONGEST + 6);
                prop_assert!(!kept_by_windows(&got));
            }
        }

        #[test]
        fn no_two_names_are_alike(names in proptest::collection::vec(("[abAB]{1,2}", "[abAB]{1,2}"), 0..12)) {
            let got = all_different(&names);
            let lower: HashSet<String> = got.iter().map(|n| n.to_ascii_lowercase()).collect();
            prop_assert_eq!(lower.len(), names.len());
        }
    }

    #[test]
    fn titles_without_latin_letters_get_names_that_are_their_own_and_stay() {
        let names = ["Весна", "Зима", "夜の灯台", "!!!", "Весна 2", "夜 Lighthouse"].map(title);
        for (i, n) in names.iter().enumerate() {
            assert!(n.chars().all(|c| c.is_ascii_alphanumeric()) && n.len() >= 10, "{n}");
            assert!(names.iter().skip(i + 1).all(|o| o != n), "{names:?}");
            assert_eq!(*n, words(n), "a name stays what it is inside a template");
        }
        assert!(names[0].starts_with("Song") && names[5].starts_with("Lighthouse"), "{names:?}");
        assert_eq!(title("Весна"), title(" Весна "));
        // SHA-256 of these UTF-8 bytes, by Python's hashlib.
        assert_eq!(title("Весна"), "Song494BFA");
        for plain in ["Low Tide", "Für Zoë", "7"] {
            assert_eq!(title(plain), words(plain));
        }
    }
}
