//! Contrast: what sets this take's own strokes apart from its bleed, whatever drums at large are like.
//!
//! In: the shapes of all candidates and how sure the finder is of each. Out: what each candidate gains or loses in
//! log-odds.
//!
//! The sure ones of both kinds are the examples (self-training: Scudder 1965, IEEE Trans. Information Theory 11(3), from
//! memory); a ridge regression on +1 and −1, both kinds weighing the same (Hoerl and Kennard 1970, Technometrics 12(1),
//! from memory), gives every candidate a score. Shapes are free of level, so that ghosts are judged as loud strokes are.

use super::decide::Spread;
use super::judge::SHAPE;
use crate::wide::wide;
use pulp::Arch;

/// Log-odds from which a candidate is an example of the drum's own strokes, and below which of bleed.
const OWN: f32 = 3.0;
const BLEED: f32 = -2.0;
/// Fewest examples of either kind.
const FEWEST_OWN: usize = 8;
const FEWEST_BLEED: usize = 20;
/// Most examples of either kind, evenly spread over the take.
const MOST: usize = 2_000;
/// Weight of the squared length of the regression's vector against the mean squared miss.
const RIDGE: f64 = 0.015;
/// What is added to every number's spread, so that one that hardly varies counts for little.
const LEAST_SPREAD: f32 = 0.1;
/// Least width of the distributions of scores.
const LEAST_WIDTH: f32 = 0.4;
/// Most log-odds that the contrast may add or take.
const MOST_BY_CONTRAST: f32 = 2.0;
/// As like the take's clear strokes as this, a sound is not disowned for its shape.
const ALIKE: f32 = 0.95;

/// What each candidate gains in log-odds by its shape, within ±2: half the logarithm of the ratio of two normal
/// distributions, those of the scores of the take's own sure strokes and of its sure bleed; beyond their medians nothing
/// more is added. Zeros where fewer than eight strokes or twenty sounds of bleed are sure. One shape for each of `odds`.
#[must_use]
pub fn contrast(odds: &[f32], shapes: &[[f32; SHAPE]]) -> Vec<f32> {
    let of = |wanted: &dyn Fn(f32) -> bool| -> Vec<usize> { (0..odds.len()).filter(|&i| wanted(odds[i])).collect() };
    let (own, bleed) = (of(&|o| o > OWN), of(&|o| o < BLEED));
    if own.len() < FEWEST_OWN || bleed.len() < FEWEST_BLEED {
        return vec![0.0; odds.len()];
    }
    let scores = scores(shapes, &own, &bleed);
    let spread = |which: &[usize]| Spread::of(which.iter().map(|&i| scores[i]).collect(), LEAST_WIDTH);
    let (own, bleed) = (spread(&own), spread(&bleed));
    let low = bleed.middle.min(own.middle);
    scores
        .iter()
        .map(|&score| {
            let score = score.clamp(low, own.middle);
            (0.5 * (own.log_density(score) - bleed.log_density(score))).clamp(-MOST_BY_CONTRAST, MOST_BY_CONTRAST)
        })
        .collect()
}

/// Takes back what sounds lose by their shape though they are all but the same as the take's clear strokes (their likeness, where
/// they were looked at): in a take whose surest strokes lie under cymbals, these teach a shape that the bare ones have not.
pub fn spare_alike(gains: &mut [f32], likeness: &[Option<f32>]) {
    let alike = gains.iter_mut().zip(likeness).filter(|(_, like)| like.is_some_and(|like| like >= ALIKE));
    alike.for_each(|(gain, _)| *gain = gain.max(0.0));
}

