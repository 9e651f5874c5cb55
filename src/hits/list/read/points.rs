//! Decimal points that a spreadsheet has taken away: 12345 for 12.345.
//!
//! In: the rows as text. Out: what is wrong, where the times of the whole list have lost their points. Single odd rows are left
//! to whoever reads them.

use super::Wrong;
use super::table::{Cells, Table};
use crate::units::{SampleRate, Seconds};

/// Most decimals that are looked for.
const MOST: i32 = 9;
/// Fewer rows without samples to hold their times against tell nothing.
const FEW: usize = 4;
/// Whole seconds from stroke to stroke that nobody plays, as the middle of a list.
const NEVER_PLAYED: u64 = 30;

/// What to do about a list whose points are lost.
const REMEDY: &str = "Move this file away and run again: the list is then written anew, without the edits in this one. Have the \
                      spreadsheet take . as the decimal point when it opens it (or all columns as text); then save as CSV.";

/// Says so where the times of a list have lost their decimal points: against their samples in more than half of the rows, or,
/// without samples, because they would lie half a minute apart; and where more than half of several have two points.
pub(super) fn lost(table: &Table, rate: SampleRate) -> Option<Wrong> {
    let times: Vec<(&Cells, Option<u64>)> =
        table.rows.iter().filter_map(|row| Some((row, whole(table.cell(row, "time_s")?)))).collect();
    let pointed: Vec<(&Cells, &str)> = table
        .rows
        .iter()
        .filter_map(|row| Some((row, table.cell(row, "time_s")?)))
        .filter(|(_, time)| time.matches('.').count() > 1)
        .collect();
    if let Some((row, time)) = pointed.first()
        && pointed.len() > 1
        && 2 * pointed.len() > times.len()
    {
        let what = format!("\"{time}\" has two points: a spreadsheet took the decimal point for one between thousands");
        return Some(Wrong::cell(row.line, "time_s", what, REMEDY));
    }
    let sampled: Vec<(&Cells, Option<u64>, u64)> =
        times.iter().filter_map(|(row, time)| Some((*row, *time, table.cell(row, "sample")?.parse().ok()?))).collect();
    let without: Vec<&(&Cells, Option<u64>, u64)> =
        sampled.iter().filter(|(_, time, sample)| time.is_some_and(|t| lacks_point(t, *sample, rate))).collect();
    if let Some((row, Some(time), sample)) = without.first()
        && without.len() > 1
        && 2 * without.len() > sampled.len()
    {
        let meant = Seconds(*sample as f64 / rate.hz_f64()).0;
        let what = format!("the times have lost their decimal points ({time} stands for {meant:.6} s)");
        return Some(Wrong::cell(row.line, "time_s", what, REMEDY));
    }
    if !sampled.is_empty() || times.len() < FEW {
        return None;
    }
    let mut all = times.iter().map(|t| t.1).collect::<Option<Vec<u64>>>()?;
    all.sort_unstable();
    let mut gaps: Vec<u64> = all.windows(2).map(|w| w[1] - w[0]).collect();
    gaps.sort_unstable();
    let (row, gap) = (times.first()?.0, gaps.get(gaps.len() / 2).filter(|gap| **gap >= NEVER_PLAYED)?);
    let what = format!("the times seem to have lost their decimal points: the strokes would come {gap} s apart");
    Some(Wrong::cell(row.line, "time_s", what, REMEDY))
}

/// A number without point or sign.
fn whole(text: &str) -> Option<u64> {
    text.bytes().all(|b| b.is_ascii_digit()).then(|| text.parse().ok()).flatten()
}

/// Whether a time is the sample's in tenths, hundredths, ... of a second.
fn lacks_point(time: u64, sample: u64, rate: SampleRate) -> bool {
    (1..=MOST).any(|decimals| {
        let unit = rate.hz_f64() * 10f64.powi(-decimals);
        // Decimals that were cut off, and the sample's own rounding.
        sample > 0 && (time as f64 * unit - sample as f64).abs() <= 1.0 + unit
    })
}
