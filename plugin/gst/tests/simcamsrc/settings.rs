//! Properties, camera files and the truth.

use gst::prelude::*;
use noise_measure::format::{Matrix, Range};
use simulated_camera::truth::truth;
use simulated_camera::{Camera, Scene, Shot};

use super::{Bench, CAPS, bytes, folder};
use crate::common;
use gstnoisemeter::frames::Layout;
use gstnoisemeter::simcamsrc::message::to_truth;
use gstnoisemeter::simcamsrc::settings::Settings;

fn own(element: &gst::Element) -> Vec<glib::ParamSpec> {
    let all = element.list_properties();
    all.iter().filter(|pspec| pspec.owner_type() == element.type_()).cloned().collect()
}

#[test]
fn every_property_says_what_it_is_and_when_it_changes() {
    let bench = Bench::new(CAPS, &[]);
    let properties = own(&bench.camera);
    assert_eq!(properties.len(), 15);
    for pspec in properties {
        let blurb = pspec.blurb().unwrap();
        let late = pspec.flags().contains(gst::PARAM_FLAG_MUTABLE_PLAYING);
        assert_eq!(late, blurb.ends_with(". From the next frame on"), "{}", pspec.name());
        assert_eq!(late, pspec.name() != "is-live", "{}", pspec.name());
        assert!(late || pspec.flags().contains(gst::PARAM_FLAG_MUTABLE_READY), "{}", pspec.name());
        assert!(pspec.flags().contains(glib::ParamFlags::READWRITE), "{}", pspec.name());
        let value = bench.camera.property_value(pspec.name());
        assert_eq!(
            value.serialize().unwrap(),
            pspec.default_value().serialize().unwrap(),
            "{}",
            pspec.name()
        );
    }
    let defaults = Settings::default();
    assert_eq!(bench.camera.property::<String>("camera"), defaults.camera);
    assert_eq!(bench.camera.property::<f64>("iso-speed"), defaults.iso_speed);
    // No text is the default again.
    bench.camera.set_property("camera", "larch");
    bench.camera.set_property("camera", None::<&str>);
    assert_eq!(bench.camera.property::<String>("camera"), "juniper");
}

#[test]
fn both_ends_of_every_number_make_frames() {
    let element = Bench::new(CAPS, &[]).camera.clone();
    for pspec in own(&element) {
        let ends = if let Some(number) = pspec.downcast_ref::<glib::ParamSpecDouble>() {
            [number.minimum().to_string(), number.maximum().to_string()]
        } else if let Some(number) = pspec.downcast_ref::<glib::ParamSpecUInt64>() {
            [number.minimum().to_string(), number.maximum().to_string()]
        } else {
            continue;
        };
        for end in &ends {
            let mut properties =
                vec![(pspec.name(), end.as_str()), ("flicker-depth", "0.5"), ("transfer", "gamma")];
            properties.extend([("noise-reduction", "spatial+temporal"), (pspec.name(), end.as_str())]);
            let bench = Bench::playing("video/x-raw,format=Y444_16LE,width=16,height=12", &properties);
            let frames = [bench.pull(), bench.pull()];
            assert_eq!(frames[1].offset(), 1, "{} {end}", pspec.name());
            let truth = bench.said().truths.remove(0);
            // Neither NaN nor infinity, which JSON has no words for; a patch without noise has no ratio.
            let json = truth.get::<&str>("json").unwrap().replace("\"snr_temporal_db\":null", "");
            assert!(!json.contains("null"), "{} {end}: {json}", pspec.name());
        }
    }
}

#[test]
fn a_fraction_value_sets_the_exposure_time() {
    common::init();
    let bench = Bench::new(CAPS, &[]);
    let value = gst::Fraction::new(1, 125).to_value();
    // As a C program or a binding without checks of its own would: GObject transforms the value.
    // SAFETY: object and value live until the call returns.
    unsafe {
        use glib::translate::ToGlibPtr;
        glib::gobject_ffi::g_object_set_property(
            bench.camera.upcast_ref::<glib::Object>().as_ptr(),
            c"exposure-time".as_ptr(),
            value.to_glib_none().0,
        );
    }
    assert_eq!(bench.camera.property::<String>("exposure-time"), "1/125");
    bench.pipeline.set_state(gst::State::Playing).unwrap();
    bench.pull();
    assert_eq!(bench.said().truths[0].get::<f64>("exposure-time"), Ok(0.008));
}

