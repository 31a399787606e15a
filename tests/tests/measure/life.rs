//! Children that die or hang, and a parent that is stopped.

use std::process::{Child, Stdio};

use super::support::{Ran, Shoot, child_of, children, files_of, lives, signal, wait_for};

fn start(shoot: &Shoot, arguments: &[&str]) -> Child {
    let mut command = shoot.command(arguments);
    command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("lowlight starts")
}

fn ended(child: Child) -> Ran {
    Ran::from(child.wait_with_output().expect("lowlight ends"))
}

#[test]
fn a_child_that_dies_costs_its_clip_alone() {
    let shoot = Shoot::new();
    shoot.long_clip("long.mp4");
    shoot.clip("short.mkv", 1.0);
    // As a failed check in a decoder, a wrong instruction, and a system out of memory end a process. (A segmentation
    // fault that is only sent is swallowed by Rust's guard of the stack; one that happens is not.)
    for (name, said) in
        [("ABRT", "signal 6 (SIGABRT)"), ("ILL", "signal 4 (SIGILL)"), ("KILL", "signal 9 (SIGKILL)")]
    {
        let parent = start(&shoot, &["long.mp4", "short.mkv"]);
        signal(child_of(&parent, "long.mp4"), name);
        let ran = ended(parent).expect(3);
        assert_eq!(ran.complaints().len(), 1, "{}", ran.err);
        assert!(ran.complaints()[0].starts_with("lowlight: long.mp4: "), "{}", ran.err);
        assert!(ran.complaints()[0].contains(said), "{}", ran.err);
        assert_eq!(shoot.results(), files_of("short.mkv"));
    }
}

#[test]
fn a_decoder_that_hangs_is_given_up() {
    let shoot = Shoot::new();
    shoot.long_clip("long.mp4");
    shoot.clip("short.mkv", 1.0);
    let parent = start(&shoot, &["long.mp4", "short.mkv", "--jobs", "1", "--stall-timeout", "1"]);
    let child = child_of(&parent, "long.mp4");
    // A stopped process neither goes on nor heeds SIGTERM.
    signal(child, "STOP");
    let ran = ended(parent).expect(3);
    assert!(ran.complaints()[0].contains("long.mp4: no progress for 1 s"), "{}", ran.err);
    assert!(!lives(child));
    assert_eq!(shoot.results(), files_of("short.mkv"));
}

#[test]
fn control_c_keeps_what_is_done_and_leaves_no_child() {
    let shoot = Shoot::new();
    shoot.clip("a.mkv", 1.0);
    shoot.long_clip("long.mp4");
    let parent = start(&shoot, &["a.mkv", "long.mp4", "--jobs", "1"]);
    let child = child_of(&parent, "long.mp4");
    wait_for("the first windows", || {
        shoot.results().contains(&"long.mp4.windows.jsonl.part".to_owned()).then_some(())
    });
    signal(parent.id(), "INT");
    let ran = ended(parent).expect(130);
    assert!(!lives(child));
    assert_eq!(shoot.results(), files_of("a.mkv"));
    assert!(ran.err.contains("1 of 2 clips"), "{}", ran.err);
    assert!(ran.out.is_empty());
    let again = shoot.measure(["a.mkv"]).expect(0);
    assert!(again.err.contains("unchanged"), "{}", again.err);
}

#[test]
fn a_killed_parent_leaves_whole_results_and_no_child() {
    let shoot = Shoot::new();
    shoot.clip("a.mkv", 1.0);
    shoot.long_clip("long.mp4");
    let parent = start(&shoot, &["a.mkv", "long.mp4", "--jobs", "1"]);
    let child = child_of(&parent, "long.mp4");
    signal(parent.id(), "KILL");
    let id = parent.id();
    assert_eq!(ended(parent).code, None);
    wait_for("the end of the child", || (!lives(child)).then_some(()));
    assert!(children(id).is_empty());
    let finished: Vec<String> = shoot.results().into_iter().filter(|name| !name.ends_with(".part")).collect();
    assert_eq!(finished, files_of("a.mkv"));
    let ran = shoot.measure(["a.mkv"]).expect(0);
    assert!(ran.err.contains("unchanged"), "{}", ran.err);
}

#[test]
fn two_runs_never_write_the_same_results() {
    let shoot = Shoot::new();
    shoot.long_clip("long.mp4");
    let first = start(&shoot, &["long.mp4"]);
    child_of(&first, "long.mp4");
    let second = shoot.measure(["long.mp4"]).expect(3);
    assert!(second.complaints()[0].contains("another run"), "{}", second.err);
    signal(first.id(), "INT");
    ended(first).expect(130);
    assert!(shoot.results().is_empty());
}
