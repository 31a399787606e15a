//! What is rendered again and what is not, and what a stop leaves behind.

use std::fs;
use std::path::PathBuf;
use std::process::{Child, Stdio};
use std::time::SystemTime;

use super::support::{Place, Ran, SESSION, TINY, signal, wait_for};

/// A session that takes long enough to be stopped in.
const LONG: [&str; 6] = ["--size", "640x360", "--frames", "48", "--steps", "25"];

fn start(place: &Place, arguments: &[&str]) -> Child {
    let mut command = place.command("simulate", arguments);
    command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("lowlight starts")
}

fn ended(child: Child) -> Ran {
    Ran::from(child.wait_with_output().expect("lowlight ends"))
}

/// When each clip was written.
fn written(place: &Place) -> Vec<(String, SystemTime)> {
    let time = |clip: &String| {
        let path: PathBuf = place.path(SESSION).join("clips").join(clip);
        fs::metadata(path).and_then(|data| data.modified()).expect("a time")
    };
    place.clips().into_iter().map(|clip| (clip.clone(), time(&clip))).collect()
}

#[test]
fn clips_that_are_there_are_kept() {
    let place = Place::with(&TINY);
    let before = written(&place);
    let ran = place.simulate(TINY).expect(0);
    assert!(ran.err.contains("12 of 12 clips were there"), "{}", ran.err);
    assert_eq!(written(&place), before);
    assert!(ran.out.is_empty(), "nothing but files: {}", ran.out);
}

#[test]
fn what_is_missing_damaged_or_made_otherwise_is_rendered_again() {
    let place = Place::with(&TINY);
    let clips = place.path(SESSION).join("clips");
    let before = written(&place);
    fs::remove_file(clips.join(&before[0].0)).expect("it was there");
    let whole = fs::read(clips.join(&before[1].0)).expect("it is there");
    fs::write(clips.join(&before[1].0), &whole[..whole.len() / 2]).expect("half of it");
    fs::remove_file(clips.join(format!("{}.truth.json", before[2].0))).expect("it was there");
    let ran = place.simulate(TINY).expect(0);
    assert!(ran.err.contains("9 of 12 clips were there"), "{}", ran.err);
    let after = written(&place);
    assert_eq!(after[3..], before[3..]);
    assert_eq!(fs::read(clips.join(&before[1].0)).expect("it is there"), whole);
    for (option, value) in [("--seed", "2"), ("--frames", "3"), ("--codec", "h265")] {
        let ran = place.simulate(
            TINY.iter().copied().filter(|_| option != "--frames").chain([option, value]).chain(
                // The option that is given twice is left out above.
                (option == "--frames").then_some(["--size", "96x64", "--steps", "2"]).into_iter().flatten(),
            ),
        );
        assert!(!ran.expect(0).err.contains("were there"), "{option}");
    }
}

/// Waits until the second clip is on its way.
fn second_clip(place: &Place) {
    let begun = || place.names("clips").iter().any(|name| name.contains("00320.mkv")).then_some(());
    wait_for("the second clip", begun);
}

/// Asserts that every clip that is there has its truth, and that nothing tells of a whole session.
#[track_caller]
fn only_whole_clips(place: &Place) -> usize {
    let clips = place.clips();
    assert!(!clips.is_empty());
    for clip in &clips {
        let bytes = place.session(&format!("clips/{clip}")).len();
        assert_eq!(place.truth(clip)["clip_bytes"], bytes, "{clip}");
    }
    assert_eq!(place.names(""), ["clips"], "no session without its clips");
    clips.len()
}

#[test]
fn control_c_keeps_what_is_whole_and_the_same_command_goes_on() {
    let place = Place::new();
    let child = start(&place, &LONG);
    second_clip(&place);
    signal(child.id(), "INT");
    let ran = ended(child).expect(130);
    let done = only_whole_clips(&place);
    assert!(ran.err.contains(&format!("{done} of 150 clips are done")), "{}", ran.err);
    assert_eq!(place.names("clips").len(), 2 * done, "nothing half-written");
    let child = start(&place, &LONG);
    let truths = || place.names("clips").iter().filter(|name| name.ends_with(".truth.json")).count();
    wait_for("another clip", || (truths() > done).then_some(()));
    signal(child.id(), "TERM");
    assert!(ended(child).expect(143).err.contains(&format!("{done} of 150 clips were there")));
}

#[test]
fn a_killed_run_leaves_only_what_is_whole() {
    let place = Place::new();
    let child = start(&place, &LONG);
    second_clip(&place);
    signal(child.id(), "KILL");
    assert_eq!(ended(child).code, None);
    only_whole_clips(&place);
}

#[test]
fn other_settings_take_the_session_file_away_until_all_clips_are_there() {
    let place = Place::with(&TINY);
    let child = start(&place, &LONG);
    wait_for("a clip of the new session", || {
        place.clips().iter().any(|clip| clip.contains("00320")).then_some(())
    });
    signal(child.id(), "INT");
    ended(child).expect(130);
    assert_eq!(place.names(""), ["clips"]);
    place.simulate(TINY).expect(0);
    assert!(place.names("").contains(&"session.toml".to_owned()));
}

#[test]
fn two_runs_never_write_the_same_clip() {
    let place = Place::new();
    let first = start(&place, &LONG);
    wait_for("a clip on its way", || (!place.names("clips").is_empty()).then_some(()));
    // The first may be done with its clip when the second comes, which then meets it at the next one.
    let second = place.simulate(LONG);
    let met = second.code == Some(2) && second.err.contains("being written by another run");
    signal(first.id(), "INT");
    ended(first).expect(130);
    assert!(met, "{:?}", second);
}
