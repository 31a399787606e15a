//! Runs every plain pipeline of `pipelines/` and every `gst-launch-1.0` line of the documentation as a user would.

use std::collections::BTreeSet;
use std::fs;
use std::os::unix::fs::{PermissionsExt, symlink};
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use noise_measure::format::Channel;
use noise_measure::record::WindowRecord;
use tempfile::TempDir;

/// Frames of the test clip: three seconds at 25 a second.
const FRAMES: u64 = 75;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..").canonicalize().expect("the workspace is there")
}

/// A folder with the plugin that was built along with this test, and nothing else in it.
fn plugin_folder() -> PathBuf {
    let test = std::env::current_exe().expect("this test has a path");
    let built = test.parent().expect("it lies in a folder").join("libgstnoisemeter.so");
    assert!(built.is_file(), "{} is built with this test", built.display());
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("plugin");
    fs::create_dir_all(&folder).expect("a folder for the plugin");
    // Several test processes may do this at once; any of them may be first.
    let link = folder.join("libgstnoisemeter.so");
    let _ = symlink(&built, &link);
    assert_eq!(
        fs::canonicalize(&link).expect("the link leads somewhere"),
        built.canonicalize().expect("as above")
    );
    folder
}

/// A command in `folder`, ended after two minutes, that finds the plugin and no screen.
fn command(program: impl AsRef<std::ffi::OsStr>, folder: &Path) -> Command {
    let mut command = Command::new("timeout");
    command.args(["--kill-after=5", "120"]).arg(program).current_dir(folder);
    command.env("GST_PLUGIN_PATH", plugin_folder());
    command.env("GST_REGISTRY", Path::new(env!("CARGO_TARGET_TMPDIR")).join("registry.bin"));
    command.env_remove("DISPLAY").env_remove("WAYLAND_DISPLAY");
    command
}

fn script(name: &str, folder: &Path) -> Command {
    command(root().join("pipelines").join(name), folder)
}

fn run(command: &mut Command) -> Output {
    command.output().unwrap_or_else(|e| panic!("{command:?}: {e}"))
}

/// What a command printed, after it ended well.
fn good(command: &mut Command) -> String {
    let output = run(command);
    let (out, err) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success(), "{command:?}: {}\n{out}\n{err}", output.status);
    assert!(!err.contains("CRITICAL") && !out.contains("WARNING"), "{command:?} warns:\n{out}\n{err}");
    out.into_owned()
}

/// The one line on stderr of a command that refused what it was given, exit code 2.
fn refused(command: &mut Command) -> String {
    let output = run(command);
    let err = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(2), "{command:?}: {err}");
    assert_eq!(err.lines().count(), 1, "{command:?} says one line: {err}");
    err
}

/// A folder with a test clip of this name and length in it.
fn folder_with_clip(name: &str, frames: u64) -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let clip = folder.path().join(name);
    good(script("make-clip.sh", folder.path()).arg(&clip).arg(frames.to_string()));
    (folder, clip)
}

fn windows(file: &Path) -> Vec<WindowRecord> {
    let text = fs::read_to_string(file).unwrap_or_else(|e| panic!("{}: {e}", file.display()));
    text.lines().map(|line| serde_json::from_str(line).unwrap_or_else(|e| panic!("{e}: {line}"))).collect()
}

fn frames(windows: &[WindowRecord]) -> u64 {
    windows.iter().map(|w| w.frames).sum()
}

/// JSON of every window in what `gst-launch-1.0 -m` printed.
fn printed_windows(printed: &str) -> Vec<WindowRecord> {
    let messages = printed.lines().filter(|l| l.contains("(element): noisemeter,"));
    let json = messages.map(|line| {
        let (_, field) =
            line.split_once("json=(string)").unwrap_or_else(|| panic!("a message has json: {line}"));
        let (_, text) = field.split_once('"').unwrap_or_else(|| panic!("json is quoted: {line}"));
        // The printed form escapes each special character with one backslash.
        let (mut plain, mut chars) = (String::new(), text.chars());
        while let Some(c) = chars.next() {
            match c {
                '"' => break,
                '\\' => plain.extend(chars.next()),
                _ => plain.push(c),
            }
        }
        serde_json::from_str(&plain).unwrap_or_else(|e| panic!("{e}: {plain}"))
    });
    json.collect()
}

