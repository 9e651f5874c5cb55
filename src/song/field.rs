//! Every field that a song sheet may have, once: the reader, the writer, the messages and `docs/song-sheet.md` follow it.

use super::kind::{
    BAR, BAR_ONE, BARS, BITS, END, FLOOR_DBFS, KEY, Kind, LEVEL, MIN_GAP_MS, PAN, PER_CENT, SONG_BPM, THRESHOLD_DB,
    Unit, number, number_or_auto, whole,
};
use crate::units::SampleRate;

/// One field of a sheet.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Field {
    /// Section that it belongs to, as written: `[song]`, `[[mic]]`.
    pub section: &'static str,
    /// Its name.
    pub name: &'static str,
    /// What kind of value it takes, with range and unit.
    pub kind: Kind,
    /// The same in words: unit and range, or the words that are allowed.
    pub takes: &'static str,
    /// What happens without it; `required` where it must be there.
    pub default: &'static str,
    /// What it does, in a few words.
    pub what: &'static str,
    /// A value as it would be written.
    pub example: &'static str,
}

const fn f(
    section: &'static str,
    name: &'static str,
    kind: Kind,
    takes: &'static str,
    default: &'static str,
    what: &'static str,
    example: &'static str,
) -> Field {
    Field { section, name, kind, takes, default, what, example }
}

const SONG: &str = "[song]";
const TEMPO: &str = "[tempo]";
const MIC: &str = "[[mic]]";
const TRACK: &str = "[[track]]";
const SECTION: &str = "[[section]]";
const HITS: &str = "[hits]";
const LAYER: &str = "[[layer]]";
const ROUGH: &str = "[rough]";
const HANDOFF: &str = "[handoff]";

/// Sections of a sheet, in the order that [`FIELDS`] has them.
pub const SECTIONS: [&str; 9] = [SONG, TEMPO, MIC, TRACK, SECTION, HITS, LAYER, ROUGH, HANDOFF];

/// What a mic can be meant for.
const DRUMS: [&str; 9] = ["kick", "snare", "hat", "tom", "ride", "cymbal", "overhead", "room", "percussion"];
/// Where a mic can stand.
const PLACES: [&str; 11] = ["close", "in", "out", "sub", "top", "bottom", "side", "left", "right", "mono", "stereo"];

