//! The element `simcamsrc`: a simulated camera whose noise is known.
//!
//! It makes the frames that a camera of a given description would record of a scene, in any raw format, and says on the
//! bus what a meter should find in them. Frame n of a seed is the same however it is reached.
//!
//! # Message
//! Structure `simcam-truth`, posted before the first frame that it holds for: at the start, after new caps and after
//! every change of a setting. See [`message`].

pub mod caps;
mod imp;
pub mod message;
mod properties;
pub mod settings;
mod stage;
pub mod timing;
pub mod uri;

use glib::prelude::*;

glib::wrapper! {
    /// The element.
    pub struct SimCamSrc(ObjectSubclass<imp::SimCamSrc>)
        @extends gst_base::PushSrc, gst_base::BaseSrc, gst::Element, gst::Object,
        @implements gst::URIHandler;
}

/// Makes the element known under the name `simcamsrc`.
///
/// # Errors
/// Where the registry refuses it.
pub fn register(plugin: &gst::Plugin) -> Result<(), glib::BoolError> {
    gst::Element::register(Some(plugin), "simcamsrc", gst::Rank::NONE, SimCamSrc::static_type())
}
