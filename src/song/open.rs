//! What a sheet leaves open, to be settled before anything is sent: recordings beside it that it does not name, mics that
//! nobody has checked.
//!
//! In: the song as its sheet says it, and the folders that its recordings lie in. Out: a finding for each of the two. No
//! recording is opened.

use super::write::quoted_path;
use super::{Mic, Song};
use crate::audio::is_named_audio;
use crate::finding::Finding;
use std::path::{Path, PathBuf};

/// Files that a finding names.
const NAMED: usize = 6;
/// Results that a folder is known by ..
const RESULTS: [&str; 3] = ["hits.csv", "rough_mix.csv", "timing.html"];
/// .. and recordings that underlay itself writes beside them.
const OWN: [&str; 5] =
    ["rough_mix.wav", "rough_mix_drums_only.wav", "rough_mix_without_layers.wav", "click.wav", "moves.wav"];

impl Song {
    /// Everything that the sheet leaves open.
    #[must_use]
    pub fn left_open(&self) -> Vec<Finding> {
        self.beside().into_iter().chain(self.guessed()).collect()
    }

    /// Whether a file is no news: the sheet names it or leaves it out on purpose, or it is a result. Links are followed.
    pub(super) fn knows(&self) -> impl Fn(&Path) -> bool {
        let used: Vec<PathBuf> = self.files().iter().map(|p| real(p)).collect();
        let left_out: Vec<PathBuf> = self.left_out.iter().map(|p| real(p)).collect();
        move |path| {
            let path = real(path);
            is_own(&path) || used.contains(&path) || left_out.iter().any(|l| as_text(&path).starts_with(l))
        }
    }

    /// The entry of `[song]` that leaves these files out too, besides what it leaves out already.
    pub(super) fn leaving_out(&self, files: &[PathBuf]) -> String {
        let base = self.sheet.parent().unwrap_or(Path::new(""));
        let before = self.left_out.iter().map(|p| entry(p, base));
        let all: Vec<String> = before.chain(entries(files, base)).collect();
        format!("leave_out = [{}]", all.join(", "))
    }

    /// Recordings that lie in the sheet's folder or beside one of its mics and that neither the sheet nor another one there
    /// mentions, by folder and name.
    fn unnamed(&self) -> Vec<PathBuf> {
        let mut folders: Vec<&Path> = Vec::new();
        let mics = self.mics.iter().map(|m| m.info.path.as_path());
        for folder in std::iter::once(self.sheet.as_path()).chain(mics).filter_map(Path::parent) {
            if !folders.iter().any(|f| same(f, folder)) {
                folders.push(folder);
            }
        }
        let knows = self.knows();
        let mut unnamed = Vec::new();
        for folder in folders {
            let here = std::fs::read_dir(shown(folder)).into_iter().flatten().flatten();
            let mut here: Vec<PathBuf> = here.map(|e| folder.join(e.file_name())).collect();
            here.retain(|p| is_named_audio(p) && p.is_file() && !knows(p));
            if !here.is_empty() {
                let others = self.other_sheets(folder);
                here.retain(|p| !others.iter().any(|sheet| names(sheet, p)));
            }
            here.sort();
            unnamed.append(&mut here);
        }
        unnamed
    }

    /// The texts of other songs' sheets in a folder.
    fn other_sheets(&self, folder: &Path) -> Vec<String> {
        let here = std::fs::read_dir(shown(folder)).into_iter().flatten().flatten().map(|e| e.path());
        let sheets = here.filter(|p| p.extension().is_some_and(|e| e.eq_ignore_ascii_case("toml")));
        sheets.filter(|p| !same(p, &self.sheet)).filter_map(|p| std::fs::read_to_string(p).ok()).collect()
    }

    /// A caution on the recordings that the sheet does not mention.
    fn beside(&self) -> Option<Finding> {
        if self.sheet.as_os_str().is_empty() {
            return None;
        }
        let unnamed = self.unnamed();
        let first = unnamed.first()?;
        let folder = shown(first.parent()?);
        let base = self.sheet.parent()?;
        let sheet = if same(folder, base) && self.sheet.file_name().is_some_and(|n| n == "song.toml") {
            String::new()
        } else {
            format!(" --out \"{}\"", self.sheet.display())
        };
        let remedy = format!(
            "`underlay prep \"{}\"{sheet}` gives lines for the sheet. Where one is not wanted, say so in [song]: {}",
            folder.display(),
            self.leaving_out(&unnamed),
        );
        Some(match unnamed.as_slice() {
            [one] => Finding::caution(
                &as_text(one),
                "this recording lies beside those of the song and is not in the sheet: it is neither heard nor delivered",
                remedy,
            ),
            many => Finding::song(
                format!(
                    "{} recordings lie beside those of the song and are not in the sheet, so they are neither heard nor \
                     delivered: {}",
                    many.len(),
                    listed(many.iter().map(|p| name(p)))
                ),
                remedy,
            ),
        })
    }

