//! Which files count as audio where a folder is looked through.
//!
//! In: a path. Out: whether its name is that of an audio file. What is in it, only [`AudioReader`](super::AudioReader) tells.

use std::path::Path;

/// Endings of audio files, in lower case.
const ENDINGS: [&str; 10] = ["wav", "wave", "bwf", "rf64", "w64", "aif", "aiff", "aifc", "flac", "mp3"];

/// Whether a file is called like audio. Names that begin with a dot are the system's own companions of real files.
#[must_use]
pub fn is_named_audio(path: &Path) -> bool {
    let hidden = path.file_name().is_none_or(|n| n.to_string_lossy().starts_with('.'));
    let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
    !hidden && ENDINGS.contains(&ending.as_str())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn audio_is_known_by_its_ending_whatever_the_case_and_companions_are_not_audio() {
        for name in ["kick.wav", "KICK.WAV", "takes/snare.aifc", "oh.AIFF", "room.flac", "guide.mp3"] {
            assert!(is_named_audio(Path::new(name)), "{name}");
        }
        for name in ["._kick.wav", ".DS_Store", "takes", "song.toml", "wav", "tempo.mid", "takes/.wav"] {
            assert!(!is_named_audio(Path::new(name)), "{name}");
        }
    }
}