/// Every field of every section.
pub const FIELDS: &[Field] = &[
    f(
        SONG,
        "title",
        Kind::Text,
        "text",
        "the sheet's folder name, or that of the folder above where it is only \"audio\" or the like",
        "title, for documents and file names",
        "\"Slow Harbour\"",
    ),
    f(SONG, "drummer", Kind::Text, "text", "empty", "who plays, for documents", "\"\""),
    f(
        SONG,
        "end",
        number(Unit::Seconds, END),
        "seconds above 0, or \"m:ss\"",
        "end of the longest mic",
        "where the song ends in the audio",
        "201.5",
    ),
    f(
        SONG,
        "leave_out",
        Kind::Paths,
        "paths of files or folders",
        "none",
        "recordings that lie beside those of the song and do not belong to it; any other one is pointed out",
        "[\"talk.wav\"]",
    ),
    f(
        TEMPO,
        "bpm",
        number(Unit::Bpm, SONG_BPM),
        "quarter notes a minute, 20 to 400",
        "no tempo",
        "one tempo for the whole song",
        "104",
    ),
    f(
        TEMPO,
        "file",
        Kind::Path,
        "path of a MIDI file",
        "none",
        "tempo and meter changes and markers, instead of bpm and meter",
        "\"tempo.mid\"",
    ),
    f(
        TEMPO,
        "meter",
        Kind::Form,
        "beats/note value, such as \"6/8\"",
        "\"4/4\"",
        "the meter that goes with bpm",
        "\"4/4\"",
    ),
    f(
        TEMPO,
        "bar_one",
        number_or_auto(Unit::Seconds, BAR_ONE),
        "seconds, -3600 to 86400, or \"auto\"",
        "\"auto\" = the files begin at bar 1 (MIDI tick 0)",
        "where bar 1 lies in the audio (count-in before it)",
        "\"auto\"",
    ),
    f(
        TEMPO,
        "grid",
        Kind::Form,
        "1/4, 1/8, 1/16 or 1/32, with t for triplets (\"1/8t\"), or with swing (\"1/16 swing 60\")",
        "\"1/16\"",
        "the grid that strokes are compared with",
        "\"1/16\"",
    ),
    f(
        MIC,
        "name",
        Kind::Text,
        "text, each name once",
        "drum and place, such as \"kick_in\"",
        "short name in reports and deliveries",
        "\"kick_in\"",
    ),
    f(
        MIC,
        "file",
        Kind::Path,
        "path, relative to the sheet or absolute",
        "required",
        "the recording; it is only ever read",
        "\"kick_in.wav\"",
    ),
    f(
        MIC,
        "drum",
        Kind::Word(&DRUMS),
        "kick, snare, hat, tom, ride, cymbal, overhead, room or percussion",
        "required",
        "what the mic is meant for",
        "\"kick\"",
    ),
    f(
        MIC,
        "place",
        Kind::Word(&PLACES),
        "close, in, out, sub, top, bottom, side, left, right, mono or stereo",
        "close",
        "where it stands; different for every mic of one kick, snare, hat or overhead",
        "\"in\"",
    ),
    f(
        MIC,
        "channel",
        Kind::Word(&["sum", "left", "right"]),
        "sum, left or right",
        "sum",
        "which side of a stereo file this mic is",
        "\"sum\"",
    ),
    f(
        MIC,
        "polarity",
        Kind::Word(&["undecided", "keep", "invert"]),
        "undecided, keep or invert",
        "undecided",
        "your decision after `underlay phase`, which writes what is sure with `--into-sheet`",
        "\"undecided\"",
    ),
    f(
        MIC,
        "threshold",
        number(Unit::Db, THRESHOLD_DB),
        "dB, 0 to 40",
        "as in [hits]",
        "how far a stroke must rise above what bleed explains; more = fewer strokes",
        "8",
    ),
    f(
        MIC,
        "floor",
        number(Unit::Dbfs, FLOOR_DBFS),
        "dBFS, -120 to 0",
        "as in [hits]",
        "quietest stroke that counts",
        "-48",
    ),
    f(
        MIC,
        "min_gap",
        number(Unit::Ms, MIN_GAP_MS),
        "ms, 1 to 500",
        "as in [hits]",
        "least time between two strokes",
        "30",
    ),
    f(MIC, "level", LEVEL, "dB, -60 to 24", "by drum", "level in the rough mix", "0"),
    f(MIC, "pan", PAN, "-1 (left) to 1 (right)", "by drum and place", "pan in the rough mix", "0"),
    f(
        MIC,
        "note",
        Kind::Text,
        "text",
        "empty",
        "which microphone, preamp, pad: goes into the track sheet",
        "\"large dynamic, pad in\"",
    ),
    f(
        MIC,
        "guess",
        Kind::Truth,
        "true or false",
        "false",
        "drum and place are only guessed, written by `underlay prep`; take the line out when you have checked them",
        "true",
    ),
    f(
        TRACK,
        "name",
        Kind::Text,
        "text, each name once",
        "the file's name",
        "short name in reports and deliveries",
        "\"guide\"",
    ),
    f(
        TRACK,
        "file",
        Kind::Path,
        "path, relative to the sheet or absolute",
        "required",
        "the recording; it is only ever read",
        "\"guide.wav\"",
    ),
    f(
        TRACK,
        "kind",
        Kind::Word(&["guide", "programming", "click"]),
        "guide, programming or click",
        "required",
        "what it is: the client's rough mix, a programmed part, a click",
        "\"guide\"",
    ),
    f(TRACK, "level", LEVEL, "dB, -60 to 24", "by kind", "level in the rough mix against the drums", "0"),
    f(TRACK, "pan", PAN, "-1 (left) to 1 (right)", "0", "pan in the rough mix (balance of a stereo file)", "0"),
    f(SECTION, "name", Kind::Text, "text, each name once", "required", "name of this part of the form", "\"verse 1\""),
    f(
        SECTION,
        "bar",
        whole(Unit::Bar, BAR),
        "bar number, -999 to 9999",
        "the bar after the section before (1 for the first)",
        "its first bar",
        "1",
    ),
    f(
        SECTION,
        "bars",
        whole(Unit::Bars, BARS),
        "bars, 1 to 9999",
        "up to the next section or the end",
        "how long it is",
        "8",
    ),
    f(
        HITS,
        "threshold",
        number(Unit::Db, THRESHOLD_DB),
        "dB, 0 to 40",
        "0.5",
        "how far a stroke must rise above what bleed explains; more = fewer strokes",
        "8",
    ),
    f(HITS, "floor", number(Unit::Dbfs, FLOOR_DBFS), "dBFS, -120 to 0", "-70", "quietest stroke that counts", "-48"),
    f(
        HITS,
        "min_gap",
        number(Unit::Ms, MIN_GAP_MS),
        "ms, 1 to 500",
        "15",
        "least time between two strokes; more than 45 joins flams",
        "30",
    ),
    f(
        HITS,
        "curve",
        Kind::Word(&["take", "square", "forty-log"]),
        "take, square or forty-log",
        "take",
        "how level becomes velocity: between the take's own soft and loud strokes, by the square law, or by 40 log",
        "\"take\"",
    ),
    f(HITS, "kick_key", KEY, "MIDI key, 0 to 127", "36", "key of kick triggers", "36"),
    f(HITS, "snare_key", KEY, "MIDI key, 0 to 127", "38", "key of snare triggers", "38"),
    f(
        HITS,
        "shift_ms",
        number(Unit::Ms, -500.0..=500.0),
        "ms, -500 to 500",
        "0",
        "moves every trigger, for samplers with latency; negative = earlier",
        "0",
    ),
    f(
        HITS,
        "pull",
        PER_CENT,
        "per cent, 0 to 100",
        "0",
        "makes pulled triggers too, so far moved to the grid; 0 = as played only",
        "0",
    ),
    f(
        LAYER,
        "name",
        Kind::Text,
        "text with a letter or digit, each name once",
        "required",
        "short name of the layer",
        "\"snare_fat\"",
    ),
    f(
        LAYER,
        "drum",
        Kind::Word(&["kick", "snare"]),
        "kick or snare",
        "required",
        "drum that it lies under",
        "\"snare\"",
    ),
    f(
        LAYER,
        "samples",
        Kind::Paths,
        "path of a folder or file, or a list of them",
        "the built-in set",
        "your one-shots",
        "[\"samples/snare\"]",
    ),
    f(
        LAYER,
        "set",
        Kind::Form,
        "name of a built-in set",
        "the drum's first",
        "built-in one-shots, instead of samples",
        "\"snare\"",
    ),
    f(LAYER, "level", LEVEL, "dB, -60 to 24", "0", "level of the whole layer", "-6"),
    f(LAYER, "dynamics", PER_CENT, "per cent, 0 to 100", "100", "0 = all strokes equal, 100 = as played", "100"),
    f(
        LAYER,
        "seed",
        whole(Unit::Plain, 0..=u32::MAX as i64),
        "whole number from 0",
        "1",
        "another seed deals the samples out differently",
        "1",
    ),
    f(LAYER, "choke", Kind::Truth, "true or false", "false", "cut each tail at the next stroke", "false"),
    f(
        LAYER,
        "sections",
        Kind::Table,
        "table of section = dB or \"off\"",
        "the whole song at level",
        "level in single sections",
        "{ \"verse 1\" = -3, \"verse 2\" = \"off\" }",
    ),
    f(LAYER, "pull", PER_CENT, "per cent, 0 to 100", "0", "how far strokes move to the grid; 0 = as played", "0"),
    f(LAYER, "pan", PAN, "-1 (left) to 1 (right)", "0", "pan in the rough mix", "0"),
    f(
        ROUGH,
        "loudness",
        number(Unit::Lufs, -40.0..=-8.0),
        "LUFS, -40 to -8",
        "-16, or less where the limiter would take more than 3 dB",
        "integrated loudness of the rough mix",
        "-16",
    ),
    f(ROUGH, "true_peak", number(Unit::Dbtp, -9.0..=0.0), "dBTP, -9 to 0", "-1", "highest true peak", "-1"),
    f(ROUGH, "guide_level", LEVEL, "dB, -60 to 24", "0", "the client's two-mix against the drums", "0"),
    f(
        HANDOFF,
        "rate",
        whole(Unit::Hz, SampleRate::MIN as i64..=SampleRate::MAX as i64),
        "Hz, 8000 to 192000",
        "48000",
        "rate of the delivered files",
        "48000",
    ),
    f(HANDOFF, "bits", BITS, "16, 24 or 32", "24", "bits of the delivered files", "24"),
    f(
        HANDOFF,
        "names",
        Kind::Form,
        "text with {drum} or {name}, and {artist} {song} {place} {take} {rate} {bits}",
        "\"{song}_{drum}_{place}_{take}_{rate}{bits}\"",
        "how delivered files are named",
        "\"{song}_{drum}_{place}_{take}_{rate}{bits}\"",
    ),
    f(HANDOFF, "artist", Kind::Text, "text", "empty", "who the song is for, for {artist}", "\"\""),
    f(HANDOFF, "take", Kind::Text, "text", "empty", "take or comp, for {take}", "\"\""),
    f(
        HANDOFF,
        "folders",
        Kind::List,
        "five names: kit, programming, layers, guide, documents",
        "[\"Acoustic Kit\", \"Programming\", \"Sample Layers\", \"Guide\", \"Documents\"]",
        "folders of the delivery",
        "[\"Acoustic Kit\", \"Programming\", \"Sample Layers\", \"Guide\", \"Documents\"]",
    ),
    f(
        HANDOFF,
        "apply_polarity",
        Kind::Truth,
        "true or false",
        "true",
        "flip the delivered copies that are decided as invert; false = only list them",
        "true",
    ),
    f(HANDOFF, "notes", Kind::Text, "text", "empty", "what the receiver should know", "\"\""),
];

