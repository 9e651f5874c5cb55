//! Grid lines.

use super::{GridFault, TempoMap};
use crate::units::Seconds;
use serde::Serialize;
use std::fmt;
use std::str::FromStr;

/// The note value that hits are compared with.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Grid {
    /// Lines a whole note: 4, 8, 16, 32, or 6, 12, 24, 48 for triplets.
    pub lines_per_whole: u32,
    /// Place of every second line inside its pair, 0.5 = straight, 2/3 = triplet swing; 0.5..=0.75.
    pub swing: f64,
}

impl Default for Grid {
    /// Straight sixteenths.
    fn default() -> Self {
        Self::SIXTEENTH
    }
}

impl Grid {
    /// Straight sixteenths.
    pub const SIXTEENTH: Grid = Grid { lines_per_whole: 16, swing: 0.5 };
    /// Swing that `swing` alone means: the second note of a pair on the last of three triplets.
    pub const TRIPLET_SWING: f64 = 2.0 / 3.0;

    /// Ticks between lines, straight; the mean under swing.
    #[must_use]
    pub fn step_ticks(self) -> f64 {
        TempoMap::PPQ as f64 * 4.0 / f64::from(self.lines_per_whole.max(1))
    }

    /// Triplets as musicians call them, such as `sixteenth triplets`; `None` for other grids.
    #[must_use]
    pub fn triplets(self) -> Option<&'static str> {
        match self.lines_per_whole {
            6 => Some("quarter-note triplets"),
            12 => Some("eighth triplets"),
            24 => Some("sixteenth triplets"),
            48 => Some("thirty-second triplets"),
            _ => None,
        }
    }

    /// Whether lines are triplets.
    #[must_use]
    pub fn is_triplet(self) -> bool {
        self.lines_per_whole.is_multiple_of(3)
    }
}

impl fmt::Display for Grid {
    /// `1/16`, `1/8t`, `1/16 swing 60`: what [`FromStr`] reads.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.is_triplet() {
            return write!(f, "1/{}t", self.lines_per_whole * 2 / 3);
        }
        write!(f, "1/{}", self.lines_per_whole)?;
        if self.swing == Self::TRIPLET_SWING {
            return f.write_str(" swing");
        }
        if self.swing > 0.5 {
            write!(f, " swing {}", (self.swing * 1e6).round() / 1e4)?;
        }
        Ok(())
    }
}

impl FromStr for Grid {
    type Err = GridFault;

    /// Reads `1/16`, `1/8t` or `1/8 triplet`, `1/16 swing` (2/3) and `1/16 swing 60` (per cent, 50 to 75).
    fn from_str(typed: &str) -> Result<Self, GridFault> {
        let fault = |why: String| GridFault { word: typed.trim().to_owned(), why };
        let lower = typed.trim().to_lowercase();
        let mut words = lower.split_whitespace();
        let Some(value) = words.next() else { return Err(fault("nothing is written".into())) };
        let (value, mut triplet) = value.strip_suffix('t').map_or((value, false), |v| (v, true));
        let lines = match value {
            "1/4" => 4,
            "1/8" => 8,
            "1/16" => 16,
            "1/32" => 32,
            _ => return Err(fault(format!("{value} is none of 1/4, 1/8, 1/16, 1/32"))),
        };
        let mut swing = None;
        while let Some(word) = words.next() {
            match word {
                "t" | "triplet" | "triplets" if !triplet => triplet = true,
                "straight" if swing.is_none() => swing = Some(0.5),
                "swing" if swing.is_none() => {
                    let Some(amount) = words.next() else {
                        swing = Some(Self::TRIPLET_SWING);
                        break;
                    };
                    let percent = amount.trim_end_matches('%').parse::<f64>().ok();
                    let percent = percent.ok_or_else(|| fault(format!("a swing of {amount} is no number")))?;
                    if !(50.0..=75.0).contains(&percent) {
                        return Err(fault(format!("a swing of {amount} is outside 50 (straight) to 75 per cent")));
                    }
                    swing = Some(percent / 100.0);
                }
                _ => return Err(fault(format!("{word} is not understood"))),
            }
        }
        let swing = swing.unwrap_or(0.5);
        if triplet && swing > 0.5 {
            return Err(fault("triplets do not swing".into()));
        }
        Ok(Grid { lines_per_whole: if triplet { lines * 3 / 2 } else { lines }, swing })
    }
}

/// A line of the grid.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct GridLine {
    /// Song tick of the line (fractional under swing); negative before the map begins.
    pub tick: f64,
    /// Its time in the audio.
    pub time: Seconds,
}

impl TempoMap {
    /// The grid line nearest in time; of two equally near, the earlier. Lines restart at every bar line, and the
    /// next bar's downbeat always counts as one, also where the meter is no whole number of lines.
    #[must_use]
    pub fn nearest_line(&self, time: Seconds, grid: Grid) -> GridLine {
        let tick = self.tick_at(time);
        let bar = self.bar_beat(tick.floor()).bar;
        let (start, end) = (self.bar_start(bar) as f64, self.bar_start(bar.saturating_add(1)) as f64);
        let pair = 2.0 * grid.step_ticks();
        let first = start + ((tick - start) / pair).floor() * pair;
        let candidates = [first, first + pair * grid.swing.clamp(0.5, 0.75), first + pair];
        let lines = candidates.map(|t| t.clamp(start, end)).map(|tick| GridLine { tick, time: self.time_at(tick) });
        let distance = |line: &GridLine| (line.time.0 - time.0).abs();
        let [mut nearest, second, third] = lines;
        for line in [second, third] {
            if distance(&line) < distance(&nearest) {
                nearest = line;
            }
        }
        nearest
    }

