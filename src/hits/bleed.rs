//! Predicted bleed: what the other mics say must be heard in a close mic.
//!
//! In: band powers of a drum's own mics and of all others. Out: for each own mic the power that the
//! rest of the kit explains, frame by frame and band by band.

use super::bands::{BANDS, Bands};

/// Most frames that a fit looks at.
const FIT_FRAMES: usize = 6_000;
/// Rounds of multiplicative updates.
const ROUNDS: usize = 50;
/// Fewest frames above the noise for a fit to mean anything.
const LEAST_FRAMES: usize = 200;
/// Frames after a known stroke of the drum itself that the fit leaves out, 133 ms.
const STROKE_FRAMES: usize = 100;
/// Frames after a known stroke at which its own share is compared, 2.7 ms.
const STROKE_HEIGHT: usize = 2;
/// Most of a known stroke that one regressor may claim to explain: the other mics hear the drum too, but that is no bleed.
const MOST_OF_A_STROKE: f32 = 0.05;
/// What the hold loses a frame: 1 dB of power.
const HOLD_DECAY: f32 = 0.794_328_2;

/// Expected power of each own mic when its drum is not struck: noise floor plus bleed.
///
/// The bleed is a non-negative mixture of the other mics' powers, two regressors a mic (the highest of five
/// frames around, and a hold that falls 1 dB a frame) and the mic's own floor (twice its tenth percentile).
/// It is fitted on the take itself by multiplicative Itakura-Saito updates (Févotte, Bertin and Durrieu 2009,
/// Neural Computation 21(3), from memory), each frame weighted 1/(1 + (r/2)²) with r the ratio of power to
/// prediction, so that the drum's own strokes fall out as outliers. No labels are needed. Without other mics
/// the prediction is the floor.
///
/// Frames within `STROKE_FRAMES` after one of `strokes` (in order) are known to be the drum's own and are left
/// out of the fit. All mics have the same number of frames. Cost: frames × mics × bands, plus the fit.
#[must_use]
pub fn predicted_bleed(own: &[&Bands], others: &[&Bands], strokes: &[usize]) -> Vec<Bands> {
    let mut free = vec![true; own.first().map_or(0, |o| o.len())];
    for &t in strokes {
        let end = (t + STROKE_FRAMES).min(free.len());
        free[t.saturating_sub(6).min(end)..end].fill(false);
    }
    let frames = own.first().map_or(0, |o| o.len());
    let noise: Vec<[f32; BANDS]> = own.iter().map(|o| o.quantile(0.10).map(|q| 2.0 * q + 1e-11)).collect();
    let floors: Vec<[f32; BANDS]> = others.iter().map(|o| o.quantile(0.10).map(|q| 1.5 * q)).collect();
    let mut fits: Vec<Vec<Fit>> = own
        .iter()
        .zip(&noise)
        .map(|(o, noise)| (0..BANDS).map(|b| Fit::new(o, b, noise[b], 2 * others.len() + 1, &free)).collect())
        .collect();

    for (j, (other, floor)) in others.iter().zip(&floors).enumerate() {
        let mut at = vec![[0usize; BANDS]; own.len()];
        let mut next = 0;
        regressors(other, floor, |t, spread, hold| {
            while strokes.get(next).is_some_and(|&s| s + STROKE_HEIGHT < t) {
                next += 1;
            }
            if strokes.get(next).is_some_and(|&s| s + STROKE_HEIGHT == t) {
                for (fits, o) in fits.iter_mut().zip(own) {
                    for (b, fit) in fits.iter_mut().enumerate() {
                        let power = MOST_OF_A_STROKE * o.rows()[t][b];
                        fit.shares.push([power / (spread[b] + 1e-14), power / (hold[b] + 1e-14)]);
                    }
                }
            }
            for (fits, at) in fits.iter_mut().zip(&mut at) {
                for (b, fit) in fits.iter_mut().enumerate() {
                    if fit.chosen.get(at[b]) == Some(&(t as u32)) {
                        fit.columns[2 * j][at[b]] = spread[b];
                        fit.columns[2 * j + 1][at[b]] = hold[b];
                        at[b] += 1;
                    }
                }
            }
        });
        for fit in fits.iter_mut().flatten() {
            fit.cap(j);
        }
    }

    let weights: Vec<Vec<Vec<f32>>> =
        fits.into_iter().map(|fits| fits.into_iter().map(Fit::solve).collect::<Vec<_>>()).collect();

    let mut out: Vec<Vec<[f32; BANDS]>> = weights
        .iter()
        .zip(&noise)
        .map(|(w, noise)| {
            let base: [f32; BANDS] = std::array::from_fn(|b| noise[b] * (1.0 + w[b][2 * others.len()]));
            vec![base; frames]
        })
        .collect();
    for (j, (other, floor)) in others.iter().zip(&floors).enumerate() {
        let pair: Vec<([f32; BANDS], [f32; BANDS])> = weights
            .iter()
            .map(|w| (std::array::from_fn(|b| w[b][2 * j]), std::array::from_fn(|b| w[b][2 * j + 1])))
            .collect();
        regressors(other, floor, |t, spread, hold| {
            for (rows, (ws, wh)) in out.iter_mut().zip(&pair) {
                let row = &mut rows[t];
                for b in 0..BANDS {
                    row[b] += ws[b] * spread[b] + wh[b] * hold[b];
                }
            }
        });
    }
    out.into_iter().map(Bands::from_rows).collect()
}

