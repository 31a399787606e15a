//! Bad input: one clear line, the right exit code, and nothing else lost.

use std::fs;
use std::os::unix::fs::symlink;
use std::process::{Command, Stdio};

use noise_measure::format::Channel;
use noise_measure::record::NoteCode;

use super::support::{Ran, Shoot, files_of, program};

#[test]
fn wrong_usage_starts_nothing() {
    let shoot = Shoot::new();
    shoot.clip("a.mkv", 0.2);
    fs::write(
        shoot.path("unknown.json"),
        r#"{"regions":[{"name":"a","x":0,"y":0,"width":1,"height":1,"units":"pixels","colour":1}]}"#,
    )
    .unwrap();
    fs::write(
        shoot.path("twice.json"),
        r#"{"regions":[{"name":"grey","x":0,"y":0,"width":9,"height":9,"units":"pixels"}]}"#,
    )
    .unwrap();
    assert!(Command::new("mkfifo").arg(shoot.path("pipe.json")).status().unwrap().success());
    let many: Vec<String> = (0..5000).map(|number| format!("n{number}=0,0,8,8")).collect();
    let many = many.join(";");
    // Arguments, and what the one line must name.
    let cases: [(&[&str], &[&str]); 36] = [
        (&[], &["CLIP"]),
        (&["a.mkv", "--regions", "grey"], &["--regions", "grey"]),
        (&["a.mkv", "--regions", "grey=1,2,3"], &["--regions", "grey"]),
        (&["a.mkv", "--regions", "grey=1,2,0,4"], &["--regions", "grey"]),
        (&["a.mkv", "--regions", "grey=nan,2,3,4"], &["--regions", "grey"]),
        (&["a.mkv", "--regions", "g=1,2,3,4;g=1,2,3,4"], &["--regions", "g"]),
        (&["a.mkv", "--regions", "frame=1,2,3,4"], &["--regions", "frame"]),
        (&["a.mkv", "--regions", "r1c1=1,2,3,4"], &["--regions", "r1c1"]),
        (&["a.mkv", "--regions", "-1"], &["--regions"]),
        (&["a.mkv", "--regions", &many], &["--regions", "4096"]),
        (&["a.mkv", "--layout", "missing.json"], &["--layout", "missing.json"]),
        (&["a.mkv", "--layout", "a.mkv"], &["--layout", "a.mkv"]),
        (&["a.mkv", "--layout", "unknown.json"], &["unknown.json", "colour"]),
        (&["a.mkv", "--layout", "twice.json", "--regions", "grey=0,0,8,8"], &["--regions", "grey"]),
        (&["a.mkv", "--grid", "16"], &["--grid"]),
        (&["a.mkv", "--grid", "0x4"], &["--grid"]),
        (&["a.mkv", "--crop", "1,2,3"], &["--crop"]),
        (&["a.mkv", "--interval", "9ms"], &["--interval", "9ms"]),
        (&["a.mkv", "--interval", "-1"], &["--interval", "-1"]),
        (&["a.mkv", "--interval", "soon"], &["--interval", "soon"]),
        (&["a.mkv", "--transfer", "log"], &["--transfer", "log", "bt709"]),
        (&["a.mkv", "--transfer", "gamma:x"], &["--transfer", "x"]),
        (&["a.mkv", "--range", "wide"], &["--range", "wide", "narrow"]),
        (&["a.mkv", "--matrix", "bt8"], &["--matrix", "bt8", "bt709"]),
        (&["a.mkv", "--delivery-heights", "1080p"], &["--delivery-heights", "1080p"]),
        (&["a.mkv", "--delivery-heights", "0"], &["--delivery-heights", "0"]),
        (&["a.mkv", "--layout", "pipe.json"], &["--layout", "pipe.json"]),
        (&["a.mkv", "--layout", "."], &["--layout", "."]),
        (&["a.mkv", "--rate", "fast"], &["--rate", "fast"]),
        (&["a.mkv", "--every", "0"], &["--every", "0"]),
        (&["a.mkv", "--jobs", "0"], &["--jobs", "0"]),
        (&["a.mkv", "--nonsense"], &["--nonsense"]),
        (&["a.mkv#t=5,4"], &["a.mkv#t=5,4"]),
        (&["a.mkv#t=soon"], &["a.mkv#t=soon"]),
        (&["a.mkv#t="], &["a.mkv#t="]),
        (&["a.mkv", "missing.mkv", "--grid", "x"], &["--grid"]),
    ];
    for (arguments, named) in cases {
        let ran = shoot.measure(arguments).expect(2);
        assert_eq!(ran.err.lines().count(), 1, "{arguments:?}: {}", ran.err);
        assert!(named.iter().all(|name| ran.err.contains(name)), "{arguments:?}: {}", ran.err);
        assert!(ran.out.is_empty(), "{arguments:?}");
        assert!(!shoot.path("lowlight-results").exists(), "{arguments:?}");
    }
    let bare = Ran::from(Command::new(program()).output().unwrap()).expect(2);
    assert_eq!(bare.err.lines().count(), 1, "{}", bare.err);
}

