//! The properties' names, ranges and descriptions, and their way in and out of [`Settings`].

use std::sync::LazyLock;

use glib::prelude::*;
use glib::{
    ParamSpec, ParamSpecBoolean, ParamSpecDouble, ParamSpecEnum, ParamSpecFlags, ParamSpecString,
    ParamSpecUInt64, Value,
};
use gst::prelude::*;
use simulated_camera::camera::ISO;

use super::settings::{
    DEFAULT_CAMERA, DEFAULT_EXPOSURE_TIME, DEFAULT_FREQUENCY, DEFAULT_ISO, DEFAULT_STRENGTH, NoiseReduction,
    SceneSetting, Settings,
};
use crate::noisemeter::settings::{GAMMA, TransferSetting};

/// Every property of the element.
pub(super) static PROPERTIES: LazyLock<Vec<ParamSpec>> = LazyLock::new(|| {
    let text = |name: &'static str, nick: &'static str, default: &'static str, blurb: &'static str| {
        ParamSpecString::builder(name)
            .nick(nick)
            .blurb(blurb)
            .default_value(Some(default))
            .mutable_playing()
            .build()
    };
    let number = |name: &'static str,
                  nick: &'static str,
                  (least, default, most): (f64, f64, f64),
                  blurb: &'static str| {
        ParamSpecDouble::builder(name)
            .nick(nick)
            .blurb(blurb)
            .minimum(least)
            .maximum(most)
            .default_value(default)
            .mutable_playing()
            .build()
    };
    vec![
        text(
            "camera",
            "Camera",
            DEFAULT_CAMERA,
            "Invented camera: juniper (bases ISO 640 and 4000), larch (base 1000), rowan (bases 320 and 1600); or a JSON camera file. From the next frame on",
        ),
        number(
            "iso-speed",
            "ISO speed",
            (*ISO.start(), DEFAULT_ISO, *ISO.end()),
            "ISO; the light on the sensor falls as it rises, so that the grey card keeps its level. From the next frame on",
        ),
        text(
            "exposure-time",
            "Exposure time",
            DEFAULT_EXPOSURE_TIME,
            "Time that a row gathers light, as a fraction of a second such as 1/50; it decides what a lamp's flicker does, not the level. From the next frame on",
        ),
        number(
            "exposure",
            "Exposure",
            (-20.0, 0.0, 20.0),
            "Stops of light above the exposure that puts the grey card on its level. From the next frame on",
        ),
        ParamSpecEnum::builder_with_default("scene", SceneSetting::default())
            .nick("Scene")
            .blurb("What stands before the lens. From the next frame on")
            .mutable_playing()
            .build(),
        ParamSpecFlags::builder::<NoiseReduction>("noise-reduction")
            .nick("Noise reduction")
            .blurb("Filters of the camera, on light. From the next frame on")
            .default_value(NoiseReduction::NONE)
            .mutable_playing()
            .build(),
        number(
            "noise-reduction-strength",
            "Noise reduction strength",
            (0.0, DEFAULT_STRENGTH, 1.0),
            "Spatial: a Gaussian whose sd is 3 pixels times this; temporal: 0.95 times this of the frame before stays. From the next frame on",
        ),
        number(
            "vignetting",
            "Vignetting",
            (0.0, 0.0, 0.9),
            "Share of light that the corners lose, falling off by the cos^4 law. From the next frame on",
        ),
        number(
            "flicker-frequency",
            "Flicker frequency",
            (0.0, DEFAULT_FREQUENCY, 100_000.0),
            "Swings of the lamp's light in Hz, twice the mains frequency; 0 is a steady lamp. From the next frame on",
        ),
        number(
            "flicker-depth",
            "Flicker depth",
            (0.0, 0.0, 1.0),
            "(max - min)/(max + min) of the lamp's light; 0 is a steady lamp. From the next frame on",
        ),
        ParamSpecUInt64::builder("readout-time")
            .nick("Readout time")
            .blurb("Nanoseconds from the first row's exposure to the last one's, at most a second; 0 is a global shutter. From the next frame on")
            .maximum(1_000_000_000)
            .default_value(0)
            .mutable_playing()
            .build(),
        ParamSpecUInt64::builder("seed")
            .nick("Seed")
            .blurb("Decides every random number: the same seed and settings give the same frames. From the next frame on")
            .default_value(0)
            .mutable_playing()
            .build(),
        ParamSpecEnum::builder_with_default("transfer", TransferSetting::default())
            .nick("Transfer")
            .blurb("Curve from light to samples, written into the caps where they have a name for it; auto takes the caps', else sRGB for R'G'B' and BT.709 for all others. From the next frame on")
            .mutable_playing()
            .build(),
        number(
            "gamma",
            "Gamma",
            GAMMA,
            "Exponent of transfer=gamma, signal = light^(1/gamma), no unit. From the next frame on",
        ),
        ParamSpecBoolean::builder("is-live")
            .nick("Is live")
            .blurb("Whether frames come by the clock; frames that cannot be made in time are skipped. Changed in state NULL or READY")
            .default_value(false)
            .mutable_ready()
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
    /// No text is the default again.
    fn text(place: &mut String, value: &Value, default: &str) {
        *place = value.get::<Option<String>>().ok().flatten().unwrap_or_else(|| default.to_owned());
    }
    match name {
        "camera" => text(&mut settings.camera, value, DEFAULT_CAMERA),
        "iso-speed" => take(&mut settings.iso_speed, value),
        "exposure-time" => text(&mut settings.exposure_time, value, DEFAULT_EXPOSURE_TIME),
        "exposure" => take(&mut settings.exposure, value),
        "scene" => take(&mut settings.scene, value),
        "noise-reduction" => take(&mut settings.noise_reduction, value),
        "noise-reduction-strength" => take(&mut settings.noise_reduction_strength, value),
        "vignetting" => take(&mut settings.vignetting, value),
        "flicker-frequency" => take(&mut settings.flicker_frequency, value),
        "flicker-depth" => take(&mut settings.flicker_depth, value),
        "readout-time" => take(&mut settings.readout_time, value),
        "seed" => take(&mut settings.seed, value),
        "transfer" => take(&mut settings.transfer, value),
        "gamma" => take(&mut settings.gamma, value),
        "is-live" => take(&mut settings.is_live, value),
        _ => return false,
    }
    true
}

/// The value of the setting called `name`.
pub(super) fn get(settings: &Settings, name: &str) -> Option<Value> {
    Some(match name {
        "camera" => settings.camera.to_value(),
        "iso-speed" => settings.iso_speed.to_value(),
        "exposure-time" => settings.exposure_time.to_value(),
        "exposure" => settings.exposure.to_value(),
        "scene" => settings.scene.to_value(),
        "noise-reduction" => settings.noise_reduction.to_value(),
        "noise-reduction-strength" => settings.noise_reduction_strength.to_value(),
        "vignetting" => settings.vignetting.to_value(),
        "flicker-frequency" => settings.flicker_frequency.to_value(),
        "flicker-depth" => settings.flicker_depth.to_value(),
        "readout-time" => settings.readout_time.to_value(),
        "seed" => settings.seed.to_value(),
        "transfer" => settings.transfer.to_value(),
        "gamma" => settings.gamma.to_value(),
        "is-live" => settings.is_live.to_value(),
        _ => return None,
    })
}
