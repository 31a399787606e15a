//! What is summed for grid cells, and for regions beyond the live limit: sums over adjacent pairs, no memory per pixel
//! but the frame before.

use fearless_simd::Simd;

use crate::sums::exact::DifferenceSums;
use crate::sums::kernels::Sample;
use crate::sums::kernels::lanes::{budget, is_narrow, padded};
use crate::sums::kernels::pair::{self, Before, PairFrame, ROW_STEP};
use crate::sums::kernels::row::{dot, extremes, moments};
use crate::sums::patch::Patch;

/// Sums of products of neighbouring differences.
#[derive(Debug, Clone, Copy, Default)]
struct NeighbourSums {
    product: i128,
    /// Σ over pairs of Σd times what is linear in the product.
    weighted: i128,
}

impl NeighbourSums {
    fn add(&mut self, product: i64, linear: i64, level: i64) {
        self.product += i128::from(product);
        self.weighted += i128::from(level) * i128::from(linear);
    }
}

/// The pairwise set of one component of one cell or region.
#[derive(Debug)]
pub struct PairStack<T> {
    width: usize,
    height: usize,
    /// Whether the vector loops can hold the samples.
    narrow: bool,
    /// Products of the largest values that 32 bits hold.
    budget: usize,
    /// The frame before, [`padded`] samples a row; empty where it is lent.
    kept: Vec<T>,
    /// Differences of the newest row that asks for them, for the vector loops and for the plain ones.
    difference: Vec<i16>,
    wide_difference: [Vec<i32>; 2],
    /// Whether the frame before is the neighbour of the next one, and whether the open frame meets it.
    follows: bool,
    paired: bool,
    frames: u64,
    total: i128,
    frame: PairFrame,
    last: (u64, u64),
    differences: DifferenceSums,
    level_square: i128,
    right: NeighbourSums,
    below: NeighbourSums,
}

impl<T: Sample> PairStack<T> {
    /// An empty one of `width` × `height` samples, none over `max`. `lent` says that the frame before comes with each
    /// frame; else it is kept.
    #[must_use]
    pub fn new(width: usize, height: usize, max: u32, lent: bool) -> Self {
        let narrow = is_narrow::<T>(width, max);
        let wide = || vec![0; if narrow { 0 } else { width }];
        Self {
            width,
            height,
            narrow,
            budget: budget(max),
            kept: vec![T::default(); if lent { 0 } else { padded(width) * height }],
            difference: vec![0; if narrow { pair::room(width) } else { 0 }],
            wide_difference: [wide(), wide()],
            follows: false,
            paired: false,
            frames: 0,
            total: 0,
            frame: PairFrame::default(),
            last: (0, 0),
            differences: DifferenceSums::default(),
            level_square: 0,
            right: NeighbourSums::default(),
            below: NeighbourSums::default(),
        }
    }

    /// Opens a frame; `lent` says that the frame before comes with its rows.
    #[inline(always)]
    pub fn begin_frame(&mut self, lent: bool) {
        self.frame = PairFrame::default();
        self.paired = self.follows && (lent || !self.kept.is_empty());
    }

    /// Takes in rows `y..`, with those of the frame before where it is lent; gives their lowest and highest value.
    #[inline(always)]
    pub fn rows<S: Simd>(
        &mut self,
        simd: S,
        y: usize,
        patch: Patch<'_, T>,
        before: Option<Patch<'_, T>>,
    ) -> Option<(T, T)> {
        if patch.width != self.width || y + patch.rows > self.height || self.width == 0 {
            return None;
        }
        simd.vectorize(
            #[inline(always)]
            || match T::narrow(patch) {
                Some(narrow) if self.narrow => {
                    let (low, high) = self.narrow_rows(simd, y, narrow, before.and_then(T::narrow));
                    Some((T::from_narrow(low), T::from_narrow(high)))
                }
                _ => self.plain_rows(y, patch, before),
            },
        )
    }

    /// By the vector loops.
    #[inline(always)]
    fn narrow_rows<S: Simd>(
        &mut self,
        simd: S,
        y: usize,
        patch: Patch<'_>,
        lent: Option<Patch<'_>>,
    ) -> (u16, u16) {
        let kept = self.kept.get_mut(y * padded(self.width)..).and_then(T::narrow_mut);
        let before = match (kept.filter(|kept| !kept.is_empty()), lent) {
            (Some(kept), _) if self.paired => Before::Kept(kept),
            (Some(kept), _) => Before::Fill(kept),
            (None, Some(lent)) if self.paired => Before::Lent(lent),
            _ => Before::None,
        };
        pair::rows(simd, &mut self.frame, y, patch, before, &mut self.difference, self.budget)
    }