    /// The grid lines of one bar in order, its downbeat first, the next bar's not included.
    pub fn lines_of(&self, bar: i64, grid: Grid) -> impl Iterator<Item = GridLine> + '_ {
        let (start, end) = (self.bar_start(bar) as f64, self.bar_start(bar.saturating_add(1)) as f64);
        let pair = 2.0 * grid.step_ticks();
        let swing = grid.swing.clamp(0.5, 0.75);
        let ticks = (0u32..).map(move |i| start + pair * (f64::from(i / 2) + if i % 2 == 1 { swing } else { 0.0 }));
        ticks.take_while(move |&t| t < end).map(|tick| GridLine { tick, time: self.time_at(tick) })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tempo::Meter;
    use crate::units::Bpm;
    use proptest::prelude::*;

    const WORDS: [&str; 10] =
        ["1/4", "1/8", "1/16", "1/32", "1/4t", "1/8t", "1/16t", "1/32t", "1/16 swing", "1/8 swing 58.5"];

    fn map(beats: u8, unit: u8) -> TempoMap {
        TempoMap::constant(Bpm::new(120.0).unwrap(), Meter::new(beats, unit).unwrap(), Seconds(0.5))
    }

    #[test]
    fn a_grid_is_written_as_it_is_read() {
        for word in WORDS {
            assert_eq!(word.parse::<Grid>().unwrap().to_string(), word);
        }
        assert_eq!("1/16".parse::<Grid>().unwrap(), Grid::SIXTEENTH);
        assert_eq!(" 1/8 Triplets".parse::<Grid>().unwrap().lines_per_whole, 12);
        assert_eq!("1/16 swing 60%".parse::<Grid>().unwrap().swing, 0.6);
    }

    #[test]
    fn what_is_no_grid_says_why() {
        for (word, why) in [
            ("", "nothing"),
            ("1/5", "1/5"),
            ("16", "16"),
            ("1/16 swing 40", "outside"),
            ("1/16 swing NaN", "outside"),
            ("1/16 swing lots", "no number"),
            ("1/8t swing 60", "do not swing"),
            ("1/16 shuffle", "shuffle"),
        ] {
            let fault = word.parse::<Grid>().unwrap_err();
            assert!(fault.why.contains(why), "{word}: {fault}");
        }
    }

    #[test]
    fn the_downbeat_after_a_bar_of_seven_eighths_is_a_line_of_the_quarter_grid() {
        let map = map(7, 8);
        let quarter: Grid = "1/4".parse().unwrap();
        let two = map.bar(2).time;
        for ms in [-100.0, -1.0, 0.0, 1.0, 200.0] {
            let line = map.nearest_line(two + Seconds::from_ms(ms), quarter);
            assert_eq!(line.tick, 3360.0, "{ms} ms");
        }
        // Lines of bar 2 count from its own downbeat: 3360, 4320, ...
        assert_eq!(map.nearest_line(two + Seconds(0.49), quarter).tick, 4320.0);
    }

    #[test]
    fn six_eighths_hold_six_lines_of_the_eighth_grid_and_five_of_the_quarter_triplets() {
        let map = map(6, 8);
        assert_eq!(map.lines_of(1, "1/8".parse().unwrap()).count(), 6);
        assert_eq!(map.lines_of(1, "1/4t".parse().unwrap()).count(), 5);
    }

    #[test]
    fn swing_moves_every_second_line_and_no_other() {
        let map = map(4, 4);
        let ticks = |word: &str| map.lines_of(1, word.parse().unwrap()).map(|l| l.tick).collect::<Vec<_>>();
        let (straight, swung) = (ticks("1/16"), ticks("1/16 swing 60"));
        assert_eq!(straight.len(), 16);
        for (i, (a, b)) in straight.iter().zip(&swung).enumerate() {
            let moved = if i % 2 == 1 { 48.0 } else { 0.0 };
            assert!((b - a - moved).abs() < 1e-9, "line {i}");
        }
    }

    proptest! {
        #[test]
        fn no_line_of_any_bar_is_nearer_than_the_nearest(
            ms in -9_000.0..9_000.0f64, beats in 1u8..14, unit in 1u32..5, word in 0usize..10,
        ) {
            let map = map(beats, 1 << unit);
            let grid: Grid = WORDS[word].parse().unwrap();
            let time = Seconds::from_ms(ms);
            let nearest = map.nearest_line(time, grid);
            let bar = map.bar_beat_at(time).bar;
            let best = (bar - 1..=bar + 1)
                .flat_map(|b| map.lines_of(b, grid).map(|l| (l.time.0 - time.0).abs()).collect::<Vec<_>>())
                .fold(f64::INFINITY, f64::min);
            prop_assert!(((nearest.time.0 - time.0).abs() - best).abs() < 1e-9);
        }
    }
}
