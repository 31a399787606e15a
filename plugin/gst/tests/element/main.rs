//! The element in a pipeline: what it leaves alone, what it says, what it refuses, and how it starts and stops.
#![allow(clippy::unwrap_used, missing_docs, clippy::allow_attributes, reason = "tests fail by panics")]

mod buffers;
#[path = "../common/mod.rs"]
mod common;
mod life;
mod output;
mod settings;

use std::time::Duration;

const SHORT: &[(&str, &str)] = &[("interval", "200000000")];

/// A folder of this test's own.
fn folder(name: &str) -> std::path::PathBuf {
    let path = std::env::temp_dir().join(format!("noisemeter-{}-{name}", std::process::id()));
    let _ = std::fs::remove_dir_all(&path);
    std::fs::create_dir_all(&path).unwrap();
    path
}

/// Waits for another thread, up to a limit that only a failure reaches.
fn eventually(done: impl Fn() -> bool) {
    for _ in 0..2000 {
        if done() {
            return;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    panic!("nothing happened in 20 seconds");
}
