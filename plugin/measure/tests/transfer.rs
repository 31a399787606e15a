//! Curves against colour-science and against published values, derivatives against differences.

use noise_measure::transfer::Transfer;

/// Made by data/transfers.py, which names the versions.
const TABLE: &str = include_str!("data/transfers.csv");

const ALL: [Transfer; 9] = [
    Transfer::Bt709,
    Transfer::Bt1886,
    Transfer::Srgb,
    Transfer::Pq,
    Transfer::Hlg,
    Transfer::AcesCct,
    Transfer::AcesCc,
    Transfer::Linear,
    Transfer::Gamma(2.2),
];

fn near(found: f64, expected: f64, tolerance: f64) {
    assert!((found - expected).abs() <= tolerance, "{found} for {expected}");
}

#[test]
fn equal_colour_science() {
    let mut rows = 0;
    for line in TABLE.lines() {
        let fields: Vec<&str> = line.split(',').collect();
        let [name, signal, light] = fields[..] else { panic!("{line}") };
        let (signal, light): (f64, f64) =
            (signal.parse().expect("a signal"), light.parse().expect("a light"));
        let found = Transfer::parse(name, None).expect("a curve").to_light(signal);
        // Its HLG computes a, b and c where the standard prints them to eight digits; PQ amplifies the rounding of
        // its innermost power 78-fold.
        let relative = if name == "hlg" { 1e-7 } else { 1e-12 };
        assert!((found - light).abs() <= relative * light.abs().max(1e-6), "{line}: {found}");
        rows += 1;
    }
    assert_eq!(rows, 480);
}

#[test]
fn published_values() {
    // ITU-R BT.2100 / SMPTE ST 2084: signal of a luminance in cd/m², and back.
    for (luminance, signal) in [
        (0.1, 0.062_337),
        (1.0, 0.149_946),
        (100.0, 0.508_078),
        (203.0, 0.580_689),
        (1000.0, 0.751_827),
        (4000.0, 0.902_572),
    ] {
        near(Transfer::Pq.from_light(luminance / 203.0), signal, 5e-7);
    }
    near(203.0 * Transfer::Pq.to_light(0.5), 92.2457, 5e-5);
    near(Transfer::Hlg.from_light(1.0 / 12.0), 0.5, 1e-12);
    near(Transfer::Hlg.to_light(0.75), 0.264_963, 5e-7);
    near(100.0 * Transfer::Bt1886.to_light(0.409_008), 11.6992, 1e-4);
    // An 18 % grey card in 10-bit codes, narrow and full range.
    for (curve, light, narrow, full) in [
        (Transfer::Bt709, 0.18, 422.29, 418.41),
        (Transfer::Srgb, 0.18, 468.15, 471.97),
        (Transfer::Bt1886, 0.18, 492.75, 500.69),
        (Transfer::Hlg, 0.18, 652.99, 687.82),
        (Transfer::Hlg, 0.18 * 0.264_963, 395.35, 386.96),
        (Transfer::Pq, 18.0 / 203.0, 368.82, 355.97),
        (Transfer::Pq, 26.0 / 203.0, 396.91, 388.77),
        (Transfer::Pq, 36.54 / 203.0, 423.95, 420.35),
        (Transfer::AcesCc, 0.18, 426.30, 423.10),
        (Transfer::AcesCct, 0.18, 426.30, 423.10),
    ] {
        let v = curve.from_light(light);
        near(64.0 + 876.0 * v, narrow, 5.1e-3);
        near(1023.0 * v, full, 5.1e-3);
    }
    // Gain of a signal-to-noise ratio from codes to light at 18 %, in decibels: light over V times dV/dlight.
    for (curve, decibels) in [
        (Transfer::Bt709, -5.053),
        (Transfer::Srgb, -6.626),
        (Transfer::Hlg, -10.276),
        (Transfer::AcesCct, -14.019),
    ] {
        let v = curve.from_light(0.18);
        near(20.0 * (0.18 / (v * curve.slope(v))).log10(), decibels, 5e-4);
    }
    let v = Transfer::Pq.from_light(18.0 / 203.0);
    near(20.0 * (18.0 / 203.0 / (v * Transfer::Pq.slope(v))).log10(), -12.211, 5e-4);
}