    /// By plain loops, for samples of any width.
    #[inline(always)]
    fn plain_rows(
        &mut self,
        first: usize,
        patch: Patch<'_, T>,
        lent: Option<Patch<'_, T>>,
    ) -> Option<(T, T)> {
        let mut found: Option<(T, T)> = None;
        for i in 0..patch.rows {
            let (y, row) = (first + i, patch.row(i));
            let (low, high) = extremes(row)?;
            found = Some(found.map_or((low, high), |(l, h)| (l.min(low), h.max(high))));
            let (sum, square) = moments(row);
            self.frame.sum += sum;
            self.frame.square += square;
            let start = y * padded(self.width);
            let kept = self.kept.get_mut(start..start + self.width).unwrap_or_default();
            if self.paired {
                let before = lent.filter(|_| kept.is_empty()).map_or(&*kept, |lent| lent.row(i));
                self.frame.previous += dot(row, before);
                if y % ROW_STEP <= 1 {
                    let [this, above] = &mut self.wide_difference;
                    std::mem::swap(this, above);
                    for ((d, &now), &before) in this.iter_mut().zip(row).zip(before) {
                        *d = now.wide() as i32 - before.wide() as i32;
                    }
                    let (sums, other) = if y.is_multiple_of(ROW_STEP) {
                        (&mut self.frame.right, &this[1..])
                    } else {
                        (&mut self.frame.below, &above[..])
                    };
                    let (product, linear) = products(this, other);
                    sums.0 += product;
                    sums.1 += linear;
                }
            }
            kept.iter_mut().zip(row).for_each(|(kept, &x)| *kept = x);
        }
        found
    }

    /// Closes the frame.
    pub fn end_frame(&mut self) {
        let frame = self.frame;
        if self.paired {
            let square = i128::from(frame.square) + i128::from(self.last.1) - 2 * i128::from(frame.previous);
            let level = frame.sum as i64 - self.last.0 as i64;
            self.differences.add(square, i128::from(level));
            self.level_square += i128::from(level) * i128::from(level);
            self.right.add(frame.right.0, frame.right.1, level);
            self.below.add(frame.below.0, frame.below.1, level);
        }
        self.total += i128::from(frame.sum);
        self.last = (frame.sum, frame.square);
        self.frames += 1;
        self.follows = true;
    }

    /// Says that the next frame is no neighbour of the last one.
    pub fn break_run(&mut self) {
        self.follows = false;
    }

    /// Forgets all frames; all room stays.
    pub fn reset(&mut self) {
        // By name, so that none is left out. What is kept of a frame is not read before the next one took its place.
        let Self {
            width: _,
            height: _,
            narrow: _,
            budget: _,
            kept: _,
            difference: _,
            wide_difference: _,
            follows,
            paired,
            frames,
            total,
            frame,
            last,
            differences,
            level_square,
            right,
            below,
        } = self;
        (*follows, *paired) = (false, false);
        (*frames, *total, *last, *level_square) = (0, 0, (0, 0), 0);
        *frame = PairFrame::default();
        *differences = DifferenceSums::default();
        (*right, *below) = Default::default();
    }

    /// Turns the sums into numbers.
    #[must_use]
    pub fn finish(&self) -> PairNumbers {
        let p = (self.width * self.height) as i128;
        let pairs = self.differences.pairs;
        let sampled = self.height.div_ceil(ROW_STEP);
        let sampled_below = (self.height + ROW_STEP - 2) / ROW_STEP;
        let neighbours = |sums: &NeighbourSums, kappa: usize| {
            (kappa > 0 && pairs > 0).then(|| {
                let numerator = p * p * sums.product - p * sums.weighted + kappa as i128 * self.level_square;
                numerator as f64 / ((p * p) as f64 * kappa as f64 * pairs as f64)
            })
        };
        PairNumbers {
            freedom: (p - 1).max(0) as f64 * pairs as f64,
            products: p as f64 * pairs as f64,
            values: p as f64 * self.frames as f64,
            mean: (self.frames > 0 && p > 0).then(|| self.total as f64 / (p as f64 * self.frames as f64)),
            half_square: (pairs > 0 && p > 0).then(|| self.differences.half_residual(p)),
            right: neighbours(&self.right, sampled * self.width.saturating_sub(1)),
            below: neighbours(&self.below, sampled_below * self.width),
        }
    }
}

/// Σab and Σ(a + b) over the shorter of both.
fn products(a: &[i32], b: &[i32]) -> (i64, i64) {
    a.iter().zip(b).fold((0, 0), |(product, linear), (&a, &b)| {
        (product + i64::from(a) * i64::from(b), linear + i64::from(a) + i64::from(b))
    })
}

/// A finished pairwise set, codes and codes².
#[derive(Debug, Clone, Copy, Default)]
pub struct PairNumbers {
    /// (P − 1) times the number of adjacent pairs.
    freedom: f64,
    /// P times the number of adjacent pairs.
    products: f64,
    /// P times the number of frames.
    values: f64,
    /// Mean code.
    pub mean: Option<f64>,
    /// ½ΣΣ(d − d̄)².
    half_square: Option<f64>,
    /// Mean product of neighbouring differences in a row.
    right: Option<f64>,
    /// Mean product of neighbouring differences in a column.
    below: Option<f64>,
}

