//! `lowlight measure`: plans the clips, runs a child for each, and tells how it went.

use std::io::{IsTerminal, Write, stdout};
use std::num::NonZeroUsize;
use std::path::Path;
use std::sync::Mutex;
use std::sync::mpsc::{self, Sender};
use std::time::{Duration, Instant};

use noise_measure::record::{SCHEMA, WindowRecord};

use crate::cli::MeasureArgs;
use crate::errors::Error;
use crate::files::Files;
use crate::inputs::{Clip, Kind};
use crate::progress::Talk;
use crate::protocol::{Event, Input, Job};
use crate::results::{Pending, prepare_directory};
use crate::resume::{Basis, State};
use crate::settings::{Checked, Settings};
use crate::signals::Stop;
use crate::supervise::{self, End};
use crate::table;
use crate::text::shown;
use crate::truth;
use noise_measure::summary::summarize;
use serde::Serialize;
use simulated_camera::truth::Truth;

/// All clips are done.
const DONE: u8 = 0;
/// Some clips could not be read.
const SOME_FAILED: u8 = 3;

/// How one clip went.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Outcome {
    Measured { frames: u64, windows: u64 },
    Unchanged,
    Failed(String),
    Stopped,
}

/// A clip that must be measured.
struct Task<'a> {
    index: usize,
    clip: &'a Clip,
    files: Files,
    basis: Basis,
}

/// What a worker tells the main thread.
enum Report {
    Event(Event),
    Over(Outcome),
}

/// What all workers share.
struct Shared<'a> {
    layout: Option<String>,
    threads: u32,
    stall: Duration,
    stop: &'a Stop,
}

/// Measures all clips of `args`; the exit code.
///
/// # Errors
/// Wrong usage or input, found before anything is measured.
pub fn run(args: &MeasureArgs) -> Result<u8, Error> {
    let checked = Settings::check(&args.settings)?;
    let clips = Clip::all(&args.clips)?;
    let truths = args.truth.as_deref().map(|option| truth::read(option, &clips)).transpose()?;
    let stop = Stop::listen().map_err(|error| Error::usage("signals", error.to_string()))?;
    prepare_directory(&args.out).map_err(|source| Error::Output { path: args.out.clone(), source })?;

    let mut outcomes: Vec<Outcome> = Vec::with_capacity(clips.len());
    let mut tasks = Vec::new();
    for (index, clip) in clips.iter().enumerate() {
        outcomes.push(match plan(index, clip, &args.out, &checked.settings) {
            Ok(Some(task)) => {
                tasks.push(task);
                Outcome::Stopped
            }
            Ok(None) => Outcome::Unchanged,
            Err(problem) => Outcome::Failed(problem),
        });
    }
    let mut talk = Talk::new(tasks.len());
    for (clip, outcome) in clips.iter().zip(&outcomes) {
        if !matches!(outcome, Outcome::Stopped) {
            tell(&talk, clip, outcome);
        }
    }
    let cores = std::thread::available_parallelism().map_or(1, NonZeroUsize::get);
    let jobs = args.jobs.map_or(cores, |jobs| jobs as usize).min(tasks.len()).max(1);
    let shared = Shared {
        layout: layout_name(&checked),
        threads: u32::try_from(cores / jobs).unwrap_or(1).max(1),
        stall: Duration::from_secs(u64::from(args.stall_timeout)),
        stop: &stop,
    };
    measure_all(tasks, jobs, &shared, |index, report| {
        let Some((clip, outcome)) = clips.get(index).zip(outcomes.get_mut(index)) else {
            return;
        };
        let name = shown(&clip.given);
        match report {
            Report::Event(Event::Progress { frames, position, duration }) => {
                talk.moved(index, &name, frames, position, duration);
            }
            Report::Event(Event::Assumed { text }) => talk.line(&format!("{name}: assumed {text}")),
            Report::Event(Event::Warning { text }) => talk.line(&format!("{name}: warning: {text}")),
            // The supervisor turns these into outcomes.
            Report::Event(Event::Error { .. } | Event::Done { .. }) => {}
            Report::Over(result) => {
                talk.over(index);
                tell(&talk, clip, &result);
                *outcome = result;
            }
        }
    });
    talk.end();
    if let Some(code) = stop.exit_code() {
        let whole = outcomes
            .iter()
            .filter(|outcome| !matches!(outcome, Outcome::Stopped | Outcome::Failed(_)))
            .count();
        talk.line(&format!(
            "lowlight: stopped; {whole} of {} clips are done and kept, the same command goes on from here",
            clips.len()
        ));
        return Ok(code);
    }
    let (summaries, unreadable) = summaries(&clips, &outcomes, &args.out, &talk);
    print(&match &truths {
        Some(truths) => beside_truth(&clips, &summaries, truths, args.json),
        None => text(&clips, &summaries, args.json),
    });
    let failed = outcomes.iter().any(|outcome| matches!(outcome, Outcome::Failed(_)));
    Ok(if failed || unreadable { SOME_FAILED } else { DONE })
}

