//! What is written and printed, and when nothing has to be done.

use std::fs;
use std::process::{Command, Stdio};
use std::time::{Duration, SystemTime};

use noise_measure::format::Channel;
use noise_measure::record::NoteCode;
use serde_json::Value;

use super::support::{Shoot, files_of, frames, program};

#[test]
fn three_files_a_clip() {
    let shoot = Shoot::new();
    shoot.clip("a.mkv", 3.0);
    shoot.clip("b.mkv", 1.0);
    let ran = shoot.measure(["a.mkv", "b.mkv"]).expect(0);
    assert_eq!(shoot.results(), [files_of("a.mkv"), files_of("b.mkv")].concat());
    let windows = shoot.windows("a.mkv");
    assert_eq!(windows.len(), 3);
    assert_eq!(frames(&windows), 75);
    assert!(windows.iter().all(|window| window.source.as_deref() == Some("a.mkv")));
    let summary = shoot.summary("a.mkv");
    assert_eq!(summary.source.as_deref(), Some("a.mkv"));
    assert_eq!(summary.frames, 75);
    assert_eq!(summary.regions.len(), 1);
    assert_eq!(summary.regions[0].name, "centre");
    assert_eq!(summary.trend.as_ref().map(Vec::len), Some(3));
    let state: Value =
        serde_json::from_slice(&fs::read(shoot.path("lowlight-results/a.mkv.state.json")).unwrap()).unwrap();
    assert_eq!(state["frames"], 75);
    assert_eq!(state["windows"], 3);
    assert_eq!(state["source"], "a.mkv");
    assert!(ran.complaints().is_empty(), "{}", ran.err);
}

#[test]
fn the_same_input_gives_the_same_bytes_wherever_it_lies() {
    let here = Shoot::new();
    let there = Shoot::new();
    here.clip("a.mkv", 2.0);
    fs::create_dir(there.path("deep")).unwrap();
    fs::copy(here.path("a.mkv"), there.path("deep/a.mkv")).unwrap();
    here.measure(["a.mkv", "--grid", "4x3", "--jobs", "1"]).expect(0);
    let absolute = there.path("deep/a.mkv");
    there.measure([absolute.as_os_str(), "--grid".as_ref(), "4x3".as_ref()]).expect(0);
    for file in ["a.mkv.windows.jsonl", "a.mkv.summary.json"] {
        let file = format!("lowlight-results/{file}");
        let (one, two) = (fs::read(here.path(&file)).unwrap(), fs::read(there.path(&file)).unwrap());
        assert_eq!(one, two, "{file}");
        let text = String::from_utf8(two).unwrap();
        assert!(!text.contains(there.path("").to_str().unwrap()), "{file} holds a path");
    }
}

#[test]
fn what_is_done_and_unchanged_is_skipped() {
    let shoot = Shoot::new();
    shoot.clip("a.mkv", 1.0);
    let stamp = || {
        let files = files_of("a.mkv");
        let times = files.iter().map(|name| fs::metadata(shoot.path("lowlight-results").join(name)).unwrap());
        times.map(|data| data.modified().unwrap()).collect::<Vec<SystemTime>>()
    };
    let first = shoot.measure(["a.mkv"]).expect(0);
    let before = stamp();
    let again = shoot.measure(["a.mkv", "--jobs", "2", "--out", "lowlight-results"]).expect(0);
    assert_eq!(stamp(), before);
    assert!(again.err.contains("unchanged"), "{}", again.err);
    assert_eq!(again.out, first.out, "what is skipped is printed all the same");

    let changed = |what: &str, options: &[&str]| {
        let before = stamp();
        shoot.measure(["a.mkv"].iter().chain(options)).expect(0);
        assert!(stamp().iter().zip(&before).all(|(now, then)| now > then), "{what}");
    };
    fs::write(
        shoot.path("layout.json"),
        r#"{"regions":[{"name":"one","x":0,"y":0,"width":20,"height":20,"units":"pixels"}]}"#,
    )
    .unwrap();
    changed("another setting", &["--interval", "0.5"]);
    changed("a layout", &["--layout", "layout.json"]);
    fs::write(
        shoot.path("layout.json"),
        r#"{"regions":[{"name":"two","x":0,"y":0,"width":20,"height":20,"units":"pixels"}]}"#,
    )
    .unwrap();
    changed("another text in the same layout file", &["--layout", "layout.json"]);
    changed("back to the defaults", &[]);
    let clip = fs::File::options().write(true).open(shoot.path("a.mkv")).unwrap();
    clip.set_modified(SystemTime::now() + Duration::from_secs(5)).unwrap();
    changed("a younger clip", &[]);
    let windows = shoot.path("lowlight-results/a.mkv.windows.jsonl");
    let text = fs::read(&windows).unwrap();
    fs::write(&windows, text.split_at(text.len() / 2).0).unwrap();
    changed("windows cut short", &[]);
    fs::write(shoot.path("lowlight-results/a.mkv.state.json"), "{").unwrap();
    changed("a state that cannot be read", &[]);
    fs::remove_file(shoot.path("lowlight-results/a.mkv.summary.json")).unwrap();
    shoot.measure(["a.mkv"]).expect(0);
    assert_eq!(shoot.results(), files_of("a.mkv"));
}

