//! Sums and products along one row by plain loops, for samples of any width.

use super::Sample;

/// Σx and Σx².
#[inline(always)]
#[must_use]
pub fn moments<T: Sample>(row: &[T]) -> (u64, u64) {
    let (mut sum, mut square) = (0u64, 0u64);
    // 32 bits hold the sum of 2¹⁵ values of 17 bits.
    for chunk in row.chunks(1 << 15) {
        let mut part = 0u32;
        for &x in chunk {
            part = part.wrapping_add(x.wide());
            square += x.times(x);
        }
        sum += u64::from(part);
    }
    (sum, square)
}

/// Σaᵢ·bᵢ over the shorter of both.
#[inline(always)]
#[must_use]
pub fn dot<T: Sample>(a: &[T], b: &[T]) -> u64 {
    a.iter().zip(b).map(|(&a, &b)| a.times(b)).sum()
}

/// Σxᵢ·xᵢ₊₁.
#[inline(always)]
#[must_use]
pub fn neighbour_products<T: Sample>(row: &[T]) -> u64 {
    if row.is_empty() { 0 } else { dot(&row[..row.len() - 1], &row[1..]) }
}

/// Adds every value to its own 32-bit sum; the caller sees to it that no sum overflows.
#[inline(always)]
pub fn accumulate<T: Sample>(sums: &mut [u32], row: &[T]) {
    for (sum, &x) in sums.iter_mut().zip(row) {
        *sum = sum.wrapping_add(x.wide());
    }
}

/// Lowest and highest value; `None` of nothing.
#[inline(always)]
#[must_use]
pub fn extremes<T: Sample>(row: &[T]) -> Option<(T, T)> {
    let first = *row.first()?;
    Some(row.iter().fold((first, first), |(low, high), &x| (low.min(x), high.max(x))))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sums::kernels::oracle;
    use proptest::prelude::*;

    fn check(row: &[u16], other: &[u16]) {
        let wide: Vec<u32> = row.iter().map(|&x| 2 * u32::from(x)).collect();
        assert_eq!(moments(row), oracle::moments(row));
        assert_eq!(moments(&wide), oracle::moments(&wide));
        assert_eq!(dot(row, other), oracle::dot(row, other));
        assert_eq!(extremes(row), oracle::extremes(row));
        if row.len() > 1 {
            assert_eq!(neighbour_products(row), oracle::dot(&row[..row.len() - 1], &row[1..]));
        }
    }

    #[test]
    fn short_rows_block_edges_and_extremes_equal_the_oracle() {
        let lengths = (0..=70).chain([32767, 32768, 32769, 65535, 65536, 65537]);
        for length in lengths {
            for value in [0, 1, u16::MAX] {
                check(&vec![value; length], &vec![u16::MAX; length]);
            }
        }
    }

    proptest! {
        #[test]
        fn random_rows_equal_the_oracle(row in prop::collection::vec(any::<u16>(), 0..200),
                                        other in prop::collection::vec(any::<u16>(), 0..200)) {
            check(&row, &other);
        }
    }
}
