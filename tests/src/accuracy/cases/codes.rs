//! What codes do to noise: their ends, their steps, their formats.

use noise_measure::format::{Channel, FrameFormat, Matrix, Model, Range};
use noise_measure::record::NoteCode;
use noise_measure::transfer::Transfer;
use simulated_camera::Scene;

use super::temporal;
use crate::accuracy::case::{Case, Claim};
use crate::accuracy::expect;
use crate::accuracy::formats;
use crate::accuracy::quantity::{Quantity, component, noted};
use crate::accuracy::stage::{Carriage, Patch, Stage};

const FRAMES: u64 = 24;
const SIZE: (u32, u32) = (64, 64);

/// √Σw² of the weights that luma gives R, G and B: what is left in Y of noise that they do not share.
fn luma_share() -> f64 {
    Matrix::Bt709.luma_weights().iter().map(|w| w * w).sum::<f64>().sqrt()
}

/// A patch whose noise in Y is `spread`, in light.
fn patch(light: f64, spread: f64) -> Patch {
    Patch::with_spread(light, spread / luma_share())
}

/// Luma whose spread is 1 % of white, `alpha` spreads above the code that nothing goes below.
pub fn clipping() -> Vec<Case> {
    let y = Channel::Y;
    let spread = 0.01;
    let format = formats::grey(SIZE, 16, Range::Full);
    let codes = spread * format.scale(y, 16).span;
    let mut cases = Vec::new();
    for alpha in [0.0, 0.5, 1.0, 2.0] {
        let stage = Stage::new(patch(alpha * spread, spread).shot(), format.clone(), FRAMES);
        let (left, kurtosis) = expect::clipped(alpha);
        let pixels = f64::from(SIZE.0 * SIZE.1);
        let of_normal = 2.0 / (pixels * (FRAMES - 1) as f64);
        let error = left * (of_normal + (kurtosis - 3.0) / (pixels * FRAMES as f64)).sqrt() * codes * codes;
        let mut case = Case::new(format!("black cut {alpha} sd below the mean"), stage)
            .expect(y, Quantity::Temporal, left * codes * codes, Claim::Formula(error))
            .say("`clipped`, `light_nonlinear`", |record| {
                noted(record, NoteCode::Clipped) && noted(record, NoteCode::LightNonlinear)
            });
        // More than half of the samples at the limit say nothing about the others.
        if alpha > 0.0 {
            case = case.expect(y, Quantity::Unclipped, codes * codes, Claim::Scatter);
        }
        cases.push(case);
    }
    cases
}

/// Whether the spread is null, with a bound of `upper` percent on it and on the ratio in light, and the note.
fn is_limited(record: &noise_measure::record::WindowRecord, upper: f64) -> bool {
    let light = record.regions.first().and_then(|region| region.light.as_ref());
    component(record, Channel::Y).is_some_and(|y| {
        y.temporal.is_none()
            && y.temporal_ci.is_none()
            && y.temporal_upper.is_some_and(|bound| (bound - upper).abs() < 1e-9)
    }) && light.is_some_and(|light| light.snr_temporal_db.is_none() && light.snr_lower_db.is_some())
        && noted(record, NoteCode::CodeLimited)
}

/// Light that a code of 8 bits in narrow range stands for.
fn light_of(code: f64) -> f64 {
    (code - 16.0) / 219.0
}