/// What must be done for `clip`; nothing where its results are there and nothing has changed.
fn plan<'a>(
    index: usize,
    clip: &'a Clip,
    out: &Path,
    settings: &Settings,
) -> Result<Option<Task<'a>>, String> {
    let files = Files::new(out, &clip.name);
    let mut settings = settings.clone();
    if !matches!(clip.kind, Kind::Sequence(_)) {
        settings.rate = None;
    }
    let basis = Basis::new(clip.source(), clip.stamp()?, &settings);
    if State::unchanged(&files, &basis).is_some() {
        return Ok(None);
    }
    Ok(Some(Task { index, clip, files, basis }))
}

fn measure_all(tasks: Vec<Task<'_>>, jobs: usize, shared: &Shared<'_>, mut hear: impl FnMut(usize, Report)) {
    let queue = Mutex::new(tasks.into_iter());
    let (sender, reports) = mpsc::channel();
    std::thread::scope(|scope| {
        for _ in 0..jobs {
            let (queue, sender) = (&queue, sender.clone());
            scope.spawn(move || {
                while let Some(task) = next(queue) {
                    let outcome =
                        if shared.stop.asked() { Outcome::Stopped } else { one(&task, shared, &sender) };
                    // The main thread listens until all workers are done.
                    let _ = sender.send((task.index, Report::Over(outcome)));
                }
            });
        }
        drop(sender);
        for (index, report) in reports {
            hear(index, report);
        }
    });
}

fn next<T>(queue: &Mutex<impl Iterator<Item = T>>) -> Option<T> {
    // A worker that panicked left the queue as it was.
    queue.lock().unwrap_or_else(std::sync::PoisonError::into_inner).next()
}

fn one(task: &Task<'_>, shared: &Shared<'_>, sender: &Sender<(usize, Report)>) -> Outcome {
    let started = Instant::now();
    let pending = match Pending::begin(&task.files) {
        Ok(pending) => pending,
        Err(problem) => return Outcome::Failed(problem),
    };
    let job = Job {
        path: task.clip.path.clone().into_os_string(),
        fragment: task.clip.fragment,
        input: if task.clip.kind == Kind::Media { Input::Media } else { Input::Images },
        source: task.clip.source(),
        settings: task.basis.settings.clone(),
        layout: shared.layout.clone(),
        windows: task.files.windows_part().into_os_string(),
        threads: shared.threads,
    };
    let (mut assumed, mut warnings) = (None, Vec::new());
    let end = supervise::measure(&job, shared.stall, shared.stop, &mut |event| {
        match &event {
            Event::Assumed { text } => assumed = Some(text.clone()),
            Event::Warning { text } => warnings.push(text.clone()),
            _ => {}
        }
        // The main thread listens until all workers are done.
        let _ = sender.send((task.index, Report::Event(event)));
    });
    let (frames, windows) = match end {
        End::Done { frames, windows } => (frames, windows),
        End::Failed(problem) => return Outcome::Failed(problem),
        End::Stopped => return Outcome::Stopped,
    };
    let state = State {
        schema: SCHEMA,
        basis: task.basis.clone(),
        frames,
        windows,
        windows_bytes: 0,
        summary_bytes: 0,
        assumed,
        warnings,
        finished: now(),
        seconds: started.elapsed().as_secs_f64(),
    };
    match finish(pending, state) {
        Ok(()) => Outcome::Measured { frames, windows },
        Err(problem) => Outcome::Failed(problem),
    }
}

