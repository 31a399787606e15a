//! The element's life: states, caps, frames, properties, URI.

use std::sync::{Arc, LazyLock, Mutex, MutexGuard, PoisonError};

use gst::glib;
use gst::prelude::*;
use gst::subclass::prelude::*;
use gst_base::prelude::*;
use gst_base::subclass::base_src::CreateSuccess;
use gst_base::subclass::prelude::*;
use noise_measure::transfer::Transfer;

use super::caps::{self, Stream};
use super::properties::{self, PROPERTIES};
use super::settings::{DEFAULT_CAMERA, Plan, Settings};
use super::stage::{Failure, Stage};
use super::timing::Rate;
use super::uri;

static CAT: LazyLock<gst::DebugCategory> = LazyLock::new(|| {
    gst::DebugCategory::new("simcamsrc", gst::DebugColorFlags::empty(), Some("Simulated camera"))
});

/// Settings and, while the element runs, what they mean.
#[derive(Debug, Default)]
struct Wishes {
    settings: Settings,
    plan: Option<Arc<Plan>>,
}

/// The element. Each mutex guards one thing; none is held while another is taken, nor while anything is posted or
/// pushed.
#[derive(Debug, Default)]
pub struct SimCamSrc {
    wishes: Mutex<Wishes>,
    stage: Mutex<Stage>,
    /// The rate of the caps, for queries that must not wait for a frame.
    rate: Mutex<Option<Rate>>,
    /// The curve that caps are being agreed on for.
    curve: Mutex<Option<Transfer>>,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // A panic in a vmethod has failed the element already; its data is dropped by stop().
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl SimCamSrc {
    fn plan(&self) -> Option<Arc<Plan>> {
        lock(&self.wishes).plan.clone()
    }

    /// Posts why nothing can be made of caps; the base class would only say that they were not agreed on.
    fn refuse(&self, problem: &str) -> gst::LoggableError {
        gst::element_imp_error!(self, gst::CoreError::Negotiation, ("{problem}"));
        gst::loggable_error!(CAT, "{problem}")
    }

    fn warn(&self, text: &str) {
        gst::element_imp_warning!(self, gst::LibraryError::Settings, ("{text}"));
    }

    /// Whether an event can be followed; says why not.
    ///
    /// Asked before the base class flushes for a seek: what is refused leaves the stream as it is.
    fn accepts(&self, event: &gst::Event) -> bool {
        let gst::EventView::Seek(seek) = event.view() else { return true };
        let rate = seek.get().0;
        let forwards = rate > 0.0;
        if !forwards {
            self.warn(&format!("a seek with rate {rate} is refused: the camera records forwards alone"));
        }
        forwards
    }

    /// Applies one property; texts and files are read at once while the element runs.
    fn apply(&self, name: &str, value: &glib::Value) {
        let (mut changed, running) = {
            let wishes = lock(&self.wishes);
            (wishes.settings.clone(), wishes.plan.is_some())
        };
        if !properties::set(&mut changed, name, value) {
            return;
        }
        if running && name == "is-live" {
            self.warn("is-live can be set in state NULL or READY alone; it keeps its old value");
            return;
        }
        // Reading a camera file takes time, so no lock is held; the last of two setters at once wins, as always.
        let plan = match running.then(|| changed.plan()).transpose() {
            Ok(plan) => plan.map(Arc::new),
            Err(problem) => {
                self.warn(&format!("{problem}; {name} keeps its old value"));
                return;
            }
        };
        {
            let mut wishes = lock(&self.wishes);
            properties::set(&mut wishes.settings, name, value);
            if wishes.plan.is_some() && plan.is_some() {
                wishes.plan = plan;
            }
        }
        match name {
            "is-live" => self.obj().set_live(changed.is_live),
            // The curve stands in the caps.
            "transfer" | "gamma" if running => self.obj().src_pad().mark_reconfigure(),
            _ => {}
        }
    }

    /// Properties that a URI can set.
    fn uri_properties(&self) -> Vec<glib::ParamSpec> {
        PROPERTIES.iter().cloned().chain(self.obj().find_property("num-buffers")).collect()
    }

    fn num_buffers(&self) -> Option<u64> {
        u64::try_from(self.obj().property::<i32>("num-buffers")).ok()
    }

    /// Makes the next frame into `buffer` and posts what is to be said before it leaves.
    fn record(&self, buffer: &mut gst::BufferRef) -> Result<(), gst::FlowError> {
        let plan = self.plan().ok_or(gst::FlowError::Flushing)?;
        let live = self.obj().is_live();
        let clock = || live.then(|| self.obj().current_running_time()).flatten();
        let made = lock(&self.stage).make(buffer, &plan, clock);
        match made {
            Ok(outcome) => {
                if let Some(truth) = outcome.truth {
                    gst::debug!(CAT, imp = self, "new truth from frame {}", buffer.offset());
                    let message = gst::message::Element::builder(truth).src(&*self.obj()).build();
                    // Without a bus, or on a flushing one, nobody wants it.
                    let _ = self.obj().post_message(message);
                }
                if let Some(warning) = outcome.warning {
                    gst::element_imp_warning!(self, gst::CoreError::Clock, ("{warning}"));
                }
                gst::log!(CAT, imp = self, "frame {} at {:?}", buffer.offset(), buffer.pts());
                Ok(())
            }
            Err(Failure::End) => Err(gst::FlowError::Eos),
            Err(Failure::Wrong(problem)) => {
                gst::element_imp_error!(self, gst::StreamError::Failed, ("{problem}"));
                Err(gst::FlowError::Error)
            }
        }
    }

    /// A pool of buffers that are used again: downstream's, or our own.
    fn pool(
        query: &gst::query::Allocation,
    ) -> Result<(gst::BufferPool, u32, u32, u32, bool), glib::BoolError> {
        let (caps, _) = query.get();
        let caps = caps.ok_or_else(|| glib::bool_error!("an allocation query without caps"))?.to_owned();
        let needed = u32::try_from(gst_video::VideoInfo::from_caps(&caps)?.size());
        let needed = needed.map_err(|_| glib::bool_error!("frames of more than 4 GiB"))?;
        let meta = query.find_allocation_meta::<gst_video::VideoMeta>().is_some();
        let offered = query.allocation_pools().next();
        let is_offered = offered.is_some();
        let (pool, size, least, most) = offered.unwrap_or((None, 0, 0, 0));
        let size = size.max(needed);
        let configure = |pool: &gst::BufferPool| {
            let mut config = pool.config();
            config.set_params(Some(&caps), size, least, most);
            if meta {
                config.add_option(gst_video::BUFFER_POOL_OPTION_VIDEO_META);
            }
            pool.set_config(config)
        };
        if let Some(pool) = pool
            && configure(&pool).is_ok()
        {
            return Ok((pool, size, least, most, is_offered));
        }
        let own: gst::BufferPool = gst_video::VideoBufferPool::new().upcast();
        configure(&own)?;
        Ok((own, size, least, most, is_offered))
    }
}

#[glib::object_subclass]
impl ObjectSubclass for SimCamSrc {
    const NAME: &'static str = "GstSimCamSrc";
    type Type = super::SimCamSrc;
    type ParentType = gst_base::PushSrc;
    type Interfaces = (gst::URIHandler,);
}

impl ObjectImpl for SimCamSrc {
    fn properties() -> &'static [glib::ParamSpec] {
        &PROPERTIES
    }

