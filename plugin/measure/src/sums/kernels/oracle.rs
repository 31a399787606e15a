//! The plainest loops: what every kernel means. Compiled always, used by tests and benches.

use super::Sample;

/// Σx and Σx².
#[must_use]
pub fn moments<T: Sample>(row: &[T]) -> (u64, u64) {
    let mut sums = (0, 0);
    for &x in row {
        sums.0 += u64::from(x.wide());
        sums.1 += u64::from(x.wide()) * u64::from(x.wide());
    }
    sums
}

/// Σaᵢ·bᵢ over the shorter of both.
#[must_use]
pub fn dot<T: Sample>(a: &[T], b: &[T]) -> u64 {
    let mut sum = 0;
    for i in 0..a.len().min(b.len()) {
        sum += u64::from(a[i].wide()) * u64::from(b[i].wide());
    }
    sum
}

/// Lowest and highest value; `None` of nothing.
#[must_use]
pub fn extremes<T: Sample>(row: &[T]) -> Option<(T, T)> {
    let mut found: Option<(T, T)> = None;
    for &x in row {
        found = Some(found.map_or((x, x), |(low, high)| (low.min(x), high.max(x))));
    }
    found
}

/// Number of values below `limit`.
#[must_use]
pub fn count_below(row: &[u16], limit: u16) -> u64 {
    row.iter().filter(|&&x| x < limit).count() as u64
}

/// Number of values above `limit`.
#[must_use]
pub fn count_above(row: &[u16], limit: u16) -> u64 {
    row.iter().filter(|&&x| x > limit).count() as u64
}

/// Number of places where any of the rows is outside its `low..=high`; the shortest row ends the count.
#[must_use]
pub fn count_any_outside(rows: &[&[u16]], bounds: &[(u16, u16)]) -> u64 {
    let length = rows.iter().map(|row| row.len()).min().unwrap_or(0);
    let outside =
        |i: usize| rows.iter().zip(bounds).any(|(row, (low, high))| row[i] < *low || row[i] > *high);
    (0..length).filter(|&i| outside(i)).count() as u64
}

/// OR of the XORs of every value with `first`.
#[must_use]
pub fn differing_bits(row: &[u16], first: u16) -> u16 {
    row.iter().fold(0, |bits, &x| bits | (x ^ first))
}
