//! Reading a hit list back, also after edits in a spreadsheet.
//!
//! Bytes to rows ([`table`]), rows to what each says ([`Row`]), and then the whole list: what rows leave out is
//! filled in from the others, and every such choice is said.

mod places;
mod points;
mod table;

use super::{HitList, HitListFault};
use crate::error::{Located, Place, Result};
use crate::finding::Finding;
use crate::hits::{GridPlace, Hit, Kind, State};
use crate::output::reading_in_words;
use crate::song::Drum;
use crate::tempo::{BarBeat, Grid, TempoMap};
use crate::units::{Dbfs, SamplePos, SampleRate, Seconds, Velocity};
use places::Places;
use std::fs::File;
use std::io::Read;
use std::path::Path;
use table::{Cells, Table};

/// A hit list that was read, and what was noticed on the way.
#[derive(Clone, Debug, PartialEq)]
pub struct ListRead {
    /// The hits, sorted.
    pub list: HitList,
    /// What was filled in, moved or left aside.
    pub findings: Vec<Finding>,
    places: Places,
}

impl ListRead {
    /// Says where bar, beat, tick or offset of a row were edited and its time was not: a time alone moves a stroke. Where many
    /// rows disagree with the map alike, the map was changed since and nothing is said.
    pub fn hold_against(&mut self, map: &TempoMap, grid: Grid) {
        let edited = self.places.edited(self.list.rate, map, grid);
        self.findings.extend(edited);
    }
}

/// Largest file that is read, bytes: millions of hits.
const MAX_BYTES: u64 = 256 << 20;
/// Velocity of a row without one where its drum has no other: a firm stroke, common practice.
const FIRM: f64 = 100.0;
/// Peak of a row without one where its drum has no other.
const FIRM_PEAK: Dbfs = Dbfs(-12.0);
/// Decimals of the times from which on a column is taken as exact; a spreadsheet that rounds keeps fewer.
const EXACT_DECIMALS: usize = 5;

/// Reads a file.
pub(super) fn read(path: &Path, rate: SampleRate, frames: Option<u64>) -> Result<ListRead> {
    let unreadable = |e: std::io::Error| Located::whole(path, HitListFault::Unreadable(reading_in_words(&e)));
    let mut bytes = Vec::new();
    let file = File::open(path).map_err(unreadable)?;
    file.take(MAX_BYTES + 1).read_to_end(&mut bytes).map_err(unreadable)?;
    parse(path, &bytes, rate, frames)
}

/// Reads a file's bytes.
pub(super) fn parse(path: &Path, bytes: &[u8], rate: SampleRate, frames: Option<u64>) -> Result<ListRead> {
    let located = |w: Wrong| {
        let place = if w.line == 0 { Place::Whole } else { Place::Line(w.line, w.column.map(str::to_owned)) };
        Located::at(path, place, HitListFault::Wrong { what: w.what, remedy: w.remedy })
    };
    if bytes.len() as u64 > MAX_BYTES {
        let what = format!("this file is larger than {} MiB, too large for a hit list", MAX_BYTES >> 20);
        return Err(located(Wrong::whole(what, "Name the hits.csv of the song.")).into());
    }
    let table = Table::split(bytes).map_err(located)?;
    if let Some(wrong) = points::lost(&table, rate) {
        return Err(located(wrong).into());
    }
    let rows: Vec<Row> =
        table.rows.iter().map(|cells| Row::of(&table, cells)).collect::<Result<_, _>>().map_err(located)?;
    let mut said = Said { path, findings: Vec::new() };
    if !table.further.is_empty() {
        said.note(format!("These columns are not used: {}.", table.further.join(", ")));
    }
    let clock = Clock::of(&rows, rate);
    // Without a recording a list may reach as far as a tempo map.
    let longest = TempoMap::MAX_HOURS * 3600 * u64::from(rate.hz());
    let mut hits = Vec::with_capacity(rows.len());
    let mut changed = Changed::default();
    let mut places = Places::of(path);
    for row in &rows {
        let pos = clock.position(row, &mut changed);
        if pos.0 >= frames.unwrap_or(longest) {
            return Err(located(row.beyond(pos, frames, rate)).into());
        }
        let moved = changed.moved.last() == Some(&row.line);
        if !moved {
            places.add(row, pos);
        }
        let state = row.state.unwrap_or(State::Added);
        hits.push(Hit {
            drum: row.drum,
            pos,
            velocity: row.velocity.unwrap_or(Velocity::MIN),
            peak: row.peak.unwrap_or(Dbfs::SILENCE),
            certainty: row.certainty.unwrap_or(1.0),
            kind: row.kind.unwrap_or_default(),
            state,
            place: row.place.filter(|_| !moved),
        });
    }
    fill_in(&rows, &mut hits, &mut said);
    changed.say(&clock, &mut said);
    let mut list = HitList { rate, hits };
    list.sort();
    say_doubles(&list, &mut said);
    Ok(ListRead { list, findings: said.findings, places })
}

