//! Which strokes a phase check listens to.

use crate::hits::{Hit, HitList, Kind};
use crate::song::Drum;

/// Seconds without any other found stroke before a stroke, so that its first milliseconds are its own.
const CLEAR_BEFORE: f64 = 0.08;
/// Seconds without any other found stroke after it.
const CLEAR_AFTER: f64 = 0.10;
/// Fewer strokes than this and the demands are lowered.
const ENOUGH: usize = 12;
/// Strokes this far below the drum's median peak are too soft to carry into other mics, dB.
const SOFT: f64 = 8.0;

/// The strokes of a drum to measure, as sample positions in order: sure, plain, standing alone and not soft;
/// with fewer than 12 of those the demands are dropped one by one (alone, plain, sure). At most `most`, spread
/// evenly over the song.
#[must_use]
pub fn sure_strokes(list: &HitList, drum: Drum, certainty: f64, most: usize) -> Vec<u64> {
    let rate = list.rate.hz_f64();
    let all: Vec<&Hit> = list.of(drum).collect();
    let mut times: Vec<u64> = list.hits.iter().filter(|h| list_sounds(h)).map(|h| h.pos.0).collect();
    times.sort_unstable();
    let alone = |h: &&Hit| {
        let (before, after) =
            (h.pos.0.saturating_sub((CLEAR_BEFORE * rate) as u64), h.pos.0 + (CLEAR_AFTER * rate) as u64);
        let from = times.partition_point(|&t| t < before);
        times.get(from..).is_some_and(|rest| rest.iter().take_while(|&&t| t <= after).all(|&t| t == h.pos.0))
    };
    let mut peaks: Vec<f64> = all.iter().map(|h| h.peak.0).collect();
    peaks.sort_by(f64::total_cmp);
    let floor = peaks.get(peaks.len() / 2).map_or(f64::NEG_INFINITY, |m| m - SOFT);
    let sure = |h: &&Hit| h.certainty >= certainty && h.peak.0 >= floor;
    let plain = |h: &&Hit| matches!(h.kind, Kind::Hit);
    let tries: [Vec<&Hit>; 4] = [
        all.iter().copied().filter(sure).filter(plain).filter(alone).collect(),
        all.iter().copied().filter(sure).filter(plain).collect(),
        all.iter().copied().filter(sure).collect(),
        all.iter().copied().filter(|h| h.certainty >= 0.5).collect(),
    ];
    let best = tries.iter().find(|t| t.len() >= ENOUGH).or_else(|| tries.iter().max_by_key(|t| t.len()));
    let Some(best) = best else { return Vec::new() };
    let n = best.len();
    if n <= most {
        return best.iter().map(|h| h.pos.0).collect();
    }
    (0..most).filter_map(|i| best.get(i * n / most)).map(|h| h.pos.0).collect()
}

fn list_sounds(h: &Hit) -> bool {
    h.state != crate::hits::State::Dropped
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hits::State;
    use crate::units::{Dbfs, SamplePos, SampleRate, Velocity};

    fn hit(drum: Drum, pos: u64, certainty: f64, kind: Kind) -> Hit {
        Hit {
            drum,
            pos: SamplePos(pos),
            velocity: Velocity::MAX,
            peak: Dbfs(-10.0),
            certainty,
            kind,
            state: State::Found,
            place: None,
        }
    }

    #[test]
    fn doubtful_soft_and_crowded_strokes_are_left_out_where_there_are_others() {
        let mut hits: Vec<Hit> = (0..20).map(|i| hit(Drum::Kick, 48_000 * (i + 1), 1.0, Kind::Hit)).collect();
        hits.push(hit(Drum::Kick, 70_000, 0.3, Kind::Hit));
        hits.push(hit(Drum::Kick, 120_000, 1.0, Kind::Ghost));
        hits.push(hit(Drum::Snare, 144_100, 1.0, Kind::Hit));
        hits.sort_by_key(|h| h.pos);
        let list = HitList { rate: SampleRate::SESSION, hits };
        let got = sure_strokes(&list, Drum::Kick, 0.8, 64);
        assert_eq!(got.len(), 19);
        assert!(!got.contains(&70_000) && !got.contains(&120_000) && !got.contains(&144_000));
    }

    #[test]
    fn a_long_song_is_thinned_evenly() {
        let hits = (0..1000).map(|i| hit(Drum::Kick, 24_000 * (i + 1), 1.0, Kind::Hit)).collect();
        let list = HitList { rate: SampleRate::SESSION, hits };
        let got = sure_strokes(&list, Drum::Kick, 0.8, 50);
        assert_eq!(got.len(), 50);
        assert!(got.windows(2).all(|w| w[1] - w[0] == 20 * 24_000));
    }
}
