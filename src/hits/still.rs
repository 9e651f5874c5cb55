//! When a drum is still: what its main mic hears then is bleed.
//!
//! In: the drum's strokes, and band powers of a mic. Out: frames from which on the drum is still, and those of them in which the mic
//! is loudest.

use super::bands::{Bands, Every, Row, SPARSE};
use crate::wide::wide;
use pulp::Arch;

/// Every so many frames one is looked at: half of what is learnt from.
const STEP: usize = 4 * SPARSE;
/// Frames that a stroke is given to ring (0.3 s to 27 ms): the longest that leaves enough.
const RINGS: [usize; 5] = [225, 150, 90, 45, 20];
/// So many are enough.
const ENOUGH: usize = 200;
/// A stroke may begin so many frames before its coarse one.
const EARLY: usize = 8;

/// Digital silence has a power too.
const LEAST_QUIET: f32 = 1e-14;

/// Of a take's `frames` those from which on a drum is still for `length` of them, every eighth: none of its `strokes` (frames, in
/// order) falls there, and the last has died away as long as enough are left.
#[must_use]
pub fn still(strokes: &[usize], frames: usize, length: usize) -> Vec<usize> {
    // How long before each frame the last stroke lies; `None` where one falls into it.
    let since = |from: usize| {
        let next = strokes.partition_point(|&t| t <= from);
        let struck = strokes.get(next).is_some_and(|&t| t < from + length + EARLY);
        let last = next.checked_sub(1).map_or(usize::MAX, |last| from - strokes[last]);
        (!struck).then_some(last)
    };
    let all: Vec<(usize, usize)> = (0..(frames + 1).saturating_sub(length))
        .step_by(STEP)
        .filter_map(|from| since(from).map(|since| (since, from)))
        .collect();
    let chosen = |rings: usize| -> Vec<usize> {
        all.iter().filter(|(since, _)| *since >= rings).map(|(_, from)| *from).collect()
    };
    let [.., shortest] = RINGS;
    RINGS.iter().map(|rings| chosen(*rings)).find(|chosen| chosen.len() >= ENOUGH).unwrap_or_else(|| chosen(shortest))
}

/// Of frames from which on a drum is `still` for `length` of them those in which this mic is loudest, at most `most`, in order. It
/// depends on nothing but what is heard there, so that a frame more or less elsewhere changes no other.
#[must_use]
pub fn loudest(mic: &Bands, still: &[usize], length: usize, most: usize) -> Vec<usize> {
    let levels = levels(mic);
    let rows = (length / STEP).max(2);
    let level = |from: usize| levels[(from / STEP).min(levels.len())..].iter().take(rows).sum::<f32>();
    let mut ranked: Vec<(f32, usize)> = still.iter().map(|&from| (level(from), from)).collect();
    if most < ranked.len() {
        ranked.select_nth_unstable_by(most, |a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        ranked.truncate(most);
    }
    let mut chosen: Vec<usize> = ranked.into_iter().map(|(_, from)| from).collect();
    chosen.sort_unstable();
    chosen
}

/// How many times its quiet a mic's power is, the sum of all bands, every [`STEP`]th frame.
fn levels(mic: &Bands) -> Vec<f32> {
    let quiet = mic.quiet();
    let per: Row = std::array::from_fn(|b| quiet.get(b).map_or(0.0, |quiet| 1.0 / (quiet + LEAST_QUIET)));
    let rows = mic.sparse();
    let mut out = vec![0.0; rows.len().div_ceil(STEP / SPARSE)];
    wide!(Arch::new(), weigh(rows: Every<'a> = rows, per: &'a Row = &per, out: &'a mut [f32] = &mut out));
    out
}

#[inline(always)]
fn weigh(rows: Every<'_>, per: &Row, out: &mut [f32]) {
    for (k, out) in out.iter_mut().enumerate() {
        let row = rows.filled(k * (STEP / SPARSE));
        let parts: [f32; 8] = std::array::from_fn(|b| row[b] * per[b] + row[b + 8] * per[b + 8]);
        *out = parts.iter().sum();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hits::bands::BANDS;

    #[test]
    fn a_drum_is_still_where_it_is_not_struck_and_has_rung_out() {
        let strokes: Vec<usize> = (0..80).map(|k| 300 + 800 * k).collect();
        let found = still(&strokes, 64_000, 16);
        assert!(found.len() >= ENOUGH);
        for from in found {
            let after = strokes.iter().filter(|t| **t <= from).map(|t| from - t).min();
            assert!(after.is_none_or(|after| after >= RINGS[0]), "{from}");
            assert!(strokes.iter().all(|&t| t <= from || t >= from + 16 + EARLY), "{from}");
        }
    }

    #[test]
    fn a_drum_that_is_struck_all_the_time_is_given_less_to_ring() {
        let every = |frames: usize| -> Vec<usize> { (0..64_000 / frames).map(|k| frames * k).collect() };
        let found = still(&every(140), 63_840, 16);
        assert!(found.len() >= ENOUGH && found.iter().all(|from| from % 140 >= RINGS[2]), "{found:?}");
        // In a roll nothing is left, nor where there is no take.
        assert!(still(&every(30), 63_960, 16).is_empty());
        assert!(still(&[], 0, 16).is_empty() && still(&[5], 15, 16).is_empty());
    }

    /// A mic whose level swells and fades every 400 frames, at `gain`.
    fn swelling(gain: f32) -> Bands {
        let swell = |t: usize| 20.0 + 19.0 * (std::f32::consts::TAU * t as f32 / 400.0).sin();
        // A little louder every time, so that no two frames are as loud.
        let level = |t: usize| gain * (swell(t) + 1e-3 * t as f32);
        Bands::from_rows((0..8_000).map(|t| [level(t); BANDS]).collect())
    }

    #[test]
    fn of_still_frames_the_loudest_are_chosen() {
        let all: Vec<usize> = (0..990).map(|k| k * STEP).collect();
        let chosen = loudest(&swelling(1e-6), &all, 16, 60);
        assert!(chosen.len() == 60 && chosen.is_sorted());
        assert!(chosen.iter().all(|from| (50..150).contains(&((from + 8) % 400))), "{chosen:?}");
        // However loud the mic is altogether.
        assert_eq!(loudest(&swelling(3e-2), &all, 16, 60), chosen);
        // One frame less, which is not among them, changes nothing.
        let others: Vec<usize> = all.iter().copied().filter(|from| !chosen.contains(from)).skip(7).collect();
        let mut fewer: Vec<usize> = chosen.iter().chain(&others).copied().collect();
        fewer.sort_unstable();
        assert_eq!(loudest(&swelling(1e-6), &fewer, 16, 60), chosen);
        assert_eq!(loudest(&swelling(1e-6), &all[..2], 16, 60), [0, STEP]);
        assert!(loudest(&swelling(1e-6), &[], 16, 60).is_empty());
    }

    #[test]
    fn a_mic_that_is_heard_at_every_second_frame_tells_the_same() {
        let rows = swelling(1e-6).rows().to_vec();
        let sparse = Bands::from_sparse_rows(rows.iter().copied().step_by(SPARSE).collect());
        let all: Vec<usize> = (0..990).map(|k| k * STEP).collect();
        assert_eq!(loudest(&sparse, &all, 16, 60), loudest(&Bands::from_rows(rows), &all, 16, 60));
    }
}
