//! Noise as a sensor makes it: photons, read noise, lines; and what stands still beside it.

use noise_measure::format::{Channel, FrameFormat, Range};

use super::temporal;
use crate::accuracy::case::{Case, Claim};
use crate::accuracy::expect;
use crate::accuracy::formats;
use crate::accuracy::quantity::Quantity;
use crate::accuracy::stage::{Patch, Stage};

/// Distinct frames of a window: a second of film.
const FRAMES: u64 = 24;

/// Standard error of `corr_x` of white noise in windows of `length` samples a row and `lines` rows: that of the mean
/// product of neighbours, and that of row², which is taken off.
///
/// row² is the mean product of blocks of 16 at least two apart: of n blocks (n − 1)(n − 2)/2 pairs, each with the variance
/// 1/256 of a sample's squared.
fn white_error(length: u32, lines: u32) -> f64 {
    let blocks = f64::from(length / 16);
    let freedom = f64::from(lines) * (FRAMES - 1) as f64;
    let of_row = 2.0 / ((blocks - 1.0) * (blocks - 2.0) * 256.0);
    ((f64::from(length).recip() + of_row) / freedom).sqrt()
}

/// A card whose noise is a hundredth of its level, most of it read noise: far from either end of the range.
const READ: Patch = Patch { light: 0.18, electrons: 1e5, read_e: 1000.0 };

/// Steady grey at 16 bits, narrow range: rounding is far below the noise.
fn fine(size: (u32, u32)) -> FrameFormat {
    formats::grey(size, 16, Range::Narrow)
}

pub fn photons() -> Vec<Case> {
    let y = Channel::Y;
    let mut cases = Vec::new();
    for (name, patch) in [
        ("read noise 1000 e on 100 000 e", READ),
        ("photons alone, 100 000 e", Patch { read_e: 0.0, ..READ }),
    ] {
        let stage = Stage::new(patch.shot(), fine((64, 64)), FRAMES);
        let (products, across) = (f64::from(64 * 64) * (FRAMES - 1) as f64, white_error(64, 64));
        let (long, mean) = (expect::temporal(&stage, y), expect::component(&stage, y).mean);
        let case = temporal(Case::new(name, stage), y)
            .expect(y, Quantity::TemporalLong, long, Claim::Record)
            .expect(y, Quantity::Mean, mean, Claim::Scatter)
            .expect(y, Quantity::CorrX, 0.0, Claim::Formula(across))
            .expect(y, Quantity::CorrY, 0.0, Claim::Formula(across))
            .expect(y, Quantity::CorrT, 0.0, Claim::Formula(products.sqrt().recip()));
        cases.push(case);
    }
    // Low light takes little of the range, so that no photon falls out of it.
    for (electrons, light) in
        [(2.0, 0.045), (5.0, 0.09), (20.0, 0.18), (200.0, 0.18), (2000.0, 0.18), (20_000.0, 0.18)]
    {
        let patch = Patch { light, electrons, read_e: 0.0 };
        let stage = Stage::new(patch.shot(), formats::rgb((64, 64), 16, Range::Narrow), FRAMES);
        let case = Case::new(format!("photons alone, {electrons} e"), stage);
        cases.push(temporal(temporal(case, Channel::R), Channel::B));
    }
    cases
}

/// `stage` with lines that make up the shares `row` and `column` of the variance of a sample of Y.
#[must_use]
pub fn with_lines(stage: Stage, row: f64, column: f64) -> Stage {
    stage.with(|shot| {
        // The noise of single pixels, which R, G and B do not share, keeps Σw² of its variance in Y; that of lines all.
        let weights = noise_measure::format::Matrix::Bt709.luma_weights();
        let own = (READ.electrons + READ.read_e.powi(2)) * weights.iter().map(|w| w * w).sum::<f64>();
        let whole = own / (1.0 - row - column);
        shot.camera.row_e = (row * whole).sqrt();
        shot.camera.column_e = (column * whole).sqrt();
    })
}

pub fn lines() -> Vec<Case> {
    let y = Channel::Y;
    let mut cases = Vec::new();
    for (row, column) in [(0.0, 0.0), (0.1, 0.0), (0.3, 0.0), (0.0, 0.1), (0.0, 0.3), (0.2, 0.2)] {
        let stage = with_lines(Stage::new(READ.shot(), fine((112, 112)), FRAMES), row, column);
        let truth = expect::component(&stage, y);
        let [of_rows, of_columns] = [truth.row, truth.column].map(|v| expect::codes_square(&stage, y, v));
        let name = format!("rows {:.0} %, columns {:.0} % of the variance", 100.0 * row, 100.0 * column);
        let case = temporal(Case::new(name, stage), y)
            .expect(y, Quantity::Row, of_rows, Claim::Scatter)
            .expect(y, Quantity::Column, of_columns, Claim::Scatter)
            .expect(y, Quantity::CorrX, 0.0, Claim::Scatter)
            .expect(y, Quantity::CorrY, 0.0, Claim::Scatter);
        cases.push(case);
    }
    cases
}

/// Standard error of `fixed`² for single pixels: that of the mean image's variance, and that of what is taken off.
fn fixed_error(fixed: f64, temporal: f64, pixels: f64) -> f64 {
    let n = FRAMES as f64;
    let image = 2.0 * (fixed + temporal / n).powi(2) / (pixels - 1.0);
    let noise = 2.0 * temporal * temporal / (n * n * pixels * (n - 1.0));
    (image + noise).sqrt()
}

pub fn standing() -> Vec<Case> {
    let y = Channel::Y;
    let mut cases = Vec::new();
    for loss in [0.0, 0.01, 0.02, 0.05] {
        let stage = Stage::new(READ.shot(), fine((80, 80)), FRAMES)
            .with(|shot| shot.vignetting = loss)
            .with_targets();
        let truth = expect::temporal(&stage, y);
        let error = fixed_error(0.0, truth, f64::from(64 * 64));
        let case = temporal(Case::new(format!("corners {:.0} % darker", 100.0 * loss), stage), y).expect(
            y,
            Quantity::Fixed,
            0.0,
            Claim::Formula(error),
        );
        cases.push(case);
    }
    for (name, prnu, dsnu) in [
        ("sensitivity of pixels ± 1 %", 0.01, 0.0),
        ("dark level of pixels ± 1000 e", 0.0, 1000.0),
        ("both", 0.01, 1000.0),
    ] {
        let stage = Stage::new(READ.shot(), fine((192, 192)), FRAMES).with(|shot| {
            shot.camera.prnu = prnu;
            shot.camera.dsnu_e = dsnu;
        });
        let truth = expect::component(&stage, y);
        let fixed = expect::codes_square(&stage, y, truth.fixed_pixel);
        let error = fixed_error(fixed, expect::temporal(&stage, y), f64::from(192 * 192));
        let case =
            temporal(Case::new(name, stage), y).expect(y, Quantity::Fixed, fixed, Claim::Formula(error));
        cases.push(case);
    }
    cases
}
