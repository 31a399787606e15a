//! What is in the buffers.

use std::collections::HashSet;
use std::str::FromStr;
use std::sync::{Arc, Mutex};

use gst::prelude::*;
use gst_video::VideoFormat;
use gstnoisemeter::frames::{FORMATS, Layout};
use noise_measure::format::{Matrix, Range};
use noise_measure::transfer::Transfer;
use simulated_camera::shot::Reduction;
use simulated_camera::{Camera, Frame, Recorder, Scene, Shot};

use super::{Bench, CAPS, bytes, codes};
use crate::common;

#[test]
fn every_format_carries_the_recorders_codes() {
    common::init();
    for name in FORMATS {
        let format = VideoFormat::from_str(name).unwrap();
        let info = gst_video::VideoFormatInfo::from_format(format);
        let caps = format!("video/x-raw,format={name},width=37,height=27,framerate=25/1");
        let bench = Bench::playing(&caps, &[("seed", "9"), ("iso-speed", "1600"), ("num-buffers", "2")]);
        let buffers = [bench.pull(), bench.pull()];
        let layout = Layout::from_caps(&bench.caps()).unwrap();
        let (range, transfer) = match (info.is_yuv(), info.is_rgb()) {
            (true, _) => (Range::Narrow, Transfer::Bt709),
            (_, true) => (Range::Full, Transfer::Srgb),
            _ => (Range::Full, Transfer::Bt709),
        };
        let format = layout.frame_format(&layout.whole(), range, Matrix::Bt709);
        let camera = Camera::preset("juniper").unwrap();
        let shot = Shot { seed: 9, transfer, ..Shot::new(camera, 1600.0, Scene::Rings) };
        let mut recorder = Recorder::new(shot, format, 1).unwrap();
        let mut frame = Frame::default();
        for (n, buffer) in buffers.iter().enumerate() {
            recorder.record(n as u64, &mut frame);
            let planes: Vec<_> = frame.planes.iter().map(|plane| plane.codes.clone()).collect();
            assert!(codes(&layout, buffer) == planes, "{name}: frame {n}");
        }
    }
}

#[test]
fn every_setting_reaches_the_recorder() {
    let settings = [
        ("camera", "rowan"),
        ("iso-speed", "3200"),
        ("exposure-time", "1/60"),
        ("exposure", "-1.5"),
        ("scene", "flat"),
        ("noise-reduction", "spatial+temporal"),
        ("noise-reduction-strength", "0.8"),
        ("vignetting", "0.3"),
        ("flicker-frequency", "120"),
        ("flicker-depth", "0.4"),
        ("readout-time", "15000000"),
        ("seed", "18446744073709551615"),
        ("transfer", "gamma"),
        ("gamma", "2.4"),
    ];
    let bench =
        Bench::playing("video/x-raw,format=GRAY16_LE,width=40,height=30,framerate=30000/1001", &settings);
    let buffer = bench.pull();
    let layout = Layout::from_caps(&bench.caps()).unwrap();
    let mut shot = Shot::new(Camera::preset("rowan").unwrap(), 3200.0, Scene::Flat);
    shot.exposure_time = 1.0 / 60.0;
    shot.exposure = -1.5;
    shot.reduction = Reduction { spatial: 3.0 * 0.8, temporal: 0.95 * 0.8 };
    shot.vignetting = 0.3;
    shot.lamp.frequency = 120.0;
    shot.lamp.depth = 0.4;
    shot.readout_time = 0.015;
    shot.seed = u64::MAX;
    shot.transfer = Transfer::Gamma(2.4);
    shot.rate = 30_000.0 / 1001.0;
    let format = layout.frame_format(&layout.whole(), Range::Full, Matrix::Bt709);
    let mut frame = Frame::default();
    Recorder::new(shot, format, 1).unwrap().record(0, &mut frame);
    assert!(codes(&layout, &buffer) == [frame.planes[0].codes.clone()]);
}

