//! The phase check in short, for the page of `run`.
//!
//! In: of every mic what the sheet decides about its polarity, and what the strokes advise. Out: one to three short lines, seldom
//! more.

use crate::phase::Advice;
use crate::phase::Recommendation::{Invert, Keep, Unclear};
use crate::song::Polarity;

/// What was found about polarity, what the sheet decides where the strokes do not say it for sure, and what is left to the ear.
/// A mic that is in none of the lines is right as recorded.
pub(super) fn lines<'a>(mics: impl Iterator<Item = (Polarity, &'a Advice)>) -> Vec<String> {
    let mics: Vec<(Polarity, &Advice)> = mics.collect();
    let names = |wanted: fn(Polarity, &Advice) -> bool, told: fn(Polarity, &str) -> String| -> Vec<String> {
        mics.iter().filter(|(sheet, a)| wanted(*sheet, a)).map(|(sheet, a)| told(*sheet, &a.mic)).collect()
    };
    let bare = |_, mic: &str| mic.to_owned();
    let opposite = names(|_, a| a.recommendation == Invert, with_sheet);
    let against = names(|sheet, a| sheet == Polarity::Invert && a.recommendation == Keep && a.sure, bare);
    let by_sheet = names(|sheet, a| sheet != Polarity::Undecided && a.recommendation != Invert && !a.sure, with_sheet);
    let by_ear = names(|sheet, a| sheet == Polarity::Undecided && !a.sure, bare);
    let mut lines = Vec::new();
    if mics.iter().all(|(_, a)| a.recommendation == Unclear) {
        lines.push("the strokes tell nothing about polarity".to_owned());
    }
    for (what, names) in [
        ("opposite sign", &opposite),
        ("right as recorded, but inverted by the sheet", &against),
        ("no sure answer", &by_sheet),
    ] {
        if !names.is_empty() {
            lines.push(format!("{what}: {}", names.join(", ")));
        }
    }
    if !by_ear.is_empty() {
        lines.push(format!("{} of {} mics to decide by ear: {}", by_ear.len(), mics.len(), by_ear.join(", ")));
    }
    if lines.is_empty() {
        lines.push(format!("{} mics looked at, all right as recorded", mics.len()));
    }
    lines
}

/// A mic, and what the sheet does about it.
fn with_sheet(sheet: Polarity, mic: &str) -> String {
    match sheet {
        Polarity::Invert => format!("{mic} (inverted by the sheet)"),
        Polarity::Keep => format!("{mic} (kept by the sheet)"),
        Polarity::Undecided => format!("{mic} (not decided in the sheet)"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phase::Recommendation;
    use crate::song::Drum;

    const OPEN: Polarity = Polarity::Undecided;
    const KEPT: Polarity = Polarity::Keep;
    const INVERTED: Polarity = Polarity::Invert;

    /// Mics by what the sheet decides, name, advice and whether it is sure; gives the lines, with ` | ` between them.
    fn told(mics: &[(Polarity, &str, Recommendation, bool)]) -> String {
        let advice: Vec<(Polarity, Advice)> = mics
            .iter()
            .map(|&(sheet, mic, recommendation, sure)| {
                let (mic, file, why) = (mic.to_owned(), Default::default(), String::new());
                let confidence = if sure { 1.0 } else { 0.0 };
                (sheet, Advice { mic, file, drum: Drum::Snare, recommendation, confidence, sure, why })
            })
            .collect();
        lines(advice.iter().map(|(sheet, a)| (*sheet, a))).join(" | ")
    }

    #[test]
    fn mics_are_called_right_as_recorded_only_where_the_strokes_say_so_of_all() {
        let kick = (OPEN, "kick", Keep, true);
        assert_eq!(told(&[kick, (KEPT, "room", Keep, true)]), "2 mics looked at, all right as recorded");
        assert_eq!(told(&[kick, (OPEN, "room", Keep, false)]), "1 of 2 mics to decide by ear: room");
        assert_eq!(told(&[kick, (KEPT, "room", Unclear, false)]), "no sure answer: room (kept by the sheet)");
        assert_eq!(told(&[kick, (INVERTED, "room", Keep, true)]), "right as recorded, but inverted by the sheet: room");
    }

    #[test]
    fn where_the_strokes_tell_nothing_that_is_said_whatever_the_sheet_decides() {
        let nothing = "the strokes tell nothing about polarity | ";
        let (kick, room) = ("kick", "room");
        assert_eq!(
            told(&[(OPEN, kick, Unclear, false), (OPEN, room, Unclear, false)]),
            format!("{nothing}2 of 2 mics to decide by ear: kick, room")
        );
        assert_eq!(
            told(&[(KEPT, kick, Unclear, false), (INVERTED, room, Unclear, false)]),
            format!("{nothing}no sure answer: kick (kept by the sheet), room (inverted by the sheet)")
        );
    }

    #[test]
    fn opposite_signs_are_told_with_what_the_sheet_does_about_them_and_the_rest_is_left_to_the_ear() {
        let mics = [
            (OPEN, "kick", Keep, true),
            (OPEN, "bottom", Invert, true),
            (INVERTED, "out", Invert, false),
            (KEPT, "oh", Invert, true),
            (OPEN, "room", Unclear, false),
        ];
        assert_eq!(
            told(&mics),
            "opposite sign: bottom (not decided in the sheet), out (inverted by the sheet), oh (kept by the sheet) | \
             1 of 5 mics to decide by ear: room"
        );
    }
}