#[test]
fn files_that_hold_no_video_cost_themselves_alone() {
    let shoot = Shoot::new();
    shoot.clip("good.mkv", 1.0);
    shoot.ffmpeg(["-f", "lavfi", "-i", "sine=d=1", "-c:a", "aac", "sound.mp4"]);
    shoot.ffmpeg(["-f", "lavfi", "-i", "sine=d=1", "sound.wav"]);
    shoot.ffmpeg(["-i", "good.mkv", "-c:v", "v410", "odd.mov"]);
    fs::write(shoot.path("empty.mov"), "").unwrap();
    fs::write(shoot.path("text.mov"), "these are words, and many of them\n".repeat(99)).unwrap();
    // A counter through a multiplicative hash: bytes without any container's mark.
    let noise: Vec<u8> = (0..100_000_u32).map(|n| (n.wrapping_mul(2_654_435_761) >> 24) as u8).collect();
    fs::write(shoot.path("noise.mov"), noise).unwrap();
    fs::create_dir(shoot.path("folder.mov")).unwrap();
    symlink("nowhere", shoot.path("dangling.mov")).unwrap();
    assert!(Command::new("mkfifo").arg(shoot.path("pipe.mov")).status().unwrap().success());
    let bad = [
        ("missing.mov", "no such file"),
        ("empty.mov", "is empty"),
        ("text.mov", "is not a video file"),
        ("noise.mov", "is it a video file?"),
        ("folder.mov", "is a directory"),
        ("dangling.mov", "no such file"),
        ("pipe.mov", "is not a regular file"),
        ("sound.mp4", "no video in it"),
        ("sound.wav", "no video in it"),
        ("odd.mov", "no decoder for its video"),
    ];
    let clips = bad.iter().map(|(clip, _)| *clip).chain(["good.mkv"]);
    let ran = shoot.measure(clips).expect(3);
    assert_eq!(ran.complaints().len(), bad.len(), "{}", ran.err);
    for (clip, reason) in bad {
        let start = format!("lowlight: {clip}: ");
        let line = ran.complaints().into_iter().find(|line| line.starts_with(&start));
        assert!(line.is_some_and(|line| line.contains(reason)), "{clip}: {}", ran.err);
    }
    assert_eq!(shoot.results(), files_of("good.mkv"));
    assert_eq!(ran.out.lines().filter(|line| line.contains("mean %")).count(), 1);
}

#[test]
fn truncated_files_are_told() {
    let shoot = Shoot::new();
    shoot.clip("a.mkv", 4.0);
    shoot.ffmpeg(["-i", "a.mkv", "-c:v", "libx264", "-pix_fmt", "yuv420p", "a.mp4"]);
    shoot.ffmpeg(["-i", "a.mp4", "-c", "copy", "-movflags", "+faststart", "front.mp4"]);
    // Sound that goes on after the picture is no truncation.
    shoot.ffmpeg(["-i", "a.mp4", "-f", "lavfi", "-i", "sine=d=8", "-c:v", "copy", "long-sound.mp4"]);
    for name in ["a.mkv", "a.mp4", "front.mp4"] {
        let bytes = fs::read(shoot.path(name)).unwrap();
        fs::write(shoot.path(format!("cut-{name}")), bytes.split_at(bytes.len() / 2).0).unwrap();
    }
    let ran = shoot.measure(["cut-a.mkv", "cut-a.mp4", "cut-front.mp4", "long-sound.mp4", "a.mp4"]).expect(3);
    let complaints = ran.complaints();
    assert_eq!(complaints.len(), 3, "{}", ran.err);
    for clip in ["cut-a.mkv", "cut-a.mp4", "cut-front.mp4"] {
        assert!(
            complaints.iter().any(|line| line.starts_with(&format!("lowlight: {clip}: "))),
            "{}",
            ran.err
        );
    }
    assert!(complaints.iter().any(|line| line.contains("cut-a.mkv: is cut short")), "{}", ran.err);
    assert_eq!(shoot.results(), [files_of("a.mp4"), files_of("long-sound.mp4")].concat());
    // The part that is there can still be had.
    shoot.measure(["cut-front.mp4#t=0,1"]).expect(0);
}

