//! The options of `simulate`, checked before anything is rendered.

use clap::ValueEnum;

use super::scenario;
use crate::cli::SimulateArgs;
use crate::errors::Error;

/// Least and most columns or rows: below, a patch of the chart is too few pixels to be worth measuring.
const SIDE: std::ops::RangeInclusive<u32> = 64..=8192;

/// What a clip is compressed with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Codec {
    /// Lossless
    Ffv1,
    /// H.265 at about two bits a pixel, as cameras record
    H265,
}

impl Codec {
    /// The name in options and files.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Ffv1 => "ffv1",
            Self::H265 => "h265",
        }
    }
}

/// What all clips share.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Settings {
    /// Columns of the picture.
    pub width: u32,
    /// Rows of the picture.
    pub height: u32,
    /// Frames a clip.
    pub frames: u32,
    /// Steps a ladder.
    pub steps: u32,
    /// Decides the noise of all clips.
    pub seed: u32,
    /// What clips are compressed with.
    pub codec: Codec,
}

/// Bits a pixel of lossy clips.
const BITS: u64 = 2;

/// Largest rate of the encoder.
const MOST_KBIT: u64 = 102_400;

impl Settings {
    /// Checks what clap has left open.
    ///
    /// # Errors
    /// Names the option.
    pub fn check(args: &SimulateArgs) -> Result<Self, Error> {
        let (width, height) = size(&args.size)?;
        Ok(Self { width, height, frames: args.frames, steps: args.steps, seed: args.seed, codec: args.codec })
    }

    /// Rate of lossy clips in kbit/s: two bits a pixel, as far as the encoder goes.
    #[must_use]
    pub fn bitrate(&self) -> Option<u32> {
        let bits = BITS * u64::from(self.width) * u64::from(self.height) * u64::from(scenario::RATE);
        let kbit = bits.div_ceil(1000).min(MOST_KBIT);
        (self.codec == Codec::H265).then_some(kbit as u32)
    }
}

fn size(text: &str) -> Result<(u32, u32), Error> {
    let sides = text.split_once('x').and_then(|(w, h)| Some((w.parse().ok()?, h.parse().ok()?)));
    let right = |side: &u32| SIDE.contains(side) && side.is_multiple_of(2);
    sides.filter(|(w, h)| right(w) && right(h)).ok_or_else(|| {
        let (least, most) = (SIDE.start(), SIDE.end());
        Error::usage(
            "--size",
            format!("{text:?} is no size of a picture; write two even numbers from {least} to {most}, as in 960x540"),
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes() {
        assert_eq!(size("960x540").expect("the default"), (960, 540));
        for text in [
            "", "960", "960x", "x540", "961x540", "960x541", "62x64", "8194x64", "-64x64", "960X540",
            "64x64x64",
        ] {
            assert!(size(text).expect_err(text).to_string().starts_with("--size: "), "{text}");
        }
    }

    #[test]
    fn rates_are_two_bits_a_pixel_up_to_what_the_encoder_takes() {
        let mut settings =
            Settings { width: 960, height: 540, frames: 24, steps: 9, seed: 1, codec: Codec::H265 };
        assert_eq!(settings.bitrate(), Some(24_884));
        (settings.width, settings.height) = (7680, 4320);
        assert_eq!(settings.bitrate(), Some(102_400));
        settings.codec = Codec::Ffv1;
        assert_eq!(settings.bitrate(), None);
    }
}
