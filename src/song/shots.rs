//! The one-shots of a layer.
//!
//! In: what its `samples` name. Out: the files, in one order for everyone who reads, counts or protects them.

use crate::audio::is_named_audio;
use std::io;
use std::path::{Path, PathBuf};

/// The one-shots that a path stands for: a file as it is named, or the audio files of a folder (not those of folders in it)
/// by name.
///
/// # Errors
/// When a folder cannot be read.
pub fn one_shots(path: &Path) -> io::Result<Vec<PathBuf>> {
    if !path.is_dir() {
        return Ok(vec![path.to_owned()]);
    }
    let mut files = Vec::new();
    for entry in std::fs::read_dir(path)? {
        let file = entry?.path();
        if is_named_audio(&file) && file.is_file() {
            files.push(file);
        }
    }
    files.sort();
    Ok(files)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    #[test]
    fn a_folder_stands_for_its_audio_files_and_what_a_system_leaves_in_it_is_none() {
        let dir = tempfile::tempdir().unwrap();
        for name in ["soft.wav", "Hard.AIFC", "loud.mp3", ".DS_Store", "._soft.wav", "read me.txt", "Thumbs.db"] {
            fs::write(dir.path().join(name), b"").unwrap();
        }
        fs::create_dir(dir.path().join("more.wav")).unwrap();
        let names = ["Hard.AIFC", "loud.mp3", "soft.wav"].map(|n| dir.path().join(n));
        assert_eq!(one_shots(dir.path()).unwrap(), names);
        let named = dir.path().join("read me.txt");
        assert!(one_shots(&named).unwrap() == [named], "a file that is named is taken at its word");
    }
}
