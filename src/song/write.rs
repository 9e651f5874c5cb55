//! Writing a song sheet from a guess: short, commented, and never over a sheet that is there.

use super::field::fields_of;
use super::relative::relative;
use super::sheet::title_of;
use super::{Draft, Drum, Guess, HandoffPlan, Role, Sureness, TrackKind};
use crate::error::{Located, Result};
use crate::output::{OutputFault, write_whole};
use std::fmt::Write as _;
use std::path::Path;

impl Draft {
    /// The sheet's text, with paths relative to the folder of `sheet`.
    #[must_use]
    pub fn to_text(&self, sheet: &Path) -> String {
        let base = sheet.parent().map(Path::to_owned).unwrap_or_default();
        let mut t = String::from(
            "# Song sheet for underlay: what is recorded where, the tempo, and every decision taken.\n\
             # Change what is not right and run a command again. Text behind a # is explanation, or a field that is not set:\n\
             # it shows what counts without it, or an example where that is said.\n\
             # Paths are relative to this file's folder. All fields are explained in docs/song-sheet.md.\n",
        );
        let mut song = vec![("title", quoted(&title_of(&self.folder.join("song.toml"))))];
        let others: Vec<&Guess> = self.files.iter().filter(|g| g.role == Role::NotDrums).collect();
        if !others.is_empty() {
            let paths: Vec<String> = others.iter().map(|g| quoted_path(&g.info.path, &base)).collect();
            song.push(("leave_out", format!("[{}]", paths.join(", "))));
        }
        section(&mut t, "[song]", &song);
        let tempo: Vec<(&str, String)> = self.tempo.iter().map(|p| ("file", quoted_path(p, &base))).collect();
        section(&mut t, "[tempo]", &tempo);
        files(&mut t, &self.files, &base);
        self.form_text(&mut t);
        section(&mut t, "[hits]", &[]);
        self.layers_text(&mut t, &base);
        section(&mut t, "[rough]", &[]);
        self.handoff_text(&mut t);
        t
    }

    /// The form from the tempo file's markers, or how one is written.
    fn form_text(&self, t: &mut String) {
        if self.form.is_empty() {
            t.push_str(
                "\n# The form, in bars: one [[section]] for each part of the song. Take the # away and name them.\n",
            );
            t.push_str("# [[section]]\n# name = \"verse 1\"\n# bar = 1\n# bars = 8\n");
            return;
        }
        t.push_str("\n# The form, in bars, from the markers of the tempo file.\n");
        for s in &self.form {
            let (name, bars) = (quoted(&s.name), s.end_bar - s.first_bar);
            let _ = writeln!(t, "[[section]]\nname = {name}\nbar = {}\nbars = {bars}\n", s.first_bar);
        }
        t.pop();
    }

    /// A layer for each drum that has a mic: from one-shots that lie there, else ready to be switched on.
    fn layers_text(&self, t: &mut String, base: &Path) {
        let has = |d: Drum| self.files.iter().any(|g| matches!(g.role, Role::Mic(drum, _) if drum == d));
        let drums: Vec<Drum> = Drum::FOUND.into_iter().filter(|d| has(*d)).collect();
        t.push_str(
            "\n# Sample layers under the drums, each delivered as a track of its own; the drums stay untouched.\n",
        );
        for drum in if drums.is_empty() { vec![Drum::Snare] } else { drums } {
            let own = self.samples.iter().find(|(d, _)| *d == drum).map(|(_, folder)| folder);
            let off = if own.is_some() { "" } else { "# " };
            if off.is_empty() {
                let _ = writeln!(
                    t,
                    "# One-shots for the {drum} lie here. No layer wanted: put a # before each of these lines."
                );
            } else {
                let _ = writeln!(
                    t,
                    "# For a layer under the {drum} take the # away; without samples it uses the built-in ones."
                );
            }
            let samples =
                own.map_or_else(|| format!("samples/{drum}"), |f| relative(f, base).to_string_lossy().into_owned());
            let hidden = if own.is_some() { "" } else { "# " };
            let _ = writeln!(t, "{off}[[layer]]\n{off}name = \"{drum}_layer\"\n{off}drum = \"{drum}\"");
            let _ = writeln!(t, "{off}{hidden}samples = {}", quoted(&samples));
            let _ = writeln!(t, "{off}level = -6");
            let first = self.form.first().map_or("verse 1", |s| s.name.as_str());
            let _ = writeln!(t, "{off}# sections = {{ {} = -3 }}\n", quoted(first));
        }
        t.pop();
    }

