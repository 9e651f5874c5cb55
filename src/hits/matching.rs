//! Scoring found strokes against known ones: one-to-one matching of maximum cardinality within a window, the rule of
//! mir_eval (Raffel et al., ISMIR 2014; `mir_eval.onset.f_measure`), and the figures made from it.

use serde::Serialize;

/// How well found strokes agree with known ones.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Score {
    /// Harmonic mean of precision and recall, 0..=1.
    pub f: f64,
    /// Matched share of the found strokes, 0..=1; 0 where none was found.
    pub precision: f64,
    /// Matched share of the known strokes, 0..=1; 0 where none is known.
    pub recall: f64,
    /// Index pairs (known, found), rising in both.
    pub pairs: Vec<(usize, usize)>,
}

/// Matches rising times one to one, as many pairs as possible, each no further apart than `window` (inclusive, same
/// unit as the times). Pairs rise in both lists; the earliest possible partner is taken.
///
/// On a line with one common window, taking the earliest partner from left to right already reaches the maximum
/// (Glover 1967, for convex bipartite graphs; from memory); the tests compare with a search over all matchings.
/// Cost: linear.
#[must_use]
pub fn matched(known: &[f64], found: &[f64], window: f64) -> Vec<(usize, usize)> {
    let mut pairs = Vec::with_capacity(known.len().min(found.len()));
    let (mut k, mut f) = (0, 0);
    while let (Some(&a), Some(&b)) = (known.get(k), found.get(f)) {
        // The same comparisons as mir_eval's, so that times on the window's edge fall on the same side.
        if b < a - window {
            f += 1;
        } else if b > a + window {
            k += 1;
        } else {
            pairs.push((k, f));
            (k, f) = (k + 1, f + 1);
        }
    }
    pairs
}

/// F, precision and recall of rising times against known ones; all 0 where either list is empty.
#[must_use]
pub fn score(known: &[f64], found: &[f64], window: f64) -> Score {
    let pairs = matched(known, found, window);
    let share = |of: usize| if of == 0 { 0.0 } else { pairs.len() as f64 / of as f64 };
    let (precision, recall) = (share(found.len()), share(known.len()));
    let f = if pairs.is_empty() { 0.0 } else { 2.0 * precision * recall / (precision + recall) };
    Score { f, precision, recall, pairs }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Values that mir_eval 0.8.2 gave for these lists (window 0.05 s): F, precision, recall.
    #[test]
    fn the_worked_cases_score_as_mir_eval_scores_them() {
        let third = 2.0 / 3.0;
        for (known, found, f, precision, recall) in [
            (&[1.0, 2.0, 3.0][..], &[1.049, 2.051, 3.0][..], third, third, third),
            (&[1.0, 2.0, 3.0], &[1.05, 2.06, 3.0, 4.0], 4.0 / 7.0, 0.5, third),
            (&[1.0, 1.02], &[1.01], third, 1.0, 0.5),
            (&[1.0], &[0.99, 1.01], third, 0.5, 1.0),
            (&[0.0, 0.08], &[0.04, 0.05], 1.0, 1.0, 1.0),
            (&[0.0, 0.08], &[0.04, 0.12], 1.0, 1.0, 1.0),
            (&[], &[1.0], 0.0, 0.0, 0.0),
            (&[1.0], &[], 0.0, 0.0, 0.0),
        ] {
            let got = score(known, found, 0.05);
            for (a, b) in [(got.f, f), (got.precision, precision), (got.recall, recall)] {
                assert!((a - b).abs() < 1e-9, "{known:?} against {found:?}: {got:?}");
            }
        }
    }

    /// The most pairs that any one-to-one matching reaches, by trying all.
    fn most(known: &[f64], found: &[f64], window: f64) -> usize {
        let Some((a, rest)) = known.split_first() else { return 0 };
        let mut best = most(rest, found, window);
        for (i, b) in found.iter().enumerate() {
            if (a - b).abs() <= window {
                let others = [&found[..i], &found[i + 1..]].concat();
                best = best.max(1 + most(rest, &others, window));
            }
        }
        best
    }

    proptest! {
        #[test]
        fn no_matching_has_more_pairs(
            mut known in prop::collection::vec(0u32..200, 0..7),
            mut found in prop::collection::vec(0u32..200, 0..7),
            window in 1u32..60,
        ) {
            known.sort_unstable();
            found.sort_unstable();
            let [known, found] = [known, found].map(|l| l.into_iter().map(f64::from).collect::<Vec<_>>());
            let pairs = matched(&known, &found, f64::from(window));
            prop_assert_eq!(pairs.len(), most(&known, &found, f64::from(window)));
            prop_assert!(pairs.iter().all(|&(k, f)| (known[k] - found[f]).abs() <= f64::from(window)));
        }
    }
}
