//! Several songs in one go: finds their sheets, goes on past one that cannot be done, and sums up.
//!
//! In: sheets and folders as they were typed. Out: the sheets, and what became of each song.

use super::outcome::Outcome;
use super::results::folder_for;
use super::run::{Did, Told};
use crate::error::{Error, ExitCode, Result};
use crate::finding::{Finding, Weight};
use crate::handoff::name;
use serde::Serialize;
use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

/// How deep below a named folder sheets are looked for: `songs/Low Tide/audio/song.toml`.
const DEPTH: usize = 3;
/// Sheets that one call works on at the most.
const MOST: usize = 10_000;

/// The sheets that were typed or lie in the folders that were typed, each once however it is spelled, as it was typed first, in
/// order of their names in a folder.
///
/// # Errors
/// Usage: a folder without a sheet, or two sheets whose results would go to one folder.
pub(super) fn sheets(typed: &[PathBuf]) -> Result<Vec<PathBuf>> {
    let mut all = Vec::new();
    for path in typed {
        if !path.is_dir() {
            all.push(path.clone());
            continue;
        }
        let before = all.len();
        look(path, DEPTH, &mut all);
        if all.len() == before {
            return Err(Error::usage(
                format!("there is no song sheet in {}", path.display()),
                format!("Write one with: underlay prep \"{}\"", path.display()),
            ));
        }
    }
    let mut folders: BTreeMap<PathBuf, (PathBuf, PathBuf)> = BTreeMap::new();
    let mut out: Vec<PathBuf> = Vec::new();
    for sheet in all {
        let real = real(&sheet);
        match folders.entry(folder_for(&real, None)) {
            Entry::Vacant(free) => {
                free.insert((real, sheet.clone()));
                out.push(sheet);
            }
            Entry::Occupied(other) if other.get().0 == real => {}
            Entry::Occupied(other) => {
                return Err(Error::usage(
                    format!(
                        "the results of {} and {} would go to one folder",
                        other.get().1.display(),
                        sheet.display()
                    ),
                    "Put each sheet into a folder of its own, or run them one by one with --out.",
                ));
            }
        }
    }
    Ok(out)
}

/// A sheet's path with its folder spelled out. A link to a sheet stays the link: it is a song of the folder that it lies in.
fn real(sheet: &Path) -> PathBuf {
    let folder = sheet.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    match (folder.canonicalize(), sheet.file_name()) {
        (Ok(folder), Some(name)) => folder.join(name),
        // What is not there is told when it is read.
        _ => sheet.to_owned(),
    }
}

/// Sheets below a folder; hidden folders, links to folders and results are passed over.
fn look(folder: &Path, depth: usize, out: &mut Vec<PathBuf>) {
    let mut entries: Vec<_> = fs::read_dir(folder).into_iter().flatten().flatten().collect();
    entries.sort_by_key(fs::DirEntry::file_name);
    for e in &entries {
        let path = folder.join(e.file_name());
        if out.len() < MOST && path.extension().is_some_and(|x| x == "toml") && path.is_file() {
            out.push(path);
        }
    }
    for e in entries {
        let name = e.file_name();
        let hidden = name.to_string_lossy().starts_with('.') || name == super::hits::OUT;
        if depth > 0 && !hidden && e.file_type().is_ok_and(|t| t.is_dir()) {
            look(&folder.join(name), depth - 1, out);
        }
    }
}

/// What became of one song.
#[derive(Serialize)]
struct Song {
    sheet: PathBuf,
    /// As an exit code: 0 done, 1 done with things to look at, otherwise why not.
    exit_code: u8,
    #[serde(skip_serializing_if = "Option::is_none")]
    told: Option<Told>,
    #[serde(skip_serializing_if = "Option::is_none")]
    error: Option<Failure>,
}

#[derive(Serialize)]
struct Failure {
    what: String,
    remedy: String,
}

