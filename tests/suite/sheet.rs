//! The song sheet: what it may say, what is told about mistakes, and what `prep` guesses.

use crate::takes::{tempo_midi, wav};
use proptest::prelude::*;
use std::path::Path;
use underlay::hits::{FLOOR, MIN_GAP_MS, THRESHOLD};
use underlay::song::{Draft, Drum, FIELDS, Place, Role, SECTIONS, Song, Sureness, TrackKind};
use underlay::{Error, ExitCode, Quiet};

const TWO_MICS: &str = "[[mic]]\nfile = \"kick.wav\"\ndrum = \"kick\"\nplace = \"in\"\n\
                        [[mic]]\nfile = \"snare.wav\"\ndrum = \"snare\"\nplace = \"top\"\n";

/// A folder with what the sheets of these tests name.
fn studio() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    for name in ["kick.wav", "snare.wav", "guide.wav"] {
        wav(&dir.path().join(name), 48_000, 48_000);
    }
    tempo_midi(&dir.path().join("tempo.mid"), 120.0);
    dir
}

fn read(dir: &Path, text: &str) -> Result<Song, Error> {
    Song::parse(text, &dir.join("song.toml"))
}

/// The message of a sheet's mistake, without the folder's name.
fn mistake(text: &str) -> String {
    let dir = studio();
    let e = read(dir.path(), text).unwrap_err();
    assert_eq!(e.exit_code(), ExitCode::Input, "{e}");
    format!("{e} | {}", e.remedy()).replace(&format!("{}/", dir.path().display()), "")
}

#[track_caller]
fn told(text: &str, parts: &[&str]) {
    let message = mistake(text);
    for part in parts {
        assert!(message.contains(part), "{part:?} is not in {message:?}");
    }
}

#[test]
fn a_short_sheet_is_enough() {
    let dir = studio();
    let song = read(dir.path(), TWO_MICS).unwrap();
    assert_eq!(song.mics.iter().map(|m| m.name.as_str()).collect::<Vec<_>>(), ["kick_in", "snare_top"]);
    assert_eq!((song.tempo.is_none(), song.frames(), song.keys), (true, 48_000, (36, 38)));
}

#[test]
fn a_mistake_is_told_with_line_field_and_remedy() {
    told(
        &format!("{TWO_MICS}[hits]\ntreshold = 4\n"),
        &["song.toml, line 10, [hits] treshold: [hits] has no field", "Did you mean \"threshold\"?"],
    );
    told(
        "[[mic]]\nfile = \"kick.wav\"\ndrum = \"kik\"\n",
        &["line 3, [[mic]] drum", "\"kik\" is not a known drum", "Write \"kick\""],
    );
    told("[[mic]]\nfile = \"kick.wav\"\ndrum = \"banana\"\n", &["line 3", "percussion"]);
    told(&format!("{TWO_MICS}[huts]\n"), &["line 9", "no section \"huts\"", "Did you mean \"hits\"?"]);
    told(&format!("bpm = 100\n{TWO_MICS}"), &["line 1", "stands outside any section"]);
    told("[mic]\nfile = \"kick.wav\"\n", &["line 1", "two pairs: [[mic]]"]);
    told("[[mic]]\nfile = \"kick.wav\"\n", &["line 1, [[mic]] drum", "has no drum", "Add a line drum"]);
    told("[song]\ntitle = \"x\"\n", &["no mic is named", "underlay prep"]);
    told("[[mic]]\nfile = \"takes\\kick.wav\"\n", &["line 2", "Write / instead", "file = \"takes/kick.wav\""]);
    told("[song\n", &["line 1", "brackets", "Write [song]"]);
    told("[tempo]\nbpm = 100\nbpm = 101\n", &["line 3", "bpm is given twice: here and in line 2"]);
    told("[song]\ntitle = \u{201c}x\u{201d}\n", &["line 2", "curly", "Write straight ones: title = \"x\""]);
    // \n and \r are signs of their own between double quotes, so the reader of the sheet finds nothing wrong.
    told(
        "[[mic]]\nfile = \"takes\\new\\room.wav\"\ndrum = \"room\"\n",
        &["line 2, [[mic]] file", "meaning of its own", "write / instead"],
    );
    let comma = ["line 2", "this number is written with a comma", "Numbers take a decimal point: 80.5."];
    told("[tempo]\nbpm = 80,5\n", &comma);
}

