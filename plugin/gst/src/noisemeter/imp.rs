//! The element's life: states, events, buffers, properties.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, LazyLock, Mutex, MutexGuard, PoisonError};

use glib::subclass::Signal;
use gst::glib;
use gst::prelude::*;
use gst::subclass::prelude::*;
use gst_base::prelude::*;
use gst_base::subclass::BaseTransformMode;
use gst_base::subclass::prelude::*;

use super::allocation;
use super::properties::{self, PROPERTIES};
use super::session::{Circumstances, Outcome, Session};
use super::settings::{Plan, Settings};
use super::worker::{Desk, Job, LIVE_PATIENCE, Output, Recorder, Worker};
use crate::message;
use crate::meta::{self, Newest};

static CAT: LazyLock<gst::DebugCategory> = LazyLock::new(|| {
    gst::DebugCategory::new("noisemeter", gst::DebugColorFlags::empty(), Some("Noise and clipping of video"))
});

/// Settings and, while the element runs, what they mean.
#[derive(Debug, Default)]
struct Wishes {
    settings: Settings,
    plan: Option<Arc<Plan>>,
}

/// The element. Each mutex guards one thing; none is held while another is taken, nor while anything is posted,
/// notified or pushed.
#[derive(Debug, Default)]
pub struct NoiseMeter {
    wishes: Mutex<Wishes>,
    session: Mutex<Session>,
    worker: Mutex<Option<Worker>>,
    /// The same worker, for those that bring work.
    desk: Mutex<Option<Desk>>,
    newest: Mutex<Option<Newest>>,
    windows: AtomicU64,
    live: AtomicBool,
    /// Whether the pipeline must be asked again if it is live.
    ask_live: AtomicBool,
    reset: AtomicBool,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // A panic in a vmethod has failed the element already; its data is dropped by stop().
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl NoiseMeter {
    fn desk(&self) -> Option<Desk> {
        lock(&self.desk).clone()
    }

    fn patience(&self) -> Option<std::time::Duration> {
        self.live.load(Ordering::Relaxed).then_some(LIVE_PATIENCE)
    }

    /// Hands jobs to the worker and warnings to the bus.
    fn settle(&self, outcome: Outcome) {
        let Outcome { jobs, warnings } = outcome;
        if !jobs.is_empty()
            && let Some(desk) = self.desk()
        {
            let wait = !self.live.load(Ordering::Relaxed);
            for job in jobs {
                if let Job::Window { window, .. } = &job {
                    gst::debug!(CAT, imp = self, "window {window} has ended");
                }
                desk.submit(job, wait);
            }
        }
        for text in warnings {
            gst::element_imp_warning!(self, gst::StreamError::Failed, ("{text}"));
        }
    }

    /// Waits for the worker as long as the kind of pipeline allows.
    fn drain(&self) {
        if let Some(desk) = self.desk() {
            desk.drain(self.patience());
        }
    }

    /// On the worker's thread.
    fn deliver(&self, output: Output) {
        let (record, json) = match output {
            Output::Warning(text) => {
                gst::element_imp_warning!(self, gst::ResourceError::Write, ("{text}"));
                return;
            }
            Output::Window(record, json) => (record, json),
        };
        let id = self.windows.fetch_add(1, Ordering::Relaxed) + 1;
        let newest = Newest::new(id, &record, &json);
        *lock(&self.newest) = Some(newest);
        let post = lock(&self.wishes).settings.post_messages;
        if post {
            match message::to_structure(&record, &json) {
                Ok(structure) => {
                    let message = gst::message::Element::builder(structure).src(&*self.obj()).build();
                    // Without a bus, or on a flushing one, nobody wants it.
                    let _ = self.obj().post_message(message);
                }
                Err(error) => gst::error!(CAT, imp = self, "no message for window {id}: {error}"),
            }
        }
        self.obj().notify("last-window");
    }

    /// Asks upstream whether the pipeline is live, once a stream.
    fn find_out_whether_live(&self) {
        if !self.ask_live.swap(false, Ordering::Relaxed) {
            return;
        }
        let mut query = gst::query::Latency::new();
        let pad = self.obj().sink_pad().clone();
        let live = pad.peer_query(&mut query) && query.result().0;
        self.live.store(live, Ordering::Relaxed);
        gst::info!(CAT, imp = self, "the pipeline is {}", if live { "live" } else { "not live" });
    }

    fn measure(&self, buffer: &gst::BufferRef) {
        self.find_out_whether_live();
        let Some(plan) = lock(&self.wishes).plan.clone() else { return };
        let live = self.live.load(Ordering::Relaxed);
        let desk = self.desk();
        let hold = live && desk.as_ref().is_some_and(Desk::is_full);
        // More than one is never taken: what is too much is let go on the worker's thread.
        let wanted = lock(&self.session).wants_room();
        let spare = desk.filter(|_| wanted).and_then(|desk| desk.take_spare());
        let segment = self.obj().sink_pad().sticky_event::<gst::event::Segment>(0);
        let segment = segment.as_ref().map(|event| event.segment());
        let segment = segment.and_then(|segment| segment.downcast_ref::<gst::ClockTime>());
        gst::log!(CAT, imp = self, "buffer at {:?}", buffer.pts());
        let outcome = {
            let mut session = lock(&self.session);
            let mut before =
                if self.reset.swap(false, Ordering::Relaxed) { session.reset() } else { Outcome::default() };
            if let Some(spare) = spare {
                session.recycle(spare);
            }
            let outcome = session.frame(buffer, &Circumstances { plan: &plan, segment, live, hold });
            before.jobs.extend(outcome.jobs);
            before.warnings.extend(outcome.warnings);
            before
        };
        self.settle(outcome);
    }

    fn attach(&self, buffer: &mut gst::BufferRef) {
        let (with_meta, with_roi) = {
            let wishes = lock(&self.wishes);
            (wishes.settings.attach_meta, wishes.settings.attach_roi)
        };
        if !(with_meta || with_roi) {
            return;
        }
        let Some(geometry) = lock(&self.session).geometry() else { return };
        if with_roi {
            meta::attach_regions(buffer, &geometry);
        }
        if with_meta {
            let newest = lock(&self.newest).clone();
            if let Err(error) = meta::attach(buffer, &geometry, newest.as_ref()) {
                gst::error!(CAT, imp = self, "no meta: {error}");
            }
        }
    }

    /// Applies one property; texts are read at once while the element runs.
    fn apply(&self, name: &str, value: &glib::Value) {
        let (settings, running) = {
            let wishes = lock(&self.wishes);
            (wishes.settings.clone(), wishes.plan.is_some())
        };
        let mut changed = settings;
        if !properties::set(&mut changed, name, value) {
            return;
        }
        if running && name == "record-location" {
            gst::element_imp_warning!(
                self,
                gst::LibraryError::Settings,
                ("record-location can be set in state NULL or READY alone; it keeps its old value")
            );
            return;
        }
        // Reading a layout file takes time, so no lock is held; the last of two setters at once wins, as always.
        let plan = if running {
            match changed.plan() {
                Ok(plan) => Some(Arc::new(plan)),
                Err(problem) => {
                    gst::element_imp_warning!(
                        self,
                        gst::LibraryError::Settings,
                        ("{problem}; {name} keeps its old value")
                    );
                    return;
                }
            }
        } else {
            None
        };
        let passthrough = {
            let mut wishes = lock(&self.wishes);
            properties::set(&mut wishes.settings, name, value);
            if wishes.plan.is_some() && plan.is_some() {
                wishes.plan = plan;
            }
            wishes.settings.is_passthrough()
        };
        if matches!(name, "attach-meta" | "attach-roi") {
            let obj = self.obj();
            if obj.is_passthrough() != passthrough {
                obj.set_passthrough(passthrough);
                obj.reconfigure_src();
            }
        }
    }
}

#[glib::object_subclass]
impl ObjectSubclass for NoiseMeter {
    const NAME: &'static str = "GstNoiseMeter";
    type Type = super::NoiseMeter;
    type ParentType = gst_base::BaseTransform;
}

impl ObjectImpl for NoiseMeter {
    fn properties() -> &'static [glib::ParamSpec] {
        &PROPERTIES
    }