impl Field {
    /// What stands in for the field where a sheet is silent, as it would be written; `None` where no single value does.
    #[must_use]
    pub fn default_value(&self) -> Option<&'static str> {
        match self.default {
            "empty" => Some("\"\""),
            same if same == self.example.trim_matches('"') => Some(self.example),
            value if value == self.example || value.parse::<f64>().is_ok() => Some(value),
            _ => None,
        }
    }
}

/// Fields of one section, in order.
pub fn fields_of(section: &str) -> impl Iterator<Item = &'static Field> + use<'_> {
    FIELDS.iter().filter(move |f| f.section == section)
}

/// One field of one section.
pub fn field_of(section: &str, name: &str) -> Option<&'static Field> {
    fields_of(section).find(|f| f.name == name)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::song::kind::Number;
    use crate::song::{Curve, Drum, Place};

    /// A number's unit and range in the words of the page about the sheet.
    fn words(n: &Number) -> String {
        let unit = match n.unit {
            Unit::Db => "dB",
            Unit::Dbfs => "dBFS",
            Unit::Dbtp => "dBTP",
            Unit::Lufs => "LUFS",
            Unit::Ms => "ms",
            Unit::Seconds => "seconds",
            Unit::Hz => "Hz",
            Unit::PerCent => "per cent",
            Unit::Bpm => "quarter notes a minute",
            Unit::Bar => "bar number",
            Unit::Bars => "bars",
            Unit::Key => "MIDI key",
            Unit::Pan => return format!("{} (left) to {} (right)", n.least, n.most),
            Unit::Bits => {
                let (last, first) = n.only.split_last().unwrap();
                return format!("{} or {last}", first.iter().map(f64::to_string).collect::<Vec<_>>().join(", "));
            }
            Unit::Plain => return format!("whole number from {}", n.least),
        };
        let range = match n.least {
            f64::MIN_POSITIVE => " above 0, or \"m:ss\"".to_owned(),
            least => format!(", {least} to {}", n.most),
        };
        format!("{unit}{range}{}", if n.auto { ", or \"auto\"" } else { "" })
    }

    #[test]
    fn every_field_takes_in_words_what_the_reader_takes() {
        for field in FIELDS {
            let (takes, of) = (field.takes, |words: &[&str]| words.iter().any(|w| field.takes.starts_with(w)));
            let told = match &field.kind {
                Kind::Number(n) => takes == words(n),
                Kind::Truth => takes == "true or false",
                Kind::Text => takes == "text" || of(&["text, each", "text with a letter"]),
                Kind::Path => of(&["path, ", "path of a MIDI file"]),
                Kind::Paths => of(&["paths of ", "path of a folder or file, or a list of them"]),
                Kind::List => of(&["five names: "]),
                Kind::Table => of(&["table of "]),
                Kind::Word([first @ .., last]) => takes == format!("{} or {last}", first.join(", ")),
                Kind::Word([]) => false,
                Kind::Form => !of(&["path", "table", "true", "five"]) && takes != "text" && takes.contains([' ', '/']),
            };
            assert!(told, "{} {} is {:?} and says that it takes {takes}", field.section, field.name, field.kind);
        }
    }

    #[test]
    fn a_sheet_knows_the_words_of_every_drum_place_and_curve() {
        let words = |section, name| match field_of(section, name).map(|f| f.kind) {
            Some(Kind::Word(words)) => words.to_vec(),
            other => panic!("{name} is {other:?}"),
        };
        assert_eq!(words(MIC, "drum"), Drum::ALL.map(Drum::word));
        assert_eq!(words(MIC, "place"), Place::ALL.map(Place::word));
        assert_eq!(words(LAYER, "drum"), Drum::FOUND.map(Drum::word));
        assert_eq!(words(HITS, "curve"), Curve::WORDS.map(|(word, _)| word));
    }

    #[test]
    fn every_field_takes_the_kind_of_value_that_its_example_has() {
        for field in FIELDS {
            let e = field.example;
            let fits = match &field.kind {
                Kind::Number(n) => e.parse().map_or(n.auto && e == "\"auto\"", |e| n.takes(e)),
                Kind::Truth => ["true", "false"].contains(&e),
                Kind::List | Kind::Paths => e.starts_with('['),
                Kind::Table => e.starts_with('{'),
                Kind::Word(words) => words.contains(&e.trim_matches('"')),
                Kind::Text | Kind::Form | Kind::Path => e.starts_with('"'),
            };
            assert!(fits, "{} {} is taken for {:?}", field.section, field.name, field.kind);
        }
    }
}
