//! The room: a feedback delay network that answers the whole kit.

use super::modes::Pole;

const LINES: usize = 8;
/// Lengths of the delay lines, ms: mutually prime in samples for common rates, 4 to 14 m of way.
const LENGTHS_MS: [f64; LINES] = [11.31, 13.73, 17.11, 19.87, 23.33, 29.09, 33.71, 41.29];
/// How the lines are heard at four places of the room: mutually orthogonal signs, so the places differ.
const PLACES: [[f32; LINES]; 4] = [
    [1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0],
    [1.0, -1.0, 1.0, -1.0, 1.0, -1.0, 1.0, -1.0],
    [1.0, 1.0, -1.0, -1.0, 1.0, 1.0, -1.0, -1.0],
    [1.0, -1.0, -1.0, 1.0, 1.0, -1.0, -1.0, 1.0],
];

/// The answer of a room to a sound, at four places. 60 dB fall time in seconds.
///
/// A feedback delay network with a Hadamard matrix (Jot and Chaigne 1991, from memory): every line loses
/// 60·length/`ring` dB a pass, high frequencies a little more.
pub(super) fn answer(sound: &[f32], ring: f64, rate: f64) -> [Vec<f32>; 4] {
    let mut lines: [Vec<f32>; LINES] = LENGTHS_MS.map(|ms| vec![0.0; (ms * 1e-3 * rate).round().max(1.0) as usize]);
    let keep: [f32; LINES] = LENGTHS_MS.map(|ms| libm::pow(10.0, -3.0 * ms * 1e-3 / ring) as f32);
    let mut damp = [Pole::new(5_500.0, rate); LINES];
    let mut at = [0usize; LINES];
    let mut out: [Vec<f32>; 4] = std::array::from_fn(|_| Vec::with_capacity(sound.len()));
    let scale = 1.0 / (LINES as f32).sqrt();
    for &x in sound {
        let mut v: [f32; LINES] = std::array::from_fn(|l| damp[l].low(lines[l][at[l]]) * keep[l]);
        for (place, signs) in out.iter_mut().zip(&PLACES) {
            let mut sum = 0.0;
            for l in 0..LINES {
                sum += signs[l] * v[l];
            }
            place.push(sum * scale);
        }
        // Hadamard transform of eight, in three rounds of sums and differences.
        for half in [1, 2, 4] {
            for l in 0..LINES {
                if l & half == 0 {
                    let (a, b) = (v[l], v[l + half]);
                    v[l] = a + b;
                    v[l + half] = a - b;
                }
            }
        }
        for l in 0..LINES {
            lines[l][at[l]] = x + v[l] * scale;
            at[l] += 1;
            if at[l] == lines[l].len() {
                at[l] = 0;
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_answer_falls_by_sixty_decibels_in_its_ring_time() {
        let rate = 48_000.0;
        let mut click = vec![0.0; 48_000];
        click[0] = 1.0;
        let out = answer(&click, 0.4, rate);
        let power = |from: f64| {
            let a = (from * rate) as usize;
            out[0][a..a + 4_800].iter().map(|x| f64::from(*x).powi(2)).sum::<f64>()
        };
        let fall = 10.0 * (power(0.5) / power(0.1)).log10();
        // 0.4 s later; damping of the highs makes it a little more.
        assert!((-85.0..-58.0).contains(&fall), "{fall}");
    }

    #[test]
    fn nothing_is_heard_before_the_shortest_way() {
        let mut click = vec![0.0; 4_800];
        click[0] = 1.0;
        assert!(answer(&click, 0.4, 48_000.0)[0][..540].iter().all(|x| *x == 0.0));
    }
}