#[test]
fn wrong_kinds_and_ranges_are_told() {
    told(&format!("{TWO_MICS}[hits]\nfloor = \"-40\"\n"), &["line 10, [hits] floor", "\"-40\"", "Write: floor = -40"]);
    told(&format!("{TWO_MICS}[hits]\nfloor = 4\n"), &["line 10", "4 is outside", "dBFS, -120 to 0"]);
    told(&format!("{TWO_MICS}[hits]\nkick_key = 36.5\n"), &["36.5 is not a whole number"]);
    told(&format!("{TWO_MICS}[hits]\nkick_key = 38\n"), &["both play key 38", "different keys"]);
    told(&format!("{TWO_MICS}[hits]\nthreshold = nan\n"), &["line 10", "threshold takes"]);
    told(&format!("{TWO_MICS}[handoff]\nbits = 20\n"), &["20 bits", "16, 24 or 32"]);
    told(&format!("{TWO_MICS}[handoff]\nnames = \"{{song}}_{{drumm}}\"\n"), &["{drumm} is not known", "\"drum\""]);
    told(&format!("{TWO_MICS}[handoff]\nnames = \"{{song}}_{{drum\"\n"), &["line 10", "a brace is not closed"]);
    told(&format!("{TWO_MICS}[handoff]\nfolders = [\"a\"]\n"), &["there are 1 names", "Give five"]);
    for (name, what) in [
        ("con", "cannot be stored on Windows"),
        ("Kit/nul.wavs", "cannot be stored on Windows"),
        ("Kit.", "cannot be stored on Windows"),
        ("Kit?", "holds a sign that Windows cannot store"),
        ("Kit: dry", "would leave the delivery"),
        ("../Kit", "would leave the delivery"),
        (" ", "is empty"),
    ] {
        let sheet = format!("{TWO_MICS}[handoff]\nfolders = [\"Drums/Kit\", \"{name}\", \"c\", \"d\", \"e\"]\n");
        told(&sheet, &[&format!("the folder name \"{name}\" {what}"), "as in \"Acoustic Kit\"", "[handoff] folders"]);
    }
    told(
        &format!("{TWO_MICS}[handoff]\nrate = 48.000\n"),
        &["48.000 is outside what rate can be", "Write: rate = 48000"],
    );
    told(&format!("{TWO_MICS}[hits]\ncurve = \"sqare\"\n"), &["Did you mean \"square\"?"]);
}

#[test]
fn a_name_template_that_cannot_tell_one_mic_from_another_is_told() {
    for names in ["{song}", "{song}_{place}", "{artist}_{take}_{rate}{bits}", "drum name"] {
        let sheet = format!("{TWO_MICS}[handoff]\nnames = \"{names}\"\n");
        told(
            &sheet,
            &["line 10, [handoff] names", "nothing in it tells one mic from another", "{drum} and {place}, or {name}"],
        );
    }
}

#[test]
fn tempos_that_cannot_be_are_told() {
    told(&format!("[tempo]\nbpm = 0\n{TWO_MICS}"), &["line 2, [tempo] bpm", "0 is outside", "20 to 400"]);
    told(&format!("[tempo]\nbpm = 9999\n{TWO_MICS}"), &["9999 is outside"]);
    told(
        &format!("[tempo]\nbpm = 120\nfile = \"tempo.mid\"\n{TWO_MICS}"),
        &["line 2", "given twice", "Keep one of the two"],
    );
    told(&format!("[tempo]\nmeter = \"4/4\"\nfile = \"tempo.mid\"\n{TWO_MICS}"), &["meter is given twice"]);
    told(&format!("[tempo]\nfile = \"nope.mid\"\n{TWO_MICS}"), &["line 2, [tempo] file", "nope.mid does not exist"]);
    told(&format!("[tempo]\nfile = \"kick.wav\"\n{TWO_MICS}"), &["kick.wav"]);
    told(&format!("[tempo]\nbar_one = 2\n{TWO_MICS}"), &["bar_one says nothing without a tempo"]);
    told(&format!("[tempo]\nbpm = 100\nbar_one = \"atuo\"\n{TWO_MICS}"), &["bar_one takes seconds"]);
    told(&format!("[tempo]\nbpm = 100\nmeter = \"4/5\"\n{TWO_MICS}"), &["4/5"]);
    told(&format!("[tempo]\nbpm = 100\ngrid = \"1/7\"\n{TWO_MICS}"), &["1/7", "1/16"]);
}

#[test]
fn clashing_files_and_names_are_told() {
    let twice = "[[mic]]\nfile = \"kick.wav\"\ndrum = \"kick\"\nplace = \"in\"\n\
                 [[mic]]\nname = \"k2\"\nfile = \"snare.wav\"\ndrum = \"kick\"\nplace = \"in\"\n";
    told(
        twice,
        &["line 9, [[mic]] place", "kick.wav and snare.wav are both said to be kick in", "its own place (in, out"],
    );
    let names = "[[mic]]\nname = \"a\"\nfile = \"kick.wav\"\ndrum = \"kick\"\n\
                 [[mic]]\nname = \"a\"\nfile = \"snare.wav\"\ndrum = \"snare\"\n";
    told(names, &["line 6, [[mic]] name", "already called \"a\""]);
    let file = "[[mic]]\nfile = \"kick.wav\"\ndrum = \"kick\"\n[[mic]]\nfile = \"./kick.wav\"\ndrum = \"snare\"\n";
    told(file, &["line 5, [[mic]] file", "named twice, as kick and as snare"]);
    told("[[mic]]\nfile = \"gone.wav\"\ndrum = \"kick\"\n", &["line 2, [[mic]] file", "gone.wav does not exist"]);
    told("[[mic]]\nfile = \"kick.wav\"\ndrum = \"kick\"\nchannel = \"right\"\n", &["mono file"]);
    told("[[mic]]\nname = \"../x\"\nfile = \"kick.wav\"\ndrum = \"kick\"\n", &["cannot be used as a name"]);
}

