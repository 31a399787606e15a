//! Clips made by ffmpeg, and the program run on them.

use std::ffi::OsStr;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use noise_measure::record::WindowRecord;
pub use noisemeter_tests::process::{Ran, children, lives, program, signal, wait_for};
use tempfile::TempDir;

/// A directory with clips in it, removed in the end.
pub struct Shoot {
    directory: TempDir,
}

impl Shoot {
    pub fn new() -> Self {
        Self { directory: tempfile::tempdir().expect("a temporary directory") }
    }

    pub fn path(&self, name: impl AsRef<Path>) -> PathBuf {
        self.directory.path().join(name)
    }

    /// Runs ffmpeg in the directory.
    pub fn ffmpeg<I: AsRef<OsStr>>(&self, arguments: impl IntoIterator<Item = I>) {
        let mut ffmpeg = Command::new("ffmpeg");
        ffmpeg.args(["-nostdin", "-v", "error", "-y"]).args(arguments).current_dir(self.directory.path());
        let output = ffmpeg.output().expect("ffmpeg is installed");
        assert!(output.status.success(), "ffmpeg: {}", String::from_utf8_lossy(&output.stderr));
    }

    /// A lossless 10-bit clip of grey with noise, 160 × 120 at 25 frames a second.
    pub fn clip(&self, name: impl AsRef<Path>, seconds: f64) {
        let source = format!("color=c=gray:s=160x120:r=25:d={seconds},noise=alls=12:allf=t:all_seed=7");
        let name = name.as_ref();
        if let Some(parent) = name.parent() {
            fs::create_dir_all(self.path(parent)).expect("a directory for the clip");
        }
        // A plain name for ffmpeg, which reads patterns and protocols into names.
        let plain = self.path("made.mkv");
        self.ffmpeg(["-f", "lavfi", "-i", &source, "-pix_fmt", "yuv422p10le", "-c:v", "ffv1", "made.mkv"]);
        fs::rename(plain, self.path(name)).expect("the clip takes its name");
    }

    /// A clip that takes some seconds to measure: 1000 frames of HD.
    pub fn long_clip(&self, name: &str) {
        let source = "testsrc2=s=1280x720:r=50:d=1";
        let coder = ["-c:v", "libx264", "-preset", "ultrafast", "-pix_fmt", "yuv420p", "second.mp4"];
        self.ffmpeg(["-f", "lavfi", "-i", source].iter().chain(&coder));
        self.ffmpeg(["-stream_loop", "19", "-i", "second.mp4", "-c", "copy", name]);
    }

    /// `lowlight measure`, to be run in the directory.
    pub fn command<I: AsRef<OsStr>>(&self, arguments: impl IntoIterator<Item = I>) -> Command {
        let mut command = Command::new(program());
        command.arg("measure").args(arguments).current_dir(self.directory.path());
        command.env("GST_REGISTRY", Path::new(env!("CARGO_TARGET_TMPDIR")).join("measure-registry.bin"));
        command.env_remove("GST_DEBUG").env_remove("GST_PLUGIN_PATH").env_remove("NO_COLOR");
        command.stdin(Stdio::null());
        command
    }

    /// Runs `lowlight measure`.
    pub fn measure<I: AsRef<OsStr>>(&self, arguments: impl IntoIterator<Item = I>) -> Ran {
        Ran::from(self.command(arguments).output().expect("lowlight starts"))
    }

    /// Windows in the default directory of results.
    pub fn windows(&self, name: &str) -> Vec<WindowRecord> {
        let path = self.path("lowlight-results").join(format!("{name}.windows.jsonl"));
        let text = fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        text.lines().map(|line| serde_json::from_str(line).expect("each line is a window")).collect()
    }

    /// The summary in the default directory of results.
    pub fn summary(&self, name: &str) -> WindowRecord {
        let path = self.path("lowlight-results").join(format!("{name}.summary.json"));
        let text = fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        serde_json::from_str(&text).expect("a summary")
    }

    /// What is in the default directory of results, in order.
    pub fn results(&self) -> Vec<String> {
        let Ok(entries) = fs::read_dir(self.path("lowlight-results")) else {
            return Vec::new();
        };
        let mut names: Vec<String> =
            entries.map(|entry| entry.expect("an entry").file_name().into_string().expect("UTF-8")).collect();
        names.sort();
        names
    }
}

/// The three files of one clip, in order.
pub fn files_of(name: &str) -> Vec<String> {
    ["state.json", "summary.json", "windows.jsonl"].map(|ending| format!("{name}.{ending}")).to_vec()
}

/// Frames of all `windows`.
pub fn frames(windows: &[WindowRecord]) -> u64 {
    windows.iter().map(|window| window.frames).sum()
}

/// The child that measures `clip` under `parent`, once its decoder runs and results are on their way.
pub fn child_of(parent: &Child, clip: &str) -> u32 {
    wait_for("a child process", || {
        children(parent.id()).into_iter().find(|pid| {
            let line = fs::read(format!("/proc/{pid}/cmdline")).unwrap_or_default();
            let mut parts = line.split(|&byte| byte == 0);
            parts.any(|part| part == b"measure-child") && parts.any(|part| part == clip.as_bytes())
        })
    })
}