/// Calls `each(frame, spread, hold)` for every frame of a mic, its floor taken off.
fn regressors(mic: &Bands, floor: &[f32; BANDS], mut each: impl FnMut(usize, &[f32; BANDS], &[f32; BANDS])) {
    let rows = mic.rows();
    let clean = |t: usize| -> [f32; BANDS] { std::array::from_fn(|b| (rows[t][b] - floor[b]).max(0.0)) };
    let mut hold = [0.0f32; BANDS];
    let mut ring = [[0.0f32; BANDS]; 5];
    for t in 0..rows.len().min(2) {
        ring[t] = clean(t);
    }
    for t in 0..rows.len() {
        // Slot of frame t+2; beyond the end it is emptied so that old frames fall out.
        ring[(t + 2) % 5] = if t + 2 < rows.len() { clean(t + 2) } else { [0.0; BANDS] };
        let now = ring[t % 5];
        let mut spread = ring[0];
        for r in &ring[1..] {
            for b in 0..BANDS {
                spread[b] = spread[b].max(r[b]);
            }
        }
        for b in 0..BANDS {
            hold[b] = now[b].max(hold[b] * HOLD_DECAY);
        }
        each(t, &spread, &hold);
    }
}

/// The fit of one own mic in one band.
struct Fit {
    chosen: Vec<u32>,
    power: Vec<f32>,
    /// Regressors, one column each; the last is the floor.
    columns: Vec<Vec<f32>>,
    /// Highest weight of each column.
    caps: Vec<f32>,
    /// Weights at which the mic being read would explain its share of each known stroke.
    shares: Vec<[f32; 2]>,
}

impl Fit {
    fn new(own: &Bands, band: usize, noise: f32, columns: usize, free: &[bool]) -> Self {
        let above: Vec<u32> =
            (0..own.len()).filter(|&t| free[t] && own.rows()[t][band] > 3.0 * noise).map(|t| t as u32).collect();
        let chosen: Vec<u32> = if above.len() < LEAST_FRAMES || columns == 1 {
            Vec::new()
        } else {
            above.iter().copied().step_by(above.len().div_ceil(FIT_FRAMES)).collect()
        };
        let power = chosen.iter().map(|&t| own.rows()[t as usize][band]).collect();
        let mut cols = vec![vec![0.0; chosen.len()]; columns];
        cols[columns - 1].fill(noise);
        Self { chosen, power, columns: cols, caps: vec![f32::MAX; columns], shares: Vec::new() }
    }

    /// Closes the reading of another mic: the median over the known strokes is the most its weights may reach.
    fn cap(&mut self, mic: usize) {
        for k in 0..2 {
            let mut limits: Vec<f32> = self.shares.iter().map(|s| s[k]).collect();
            if !limits.is_empty() {
                let middle = limits.len() / 2;
                self.caps[2 * mic + k] = *limits.select_nth_unstable_by(middle, f32::total_cmp).1;
            }
        }
        self.shares.clear();
    }

