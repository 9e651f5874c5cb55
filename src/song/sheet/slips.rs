//! Slips of the pen that make a sheet unreadable, told with what to write instead.
//!
//! In: the sheet's text, and where and how the reader stumbled. Out: what is wrong in plain words, and a line that can be
//! copied wherever one follows from what is there; every such line has been read and found good.

use super::bare;
use super::meant;
use crate::song::Kind;
use crate::song::field::{FIELDS, Field, SECTIONS, fields_of};
use crate::song::spelling::{did_you_mean, nearest};
use toml::de::DeTable;

/// What is wrong, and what to do.
pub(super) type Slip = (String, String);

/// Quotes that word processors and messengers put in place of straight ones: double, then single.
const CURLY: [char; 8] =
    ['\u{201c}', '\u{201d}', '\u{201e}', '\u{201f}', '\u{2018}', '\u{2019}', '\u{201a}', '\u{201b}'];

/// What is wrong with a sheet that the reader could not go on with at byte `at`, where it said `message`.
pub(super) fn slip(text: &str, at: usize, message: &str) -> Slip {
    let start = text.get(..at).and_then(|t| t.rfind('\n')).map_or(0, |n| n + 1);
    let line = text.get(start..).unwrap_or_default().lines().next().unwrap_or_default().trim();
    let before = text.get(..start).unwrap_or_default();
    if message.contains("duplicate key") {
        return twice(before, line, text.get(at..).unwrap_or_default());
    }
    let section = section_of(before);
    let slip = [curly, backslash, heading, two_in_one]
        .into_iter()
        .find_map(|slip| slip(line))
        .or_else(|| unquoted(section, line))
        .or_else(|| two_texts(section, line))
        .or_else(|| [open_quote, inner_quote, no_sign].into_iter().find_map(|slip| slip(line)))
        .or_else(|| open_list(before, message));
    slip.unwrap_or_else(|| {
        (
            "this line cannot be understood".into(),
            "A line is `name = value`; text stands in double quotes, and a section's name in brackets.".into(),
        )
    })
}

/// A line, if it can be read.
fn read(line: String) -> Option<String> {
    DeTable::parse(&line).is_ok().then_some(line)
}

/// Name and value of a line `name = value`, its comment taken off where no quote stands in it.
fn entry(line: &str) -> Option<(&str, &str)> {
    let (name, value) = line.split_once('=')?;
    let value = if value.contains(['"', '\'']) { value } else { value.split('#').next().unwrap_or(value) };
    Some((name.trim(), value.trim())).filter(|(name, _)| is_word(name))
}

fn is_word(text: &str) -> bool {
    !text.is_empty() && text.chars().all(in_names)
}

/// Whether a letter may stand in a field's name.
fn in_names(c: char) -> bool {
    c.is_ascii_alphanumeric() || matches!(c, '_' | '-')
}

/// The section that a line behind this text belongs to.
fn section_of(before: &str) -> Option<&'static str> {
    let heading = before.lines().map(str::trim).rfind(|l| l.starts_with('['))?;
    let name = bare(heading.split('#').next().unwrap_or(heading).trim());
    SECTIONS.into_iter().find(|s| bare(s) == name)
}

/// The field of this name; above the first section the first one of any section.
fn field_of(section: Option<&str>, name: &str) -> Option<&'static Field> {
    FIELDS.iter().find(|f| f.name == name && section.is_none_or(|s| f.section == s))
}