#[test]
fn a_file_of_many_channels_is_refused_with_the_remedy() {
    let dir = studio();
    let spec = hound::WavSpec {
        channels: 8,
        sample_rate: 48_000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut w = hound::WavWriter::create(dir.path().join("all.wav"), spec).unwrap();
    (0..8 * 4_800).for_each(|i| w.write_sample((i % 99) as i16).unwrap());
    w.finalize().unwrap();
    let e = read(dir.path(), "[[mic]]\nfile = \"all.wav\"\ndrum = \"kick\"\n").unwrap_err();
    assert!(e.to_string().contains("all.wav holds 8 channels"), "{e}");
    let draft = Draft::look(dir.path(), &Quiet).unwrap();
    assert!(draft.findings.iter().any(|f| f.what.contains("8 channels") && f.remedy.contains("file of its own")));
}

#[test]
fn two_toms_need_only_different_names() {
    let dir = studio();
    let toms = "[[mic]]\nname = \"tom_1\"\nfile = \"kick.wav\"\ndrum = \"tom\"\n\
                [[mic]]\nname = \"tom_2\"\nfile = \"snare.wav\"\ndrum = \"tom\"\n";
    assert_eq!(read(dir.path(), toms).unwrap().mics.len(), 2);
}

#[test]
fn the_file_of_another_rate_is_named_not_the_others() {
    let dir = studio();
    wav(&dir.path().join("room.wav"), 44_100, 44_100);
    for order in [["room", "kick", "snare"], ["kick", "snare", "room"]] {
        let sheet: String = order.iter().map(|f| format!("[[mic]]\nfile = \"{f}.wav\"\ndrum = \"{f}\"\n")).collect();
        let e = read(dir.path(), &sheet).unwrap_err();
        assert!(e.to_string().contains("room.wav is recorded at 44.1 kHz, the other mics at 48 kHz"), "{e}");
        assert!(e.remedy().contains("48 kHz"), "{}", e.remedy());
    }
}

#[test]
fn different_lengths_are_a_caution_and_not_an_error() {
    let dir = studio();
    wav(&dir.path().join("snare.wav"), 48_000, 24_000);
    let song = read(dir.path(), TWO_MICS).unwrap();
    let findings = song.findings();
    assert_eq!(findings.len(), 1);
    assert!(findings[0].what.contains("not equally long"), "{findings:?}");
    assert!(findings[0].file.as_ref().unwrap().ends_with("snare.wav"));
}

#[test]
fn sections_follow_each_other_in_bars() {
    let dir = studio();
    let form = "[tempo]\nbpm = 240\n[[section]]\nname = \"intro\"\n[[section]]\nname = \"verse\"\nbar = 2\nbars = 1\n\
                [[section]]\nname = \"end\"\n";
    // One second at 240 quarters a minute is one bar of four quarters: bars 1 only; the last section takes at least one.
    let song = read(dir.path(), &format!("{form}{TWO_MICS}")).unwrap();
    let bars: Vec<(&str, i64, i64)> = song.form.iter().map(|s| (s.name.as_str(), s.first_bar, s.end_bar)).collect();
    assert_eq!(bars, [("intro", 1, 2), ("verse", 2, 3), ("end", 3, 4)]);
    let section = |s: &str| format!("[tempo]\nbpm = 240\n{s}{TWO_MICS}");
    told(
        &section("[[section]]\nname = \"a\"\nbar = 5\n[[section]]\nname = \"b\"\nbar = 4\n"),
        &["line 8", "bar 4 still belongs to \"a\""],
    );
    told(&section("[[section]]\nname = \"a\"\n[[section]]\nname = \"a\"\nbar = 4\n"), &["\"a 1\", \"a 2\""]);
    told(&section("[[section]]\nname = \"a\"\n[[section]]\nname = \"b\"\n"), &["not said where \"b\" begins"]);
    told(&format!("[[section]]\nname = \"a\"\n{TWO_MICS}"), &["no tempo", "Add bpm or file"]);
}

#[test]
fn layers_name_sections_that_exist() {
    let sheet = |layer: &str| {
        format!(
            "[tempo]\nbpm = 240\n[[section]]\nname = \"verse\"\n[[layer]]\nname = \"fat\"\ndrum = \"snare\"\n{layer}\n{TWO_MICS}"
        )
    };
    let dir = studio();
    let song = read(dir.path(), &sheet("sections = { verse = \"off\" }\nsamples = \"one\"")).unwrap();
    assert_eq!(song.layers[0].sections, [("verse".to_owned(), None)]);
    assert_eq!(song.layers[0].samples, [dir.path().join("one")]);
    told(&sheet("sections = { chorus = 1 }"), &["line 8", "no section \"chorus\"", "verse"]);
    told(&sheet("samples = \"a\"\nset = \"b\""), &["given twice"]);
    told(&sheet("level = 40"), &["40 is outside"]);
}

#[test]
fn a_layer_is_pulled_only_where_the_song_has_a_tempo() {
    let layer = |pull: &str| format!("[[layer]]\nname = \"fat\"\ndrum = \"snare\"\npull = {pull}\n{TWO_MICS}");
    told(&layer("0.5"), &["line 4, [[layer]] pull", "the song has no tempo", "Give [tempo] a bpm or a file"]);
    let dir = studio();
    assert_eq!(read(dir.path(), &layer("0")).unwrap().layers[0].pull, 0.0);
    assert_eq!(read(dir.path(), &format!("[tempo]\nbpm = 90\n{}", layer("100"))).unwrap().layers[0].pull, 100.0);
}

#[test]
fn two_layers_are_never_printed_to_files_of_one_name() {
    let two = |first: &str, second: &str| {
        let layer = |name: &str| format!("[[layer]]\nname = '{name}'\ndrum = \"snare\"\n");
        format!("{TWO_MICS}{}{}", layer(first), layer(second))
    };
    told(&two("fat", "fat "), &["line 13, [[layer]] name", "two layers are called \"fat\""]);
    for (first, second) in [("Fat", "fAT"), ("a/b", "a\\b"), ("a:b", "a_b"), ("con", "con_layer"), ("ÄRA", "ära")] {
        let both = format!("\"{first}\" and \"{second}\" would be printed to files of one name");
        told(&two(first, second), &["line 13, [[layer]] name", &both, "differ in letters or digits"]);
    }
    let dir = studio();
    assert_eq!(read(dir.path(), &two("fat", "fat 2")).unwrap().layers.len(), 2);
}

#[test]
fn a_layers_name_has_something_to_call_its_files_by() {
    let layer = |name: &str| format!("{TWO_MICS}[[layer]]\nname = '{name}'\ndrum = \"snare\"\n");
    for empty in ["", "  ", "\t"] {
        told(&layer(empty), &["line 10, [[layer]] name: name is empty", "with a letter or digit"]);
    }
    for signs in [".", "..", "../..", "/", "\\", "*?", " - ", "🥁"] {
        let what = format!("\"{}\" leaves nothing to call the layer's files by", signs.trim());
        told(&layer(signs), &["line 10, [[layer]] name", &what, "a letter or a digit"]);
    }
    // What has a letter or a digit is made into a name that stays in its folder.
    let dir = studio();
    for fine in ["../x", "C:\\x", "/etc/x", "con", "太鼓", "7"] {
        assert_eq!(read(dir.path(), &layer(fine)).unwrap().layers[0].name, fine);
    }
}

#[test]
fn times_are_seconds_or_a_clock() {
    let dir = studio();
    let end = |text: &str| read(dir.path(), &format!("[song]\nend = {text}\n{TWO_MICS}")).map(|s| s.end.unwrap().0);
    assert_eq!(end("0.5").unwrap(), 0.5);
    assert_eq!(end("\"1:02.5\"").unwrap(), 62.5);
    assert_eq!(end("\"0:01:02.5\"").unwrap(), 62.5);
    assert!(end("-1").is_err() && end("\"x:y\"").is_err() && end("\"\"").is_err());
    for slip in ["3:75", "1e1:00", "1:60:00", "1:5.5:00", "+1:00", "1:", ":30", "1:00:00:00", "1:inf", "1:-5"] {
        assert!(end(&format!("\"{slip}\"")).is_err(), "{slip}");
    }
}

/// An end far behind the recordings is a slip of the pen (400000 for 400.000), and would fill the disk with silence.
#[test]
fn an_end_more_than_an_hour_behind_the_recordings_is_a_mistake_and_an_hour_of_silence_is_not() {
    let dir = studio();
    let longest = read(dir.path(), TWO_MICS).unwrap().frames() as f64 / 48_000.0;
    let with = |end: f64| format!("[song]\nend = {end}\n{TWO_MICS}");
    let song = read(dir.path(), &with(longest + 3_599.0)).unwrap();
    assert_eq!(song.end.unwrap().0, longest + 3_599.0);
    assert!(read(dir.path(), &with(longest + 3_601.0)).is_err());
    for end in ["\"500:00\"", "4000"] {
        told(
            &format!("[song]\nend = {end}\n{TWO_MICS}"),
            &["line 2", "[song] end", "the song would end at", "the longest recording ends at", "Check the end"],
        );
    }
}

/// A sheet that holds one field at its example value, and whatever it needs beside it.
fn sheet_with(section: &str, name: &str, example: &str) -> String {
    let line = format!("{name} = {example}\n");
    match section {
        "[[mic]]" => {
            let other = |n: &str, l: &str| if n == name { String::new() } else { l.to_owned() };
            let file = if name == "file" { "file = \"kick.wav\"\n".to_owned() } else { line };
            format!("[[mic]]\n{}{}{file}", other("file", "file = \"kick.wav\"\n"), other("drum", "drum = \"kick\"\n"))
        }
        "[[track]]" => {
            let other = |n: &str, l: &str| if n == name { String::new() } else { l.to_owned() };
            format!(
                "[[track]]\n{}{}{line}{TWO_MICS}",
                other("file", "file = \"guide.wav\"\n"),
                other("kind", "kind = \"guide\"\n")
            )
        }
        "[[section]]" => {
            let named = if name == "name" { "" } else { "name = \"a\"\n" };
            format!("[tempo]\nbpm = 100\n[[section]]\n{named}{line}{TWO_MICS}")
        }
        "[[layer]]" => {
            let other = |n: &str, l: &str| if n == name { String::new() } else { l.to_owned() };
            format!(
                "[tempo]\nbpm = 100\n[[section]]\nname = \"verse 1\"\n[[section]]\nbar = 5\nname = \"verse 2\"\n[[layer]]\n{}{}{line}{TWO_MICS}",
                other("name", "name = \"x\"\n"),
                other("drum", "drum = \"snare\"\n")
            )
        }
        "[tempo]" if name == "meter" || name == "bar_one" => format!("[tempo]\nbpm = 100\n{line}{TWO_MICS}"),
        _ => format!("{section}\n{line}{TWO_MICS}"),
    }
}

#[test]
fn every_documented_field_is_understood_and_none_is_optional_by_accident() {
    let dir = studio();
    for field in FIELDS {
        let sheet = sheet_with(field.section, field.name, field.example);
        read(dir.path(), &sheet).unwrap_or_else(|e| panic!("{} {}: {e}\n{sheet}", field.section, field.name));
        if field.default == "required" {
            let without = sheet.lines().filter(|l| !l.starts_with(&format!("{} =", field.name))).collect::<Vec<_>>();
            assert!(read(dir.path(), &without.join("\n")).is_err(), "{} {}", field.section, field.name);
        }
    }
    assert!(FIELDS.iter().all(|f| SECTIONS.contains(&f.section)));
}

#[test]
fn the_page_about_the_sheet_has_every_field_with_range_and_default() {
    let page = include_str!("../../docs/song-sheet.md");
    for field in FIELDS {
        let row = format!("| `{}` | {} | {} | {} |", field.name, field.what, field.takes, field.default);
        let part = page.split("\n## ").find(|p| p.starts_with(&format!("`{}`", field.section)));
        let part = part.unwrap_or_else(|| panic!("no heading for {}", field.section));
        assert!(part.contains(&row), "docs/song-sheet.md lacks under {}:\n{row}", field.section);
    }
    let rows = page.lines().filter(|l| l.starts_with("| `")).count();
    assert_eq!(rows, FIELDS.len(), "docs/song-sheet.md has rows for fields that do not exist");
}

#[test]
fn the_sheet_the_page_and_the_help_name_the_defaults_that_the_finder_has() {
    let (dir, draft) = prep(&["Kick.wav", "Snare.wav"]);
    let sheet = draft.to_text(&dir.path().join("song.toml"));
    let mut command = underlay::cli::definition();
    let help = command.find_subcommand_mut("hits").unwrap().render_long_help().to_string();
    for (name, value) in [("threshold", THRESHOLD), ("floor", FLOOR.0), ("min_gap", MIN_GAP_MS)] {
        let field = FIELDS.iter().find(|f| f.section == "[hits]" && f.name == name).unwrap();
        assert_eq!(field.default, value.to_string(), "{name}");
        assert!(sheet.contains(&format!("\n# {name} = {value} ")), "{name} in {sheet}");
        let option = help.split("--").find(|o| o.starts_with(&format!("{} <", name.replace('_', "-")))).unwrap();
        assert!(option.contains(&format!("[default: {value}]")), "{option}");
    }
}

#[test]
fn what_a_fresh_sheet_shows_behind_a_hash_counts_without_it_or_is_called_an_example() {
    let (dir, draft) = prep(&["Kick.wav", "Snare.wav"]);
    let sheet = dir.path().join("song.toml");
    let text = draft.to_text(&sheet).replace("\n# bpm = ", "\nbpm = ");
    let is_field = |l: &&str| l.starts_with("# ") && l.contains(" = ") && l[2..].contains(" # ");
    for line in text.lines().filter(is_field) {
        let name = line[2..].split(' ').next().unwrap();
        let field = FIELDS.iter().filter(|f| f.name == name && line.contains(f.what)).collect::<Vec<_>>();
        let told = line.contains("; an example, without it: ");
        assert!(field.iter().any(|f| told != f.default_value().is_some()), "{line}");
    }
    // Every value that is called the default is one that the sheet takes.
    let plain = Song::parse(&text, &sheet).unwrap();
    for line in text.lines().filter(is_field).filter(|l| !l.contains("; an example")) {
        let set = text.replace(line, &line[2..]);
        let song = Song::parse(&set, &sheet).unwrap_or_else(|e| panic!("{line}: {e}"));
        let finder = ["# threshold", "# floor", "# min_gap"].iter().any(|f| line.starts_with(f));
        let same = Song { finder: plain.finder, ..song.clone() };
        assert!(finder || song.finder == plain.finder, "{line}");
        assert_eq!(same, plain, "{line}");
    }
}

#[test]
fn the_example_on_the_page_is_a_sheet() {
    let page = include_str!("../../docs/song-sheet.md");
    let example = page.split("```toml\n").nth(1).and_then(|r| r.split("```").next()).unwrap();
    let dir = studio();
    std::fs::create_dir(dir.path().join("takes")).unwrap();
    for name in ["kick_in", "snare_top", "snare_bottom", "overheads", "rough_mix"] {
        wav(&dir.path().join(format!("takes/{name}.wav")), 48_000, 48_000 * 120);
    }
    let song = read(dir.path(), example).unwrap();
    assert!(song.mics.len() >= 4 && !song.form.is_empty() && !song.layers.is_empty());
}

fn prep(names: &[&str]) -> (tempfile::TempDir, Draft) {
    let dir = tempfile::tempdir().unwrap();
    for name in names {
        wav(&dir.path().join(name), 48_000, 4_800);
    }
    let draft = Draft::look(dir.path(), &Quiet).unwrap();
    (dir, draft)
}

#[test]
fn what_prep_writes_is_a_sheet_with_the_same_roles() {
    let (dir, draft) = prep(&[
        "01 Kick In.wav",
        "02 Kick Out.wav",
        "Snr Top.wav",
        "SN_BTM.wav",
        "OHL.wav",
        "OHR.wav",
        "Tom1.wav",
        "Tom 2.wav",
        "Room.wav",
        "2mix.wav",
        "Click.wav",
        "Bass DI.wav",
        "say \"hi\" äöü 🥁 kick sub.wav",
    ]);
    std::fs::create_dir(dir.path().join("elsewhere")).unwrap();
    for sheet in [dir.path().join("song.toml"), dir.path().join("elsewhere/song.toml")] {
        let song = Song::parse(&draft.to_text(&sheet), &sheet).unwrap();
        for mic in &song.mics {
            let guess = draft.files.iter().find(|g| g.name == mic.name).unwrap();
            assert_eq!(guess.role, Role::Mic(mic.drum, mic.place));
        }
        assert_eq!((song.mics.len(), song.tracks.len()), (10, 2));
        assert_eq!(song.mics[0].place, Place::In);
    }
}

#[test]
fn two_files_of_one_role_get_two_places_and_are_said_to_be_guesses() {
    let (dir, draft) = prep(&["Kick 1.wav", "Kick 2.wav", "Snare.wav", "Snare bottom.wav", "OH 1.wav", "OH 2.wav"]);
    let role = |name: &str| draft.files.iter().find(|g| g.info.path.ends_with(name)).map(|g| (g.role, g.sure)).unwrap();
    assert_eq!(role("Kick 1.wav"), (Role::Mic(Drum::Kick, Place::In), Sureness::Guess));
    assert_eq!(role("Kick 2.wav"), (Role::Mic(Drum::Kick, Place::Out), Sureness::Guess));
    assert_eq!(role("Snare.wav"), (Role::Mic(Drum::Snare, Place::Top), Sureness::Likely));
    assert_eq!(role("OH 2.wav"), (Role::Mic(Drum::Overhead, Place::Right), Sureness::Guess));
    let sheet = dir.path().join("song.toml");
    assert!(Song::parse(&draft.to_text(&sheet), &sheet).is_ok());
}

#[test]
fn a_folder_without_kick_says_how_to_name_it() {
    let (_dir, draft) = prep(&["Snare Top.wav", "OH L.wav"]);
    assert_eq!(draft.findings.len(), 1);
    assert!(draft.findings[0].what.contains("kick") && draft.findings[0].remedy.contains("drum = \"kick\""));
}

#[test]
fn nameless_files_are_told_apart_by_sound() {
    let dir = tempfile::tempdir().unwrap();
    for (name, hz, noise) in [("Audio 1.wav", 60.0, 0.0), ("Audio 2.wav", 200.0, 0.1)] {
        crate::takes::strokes(&dir.path().join(name), hz, noise, 0.25, 6.0);
    }
    let draft = Draft::look(dir.path(), &Quiet).unwrap();
    let roles: Vec<_> = draft.files.iter().map(|g| (g.role, g.sure)).collect();
    assert_eq!(
        roles,
        [
            (Role::Mic(Drum::Kick, Place::Close), Sureness::Guess),
            (Role::Mic(Drum::Snare, Place::Close), Sureness::Guess)
        ]
    );
}

#[test]
fn tracks_are_not_taken_for_mics() {
    let (_dir, draft) = prep(&["Kick.wav", "Snare.wav", "Shaker.wav", "Rough Mix.wav", "Klick.wav", "Vox.wav"]);
    let role = |name: &str| draft.files.iter().find(|g| g.info.path.ends_with(name)).map(|g| g.role).unwrap();
    assert_eq!(role("Shaker.wav"), Role::Track(TrackKind::Programming));
    assert_eq!(role("Rough Mix.wav"), Role::Track(TrackKind::Guide));
    assert_eq!(role("Klick.wav"), Role::Track(TrackKind::Click));
    assert_eq!(role("Vox.wav"), Role::NotDrums);
}

#[test]
fn the_tempo_file_is_taken_up_and_our_own_triggers_are_not() {
    let dir = tempfile::tempdir().unwrap();
    wav(&dir.path().join("Kick.wav"), 48_000, 4_800);
    wav(&dir.path().join("Snare.wav"), 48_000, 4_800);
    for own in ["kick", "kick_on_grid", "triggers_on_grid", "moves", "kick_layer", "Song_Triggers"] {
        tempo_midi(&dir.path().join(format!("{own}.mid")), 90.0);
    }
    assert_eq!(Draft::look(dir.path(), &Quiet).unwrap().tempo, None);
    tempo_midi(&dir.path().join("a song.mid"), 120.0);
    tempo_midi(&dir.path().join("tempo map.mid"), 120.0);
    std::fs::write(dir.path().join("broken tempo.mid"), b"MThd").unwrap();
    let draft = Draft::look(dir.path(), &Quiet).unwrap();
    assert!(draft.tempo.as_ref().unwrap().ends_with("tempo map.mid"));
    let said: Vec<&str> = draft.findings.iter().map(|f| f.what.as_str()).collect();
    assert!(said.iter().any(|w| w.contains("left out") && w.contains("damaged")), "{said:?}");
    assert!(said.iter().any(|w| w.contains("a song.mid")), "{said:?}");
}

#[test]
fn mics_of_another_rate_and_broken_files_are_left_out_and_said() {
    let dir = tempfile::tempdir().unwrap();
    for name in ["Kick.wav", "Snare.wav", "Hat.wav"] {
        wav(&dir.path().join(name), 48_000, 4_800);
    }
    wav(&dir.path().join("Room.wav"), 44_100, 4_410);
    std::fs::write(dir.path().join("Ride.wav"), b"not audio").unwrap();
    let draft = Draft::look(dir.path(), &Quiet).unwrap();
    let said: Vec<String> = draft.findings.iter().map(|f| format!("{:?} {}", f.file, f.what)).collect();
    assert!(said.iter().any(|w| w.contains("Room.wav") && w.contains("44.1 kHz")), "{said:?}");
    assert!(said.iter().any(|w| w.contains("Ride.wav")), "{said:?}");
    let sheet = dir.path().join("song.toml");
    assert_eq!(Song::parse(&draft.to_text(&sheet), &sheet).unwrap().mics.len(), 3);
}

#[test]
fn markers_of_the_tempo_file_are_the_form_until_the_sheet_has_one() {
    let dir = studio();
    // Standard MIDI File 1.0: marker events FF 06, 960 ticks a quarter; "a" at 0, "b" at the second quarter.
    let mut bytes = b"MThd\0\0\0\x06\0\0\0\x01\x03\xc0MTrk\0\0\0\x16".to_vec();
    bytes.extend_from_slice(b"\0\xff\x51\x03\x03\xd0\x90\0\xff\x06\x01a\x9e\x00\xff\x06\x01b\0\xff\x2f\0");
    let length = (bytes.len() - 22) as u8;
    bytes[21] = length;
    std::fs::write(dir.path().join("tempo.mid"), bytes).unwrap();
    let song = read(dir.path(), &format!("[tempo]\nfile = \"tempo.mid\"\n{TWO_MICS}")).unwrap();
    // The files last one second: at 240 quarters a minute that is bar 1 alone, so only the first marker is in the song.
    let form: Vec<(&str, i64, i64)> = song.form.iter().map(|s| (s.name.as_str(), s.first_bar, s.end_bar)).collect();
    assert_eq!(form, [("a", 1, 2)]);
    let draft = Draft::look(dir.path(), &Quiet).unwrap();
    assert_eq!(draft.form, song.form);
    let sheet = dir.path().join("x.toml");
    let text = draft.to_text(&sheet);
    assert!(text.contains("[[section]]\nname = \"a\"\nbar = 1\nbars = 1\n"), "{text}");
    assert_eq!(Song::parse(&text, &sheet).unwrap().form, song.form);
}

#[test]
fn a_song_without_a_title_is_called_as_its_folder_however_that_is_named() {
    let (dir, draft) = prep(&["Kick.wav", "Snare.wav"]);
    let name = dir.path().file_name().unwrap().to_string_lossy().into_owned();
    for folder in [dir.path().to_owned(), dir.path().join(".")] {
        let draft = Draft { folder: folder.clone(), ..draft.clone() };
        assert!(draft.to_text(&folder.join("song.toml")).contains(&format!("title = \"{name}\"")));
    }
}

#[test]
fn prep_fills_in_the_delivery_and_layers_from_one_shots_that_lie_there() {
    let (dir, draft) = prep(&["Kick.wav", "Snare.wav"]);
    let sheet = dir.path().join("song.toml");
    let text = draft.to_text(&sheet);
    let song = Song::parse(&text, &sheet).unwrap();
    assert!(song.layers.is_empty(), "nobody asked for a layer");
    assert_eq!(song.handoff, underlay::song::HandoffPlan::default());
    for line in ["rate = 48000", "bits = 24", "notes = \"\"", "apply_polarity = true"] {
        assert!(text.lines().any(|l| l.starts_with(line)), "{line} in {text}");
    }
    // The layers that are only proposed become layers when their # is taken away.
    let is_layer = |l: &str| ["# [[layer]]", "# name = ", "# drum = "].iter().any(|w| l.starts_with(w));
    let on: Vec<&str> = text.lines().map(|l| if is_layer(l) { &l[2..] } else { l }).collect();
    let on = on.join("\n").replace("\nname = \"verse 1\"", "");
    let names: Vec<String> = Song::parse(&on, &sheet).unwrap().layers.into_iter().map(|l| l.name).collect();
    assert_eq!(names, ["kick_layer", "snare_layer"]);

    std::fs::create_dir_all(dir.path().join("Samples/Snare fat")).unwrap();
    wav(&dir.path().join("Samples/Snare fat/1.wav"), 48_000, 4_800);
    std::fs::create_dir_all(dir.path().join("Samples/kick")).unwrap();
    let draft = Draft::look(dir.path(), &Quiet).unwrap();
    let layers = Song::parse(&draft.to_text(&sheet), &sheet).unwrap().layers;
    assert_eq!(layers.len(), 1, "an empty folder is no set");
    assert_eq!((layers[0].drum, &layers[0].samples), (Drum::Snare, &vec![dir.path().join("Samples/Snare fat")]));
}

#[cfg(unix)]
#[test]
fn links_are_followed_and_stay_links_in_the_sheet() {
    let dir = tempfile::tempdir().unwrap();
    let (real, links) = (dir.path().join("real"), dir.path().join("links"));
    std::fs::create_dir_all(&real).unwrap();
    std::fs::create_dir_all(&links).unwrap();
    for name in ["kick_in.wav", "snare_top.wav"] {
        wav(&real.join(name), 48_000, 4_800);
        std::os::unix::fs::symlink(real.join(name), links.join(name)).unwrap();
    }
    let sheet = dir.path().join("song.toml");
    let text = Draft::look(&links, &Quiet).unwrap().to_text(&sheet);
    assert!(text.contains("file = \"links/kick_in.wav\""), "{text}");
    assert!(Song::parse(&text, &sheet).is_ok());
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever stands in a sheet, reading it ends, and a refusal names the sheet and a remedy.
    #[test]
    fn no_text_breaks_the_reader(text in "\\PC{0,200}|(\\[\\[?(mic|hits|tempo|section)\\]\\]?\n([a-z_]{1,9} = (-?[0-9]{1,9}|\"[a-z/.]{0,9}\"|true|\\[\\])\n){0,3}){0,4}") {
        if let Err(e) = Song::parse(&text, Path::new("song.toml")) {
            prop_assert!(!e.remedy().is_empty());
            prop_assert!(e.to_string().contains(".toml") || e.to_string().contains(".wav"), "{}", e);
        }
    }

    /// Any file names at all give a sheet that reads back.
    #[test]
    fn any_names_give_a_sheet_that_reads(names in proptest::collection::btree_set("(kick|snare|oh|room|tom|hat|x)?[ _-]?(in|out|top|l|r|1|2|)[a-zäß\"' #=\\[\\]]{0,4}", 1..7)) {
        let dir = tempfile::tempdir().unwrap();
        for name in &names {
            wav(&dir.path().join(format!("{name}.wav")), 8_000, 800);
        }
        let sheet = dir.path().join("song.toml");
        let draft = Draft::look(dir.path(), &Quiet);
        if let Ok(draft) = draft {
            let text = draft.to_text(&sheet);
            let mics = draft.files.iter().filter(|g| matches!(g.role, Role::Mic(..))).count();
            match Song::parse(&text, &sheet) {
                Ok(song) => prop_assert_eq!(song.mics.len(), mics),
                Err(e) => prop_assert!(mics == 0, "{}\n{}", e, text),
            }
        }
    }
}

#[test]
fn a_copy_comes_behind_its_original_and_is_said_to_be_the_same_recording() {
    for copy in ["kick_in-Kopie.wav", "kick_in copy.wav", "Copy of kick_in.wav", "kick_in (2).wav", "kick_in_2.wav"] {
        let dir = tempfile::tempdir().unwrap();
        crate::takes::strokes(&dir.path().join("kick_in.wav"), 60.0, 0.0, 0.25, 6.0);
        crate::takes::strokes(&dir.path().join("snare.wav"), 200.0, 0.1, 0.0, 6.0);
        std::fs::copy(dir.path().join("kick_in.wav"), dir.path().join(copy)).unwrap();
        let draft = Draft::look(dir.path(), &Quiet).unwrap();
        let first = &draft.files[0];
        assert!(first.info.path.ends_with("kick_in.wav"), "{copy}: {:?}", first.info.path);
        assert_eq!(first.role, Role::Mic(Drum::Kick, Place::In), "{copy}");
        let same: Vec<_> =
            draft.findings.iter().filter(|f| f.what.contains("the same recording as kick_in.wav")).collect();
        assert_eq!(same.len(), 1, "{copy}: {:?}", draft.findings);
        assert!(same[0].file.as_ref().unwrap().ends_with(copy), "{copy}");
    }
}

#[test]
fn mics_that_are_silent_or_only_begin_alike_are_no_copies() {
    let dir = tempfile::tempdir().unwrap();
    for (name, hz) in [("kick.wav", 60.0), ("snare.wav", 200.0)] {
        // Both begin with a second of silence.
        crate::takes::strokes(&dir.path().join(name), hz, 0.0, 1.0, 6.0);
    }
    for name in ["hat.wav", "ride.wav"] {
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: 48_000,
            bits_per_sample: 24,
            sample_format: hound::SampleFormat::Int,
        };
        let mut wav = hound::WavWriter::create(dir.path().join(name), spec).unwrap();
        (0..48_000).for_each(|_| wav.write_sample(0).unwrap());
        wav.finalize().unwrap();
    }
    let draft = Draft::look(dir.path(), &Quiet).unwrap();
    assert!(draft.findings.iter().all(|f| !f.what.contains("same recording")), "{:?}", draft.findings);
}
