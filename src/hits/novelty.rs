//! Novelty: how far a drum's own mics rise above everything that was to be expected.
//!
//! In: powers and predicted bleed of each own mic. Out: one curve in dB, 0..=20.

use super::bands::{BANDS, Bands, Row};
use super::bleed::Expected;
use super::decibel::db;
use super::transpose::Transposer;
use crate::wide::wide;
use pulp::Arch;

/// Frames after the moment at which a stroke's power is taken.
pub const LEAD: usize = 2;
/// Frames before the moment at which the past is taken.
pub const LAG: usize = 5;
/// Highest rise that counts in a band, dB, and the same as a factor of power.
pub const CEILING: f32 = 20.0;
const HIGHEST: f32 = 100.0;

/// Bleed counts double (3 dB of margin), the mic's own past one and a half times.
pub(super) const BLEED_MARGIN: f32 = 2.0;
pub(super) const PAST_MARGIN: f32 = 1.5;

/// One own mic as the novelty sees it.
#[derive(Clone, Copy)]
pub struct Listened<'a> {
    /// Its powers.
    pub power: &'a Bands,
    /// What the rest of the kit explains.
    pub bleed: &'a Expected,
}

/// The mean over own mics and bands of the rise in dB, each held within 0..=20: a log-compressed,
/// half-wave-rectified spectral flux (the family of Dixon 2006, DAFx-06, and Böck and Widmer 2013, DAFx-13)
/// against `2·bleed + 1.5·past` instead of the past alone.
///
/// Value `t` compares frame `t + 2` with frame `t − 5`; the first five and last two frames are 0. The first mic is heard at every
/// frame.
#[must_use]
pub fn novelty(mics: &[Listened]) -> Vec<f32> {
    let frames = mics.first().map_or(0, |m| m.power.len());
    let mut out = vec![0.0f32; frames];
    if frames <= LAG + LEAD {
        return out;
    }
    let share = 1.0 / (BANDS * mics.len()) as f32;
    let (arch, transposer) = (Arch::new(), Transposer::new());
    for mic in mics {
        wide!(
            arch,
            add_rises(
                mic: &'a Listened<'a> = mic,
                share: f32 = share,
                transposer: &'a Transposer = &transposer,
                out: &'a mut [f32] = &mut out,
            )
        );
    }
    out
}

/// Frames whose logarithms are taken together, and halves of a row.
const TOGETHER: usize = 64;
const HALF: usize = 8;

/// Adds the share of one mic.
#[inline(always)]
fn add_rises(mic: &Listened, share: f32, transposer: &Transposer, out: &mut [f32]) {
    let end = out.len() - LEAD;
    let (mut folded, mut columns) = ([[1.0f32; HALF]; TOGETHER], [[1.0f32; TOGETHER]; HALF]);
    for (block, out) in out[LAG..end].chunks_mut(TOGETHER).enumerate() {
        for (k, folded) in folded[..out.len()].iter_mut().enumerate() {
            let t = LAG + block * TOGETHER + k;
            *folded = rises(&mic.power.row_at(t - LAG), &mic.power.row_at(t + LEAD), &mic.bleed.row_at(t + LEAD));
        }
        // Side by side, so that what is left of a row is multiplied for many frames at once.
        transposer.transpose(folded.as_flattened(), HALF, columns.as_flattened_mut(), TOGETHER);
        let [a, b, c, d, e, f, g, h] = &columns;
        for (k, out) in out.iter_mut().enumerate() {
            let product = ((a[k] * e[k]) * (c[k] * g[k])) * ((b[k] * f[k]) * (d[k] * h[k]));
            *out += db(product) * share;
        }
    }
}

/// By what factor each band rises, within 1..=100; those of the upper half of a row multiplied with those of the lower. The
/// product of all stays far below what a number can hold. Two bands share a division, which takes the processor longest.
#[inline(always)]
fn rises(past: &Row, now: &Row, bleed: &Row) -> [f32; HALF] {
    let (mut risen, mut expected) = ([1.0f32; 2 * HALF], [1.0f32; 2 * HALF]);
    for l in 0..risen.len() {
        let from = (BLEED_MARGIN * bleed[l] + PAST_MARGIN * past[l]).max(1e-14);
        let to = now[l].max(from).min(HIGHEST * from);
        (risen[l], expected[l]) = if l < BANDS { (to, from) } else { (1.0, 1.0) };
    }
    std::array::from_fn(|l| (risen[l] * risen[l + HALF]) / (expected[l] * expected[l + HALF]))
}

