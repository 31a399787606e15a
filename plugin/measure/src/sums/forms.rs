//! Forms over the sums of every pixel: what the residual's algebra takes off those of single frames.

use std::ops::BitOr;

use crate::sums::blocks::{BLOCK, column_form, far_pairs, short_far_pairs};

/// Forms over one picture of sums.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct PixelForms {
    /// Of a sum with itself.
    pub squares: i128,
    /// Of neighbours in a row.
    pub right: i128,
    /// Of neighbours in a column.
    pub below: i128,
    /// Of far pairs of blocks along rows.
    pub rows: i128,
    /// Of far pairs of blocks along columns.
    pub cols: i128,
}

/// A sum of values, 32 bits where they hold it.
pub trait Sum: Copy + Default + BitOr<Output = Self> + Into<u64> {}
impl Sum for u32 {}
impl Sum for u64 {}

/// The forms over `sums`, `width` a row.
#[inline(always)]
pub fn pixel_forms<N: Sum>(sums: &[N], width: usize, height: usize) -> PixelForms {
    let most = bound(sums);
    PixelForms { cols: columns(sums, width, height, most), ..lines(sums, width, most) }
}

/// Σab and Σb over both, whatever their size.
#[inline(always)]
pub fn against<N: Sum>(sums: &[N], ends: &[u64]) -> (i128, i128) {
    let (most, most_end) = (bound(sums), bound(ends));
    // Ends are sums of a few samples: those of a product fit 64 bits but for the longest windows of the largest pictures.
    if fits(sums.len() as u128, u128::from(most).max(1) * u128::from(most_end)) {
        let (mut product, mut all) = (0, 0);
        for (&sum, &end) in sums.iter().zip(ends) {
            product += sum.into() * end;
            all += end;
        }
        (i128::from(product), i128::from(all))
    } else {
        sums.iter().zip(ends).fold((0, 0), |(product, all), (&sum, &end)| {
            (product + wide(sum) * i128::from(end), all + i128::from(end))
        })
    }
}

/// Forms of rows and of rows with those above.
#[inline(always)]
fn lines<N: Sum>(sums: &[N], width: usize, most: u64) -> PixelForms {
    if !fits(width as u128, square(u128::from(most))) {
        return wide_lines(sums, width);
    }
    // Block sums are short where a whole row's are.
    let short = (width as u128 * u128::from(most)) < 1 << 31;
    let mut blocks = vec![0u64; width / BLOCK];
    let mut short_blocks = vec![0u32; width / BLOCK];
    let mut forms = PixelForms::default();
    let mut above: &[N] = &[];
    for row in sums.chunks(width.max(1)) {
        forms.squares += i128::from(dot(row, row));
        forms.right += i128::from(dot(row, row.get(1..).unwrap_or_default()));
        forms.below += i128::from(dot(row, above));
        above = row;
        for (block, part) in blocks.iter_mut().zip(row.chunks_exact(BLOCK)) {
            *block = 0;
            for &sum in part {
                *block += sum.into();
            }
        }
        if short {
            short_blocks.iter_mut().zip(&blocks).for_each(|(short, &block)| *short = block as u32);
            forms.rows += i128::from(short_far_pairs(&short_blocks).0);
        } else {
            forms.rows += far_pairs(blocks.iter().map(|&block| i128::from(block))).0;
        }
    }
    forms
}

/// The same where products along a row leave 64 bits.
fn wide_lines<N: Sum>(sums: &[N], width: usize) -> PixelForms {
    let dot = |a: &[N], b: &[N]| a.iter().zip(b).map(|(&a, &b)| wide(a) * wide(b)).sum::<i128>();
    let mut forms = PixelForms::default();
    let mut above: &[N] = &[];
    for row in sums.chunks(width.max(1)) {
        forms.squares += dot(row, row);
        forms.right += dot(row, row.get(1..).unwrap_or_default());
        forms.below += dot(row, above);
        above = row;
        let blocks = row.chunks_exact(BLOCK).map(|part| part.iter().map(|&sum| wide(sum)).sum());
        forms.rows += far_pairs(blocks).0;
    }
    forms
}

