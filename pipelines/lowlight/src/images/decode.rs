//! One image file into rows of samples that GStreamer has a format for.

use std::fs::File;
use std::io::{BufReader, Read};
use std::path::Path;

use exr::prelude::{FlatSamples, ReadChannels, ReadLayers};
use image::{DynamicImage, ImageReader};

/// First bytes of an EXR file (its specification, "Magic Number").
const EXR_MAGIC: [u8; 4] = [0x76, 0x2f, 0x31, 0x01];
/// What a float sample of 1.0 becomes times eight: code 65535 stands for light 8.0.
const FIXED_POINT_FULL: f32 = 8.0;

/// What the samples of a picture are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Samples {
    /// 8-bit grey.
    Grey8,
    /// 16-bit grey.
    Grey16,
    /// 8-bit red, green, blue.
    Colour8,
    /// 16-bit alpha, red, green, blue; alpha is 65535.
    Colour16,
    /// Float grey as fixed point.
    FixedGrey,
    /// Float red, green, blue as fixed point.
    FixedColour,
}

impl Samples {
    /// Name of the video format.
    #[must_use]
    pub fn format(self) -> &'static str {
        match self {
            Self::Grey8 => "GRAY8",
            Self::Grey16 | Self::FixedGrey => "GRAY16_LE",
            Self::Colour8 => "RGB",
            Self::Colour16 | Self::FixedColour => "ARGB64_LE",
        }
    }

    /// Bytes of a pixel.
    #[must_use]
    pub fn pixel_bytes(self) -> usize {
        match self {
            Self::Grey8 => 1,
            Self::Grey16 | Self::FixedGrey => 2,
            Self::Colour8 => 3,
            Self::Colour16 | Self::FixedColour => 8,
        }
    }

    /// Whether codes are round(65535·x/8) of float light x.
    #[must_use]
    pub fn fixed_point(self) -> bool {
        matches!(self, Self::FixedGrey | Self::FixedColour)
    }

    fn words(self) -> &'static str {
        match self {
            Self::Grey8 => "8-bit grey",
            Self::Grey16 => "16-bit grey",
            Self::Colour8 => "8-bit RGB",
            Self::Colour16 => "16-bit RGB",
            Self::FixedGrey => "float grey",
            Self::FixedColour => "float RGB",
        }
    }
}

/// Size and kind of a picture; equal for all pictures of a sequence.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shape {
    /// Pixels a row.
    pub width: u32,
    /// Rows.
    pub height: u32,
    /// What the samples are.
    pub samples: Samples,
}

impl std::fmt::Display for Shape {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(formatter, "{}x{} {}", self.width, self.height, self.samples.words())
    }
}

/// A picture in memory, rows without padding, top row first.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Picture {
    /// Size and kind.
    pub shape: Shape,
    /// Rows of `width · pixel_bytes` bytes, little-endian.
    pub bytes: Vec<u8>,
}

/// Reads the image at `path`; alpha is left out.
///
/// # Errors
/// One sentence on what is wrong with the file.
pub fn decode(path: &Path) -> Result<Picture, String> {
    let mut file = File::open(path).map_err(|error| error.to_string())?;
    let mut magic = [0; 4];
    if file.read_exact(&mut magic).is_ok() && magic == EXR_MAGIC {
        return decode_exr(path);
    }
    let reader = ImageReader::open(path).and_then(ImageReader::<BufReader<File>>::with_guessed_format);
    let image = reader.map_err(|error| error.to_string())?.decode().map_err(|error| error.to_string())?;
    from_image(image)
}