    /// A caution on the mics that are as `prep` guessed them: their drum or place is in no name, and names of delivered files
    /// are made from it.
    #[must_use]
    pub fn guessed(&self) -> Option<Finding> {
        let guessed: Vec<&Mic> = self.mics.iter().filter(|m| m.guess).collect();
        let told = |m: &&Mic| format!("{} as {} {}", name(&m.info.path), m.drum, m.place);
        let right = "put drum, place and name right in the sheet, and take the line guess = true out";
        Some(match guessed.as_slice() {
            [] => return None,
            [one] => Finding::caution(
                &one.info.path,
                format!("that this is {} {} is only a guess", one.drum, one.place),
                format!("Listen to it, {right}."),
            ),
            many => Finding::song(
                format!("{} mics are only guessed: {}", many.len(), listed(many.iter().map(told))),
                format!("Listen to them, {right} of each."),
            ),
        })
    }
}

/// Files as `leave_out` takes them; where they are many, their folders.
fn entries(files: &[PathBuf], base: &Path) -> Vec<String> {
    if files.len() <= NAMED {
        return files.iter().map(|p| entry(p, base)).collect();
    }
    let mut folders: Vec<&Path> = files.iter().filter_map(|p| p.parent()).collect();
    folders.dedup();
    folders.iter().map(|f| entry(f, base)).collect()
}

fn entry(path: &Path, base: &Path) -> String {
    if same(path, base) { "\".\"".into() } else { quoted_path(path, base) }
}

/// Whether underlay wrote this recording: by its name, where other results lie beside it.
fn is_own(path: &Path) -> bool {
    let named = path.file_name().is_some_and(|n| OWN.iter().any(|own| n == *own));
    named && RESULTS.iter().any(|r| path.with_file_name(r).is_file())
}

/// A path as far as it can be written: names that are no text can neither stand in a sheet nor be told to scripts.
fn as_text(path: &Path) -> PathBuf {
    path.to_string_lossy().as_ref().into()
}

/// Where a path leads once links are followed; where it leads to nothing, its place in its folder.
fn real(path: &Path) -> PathBuf {
    let in_folder = || Some(shown(path.parent()?).canonicalize().ok()?.join(path.file_name()?));
    path.canonicalize().ok().or_else(in_folder).unwrap_or_else(|| path.to_owned())
}

/// Whether a sheet's text names a file, in whichever folder.
fn names(sheet: &str, file: &Path) -> bool {
    let name = file.file_name().unwrap_or_default().to_string_lossy();
    ['"', '\'', '/', '\\'].iter().any(|before| sheet.contains(&format!("{before}{name}")))
}

/// A folder that can be listed and shown: the one that the command runs in has no name.
fn shown(folder: &Path) -> &Path {
    if folder.as_os_str().is_empty() { Path::new(".") } else { folder }
}

fn same(a: &Path, b: &Path) -> bool {
    a == b || matches!((shown(a).canonicalize(), shown(b).canonicalize()), (Ok(a), Ok(b)) if a == b)
}

fn name(path: &Path) -> String {
    path.file_name().unwrap_or_default().to_string_lossy().into_owned()
}

