//! `simcam://CAMERA?iso-speed=800&scene=flat`: a camera and its settings in one text.

use gst::prelude::*;

/// The scheme.
pub const SCHEME: &str = "simcam";

/// What a URI asks for.
#[derive(Debug, Clone)]
pub struct Wish {
    /// Preset, or path of a camera file.
    pub camera: String,
    /// Values of properties, in the URI's order.
    pub values: Vec<(glib::ParamSpec, glib::Value)>,
}

/// Reads a URI; `properties` are those that it may set, `camera` among them.
///
/// `simcam://NAME` is a preset, `simcam:///PATH` a camera file, and nothing behind the scheme the default camera.
///
/// # Errors
/// One line naming the key or value.
pub fn parse(uri: &str, default_camera: &str, properties: &[glib::ParamSpec]) -> Result<Wish, String> {
    let rest = uri.strip_prefix(SCHEME).and_then(|rest| rest.strip_prefix("://"));
    let rest = rest.ok_or_else(|| format!("{uri:?} does not begin with {SCHEME}://"))?;
    let (camera, query) = rest.split_once('?').unwrap_or((rest, ""));
    let camera = plain(camera)?;
    let camera = if camera.is_empty() { default_camera.to_owned() } else { camera };
    let mut values: Vec<(glib::ParamSpec, glib::Value)> = Vec::new();
    for pair in query.split('&').filter(|pair| !pair.is_empty()) {
        let (key, text) = pair.split_once('=').ok_or_else(|| format!("{pair:?} in {uri:?} has no '='"))?;
        let (key, text) = (plain(key)?, plain(text)?);
        let settable = |pspec: &&glib::ParamSpec| pspec.name() == key && key != "camera";
        let pspec = properties.iter().find(settable).ok_or_else(|| {
            let known: Vec<&str> =
                properties.iter().map(|pspec| pspec.name()).filter(|&name| name != "camera").collect();
            format!("{key:?} in {uri:?} is not known; known are {}", known.join(", "))
        })?;
        if values.iter().any(|(other, _)| other.name() == key) {
            return Err(format!("{key} stands twice in {uri:?}"));
        }
        values.push((pspec.clone(), value(pspec, &text)?));
    }
    Ok(Wish { camera, values })
}

/// The value of a property that `text` stands for.
fn value(pspec: &glib::ParamSpec, text: &str) -> Result<glib::Value, String> {
    let name = pspec.name();
    let value = glib::Value::deserialize_with_pspec(text, pspec)
        .map_err(|_| format!("{name}={text} is not a {}", pspec.value_type().name()))?;
    if let Some((least, most)) = outside(pspec, &value) {
        return Err(format!("{name}={text} is out of range; {least} to {most} would be right"));
    }
    Ok(value)
}

/// The range of a number that does not lie in it.
fn outside(pspec: &glib::ParamSpec, value: &glib::Value) -> Option<(String, String)> {
    fn check<T: PartialOrd + ToString>(value: T, least: T, most: T) -> Option<(String, String)> {
        (!(least <= value && value <= most)).then(|| (least.to_string(), most.to_string()))
    }
    if let Some(spec) = pspec.downcast_ref::<glib::ParamSpecDouble>() {
        check(value.get().ok()?, spec.minimum(), spec.maximum())
    } else if let Some(spec) = pspec.downcast_ref::<glib::ParamSpecUInt64>() {
        check(value.get().ok()?, spec.minimum(), spec.maximum())
    } else if let Some(spec) = pspec.downcast_ref::<glib::ParamSpecInt>() {
        check(value.get().ok()?, spec.minimum(), spec.maximum())
    } else {
        None
    }
}

/// Undoes percent encoding.
fn plain(text: &str) -> Result<String, String> {
    let plain = glib::uri_unescape_string(text, None::<&str>);
    plain
        .map(String::from)
        .ok_or_else(|| format!("{text:?} holds a '%' that no two hexadecimal digits follow"))
}

/// The URI of `camera` with `values` by the names of their properties.
#[must_use]
pub fn format<'a>(camera: &str, values: impl IntoIterator<Item = (&'a str, glib::Value)>) -> String {
    let escape = |text: &str, also: &str| glib::uri_escape_string(text, Some(also), true).to_string();
    let mut uri = format!("{SCHEME}://{}", escape(camera, "/"));
    for (index, (name, value)) in values.into_iter().enumerate() {
        let text = text(&value);
        let join = if index == 0 { '?' } else { '&' };
        uri.push_str(&format!("{join}{name}={}", escape(&text, "/+")));
    }
    uri
}

/// A value as [`value`] reads it.
fn text(value: &glib::Value) -> String {
    // Serialising would put quotes around texts, and write flags by their descriptions.
    if let Ok(text) = value.get::<Option<String>>() {
        return text.unwrap_or_default();
    }
    if let Some((_, flags)) = glib::FlagsValue::from_value(value) {
        let nicks: Vec<&str> = flags.iter().map(|flag| flag.nick()).collect();
        return nicks.join("+");
    }
    value.serialize().map(String::from).unwrap_or_default()
}