#[test]
fn there_and_back() {
    for curve in ALL {
        for step in 1..110 {
            let v = f64::from(step) / 100.0;
            // Below its lowest signal PQ has no light, and 709 printed in three digits overlaps itself by 2.5e-4.
            let tolerance = if curve == Transfer::Bt709 { 2.5e-4 } else { 1e-9 };
            near(curve.from_light(curve.to_light(v)), v, tolerance);
        }
        assert!(curve.to_light(-0.1).is_finite() && curve.to_light(9.0).is_finite(), "{curve:?}");
        assert!(curve.from_light(-0.1).is_finite(), "{curve:?}");
    }
    near(Transfer::Hlg.from_light(Transfer::Hlg.to_light(-0.05)), -0.05, 1e-12);
    near(Transfer::AcesCc.from_light(Transfer::AcesCc.to_light(-0.32)), -0.32, 1e-12);
    for curve in [Transfer::Pq, Transfer::Bt1886, Transfer::Gamma(2.2)] {
        assert_eq!((curve.to_light(-0.1), curve.slope(-0.1), curve.curvature(-0.1)), (0.0, 0.0, 0.0));
    }
    for curve in ALL {
        assert!(curve.to_light(-0.05) <= curve.to_light(0.0) && curve.to_light(1.05) > curve.to_light(1.0));
    }
}

#[test]
fn derivatives_are_differences() {
    const STEP: f64 = 1e-4;
    for curve in ALL {
        for index in -9..110 {
            let v = f64::from(index) / 100.0 + 0.003;
            let [before, at, after] = [v - STEP, v, v + STEP].map(|v| curve.to_light(v));
            let (slope, curvature) = (curve.slope(v), curve.curvature(v));
            // Central differences leave terms of the third and fourth derivative: at most (rate·step)² of the value,
            // where the steepest curve, PQ, multiplies itself by e every 1/rate = 0.04 of signal, near 0 far faster.
            let rate =
                if curve == Transfer::Pq { (8.0 / v.abs()).max(25.0) } else { (2.0 / v.abs()).max(13.0) };
            let relative = (rate * STEP).powi(2);
            let rounding = 1e-15 * after.abs().max(1e-3) / STEP;
            near((after - before) / (2.0 * STEP), slope, relative * slope.abs() + rounding);
            near(
                (after - 2.0 * at + before) / (STEP * STEP),
                curvature,
                relative * (curvature.abs() + rate * slope.abs()) + 4.0 * rounding / STEP,
            );
        }
    }
}

#[test]
fn names() {
    for curve in ALL {
        assert_eq!(Transfer::parse(&curve.name(), None).expect("its own name"), curve);
        assert!(["scene", "display"].contains(&curve.domain()));
    }
    assert_eq!(Transfer::Gamma(2.2).name(), "gamma:2.2");
    assert_eq!(Transfer::parse("gamma", Some(2.6)).expect("gamma"), Transfer::Gamma(2.6));
    for (name, gamma) in [
        ("gamma", None),
        ("gamma", Some(0.0)),
        ("gamma:x", Some(2.2)),
        ("gamma:nan", None),
        ("gamma:11", None),
    ] {
        let error = Transfer::parse(name, gamma).expect_err("no exponent").to_string();
        assert!(error.contains("exponent 0.1..10"), "{error}");
    }
    let error = Transfer::parse("rec709", None).expect_err("unknown").to_string();
    assert!(error.contains("\"rec709\"") && error.contains("bt709, bt1886"), "{error}");
}