/// The regression's score of every shape, about +1 for what is like the `own` and −1 for what is like the `bleed`.
fn scores(shapes: &[[f32; SHAPE]], own: &[usize], bleed: &[usize]) -> Vec<f32> {
    let (own, bleed) = (thinned(own), thinned(bleed));
    let examples = || own.iter().chain(&bleed).map(|&i| &shapes[i]);
    let scale = Scale::of(examples(), own.len() + bleed.len());
    // Normal equations, the constant last.
    let arch = Arch::new();
    let mut matrix: Matrix = vec![[0.0f64; SHAPE + 1]; SHAPE + 1];
    let mut right = [0.0f64; SHAPE + 1];
    for (which, target) in [(&own, 1.0f64), (&bleed, -1.0)] {
        let weight = 0.5 / which.len() as f64;
        for some in which.chunks(TOGETHER) {
            let mut rows = [[0.0; SHAPE + 1]; TOGETHER];
            for (row, &i) in rows.iter_mut().zip(some) {
                *row = scale.row(&shapes[i]);
                for (right, x) in right.iter_mut().zip(&*row) {
                    *right += weight * x * target;
                }
            }
            wide!(arch, add_products(rows: &'a Rows = &rows, weight: f64 = weight, matrix: &'a mut Matrix = &mut matrix));
        }
    }
    for (j, row) in matrix.iter_mut().enumerate().take(SHAPE) {
        row[j] += RIDGE;
    }
    let vector = solve(matrix, right);
    let score = |shape: &[f32; SHAPE]| dot(&scale.row(shape), &vector) as f32;
    shapes.iter().map(score).collect()
}

/// Rows of the normal equations' left side.
type Matrix = Vec<[f64; SHAPE + 1]>;

/// Examples whose products are added together, so that the sums are fetched once for all.
const TOGETHER: usize = 4;
type Rows = [[f64; SHAPE + 1]; TOGETHER];

/// Adds the weighted products of all numbers of each row, the lower half of them, row after row.
#[inline(always)]
fn add_products(rows: &Rows, weight: f64, matrix: &mut Matrix) {
    let [a, b, c, d] = rows;
    for (j, sums) in matrix.iter_mut().enumerate() {
        let [p, q, r, s] = [weight * a[j], weight * b[j], weight * c[j], weight * d[j]];
        let numbers = a.iter().zip(b).zip(c.iter().zip(d));
        for (sum, ((a, b), (c, d))) in sums[..=j].iter_mut().zip(numbers) {
            *sum = s.mul_add(*d, r.mul_add(*c, q.mul_add(*b, p.mul_add(*a, *sum))));
        }
    }
}

/// Sum of products, eight side by side, so that none waits for the one before.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let ((a, rest_a), (b, rest_b)) = (a.as_chunks::<8>(), b.as_chunks::<8>());
    let mut sums = [0.0; 8];
    for (a, b) in a.iter().zip(b) {
        for l in 0..8 {
            sums[l] += a[l] * b[l];
        }
    }
    sums.iter().sum::<f64>() + rest_a.iter().zip(rest_b).map(|(x, y)| x * y).sum::<f64>()
}

/// At most [`MOST`] of a list, evenly spread.
fn thinned(all: &[usize]) -> Vec<usize> {
    all.iter().copied().step_by(all.len().div_ceil(MOST).max(1)).collect()
}

/// Mean and spread of each number of a shape.
struct Scale {
    mean: [f32; SHAPE],
    spread: [f32; SHAPE],
}

impl Scale {
    fn of<'a>(shapes: impl Iterator<Item = &'a [f32; SHAPE]>, count: usize) -> Self {
        let (mut sum, mut squares) = ([0.0f64; SHAPE], [0.0f64; SHAPE]);
        for shape in shapes {
            for (k, &x) in shape.iter().enumerate() {
                sum[k] += f64::from(x);
                squares[k] += f64::from(x) * f64::from(x);
            }
        }
        let n = count.max(1) as f64;
        let variance = |k: usize| (squares[k] / n - (sum[k] / n).powi(2)).max(0.0);
        Self {
            mean: std::array::from_fn(|k| (sum[k] / n) as f32),
            spread: std::array::from_fn(|k| variance(k).sqrt() as f32 + LEAST_SPREAD),
        }
    }

    /// A shape's numbers against mean and spread, and the constant 1.
    fn row(&self, shape: &[f32; SHAPE]) -> [f64; SHAPE + 1] {
        std::array::from_fn(|k| shape.get(k).map_or(1.0, |x| f64::from((x - self.mean[k]) / self.spread[k])))
    }
}

