//! The report: sections of words, tables and pictures, written as one HTML file that needs nothing else.

use super::picture::Picture;
use crate::error::Result;
use crate::finding::{Finding, Weight, file_name, grouped, of_files};
use askama::Template;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// A table. Columns of numbers are aligned at their right.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Table {
    /// Words over the columns, with units.
    pub head: Vec<String>,
    /// Which columns hold numbers.
    pub numbers: Vec<bool>,
    /// Rows; each as long as the head.
    pub rows: Vec<Vec<String>>,
    /// A sentence under the table; empty for none.
    pub note: String,
}

impl Table {
    /// A table with the given columns: words, and whether numbers stand in it.
    #[must_use]
    pub fn new(columns: &[(&str, bool)]) -> Self {
        Self {
            head: columns.iter().map(|c| c.0.to_owned()).collect(),
            numbers: columns.iter().map(|c| c.1).collect(),
            ..Self::default()
        }
    }

    /// Adds a row.
    pub fn row<S: Into<String>>(&mut self, cells: impl IntoIterator<Item = S>) {
        self.rows.push(cells.into_iter().map(Into::into).collect());
    }

    /// The cells of a row with whether each holds a number.
    fn cells<'a>(&'a self, row: &'a [String]) -> impl Iterator<Item = (&'a String, bool)> + 'a {
        row.iter().zip(self.numbers.iter().copied().chain(std::iter::repeat(false)))
    }
}

/// A part of the report: heading, a few sentences, tables, pictures. Every room that has something to show makes one.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Section {
    /// Heading.
    pub title: String,
    /// Sentences under it; an empty one is left out.
    pub intro: Vec<String>,
    /// Tables.
    pub tables: Vec<Table>,
    /// Pictures, also written as files of their own.
    pub pictures: Vec<Picture>,
}

/// A whole report.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Report {
    /// Title of the song.
    pub title: String,
    /// What it is about, for the window's title: `hits`, `timing`.
    pub subject: String,
    /// What it is and what it was made from, in short pieces.
    pub facts: Vec<String>,
    /// Things to look at.
    pub findings: Vec<Finding>,
    /// Parts in order.
    pub sections: Vec<Section>,
}

#[derive(Template)]
#[template(path = "report.html", config = "src/report/askama.toml")]
struct Page<'a> {
    report: &'a Report,
    version: &'static str,
    drawn: &'a Drawn<'a>,
}

/// Every picture as SVG, by its name.
type Drawn<'a> = BTreeMap<&'a str, String>;

impl Page<'_> {
    fn picture(&self, picture: &Picture) -> String {
        // Inside the page the picture takes the page's width and its colours follow the page's.
        let svg = self.drawn.get(picture.name()).map_or("", String::as_str);
        let (_, rest) = svg.split_once("viewBox").unwrap_or_default();
        format!("<svg style=\"max-width:{}px\" viewBox{rest}", picture.width())
    }

    fn word(&self, finding: &Finding) -> &'static str {
        match finding.weight {
            Weight::Note => "note",
            Weight::Caution => "look",
            Weight::Error => "wrong",
        }
    }

    /// What was noticed, with its full stop.
    fn sentence(&self, finding: &Finding) -> String {
        let stop = if finding.what.ends_with(['.', '!', '?']) { "" } else { "." };
        format!("{}{stop}", finding.what)
    }

    /// Findings, what is the same of several files once.
    fn findings(&self) -> Vec<(&Finding, String)> {
        grouped(&self.report.findings).into_iter().map(|(f, files)| (f, of_files(&files, file_name))).collect()
    }
}

impl Report {
    /// The report as HTML. Everything that came from outside is escaped; nothing is loaded from anywhere.
    #[must_use]
    pub fn html(&self) -> String {
        self.with_pictures(&self.drawn())
    }

    fn with_pictures(&self, drawn: &Drawn) -> String {
        // Rendering into memory from plain data cannot fail.
        Page { report: self, version: env!("CARGO_PKG_VERSION"), drawn }.render().unwrap_or_default()
    }

    fn drawn(&self) -> Drawn<'_> {
        self.sections.iter().flat_map(|s| &s.pictures).map(|p| (p.name(), p.svg())).collect()
    }

    /// Every file of the report by its path inside the output folder: `report.html`, and each picture as SVG (and as
    /// PNG of twice the size when asked) under `pictures`.
    ///
    /// # Errors
    /// As [`Picture::png`].
    pub fn files(&self, png: bool) -> Result<Vec<(PathBuf, Vec<u8>)>> {
        let folder = Path::new("pictures");
        let mut drawn = self.drawn();
        let mut files = vec![(PathBuf::from("report.html"), self.with_pictures(&drawn).into_bytes())];
        for picture in self.sections.iter().flat_map(|s| &s.pictures) {
            let svg = drawn.remove(picture.name()).unwrap_or_default();
            files.push((folder.join(format!("{}.svg", picture.name())), svg.into_bytes()));
            if png {
                files.push((folder.join(format!("{}.png", picture.name())), picture.png(2.0)?));
            }
        }
        Ok(files)
    }
}
