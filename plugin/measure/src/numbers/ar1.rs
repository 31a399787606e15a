//! First-order recursive noise in stacks of finite length: what a stack's sums read, and what that tells.
//!
//! Frame l of a pixel is σ·g_l with E\[g_i·g_j\] = R_ij = a^|i−j|. A stack of N frames sees it with the mean of its own
//! frames taken out, so its sums follow C = M·R·M with M = I − J/N. All formulas below are traces of that matrix,
//! summed lag by lag; a lag is left out once its power of a is below the resolution of the sum.

/// Strongest correlation that can be told: above it a window says next to nothing about the long-run spread.
pub const HIGHEST: f64 = 0.95;

/// Bounds of the search for a correlation; below the lower one lies no filter anybody builds.
const SEARCH: [f64; 2] = [-0.95, HIGHEST];

/// Powers of a below this add nothing to a sum that begins with 1.
const NEGLIGIBLE: f64 = 1e-19;

/// The frames of one parity of one window, as far as these formulas need them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stack {
    /// Weight of its sums: P − 1 for a stack of P pixels.
    pub weight: f64,
    /// Distinct frames N.
    pub frames: u64,
}

/// What a measured lag-1 ratio says about a.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Correlation {
    /// The correlation of successive frames, −0.95..0.95.
    Value(f64),
    /// At least 0.95: the stacks are too short against the memory of the noise.
    TooHigh,
    /// No stack has three frames, so every a gives the same ratio; or there was no ratio.
    Unknown,
}

impl Correlation {
    /// The correlation where it is known.
    #[must_use]
    pub const fn value(self) -> Option<f64> {
        match self {
            Self::Value(a) => Some(a),
            Self::TooHigh | Self::Unknown => None,
        }
    }
}

/// Σ_{k=1}^{count} a^k, for |a| < 1.
fn geometric(count: u64, a: f64) -> f64 {
    if a > 0.0 {
        // 1 − a^count without cancellation for a near 1.
        -a * (count as f64 * a.ln()).exp_m1() / (1.0 - a)
    } else {
        a * (1.0 - power(a, count)) / (1.0 - a)
    }
}

/// a^exponent for exponents beyond `i32`.
fn power(a: f64, exponent: u64) -> f64 {
    let size = a.abs().powf(exponent as f64);
    if a < 0.0 && exponent % 2 == 1 { -size } else { size }
}

/// Σ_{k=1}^{n−1} (1 − k/n)·a^k.
fn tapered(n: u64, a: f64) -> f64 {
    let length = n as f64;
    let (mut sum, mut power) = (0.0, 1.0);
    for k in 1..n {
        power *= a;
        if power.abs() < NEGLIGIBLE {
            break;
        }
        sum += (1.0 - k as f64 / length) * power;
    }
    sum
}

/// tr C: expected sum of squares of one pixel's `n` frames about their mean, over σ²; for −1 < a < 1.
///
/// n − 1 for white noise.
#[must_use]
pub fn trace(n: u64, a: f64) -> f64 {
    if n < 2 {
        return 0.0;
    }
    if a <= 0.0 {
        return (n - 1) as f64 - 2.0 * tapered(n, a);
    }
    // 2·Σ(1 − k/n)(1 − a^k), term by term: no difference of nearly equal sums for a near 1.
    let length = n as f64;
    let (mut sum, mut power) = (0.0, 1.0);
    for k in 1..n {
        power *= a;
        if power < NEGLIGIBLE {
            // The rest has 1 − a^k = 1: Σ_{j=k}^{n−1} (1 − j/n).
            let rest = (n - k) as f64;
            sum += rest * (rest + 1.0) / (2.0 * length);
            break;
        }
        sum += (1.0 - k as f64 / length) * (1.0 - power);
    }
    2.0 * sum
}

/// Σ_l C_{l,l+lag}: expected sum of products of frames `lag` apart about their common mean, over σ²; for −1 < a < 1.
///
/// 0 where the stack has no such pair; tr C for lag 0.
#[must_use]
pub fn lag_sum(n: u64, lag: u64, a: f64) -> f64 {
    if lag == 0 {
        return trace(n, a);
    }
    if n <= lag {
        return 0.0;
    }
    // C_ij = a^|i−j| − (r_i + r_j)/n + s/n², with row sums r = R·1 (the same from either end) and their sum s.
    let length = n as f64;
    let pairs = (n - lag) as f64;
    let total = length * (1.0 + 2.0 * tapered(n, a));
    let ends: f64 = (0..lag).map(|i| 1.0 + geometric(i, a) + geometric(n - 1 - i, a)).sum();
    pairs * power(a, lag) - 2.0 * (total - ends) / length + pairs * total / (length * length)
}

