//! Which known word was probably meant.

/// The known word nearest to a mistyped one, if it is near enough: at most a third of its letters wrong.
/// Letters may be missing, added, replaced or swapped with their neighbour (optimal string alignment distance).
pub(crate) fn nearest<'a>(typed: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let typed = typed.to_lowercase().replace('-', "_");
    known
        .into_iter()
        .map(|k| (distance(&typed, &k.replace('-', "_")), k))
        .filter(|(d, k)| *d <= (k.chars().count().max(typed.chars().count()) / 3).max(1))
        .min_by_key(|(d, _)| *d)
        .map(|(_, k)| k)
}

/// `Did you mean X?`, or the list of what there is.
pub(crate) fn did_you_mean(typed: &str, known: &[&str]) -> String {
    match nearest(typed, known.iter().copied()) {
        Some(k) => format!("Did you mean \"{k}\"? Known here: {}.", known.join(", ")),
        None => format!("Known here: {}.", known.join(", ")),
    }
}

fn distance(a: &str, b: &str) -> usize {
    let a: Vec<char> = a.chars().take(64).collect();
    let b: Vec<char> = b.chars().take(64).collect();
    let mut rows: [Vec<usize>; 3] = [vec![0; b.len() + 1], (0..=b.len()).collect(), vec![0; b.len() + 1]];
    for i in 1..=a.len() {
        rows[2][0] = i;
        for j in 1..=b.len() {
            let same = usize::from(a[i - 1] != b[j - 1]);
            let mut d = (rows[1][j] + 1).min(rows[2][j - 1] + 1).min(rows[1][j - 1] + same);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                d = d.min(rows[0][j - 2] + 1);
            }
            rows[2][j] = d;
        }
        rows.rotate_left(1);
    }
    rows[1][b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_slip_of_each_kind_costs_one() {
        for typed in ["sare", "snarre", "smare", "snaer"] {
            assert_eq!(distance(typed, "snare"), 1, "{typed}");
        }
        assert_eq!(distance("kitten", "sitting"), 3); // Levenshtein's usual worked example (from memory)
        assert_eq!(distance("", "abc"), 3);
    }

    #[test]
    fn a_far_word_is_not_suggested() {
        assert_eq!(nearest("treshold", ["threshold", "floor"]), Some("threshold"));
        assert_eq!(nearest("min-gap", ["min_gap"]), Some("min_gap"));
        assert_eq!(nearest("banana", ["threshold", "floor"]), None);
    }
}
