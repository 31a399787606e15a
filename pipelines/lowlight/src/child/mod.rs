//! The child of `measure`: one clip, one pipeline, windows to a file, events to stdout.

mod feed;
mod gate;
mod parts;
mod pipeline;
mod record;
mod trouble;
mod tuning;

use std::io::{BufRead, Read, Write, stdin, stdout};
use std::process::ExitCode;

use rustix::process::{Signal, getpid, kill_process};

use crate::protocol::{Event, Job};

/// The clip could not be measured; stdout says why.
const FAILED: u8 = 1;

/// Does the job that stands on the first line of stdin.
#[must_use]
pub fn run() -> ExitCode {
    let job = match read_job() {
        Ok(job) => job,
        Err(problem) => {
            eprintln!("{problem}");
            return ExitCode::from(FAILED);
        }
    };
    std::thread::spawn(end_with_parent);
    match measure(&job) {
        Ok(event) => {
            say(&event);
            ExitCode::SUCCESS
        }
        Err(text) => {
            say(&Event::Error { text: crate::text::one_line(&text) });
            ExitCode::from(FAILED)
        }
    }
}

fn measure(job: &Job) -> Result<Event, String> {
    gst::init().map_err(|error| error.to_string())?;
    // Before any use of an installed copy of the plugin, which would clash with it.
    gstnoisemeter::plugin_register_static().map_err(|error| error.to_string())?;
    pipeline::measure(job)
}

fn read_job() -> Result<Job, String> {
    let mut line = String::new();
    stdin().lock().read_line(&mut line).map_err(|error| error.to_string())?;
    serde_json::from_str(&line).map_err(|_| "started by `lowlight measure` alone".to_owned())
}

/// Waits for the end of stdin, which comes when the parent is gone, however it went.
fn end_with_parent() {
    let mut byte = [0];
    while let Ok(1..) = stdin().read(&mut byte) {}
    // Leaves no decoder thread a chance to hang; nobody is left to read an exit code.
    let _ = kill_process(getpid(), Signal::KILL);
}

/// Tells the parent.
fn say(event: &Event) {
    let Ok(mut line) = serde_json::to_vec(event) else {
        return;
    };
    line.push(b'\n');
    // Without a reader the end of stdin is near.
    let mut out = stdout().lock();
    let _ = out.write_all(&line).and_then(|()| out.flush());
}
