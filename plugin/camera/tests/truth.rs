//! The truth of a recording against closed forms of the sensor's model, worked out here by hand.

use std::f64::consts::{PI, TAU};

use noise_measure::format::{Channel, ComponentFormat, FrameFormat, Matrix, Model, Range, Sampling, Scan};
use noise_measure::transfer::Transfer;
use simulated_camera::shot::{Pulse, Reduction};
use simulated_camera::truth::{self, ComponentTruth};
use simulated_camera::{Camera, Scene, Shot};

/// A 12-bit sensor that gives 0.4 codes an electron, in R, G and B of full range.
const GAIN: f64 = 0.4;
const OF_WHITE: f64 = 4095.0 / GAIN;

fn shot(electrons: f64, read_e: f64) -> Shot {
    // Electrons of white at the base, by the bookkeeping of speeds: 10/78 of the full well at 18 %.
    let full_well = OF_WHITE * 0.18 * 78.0 / 10.0;
    let camera = Camera::plain(800.0, full_well, read_e);
    let mut shot = Shot::new(camera, 800.0, Scene::Flat);
    shot.transfer = Transfer::Linear;
    shot.exposure = (electrons / OF_WHITE / 0.18).log2();
    shot
}

fn format(model: Model, channels: [Channel; 3], depth: u32, chroma: Sampling) -> FrameFormat {
    let component = |channel: Channel| {
        let sampling = if channel.is_chroma() { chroma } else { Sampling::FULL };
        ComponentFormat { channel, depth, horizontal: sampling, vertical: sampling }
    };
    FrameFormat {
        width: 64,
        height: 64,
        components: channels.map(component).to_vec(),
        model,
        range: Range::Full,
        matrix: Matrix::Bt709,
        scan: Scan::Progressive,
    }
}

fn rgb() -> FrameFormat {
    format(Model::Rgb, [Channel::R, Channel::G, Channel::B], 12, Sampling::FULL)
}

fn yuv(depth: u32, chroma: Sampling) -> FrameFormat {
    format(Model::Yuv, [Channel::Y, Channel::Cb, Channel::Cr], depth, chroma)
}

fn of(shot: &Shot, format: &FrameFormat, channel: Channel) -> ComponentTruth {
    let light = shot.light(0.18);
    truth::region(shot, format, "card", &[light]).components[channel.name()]
}

/// What the converter's steps and the codes add to a variance, codes².
fn rounding(shot: &Shot) -> f64 {
    let step = shot.level().step() * shot.level().electrons * GAIN;
    step * step / 12.0 + 1.0 / 12.0
}

fn near(found: f64, known: f64, share: f64) {
    assert!((found / known - 1.0).abs() < share, "{found}, not {known}");
}

// A quadrature of step 0.02 and weights in single precision.
const EXACT: f64 = 1e-5;

#[test]
fn a_sensor_has_its_variance_and_its_level() {
    // σ² = K²(μ + r²) + rounding: 900 electrons, 5 of read noise at 0.4 codes an electron give 148.083 with 1/12 alone.
    let shot = shot(900.0, 5.0);
    let truth = of(&shot, &rgb(), Channel::R);
    near(truth.temporal_codes.powi(2), GAIN * GAIN * 925.0 + rounding(&shot), EXACT);
    near(truth.mean_codes, 360.0, EXACT);
}

#[test]
fn lines_and_patterns_keep_their_variance() {
    let mut shot = shot(2000.0, 5.0);
    (shot.camera.row_e, shot.camera.column_e) = (20.0, 10.0);
    (shot.camera.prnu, shot.camera.dsnu_e) = (0.01, 15.0);
    let truth = of(&shot, &rgb(), Channel::G);
    let percent = 100.0 / OF_WHITE;
    near(truth.row, 20.0 * percent, EXACT);
    near(truth.column, 10.0 * percent, EXACT);
    near(truth.temporal_codes.powi(2), GAIN * GAIN * (2025.0 + 500.0) + rounding(&shot), EXACT);
    // (μ·PRNU)² + DSNU².
    near(truth.fixed_pixel, (400.0_f64 + 225.0).sqrt() * percent, EXACT);
}

