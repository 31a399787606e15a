//! The element `noisemeter`: measures noise, clipping and levels of the video that passes through.
//!
//! It changes neither pixels nor times, drops nothing and delays nothing. At the end of every window of
//! [`interval`](settings::Settings::interval) of stream time it posts an element message, appends a line to
//! `record-location` and sets `last-window`.
//!
//! # Pipelines
//! [`EXAMPLES`] holds them, each runnable as it stands:
//! ```text
#![doc = include_str!("examples.txt")]
//! ```
//!
//! # Message
//! Structure `noisemeter`; see [`message`](crate::message). Times are in nanoseconds, absent where unknown.
//!
//! | field | type | meaning |
//! |---|---|---|
//! | `schema` | guint | version of the layout of these fields |
//! | `timestamp` | guint64 | PTS of the first buffer |
//! | `stream-time`, `running-time` | guint64 | the same in the segment's stream and running time |
//! | `duration` | guint64 | to the next window, or to the end of the last buffer |
//! | `frames`, `repeated` | guint64 | frames, and those of them equal to the one before |
//! | `holes`, `discont` | guint64, gboolean | breaks between adjacent frames; whether there is one |
//! | `partial` | gboolean | the window ended early |
//! | `rate` | gdouble | rate of the segment |
//! | `regions` | GstValueArray of GstStructure | every region with its components, light and notes |
//! | `json` | gchararray | the whole window as one line of JSON |
//!
//! # Fields and scans
//! Interleaved frames are measured as two stacks of lines, alternate fields likewise; so are progressive frames in a
//! stream of `interlace-mode=mixed`. `interlace-mode=fields` passes unmeasured with a warning.
//!
//! # A meter behind a drawn overlay measures the drawing
//! Put it before whatever draws on the picture.

mod allocation;
mod imp;
mod open;
mod properties;
mod session;
pub mod settings;
pub mod timing;
mod worker;

use glib::prelude::*;

/// Pipelines that show the element at work, one a line, in the syntax of `gst-launch-1.0`.
pub const EXAMPLES: &str = include_str!("examples.txt");

glib::wrapper! {
    /// The element.
    pub struct NoiseMeter(ObjectSubclass<imp::NoiseMeter>)
        @extends gst_base::BaseTransform, gst::Element, gst::Object;
}

/// Makes the element known under the name `noisemeter`.
///
/// # Errors
/// Where the registry refuses it.
pub fn register(plugin: &gst::Plugin) -> Result<(), glib::BoolError> {
    crate::meta::register();
    gst::Element::register(Some(plugin), "noisemeter", gst::Rank::NONE, NoiseMeter::static_type())
}
