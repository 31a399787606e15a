//! Messages, the last window, the file and metas.

use super::common::{Bench, GRAY_CAPS, buffer, gray, gray_buffer, init};
use super::{SHORT, eventually, folder};
use gst::prelude::*;
use gst_video::VideoRegionOfInterestMeta;
use gstnoisemeter::{message, meta};
use serde_json::Value;
use std::sync::{Arc, Mutex};

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
fn a_full_disk_costs_the_file_alone() {
    // A limit on file sizes stands in for a full disk: the write fails part of the way, the stream goes on. The signal
    // that comes with it is ignored in the child that runs this test's body.
    if std::env::var_os("NOISEMETER_FULL_DISK").is_none() {
        // Its words go through a pipe: a log that is a file would come under the limit as well.
        let output = std::process::Command::new("bash")
            .args([
                "-c",
                "trap '' XFSZ; ulimit -f 4; exec \"$0\" --exact output::a_full_disk_costs_the_file_alone --nocapture",
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