/// Local maxima of a curve: frames that are the highest of the `reach` frames on either side and above `least`.
/// Of a plateau the first frame is taken.
#[must_use]
pub fn maxima(curve: &[f32], reach: usize, least: f32) -> Vec<usize> {
    let mut out: Vec<usize> = Vec::new();
    for (t, &v) in curve.iter().enumerate() {
        if v <= least || out.last().is_some_and(|&l| t - l <= reach && curve[l] >= v) {
            continue;
        }
        let lo = t.saturating_sub(reach);
        let hi = (t + reach + 1).min(curve.len());
        if curve[lo..t].iter().all(|&x| x < v) && curve[t + 1..hi].iter().all(|&x| x <= v) {
            out.push(t);
        }
    }
    out
}

/// Frames of ring that are learnt, and from which frame after a stroke the mask stands.
const RING_FRAMES: usize = 60;
const RING_FROM: usize = 8;
/// Frames that must follow a stroke's first for its highest power to be known.
const HEAD: usize = 8;

/// What the drum's own ring explains after each stroke: twice the upper-quartile decay of its loud strokes, scaled to each
/// stroke, from 11 to 80 ms after it.
pub struct Ring {
    /// Power of every frame after a stroke's first against its highest.
    decay: [[f32; BANDS]; RING_FRAMES],
    /// Frame and highest powers of every stroke, in order.
    strokes: Vec<(usize, [f32; BANDS])>,
}

impl Ring {
    /// Of `strokes`, as the `loud` ones ring (frames of novelty peaks, both in order). Loud ones at the very end of the
    /// recording teach nothing; where there is no other, nothing rings.
    #[must_use]
    pub fn learn(power: &Bands, strokes: &[usize], loud: &[usize]) -> Self {
        let p = power.rows();
        let mut ring = Self { decay: [[0.0; BANDS]; RING_FRAMES], strokes: Vec::new() };
        let sure: Vec<usize> = loud.iter().copied().filter(|&t| t + RING_FRAMES + HEAD < p.len()).collect();
        if sure.is_empty() {
            return ring;
        }
        let heads: Vec<[f32; BANDS]> = sure.iter().map(|&t| head(p, t)).collect();
        let mut column = vec![0.0f32; sure.len()];
        for (k, row) in ring.decay.iter_mut().enumerate() {
            for (b, d) in row.iter_mut().enumerate() {
                for ((c, &t), h) in column.iter_mut().zip(&sure).zip(&heads) {
                    *c = p[t + k][b] / (h[b] + 1e-14);
                }
                let q = ((column.len() - 1) as f64 * 0.75).round() as usize;
                *d = *column.select_nth_unstable_by(q, f32::total_cmp).1;
            }
        }
        ring.strokes = strokes.iter().filter(|&&t| t + HEAD <= p.len()).map(|&t| (t, head(p, t))).collect();
        ring
    }

    /// Powers explained at frame `t`; 0 where nothing rings.
    #[must_use]
    pub fn at(&self, t: usize) -> [f32; BANDS] {
        let mut out = [0.0f32; BANDS];
        let end = self.strokes.partition_point(|(s, _)| s + RING_FROM <= t);
        for (s, head) in self.strokes[..end].iter().rev().take_while(|(s, _)| t - s < RING_FRAMES) {
            for b in 0..BANDS {
                out[b] = out[b].max(2.0 * self.decay[t - s][b] * head[b]);
            }
        }
        out
    }
}

/// Highest power of each band in the seven frames from `at` on.
fn head(rows: &[[f32; BANDS]], at: usize) -> [f32; BANDS] {
    let mut top = [0.0f32; BANDS];
    for row in &rows[at..(at + HEAD - 1).min(rows.len())] {
        for b in 0..BANDS {
            top[b] = top[b].max(row[b]);
        }
    }
    top
}

