//! Chance that falls the same way on every machine.

/// A small generator of pseudo-random numbers: xoshiro256++ (Blackman and Vigna 2021, "Scrambled linear
/// pseudorandom number generators"), its state filled by SplitMix64 (Steele, Lea and Flood 2014).
/// Integer arithmetic only, so a seed gives the same numbers everywhere.
#[derive(Clone, Debug)]
pub struct Dice {
    state: [u64; 4],
}

impl Dice {
    /// Dice for a seed; every seed is usable, 0 included.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        let mut s = seed;
        let state = std::array::from_fn(|_| {
            s = s.wrapping_add(0x9E37_79B9_7F4A_7C15);
            let mut z = s;
            z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
            z ^ (z >> 31)
        });
        Self { state }
    }

    /// Dice for one thing among many under a seed: strokes, mics, bars. Neighbouring numbers are unrelated.
    #[must_use]
    pub fn for_item(seed: u64, kind: u64, item: u64) -> Self {
        Self::new(seed ^ kind.wrapping_mul(0xD6E8_FEB8_6659_FD93) ^ item.wrapping_mul(0xA076_1D64_78BD_642F))
    }

    fn next(&mut self) -> u64 {
        let s = &mut self.state;
        let out = s[0].wrapping_add(s[3]).rotate_left(23).wrapping_add(s[0]);
        let t = s[1] << 17;
        s[2] ^= s[0];
        s[3] ^= s[1];
        s[1] ^= s[2];
        s[0] ^= s[3];
        s[2] ^= t;
        s[3] = s[3].rotate_left(45);
        out
    }

    /// Evenly spread over 0..1 (1 excluded).
    pub fn even(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Evenly spread over a range.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.even()
    }

    /// Whether something of this probability happens.
    pub fn chance(&mut self, probability: f64) -> bool {
        self.even() < probability
    }

    /// A whole number below `n`; 0 for `n` = 0.
    pub fn below(&mut self, n: usize) -> usize {
        ((self.even() * n as f64) as usize).min(n.saturating_sub(1))
    }

    /// Bell-shaped around 0 with a standard deviation of 1: the sum of twelve even numbers less 6, so never
    /// beyond ±6. (People have no infinite tails either.)
    pub fn bell(&mut self) -> f64 {
        (0..12).map(|_| self.even()).sum::<f64>() - 6.0
    }

    /// One sample of white noise, evenly spread over −1..1.
    pub fn noise(&mut self) -> f32 {
        ((self.next() >> 40) as f32 / (1u64 << 23) as f32) - 1.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn splitmix_fills_the_state_with_its_published_first_outputs() {
        // SplitMix64 from seed 1234567: first outputs as in the reference C code's well-known example (from memory).
        let d = Dice::new(1_234_567);
        assert_eq!(d.state[0], 6_457_827_717_110_365_317);
        assert_eq!(d.state[1], 3_203_168_211_198_807_973);
    }

    #[test]
    fn xoshiro_gives_the_published_first_outputs() {
        // xoshiro256++ from state 1, 2, 3, 4: first outputs of the authors' C code (from memory).
        let mut d = Dice { state: [1, 2, 3, 4] };
        assert_eq!([d.next(), d.next(), d.next()], [41_943_041, 58_720_359, 3_588_806_011_781_223]);
    }

    #[test]
    fn even_and_bell_have_the_moments_of_their_laws() {
        let mut d = Dice::new(7);
        let n = 40_000;
        let (mut mean, mut square) = (0.0, 0.0);
        for _ in 0..n {
            let x = d.bell();
            mean += x / f64::from(n);
            square += x * x / f64::from(n);
        }
        assert!(mean.abs() < 0.02 && (square - 1.0).abs() < 0.03, "{mean} {square}");
        let power: f64 = (0..n).map(|_| f64::from(d.noise()).powi(2)).sum::<f64>() / f64::from(n);
        assert!((power - 1.0 / 3.0).abs() < 0.01, "{power}");
    }
}
