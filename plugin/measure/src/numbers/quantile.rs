//! Quantiles of the normal, χ², Student and F distributions, for degrees of freedom from 1 to 1e10.
//!
//! Video gives millions of degrees of freedom, where general-purpose inversions stop early or never end. Here large
//! degrees of freedom use Cornish–Fisher expansions (Abramowitz & Stegun 26.4 and 26.7), small ones a guarded Newton
//! search on the logarithm of the nearer tail, so that no probability is lost to subtraction from 1.
//!
//! These are functions of mathematics: an argument outside their domain gives NaN. [`spread_interval`] is the one
//! to call with measured values.

use std::f64::consts::{PI, SQRT_2};

use statrs::function::erf::erfc_inv;
use statrs::function::gamma::{gamma_lr, gamma_ur, ln_gamma};

/// Degrees of freedom from which the χ² expansion's first left-out term is below 1e-12 for |z| ≤ 6.
const CHI_SQUARED_EXPANDS: f64 = 1e5;

/// Degrees of freedom from which Student's expansion's first left-out term is below 1e-11 for |z| ≤ 6.
const STUDENT_EXPANDS: f64 = 2e3;

/// Probability below `x` of a standard normal variable.
#[must_use]
pub fn normal_cdf(x: f64) -> f64 {
    if x > 0.0 { 1.0 - normal_tail(x) } else { normal_tail(-x) }
}

/// Probability beyond `x` ≥ 0 of a standard normal variable: half a χ² tail with one degree of freedom.
///
/// The crate's `erfc` is good to 1e-9 alone, its incomplete gamma function to 1e-14.
fn normal_tail(x: f64) -> f64 {
    let square = 0.5 * x * x;
    if square == 0.0 {
        return 0.5;
    }
    if square == f64::INFINITY {
        return 0.0;
    }
    0.5 * gamma_ur(0.5, square)
}

/// Quantile of the standard normal distribution at probability `p`, 0 < p < 1.
#[must_use]
pub fn normal(p: f64) -> f64 {
    if !(p > 0.0 && p < 1.0) {
        return f64::NAN;
    }
    // From the nearer tail, with one Newton step on its logarithm against the inverse's rounding.
    let tail = p.min(1.0 - p);
    let rough = (SQRT_2 * erfc_inv(2.0 * tail)).max(0.0);
    let reached = normal_tail(rough);
    let density = (-0.5 * rough * rough).exp() / (2.0 * PI).sqrt();
    let upper = rough + (reached / tail).ln() * reached / density;
    if p < 0.5 { -upper } else { upper }
}

/// Quantile of χ² with `nu` > 0 degrees of freedom at probability `p`, 0 < p < 1.
#[must_use]
pub fn chi_squared(p: f64, nu: f64) -> f64 {
    if !(p > 0.0 && p < 1.0 && nu > 0.0 && nu.is_finite()) {
        return f64::NAN;
    }
    let z = normal(p);
    if nu >= CHI_SQUARED_EXPANDS {
        return expanded_chi_squared(z, nu);
    }
    let shape = 0.5 * nu;
    // Wilson and Hilferty's cube, or for small probabilities the leading term p = (x/2)^shape/Γ(shape + 1).
    let spread = 2.0 / (9.0 * nu);
    let cube = nu * (1.0 - spread + z * spread.sqrt()).powi(3);
    let leading = 2.0 * ((p.ln() + ln_gamma(shape + 1.0)) / shape).exp();
    let start = if cube > 0.1 * nu { cube } else { leading };
    let log_density = |x: f64| (shape - 1.0) * (0.5 * x).ln() - 0.5 * x - ln_gamma(shape) - 2.0_f64.ln();
    invert(p, start, |x| Tails {
        lower: gamma_lr(shape, 0.5 * x),
        upper: gamma_ur(shape, 0.5 * x),
        density: log_density(x).exp(),
    })
}

/// Cornish–Fisher expansion of the χ² quantile in 1/√ν, to the term in ν⁻².
fn expanded_chi_squared(z: f64, nu: f64) -> f64 {
    let root = (2.0 * nu).sqrt();
    let z2 = z * z;
    let terms = [
        nu,
        z * root,
        2.0 / 3.0 * (z2 - 1.0),
        z * (z2 - 7.0) / (9.0 * root),
        -((6.0 * z2 + 14.0) * z2 - 32.0) / (405.0 * nu),
        z * ((9.0 * z2 + 256.0) * z2 - 433.0) / (2430.0 * nu * root),
        (((12.0 * z2 - 243.0) * z2 - 923.0) * z2 + 1472.0) / (25515.0 * nu * nu),
    ];
    terms.iter().rev().sum()
}