    /// The delivery, every field at what it will be, so that it can be read and changed.
    fn handoff_text(&self, t: &mut String) {
        let plan = HandoffPlan::default();
        let folders: Vec<String> = plan.folders.iter().map(|f| quoted(f)).collect();
        let given = [
            ("rate", plan.rate.hz().to_string()),
            ("bits", plan.bits.to_string()),
            ("names", quoted(&plan.names)),
            ("artist", quoted(&plan.artist)),
            ("take", quoted(&plan.take)),
            ("folders", format!("[{}]", folders.join(", "))),
            ("apply_polarity", plan.apply_polarity.to_string()),
            ("notes", quoted(&plan.notes)),
        ];
        section(t, "[handoff]", &given);
        let mics = || self.files.iter().filter(|g| matches!(g.role, Role::Mic(..)));
        if let Some(first) = mics().next().filter(|g| g.info.rate != plan.rate) {
            let _ = writeln!(
                t,
                "# Recorded at {}; with rate = {} the files stay bit for bit.",
                first.info.rate,
                first.info.rate.hz()
            );
        }
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

/// A section with the given fields, and every other one as a comment: at its default, or as an example beside what counts
/// without it.
fn section(t: &mut String, name: &str, given: &[(&str, String)]) {
    let _ = writeln!(t, "\n{name}");
    for field in fields_of(name) {
        let value = given.iter().find(|(n, _)| *n == field.name).map(|(_, v)| v.as_str());
        let (line, unset) = match (value, field.default_value()) {
            (Some(value), _) => (format!("{} = {value}", field.name), String::new()),
            (None, Some(value)) => (format!("# {} = {value}", field.name), String::new()),
            (None, None) => (
                format!("# {} = {}", field.name, field.example),
                format!("; an example, without it: {}", field.default),
            ),
        };
        let _ = writeln!(t, "{line:<34} # {} ({}){unset}", field.what, field.takes);
    }
}

/// The lines of every file: those that are used, then, behind a #, those that are not.
pub(super) fn files(t: &mut String, files: &[Guess], base: &Path) {
    let (used, unused): (Vec<&Guess>, Vec<&Guess>) =
        files.iter().partition(|g| matches!(g.role, Role::Mic(..) | Role::Track(_)));
    for guess in used {
        file(t, guess, base);
    }
    if !unused.is_empty() {
        t.push_str("\n# Left out. To use one, take the # away and say what it is.\n");
    }
    for guess in unused {
        let _ = writeln!(t, "#\n# {}", guess.why);
        let _ = writeln!(t, "# [[mic]]\n# name = {}", quoted(&guess.name));
        let _ = writeln!(t, "# file = {}\n# drum = \"\"", quoted_path(&guess.info.path, base));
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
            let mark = if guess.sure == Sureness::Guess {
                "guess = true                       # take this line out when drum and place are right\n"
            } else {
                ""
            };
            format!("drum = \"{drum}\"\nplace = \"{place}\"\n{mark}polarity = \"undecided\"\n")
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

pub(super) fn quoted_path(path: &Path, base: &Path) -> String {
    let relative = relative(path, base);
    let text = relative.to_string_lossy();
    quoted(&if cfg!(windows) { text.replace('\\', "/") } else { text.into_owned() })
}
