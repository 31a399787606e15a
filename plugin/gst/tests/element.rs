//! The element in a pipeline: what it leaves alone, what it says, what it refuses, and how it starts and stops.
#![allow(clippy::unwrap_used, missing_docs, clippy::allow_attributes, reason = "tests fail by panics")]

mod common;

use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use common::{Bench, GRAY_CAPS, buffer, gray, gray_buffer, init, json};
use gst::prelude::*;
use gst_base::prelude::*;
use gst_video::{VideoCropMeta, VideoFormat, VideoFrameFlags, VideoMeta, VideoRegionOfInterestMeta};
use gstnoisemeter::{message, meta};
use serde_json::Value;

const SHORT: &[(&str, &str)] = &[("interval", "200000000")];

/// A folder of this test's own.
fn folder(name: &str) -> std::path::PathBuf {
    let path = std::env::temp_dir().join(format!("noisemeter-{}-{name}", std::process::id()));
    let _ = std::fs::remove_dir_all(&path);
    std::fs::create_dir_all(&path).unwrap();
    path
}

/// Waits for another thread, up to a limit that only a failure reaches.
fn eventually(done: impl Fn() -> bool) {
    for _ in 0..2000 {
        if done() {
            return;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    panic!("nothing happened in 20 seconds");
}

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
fn nothing_about_a_buffer_changes() {
    for attach in ["false", "true"] {
        let mut bench = Bench::new(GRAY_CAPS, &[("attach-meta", attach), ("attach-roi", attach)]);
        let flags = [
            gst::BufferFlags::empty(),
            gst::BufferFlags::DELTA_UNIT,
            gst::BufferFlags::DISCONT | gst::BufferFlags::MARKER,
            gst::BufferFlags::GAP,
            gst::BufferFlags::CORRUPTED,
        ];
        for (i, flags) in (0..).zip(flags) {
            let mut buffer = gray_buffer(i);
            let edit = buffer.make_mut();
            edit.set_flags(flags);
            edit.set_dts(gst::ClockTime::from_mseconds(39 * i));
            edit.set_offset(7 + i);
            edit.set_offset_end(8 + i);
            let memory = buffer.peek_memory(0).as_ptr();
            let before = buffer.copy();
            let out = bench.push(buffer);
            assert_eq!(out.n_memory(), 1);
            assert!(std::ptr::eq(out.peek_memory(0).as_ptr(), memory), "same memory in and out");
            assert_eq!(
                (out.pts(), out.dts(), out.duration()),
                (before.pts(), before.dts(), before.duration())
            );
            assert_eq!((out.offset(), out.offset_end()), (before.offset(), before.offset_end()));
            assert_eq!(out.flags(), before.flags());
            assert_eq!(out.map_readable().unwrap().as_slice(), before.map_readable().unwrap().as_slice());
        }
        assert_eq!(
            bench.element.downcast_ref::<gst_base::BaseTransform>().unwrap().is_passthrough(),
            attach == "false"
        );
    }
}

#[test]
fn late_frames_are_not_dropped() {
    let mut bench = Bench::new(GRAY_CAPS, &[("attach-meta", "true")]);
    for i in 0..10 {
        bench.push(gray_buffer(i));
        let late = gst::event::Qos::builder(
            gst::QOSType::Underflow,
            5.0,
            10 * gst::ClockTime::SECOND.nseconds() as i64,
        )
        .timestamp(gst::ClockTime::from_mseconds(40 * i))
        .build();
        bench.harness.push_upstream_event(late);
    }
    bench.eos();
    assert_eq!(bench.windows()[0]["frames"], 10);
}

#[test]
fn hostile_metas_cost_their_frame_alone() {
    type Hostile = fn(&mut gst::BufferRef);
    fn meta(
        buffer: &mut gst::BufferRef,
        format: VideoFormat,
        size: (u32, u32),
        offset: &[usize],
        stride: &[i32],
    ) {
        VideoMeta::add_full(buffer, VideoFrameFlags::empty(), format, size.0, size.1, offset, stride)
            .unwrap();
    }
    let cases: [(&str, Hostile); 9] = [
        ("negative stride", |b| meta(b, VideoFormat::Gray8, (32, 24), &[0], &[-32])),
        ("zero stride", |b| meta(b, VideoFormat::Gray8, (32, 24), &[0], &[0])),
        ("huge stride", |b| meta(b, VideoFormat::Gray8, (32, 24), &[0], &[i32::MAX])),
        ("stride under a row", |b| meta(b, VideoFormat::Gray8, (32, 24), &[0], &[31])),
        ("offset past the end", |b| meta(b, VideoFormat::Gray8, (32, 24), &[1 << 40], &[32])),
        ("offset at the top", |b| meta(b, VideoFormat::Gray8, (32, 24), &[usize::MAX - 5], &[32])),
        ("another format", |b| meta(b, VideoFormat::I420, (32, 24), &[0, 0, 0], &[32, 16, 16])),
        ("smaller than the caps", |b| meta(b, VideoFormat::Gray8, (16, 24), &[0], &[32])),
        ("crop past the frame", |b| {
            VideoCropMeta::add(b, (20, 20, 30, u32::MAX));
        }),
    ];
    for (name, hostile) in cases {
        let mut bench = Bench::new(GRAY_CAPS, SHORT);
        bench.push(gray_buffer(0));
        for i in 1..4 {
            let mut buffer = gray_buffer(i);
            hostile(buffer.make_mut());
            bench.push(buffer);
        }
        bench.push(gray_buffer(4));
        bench.eos();
        let (windows, warnings) = bench.split();
        assert_eq!(warnings.len(), 1, "{name}: {warnings:?}");
        assert!(warnings[0].starts_with("a frame was not measured: "), "{name}: {warnings:?}");
        assert_eq!(windows.len(), 1, "{name}");
        assert_eq!(
            (windows[0]["frames"].as_u64(), windows[0]["holes"].as_u64()),
            (Some(2), Some(1)),
            "{name}"
        );
        assert!(windows[0]["notes"].to_string().contains("3 frames could not be read"), "{name}");
    }
    // A meta of a large frame on a small buffer, as 1.22 lets it pass.
    let mut bench = Bench::new("video/x-raw,format=GRAY8,width=640,height=480,framerate=25/1", SHORT);
    let mut small = buffer(vec![1; 4096], 0);
    meta(small.make_mut(), VideoFormat::Gray8, (640, 480), &[0], &[640]);
    bench.push(small);
    bench.eos();
    let (windows, warnings) = bench.split();
    assert!(windows.is_empty());
    assert!(warnings[0].contains("buffer of 4096 bytes"), "{warnings:?}");
}

#[test]
fn short_and_empty_buffers_are_not_measured() {
    for size in [0usize, 1, 767] {
        let mut bench = Bench::new(GRAY_CAPS, SHORT);
        bench.push(buffer(vec![0; size], 0));
        bench.push(gray_buffer(1));
        bench.eos();
        let (windows, warnings) = bench.split();
        assert_eq!(warnings.len(), 1);
        assert_eq!(windows[0]["frames"], 1);
    }
}

#[test]
fn a_crop_of_another_size_is_another_picture() {
    let mut bench = Bench::new(GRAY_CAPS, SHORT);
    for i in 0..5 {
        let mut buffer = gray_buffer(i);
        if i >= 3 {
            VideoCropMeta::add(buffer.make_mut(), (4, 2, 20, 10));
        }
        bench.push(buffer);
    }
    bench.eos();
    let windows = bench.windows();
    let frames: Vec<_> = windows.iter().map(|window| window["frames"].clone()).collect();
    assert_eq!(frames, [3, 2]);
    assert_eq!(
        (windows[1]["video"]["width"].as_u64(), windows[1]["video"]["height"].as_u64()),
        (Some(20), Some(10))
    );
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

#[test]
fn messages_carry_the_window_and_survive_text() {
    let mut bench = Bench::new(GRAY_CAPS, &[("regions", "grey=0,0,16,16;b=8,8,8,8"), ("grid", "2x2")]);
    (0..30).for_each(|i| drop(bench.push(gray_buffer(i))));
    bench.eos();
    let messages = bench.messages();
    assert_eq!(messages.len(), 2);
    for structure in messages {
        let record = message::to_record(&structure).unwrap();
        let text = structure.get::<&str>("json").unwrap();
        assert_eq!(serde_json::to_string(&record).unwrap(), text, "the record and its JSON are the same");
        let again = message::to_structure(&record, text).unwrap();
        assert_eq!(again.to_string(), structure.to_string());
        let parsed: gst::Structure = structure.to_string().parse().unwrap();
        assert_eq!(message::to_record(&parsed).unwrap(), record);

        assert_eq!(structure.name(), "noisemeter");
        assert_eq!(structure.get::<u64>("frames").unwrap(), record.frames);
        assert_eq!(structure.get::<u64>("stream-time").ok(), record.stream_time);
        assert_eq!(structure.get::<u64>("running-time").ok(), record.running_time);
        assert_eq!(structure.get::<u64>("timestamp").ok(), record.timestamp);
        assert_eq!(structure.get::<u64>("duration").ok(), record.duration);
        assert_eq!(structure.get::<u64>("holes").unwrap(), record.holes);
        assert_eq!(structure.get::<u64>("repeated").unwrap(), record.repeated);
        assert_eq!(structure.get::<bool>("partial").unwrap(), record.partial);
        assert_eq!(structure.get::<bool>("discont").unwrap(), record.discont);
        assert_eq!(structure.get::<f64>("rate").unwrap(), record.rate);
        assert_eq!(structure.get::<u32>("schema").unwrap(), record.schema);
        let regions = structure.get::<gst::ArrayRef>("regions").unwrap();
        assert_eq!(regions.len(), 2);
        let region = regions[0].get::<gst::Structure>().unwrap();
        assert_eq!(region.get::<&str>("name").unwrap(), "grey");
        let luma = region.get::<gst::Structure>("components").unwrap().get::<gst::Structure>("Y").unwrap();
        let window: Value = serde_json::from_str(text).unwrap();
        let part = &window["regions"][0]["components"]["Y"];
        for (ours, theirs) in [("mean", "mean"), ("mean-codes", "mean_codes"), ("temporal", "temporal")] {
            assert_eq!(luma.get::<f64>(ours).ok(), part[theirs].as_f64(), "{ours}");
        }
        assert_eq!(luma.get::<u64>("min-codes").ok(), part["min_codes"].as_u64());
        assert!(!luma.has_field("temporal-slow") || part["temporal_slow"].is_f64(), "null is absent");
    }
}

#[test]
fn the_last_window_can_be_read_and_notifies() {
    let mut bench = Bench::new(GRAY_CAPS, SHORT);
    assert_eq!(bench.element.property::<Option<String>>("last-window"), None);
    let seen = Arc::new(Mutex::new(Vec::new()));
    bench.element.connect_notify(Some("last-window"), {
        let seen = Arc::clone(&seen);
        move |element, _| seen.lock().unwrap().push(element.property::<String>("last-window"))
    });
    bench.element.set_property("post-messages", false);
    (0..10).for_each(|i| drop(bench.push(gray_buffer(i))));
    bench.eos();
    assert!(bench.windows().is_empty(), "messages are off");
    let seen = seen.lock().unwrap();
    assert_eq!(seen.len(), 2);
    let last: Value = serde_json::from_str(&seen[1]).unwrap();
    assert_eq!(last["stream_time"], 200_000_000);
    assert_eq!(bench.element.property::<String>("last-window"), seen[1]);
}

#[test]
fn the_record_is_one_line_a_window_and_appended() {
    let dir = folder("record");
    let path = dir.join("a \"b\" %05d\n.jsonl");
    let mut posted = Vec::new();
    for _ in 0..2 {
        init();
        let element = gst::ElementFactory::make("noisemeter").build().unwrap();
        drop(element);
        let mut bench =
            Bench::new(GRAY_CAPS, &[("interval", "200000000"), ("record-location", path.to_str().unwrap())]);
        (0..12).for_each(|i| drop(bench.push(gray_buffer(i))));
        bench.eos();
        posted.extend(bench.windows());
    }
    let text = std::fs::read_to_string(&path).unwrap();
    let lines: Vec<Value> = text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!(lines.len(), 6);
    assert_eq!(lines, posted);
    std::fs::remove_dir_all(dir).unwrap();
}

#[test]
fn names_that_are_not_text_work_as_files() {
    use std::os::unix::ffi::OsStrExt;
    let dir = folder("bytes");
    let path = dir.join(std::ffi::OsStr::from_bytes(b"w\xFF.jsonl"));
    init();
    let element = gst::ElementFactory::make("noisemeter").property("record-location", &path).build().unwrap();
    element.set_state(gst::State::Paused).unwrap();
    element.set_state(gst::State::Null).unwrap();
    assert!(path.exists());
    std::fs::remove_dir_all(dir).unwrap();
}

#[test]
fn metas_carry_the_newest_window_and_the_geometry() {
    let mut bench = Bench::new(
        GRAY_CAPS,
        &[
            ("regions", "grey=8,6,16,12"),
            ("interval", "200000000"),
            ("attach-meta", "true"),
            ("attach-roi", "true"),
        ],
    );
    let mut last = None;
    for i in 0..12 {
        let out = bench.push(gray_buffer(i));
        let custom = gst::meta::CustomMeta::from_buffer(&out, meta::WINDOW_META).unwrap();
        let structure = custom.structure().to_owned();
        assert_eq!(
            (structure.get::<u32>("width").unwrap(), structure.get::<u32>("height").unwrap()),
            (32, 24)
        );
        let regions = structure.get::<gst::Array>("regions").unwrap();
        let region = regions[0].get::<gst::Structure>().unwrap();
        assert_eq!(region.get::<&str>("name").unwrap(), "grey");
        for name in ["x", "y", "width", "height"] {
            let expected = if name.len() == 1 { 0.25 } else { 0.5 };
            assert_eq!(region.get::<f64>(name).unwrap(), expected);
        }
        let clip = structure.get::<gst::Array>("clip").unwrap()[0].get::<gst::Structure>().unwrap();
        // Full range, 8 bit: 0 and 2⁸ − 1.
        assert_eq!((clip.get::<u32>("low").unwrap(), clip.get::<u32>("high").unwrap()), (0, 255));
        let id = structure.get::<u64>("id").ok();
        assert_eq!(id.is_some(), structure.has_field("json"), "{structure:?}");
        if i < 5 {
            assert_eq!(id, None, "the geometry alone before the first window ends");
        }
        if i == 5 {
            // The window is evaluated on another thread.
            eventually(|| bench.element.property::<Option<String>>("last-window").is_some());
        }
        let rois: Vec<_> = out.iter_meta::<VideoRegionOfInterestMeta>().collect();
        assert_eq!(rois.len(), 1);
        assert_eq!((rois[0].roi_type(), rois[0].rect()), ("noisemeter", (8, 6, 16, 12)));
        assert_eq!(rois[0].param("noisemeter").unwrap().get::<&str>("name").unwrap(), "grey");
        last = Some(structure);
    }
    // The structure outlives its buffer and its text with it.
    let structure = last.unwrap();
    bench.eos();
    let windows = bench.windows();
    drop(bench);
    let id = structure.get::<u64>("id").unwrap();
    let window: Value = serde_json::from_str(structure.get::<&str>("json").unwrap()).unwrap();
    assert_eq!(window, windows[usize::try_from(id).unwrap() - 1]);
}

#[test]
fn metas_can_be_switched_while_playing() {
    let mut bench = Bench::new(GRAY_CAPS, SHORT);
    for i in 0..40 {
        let on = i % 3 == 0;
        bench.element.set_property("attach-meta", on);
        let out = bench.push(gray_buffer(i));
        assert_eq!(gst::meta::CustomMeta::from_buffer(&out, meta::WINDOW_META).is_ok(), on, "buffer {i}");
    }
    bench.eos();
    let frames: u64 = bench.windows().iter().map(|window| window["frames"].as_u64().unwrap()).sum();
    assert_eq!(frames, 40);
}

#[test]
fn upstream_regions_are_measured_but_our_own() {
    let mut bench = Bench::new(GRAY_CAPS, &[("use-roi", "true"), ("interval", "200000000")]);
    for i in 0..10 {
        let mut buffer = gray_buffer(i);
        let edit = buffer.make_mut();
        VideoRegionOfInterestMeta::add(edit, "noisemeter", (0, 0, 4, 4));
        for id in 0..70 {
            // From the second window on they have moved.
            let x = if i == 0 { 1 } else { 3 };
            VideoRegionOfInterestMeta::add(edit, "face", (x, 2, 8, 8)).set_id(id);
        }
        bench.push(buffer);
    }
    bench.eos();
    let windows = bench.windows();
    let regions = windows[0]["regions"].as_array().unwrap();
    assert_eq!(regions.len(), 1 + 64);
    assert_eq!(regions[0]["name"], "centre");
    assert_eq!((regions[1]["name"].as_str(), regions[1]["x"].as_u64()), (Some("roi-face-0"), Some(1)));
    assert_eq!(regions[64]["name"], "roi-face-63");
    assert_eq!(windows[1]["regions"][1]["x"], 3);
}

#[test]
fn two_meters_in_a_row_agree() {
    init();
    let pipeline = gst::parse::launch(
        "videotestsrc pattern=snow num-buffers=25 ! video/x-raw,format=NV12,width=64,height=48,framerate=25/1 \
         ! noisemeter name=a attach-meta=true ! noisemeter name=b attach-meta=true attach-roi=true ! noisemeter name=c ! fakesink",
    )
    .unwrap();
    let windows = run(&pipeline);
    assert_eq!(windows.len(), 3);
    assert_eq!(windows[0].1, windows[1].1);
    assert_eq!(windows[1].1, windows[2].1);
    let names: std::collections::BTreeSet<_> = windows.iter().map(|(name, _)| name.as_str()).collect();
    assert_eq!(names.into_iter().collect::<String>(), "abc");
}

/// Runs to the end and returns the windows by element.
fn run(pipeline: &gst::Element) -> Vec<(String, Value)> {
    let bus = pipeline.bus().unwrap();
    pipeline.set_state(gst::State::Playing).unwrap();
    let mut windows = Vec::new();
    loop {
        let message = bus.timed_pop(gst::ClockTime::from_seconds(60)).expect("an end within a minute");
        match message.view() {
            gst::MessageView::Element(element) => {
                let structure = element.structure().unwrap();
                if structure.name() == message::MESSAGE {
                    windows.push((message.src().unwrap().name().to_string(), json(structure)));
                }
            }
            gst::MessageView::Error(error) => panic!("{error:?}"),
            gst::MessageView::Eos(_) => break,
            _ => {}
        }
    }
    pipeline.set_state(gst::State::Null).unwrap();
    windows
}

#[test]
fn documented_pipelines_run() {
    init();
    for line in gstnoisemeter::noisemeter::EXAMPLES.lines() {
        let pipeline = gst::parse::launch(line).unwrap_or_else(|error| panic!("{line}: {error}"));
        let windows = run(&pipeline);
        assert_eq!(windows.is_empty(), line.contains("post-messages=false"), "{line}");
    }
}

#[test]
fn fifty_turns_of_the_states() {
    init();
    let pipeline = gst::parse::launch(
        "videotestsrc num-buffers=3 ! video/x-raw,format=I420,width=32,height=32,framerate=25/1 ! noisemeter name=m ! fakesink",
    )
    .unwrap();
    for turn in 0..50 {
        let windows = run(&pipeline);
        assert_eq!(windows.len(), 1, "turn {turn}");
        assert_eq!(windows[0].1["frames"], 3, "turn {turn}");
    }
    // Without waiting for anything as well.
    for state in
        [gst::State::Playing, gst::State::Ready, gst::State::Paused, gst::State::Null].iter().cycle().take(50)
    {
        pipeline.set_state(*state).unwrap();
    }
    pipeline.set_state(gst::State::Null).unwrap();
}

#[test]
fn no_bus_and_a_flushing_bus_are_fine() {
    for flushing in [false, true] {
        init();
        let element =
            gst::ElementFactory::make("noisemeter").property("interval", 80_000_000u64).build().unwrap();
        if flushing {
            let bus = gst::Bus::new();
            bus.set_flushing(true);
            element.set_bus(Some(&bus));
        } else {
            element.set_bus(None);
        }
        let mut harness = gst_check::Harness::with_element(&element, Some("sink"), Some("src"));
        harness.set_src_caps_str(GRAY_CAPS);
        for i in 0..10 {
            assert_eq!(harness.push(gray_buffer(i)), Ok(gst::FlowSuccess::Ok));
        }
        assert!(harness.push_event(gst::event::Eos::new()));
        assert!(element.property::<Option<String>>("last-window").is_some());
    }
}

#[test]
fn a_sync_handler_may_set_properties() {
    let mut bench = Bench::new(GRAY_CAPS, &[("interval", "80000000")]);
    let calls = Arc::new(AtomicUsize::new(0));
    bench.bus.set_sync_handler({
        let calls = Arc::clone(&calls);
        move |_, message| {
            if let gst::MessageView::Element(_) = message.view() {
                let call = calls.fetch_add(1, Ordering::SeqCst) as u64;
                let element = message.src().unwrap();
                element.set_property("regions", format!("r{call}=0,0,8,8"));
                element.set_property("interval", 80_000_000 + call % 2 * 40_000_000);
                element.set_property("attach-meta", call.is_multiple_of(2));
                element.set_property("regions", "wrong");
                element.property::<Option<String>>("last-window").unwrap();
                element.emit_by_name::<()>("reset", &[]);
            }
            gst::BusSyncReply::Drop
        }
    });
    for i in 0..60 {
        assert_eq!(bench.harness.push(gray_buffer(i)), Ok(gst::FlowSuccess::Ok));
    }
    bench.eos();
    assert!(calls.load(Ordering::SeqCst) >= 15);
}

#[test]
fn seeks_in_a_pipeline_begin_anew() {
    init();
    let pipeline = gst::parse::launch(
        "videotestsrc num-buffers=200 ! video/x-raw,format=I420,width=32,height=32,framerate=25/1 ! noisemeter interval=200000000 ! fakesink",
    )
    .unwrap();
    let bus = pipeline.bus().unwrap();
    pipeline.set_state(gst::State::Paused).unwrap();
    pipeline.state(gst::ClockTime::from_seconds(20)).0.unwrap();
    // A segment seek ends with SEGMENT_DONE and no end of stream.
    pipeline
        .seek(
            1.0,
            gst::SeekFlags::FLUSH | gst::SeekFlags::SEGMENT,
            gst::SeekType::Set,
            gst::ClockTime::from_seconds(1),
            gst::SeekType::Set,
            gst::ClockTime::from_mseconds(1480),
        )
        .unwrap();
    pipeline.set_state(gst::State::Playing).unwrap();
    let mut windows = Vec::new();
    loop {
        let message = bus.timed_pop(gst::ClockTime::from_seconds(60)).expect("the segment ends");
        match message.view() {
            gst::MessageView::Element(element) => windows.push(json(element.structure().unwrap())),
            gst::MessageView::SegmentDone(_) => break,
            gst::MessageView::Error(error) => panic!("{error:?}"),
            _ => {}
        }
    }
    // The source says so before it sends the event that ends the segment downstream.
    while windows.len() < 3 {
        let message = bus.timed_pop_filtered(gst::ClockTime::from_seconds(20), &[gst::MessageType::Element]);
        windows.push(json(message.expect("the last window").structure().unwrap()));
    }
    pipeline.set_state(gst::State::Null).unwrap();
    let frames: Vec<_> = windows.iter().map(|window| window["frames"].as_u64().unwrap()).collect();
    assert_eq!(frames, [5, 5, 2]);
    assert_eq!(windows[0]["stream_time"], 1_000_000_000u64);
    assert_eq!(windows[0]["holes"], 0);
}

#[test]
fn live_pipelines_merge_windows_that_nobody_can_take_and_say_so() {
    init();
    let element =
        gst::ElementFactory::make("noisemeter").property("interval", 80_000_000u64).build().unwrap();
    common::answer_latency(&element, true);
    let bus = gst::Bus::new();
    element.set_bus(Some(&bus));
    // The worker is kept in the handler until the stream is over.
    let gate = Gate::close(&bus);
    let mut harness = gst_check::Harness::with_element(&element, Some("sink"), Some("src"));
    harness.set_src_caps_str(GRAY_CAPS);
    for i in 0..40 {
        harness.push(gray_buffer(i)).unwrap();
    }
    let begun = std::time::Instant::now();
    assert!(harness.push_event(gst::event::Eos::new()));
    let waited = begun.elapsed();
    assert!(waited >= Duration::from_millis(1900), "two seconds of patience at the end: {waited:?}");
    gate.open();
    drop(harness);
    element.set_state(gst::State::Null).unwrap();
    let mut frames = 0;
    let mut merged = 0;
    while let Some(message) = bus.pop_filtered(&[gst::MessageType::Element]) {
        let window = json(message.structure().unwrap());
        frames += window["frames"].as_u64().unwrap();
        merged += usize::from(window["notes"].to_string().contains("\"merged\""));
    }
    assert_eq!(frames, 40, "no frame is lost");
    assert!(merged >= 1);
}

/// A handler that keeps the worker inside every window's message until told otherwise.
struct Gate(Arc<(Mutex<bool>, std::sync::Condvar)>);

impl Gate {
    fn close(bus: &gst::Bus) -> Self {
        let gate = Arc::new((Mutex::new(false), std::sync::Condvar::new()));
        bus.set_sync_handler({
            let gate = Arc::clone(&gate);
            move |_, message| {
                let mut open = gate.0.lock().unwrap();
                while !*open && message.type_() == gst::MessageType::Element {
                    open = gate.1.wait(open).unwrap();
                }
                gst::BusSyncReply::Pass
            }
        });
        Self(gate)
    }

    fn open(&self) {
        *self.0.0.lock().unwrap() = true;
        self.0.1.notify_all();
    }
}

#[test]
fn without_a_clock_the_stream_waits_and_nothing_is_merged() {
    let mut bench = Bench::new(GRAY_CAPS, &[("interval", "80000000")]);
    let gate = Gate::close(&bench.bus);
    let pushed = Arc::new(AtomicUsize::new(0));
    let opener = std::thread::spawn({
        let pushed = Arc::clone(&pushed);
        move || {
            // One window at work and two in the queue: the stream stands at the end of the fourth.
            eventually(|| pushed.load(Ordering::SeqCst) == 8);
            std::thread::sleep(Duration::from_millis(100));
            let stands = pushed.load(Ordering::SeqCst);
            gate.open();
            stands
        }
    });
    for i in 0..40 {
        bench.push(gray_buffer(i));
        pushed.fetch_add(1, Ordering::SeqCst);
    }
    bench.eos();
    assert_eq!(opener.join().unwrap(), 8);
    let windows = bench.windows();
    assert_eq!(windows.len(), 20);
    assert!(
        windows.iter().all(|window| window["frames"] == 2 && window["notes"].as_array().unwrap().is_empty())
    );
}

#[test]
fn a_flush_frees_a_stream_that_waits() {
    let mut bench = Bench::new(GRAY_CAPS, &[("interval", "80000000")]);
    let gate = Gate::close(&bench.bus);
    let sink = bench.element.static_pad("sink").unwrap();
    let pushed = Arc::new(AtomicUsize::new(0));
    let seeker = std::thread::spawn({
        let pushed = Arc::clone(&pushed);
        move || {
            eventually(|| pushed.load(Ordering::SeqCst) == 8);
            std::thread::sleep(Duration::from_millis(50));
            assert!(sink.send_event(gst::event::FlushStart::new()));
        }
    });
    while bench.harness.push(gray_buffer(pushed.load(Ordering::SeqCst) as u64)).is_ok() {
        pushed.fetch_add(1, Ordering::SeqCst);
    }
    seeker.join().unwrap();
    gate.open();
}

#[test]
fn a_full_disk_costs_the_file_alone() {
    // A limit on file sizes stands in for a full disk: the write fails part of the way, the stream goes on. The signal
    // that comes with it is ignored in the child that runs this test's body.
    if std::env::var_os("NOISEMETER_FULL_DISK").is_none() {
        // Its words go through a pipe: a log that is a file would come under the limit as well.
        let output = std::process::Command::new("bash")
            .args([
                "-c",
                "trap '' XFSZ; ulimit -f 4; exec \"$0\" --exact a_full_disk_costs_the_file_alone --nocapture",
            ])
            .arg(std::env::current_exe().unwrap())
            .env("NOISEMETER_FULL_DISK", "1")
            .output()
            .unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        return;
    }
    let dir = folder("disk");
    let path = dir.join("w.jsonl");
    let mut bench =
        Bench::new(GRAY_CAPS, &[("interval", "80000000"), ("record-location", path.to_str().unwrap())]);
    (0..20).for_each(|i| drop(bench.push(buffer(gray(32, 24, i + 1), i))));
    bench.eos();
    let (windows, warnings) = bench.split();
    assert_eq!(windows.len(), 10);
    assert_eq!(warnings.len(), 1, "{warnings:?}");
    assert!(warnings[0].contains("w.jsonl"), "{warnings:?}");
    let text = std::fs::read_to_string(&path).unwrap();
    assert!(text.lines().all(|line| serde_json::from_str::<Value>(line).is_ok()), "no half line stays");
    std::fs::remove_dir_all(dir).unwrap();
}