/// Quantile of Student's t with `nu` > 0 degrees of freedom at probability `p`, 0 < p < 1.
#[must_use]
pub fn student_t(p: f64, nu: f64) -> f64 {
    if !(p > 0.0 && p < 1.0 && nu > 0.0 && nu.is_finite()) {
        return f64::NAN;
    }
    if nu >= STUDENT_EXPANDS {
        return expanded_student(normal(p), nu);
    }
    // t² has the F distribution with 1 and ν degrees of freedom; t < 0 has half of the probability.
    let tail = p.min(1.0 - p);
    if tail == 0.5 {
        return 0.0;
    }
    let size = upper_fisher(2.0 * tail, 1.0, nu).sqrt();
    if p < 0.5 { -size } else { size }
}

/// Expansion of Student's quantile in 1/ν, to the term in ν⁻⁴.
fn expanded_student(z: f64, nu: f64) -> f64 {
    let z2 = z * z;
    let terms = [
        1.0,
        (z2 + 1.0) / 4.0,
        ((5.0 * z2 + 16.0) * z2 + 3.0) / 96.0,
        (((3.0 * z2 + 19.0) * z2 + 17.0) * z2 - 15.0) / 384.0,
        ((((79.0 * z2 + 776.0) * z2 + 1482.0) * z2 - 1920.0) * z2 - 945.0) / 92160.0,
    ];
    z * terms.iter().rev().fold(0.0, |sum, term| sum / nu + term)
}

/// Quantile of F with `nu1` and `nu2` > 0 degrees of freedom at probability `p`, 0 < p < 1.
#[must_use]
pub fn fisher_f(p: f64, nu1: f64, nu2: f64) -> f64 {
    if !(p > 0.0 && p < 1.0 && nu1 > 0.0 && nu2 > 0.0 && nu1.is_finite() && nu2.is_finite()) {
        return f64::NAN;
    }
    // The lower tail is the upper one of 1/F, so that p near 0 keeps its digits.
    if p < 0.5 { 1.0 / upper_fisher(p, nu2, nu1) } else { upper_fisher(1.0 - p, nu1, nu2) }
}

/// The value that F exceeds with probability `tail`.
fn upper_fisher(tail: f64, nu1: f64, nu2: f64) -> f64 {
    let (a, b) = (0.5 * nu1, 0.5 * nu2);
    let z = normal(1.0 - tail);
    // Moderate tails of ln F are near normal; far ones of small ν₂ fall as a power, which the search finds itself.
    let start = (z * (2.0 / nu1 + 2.0 / nu2).sqrt()).min(30.0).exp();
    invert_upper(tail, start, |f| {
        let scale = nu1 * f + nu2;
        let (x, y) = (nu1 * f / scale, nu2 / scale);
        let (lower, upper, kernel) = beta_tails(a, b, x, y);
        // dI/dx = kernel/(x·y) with kernel = x^a·y^b/B(a, b), and dx/df = x·y/f.
        Tails { lower, upper, density: kernel / f }
    })
}

/// Two-sided interval of a standard deviation from a measured variance with `nu` degrees of freedom: equal tails,
/// χ² on the variance.
///
/// `None` where the variance is not positive, `nu` is below 1, or anything is not finite.
#[must_use]
pub fn spread_interval(variance: f64, nu: f64, level: f64) -> Option<[f64; 2]> {
    if !(variance > 0.0 && variance.is_finite() && nu >= 1.0 && nu.is_finite() && level > 0.0 && level < 1.0)
    {
        return None;
    }
    let tail = 0.5 * (1.0 - level);
    let bound = |quantile: f64| (variance * nu / quantile).sqrt();
    let interval = [bound(chi_squared(1.0 - tail, nu)), bound(chi_squared(tail, nu))];
    interval.iter().all(|end| end.is_finite()).then_some(interval)
}

/// A distribution at one point.
struct Tails {
    lower: f64,
    upper: f64,
    density: f64,
}

/// The point x > 0 below which a positive variable lies with probability `p`.
fn invert(p: f64, start: f64, at: impl Fn(f64) -> Tails) -> f64 {
    if p > 0.5 {
        return invert_upper(1.0 - p, start, at);
    }
    search(p, start, |x| {
        let Tails { lower, density, .. } = at(x);
        (lower, density)
    })
}

/// The point x > 0 above which a positive variable lies with probability `tail`.
fn invert_upper(tail: f64, start: f64, at: impl Fn(f64) -> Tails) -> f64 {
    search(tail, start, |x| {
        let Tails { upper, density, .. } = at(x);
        (upper, -density)
    })
}