    fn signals() -> &'static [Signal] {
        static SIGNALS: LazyLock<Vec<Signal>> = LazyLock::new(|| {
            vec![
                Signal::builder("reset")
                    .action()
                    .class_handler(|values| {
                        if let Some(Ok(element)) =
                            values.first().map(|value| value.get::<super::NoiseMeter>())
                        {
                            element.imp().reset.store(true, Ordering::Relaxed);
                        }
                        None
                    })
                    .build(),
            ]
        });
        &SIGNALS
    }

    fn constructed(&self) {
        self.parent_constructed();
        self.obj().set_passthrough(true);
        self.obj().set_qos(false);
    }

    fn set_property(&self, _id: usize, value: &glib::Value, pspec: &glib::ParamSpec) {
        self.apply(pspec.name(), value);
    }

    fn property(&self, _id: usize, pspec: &glib::ParamSpec) -> glib::Value {
        if pspec.name() == "last-window" {
            return lock(&self.newest).as_ref().map(|newest| newest.json().to_owned()).to_value();
        }
        properties::get(&lock(&self.wishes).settings, pspec.name())
            .unwrap_or_else(|| pspec.default_value().clone())
    }
}

impl GstObjectImpl for NoiseMeter {}

impl ElementImpl for NoiseMeter {
    fn metadata() -> Option<&'static gst::subclass::ElementMetadata> {
        static METADATA: LazyLock<gst::subclass::ElementMetadata> = LazyLock::new(|| {
            gst::subclass::ElementMetadata::new(
                "Noise meter",
                "Filter/Analyzer/Video",
                "Measures noise, clipping and levels of regions of the video that passes through",
                "The noisemeter authors",
            )
        });
        Some(&METADATA)
    }

    fn pad_templates() -> &'static [gst::PadTemplate] {
        static TEMPLATES: LazyLock<Vec<gst::PadTemplate>> = LazyLock::new(|| {
            let caps = crate::frames::template_caps();
            [("sink", gst::PadDirection::Sink), ("src", gst::PadDirection::Src)]
                .into_iter()
                .filter_map(|(name, direction)| {
                    gst::PadTemplate::new(name, direction, gst::PadPresence::Always, &caps).ok()
                })
                .collect()
        });
        &TEMPLATES
    }

    fn change_state(
        &self,
        transition: gst::StateChange,
    ) -> Result<gst::StateChangeSuccess, gst::StateChangeError> {
        if transition == gst::StateChange::PausedToReady
            && let Some(desk) = self.desk()
        {
            // The pads wait for the streaming thread, which may be waiting for the worker.
            desk.set_hurry(true);
        }
        self.parent_change_state(transition)
    }
}

