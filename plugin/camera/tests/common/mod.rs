//! Formats and frames for the tests.

use noise_measure::format::{Channel, ComponentFormat, FrameFormat, Matrix, Model, Range, Sampling, Scan};
use simulated_camera::{Camera, Frame, Recorder, Scene, Shot};

/// Y′CbCr 4:2:0 of 10 bits, narrow range.
pub fn yuv420(width: u32, height: u32) -> FrameFormat {
    let half = Sampling::subsampled(2);
    let component =
        |channel, sampling| ComponentFormat { channel, depth: 10, horizontal: sampling, vertical: sampling };
    FrameFormat {
        width,
        height,
        components: vec![
            component(Channel::Y, Sampling::FULL),
            component(Channel::Cb, half),
            component(Channel::Cr, half),
        ],
        model: Model::Yuv,
        range: Range::Narrow,
        matrix: Matrix::Bt709,
        scan: Scan::Progressive,
    }
}

/// The card before juniper at `iso`.
pub fn flat(iso: f64) -> Shot {
    Shot::new(Camera::preset("juniper").expect("a preset"), iso, Scene::Flat)
}

/// Frame `n` of a camera that has made no other.
pub fn alone(shot: &Shot, format: &FrameFormat, n: u64) -> Frame {
    let mut frame = Frame::default();
    recorder(shot, format, 1).record(n, &mut frame);
    frame
}

pub fn recorder(shot: &Shot, format: &FrameFormat, threads: usize) -> Recorder {
    Recorder::new(shot.clone(), format.clone(), threads).expect("a shot within its ranges")
}
