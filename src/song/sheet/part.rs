//! One section of a sheet while it is read: takes fields out by name and kind, and knows the line of everything.

use super::meant;
use super::slips::BACKSLASH;
use crate::error::{Error, Located, Place, Result};
use crate::song::field::{Field, field_of, fields_of};
use crate::song::spelling::did_you_mean;
use crate::song::{Kind, SheetFault};
use std::cell::RefCell;
use std::ops::Range;
use std::path::Path;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// A sheet's text and name, for telling lines.
#[derive(Clone, Copy)]
pub(super) struct Page<'a> {
    pub path: &'a Path,
    pub text: &'a str,
}

impl Page<'_> {
    /// Line of a byte offset, from 1.
    pub fn line(&self, offset: usize) -> usize {
        1 + self.text.bytes().take(offset).filter(|b| *b == b'\n').count()
    }

    /// A fault at a byte offset, in a field where one is known.
    pub fn wrong(&self, offset: usize, field: Option<String>, what: String, remedy: String) -> Error {
        let place = Place::Line(self.line(offset), field);
        Located::at(self.path, place, SheetFault::Wrong { what, remedy }).into()
    }
}

/// One table of a sheet.
pub(super) struct Part<'a> {
    page: Page<'a>,
    section: &'static str,
    table: Option<&'a DeTable<'a>>,
    /// Where the section begins, for what is missing.
    at: usize,
    seen: RefCell<Vec<String>>,
}

impl<'a> Part<'a> {
    /// A section that is there, or an empty one where it is left out.
    pub fn new(page: Page<'a>, section: &'static str, value: Option<&'a Spanned<DeValue<'a>>>) -> Result<Self> {
        let at = value.map_or(0, |v| v.span().start);
        let table = match value.map(|v| v.get_ref()) {
            None => None,
            Some(DeValue::Table(t)) => Some(t),
            Some(other) => {
                let what = format!("here a section {section} is expected, not {}", kind(other));
                let remedy = format!("Write {section} on a line of its own and its fields below.");
                return Err(page.wrong(at, Some(section.into()), what, remedy));
            }
        };
        Ok(Self { page, section, table, at, seen: RefCell::new(Vec::new()) })
    }

    /// A fault in a field of this section (at the section's own line where the field is not there).
    pub fn wrong(&self, name: &str, what: impl Into<String>, remedy: impl Into<String>) -> Error {
        let at = self.find(name).map_or(self.at, |(at, _)| at.start);
        self.page.wrong(at, Some(format!("{} {name}", self.section)), what.into(), remedy.into())
    }

    fn find(&self, name: &str) -> Option<(Range<usize>, &'a Spanned<DeValue<'a>>)> {
        let (key, value) = self.table?.iter().find(|(k, _)| k.get_ref().as_ref() == name)?;
        Some((key.span(), value))
    }

    fn value(&self, name: &str) -> Option<&'a DeValue<'a>> {
        debug_assert!(self.field(name).is_some(), "{} {name} is not documented", self.section);
        self.seen.borrow_mut().push(name.to_owned());
        self.find(name).map(|(_, v)| v.get_ref())
    }

