//! The clips themselves, decoded by ffmpeg.

use std::process::Command;

use noise_measure::format::{Channel, ComponentFormat, FrameFormat, Matrix, Model, Range, Sampling, Scan};
use noise_measure::transfer::Transfer;
use simulated_camera::{Camera, Frame, Recorder, Scene, Shot};

use super::support::{Place, SESSION, TINY};

/// What ffprobe says of a clip's video.
fn probe(place: &Place, clip: &str) -> String {
    let mut probe = Command::new("ffprobe");
    probe.args(["-v", "error", "-select_streams", "v", "-count_frames", "-show_entries"]);
    probe.args(["stream=codec_name,width,height,pix_fmt,r_frame_rate,nb_read_frames", "-of", "csv=p=0"]);
    let output =
        probe.arg(place.path(SESSION).join("clips").join(clip)).output().expect("ffprobe is installed");
    String::from_utf8(output.stdout).expect("plain text").trim().to_owned()
}

/// All samples of a clip: 16-bit little-endian words, plane after plane.
fn decoded(place: &Place, clip: &str) -> Vec<u16> {
    let mut ffmpeg = Command::new("ffmpeg");
    ffmpeg.args(["-nostdin", "-v", "error", "-i"]).arg(place.path(SESSION).join("clips").join(clip));
    ffmpeg.args(["-f", "rawvideo", "-pix_fmt", "yuv422p10le", "-"]);
    let output = ffmpeg.output().expect("ffmpeg is installed");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    output.stdout.chunks_exact(2).map(|pair| u16::from_le_bytes([pair[0], pair[1]])).collect()
}

#[test]
fn clips_are_what_was_asked_for() {
    for (codec, name) in [("ffv1", "ffv1"), ("h265", "hevc")] {
        let place = Place::with(&["--size", "128x96", "--frames", "3", "--steps", "2", "--codec", codec]);
        for clip in place.clips() {
            assert_eq!(probe(&place, &clip), format!("{name},128,96,yuv422p10le,24/1,3"), "{clip}");
        }
    }
}

#[test]
fn the_same_settings_give_the_same_bytes() {
    for codec in ["ffv1", "h265"] {
        let settings = ["--size", "128x96", "--frames", "4", "--steps", "2", "--codec", codec];
        let (one, two) = (Place::with(&settings), Place::with(&settings));
        assert_eq!(one.names("clips"), two.names("clips"));
        for file in ["session.toml", "README.txt", "chart.json", "acescct.clf"] {
            assert_eq!(one.text(file), two.text(file), "{file}");
        }
        for name in one.names("clips") {
            let name = format!("clips/{name}");
            assert!(one.session(&name) == two.session(&name), "{codec} {name}");
        }
    }
}

#[test]
fn another_seed_gives_other_frames_of_the_same_shot() {
    let (one, other) = (Place::with(&TINY), Place::with(&[&TINY[..], &["--seed", "2"]].concat()));
    for clip in one.clips() {
        assert_ne!(decoded(&one, &clip), decoded(&other, &clip), "{clip}");
        let (one, other) = (one.truth(&clip), other.truth(&clip));
        for field in ["iso_speed", "exposure", "stage", "grey_e", "read_noise_e", "clip_light"] {
            assert!(!one[field].is_null() && one[field] == other[field], "{clip} {field}");
        }
    }
}

#[test]
fn no_two_clips_share_their_noise() {
    let place = Place::with(&["--size", "128x96", "--frames", "2", "--steps", "2"]);
    let frames: Vec<Vec<u16>> = place.clips().iter().map(|clip| decoded(&place, clip)).collect();
    for (i, one) in frames.iter().enumerate() {
        for other in &frames[..i] {
            // The two frames' difference is all noise; that of two clips must not go along.
            let half = one.len() / 2;
            let difference = |clip: &[u16]| -> Vec<f64> {
                clip[..half].iter().zip(&clip[half..]).map(|(&a, &b)| f64::from(a) - f64::from(b)).collect()
            };
            let (a, b) = (difference(one), difference(other));
            let product = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
            let correlation = product(&a, &b) / (product(&a, &a) * product(&b, &b)).sqrt();
            // Filters tie some tens of samples together: a fiftieth of them count as independent, five standard errors.
            let bound = 5.0 / (a.len() as f64 / 50.0).sqrt();
            assert!(correlation.abs() < bound, "clips {i}: {correlation}");
        }
    }
}

#[test]
fn a_lossless_clip_holds_the_camera_s_own_frames() {
    let place = Place::with(&TINY);
    let clip = "rowan-unfiltered-64000.mkv";
    let samples = decoded(&place, clip);
    let made = place.truth(clip)["made"].clone();
    let shot = Shot {
        transfer: Transfer::AcesCct,
        seed: made["seed"].as_u64().expect("a whole number"),
        rate: 24.0,
        readout_time: 0.016,
        exposure_time: 1.0 / 6400.0,
        ..Shot::new(Camera::preset("rowan").expect("a preset"), 64_000.0, Scene::Rings)
    };
    let component = |channel, step| {
        let horizontal = Sampling::subsampled(step);
        ComponentFormat { channel, depth: 10, horizontal, vertical: Sampling::FULL }
    };
    let format = FrameFormat {
        width: 96,
        height: 64,
        components: vec![component(Channel::Y, 1), component(Channel::Cb, 2), component(Channel::Cr, 2)],
        model: Model::Yuv,
        range: Range::Narrow,
        matrix: Matrix::Bt709,
        scan: Scan::Progressive,
    };
    let mut recorder = Recorder::new(shot, format, 1).expect("a camera");
    let mut frame = Frame::default();
    let mut expected = Vec::new();
    for n in 0..2 {
        recorder.record(n, &mut frame);
        expected.extend(frame.planes.iter().flat_map(|plane| plane.codes.iter().copied()));
    }
    assert!(samples == expected, "every sample is the camera's");
}