pub fn steps() -> Vec<Case> {
    let y = Channel::Y;
    let eight = || formats::grey(SIZE, 8, Range::Narrow);
    let mut cases = Vec::new();
    for (spread, code) in [(0.2, 56.0), (0.3, 56.0)] {
        let stage = Stage::new(patch(light_of(code), spread / 219.0).shot(), eight(), FRAMES);
        let case = Case::new(format!("8 bits, noise of {spread} codes on a whole code"), stage);
        cases.push(case.say("null, `temporal_upper` half a code, `code_limited`", |record| {
            is_limited(record, 50.0 / 219.0)
        }));
    }
    // Half-way between two codes any noise flips a coin.
    let stage = Stage::new(patch(light_of(56.5), 0.3 / 219.0).shot(), eight(), FRAMES);
    let case = Case::new("8 bits, noise of 0.3 codes half-way between two", stage);
    cases.push(case.say("the codes' own 0.50", |record| {
        component(record, Channel::Y).and_then(|y| y.temporal_codes).is_some_and(|c| (c - 0.5).abs() < 0.01)
    }));
    for (spread, code) in [(0.6, 56.0), (0.6, 56.5), (1.0, 56.25), (2.0, 56.0)] {
        let stage = Stage::new(patch(light_of(code), spread / 219.0).shot(), eight(), FRAMES);
        cases.push(temporal(Case::new(format!("8 bits, noise of {spread} codes on code {code}"), stage), y));
    }
    let carried = |spread: f64| {
        Stage::new(patch(light_of(56.0), spread / 219.0).shot(), eight(), FRAMES).carried(Carriage::TwoBitsUp)
    };
    let case = Case::new("8 bits in 10, noise of 3 codes", carried(3.0));
    cases.push(temporal(case, y).say("`code_step` 4", |record| {
        let codes = component(record, Channel::Y).and_then(|y| y.codes.as_ref());
        codes.is_some_and(|codes| codes.code_step == Some(4))
    }));
    // A step shows only where many codes are in use: elsewhere in the picture.
    let mut chart = carried(0.3).with(|shot| shot.scene = Scene::Rings);
    chart.format = formats::grey((480, 270), 8, Range::Narrow);
    chart = chart.with_targets();
    chart.regions.retain(|region| region.name == "grey");
    let case = Case::new("8 bits in 10, a chart's card with noise of 0.3 codes", chart);
    cases.push(case.say("null, `temporal_upper` half a step of 4, `code_limited`", |record| {
        is_limited(record, 200.0 / 876.0)
    }));
    cases
}

pub fn formats() -> Vec<Case> {
    let rows: [(&str, FrameFormat, Transfer); 8] = [
        ("grey, 8 bits, full, linear", formats::grey(SIZE, 8, Range::Full), Transfer::Linear),
        ("4:2:0, 8 bits, narrow, BT.709", formats::yuv(SIZE, 8, Range::Narrow, [2, 2]), Transfer::Bt709),
        ("4:2:2, 10 bits, narrow, ACEScct", formats::yuv(SIZE, 10, Range::Narrow, [2, 1]), Transfer::AcesCct),
        ("4:2:0, 10 bits, narrow, HLG", formats::yuv(SIZE, 10, Range::Narrow, [2, 2]), Transfer::Hlg),
        ("4:4:4, 12 bits, full, PQ", formats::yuv(SIZE, 12, Range::Full, [1, 1]), Transfer::Pq),
        ("RGB, 8 bits, full, sRGB", formats::rgb(SIZE, 8, Range::Full), Transfer::Srgb),
        ("RGB, 10 bits, narrow, BT.709", formats::rgb(SIZE, 10, Range::Narrow), Transfer::Bt709),
        ("RGB, 16 bits, full, linear", formats::rgb(SIZE, 16, Range::Full), Transfer::Linear),
    ];
    rows.into_iter().map(|(name, format, transfer)| of_format(name, format, transfer)).collect()
}

/// All components of a grey card with a noise of a twentieth, and the ratio in light.
fn of_format(name: &str, format: FrameFormat, transfer: Transfer) -> Case {
    let rgb = format.model == Model::Rgb;
    let channels: Vec<Channel> = format.components.iter().map(|component| component.channel).collect();
    let stage = Stage::new(Patch::with_spread(0.18, 0.009).shot(), format, FRAMES)
        .with(|shot| shot.transfer = transfer);
    let known = expect::region(&stage);
    let own = expect::temporal(&stage, channels[0]);
    let mut case = channels.iter().fold(Case::new(name, stage), |case, &channel| temporal(case, channel));
    if rgb {
        // R, G and B are equal and share no noise: what is derived from them has Σw² of their variance.
        for (channel, row) in [Channel::Y, Channel::Cb, Channel::Cr].into_iter().zip(Matrix::Bt709.rows()) {
            let share: f64 = row.iter().map(|w| w * w).sum();
            case = case.expect(channel, Quantity::Temporal, share * own, Claim::Record);
        }
    } else if let Some(snr) = known.light.and_then(|light| light.snr_temporal_db) {
        case = case.expect(Channel::Y, Quantity::Snr, snr, Claim::Record);
    }
    case
}