#[test]
fn the_same_seed_gives_the_same_bytes_and_another_seed_others() {
    let frames = |seed: &str| {
        let bench = Bench::playing(CAPS, &[("seed", seed)]);
        (0..4).map(|_| bytes(&bench.pull())).collect::<Vec<_>>()
    };
    let first = frames("5");
    assert!(first == frames("5"));
    assert!(first[0] != first[1], "noise moves");
    assert!(first.iter().zip(frames("6")).all(|(a, b)| *a != b));
}

#[test]
fn memory_is_used_again() {
    let bench = Bench::new("video/x-raw,format=v210,width=64,height=36", &[("num-buffers", "40")]);
    let places = Arc::new(Mutex::new(HashSet::new()));
    let seen = places.clone();
    let pad = bench.camera.static_pad("src").unwrap();
    pad.add_probe(gst::PadProbeType::BUFFER, move |_, info| {
        let buffer = info.buffer().unwrap();
        seen.lock().unwrap().insert(buffer.map_readable().unwrap().as_ptr() as usize);
        gst::PadProbeReturn::Ok
    });
    bench.pipeline.set_state(gst::State::Playing).unwrap();
    let pulled = std::iter::from_fn(|| bench.sink.try_pull_sample(super::PATIENCE)).count();
    assert_eq!(pulled, 40);
    // Two that the sink holds, one on its way, one in our hands, and the sink's last sample.
    assert!(places.lock().unwrap().len() <= 5, "{}", places.lock().unwrap().len());
}

#[test]
fn a_meter_reads_range_matrix_and_curve_from_the_caps() {
    common::init();
    let cases = [
        ("I422_10LE", "auto", "", ("narrow", "bt709", "bt709")),
        ("I420", "srgb", "", ("narrow", "bt709", "srgb")),
        ("P010_10LE", "pq", "", ("narrow", "bt2020", "pq")),
        ("v210", "hlg", "", ("narrow", "bt2020", "hlg")),
        ("Y444_12LE", "linear", "", ("narrow", "bt709", "linear")),
        ("NV12", "auto", ",colorimetry=1:4:7:1", ("full", "bt601", "srgb")),
        ("GBR_10LE", "auto", "", ("full", "bt709", "srgb")),
        ("RGB", "bt709", "", ("full", "bt709", "bt709")),
        ("ARGB64", "auto", ",colorimetry=2:1:14:7", ("narrow", "bt2020", "pq")),
        ("GRAY8", "auto", "", ("full", "", "bt709")),
    ];
    for (format, transfer, colorimetry, (range, matrix, curve)) in cases {
        let line = format!(
            "simcamsrc num-buffers=3 transfer={transfer} ! \
             video/x-raw,format={format},width=64,height=36{colorimetry} ! noisemeter name=meter ! fakesink"
        );
        let pipeline = gst::parse::launch(&line).unwrap().downcast::<gst::Pipeline>().unwrap();
        pipeline.set_state(gst::State::Playing).unwrap();
        let end = [gst::MessageType::Eos, gst::MessageType::Error];
        let end = pipeline.bus().unwrap().timed_pop_filtered(super::PATIENCE, &end);
        assert_eq!(end.map(|message| message.type_()), Some(gst::MessageType::Eos), "{line}");
        let json = pipeline.by_name("meter").unwrap().property::<Option<String>>("last-window").unwrap();
        pipeline.set_state(gst::State::Null).unwrap();
        let window: serde_json::Value = serde_json::from_str(&json).unwrap();
        let video = &window["video"];
        assert_eq!(video["assumed"].as_array().map(Vec::len), Some(0), "{line}: {video}");
        assert_eq!(video["range"], range, "{line}");
        assert_eq!(video["matrix"].as_str().unwrap_or_default(), matrix, "{line}");
        assert_eq!(video["transfer"], curve, "{line}");
    }
}
