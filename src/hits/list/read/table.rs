//! A CSV file's text as rows of cells, whatever a spreadsheet made of it.

use super::Wrong;
use crate::hits::list::COLUMNS;
use std::borrow::Cow;

/// One row that is not blank.
pub(super) struct Cells {
    /// Its line in the file, from 1.
    pub line: usize,
    /// Its fields one behind the other, NUL between two: a list of 40,000 hits has half a million of them.
    text: Box<str>,
}

impl Cells {
    fn fields(&self) -> impl Iterator<Item = &str> {
        self.text.split('\0')
    }
}

/// Text in UTF-8, with a byte order mark or without, or with its mark in UTF-16 as spreadsheets save "Unicode text".
fn text_of(bytes: &[u8]) -> Cow<'_, str> {
    let units = |rest: &[u8], unit: fn([u8; 2]) -> u16| -> String {
        String::from_utf16_lossy(&rest.as_chunks::<2>().0.iter().map(|two| unit(*two)).collect::<Vec<u16>>())
    };
    match bytes {
        [0xFF, 0xFE, rest @ ..] => units(rest, u16::from_le_bytes).into(),
        [0xFE, 0xFF, rest @ ..] => units(rest, u16::from_be_bytes).into(),
        [0xEF, 0xBB, 0xBF, rest @ ..] => String::from_utf8_lossy(rest),
        all => String::from_utf8_lossy(all),
    }
}

/// A file's rows, its columns known.
pub(super) struct Table {
    /// Field of each of [`COLUMNS`], where the file has it.
    fields: [Option<usize>; COLUMNS.len()],
    /// Names of other columns.
    pub further: Vec<String>,
    /// Rows behind the head.
    pub rows: Vec<Cells>,
}

impl Table {
    /// Splits a file into rows. The separator (`,`, `;` or tab) is the one that the head uses.
    pub fn split(bytes: &[u8]) -> Result<Self, Wrong> {
        let again = "Save the list again as CSV, UTF-8.";
        // Spreadsheets keep their own files as a zip.
        if bytes.starts_with(b"PK\x03\x04") {
            return Err(Wrong::whole(
                "this is a spreadsheet's own file, not CSV",
                "In the spreadsheet save the list as CSV.",
            ));
        }
        let text = text_of(bytes);
        if text.contains('\0') {
            return Err(Wrong::whole("this is not plain text", again));
        }
        let (text, skipped, stated) = without_separator_line(&text);
        let head = text.lines().find(|l| !is_blank(l)).unwrap_or("");
        let separator = stated.unwrap_or_else(|| separator_of(head));
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .delimiter(separator)
            .from_reader(text.as_bytes());
        let mut rows = Vec::new();
        let mut record = csv::StringRecord::new();
        loop {
            match reader.read_record(&mut record) {
                Ok(true) => {}
                Ok(false) => break,
                Err(e) => return Err(Wrong::whole(format!("this is not a CSV file ({e})"), again)),
            }
            let line = record.position().map_or(0, |p| first_line(text, p)) + skipped;
            record.trim();
            if record.iter().any(|f| !f.is_empty()) {
                let fields: Vec<&str> = record.iter().collect();
                rows.push(Cells { line, text: fields.join("\0").into() });
            }
        }
        if text.bytes().filter(|&b| b == b'"').count() % 2 == 1 {
            let line = rows.last().map_or(0, |r| r.line);
            return Err(Wrong::line(line, "a quotation mark is never closed", "Close it or take it out."));
        }
        if rows.is_empty() {
            return Err(Wrong::whole("this file is empty", "`underlay hits` writes a new list."));
        }
        let head = rows.remove(0);
        Self::with_head(&head, rows, separator)
    }

    fn with_head(head: &Cells, rows: Vec<Cells>, separator: u8) -> Result<Self, Wrong> {
        let mut fields = [None; COLUMNS.len()];
        let mut further = Vec::new();
        for (i, name) in head.fields().enumerate() {
            let lower = name.to_lowercase();
            match COLUMNS.iter().position(|c| *c == lower) {
                Some(c) if fields[c].is_some() => {
                    let what = format!("the column {} is there twice", COLUMNS[c]);
                    return Err(Wrong::line(head.line, what, "Take one of the two out."));
                }
                Some(c) => fields[c] = Some(i),
                None if !name.is_empty() => further.push(name.to_owned()),
                None => {}
            }
        }
        let table = Self { fields, further, rows };
        for (column, needed) in [("drum", true), ("time_s", table.field("sample").is_none())] {
            if needed && table.field(column).is_none() {
                let remedy = format!("The first line must name the columns: {}.", COLUMNS.join(", "));
                return Err(Wrong::line(head.line, format!("the column {column} is missing"), &remedy));
            }
        }
        let width = head.fields().count();
        let long = table.rows.iter().find(|r| r.fields().skip(width).any(|f| !f.is_empty()));
        if let Some(row) = long {
            let fields = row.fields().count();
            let (what, remedy) = if separator == b',' {
                (
                    format!(
                        "this line has {fields} fields and the first line {width}: its numbers seem to have decimal commas, which \
                         look like the commas between fields"
                    ),
                    "Save the list again with decimal points, or with ; between the fields.",
                )
            } else {
                (
                    format!("this line has {fields} fields and the first line {width}"),
                    "Take out what is too much, or name its column in the first line.",
                )
            };
            return Err(Wrong::line(row.line, what, remedy));
        }
        Ok(table)
    }

    fn field(&self, column: &str) -> Option<usize> {
        COLUMNS.iter().position(|c| *c == column).and_then(|c| self.fields[c])
    }

    /// The text of a cell; `None` where it is empty or the column missing.
    pub fn cell<'a>(&self, cells: &'a Cells, column: &str) -> Option<&'a str> {
        cells.fields().nth(self.field(column)?).filter(|text| !text.is_empty())
    }
}

/// Line where a record really begins: the reader's position lies before blank lines.
fn first_line(text: &str, position: &csv::Position) -> usize {
    let rest = text.as_bytes().get(position.byte() as usize..).unwrap_or_default();
    let blank = rest.iter().take_while(|b| matches!(b, b'\r' | b'\n')).filter(|&&b| b == b'\n').count();
    position.line() as usize + blank
}

fn is_blank(line: &str) -> bool {
    line.chars().all(|c| c.is_whitespace() || ",;\"".contains(c))
}

/// Some spreadsheets state the separator in a first line `sep=;`: the text behind it, the lines skipped, the separator.
fn without_separator_line(text: &str) -> (&str, usize, Option<u8>) {
    let stated = text.get(..4).filter(|s| s.eq_ignore_ascii_case("sep=")).and_then(|_| text.as_bytes().get(4));
    match (stated, text.find('\n')) {
        (Some(&separator), Some(end)) if end <= 6 => (&text[end + 1..], 1, Some(separator)),
        _ => (text, 0, None),
    }
}

/// The separator that a head line uses most; `,` where none is there.
fn separator_of(head: &str) -> u8 {
    let count = |s: u8| head.bytes().filter(|&b| b == s).count();
    let mut most = b',';
    for separator in [b';', b'\t'] {
        if count(separator) > count(most) {
            most = separator;
        }
    }
    most
}
