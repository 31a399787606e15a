//! The process in which general libraries do the same: asked line by line, so that its turns fall between ours.

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

use serde_json::{Value, json};

use super::workloads::{Asked, Ring};

/// The process; it ends with its stdin.
#[derive(Debug)]
pub struct Peers {
    child: Child,
    stdin: Option<ChildStdin>,
    stdout: BufReader<ChildStdout>,
    /// Versions by library.
    pub versions: Value,
}

impl Peers {
    /// Starts tests/bench/peers.py with that Python.
    ///
    /// # Errors
    /// Where it does not start.
    pub fn start(python: &str) -> Result<Self, String> {
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("bench/peers.py");
        let mut command = Command::new(python);
        command.arg("-B").arg(script).stdin(Stdio::piped()).stdout(Stdio::piped());
        let mut child = command.spawn().map_err(|error| format!("{python}: {error}"))?;
        let stdin = child.stdin.take();
        let stdout = BufReader::new(child.stdout.take().ok_or("no pipe from the peers")?);
        let mut peers = Self { child, stdin, stdout, versions: Value::Null };
        peers.versions = peers.answer()?;
        Ok(peers)
    }

    fn answer(&mut self) -> Result<Value, String> {
        let mut line = String::new();
        self.stdout.read_line(&mut line).map_err(|error| format!("the peers: {error}"))?;
        serde_json::from_str(&line)
            .map_err(|_| "the peers have ended; their last words stand above".to_owned())
    }

    fn ask(&mut self, question: &Value) -> Result<Value, String> {
        let stdin = self.stdin.as_mut().ok_or("the peers were told to end")?;
        writeln!(stdin, "{question}")
            .and_then(|()| stdin.flush())
            .map_err(|error| format!("the peers: {error}"))?;
        self.answer()
    }

    /// Tells the peers what `work` is, with its frames in the file at `path`.
    ///
    /// # Errors
    /// Where they cannot take it.
    pub fn prepare(&mut self, work: &str, path: &Path, ring: &Ring, asked: &Asked) -> Result<(), String> {
        let regions: Vec<[u32; 4]> =
            asked.regions.iter().map(|r| [r.rect.x, r.rect.y, r.rect.width, r.rect.height]).collect();
        self.ask(&json!({
            "do": "prepare", "work": work, "file": path.to_str(), "layout": ring.layout.name(),
            "width": ring.format.width, "height": ring.format.height,
            "regions": regions, "grid": asked.grid.map(|grid| [grid.cols, grid.rows]),
        }))?;
        Ok(())
    }

    /// Holds the peers' numbers, and records of the meter, of the first `frames` against integers.
    ///
    /// # Errors
    /// The first number that is wrong.
    pub fn check(&mut self, work: &str, frames: usize, records: &[String]) -> Result<(), String> {
        match self.ask(&json!({ "do": "check", "work": work, "frames": frames, "records": records }))? {
            Value::Null => Ok(()),
            fault => Err(format!("{work}: {fault}")),
        }
    }

    /// Nanoseconds a frame, of `frames` whose first is not counted.
    ///
    /// # Errors
    /// Where the process has ended.
    pub fn time(&mut self, work: &str, peer: &str, frames: usize) -> Result<f64, String> {
        let answer = self.ask(&json!({ "do": "time", "work": work, "peer": peer, "frames": frames }))?;
        answer.as_f64().ok_or_else(|| format!("{answer} is no time"))
    }
}

impl Drop for Peers {
    fn drop(&mut self) {
        self.stdin = None;
        // It has nothing left to read and ends.
        let _ = self.child.wait();
    }
}
