//! Sums and products along one row.

use super::{Sample, oracle};

/// Σx and Σx².
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
#[must_use]
pub fn dot<T: Sample>(a: &[T], b: &[T]) -> u64 {
    a.iter().zip(b).map(|(&a, &b)| a.times(b)).sum()
}

/// Σxᵢ·xᵢ₊₁.
#[must_use]
pub fn neighbour_products<T: Sample>(row: &[T]) -> u64 {
    if row.is_empty() { 0 } else { dot(&row[..row.len() - 1], &row[1..]) }
}

/// Adds every value to its own 32-bit sum; the caller sees to it that no sum overflows.
pub fn accumulate<T: Sample>(sums: &mut [u32], row: &[T]) {
    for (sum, &x) in sums.iter_mut().zip(row) {
        *sum = sum.wrapping_add(x.wide());
    }
}

/// Lowest and highest value; `None` of nothing.
#[must_use]
pub fn extremes<T: Sample>(row: &[T]) -> Option<(T, T)> {
    let first = *row.first()?;
    Some(row.iter().fold((first, first), |(low, high), &x| (low.min(x), high.max(x))))
}

/// Number of values below `limit`.
#[must_use]
pub fn count_below(row: &[u16], limit: u16) -> u64 {
    // Counters as wide as the samples keep the vector lanes full.
    row.chunks(1 << 15)
        .map(|chunk| u64::from(chunk.iter().fold(0u16, |count, &x| count.wrapping_add(u16::from(x < limit)))))
        .sum()
}

/// Number of values above `limit`.
#[must_use]
pub fn count_above(row: &[u16], limit: u16) -> u64 {
    row.chunks(1 << 15)
        .map(|chunk| u64::from(chunk.iter().fold(0u16, |count, &x| count.wrapping_add(u16::from(x > limit)))))
        .sum()
}

/// Number of places where any of the rows is outside its `low..=high`. One row, or three of equal length.
#[must_use]
pub fn count_any_outside(rows: &[&[u16]], bounds: &[(u16, u16)]) -> u64 {
    let outside = |x: u16, (low, high): (u16, u16)| u16::from(x < low) | u16::from(x > high);
    match (rows, bounds) {
        ([a], [of_a]) => a
            .chunks(1 << 15)
            .map(|a| u64::from(a.iter().fold(0u16, |count, &x| count.wrapping_add(outside(x, *of_a)))))
            .sum(),
        ([a, b, c], [of_a, of_b, of_c]) => a
            .chunks(1 << 15)
            .zip(b.chunks(1 << 15))
            .zip(c.chunks(1 << 15))
            .map(|((a, b), c)| {
                u64::from(a.iter().zip(b).zip(c).fold(0u16, |count, ((&a, &b), &c)| {
                    count.wrapping_add(outside(a, *of_a) | outside(b, *of_b) | outside(c, *of_c))
                }))
            })
            .sum(),
        _ => oracle::count_any_outside(rows, bounds),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn check(row: &[u16], other: &[u16]) {
        let wide: Vec<u32> = row.iter().map(|&x| 2 * u32::from(x)).collect();
        assert_eq!(moments(row), oracle::moments(row));
        assert_eq!(moments(&wide), oracle::moments(&wide));
        assert_eq!(dot(row, other), oracle::dot(row, other));
        assert_eq!(extremes(row), oracle::extremes(row));
        for limit in [0, 1, 16, 235, 940, 65534, 65535] {
            assert_eq!(count_below(row, limit), oracle::count_below(row, limit));
            assert_eq!(count_above(row, limit), oracle::count_above(row, limit));
        }
        let third: Vec<u16> = row.iter().rev().copied().collect();
        let length = row.len().min(other.len());
        for bounds in [(0, u16::MAX), (1, u16::MAX), (64, 940), (0, 0), (100, 90)] {
            assert_eq!(count_any_outside(&[row], &[bounds]), oracle::count_any_outside(&[row], &[bounds]));
            let rows = [&row[..length], &other[..length], &third[..length]];
            let three = [bounds, (64, 940), (0, 60_000)];
            assert_eq!(count_any_outside(&rows, &three), oracle::count_any_outside(&rows, &three));
        }
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
