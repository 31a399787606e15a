//! Noise behind filters of known coefficients.

use noise_measure::format::{Channel, Range};

use crate::accuracy::case::{Case, Claim};
use crate::accuracy::expect;
use crate::accuracy::formats;
use crate::accuracy::quantity::Quantity;
use crate::accuracy::stage::{Patch, Stage};

const PATCH: Patch = Patch { light: 0.18, electrons: 1e5, read_e: 1000.0 };

/// Coefficients of the time filter, …
pub const COEFFICIENTS: [f64; 6] = [0.0, 0.3, 0.5, 0.7, 0.8, 0.9];

/// … and the windows that it is seen through: a second at 24 and at 60 frames.
pub const WINDOWS: [u64; 2] = [24, 60];

/// Noise behind a filter that keeps the share `a` of the frame before, in windows of `frames`.
#[must_use]
pub fn recursive_stage(a: f64, frames: u64) -> Stage {
    // The stronger the filter, the fewer frames tell something new.
    let side = if a > 0.6 { 128 } else { 64 };
    Stage::new(PATCH.shot(), formats::grey((side, side), 16, Range::Narrow), frames)
        .with(|shot| shot.reduction.temporal = a)
}

pub fn recursive() -> Vec<Case> {
    let y = Channel::Y;
    let mut cases = Vec::new();
    for a in COEFFICIENTS {
        for frames in WINDOWS {
            let stage = recursive_stage(a, frames);
            let truth = expect::component(&stage, y);
            let pixels = f64::from(stage.format.width * stage.format.height);
            let error = expect::corr_t_error(a, frames, pixels);
            let [window, endless] = [expect::temporal(&stage, y), expect::endless(&stage, y)];
            let case = Case::new(format!("a = {a}, windows of {frames} frames"), stage)
                .expect(y, Quantity::Temporal, window, Claim::Record)
                .expect(y, Quantity::TemporalLong, endless, Claim::Record)
                .expect(y, Quantity::CorrT, truth.corr_t, Claim::Formula(error));
            cases.push(case);
        }
    }
    cases
}

pub fn blur() -> Vec<Case> {
    let y = Channel::Y;
    let frames = 24;
    let mut cases = Vec::new();
    for (sigma, side) in [(0.0_f64, 64_u32), (0.5, 72), (1.0, 104), (2.0, 184), (3.0, 256)] {
        // The filter reaches four of its sd; at the edges of the picture it mirrors noise onto itself.
        let margin = (4.0 * sigma).ceil() as u32;
        let picture = side + 2 * margin;
        let stage = Stage::new(PATCH.shot(), formats::grey((picture, picture), 16, Range::Narrow), frames)
            .with(|shot| shot.reduction.spatial = sigma)
            .inset(margin);
        let truth = expect::component(&stage, y);
        let samples = f64::from(side * side) * (frames - 1) as f64;
        let rho = expect::blurred(sigma);
        let error = |lag| Claim::Formula(expect::correlation_error([&rho, &rho, &[1.0]], lag, samples));
        let window = expect::temporal(&stage, y);
        let case = Case::new(format!("blurred by {sigma} px"), stage)
            .expect(y, Quantity::Temporal, window, Claim::Record)
            .expect(y, Quantity::Row, 0.0, Claim::Scatter)
            .expect(y, Quantity::Column, 0.0, Claim::Scatter)
            .expect(y, Quantity::CorrX, truth.corr_x, error([1, 0, 0]))
            .expect(y, Quantity::CorrY, truth.corr_y, error([0, 1, 0]));
        cases.push(case);
    }
    cases
}
