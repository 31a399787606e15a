//! `simcam://` as other programs use it.

use gst::prelude::*;

use super::{Bench, CAPS, folder};
use crate::common;
use gstnoisemeter::simcamsrc::settings::{NoiseReduction, SceneSetting};
use simulated_camera::Camera;

fn made(uri: &str) -> Result<gst::Element, glib::Error> {
    common::init();
    gst::Element::make_from_uri(gst::URIType::Src, uri, None)
}

#[test]
fn a_uri_sets_camera_and_properties() {
    let camera =
        made("simcam://larch?iso-speed=1600&scene=flat&exposure-time=1/100&noise-reduction=spatial+temporal")
            .unwrap();
    assert_eq!(camera.factory().unwrap().name(), "simcamsrc");
    assert_eq!(camera.property::<String>("camera"), "larch");
    assert_eq!(camera.property::<f64>("iso-speed"), 1600.0);
    assert_eq!(camera.property::<String>("exposure-time"), "1/100");
    assert_eq!(camera.property::<SceneSetting>("scene"), SceneSetting::Flat);
    assert_eq!(camera.property::<NoiseReduction>("noise-reduction"), NoiseReduction::all());
    let handler = camera.dynamic_cast::<gst::URIHandler>().unwrap();
    let uri = handler.uri().unwrap();
    assert_eq!(
        uri,
        "simcam://larch?iso-speed=1600&exposure-time=1/100&scene=flat&noise-reduction=spatial+temporal"
    );
    let again = made(&uri).unwrap().dynamic_cast::<gst::URIHandler>().unwrap();
    assert_eq!(again.uri().unwrap(), uri);
    let plain = made("simcam://").unwrap();
    assert_eq!(plain.property::<String>("camera"), "juniper");
    assert_eq!(plain.dynamic_cast::<gst::URIHandler>().unwrap().uri().unwrap(), "simcam://juniper");
    let counted = made("simcam://rowan?num-buffers=7&is-live=true").unwrap();
    assert_eq!(counted.property::<i32>("num-buffers"), 7);
    assert!(counted.property::<bool>("is-live"));
}

#[test]
fn a_camera_file_may_stand_in_a_uri() {
    let folder = folder("uri & file");
    let path = folder.join("my 50% camera?.json");
    std::fs::write(&path, serde_json::to_string(&Camera::preset("rowan").unwrap()).unwrap()).unwrap();
    let bench = Bench::new(CAPS, &[("camera", path.to_str().unwrap())]);
    let uri = bench.camera.clone().dynamic_cast::<gst::URIHandler>().unwrap().uri().unwrap();
    assert!(uri.starts_with("simcam:///") && !uri.contains(' '), "{uri}");
    assert_eq!(made(&uri).unwrap().property::<String>("camera"), path.to_str().unwrap());
    std::fs::remove_dir_all(folder).unwrap();
}

#[test]
fn what_a_uri_must_not_hold_is_named() {
    let cases = [
        ("simcam://larch?colour=3", "\"colour\""),
        ("simcam://larch?camera=rowan", "\"camera\""),
        ("simcam://larch?name=x", "\"name\""),
        ("simcam://larch?iso-speed", "no '='"),
        ("simcam://larch?iso-speed=fast", "iso-speed=fast is not a gdouble"),
        ("simcam://larch?iso-speed=5", "iso-speed=5 is out of range; 25 to 1638400 would be right"),
        ("simcam://larch?seed=1&seed=2", "seed stands twice"),
        ("simcam://larch?scene=moon", "scene=moon is not a GstSimCamSrcScene"),
        ("simcam://larch?seed=%zz", "'%'"),
    ];
    for (uri, said) in cases {
        let error = made(uri).expect_err(uri);
        assert!(error.matches(gst::URIError::BadUri), "{uri}: {error}");
        assert!(error.message().contains(said), "{uri}: {error}");
    }
}

#[test]
fn a_running_camera_keeps_its_uri() {
    let bench = Bench::playing(CAPS, &[]);
    bench.pull();
    let handler = bench.camera.clone().dynamic_cast::<gst::URIHandler>().unwrap();
    let error = handler.set_uri("simcam://larch").expect_err("it runs");
    assert!(error.matches(gst::URIError::BadState), "{error}");
    assert_eq!(handler.uri().unwrap(), "simcam://juniper");
}

#[test]
fn a_player_finds_the_camera_by_its_uri() {
    common::init();
    let line =
        "urisourcebin uri=\"simcam://larch?num-buffers=3\" ! video/x-raw,width=64,height=36 ! fakesink";
    let pipeline = gst::parse::launch(line).unwrap();
    pipeline.set_state(gst::State::Playing).unwrap();
    let end = [gst::MessageType::Eos, gst::MessageType::Error];
    let end = pipeline.bus().unwrap().timed_pop_filtered(super::PATIENCE, &end);
    assert_eq!(end.map(|message| message.type_()), Some(gst::MessageType::Eos));
    pipeline.set_state(gst::State::Null).unwrap();
}