/// What is wrong, where, and what to do.
struct Wrong {
    /// Line from 1; 0 = the file as a whole.
    line: usize,
    column: Option<&'static str>,
    what: String,
    remedy: String,
}

impl Wrong {
    fn whole(what: impl Into<String>, remedy: &str) -> Self {
        Self { line: 0, column: None, what: what.into(), remedy: remedy.into() }
    }

    fn line(line: usize, what: impl Into<String>, remedy: &str) -> Self {
        Self { line, column: None, what: what.into(), remedy: remedy.into() }
    }

    fn cell(line: usize, column: &'static str, what: impl Into<String>, remedy: &str) -> Self {
        Self { line, column: Some(column), what: what.into(), remedy: remedy.into() }
    }
}

/// The findings of one file.
struct Said<'a> {
    path: &'a Path,
    findings: Vec<Finding>,
}

impl Said<'_> {
    fn note(&mut self, what: String) {
        self.findings.push(Finding::note(self.path, what));
    }
}

/// What one row says; `None` where its cell is empty or its column missing.
struct Row {
    line: usize,
    drum: Drum,
    /// Seconds, and the decimals that were written.
    time: Option<(f64, usize)>,
    sample: Option<u64>,
    /// Bar, beat and tick.
    at: (Option<i64>, Option<i64>, Option<i64>),
    /// Milliseconds from the grid, and the decimals that were written.
    offset: Option<(f64, usize)>,
    place: Option<GridPlace>,
    velocity: Option<Velocity>,
    peak: Option<Dbfs>,
    certainty: Option<f64>,
    kind: Option<Kind>,
    state: Option<State>,
}

impl Row {
    fn of(table: &Table, cells: &Cells) -> Result<Self, Wrong> {
        let line = cells.line;
        let cell = |column| table.cell(cells, column);
        let number = |column| cell(column).map(|text| number(line, column, text)).transpose();
        let whole = |column, least: i64, most: i64, remedy: &str| match number(column)? {
            Some((v, _)) if v.fract() == 0.0 && (least as f64..=most as f64).contains(&v) => Ok(Some(v as i64)),
            Some((v, _)) => Err(Wrong::cell(line, column, format!("{v} is not a {column}"), remedy)),
            None => Ok(None),
        };
        let between = |column, least: f64, most: f64, remedy: &str| match number(column)? {
            Some((v, _)) if (least..=most).contains(&v) => Ok(Some(v)),
            Some((v, _)) => Err(Wrong::cell(line, column, format!("{v} is not a {column}"), remedy)),
            None => Ok(None),
        };
        let time = cell("time_s").map(|text| seconds(line, text)).transpose()?;
        let most = 1i64 << 53;
        let sample = whole("sample", 0, most, "Give the sample as a whole number, 0 or more.")?;
        if time.is_none() && sample.is_none() {
            return Err(Wrong::cell(
                line,
                "time_s",
                if cell("bar").is_some() || cell("beat").is_some() {
                    "this hit has no time; bar and beat do not place it"
                } else {
                    "this hit has no time"
                },
                "Write its time from the start of the audio into time_s, in seconds (12.345) or minutes and seconds \
                 (1:02.345).",
            ));
        }
        let bar = whole("bar", -most, most, "Give a whole bar number, or leave the cell empty.")?;
        let beat = whole("beat", 1, 99, "Give a beat from 1, or leave the cell empty.")?;
        let tick = whole("tick", 0, 1 << 20, "Give a whole tick from 0, or leave the cell empty.")?;
        let offset = between("offset_ms", -1e6, 1e6, "Give the offset in milliseconds, or leave the cell empty.")?;
        let place = match (bar, beat, tick, offset) {
            (Some(bar), Some(beat), Some(tick), Some(offset)) => {
                let at = BarBeat { bar, beat: beat as u32, tick: tick as u32 };
                Some(GridPlace { at, offset: Seconds::from_ms(offset) })
            }
            _ => None,
        };
        let velocity = whole("velocity", 1, 127, "Give a velocity from 1 to 127.")?;
        let peak = between("peak_dbfs", -1000.0, 1000.0, "Give the peak in dBFS, such as -12.5.")?;
        let certainty = between("certainty", 0.0, 1.0, "Give a certainty from 0 to 1.")?;
        let kinds = [Kind::Hit, Kind::Ghost, Kind::Flam, Kind::Roll];
        let states = [State::Found, State::Added, State::Dropped];
        Ok(Self {
            line,
            drum: word(line, "drum", cell("drum").unwrap_or(""), &Drum::FOUND)?,
            time,
            sample: sample.map(|s| s as u64),
            at: (bar, beat, tick),
            offset: offset.zip(number("offset_ms")?.map(|n| n.1)),
            place,
            velocity: velocity.map(|v| Velocity::nearest(v as f64)),
            peak: peak.map(Dbfs),
            certainty,
            kind: cell("kind").map(|text| word(line, "kind", text, &kinds)).transpose()?,
            state: cell("state").map(|text| word(line, "state", text, &states)).transpose()?,
        })
    }

