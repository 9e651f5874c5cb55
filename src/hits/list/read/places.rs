//! Bar, beat, tick and offset as a file's rows state them, held against the rows' times.
//!
//! In: what rows state, a tempo map and grid. Out: a caution where a place was edited and the time was not, for a time alone
//! moves a stroke.

use super::{Row, lines};
use crate::finding::Finding;
use crate::tempo::{Grid, TempoMap};
use crate::units::{SamplePos, SampleRate, Seconds};
use std::path::{Path, PathBuf};

/// The places that a file states.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Places {
    path: PathBuf,
    rows: Vec<Stated>,
}

/// What one row states beside its time.
#[derive(Clone, Debug, PartialEq)]
struct Stated {
    line: usize,
    pos: SamplePos,
    /// Whether the row is one that the tool wrote: it has its sample.
    written: bool,
    bar: Option<i64>,
    beat: Option<i64>,
    tick: Option<i64>,
    /// Milliseconds, and the decimals that were written.
    offset: Option<(f64, usize)>,
}

/// Up to so many rows that disagree are edits; more are so only up to [`SHARE`] of all rows that state a place.
const FEW: usize = 3;
/// Share of the rows from which on rather the tempo map was changed since.
const SHARE: f64 = 0.1;

impl Places {
    pub fn of(path: &Path) -> Self {
        Self { path: path.to_owned(), rows: Vec::new() }
    }

    /// Adds a row that lies where its time says.
    pub fn add(&mut self, row: &Row, pos: SamplePos) {
        let (bar, beat, tick) = row.at;
        let stated = Stated { line: row.line, pos, written: row.sample.is_some(), bar, beat, tick, offset: row.offset };
        if bar.is_some() || beat.is_some() || tick.is_some() || row.offset.is_some() {
            self.rows.push(stated);
        }
    }

    /// Rows whose place was edited and whose time was not. Where many disagree alike the tempo map or the grid is another
    /// one than the list was written with, and nobody edited anything.
    pub fn edited(&self, rate: SampleRate, map: &TempoMap, grid: Grid) -> Vec<Finding> {
        let mut rows: Vec<&Stated> = self.rows.iter().collect();
        rows.sort_by_key(|r| r.pos);
        let wrong: Vec<(usize, &Stated, Vec<&'static str>)> = rows
            .iter()
            .enumerate()
            .map(|(i, row)| (i, *row, row.wrong_columns(rate, map, grid)))
            .filter(|(.., columns)| !columns.is_empty())
            .collect();
        let many = wrong.len() > FEW && wrong.len() as f64 > SHARE * rows.len() as f64;
        let most = rows.len() > 1 && 2 * wrong.len() > rows.len();
        let one_stretch = match (wrong.first(), wrong.last()) {
            (Some(a), Some(b)) => wrong.len() > FEW && b.0 - a.0 + 1 == wrong.len(),
            _ => true,
        };
        if many || most || one_stretch {
            return Vec::new();
        }
        let mut kinds: Vec<(bool, &[&str], Vec<usize>)> = Vec::new();
        for (_, row, columns) in &wrong {
            match kinds.iter_mut().find(|k| k.0 == row.written && k.1 == columns.as_slice()) {
                Some(kind) => kind.2.push(row.line),
                None => kinds.push((row.written, columns, vec![row.line])),
            }
        }
        kinds
            .into_iter()
            .map(|(written, columns, mut at)| {
                at.sort_unstable();
                let (its, columns) = (if at.len() == 1 { "its" } else { "their" }, and(columns));
                let what = if written {
                    format!("{}: {its} {columns} changed but not {its} time; only time_s moves a stroke", lines(&at))
                } else {
                    format!("{}: {its} {columns} not what {its} time gives; only time_s places a stroke", lines(&at))
                };
                Finding::caution(
                    &self.path,
                    what,
                    "Write the time at which the stroke is to be, in seconds, into time_s; bar, beat, tick and offset follow it.",
                )
            })
            .collect()
    }
}

/// `bar was`, `bar and beat were`.
fn and(columns: &[&str]) -> String {
    match columns {
        [] => String::new(),
        [one] => format!("{one} was"),
        [first @ .., last] => format!("{} and {last} were", first.join(", ")),
    }
}

impl Stated {
    /// Columns that say another place than the time does.
    fn wrong_columns(&self, rate: SampleRate, map: &TempoMap, grid: Grid) -> Vec<&'static str> {
        let time = self.pos.at(rate);
        let mut wrong = Vec::new();
        // A sample and a tick of room: next to a bar line rounding decides on which side of it a time is told.
        let tick = map.tick_at(time);
        let room = (map.tick_at(self.pos.at(rate) + Seconds(1.0 / rate.hz_f64())) - tick).abs() + 1.0;
        let near = [tick, tick - room, tick + room].map(|t| map.bar_beat(t));
        let same = |stated: Option<i64>, is: i64, room: i64| stated.is_none_or(|s| (s - is).abs() <= room);
        let agrees = near.iter().any(|at| {
            same(self.bar, at.bar, 0)
                && same(self.beat, i64::from(at.beat), 0)
                && same(self.tick, i64::from(at.tick), 2)
        });
        if let ([at, ..], false) = (near, agrees) {
            let columns = [
                ("bar", same(self.bar, at.bar, 0)),
                ("beat", same(self.beat, i64::from(at.beat), 0)),
                ("tick", same(self.tick, i64::from(at.tick), 2)),
            ];
            wrong.extend(columns.iter().filter(|c| !c.1).map(|c| c.0));
        }
        if self.offset.is_some_and(|stated| !offset_fits(time, stated, rate, map, grid)) {
            wrong.push("offset");
        }
        wrong
    }
}

/// Whether a line of this grid, or of another that the list may have been written with, lies so far from a time.
fn offset_fits(time: Seconds, (ms, decimals): (f64, usize), rate: SampleRate, map: &TempoMap, grid: Grid) -> bool {
    let room = Seconds::from_ms(0.51 * 10f64.powi(-(decimals.min(6) as i32))) + Seconds(1.0 / rate.hz_f64());
    let meant = time - Seconds::from_ms(ms);
    let others = [32, 48].map(|lines_per_whole| Grid { lines_per_whole, swing: 0.5 });
    others.into_iter().chain([grid]).any(|g| (meant - map.nearest_line(meant, g).time).0.abs() <= room.0)
}