fn from_image(image: DynamicImage) -> Result<Picture, String> {
    let (width, height) = (image.width(), image.height());
    let (samples, bytes) = match image {
        DynamicImage::ImageLuma8(grey) => (Samples::Grey8, grey.into_raw()),
        DynamicImage::ImageLumaA8(grey) => (Samples::Grey8, every_first(&grey, 2, 1)),
        DynamicImage::ImageRgb8(colour) => (Samples::Colour8, colour.into_raw()),
        DynamicImage::ImageRgba8(colour) => (Samples::Colour8, every_first(&colour, 4, 3)),
        DynamicImage::ImageLuma16(grey) => (Samples::Grey16, words(&grey)),
        DynamicImage::ImageLumaA16(grey) => (Samples::Grey16, words(&every_first(&grey, 2, 1))),
        DynamicImage::ImageRgb16(colour) => (Samples::Colour16, with_alpha(colour.chunks_exact(3))),
        DynamicImage::ImageRgba16(colour) => (Samples::Colour16, with_alpha(colour.chunks_exact(4))),
        DynamicImage::ImageRgb32F(colour) => {
            (Samples::FixedColour, with_alpha(fixed(&colour).chunks_exact(3)))
        }
        DynamicImage::ImageRgba32F(colour) => {
            (Samples::FixedColour, with_alpha(fixed(&colour).chunks_exact(4)))
        }
        other => {
            return Err(format!(
                "samples of type {:?} are not read; grey or RGB of 8 or 16 bits or float are",
                other.color()
            ));
        }
    };
    Ok(Picture { shape: Shape { width, height, samples }, bytes })
}

/// The data window of the first layer with R, G and B, or Y alone.
fn decode_exr(path: &Path) -> Result<Picture, String> {
    let image = exr::prelude::read()
        .no_deep_data()
        .largest_resolution_level()
        .all_channels()
        .first_valid_layer()
        .all_attributes()
        // Files are read on several threads already.
        .non_parallel()
        .from_file(path)
        .map_err(|error| error.to_string())?;
    let size = image.layer_data.size;
    let (width, height) = (u32::try_from(size.x()).ok(), u32::try_from(size.y()).ok());
    let (width, height) = width.zip(height).ok_or("too large a picture")?;
    let pixels = size.area();
    let channels = &image.layer_data.channel_data.list;
    let channel = |name: &str| -> Result<Option<Vec<u16>>, String> {
        let Some(channel) = channels.iter().find(|channel| channel.name.eq(name)) else {
            return Ok(None);
        };
        if let FlatSamples::U32(_) = channel.sample_data {
            return Err(format!("channel {name} holds whole numbers; float samples are read"));
        }
        let samples: Vec<u16> = channel.sample_data.values_as_f32().map(fixed_point).collect();
        if samples.len() == pixels { Ok(Some(samples)) } else { Err(format!("channel {name} is subsampled")) }
    };
    if let (Some(red), Some(green), Some(blue)) = (channel("R")?, channel("G")?, channel("B")?) {
        let mut bytes = Vec::with_capacity(pixels * Samples::FixedColour.pixel_bytes());
        for ((red, green), blue) in red.iter().zip(&green).zip(&blue) {
            for code in [u16::MAX, *red, *green, *blue] {
                bytes.extend_from_slice(&code.to_le_bytes());
            }
        }
        return Ok(Picture { shape: Shape { width, height, samples: Samples::FixedColour }, bytes });
    }
    let Some(grey) = channel("Y")? else {
        let names: Vec<String> = channels.iter().map(|channel| channel.name.to_string()).collect();
        return Err(format!("channels R, G, B or Y are needed; its first layer has {}", names.join(", ")));
    };
    Ok(Picture { shape: Shape { width, height, samples: Samples::FixedGrey }, bytes: words(&grey) })
}

/// round(65535·x/8), clamped; what is not a number counts as 0, which reads as clipped.
fn fixed_point(light: f32) -> u16 {
    // The cast saturates and takes NaN to 0.
    (f64::from(light) * f64::from(u16::MAX) / f64::from(FIXED_POINT_FULL)).round() as u16
}

fn fixed(samples: &[f32]) -> Vec<u16> {
    samples.iter().copied().map(fixed_point).collect()
}

fn every_first<T: Copy>(samples: &[T], step: usize, kept: usize) -> Vec<T> {
    samples.chunks_exact(step).flat_map(|pixel| pixel.iter().take(kept)).copied().collect()
}