#[test]
fn a_region_outside_the_picture_costs_that_region_alone() {
    let shoot = Shoot::new();
    shoot.clip("a.mkv", 1.0);
    let ran = shoot.measure(["a.mkv", "--regions", "in=0,0,32,32;out=150,0,32,32"]).expect(0);
    assert!(
        ran.err.lines().any(|line| line.starts_with("a.mkv: warning: ") && line.contains("out")),
        "{}",
        ran.err
    );
    let summary = shoot.summary("a.mkv");
    let outside = |index: usize| {
        let mut codes = summary.regions[index].notes.iter().map(|note| note.code);
        codes.any(|code| code == NoteCode::OutsidePicture)
    };
    assert_eq!([outside(0), outside(1)], [false, true]);
    let mean = |index: usize| summary.regions[index].components.get(Channel::Y).and_then(|luma| luma.mean);
    assert!(mean(0).is_some() && mean(1).is_none());
}

#[test]
fn results_that_cannot_be_written() {
    let shoot = Shoot::new();
    shoot.clip("a.mkv", 1.0);
    fs::write(shoot.path("file"), "").unwrap();
    for out in ["file", "file/below", "/proc/none"] {
        let ran = shoot.measure(["a.mkv", "--out", out]).expect(2);
        assert_eq!(ran.err.lines().count(), 1, "{}", ran.err);
        assert!(ran.err.contains("--out") && ran.err.contains(out), "{}", ran.err);
    }
}

/// Runs `script` with the program as $0 where it may mount file systems that nobody else sees.
fn with_mounts(shoot: &Shoot, script: &str) -> Ran {
    let mut command = Command::new("unshare");
    // A user namespace gives the right to mount without root.
    command.args(["--user", "--map-root-user", "--mount", "sh", "-ec", script]);
    command.arg(program()).current_dir(shoot.path("")).stdin(Stdio::null());
    Ran::from(command.output().expect("unshare is installed"))
}

#[test]
fn a_directory_that_cannot_be_written() {
    let shoot = Shoot::new();
    shoot.clip("a.mkv", 1.0);
    fs::create_dir(shoot.path("fixed")).unwrap();
    let script = "mount -t tmpfs -o ro none fixed; exec \"$0\" measure a.mkv --out fixed";
    let ran = with_mounts(&shoot, script).expect(2);
    assert_eq!(ran.err.lines().count(), 1, "{}", ran.err);
    assert!(ran.err.contains("--out fixed: Read-only file system"), "{}", ran.err);
}

#[test]
fn a_full_disk_costs_the_clip_that_filled_it() {
    let shoot = Shoot::new();
    shoot.clip("long.mkv", 12.0);
    shoot.clip("short.mkv", 0.2);
    fs::create_dir(shoot.path("full")).unwrap();
    // A window of the one region takes about 10 kB: three hundred do not fit, five and their summary do.
    let script = "mount -t tmpfs -o size=512k none full; code=0; \
        \"$0\" measure --jobs 1 --interval 10ms --out full long.mkv short.mkv || code=$?; ls full; exit $code";
    let ran = with_mounts(&shoot, script).expect(3);
    let complaints = ran.complaints();
    assert_eq!(complaints.len(), 1, "{}", ran.err);
    assert!(
        complaints[0].starts_with("lowlight: long.mkv: cannot write full/long.mkv.windows.jsonl.part: "),
        "{}",
        ran.err
    );
    assert!(complaints[0].contains("no space left"), "{}", ran.err);
    let listed: Vec<&str> = ran.out.lines().rev().take(3).collect();
    assert_eq!(
        listed,
        ["short.mkv.windows.jsonl", "short.mkv.summary.json", "short.mkv.state.json"],
        "{}",
        ran.out
    );
    assert!(!ran.out.contains("long.mkv."), "{}", ran.out);
}
