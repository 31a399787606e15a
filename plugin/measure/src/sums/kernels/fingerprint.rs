//! A 128-bit fingerprint of samples, to tell a repeated frame without keeping the one before.

/// Fingerprint of all rows fed so far, in order.
///
/// Four lanes of multiply-and-fold over groups of four samples; two different frames agree with a chance of about 2⁻⁶⁴.
/// It guards against accident, not against someone who builds a collision.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Fingerprint {
    lanes: [u64; 4],
    length: u64,
}

const KEYS: [u64; 4] =
    [0x9e37_79b9_7f4a_7c15, 0xbf58_476d_1ce4_e5b9, 0x94d0_49bb_1331_11eb, 0xd6e8_feb8_6659_fd93];

impl Default for Fingerprint {
    fn default() -> Self {
        Self { lanes: KEYS, length: 0 }
    }
}

#[inline(always)]
fn fold(lane: u64, word: u64, key: u64) -> u64 {
    let product = u128::from(lane ^ word) * u128::from(key);
    (product as u64) ^ ((product >> 64) as u64) ^ word.rotate_left(32)
}

#[inline(always)]
fn pack(samples: &[u16]) -> u64 {
    samples.iter().rev().fold(0, |word, &x| (word << 16) | u64::from(x))
}

impl Fingerprint {
    /// Takes in one row.
    pub fn row(&mut self, row: &[u16]) {
        let mut groups = row.chunks_exact(16);
        for group in &mut groups {
            let (words, _) = group.as_chunks::<4>();
            for (lane, (&[a, b, c, d], key)) in self.lanes.iter_mut().zip(words.iter().zip(KEYS)) {
                let word = u64::from(a) | u64::from(b) << 16 | u64::from(c) << 32 | u64::from(d) << 48;
                *lane = fold(*lane, word, key);
            }
        }
        for (lane, (samples, key)) in self.lanes.iter_mut().zip(groups.remainder().chunks(4).zip(KEYS)) {
            *lane =
                fold(*lane, pack(samples) ^ 0x8000_0000_0000_0000u64.rotate_right(samples.len() as u32), key);
        }
        // Row lengths enter too, so that rows cannot slide into each other.
        self.length = self.length.wrapping_mul(KEYS[0]).wrapping_add(row.len() as u64);
    }

    /// The 128 bits.
    #[must_use]
    pub fn finish(&self) -> u128 {
        let [a, b, c, d] = self.lanes;
        let low = fold(fold(a, b, KEYS[2]), self.length, KEYS[0]);
        let high = fold(fold(c, d, KEYS[1]), low, KEYS[3]);
        (u128::from(high) << 64) | u128::from(low)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(rows: &[&[u16]]) -> u128 {
        let mut print = Fingerprint::default();
        for row in rows {
            print.row(row);
        }
        print.finish()
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
