//! Elements of the noisemeter plugin: noise and clipping of video, measured in a running pipeline, and a simulated camera
//! to hold the meter against.
//!
//! [`plugin_register_static`] makes the elements known to a program that links this crate; call it before anything
//! loads the shared library of the same plugin.

pub mod colorimetry;
pub mod frames;
pub mod message;
pub mod meta;
pub mod noisemeter;
pub mod simcamsrc;

fn plugin_init(plugin: &gst::Plugin) -> Result<(), glib::BoolError> {
    noisemeter::register(plugin)?;
    simcamsrc::register(plugin)
}

/// What GStreamer finds in the shared library.
mod declaration {
    use super::plugin_init;

    gst::plugin_define!(
        noisemeter,
        env!("CARGO_PKG_DESCRIPTION"),
        plugin_init,
        concat!(env!("CARGO_PKG_VERSION"), "-", env!("COMMIT_ID")),
        "MPL-2.0",
        env!("CARGO_PKG_NAME"),
        env!("CARGO_PKG_NAME"),
        env!("CARGO_PKG_NAME"),
        env!("BUILD_REL_DATE")
    );
}

/// Registers the elements in this process, without a shared library; call it once, after `gst::init`.
///
/// # Errors
/// Where the registry refuses them.
pub fn plugin_register_static() -> Result<(), glib::BoolError> {
    declaration::plugin_register_static()
}