#[test]
fn every_script_is_run_here() {
    let folder = fs::read_dir(root().join("pipelines")).expect("the folder is there");
    let mut found = BTreeSet::new();
    for entry in folder {
        let entry = entry.expect("a readable folder");
        let name = entry.file_name().into_string().expect("plain names");
        if name.ends_with(".sh") || name.ends_with(".py") {
            let mode = entry.metadata().expect("a file").permissions().mode();
            assert_eq!(mode & 0o111 != 0, name != "common.sh", "{name}: what is run may be run");
            found.insert(name);
        }
    }
    // demo.sh is run by tests/run.sh, because it builds; common.sh by all of them.
    let known =
        ["bus_client.py", "common.sh", "demo.sh", "file-to-json.sh", "make-clip.sh", "meter-in-transcode.sh"];
    let known = known.into_iter().chain(["monitor-testsource.sh", "playbin-filter.sh"]);
    assert_eq!(found, known.map(str::to_owned).collect());
}

#[test]
fn monitor_prints_a_message_a_second() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let printed = good(script("monitor-testsource.sh", folder.path()).arg("60"));
    let windows = printed_windows(&printed);
    assert_eq!(frames(&windows), 60);
    assert_eq!(windows.iter().map(|w| w.partial).collect::<Vec<_>>(), [false, false, true]);
    let names: Vec<&str> = windows[0].regions.iter().map(|r| r.name.as_str()).collect();
    assert_eq!(names, ["snow", "bar"]);
    assert!(refused(script("monitor-testsource.sh", folder.path()).arg("many")).contains("'many'"));
}

#[test]
fn file_becomes_json_lines() {
    let (folder, clip) = folder_with_clip("a \"quoted\" \\ clip.mkv", FRAMES);
    let out = folder.path().join("out, \"2\".jsonl");
    let regions = "regions=grey=380,80,200,200;light=680,80,200,200";
    good(script("file-to-json.sh", folder.path()).args([&clip, &out]).arg(regions));
    let windows = windows(&out);
    assert_eq!((windows.len(), frames(&windows)), (3, FRAMES));
    // Snow of videotestsrc is uniform over the 220 luma codes from 16 to 235, at 10 bits 4 codes apart; a share of
    // 0.05 of it is mixed in. The mixer holds that share in 8 bits, so it may be off by half of 1/255.
    let expected = 0.05 * 4.0 * ((220.0_f64.powi(2) - 1.0) / 12.0).sqrt();
    let tolerance = 0.5 / 255.0 / 0.05;
    for window in &windows {
        assert_eq!(window.video.format, "I422_10LE");
        for region in &window.regions {
            let luma = region.components.get(Channel::Y).expect("a YUV clip has Y");
            let spread = luma.temporal_codes.expect("moving noise is known");
            assert!((spread / expected - 1.0).abs() < tolerance, "{}: {spread}, not {expected}", region.name);
        }
    }
    let again = refused(script("file-to-json.sh", folder.path()).args([&clip, &out]));
    assert!(again.contains("exists already"), "{again}");
    let missing = refused(script("file-to-json.sh", folder.path()).args(["absent.mkv", "x.jsonl"]));
    assert!(missing.contains("absent.mkv"), "{missing}");
}

#[test]
fn transcode_is_measured_before_the_tee() {
    let (folder, clip) = folder_with_clip("clip.mkv", FRAMES);
    let (video, lines) = (folder.path().join("small copy.mkv"), folder.path().join("w.jsonl"));
    good(script("meter-in-transcode.sh", folder.path()).args([&clip, &video, &lines]));
    assert_eq!(frames(&windows(&lines)), FRAMES);
    // The transcode holds every frame too, and is H.264.
    let again = folder.path().join("again.jsonl");
    good(script("file-to-json.sh", folder.path()).args([&video, &again]));
    let windows = windows(&again);
    assert_eq!(frames(&windows), FRAMES);
    assert!(windows.iter().all(|w| w.video.format == "I420"), "8-bit 4:2:0 after x264enc");
}

