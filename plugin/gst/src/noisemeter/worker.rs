//! The thread that turns closed windows into records, files and messages, so that no window's end stalls the stream.

use std::collections::VecDeque;
use std::fs::File;
use std::io::Write;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use noise_measure::format::FrameFormat;
use noise_measure::meter::{Carry, ClosedWindow, Spare, WindowInfo};
use noise_measure::r103;
use noise_measure::record::WindowRecord;
use noise_measure::region::Rect;
use noise_measure::view::ComponentView;

use crate::frames::{Layout, Picture, Scratch};

/// Windows that wait while one is at work.
pub const QUEUE: usize = 2;
/// Longest wait for a live stream's last window.
pub const LIVE_PATIENCE: Duration = Duration::from_secs(2);

/// Work for the thread; done in the order of arrival.
#[derive(Debug)]
pub enum Job {
    /// The first frame of window `window`, for what is computed from one frame alone.
    First {
        /// Number of the window.
        window: u64,
        /// The frame.
        frame: Box<FirstFrame>,
    },
    /// Window `window` is complete.
    Window {
        /// Its number.
        window: u64,
        /// Its sums.
        closed: Box<ClosedWindow>,
        /// What the stream knows of it.
        info: Box<WindowInfo>,
        /// Nothing may be carried over from the windows before.
        fresh: bool,
    },
}

/// A frame kept until the thread has read it.
#[derive(Debug)]
pub struct FirstFrame {
    /// Shares its memory with the buffer in the stream.
    pub buffer: gst::Buffer,
    /// How it is stored.
    pub layout: Arc<Layout>,
    /// Its visible part.
    pub picture: Picture,
    /// Its components.
    pub format: FrameFormat,
    /// The active picture.
    pub active: Rect,
    /// Which field it is.
    pub parity: usize,
}

/// What the thread hands on.
#[derive(Debug)]
pub enum Output {
    /// A window, and the same as one line of JSON.
    Window(Box<WindowRecord>, String),
    /// Something failed, once.
    Warning(String),
}

#[derive(Debug, Default)]
struct Queue {
    jobs: VecDeque<Job>,
    busy: bool,
    /// Nobody waits for room or for the end.
    hurry: bool,
    quit: bool,
    ended: bool,
    /// Emptied room of the window that was evaluated last.
    spare: Option<Spare>,
}

impl Queue {
    /// First frames are not counted: there is one at most for every window.
    fn is_full(&self) -> bool {
        self.jobs.iter().filter(|job| matches!(job, Job::Window { .. })).count() >= QUEUE
    }
}

#[derive(Debug, Default)]
struct Shared {
    queue: Mutex<Queue>,
    changed: Condvar,
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, Queue> {
        // The queue is plain data; a panic elsewhere leaves it whole.
        self.queue.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn wait<'a>(&self, queue: MutexGuard<'a, Queue>, until: Option<Instant>) -> MutexGuard<'a, Queue> {
        match until {
            None => self.changed.wait(queue).unwrap_or_else(PoisonError::into_inner),
            Some(until) => {
                let left = until.saturating_duration_since(Instant::now());
                self.changed.wait_timeout(queue, left).unwrap_or_else(PoisonError::into_inner).0
            }
        }
    }
}

/// A handle to the thread; what is queued is finished when it goes.
#[derive(Debug)]
pub struct Worker {
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

/// A handle for those that only bring work.
#[derive(Debug, Clone)]
pub struct Desk {
    shared: Arc<Shared>,
}

impl Worker {
    /// Starts the thread; `deliver` is called on it.
    ///
    /// # Errors
    /// Where the system has no thread left.
    pub fn start(
        record: Option<Recorder>,
        deliver: impl Fn(Output) + Send + 'static,
    ) -> Result<Self, std::io::Error> {
        let shared = Arc::new(Shared::default());
        let thread = std::thread::Builder::new().name("noisemeter".into()).spawn({
            let shared = Arc::clone(&shared);
            move || {
                run(&shared, record, &deliver);
                shared.lock().ended = true;
                shared.changed.notify_all();
            }
        })?;
        Ok(Self { shared, thread: Some(thread) })
    }

    /// A handle to bring work with.
    #[must_use]
    pub fn desk(&self) -> Desk {
        Desk { shared: Arc::clone(&self.shared) }
    }

    /// Lets the thread finish what is queued and waits for it, at most `patience`; longer ones end on their own.
    pub fn stop(mut self, patience: Option<Duration>) {
        let Some(thread) = self.thread.take() else { return };
        let until = patience.map(|patience| Instant::now() + patience);
        let mut queue = self.shared.lock();
        queue.quit = true;
        queue.hurry = true;
        self.shared.changed.notify_all();
        if thread.thread().id() == std::thread::current().id() {
            // A message handler stopped the element: the thread cannot wait for itself.
            return;
        }
        while !queue.ended && until.is_none_or(|until| Instant::now() < until) {
            queue = self.shared.wait(queue, until);
        }
        let ended = queue.ended;
        drop(queue);
        if ended {
            // A panic was turned into a warning already.
            let _ = thread.join();
        }
    }
}

impl Desk {
    /// Whether another window would have to wait.
    #[must_use]
    pub fn is_full(&self) -> bool {
        self.shared.lock().is_full()
    }

    /// Room that the next window can have, if there is any.
    #[must_use]
    pub fn take_spare(&self) -> Option<Spare> {
        self.shared.lock().spare.take()
    }

