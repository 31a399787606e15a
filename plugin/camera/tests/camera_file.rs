//! Camera files: what is read, and what is refused with the name of the field.

use simulated_camera::Camera;
use simulated_camera::camera::PRESETS;

const WHOLE: &str = r#"{"base": [500, 2500], "full_well_e": [40000, 8000], "read_noise_e": [6, 2], "row_e": 0.4,
    "column_e": 0.2, "prnu": 0.01, "dsnu_e": 1, "hot_ppm": 30, "gain_change": 0.02, "blur": 0.7}"#;

/// The error of a file that is [`WHOLE`] with one text replaced.
fn refusal(from: &str, to: &str) -> String {
    assert!(WHOLE.contains(from), "{from}");
    let error = Camera::from_json(&WHOLE.replace(from, to)).expect_err("a wrong camera file");
    let text = error.to_string();
    assert!(!text.contains('\n'), "one line: {text}");
    text
}

#[test]
fn a_file_gives_its_camera_and_the_rest_is_nought() {
    let camera = Camera::from_json(WHOLE).expect("a right camera file");
    assert_eq!((camera.base[1], camera.gain_change, camera.blur), (2500.0, 0.02, 0.7));
    let short = r#"{"base": [800], "full_well_e": [30000], "read_noise_e": [3]}"#;
    let camera = Camera::from_json(short).expect("the three that are needed");
    assert_eq!((camera.prnu, camera.row_e, camera.hot_ppm), (0.0, 0.0, 0.0));
}

#[test]
fn presets_are_right_and_survive_a_file() {
    for (name, _) in PRESETS {
        let camera = Camera::preset(name).expect("a preset");
        let text = serde_json::to_string(&camera).expect("numbers");
        assert_eq!(Camera::from_json(&text).as_ref(), Ok(&camera), "{name}");
    }
    assert_eq!(Camera::preset("oak"), None);
}

#[test]
fn fields_that_are_missing_unknown_negative_or_absurd_are_named() {
    assert!(refusal(r#""base": [500, 2500], "#, "").contains("missing field `base`"));
    assert!(refusal("row_e", "rwo_e").contains("unknown field `rwo_e`"));
    assert!(refusal("[6, 2]", "[6, -2]").starts_with("read_noise_e[1]: is -2; 0 to 1000 electrons"));
    assert!(refusal("[6, 2]", "[6]").starts_with("read_noise_e: has 1 entries, base has 2"));
    assert!(refusal("[40000, 8000]", "[40000, 1e12]").starts_with("full_well_e[1]: is 1000000000000; "));
    assert!(refusal("[500, 2500]", "[2500, 500]").starts_with("base: 2500 does not lie below 500"));
    assert!(refusal("[500, 2500]", "[]").starts_with("base: has 0 entries"));
    assert!(refusal("[500, 2500]", "[1, 2500]").starts_with("base[0]: is 1; 25 to "));
    assert!(refusal(r#""prnu": 0.01"#, r#""prnu": 7"#).starts_with("prnu: is 7; 0 to 0.3"));
    assert!(refusal(r#""dsnu_e": 1"#, r#""dsnu_e": "one""#).contains("invalid type: string"));
    assert!(refusal("}", "").starts_with("camera file: "));
}
