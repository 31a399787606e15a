//! The program `lowlight` as a process, for tests.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::OnceLock;
use std::time::{Duration, Instant};

/// Longest that a test waits for something that must come.
const PATIENCE: Duration = Duration::from_secs(60);

/// The program, built from the sources beside this test.
///
/// # Panics
/// If it does not build.
#[must_use]
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

/// How a run of the program went.
#[derive(Debug)]
pub struct Ran {
    /// Exit code; none after a signal.
    pub code: Option<i32>,
    /// What came on stdout.
    pub out: String,
    /// What came on stderr.
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
