//! `README.txt` of a session: what it is, in plain words.

use super::scenario::{self, Take};
use super::settings::Settings;
use super::{CHART, CLIPS, curve, session};

/// The story of `takes`.
#[must_use]
pub fn text(takes: &[Take], settings: &Settings) -> String {
    let Settings { width, height, frames, steps, seed, .. } = settings;
    let rate = scenario::RATE;
    let codec = match settings.bitrate() {
        Some(kbit) => format!("H.265, 10-bit 4:2:2, at {kbit} kbit/s"),
        None => "FFV1, lossless, 10-bit 4:2:2".to_owned(),
    };
    let count = takes.len();
    let spoiled: Vec<String> = takes
        .iter()
        .filter_map(|take| take.spoiled().map(|what| format!("  {}\n      {what}\n", take.clip())))
        .collect();
    let spoiled = if spoiled.is_empty() {
        format!(
            "Nothing was spoiled. Sessions of {} steps or more have two spoiled clips.\n",
            scenario::SPOILED_FROM
        )
    } else {
        format!("Two clips were spoiled, as happens; a report should find them:\n{}", spoiled.concat())
    };
    format!(
        "{title}
{rule}

Everything here is invented. No camera was used: lowlight simulate rendered all clips with a simulated camera, whose
noise is known to the last digit. The names of the cameras are those of shrubs and trees, and stand for no product.

The story
---------
Three people want to film a night market by the light of its lanterns and must choose one of three cameras. The
evening before, they set up a chart with a grey card in a back room under steady lamps. With each camera they start at
a low ISO, set the exposure so that the card is right, and then raise the ISO step by step and shorten the shutter as
much, so that the exposure holds. They do it twice with every camera: with its noise reduction off (unfiltered), and on
(filtered, smoothing in space and time).

{spoiled}
What is here
------------
  {session}   which clip is which step of which camera and mode
  {chart}     where the grey card and the other patches are in the picture
  {curve}    the curve that all cameras record with, ACEScct, in the Common LUT Format
  {clips}/         {count} clips: {camera} cameras, {modes} modes, {steps} steps; {width}x{height}, {frames} frames at {rate} a second,
                 {codec}
  {clips}/*.truth.json
                 beside each clip: what a meter should find in it, and how it was made (seed {seed})

What to run next
----------------
In this directory:

  lowlight measure --layout {chart} --transfer {transfer} --truth auto {clips}/*.mkv

measures every clip and prints what it found beside the truth.{lossy}
",
        lossy = if settings.bitrate().is_some() {
            " The truth is that of the camera before\nits codec: what the codec took away shows as a difference."
        } else {
            ""
        },
        title = scenario::TITLE,
        rule = "=".repeat(scenario::TITLE.len()),
        session = session::FILE,
        chart = CHART,
        curve = curve::FILE,
        clips = CLIPS,
        camera = scenario::CAMERAS.len(),
        modes = scenario::Mode::ALL.len(),
        transfer = curve::NAME,
    )
}