/// The first few, and a word on how many more there are.
fn listed(all: impl ExactSizeIterator<Item = String>) -> String {
    let rest = (all.len() > NAMED).then(|| format!("and {} more", all.len() - NAMED));
    all.take(NAMED).chain(rest).collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::AudioInfo;
    use crate::audio::SampleFormat;
    use crate::song::{Drum, Place};
    use crate::units::SampleRate;
    use std::fs;

    fn mic(path: PathBuf) -> Mic {
        fs::write(&path, b"").unwrap();
        let info = AudioInfo {
            path,
            rate: SampleRate::SESSION,
            channels: 1,
            frames: 48_000,
            format: SampleFormat::Int24,
            bext: None,
            cues: Vec::new(),
            repairs: Vec::new(),
        };
        Mic::new("kick", info, Drum::Kick, Place::Close)
    }

    /// A sheet in `DIR` whose one mic lies in `DIR/takes`.
    fn song(dir: &Path) -> Song {
        fs::create_dir(dir.join("takes")).unwrap();
        Song { sheet: dir.join("song.toml"), mics: vec![mic(dir.join("takes/kick.wav"))], ..Song::default() }
    }

    #[test]
    fn recordings_beside_the_sheet_or_a_mic_are_pointed_out_and_nothing_else_is() {
        let dir = tempfile::tempdir().unwrap();
        let song = song(dir.path());
        for other in ["notes.txt", ".room.wav", "takes/tempo.mid"] {
            fs::write(dir.path().join(other), b"").unwrap();
        }
        fs::create_dir_all(dir.path().join("underlay/layers")).unwrap();
        fs::write(dir.path().join("underlay/rough_mix.wav"), b"").unwrap();
        assert_eq!(song.left_open(), []);
        fs::write(dir.path().join("takes/room.wav"), b"").unwrap();
        let f = song.left_open().remove(0);
        assert_eq!(f.file.as_deref(), Some(dir.path().join("takes/room.wav").as_path()));
        assert!(
            f.remedy.contains("leave_out = [\"takes/room.wav\"]") && f.remedy.contains("song.toml"),
            "{}",
            f.remedy
        );
        fs::write(dir.path().join("Talk.WAV"), b"").unwrap();
        let f = song.left_open().remove(0);
        assert!(f.what.contains("2 recordings") && f.what.contains("Talk.WAV, room.wav"), "{}", f.what);
        assert!(!f.remedy.contains("--out"), "{}", f.remedy);
        for n in 1..=5 {
            fs::write(dir.path().join(format!("takes/other {n}.wav")), b"").unwrap();
        }
        let f = song.left_open().remove(0);
        assert!(f.what.contains("7 recordings") && f.what.ends_with("and 1 more"), "{}", f.what);
        assert!(f.remedy.contains("leave_out = [\".\", \"takes\"]"), "{}", f.remedy);
    }

    #[test]
    fn what_the_sheet_leaves_out_by_file_or_by_folder_is_not_pointed_out() {
        let dir = tempfile::tempdir().unwrap();
        let mut song = song(dir.path());
        for other in ["talk.wav", "takes/room.wav", "takes/count.wav"] {
            fs::write(dir.path().join(other), b"").unwrap();
        }
        song.left_out = vec![dir.path().join("talk.wav"), dir.path().join("takes/room.wav")];
        let f = song.left_open().remove(0);
        assert!(f.file.unwrap().ends_with("takes/count.wav"));
        let whole = "leave_out = [\"talk.wav\", \"takes/room.wav\", \"takes/count.wav\"]";
        assert!(f.remedy.ends_with(whole), "the entry can be pasted over the one that is there: {}", f.remedy);
        song.left_out = vec![dir.path().join("talk.wav"), dir.path().join("takes")];
        assert_eq!(song.left_open(), []);
    }

    #[test]
    fn recordings_of_another_song_in_the_folder_are_not_pointed_out() {
        let dir = tempfile::tempdir().unwrap();
        let song = song(dir.path());
        for file in ["takes/b_kick.wav", "b_room.wav", "kick.wav"] {
            fs::write(dir.path().join(file), b"").unwrap();
        }
        fs::write(dir.path().join("song_b.toml"), "file = \"takes/b_kick.wav\"\nfile = 'b_room.wav'").unwrap();
        fs::write(dir.path().join("takes/song_c.toml"), "file = \"b_kick.wav\"").unwrap();
        fs::write(&song.sheet, "file = \"takes/kick.wav\"").unwrap();
        let left: Vec<String> = song.left_open().into_iter().filter_map(|f| f.file).map(|p| name(&p)).collect();
        assert_eq!(left, ["kick.wav"], "the sheet itself names another of that name");
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_name_that_is_no_text_can_be_left_out_as_it_is_shown() {
        use std::os::unix::ffi::OsStrExt;
        let dir = tempfile::tempdir().unwrap();
        let mut song = song(dir.path());
        fs::write(dir.path().join(std::ffi::OsStr::from_bytes(b"talk\xff.wav")), b"").unwrap();
        let f = song.left_open().remove(0);
        assert!(f.remedy.contains("leave_out = [\"talk\u{fffd}.wav\"]"), "{}", f.remedy);
        song.left_out = vec![dir.path().join("talk\u{fffd}.wav")];
        assert_eq!(song.left_open(), []);
    }

    #[test]
    fn results_written_beside_the_sheet_are_no_recordings() {
        let dir = tempfile::tempdir().unwrap();
        let song = song(dir.path());
        fs::write(dir.path().join("rough_mix.wav"), b"").unwrap();
        assert_eq!(song.left_open().len(), 1, "a client's mix may bear that name");
        fs::write(dir.path().join("rough_mix.csv"), b"").unwrap();
        assert_eq!(song.left_open(), []);
    }

    #[test]
    fn mics_that_are_still_guesses_are_named_with_what_they_are_taken_for() {
        let dir = tempfile::tempdir().unwrap();
        let mut song = song(dir.path());
        assert_eq!(song.guessed(), None);
        song.mics[0].guess = true;
        let f = song.guessed().unwrap();
        assert!(f.file.is_some() && f.what.contains("kick close") && f.remedy.contains("guess = true"), "{f:?}");
        song.mics.push(Mic { place: Place::Out, guess: true, ..mic(dir.path().join("takes/Audio 2.wav")) });
        let what = song.guessed().unwrap().what;
        assert_eq!(what, "2 mics are only guessed: kick.wav as kick close, Audio 2.wav as kick out");
    }
}
