//! Sums of many numbers.
//!
//! In: samples or powers. Out: their sum in double precision, the same on every processor.

use crate::wide::wide;
use pulp::Arch;

/// Sums side by side: more than a register holds, so that while one waits for its last sum the others are added to.
const LANES: usize = 16;

/// Sum of `numbers`, in sixteen lanes that are added up at the end; 0 of none.
pub(super) fn sum(arch: Arch, numbers: &[f32]) -> f64 {
    let (rows, rest) = numbers.as_chunks::<LANES>();
    let lanes = wide!(arch, lanes(rows: &'a [[f32; LANES]] = rows) -> [f64; LANES]);
    lanes.iter().sum::<f64>() + rest.iter().map(|&x| f64::from(x)).sum::<f64>()
}

#[inline(always)]
fn lanes(rows: &[[f32; LANES]]) -> [f64; LANES] {
    let mut sums = [0.0; LANES];
    for row in rows {
        for l in 0..LANES {
            sums[l] += f64::from(row[l]);
        }
    }
    sums
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_number_counts_once() {
        for count in [0, 1, 15, 16, 17, 1_000] {
            let numbers: Vec<f32> = (0..count).map(|i| i as f32 + 0.5).collect();
            assert_eq!(sum(Arch::new(), &numbers), f64::from(count) * f64::from(count) / 2.0, "{count}");
        }
    }
}
