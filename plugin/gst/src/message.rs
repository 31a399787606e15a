//! A window as an element message, and back.
//!
//! The structure `noisemeter` has the scalars of a window under kebab-case names, `regions` as an array of structures
//! with the same nesting as the JSON, and `json` with all of it. What is null is absent.

use noise_measure::record::WindowRecord;
use serde_json::Value;

/// Name of the message's structure.
pub const MESSAGE: &str = "noisemeter";

/// Why a structure is not a window.
#[derive(Debug, thiserror::Error)]
pub enum MessageError {
    /// Another structure.
    #[error("the structure is called {0}, a window is called {MESSAGE}")]
    Name(String),
    /// No `json`.
    #[error("the structure has no string field json")]
    NoJson,
    /// `json` is not a window.
    #[error("field json is not a window: {0}")]
    Json(#[from] serde_json::Error),
}

/// The message's structure for a window whose JSON is `json`.
///
/// # Errors
/// Where the record cannot be serialised.
pub fn to_structure(record: &WindowRecord, json: &str) -> Result<gst::Structure, serde_json::Error> {
    let mut structure = gst::Structure::builder(MESSAGE)
        .field("schema", record.schema)
        .field_if_some("timestamp", record.timestamp)
        .field_if_some("stream-time", record.stream_time)
        .field_if_some("running-time", record.running_time)
        .field_if_some("duration", record.duration)
        .field("frames", record.frames)
        .field("partial", record.partial)
        .field("discont", record.discont)
        .field("holes", record.holes)
        .field("repeated", record.repeated)
        .field("rate", record.rate)
        .build();
    let mut regions = Vec::with_capacity(record.regions.len());
    for region in &record.regions {
        if let Value::Object(fields) = serde_json::to_value(region)? {
            regions.push(nested("region", &fields));
        }
    }
    structure.set("regions", gst::Array::new(regions));
    structure.set("json", json);
    Ok(structure)
}

/// The window of a message's structure.
///
/// # Errors
/// [`MessageError`] for structures that are not ours.
pub fn to_record(structure: &gst::StructureRef) -> Result<WindowRecord, MessageError> {
    if structure.name() != MESSAGE {
        return Err(MessageError::Name(structure.name().to_string()));
    }
    let json = structure.get::<&str>("json").map_err(|_| MessageError::NoJson)?;
    Ok(serde_json::from_str(json)?)
}

fn nested(name: &str, fields: &serde_json::Map<String, Value>) -> gst::Structure {
    let mut structure = gst::Structure::new_empty(name);
    for (key, value) in fields {
        let key = key.replace('_', "-");
        if let Some(value) = to_value(&key, value) {
            structure.set_value(key.as_str(), value);
        }
    }
    structure
}

/// `None` for null.
fn to_value(key: &str, value: &Value) -> Option<glib::SendValue> {
    use glib::value::ToSendValue;
    Some(match value {
        Value::Null => return None,
        Value::Bool(flag) => flag.to_send_value(),
        Value::Number(number) => match number.as_u64() {
            Some(whole) => whole.to_send_value(),
            None => number.as_f64()?.to_send_value(),
        },
        Value::String(text) => text.to_send_value(),
        Value::Array(items) => {
            gst::Array::from_values(items.iter().filter_map(|item| to_value(key, item))).to_send_value()
        }
        Value::Object(fields) => nested(key, fields).to_send_value(),
    })
}