    /// Weights of the columns; zeros where there was too little to fit.
    fn solve(self) -> Vec<f32> {
        let n = self.power.len();
        let mut w = vec![0.0f32; self.columns.len()];
        if n == 0 {
            return w;
        }
        let mean = |x: &[f32]| (x.iter().map(|&v| f64::from(v)).sum::<f64>() / n as f64) as f32;
        let own = mean(&self.power);
        for (w, c) in w.iter_mut().zip(&self.columns) {
            *w = (0.01 * own / (mean(c) + 1e-20)).min(1.0);
        }
        let mut v = vec![0.0f32; n];
        let mut up = vec![0.0f32; n];
        let mut down = vec![0.0f32; n];
        for _ in 0..ROUNDS {
            v.fill(1e-14);
            for (w, c) in w.iter().zip(&self.columns) {
                for (v, x) in v.iter_mut().zip(c) {
                    *v += w * x;
                }
            }
            for i in 0..n {
                let r = self.power[i] / v[i];
                let weight = 1.0 / (1.0 + 0.25 * r * r);
                down[i] = weight / v[i];
                up[i] = down[i] * r;
            }
            for ((w, c), cap) in w.iter_mut().zip(&self.columns).zip(&self.caps) {
                let (a, b) = dots(&up, &down, c);
                *w = (*w * (a / (b + 1e-30)).sqrt()).min(*cap);
            }
        }
        w
    }
}

/// Two dot products with one vector in one pass, in eight fixed lanes (a fixed order of sums).
fn dots(a: &[f32], b: &[f32], x: &[f32]) -> (f32, f32) {
    let mut sa = [0.0f32; 8];
    let mut sb = [0.0f32; 8];
    let (ca, cb, cx) = (a.chunks_exact(8), b.chunks_exact(8), x.chunks_exact(8));
    let rest = ca.remainder().iter().zip(cb.remainder()).zip(cx.remainder());
    let (mut ra, mut rb) = (0.0, 0.0);
    for ((a, b), x) in rest {
        ra += a * x;
        rb += b * x;
    }
    for ((a, b), x) in ca.zip(cb).zip(cx) {
        for i in 0..8 {
            sa[i] += a[i] * x[i];
            sb[i] += b[i] * x[i];
        }
    }
    (sa.iter().sum::<f32>() + ra, sb.iter().sum::<f32>() + rb)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rows that are loud for three frames in every `period`, by a factor in all bands, over a floor.
    fn pulses(frames: usize, period: usize, phase: usize, loud: f32) -> Bands {
        Bands::from_rows((0..frames).map(|t| [if t % period == phase { loud } else { 1e-6 }; BANDS]).collect())
    }

    fn mix(a: &Bands, ga: f32, b: &Bands, gb: f32) -> Bands {
        let rows = a.rows().iter().zip(b.rows());
        Bands::from_rows(rows.map(|(x, y)| std::array::from_fn(|i| ga * x[i] + gb * y[i])).collect())
    }

    #[test]
    fn a_mic_of_pure_bleed_is_explained_by_its_source() {
        let hat = pulses(20_000, 16, 3, 1.0);
        let silent = pulses(20_000, 20_001, 20_000, 0.0);
        let snare = mix(&silent, 1.0, &hat, 0.01);
        let bleed = &predicted_bleed(&[&snare], &[&hat], &[])[0];
        for t in (3 + 16 * 20..19_000).step_by(16) {
            assert!(bleed.rows()[t][5] > 0.7 * snare.rows()[t][5], "frame {t}");
        }
    }

    #[test]
    fn the_drums_own_strokes_are_not_explained_away() {
        let hat = pulses(20_000, 16, 3, 1.0);
        let strokes = pulses(20_000, 400, 11, 1.0);
        let snare = mix(&strokes, 1.0, &hat, 0.01);
        let bleed = &predicted_bleed(&[&snare], &[&hat], &[])[0];
        for t in (411..19_000).step_by(400) {
            assert!(bleed.rows()[t][5] < 0.05 * snare.rows()[t][5], "frame {t}");
        }
    }

    #[test]
    fn without_other_mics_only_the_floor_is_expected() {
        let strokes = pulses(5_000, 400, 11, 1.0);
        let bleed = &predicted_bleed(&[&strokes], &[], &[])[0];
        assert!(bleed.rows().iter().all(|r| (r[0] - 2e-6).abs() < 1e-7));
    }
}