/// Far pairs down the columns, all columns side by side.
#[inline(always)]
fn columns<N: Sum>(sums: &[N], width: usize, height: usize, most: u64) -> i128 {
    if height / BLOCK < 3 || width == 0 {
        return 0;
    }
    // Squares of whole columns, and so of their blocks, fit.
    if !fits(width as u128, square(height as u128 * u128::from(most))) {
        return column_form(sums, width, height);
    }
    let mut blocks = vec![0u64; width];
    let (mut last, mut total) = (blocks.clone(), blocks.clone());
    let (mut square, mut adjacent) = (0u64, 0u64);
    for rows in sums.chunks_exact(BLOCK * width) {
        blocks.fill(0);
        for row in rows.chunks_exact(width) {
            for (block, &sum) in blocks.iter_mut().zip(row) {
                *block += sum.into();
            }
        }
        for ((&block, last), total) in blocks.iter().zip(&mut last).zip(&mut total) {
            *total += block;
            square += block * block;
            // Of each block with the one above; the first has none.
            adjacent += block * *last;
            *last = block;
        }
    }
    let whole: u64 = total.iter().map(|&total| total * total).sum();
    i128::from(whole) - i128::from(square) - 2 * i128::from(adjacent)
}

/// Σab where it fits 64 bits.
#[inline(always)]
fn dot<N: Sum>(a: &[N], b: &[N]) -> u64 {
    let mut sum = 0;
    for (&a, &b) in a.iter().zip(b) {
        sum += a.into() * b.into();
    }
    sum
}

/// What no sum exceeds: all bits that any of them has.
#[inline(always)]
fn bound<N: Sum>(sums: &[N]) -> u64 {
    let mut bits = N::default();
    for &sum in sums {
        bits = bits | sum;
    }
    bits.into()
}

/// Whether `count` values up to `each` add up to 64 bits.
fn fits(count: u128, each: u128) -> bool {
    count.checked_mul(each).is_some_and(|sum| sum <= u128::from(u64::MAX))
}

/// Beyond 128 bits the largest value, which fits nowhere.
fn square(value: u128) -> u128 {
    value.saturating_mul(value)
}

fn wide<N: Sum>(sum: N) -> i128 {
    i128::from(sum.into())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sums up to `most` that follow no pattern.
    fn sums(count: usize, most: u64) -> Vec<u64> {
        let mut state = 1u64;
        let mut next = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            u64::MAX - (state >> 8)
        };
        (0..count).map(|i| if i % 7 == 0 { most } else { next() % (most + 1) }).collect()
    }

    #[test]
    fn forms_in_64_bits_equal_those_in_128() {
        for (width, height) in [(1, 1), (1, 60), (60, 1), (5, 7), (47, 49), (64, 64), (131, 50)] {
            // From a few codes to an hour of 16-bit ones: each bound lies between two of them.
            for bits in [1, 10, 15, 20, 24, 25, 26, 27, 28, 29, 31, 32, 34, 40] {
                let long = sums(width * height, (1 << bits) - 1);
                let plain =
                    PixelForms { cols: column_form(&long, width, height), ..wide_lines(&long, width) };
                assert_eq!(pixel_forms(&long, width, height), plain, "{width}x{height}, {bits} bits");
                if bits <= 32 {
                    let short: Vec<u32> = long.iter().map(|&sum| sum as u32).collect();
                    assert_eq!(pixel_forms(&short, width, height), plain, "{width}x{height}, {bits} bits");
                }
                let ends = sums(width * height, (1 << (bits - 1)) - 1);
                let product: i128 =
                    long.iter().zip(&ends).map(|(&a, &b)| i128::from(a) * i128::from(b)).sum();
                let all: i128 = ends.iter().map(|&end| i128::from(end)).sum();
                assert_eq!(against(&long, &ends), (product, all), "{width}x{height}, {bits} bits");
            }
        }
    }
}