#[test]
fn playbin_takes_the_meter_as_its_filter() {
    let (folder, clip) = folder_with_clip("50 % ü#?.mkv", FRAMES);
    let sinks = ["video-sink=fakevideosink sync=false", "audio-sink=fakesink"];
    let printed = good(script("playbin-filter.sh", folder.path()).arg(&clip).args(sinks));
    assert_eq!(frames(&printed_windows(&printed)), FRAMES);
    assert!(refused(script("playbin-filter.sh", folder.path()).arg("absent.mkv")).contains("absent.mkv"));
}

#[test]
fn python_client_prints_a_line_a_window() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let printed = good(&mut script("bus_client.py", folder.path()));
    let starts: Vec<&str> =
        printed.lines().map(|l| l.trim_start().split(" %").next().unwrap_or_default()).collect();
    assert_eq!(printed.lines().count(), 3, "{printed}");
    assert!(starts[1].starts_with("1.00 s  centre: Y "), "{printed}");
    let text = fs::read_to_string(root().join("pipelines/bus_client.py")).expect("it is there");
    assert!(text.lines().count() < 40, "short enough to read at once");

    let output = run(script("bus_client.py", folder.path()).arg("filesrc location=absent.mkv ! fakesink"));
    assert_eq!(output.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&output.stderr).contains("absent.mkv"));
}

/// `need_cargo` of pipelines/common.sh with a `cargo` that prints this version, or none at all.
fn need_cargo(version: Option<&str>) -> Output {
    let folder = tempfile::tempdir().expect("a temporary folder");
    if let Some(version) = version {
        let cargo = folder.path().join("cargo");
        fs::write(&cargo, format!("#!/bin/sh\necho '{version}'\n")).expect("a stand-in for cargo");
        fs::set_permissions(&cargo, fs::Permissions::from_mode(0o755)).expect("that may be run");
    }
    let common = root().join("pipelines/common.sh");
    let mut shell = Command::new("/bin/bash");
    shell.args(["-euc", ". \"$1\"; need_cargo", "demo.sh"]).arg(common);
    run(shell.env("PATH", format!("{}:/usr/bin:/bin", folder.path().display())))
}

#[test]
fn an_old_or_missing_cargo_is_named_in_one_line() {
    for good in [
        "cargo 1.92.0 (abc 2025-12-11)",
        "cargo 1.95.0 (f2d 2026-03-21)",
        "cargo 1.100.0-nightly",
        "cargo 2.0.0",
    ] {
        let output = need_cargo(Some(good));
        assert!(output.status.success(), "{good}: {}", String::from_utf8_lossy(&output.stderr));
    }
    let cases = [
        (Some("cargo 1.65.0 (4bc8f24d3 2022-10-20)"), "1.65.0"),
        (Some("cargo 1.9.0"), "1.9.0"),
        (Some("error: no toolchain"), "names no version"),
        (None, "none was found"),
    ];
    for (version, said) in cases {
        let output = need_cargo(version);
        let err = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{version:?}: {err}");
        assert!(err.lines().count() == 1 && err.contains(said) && err.contains("1.92"), "{version:?}: {err}");
    }
}

/// A documented command line and where it stands.
struct Documented {
    place: String,
    line: String,
}