fn finish(pending: Pending, state: State) -> Result<(), String> {
    let windows = pending.windows()?;
    if windows.len() as u64 != state.windows {
        return Err(format!("{} windows were measured, but {} are on disk", state.windows, windows.len()));
    }
    let mut summary = summarize(&windows).ok_or("no window was measured")?;
    summary.source.clone_from(&Some(state.basis.source.clone()));
    pending.commit(&summary, state)
}

fn now() -> String {
    glib::DateTime::now_utc()
        .and_then(|time| time.format("%Y-%m-%dT%H:%M:%SZ"))
        .map(String::from)
        .unwrap_or_default()
}

fn layout_name(checked: &Checked) -> Option<String> {
    checked.layout.as_deref().and_then(Path::to_str).map(str::to_owned)
}

fn tell(talk: &Talk, clip: &Clip, outcome: &Outcome) {
    let name = shown(&clip.given);
    match outcome {
        Outcome::Measured { frames, windows } => {
            talk.line(&format!(
                "{name}: measured, {} in {}",
                count(*frames, "frame"),
                count(*windows, "window")
            ));
        }
        Outcome::Unchanged => talk.line(&format!("{name}: done before and unchanged")),
        Outcome::Failed(problem) => talk.line(&format!("lowlight: {name}: {problem}")),
        Outcome::Stopped => {}
    }
}

fn count(number: u64, what: &str) -> String {
    if number == 1 { format!("1 {what}") } else { format!("{number} {what}s") }
}

/// Summaries of what is done by the number of the clip, in the order of the arguments; whether one could not be read
/// back.
fn summaries(
    clips: &[Clip],
    outcomes: &[Outcome],
    out: &Path,
    talk: &Talk,
) -> (Vec<(usize, WindowRecord)>, bool) {
    let mut unreadable = false;
    let mut summaries = Vec::new();
    for (index, (clip, outcome)) in clips.iter().zip(outcomes).enumerate() {
        if !matches!(outcome, Outcome::Measured { .. } | Outcome::Unchanged) {
            continue;
        }
        match Files::new(out, &clip.name).read_summary() {
            Ok(summary) => summaries.push((index, summary)),
            Err(problem) => {
                unreadable = true;
                talk.line(&format!("lowlight: {}: {problem}", shown(&clip.given)));
            }
        }
    }
    (summaries, unreadable)
}

fn text(clips: &[Clip], summaries: &[(usize, WindowRecord)], json: bool) -> String {
    if json {
        let records: Vec<&WindowRecord> = summaries.iter().map(|(_, summary)| summary).collect();
        return as_json(&records);
    }
    let table = |(index, summary): &(usize, WindowRecord)| {
        table::render(&shown(&clips[*index].given), summary, bold())
    };
    summaries.iter().map(table).collect::<Vec<String>>().join("\n")
}

fn beside_truth(clips: &[Clip], summaries: &[(usize, WindowRecord)], truths: &[Truth], json: bool) -> String {
    let rows: Vec<truth::Row> = summaries
        .iter()
        .flat_map(|(index, summary)| truth::compare(&clips[*index].source(), &truths[*index], summary))
        .collect();
    if json { as_json(&rows) } else { truth::table::render(&rows, bold()) }
}

fn as_json(values: &impl Serialize) -> String {
    serde_json::to_string_pretty(values).map(|text| text + "\n").unwrap_or_default()
}

fn bold() -> bool {
    stdout().is_terminal() && std::env::var_os("NO_COLOR").is_none()
}

fn print(text: &str) {
    // A reader that has seen enough, such as head, is no error.
    let _ = stdout().write_all(text.as_bytes()).and_then(|()| stdout().flush());
}
