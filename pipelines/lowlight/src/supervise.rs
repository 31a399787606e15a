//! One clip in one child process, so that a decoder that crashes or hangs costs that clip alone.

use std::io::{self, BufRead, BufReader, Read, Write};
use std::os::unix::process::{CommandExt, ExitStatusExt};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError};
use std::thread::JoinHandle;
use std::time::Duration;

use rustix::process::{Pid, Signal, kill_process};

use crate::cli::CHILD;
use crate::protocol::{Event, Job};
use crate::signals::Stop;
use crate::text::one_line;

/// How often a waiting parent looks up.
const TICK: Duration = Duration::from_millis(50);
/// Ticks between asking a child to end and ending it.
const GRACE: u32 = 40;
/// Bytes of the child's last words that are kept.
const LAST_WORDS: usize = 4096;

/// How a child ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum End {
    /// All windows are on disk.
    Done {
        /// Frames measured.
        frames: u64,
        /// Windows written.
        windows: u64,
    },
    /// The clip could not be measured, and why.
    Failed(String),
    /// The program was told to stop.
    Stopped,
}

/// Measures `job` in a child process; `hear` gets its events but the last.
pub fn measure(job: &Job, stall: Duration, stop: &Stop, hear: &mut dyn FnMut(Event)) -> End {
    match Running::start(job) {
        Ok(running) => running.watch(stall, stop, hear),
        Err(error) => End::Failed(format!("no child process to measure it: {error}")),
    }
}

struct Running {
    child: Child,
    lines: Receiver<String>,
    stderr: Option<JoinHandle<Vec<u8>>>,
}

impl Running {
    fn start(job: &Job) -> io::Result<Self> {
        let program = std::env::current_exe()?;
        let chatty = std::env::var_os("GST_DEBUG").is_some();
        let mut child = Command::new(program)
            .arg(CHILD)
            .arg("--")
            .arg(&job.path)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(if chatty { Stdio::inherit() } else { Stdio::piped() })
            // A group of its own, so that Ctrl-C reaches the parent alone, which then ends its children.
            .process_group(0)
            .spawn()?;
        let mut line = serde_json::to_vec(job)?;
        line.push(b'\n');
        let sent = match &mut child.stdin {
            Some(stdin) => stdin.write_all(&line),
            None => Ok(()),
        };
        // A child that is gone already has its say below.
        if let Err(error) = sent
            && error.kind() != io::ErrorKind::BrokenPipe
        {
            end(&mut child);
            return Err(error);
        }
        let (sender, lines) = mpsc::channel();
        if let Some(stdout) = child.stdout.take() {
            std::thread::spawn(move || {
                for line in BufReader::new(stdout).lines().map_while(Result::ok) {
                    if sender.send(line).is_err() {
                        break;
                    }
                }
            });
        }
        let stderr = child.stderr.take().map(|stderr| std::thread::spawn(move || last_words(stderr)));
        Ok(Self { child, lines, stderr })
    }

    fn watch(mut self, stall: Duration, stop: &Stop, hear: &mut dyn FnMut(Event)) -> End {
        let mut said = None;
        // Counted in ticks, so that time in which the whole machine or this process slept is no stall.
        let mut silent = 0;
        let limit = u32::try_from(stall.as_millis() / TICK.as_millis()).unwrap_or(u32::MAX);
        let mut open = true;
        loop {
            let line = if open {
                self.lines.recv_timeout(TICK)
            } else {
                std::thread::sleep(TICK);
                Err(RecvTimeoutError::Timeout)
            };
            match line {
                Ok(line) => match serde_json::from_str(&line) {
                    Ok(Event::Done { frames, windows }) => said = Some(End::Done { frames, windows }),
                    Ok(Event::Error { text }) => said = Some(End::Failed(text)),
                    Ok(event) => {
                        silent = 0;
                        hear(event);
                    }
                    // Some libraries write to stdout; that is no progress.
                    Err(_) => {}
                },
                Err(RecvTimeoutError::Timeout) => silent += 1,
                Err(RecvTimeoutError::Disconnected) => open = false,
            }
            if stop.asked() {
                end(&mut self.child);
                return End::Stopped;
            }
            if !open && let Ok(Some(status)) = self.child.try_wait() {
                return self.verdict(status, said);
            }
            if silent > limit {
                end(&mut self.child);
                let what = if said.is_some() { "its child process did not end" } else { "no progress" };
                return End::Failed(format!("{what} for {} s: given up", stall.as_secs()));
            }
        }
    }

    /// A clip counts as done only where the child says so and ends well.
    fn verdict(self, status: ExitStatus, said: Option<End>) -> End {
        match (said, status.signal()) {
            (Some(End::Done { frames, windows }), None) if status.success() => End::Done { frames, windows },
            (Some(End::Failed(text)), None) => End::Failed(text),
            (_, Some(signal)) => End::Failed(format!(
                "the child process that decoded it died by signal {signal}{}",
                name(signal)
            )),
            (_, None) => {
                let code = status.code().map(|code| code.to_string()).unwrap_or_default();
                let words = self.stderr.and_then(|stderr| stderr.join().ok()).unwrap_or_default();
                let words = String::from_utf8_lossy(&words);
                let last = words.lines().rev().map(str::trim).find(|line| !line.is_empty());
                let last =
                    last.map(|line| format!(", with the words: {}", one_line(line))).unwrap_or_default();
                End::Failed(format!("the child process that decoded it ended with code {code}{last}"))
            }
        }
    }
}

/// Asks `child` to end, then ends it.
fn end(child: &mut Child) {
    let Some(pid) = i32::try_from(child.id()).ok().and_then(Pid::from_raw) else {
        return;
    };
    // Not waited for yet, so the number is still its own; a child that has ended already is no error.
    let _ = kill_process(pid, Signal::TERM);
    for _ in 0..GRACE {
        if !matches!(child.try_wait(), Ok(None)) {
            return;
        }
        std::thread::sleep(TICK);
    }
    let _ = child.kill();
    let _ = child.wait();
}

fn name(signal: i32) -> String {
    signal_hook::low_level::signal_name(signal).map(|name| format!(" ({name})")).unwrap_or_default()
}

/// The end of what comes, so that a talkative library never blocks the child.
fn last_words(mut stream: impl Read) -> Vec<u8> {
    let mut words = Vec::new();
    let mut piece = [0; LAST_WORDS];
    while let Ok(count @ 1..) = stream.read(&mut piece) {
        words.extend_from_slice(piece.get(..count).unwrap_or_default());
        if words.len() > LAST_WORDS {
            words.drain(..words.len() - LAST_WORDS);
        }
    }
    words
}