    fn beyond(&self, pos: SamplePos, frames: Option<u64>, rate: SampleRate) -> Wrong {
        let column = if self.time.is_some() { "time_s" } else { "sample" };
        let at = pos.at(rate);
        let what = match frames {
            Some(frames) => format!("{at} lies beyond the end of the song at {}", SamplePos(frames).at(rate)),
            None => format!("{at} lies beyond {} hours, further than a song may reach", TempoMap::MAX_HOURS),
        };
        let remedy = match self.time {
            Some((time, 0)) if time >= 1000.0 => {
                "Correct the time (its decimal point may be lost), or take the row out."
            }
            _ => "Correct the time, or take the row out.",
        };
        Wrong::cell(self.line, column, what, remedy)
    }
}

/// One of a column's words, in any case.
fn word<T: Copy + std::fmt::Display>(line: usize, column: &'static str, text: &str, words: &[T]) -> Result<T, Wrong> {
    let lower = text.to_lowercase();
    words.iter().copied().find(|w| w.to_string() == lower).ok_or_else(|| {
        let known = words.iter().map(T::to_string).collect::<Vec<_>>().join(", ");
        let what =
            if text.is_empty() { format!("the {column} is missing") } else { format!("\"{text}\" is no {column}") };
        Wrong::cell(line, column, what, &format!("Write one of: {known}."))
    })
}

/// A finite number with `.` or `,` decimals, and how many decimals were written.
fn number(line: usize, column: &'static str, text: &str) -> Result<(f64, usize), Wrong> {
    let plain = text.replace('\u{2212}', "-");
    let plain = if plain.contains('.') { plain } else { plain.replacen(',', ".", 1) };
    match plain.parse::<f64>() {
        Ok(value) if value.is_finite() => Ok((value, plain.split_once('.').map_or(0, |(_, d)| d.len()))),
        _ if plain.matches('.').count() > 1 && plain.bytes().all(|b| b.is_ascii_digit() || b == b'.' || b == b'-') => {
            let what = format!("\"{text}\" has two points");
            let remedy = if column == "time_s" {
                "Write the time in seconds with one point (83.25), or minutes and seconds with a colon (1:23.25)."
            } else {
                "Write the number with one decimal point."
            };
            Err(Wrong::cell(line, column, what, remedy))
        }
        _ if text.contains('#') && text.bytes().all(|b| b == b'#') => {
            let remedy = "Widen this column in the spreadsheet, and save as CSV again.";
            Err(Wrong::cell(
                line,
                column,
                format!("\"{text}\" stands for a number whose column was too narrow"),
                remedy,
            ))
        }
        _ if plain.contains(|c: char| c.is_ascii_digit())
            && (plain.contains(char::is_alphabetic) || plain.matches(['-', '/']).count() == 2) =>
        {
            let remedy = "Write a plain number without a unit. Where a spreadsheet has made a date of it, open the list anew with \
                          all columns as text.";
            Err(Wrong::cell(line, column, format!("\"{text}\" is not a number"), remedy))
        }
        _ => {
            let remedy = "Write a plain number, without thousands separators or units.";
            Err(Wrong::cell(line, column, format!("\"{text}\" is not a number"), remedy))
        }
    }
}

