//! Zero-phase filters of a short stretch, several side by side.
//!
//! In: samples, the same or others in every lane. Out: the same filtered forwards and backwards, so that nothing is
//! delayed. Every lane does the same sums in the same order on every processor.

use crate::units::SampleRate;
use crate::wide::wide;
use pulp::Arch;

/// Filters side by side.
pub const LANES: usize = 8;

/// A second-order section.
#[derive(Clone, Copy, Debug)]
pub struct Section {
    b: [f64; 3],
    a: [f64; 2],
}

impl Section {
    /// Changes nothing.
    pub const THROUGH: Self = Self { b: [1.0, 0.0, 0.0], a: [0.0, 0.0] };
}

/// Second-order Butterworth high-pass at `lo` and low-pass at `hi` (bilinear transform with pre-warped corners).
#[must_use]
pub fn bandpass(lo: f64, hi: f64, rate: SampleRate) -> [Section; 2] {
    let q = std::f64::consts::FRAC_1_SQRT_2;
    let corner = |hz: f64| (std::f64::consts::PI * hz / rate.hz_f64()).tan();
    let (h, l) = (corner(lo), corner(hi));
    let hn = 1.0 / (1.0 + h / q + h * h);
    let ln = 1.0 / (1.0 + l / q + l * l);
    [
        Section { b: [hn, -2.0 * hn, hn], a: [2.0 * (h * h - 1.0) * hn, (1.0 - h / q + h * h) * hn] },
        Section {
            b: [l * l * ln, 2.0 * l * l * ln, l * l * ln],
            a: [2.0 * (l * l - 1.0) * ln, (1.0 - l / q + l * l) * ln],
        },
    ]
}

/// Two sections a lane, all lanes side by side.
pub struct Bank {
    arch: Arch,
    sections: [Side; 2],
}

/// One section of every lane. Numbers of 32 bits are enough: corners are 150 Hz and higher, where what rounding adds stays 80 dB
/// below a stretch's loudest (60 dB at 192 kHz), and crossings are looked for down to 26 dB below a peak.
#[derive(Clone, Copy)]
struct Side {
    b: [[f32; LANES]; 3],
    a: [[f32; LANES]; 2],
}

impl Bank {
    /// From the two sections of every lane.
    #[must_use]
    pub fn new(lanes: &[[Section; 2]; LANES]) -> Self {
        let side = |k: usize| Side {
            b: std::array::from_fn(|i| lanes.map(|sections| sections[k].b[i] as f32)),
            a: std::array::from_fn(|i| lanes.map(|sections| sections[k].a[i] as f32)),
        };
        Self { arch: Arch::new(), sections: [side(0), side(1)] }
    }

    /// Filters forwards and backwards, so that nothing is delayed.
    pub fn zero_phase(&self, x: &mut [[f32; LANES]]) {
        wide!(self.arch, there_and_back(sections: &'a [Side; 2] = &self.sections, x: &'a mut [[f32; LANES]] = x));
    }
}

#[inline(always)]
fn there_and_back(sections: &[Side; 2], x: &mut [[f32; LANES]]) {
    run(sections, x.iter_mut());
    run(sections, x.iter_mut().rev());
}

/// A number in every lane.
type Row = [f32; LANES];

/// Both sections in one go: while one waits for its last output, the processor is busy with the other.
#[inline(always)]
fn run<'a>(sections: &[Side; 2], x: impl Iterator<Item = &'a mut Row>) {
    // The last and the one before of what goes in, of what comes out of the first section, and of the second.
    let [mut before, mut between, mut after] = [[[0.0f32; LANES]; 2]; 3];
    for row in x {
        let first = step(&sections[0], row, &before, &between);
        let second = step(&sections[1], &first, &between, &after);
        (before, between, after) = ([*row, before[0]], [first, between[0]], [second, after[0]]);
        *row = second;
    }
}

