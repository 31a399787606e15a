//! Noise that is not the same in every frame, and frames that come twice.

use noise_measure::format::{Channel, Range};

use super::temporal;
use crate::accuracy::case::{Case, Claim};
use crate::accuracy::expect;
use crate::accuracy::formats;
use crate::accuracy::quantity::Quantity;
use crate::accuracy::stage::{Carriage, Patch, Stage};

const FRAMES: u64 = 24;

pub fn cases() -> Vec<Case> {
    let y = Channel::Y;
    let patch = Patch { light: 0.18, electrons: 1e5, read_e: 1000.0 };
    let plain = Stage::new(patch.shot(), formats::grey((64, 64), 16, Range::Narrow), FRAMES);

    let swaying = plain.clone().with(|shot| shot.camera.gain_change = 0.05);
    let truth = expect::drawn(&swaying, y, FRAMES);
    let swaying = Case::new("noise changes by 5 % from frame to frame", swaying).expect_drawn(
        y,
        Quantity::Temporal,
        truth,
        Claim::Record,
    );

    let error = expect::corr_t_error(0.0, FRAMES, f64::from(64 * 64));
    let twice = Case::new("each frame twice", plain.carried(Carriage::Twice));
    let twice = temporal(twice, y)
        .expect(y, Quantity::CorrT, 0.0, Claim::Formula(error))
        .say("24 of 48 frames repeated", |record| record.frames == 48 && record.repeated == 24);
    vec![swaying, twice]
}
