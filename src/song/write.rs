//! Writing a song sheet from a guess: short, commented, and never over a sheet that is there.

use super::field::fields_of;
use super::sheet::title_of;
use super::{Draft, Guess, Role, Sureness, TrackKind};
use crate::error::{Located, Result};
use crate::output::{OutputFault, write_whole};
use std::fmt::Write as _;
use std::path::{Component, Path, PathBuf};

impl Draft {
    /// The sheet's text, with paths relative to the folder of `sheet`.
    #[must_use]
    pub fn to_text(&self, sheet: &Path) -> String {
        let base = sheet.parent().map(Path::to_owned).unwrap_or_default();
        let mut t = String::from(
            "# Song sheet for underlay: what is recorded where, the tempo, and every decision taken.\n\
             # Change what is not right and run a command again. Text behind a # is explanation, or a field at its default.\n\
             # Paths are relative to this file's folder. All fields are explained in docs/song-sheet.md.\n",
        );
        section(&mut t, "[song]", &[("title", quoted(&title_of(&self.folder.join("song.toml"))))]);
        let tempo: Vec<(&str, String)> = self.tempo.iter().map(|p| ("file", quoted_path(p, &base))).collect();
        section(&mut t, "[tempo]", &tempo);
        let (used, unused): (Vec<&Guess>, Vec<&Guess>) =
            self.files.iter().partition(|g| matches!(g.role, Role::Mic(..) | Role::Track(_)));
        for guess in used {
            file(&mut t, guess, &base);
        }
        if !unused.is_empty() {
            t.push_str("\n# Left out. To use one, take the # away and say what it is.\n");
        }
        for guess in unused {
            let _ = writeln!(t, "#\n# {}", guess.why);
            let _ = writeln!(t, "# [[mic]]\n# name = {}", quoted(&guess.name));
            let _ = writeln!(t, "# file = {}\n# drum = \"\"", quoted_path(&guess.info.path, &base));
        }
        t.push_str("\n# The form, in bars: one [[section]] for each part of the song.\n");
        if !self.markers.is_empty() {
            let bars: Vec<String> = self.markers.iter().map(|(name, bar)| format!("{name} (bar {bar})")).collect();
            let _ = writeln!(
                t,
                "# Without any, the markers of the tempo file count: {}.",
                bars.join(", ").replace(|c: char| c.is_control(), " ")
            );
        }
        t.push_str("# [[section]]\n# name = \"verse 1\"\n# bar = 1\n# bars = 8\n");
        section(&mut t, "[hits]", &[]);
        t.push_str("\n# A sample layer under a drum.\n");
        t.push_str(
            "# [[layer]]\n# name = \"snare_fat\"\n# drum = \"snare\"\n# samples = \"samples/snare\"\n# level = -6\n",
        );
        section(&mut t, "[rough]", &[]);
        section(&mut t, "[handoff]", &[]);
        t
    }

    /// Writes the sheet's text to a file that does not exist yet.
    ///
    /// # Errors
    /// [`OutputFault::Exists`] when there is a file of that name; other [`OutputFault`]s when it cannot be written.
    pub fn write(&self, sheet: &Path) -> Result<()> {
        may_write(sheet)?;
        write_whole(sheet, self.to_text(sheet).as_bytes())
    }
}

/// Sees that no sheet is there yet.
///
/// # Errors
/// [`OutputFault::Exists`].
pub fn may_write(sheet: &Path) -> Result<()> {
    match sheet.symlink_metadata() {
        Ok(_) => Err(Located::whole(sheet, OutputFault::Exists).into()),
        Err(_) => Ok(()),
    }
}

/// A section with the given fields, and every other one as a comment at its default.
fn section(t: &mut String, name: &str, given: &[(&str, String)]) {
    let _ = writeln!(t, "\n{name}");
    for field in fields_of(name) {
        let value = given.iter().find(|(n, _)| *n == field.name).map(|(_, v)| v.as_str());
        let line = match value {
            Some(value) => format!("{} = {value}", field.name),
            None => format!("# {} = {}", field.name, field.example),
        };
        let _ = writeln!(t, "{line:<34} # {} ({})", field.what, field.takes);
    }
}

fn file(t: &mut String, guess: &Guess, base: &Path) {
    let sure = match guess.sure {
        Sureness::Guess => "A guess, please check",
        Sureness::Likely => "Likely",
        Sureness::Sure => "Sure",
    };
    let _ = writeln!(t, "\n# {sure} ({}).", guess.why);
    let fields = match guess.role {
        Role::Mic(drum, place) => {
            let _ = writeln!(t, "[[mic]]");
            format!("drum = \"{drum}\"\nplace = \"{place}\"\n")
        }
        Role::Track(kind) => {
            let _ = writeln!(t, "[[track]]");
            let kind = match kind {
                TrackKind::Guide => "guide",
                TrackKind::Programming => "programming",
                TrackKind::Click => "click",
            };
            format!("kind = \"{kind}\"\n")
        }
        Role::NotDrums | Role::Unknown => return,
    };
    let _ = writeln!(t, "name = {}\nfile = {}", quoted(&guess.name), quoted_path(&guess.info.path, base));
    t.push_str(&fields);
}

/// A text in TOML quotes.
fn quoted(text: &str) -> String {
    let mut q = String::from("\"");
    for c in text.chars() {
        match c {
            '"' | '\\' => q.extend(['\\', c]),
            '\n' => q.push_str("\\n"),
            '\t' => q.push_str("\\t"),
            c if c.is_control() => {
                let _ = write!(q, "\\u{:04X}", u32::from(c));
            }
            c => q.push(c),
        }
    }
    q.push('"');
    q
}

fn quoted_path(path: &Path, base: &Path) -> String {
    let relative = relative(path, base);
    let text = relative.to_string_lossy();
    quoted(&if cfg!(windows) { text.replace('\\', "/") } else { text.into_owned() })
}

/// A path as seen from a folder; absolute where the two have nothing in common. Links stay links.
fn relative(path: &Path, base: &Path) -> PathBuf {
    let here = |p: &Path| std::path::absolute(if p.as_os_str().is_empty() { Path::new(".") } else { p });
    let (Ok(path), Ok(base)) = (here(path), here(base)) else { return path.to_owned() };
    let normal = |p: &Path| -> Vec<String> {
        let mut parts = Vec::new();
        for c in p.components() {
            match c {
                Component::CurDir => {}
                Component::ParentDir if parts.len() > 1 => {
                    parts.pop();
                }
                other => parts.push(other.as_os_str().to_string_lossy().into_owned()),
            }
        }
        parts
    };
    // Folding ".." away is right only where no link lies on the way; a base with ".." in it keeps absolute paths.
    if base.components().chain(path.components()).any(|c| c == Component::ParentDir) {
        return path;
    }
    let (p, b) = (normal(&path), normal(&base));
    let shared = p.iter().zip(&b).take_while(|(x, y)| x == y).count();
    if shared <= 1 {
        return path;
    }
    let up = std::iter::repeat_n("..".to_owned(), b.len() - shared);
    up.chain(p[shared..].iter().cloned()).collect()
}
