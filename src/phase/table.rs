//! The pairs of a phase check as CSV.

use super::report::{PairKind, PhaseReport};
use crate::output::csv_field;
use std::fmt::Write as _;

/// One row a pair (RFC 4180, UTF-8, `.` decimals): signs, lags, confidence and sums; the last column is the advice for `mic`.
#[must_use]
pub fn phase_csv(report: &PhaseReport) -> String {
    let mut text = String::from(
        "drum,kind,reference,mic,strokes,polarity,lag_samples,lag_ms,metres,spread_samples,agreement,rival,confidence,\
         low_hz,high_hz,sum_db,sum_flipped_db,sum_together_db,advice\r\n",
    );
    for p in &report.pairs {
        let kind = match p.kind {
            PairKind::Close => "close",
            PairKind::Kit => "kit",
            PairKind::Stereo => "stereo",
            PairKind::Bleed => "bleed",
        };
        let advice = report.advice_for(&p.mic).map_or("", |a| a.recommendation.words());
        // Writing to a string cannot fail.
        let _ = write!(
            text,
            "{},{kind},{},{},{},{},{:.2},{:.3},{:.3},{:.2},{:.2},{:.2},{:.2},{:.0},{:.0},{:.2},{:.2},{:.2},{advice}\r\n",
            p.drum,
            csv_field(&p.reference),
            csv_field(&p.mic),
            p.strokes,
            p.polarity.word(),
            p.lag_samples,
            p.lag.ms(),
            p.metres,
            p.spread_samples,
            p.agreement,
            p.rival,
            p.confidence,
            p.band.low,
            p.band.high,
            p.sum.as_is.0,
            p.sum.flipped.0,
            p.sum.aligned.0,
        );
    }
    text
}
