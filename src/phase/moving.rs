//! Whether a mic may be moved so that a drum arrives in it together with the drum's main mic, and how far.
//!
//! In: a pair, and whether the copy's sign is turned against the main mic's. Out: whole samples, or why it stays.

use super::report::{Agreement, Pair, PairKind};
use crate::song::Drum;
use crate::units::Seconds;
use std::fmt;

/// Farthest that two close mics of a drum are apart, as sound travels: inside and outside of a kick 0.7 m, around a snare 0.35 m
/// (common practice).
const KICK_REACH: Seconds = Seconds(0.002);
/// See [`KICK_REACH`].
const SNARE_REACH: Seconds = Seconds(0.001);
/// What the moved mic's sum may fall short of the sum as it stands, dB.
const THINNER: f64 = 0.1;

/// Why a mic stays where it is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Stays {
    /// Strokes do not agree on its arrival, or on the sign that goes with it.
    Unsure,
    /// The arrival holds for the other sign than the copy gets.
    OtherSign,
    /// The arrival cannot be the distance between two close mics of one drum.
    TooFar(Seconds),
    /// Moved, it would add up to less than as it stands, dB.
    Thinner(f64),
}

impl fmt::Display for Stays {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Stays::Unsure => write!(f, "its arrival is not sure enough"),
            Stays::OtherSign => write!(f, "the arrival that was found holds for the other sign"),
            Stays::TooFar(lag) => {
                write!(
                    f,
                    "the arrival that was found, {:.1} ms, cannot be the distance between two mics of one drum",
                    lag.ms()
                )
            }
            Stays::Thinner(db) => write!(f, "moved, its low end would add up to {db:.1} dB less"),
        }
    }
}

impl Pair {
    /// Whole samples that the mic is to be moved, positive = later, so that the drum arrives in it with the main mic; `turned` tells
    /// whether its copy's sign is turned against the main mic's.
    ///
    /// # Errors
    /// Why it is better left where it is.
    pub fn moved(&self, turned: bool) -> Result<i64, Stays> {
        let reach = if self.drum == Drum::Kick { KICK_REACH } else { SNARE_REACH };
        let now = if turned { self.sum.flipped } else { self.sum.as_is };
        if !self.arrival_sure || self.polarity == Agreement::Unclear {
            Err(Stays::Unsure)
        } else if (self.polarity == Agreement::Opposite) != turned {
            Err(Stays::OtherSign)
        } else if self.kind == PairKind::Close && self.lag.0.abs() > reach.0 {
            Err(Stays::TooFar(self.lag))
        } else if self.sum.aligned.0 < now.0 - THINNER {
            Err(Stays::Thinner(now.0 - self.sum.aligned.0))
        } else {
            Ok(-(self.lag_samples.round() as i64))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phase::{Band, SumGain};
    use crate::units::Decibels;

    fn pair(lag_ms: f64, polarity: Agreement, (as_is, flipped, aligned): (f64, f64, f64)) -> Pair {
        let sum = SumGain { as_is: Decibels(as_is), flipped: Decibels(flipped), aligned: Decibels(aligned) };
        Pair {
            drum: Drum::Snare,
            kind: PairKind::Close,
            reference: "snare_top".into(),
            mic: "snare_bottom".into(),
            strokes: 64,
            polarity,
            lag_samples: lag_ms * 48.0,
            lag: Seconds::from_ms(lag_ms),
            metres: lag_ms * 0.343,
            spread_samples: 0.5,
            agreement: 0.95,
            rival: 0.4,
            confidence: 0.9,
            arrival_sure: true,
            band: Band { low: 150.0, high: 300.0 },
            sum,
            sum_as_recorded: sum,
        }
    }

    #[test]
    fn a_lower_mic_a_few_samples_late_is_moved_forward_by_them() {
        assert_eq!(pair(0.125, Agreement::Same, (5.8, -9.0, 6.0)).moved(false), Ok(-6));
        assert_eq!(pair(0.3, Agreement::Opposite, (-8.0, 5.5, 6.0)).moved(true), Ok(-14));
        assert_eq!(pair(-0.3, Agreement::Same, (5.5, -8.0, 6.0)).moved(false), Ok(14));
    }

    #[test]
    fn a_mic_stays_where_moving_it_would_not_help() {
        // An arrival of the other sign, half a wave away, puts the two against each other.
        assert_eq!(pair(0.8, Agreement::Opposite, (4.7, 0.2, 5.7)).moved(false), Err(Stays::OtherSign));
        // 0.6 m around a snare; a kick's outer mic may stand so far away.
        let far = pair(1.8, Agreement::Same, (4.7, 0.2, 5.7));
        assert_eq!(far.moved(false), Err(Stays::TooFar(far.lag)));
        assert_eq!(Pair { drum: Drum::Kick, ..far.clone() }.moved(false), Ok(-86));
        assert_eq!(Pair { kind: PairKind::Kit, ..far }.moved(false), Ok(-86));
        assert!(matches!(pair(0.3, Agreement::Same, (5.0, 1.0, 3.0)).moved(false), Err(Stays::Thinner(_))));
        assert_eq!(pair(0.3, Agreement::Unclear, (5.0, 1.0, 6.0)).moved(false), Err(Stays::Unsure));
    }
}
