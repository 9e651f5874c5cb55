//! Offsets and spreads in words.
//!
//! In: numbers in ms. Out: short phrases without a final stop.

use serde::Serialize;

/// Smallest change of one stroke in an even row that listeners notice, ms: 6 ms for rows quicker than 240 ms,
/// 2.5 % of the time between strokes above (Friberg & Sundberg 1995, J. Acoust. Soc. Am. 98(5), abstract).
#[must_use]
pub fn just_noticed_ms(between_strokes_ms: f64) -> f64 {
    if between_strokes_ms < 240.0 { 6.0 } else { 0.025 * between_strokes_ms }
}

/// `31 ms late`, `4 ms early`, `on the line` below half a millisecond.
#[must_use]
pub fn early_late(ms: f64) -> String {
    let whole = ms.abs().round();
    match () {
        () if whole < 1.0 => "on the line".into(),
        () if ms < 0.0 => format!("{whole} ms early"),
        () => format!("{whole} ms late"),
    }
}

/// `6 ms later`, `4 ms earlier`, `not at all` below half a millisecond: for changes.
#[must_use]
pub fn later_earlier(ms: f64) -> String {
    let whole = ms.abs().round();
    match () {
        () if whole < 1.0 => "not at all".into(),
        () if ms < 0.0 => format!("{whole} ms earlier"),
        () => format!("{whole} ms later"),
    }
}

/// Which way and how plainly a group of strokes leans.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Lean {
    /// Not to be told from the line with so many strokes.
    OnTheLine,
    /// So few or so scattered strokes that they may lie anywhere within what listeners would notice, and beyond.
    Open,
    /// Strokes that gather so loosely on the grid that early or late would say nothing.
    Astray,
    /// Early, but by less than listeners notice.
    ShadeEarly,
    /// Early.
    Early,
    /// More than two and a half times what listeners notice.
    ClearlyEarly,
    /// Late, but by less than listeners notice.
    ShadeLate,
    /// Late.
    Late,
    /// More than two and a half times what listeners notice.
    ClearlyLate,
}

impl Lean {
    /// From a median, its own uncertainty and the smallest change that is noticed, all in ms.
    #[must_use]
    pub fn of(median_ms: f64, error_ms: f64, noticed_ms: f64) -> Self {
        let size = median_ms.abs();
        let early = median_ms < 0.0;
        if size <= error_ms && error_ms > noticed_ms {
            Lean::Open
        } else if size < 1.0 || size <= error_ms {
            Lean::OnTheLine
        } else if size < noticed_ms {
            if early { Lean::ShadeEarly } else { Lean::ShadeLate }
        } else if size < 2.5 * noticed_ms {
            if early { Lean::Early } else { Lean::Late }
        } else if early {
            Lean::ClearlyEarly
        } else {
            Lean::ClearlyLate
        }
    }

    /// In words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Lean::OnTheLine => "on the line",
            Lean::Open => "cannot be told",
            Lean::Astray => "does not follow this grid",
            Lean::ShadeEarly => "a shade early",
            Lean::Early => "early",
            Lean::ClearlyEarly => "clearly early",
            Lean::ShadeLate => "a shade late",
            Lean::Late => "late",
            Lean::ClearlyLate => "clearly late",
        }
    }
}

/// A spread in words, against the 5 to 15 ms that are reported for drummers who mean to play evenly
/// (Hellmer & Madison 2015, Music Perception 33(2), from memory).
#[must_use]
pub fn tightness(spread_ms: f64) -> &'static str {
    match spread_ms {
        s if s < 1.0 => "as even as a machine",
        s if s < 5.0 => "very tight",
        s if s <= 10.0 => "tight",
        s if s <= 15.0 => "as loose as human playing usually gets",
        _ => "looser than most playing",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_listeners_notice_grows_with_slow_rows() {
        // Worked values of the cited rule: sixteenths and eighths at 120 BPM, quarters at 120 and 60 BPM.
        for (row, noticed) in [(125.0, 6.0), (250.0, 6.25), (500.0, 12.5), (1000.0, 25.0), (240.0, 6.0)] {
            assert!((just_noticed_ms(row) - noticed).abs() < 1e-9);
        }
    }

    #[test]
    fn five_ms_on_sixteenths_is_a_shade_and_fifteen_is_not() {
        assert_eq!(Lean::of(5.0, 1.0, just_noticed_ms(125.0)), Lean::ShadeLate);
        assert_eq!(Lean::of(-15.0, 1.0, just_noticed_ms(125.0)), Lean::ClearlyEarly);
        assert_eq!(Lean::of(-4.0, 5.0, 6.0), Lean::OnTheLine);
        assert_eq!(Lean::of(-32.0, 77.0, 6.0), Lean::Open);
    }

    #[test]
    fn offsets_are_said_as_musicians_say_them() {
        assert_eq!(early_late(31.2), "31 ms late");
        assert_eq!(early_late(-3.6), "4 ms early");
        assert_eq!(early_late(-0.2), "on the line");
    }
}
