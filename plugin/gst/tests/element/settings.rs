//! Properties: what they are, what they refuse, and when they change.

use super::common::{Bench, GRAY_CAPS, gray_buffer, init};
use super::folder;
use gst::prelude::*;
use serde_json::Value;

/// What start() says, or `None` where it succeeds.
fn start_error(properties: &[(&str, &str)]) -> Option<String> {
    init();
    let element = gst::ElementFactory::make("noisemeter").build().unwrap();
    for (name, value) in properties {
        element.set_property_from_str(name, value);
    }
    let bus = gst::Bus::new();
    element.set_bus(Some(&bus));
    let result = element.set_state(gst::State::Paused);
    let error = bus.pop_filtered(&[gst::MessageType::Error]).map(|message| match message.view() {
        gst::MessageView::Error(error) => error.error().message().to_owned(),
        _ => unreachable!(),
    });
    assert_eq!(result.is_err(), error.is_some());
    element.set_state(gst::State::Null).unwrap();
    error
}

#[test]
fn properties_are_as_documented() {
    init();
    let element = gst::ElementFactory::make("noisemeter").build().unwrap();
    let defaults = gstnoisemeter::noisemeter::settings::Settings::default();
    let playing = gst::PARAM_FLAG_MUTABLE_PLAYING;
    let ours: Vec<_> = element
        .list_properties()
        .iter()
        .filter(|spec| spec.owner_type() == element.type_())
        .cloned()
        .collect();
    let names: Vec<_> = ours.iter().map(|spec| spec.name()).collect();
    let expected = [
        "regions",
        "layout-location",
        "grid",
        "interval",
        "post-messages",
        "attach-meta",
        "attach-roi",
        "use-roi",
        "record-location",
        "transfer",
        "gamma",
        "range",
        "matrix",
        "crop",
        "delivery-heights",
        "last-window",
    ];
    assert_eq!(names, expected);
    for spec in &ours {
        let name = spec.name();
        let blurb = spec.blurb().unwrap();
        assert!(blurb.len() > 20, "{name}");
        let wanted = match name {
            "last-window" => glib::ParamFlags::READABLE,
            "record-location" => glib::ParamFlags::READWRITE | gst::PARAM_FLAG_MUTABLE_READY,
            _ => glib::ParamFlags::READWRITE | playing,
        };
        let relevant = glib::ParamFlags::READWRITE
            | playing
            | gst::PARAM_FLAG_MUTABLE_READY
            | gst::PARAM_FLAG_MUTABLE_PAUSED;
        assert_eq!(spec.flags() & relevant, wanted, "{name}");
        let timed = ["At once", "From the next window on"].iter().any(|words| blurb.contains(words));
        assert_eq!(
            timed,
            !matches!(name, "last-window" | "record-location"),
            "{name} says when a change counts"
        );
        // The default of the description is what a new element has.
        assert_eq!(
            format!("{:?}", element.property_value(name)),
            format!("{:?}", spec.default_value()),
            "{name}"
        );
    }
    assert_eq!(element.property::<u64>("interval"), defaults.interval);
    let spec = element.find_property("interval").unwrap();
    let spec = spec.downcast_ref::<glib::ParamSpecUInt64>().unwrap();
    assert_eq!((spec.minimum(), spec.maximum(), spec.default_value()), (10_000_000, u64::MAX, 1_000_000_000));
    let spec = element.find_property("gamma").unwrap();
    let spec = spec.downcast_ref::<glib::ParamSpecDouble>().unwrap();
    assert_eq!((spec.minimum(), spec.maximum(), spec.default_value()), (0.1, 10.0, 2.2));
    let nicks = |name: &str| -> Vec<String> {
        let class = glib::EnumClass::with_type(element.find_property(name).unwrap().value_type()).unwrap();
        class.values().iter().map(|value| value.nick().to_owned()).collect()
    };
    let curves = ["auto", "bt709", "bt1886", "srgb", "pq", "hlg", "acescct", "acescc", "linear", "gamma"];
    assert_eq!(nicks("transfer"), curves);
    assert_eq!(nicks("range"), ["auto", "narrow", "full"]);
    assert_eq!(nicks("matrix"), ["auto", "bt601", "bt709", "bt2020"]);
}

#[test]
fn every_value_can_be_set_and_read_back() {
    init();
    let element = gst::ElementFactory::make("noisemeter").build().unwrap();
    for (name, values) in [
        ("regions", &["a=0,0,1,1", "a=1%,1%,2%,2%;b=0,0,5,5", ""][..]),
        ("grid", &["1x1", "256x256"]),
        ("interval", &["10000000", "18446744073709551615"]),
        ("gamma", &["0.1", "10", "2.4"]),
        ("transfer", &["auto", "pq", "gamma"]),
        ("range", &["narrow", "full", "auto"]),
        ("matrix", &["bt601", "bt2020", "auto"]),
        ("crop", &["0,0,10,10"]),
        ("delivery-heights", &["1080", "", "2160,1080"]),
        ("attach-meta", &["true", "false"]),
        ("attach-roi", &["true", "false"]),
        ("use-roi", &["true", "false"]),
        ("post-messages", &["false", "true"]),
    ] {
        for value in values {
            element.set_property_from_str(name, value);
            let got = element.property_value(name).serialize().unwrap().to_string();
            let got = got.trim_matches('"').replace('\\', "");
            let same = got == *value || got.parse::<f64>().ok().is_some_and(|got| value.parse() == Ok(got));
            assert!(same, "{name}={value} reads {got}");
        }
    }
    // The curves' ends give numbers, not failures.
    for value in ["0.1", "10"] {
        let mut bench = Bench::new(GRAY_CAPS, &[("transfer", "gamma"), ("gamma", value)]);
        (0..3).for_each(|i| drop(bench.push(gray_buffer(i))));
        bench.eos();
        let window = bench.windows().remove(0);
        assert_eq!(window["video"]["transfer"], format!("gamma:{value}"));
        assert_eq!(window["regions"][0]["light"]["transfer_source"], "user");
    }
}

