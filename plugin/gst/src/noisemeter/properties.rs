//! The properties' names, ranges and descriptions, and their way in and out of [`Settings`].

use std::path::PathBuf;
use std::sync::LazyLock;

use glib::prelude::*;
use glib::{
    ParamSpec, ParamSpecBoolean, ParamSpecDouble, ParamSpecEnum, ParamSpecString, ParamSpecUInt64, Value,
};
use gst::prelude::*;

use super::settings::{DEFAULT_DELIVERY_HEIGHTS, DEFAULT_INTERVAL, GAMMA, MIN_INTERVAL, Settings};
use super::settings::{MatrixSetting, RangeSetting, TransferSetting};

/// Every property of the element.
pub(super) static PROPERTIES: LazyLock<Vec<ParamSpec>> = LazyLock::new(|| {
    let text = |name: &'static str, nick: &'static str, blurb: &'static str| {
        ParamSpecString::builder(name).nick(nick).blurb(blurb).mutable_playing()
    };
    let flag = |name: &'static str, nick: &'static str, default: bool, blurb: &'static str| {
        ParamSpecBoolean::builder(name)
            .nick(nick)
            .blurb(blurb)
            .default_value(default)
            .mutable_playing()
            .build()
    };
    vec![
        text(
            "regions",
            "Regions",
            "NAME=X,Y,W,H joined by ';', in pixels or in percent of the frame with '%' after a number; NAME: letters, digits, _ and -, at most 32 bytes; at most 4096 regions. With neither this nor layout-location nor grid: one region 'centre', the middle 20% x 20%. From the next window on",
        )
        .default_value(Some(""))
        .build(),
        text(
            "layout-location",
            "Layout file",
            "JSON file with regions, measured beside those of 'regions'; at most 4096 in all. From the next window on",
        )
        .build(),
        text(
            "grid",
            "Grid",
            "COLSxROWS, 1 to 256 each: cells r1c1, r1c2... over the active picture, beside the regions. From the next window on",
        )
        .build(),
        ParamSpecUInt64::builder("interval")
            .nick("Interval")
            .blurb("Length of a window in nanoseconds of stream time, 10 ms and longer; the maximum is one window to the end. From the next window on")
            .minimum(MIN_INTERVAL)
            .maximum(u64::MAX)
            .default_value(DEFAULT_INTERVAL)
            .mutable_playing()
            .build(),
        flag("post-messages", "Post messages", true, "Post one element message a window. At once"),
        flag(
            "attach-meta",
            "Attach meta",
            false,
            "Put the custom meta NoisemeterWindow on every buffer: the newest finished window, and where its regions are. At once",
        ),
        flag(
            "attach-roi",
            "Attach regions of interest",
            false,
            "Put each region on every buffer as a region of interest of type noisemeter; some encoders spend bits there. At once",
        ),
        flag(
            "use-roi",
            "Use regions of interest",
            false,
            "Measure regions of interest that upstream elements put on buffers as roi-TYPE-ID, at most 64, fixed for a window. From the next window on",
        ),
        ParamSpecString::builder("record-location")
            .nick("Record file")
            .blurb("Regular file to which each window is appended as one line of JSON; changed in state NULL or READY")
            .mutable_ready()
            .build(),
        ParamSpecEnum::builder_with_default("transfer", TransferSetting::default())
            .nick("Transfer")
            .blurb("Curve from samples to light; auto takes the caps' or assumes one and says so. From the next window on")
            .mutable_playing()
            .build(),
        ParamSpecDouble::builder("gamma")
            .nick("Gamma")
            .blurb("Exponent of transfer=gamma, signal = light^(1/gamma), 0.1 to 10, no unit. From the next window on")
            .minimum(GAMMA.0)
            .maximum(GAMMA.2)
            .default_value(GAMMA.1)
            .mutable_playing()
            .build(),
        ParamSpecEnum::builder_with_default("range", RangeSetting::default())
            .nick("Range")
            .blurb("Meaning of code values; auto takes the caps' or assumes one and says so. From the next window on")
            .mutable_playing()
            .build(),
        ParamSpecEnum::builder_with_default("matrix", MatrixSetting::default())
            .nick("Matrix")
            .blurb("Luma weights; auto takes the caps' or assumes them and says so. From the next window on")
            .mutable_playing()
            .build(),
        text("crop", "Crop", "X,Y,W,H of the active picture in pixels; none is the whole frame. From the next window on").build(),
        text(
            "delivery-heights",
            "Delivery heights",
            "Picture heights in lines for the noise left after scaling, 1 to 16384, at most 8, joined by ','. From the next window on",
        )
        .default_value(Some(DEFAULT_DELIVERY_HEIGHTS))
        .build(),
        ParamSpecString::builder("last-window")
            .nick("Last window")
            .blurb("Newest window as one line of JSON; none before the first window has ended")
            .read_only()
            .build(),
    ]
});

/// Puts `value` into the setting called `name`; `false` where there is no such setting.
pub(super) fn set(settings: &mut Settings, name: &str, value: &Value) -> bool {
    /// Takes a value whose type GObject has checked; leaves the setting alone otherwise.
    fn take<'a, T: glib::value::FromValue<'a>>(place: &mut T, value: &'a Value) {
        if let Ok(new) = value.get() {
            *place = new;
        }
    }
    fn text(place: &mut String, value: &Value) {
        *place = value.get::<Option<String>>().ok().flatten().unwrap_or_default();
    }
    match name {
        "regions" => text(&mut settings.regions, value),
        "layout-location" => take(&mut settings.layout_location, value),
        "grid" => take(&mut settings.grid, value),
        "interval" => take(&mut settings.interval, value),
        "post-messages" => take(&mut settings.post_messages, value),
        "attach-meta" => take(&mut settings.attach_meta, value),
        "attach-roi" => take(&mut settings.attach_roi, value),
        "use-roi" => take(&mut settings.use_roi, value),
        "record-location" => take(&mut settings.record_location, value),
        "transfer" => take(&mut settings.transfer, value),
        "gamma" => take(&mut settings.gamma, value),
        "range" => take(&mut settings.range, value),
        "matrix" => take(&mut settings.matrix, value),
        "crop" => take(&mut settings.crop, value),
        "delivery-heights" => text(&mut settings.delivery_heights, value),
        _ => return false,
    }
    true
}

/// The value of the setting called `name`.
pub(super) fn get(settings: &Settings, name: &str) -> Option<Value> {
    let path = |path: &Option<PathBuf>| path.to_value();
    Some(match name {
        "regions" => settings.regions.to_value(),
        "layout-location" => path(&settings.layout_location),
        "grid" => settings.grid.to_value(),
        "interval" => settings.interval.to_value(),
        "post-messages" => settings.post_messages.to_value(),
        "attach-meta" => settings.attach_meta.to_value(),
        "attach-roi" => settings.attach_roi.to_value(),
        "use-roi" => settings.use_roi.to_value(),
        "record-location" => path(&settings.record_location),
        "transfer" => settings.transfer.to_value(),
        "gamma" => settings.gamma.to_value(),
        "range" => settings.range.to_value(),
        "matrix" => settings.matrix.to_value(),
        "crop" => settings.crop.to_value(),
        "delivery-heights" => settings.delivery_heights.to_value(),
        _ => return None,
    })
}
