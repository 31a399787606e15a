//! Quantiles against scipy, and intervals against the tables in the Boost.Math documentation.

use noise_measure::quantile::{chi_squared, fisher_f, normal, normal_cdf, spread_interval, student_t};

/// Made by data/quantiles.py, which names the versions.
const TABLE: &str = include_str!("data/quantiles.csv");

/// What was promised; the numbers themselves carry 1e-14 or so.
const RELATIVE: f64 = 1e-9;

#[test]
fn equal_scipy() {
    let (mut rows, mut worst) = (0, Vec::new());
    for line in TABLE.lines() {
        let mut fields = line.split(',');
        let name = fields.next().expect("a name");
        let numbers: Vec<f64> = fields.map(|field| field.parse().expect("a number")).collect();
        let [p, nu1, nu2, expected] = numbers[..] else { panic!("{line}") };
        let found = match name {
            "normal" => normal(p),
            "chi_squared" => chi_squared(p, nu1),
            "student_t" => student_t(p, nu1),
            "fisher_f" => fisher_f(p, nu1, nu2),
            other => panic!("{other}"),
        };
        // A median of 0 has no relative error.
        let error = (found - expected).abs() / if expected == 0.0 { 1.0 } else { expected.abs() };
        if error.is_nan() || error > RELATIVE {
            worst.push(format!("{line}: {found} ({error:e})"));
        }
        rows += 1;
    }
    assert_eq!(rows, 9 + 2 * 13 * 9 + 36 * 5);
    assert!(worst.is_empty(), "{}", worst.join("\n"));
}

#[test]
fn normal_probabilities() {
    // scipy 1.17.1: special.ndtr
    for (x, p) in [(-6.0, 9.865876450376946e-10), (-1.0, 0.15865525393145705), (2.5, 0.9937903346742238)] {
        assert!((normal_cdf(x) / p - 1.0).abs() < 1e-12, "{x} {}", normal_cdf(x));
    }
    assert_eq!(normal_cdf(0.0), 0.5);
}

#[test]
fn intervals_of_a_standard_deviation() {
    // Boost.Math, "Confidence intervals on the standard deviation": 95 % factors for n observations.
    for (n, low, high) in [(10.0, 0.6878, 1.8256), (100.0, 0.8780, 1.1617), (1000.0, 0.9580, 1.0459)] {
        let [found_low, found_high] = spread_interval(1.0, n - 1.0, 0.95).expect("an interval");
        assert!((found_low - low).abs() <= 5e-5 && (found_high - high).abs() <= 5e-5, "{n}");
        let [scaled, _] = spread_interval(9.0, n - 1.0, 0.95).expect("an interval");
        assert!((scaled - 3.0 * found_low).abs() < 1e-12);
    }
    let [low, high] = spread_interval(1.0, 1e10, 0.95).expect("an interval");
    assert!(low < 1.0 && high > 1.0 && high - low < 5e-5);
}

#[test]
fn nothing_from_nothing() {
    for (variance, nu) in [
        (0.0, 9.0),
        (-1.0, 9.0),
        (1.0, 0.5),
        (1.0, 0.0),
        (f64::NAN, 9.0),
        (f64::INFINITY, 9.0),
        (1.0, f64::NAN),
        (1.0, f64::INFINITY),
    ] {
        assert_eq!(spread_interval(variance, nu, 0.95), None, "{variance} {nu}");
    }
    assert_eq!(spread_interval(1.0, 9.0, 1.0), None);
    for p in [0.0, 1.0, -0.1, f64::NAN] {
        assert!(normal(p).is_nan() && chi_squared(p, 3.0).is_nan() && student_t(p, 3.0).is_nan());
        assert!(fisher_f(p, 3.0, 3.0).is_nan());
    }
    assert!(
        chi_squared(0.5, 0.0).is_nan() && student_t(0.5, -1.0).is_nan() && fisher_f(0.5, 1.0, 0.0).is_nan()
    );
}

#[test]
fn every_probability_has_its_quantile() {
    // The table holds a few points; between them a quantile must rise, and undo the distribution's own function.
    use statrs::function::{beta::beta_reg, gamma::gamma_lr};
    const STEPS: u32 = 2000;
    for nu in [1.0, 2.0, 4.7, 60.0, 1999.0, 2001.0, 9177.0, 99_000.0, 101_000.0] {
        let mut before = [f64::NEG_INFINITY; 4];
        for step in 1..STEPS {
            let p = f64::from(step) / f64::from(STEPS);
            let now = [normal(p), chi_squared(p, nu), student_t(p, nu), fisher_f(p, nu, 7.0)];
            for (now, before) in now.iter().zip(before) {
                assert!(now.is_finite() && *now > before, "{p} {nu}: {now} after {before}");
            }
            before = now;
            let [z, square, t, ratio] = now;
            let share = nu * ratio / (nu * ratio + 7.0);
            // What the crate's functions themselves lose: cancellation of logarithms of the size of ν·ln ν.
            let rounding = 1e-15 * nu * nu.ln().max(10.0) + 1e-12;
            assert!((normal_cdf(z) - p).abs() < 1e-14, "{p}");
            assert!((gamma_lr(0.5 * nu, 0.5 * square) - p).abs() < rounding, "{p} {nu}");
            assert!((beta_reg(0.5 * nu, 3.5, share) - p).abs() < rounding, "{p} {nu}");
            if t != 0.0 && nu < 1000.0 {
                let tail = 0.5 * beta_reg(0.5 * nu, 0.5, nu / (nu + t * t));
                assert!((tail - p.min(1.0 - p)).abs() < rounding, "{p} {nu}");
            }
        }
    }
}