/// C itself, row by row.
pub(crate) fn covariance(n: u64, a: f64) -> Vec<f64> {
    let length = n as f64;
    let rows: Vec<f64> = (0..n).map(|i| 1.0 + geometric(i, a) + geometric(n - 1 - i, a)).collect();
    let total: f64 = rows.iter().sum();
    let powers: Vec<f64> = (0..n).map(|k| power(a, k)).collect();
    let of =
        |i: usize, j: usize| powers[i.abs_diff(j)] - (rows[i] + rows[j]) / length + total / (length * length);
    (0..n as usize).flat_map(|i| (0..n as usize).map(move |j| (i, j))).map(|(i, j)| of(i, j)).collect()
}

/// Expected ratio of the sum of products `lag` frames apart to the sum of squares, over all stacks.
///
/// `None` where the stacks have no sum of squares.
#[must_use]
pub fn expected(stacks: &[Stack], lag: u64, a: f64) -> Option<f64> {
    ratio(&by_length(stacks), lag, a)
}

/// Weights of stacks of equal length added up, so that a long clip costs as much as its distinct lengths.
pub(crate) fn by_length(stacks: &[Stack]) -> Vec<Stack> {
    let mut lengths: Vec<Stack> = Vec::new();
    for stack in stacks.iter().filter(|stack| stack.frames >= 2 && stack.weight > 0.0) {
        match lengths.iter_mut().find(|known| known.frames == stack.frames) {
            Some(known) => known.weight += stack.weight,
            None => lengths.push(*stack),
        }
    }
    lengths
}

fn ratio(lengths: &[Stack], lag: u64, a: f64) -> Option<f64> {
    let (products, squares) = lengths.iter().fold((0.0, 0.0), |(products, squares), stack| {
        (
            products + stack.weight * lag_sum(stack.frames, lag, a),
            squares + stack.weight * trace(stack.frames, a),
        )
    });
    (squares > 0.0).then(|| products / squares)
}

/// The correlation a whose expected lag-1 ratio over these stacks is `raw`, to 1e-12.
///
/// For white noise `raw` is −1/N, not 0; this undoes it exactly.
#[must_use]
pub fn correlation(stacks: &[Stack], raw: f64) -> Correlation {
    let lengths = by_length(stacks);
    if !raw.is_finite() || lengths.iter().all(|stack| stack.frames < 3) {
        return Correlation::Unknown;
    }
    let [mut low, mut high] = SEARCH;
    match (ratio(&lengths, 1, low), ratio(&lengths, 1, high)) {
        (Some(_), Some(top)) if raw >= top => return Correlation::TooHigh,
        (Some(bottom), Some(_)) if raw <= bottom => return Correlation::Unknown,
        (Some(_), Some(_)) => {}
        _ => return Correlation::Unknown,
    }
    while high - low > 1e-13 {
        let middle = 0.5 * (low + high);
        match ratio(&lengths, 1, middle) {
            Some(value) if value < raw => low = middle,
            _ => high = middle,
        }
    }
    Correlation::Value(0.5 * (low + high))
}

/// Expectation of the pooled sample variance over σ²: divide a measured variance by it to get the long-run one.
///
/// Pooled with weights `weight`·(N − 1). 1 where the stacks hold nothing to correct.
#[must_use]
pub fn long_factor(stacks: &[Stack], a: f64) -> f64 {
    let (squares, freedom) =
        by_length(stacks).iter().fold((0.0, 0.0), |(squares, freedom), Stack { weight, frames }| {
            (squares + weight * trace(*frames, a), freedom + weight * (frames - 1) as f64)
        });
    if freedom > 0.0 { squares / freedom } else { 1.0 }
}

/// Variance of the mean of `n` successive frames over σ²: 1/n for white noise, near 1 for a near 1.
///
/// Meant for n ≥ 1 and −1 < a < 1; 1 for n = 0.
#[must_use]
pub fn mean_factor(n: u64, a: f64) -> f64 {
    (1.0 + 2.0 * tapered(n, a)) / n.max(1) as f64
}

