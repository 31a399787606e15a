//! Clips made by ffmpeg, and the program run on them.

use std::ffi::OsStr;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::OnceLock;
use std::time::{Duration, Instant};

use noise_measure::record::WindowRecord;
use tempfile::TempDir;

/// Longest that a test waits for something that must come.
const PATIENCE: Duration = Duration::from_secs(60);

/// The program, built from the sources beside this test.
pub fn program() -> &'static Path {
    static PROGRAM: OnceLock<PathBuf> = OnceLock::new();
    PROGRAM.get_or_init(|| {
        let test = std::env::current_exe().expect("the path of this test");
        let profile = test.parent().and_then(Path::parent).expect("a test lies in TARGET/PROFILE/deps");
        let mut build = Command::new(env!("CARGO"));
        build.args(["build", "--quiet", "--locked", "--package", "lowlight", "--bin", "lowlight"]);
        build.arg("--manifest-path").arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("../Cargo.toml"));
        build.arg("--target-dir").arg(profile.parent().expect("PROFILE lies in TARGET"));
        if profile.ends_with("release") {
            build.arg("--release");
        }
        assert!(build.status().expect("cargo runs").success(), "lowlight does not build");
        profile.join("lowlight")
    })
}

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

/// How a run of the program went.
#[derive(Debug)]
pub struct Ran {
    pub code: Option<i32>,
    pub out: String,
    pub err: String,
}

impl From<Output> for Ran {
    fn from(output: Output) -> Self {
        let text = |bytes| String::from_utf8(bytes).expect("the program writes UTF-8");
        Self { code: output.status.code(), out: text(output.stdout), err: text(output.stderr) }
    }
}

impl Ran {
    /// Asserts the exit code.
    #[track_caller]
    pub fn expect(self, code: i32) -> Self {
        assert_eq!(self.code, Some(code), "stdout:\n{}stderr:\n{}", self.out, self.err);
        self
    }

    /// The lines on stderr that say what is wrong.
    pub fn complaints(&self) -> Vec<&str> {
        self.err.lines().filter(|line| line.starts_with("lowlight: ")).collect()
    }
}

/// Frames of all `windows`.
pub fn frames(windows: &[WindowRecord]) -> u64 {
    windows.iter().map(|window| window.frames).sum()
}

/// Waits until `look` finds something.
pub fn wait_for<T>(what: &str, mut look: impl FnMut() -> Option<T>) -> T {
    let start = Instant::now();
    loop {
        if let Some(found) = look() {
            return found;
        }
        assert!(start.elapsed() < PATIENCE, "{what} did not come");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// Processes whose parent is `parent`, from /proc; the dead that were not waited for are left out.
pub fn children(parent: u32) -> Vec<u32> {
    let entries = fs::read_dir("/proc").expect("/proc is there");
    let numbers = entries.filter_map(|entry| entry.ok()?.file_name().to_str()?.parse().ok());
    numbers
        .filter(|pid: &u32| {
            let stat = fs::read_to_string(format!("/proc/{pid}/stat")).unwrap_or_default();
            // PID (NAME) STATE PARENT …; NAME may hold anything.
            let mut fields = stat.rsplit(") ").next().unwrap_or_default().split(' ');
            fields.next() != Some("Z") && fields.next() == Some(&parent.to_string())
        })
        .collect()
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

/// Sends a signal by its name.
pub fn signal(pid: u32, name: &str) {
    let status = Command::new("kill").args([&format!("-{name}"), &pid.to_string()]).status();
    assert!(status.expect("kill is installed").success(), "no process {pid} for {name}");
}

/// Whether process `pid` is there and not merely waiting to be buried.
pub fn lives(pid: u32) -> bool {
    let stat = fs::read_to_string(format!("/proc/{pid}/stat")).unwrap_or_default();
    stat.rsplit(") ").next().is_some_and(|rest| !rest.is_empty() && !rest.starts_with('Z'))
}
