//! What results are called, and file names that trip programs up.

use std::ffi::{OsStr, OsString};
use std::fs;
use std::os::unix::ffi::OsStrExt;
use std::path::Path;

use super::support::{Shoot, files_of};

#[test]
fn names_below_the_common_parent() {
    let shoot = Shoot::new();
    for name in ["one/a.mkv", "two/deep/a.mkv"] {
        shoot.clip(name, 0.4);
    }
    shoot.measure(["one/a.mkv", "./two/../two/deep/a.mkv", "one/a.mkv#t=0,0.2"]).expect(0);
    let expected =
        [files_of("one__a.mkv"), files_of("one__a.mkv@0.000-0.200"), files_of("two__deep__a.mkv")].concat();
    assert_eq!(shoot.results(), expected);
    assert_eq!(shoot.summary("two__deep__a.mkv").source.as_deref(), Some("a.mkv"));
    assert_eq!(shoot.summary("one__a.mkv@0.000-0.200").source.as_deref(), Some("a.mkv#t=0,0.2"));
}

#[test]
fn equal_names_end_the_run_before_it_begins() {
    let shoot = Shoot::new();
    shoot.clip("a/b.mkv", 0.2);
    fs::copy(shoot.path("a/b.mkv"), shoot.path("a__b.mkv")).unwrap();
    let ran = shoot.measure(["a/b.mkv", "a__b.mkv"]).expect(2);
    assert_eq!(ran.err.lines().count(), 1, "{}", ran.err);
    assert!(ran.err.contains("a/b.mkv") && ran.err.contains("a__b.mkv"), "{}", ran.err);
    assert!(shoot.results().is_empty());
    shoot.measure(["a/b.mkv", "a/b.mkv"]).expect(2);
}

#[test]
fn names_that_trip_programs_up() {
    let shoot = Shoot::new();
    shoot.clip("plain.mkv", 0.4);
    let names: [&[u8]; 7] = [
        b"it's \"quoted\".mkv",
        b"two\nlines.mkv",
        b"take%05d.mkv",
        b"-dash.mkv",
        b"not\xffutf8%.mkv",
        b"a#t=1,2.mkv",
        "ümlaut & $(x) ?.mkv".as_bytes(),
    ];
    let mut arguments = vec![OsString::from("--")];
    for name in names {
        fs::copy(shoot.path("plain.mkv"), shoot.path(Path::new(OsStr::from_bytes(name)))).unwrap();
        arguments.push(OsStr::from_bytes(name).to_owned());
    }
    let ran = shoot.measure(&arguments).expect(0);
    // A line of talk that says how many frames, for each; line breaks in names are shown, not made.
    assert_eq!(
        ran.err.lines().filter(|line| line.contains("measured, 10 frames")).count(),
        names.len(),
        "{}",
        ran.err
    );
    let expected = [
        ("it's \"quoted\".mkv", "it's \"quoted\".mkv"),
        ("two\nlines.mkv", "two\nlines.mkv"),
        ("take_05d.mkv", "take%05d.mkv"),
        ("-dash.mkv", "-dash.mkv"),
        ("not%FFutf8_.mkv", "not%FFutf8%25.mkv"),
        ("a#t=1,2.mkv", "a#t=1,2.mkv"),
        ("ümlaut & $(x) ?.mkv", "ümlaut & $(x) ?.mkv"),
    ];
    for (name, source) in expected {
        assert_eq!(shoot.summary(name).source.as_deref(), Some(source), "{name:?}");
    }
    let again = shoot.measure(&arguments).expect(0);
    assert_eq!(again.err.lines().filter(|line| line.contains("unchanged")).count(), names.len());
}
