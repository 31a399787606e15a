//! Caps: what is chosen, what is obeyed, what is refused.

use gst::prelude::*;

use super::Bench;
use crate::common;
use gstnoisemeter::frames::{FORMATS, raw_caps};
use gstnoisemeter::simcamsrc::caps::fixate;
use noise_measure::transfer::Transfer;

#[test]
fn what_is_open_becomes_full_hd_at_25() {
    common::init();
    let fixed = fixate(&raw_caps(), None);
    let expected = "video/x-raw, format=(string)I422_10LE, width=(int)1920, height=(int)1080, \
        framerate=(fraction)25/1, pixel-aspect-ratio=(fraction)1/1, interlace-mode=(string)progressive, \
        colorimetry=(string)bt709";
    assert_eq!(fixed.to_string(), expected);
    let named = fixate(&raw_caps(), Some(Transfer::Hlg));
    assert_eq!(named.structure(0).unwrap().get::<&str>("colorimetry"), Ok("bt2100-hlg"));
    let some: gst::Caps = "video/x-raw,format={I420,NV12},width=[1,720],height=[1,480],framerate=[0/1,24/1],\
        interlace-mode={interleaved,progressive},colorimetry={sRGB,bt601}"
        .parse()
        .unwrap();
    let fixed = fixate(&some, None);
    let expected = "video/x-raw, format=(string)I420, width=(int)720, height=(int)480, \
        framerate=(fraction)24/1, interlace-mode=(string)progressive, pixel-aspect-ratio=(fraction)1/1, \
        colorimetry=(string)bt601";
    assert_eq!(fixed.to_string(), expected);
}

#[test]
fn the_template_has_every_writable_format_and_plain_memory_alone() {
    common::init();
    let template = gst::ElementFactory::find("simcamsrc").unwrap().static_pad_templates();
    let caps = template.iter().next().unwrap().caps();
    assert_eq!(caps.size(), 1);
    let formats = caps.structure(0).unwrap().get::<gst::List>("format").unwrap();
    assert_eq!(formats.len(), FORMATS.len());
}

#[test]
fn what_cannot_be_made_is_named() {
    let raw = |rest: &str| format!("video/x-raw,width=64,height=36,{rest}");
    let cases = [
        (raw("interlace-mode=interleaved"), "interlace-mode=interleaved cannot be made"),
        (raw("interlace-mode=mixed"), "interlace-mode=mixed cannot be made"),
        (raw("framerate=0/1"), "framerate=0/1 cannot be made"),
        (raw("colorimetry=sRGB,format=I420"), "colorimetry=sRGB cannot be made: Y'CbCr needs matrix 3"),
        (raw("colorimetry=bt709,format=RGB"), "colorimetry=bt709 cannot be made: R'G'B' needs matrix 1"),
        (raw("colorimetry=2:3:9:1,format=I420"), "colorimetry=2:3:9:1 cannot be made"),
        (raw("colorimetry=rainbow"), "colorimetry=rainbow is not known"),
        ("video/x-raw,format=UYVP,width=3,height=2".into(), "UYVP of width 3 cannot be made"),
        ("video/x-raw,width=100000,height=100000".into(), "100000x100000 cannot be made"),
    ];
    for (caps, expected) in cases {
        let error = Bench::failure(&caps, &[]);
        assert!(error.contains(expected), "{caps}: {error}");
        assert_eq!(error.lines().count(), 1);
    }
    let error = Bench::failure("video/x-raw,width=64,height=36,colorimetry=bt709", &[("transfer", "pq")]);
    assert!(error.contains("colorimetry=bt709") && error.contains("transfer=pq"), "{error}");
}

#[test]
fn caps_that_come_to_be_impossible_are_named() {
    let bench = Bench::playing(super::CAPS, &[]);
    bench.pull();
    let mosaic: gst::Caps = "video/x-raw,format=NV12_4L4".parse().unwrap();
    bench.sink.set_caps(Some(&mosaic));
    bench.camera.static_pad("src").unwrap().mark_reconfigure();
    // The frames on their way are taken, so that the camera comes to look.
    while bench.sink.try_pull_sample(gst::ClockTime::from_seconds(1)).is_some() {}
    let errors = bench.said().errors;
    assert!(errors[0].contains("NV12_4L4") && errors[0].contains("can be made"), "{errors:?}");
}

#[test]
fn a_new_curve_renews_the_caps() {
    let bench = Bench::playing(super::CAPS, &[]);
    bench.pull();
    let colorimetry = |sample: &gst::Sample| {
        sample.caps().unwrap().structure(0).unwrap().get::<String>("colorimetry").unwrap()
    };
    for (curve, text) in
        [("pq", "bt2100-pq"), ("acescct", "2:3:0:1"), ("acescc", "2:3:0:1"), ("auto", "bt709")]
    {
        bench.camera.set_property_from_str("transfer", curve);
        // Two frames wait in the sink and one before it.
        let sample = bench.last_of(5);
        assert_eq!(colorimetry(&sample), text, "{curve}");
        let truth = bench.said().truths.pop().unwrap();
        let told = if curve == "auto" { "bt709" } else { curve };
        assert_eq!(truth.get::<&str>("transfer"), Ok(told));
    }
}

#[test]
fn a_new_curve_against_fixed_caps_is_an_error() {
    let bench = Bench::playing("video/x-raw,format=I420,width=64,height=36,colorimetry=bt709", &[]);
    bench.pull();
    bench.camera.set_property_from_str("transfer", "pq");
    while bench.sink.try_pull_sample(gst::ClockTime::from_seconds(1)).is_some() {}
    let errors = bench.said().errors;
    assert!(errors[0].contains("colorimetry=bt709") && errors[0].contains("transfer=pq"), "{errors:?}");
}