/// A time in seconds, or as m:ss.mmm or h:mm:ss.mmm.
fn seconds(line: usize, text: &str) -> Result<(f64, usize), Wrong> {
    let (minutes, text_s) = text.rsplit_once(':').map_or((None, text), |(m, s)| (Some(m), s));
    let (mut time, decimals) = number(line, "time_s", text_s)?;
    if let Some(minutes) = minutes {
        let whole = |text: &str| text.trim().parse::<u32>().ok();
        let minutes = match minutes.split_once(':') {
            None => whole(minutes),
            Some((hours, minutes)) => {
                whole(minutes).filter(|m| *m < 60).and_then(|m| whole(hours)?.checked_mul(60)?.checked_add(m))
            }
        };
        let minutes = minutes.filter(|_| (0.0..60.0).contains(&time));
        let remedy = "Write the time in seconds (83.25) or as minutes and seconds (1:23.25).";
        let wrong = || Wrong::cell(line, "time_s", format!("\"{text}\" is not a time"), remedy);
        time += f64::from(minutes.ok_or_else(wrong)?) * 60.0;
    }
    if time < 0.0 {
        let what = format!("{text} lies before the start of the audio");
        return Err(Wrong::cell(line, "time_s", what, "Correct the time, or take the row out."));
    }
    Ok((time, decimals))
}

/// How times and samples of this file go together.
struct Clock {
    rate: SampleRate,
    /// Samples by which a time may differ from its sample and still mean the same.
    slack: f64,
    /// Decimals of the times, where a spreadsheet seems to have rounded them all.
    rounded_to: Option<usize>,
}

impl Clock {
    fn of(rows: &[Row], rate: SampleRate) -> Self {
        let both = rows.iter().filter(|r| r.sample.is_some());
        let decimals: Vec<usize> = both.filter_map(|r| r.time.map(|t| t.1)).collect();
        let most = decimals.iter().copied().max().unwrap_or(EXACT_DECIMALS);
        if most >= EXACT_DECIMALS || decimals.len() < 3 {
            return Self { rate, slack: 1.0, rounded_to: None };
        }
        let half = 0.5 * 10f64.powi(-(most as i32));
        Self { rate, slack: 1.0 + half * rate.hz_f64(), rounded_to: Some(most) }
    }

    /// The sample of a row: its own, unless its time was edited.
    fn position(&self, row: &Row, changed: &mut Changed) -> SamplePos {
        let from_time = |time: f64| Seconds(time).sample(self.rate);
        match (row.time, row.sample) {
            (Some((time, _)), Some(sample)) => {
                let apart = (time * self.rate.hz_f64() - sample as f64).abs();
                // A sample that is the time's to the written digits may read 1.0000001 apart.
                if apart > self.slack + 1e-6 {
                    changed.moved.push(row.line);
                    return from_time(time);
                }
                changed.rounded += u64::from(apart > 1.0 + 1e-6);
                SamplePos(sample)
            }
            (Some((time, _)), None) => from_time(time),
            (None, sample) => SamplePos(sample.unwrap_or(0)),
        }
    }
}

/// Rows whose time and sample disagreed.
#[derive(Default)]
struct Changed {
    /// Lines where the time counted.
    moved: Vec<usize>,
    /// Rows where the sample counted because all times are rounded.
    rounded: u64,
}