/// The next output (direct form I) from the input, the two inputs before and the two outputs before. What does not wait for the
/// last output comes first, so that the next one waits for a single product.
#[inline(always)]
fn step(side: &Side, input: &Row, [x1, x2]: &[Row; 2], [y1, y2]: &[Row; 2]) -> Row {
    let Side { b: [b0, b1, b2], a: [a1, a2] } = side;
    let mut output = [0.0f32; LANES];
    for l in 0..LANES {
        let fed = b0[l].mul_add(input[l], b1[l].mul_add(x1[l], b2[l] * x2[l]));
        output[l] = (-a1[l]).mul_add(y1[l], (-a2[l]).mul_add(y2[l], fed));
    }
    output
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A sine through each lane of a bank; the highest sample of its middle.
    fn passed(bank: &Bank, hz: f64) -> [f64; LANES] {
        let mut x: Vec<[f32; LANES]> =
            (0..9_600).map(|i| [(std::f64::consts::TAU * hz * f64::from(i) / 48_000.0).sin() as f32; LANES]).collect();
        bank.zero_phase(&mut x);
        std::array::from_fn(|l| x[4_000..5_600].iter().fold(0.0f64, |m, row| m.max(f64::from(row[l].abs()))))
    }

    #[test]
    fn each_lane_filters_as_its_corners_say() {
        // Butterworth, second order: −3.01 dB at the corner each way (Butterworth 1930), so half the amplitude there and back.
        let rate = SampleRate::SESSION;
        let mut lanes = [[Section::THROUGH; 2]; LANES];
        lanes[2] = bandpass(300.0, 3_000.0, rate);
        lanes[5] = [Section::THROUGH, bandpass(10.0, 1_000.0, rate)[1]];
        let bank = Bank::new(&lanes);
        let at = [300.0, 1_000.0, 3_000.0].map(|hz| passed(&bank, hz));
        for (lane, expected) in [(0, [1.0, 1.0, 1.0]), (2, [0.5, 0.98, 0.5]), (5, [0.99, 0.5, 0.012])] {
            for (at, expected) in at.iter().zip(expected) {
                assert!((at[lane] - expected).abs() < 0.012, "lane {lane}: {} for {expected}", at[lane]);
            }
        }
    }

    #[test]
    fn what_rounding_to_32_bits_adds_lies_80_db_below_the_loudest_and_60_at_the_highest_rate() {
        // A low note beside noise, as an attack is looked at, at the usual rate and the highest.
        for (hz, most) in [(48_000, 1e-4), (192_000, 1e-3)] {
            let rate = SampleRate::new(hz).unwrap();
            let sections = bandpass(148.5, 500.0, rate);
            let noise = |i: usize| ((i * 7919) % 2_003) as f32 / 20_030.0;
            let x: Vec<f32> = (0..4_000).map(|i| (i as f32 * 0.01).sin() + noise(i)).collect();
            let mut narrow: Vec<[f32; LANES]> = x.iter().map(|&x| [x; LANES]).collect();
            Bank::new(&[sections; LANES]).zero_phase(&mut narrow);
            let mut wide: Vec<f64> = x.iter().map(|&x| f64::from(x)).collect();
            for _ in 0..2 {
                for Section { b, a } in sections {
                    let [mut z1, mut z2] = [0.0; 2];
                    for x in &mut wide {
                        let y = b[0] * *x + z1;
                        (z1, z2) = (b[1] * *x - a[0] * y + z2, b[2] * *x - a[1] * y);
                        *x = y;
                    }
                }
                wide.reverse();
            }
            let apart = narrow.iter().zip(&wide).fold(0.0f64, |m, (n, w)| m.max((f64::from(n[0]) - w).abs()));
            assert!(apart < most, "{hz} Hz: {apart}");
        }
    }

    #[test]
    fn nothing_is_delayed() {
        let mut lanes = [[Section::THROUGH; 2]; LANES];
        lanes[1] = bandpass(400.0, 1_500.0, SampleRate::SESSION);
        let mut x = vec![[0.0f32; LANES]; 4_001];
        x[2_000] = [1.0; LANES];
        Bank::new(&lanes).zero_phase(&mut x);
        for k in 1..1_500 {
            assert!((x[2_000 - k][1] - x[2_000 + k][1]).abs() < 1e-4, "{k}");
        }
        assert_eq!(x[2_000][0], 1.0);
    }
}