    fn field(&self, name: &str) -> Option<&'static Field> {
        field_of(self.section, name)
    }

    fn takes(&self, name: &str) -> &'static str {
        self.field(name).map_or("", |f| f.takes)
    }

    /// Says that a field has another kind of value than it takes, and what to write where that is certain.
    pub fn mistaken(&self, name: &str, found: &DeValue<'_>) -> Error {
        let remedy = self.field(name).map_or_else(String::new, |field| {
            let typed = match found {
                DeValue::String(s) => Some(s.to_string()),
                DeValue::Datetime(d) => Some(d.to_string()),
                DeValue::Array(_) | DeValue::Table(_) => None,
                simple => Some(shown(simple)),
            };
            let typed = typed.as_deref();
            let meant = match &field.kind {
                Kind::Number(n) => typed.and_then(|t| meant::number(n, t)),
                Kind::Truth => typed.and_then(meant::truth).map(|t| t.to_string()),
                Kind::Text => typed.map(|t| format!("\"{t}\"")),
                Kind::Word(_) | Kind::Form | Kind::Path | Kind::List | Kind::Paths | Kind::Table => None,
            };
            match (meant, field.kind) {
                (Some(meant), _) => format!("Write: {name} = {meant}"),
                (None, Kind::Number(_)) => {
                    "Write a plain number that lies therein, without quotes and without a unit.".into()
                }
                (None, Kind::Truth) => "Write true or false, without quotes.".into(),
                (None, _) => format!("Write it like this: {name} = {}", field.example),
            }
        });
        self.wrong(name, format!("{} does not fit here: {name} takes {}", shown(found), self.takes(name)), remedy)
    }

    /// Whether the field is there.
    pub fn has(&self, name: &str) -> bool {
        self.find(name).is_some()
    }

    /// The value of a field that may be of several kinds.
    pub fn any(&self, name: &str) -> Option<&'a DeValue<'a>> {
        self.value(name)
    }

    /// Text.
    pub fn text(&self, name: &str) -> Result<Option<&'a str>> {
        match self.value(name) {
            None => Ok(None),
            Some(DeValue::String(s)) => self.plain(name, s).map(|()| Some(s.as_ref())),
            Some(other) => Err(self.mistaken(name, other)),
        }
    }

    /// Refuses a path in which `\n`, `\t` and the like were read as line ends and tabs.
    fn plain(&self, name: &str, text: &str) -> Result<()> {
        if !self.field(name).is_some_and(|f| f.kind.is_path()) || !text.contains(char::is_control) {
            return Ok(());
        }
        Err(self.wrong(name, BACKSLASH, "In paths write / instead, which works everywhere."))
    }

    /// Text that must be there and not be empty.
    pub fn required(&self, name: &str) -> Result<&'a str> {
        match self.text(name)? {
            Some(s) if !s.trim().is_empty() => Ok(s),
            Some(_) => Err(self.wrong(name, format!("{name} is empty"), format!("It takes {}.", self.takes(name)))),
            None => Err(self.wrong(
                name,
                format!("this {} has no {name}", self.section),
                format!("Add a line {name} = ... to it; it takes {}.", self.takes(name)),
            )),
        }
    }

    /// A number within the field's range.
    pub fn number(&self, name: &str) -> Result<Option<f64>> {
        let Some(value) = self.value(name) else { return Ok(None) };
        let number = number_of(value).ok_or_else(|| self.mistaken(name, value))?;
        let Some(Field { kind: Kind::Number(takes), .. }) = self.field(name) else {
            return Err(self.mistaken(name, value));
        };
        if takes.range().contains(&number) {
            return Ok(Some(number));
        }
        let meant = meant::number(takes, &shown(value)).map_or_else(String::new, |n| format!(" Write: {name} = {n}"));
        Err(self.wrong(
            name,
            format!("{} is outside what {name} can be", shown(value)),
            format!("It takes {}.{meant}", self.takes(name)),
        ))
    }

    /// A whole number within the field's range.
    pub fn whole(&self, name: &str) -> Result<Option<i64>> {
        let Some(n) = self.number(name)? else { return Ok(None) };
        if n.fract() == 0.0 {
            Ok(Some(n as i64))
        } else {
            Err(self.wrong(name, format!("{n} is not a whole number"), format!("It takes {}.", self.takes(name))))
        }
    }

    /// True or false.
    pub fn truth(&self, name: &str) -> Result<Option<bool>> {
        match self.value(name) {
            None => Ok(None),
            Some(DeValue::Boolean(b)) => Ok(Some(*b)),
            Some(other) => Err(self.mistaken(name, other)),
        }
    }

    /// One of several words.
    pub fn word<T: Copy>(&self, name: &str, words: &[(&str, T)]) -> Result<Option<T>> {
        let Some(typed) = self.text(name)? else { return Ok(None) };
        let exact = words.iter().find(|(w, _)| *w == typed).map(|(_, t)| *t);
        exact.map(Some).ok_or_else(|| {
            let known: Vec<&str> = words.iter().map(|(w, _)| *w).collect();
            self.wrong(name, format!("\"{typed}\" is not a known {name}"), did_you_mean(typed, &known))
        })
    }

    /// A list of texts, or one text.
    pub fn texts(&self, name: &str) -> Result<Option<Vec<String>>> {
        let Some(value) = self.value(name) else { return Ok(None) };
        match value {
            DeValue::String(s) => self.plain(name, s).map(|()| Some(vec![s.to_string()])),
            DeValue::Array(list) => {
                let all: Option<Vec<String>> = list.iter().map(|v| v.get_ref().as_str().map(str::to_owned)).collect();
                let all = all.ok_or_else(|| self.mistaken(name, value))?;
                all.iter().try_for_each(|text| self.plain(name, text))?;
                Ok(Some(all))
            }
            other => Err(self.mistaken(name, other)),
        }
    }

    /// To be called when every field was taken: what is left over is unknown.
    pub fn finish(&self) -> Result<()> {
        let seen = self.seen.borrow();
        let unknown = self.table.into_iter().flatten().find(|(k, _)| !seen.iter().any(|s| s == k.get_ref().as_ref()));
        let Some((key, _)) = unknown else { return Ok(()) };
        let known: Vec<&str> = fields_of(self.section).map(|f| f.name).collect();
        Err(self.page.wrong(
            key.span().start,
            Some(format!("{} {}", self.section, key.get_ref())),
            format!("{} has no field \"{}\"", self.section, key.get_ref()),
            did_you_mean(key.get_ref(), &known),
        ))
    }
}

/// A finite number, whole or not.
pub(super) fn number_of(value: &DeValue<'_>) -> Option<f64> {
    let n = match value {
        DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix()).ok()? as f64,
        DeValue::Float(x) => x.as_str().parse().ok()?,
        _ => return None,
    };
    n.is_finite().then_some(n)
}

fn kind(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "a text",
        DeValue::Integer(_) | DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a section",
    }
}

fn shown(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(s) => format!("\"{}\"", s.chars().take(60).collect::<String>()),
        DeValue::Integer(i) => i.as_str().to_owned(),
        DeValue::Float(x) => x.as_str().to_owned(),
        DeValue::Boolean(b) => b.to_string(),
        other => kind(other).to_owned(),
    }
}
