//! EBU R 103 against a plain two-dimensional convolution, and against what theory says of white noise.

use noise_measure::format::{Channel, ComponentFormat, FrameFormat, Matrix, Model, Range, Sampling, Scan};
use noise_measure::quantile::{normal, normal_cdf};
use noise_measure::r103::outside_share;
use noise_measure::region::Rect;
use noise_measure::view::{ComponentView, Packing, Placement, Word};

/// Samples of all components of a picture, owned.
struct Frame {
    format: FrameFormat,
    planes: Vec<(usize, usize, Vec<u8>)>,
}

/// SplitMix64, as a number 0..1 without its ends.
fn uniform(index: u64) -> f64 {
    let mut bits = index.wrapping_add(1).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    bits = (bits ^ (bits >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    bits = (bits ^ (bits >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    (((bits ^ (bits >> 31)) >> 12) as f64 + 0.5) / (1_u64 << 52) as f64
}

impl Frame {
    /// `code` gives the sample of a component (by its place in the format) at x, y.
    fn new(format: FrameFormat, lines: u32, code: impl Fn(usize, usize, usize) -> u16) -> Self {
        let planes = format
            .components
            .iter()
            .enumerate()
            .map(|(index, component)| {
                let width = component.horizontal.count(format.width) as usize;
                let height = component.vertical.count(lines) as usize;
                let bytes = (0..width * height)
                    .flat_map(|at| code(index, at % width, at / width).to_le_bytes())
                    .collect();
                (width, height, bytes)
            })
            .collect();
        Self { format, planes }
    }

    fn views(&self) -> Vec<ComponentView<'_>> {
        self.planes
            .iter()
            .zip(&self.format.components)
            .map(|((width, height, bytes), component)| {
                let placement = Placement {
                    offset: 0,
                    row_stride: 2 * width,
                    sample_stride: 2,
                    width: *width,
                    height: *height,
                };
                let packing = Packing { word: Word::U16Le, shift: 0, depth: component.depth };
                ComponentView::new(component.channel, bytes, placement, packing).expect("a view")
            })
            .collect()
    }

    fn share(&self, active: Rect) -> Option<f64> {
        outside_share(&self.format, &self.views(), active)
    }

    /// Code of a component at a pixel, by the block that the pixel lies in. `row` counts rows of the buffer.
    fn at(&self, index: usize, x: usize, row: usize) -> f64 {
        let component = self.format.components[index];
        let (width, _, bytes) = &self.planes[index];
        let column = x / component.horizontal.step as usize;
        // With fields interleaved, a field's rows are subsampled among themselves.
        let step = component.vertical.step as usize;
        let row =
            if self.format.scan == Scan::Interleaved { row / 2 / step * 2 + row % 2 } else { row / step };
        let at = 2 * (row * width + column);
        f64::from(u16::from_le_bytes([bytes[at], bytes[at + 1]]))
    }

    /// The definition: levels of every pixel, R, G, B from them, then the filter in one sum over 21 neighbours.
    fn plain_share(&self, active: Rect, limits: [f64; 2]) -> f64 {
        let (left, right) = (active.x as i64, (active.x + active.width) as i64 - 1);
        let (top, bottom) = (active.y as i64, (active.y + active.height) as i64 - 1);
        let stride = if self.format.scan == Scan::Interleaved { 2 } else { 1 };
        let mut outside = 0;
        for y in top..=bottom {
            for x in left..=right {
                let mut sums = [0.0; 4];
                for (dy, down) in [(-stride, 1.0), (0, 2.0), (stride, 1.0)] {
                    let row = if (top..=bottom).contains(&(y + dy)) { y + dy } else { y };
                    for (dx, across) in (-3_i64..=3).zip([1.0, 2.0, 3.0, 4.0, 3.0, 2.0, 1.0]) {
                        let column = (x + dx).clamp(left, right);
                        let levels = self.levels(column as usize, row as usize);
                        for (sum, level) in sums.iter_mut().zip(levels) {
                            *sum += down * across * level / 64.0;
                        }
                    }
                }
                outside += u64::from(sums.iter().any(|level| *level < limits[0] || *level > limits[1]));
            }
        }
        outside as f64 / (f64::from(active.width) * f64::from(active.height))
    }

    /// Y, R, G, B in percent.
    fn levels(&self, x: usize, row: usize) -> [f64; 4] {
        let percent = |index: usize| {
            let component = self.format.components[index];
            self.format.scale(component.channel, component.depth).percent(self.at(index, x, row))
        };
        let [kr, kg, kb] = self.format.matrix.luma_weights();
        match self.format.model {
            Model::Gray => [percent(0); 4],
            Model::Rgb => {
                let [r, g, b] = [0, 1, 2].map(percent);
                [kr * r + kg * g + kb * b, r, g, b]
            }
            _ => {
                let [y, cb, cr] = [0, 1, 2].map(percent);
                let (r, b) = (y + 2.0 * (1.0 - kr) * cr, y + 2.0 * (1.0 - kb) * cb);
                [y, r, (y - kr * r - kb * b) / kg, b]
            }
        }
    }
}

fn component(channel: Channel, depth: u32, across: u32, down: u32) -> ComponentFormat {
    ComponentFormat {
        channel,
        depth,
        horizontal: Sampling::subsampled(across),
        vertical: Sampling::subsampled(down),
    }
}

fn yuv(
    width: u32,
    height: u32,
    depth: u32,
    [across, down]: [u32; 2],
    range: Range,
    scan: Scan,
) -> FrameFormat {
    let components = [(Channel::Y, 1, 1), (Channel::Cb, across, down), (Channel::Cr, across, down)]
        .map(|(channel, across, down)| component(channel, depth, across, down))
        .to_vec();
    FrameFormat { width, height, components, model: Model::Yuv, range, matrix: Matrix::Bt709, scan }
}

fn gray(width: u32, height: u32, depth: u32, range: Range) -> FrameFormat {
    let components = vec![component(Channel::Y, depth, 1, 1)];
    FrameFormat {
        width,
        height,
        components,
        model: Model::Gray,
        range,
        matrix: Matrix::Bt709,
        scan: Scan::Progressive,
    }
}

/// Share of the variance of white noise that both filters leave: (44/256)·(6/16).
const FILTER_GAIN: f64 = 44.0 / 256.0 * 6.0 / 16.0;

/// Limits of 8 and of 10 bits, in percent.
const LIMITS_8: [f64; 2] = [-1100.0 / 219.0, 23000.0 / 219.0];
const LIMITS_10: [f64; 2] = [-4400.0 / 876.0, 92000.0 / 876.0];

#[test]
fn equals_the_plain_convolution() {
    let whole = |format: &FrameFormat| Rect { x: 0, y: 0, width: format.width, height: format.height };
    let inner =
        |format: &FrameFormat| Rect { x: 3, y: 5, width: format.width - 7, height: format.height - 8 };
    let mut formats = Vec::new();
    for scan in [Scan::Progressive, Scan::Interleaved] {
        for subsampling in [[1, 1], [2, 1], [2, 2], [4, 1]] {
            for range in [Range::Narrow, Range::Full] {
                formats.push((yuv(37, 24, 10, subsampling, range, scan), LIMITS_10));
                formats.push((yuv(22, 28, 8, subsampling, range, scan), LIMITS_8));
            }
        }
    }
    let colours = [Channel::R, Channel::G, Channel::B].map(|channel| component(channel, 10, 1, 1)).to_vec();
    let rgb = FrameFormat { components: colours, model: Model::Rgb, ..gray(31, 23, 10, Range::Narrow) };
    formats.push((rgb, LIMITS_10));
    formats.push((gray(31, 23, 10, Range::Narrow), LIMITS_10));
    formats.push((gray(1, 1, 8, Range::Narrow), LIMITS_8));
    let mut between = 0;
    for (number, (format, limits)) in formats.into_iter().enumerate() {
        let top = f64::from((1_u32 << format.components[0].depth) - 1);
        let lines = format.height;
        let frame = Frame::new(format, lines, |index, x, y| {
            // Blocks of one level under noise, so that a part of the picture is outside and a part is not.
            let place = (number * 8 + index) as u64 * 1_000_000;
            let level = uniform(place + (x / 6 + 100 * (y / 6)) as u64);
            let noise = uniform(place + 500_000 + (x + 500 * y) as u64);
            let level = if index == 0 { level } else { 0.35 + 0.3 * level };
            (top * (0.9 * level + 0.1 * noise)) as u16
        });
        let mut parts = vec![whole(&frame.format)];
        if frame.format.width > 8 {
            parts.push(inner(&frame.format));
        }
        for active in parts {
            let (found, plain) = (frame.share(active).expect("a share"), frame.plain_share(active, limits));
            assert!((found - plain).abs() < 1e-12, "{number} {active:?}: {found} for {plain}");
            between += usize::from(plain > 0.0 && plain < 1.0);
        }
    }
    assert!(between > 50, "{between} comparisons had pixels on both sides");
}

#[test]
fn limits_themselves_are_inside() {
    for (code, share) in [(19, 1.0), (20, 0.0), (984, 0.0), (985, 1.0)] {
        let frame = Frame::new(gray(40, 30, 10, Range::Narrow), 30, |_, _, _| code);
        assert_eq!(frame.share(Rect { x: 0, y: 0, width: 40, height: 30 }), Some(share), "{code}");
        let format = yuv(40, 30, 10, [2, 2], Range::Narrow, Scan::Progressive);
        let frame = Frame::new(format, 30, |index, _, _| if index == 0 { code } else { 512 });
        assert_eq!(frame.share(Rect { x: 0, y: 0, width: 40, height: 30 }), Some(share), "{code}");
    }
}

#[test]
fn white_noise_fails_raw_and_passes_filtered() {
    // Noise of 2 % at 103 %: 15.9 % of it lies above 105 % as it is, 0.004 % once filtered. The limit itself is at
    // 105.02 %. Codes are whole at 10 bits and carried in 12, whose limit 3935 lies between 983 and 984.
    const SIZE: u32 = 2000;
    const CODES: f64 = 8.76;
    let (level, spread) = (64.0 + CODES * 103.0, CODES * 2.0);
    let frame = Frame::new(gray(SIZE, SIZE, 12, Range::Narrow), SIZE, |_, x, y| {
        (4.0 * (level + spread * normal(uniform((x + SIZE as usize * y) as u64))).round()) as u16
    });
    let n = f64::from(SIZE).powi(2);
    let beyond = |threshold: f64, sigma: f64| 1.0 - normal_cdf((threshold - level) / sigma);

    let above = |code: &[u8]| u16::from_le_bytes([code[0], code[1]]) > 3935;
    let raw = frame.planes[0].2.chunks(2).filter(|code| above(code)).count() as f64 / n;
    // Codes from 984 on are above: in levels, half a code earlier.
    let expected = beyond(983.5, spread);
    assert!((raw - expected).abs() < 4.0 * (expected * (1.0 - expected) / n).sqrt(), "{raw} for {expected}");
    // Against 105 % sharp: the threshold differs by 983.5 − 983.8 codes, 0.017 σ of density 0.242.
    let shift = (64.0 + CODES * 105.0 - 983.5) / spread * 0.242;
    assert!((raw - 0.159).abs() < shift + 0.0015, "{raw}");

    // Rounding adds 1/12 code² before the filter. Filtered neighbours go together: one independent value in
    // Σρ = 5.818·2.667 pixels.
    let sigma = (FILTER_GAIN * (spread * spread + 1.0 / 12.0)).sqrt();
    let expected = beyond(3935.0 / 4.0, sigma);
    let error = 4.0 * (expected * 5.818 * 2.667 / n).sqrt();
    let found = frame.share(Rect { x: 0, y: 0, width: SIZE, height: SIZE }).expect("a share");
    assert!((found - expected).abs() < error, "{found} for {expected} within {error}");
    assert!(expected < 5e-5, "0.004 %");
}

#[test]
fn filtered_noise_has_the_spread_that_theory_says() {
    // A level one σ of the filtered noise above the lower limit leaves 15.87 % outside.
    const SIZE: u32 = 1200;
    let spread = 40.0;
    let sigma = (FILTER_GAIN * (f64::powi(spread, 2) + 1.0 / 12.0)).sqrt();
    let level = 1293.0 + sigma;
    let frame = Frame::new(gray(SIZE, SIZE, 16, Range::Narrow), SIZE, |_, x, y| {
        (level + spread * normal(uniform((x + SIZE as usize * y) as u64))).round() as u16
    });
    let n = f64::from(SIZE).powi(2);
    let expected = 1.0 - normal_cdf(1.0);
    let error = 4.0 * (expected * (1.0 - expected) * 5.818 * 2.667 / n).sqrt();
    let found = frame.share(Rect { x: 0, y: 0, width: SIZE, height: SIZE }).expect("a share");
    assert!((found - expected).abs() < error, "{found} for {expected} within {error}");
}

#[test]
fn what_has_no_such_levels() {
    let whole = Rect { x: 0, y: 0, width: 8, height: 8 };
    let frame = Frame::new(gray(8, 8, 10, Range::Fixed), 8, |_, _, _| 500);
    assert_eq!(frame.share(whole), None);
    let frame = Frame::new(gray(8, 8, 10, Range::Narrow), 8, |_, _, _| 500);
    assert_eq!(outside_share(&frame.format, &[], whole), None);
    assert_eq!(frame.share(Rect { x: 8, y: 0, width: 4, height: 4 }), None);
    assert_eq!(frame.share(Rect { x: 4, y: 4, width: u32::MAX, height: u32::MAX }), Some(0.0));
    let larger = FrameFormat { height: 9, ..frame.format.clone() };
    assert_eq!(outside_share(&larger, &frame.views(), Rect { height: 9, ..whole }), None);
    let mosaic = [Channel::R, Channel::G1, Channel::G2, Channel::B]
        .map(|channel| ComponentFormat {
            channel,
            depth: 10,
            horizontal: Sampling::mosaic(0),
            vertical: Sampling::mosaic(0),
        })
        .to_vec();
    let format = FrameFormat { components: mosaic, model: Model::Bayer, ..gray(8, 8, 10, Range::Full) };
    assert_eq!(Frame::new(format, 8, |_, _, _| 500).share(whole), None);
}

#[test]
fn one_field_a_buffer() {
    // Rows of one field: 12 of a frame of 24; rows 6..18 of the frame are rows 3..9 of the buffer.
    let format = yuv(16, 24, 8, [2, 1], Range::Narrow, Scan::Alternate);
    let frame = Frame::new(format, 12, |index, _, y| match index {
        0 if (3..9).contains(&y) => 255,
        0 => 100,
        _ => 128,
    });
    assert_eq!(frame.share(Rect { x: 0, y: 6, width: 16, height: 12 }), Some(1.0));
    assert_eq!(frame.share(Rect { x: 0, y: 18, width: 16, height: 6 }), Some(0.0));
}
