//! Where a rectangle of the picture lies in the samples of a component.

use crate::frame::format::{ComponentFormat, FrameFormat, Scan};
use crate::frame::region::Rect;

/// A rectangle of samples.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    /// First sample of a row.
    pub x: usize,
    /// First row.
    pub y: usize,
    /// Samples a row.
    pub width: usize,
    /// Rows.
    pub height: usize,
}

impl Place {
    /// Samples in it.
    #[must_use]
    pub const fn samples(self) -> usize {
        self.width * self.height
    }
}

/// The samples of `component` whose whole footprint lies in `rect`, in lines of the field `parity` where there are fields.
#[must_use]
pub fn field_place(format: &FrameFormat, component: &ComponentFormat, rect: Rect, parity: usize) -> Place {
    let (right, bottom) = (rect.x.saturating_add(rect.width), rect.y.saturating_add(rect.height));
    let (top, end) = match format.scan {
        Scan::Progressive => (rect.y, bottom),
        Scan::Interleaved | Scan::Alternate => {
            // Line f of the field is row 2f + parity of the frame.
            let line = |row: u32| row.saturating_sub(parity as u32 & 1).div_ceil(2);
            (line(rect.y), line(bottom))
        }
    };
    let (x0, x1) = component.horizontal.inside(format.width, rect.x, right);
    let (y0, y1) = component.vertical.inside(format.lines(parity), top, end);
    Place { x: x0 as usize, y: y0 as usize, width: (x1 - x0) as usize, height: (y1 - y0) as usize }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::format::{Channel, Matrix, Model, Range, Sampling};

    fn format(scan: Scan, width: u32, height: u32) -> FrameFormat {
        FrameFormat {
            width,
            height,
            components: Vec::new(),
            model: Model::Yuv,
            range: Range::Narrow,
            matrix: Matrix::Bt709,
            scan,
        }
    }

    fn chroma(step_x: u32, step_y: u32) -> ComponentFormat {
        ComponentFormat {
            channel: Channel::Cb,
            depth: 8,
            horizontal: Sampling::subsampled(step_x),
            vertical: Sampling::subsampled(step_y),
        }
    }

    /// The rule itself, asked of every sample.
    fn by_hand(size: u32, sampling: Sampling, start: u32, end: u32) -> (u32, u32) {
        let inside: Vec<u32> = (0..sampling.count(size))
            .filter(|i| {
                let first = i * sampling.step + sampling.phase;
                first >= start && (first + sampling.footprint).min(size) <= end
            })
            .collect();
        inside.first().map_or((0, 0), |&first| (first, first + inside.len() as u32))
    }

    #[test]
    fn samples_belong_by_their_whole_footprint() {
        let samplings = [1, 2, 4].map(Sampling::subsampled).into_iter().chain([0, 1].map(Sampling::mosaic));
        for sampling in samplings {
            for size in 1..14 {
                for start in 0..size {
                    for end in start + 1..=size {
                        let (first, last) = sampling.inside(size, start, end);
                        let want = by_hand(size, sampling, start, end);
                        if want.0 == want.1 {
                            assert_eq!(first, last, "{sampling:?} {size} {start}..{end}");
                        } else {
                            assert_eq!((first, last), want, "{sampling:?} {size} {start}..{end}");
                        }
                    }
                }
            }
        }
    }

    #[test]
    fn an_odd_edge_cuts_the_footprint_to_the_frame() {
        let got = field_place(
            &format(Scan::Progressive, 35, 27),
            &chroma(2, 2),
            Rect { x: 32, y: 24, width: 3, height: 3 },
            0,
        );
        assert_eq!(got, Place { x: 16, y: 12, width: 2, height: 2 });
    }

    #[test]
    fn fields_share_the_rows_of_a_rectangle() {
        let rect = Rect { x: 0, y: 3, width: 4, height: 5 };
        let luma = chroma(1, 1);
        let upper = field_place(&format(Scan::Interleaved, 4, 20), &luma, rect, 0);
        let lower = field_place(&format(Scan::Interleaved, 4, 20), &luma, rect, 1);
        // Rows 3..8 of the frame: 4 and 6 are lines 2, 3 of the upper field; 3, 5, 7 are lines 1, 2, 3 of the lower.
        assert_eq!((upper.y, upper.height), (2, 2));
        assert_eq!((lower.y, lower.height), (1, 3));
    }
}