impl PairNumbers {
    /// ½Σ(d − d̄)²/(P − 1), averaged over the pairs.
    #[must_use]
    pub fn variance(&self) -> Option<f64> {
        if self.freedom > 0.0 { Some(self.half_square? / self.freedom) } else { None }
    }

    /// Correlation of horizontal and vertical neighbours in the differences.
    #[must_use]
    pub fn correlations(&self) -> [Option<f64>; 2] {
        let spread = self.half_square.filter(|&sum| sum > 0.0).map(|sum| 2.0 * sum / self.products);
        [self.right, self.below].map(|product| Some(product? / spread?))
    }

    /// Σ factorₖ·partₖ of what is quadratic, Σ weightₖ·meanₖ of the means.
    #[must_use]
    pub fn combine(quadratic: &[(f64, &Self)], means: &[(f64, &Self)]) -> Self {
        let Some((_, first)) = quadratic.first() else { return Self::default() };
        let sum = |get: fn(&Self) -> Option<f64>, parts: &[(f64, &Self)]| {
            parts.iter().map(|(factor, part)| get(part).map(|value| factor * value)).sum::<Option<f64>>()
        };
        Self {
            mean: sum(|part| part.mean, means),
            half_square: sum(|part| part.half_square, quadratic),
            right: sum(|part| part.right, quadratic),
            below: sum(|part| part.below, quadratic),
            ..**first
        }
    }

    /// Both fields of an interleaved picture as one: sums and degrees of freedom are added.
    #[must_use]
    pub fn join(fields: &[Self]) -> Self {
        if let [only] = fields {
            return *only;
        }
        let total = |get: fn(&Self) -> f64| fields.iter().map(get).sum::<f64>();
        let weighted = |get: fn(&Self) -> Option<f64>, weight: fn(&Self) -> f64| {
            let sum = fields.iter().map(|field| Some(get(field)? * weight(field))).sum::<Option<f64>>()?;
            let weights = total(weight);
            (weights > 0.0).then(|| sum / weights)
        };
        Self {
            freedom: total(|field| field.freedom),
            products: total(|field| field.products),
            values: total(|field| field.values),
            mean: weighted(|field| field.mean, |field| field.values),
            half_square: fields.iter().map(|field| field.half_square).sum(),
            right: weighted(|field| field.right, |field| field.products),
            below: weighted(|field| field.below, |field| field.products),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use fearless_simd::dispatch;

    fn fed(frames: &[Vec<u16>], width: usize) -> PairNumbers {
        let height = frames[0].len() / width;
        let mut stack = PairStack::new(width, height, u32::from(u16::MAX), false);
        for frame in frames {
            stack.begin_frame(false);
            let level = fearless_simd::Level::new();
            dispatch!(level, simd => stack.rows(simd, 0, Patch::new(frame, width, width, height), None));
            stack.end_frame();
        }
        stack.finish()
    }

    /// Against the definition, written out.
    #[test]
    fn variance_and_correlations_are_those_of_the_differences() {
        let (w, h) = (13, 10);
        let mut state = 1u64;
        let mut next = || {
            state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            (state >> 52) as u16
        };
        let frames: Vec<Vec<u16>> = (0..4).map(|_| (0..w * h).map(|_| next()).collect()).collect();
        let got = fed(&frames, w);
        let (mut half, mut right, mut below) = (0.0, 0.0, 0.0);
        for pair in frames.windows(2) {
            let d: Vec<f64> =
                pair[1].iter().zip(&pair[0]).map(|(&a, &b)| f64::from(a) - f64::from(b)).collect();
            let mean = d.iter().sum::<f64>() / d.len() as f64;
            let e = |x: usize, y: usize| d[y * w + x] - mean;
            half += d.iter().map(|d| (d - mean) * (d - mean)).sum::<f64>() / 2.0;
            for y in (0..h).step_by(4) {
                right += (1..w).map(|x| e(x, y) * e(x - 1, y)).sum::<f64>() / (3 * (w - 1)) as f64;
                if y + 1 < h {
                    below += (0..w).map(|x| e(x, y) * e(x, y + 1)).sum::<f64>() / (3 * w) as f64;
                }
            }
        }
        let count = (w * h) as f64;
        let variance = half / (3.0 * (count - 1.0));
        assert!((got.variance().unwrap() / variance - 1.0).abs() < 1e-12);
        let spread = 2.0 * half / (3.0 * count);
        let [corr_x, corr_y] = got.correlations().map(Option::unwrap);
        assert!((corr_x - right / 3.0 / spread).abs() < 1e-12);
        assert!((corr_y - below / 3.0 / spread).abs() < 1e-12);
    }
}
