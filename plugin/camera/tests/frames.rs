//! Frames are a function of settings, seed and number, whatever was made before and by how many threads.

mod common;

use common::{alone, flat, recorder, yuv420};
use noise_measure::format::{Range, Scan};
use simulated_camera::lamp::Lamp;
use simulated_camera::{Frame, Scene, Shot};

/// Odd sizes, no multiple of the 16 rows that are made together.
const SIZES: [(u32, u32); 4] = [(1, 1), (37, 19), (64, 16), (50, 33)];

#[test]
fn any_order_and_any_number_of_threads_give_the_same_frames() {
    for (width, height) in SIZES {
        let format = yuv420(width, height);
        for shot in [
            flat(12_800.0),
            Shot { scene: Scene::Rings, vignetting: 0.3, ..flat(800.0) },
            Shot { lamp: Lamp { frequency: 100.0, depth: 0.2 }, readout_time: 0.01, ..flat(3200.0) },
        ] {
            let wanted: Vec<Frame> = (0..4).map(|n| alone(&shot, &format, n)).collect();
            for threads in [1, 2, 5] {
                let mut camera = recorder(&shot, &format, threads);
                let mut frame = Frame::default();
                for n in [2_u64, 0, 3, 1] {
                    camera.record(n, &mut frame);
                    assert_eq!(frame, wanted[n as usize], "frame {n} of {width}x{height}, {threads} threads");
                }
            }
        }
    }
}

#[test]
fn seeds_frames_and_settings_tell_frames_apart() {
    let format = yuv420(32, 32);
    let shot = flat(6400.0);
    let first = alone(&shot, &format, 0);
    assert_ne!(first, alone(&shot, &format, 1));
    assert_ne!(first, alone(&Shot { seed: 1, ..shot.clone() }, &format, 0));
    assert_ne!(first, alone(&Shot { iso: 12_800.0, ..shot }, &format, 0));
}

#[test]
fn changed_settings_give_the_frames_of_a_new_camera() {
    let format = yuv420(48, 32);
    let mut camera = recorder(&flat(800.0), &format, 1);
    let mut frame = Frame::default();
    camera.record(0, &mut frame);
    for shot in [
        Shot { iso: 25_600.0, ..flat(800.0) },
        Shot { scene: Scene::Dark, ..flat(800.0) },
        Shot { exposure: 2.0, ..flat(800.0) },
    ] {
        camera.change(shot.clone()).expect("settings within their ranges");
        camera.record(7, &mut frame);
        assert_eq!(frame, alone(&shot, &format, 7));
    }
}

#[test]
fn a_temporal_filter_gives_the_same_frames_after_a_jump_but_for_stray_codes() {
    let format = yuv420(64, 48);
    let mut shot = flat(12_800.0);
    shot.reduction.temporal = 0.8;
    let mut in_turn = recorder(&shot, &format, 2);
    let mut frame = Frame::default();
    for n in 0..=200 {
        in_turn.record(n, &mut frame);
    }
    let jumped = alone(&shot, &format, 200);
    let mut different = 0;
    for (a, b) in frame.planes.iter().zip(&jumped.planes) {
        for (&a, &b) in a.codes.iter().zip(&b.codes) {
            assert!(a.abs_diff(b) <= 1, "{a} and {b}");
            different += usize::from(a != b);
        }
    }
    // A start of some ten codes is forgotten to 2⁻²⁴ of itself: one code in a million flips at most.
    assert!(different <= 1, "{different} codes differ");
    // And back again, which starts anew as well.
    in_turn.record(3, &mut frame);
    assert_eq!(frame, alone(&shot, &format, 3));
}

#[test]
fn codes_stay_inside_video_data_levels() {
    let mut format = yuv420(32, 32);
    let bright = Shot { exposure: 6.0, ..flat(640.0) };
    let dark = Shot { scene: Scene::Dark, ..flat(102_400.0) };
    let extremes = |frame: &Frame| {
        let codes = &frame.planes[0].codes;
        (codes.iter().min().copied(), codes.iter().max().copied())
    };
    assert!(extremes(&alone(&bright, &format, 0)).1.is_some_and(|most| most <= 1019));
    assert!(extremes(&alone(&dark, &format, 0)).0.is_some_and(|least| least >= 4));
    format.range = Range::Full;
    // Noise about black is cut at 0 there, in half of the samples.
    assert_eq!(extremes(&alone(&dark, &format, 0)).0, Some(0));
}

#[test]
fn what_cannot_be_made_is_refused_by_name() {
    let refused = |change: &dyn Fn(&mut Shot)| {
        let mut shot = flat(800.0);
        change(&mut shot);
        simulated_camera::Recorder::new(shot, yuv420(8, 8), 1).expect_err("out of range").to_string()
    };
    assert_eq!(refused(&|s| s.iso = 0.0), "iso-speed: is 0; 25 to 1638400 would be right");
    assert!(refused(&|s| s.exposure_time = 0.0).starts_with("exposure-time: is 0; "));
    assert!(refused(&|s| s.exposure = f64::NAN).starts_with("exposure: is NaN; "));
    assert!(refused(&|s| s.vignetting = 1.0).starts_with("vignetting: "));
    assert!(refused(&|s| s.lamp.depth = 1.5).starts_with("flicker-depth: "));
    assert!(refused(&|s| s.reduction.temporal = 1.0).starts_with("temporal noise reduction: "));
    let mut fields = yuv420(8, 8);
    fields.scan = Scan::Interleaved;
    let error = simulated_camera::Recorder::new(flat(800.0), fields, 1).expect_err("fields");
    assert!(error.to_string().starts_with("format: only whole frames"), "{error}");
}
