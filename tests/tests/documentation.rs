//! Holds the book against what is built: properties, fields and note codes.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use gst::prelude::*;
use serde_json::Value;

fn read(path: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("..").join(path);
    fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

/// Words in back quotes that open a row of a table under the heading `section`.
fn first_column(text: &str, section: &str) -> BTreeSet<String> {
    let (_, rest) =
        text.split_once(&format!("\n## {section}\n")).unwrap_or_else(|| panic!("no section {section}"));
    let rows = rest.split("\n## ").next().unwrap_or_default().lines().filter_map(|l| l.strip_prefix("| "));
    let cells = rows.filter_map(|row| row.split(" | ").next());
    let words =
        cells.flat_map(|cell| cell.split(", ")).filter_map(|w| w.strip_prefix('`')?.strip_suffix('`'));
    words.map(str::to_owned).collect()
}

fn init() {
    gst::init().expect("GStreamer starts");
    gstnoisemeter::plugin_register_static().expect("the plugin registers");
}

#[test]
fn every_property_has_its_row() {
    init();
    for (name, page) in [("noisemeter", "docs/element.md"), ("simcamsrc", "docs/simcamsrc.md")] {
        let element = gst::ElementFactory::make(name).build().expect("the element is there");
        let own = element
            .list_properties()
            .iter()
            .filter(|p| p.owner_type() == element.type_())
            .map(|p| p.name().to_owned())
            .collect();
        assert_eq!(first_column(&read(page), "Properties"), own, "{page}");
    }
}

/// A playing pipeline and its bus.
fn play(line: &str) -> (gst::Pipeline, gst::Bus) {
    let pipeline = gst::parse::launch(line)
        .expect("the line is well formed")
        .downcast::<gst::Pipeline>()
        .expect("a pipeline");
    pipeline.set_state(gst::State::Playing).expect("it plays");
    let bus = pipeline.bus().expect("a pipeline has a bus");
    (pipeline, bus)
}

#[test]
fn every_field_of_the_simulated_camera_has_its_row() {
    init();
    let line = "simcamsrc name=camera num-buffers=1 ! video/x-raw,format=I420,width=64,height=36 ! fakesink";
    let (pipeline, bus) = play(line);
    let told = bus.timed_pop_filtered(gst::ClockTime::from_seconds(60), &[gst::MessageType::Element]);
    pipeline.set_state(gst::State::Null).expect("it stops");
    let told = told.expect("the truth is told");
    let truth = told.structure().expect("an element message has a structure");
    let page = read("docs/simcamsrc.md");
    let fields = truth.fields().map(|field| field.to_string()).collect();
    assert_eq!(first_column(&page, "Message"), fields);
    let mut record = BTreeSet::new();
    let json = truth.get::<&str>("json").expect("it has json");
    names(&serde_json::from_str(json).expect("JSON"), &mut record);
    let known = page.split(|c: char| !c.is_alphanumeric() && c != '_').collect::<BTreeSet<_>>();
    // Names of patches are no fields.
    let missing: Vec<_> = record.iter().filter(|field| !known.contains(field.as_str())).collect();
    assert!(missing.is_empty(), "docs/simcamsrc.md does not name {missing:?}");

    let camera = simulated_camera::Camera::preset("juniper").expect("a preset");
    let Value::Object(fields) = serde_json::to_value(camera).expect("JSON") else { panic!("an object") };
    assert_eq!(first_column(&page, "Camera file"), fields.keys().cloned().collect());
}

#[test]
fn every_note_has_its_row() {
    let source = read("plugin/measure/src/record.rs");
    let (_, rest) = source.split_once("pub enum NoteCode {").expect("the codes are an enum");
    let body = rest.split('}').next().unwrap_or_default().lines().map(str::trim);
    let variants = body.filter(|l| !l.starts_with("//") && !l.is_empty()).map(|l| l.trim_end_matches(','));
    // serde writes the variants in snake case.
    let codes: BTreeSet<String> = variants
        .map(|variant| {
            let mut code = String::new();
            for c in variant.chars() {
                if c.is_uppercase() && !code.is_empty() {
                    code.push('_');
                }
                code.extend(c.to_lowercase());
            }
            code
        })
        .collect();
    assert!(codes.contains("few_frames"), "{codes:?}");
    assert_eq!(first_column(&read("docs/numbers.md"), "Notes"), codes);
}

/// All names of fields in a record.
fn names(value: &Value, found: &mut BTreeSet<String>) {
    match value {
        Value::Object(fields) => fields.iter().for_each(|(name, value)| {
            found.insert(name.clone());
            names(value, found);
        }),
        Value::Array(values) => values.iter().for_each(|value| names(value, found)),
        _ => {}
    }
}

#[test]
fn every_field_of_a_record_is_named() {
    init();
    let line = "videotestsrc num-buffers=12 pattern=snow ! video/x-raw,format=I420,width=64,height=64,framerate=25/1 \
                ! noisemeter name=meter grid=2x1 regions=grey=0,0,60,60 ! fakesink";
    let (pipeline, bus) = play(line);
    let end = bus.timed_pop_filtered(
        gst::ClockTime::from_seconds(60),
        &[gst::MessageType::Eos, gst::MessageType::Error],
    );
    assert_eq!(end.map(|m| m.type_()), Some(gst::MessageType::Eos));
    let meter = pipeline.by_name("meter").expect("it is in the line");
    let json = meter.property::<Option<String>>("last-window").expect("a window has ended");
    pipeline.set_state(gst::State::Null).expect("it stops");

    let mut fields = BTreeSet::new();
    names(&serde_json::from_str(&json).expect("JSON"), &mut fields);
    assert!(fields.contains("snr_temporal_ci_db") && fields.contains("frame_means"), "{fields:?}");
    let text = read("docs/element.md");
    let (_, record) = text.split_once("\n## Record\n").expect("the record has a section");
    let record = record.split("\n## ").next().unwrap_or_default();
    let named: BTreeSet<&str> = record.split(|c: char| !c.is_alphanumeric() && c != '_').collect();
    let missing: Vec<_> = fields.iter().filter(|field| !named.contains(field.as_str())).collect();
    assert!(missing.is_empty(), "docs/element.md does not name {missing:?}");
}