/// Every `gst-launch-1.0` command in the fenced blocks of a Markdown text or of a Rust file's comments.
fn documented(file: &Path) -> Vec<Documented> {
    let text = fs::read_to_string(file).unwrap_or_else(|e| panic!("{}: {e}", file.display()));
    let rust = file.extension().is_some_and(|e| e == "rs");
    let (mut found, mut fenced, mut open) = (Vec::new(), false, String::new());
    for (number, line) in text.lines().enumerate() {
        let comment = line.trim_start().strip_prefix("//!").or_else(|| line.trim_start().strip_prefix("///"));
        let Some(line) = (if rust { comment } else { Some(line) }) else { continue };
        let line = line.trim();
        if line.starts_with("```") {
            fenced = !fenced;
        } else if fenced {
            let (part, more) = line.strip_suffix('\\').map_or((line, false), |part| (part, true));
            open.push_str(part);
            if !more {
                if open.contains("gst-launch-1.0 ") {
                    found.push(Documented {
                        place: format!("{}:{}", file.display(), number + 1),
                        line: open.clone(),
                    });
                }
                open.clear();
            }
        }
    }
    found
}

/// Files that may hold documented lines.
fn documents() -> Vec<PathBuf> {
    let mut files = vec![root().join("README.md"), root().join("DEVELOPERS.md")];
    let mut folders = vec![root().join("docs"), root().join("plugin/gst/src")];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).unwrap_or_else(|e| panic!("{}: {e}", folder.display())) {
            let path = entry.expect("a readable folder").path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "md" || e == "rs") {
                files.push(path);
            }
        }
    }
    files.sort();
    files
}

#[test]
fn documented_lines_run() {
    let all: Vec<Documented> = documents().iter().flat_map(|f| documented(f)).collect();
    for file in ["README.md", "docs/recipes.md", "docs/element.md", "docs/simcamsrc.md"] {
        let path = root().join(file).display().to_string();
        assert!(all.iter().any(|d| d.place.starts_with(&path)), "{file} documents at least one line");
    }
    let (_kept, clip) = folder_with_clip("clip.mkv", 30);
    for Documented { place, line } in all {
        let folder = tempfile::tempdir().expect("a temporary folder");
        symlink(&clip, folder.path().join("clip.mkv")).expect("the clip beside what the line writes");
        // Neither camera nor screen here: a live test picture and a sink that behaves like a screen.
        let line = line
            .replace("v4l2src device=/dev/video0", "v4l2src")
            .replace("v4l2src", "videotestsrc is-live=true num-buffers=50")
            // By the clock it warns where the machine is too busy for a moment; its own tests have a clock of theirs.
            .replace("simcamsrc is-live=true", "simcamsrc")
            .replace("autovideosink", "fakevideosink");
        println!("{place}: {line}");
        let printed = good(command("bash", folder.path()).args(["-euc", &line]));
        let measured = if line.contains(" -m ") {
            !printed_windows(&printed).is_empty()
        } else if line.contains(" -v ") {
            printed.contains("last-window = {\"schema\":1")
        } else {
            let mut files = fs::read_dir(folder.path()).expect("the folder is there").filter_map(Result::ok);
            let lines = files.find(|f| f.path().extension().is_some_and(|e| e == "jsonl"));
            lines.is_some_and(|f| !windows(&f.path()).is_empty())
        };
        assert!(measured, "{place} measures something: {printed}");
    }
}

/// What `gst-inspect-1.0` shows of the elements' properties and actions, held as files: a changed blurb, range, default
/// or flag is a change for users and belongs in the same commit.
#[test]
fn inspection_is_held() {
    let folder = TempDir::new().expect("a folder");
    for element in ["noisemeter", "simcamsrc"] {
        let shown = good(command("gst-inspect-1.0", folder.path()).arg(element));
        let (_, properties) = shown.split_once("Element Properties:").expect("the element has properties");
        let shown: Vec<&str> = std::iter::once("Element Properties:")
            .chain(properties.lines().skip(1))
            .map(str::trim_end)
            .collect();
        let held = root().join(format!("tests/tests/snapshots/gst-inspect-{element}.txt"));
        let text = fs::read_to_string(&held).expect("the held inspection is there");
        let held_lines: Vec<&str> = text.lines().collect();
        assert_eq!(
            shown,
            held_lines,
            "if this is meant, write the new properties, from 'Element Properties:' on, to {}",
            held.display()
        );
    }
}