    fn constructed(&self) {
        self.parent_constructed();
        self.obj().set_format(gst::Format::Time);
    }

    fn set_property(&self, _id: usize, value: &glib::Value, pspec: &glib::ParamSpec) {
        self.apply(pspec.name(), value);
    }

    fn property(&self, _id: usize, pspec: &glib::ParamSpec) -> glib::Value {
        properties::get(&lock(&self.wishes).settings, pspec.name())
            .unwrap_or_else(|| pspec.default_value().clone())
    }
}

impl GstObjectImpl for SimCamSrc {}

impl ElementImpl for SimCamSrc {
    fn metadata() -> Option<&'static gst::subclass::ElementMetadata> {
        static METADATA: LazyLock<gst::subclass::ElementMetadata> = LazyLock::new(|| {
            gst::subclass::ElementMetadata::new(
                "Simulated camera",
                "Source/Video",
                "Records a scene with known noise and says what a meter should find in it",
                "The noisemeter authors",
            )
        });
        Some(&METADATA)
    }

    fn pad_templates() -> &'static [gst::PadTemplate] {
        static TEMPLATES: LazyLock<Vec<gst::PadTemplate>> = LazyLock::new(|| {
            let caps = crate::frames::raw_caps();
            gst::PadTemplate::new("src", gst::PadDirection::Src, gst::PadPresence::Always, &caps)
                .into_iter()
                .collect()
        });
        &TEMPLATES
    }

    fn send_event(&self, event: gst::Event) -> bool {
        self.accepts(&event) && self.parent_send_event(event)
    }
}

