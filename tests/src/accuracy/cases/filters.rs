//! Noise behind filters of known coefficients.

use noise_measure::format::{Channel, Range};

use crate::accuracy::case::{Case, Claim};
use crate::accuracy::expect;
use crate::accuracy::formats;
use crate::accuracy::quantity::Quantity;
use crate::accuracy::stage::{Patch, Stage};

/// A card with a noise of a twentieth: behind every filter what is left of it is far above a code of 16 bits.
fn patch() -> Patch {
    Patch::with_spread(0.18, 0.009)
}

/// Coefficients of the time filter, …
pub const COEFFICIENTS: [f64; 6] = [0.0, 0.3, 0.5, 0.7, 0.8, 0.9];

/// … and the windows that it is seen through: a second at 24 and at 60 frames.
pub const WINDOWS: [u64; 2] = [24, 60];

/// Noise behind a filter that keeps the share `a` of the frame before, in windows of `frames`.
#[must_use]
pub fn recursive_stage(a: f64, frames: u64) -> Stage {
    // The stronger the filter and the shorter the window, the less a pixel tells.
    let side = match (a > 0.85, a > 0.6, frames > 30) {
        (true, _, false) => 208,
        (true, _, true) | (false, true, false) => 96,
        _ => 64,
    };
    Stage::new(patch().shot(), formats::grey((side, side), 16, Range::Narrow), frames)
        .with(|shot| shot.reduction.temporal = a)
}

/// Time filters.
#[must_use]
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

/// Space filters.
#[must_use]
pub fn blur() -> Vec<Case> {
    let y = Channel::Y;
    let frames = 24;
    let mut cases = Vec::new();
    for (sigma, side) in [(0.0_f64, 64_u32), (0.5, 72), (1.0, 104), (2.0, 184), (3.0, 256)] {
        // The filter reaches four of its sd; at the edges of the picture it mirrors noise onto itself.
        let margin = (4.0 * sigma).ceil() as u32;
        let picture = side + 2 * margin;
        let stage = Stage::new(patch().shot(), formats::grey((picture, picture), 16, Range::Narrow), frames)
            .with(|shot| shot.reduction.spatial = sigma)
            .inset(margin);
        let truth = expect::component(&stage, y);
        let window = expect::temporal(&stage, y);
        let case = Case::new(format!("blurred by {sigma} px"), stage)
            .expect(y, Quantity::Temporal, window, Claim::Record)
            .expect(y, Quantity::Row, 0.0, Claim::Scatter)
            .expect(y, Quantity::Column, 0.0, Claim::Scatter)
            .expect(y, Quantity::CorrX, truth.corr_x, Claim::Scatter)
            .expect(y, Quantity::CorrY, truth.corr_y, Claim::Scatter);
        cases.push(case);
    }
    cases
}
