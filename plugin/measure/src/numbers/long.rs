//! Noise as an endless window would read it, and how well a finite one tells it.

use crate::numbers::ar1::{self, Stack};
use crate::numbers::estimate::INTERVAL;
use crate::numbers::moving::MovingSums;
use crate::numbers::quantile;

/// Longest stack whose matrix is written out; beyond it traces grow by the same for every frame.
const LONGEST: u64 = 384;

/// Step of numeric derivatives by a.
const STEP: f64 = 1e-4;

/// Variance of an endless window under the recursion, and what it rests on.
#[derive(Debug, Clone, Copy)]
pub struct Long {
    /// codes².
    pub variance: f64,
    /// Degrees of freedom.
    pub nu: f64,
}

impl Long {
    /// Scales `temporal` by the recursion `a` that the same sums tell; `redundancy` is how many samples tell as much as
    /// one that depends on no other.
    #[must_use]
    pub fn new(sums: &MovingSums, temporal: f64, a: f64, redundancy: f64) -> Self {
        let variance = temporal / ar1::long_factor(&sums.stacks, a);
        Self { variance, nu: 2.0 / (relative_variance(&sums.stacks, a) * redundancy) }
    }

    /// 95 % interval of the spread, codes.
    #[must_use]
    pub fn interval(&self) -> Option<[f64; 2]> {
        quantile::spread_interval(self.variance, self.nu, INTERVAL)
    }
}

/// Variance of the long-run variance over its square, to first order, from samples that do not depend on each other.
///
/// With e the frames of a pixel less their mean, C their covariance and S ½ beside the diagonal, the estimate is e'e over
/// its expectation at the a that r = e'Se/e'e tells. A small change of both sums moves its logarithm by e'Be − tr BC,
///
/// B = (I − g·(S − r·I))/tr C,   g = (d ln tr C/da)/(dr/da),
///
/// which has the variance 2·tr(BCBC) for normal noise: squares and products are not told apart from each other, and in a
/// window that is short against the filter's memory it is this error that counts.
fn relative_variance(stacks: &[Stack], a: f64) -> f64 {
    let by_a = |of: &dyn Fn(f64) -> f64| (of(a + STEP) - of(a - STEP)) / (2.0 * STEP);
    let ratio = |a: f64| ar1::expected(stacks, 1, a).unwrap_or(f64::NAN);
    let g = by_a(&|a| ar1::long_factor(stacks, a).ln()) / by_a(&ratio);
    let r = ratio(a);
    let (mut whole, mut square) = (0.0, 0.0);
    for Stack { weight, frames } in ar1::by_length(stacks) {
        whole += weight * ar1::trace(frames, a);
        square += weight * form_square(frames, a, g, r);
    }
    2.0 * square / (whole * whole)
}

/// tr(DD) with D = ((1 + g·r)·I − g·S)·C, C of `n` frames.
fn form_square(n: u64, a: f64, g: f64, r: f64) -> f64 {
    if n > LONGEST {
        // The ends of a stack and its mean no longer feel its length: half of it shows what a frame adds.
        let (half, full) = (form_square(LONGEST / 2, a, g, r), form_square(LONGEST, a, g, r));
        return full + (full - half) * (n - LONGEST) as f64 / (LONGEST - LONGEST / 2) as f64;
    }
    let c = ar1::covariance(n, a);
    let size = n as usize;
    let at = |i: Option<usize>, j: usize| i.filter(|i| *i < size).map_or(0.0, |i| c[i * size + j]);
    let d = |i: usize, j: usize| {
        (1.0 + g * r) * c[i * size + j] - 0.5 * g * (at(i.checked_sub(1), j) + at(Some(i + 1), j))
    };
    let rows: Vec<f64> = (0..size * size).map(|k| d(k / size, k % size)).collect();
    (0..size * size).map(|k| rows[k] * rows[k % size * size + k / size]).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stack(frames: u64) -> [Stack; 1] {
        [Stack { weight: 1.0, frames }]
    }

    #[test]
    fn white_noise_has_little_more_than_its_own_error() {
        // At a = 0: D = C − g·(S − r·I)·C; the slope of ln tr C is −2/N, so a frame's worth of error joins.
        for n in [24, 60, 240] {
            let plain = 2.0 / (n - 1) as f64;
            let found = relative_variance(&stack(n), 0.0);
            assert!(found > plain && found < plain * (1.0 + 4.0 / n as f64), "{n}: {found} {plain}");
        }
    }

    /// a, frames and scatter: what tests/data/long.py printed.
    const SIMULATED: [(f64, u64, f64); 6] = [
        (0.0, 24, 0.2935),
        (0.5, 24, 0.4149),
        (0.8, 24, 0.8982),
        (0.9, 24, 1.8122),
        (0.9, 60, 0.7723),
        (0.7, 8, 1.7563),
    ];

    #[test]
    fn simulated_windows_scatter_as_claimed() {
        // Standard deviation of the estimate's logarithm times √pixels, over 4000 windows of 4000 pixels simulated with
        // numpy 2.4.6; its own standard error is 1/√8000, and four of them are 4.5 %.
        for (a, n, scatter) in SIMULATED {
            let found = relative_variance(&stack(n), a).sqrt();
            assert!((found / scatter - 1.0).abs() < 0.045, "a {a}, {n} frames: {found}, not {scatter}");
        }
    }

    #[test]
    fn long_stacks_go_on_as_shorter_ones_do() {
        for (a, g, r) in [(0.0, -0.01, 0.0), (0.5, -0.1, 0.49), (0.9, -0.5, 0.89)] {
            // What a frame adds is the same from here on, but for the mean taken out of all: as many frames' worth as the
            // filter remembers, (1 + a)/(1 − a), among N.
            let [first, second, third] =
                [1, 2, 3].map(|part| form_square(part * LONGEST / 3, a, g, r) / LONGEST as f64);
            let tolerance = (second - first) * (1.0 + a) / ((1.0 - a) * LONGEST as f64);
            assert!((third - 2.0 * second + first).abs() < tolerance, "{a}: {first} {second} {third}");
        }
    }
}
