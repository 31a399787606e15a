//! CPU time of threads and of the process, and memory, as Linux tells them.

use std::fs;

use rustix::time::{ClockId, clock_gettime};

fn nanoseconds(clock: ClockId) -> u64 {
    let time = clock_gettime(clock);
    time.tv_sec.unsigned_abs() * 1_000_000_000 + time.tv_nsec.unsigned_abs()
}

/// CPU time of this thread, ns.
#[must_use]
pub fn thread() -> u64 {
    nanoseconds(ClockId::ThreadCPUTime)
}

/// CPU time of all threads of this process, those that have ended too, ns.
#[must_use]
pub fn process() -> u64 {
    nanoseconds(ClockId::ProcessCPUTime)
}

/// CPU time of this process's living threads called `name`, ns.
#[must_use]
pub fn threads(name: &str) -> u64 {
    let tasks = fs::read_dir("/proc/self/task").into_iter().flatten().filter_map(Result::ok);
    let named = tasks.filter(|task| {
        fs::read_to_string(task.path().join("comm")).is_ok_and(|comm| comm.trim_end() == name)
    });
    // Time on the CPU, time spent waiting for it, and slices run.
    let spent = named.filter_map(|task| {
        let text = fs::read_to_string(task.path().join("schedstat")).ok()?;
        text.split(' ').next()?.parse::<u64>().ok()
    });
    spent.sum()
}

/// Memory of this process that is in RAM, bytes.
#[must_use]
pub fn resident() -> u64 {
    let status = fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"));
    let kilobytes = line.and_then(|line| line.split_whitespace().next()?.parse::<u64>().ok());
    kilobytes.unwrap_or(0) * 1024
}