#[test]
fn a_table_for_people_and_json_for_programs() {
    let shoot = Shoot::new();
    shoot.clip("a.mkv", 2.0);
    shoot.clip("b.mkv", 1.0);
    let regions = "grey=40%,40%,20%,20%;a-region-with-quite-a-long-name_=0,0,40,40;outside=150,100,40,40";
    let arguments = ["a.mkv", "b.mkv", "--regions", regions];
    let table = shoot.measure(arguments).expect(0);
    let lines: Vec<&str> = table.out.lines().collect();
    assert!(lines.iter().all(|line| line.chars().count() <= 100), "{}", table.out);
    assert!(!table.out.contains('\x1b'), "plain text where stdout is no terminal");
    assert_eq!(lines.iter().filter(|line| line.contains("mean %")).count(), 2);
    let summary = shoot.summary("a.mkv");
    let grey = summary.regions.iter().find(|region| region.name == "grey").unwrap();
    let luma = grey.components.get(Channel::Y).unwrap();
    let row = lines.iter().find(|line| line.starts_with("grey ")).unwrap();
    let cells: Vec<&str> = row.split_whitespace().collect();
    assert_eq!(cells[1], "Y");
    assert_eq!(cells[2], format!("{:.2}", luma.mean.unwrap()));
    assert_eq!(cells[3], format!("{:.4}", luma.temporal.unwrap()));
    assert!(table.out.contains("outside_picture (outside):"), "{}", table.out);

    let json = shoot.measure(arguments.iter().copied().chain(["--json"])).expect(0);
    let summaries: Vec<Value> = serde_json::from_str(&json.out).unwrap();
    let sources: Vec<&str> = summaries.iter().map(|summary| summary["source"].as_str().unwrap()).collect();
    assert_eq!(sources, ["a.mkv", "b.mkv"]);
    let file = fs::read(shoot.path("lowlight-results/a.mkv.summary.json")).unwrap();
    assert_eq!(summaries[0], serde_json::from_slice::<Value>(&file).unwrap());
}

#[test]
fn what_was_assumed_is_said_once_a_clip() {
    let shoot = Shoot::new();
    shoot.clip("a.mkv", 3.0);
    let ran = shoot.measure(["a.mkv", "--interval", "500ms"]).expect(0);
    let said: Vec<&str> = ran.err.lines().filter(|line| line.starts_with("a.mkv: assumed ")).collect();
    assert_eq!(said.len(), 1, "{}", ran.err);
    let assumed = shoot.windows("a.mkv")[0].video.assumed.clone();
    assert!(!assumed.is_empty());
    assert!(assumed.iter().all(|part| said[0].contains(part)), "{assumed:?}: {}", said[0]);
    let told = ["--range", "narrow", "--matrix", "bt709", "--transfer", "bt709"];
    let ran = shoot.measure(["a.mkv"].iter().chain(&told)).expect(0);
    assert!(!ran.err.contains("assumed"), "{}", ran.err);
}