    /// Hands a job over; with `wait`, a window once there is room for it.
    pub fn submit(&self, job: Job, wait: bool) {
        let mut queue = self.shared.lock();
        while wait && matches!(job, Job::Window { .. }) && queue.is_full() && !queue.hurry && !queue.ended {
            queue = self.shared.wait(queue, None);
        }
        queue.jobs.push_back(job);
        drop(queue);
        self.shared.changed.notify_all();
    }

    /// Waits until all is done, at most `patience`.
    pub fn drain(&self, patience: Option<Duration>) {
        let until = patience.map(|patience| Instant::now() + patience);
        let mut queue = self.shared.lock();
        while (queue.busy || !queue.jobs.is_empty())
            && !queue.hurry
            && !queue.ended
            && until.is_none_or(|until| Instant::now() < until)
        {
            queue = self.shared.wait(queue, until);
        }
    }

    /// Ends all waiting, now and until it is called with `false`: the stream is being flushed or stopped.
    pub fn set_hurry(&self, hurry: bool) {
        let mut queue = self.shared.lock();
        queue.hurry = hurry || queue.quit;
        drop(queue);
        self.shared.changed.notify_all();
    }
}

fn run(shared: &Shared, mut record: Option<Recorder>, deliver: &dyn Fn(Output)) {
    let mut bench = Bench::default();
    loop {
        let job = {
            let mut queue = shared.lock();
            loop {
                if let Some(job) = queue.jobs.pop_front() {
                    queue.busy = true;
                    break job;
                }
                if queue.quit {
                    return;
                }
                queue = shared.wait(queue, None);
            }
        };
        shared.changed.notify_all();
        // A bug in a formula must cost a window, not the stream that waits for this thread.
        let done = catch_unwind(AssertUnwindSafe(|| bench.work(job, record.as_mut(), deliver)));
        if done.is_err() {
            bench = Bench::default();
            deliver(Output::Warning("a window could not be evaluated; this is a fault of the plugin".into()));
        }
        let spare = bench.carry.take_spare();
        let mut queue = shared.lock();
        queue.busy = false;
        // Nobody waits while the room that is not wanted any more is let go.
        let old = if spare.is_some() { std::mem::replace(&mut queue.spare, spare) } else { None };
        drop(queue);
        drop(old);
        shared.changed.notify_all();
    }
}

/// What the thread remembers from job to job.
#[derive(Debug, Default)]
struct Bench {
    carry: Carry,
    scratch: Scratch,
    outside: Option<(u64, Option<f64>)>,
}

impl Bench {
    fn work(&mut self, job: Job, record: Option<&mut Recorder>, deliver: &dyn Fn(Output)) {
        match job {
            Job::First { window, frame } => self.outside = Some((window, self.outside_share(&frame))),
            Job::Window { window, closed, mut info, fresh } => {
                if fresh {
                    self.carry = Carry::default();
                }
                info.outside_r103 =
                    self.outside.take().filter(|(of, _)| *of == window).and_then(|(_, share)| share);
                let window = closed.evaluate(&mut self.carry, *info);
                let json = match serde_json::to_string(&window) {
                    Ok(json) => json,
                    Err(error) => {
                        deliver(Output::Warning(format!("a window could not be written as JSON: {error}")));
                        return;
                    }
                };
                if let Some(warning) = record.and_then(|record| record.write(&json)) {
                    deliver(Output::Warning(warning));
                }
                deliver(Output::Window(Box::new(window), json));
            }
        }
    }

    fn outside_share(&mut self, frame: &FirstFrame) -> Option<f64> {
        let measure = |views: &[ComponentView<'_>]| r103::outside_share(&frame.format, views, frame.active);
        let scratch = &mut self.scratch;
        frame.layout.with_views(&frame.picture, frame.parity, &frame.buffer, scratch, measure).ok().flatten()
    }
}

/// A file that takes one line a window.
#[derive(Debug)]
pub struct Recorder {
    path: PathBuf,
    file: File,
    warned: bool,
}

impl Recorder {
    /// Opens a regular file for appending, or makes one.
    ///
    /// # Errors
    /// One line that names the file, for whatever is not a regular file and whatever cannot be opened.
    pub fn open(path: &Path) -> Result<Self, String> {
        // Opening a pipe would wait for its reader, so the kind is looked at first.
        match std::fs::metadata(path) {
            Ok(metadata) if !metadata.is_file() => {
                return Err(format!(
                    "record-location {path:?} is not a regular file; name a file to append to"
                ));
            }
            _ => {}
        }
        let file =
            File::options().append(true).create(true).open(path).map_err(|error| {
                format!("record-location {path:?} cannot be opened for appending: {error}")
            })?;
        Ok(Self { path: path.to_owned(), file, warned: false })
    }

    /// Appends a line; the first failure gives a warning, later lines are tried again without one.
    fn write(&mut self, line: &str) -> Option<String> {
        let mut bytes = Vec::with_capacity(line.len() + 1);
        bytes.extend_from_slice(line.as_bytes());
        bytes.push(b'\n');
        let before = self.file.metadata().map(|metadata| metadata.len());
        let error = self.file.write_all(&bytes).and_then(|()| self.file.flush()).err()?;
        if let Ok(before) = before {
            // Half a line would spoil the next one as well.
            let _ = self.file.set_len(before);
        }
        let first = !std::mem::replace(&mut self.warned, true);
        first.then(|| {
            format!("record-location {:?} cannot be written: {error}; windows are missing there", self.path)
        })
    }
}
