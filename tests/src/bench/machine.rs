//! What the figures were taken on.

use std::fs;
use std::process::Command;

use serde_json::Value;

/// Machine and versions as a paragraph; `libraries` as the peers told them.
#[must_use]
pub fn describe(libraries: &Value) -> String {
    let cpu = fs::read_to_string("/proc/cpuinfo").unwrap_or_default();
    let field = |name: &str| {
        let line = cpu.lines().find(|line| line.split(':').next().is_some_and(|key| key.trim() == name));
        line.and_then(|line| line.split(':').nth(1)).map_or("unknown", str::trim).to_owned()
    };
    let flags = field("flags");
    let vectors: Vec<&str> = ["avx2", "avx512bw", "avx512_vnni"]
        .into_iter()
        .filter(|flag| flags.split(' ').any(|f| f == *flag))
        .collect();
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let release = fs::read_to_string("/proc/sys/kernel/osrelease").unwrap_or_default();
    let load = fs::read_to_string("/proc/loadavg").unwrap_or_default();
    let load = load.split(' ').next().unwrap_or_default().to_owned();
    let versions: Vec<String> = libraries
        .as_object()
        .into_iter()
        .flatten()
        .map(|(name, version)| format!("{name} {}", version.as_str().unwrap_or_default()))
        .collect();
    format!(
        "Machine: {} (family {}, model {}; {}), {cores} cores; Linux {}; {}; {}; {}; {}. \
         Load of the minute before: {load}.\n",
        field("model name"),
        field("cpu family"),
        field("model"),
        vectors.join(", "),
        release.trim(),
        output("rustc", &["--version"]).split(" (").next().unwrap_or_default(),
        gst::version_string(),
        output("ffmpeg", &["-version"]).split(" Copyright").next().unwrap_or_default(),
        versions.join(", "),
    )
}

/// The first line of what a program says.
fn output(program: &str, arguments: &[&str]) -> String {
    let said = Command::new(program).args(arguments).output();
    let said = said.map(|output| String::from_utf8_lossy(&output.stdout).into_owned()).unwrap_or_default();
    said.lines().next().unwrap_or("unknown").to_owned()
}