#[test]
fn texts_that_cannot_be_read_are_errors_at_the_start() {
    let dir = folder("start");
    let layout = dir.join("chart.json");
    std::fs::write(
        &layout,
        r#"{"regions":[{"name":"grey","x":0,"y":0,"width":4,"height":4,"units":"pixels","colour":"x"}]}"#,
    )
    .unwrap();
    let layout = layout.to_str().unwrap().to_owned();
    let many: String = (0..5000).map(|i| format!("r{i}=0,0,1,1;")).collect();
    for (properties, parts) in [
        (&[("regions", "grey=1,2,3")][..], &["grey"][..]),
        (&[("regions", "frame=0,0,1,1")], &["frame"]),
        (&[("regions", "r1c2=0,0,1,1")], &["r1c2"]),
        (&[("regions", "a=0,0,1,1;a=0,0,2,2")], &["a"]),
        (&[("regions", "a=0,0,nan,1")], &["a"]),
        (&[("regions", &many)], &["4096"]),
        (&[("grid", "0x3")], &["grid"]),
        (&[("grid", "three")], &["grid", "three"]),
        (&[("crop", "1,2")], &["crop"]),
        (&[("delivery-heights", "1080,tall")], &["delivery-heights", "tall"]),
        (&[("delivery-heights", "0")], &["delivery-heights"]),
        (&[("layout-location", "/nowhere/chart.json")], &["/nowhere/chart.json"]),
        (&[("layout-location", &layout)], &["chart.json", "colour"]),
        (&[("layout-location", "/")], &["layout-location", "regular file"]),
        (&[("record-location", "/")], &["record-location", "regular file"]),
        (&[("record-location", "/nowhere/at/all")], &["record-location", "/nowhere/at/all"]),
        (&[("record-location", "/dev/full")], &["record-location", "/dev/full"]),
    ] {
        let error = start_error(properties);
        let error = error.unwrap_or_else(|| panic!("{properties:?} was taken"));
        assert!(!error.contains('\n'), "one line: {error}");
        for part in parts {
            assert!(error.contains(part), "{properties:?}: {error}");
        }
    }
    assert_eq!(start_error(&[("regions", "a=0,0,1,1")]), None);
    std::fs::remove_dir_all(dir).unwrap();
}

#[test]
fn a_pipe_as_file_is_refused_at_once() {
    let dir = folder("pipe");
    let path = dir.join("fifo");
    assert!(std::process::Command::new("mkfifo").arg(&path).status().unwrap().success());
    for name in ["record-location", "layout-location"] {
        let error = start_error(&[(name, path.to_str().unwrap())]).unwrap();
        assert!(error.contains(name) && error.contains("fifo") && error.contains("regular file"), "{error}");
    }
    std::fs::remove_dir_all(dir).unwrap();
}

#[test]
fn a_wrong_setting_while_playing_keeps_the_old_one() {
    let mut bench = Bench::new(GRAY_CAPS, &[("regions", "a=0,0,8,8"), ("interval", "200000000")]);
    bench.push(gray_buffer(0));
    for (name, value) in [("regions", "a=1"), ("grid", "x"), ("crop", "?"), ("delivery-heights", "-1")] {
        let before = bench.element.property_value(name);
        bench.element.set_property(name, value);
        assert_eq!(format!("{before:?}"), format!("{:?}", bench.element.property_value(name)));
    }
    bench.element.set_property("layout-location", "/nowhere/x.json");
    bench.element.set_property("record-location", "/tmp/never-made.jsonl");
    assert_eq!(bench.element.property::<Option<String>>("record-location"), None);
    (1..7).for_each(|i| drop(bench.push(gray_buffer(i))));
    bench.eos();
    let (windows, warnings) = bench.split();
    assert_eq!(warnings.len(), 6, "{warnings:?}");
    assert!(warnings.iter().all(|text| text.contains("keeps its old value")));
    assert!(windows.iter().all(|window| window["regions"][0]["name"] == "a"));
}

#[test]
fn a_region_outside_is_null_with_one_warning() {
    let mut bench =
        Bench::new(GRAY_CAPS, &[("regions", "in=0,0,8,8;out=30,0,8,8"), ("interval", "80000000")]);
    (0..8).for_each(|i| drop(bench.push(gray_buffer(i))));
    bench.eos();
    let (windows, warnings) = bench.split();
    assert_eq!(warnings.len(), 1, "{warnings:?}");
    assert!(warnings[0].contains("out") && warnings[0].contains("32x24"));
    for window in &windows {
        let part = &window["regions"][1];
        assert_eq!(part["name"], "out");
        assert_eq!(part["components"]["Y"]["mean"], Value::Null);
        assert!(part["notes"].to_string().contains("outside_picture"));
        assert!(window["regions"][0]["components"]["Y"]["mean"].is_f64());
    }
}