/// Runs every song and sums up. The exit code is that of the worst song: not written before not readable before the rest.
pub(super) fn run_all(sheets: &[PathBuf], mut one: impl FnMut(&Path) -> Result<Told>) -> Result<Outcome> {
    let mut songs = Vec::with_capacity(sheets.len());
    let mut findings = Vec::new();
    let mut worst: Option<ExitCode> = None;
    for sheet in sheets {
        let song = match one(sheet) {
            Ok(told) => {
                let exit_code = u8::from(told.serious().next().is_some());
                Song { sheet: sheet.clone(), exit_code, told: Some(told), error: None }
            }
            Err(e) => {
                let code = e.exit_code();
                worst = Some(worst.filter(|w| *w as u8 >= code as u8).unwrap_or(code));
                let (what, remedy) = (e.to_string(), e.remedy());
                findings.push(Finding::error(sheet, without_name(first_line(&what), sheet), remedy.clone()));
                let error = Some(Failure { what, remedy });
                Song { sheet: sheet.clone(), exit_code: code as u8, told: None, error }
            }
        };
        songs.push(song);
    }
    let look = songs.iter().filter(|s| s.exit_code == 1).count();
    if look > 0 {
        let what = format!("{look} of {} songs have something to look at", songs.len());
        let mut f = Finding::song(what, "Open the page summary.html of each; its line above says which.");
        f.weight = Weight::Caution;
        findings.push(f);
    }
    findings.extend(alike(&songs));
    let text = text(&songs);
    Ok(Outcome::new("run", text, &songs, findings)?.failed(worst))
}

fn first_line(text: &str) -> &str {
    text.lines().next().unwrap_or_default()
}

/// What is wrong with a sheet, without its name, which a finding tells already.
fn without_name<'a>(what: &'a str, sheet: &Path) -> &'a str {
    let rest = what.strip_prefix(&sheet.display().to_string());
    rest.and_then(|rest| rest.strip_prefix(", ").or(rest.strip_prefix(": "))).unwrap_or(what)
}

/// Songs whose deliveries have one name in file names: whoever gets both cannot tell them apart.
fn alike(songs: &[Song]) -> Vec<Finding> {
    let mut by_name: BTreeMap<String, Vec<&Song>> = BTreeMap::new();
    for s in songs {
        if let Some(told) = &s.told {
            by_name.entry(name::title(&told.title).to_lowercase()).or_default().push(s);
        }
    }
    let of = |s: &Song| s.sheet.display().to_string();
    let clash = |s: Vec<&Song>| {
        let title = s.first().and_then(|s| s.told.as_ref()).map(|t| name::title(&t.title)).unwrap_or_default();
        let sheets = s.into_iter().map(of).collect::<Vec<_>>().join(", ");
        let mut f = Finding::song(
            format!("several songs are called {title} in the names of their deliveries: {sheets}"),
            "Give each its own title in its sheet, so that the receiver can tell them apart.",
        );
        f.weight = Weight::Caution;
        f
    };
    by_name.into_values().filter(|s| s.len() > 1).map(clash).collect()
}

