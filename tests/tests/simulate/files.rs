//! The files beside the clips, each read by a parser that is not ours.

use std::collections::BTreeSet;
use std::fs;

use noise_measure::region::{Role, parse_layout};
use noise_measure::transfer::Transfer;
use serde::Deserialize;
use simulated_camera::Camera;

use super::support::{Place, SESSION, TINY};

/// A session file as docs/lowlight.md describes it; a key too many is an error.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Session {
    title: String,
    layout: String,
    delivery_height: u32,
    region: String,
    camera: Vec<Recorded>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Recorded {
    name: String,
    mode: String,
    filtered: bool,
    transfer: String,
    base: Vec<f64>,
    steps: Vec<Step>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Step {
    iso: u32,
    shutter: String,
    clip: String,
}

#[test]
fn the_session_file_names_every_clip_once_and_nothing_else() {
    let place = Place::with(&["--size", "96x64", "--frames", "2", "--steps", "5"]);
    let session: Session =
        toml::from_str(&place.text("session.toml")).expect("session.toml is TOML of that form");
    assert_eq!(session.delivery_height, 32, "half the lines of the picture");
    assert_eq!((session.layout.as_str(), session.region.as_str()), ("chart.json", "grey"));
    assert!(!session.title.is_empty());
    let modes: Vec<(&str, &str, bool)> =
        session.camera.iter().map(|camera| (&*camera.name, &*camera.mode, camera.filtered)).collect();
    let both = |name| [(name, "unfiltered", false), (name, "filtered", true)];
    assert_eq!(modes, [both("juniper"), both("larch"), both("rowan")].concat());
    let mut named = BTreeSet::new();
    for camera in &session.camera {
        assert_eq!(camera.transfer, "clf:acescct.clf");
        assert_eq!(camera.base, Camera::preset(&camera.name).expect("a preset").base);
        let isos: Vec<u32> = camera.steps.iter().map(|step| step.iso).collect();
        assert_eq!(isos, [250, 1000, 4000, 16_000, 64_000]);
        for step in &camera.steps {
            let shutter: f64 =
                step.shutter.strip_prefix("1/").and_then(|s| s.parse().ok()).expect("one over");
            assert_eq!(f64::from(step.iso) / shutter, 10.0, "the exposure holds");
            let clip = step.clip.strip_prefix("clips/").expect("clips lie in one place");
            let made = &place.truth(clip)["made"];
            assert_eq!(
                (&made["camera"], &made["mode"]),
                (&camera.name.as_str().into(), &camera.mode.as_str().into())
            );
            assert_eq!(made["iso_speed"], step.iso);
            assert_eq!(made["exposure_time"], step.shutter.as_str());
            assert!(named.insert(clip.to_owned()), "{clip} is one step");
        }
    }
    assert_eq!(named.into_iter().collect::<Vec<_>>(), place.clips());
    assert_eq!(place.names(""), ["README.txt", "acescct.clf", "chart.json", "clips", "session.toml"]);
    let beside: Vec<String> =
        place.clips().into_iter().flat_map(|clip| [clip.clone(), clip + ".truth.json"]).collect();
    assert_eq!(place.names("clips"), beside);
}

#[test]
fn what_was_spoiled_stands_in_the_story_and_in_the_truth() {
    let place = Place::with(&["--size", "96x64", "--frames", "2", "--steps", "5"]);
    let story = place.text("README.txt");
    let spoiled: Vec<String> = place
        .clips()
        .into_iter()
        .filter(|clip| {
            let truth = place.truth(clip);
            truth["made"]["exposure"] != 0.0 || truth["made"]["flicker_depth"] != 0.0
        })
        .collect();
    assert_eq!(spoiled, ["larch-unfiltered-04000.mkv", "rowan-filtered-16000.mkv"]);
    for clip in place.clips() {
        assert_eq!(story.contains(&format!("  {clip}\n")), spoiled.contains(&clip), "{clip}");
    }
    assert_eq!(place.truth(&spoiled[0])["exposure"], -0.5);
    assert!(story.lines().all(|line| line.chars().count() <= 120), "{story}");
    // Too few steps to lose two.
    assert!(Place::with(&TINY).text("README.txt").contains("Nothing was spoiled"));
}

#[test]
fn the_layout_is_read_by_the_meter() {
    let place = Place::with(&TINY);
    let regions = parse_layout(&place.text("chart.json")).expect("the meter's own reader takes it");
    let grey = regions.iter().find(|region| region.name == "grey").expect("the card");
    assert_eq!((grey.role, grey.reflectance), (Some(Role::Grey), Some(0.18)));
    assert_eq!(regions.iter().filter(|region| region.role == Some(Role::Step)).count(), 15);
}

/// Signal to light as the Common LUT Format defines `cameraLogToLin` (Academy S-2014-006, version 3, element `Log`):
/// only `base`, the two slopes and offsets and `linSideBreak` are given, the straight part follows from them.
struct Log {
    base: f64,
    log_slope: f64,
    log_offset: f64,
    lin_slope: f64,
    lin_offset: f64,
    lin_break: f64,
}

impl Log {
    fn read(text: &str) -> Self {
        let document = roxmltree::Document::parse(text).expect("the curve is well-formed XML");
        let root = document.root_element();
        assert_eq!(root.tag_name().name(), "ProcessList");
        assert!(root.attribute("id").is_some() && root.attribute("compCLFversion") == Some("3.0"), "{text}");
        let operators: Vec<_> = root.children().filter(|node| node.has_attribute("inBitDepth")).collect();
        let [log] = operators[..] else { panic!("one operator: {text}") };
        assert_eq!((log.tag_name().name(), log.attribute("style")), ("Log", Some("cameraLogToLin")));
        assert_eq!((log.attribute("inBitDepth"), log.attribute("outBitDepth")), (Some("32f"), Some("32f")));
        let parameters: Vec<_> = log.children().filter(roxmltree::Node::is_element).collect();
        let [parameters] = parameters[..] else { panic!("one set for R, G and B: {text}") };
        assert_eq!((parameters.tag_name().name(), parameters.attribute("channel")), ("LogParams", None));
        assert!(!parameters.has_attribute("linearSlope"), "the slope is the tangent's");
        let number = |name: &str, default: f64| {
            parameters.attribute(name).map_or(default, |text| text.parse().expect("a number"))
        };
        Self {
            base: number("base", 2.0),
            log_slope: number("logSideSlope", 1.0),
            log_offset: number("logSideOffset", 0.0),
            lin_slope: number("linSideSlope", 1.0),
            lin_offset: number("linSideOffset", 0.0),
            lin_break: number("linSideBreak", f64::NAN),
        }
    }

    fn light(&self, v: f64) -> f64 {
        let inside = self.lin_slope * self.lin_break + self.lin_offset;
        let log_break = self.log_slope * inside.log(self.base) + self.log_offset;
        let slope = self.log_slope * self.lin_slope / (inside * self.base.ln());
        if v <= log_break {
            return (v - (log_break - slope * self.lin_break)) / slope;
        }
        (self.base.powf((v - self.log_offset) / self.log_slope) - self.lin_offset) / self.lin_slope
    }
}

/// ACES S-2016-001 gives its constants with 15 digits; the tangent of the straight part is worked out here instead.
const DIGITS: f64 = 1e-12;

#[test]
fn the_curve_is_acescct() {
    let log = Log::read(&Place::with(&TINY).text("acescct.clf"));
    for i in -100..=1200 {
        let v = f64::from(i) / 1000.0;
        let (file, ours) = (log.light(v), Transfer::AcesCct.to_light(v));
        assert!((file - ours).abs() <= DIGITS * ours.abs().max(1.0), "{v}: {file}, not {ours}");
    }
    // Published check values of the standard: 18 % grey at 0.4135884, the break of 2⁻⁷ at 0.1552511.
    assert!((log.light(0.413_588_402_493_5) - 0.18).abs() < 1e-9);
    assert!((log.light(0.155_251_141_552_511) - 0.007_812_5).abs() < 1e-12);
}

#[test]
fn what_is_of_another_session_is_told() {
    let place = Place::with(&TINY);
    fs::write(place.path(SESSION).join("clips/other.mkv"), b"x").expect("a file can be written");
    let ran = place.simulate(TINY).expect(0);
    assert!(ran.err.contains("also holds 1 clip"), "{}", ran.err);
}
