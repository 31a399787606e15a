//! A 128-bit fingerprint of samples, to tell a repeated frame without keeping the one before.
//!
//! Every sample of a row is multiplied by the key of its place; the products are summed in [`LANES`] sums of 32 bits, and
//! the sums are folded into the state, row after row. One changed sample changes its sum whatever the key, since
//! |x − x′|·key < 2³¹. Changes of several samples go unseen where they cancel in every lane that they touch: with keys of 14
//! free bits and without order, small changes of three samples that share a lane cancel once in some 2¹⁵ places; noise,
//! which moves all lanes of all rows, does not. It guards against accident, not against someone who builds a collision.

use super::lanes::Simd;
use super::scan;

/// Sums that the samples of a row are spread over: neighbours in pairs, then around.
pub const LANES: usize = 16;
/// Samples that meet all lanes once.
pub const STEP: usize = 2 * LANES;
/// Samples before the keys begin again and the sums are folded.
pub const PERIOD: usize = 4096;

/// Odd keys below 2¹⁵, all of them different and in no order.
pub static KEYS: [i16; PERIOD] = {
    let mut keys = [0; PERIOD];
    let mut i = 0;
    while i < PERIOD {
        // Steps that each can be undone, so that no two places meet in one of the 2¹⁴ odd numbers.
        let mut x = i as u32;
        let mut round = 0;
        while round < 3 {
            x = (x ^ (x >> 7)).wrapping_mul(0x2c9d) & 0x3fff;
            x = (x ^ (x >> 5)).wrapping_add(0x1a35) & 0x3fff;
            round += 1;
        }
        keys[i] = (2 * x + 1) as i16;
        i += 1;
    }
    keys
};

const FOLDS: [u64; 4] =
    [0x9e37_79b9_7f4a_7c15, 0xbf58_476d_1ce4_e5b9, 0x94d0_49bb_1331_11eb, 0xd6e8_feb8_6659_fd93];

/// Fingerprint of all rows fed so far, in order.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Fingerprint {
    lanes: [u64; 4],
    length: u64,
}

impl Default for Fingerprint {
    fn default() -> Self {
        Self { lanes: FOLDS, length: 0 }
    }
}

#[inline(always)]
fn fold(lane: u64, word: u64, key: u64) -> u64 {
    let product = u128::from(lane ^ word) * u128::from(key);
    (product as u64) ^ ((product >> 64) as u64) ^ word.rotate_left(32)
}

impl Fingerprint {
    /// Takes in the keyed sums of `samples` samples, at most [`PERIOD`] of a row.
    #[inline(always)]
    pub fn sums(&mut self, sums: &[i32; LANES], samples: usize) {
        let (pairs, _) = sums.as_chunks::<2>();
        for words in pairs.chunks_exact(4) {
            for ((lane, &[low, high]), key) in self.lanes.iter_mut().zip(words).zip(FOLDS) {
                let word = u64::from(low as u32) | u64::from(high as u32) << 32;
                *lane = fold(*lane, word, key);
            }
        }
        // Row lengths enter too, so that rows cannot slide into each other.
        self.length = self.length.wrapping_mul(FOLDS[0]).wrapping_add(samples as u64);
    }

    /// Takes in one row.
    #[inline(always)]
    pub fn row<S: Simd>(&mut self, simd: S, row: &[u16]) {
        for part in row.chunks(PERIOD) {
            self.sums(&scan::row::<S, _, false, false>(simd, part).1, part.len());
        }
    }

    /// The 128 bits.
    #[must_use]
    pub fn finish(&self) -> u128 {
        let [a, b, c, d] = self.lanes;
        let low = fold(fold(a, b, FOLDS[2]), self.length, FOLDS[0]);
        let high = fold(fold(c, d, FOLDS[1]), low, FOLDS[3]);
        (u128::from(high) << 64) | u128::from(low)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sums::kernels::levels;
    use fearless_simd::dispatch;

    fn of(rows: &[&[u16]]) -> u128 {
        let all: Vec<u128> =
            levels().into_iter().map(|level| dispatch!(level, simd => at(simd, rows))).collect();
        assert!(all.iter().all(|print| *print == all[0]), "levels differ");
        all[0]
    }

    #[inline(always)]
    fn at<S: Simd>(simd: S, rows: &[&[u16]]) -> u128 {
        let mut print = Fingerprint::default();
        rows.iter().for_each(|row| print.row(simd, row));
        print.finish()
    }

    #[test]
    fn keys_are_odd_and_all_different() {
        let seen: std::collections::HashSet<i16> = KEYS.into_iter().collect();
        assert_eq!(seen.len(), PERIOD);
        assert!(KEYS.iter().all(|key| *key > 0 && key % 2 == 1));
    }

    #[test]
    fn one_changed_sample_bit_or_place_is_seen() {
        for length in 1..70usize {
            let row: Vec<u16> = (0..length as u16).map(|x| x.wrapping_mul(40503)).collect();
            let whole = of(&[&row, &row]);
            assert_eq!(whole, of(&[&row, &row]));
            for at in 0..length {
                for bit in 0..16 {
                    let mut other = row.clone();
                    other[at] ^= 1 << bit;
                    assert_ne!(whole, of(&[&row, &other]), "length {length} sample {at} bit {bit}");
                    assert_ne!(whole, of(&[&other, &row]), "length {length} sample {at} bit {bit}");
                }
            }
        }
    }

    /// What pictures do: move by a distance that lanes or keys might share, or bend by equal steps.
    #[test]
    fn moved_bars_and_bent_ramps_are_seen() {
        let mut seen = std::collections::HashSet::new();
        for at in 0..7000 {
            let mut row = [64u16; 7680];
            row[at..at + 40].fill(940);
            assert!(seen.insert(of(&[&row])), "bar at {at}");
        }
        let flat = of(&[&[500; 7680]]);
        for distance in [1, 2, 16, 32, 64, 128, 1024, 2048, 3000] {
            for at in 0..512 {
                let mut row = [500u16; 7680];
                row[at] += 1;
                row[at + distance] -= 2;
                row[at + 2 * distance] += 1;
                assert_ne!(flat, of(&[&row]), "{at} {distance}");
            }
        }
    }

    #[test]
    fn zeros_of_different_extent_differ() {
        let zeros = [0u16; 64];
        let mut seen = std::collections::HashSet::new();
        for length in 0..=64 {
            assert!(seen.insert(of(&[&zeros[..length]])));
        }
        assert_ne!(of(&[&zeros[..32], &zeros[..16]]), of(&[&zeros[..16], &zeros[..32]]));
    }

    #[test]
    fn swapped_rows_differ() {
        let (a, b) = ([1u16, 2, 3, 4], [4u16, 3, 2, 1]);
        assert_ne!(of(&[&a, &b]), of(&[&b, &a]));
    }
}