impl BaseSrcImpl for SimCamSrc {
    fn start(&self) -> Result<(), gst::ErrorMessage> {
        let settings = lock(&self.wishes).settings.clone();
        let plan =
            settings.plan().map_err(|problem| gst::error_msg!(gst::LibraryError::Settings, ("{problem}")))?;
        *lock(&self.stage) = Stage::default();
        *lock(&self.rate) = None;
        lock(&self.wishes).plan = Some(Arc::new(plan));
        gst::info!(CAT, imp = self, "started with {settings:?}");
        Ok(())
    }

    fn stop(&self) -> Result<(), gst::ErrorMessage> {
        lock(&self.wishes).plan = None;
        *lock(&self.stage) = Stage::default();
        *lock(&self.rate) = None;
        Ok(())
    }

    fn is_seekable(&self) -> bool {
        !self.obj().is_live()
    }

    fn times(&self, buffer: &gst::BufferRef) -> (Option<gst::ClockTime>, Option<gst::ClockTime>) {
        if !self.obj().is_live() {
            return (None, None);
        }
        let start = buffer.pts();
        (start, start.zip(buffer.duration()).map(|(start, duration)| start + duration))
    }

    fn do_seek(&self, segment: &mut gst::Segment) -> bool {
        if segment.rate() <= 0.0 {
            return false;
        }
        let Some(segment) = segment.downcast_mut::<gst::ClockTime>() else { return false };
        let start = segment.start();
        segment.set_time(start);
        let position = segment.position().or(start).unwrap_or_default();
        lock(&self.stage).seek(position);
        gst::debug!(CAT, imp = self, "goes to {position}");
        true
    }

    fn event(&self, event: &gst::Event) -> bool {
        self.accepts(event) && self.parent_event(event)
    }

    fn query(&self, query: &mut gst::QueryRef) -> bool {
        match query.view_mut() {
            gst::QueryViewMut::Latency(latency) if self.obj().is_live() => {
                let frame = (*lock(&self.rate)).map(Rate::frame);
                // Held back for two frames, the camera finds the next frame over and skips it.
                latency.set(true, frame.unwrap_or_default(), frame.map(|frame| frame * 2));
                return true;
            }
            gst::QueryViewMut::Duration(duration) => {
                let frames = self.num_buffers();
                let rate = *lock(&self.rate);
                let length = match duration.format() {
                    gst::Format::Time => {
                        let end = frames.zip(rate).and_then(|(frames, rate)| rate.start(frames));
                        end.map(gst::GenericFormattedValue::from)
                    }
                    gst::Format::Default => {
                        let frames = frames.and_then(|frames| gst::format::Default::try_from(frames).ok());
                        frames.map(gst::GenericFormattedValue::from)
                    }
                    _ => None,
                };
                if let Some(length) = length {
                    duration.set(length);
                    return true;
                }
            }
            _ => {}
        }
        BaseSrcImplExt::parent_query(self, query)
    }

    fn negotiate(&self) -> Result<(), gst::LoggableError> {
        let curve = self.plan().and_then(|plan| plan.transfer);
        *lock(&self.curve) = curve;
        let pad = self.obj().src_pad().clone();
        let (ours, theirs) = (pad.pad_template_caps(), pad.peer_query_caps(None));
        if !ours.can_intersect(&theirs) {
            return Err(self.refuse(&format!(
                "nothing of {theirs} can be made; the camera has video/x-raw in memory, of any format but tiled, palette and mosaic ones"
            )));
        }
        self.parent_negotiate()?;
        // Caps that stay as they were are not set again; they may contradict a curve set meanwhile.
        if let Some(caps) = pad.current_caps()
            && let Err(problem) = Stream::new(&caps, curve)
        {
            return Err(self.refuse(&problem));
        }
        Ok(())
    }