#[test]
fn what_cannot_be_read_stops_the_start_with_one_line() {
    let decimal = Bench::failure(CAPS, &[("exposure-time", "0.5")]);
    assert_eq!(decimal, "exposure-time \"0.5\" is a decimal number; write it as a fraction of a second: 1/2");
    let unknown = Bench::failure(CAPS, &[("camera", "oak")]);
    assert!(unknown.contains("\"oak\" is none of juniper, larch, rowan"), "{unknown}");

    let folder = folder("bad-cameras");
    let good = r#"{"base":[640],"full_well_e":[45000],"read_noise_e":[9]"#;
    let files = [
        ("missing", r#"{"base":[640],"full_well_e":[45000]}"#.into(), "read_noise_e"),
        ("negative", good.replace("[9]", "[-9]") + "}", "read_noise_e[0]: is -9"),
        ("absurd", good.replace("45000", "1e300") + "}", "full_well_e[0]: is 1"),
        ("overflow", good.replace("45000", "1e999") + "}", "number out of range"),
        ("unknown", good.to_owned() + r#","colour":3}"#, "colour"),
        ("text", good.to_owned() + r#","prnu":"much"}"#, "much"),
        ("lists", good.replace("[9]", "[9,2]") + "}", "read_noise_e: has 2 entries"),
        ("order", r#"{"base":[900,800],"full_well_e":[1e4,1e4],"read_noise_e":[1,1]}"#.into(), "base: 900"),
        ("empty", String::new(), "EOF"),
    ];
    for (name, text, said) in files {
        let path = folder.join(format!("{name}.json"));
        std::fs::write(&path, text).unwrap();
        let error = Bench::failure(CAPS, &[("camera", path.to_str().unwrap())]);
        let file = format!("camera file {path:?}: ");
        assert!(error.starts_with(&file) && error.contains(said), "{name}: {error}");
        assert_eq!(error.lines().count(), 1, "{error}");
    }
    let error = Bench::failure(CAPS, &[("camera", folder.to_str().unwrap())]);
    assert!(error.contains("it is not a regular file"), "{error}");
    std::fs::remove_dir_all(folder).unwrap();
}

#[test]
fn a_camera_file_makes_the_camera_it_describes() {
    let folder = folder("good-camera");
    let path = folder.join("my larch.json");
    let larch = Camera::preset("larch").unwrap();
    std::fs::write(&path, serde_json::to_string(&larch).unwrap()).unwrap();
    let ours = Bench::playing(CAPS, &[("camera", path.to_str().unwrap())]);
    let preset = Bench::playing(CAPS, &[("camera", "larch")]);
    assert!(bytes(&ours.pull()) == bytes(&preset.pull()));
    let truth = ours.said().truths.remove(0);
    assert_eq!(truth.get::<&str>("camera"), Ok("my larch.json"), "no folder in results");
    std::fs::remove_dir_all(folder).unwrap();
}

#[test]
fn the_truth_is_told_before_its_first_frame() {
    let bench =
        Bench::playing(CAPS, &[("iso-speed", "5000"), ("noise-reduction", "temporal"), ("seed", "3")]);
    bench.pull();
    let told = bench.said().truths;
    assert_eq!(told.len(), 1);
    let layout = Layout::from_caps(&bench.caps()).unwrap();
    let format = layout.frame_format(&layout.whole(), Range::Narrow, Matrix::Bt709);
    let mut shot = Shot::new(Camera::preset("juniper").unwrap(), 5000.0, Scene::Rings);
    (shot.reduction.temporal, shot.seed) = (0.475, 3);
    let expected = truth(&shot, &format);
    assert_eq!(to_truth(&told[0]).unwrap(), expected);
    let json: serde_json::Value = serde_json::from_str(told[0].get("json").unwrap()).unwrap();
    for (field, value) in [("camera", "juniper"), ("transfer", "bt709"), ("scene", "rings")] {
        assert_eq!((json[field].as_str(), told[0].get::<&str>(field)), (Some(value), Ok(value)));
    }
    let scalars = [
        ("iso-speed", 5000.0),
        ("exposure-time", 0.02),
        ("exposure", 0.0),
        ("spatial", 0.0),
        ("temporal", 0.475),
        ("grey-e", expected.grey_e),
        ("read-noise-e", 2.4),
        ("clip-light", expected.clip_light),
    ];
    for (field, value) in scalars {
        assert_eq!(told[0].get::<f64>(field), Ok(value), "{field}");
    }
    assert_eq!((told[0].get::<u32>("stage"), told[0].get::<u64>("seed")), (Ok(1), Ok(3)));
    assert_eq!((told[0].get::<u64>("offset"), told[0].get::<u64>("timestamp")), (Ok(0), Ok(0)));
    // The text form loses nothing.
    let again: gst::Structure = told[0].to_string().parse().unwrap();
    assert_eq!(to_truth(&again).unwrap(), expected);
    let other = to_truth(&gst::Structure::new_empty("noisemeter")).unwrap_err();
    assert_eq!(other.to_string(), "the structure is called noisemeter, a truth is called simcam-truth");
}

#[test]
fn a_changed_setting_holds_from_the_frame_that_its_truth_names() {
    let bench = Bench::playing(CAPS, &[("scene", "flat")]);
    bench.pull();
    bench.said();
    bench.camera.set_property("iso-speed", 6400.0);
    let frames: Vec<_> = (0..6).map(|_| bench.pull()).collect();
    let told = bench.said().truths;
    assert_eq!(told.len(), 1);
    assert_eq!(told[0].get::<f64>("iso-speed"), Ok(6400.0));
    let from = told[0].get::<u64>("offset").unwrap();
    assert_eq!(told[0].get::<u64>("timestamp"), Ok(40_000_000 * from));
    for frame in &frames {
        let n = frame.offset();
        let iso = if n < from { "800" } else { "6400" };
        let straight = Bench::playing(CAPS, &[("scene", "flat"), ("iso-speed", iso)]);
        let same = straight.last_of(n + 1).buffer_owned().unwrap();
        assert!(bytes(frame) == bytes(&same), "frame {n} is of ISO {iso}");
    }
    // The same value again changes nothing and says nothing.
    bench.camera.set_property("iso-speed", 6400.0);
    bench.pull();
    bench.pull();
    assert_eq!(bench.said().truths.len(), 0);
}

#[test]
fn a_wrong_text_while_playing_keeps_the_old_value() {
    let bench = Bench::playing(CAPS, &[]);
    bench.pull();
    bench.camera.set_property("exposure-time", "0.5");
    bench.camera.set_property("camera", "oak");
    assert_eq!(bench.camera.property::<String>("exposure-time"), "1/50");
    assert_eq!(bench.camera.property::<String>("camera"), "juniper");
    for _ in 0..5 {
        bench.pull();
    }
    let said = bench.said();
    assert_eq!(said.errors, [""; 0]);
    assert_eq!(said.warnings.len(), 2);
    assert!(said.warnings[0].ends_with("1/2; exposure-time keeps its old value"), "{:?}", said.warnings);
    assert!(said.warnings[1].ends_with("; camera keeps its old value"), "{:?}", said.warnings);
}

#[test]
fn a_stopped_camera_starts_again_from_frame_0() {
    let bench = Bench::playing(CAPS, &[]);
    let first = bytes(&bench.pull());
    bench.pull();
    bench.pipeline.set_state(gst::State::Null).unwrap();
    bench.pipeline.set_state(gst::State::Playing).unwrap();
    let again = bench.pull();
    assert_eq!(again.offset(), 0);
    assert!(bytes(&again) == first);
}

#[test]
fn a_camera_without_a_bus_records() {
    common::init();
    let camera = gst::ElementFactory::make("simcamsrc").property("num-buffers", 3).build().unwrap();
    let mut harness = gst_check::Harness::with_element(&camera, None, Some("src"));
    harness.set_sink_caps_str(CAPS);
    harness.play();
    // Neither the truth nor this warning has anywhere to go.
    camera.set_property("exposure-time", "0.5");
    let offsets: Vec<u64> = (0..3).map(|_| harness.pull().unwrap().offset()).collect();
    assert_eq!(offsets, [0, 1, 2]);
}

#[test]
fn a_sync_handler_may_set_properties() {
    let bench = Bench::new(CAPS, &[]);
    let camera = bench.camera.downgrade();
    bench.bus.set_sync_handler(move |_, message| {
        if message.type_() == gst::MessageType::Element
            && let Some(camera) = camera.upgrade()
        {
            camera.set_property("seed", 7u64);
        }
        gst::BusSyncReply::Pass
    });
    bench.pipeline.set_state(gst::State::Playing).unwrap();
    for _ in 0..4 {
        bench.pull();
    }
    bench.bus.unset_sync_handler();
    let seeds: Vec<u64> = bench.said().truths.iter().map(|truth| truth.get("seed").unwrap()).collect();
    assert_eq!(seeds, [0, 7]);
}