/// A name or a section that is there twice. `from` begins with the second.
fn twice(before: &str, line: &str, from: &str) -> Slip {
    let earlier = |is: &dyn Fn(&str) -> bool| before.lines().enumerate().filter(|(_, l)| is(l.trim())).last();
    if line.starts_with('[') {
        let name = bare(line.split('#').next().unwrap_or(line).trim());
        let heading = |l: &str| l.starts_with('[') && bare(l.split('#').next().unwrap_or(l).trim()) == name;
        let place = earlier(&heading).map_or_else(String::new, |(n, _)| format!(" in line {}", n + 1));
        if SECTIONS.contains(&format!("[[{name}]]").as_str()) {
            return (
                format!(
                    "[[{name}]] is written with two pairs of brackets here and with one{place}, or the other way round"
                ),
                format!("There may be several, so write two pairs each time: [[{name}]]."),
            );
        }
        return (
            format!("the section [{name}] is already there{place}"),
            format!("Move the lines below this heading up to the first [{name}], and take this heading out."),
        );
    }
    let name: String = from.chars().take_while(|c| in_names(*c)).collect();
    let given = |l: &str| l.split_once('=').is_some_and(|(n, _)| n.trim() == name);
    // A name counts within its section.
    let heading = earlier(&|l| l.starts_with('[')).map_or(0, |(n, _)| n);
    match earlier(&given).filter(|(n, _)| *n >= heading) {
        Some((n, _)) => (
            format!("{name} is given twice: here and in line {}", n + 1),
            "Keep the line that is right, and take the other one out.".into(),
        ),
        None => (format!("{name} is given twice in this line"), "Keep the one that is right.".into()),
    }
}

/// Quotes that are not straight.
fn curly(line: &str) -> Option<Slip> {
    let (_, value) = entry(line)?;
    let straight = value.matches('"').count();
    let meant = value.contains(&CURLY[..4]) && (straight == 0 || straight % 2 == 1);
    if !meant && !value.starts_with(CURLY) {
        return None;
    }
    let what = "the quotes are curly ones, as word processors write them".to_owned();
    // An apostrophe inside double quotes may stay.
    let straight = |chars: &[char]| {
        let text: String = line.chars().map(|c| if chars.contains(&c) { '"' } else { c }).collect();
        read(text)
    };
    let remedy = match straight(&CURLY[..4]).or_else(|| straight(&CURLY)) {
        Some(line) => format!("Write straight ones: {line}"),
        None => "Write straight ones: \" at the beginning and at the end of the text.".into(),
    };
    Some((what, remedy))
}

/// A path with `\` between double quotes.
fn backslash(line: &str) -> Option<Slip> {
    let (_, value) = entry(line)?;
    if !value.contains('\\') || !value.contains('"') {
        return None;
    }
    let slashes = read(line.replace('\\', "/"));
    let remedy = slashes.map_or_else(
        || "In paths write / instead of \\.".to_owned(),
        |line| format!("Write / instead, which works everywhere: {line}"),
    );
    Some((BACKSLASH.into(), remedy))
}

/// What is said of `\` between double quotes.
pub(super) const BACKSLASH: &str = "a \\ between double quotes has a meaning of its own and cannot part folders";

/// A section's name that is not closed, or not alone in its line.
fn heading(line: &str) -> Option<Slip> {
    if read(line.to_owned()).is_some() {
        return None;
    }
    let inner: String = line.strip_prefix('[')?.chars().filter(|c| c.is_ascii_alphanumeric()).collect();
    let meant = SECTIONS.into_iter().find(|s| inner.starts_with(bare(s)))?;
    Some(("the brackets round this section's name do not fit".into(), format!("Write {meant} on a line of its own.")))
}

