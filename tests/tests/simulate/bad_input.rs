//! What is refused: one line, naming the option or file, and exit code 2.

use std::fs;

use super::support::{Place, Ran, SESSION, TINY};

#[track_caller]
fn refused(ran: Ran, wanted: &[&str]) {
    let ran = ran.expect(2);
    assert_eq!(ran.err.lines().count(), 1, "one line: {}", ran.err);
    for word in wanted {
        assert!(ran.err.contains(word), "{} names {word}", ran.err);
    }
    assert!(ran.out.is_empty());
}

#[test]
fn wrong_options() {
    let place = Place::new();
    for (arguments, wanted) in [
        (&["--size", "big"][..], &["--size", "big", "960x540"][..]),
        (&["--size", "95x64"], &["--size", "95x64", "even"]),
        (&["--size", "32x32"], &["--size", "64 to 8192"]),
        (&["--frames", "1"], &["--frames", "2.."]),
        (&["--steps", "26"], &["--steps", "2..=25"]),
        (&["--seed", "-1"], &["--seed"]),
        (&["--codec", "gif"], &["--codec", "ffv1", "h265"]),
        (&["--fast"], &["--fast"]),
        (&["one", "two"], &["two"]),
    ] {
        refused(place.simulate(arguments), wanted);
    }
    assert!(place.names("").is_empty(), "nothing was made");
}

#[test]
fn a_directory_of_somebody_else_is_left_alone() {
    let place = Place::new();
    for file in ["session.toml", "README.txt", "chart.json", "acescct.clf"] {
        fs::create_dir_all(place.path(SESSION)).expect("a directory");
        fs::write(place.path(SESSION).join(file), "mine\n").expect("a file");
        refused(place.simulate(TINY), &[SESSION, file]);
        assert_eq!(place.names(""), [file]);
        assert_eq!(place.text(file), "mine\n");
        fs::remove_dir_all(place.path(SESSION)).expect("it is gone");
    }
    // Other things may lie beside.
    fs::create_dir_all(place.path(SESSION)).expect("a directory");
    fs::write(place.path(SESSION).join("notes.txt"), "mine\n").expect("a file");
    place.simulate(TINY).expect(0);
    assert_eq!(place.text("notes.txt"), "mine\n");
}

#[test]
fn places_that_cannot_be_written() {
    let place = Place::new();
    fs::write(place.path("file"), b"x").expect("a file");
    refused(place.simulate(["file"]), &["file"]);
    refused(place.simulate(["/proc/nothing"]), &["/proc/nothing"]);
    fs::create_dir_all(place.path(SESSION).join("clips/juniper-unfiltered-00250.mkv"))
        .expect("a directory in the way");
    refused(place.simulate(TINY), &["juniper-unfiltered-00250.mkv", "directory"]);
}

#[test]
fn help_is_help() {
    let ran = Place::new().simulate(["--help"]).expect(0);
    for word in ["--size", "--frames", "--steps", "--seed", "--codec", "session.toml", "Exit codes"] {
        assert!(ran.out.contains(word), "{word}");
    }
}
