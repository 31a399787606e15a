//! Image files into a pipeline.

use std::sync::mpsc::{Receiver, sync_channel};

use crate::images::decode::{Picture, Shape, decode};
use crate::images::pattern::Numbered;
use crate::settings::Rate;
use crate::text::shown;

/// Buffers that wait for the meter.
const QUEUED: u64 = 3;
/// Nanoseconds in a second.
const SECOND: u128 = 1_000_000_000;

/// Files with their places in time, and how fast they follow.
#[derive(Debug)]
pub struct Plan {
    /// Files, and how many frame times after the first of the sequence each begins.
    pub files: Vec<(u64, Numbered)>,
    /// Frames a second.
    pub rate: Rate,
}

impl Plan {
    /// Nanoseconds at which frame `index` begins, or the one before it ends.
    #[must_use]
    pub fn time(&self, index: u64) -> u64 {
        let numerator = u128::from(self.rate.numerator).max(1);
        let time = u128::from(index) * SECOND * u128::from(self.rate.denominator) / numerator;
        u64::try_from(time).unwrap_or(u64::MAX)
    }

    /// The end of the last frame.
    #[must_use]
    pub fn end(&self) -> u64 {
        self.files.last().map_or(0, |(index, _)| self.time(index + 1))
    }
}

/// Makes the source and starts the threads that fill it.
///
/// # Errors
/// One sentence about the first file, which says what all must be like.
pub fn start(plan: Plan, threads: u32) -> Result<gst_app::AppSrc, String> {
    let (_, first) = plan.files.first().ok_or("no file in this part of the sequence")?;
    let shape = read(first)?.shape;
    let caps = caps(shape, plan.rate)?;
    let source = gst_app::AppSrc::builder()
        .caps(&caps)
        .format(gst::Format::Time)
        .block(true)
        .max_buffers(QUEUED)
        .max_bytes(0)
        .duration(plan.end())
        .build();
    let info = gst_video::VideoInfo::from_caps(&caps).map_err(|error| error.to_string())?;
    let pushed = source.clone();
    std::thread::spawn(move || {
        if let Err(problem) = push_all(&pushed, plan, shape, &info, threads) {
            gst::element_error!(pushed, gst::StreamError::Decode, ("{problem}"));
        }
    });
    Ok(source)
}

fn caps(shape: Shape, rate: Rate) -> Result<gst::Caps, String> {
    let size = |length: u32| i32::try_from(length).map_err(|_| format!("{shape} is too large a picture"));
    let fraction = |number: u32| i32::try_from(number).map_err(|_| "too large a frame rate".to_owned());
    let mut caps = gst::Caps::builder("video/x-raw")
        .field("format", shape.samples.format())
        .field("width", size(shape.width)?)
        .field("height", size(shape.height)?)
        .field("framerate", gst::Fraction::new(fraction(rate.numerator)?, fraction(rate.denominator)?))
        .field("pixel-aspect-ratio", gst::Fraction::new(1, 1))
        .field("interlace-mode", "progressive");
    if shape.samples.fixed_point() {
        caps = caps.field("noisemeter-fixed-point", true);
    }
    Ok(caps.build())
}

fn push_all(
    source: &gst_app::AppSrc,
    plan: Plan,
    shape: Shape,
    info: &gst_video::VideoInfo,
    threads: u32,
) -> Result<(), String> {
    let readers = readers(&plan, threads);
    for ((index, file), reader) in plan.files.iter().zip(readers.iter().cycle()) {
        let picture = reader.recv().map_err(|_| "a reader of images stopped".to_owned())??;
        if picture.shape != shape {
            return Err(format!("{} is {}, but the first file is {shape}", name(file), picture.shape));
        }
        let mut buffer = gst::Buffer::from_mut_slice(padded(picture, info));
        let (start, end) = (plan.time(*index), plan.time(index + 1));
        if let Some(buffer) = buffer.get_mut() {
            buffer.set_pts(gst::ClockTime::from_nseconds(start));
            buffer.set_duration(gst::ClockTime::from_nseconds(end.saturating_sub(start)));
            buffer.set_offset(*index);
        }
        if source.push_buffer(buffer).is_err() {
            // The pipeline has ended and has said why.
            return Ok(());
        }
    }
    // As above.
    let _ = source.end_of_stream();
    Ok(())
}

/// Threads that read ahead; file k comes from reader k modulo their number.
fn readers(plan: &Plan, threads: u32) -> Vec<Receiver<Result<Picture, String>>> {
    let threads = threads.max(1) as usize;
    (0..threads)
        .map(|thread| {
            let (sender, receiver) = sync_channel(1);
            let files: Vec<Numbered> =
                plan.files.iter().skip(thread).step_by(threads).map(|(_, file)| file.clone()).collect();
            std::thread::spawn(move || {
                for file in files {
                    if sender.send(read(&file)).is_err() {
                        break;
                    }
                }
            });
            receiver
        })
        .collect()
}

fn read(file: &Numbered) -> Result<Picture, String> {
    decode(&file.path).map_err(|problem| format!("{}: {problem}", name(file)))
}

fn name(file: &Numbered) -> String {
    shown(file.path.file_name().unwrap_or_default())
}

/// Rows at the distance that GStreamer expects of a buffer without further word.
fn padded(picture: Picture, info: &gst_video::VideoInfo) -> Vec<u8> {
    let row = picture.shape.width as usize * picture.shape.samples.pixel_bytes();
    let stride = info.stride().first().and_then(|&stride| usize::try_from(stride).ok()).unwrap_or(row);
    if stride <= row {
        return picture.bytes;
    }
    let mut bytes = Vec::with_capacity(info.size());
    for samples in picture.bytes.chunks(row.max(1)) {
        bytes.extend_from_slice(samples);
        bytes.resize(bytes.len() + stride - samples.len(), 0);
    }
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frames_tile_at_any_rate() {
        let plan = Plan { files: Vec::new(), rate: Rate { numerator: 24_000, denominator: 1001 } };
        assert_eq!(plan.time(0), 0);
        assert_eq!(plan.time(1), 41_708_333);
        assert_eq!(plan.time(24_000), 1001 * 1_000_000_000);
    }
}