impl BaseTransformImpl for NoiseMeter {
    const MODE: BaseTransformMode = BaseTransformMode::AlwaysInPlace;
    const PASSTHROUGH_ON_SAME_CAPS: bool = false;
    const TRANSFORM_IP_ON_PASSTHROUGH: bool = true;

    fn start(&self) -> Result<(), gst::ErrorMessage> {
        let settings = lock(&self.wishes).settings.clone();
        let plan =
            settings.plan().map_err(|problem| gst::error_msg!(gst::LibraryError::Settings, ("{problem}")))?;
        let record = settings
            .record_path()
            .map(Recorder::open)
            .transpose()
            .map_err(|problem| gst::error_msg!(gst::ResourceError::OpenWrite, ("{problem}")))?;
        let weak = self.obj().downgrade();
        let deliver = move |output| {
            if let Some(element) = weak.upgrade() {
                element.imp().deliver(output);
            }
        };
        let worker = Worker::start(record, deliver).map_err(|error| {
            gst::error_msg!(gst::CoreError::Thread, ("no thread for the worker: {error}"))
        })?;
        *lock(&self.desk) = Some(worker.desk());
        *lock(&self.worker) = Some(worker);
        *lock(&self.session) = Session::default();
        *lock(&self.newest) = None;
        self.windows.store(0, Ordering::Relaxed);
        self.live.store(false, Ordering::Relaxed);
        self.ask_live.store(true, Ordering::Relaxed);
        self.reset.store(false, Ordering::Relaxed);
        lock(&self.wishes).plan = Some(Arc::new(plan));
        self.obj().set_passthrough(settings.is_passthrough());
        gst::info!(CAT, imp = self, "started with {settings:?}");
        Ok(())
    }