/// Text without quotes, a number with its unit or a comma, or nothing at all.
fn unquoted(section: Option<&'static str>, line: &str) -> Option<Slip> {
    let (name, value) = entry(line)?;
    if value.is_empty() {
        return Some((
            format!("nothing stands behind {name} ="),
            "Write a value behind it, or take the line out.".into(),
        ));
    }
    let listed = value.starts_with('[') && !value.contains(['"', '\'']);
    if value.starts_with(['"', '\'', '{']) || (value.starts_with('[') && !listed) || read(line.to_owned()).is_some() {
        return None;
    }
    let Some(field) = field_of(section, name) else {
        let known: Vec<&str> = section.into_iter().flat_map(fields_of).map(|f| f.name).collect();
        let what = format!("{} has no field \"{name}\"", section.unwrap_or("a sheet"));
        return Some((what, did_you_mean(name, &known)));
    };
    let write = |value: String| read(format!("{name} = {value}"));
    let text = value.trim_end_matches(['"', '\'']);
    let takes = |what: &str| (what.to_owned(), format!("{name} takes {}.", field.takes));
    Some(match &field.kind {
        Kind::Number(n) if text == "auto" && n.auto => {
            ("this text lacks its quotes".into(), format!("Write: {}", write("\"auto\"".into())?))
        }
        Kind::Number(n) => match meant::number(n, value).and_then(write) {
            Some(line) if value.contains(':') => {
                ("a time with a colon is no number".into(), format!("Write it in seconds: {line}"))
            }
            Some(line) if value.contains(',') => {
                let number = line.rsplit(' ').next().filter(|n| n.contains('.'));
                let remedy = number.map_or(format!("Write: {line}"), |n| format!("Numbers take a decimal point: {n}."));
                ("this number is written with a comma".into(), remedy)
            }
            Some(line) => ("a number stands alone, without even its unit".into(), format!("Write: {line}")),
            None => takes("this is no number that can be read"),
        },
        Kind::Truth => match meant::truth(value) {
            Some(truth) => (format!("{name} is true or false"), format!("Write: {}", write(truth.to_string())?)),
            None => takes("this is neither true nor false"),
        },
        Kind::List | Kind::Paths => match meant::list(value).and_then(write) {
            Some(line) => ("these texts lack their quotes".into(), format!("Write: {line}")),
            None => takes("these texts lack their quotes"),
        },
        Kind::Table => takes("this is no table"),
        Kind::Text | Kind::Word(_) | Kind::Form | Kind::Path if listed => takes("this text lacks its quotes"),
        Kind::Word(words) if !words.contains(&text) => {
            let what = format!("this text lacks its quotes, and \"{text}\" is not a known {name}");
            let meant = nearest(text, words.iter().copied()).and_then(|word| write(format!("\"{word}\"")));
            let write = meant.map_or_else(String::new, |line| format!("Write: {line}. "));
            (what, format!("{write}Known here: {}.", words.join(", ")))
        }
        Kind::Text | Kind::Word(_) | Kind::Form | Kind::Path => match write(format!("\"{text}\"")) {
            Some(line) => ("this text lacks its quotes".into(), format!("Write: {line}")),
            None if field.kind == Kind::Text => return None,
            None => takes("this text lacks its quotes"),
        },
    })
}

/// Several texts behind one name.
fn two_texts(section: Option<&'static str>, line: &str) -> Option<Slip> {
    let (name, value) = entry(line)?;
    let quote = value.chars().next().filter(|c| matches!(c, '"' | '\''))?;
    let (value, _) = value.rsplit_once(quote)?;
    // What stands outside the quotes: before the first, between two texts, and so on.
    let pieces: Vec<&str> = value.split(quote).collect();
    let outside = |t: &&str| t.chars().all(|c| c.is_whitespace() || matches!(c, ',' | ';'));
    if pieces.len() < 4 || pieces.len() % 2 == 1 || !pieces.iter().step_by(2).all(outside) {
        return None;
    }
    let texts: Vec<String> = pieces.iter().skip(1).step_by(2).map(|t| format!("{quote}{t}{quote}")).collect();
    let list = field_of(section, name).is_some_and(|f| f.kind.is_list());
    let line = read(format!("{name} = [{}]", texts.join(", "))).filter(|_| list);
    let remedy = line.map_or_else(|| "Keep the one that is right.".to_owned(), |line| format!("Write: {line}"));
    Some((format!("there are {} texts behind {name} =", texts.len()), remedy))
}

/// Text whose quote is not closed.
fn open_quote(line: &str) -> Option<Slip> {
    let (_, value) = entry(line)?;
    let quote = value.chars().next().filter(|c| matches!(c, '"' | '\''))?;
    if value.matches(quote).count() != 1 {
        return None;
    }
    let (text, comment) = line.split_once(" #").map_or((line, None), |(t, c)| (t.trim_end(), Some(c)));
    let closed = read(match comment {
        Some(comment) => format!("{text}{quote} #{comment}"),
        None => format!("{text}{quote}"),
    })?;
    Some((format!("the text begins with {quote} and does not end with it"), format!("Write: {closed}")))
}

/// Text that holds the quote that it stands in.
fn inner_quote(line: &str) -> Option<Slip> {
    let (name, value) = entry(line)?;
    let quote = value.chars().next().filter(|c| matches!(c, '"' | '\''))?;
    let inner = value.strip_prefix(quote)?.strip_suffix(quote)?;
    let other = if quote == '"' { '\'' } else { '"' };
    if !inner.contains(quote) || inner.contains(['=', ',']) {
        return None;
    }
    let line = read(format!("{name} = {other}{inner}{other}"))?;
    Some((format!("there is a {quote} within the text, which ends it"), format!("Write: {line}")))
}

