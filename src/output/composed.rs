//! Names in the form in which most systems write them: a letter and its accent as one character.
//!
//! In: a name. Out: the same, composed. A Mac stores accents behind their letters when it packs a folder again.

/// Letters and what a mark makes of them, in pairs: every Latin and Cyrillic letter with a mark from U+0300 to U+0328 of the
/// Unicode Character Database 14.0.0 (UnicodeData.txt, canonical decompositions that are not excluded from composition).
const PAIRS: [(char, &str); 25] = [
    ('\u{300}', "AÀEÈIÌOÒUÙaàeèiìoòuùÜǛüǜNǸnǹЕЀИЍеѐиѝĒḔēḕŌṐōṑWẀwẁÂẦâầĂẰăằÊỀêềÔỒôồƠỜơờƯỪưừYỲyỳ"),
    ('\u{301}', "AÁEÉIÍOÓUÚYÝaáeéiíoóuúyýCĆcćLĹlĺNŃnńRŔrŕSŚsśZŹzźÜǗüǘGǴgǵÅǺåǻÆǼæǽØǾøǿГЃКЌгѓкќÇḈçḉ"),
    ('\u{301}', "ĒḖēḗÏḮïḯKḰkḱMḾmḿÕṌõṍŌṒōṓPṔpṕŨṸũṹWẂwẃÂẤâấĂẮăắÊẾêếÔỐôốƠỚơớƯỨưứ"),
    ('\u{302}', "AÂEÊIÎOÔUÛaâeêiîoôuûCĈcĉGĜgĝHĤhĥJĴjĵSŜsŝWŴwŵYŶyŷZẐzẑẠẬạậẸỆẹệỌỘọộ"),
    ('\u{303}', "AÃNÑOÕaãnñoõIĨiĩUŨuũVṼvṽÂẪâẫĂẴăẵEẼeẽÊỄêễÔỖôỗƠỠơỡƯỮưữYỸyỹ"),
    ('\u{304}', "AĀaāEĒeēIĪiīOŌoōUŪuūÜǕüǖÄǞäǟȦǠȧǡÆǢæǣǪǬǫǭÖȪöȫÕȬõȭȮȰȯȱYȲyȳИӢиӣУӮуӯGḠgḡḶḸḷḹṚṜṛṝ"),
    ('\u{306}', "AĂaăEĔeĕGĞgğIĬiĭOŎoŏUŬuŭУЎИЙийуўЖӁжӂАӐаӑЕӖеӗȨḜȩḝẠẶạặ"),
    ('\u{307}', "CĊcċEĖeėGĠgġIİZŻzżAȦaȧOȮoȯBḂbḃDḊdḋFḞfḟHḢhḣMṀmṁNṄnṅPṖpṗRṘrṙSṠsṡŚṤśṥŠṦšṧṢṨṣṩTṪtṫWẆ"),
    ('\u{307}', "wẇXẊxẋYẎyẏſẛ"),
    ('\u{308}', "AÄEËIÏOÖUÜaäeëiïoöuüyÿYŸЕЁІЇеёіїАӒаӓӘӚәӛЖӜжӝЗӞзӟИӤиӥОӦоӧӨӪөӫЭӬэӭУӰуӱЧӴчӵЫӸыӹHḦhḧ"),
    ('\u{308}', "ÕṎõṏŪṺūṻWẄwẅXẌxẍtẗ"),
    ('\u{309}', "AẢaảÂẨâẩĂẲăẳEẺeẻÊỂêểIỈiỉOỎoỏÔỔôổƠỞơởUỦuủƯỬưửYỶyỷ"),
    ('\u{30a}', "AÅaåUŮuůwẘyẙ"),
    ('\u{30b}', "OŐoőUŰuűУӲуӳ"),
    ('\u{30c}', "CČcčDĎdďEĚeěLĽlľNŇnňRŘrřSŠsšTŤtťZŽzžAǍaǎIǏiǐOǑoǒUǓuǔÜǙüǚGǦgǧKǨkǩƷǮʒǯjǰHȞhȟ"),
    ('\u{30f}', "AȀaȁEȄeȅIȈiȉOȌoȍRȐrȑUȔuȕѴѶѵѷ"),
    ('\u{311}', "AȂaȃEȆeȇIȊiȋOȎoȏRȒrȓUȖuȗ"),
    ('\u{31b}', "OƠoơUƯuư"),
    ('\u{323}', "BḄbḅDḌdḍHḤhḥKḲkḳLḶlḷMṂmṃNṆnṇRṚrṛSṢsṣTṬtṭVṾvṿWẈwẉZẒzẓAẠaạEẸeẹIỊiịOỌoọƠỢơợUỤuụƯỰưự"),
    ('\u{323}', "YỴyỵ"),
    ('\u{324}', "UṲuṳ"),
    ('\u{325}', "AḀaḁ"),
    ('\u{326}', "SȘsșTȚtț"),
    ('\u{327}', "CÇcçGĢgģKĶkķLĻlļNŅnņRŖrŗSŞsşTŢtţEȨeȩDḐdḑHḨhḩ"),
    ('\u{328}', "AĄaąEĘeęIĮiįUŲuųOǪoǫ"),
];

/// A name with every accent joined to the letter before it, as far as the table goes (Unicode Standard Annex 15, form C): names
/// that differ in nothing but how their accents are stored come out the same. A mark that fits no letter stays.
#[must_use]
pub fn composed(name: &str) -> String {
    let mut out = String::with_capacity(name.len());
    for c in name.chars() {
        match out.chars().last().and_then(|letter| with_mark(letter, c)) {
            Some(joined) => {
                out.pop();
                out.push(joined);
            }
            None => out.push(c),
        }
    }
    out
}

/// A letter and a mark as one character; `None` where there is none.
fn with_mark(letter: char, mark: char) -> Option<char> {
    pairs(mark).find(|(plain, _)| *plain == letter).map(|(_, joined)| joined)
}

/// Every letter that a mark goes with, and what it makes of it.
fn pairs(mark: char) -> impl Iterator<Item = (char, char)> {
    let rows = PAIRS.iter().filter(move |(m, _)| *m == mark).map(|(_, letters)| letters.chars());
    rows.flat_map(|mut letters| std::iter::from_fn(move || Some((letters.next()?, letters.next()?))))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    /// A name as a Mac stores it: every letter of the table taken apart.
    fn apart(name: &str) -> String {
        let marks = || PAIRS.iter().map(|(mark, _)| *mark);
        name.chars()
            .map(|c| {
                match marks().find_map(|m| pairs(m).find(|(_, joined)| *joined == c).map(|(plain, _)| (plain, m))) {
                    Some((plain, mark)) => format!("{}{mark}", apart(&plain.to_string())),
                    None => c.to_string(),
                }
            })
            .collect()
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
            ("太鼓 \u{301}x", "太鼓 \u{301}x"),
        ] {
            assert_eq!(composed(stored), name);
            assert_eq!(composed(name), name, "what is composed stays");
        }
    }

    #[test]
    fn every_letter_of_the_table_is_put_together_again_as_it_was() {
        let all: BTreeSet<char> = PAIRS.iter().flat_map(|(mark, _)| pairs(*mark)).map(|(_, joined)| joined).collect();
        assert_eq!(all.len(), 512);
        for c in all {
            let name = format!("x{c}y");
            assert!(apart(&name) != name && composed(&apart(&name)) == name, "{c}");
        }
    }
}