fn words(samples: &[u16]) -> Vec<u8> {
    samples.iter().flat_map(|code| code.to_le_bytes()).collect()
}

fn with_alpha<'a>(pixels: impl Iterator<Item = &'a [u16]>) -> Vec<u8> {
    pixels
        .flat_map(|pixel| std::iter::once(&u16::MAX).chain(pixel.iter().take(3)))
        .flat_map(|code| code.to_le_bytes())
        .collect()
}

#[cfg(test)]
mod tests {
    use image::{ImageBuffer, Luma, Rgb, Rgba};

    use super::*;

    fn saved(image: DynamicImage, name: &str) -> Picture {
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join(name);
        image.save(&path).unwrap();
        decode(&path).unwrap()
    }

    #[test]
    fn sixteen_bits_survive_in_tiff_and_png() {
        for name in ["a.tif", "a.png"] {
            let colour: ImageBuffer<Rgb<u16>, Vec<u16>> =
                ImageBuffer::from_raw(2, 1, vec![1, 256, 65535, 40_000, 3, 2]).unwrap();
            let picture = saved(colour.into(), name);
            assert_eq!(picture.shape, Shape { width: 2, height: 1, samples: Samples::Colour16 });
            assert_eq!(picture.bytes, words(&[65535, 1, 256, 65535, 65535, 40_000, 3, 2]), "{name}");
            let grey: ImageBuffer<Luma<u16>, Vec<u16>> =
                ImageBuffer::from_raw(1, 2, vec![258, 65534]).unwrap();
            let picture = saved(grey.into(), name);
            assert_eq!(picture.shape, Shape { width: 1, height: 2, samples: Samples::Grey16 });
            assert_eq!(picture.bytes, [2, 1, 254, 255], "{name}");
        }
    }

    #[test]
    fn alpha_is_left_out() {
        let colour: ImageBuffer<Rgba<u8>, Vec<u8>> = ImageBuffer::from_raw(1, 1, vec![1, 2, 3, 4]).unwrap();
        let picture = saved(colour.into(), "a.png");
        assert_eq!((picture.shape.samples, picture.bytes), (Samples::Colour8, vec![1, 2, 3]));
        let colour: ImageBuffer<Rgba<u16>, Vec<u16>> = ImageBuffer::from_raw(1, 1, vec![1, 2, 3, 4]).unwrap();
        let picture = saved(colour.into(), "a.tif");
        assert_eq!(picture.bytes, words(&[65535, 1, 2, 3]));
    }

    #[test]
    fn floats_become_fixed_point() {
        // 1.0 is code 65535/8 = 8191.875, rounded; 8.0 and beyond clip at the top, below 0 at the bottom.
        let cases = [
            (0.0, 0),
            (1.0, 8192),
            (0.18, 1475),
            (8.0, 65535),
            (9.0, 65535),
            (-1.0, 0),
            (f32::INFINITY, 65535),
        ];
        for (light, code) in cases {
            assert_eq!(fixed_point(light), code, "{light}");
        }
        assert_eq!(fixed_point(f32::NAN), 0);
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join("a.exr");
        exr::prelude::write_rgb_file(&path, 2, 1, |x, _| {
            if x == 0 { (0.18_f32, 1.0, 9.0) } else { (-1.0, 0.0, 8.0) }
        })
        .unwrap();
        let picture = decode(&path).unwrap();
        assert_eq!(picture.shape, Shape { width: 2, height: 1, samples: Samples::FixedColour });
        assert_eq!(picture.bytes, words(&[65535, 1475, 8192, 65535, 65535, 0, 0, 65535]));
    }

    #[test]
    fn what_is_no_image_is_refused() {
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join("a.tif");
        for bytes in [&b""[..], b"text", b"II*\0\x08\0\0\0", &EXR_MAGIC] {
            std::fs::write(&path, bytes).unwrap();
            assert!(decode(&path).is_err(), "{bytes:?}");
        }
    }
}
