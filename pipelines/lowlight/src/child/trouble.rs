//! What GStreamer says went wrong, as one line for people.

use gst::prelude::*;

/// Elements whose errors are in our own words.
const OUR_WORDS: &[&str] = &["appsrc", "noisemeter", "uridecodebin"];

/// The cause behind an error message.
#[must_use]
pub fn cause(error: &gst::message::Error) -> String {
    let debug = error.debug().map(|text| text.to_string()).unwrap_or_default();
    let kind = error.error();
    if kind.matches(gst::CoreError::MissingPlugin) {
        return missing(&debug);
    }
    if kind.matches(gst::StreamError::TypeNotFound) {
        return "is not of a kind that GStreamer knows; is it a video file?".to_owned();
    }
    if kind.matches(gst::StreamError::WrongType) {
        return format!("is not a video file: {}", kind.message().trim_end_matches('.'));
    }
    let text = said(kind.message(), &debug);
    if text.contains("no playable streams") {
        return "no stream in it can be played; was the recording or a copy cut short?".to_owned();
    }
    let factory = error.src().and_then(|source| source.downcast_ref::<gst::Element>()?.factory());
    match factory.filter(|factory| !OUR_WORDS.contains(&factory.name().as_str())) {
        Some(factory) => format!("{text} ({})", factory.name()),
        None => text,
    }
}

/// Whether a warning is of streams without a decoder: sound, which is never decoded, or video, whose error comes next.
#[must_use]
pub fn expected(warning: &gst::message::Warning) -> bool {
    let kind = warning.error();
    kind.matches(gst::StreamError::CodecNotFound) || kind.matches(gst::CoreError::MissingPlugin)
}

/// A warning in one line.
#[must_use]
pub fn warning(warning: &gst::message::Warning) -> String {
    let debug = warning.debug().map(|text| text.to_string()).unwrap_or_default();
    said(warning.error().message(), &debug)
}

/// The text, and the reason behind it where the text alone says nothing.
fn said(text: &str, debug: &str) -> String {
    let text = text.trim().trim_end_matches('.');
    let general = text.starts_with("Internal data stream error") || text.starts_with("GStreamer error");
    // The first line of the debug text is a place in GStreamer's source.
    let reason = debug.lines().skip(1).map(str::trim).find(|line| !line.is_empty()).filter(|_| general);
    reason.map_or_else(|| text.to_owned(), |reason| format!("{text}: {reason}"))
}

/// What a stream without a decoder means: the video's own decoder is missing, or there is no video.
fn missing(debug: &str) -> String {
    let wanted = debug.lines().filter_map(|line| line.split("Missing decoder: ").nth(1));
    for stream in wanted {
        // `NAME (CAPS)`
        let caps = stream.split_once('(').map_or("", |(_, caps)| caps);
        if caps.starts_with("video/") || caps.starts_with("image/") || stream.contains("(video/") {
            let name = stream.split(" (").next().unwrap_or(stream);
            return format!("GStreamer has no decoder for its video, {name}");
        }
    }
    NO_VIDEO.to_owned()
}

/// There are streams, but none of them is video.
pub const NO_VIDEO: &str = "no video in it";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sound_alone_is_told_from_a_missing_video_decoder() {
        let place = "../gst/playback/gsturidecodebin.c(960): unknown_type_cb ():\n";
        let sound = "Missing decoder: MPEG-4 AAC (audio/mpeg, mpegversion=(int)4)";
        assert_eq!(missing(&format!("{place}{sound}")), NO_VIDEO);
        let video = "Missing decoder: video/x-gst-fourcc-v410 (video/x-gst-fourcc-v410, width=(int)64)";
        assert!(missing(&format!("{place}{sound}\n{video}")).contains("x-gst-fourcc-v410"));
    }

    #[test]
    fn general_texts_get_their_reason() {
        let debug = "../x.c(1): f ():\nstreaming stopped, reason not-negotiated (-4)";
        assert_eq!(
            said("Internal data stream error.", debug),
            "Internal data stream error: streaming stopped, reason not-negotiated (-4)"
        );
        assert_eq!(said("Stream contains no data.", debug), "Stream contains no data");
    }
}
