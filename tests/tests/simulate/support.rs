//! A directory to render in, and the program run there.

use std::ffi::OsStr;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

pub use noisemeter_tests::process::{Ran, program, signal, wait_for};
use serde_json::Value;
use tempfile::TempDir;

/// As small and short as a session gets where the picture does not matter.
pub const TINY: [&str; 6] = ["--size", "96x64", "--frames", "2", "--steps", "2"];

/// Where a session is rendered unless told.
pub const SESSION: &str = "lowlight-demo";

/// A directory, removed in the end.
pub struct Place {
    directory: TempDir,
}

impl Place {
    pub fn new() -> Self {
        Self { directory: tempfile::tempdir().expect("a temporary directory") }
    }

    /// A place with a session in it.
    pub fn with(arguments: &[&str]) -> Self {
        let place = Self::new();
        place.simulate(arguments).expect(0);
        place
    }

    pub fn path(&self, name: impl AsRef<Path>) -> PathBuf {
        self.directory.path().join(name)
    }

    /// A file of the session, which must be there.
    pub fn session(&self, name: &str) -> Vec<u8> {
        let path = self.path(SESSION).join(name);
        fs::read(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
    }

    /// The same as text.
    pub fn text(&self, name: &str) -> String {
        String::from_utf8(self.session(name)).expect("files for people are UTF-8")
    }

    /// The truth file of a clip.
    pub fn truth(&self, clip: &str) -> Value {
        serde_json::from_slice(&self.session(&format!("clips/{clip}.truth.json")))
            .expect("a truth file is JSON")
    }

    /// Names in a directory of the session, in order; none where it is missing.
    pub fn names(&self, directory: &str) -> Vec<String> {
        let Ok(entries) = fs::read_dir(self.path(SESSION).join(directory)) else {
            return Vec::new();
        };
        let names = entries.map(|entry| entry.expect("an entry").file_name().into_string().expect("UTF-8"));
        let mut names: Vec<String> = names.collect();
        names.sort();
        names
    }

    /// Clips of the session, in order.
    pub fn clips(&self) -> Vec<String> {
        self.names("clips").into_iter().filter(|name| name.ends_with(".mkv")).collect()
    }

    /// A command of the program, to be run in the directory.
    pub fn command<I: AsRef<OsStr>>(&self, name: &str, arguments: impl IntoIterator<Item = I>) -> Command {
        let mut command = Command::new(program());
        command.arg(name).args(arguments).current_dir(self.directory.path());
        command.env("GST_REGISTRY", Path::new(env!("CARGO_TARGET_TMPDIR")).join("simulate-registry.bin"));
        command.env_remove("GST_DEBUG").env_remove("GST_PLUGIN_PATH").env_remove("NO_COLOR");
        command.stdin(Stdio::null());
        command
    }

    /// Runs `lowlight simulate`.
    pub fn simulate<I: AsRef<OsStr>>(&self, arguments: impl IntoIterator<Item = I>) -> Ran {
        Ran::from(self.command("simulate", arguments).output().expect("lowlight starts"))
    }

    /// Runs `lowlight measure` on all clips of the session with its own layout and curve.
    pub fn measure(&self, arguments: &[&str]) -> Ran {
        let mut command =
            self.command("measure", ["--layout", "lowlight-demo/chart.json", "--transfer", "acescct"]);
        let clips = self.clips().into_iter().map(|clip| format!("{SESSION}/clips/{clip}"));
        Ran::from(command.args(arguments).args(clips).output().expect("lowlight starts"))
    }
}
