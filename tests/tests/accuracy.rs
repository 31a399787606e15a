//! The meter against the simulated camera: the campaign of `tests/accuracy.sh`, its intervals and lamps in a sample.

use std::fs;
use std::path::Path;

use noisemeter_tests::accuracy::campaign::{self, Part};
use noisemeter_tests::accuracy::case::SEEDS;
use noisemeter_tests::accuracy::cases;
use noisemeter_tests::accuracy::coverage::Cover;
use noisemeter_tests::accuracy::lamps::{CARDS, Scene};
use noisemeter_tests::accuracy::statistics::binomial_band;
use simulated_camera::lamp::Lamp;

fn holds(part: &Part) {
    assert!(part.text.lines().count() > 3, "{} has no rows", part.title);
    assert!(part.faults.is_empty(), "{}:\n{}", part.title, part.faults.join("\n"));
}

fn group_holds(word: &str) {
    let group = cases::all().into_iter().find(|group| group.word == word).expect("a group of that name");
    holds(&campaign::numbers(&group, SEEDS));
}

#[test]
fn white_noise_and_photons_are_told() {
    group_holds("white");
}

#[test]
fn rows_and_columns_are_told() {
    group_holds("lines");
}

#[test]
fn patterns_and_fall_off_are_no_moving_noise() {
    group_holds("standing");
}

#[test]
fn time_filters_are_seen_through() {
    group_holds("recursive");
}

#[test]
fn space_filters_make_no_rows() {
    group_holds("blur");
}

#[test]
fn noise_that_changes_and_frames_that_repeat_are_told() {
    group_holds("change");
}

#[test]
fn crushed_black_is_noted_and_seen_through() {
    group_holds("clipping");
}

#[test]
fn noise_as_fine_as_the_codes_is_told_or_said_not_to_be() {
    group_holds("steps");
}

#[test]
fn ranges_depths_curves_and_colours_agree() {
    group_holds("formats");
}

#[test]
fn a_sensor_measured_by_hand_gives_back_gain_read_noise_and_ladders() {
    holds(&campaign::sensor(SEEDS));
}

/// Recordings of the sample.
const SAMPLE: usize = 200;

/// Every `stride`th set-up from `first` on, judged for [`SAMPLE`] recordings: shares from `least` to `most` that are
/// right, widened to the central 99.9 % of the binomial distribution.
fn sample(covers: Vec<Cover>, (least, most): (f64, f64), stride: usize) -> Vec<Cover> {
    let share = |count: usize| count as f64 / SAMPLE as f64;
    let (low, high) = (binomial_band(SAMPLE, least, 0.999).0, binomial_band(SAMPLE, most, 0.999).1);
    let judged = |cover: Cover| Cover { band: (share(low), share(high)), ..cover };
    covers.into_iter().filter(|cover| cover.limit.is_none()).step_by(stride).map(judged).collect()
}

#[test]
fn intervals_of_windows_hold_the_truth_as_often_as_they_say() {
    let windows = cases::intervals().into_iter().filter(|cover| cover.windows == 1).collect();
    holds(&campaign::intervals(&sample(windows, (0.95, 0.95), 2), SAMPLE));
}

#[test]
fn intervals_of_clips_hold_the_truth_at_least_as_often_as_they_say() {
    // The wider of two intervals holds it more often than 95 %: 99 % is what is still called right.
    let clips = cases::intervals().into_iter().filter(|cover| cover.windows > 1).collect();
    holds(&campaign::intervals(&sample(clips, (0.95, 0.99), 2), SAMPLE));
}

#[test]
fn lamps_that_move_are_told_and_those_that_stand_are_in_the_profile() {
    holds(&campaign::lamps(&[0.1], 4));
}

#[test]
fn longer_clips_tell_lamps_that_crawl() {
    // 120 Hz against five times 23.976: 0.12 Hz, five cycles in forty seconds; a global shutter leaves only the level.
    let lamp = Lamp { frequency: 120.0, depth: 0.1 };
    let scene = Scene { lamp, rate: (24_000, 1001), shutter: 250.0, readout: 0.0 };
    assert!(scene.locked() && scene.effect(&CARDS[0]).matters());
    for told in scene.told(0, 40) {
        assert!(told.lamp, "{told:?}");
        let hz = told.flicker_hz.expect("a frequency beside the note");
        // Half a bin of the periodogram.
        assert!((hz - scene.alias()).abs() <= 0.5 / 40.0, "{told:?}");
    }
}

#[test]
fn the_book_shows_every_case_and_no_failure() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/accuracy.md");
    let book = fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let (_, tables) =
        book.split_once("<!-- tables: written by tests/accuracy.sh -->").expect("the first mark");
    let (tables, _) = tables.split_once("<!-- end of tables -->").expect("the second mark");
    let names = cases::all().into_iter().flat_map(|group| group.cases).map(|case| case.name);
    for name in names.chain(cases::intervals().into_iter().map(|cover| cover.name)) {
        assert!(tables.contains(&format!("| {name} |")), "{name} is not in the book: run tests/accuracy.sh");
    }
    assert!(!tables.contains("**"), "the book shows a failure");
}