#[test]
fn filters_leave_the_published_powers() {
    let plain = shot(2000.0, 50.0);
    let steady = of(&plain, &rgb(), Channel::B).temporal_codes.powi(2) - 1.0 / 12.0;
    let filtered = |reduction: Reduction| {
        let shot = Shot { reduction, ..plain.clone() };
        (of(&shot, &rgb(), Channel::B).temporal_codes.powi(2) - 1.0 / 12.0) / steady
    };
    // yₙ = a·yₙ₋₁ + (1 − a)·xₙ leaves (1 − a)/(1 + a), a Gaussian of one pixel the square of 0.282 124.
    near(filtered(Reduction { temporal: 0.75, spatial: 0.0 }), 1.0 / 7.0, 1e-4);
    near(filtered(Reduction { temporal: 0.0, spatial: 1.0 }), 0.282_124_f64.powi(2), 1e-4);
}

#[test]
fn changes_from_frame_to_frame_multiply() {
    let mut shot = shot(2000.0, 50.0);
    let steady = of(&shot, &rgb(), Channel::R).temporal_codes.powi(2) - rounding(&shot);
    shot.camera.gain_change = 0.2;
    shot.pulse = Some(Pulse { frames: 12.0, depth: 0.3 });
    let truth = of(&shot, &rgb(), Channel::R).temporal_codes.powi(2) - rounding(&shot);
    // Mean squares of 1 + 0.2·z and of 1 + 0.3·cos.
    near(truth / steady, 1.04 * 1.045, EXACT);
    // And they are those of the frames themselves, whole pulses of them; the draws of the change scatter.
    let frames = 12 * 2000;
    let drawn = (0..frames).map(|n| shot.noise_gain(n).powi(2)).sum::<f64>() / f64::from(frames as u32);
    let four_errors = 4.0 * 0.2 * 2.0 / f64::from(frames as u32).sqrt();
    near(drawn, 1.04 * 1.045, four_errors);
}

#[test]
fn luma_and_averaged_chroma_have_the_shares_of_their_weights() {
    let shot = shot(2000.0, 50.0);
    let own = of(&shot, &rgb(), Channel::R).temporal_codes.powi(2) - 1.0 / 12.0;
    let format = yuv(12, Sampling::subsampled(2));
    for (channel, row, samples) in [(Channel::Y, 0, 1.0), (Channel::Cb, 1, 4.0), (Channel::Cr, 2, 4.0)] {
        let share: f64 = Matrix::Bt709.rows()[row].iter().map(|w| w * w).sum();
        let truth = of(&shot, &format, channel);
        near(truth.temporal_codes.powi(2) - 1.0 / 12.0, share * own / samples, EXACT);
        // Means of two by two pixels share none with their neighbours'.
        assert!(truth.corr_x.abs() < 1e-9 && truth.corr_y.abs() < 1e-9);
    }
}

#[test]
fn black_cut_at_the_mean_has_half_a_normal_variable() {
    let mut shot = shot(1.0, 100.0);
    shot.scene = Scene::Dark;
    let truth = truth::region(&shot, &rgb(), "dark", &[0.0]).components["R"];
    // Mean σ/√(2π), variance σ²(½ − 1/(2π)); a code is a fortieth of the spread, so that rounding moves
    // both by less than 10⁻³.
    let spread = (100.0_f64.powi(2) * GAIN * GAIN + rounding(&shot) - 1.0 / 12.0).sqrt();
    near(truth.mean_codes, spread / TAU.sqrt(), 1e-3);
    near(truth.temporal_codes.powi(2), spread * spread * (0.5 - 0.5 / PI), 1e-3);
}

#[test]
fn light_of_a_curve_is_that_of_its_slope() {
    // To first order a ratio in light does not depend on the curve; noise of a hundredth bends it by 10⁻³ and less.
    let straight = shot(1000.0, 0.0);
    let format = yuv(16, Sampling::FULL);
    let ratio = |transfer: Transfer| {
        let shot = Shot { transfer, exposure: 0.0, ..straight.clone() };
        let light = truth::region(&shot, &format, "card", &[0.18]).light.expect("luma has light");
        light.snr_temporal_db.expect("light and noise")
    };
    let linear = ratio(Transfer::Linear);
    for transfer in [Transfer::Bt709, Transfer::Srgb, Transfer::Hlg, Transfer::AcesCct] {
        assert!((ratio(transfer) - linear).abs() < 0.02, "{transfer:?}: {} {linear}", ratio(transfer));
    }
}