#[test]
fn every_setting_reaches_the_meter() {
    let shoot = Shoot::new();
    shoot.clip("a.mkv", 2.0);
    let layout = r#"{"regions":[{"name":"card","x":0.25,"y":0.25,"width":0.5,"height":0.5,"units":"fraction","role":"grey"}]}"#;
    fs::write(shoot.path("chart.json"), layout).unwrap();
    let options = [
        "--layout",
        "chart.json",
        "--regions",
        "dark=8,8,16,16",
        "--grid",
        "4x2",
        "--interval",
        "400ms",
        "--transfer",
        "gamma:2.2",
        "--range",
        "full",
        "--matrix",
        "bt2020",
        "--crop",
        "20,10,120,100",
        "--delivery-heights",
        "1080",
    ];
    shoot.measure(["a.mkv"].iter().chain(&options)).expect(0);
    let windows = shoot.windows("a.mkv");
    assert_eq!(windows.len(), 5);
    for window in &windows {
        assert_eq!(window.frames, 10);
        assert_eq!(window.video.range, "full");
        assert_eq!(window.video.matrix.as_deref(), Some("bt2020"));
        assert_eq!(window.grid.as_ref().map(|grid| (grid.cols, grid.rows)), Some((4, 2)));
        let places: Vec<(&str, u32, u32, u32, u32)> =
            window.regions.iter().map(|r| (r.name.as_str(), r.x, r.y, r.width, r.height)).collect();
        // Shares count in the active picture, 120 × 100 from (20, 10); pixels from the corner.
        assert_eq!(places, [("dark", 8, 8, 16, 16), ("card", 50, 35, 60, 50)]);
        assert_eq!(window.regions[1].role.as_deref(), Some("grey"));
        let light = window.regions[1].light.as_ref().unwrap();
        assert_eq!((light.transfer_source.as_str(), light.domain.as_str()), ("user", "display"));
    }
    shoot.measure(["a.mkv", "--interval", "clip"]).expect(0);
    assert_eq!(shoot.windows("a.mkv").len(), 1);
}

#[test]
fn a_fragment_holds_the_frames_that_begin_in_it() {
    let shoot = Shoot::new();
    shoot.clip("a.mkv", 4.0);
    // Inter-coded, so that a decoder has to run up to the first frame; raw, so that there is no decoder at all.
    let source = ["-i", "a.mkv"];
    shoot.ffmpeg(
        source.iter().chain(&["-c:v", "libx264", "-g", "50", "-bf", "2", "-pix_fmt", "yuv420p", "b.mp4"]),
    );
    shoot.ffmpeg(source.iter().chain(&["-c:v", "v210", "c.mov"]));
    // And one whose reader loses its way when told to go to a time.
    shoot.ffmpeg(source.iter().chain(&["-pix_fmt", "yuv420p", "d.y4m"]));
    for clip in ["a.mkv", "b.mp4", "c.mov", "d.y4m"] {
        // Frames begin every 40 ms: 1.01 lies inside one, 1.04 begins the next; 2.0 begins the first that is too late.
        for (fragment, first, count) in
            [("1.01,2.0", 1_040, 24), ("1.0,2.5", 1_000, 38), ("3", 3_000, 25), (",0.4", 0, 10)]
        {
            let argument = format!("{clip}#t={fragment}");
            shoot.measure([argument.as_str(), "--interval", "clip"]).expect(0);
            let name = shoot
                .results()
                .into_iter()
                .find(|name| name.contains('@') && name.ends_with("windows.jsonl"))
                .unwrap();
            let windows = shoot.windows(name.trim_end_matches(".windows.jsonl"));
            assert_eq!(windows[0].source.as_deref(), Some(argument.as_str()));
            assert_eq!(windows[0].stream_time.map(|time| time / 1_000_000), Some(first), "{argument}");
            assert_eq!(frames(&windows), count, "{argument}");
            fs::remove_dir_all(shoot.path("lowlight-results")).unwrap();
        }
    }
    let ran = shoot.measure(["a.mkv#t=60,61"]).expect(3);
    assert!(ran.complaints()[0].contains("no frame from 60.000 s to 61.000 s"), "{}", ran.err);
}

