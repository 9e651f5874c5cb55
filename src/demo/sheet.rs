//! The demo's song sheet, written out with comments for a newcomer.

use super::song::DemoSong;
use crate::song::{Drum, Place};
use std::fmt::Write as _;

impl DemoSong {
    /// The sheet of the demo session, for a file `song.toml` beside the recordings.
    #[must_use]
    pub fn sheet(&self) -> String {
        let mut t = String::from(
            "# Song sheet of the demo. Everything here is invented: the song, the drummer and every sound.\n\
             # Change a line and run a command again, for instance: underlay hits song.toml\n\n[song]\n",
        );
        // Writing into a text cannot fail.
        let _ = writeln!(t, "# {}", Self::STORY);
        let _ = writeln!(t, "title = \"{}\"\ndrummer = \"an invented drummer\"\n", Self::TITLE);
        t.push_str(
            "[tempo]\n# Bar 1 of this file is the count-in and lies at the first sample of every recording.\n\
             file = \"tempo.mid\"\ngrid = \"1/16\"\n",
        );
        for mic in &self.spec().mics {
            let (drum, place) = mic.role();
            let name = mic.name();
            let _ = write!(
                t,
                "\n[[mic]]\nname = \"{name}\"\nfile = \"{name}.wav\"\ndrum = \"{drum}\"\nplace = \"{place}\"\n"
            );
            // What `underlay phase` recommends for the demo: the snare's lower mic hears the drum turned over.
            let polarity = if (drum, place) == (Drum::Snare, Place::Bottom) { "invert" } else { "keep" };
            let _ = writeln!(t, "polarity = \"{polarity}\"");
        }
        t.push_str(
            "\n# The client's rough mix: for orientation only, never delivered as ours.\n\
             [[track]]\nname = \"guide\"\nfile = \"guide.wav\"\nkind = \"guide\"\n\
             \n[[track]]\nname = \"shaker\"\nfile = \"shaker.wav\"\nkind = \"programming\"\n\n",
        );
        t.push_str(
            "# A layer of built-in samples under the snare, softer in the verse.\n[[layer]]\nname = \"snare_layer\"\n\
             drum = \"snare\"\nlevel = -6\nsections = { \"Verse\" = -9 }\n\n",
        );
        t.push_str("# The form, in bars.\n");
        let bars = self.bar_starts().len() as u32;
        let sections = self.sections();
        for (k, (first, name)) in sections.iter().enumerate() {
            let next = sections.get(k + 1).map_or(bars, |s| s.0);
            let _ = write!(t, "[[section]]\nname = \"{name}\"\nbar = {first}\nbars = {}\n\n", next - first);
        }
        t
    }
}
