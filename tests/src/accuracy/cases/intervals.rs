//! Set-ups whose intervals are counted.

use noise_measure::format::{Channel, Range};
use noise_measure::transfer::Transfer;
use simulated_camera::shot::Pulse;

use super::moving;
use crate::accuracy::case::Truth;
use crate::accuracy::coverage::{CLIP_BAND, Cover, Of, WINDOW_BAND};
use crate::accuracy::expect;
use crate::accuracy::formats;
use crate::accuracy::stage::{Carriage, Patch, Stage};

const FRAMES: u64 = 24;

/// Windows of a clip.
const WINDOWS: u64 = 8;

const READ: Patch = Patch { light: 0.18, electrons: 1e5, read_e: 1000.0 };

/// A patch of `side` × `side` pixels of fine codes; where it is blurred, away from the edges of the picture.
fn grey(side: u32, blur: f64) -> Stage {
    let margin = (4.0 * blur).ceil() as u32;
    let picture = side + 2 * margin;
    Stage::new(READ.shot(), formats::grey((picture, picture), 16, Range::Narrow), FRAMES)
        .with(|shot| shot.reduction.spatial = blur)
        .inset(margin)
}

/// Windows of `stage`, whose truth does not change.
fn windows(name: &str, stage: Stage, channel: Channel, of: Of) -> Cover {
    let truth = match of {
        Of::Temporal => expect::temporal(&stage, channel),
        Of::TemporalLong => expect::endless(&stage, channel),
        Of::Snr => expect::region(&stage).light.and_then(|light| light.snr_temporal_db).unwrap_or(f64::NAN),
    };
    let truth = Truth::Fixed(truth);
    Cover { name: name.to_owned(), stage, windows: 1, channel, of, truth, band: WINDOW_BAND, limit: None }
}

/// The set-ups.
#[must_use]
pub fn intervals() -> Vec<Cover> {
    sensor().into_iter().chain(filtered()).chain(coded()).chain(clips()).collect()
}

fn sensor() -> Vec<Cover> {
    let (y, r) = (Channel::Y, Channel::R);
    let mut covers = vec![windows("read noise", grey(48, 0.0), y, Of::Temporal)];
    for (electrons, light, read_e) in [
        (2.0, 0.03, 1.0),
        (5.0, 0.09, 0.0),
        (20.0, 0.18, 0.0),
        (200.0, 0.18, 0.0),
        (2000.0, 0.18, 0.0),
        (20_000.0, 0.18, 0.0),
    ] {
        let patch = Patch { light, electrons, read_e };
        let stage = Stage::new(patch.shot(), formats::rgb((48, 48), 16, Range::Narrow), FRAMES);
        let name = format!("photons {electrons} e, read noise {read_e} e");
        covers.push(windows(&name, stage, r, Of::Temporal));
    }
    // Skewed noise scatters more than normal one: its variance by a factor √(1 + κ/2), κ = 1/2 being the excess of a
    // Poisson number of 2. An interval of ±1.96 of the normal errors then holds 2·Φ(1.96/√1.25) − 1 = 92.0 %.
    let pure = Patch { light: 0.045, electrons: 2.0, read_e: 0.0 };
    let stage = Stage::new(pure.shot(), formats::rgb((48, 48), 16, Range::Narrow), FRAMES);
    covers.push(Cover {
        band: (0.90, 0.94),
        limit: Some("two photons are not normal; 92.0 % follow from their kurtosis"),
        ..windows("photons 2 e, read noise 0 e", stage, r, Of::Temporal)
    });
    for (row, column) in [(0.1, 0.0), (0.3, 0.0), (0.0, 0.3), (0.2, 0.2)] {
        let stage = moving::with_lines(grey(48, 0.0), row, column);
        let name = format!("rows {:.0} %, columns {:.0} % of the variance", 100.0 * row, 100.0 * column);
        covers.push(windows(&name, stage, y, Of::Temporal));
    }
    let stage = grey(80, 0.0).with(|shot| shot.vignetting = 0.05).with_targets();
    covers.push(windows("corners 5 % darker", stage, y, Of::Temporal));
    let swaying = grey(48, 0.0).with(|shot| shot.camera.gain_change = 0.05);
    covers.push(Cover {
        truth: expect::drawn(&swaying, y, FRAMES),
        ..windows("noise changes by 5 % from frame to frame", swaying, y, Of::Temporal)
    });
    covers
}