    fn stop(&self) -> Result<(), gst::ErrorMessage> {
        lock(&self.desk).take();
        let worker = lock(&self.worker).take();
        if let Some(worker) = worker {
            worker.stop(self.patience());
        }
        *lock(&self.session) = Session::default();
        lock(&self.wishes).plan = None;
        Ok(())
    }

    fn set_caps(&self, incaps: &gst::Caps, _outcaps: &gst::Caps) -> Result<(), gst::LoggableError> {
        gst::info!(CAT, imp = self, "caps {incaps}");
        let outcome = lock(&self.session).set_caps(incaps);
        self.settle(outcome);
        Ok(())
    }

    fn propose_allocation(
        &self,
        decide_query: Option<&gst::query::Allocation>,
        query: &mut gst::query::Allocation,
    ) -> Result<(), gst::LoggableError> {
        let answered = self.parent_propose_allocation(decide_query, query);
        let grid = lock(&self.wishes).plan.as_ref().is_some_and(|plan| plan.grid.is_some());
        if grid && answered.is_ok() {
            allocation::ask_for_kept(query);
        }
        answered
    }

    fn sink_event(&self, event: gst::Event) -> bool {
        use gst::EventView;
        match event.view() {
            EventView::FlushStart(_) => {
                if let Some(desk) = self.desk() {
                    desk.set_hurry(true);
                }
            }
            EventView::FlushStop(_) => {
                lock(&self.session).flush();
                if let Some(desk) = self.desk() {
                    desk.set_hurry(false);
                }
            }
            EventView::StreamStart(_) => {
                let outcome = lock(&self.session).new_segment();
                self.settle(outcome);
                self.ask_live.store(true, Ordering::Relaxed);
            }
            EventView::Segment(new) => {
                let old = self.obj().sink_pad().sticky_event::<gst::event::Segment>(0);
                if old.is_none_or(|old| !is_same_time(old.segment(), new.segment())) {
                    let outcome = lock(&self.session).new_segment();
                    self.settle(outcome);
                }
            }
            EventView::Gap(_) => lock(&self.session).gap(),
            EventView::Eos(_) | EventView::SegmentDone(_) => {
                let outcome = lock(&self.session).finish();
                self.settle(outcome);
                self.drain();
            }
            _ => {}
        }
        self.parent_sink_event(event)
    }

    fn transform_ip(&self, buffer: &mut gst::BufferRef) -> Result<gst::FlowSuccess, gst::FlowError> {
        self.measure(buffer);
        self.attach(buffer);
        lock(&self.session).keep(buffer);
        Ok(gst::FlowSuccess::Ok)
    }

    fn transform_ip_passthrough(&self, buffer: &gst::Buffer) -> Result<gst::FlowSuccess, gst::FlowError> {
        self.measure(buffer);
        lock(&self.session).keep(buffer);
        Ok(gst::FlowSuccess::Ok)
    }
}

/// Whether a segment only repeats the one before, perhaps with another end: time runs on as it did.
fn is_same_time(old: &gst::Segment, new: &gst::Segment) -> bool {
    let (Some(old), Some(new)) = (old.downcast_ref::<gst::ClockTime>(), new.downcast_ref::<gst::ClockTime>())
    else {
        return false;
    };
    old.rate() == new.rate()
        && old.applied_rate() == new.applied_rate()
        && old.start() == new.start()
        && old.time() == new.time()
        && old.base() == new.base()
        && old.offset() == new.offset()
}