#[test]
fn a_quick_look_measures_pairs_and_says_so() {
    let shoot = Shoot::new();
    shoot.clip("a.mkv", 4.0);
    shoot.measure(["a.mkv", "--out", "whole"]).expect(0);
    let ran = shoot.measure(["a.mkv", "--every", "10"]).expect(0);
    let windows = shoot.windows("a.mkv");
    assert_eq!(frames(&windows), 20, "two of every ten of a hundred");
    for window in &windows {
        assert!(
            window.notes.iter().any(|note| note.code == NoteCode::Subsampled && note.text.contains("10"))
        );
        let luma = window.regions[0].components.get(Channel::Y).unwrap();
        assert!(luma.temporal_pair.is_some());
        assert!(
            luma.temporal.is_none()
                && luma.temporal_long.is_none()
                && luma.corr_t.is_none()
                && luma.fixed.is_none()
        );
        assert!(window.regions[0].light.as_ref().unwrap().snr_temporal_db.is_none());
    }
    let summary = shoot.summary("a.mkv");
    let of_clip: Vec<_> = summary.notes.iter().map(|note| note.code).collect();
    assert!(of_clip.contains(&NoteCode::Subsampled), "the clip's result says so too: {of_clip:?}");
    assert!(!of_clip.contains(&NoteCode::Dropped), "nothing is amiss with the clip: {of_clip:?}");
    assert!(summary.regions[0].notes.iter().any(|note| note.code == NoteCode::PairwiseOnly));
    let text = fs::read(shoot.path("whole/a.mkv.summary.json")).unwrap();
    let whole: noise_measure::record::WindowRecord = serde_json::from_slice(&text).unwrap();
    let luma = |summary: &noise_measure::record::WindowRecord| {
        summary.regions[0].components.get(Channel::Y).unwrap().temporal_pair.unwrap()
    };
    let (quick, exact) = (luma(&shoot.summary("a.mkv")), luma(&whole));
    // Ten pairs of 32 × 24 samples: the spread of a spread is 1/√(2·10·767), 0.8 %; four of them.
    assert!((quick / exact - 1.0).abs() < 4.0 * 0.0081, "{quick} against {exact}");
    assert!(ran.out.contains('p'), "{}", ran.out);
    let state: Value =
        serde_json::from_slice(&fs::read(shoot.path("lowlight-results/a.mkv.state.json")).unwrap()).unwrap();
    assert_eq!(state["settings"]["every"], 10);
}

#[test]
fn the_first_video_stream_among_sound_and_others() {
    let shoot = Shoot::new();
    shoot.clip("a.mkv", 1.0);
    let streams =
        ["-map", "0:a", "-map", "1:v", "-map", "2:v", "-c:v", "ffv1", "-c:a", "pcm_s16le", "many.mkv"];
    let inputs =
        ["-f", "lavfi", "-i", "sine=d=5", "-i", "a.mkv", "-f", "lavfi", "-i", "testsrc2=s=64x48:r=25:d=1"];
    shoot.ffmpeg(inputs.iter().chain(&streams));
    shoot.measure(["many.mkv"]).expect(0);
    let windows = shoot.windows("many.mkv");
    assert_eq!(frames(&windows), 25);
    assert_eq!((windows[0].video.width, windows[0].video.height), (160, 120));
}

#[test]
fn a_terminal_gets_a_progress_bar() {
    let shoot = Shoot::new();
    shoot.long_clip("long.mp4");
    let mut command = Command::new("script");
    let line = format!("'{}' measure long.mp4", program().display());
    command.args(["--quiet", "--return", "--command", &line, "/dev/null"]).current_dir(shoot.path(""));
    let output = command.stdin(Stdio::null()).output().expect("script is installed");
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "{text}");
    let drawn = text.split(['\r', '\n']).filter(|line| line.contains("long.mp4") && line.contains(" frames"));
    assert!(drawn.count() > 1, "{text}");
    assert!(text.contains("\x1b[1mregion"), "{text}");
}

#[test]
fn option_names() {
    let shoot = Shoot::new();
    let help = shoot.measure(["--help"]).expect(0).out;
    let mut names: Vec<&str> = help
        .split_whitespace()
        .filter(|word| word.starts_with("--") && word.len() > 2)
        .map(|word| word.trim_end_matches([',', '.', ':', ')']))
        .collect();
    names.sort_unstable();
    names.dedup();
    let expected = [
        "--crop",
        "--delivery-heights",
        "--every",
        "--grid",
        "--help",
        "--interval",
        "--jobs",
        "--json",
        "--layout",
        "--matrix",
        "--out",
        "--range",
        "--rate",
        "--regions",
        "--transfer",
        "--truth",
    ];
    assert_eq!(names, expected);
}
