//! The phase check in short, for the page of `run`.
//!
//! In: of every mic what the sheet decides about its polarity, and what the strokes advise. Out: one or two short lines.

use crate::phase::{Advice, Recommendation};
use crate::song::Polarity;

/// What was found about polarity, and what is left to the ear.
pub(super) fn lines<'a>(mics: impl Iterator<Item = (Polarity, &'a Advice)>) -> Vec<String> {
    let mics: Vec<(Polarity, &Advice)> = mics.collect();
    let told = |(sheet, a): &(Polarity, &Advice)| match sheet {
        Polarity::Invert => format!("{} (inverted by the sheet)", a.mic),
        Polarity::Keep => format!("{} (kept by the sheet)", a.mic),
        Polarity::Undecided => format!("{} (not decided in the sheet)", a.mic),
    };
    let opposite: Vec<String> =
        mics.iter().filter(|(_, a)| a.recommendation == Recommendation::Invert).map(told).collect();
    let by_ear: Vec<&str> = mics
        .iter()
        .filter(|(sheet, a)| *sheet == Polarity::Undecided && !a.sure)
        .map(|(_, a)| a.mic.as_str())
        .collect();
    let mut lines = Vec::new();
    if !opposite.is_empty() {
        lines.push(format!("opposite sign: {}", opposite.join(", ")));
    }
    match (by_ear.len(), opposite.is_empty()) {
        (0, false) => {}
        (0, true) => lines.push(format!("{} mics looked at, none to be inverted", mics.len())),
        (n, _) => lines.push(format!("{n} of {} mics to decide by ear: {}", mics.len(), by_ear.join(", "))),
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::song::Drum;
    use Polarity::{Keep, Undecided};
    use Recommendation as R;

    fn advice(mic: &str, recommendation: Recommendation, sure: bool) -> Advice {
        let (mic, file, why) = (mic.to_owned(), Default::default(), String::new());
        Advice { mic, file, drum: Drum::Snare, recommendation, confidence: f64::from(u8::from(sure)), sure, why }
    }

    fn told(mics: &[(Polarity, Advice)]) -> String {
        lines(mics.iter().map(|(sheet, a)| (*sheet, a))).join("; ")
    }

    #[test]
    fn what_is_left_to_the_ear_is_counted() {
        let (kick, room) = (|| advice("kick", R::Keep, true), || advice("room", R::Unclear, false));
        let bottom = advice("snare_bottom", R::Invert, true);
        assert_eq!(told(&[(Undecided, kick()), (Undecided, room())]), "1 of 2 mics to decide by ear: room");
        assert_eq!(told(&[(Undecided, kick()), (Keep, room())]), "2 mics looked at, none to be inverted");
        assert_eq!(
            told(&[(Undecided, kick()), (Undecided, bottom), (Undecided, room())]),
            "opposite sign: snare_bottom (not decided in the sheet); 1 of 3 mics to decide by ear: room"
        );
    }
}
