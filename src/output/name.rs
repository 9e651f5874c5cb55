//! Names that every system can store and tell apart.
//!
//! In: names from sheets and recordings. Out: the same where they will do, else the nearest that does.

use unicode_normalization::UnicodeNormalization;

/// Most bytes of a stem; disks take 255 for a whole name, and passing files add a few.
const MOST_BYTES: usize = 200;

/// Whether Windows keeps a name for a device (`con`, `com1`, `com¹`), with whatever ending.
#[must_use]
pub fn kept_by_windows(name: &str) -> bool {
    let stem = name.split('.').next().unwrap_or(name).trim_end().to_ascii_uppercase();
    let digit = |c: char| c.is_ascii_digit() || matches!(c, '¹' | '²' | '³');
    let numbered = |p: &str| stem.strip_prefix(p).is_some_and(|n| n.chars().count() == 1 && n.chars().all(digit));
    matches!(stem.as_str(), "CON" | "PRN" | "AUX" | "NUL" | "CONIN$" | "CONOUT$") || numbered("COM") || numbered("LPT")
}

/// What to do about a folder name with a [`folder_fault`].
pub const FOLDER_REMEDY: &str = "Use letters, digits, spaces, hyphens and underscores, as in \"Acoustic Kit\".";
/// Longest name of a folder in a delivery, bytes. Leaves room for a deep folder on any system.
const LONGEST_FOLDER: usize = 96;

/// What keeps a name from being that of a folder in a delivery, or of folders in folders (`Drums/Kit`), outer spaces aside: it
/// is empty or too long, leaves the delivery, or cannot be stored by some system. `None` for a good one.
#[must_use]
pub fn folder_fault(name: &str) -> Option<&'static str> {
    let name = name.trim();
    if name.is_empty() {
        return Some("is empty");
    }
    if name.len() > LONGEST_FOLDER {
        return Some("is too long");
    }
    name.split('/').find_map(|part| {
        if part.is_empty() || part == "." || part == ".." || name.contains(['\\', ':']) {
            return Some("would leave the delivery");
        }
        if part.chars().any(|c| c.is_control() || "<>\"|?*".contains(c)) {
            return Some("holds a sign that Windows cannot store");
        }
        let stored = !(part.ends_with(['.', ' ']) || part.starts_with(' ') || kept_by_windows(part));
        (!stored).then_some("cannot be stored on Windows")
    })
}

/// The stem of a file name as every system can store it: what Windows does not take becomes `_` (`<>:"/\|?*`, control
/// characters, dots and spaces at the end; its documentation on naming files, from memory), device names get `_copy`, and
/// what is too long is cut.
#[must_use]
pub fn storable(stem: &str) -> String {
    let plain = |c: char| if c.is_control() || "<>:\"/\\|?*".contains(c) { '_' } else { c };
    let mut out: String = stem.chars().map(plain).collect();
    while out.len() > MOST_BYTES {
        out.pop();
    }
    match out.trim_end_matches(['.', ' ']).trim_start_matches(' ') {
        "" => "copy".into(),
        // Behind a dot the name would still be the device's.
        device if kept_by_windows(device) => format!("{device}_copy").replacen('.', "_", 1),
        fine => fine.into(),
    }
}

/// A name from the sheet (of a layer, a picture) as the stem of a file name: letters, digits, `-`, `_` and spaces stay,
/// everything else becomes `_`.
#[must_use]
pub fn file_stem(name: &str) -> String {
    let plain = |c: char| if c.is_alphanumeric() || matches!(c, '-' | '_' | ' ') { c } else { '_' };
    let mut stem: String = name.trim().chars().map(plain).take(80).collect();
    // Letters take up to four bytes.
    while stem.len() > MOST_BYTES {
        stem.pop();
    }
    let stem = stem.trim_end();
    match stem {
        "" => "layer".into(),
        kept if kept_by_windows(kept) => format!("{kept}_layer"),
        stem => stem.into(),
    }
}

/// What two names have in common that some disk cannot tell apart: case and the way in which accents are stored do not count.
/// Some names that every disk tells apart are alike as well, such as `Baer` and `Bär`.
#[must_use]
pub fn alike(name: &str) -> String {
    let mut out = String::with_capacity(name.len());
    for c in name.nfc().filter(|c| !is_accent(*c)) {
        match without_accent(c).as_str() {
            "" => out.extend(c.to_lowercase()),
            plain => out.push_str(&plain.to_lowercase()),
        }
    }
    out
}

/// Whether a character is an accent of its own, behind its letter (Unicode block Combining Diacritical Marks).
#[must_use]
pub fn is_accent(c: char) -> bool {
    ('\u{300}'..='\u{36f}').contains(&c)
}