#[cfg(test)]
mod against_scipy;

#[cfg(test)]
mod tests {
    use super::*;

    fn flat(frames: usize, level: f32) -> Bands {
        Bands::from_rows(vec![[level; BANDS]; frames])
    }

    fn with_stroke(frames: usize, at: usize, level: f32) -> Bands {
        let row = |t: usize| if t < at { 1e-6 } else { level * 0.9f32.powi((t - at) as i32) + 1e-6 };
        Bands::from_rows((0..frames).map(|t| [row(t); BANDS]).collect())
    }

    fn listen(power: &Bands, bleed: f32) -> Vec<f32> {
        novelty(&[Listened { power, bleed: &Expected::steady([bleed; BANDS]) }])
    }

    // Properties of spectral flux: Dixon 2006 (silence, steady sound, scale, shift, impulse, decay).

    #[test]
    fn a_steady_sound_has_no_novelty() {
        assert!(listen(&flat(50, 0.3), 1e-6).iter().all(|&v| v == 0.0));
        assert!(listen(&flat(50, 0.0), 0.0).iter().all(|&v| v == 0.0));
    }

    #[test]
    fn a_stroke_has_one_maximum_and_its_decay_none() {
        let peaks = maxima(&listen(&with_stroke(200, 90, 0.5), 1e-6), 7, 0.25);
        assert_eq!(peaks.len(), 1);
        assert!(peaks[0].abs_diff(90) <= LEAD);
    }

    #[test]
    fn gain_changes_nothing_and_a_shift_shifts() {
        let stroke = with_stroke(200, 90, 0.5);
        let softer = Bands::from_rows(stroke.rows().iter().map(|r| r.map(|v| v * 0.25)).collect());
        let a = listen(&stroke, 1e-6);
        let b = listen(&softer, 0.25e-6);
        assert!(a.iter().zip(&b).all(|(x, y)| (x - y).abs() < 1e-3));
        let later = listen(&with_stroke(200, 97, 0.5), 1e-6);
        assert!(a[50..150].iter().zip(&later[57..157]).all(|(x, y)| (x - y).abs() < 1e-6));
    }

    #[test]
    fn a_rise_that_the_bleed_explains_is_no_novelty() {
        let heard = with_stroke(200, 90, 0.01);
        let bleed = Expected::from_rows(heard.rows().iter().step_by(2).copied().collect());
        assert!(novelty(&[Listened { power: &heard, bleed: &bleed }]).iter().all(|&v| v == 0.0));
    }

    #[test]
    fn a_soft_stroke_rings_as_the_loud_ones_do_from_11_to_80_ms_after_it() {
        // Loud strokes at frames 100, 300 and 500, a softer one at 700; each loses a tenth a frame.
        let strokes = [(100, 1.0), (300, 1.0), (500, 1.0), (700, 0.01f32)];
        let row =
            |t: usize| strokes.iter().filter(|(s, _)| *s <= t).map(|(s, l)| l * 0.9f32.powi((t - s) as i32)).sum();
        let power = Bands::from_rows((0..900).map(|t| [row(t); BANDS]).collect());
        let ring = Ring::learn(&power, &[100, 300, 500, 700], &[100, 300, 500]);
        for (begins, level) in strokes {
            for k in [RING_FROM, 20, RING_FRAMES - 1] {
                let expected = 2.0 * level * 0.9f32.powi(k as i32);
                assert!((ring.at(begins + k)[3] / expected - 1.0).abs() < 1e-3, "{k} after {begins}");
            }
            for t in [begins - 1, begins, begins + RING_FROM - 1, begins + RING_FRAMES] {
                assert_eq!(ring.at(t), [0.0; BANDS], "frame {t}");
            }
        }
        assert_eq!(Ring::learn(&power, &[100, 300], &[]).at(120), [0.0; BANDS]);
    }

    #[test]
    fn of_two_equal_neighbours_the_first_is_the_maximum() {
        assert_eq!(maxima(&[0.0, 1.0, 1.0, 0.0, 0.0, 0.0, 2.0], 3, 0.5), vec![1, 6]);
    }
}
