//! `lowlight measure --truth`: what was measured beside what is true.

use std::fs;

use serde::Deserialize;

use super::support::{Place, SESSION, TINY};

/// A small session, big enough for patches of some hundred pixels.
const SMALL: [&str; 6] = ["--size", "480x270", "--frames", "12", "--steps", "2"];

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Row {
    source: String,
    region: String,
    role: Option<String>,
    component: String,
    truth: f64,
    measured: Option<f64>,
    upper: Option<f64>,
    ci: Option<[f64; 2]>,
    inside: Option<bool>,
    truth_snr_db: Option<f64>,
    snr_db: Option<f64>,
    snr_lower_db: Option<f64>,
    doubted: bool,
    notes: Vec<String>,
}

/// Share of intervals of 95 % that must hold the truth: four standard errors of a share below it, counted over clips
/// and regions alone, since components of one patch are made of the same noise.
fn least(patches: usize) -> f64 {
    0.95 - 4.0 * (0.95 * 0.05 / patches as f64).sqrt()
}

#[test]
fn the_rows_hold_every_patch_and_the_intervals_their_truth() {
    let place = Place::with(&SMALL);
    let rows: Vec<Row> =
        serde_json::from_str(&place.measure(&["--truth", "auto", "--json"]).expect(0).out).expect("rows");
    // A grey card, fifteen steps; Y, Cb and Cr; twelve clips.
    assert_eq!(rows.len(), 16 * 3 * 12);
    assert!(rows.iter().filter(|row| row.role.as_deref() == Some("grey")).all(|row| row.region == "grey"));
    for row in &rows {
        // Below its base a camera's wells are full before the lightest patches are: no noise is left of them.
        assert!(row.truth > 0.0 || row.source.ends_with("00250.mkv"), "{row:?}");
        assert_eq!(row.ci.map(|[low, high]| low <= row.truth && row.truth <= high), row.inside, "{row:?}");
        assert_eq!(row.inside.is_some(), row.measured.is_some(), "{row:?}");
        assert_eq!(row.truth_snr_db.is_some(), row.component == "Y" && row.truth > 0.0, "{row:?}");
        // A number that is missing has its reason beside it.
        assert!(row.measured.is_some() || !row.notes.is_empty(), "{row:?}");
        assert!(row.upper.is_none() || row.measured.is_none(), "{row:?}");
        assert!(row.snr_lower_db.is_none() || row.snr_db.is_none(), "{row:?}");
        if let (Some(truth), Some(snr), true) = (row.truth_snr_db, row.snr_db, row.region == "grey") {
            // The slope of the curve at the measured level, the spread within its interval: far inside a decibel.
            assert!((truth - snr).abs() < 1.0, "{row:?}");
        }
    }
    for component in ["Y", "Cb", "Cr"] {
        let told: Vec<bool> = rows
            .iter()
            .filter(|row| row.component == component && !row.doubted)
            .filter_map(|row| row.inside)
            .collect();
        let held = told.iter().filter(|&&inside| inside).count() as f64 / told.len() as f64;
        assert!(held >= least(told.len()), "{component}: {held} of {}", told.len());
    }
}

#[test]
fn the_table_has_a_line_a_clip_and_counts_all() {
    let place = Place::with(&SMALL);
    let out = place.measure(&["--truth", "auto"]).expect(0).out;
    let clips = place.clips();
    assert_eq!(
        clips.iter().filter(|clip| out.lines().any(|line| line.starts_with(clip.as_str()))).count(),
        12
    );
    let json = place.measure(&["--truth", "auto", "--json"]).expect(0).out;
    let rows: Vec<Row> = serde_json::from_str(&json).expect("rows");
    for row in rows.iter().filter(|row| row.region == "grey" && row.component == "Y") {
        let line = out.lines().find(|line| line.starts_with(&row.source)).expect("its line");
        let word = match row.inside {
            Some(true) => " yes ",
            Some(false) => " no ",
            None => " - ",
        };
        assert!(line.contains(word), "{line}: {row:?}");
    }
    for (doubted, before, after) in [(false, "clips: ", " intervals"), (true, "them ", " in regions")] {
        let told: Vec<bool> =
            rows.iter().filter(|row| row.doubted == doubted).filter_map(|row| row.inside).collect();
        let held = told.iter().filter(|&&inside| inside).count();
        assert!(out.contains(&format!("{before}{held} of {}{after}", told.len())), "{out}");
    }
    assert!(out.lines().all(|line| line.chars().count() <= 120), "{out}");
}

#[test]
fn one_file_serves_all_clips_and_wrong_ones_are_named() {
    let place = Place::with(&TINY);
    let clip = place.clips()[0].clone();
    let file = format!("{SESSION}/clips/{clip}.truth.json");
    let ran = place.measure(&["--truth", &file, "--json"]).expect(0);
    let rows: Vec<Row> = serde_json::from_str(&ran.out).expect("rows");
    let of_grey = rows.iter().filter(|row| row.region == "grey" && row.component == "Y");
    assert!(of_grey.map(|row| row.truth.to_bits()).collect::<std::collections::BTreeSet<_>>().len() == 1);

    fs::write(place.path("wrong.json"), "{\"regions\": 3}").expect("a file");
    let ran = place.measure(&["--truth", "wrong.json"]).expect(2);
    assert!(ran.err.lines().count() == 1 && ran.err.contains("wrong.json"), "{}", ran.err);
    fs::remove_file(place.path(&file)).expect("it was there");
    let ran = place.measure(&["--truth", "auto"]).expect(2);
    assert!(ran.err.lines().count() == 1 && ran.err.contains(&format!("{clip}.truth.json")), "{}", ran.err);
}
