//! What a meter should find, as an element message.
//!
//! The structure `simcam-truth` has what describes the shot as scalars under kebab-case names, and `json` with all of it:
//! the fields of [`Truth`], every even patch with every component among them, and `camera`, `transfer`, `spatial` and
//! `temporal`.

use serde_json::json;
use simulated_camera::Shot;
use simulated_camera::truth::Truth;

/// Name of the message's structure.
pub const MESSAGE: &str = "simcam-truth";

/// Why a structure is not a truth.
#[derive(Debug, thiserror::Error)]
pub enum MessageError {
    /// Another structure.
    #[error("the structure is called {0}, a truth is called {MESSAGE}")]
    Name(String),
    /// No `json`.
    #[error("the structure has no string field json")]
    NoJson,
    /// `json` is not a truth.
    #[error("field json is not a truth: {0}")]
    Json(#[from] serde_json::Error),
}

/// The message's structure for `truth`, that of `shot` of the camera called `camera`, from frame `offset` on, which starts
/// at `timestamp`.
///
/// # Errors
/// Where the truth cannot be serialised.
pub fn to_structure(
    camera: &str,
    shot: &Shot,
    truth: &Truth,
    offset: u64,
    timestamp: Option<gst::ClockTime>,
) -> Result<gst::Structure, serde_json::Error> {
    let transfer = shot.transfer.name();
    let mut whole = serde_json::to_value(truth)?;
    if let Some(fields) = whole.as_object_mut() {
        fields.insert("camera".into(), json!(camera));
        fields.insert("transfer".into(), json!(transfer));
        fields.insert("spatial".into(), json!(shot.reduction.spatial));
        fields.insert("temporal".into(), json!(shot.reduction.temporal));
    }
    Ok(gst::Structure::builder(MESSAGE)
        .field("offset", offset)
        .field_if_some("timestamp", timestamp)
        .field("camera", camera)
        .field("iso-speed", truth.iso_speed)
        .field("exposure-time", truth.exposure_time)
        .field("exposure", truth.exposure)
        .field("scene", &truth.scene)
        .field("transfer", transfer)
        .field("spatial", shot.reduction.spatial)
        .field("temporal", shot.reduction.temporal)
        .field("seed", shot.seed)
        .field("stage", truth.stage as u32)
        .field("grey-e", truth.grey_e)
        .field("read-noise-e", truth.read_noise_e)
        .field("clip-light", truth.clip_light)
        .field("json", whole.to_string())
        .build())
}

/// The truth of a message's structure.
///
/// # Errors
/// [`MessageError`] for structures that are not ours.
pub fn to_truth(structure: &gst::StructureRef) -> Result<Truth, MessageError> {
    if structure.name() != MESSAGE {
        return Err(MessageError::Name(structure.name().to_string()));
    }
    let json = structure.get::<&str>("json").map_err(|_| MessageError::NoJson)?;
    Ok(serde_json::from_str(json)?)
}