impl Changed {
    fn say(&self, clock: &Clock, said: &mut Said<'_>) {
        if let (Some(decimals), 1..) = (clock.rounded_to, self.rounded) {
            said.note(format!(
                "All times are rounded to {decimals} decimals; the sample column is more exact and counts in {} rows.",
                self.rounded
            ));
        }
        if !self.moved.is_empty() {
            let one = self.moved.len() == 1;
            said.note(format!(
                "In {} time_s and sample disagree; the time counts and {} there (a sample alone moves nothing).",
                lines(&self.moved),
                if one { "the hit lies" } else { "the hits lie" }
            ));
        }
    }
}

/// `line 7`, `lines 7, 9 and 12`, `240 lines (the first is line 7)`.
fn lines(lines: &[usize]) -> String {
    match lines {
        [] => String::new(),
        [one] => format!("line {one}"),
        [first @ .., last] if lines.len() <= 5 => {
            let first: Vec<String> = first.iter().map(usize::to_string).collect();
            format!("lines {} and {last}", first.join(", "))
        }
        [first, ..] => format!("{} lines (the first is line {first})", lines.len()),
    }
}

/// Gives rows without a velocity the median of their drum, and rows without a peak the peak of the drum's hit that
/// is nearest in velocity.
fn fill_in(rows: &[Row], hits: &mut [Hit], said: &mut Said<'_>) {
    for drum in Drum::FOUND {
        let own = || rows.iter().filter(|r| r.drum == drum && r.state != Some(State::Dropped));
        let mut known: Vec<u8> = own().filter_map(|r| r.velocity.map(Velocity::get)).collect();
        known.sort_unstable();
        let median = Velocity::nearest(match known.len() {
            0 => FIRM,
            n => f64::from(u16::from(known[(n - 1) / 2]) + u16::from(known[n / 2])) / 2.0,
        });
        let levels = Levels::of(own());
        let mut filled = Vec::new();
        for (row, hit) in rows.iter().zip(hits.iter_mut()).filter(|(r, _)| r.drum == drum) {
            if row.velocity.is_none() {
                hit.velocity = median;
                filled.push(row.line);
            }
            if row.peak.is_none() {
                hit.peak = levels.nearest(hit.velocity).unwrap_or(FIRM_PEAK);
            }
        }
        if !filled.is_empty() {
            let source = if known.is_empty() { "no other stroke to go by" } else { "the median of that drum" };
            said.note(format!("The {drum} in {} has no velocity and got {median}, {source}.", lines(&filled)));
        }
    }
}

/// For every velocity the first row of a drum that has it and a peak: its number among the rows, and the peak.
struct Levels([Option<(usize, Dbfs)>; 128]);

impl Levels {
    fn of<'a>(rows: impl Iterator<Item = &'a Row>) -> Self {
        let mut levels = [None; 128];
        for (i, row) in rows.enumerate() {
            let Some((v, peak)) = row.velocity.zip(row.peak) else { continue };
            if let Some(first) = levels.get_mut(usize::from(v.get())) {
                first.get_or_insert((i, peak));
            }
        }
        Self(levels)
    }

    /// The peak of the row nearest in velocity; of rows that are equally near, of the first.
    fn nearest(&self, velocity: Velocity) -> Option<Dbfs> {
        let v = usize::from(velocity.get());
        let at = |v: Option<usize>| v.and_then(|v| self.0.get(v).copied().flatten());
        let found = (0..128).find_map(|d| match (at(v.checked_sub(d)), at(v.checked_add(d))) {
            (Some(a), Some(b)) => Some(if a.0 <= b.0 { a } else { b }),
            (a, b) => a.or(b),
        });
        found.map(|(_, peak)| peak)
    }
}

/// Says where one drum has two sounding hits on one sample.
fn say_doubles(list: &HitList, said: &mut Said<'_>) {
    for drum in Drum::FOUND {
        let positions: Vec<SamplePos> = list.of(drum).map(|h| h.pos).collect();
        let doubles = positions.windows(2).filter(|w| w[0] == w[1]).map(|w| w[0]);
        for (n, pos) in doubles.enumerate() {
            if n == 0 {
                let what = format!("The {drum} has two hits at one place, {} (sample {pos}).", pos.at(list.rate));
                said.findings.push(Finding::caution(said.path, what, "Take one of the two rows out."));
            }
        }
    }
}