/// tr C², from the row sums of R.
#[must_use]
pub fn square(n: u64, a: f64) -> f64 {
    let count = n as f64;
    // One-sided sums a + a² + … of every row, and Σ(n − k)·a²ᵏ on the way.
    let (mut power, mut tail, mut whole) = (1.0, 0.0, count);
    let mut tails = Vec::with_capacity(n as usize);
    for k in 0..n {
        tails.push(tail);
        power *= a;
        tail += power;
        whole += 2.0 * (count - (k + 1) as f64) * power * power;
    }
    let (mut squares, mut total) = (0.0, 0.0);
    for (left, right) in tails.iter().zip(tails.iter().rev()) {
        let row = 1.0 + left + right;
        squares += row * row;
        total += row;
    }
    whole - 2.0 * squares / count + (total / count) * (total / count)
}

/// Degrees of freedom of the pooled variance: (Σw·tr C)²/Σw·tr C², which is Σw·(N − 1) for white noise.
#[must_use]
pub fn freedom(stacks: &[Stack], a: f64) -> f64 {
    let (mut traces, mut squares) = (0.0, 0.0);
    for stack in by_length(stacks) {
        traces += stack.weight * trace(stack.frames, a);
        squares += stack.weight * square(stack.frames, a);
    }
    if squares > 0.0 { traces * traces / squares } else { 0.0 }
}

