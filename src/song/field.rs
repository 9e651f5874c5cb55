//! Every field that a song sheet may have, once: the reader, the writer, the messages and `docs/song-sheet.md` follow it.

/// One field of a sheet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Field {
    /// Section that it belongs to, as written: `[song]`, `[[mic]]`.
    pub section: &'static str,
    /// Its name.
    pub name: &'static str,
    /// What it takes: unit and range, or the words that are allowed.
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
    takes: &'static str,
    default: &'static str,
    what: &'static str,
    example: &'static str,
) -> Field {
    Field { section, name, takes, default, what, example }
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

/// Every field of every section.
pub const FIELDS: &[Field] = &[
    f(
        SONG,
        "title",
        "text",
        "the sheet's folder name, or that of the folder above where it is only \"audio\" or the like",
        "title, for documents and file names",
        "\"Slow Harbour\"",
    ),
    f(SONG, "drummer", "text", "empty", "who plays, for documents", "\"\""),
    f(
        SONG,
        "end",
        "seconds above 0, or \"m:ss\"",
        "end of the longest mic",
        "where the song ends in the audio",
        "201.5",
    ),
    f(
        SONG,
        "leave_out",
        "paths of files or folders",
        "none",
        "recordings that lie beside those of the song and do not belong to it; any other one is pointed out",
        "[\"talk.wav\"]",
    ),
    f(TEMPO, "bpm", "quarter notes a minute, 20 to 400", "no tempo", "one tempo for the whole song", "104"),
    f(
        TEMPO,
        "file",
        "path of a MIDI file",
        "none",
        "tempo and meter changes and markers, instead of bpm and meter",
        "\"tempo.mid\"",
    ),
    f(TEMPO, "meter", "beats/note value, such as \"6/8\"", "\"4/4\"", "the meter that goes with bpm", "\"4/4\""),
    f(
        TEMPO,
        "bar_one",
        "seconds, -3600 to 86400, or \"auto\"",
        "\"auto\" = the files begin at bar 1 (MIDI tick 0)",
        "where bar 1 lies in the audio (count-in before it)",
        "\"auto\"",
    ),
    f(
        TEMPO,
        "grid",
        "1/4, 1/8, 1/16 or 1/32, with t for triplets (\"1/8t\"), or with swing (\"1/16 swing 60\")",
        "\"1/16\"",
        "the grid that strokes are compared with",
        "\"1/16\"",
    ),
    f(
        MIC,
        "name",
        "text, each name once",
        "drum and place, such as \"kick_in\"",
        "short name in reports and deliveries",
        "\"kick_in\"",
    ),
    f(
        MIC,
        "file",
        "path, relative to the sheet or absolute",
        "required",
        "the recording; it is only ever read",
        "\"kick_in.wav\"",
    ),
    f(
        MIC,
        "drum",
        "kick, snare, hat, tom, ride, cymbal, overhead, room or percussion",
        "required",
        "what the mic is meant for",
        "\"kick\"",
    ),
    f(
        MIC,
        "place",
        "close, in, out, sub, top, bottom, side, left, right, mono or stereo",
        "close",
        "where it stands; different for every mic of one kick, snare, hat or overhead",
        "\"in\"",
    ),
    f(MIC, "channel", "sum, left or right", "sum", "which side of a stereo file this mic is", "\"sum\""),
    f(
        MIC,
        "polarity",
        "undecided, keep or invert",
        "undecided",
        "your decision after `underlay phase`, which writes what is sure with `--into-sheet`",
        "\"undecided\"",
    ),
    f(
        MIC,
        "threshold",
        "dB, 0 to 40",
        "as in [hits]",
        "how far a stroke must rise above what bleed explains; more = fewer strokes",
        "8",
    ),
    f(MIC, "floor", "dBFS, -120 to 0", "as in [hits]", "quietest stroke that counts", "-48"),
    f(MIC, "min_gap", "ms, 1 to 500", "as in [hits]", "least time between two strokes", "30"),
    f(MIC, "level", "dB, -60 to 24", "by drum", "level in the rough mix", "0"),
    f(MIC, "pan", "-1 (left) to 1 (right)", "by drum and place", "pan in the rough mix", "0"),
    f(
        MIC,
        "note",
        "text",
        "empty",
        "which microphone, preamp, pad: goes into the track sheet",
        "\"large dynamic, pad in\"",
    ),
    f(
        MIC,
        "guess",
        "true or false",
        "false",
        "drum and place are only guessed, written by `underlay prep`; take the line out when you have checked them",
        "true",
    ),
    f(TRACK, "name", "text, each name once", "the file's name", "short name in reports and deliveries", "\"guide\""),
    f(
        TRACK,
        "file",
        "path, relative to the sheet or absolute",
        "required",
        "the recording; it is only ever read",
        "\"guide.wav\"",
    ),
    f(
        TRACK,
        "kind",
        "guide, programming or click",
        "required",
        "what it is: the client's rough mix, a programmed part, a click",
        "\"guide\"",
    ),
    f(TRACK, "level", "dB, -60 to 24", "by kind", "level in the rough mix against the drums", "0"),
    f(TRACK, "pan", "-1 (left) to 1 (right)", "0", "pan in the rough mix (balance of a stereo file)", "0"),
    f(SECTION, "name", "text, each name once", "required", "name of this part of the form", "\"verse 1\""),
    f(
        SECTION,
        "bar",
        "bar number, -999 to 9999",
        "the bar after the section before (1 for the first)",
        "its first bar",
        "1",
    ),
    f(SECTION, "bars", "bars, 1 to 9999", "up to the next section or the end", "how long it is", "8"),
    f(
        HITS,
        "threshold",
        "dB, 0 to 40",
        "0.5",
        "how far a stroke must rise above what bleed explains; more = fewer strokes",
        "8",
    ),
    f(HITS, "floor", "dBFS, -120 to 0", "-70", "quietest stroke that counts", "-48"),
    f(HITS, "min_gap", "ms, 1 to 500", "15", "least time between two strokes; more than 45 joins flams", "30"),
    f(
        HITS,
        "curve",
        "take, square or forty-log",
        "take",
        "how level becomes velocity: between the take's own soft and loud strokes, by the square law, or by 40 log",
        "\"take\"",
    ),
    f(HITS, "kick_key", "MIDI key, 0 to 127", "36", "key of kick triggers", "36"),
    f(HITS, "snare_key", "MIDI key, 0 to 127", "38", "key of snare triggers", "38"),
    f(
        HITS,
        "shift_ms",
        "ms, -500 to 500",
        "0",
        "moves every trigger, for samplers with latency; negative = earlier",
        "0",
    ),
    f(
        HITS,
        "pull",
        "per cent, 0 to 100",
        "0",
        "makes pulled triggers too, so far moved to the grid; 0 = as played only",
        "0",
    ),
    f(
        LAYER,
        "name",
        "text with a letter or digit, each name once",
        "required",
        "short name of the layer",
        "\"snare_fat\"",
    ),
    f(LAYER, "drum", "kick or snare", "required", "drum that it lies under", "\"snare\""),
    f(
        LAYER,
        "samples",
        "path of a folder or file, or a list of them",
        "the built-in set",
        "your one-shots",
        "[\"samples/snare\"]",
    ),
    f(
        LAYER,
        "set",
        "name of a built-in set",
        "the drum's first",
        "built-in one-shots, instead of samples",
        "\"snare\"",
    ),
    f(LAYER, "level", "dB, -60 to 24", "0", "level of the whole layer", "-6"),
    f(LAYER, "dynamics", "per cent, 0 to 100", "100", "0 = all strokes equal, 100 = as played", "100"),
    f(LAYER, "seed", "whole number from 0", "1", "another seed deals the samples out differently", "1"),
    f(LAYER, "choke", "true or false", "false", "cut each tail at the next stroke", "false"),
    f(
        LAYER,
        "sections",
        "table of section = dB or \"off\"",
        "the whole song at level",
        "level in single sections",
        "{ \"verse 1\" = -3, \"verse 2\" = \"off\" }",
    ),
    f(LAYER, "pull", "per cent, 0 to 100", "0", "how far strokes move to the grid; 0 = as played", "0"),
    f(LAYER, "pan", "-1 (left) to 1 (right)", "0", "pan in the rough mix", "0"),
    f(
        ROUGH,
        "loudness",
        "LUFS, -40 to -8",
        "-16, or less where the limiter would take more than 3 dB",
        "integrated loudness of the rough mix",
        "-16",
    ),
    f(ROUGH, "true_peak", "dBTP, -9 to 0", "-1", "highest true peak", "-1"),
    f(ROUGH, "guide_level", "dB, -60 to 24", "0", "the client's two-mix against the drums", "0"),
    f(HANDOFF, "rate", "Hz, 8000 to 192000", "48000", "rate of the delivered files", "48000"),
    f(HANDOFF, "bits", "16, 24 or 32", "24", "bits of the delivered files", "24"),
    f(
        HANDOFF,
        "names",
        "text with {drum} or {name}, and {artist} {song} {place} {take} {rate} {bits}",
        "\"{song}_{drum}_{place}_{take}_{rate}{bits}\"",
        "how delivered files are named",
        "\"{song}_{drum}_{place}_{take}_{rate}{bits}\"",
    ),
    f(HANDOFF, "artist", "text", "empty", "who the song is for, for {artist}", "\"\""),
    f(HANDOFF, "take", "text", "empty", "take or comp, for {take}", "\"\""),
    f(
        HANDOFF,
        "folders",
        "five names: kit, programming, layers, guide, documents",
        "[\"Acoustic Kit\", \"Programming\", \"Sample Layers\", \"Guide\", \"Documents\"]",
        "folders of the delivery",
        "[\"Acoustic Kit\", \"Programming\", \"Sample Layers\", \"Guide\", \"Documents\"]",
    ),
    f(
        HANDOFF,
        "apply_polarity",
        "true or false",
        "true",
        "flip the delivered copies that are decided as invert; false = only list them",
        "true",
    ),
    f(HANDOFF, "notes", "text", "empty", "what the receiver should know", "\"\""),
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
