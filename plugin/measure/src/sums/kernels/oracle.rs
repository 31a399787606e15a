//! The plainest loops: what every kernel means. Compiled always, used by tests and benches.

use super::Sample;
use super::pair::{PairFrame, ROW_STEP};

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

/// OR and AND of all values.
#[must_use]
pub fn bits(row: &[u16]) -> (u16, u16) {
    row.iter().fold((0, u16::MAX), |(or, and), &x| (or | x, and & x))
}

/// Number of values equal to `code`.
#[must_use]
pub fn count_equal(row: &[u16], code: u16) -> u64 {
    row.iter().filter(|&&x| x == code).count() as u64
}

/// Σ(x[y]·above) of rows of `width`, and the same for any two images: Σ over all samples but the first row.
#[must_use]
pub fn below_products(image: &[u16], width: usize) -> u64 {
    dot(image, image.get(width..).unwrap_or_default())
}

/// Σ of products with the right neighbour, row by row.
#[must_use]
pub fn right_products(image: &[u16], width: usize) -> u64 {
    image.chunks(width).map(|row| dot(row, &row[1..])).sum()
}

/// [`PairFrame`]'s sums of one frame after another, of `width` samples a row.
#[must_use]
pub fn pair_frame(this: &[u16], before: &[u16], width: usize) -> PairFrame {
    let d = |i: usize| i64::from(this[i]) - i64::from(before[i]);
    let (mut right, mut below) = ((0, 0), (0, 0));
    let height = this.len() / width;
    for y in (0..height).step_by(ROW_STEP) {
        for x in 0..width {
            let i = y * width + x;
            if x + 1 < width {
                right.0 += d(i) * d(i + 1);
                right.1 += d(i) + d(i + 1);
            }
            if y + 1 < height {
                below.0 += d(i) * d(i + width);
                below.1 += d(i) + d(i + width);
            }
        }
    }
    let (sum, square) = moments(this);
    PairFrame { sum, square, previous: dot(this, before), right, below, ..PairFrame::default() }
}
