//! What a one-shot's file name says: how hard it was struck, and which of several alike it is.

/// What a name says.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Named {
    /// How hard, on a scale that only orders: a number behind `v`, `vel`, `layer`, ..., or a word such as `soft`.
    pub strength: Option<Strength>,
    /// Number behind `rr`, `robin`, `take`, `alt`, ...
    pub robin: Option<u32>,
}

/// How hard, as far as a name tells.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub(super) enum Strength {
    /// A number: a layer (1, 2, 3) or a velocity (up to 127).
    Number(u32),
    /// A word, as a rank from 0 (ghost) upwards.
    Word(u32),
}

/// Musical and plain words for strength, softest first; words of one row mean the same.
const WORDS: [&[&str]; 9] = [
    &["ghost", "ppp"],
    &["softest", "pp"],
    &["soft", "light", "quiet", "low", "p"],
    &["mp"],
    &["medium", "med", "mid", "mf"],
    &["strong"],
    &["hard", "loud", "high", "heavy", "f"],
    &["hardest", "accent", "ff"],
    &["fff", "max"],
];
const STRENGTH_MARKS: [&str; 8] = ["v", "vel", "velocity", "layer", "lay", "dyn", "vl", "level"];
const ROBIN_MARKS: [&str; 8] = ["rr", "robin", "take", "alt", "var", "r", "round", "t"];

/// Reads a file name without folder and ending. Only marked numbers and known words count; bare numbers say nothing.
pub(super) fn read(stem: &str) -> Named {
    let tokens = tokens(stem);
    let mut out = Named::default();
    for (i, token) in tokens.iter().enumerate() {
        if let Some(number) = token.parse::<u32>().ok().filter(|_| i > 0) {
            let mark = tokens.get(i - 1).map_or("", String::as_str);
            if STRENGTH_MARKS.contains(&mark) {
                out.strength = Some(Strength::Number(number));
            } else if ROBIN_MARKS.contains(&mark) {
                out.robin = Some(number);
            }
        } else if let Some(rank) = WORDS.iter().position(|row| row.contains(&token.as_str()))
            && out.strength.is_none()
        {
            out.strength = Some(Strength::Word(rank as u32));
        }
    }
    out
}

/// Runs of letters and runs of digits, in lower case.
fn tokens(stem: &str) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    let mut last = ' ';
    for c in stem.to_lowercase().chars() {
        let joins = (c.is_alphabetic() && last.is_alphabetic()) || (c.is_ascii_digit() && last.is_ascii_digit());
        match out.last_mut() {
            Some(token) if joins => token.push(c),
            _ if c.is_alphanumeric() => out.push(c.to_string()),
            _ => {}
        }
        last = c;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn marked_numbers_and_plain_words_are_understood() {
        let cases = [
            ("snare_v3_rr2", Some(Strength::Number(3)), Some(2)),
            ("Kick-Vel127-Take04", Some(Strength::Number(127)), Some(4)),
            ("SNARE hard 2", Some(Strength::Word(6)), None),
            ("snare_pp_rr1", Some(Strength::Word(1)), Some(1)),
            ("kick layer 2 alt 11", Some(Strength::Number(2)), Some(11)),
        ];
        for (stem, strength, robin) in cases {
            assert_eq!(read(stem), Named { strength, robin }, "{stem}");
        }
    }

    #[test]
    fn bare_numbers_say_nothing() {
        assert_eq!(read("snare 14 inch 03"), Named::default());
        assert_eq!(read("127"), Named::default());
        assert!(read("snare p").strength < read("snare f").strength);
    }
}
