//! Novelty: how far a drum's own mics rise above everything that was to be expected.
//!
//! In: powers and predicted bleed of each own mic. Out: one curve in dB, 0..=20.

use super::bands::{BANDS, Bands};

/// Frames after the moment at which a stroke's power is taken.
pub const LEAD: usize = 2;
/// Frames before the moment at which the past is taken.
pub const LAG: usize = 5;
/// Highest rise that counts in a band, dB.
pub const CEILING: f32 = 20.0;

/// Bleed counts double (3 dB of margin), the mic's own past one and a half times.
pub(super) const BLEED_MARGIN: f32 = 2.0;
pub(super) const PAST_MARGIN: f32 = 1.5;

/// One own mic as the novelty sees it.
#[derive(Clone, Copy)]
pub struct Listened<'a> {
    /// Its powers.
    pub power: &'a Bands,
    /// What the rest of the kit explains.
    pub bleed: &'a Bands,
}

/// The mean over own mics and bands of the rise in dB, each held within 0..=20: a log-compressed,
/// half-wave-rectified spectral flux (the family of Dixon 2006, DAFx-06, and Böck and Widmer 2013, DAFx-13)
/// against `2·bleed + 1.5·past` instead of the past alone.
///
/// Value `t` compares frame `t + 2` with frame `t − 5`; the first five and last two frames are 0.
#[must_use]
pub fn novelty(mics: &[Listened]) -> Vec<f32> {
    let frames = mics.first().map_or(0, |m| m.power.len());
    let mut out = vec![0.0f32; frames];
    if frames <= LAG + LEAD {
        return out;
    }
    let share = 1.0 / (BANDS * mics.len()) as f32;
    for mic in mics {
        let (p, bleed) = (mic.power.rows(), mic.bleed.rows());
        for t in LAG..frames - LEAD {
            let (now, past, b) = (&p[t + LEAD], &p[t - LAG], &bleed[t + LEAD]);
            let mut sum = 0.0;
            for i in 0..BANDS {
                let expected = BLEED_MARGIN * b[i] + PAST_MARGIN * past[i];
                if now[i] > expected {
                    sum += (10.0 * (now[i] / expected.max(1e-14)).log10()).min(CEILING);
                }
            }
            out[t] += sum * share;
        }
    }
    out
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

/// What the drum's own ring explains after each stroke: twice the upper-quartile decay of its loud strokes
/// (`loud`, frames of novelty peaks), scaled to each of `strokes`, from 11 to 80 ms after it.
#[must_use]
pub fn ring(power: &Bands, strokes: &[usize], loud: &[usize]) -> Vec<[f32; BANDS]> {
    let p = power.rows();
    let mut out = vec![[0.0f32; BANDS]; p.len()];
    let head = |at: usize| -> [f32; BANDS] {
        let mut top = [0.0f32; BANDS];
        for row in &p[at..(at + 7).min(p.len())] {
            for b in 0..BANDS {
                top[b] = top[b].max(row[b]);
            }
        }
        top
    };
    let sure: Vec<usize> = loud.iter().copied().filter(|&t| t + RING_FRAMES + 8 < p.len()).collect();
    if sure.is_empty() {
        return out;
    }
    let heads: Vec<[f32; BANDS]> = sure.iter().map(|&t| head(t)).collect();
    let mut decay = [[0.0f32; BANDS]; RING_FRAMES];
    let mut column = vec![0.0f32; sure.len()];
    for (k, row) in decay.iter_mut().enumerate() {
        for (b, d) in row.iter_mut().enumerate() {
            for ((c, &t), h) in column.iter_mut().zip(&sure).zip(&heads) {
                *c = p[t + k][b] / (h[b] + 1e-14);
            }
            let q = ((column.len() - 1) as f64 * 0.75).round() as usize;
            *d = *column.select_nth_unstable_by(q, f32::total_cmp).1;
        }
    }
    for &t in strokes {
        if t + 7 >= p.len() {
            continue;
        }
        let h = head(t);
        for k in RING_FROM..RING_FRAMES.min(p.len() - t) {
            for b in 0..BANDS {
                out[t + k][b] = out[t + k][b].max(2.0 * decay[k][b] * h[b]);
            }
        }
    }
    out
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

    fn listen<'a>(power: &'a Bands, bleed: &'a Bands) -> Vec<f32> {
        novelty(&[Listened { power, bleed }])
    }

    // Properties of spectral flux: Dixon 2006 (silence, steady sound, scale, shift, impulse, decay).

    #[test]
    fn a_steady_sound_has_no_novelty() {
        assert!(listen(&flat(50, 0.3), &flat(50, 1e-6)).iter().all(|&v| v == 0.0));
        assert!(listen(&flat(50, 0.0), &flat(50, 0.0)).iter().all(|&v| v == 0.0));
    }

    #[test]
    fn a_stroke_has_one_maximum_and_its_decay_none() {
        let peaks = maxima(&listen(&with_stroke(200, 90, 0.5), &flat(200, 1e-6)), 7, 0.25);
        assert_eq!(peaks.len(), 1);
        assert!(peaks[0].abs_diff(90) <= LEAD);
    }

    #[test]
    fn gain_changes_nothing_and_a_shift_shifts() {
        let gain = |b: &Bands, g: f32| Bands::from_rows(b.rows().iter().map(|r| r.map(|v| v * g)).collect());
        let (stroke, bleed) = (with_stroke(200, 90, 0.5), flat(200, 1e-6));
        let a = listen(&stroke, &bleed);
        let b = listen(&gain(&stroke, 0.25), &gain(&bleed, 0.25));
        assert!(a.iter().zip(&b).all(|(x, y)| (x - y).abs() < 1e-3));
        let later = listen(&with_stroke(200, 97, 0.5), &bleed);
        assert!(a[50..150].iter().zip(&later[57..157]).all(|(x, y)| (x - y).abs() < 1e-6));
    }

    #[test]
    fn a_rise_that_the_bleed_explains_is_no_novelty() {
        let heard = with_stroke(200, 90, 0.01);
        assert!(listen(&heard, &heard).iter().all(|&v| v == 0.0));
    }

    #[test]
    fn of_two_equal_neighbours_the_first_is_the_maximum() {
        assert_eq!(maxima(&[0.0, 1.0, 1.0, 0.0, 0.0, 0.0, 2.0], 3, 0.5), vec![1, 6]);
    }
}