    fn fixate(&self, caps: gst::Caps) -> gst::Caps {
        let curve = *lock(&self.curve);
        self.parent_fixate(caps::fixate(&caps, curve))
    }

    fn set_caps(&self, caps: &gst::Caps) -> Result<(), gst::LoggableError> {
        gst::info!(CAT, imp = self, "caps {caps}");
        let curve = *lock(&self.curve);
        let Some(plan) = self.plan() else { return Err(gst::loggable_error!(CAT, "not started")) };
        // The curve that these caps were fixed for; a newer one comes with the next ones.
        let plan = if plan.transfer == curve { plan } else { Arc::new(plan.with_transfer(curve)) };
        let rate = lock(&self.stage).set_caps(caps, plan);
        let rate = rate.map_err(|problem| self.refuse(&problem))?;
        let before = lock(&self.rate).replace(rate);
        if self.obj().is_live() && before != Some(rate) {
            let message = gst::message::Latency::builder().src(&*self.obj()).build();
            // Without a bus, or on a flushing one, nobody wants it.
            let _ = self.obj().post_message(message);
        }
        Ok(())
    }

    fn decide_allocation(&self, query: &mut gst::query::Allocation) -> Result<(), gst::LoggableError> {
        let (pool, size, least, most, is_offered) =
            Self::pool(query).map_err(|error| gst::loggable_error!(CAT, "no pool of buffers: {error}"))?;
        if is_offered {
            query.set_nth_allocation_pool(0, Some(&pool), size, least, most);
        } else {
            query.add_allocation_pool(Some(&pool), size, least, most);
        }
        self.parent_decide_allocation(query)
    }
}

impl PushSrcImpl for SimCamSrc {
    fn create(&self, buffer: Option<&mut gst::BufferRef>) -> Result<CreateSuccess, gst::FlowError> {
        if let Some(buffer) = buffer {
            self.record(buffer)?;
            return Ok(CreateSuccess::FilledBuffer);
        }
        let pool = self.obj().buffer_pool().ok_or(gst::FlowError::NotNegotiated)?;
        let mut buffer = pool.acquire_buffer(None)?;
        self.record(buffer.make_mut())?;
        Ok(CreateSuccess::NewBuffer(buffer))
    }
}

impl URIHandlerImpl for SimCamSrc {
    const URI_TYPE: gst::URIType = gst::URIType::Src;

    fn protocols() -> &'static [&'static str] {
        &[uri::SCHEME]
    }

    fn uri(&self) -> Option<String> {
        let settings = lock(&self.wishes).settings.clone();
        let defaults = Settings::default();
        let text = |value: &glib::Value| value.serialize().ok();
        let own = PROPERTIES.iter().map(|pspec| pspec.name()).filter(|&name| name != "camera");
        let own = own.filter_map(|name| {
            let (now, default) = (properties::get(&settings, name)?, properties::get(&defaults, name)?);
            (text(&now) != text(&default)).then_some((name, now))
        });
        let frames = self.num_buffers().map(|frames| ("num-buffers", frames.to_value()));
        Some(uri::format(&settings.camera, own.chain(frames)))
    }

    fn set_uri(&self, uri: &str) -> Result<(), glib::Error> {
        if self.plan().is_some() {
            let problem = "the URI can be set in state NULL or READY alone";
            return Err(glib::Error::new(gst::URIError::BadState, problem));
        }
        let wish = uri::parse(uri, DEFAULT_CAMERA, &self.uri_properties())
            .map_err(|problem| glib::Error::new(gst::URIError::BadUri, &problem))?;
        self.apply("camera", &wish.camera.to_value());
        for (pspec, value) in wish.values {
            self.obj().set_property_from_value(pspec.name(), &value);
        }
        Ok(())
    }
}