/// The usual spelling of an accented or joined Latin letter: of most the letter below the accent; empty for anything else.
#[must_use]
pub fn without_accent(c: char) -> String {
    let spelled = match c {
        'ä' | 'æ' => "ae",
        'Ä' | 'Æ' => "Ae",
        'ö' | 'ø' | 'œ' => "oe",
        'Ö' | 'Ø' | 'Œ' => "Oe",
        'ü' => "ue",
        'Ü' => "Ue",
        'å' => "aa",
        'Å' => "Aa",
        'ß' => "ss",
        'đ' | 'ð' => "d",
        'Đ' | 'Ð' => "D",
        'ı' => "i",
        'ł' => "l",
        'Ł' => "L",
        'þ' => "th",
        'Þ' => "Th",
        _ => "",
    };
    let below = c.nfd().next().filter(|letter| *letter != c && letter.is_ascii_alphabetic());
    if spelled.is_empty() { below.map(String::from).unwrap_or_default() } else { spelled.to_owned() }
}

/// A name with every accent joined to the letter before it (form C of Unicode Standard Annex 15): names that differ in nothing
/// but how their accents are stored come out the same. A Mac stores accents behind their letters when it packs a folder again.
#[must_use]
pub fn composed(name: &str) -> String {
    name.nfc().collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn names_cannot_leave_their_folder() {
        assert_eq!(file_stem("../../etc/snare fat"), "______etc_snare fat");
        assert_eq!(file_stem("Bässe-2"), "Bässe-2");
        assert_eq!(file_stem("  "), "layer");
        assert_eq!(file_stem("con"), "con_layer");
        assert!(file_stem(&"𐌰".repeat(300)).len() <= 200);
    }

    /// Canonical decompositions of the Unicode Character Database, two of them in two steps.
    #[test]
    fn a_letter_and_the_accents_behind_it_become_one_character() {
        for (stored, name) in [
            ("U\u{308}bung", "Übung"),
            ("Batteri\u{301}e", "Batteríe"),
            ("Sa\u{30a}ng nr 2", "Sång nr 2"),
            ("Be\u{302}\u{301}", "Bế"),
            ("a\u{323}\u{302}", "ậ"),
            ("Z\u{30c}iz\u{30c}kov", "Žižkov"),
            ("s\u{326}i \u{326}", "și \u{326}"),
            ("\u{438}\u{306}", "\u{439}"),
            ("カ\u{3099}", "ガ"),
            ("太鼓 \u{301}x", "太鼓 \u{301}x"),
        ] {
            assert_eq!(composed(stored), name);
            assert_eq!(composed(name), name, "what is composed stays");
        }
    }

    #[test]
    fn a_letter_is_spelled_as_people_spell_it_where_accents_cannot_stand() {
        let spelled: Vec<String> = "äÅßøđłþéŽșǎИ5".chars().map(without_accent).collect();
        assert_eq!(spelled, ["ae", "Aa", "ss", "oe", "d", "l", "th", "e", "Z", "s", "a", "", ""]);
    }

    #[test]
    fn names_that_will_do_stay_and_others_become_the_nearest_that_does() {
        for fine in ["01 Kick in (take 2) ✅", "Snäre top", "太鼓", "a.b", ".hidden"] {
            assert_eq!(storable(fine), fine);
        }
        for (bad, good) in [
            ("Snare top: \"loud\"?", "Snare top_ _loud__"),
            ("../../x", ".._.._x"),
            ("ends. . ", "ends"),
            ("con", "con_copy"),
            ("nul.take2", "nul_take2_copy"),
            (" . ", "copy"),
            ("", "copy"),
        ] {
            assert_eq!(storable(bad), good);
        }
    }

    #[test]
    fn case_and_the_way_accents_are_stored_make_no_difference() {
        assert_eq!(alike("Für Zoë"), alike("fu\u{308}r zoe\u{308}"));
        assert_eq!(alike("KICK"), alike("kick"));
        assert_ne!(alike("太鼓"), alike("笛"));
        assert_ne!(alike("Bar"), alike("Bär"));
    }

    proptest! {
        #[test]
        fn whatever_the_name_every_system_can_store_it(name in "(con|nul|LPT1|.{0,300}|[.:/ a]{0,8})[. ]{0,3}(\\.wav)?") {
            let got = storable(&name);
            prop_assert!(!got.is_empty() && got.len() <= MOST_BYTES + 5);
            prop_assert!(!got.ends_with(['.', ' ']) && !kept_by_windows(&got), "{}", got);
            prop_assert!(!got.contains(['/', '\\', ':', '*', '?', '"', '<', '>', '|']) && got != ".." && got != ".");
        }
    }
}