fn text(songs: &[Song]) -> String {
    let count = |f: fn(u8) -> bool| songs.iter().filter(|s| f(s.exit_code)).count();
    let (done, look, failed) = (count(|c| c == 0), count(|c| c == 1), count(|c| c > 1));
    let mut t =
        format!("{} songs: {done} done, {look} done with something to look at, {failed} not done\n\n", songs.len());
    for s in songs {
        let (word, what) = match (&s.told, &s.error) {
            (Some(told), _) => {
                let serious = told.serious().count();
                let anew = told.steps.iter().any(|s| s.did == Did::Done);
                let word = if anew { "done" } else { "unchanged" };
                let look = match serious {
                    0 => String::new(),
                    1 => ", one thing to look at".into(),
                    n => format!(", {n} things to look at"),
                };
                (word, format!("{}{look}: {}", told.title, told.page.display()))
            }
            (None, Some(e)) => ("NOT DONE", first_line(&e.what).to_owned()),
            (None, None) => ("", String::new()),
        };
        let _ = writeln!(t, "  {word:<9}  {what}");
    }
    t
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sheets_are_found_in_order_and_results_and_hidden_folders_passed_over() {
        let dir = tempfile::tempdir().unwrap();
        for name in ["b/song.toml", "a/audio/song.toml", "b/underlay/x.toml", ".git/y.toml", "a/notes.txt"] {
            let path = dir.path().join(name);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, "").unwrap();
        }
        let found = sheets(&[dir.path().to_owned(), dir.path().join("b/song.toml")]).unwrap();
        assert_eq!(found, [dir.path().join("a/audio/song.toml"), dir.path().join("b/song.toml")]);
        assert!(
            sheets(&[dir.path().join(".git/..").join("a/audio/none")]).is_ok(),
            "a missing sheet is told when it is read"
        );
        fs::create_dir(dir.path().join("empty")).unwrap();
        assert_eq!(sheets(&[dir.path().join("empty")]).unwrap_err().exit_code(), ExitCode::Usage);
        fs::write(dir.path().join("b/other.toml"), "").unwrap();
        assert!(sheets(&[dir.path().to_owned()]).unwrap_err().to_string().contains("one folder"));
    }

    #[test]
    fn a_song_that_cannot_be_done_is_told_with_its_sheets_name_once() {
        let dir = tempfile::tempdir().unwrap();
        let bad = dir.path().join("a/song.toml");
        fs::create_dir(dir.path().join("a")).unwrap();
        fs::write(&bad, "[song\n").unwrap();
        let read = |sheet: &Path| crate::song::Song::read(sheet).map(|_| unreachable!());
        let mut told = Vec::new();
        run_all(std::slice::from_ref(&bad), read).unwrap().write_text(&mut told).unwrap();
        let told = String::from_utf8(told).unwrap();
        let finding = told.lines().find(|l| l.starts_with("- error: ")).unwrap();
        assert_eq!(finding.matches("song.toml").count(), 1, "{told}");
        assert!(finding.contains("line 1"), "{told}");
        let kick = "a/kick.wav: this file is damaged";
        assert_eq!(without_name(kick, &bad), kick, "a recording keeps its name");
    }

    #[test]
    fn a_sheet_that_is_typed_two_ways_is_one_song_called_as_it_was_typed_first() {
        let dir = tempfile::tempdir().unwrap();
        let at = |name: &str| dir.path().join(name);
        for folder in ["a", "b"] {
            fs::create_dir(at(folder)).unwrap();
            fs::write(at(folder).join("song.toml"), "").unwrap();
        }
        let crooked = at("b/../a/./song.toml");
        let typed = [crooked.clone(), at("a/song.toml"), at("a"), at("b/song.toml"), at("b/../b")];
        assert_eq!(sheets(&typed).unwrap(), [crooked.clone(), at("b/song.toml")]);
        fs::write(at("a/other.toml"), "").unwrap();
        let e = sheets(&[crooked, at("a/other.toml")]).unwrap_err().to_string();
        assert!(e.contains("one folder"), "{e}");
    }

    #[cfg(unix)]
    #[test]
    fn a_sheet_linked_into_another_songs_folder_is_that_folders_song() {
        let dir = tempfile::tempdir().unwrap();
        let at = |name: &str| dir.path().join(name);
        fs::create_dir(at("a")).unwrap();
        fs::create_dir(at("b")).unwrap();
        fs::write(at("a/song.toml"), "").unwrap();
        std::os::unix::fs::symlink(at("a/song.toml"), at("b/song.toml")).unwrap();
        std::os::unix::fs::symlink(at("a"), at("same")).unwrap();
        let typed = ["a/song.toml", "b/song.toml", "same/song.toml"].map(at);
        assert_eq!(sheets(&typed).unwrap(), typed[..2]);
    }
}
