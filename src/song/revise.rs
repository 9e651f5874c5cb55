//! Changing polarity entries in a sheet that is there, with every other character left as it is.
//!
//! In: the sheet's text and a polarity for some of its mics. Out: the new text, read back and held against the old one.

use super::{Polarity, SheetFault, Song};
use crate::error::{Located, Result};
use std::ops::Range;
use std::path::Path;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

impl Polarity {
    /// As a sheet writes it.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Polarity::Undecided => "undecided",
            Polarity::Keep => "keep",
            Polarity::Invert => "invert",
        }
    }
}

/// The text of a sheet with the polarity of some mics set: an entry that is there gets another value, one that is missing
/// is added behind the mic's `drum`. Comments, order, line ends and spaces stay.
///
/// `changes` names mics by their place among the sheet's `[[mic]]`s, from 0; each at the most once.
///
/// # Errors
/// A text that is no valid sheet, and [`SheetFault::Wrong`] where it is laid out so that it cannot be changed safely.
pub fn with_polarity(text: &str, sheet: &Path, changes: &[(usize, Polarity)]) -> Result<String> {
    let before = Song::parse(text, sheet)?;
    let fail = || {
        Located::whole(
            sheet,
            SheetFault::Wrong {
                what: "this sheet is laid out so that polarity cannot be written into it".into(),
                remedy: "Write each mic as a [[mic]] with one field a line, or set the polarity there by hand.".into(),
            },
        )
    };
    // Positions of the parser count from behind a byte order mark.
    let bom = text.len() - text.strip_prefix('\u{feff}').unwrap_or(text).len();
    let (mark, body) = text.split_at_checked(bom).ok_or_else(fail)?;
    let root = DeTable::parse(body).map_err(|_| fail())?;
    let mics = root.get_ref().iter().find(|(k, _)| k.get_ref().as_ref() == "mic").map(|(_, v)| v.get_ref());
    let Some(DeValue::Array(mics)) = mics else { return Err(fail().into()) };
    let mut edits: Vec<(Range<usize>, String)> = Vec::with_capacity(changes.len());
    for (index, polarity) in changes {
        let mic = mics.get(*index).ok_or_else(fail)?;
        edits.push(edit(body, mic, *polarity).ok_or_else(fail)?);
    }
    // From the end, so that earlier positions stay right.
    edits.sort_by_key(|(at, _)| std::cmp::Reverse(at.start));
    let mut new = body.to_owned();
    for (at, with) in edits {
        new.replace_range(at, &with);
    }
    let new = format!("{mark}{new}");
    let mut wanted = before;
    for (index, polarity) in changes {
        wanted.mics.get_mut(*index).ok_or_else(fail)?.polarity = *polarity;
    }
    if Song::parse(&new, sheet).is_ok_and(|now| now == wanted) { Ok(new) } else { Err(fail().into()) }
}

/// What is to be replaced by what, so that a mic gets its polarity.
fn edit(body: &str, mic: &Spanned<DeValue<'_>>, polarity: Polarity) -> Option<(Range<usize>, String)> {
    let DeValue::Table(fields) = mic.get_ref() else { return None };
    let find = |name: &str| fields.iter().find(|(k, _)| k.get_ref().as_ref() == name);
    let quoted = format!("\"{}\"", polarity.word());
    if let Some((_, value)) = find("polarity") {
        return Some((value.span(), quoted));
    }
    let (key, drum) = find("drum")?;
    let end = drum.span().end;
    if body.get(mic.span())?.starts_with('{') {
        return Some((end..end, format!(", polarity = {quoted}")));
    }
    let line = body.get(..key.span().start)?.rfind('\n').map_or(0, |n| n + 1);
    let indent: String = body.get(line..)?.chars().take_while(|c| matches!(c, ' ' | '\t')).collect();
    let rest = body.get(end..)?;
    // Behind the comment that may follow on the line.
    let (at, newline) = match rest.find('\n') {
        Some(n) if rest.get(..n)?.ends_with('\r') => (end + n - 1, "\r\n"),
        Some(n) => (end + n, "\n"),
        None => (body.len(), if body.contains("\r\n") { "\r\n" } else { "\n" }),
    };
    Some((at..at, format!("{newline}{indent}polarity = {quoted}")))
}
