//! Formats of frames.

use noise_measure::format::{Channel, ComponentFormat, FrameFormat, Matrix, Model, Range, Sampling, Scan};

/// A progressive BT.709 format whose components all have `depth` bits; those after the first are subsampled.
fn format(
    channels: &[Channel],
    model: Model,
    (width, height): (u32, u32),
    depth: u32,
    range: Range,
    [across, down]: [Sampling; 2],
) -> FrameFormat {
    let component = |(index, &channel): (usize, &Channel)| ComponentFormat {
        channel,
        depth,
        horizontal: if index == 0 { Sampling::FULL } else { across },
        vertical: if index == 0 { Sampling::FULL } else { down },
    };
    FrameFormat {
        width,
        height,
        components: channels.iter().enumerate().map(component).collect(),
        model,
        range,
        matrix: Matrix::Bt709,
        scan: Scan::Progressive,
    }
}

/// Luma alone.
#[must_use]
pub fn grey(size: (u32, u32), depth: u32, range: Range) -> FrameFormat {
    format(&[Channel::Y], Model::Gray, size, depth, range, [Sampling::FULL; 2])
}

/// R, G and B.
#[must_use]
pub fn rgb(size: (u32, u32), depth: u32, range: Range) -> FrameFormat {
    format(&[Channel::R, Channel::G, Channel::B], Model::Rgb, size, depth, range, [Sampling::FULL; 2])
}

/// Y, Cb and Cr, chroma at one sample on `across` × `down` pixels (1 or 2).
#[must_use]
pub fn yuv(size: (u32, u32), depth: u32, range: Range, [across, down]: [u32; 2]) -> FrameFormat {
    let sampling = |step| if step == 1 { Sampling::FULL } else { Sampling::subsampled(step) };
    let channels = [Channel::Y, Channel::Cb, Channel::Cr];
    format(&channels, Model::Yuv, size, depth, range, [sampling(across), sampling(down)])
}
