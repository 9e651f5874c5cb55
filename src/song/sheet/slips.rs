//! Slips of the pen that make a sheet unreadable, told with what to write instead.
//!
//! In: the sheet's text, and where and how the reader stumbled. Out: what is wrong in plain words, and a line that can be
//! copied wherever one follows from what is there; every such line has been read and found good.

use super::bare;
use crate::song::field::SECTIONS;
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
    let known = [curly, backslash, heading, comma, time, unquoted, open_quote, inner_quote, two_in_one, no_sign];
    let slip = known.into_iter().find_map(|slip| slip(line)).or_else(|| open_list(before, message));
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
    !text.is_empty() && text.chars().all(|c| c.is_ascii_alphanumeric() || matches!(c, '_' | '-'))
}

fn is_digits(text: &str) -> bool {
    !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit())
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
    let name: String = from.chars().take_while(|c| c.is_ascii_alphanumeric() || matches!(c, '_' | '-')).collect();
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

/// A number with a comma.
fn comma(line: &str) -> Option<Slip> {
    let point = decimal_comma(line)?;
    Some(("this number is written with a comma".into(), format!("Numbers take a decimal point: {point}.")))
}

/// The value of a line such as `bpm = 80,5` with a point in place of the comma.
fn decimal_comma(line: &str) -> Option<String> {
    let value = line.split_once('=')?.1.split('#').next()?.trim();
    let (whole, part) = value.split_once(',')?;
    (is_digits(whole.trim_start_matches(['-', '+'])) && is_digits(part)).then(|| format!("{whole}.{part}"))
}

/// A time as on a transport, without quotes.
fn time(line: &str) -> Option<Slip> {
    let (name, value) = entry(line)?;
    let (minutes, seconds) = value.split_once(':')?;
    let time = minutes.parse::<u32>().ok().filter(|_| is_digits(minutes))? as f64 * 60.0
        + seconds.parse::<f64>().ok().filter(|s| (0.0..60.0).contains(s))?;
    let time = (time * 1000.0).round() / 1000.0;
    Some(("a time with a colon is no number".into(), format!("Write it in seconds: {name} = {time}")))
}

/// Text without quotes, a number with its unit, or nothing at all.
fn unquoted(line: &str) -> Option<Slip> {
    let (name, value) = entry(line)?;
    if value.is_empty() {
        return Some((
            format!("nothing stands behind {name} ="),
            "Write a value behind it, or take the line out.".into(),
        ));
    }
    if value.starts_with(['"', '\'', '[', '{']) {
        return None;
    }
    let number = value.split_whitespace().next().filter(|n| n.parse::<f64>().is_ok());
    if let Some(line) = number.and_then(|n| read(format!("{name} = {n}"))).filter(|_| !value.contains('=')) {
        return Some(("a number takes nothing behind it, not even its unit".into(), format!("Write: {line}")));
    }
    let quoted = read(format!("{name} = \"{}\"", value.trim_end_matches(['"', '\''])))?;
    Some(("this text lacks its quotes".into(), format!("Write: {quoted}")))
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
    let simple = !value.contains(['{', '[']) && is_word(name) && read(format!("x = {}", first.trim_end())).is_some();
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

    #[test]
    fn a_decimal_comma_is_known_and_nothing_else_is_taken_for_one() {
        assert_eq!(decimal_comma("bpm = 80,5   # slow").as_deref(), Some("80.5"));
        assert_eq!(decimal_comma("bar_one=-0,027").as_deref(), Some("-0.027"));
        for other in ["folders = \"a,b\"", "bpm = 80", "sections = { a = 1, b = 2 }", "bpm = ,5", "names = [1,2]"] {
            assert_eq!(decimal_comma(other), None, "{other}");
        }
    }

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
            ("bpm = 104 BPM\n", "not even its unit#Write: bpm = 104"),
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