/// Solves `matrix · x = right` for a symmetric positive definite matrix of which the lower half is given (Cholesky's
/// method; Golub and Van Loan, Matrix Computations, 4.2).
fn solve<const N: usize>(mut matrix: Vec<[f64; N]>, mut right: [f64; N]) -> [f64; N] {
    for j in 0..N {
        let (done, rest) = matrix.split_at_mut(j);
        let Some(row) = rest.first_mut() else { break };
        for (k, known) in done.iter().enumerate() {
            row[k] = (row[k] - dot(&row[..k], &known[..k])) / known[k];
        }
        row[j] = (row[j] - dot(&row[..j], &row[..j])).max(f64::MIN_POSITIVE).sqrt();
    }
    for j in 0..N {
        let known: f64 = (0..j).map(|k| matrix[j][k] * right[k]).sum();
        right[j] = (right[j] - known) / matrix[j][j];
    }
    for j in (0..N).rev() {
        let known: f64 = (j + 1..N).map(|k| matrix[k][j] * right[k]).sum();
        right[j] = (right[j] - known) / matrix[j][j];
    }
    right
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_sounds_the_same_as_clear_strokes_is_not_disowned_for_its_shape() {
        let mut gains = [-2.0, -2.0, 1.5, -2.0];
        spare_alike(&mut gains, &[Some(0.99), Some(0.6), Some(0.99), None]);
        assert_eq!(gains, [0.0, -2.0, 1.5, -2.0]);
    }

    #[test]
    fn a_system_of_equations_is_solved() {
        // Golub and Van Loan's kind of example, worked by hand: x = (1, −2, 3).
        let matrix = vec![[4.0, 0.0, 0.0], [2.0, 10.0, 0.0], [-2.0, 5.0, 9.0]];
        let x = solve(matrix, [4.0 - 4.0 - 6.0, 2.0 - 20.0 + 15.0, -2.0 - 10.0 + 27.0]);
        for (x, expected) in x.iter().zip([1.0, -2.0, 3.0]) {
            assert!((x - expected).abs() < 1e-12, "{x} {expected}");
        }
    }

    /// Shapes of two kinds that differ in their first numbers by less than they vary in others.
    fn take() -> (Vec<f32>, Vec<[f32; SHAPE]>) {
        let mut noise = (0u32..).map(|k| (k.wrapping_mul(2_654_435_761) >> 8) as f32 / (1 << 23) as f32 - 1.0);
        let mut shape = |kind: f32| -> [f32; SHAPE] {
            std::array::from_fn(|k| {
                noise.next().unwrap_or(0.0) * if k < 8 { 0.2 } else { 1.0 } + if k < 8 { kind } else { 0.0 }
            })
        };
        let mut shapes: Vec<[f32; SHAPE]> = (0..150).map(|_| shape(0.3)).collect();
        shapes.extend((0..400).map(|_| shape(-0.3)));
        let mut odds = vec![6.0; 150];
        odds.extend([-5.0; 400]);
        // Two doubtful ones, of either kind.
        odds.extend([0.1, -0.1]);
        shapes.extend([shape(-0.3), shape(0.3)]);
        (odds, shapes)
    }

    #[test]
    fn a_doubtful_sound_goes_where_its_shape_belongs() {
        let (odds, shapes) = take();
        let gains = contrast(&odds, &shapes);
        assert!(odds[550] + gains[550] < -0.5 && odds[551] + gains[551] > 0.5, "{} {}", gains[550], gains[551]);
        assert!(gains.iter().all(|g| g.abs() <= MOST_BY_CONTRAST));
    }

    #[test]
    fn without_examples_of_both_kinds_nothing_changes() {
        let (odds, shapes) = take();
        for range in [0..150, 143..550, 150..552] {
            assert!(contrast(&odds[range.clone()], &shapes[range]).iter().all(|g| *g == 0.0));
        }
    }
}
