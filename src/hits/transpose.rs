//! Rows transposed into columns: samples by their place in the hop, so that those of neighbouring frames lie side by side.
//!
//! In: samples, row after row. Out: the same, column after column. Pure moving, so every way gives the same.

/// Turns rows into columns the quickest way that the processor has.
pub(super) struct Transposer {
    #[cfg(target_arch = "x86_64")]
    v3: Option<pulp::x86::V3>,
}

impl Transposer {
    pub(super) fn new() -> Self {
        Self {
            #[cfg(target_arch = "x86_64")]
            v3: pulp::x86::V3::try_new(),
        }
    }

    /// Puts value `c` of row `r` (of `width` values; what is left over behind the last whole row is passed over) at place `r`
    /// of column `c`, each column `stride` long. A row for which a column has no place is left out.
    pub(super) fn transpose(&self, rows: &[f32], width: usize, columns: &mut [f32], stride: usize) {
        let count = (rows.len() / width).min(stride);
        let done = self.by_eights(rows, (width, count), columns, stride);
        if done == (width, count) {
            return;
        }
        for (c, column) in columns.chunks_exact_mut(stride).enumerate().take(width) {
            let from = if c < done.0 { done.1 } else { 0 };
            for (place, row) in column[from..count].iter_mut().zip(rows.chunks_exact(width).skip(from)) {
                *place = row[c];
            }
        }
    }

    /// Turns squares of eight by eight; gives how many columns and rows are done.
    #[cfg(target_arch = "x86_64")]
    fn by_eights(
        &self,
        rows: &[f32],
        (width, count): (usize, usize),
        columns: &mut [f32],
        stride: usize,
    ) -> (usize, usize) {
        let Some(v3) = self.v3 else { return (0, 0) };
        v3.vectorize(eights::Eights { v3, rows, width, count, columns, stride });
        (width / 8 * 8, count / 8 * 8)
    }

    #[cfg(not(target_arch = "x86_64"))]
    fn by_eights(&self, _: &[f32], _: (usize, usize), _: &mut [f32], _: usize) -> (usize, usize) {
        (0, 0)
    }
}

#[cfg(target_arch = "x86_64")]
mod eights {
    use pulp::x86::V3;
    use std::arch::x86_64::__m256;

    /// Squares of eight by eight, in registers of eight.
    pub(super) struct Eights<'a> {
        pub v3: V3,
        pub rows: &'a [f32],
        pub width: usize,
        pub count: usize,
        pub columns: &'a mut [f32],
        pub stride: usize,
    }

    impl pulp::NullaryFnOnce for Eights<'_> {
        type Output = ();

        #[inline(always)]
        fn call(self) {
            match self.width {
                64 => self.squares::<8>(),
                128 => self.squares::<16>(),
                8 => self.squares::<1>(),
                _ => self.any(),
            }
        }
    }

    impl Eights<'_> {
        /// Rows of so many times eight values: their places are known beforehand, so that none is checked.
        #[inline(always)]
        fn squares<const WIDTH: usize>(self) {
            let Self { v3, rows, count, columns, stride, .. } = self;
            let rows = rows.as_chunks::<8>().0.as_chunks::<WIDTH>().0.as_chunks::<8>().0;
            let rows = &rows[..count / 8];
            for (c, columns) in columns.chunks_exact_mut(8 * stride).enumerate().take(WIDTH) {
                let mut columns = columns.chunks_exact_mut(stride);
                let mut columns: [&mut [[f32; 8]]; 8] = std::array::from_fn(|_| {
                    let column = columns.next().unwrap_or_default();
                    &mut column.as_chunks_mut::<8>().0[..rows.len()]
                });
                for (r, rows) in rows.iter().enumerate() {
                    let square = std::array::from_fn(|k| rows[k][c]);
                    for (column, eight) in columns.iter_mut().zip(transposed(v3, square)) {
                        column[r] = pulp::cast(eight);
                    }
                }
            }
        }

        #[inline(always)]
        fn any(self) {
            let Self { v3, rows, width, count, columns, stride } = self;
            for r in (0..count / 8 * 8).step_by(8) {
                for c in (0..width / 8 * 8).step_by(8) {
                    let square = std::array::from_fn(|k| load(&rows[(r + k) * width + c..]));
                    for (k, column) in transposed(v3, square).into_iter().enumerate() {
                        let at = (c + k) * stride + r;
                        columns[at..at + 8].copy_from_slice(&pulp::cast::<__m256, [f32; 8]>(column));
                    }
                }
            }
        }
    }

    #[inline(always)]
    fn load(from: &[f32]) -> [f32; 8] {
        let mut eight = [0.0f32; 8];
        eight.copy_from_slice(&from[..8]);
        eight
    }

    /// The square with rows and columns exchanged: halves of rows `k` and `k + 4` side by side, then pairs of values, then
    /// pairs of pairs.
    #[inline(always)]
    fn transposed(v3: V3, square: [[f32; 8]; 8]) -> [__m256; 8] {
        let avx = v3.avx;
        let halves = |k: usize, at: usize| -> __m256 {
            let half = |row: &[f32; 8]| -> [f32; 4] { std::array::from_fn(|l| row[at + l]) };
            pulp::cast([half(&square[k]), half(&square[k + 4])])
        };
        let pair = |a: __m256, b: __m256| [avx._mm256_unpacklo_ps(a, b), avx._mm256_unpackhi_ps(a, b)];
        let four = |a: __m256, b: __m256| [avx._mm256_shuffle_ps::<0x44>(a, b), avx._mm256_shuffle_ps::<0xee>(a, b)];
        let columns = |at: usize| {
            let [a, b] = pair(halves(0, at), halves(1, at));
            let [c, d] = pair(halves(2, at), halves(3, at));
            (four(a, c), four(b, d))
        };
        let (([y0, y1], [y2, y3]), ([y4, y5], [y6, y7])) = (columns(0), columns(4));
        [y0, y1, y2, y3, y4, y5, y6, y7]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_value_comes_to_the_place_of_its_row_in_its_column() {
        let usual = [(64, 72, 88), (64, 71, 80), (128, 36, 52), (128, 40, 48), (8, 64, 64), (8, 21, 21)];
        for (width, count, stride) in usual.into_iter().chain([(6, 5, 9), (24, 17, 17), (9, 40, 41)]) {
            let rows: Vec<f32> = (0..width * count + 3).map(|i| i as f32).collect();
            let mut columns = vec![-1.0; width * stride];
            Transposer::new().transpose(&rows, width, &mut columns, stride);
            for (i, &value) in columns.iter().enumerate() {
                let (c, r) = (i / stride, i % stride);
                let expected = if r < count { (r * width + c) as f32 } else { -1.0 };
                assert_eq!(value, expected, "{width} by {count}, column {c}, row {r}");
            }
        }
    }
}
