//! The note `codec`: silent on every noise that a camera makes, however filtered; there where a coder ate it.

#[expect(dead_code, reason = "the frames here come from the simulated camera")]
mod support;

use noise_measure::meter::{Carry, FrameTags};
use noise_measure::record::NoteCode;
use simulated_camera::{Camera, Frame, Recorder, Scene, Shot};
use support::{Picture, Setup};

const FRAMES: u64 = 24;

/// What a kind of noise differs by.
type Change = fn(&mut Shot);

/// The card before a camera of few electrons: 300 on the card, 5 of read noise, and standing noise.
fn shot(seed: u64) -> Shot {
    let camera = Camera { prnu: 0.01, dsnu_e: 1.0, ..Camera::plain(400.0, 2400.0, 5.0) };
    Shot { seed, ..Shot::new(camera, 400.0, Scene::Flat) }
}

/// Whether a window of what `change` makes of the shot's frames carries the note.
fn noted(setup: &Setup, shot: &Shot, change: impl Fn(&mut Vec<Picture>)) -> bool {
    let mut camera = Recorder::new(shot.clone(), setup.config.format.clone(), 2).expect("a right shot");
    let mut pictures: Vec<Picture> = (0..FRAMES)
        .map(|n| {
            let mut frame = Frame::default();
            camera.record(n, &mut frame);
            frame.planes.into_iter().map(|plane| plane.codes).collect()
        })
        .collect();
    change(&mut pictures);
    let mut meter = setup.meter();
    for picture in &pictures {
        setup.add(&mut meter, picture, 0, FrameTags::default());
    }
    let record = meter.close().expect("frames were added").evaluate(&mut Carry::default(), setup.info(0));
    record.regions[0].notes.iter().any(|note| note.code == NoteCode::Codec)
}

fn setup(side: u32) -> Setup {
    Setup::new(noise_measure::format::Model::Yuv, side, side, 10)
}

#[test]
fn no_noise_of_a_camera_is_called_a_codecs() {
    let kinds: [(&str, Change); 12] = [
        ("white", |_| {}),
        ("two electrons", |s| s.exposure = -7.2),
        ("vignetted", |s| s.vignetting = 0.5),
        ("chart", |s| s.scene = Scene::Rings),
        ("rows", |s| s.camera.row_e = 8.0),
        ("columns", |s| s.camera.column_e = 8.0),
        ("hot pixels", |s| s.camera.hot_ppm = 3000.0),
        ("unsteady", |s| s.camera.gain_change = 0.1),
        ("blurred a little", |s| s.reduction.spatial = 0.6),
        ("blurred much", |s| s.reduction.spatial = 2.5),
        ("recursive", |s| s.reduction.temporal = 0.6),
        ("both", |s| (s.reduction.spatial, s.reduction.temporal) = (1.0, 0.9)),
    ];
    // 12 kinds × 12 seeds × 3 components; one in a hundred thousand exceeds the limit by chance.
    for (name, change) in kinds {
        for seed in 0..12 {
            let mut shot = shot(seed);
            change(&mut shot);
            assert!(!noted(&setup(64), &shot, |_| {}), "{name}, seed {seed}");
        }
    }
}

/// A coder of the plainest kind: each 8 × 8 block's change against the decoded frame before goes through a
/// Walsh–Hadamard transform, coefficients are rounded to steps with a dead zone, and the block is built up again.
fn code(pictures: &mut [Picture], side: usize, step: f64) {
    let mut decoded: Vec<Vec<f64>> = pictures[0].iter().map(|plane| vec![512.0; plane.len()]).collect();
    for picture in pictures {
        for (plane, decoded) in picture.iter_mut().zip(&mut decoded) {
            for top in (0..side - side % 8).step_by(8) {
                for left in (0..side - side % 8).step_by(8) {
                    let at = |i: usize| (top + i / 8) * side + left + i % 8;
                    let mut block: Vec<f64> =
                        (0..64).map(|i| f64::from(plane[at(i)]) - decoded[at(i)]).collect();
                    hadamard(&mut block);
                    for value in &mut block {
                        let level = (value.abs() / 8.0 / step + 1.0 / 3.0).floor();
                        *value = level * step * value.signum() / 8.0;
                    }
                    hadamard(&mut block);
                    for (i, change) in block.iter().enumerate() {
                        decoded[at(i)] += change;
                        plane[at(i)] = decoded[at(i)].round() as u16;
                    }
                }
            }
        }
    }
}

/// Sums and differences over all six bits of the place: a Walsh–Hadamard transform without scale.
fn hadamard(block: &mut [f64]) {
    for bit in [1, 2, 4, 8, 16, 32] {
        for i in (0..64).filter(|i| i & bit == 0) {
            (block[i], block[i + bit]) = (block[i] + block[i + bit], block[i] - block[i + bit]);
        }
    }
}

/// Moving noise of the first component about its pixels' means, codes².
fn variance(pictures: &[Picture]) -> f64 {
    let n = pictures.len() as f64;
    let samples = pictures[0][0].len();
    let of = |i: usize| {
        let values = pictures.iter().map(|picture| f64::from(picture[0][i]));
        let mean = values.clone().sum::<f64>() / n;
        values.map(|v| (v - mean) * (v - mean)).sum::<f64>() / (n - 1.0)
    };
    (0..samples).map(of).sum::<f64>() / samples as f64
}

#[test]
fn a_coder_that_eats_a_third_of_the_noise_is_told() {
    for side in [48_u32, 64, 104] {
        for seed in 0..4 {
            let coded = |pictures: &mut Vec<Picture>| {
                let before = variance(pictures);
                code(pictures, side as usize, 3.2 * before.sqrt());
                let left = (variance(pictures) / before).sqrt();
                assert!((0.3..0.8).contains(&left), "the coder leaves {left} of the spread");
            };
            assert!(noted(&setup(side), &shot(seed), coded), "{side} pixels, seed {seed}");
        }
    }
}