/// uᵀRu: the variance, over σ², of Σuᵢ·gᵢ over successive frames.
#[must_use]
pub fn quadratic(u: &[f64], a: f64) -> f64 {
    let (mut ahead, mut sum) = (0.0, 0.0);
    for &value in u {
        sum += value * (value + 2.0 * ahead);
        ahead = a * (ahead + value);
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    /// C itself, by its definition.
    fn matrix(n: usize, a: f64) -> Vec<Vec<f64>> {
        let centre = |i: usize, j: usize| f64::from(u8::from(i == j)) - 1.0 / n as f64;
        let r = |i: usize, j: usize| a.powi(i.abs_diff(j) as i32);
        let product = |left: &dyn Fn(usize, usize) -> f64, right: &dyn Fn(usize, usize) -> f64| {
            (0..n)
                .map(|i| (0..n).map(|j| (0..n).map(|k| left(i, k) * right(k, j)).sum()).collect())
                .collect::<Vec<Vec<f64>>>()
        };
        let mr = product(&centre, &r);
        product(&|i, j| mr[i][j], &centre)
    }

    const VALUES: [f64; 11] = [-0.989, -0.7, -0.3, -1e-9, 0.0, 1e-9, 0.2, 0.6, 0.9, 0.98, 0.99];

    #[test]
    fn squares_and_freedom_equal_the_matrix() {
        for n in [2usize, 3, 8, 24] {
            for a in VALUES {
                let c = matrix(n, a);
                let whole: f64 = c.iter().flatten().map(|v| v * v).sum();
                let got = square(n as u64, a);
                assert!(
                    (got - whole).abs() <= 1e-12 * n as f64 * n as f64,
                    "n {n}, a {a}: {got}, not {whole}"
                );
            }
            let stack = [Stack { weight: 7.0, frames: n as u64 }];
            let white = freedom(&stack, 0.0);
            assert!((white - 7.0 * (n as f64 - 1.0)).abs() < 1e-9, "{white}");
        }
    }

    #[test]
    fn quadratic_forms_equal_the_matrix() {
        let u = [0.3, -1.0, 2.0, 0.5, 0.25];
        for a in VALUES {
            let mut want = 0.0;
            for (i, x) in u.iter().enumerate() {
                for (j, y) in u.iter().enumerate() {
                    want += x * y * a.powi(i.abs_diff(j) as i32);
                }
            }
            assert!((quadratic(&u, a) - want).abs() < 1e-12, "a {a}");
        }
    }

    // Rounding of the matrix itself: n² terms of size one at 2⁻⁵³, n = 40.
    const ROUNDING: f64 = 1e-12;

    #[test]
    fn sums_equal_the_matrix() {
        for n in [2, 3, 4, 5, 8, 13, 24, 40] {
            for a in VALUES {
                let c = matrix(n, a);
                for lag in 0..n.min(5) {
                    let sum: f64 = (0..n - lag).map(|l| c[l][l + lag]).sum();
                    let ours = lag_sum(n as u64, lag as u64, a);
                    assert!((ours - sum).abs() < ROUNDING, "n {n} lag {lag} a {a}: {ours} {sum}");
                }
                let mean: f64 = (0..n * n).map(|at| a.powi((at / n).abs_diff(at % n) as i32)).sum::<f64>()
                    / (n * n) as f64;
                assert!((mean_factor(n as u64, a) - mean).abs() < ROUNDING);
            }
        }
    }

    #[test]
    fn the_covariance_is_the_matrix() {
        for n in [1, 2, 5, 40] {
            for a in VALUES {
                let ours = covariance(n as u64, a);
                let plain: Vec<f64> = matrix(n, a).into_iter().flatten().collect();
                assert!(
                    ours.iter().zip(&plain).all(|(ours, plain)| (ours - plain).abs() < ROUNDING),
                    "{n} {a}"
                );
            }
        }
    }

    #[test]
    fn long_stacks_agree_with_the_closed_form() {
        // Σ(1 − k/n)a^k = a/(1−a) − a(1−aⁿ)/(n(1−a)²): exact enough where n·(1−a) is large.
        for n in [5_000_u64, 100_000, 1_000_000] {
            for a in VALUES {
                let length = n as f64;
                let sum = a / (1.0 - a) - a * (1.0 - a.powi(n as i32)) / (length * (1.0 - a).powi(2));
                let mean = (1.0 + 2.0 * sum) / length;
                assert!((mean_factor(n, a) / mean - 1.0).abs() < 1e-11, "n {n} a {a}");
                assert!((trace(n, a) / (length * (1.0 - mean)) - 1.0).abs() < 1e-11, "n {n} a {a}");
            }
        }
    }

    #[test]
    fn expectation_of_a_short_stack() {
        // Expected sample variances of recursive noise, computed with numpy 2.4.6 from the Toeplitz matrix.
        for (n, a, expectation) in [(2, 0.6, 0.4), (8, 0.6, 0.703_108), (16, 0.6, 0.831_2)] {
            let factor = long_factor(&[Stack { weight: 99.0, frames: n }], a);
            assert!((factor - expectation).abs() < 5e-5, "{n}: {factor}");
        }
        assert!((long_factor(&[Stack { weight: 1.0, frames: 8 }], 0.6) - 0.703_108).abs() < 5e-7);
        assert_eq!(long_factor(&[], 0.6), 1.0);
    }

    #[test]
    fn white_noise_has_a_ratio_of_minus_one_over_n() {
        for n in [2_u64, 3, 8, 24, 1000] {
            let ratio = expected(&[Stack { weight: 5.0, frames: n }], 1, 0.0).expect("two frames");
            assert!((ratio + 1.0 / n as f64).abs() < 1e-14);
        }
    }

    #[test]
    fn correlation_undoes_the_expectation() {
        let mixes: [&[Stack]; 4] = [
            &[Stack { weight: 99.0, frames: 3 }],
            &[Stack { weight: 99.0, frames: 24 }],
            &[Stack { weight: 99.0, frames: 23 }, Stack { weight: 99.0, frames: 24 }],
            &[Stack { weight: 900.0, frames: 2 }, Stack { weight: 9.0, frames: 7 }],
        ];
        for stacks in mixes {
            let mut before = f64::NEG_INFINITY;
            for step in -94..95 {
                let a = f64::from(step) / 100.0;
                let raw = expected(stacks, 1, a).expect("stacks");
                assert!(raw > before, "the ratio rises with a, so its inverse is one number");
                // Bisection ends at 1e-13; the rest is rounding of the ratio over its slope.
                let slope = (raw - before) / 0.01;
                let tolerance = 1e-13 + if slope.is_finite() { 1e-14 / slope } else { 1e-12 };
                before = raw;
                let Correlation::Value(found) = correlation(stacks, raw) else {
                    panic!("{stacks:?} {a}");
                };
                assert!((found - a).abs() < tolerance, "{stacks:?}: {found} {a}");
            }
        }
    }

    #[test]
    fn what_cannot_be_told_is_said() {
        let pair = [Stack { weight: 99.0, frames: 2 }];
        assert_eq!(correlation(&pair, -0.5), Correlation::Unknown);
        assert_eq!(correlation(&[], 0.0), Correlation::Unknown);
        assert_eq!(correlation(&[Stack { weight: 0.0, frames: 9 }], 0.0), Correlation::Unknown);
        let stack = [Stack { weight: 99.0, frames: 24 }];
        assert_eq!(correlation(&stack, f64::NAN), Correlation::Unknown);
        let top = expected(&stack, 1, 0.95).expect("stack");
        assert_eq!(correlation(&stack, top), Correlation::TooHigh);
        assert_eq!(correlation(&stack, 1.0), Correlation::TooHigh);
        assert_eq!(correlation(&stack, -1.0), Correlation::Unknown);
        assert_eq!(expected(&[], 1, 0.3), None);
        assert_eq!(lag_sum(2, 2, 0.3), 0.0);
    }
}