/// Two entries in one line.
fn two_in_one(line: &str) -> Option<Slip> {
    let (_, value) = entry(line)?;
    let (first, _) = value.rsplit_once('=')?;
    let (first, name) = first.trim_end().rsplit_once(char::is_whitespace)?;
    let known = FIELDS.iter().any(|f| f.name == name) && !first.contains(['"', '\'']);
    let simple = is_word(name) && (known || read(format!("x = {}", first.trim_end())).is_some());
    let simple = simple && !value.contains(['{', '[']);
    simple.then(|| ("there are two entries in one line".into(), format!("Begin a new line before {name}.")))
}

/// A line without `=`.
fn no_sign(line: &str) -> Option<Slip> {
    let at = line.find(|c: char| c == ':' || c.is_whitespace())?;
    let (name, value) = line.split_at(at);
    let value = value.trim_start_matches(|c: char| c == ':' || c.is_whitespace());
    let line = read(format!("{name} = {value}")).filter(|_| is_word(name) && !value.starts_with('='))?;
    Some((format!("there is no = behind {name}"), format!("Write: {line}")))
}

/// A list or table that is not closed, or lacks a comma.
fn open_list(before: &str, message: &str) -> Option<Slip> {
    if !message.contains("comma") && !message.contains("unclosed") {
        return None;
    }
    let opened = before.lines().enumerate().filter(|(_, l)| {
        let value = l.split_once('=').map_or("", |(_, v)| v.trim());
        value.starts_with('[') && value.matches('[').count() > value.matches(']').count()
    });
    let place = opened.last().map_or_else(String::new, |(n, _)| format!(" that begins in line {}", n + 1));
    Some((
        format!("the list{place} lacks a comma or its end"),
        "Write a comma between two entries, and close it: a list with ], a table with }.".into(),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is said of a sheet that cannot be read.
    fn said(sheet: &str) -> String {
        let e = DeTable::parse(sheet).unwrap_err();
        let (what, remedy) = slip(sheet, e.span().map_or(0, |s| s.start), e.message());
        format!("{what}. {remedy}")
    }

    #[test]
    fn slips_of_the_pen_are_told_with_the_line_to_write_instead() {
        for (sheet, words) in [
            ("title = \u{201c}Slow Harbour\u{201d}\n", "curly#Write straight ones: title = \"Slow Harbour\""),
            ("title = \u{2018}Slow Harbour\u{2019}\n", "curly#Write straight ones: title = \"Slow Harbour\""),
            ("title = \"Slow Harbour\u{201d}\nx = 1\n", "curly#Write straight ones: title = \"Slow Harbour\""),
            ("title = \u{201e}It\u{2019}s\u{201c}\n", "curly#Write straight ones: title = \"It\u{2019}s\""),
            ("title = \"Slow Harbour\nx = 1\n", "does not end with it#Write: title = \"Slow Harbour\""),
            ("title = \"Slow  # mine\n", "does not end with it#Write: title = \"Slow\" # mine"),
            ("title = Slow Harbour\n", "lacks its quotes#Write: title = \"Slow Harbour\""),
            ("title = \"a\"b\"\n", "within the text#Write: title = 'a\"b'"),
            ("title = 'it's'\n", "within the text#Write: title = \"it's\""),
            ("file = \"C:\\Users\\me\\kick.wav\"\n", "meaning of its own#file = \"C:/Users/me/kick.wav\""),
            ("file = \"takes\\kick.wav\"\n", "meaning of its own#file = \"takes/kick.wav\""),
            ("bpm = 104 BPM\n", "without even its unit#Write: bpm = 104"),
            ("bpm = 80,5   # slow\n", "a comma#a decimal point: 80.5."),
            ("[handoff]\nrate = 48 000\n", "Write: rate = 48000"),
            ("[handoff]\nrate = 48,000\n", "rate = 48000"),
            ("[handoff]\ntake = 3 b\n", "lacks its quotes#Write: take = \"3 b\""),
            ("[[layer]]\npull = 60%\n", "Write: pull = 60"),
            ("[[layer]]\npull = 060\n", "Write: pull = 60"),
            ("[[layer]]\npull = 60;\n", "Write: pull = 60"),
            ("[[layer]]\nlevel = -6dB\n", "Write: level = -6"),
            ("[[layer]]\nlevel = \u{2212}6\n", "Write: level = -6"),
            ("[handoff]\nrate = 48.000 Hz\n", "Write: rate = 48000"),
            (
                "[[mic]]\ndrum = kik\n",
                "lacks its quotes, and \"kik\" is not a known drum#Write: drum = \"kick\". Known here: kick, snare,",
            ),
            ("[[mic]]\ndrum = Snare  # mine\n", "Write: drum = \"snare\"."),
            ("[[mic]]\ndrum = kick\n", "this text lacks its quotes. Write: drum = \"kick\""),
            ("[[mic]]\nplace = botom\n", "not a known place#Write: place = \"bottom\". Known here: close,"),
            ("[[mic]]\ndrum = tambourine\n", "not a known drum. Known here: kick,"),
            ("[[layer]]\nchoke = yes\n", "Write: choke = true"),
            ("[[layer]]\nchoke = perhaps\n", "neither#choke takes true or false"),
            ("[[section]]\nbar = 4-11\n", "no number that can be read#bar takes bar number, -999 to 9999"),
            ("[tempo]\nbar_one = auto\n", "Write: bar_one = \"auto\""),
            ("[tempo]\nbmp = 104 BPM\n", "no field \"bmp\"#bpm"),
            ("meter = 6:8\n", "Write: meter = \"6:8\""),
            ("leave_out = a.wav, b.wav\n", "Write: leave_out = [\"a.wav\", \"b.wav\"]"),
            ("leave_out = [a.wav, b.wav]\n", "Write: leave_out = [\"a.wav\", \"b.wav\"]"),
            ("leave_out = \"a.wav\", \"b.wav\"\n", "Write: leave_out = [\"a.wav\", \"b.wav\"]"),
            ("[tempo]\nfile = \"tempo.mid\" \"b\"\n", "2 texts behind file#Keep the one"),
            ("drum = kick place = in\n", "two entries in one line#new line before place"),
            ("bpm 104\n", "no = behind bpm#Write: bpm = 104"),
            ("title: \"a\"\n", "no = behind title#Write: title = \"a\""),
            ("bpm =\n", "nothing stands behind bpm"),
            ("bar_one = 1:02.3\n", "with a colon#bar_one = 62.3"),
            ("[[mic]\n", "brackets#Write [[mic]]"),
            ("[song\n", "brackets#Write [song]"),
            ("file = \"k.wav\" drum = \"kick\"\n", "two entries in one line#new line before drum"),
            ("leave_out = [\"a\", \"b\"\n[tempo]\n", "the list that begins in line 1#comma"),
            ("s = { verse = \"off\" chorus = 2 }\n", "lacks a comma"),
        ] {
            let said = said(sheet);
            assert!(words.split('#').all(|w| said.contains(w)), "{sheet}{said}");
        }
    }

    #[test]
    fn what_is_there_twice_is_told_with_the_first_line() {
        let of_another = "[song]\ntitle = \"a\"\n[[mic]]\nname = \"b\"\nname = \"c\"\n";
        assert!(said(of_another).contains("name is given twice: here and in line 4"), "{}", said(of_another));
        let keys = "[[mic]]\nname = \"a\"\n[[mic]]\nname = \"b\"\ndrum = \"kick\"\nname = \"c\"\n";
        assert!(said(keys).contains("here and in line 4"), "{}", said(keys));
        let one_line = "x = { verse = 1, verse = 2 }\n";
        assert!(said(one_line).contains("verse is given twice in this line"), "{}", said(one_line));
        let sections = "[tempo]\nbpm = 1\n[hits]\n[tempo]  # again\n";
        assert!(said(sections).contains("[tempo] is already there in line 1"), "{}", said(sections));
        let pairs = "[mic]\n[[mic]]\n";
        assert!(said(pairs).contains("write two pairs each time: [[mic]]"), "{}", said(pairs));
    }
}