fn filtered() -> Vec<Cover> {
    let y = Channel::Y;
    let mut covers = Vec::new();
    for (a, frames) in [(0.5, 24), (0.9, 24), (0.9, 60)] {
        let mut stage = grey(48, 0.0).with(|shot| shot.reduction.temporal = a);
        stage.frames = frames;
        let name = format!("time filter {a}, windows of {frames}");
        for of in [Of::Temporal, Of::TemporalLong] {
            covers.push(windows(&name, stage.clone(), y, of));
        }
    }
    for blur in [0.5, 1.0, 2.0, 3.0] {
        let name = format!("blurred by {blur} px");
        covers.push(windows(&name, grey(96, blur), y, Of::Temporal));
    }
    let both = grey(96, 1.0).with(|shot| shot.reduction.temporal = 0.5);
    covers.push(windows("blurred by 1 px, time filter 0.5", both.clone(), y, Of::Temporal));
    covers.push(windows("blurred by 1 px, time filter 0.5", both, y, Of::TemporalLong));
    let lines = moving::with_lines(grey(96, 1.0), 0.3, 0.0);
    covers.push(Cover {
        band: (0.75, 0.97),
        limit: Some("blurred rows are alike; far samples of neighbouring rows are taken for independent"),
        ..windows("rows of 30 % of the variance, all blurred by 1 px", lines, y, Of::Temporal)
    });
    covers
}

fn coded() -> Vec<Cover> {
    let (size, patch) = ((64, 64), Patch::with_spread(0.18, 0.009));
    let y = Channel::Y;
    let rec709 = |stage: Stage| stage.with(|shot| shot.transfer = Transfer::Bt709);
    let chroma = rec709(Stage::new(patch.shot(), formats::yuv(size, 8, Range::Narrow, [2, 2]), FRAMES));
    let fine = Patch::with_spread(0.18, 0.8 / 219.0);
    let eight = Stage::new(fine.shot(), formats::grey(size, 8, Range::Narrow), FRAMES);
    let twice = grey(48, 0.0).carried(Carriage::Twice);
    let carried =
        Stage::new(patch.shot(), formats::grey(size, 8, Range::Narrow), FRAMES).carried(Carriage::TwoBitsUp);
    vec![
        windows("8 bits, noise of 0.6 codes", eight, y, Of::Temporal),
        windows("8 bits in 10", carried, y, Of::Temporal),
        windows("each frame twice", twice, y, Of::Temporal),
        windows("4:2:0, 8 bits, BT.709", chroma.clone(), Channel::Cr, Of::Temporal),
        windows("4:2:0, 8 bits, BT.709", chroma, y, Of::Snr),
    ]
}

/// Clips of `stage`; what is true of one window is true of them.
fn clip(name: &str, stage: Stage, of: Of) -> Cover {
    let name = format!("clip: {name}");
    Cover { windows: WINDOWS, band: CLIP_BAND, ..windows(&name, stage, Channel::Y, of) }
}

fn clips() -> Vec<Cover> {
    let mut covers = vec![
        clip("read noise", grey(48, 0.0), Of::Temporal),
        clip("rows 30 % of the variance", moving::with_lines(grey(48, 0.0), 0.3, 0.0), Of::Temporal),
        clip("blurred by 1 px", grey(48, 1.0), Of::Temporal),
    ];
    let filter = grey(48, 0.0).with(|shot| shot.reduction.temporal = 0.7);
    covers.push(clip("time filter 0.7", filter.clone(), Of::Temporal));
    covers.push(clip("time filter 0.7", filter, Of::TemporalLong));
    // What another recording of the same camera would read.
    let swaying = grey(48, 0.0).with(|shot| shot.camera.gain_change = 0.05);
    covers.push(clip("noise changes by 5 % from frame to frame", swaying, Of::Temporal));
    let pulsing = |frames: u64| {
        let mut stage = grey(48, 0.0).with(|shot| shot.pulse = Some(Pulse { frames: 12.0, depth: 0.2 }));
        stage.frames = frames;
        clip(&format!("noise pulses by 20 % over 12 frames, windows of {frames}"), stage, Of::Temporal)
    };
    covers.push(pulsing(24));
    covers.push(Cover {
        band: (0.88, 1.0),
        limit: Some("pulse and window beat over 12 windows, the clip has 8"),
        ..pulsing(25)
    });
    covers.push(Cover {
        band: (0.93, 1.0),
        limit: Some("windows alternate and their scatter is more than the clip's error"),
        ..pulsing(30)
    });
    covers
}
