//! Random numbers that are a function of their place: no state, so any frame can be made first.

use std::sync::LazyLock;

use noise_measure::quantile;

/// Step of SplitMix64's counter: 2⁶⁴ over the golden ratio.
const STEP: u64 = 0x9e37_79b9_7f4a_7c15;

/// Output function of SplitMix64 (Steele, Lea, Flood 2014, "Fast splittable pseudorandom number generators", fig. 14).
const fn mix(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// What a number is drawn for; different purposes never share one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Purpose {
    /// Shot and read noise, three channels a number.
    Pixels = 1,
    /// Electrons of dark places, one number a sample.
    Photons,
    /// Offsets of rows.
    Rows,
    /// Offsets of columns.
    Columns,
    /// Sensitivity of pixels.
    Sensitivity,
    /// Dark offsets of pixels.
    Offsets,
    /// Which pixels are hot, and how.
    Hot,
    /// Strength of a frame's noise.
    Gain,
    /// Where a temporal filter begins.
    Start,
}

/// The numbers of one line: the sequence of SplitMix64 from a start that purpose, seed, frame and line decide.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Line {
    start: u64,
}

impl Line {
    pub fn new(seed: u64, purpose: Purpose, frame: u64, line: u64) -> Self {
        let fold = |state: u64, word: u64| mix(state.wrapping_add(STEP) ^ mix(word.wrapping_add(STEP)));
        Self { start: fold(fold(fold(mix(seed), purpose as u64), frame), line) }
    }

    /// 64 independent bits for place `x`.
    #[inline]
    pub const fn bits(self, x: u64) -> u64 {
        mix(self.start.wrapping_add(x.wrapping_add(1).wrapping_mul(STEP)))
    }

    /// A number in 0..1, never 0 or 1.
    #[inline]
    pub fn uniform(self, x: u64) -> f64 {
        uniform(self.bits(x))
    }
}

/// A number in 0..1 from the upper 52 bits, never 0 or 1.
#[inline]
pub(crate) fn uniform(bits: u64) -> f64 {
    ((bits >> 12) as f64 + 0.5) * 52.0_f64.exp2().recip()
}

/// Normal deviates from 16 bits each: 2¹⁶ equally likely values, symmetric, with variance 1.
///
/// The values are the normal's quantiles at the middles of as many equal slices of probability, scaled to variance 1;
/// the farthest is 4.28. Fourth moment 3 − 5·10⁻⁴: far below what a clip's worth of samples can tell.
#[derive(Debug)]
pub(crate) struct Normals {
    upper: Box<[f32]>,
}

const HALF: usize = 1 << 15;

impl Normals {
    /// The one table of the process.
    pub fn shared() -> &'static Self {
        static TABLE: LazyLock<Normals> = LazyLock::new(Normals::new);
        &TABLE
    }

    fn new() -> Self {
        let slices = 2.0 * HALF as f64;
        let upper: Vec<f64> = (0..HALF).map(|i| quantile::normal(0.5 + (i as f64 + 0.5) / slices)).collect();
        let square = upper.iter().map(|z| z * z).sum::<f64>() / HALF as f64;
        let scale = square.sqrt().recip();
        Self { upper: upper.into_iter().map(|z| (z * scale) as f32).collect() }
    }

    /// The deviate of the lowest 16 bits.
    #[inline]
    pub fn get(&self, bits: u64) -> f32 {
        let magnitude = self.upper[bits as usize & (HALF - 1)];
        f32::from_bits(magnitude.to_bits() | ((bits as u32 & HALF as u32) << 16))
    }
}

/// The Poisson quantile at `uniform` for `mean`, by stepping through its probabilities; for small means.
#[inline]
pub(crate) fn poisson(mean: f32, uniform: f64) -> f32 {
    let mean = f64::from(mean);
    let mut term = (-mean).exp();
    let mut below = term;
    let mut count = 0.0;
    // Ends by itself once the terms no longer change the sum; the guard holds rounding at bay.
    while below < uniform && count < 200.0 {
        count += 1.0;
        term *= mean / count;
        below += term;
    }
    count as f32
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn splitmix_gives_its_published_sequence() {
        // The first two outputs for seed 1234567, as they are published with the generator; from memory.
        let line = Line { start: 1_234_567 };
        assert_eq!(line.bits(0), 6_457_827_717_110_365_317);
        assert_eq!(line.bits(1), 3_203_168_211_198_807_973);
    }

    #[test]
    fn deviates_have_the_moments_of_a_normal() {
        let normals = Normals::new();
        let moment = |power: i32| {
            (0..1_u64 << 16).map(|bits| f64::from(normals.get(bits)).powi(power)).sum::<f64>() / 65536.0
        };
        assert!(moment(1).abs() < 1e-12);
        assert!((moment(2) - 1.0).abs() < 1e-6, "{}", moment(2));
        assert!(moment(3).abs() < 1e-12);
        assert!((moment(4) - 3.0).abs() < 1e-3, "{}", moment(4));
    }

    #[test]
    fn lines_differ_in_every_coordinate() {
        let one = Line::new(1, Purpose::Pixels, 2, 3).bits(0);
        for other in [
            Line::new(2, Purpose::Pixels, 2, 3),
            Line::new(1, Purpose::Rows, 2, 3),
            Line::new(1, Purpose::Pixels, 3, 2),
            Line::new(1, Purpose::Pixels, 2, 4),
        ] {
            assert_ne!(one, other.bits(0));
        }
    }
}