/// Solves probability(x) = target for x > 0 by Newton steps of ln probability in ln x, kept inside a bracket.
///
/// `at` gives the probability and its derivative in x, of one sign throughout.
fn search(target: f64, start: f64, at: impl Fn(f64) -> (f64, f64)) -> f64 {
    let (mut low, mut high) = (f64::NEG_INFINITY, f64::INFINITY);
    let mut position = start.max(f64::MIN_POSITIVE).ln();
    for _ in 0..200 {
        let x = position.exp();
        let (probability, slope) = at(x);
        let excess = (probability / target).ln();
        if (excess > 0.0) == (slope > 0.0) {
            high = high.min(position);
        } else {
            low = low.max(position);
        }
        let step = excess * probability / (slope * x);
        if step.abs() <= 1e-14 * position.abs().max(1.0) {
            return (position - step).exp();
        }
        // A step far out of the reach of its tangent, or out of the bracket, is replaced by halving or by a stride.
        let next = position - if step.is_finite() { step.clamp(-3.0, 3.0) } else { 0.0 };
        position = if next > low && next < high && step.is_finite() {
            next
        } else if low.is_finite() && high.is_finite() {
            0.5 * (low + high)
        } else if low.is_finite() {
            low + 3.0
        } else if high.is_finite() {
            high - 3.0
        } else {
            return f64::NAN;
        };
        if high - low <= 1e-15 * position.abs().max(1.0) {
            break;
        }
    }
    position.exp()
}

/// Regularised incomplete beta function I_x(a, b), its complement, and x^a·y^b/B(a, b), with y = 1 − x given apart.
fn beta_tails(a: f64, b: f64, x: f64, y: f64) -> (f64, f64, f64) {
    let kernel = beta_kernel(a, b, x, y);
    // The continued fraction is stable on the side of the mean a/(a + b) that x lies on.
    if b * x <= a * y {
        let lower = kernel / beta_fraction(a, b, x, y);
        (lower, 1.0 - lower, kernel)
    } else {
        let upper = kernel / beta_fraction(b, a, y, x);
        (1.0 - upper, upper, kernel)
    }
}

/// x^a·y^b/B(a, b) from deviations about the mean, as Loader (2000) does for binomial probabilities: the large
/// logarithms cancel on paper instead of in rounding.
fn beta_kernel(a: f64, b: f64, x: f64, y: f64) -> f64 {
    let n = a + b;
    let deviation = x * b - y * a;
    let exponent = a * log_less(x * n / a, deviation / a) + b * log_less(y * n / b, -deviation / b);
    let rest = stirling_error(n) - stirling_error(a) - stirling_error(b);
    (exponent + rest).exp() * (a * b / (2.0 * PI * n)).sqrt()
}

/// ln(ratio) − d, where d = ratio − 1 is given apart: each keeps the digits that the other has lost.
fn log_less(ratio: f64, d: f64) -> f64 {
    if d.abs() > 0.1 {
        return ratio.ln() - d;
    }
    // −d²/2 + d³/3 − …, until a term no longer counts.
    let (mut power, mut sum) = (d, 0.0);
    for k in 2..40 {
        power *= -d;
        let term = power / f64::from(k);
        sum += term;
        if term.abs() < 1e-17 * f64::abs(sum) {
            break;
        }
    }
    sum
}

/// ln Γ(z + 1) less Stirling's (z + ½)·ln z − z + ½·ln 2π, for z > 0.
fn stirling_error(z: f64) -> f64 {
    if z < 16.0 {
        return ln_gamma(z + 1.0) - (z + 0.5) * z.ln() + z - 0.5 * (2.0 * PI).ln();
    }
    let inverse = 1.0 / (z * z);
    let terms = [1.0 / 12.0, -1.0 / 360.0, 1.0 / 1260.0, -1.0 / 1680.0, 1.0 / 1188.0];
    terms.iter().rev().fold(0.0, |sum, term| sum * inverse + term) / z
}

/// The continued fraction F with I_x(a, b) = x^a·y^b/(B(a, b)·F) of DiDonato & Morris (1992, ACM TOMS 18, eq. 9), by
/// Lentz's method; a·y − b·x replaces a − (a + b)·x, which would lose all digits for x near 1.
///
/// Needs some √max(a, b) steps; the limit is far beyond that for 1e10 degrees of freedom.
fn beta_fraction(a: f64, b: f64, x: f64, y: f64) -> f64 {
    const TINY: f64 = 1e-300;
    let guard = |value: f64| if value.abs() < TINY { TINY } else { value };
    let ahead = a * y - b * x + 1.0;
    let denominator = |m: f64| {
        let twice = a + 2.0 * m;
        let back = if m > 0.0 { m * (b - m) * x / (twice - 1.0) } else { 0.0 };
        m + back + (a + m) * (ahead + m * (1.0 + y)) / (twice + 1.0)
    };
    let mut fraction = guard(denominator(0.0));
    let (mut c, mut d) = (fraction, 0.0);
    for step in 1..2_000_000_u32 {
        let m = f64::from(step);
        let below = a + 2.0 * m - 1.0;
        let numerator = ((a + m - 1.0) * x / below) * ((a + b + m - 1.0) * x / below) * m * (b - m);
        let term = denominator(m);
        d = 1.0 / guard(term + numerator * d);
        c = guard(term + numerator / c);
        let factor = c * d;
        fraction *= factor;
        if (factor - 1.0).abs() < 1e-15 {
            break;
        }
    }
    fraction
}
