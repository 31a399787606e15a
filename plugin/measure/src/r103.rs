//! Share of a frame outside the levels of EBU R 103 (v3.0, 2020), after the filter that it asks for.
//!
//! R 103 lets Y and each of R, G and B leave the nominal range by 5 % of its codes. It is judged after a low-pass filter,
//! horizontal \[1 2 3 4 3 2 1\]/16 and vertical \[1 2 1\]/4 within a field, which keeps white noise and narrow overshoots
//! from counting. What the recommendation leaves open is decided here:
//!
//! - Full range is mapped to percent and judged at the percentages that the limits are in narrow range.
//! - Each luma sample takes the chroma sample whose block it lies in; R, G and B are formed before the filter.
//! - Samples past the edge of the active picture repeat the last one inside.
//! - R, G, B within limits have their Y within them too, so RGB pictures need no test of Y.

use std::ops::Range as Span;

use crate::frame::format::{Channel, ComponentFormat, FrameFormat, Model, Range, Sampling, Scale, Scan};
use crate::frame::region::Rect;
use crate::frame::view::ComponentView;

/// Reach of the horizontal filter to each side.
const REACH: usize = 3;

/// Sum of the weights of both filters: filtered samples are kept as this many times their code.
const GAIN: i32 = 64;

/// Pixels of a row that are judged at once where all of them lie within the limits.
const BLOCK: usize = 128;

/// Rounding that a colour conversion may leave on a level that lies exactly on a limit, as a share of the range.
const ROUNDING: f64 = 1e-9;

/// Share of the pixels of `active` with Y or any of R, G, B outside EBU R 103.
///
/// Rows of `active` are those of the frame; of an alternate-field buffer every second one is looked at.
/// `None` for mosaics and fixed-point pictures, which have no such levels, where views and format disagree, and where
/// nothing of `active` lies in the picture.
#[must_use]
pub fn outside_share(format: &FrameFormat, views: &[ComponentView<'_>], active: Rect) -> Option<f64> {
    if format.range == Range::Fixed || views.len() != format.components.len() {
        return None;
    }
    let right = active.x.saturating_add(active.width).min(format.width);
    let bottom = active.y.saturating_add(active.height).min(format.height);
    let columns = active.x.min(right) as usize..right as usize;
    // Rows 2·r + parity within the active part, as rows r of that field.
    let field = |parity: u32| {
        let row = |edge: u32| (edge.saturating_sub(parity)).div_ceil(2) as usize;
        row(active.y)..row(bottom)
    };
    let mut picture = Picture::new(format, columns)?;
    let mut counts = Counts::default();
    match format.scan {
        Scan::Progressive => picture.count(views, active.y as usize..bottom as usize, &mut counts)?,
        Scan::Alternate => picture.count(views, field(0), &mut counts)?,
        Scan::Interleaved => {
            for parity in 0..2 {
                let views: Vec<ComponentView<'_>> =
                    views.iter().map(|view| view.field(parity as usize)).collect();
                picture.count(&views, field(parity), &mut counts)?;
            }
        }
    }
    (counts.pixels > 0).then(|| counts.outside as f64 / counts.pixels as f64)
}

#[derive(Default)]
struct Counts {
    pixels: u64,
    outside: u64,
}

/// Lowest and highest level allowed at `depth` bits, as shares of the nominal range, with [`ROUNDING`].
///
/// 5 % of the codes from black to white, both counted, to the nearest code: 5..246 at 8 bits, 20..984 at 10.
fn limits(depth: u32) -> [f64; 2] {
    // Below 8 bits the rounding would be coarser than the tolerance.
    let scale = Scale::new(Range::Narrow, Channel::Y, depth.max(8));
    let tolerance = 0.05 * (scale.span + 1.0);
    let level = |code: f64| (code - scale.black) / scale.span;
    [
        level((scale.black - tolerance).round()) - ROUNDING,
        level((scale.black + scale.span + tolerance).round()) + ROUNDING,
    ]
}

/// A component with its rolling rows.
struct Plane {
    /// Which view.
    index: usize,
    format: ComponentFormat,
    /// Levels are (filtered − black)·gain, as shares of the nominal range.
    black: f64,
    gain: f64,
    limits: [f64; 2],
    /// Horizontally filtered rows before, at and after the current one.
    rows: [Vec<i32>; 3],
    /// Smallest and largest value of every [`BLOCK`] of `rows`.
    extremes: [Vec<[i32; 2]>; 3],
    /// Levels of the current block after both filters.
    levels: [f64; BLOCK],
}

impl Plane {
    /// Writes the filtered levels of block `block` of the current row.
    fn level(&mut self, block: usize) {
        let [before, at, after] =
            self.rows.each_ref().map(|row| row.get(block * BLOCK..).unwrap_or_default());
        let (black, gain) = (self.black, self.gain);
        for (level, ((before, at), after)) in self.levels.iter_mut().zip(before.iter().zip(at).zip(after)) {
            *level = (f64::from(before + 2 * at + after) - black) * gain;
        }
    }

    /// Levels between which those of block `block` lie.
    fn bounds(&self, block: usize) -> [f64; 2] {
        let [before, at, after] = self.extremes.each_ref().map(|row| row[block]);
        std::array::from_fn(|end| {
            (f64::from(before[end] + 2 * at[end] + after[end]) - self.black) * self.gain
        })
    }

    fn rotate(&mut self) {
        self.rows.rotate_left(1);
        self.extremes.rotate_left(1);
    }
}

/// Whether a level is outside, as 0 or 1, so that rows are counted without branches.
#[inline(always)]
fn beyond(level: f64, [low, high]: [f64; 2]) -> u32 {
    u32::from((level < low) | (level > high))
}

/// How levels are judged once they are filtered.
enum Judge {
    /// Each plane by itself: Y alone, or R, G, B.
    Each,
    /// Y, Cb, Cr: luma itself, and R, G, B formed from all three.
    Colours { red: f64, green: [f64; 2], blue: f64 },
}

/// The active columns of a picture, read row by row.
struct Picture {
    columns: Span<usize>,
    planes: Vec<Plane>,
    judge: Judge,
    /// Codes of one row of one component, then of its samples at every pixel with both edges repeated.
    codes: Vec<u16>,
    spread: Vec<i32>,
}

impl Picture {
    fn new(format: &FrameFormat, columns: Span<usize>) -> Option<Self> {
        let (channels, judge): (&[Channel], Judge) = match format.model {
            Model::Gray => (&[Channel::Y], Judge::Each),
            Model::Rgb => (&[Channel::R, Channel::G, Channel::B], Judge::Each),
            Model::Yuv => {
                let [kr, kg, kb] = format.matrix.luma_weights();
                let (red, blue) = (2.0 * (1.0 - kr), 2.0 * (1.0 - kb));
                let green = [-kb * blue / kg, -kr * red / kg];
                (&[Channel::Y, Channel::Cb, Channel::Cr], Judge::Colours { red, green, blue })
            }
            Model::Bayer => return None,
        };
        let planes = channels
            .iter()
            .map(|&channel| {
                let index = format.components.iter().position(|component| component.channel == channel)?;
                let component = format.components[index];
                let scale = format.scale(channel, component.depth);
                Some(Plane {
                    index,
                    format: component,
                    black: f64::from(GAIN) * scale.black,
                    gain: 1.0 / (f64::from(GAIN) * scale.span),
                    limits: limits(component.depth),
                    rows: std::array::from_fn(|_| vec![0; columns.len()]),
                    extremes: std::array::from_fn(|_| vec![[0; 2]; columns.len().div_ceil(BLOCK)]),
                    levels: [0.0; BLOCK],
                })
            })
            .collect::<Option<Vec<_>>>()?;
        Some(Self { codes: Vec::new(), spread: vec![0; columns.len() + 2 * REACH], columns, planes, judge })
    }

    /// Adds the pixels of `rows`, of one field or of a progressive frame; `None` where a view is too small for them.
    fn count(&mut self, views: &[ComponentView<'_>], rows: Span<usize>, counts: &mut Counts) -> Option<()> {
        if rows.is_empty() || self.columns.is_empty() {
            return Some(());
        }
        let last = rows.end - 1;
        for plane in 0..self.planes.len() {
            self.load(views, plane, rows.start, 1)?;
            self.load(views, plane, (rows.start + 1).min(last), 2)?;
            let plane = &mut self.planes[plane];
            let [before, at, _] = &mut plane.rows;
            before.clone_from(at);
            let [before, at, _] = &mut plane.extremes;
            before.clone_from(at);
        }
        for row in rows {
            counts.outside += self.outside();
            counts.pixels += self.columns.len() as u64;
            for plane in 0..self.planes.len() {
                self.planes[plane].rotate();
                self.load(views, plane, (row + 2).min(last), 2)?;
            }
        }
        Some(())
    }

    /// Pixels of the current row outside the limits.
    fn outside(&mut self) -> u64 {
        let pixels = self.columns.len();
        let mut outside = 0;
        for block in 0..pixels.div_ceil(BLOCK) {
            if !self.is_inside(block) {
                self.planes.iter_mut().for_each(|plane| plane.level(block));
                outside += u64::from(self.outside_of_block(BLOCK.min(pixels - block * BLOCK)));
            }
        }
        outside
    }

    /// Whether the bounds of a block alone tell that none of it is outside.
    ///
    /// Exact: sums and products that are rounded never fall where what goes in rises, so no pixel of the block exceeds
    /// what the same expression gives for the bounds.
    fn is_inside(&self, block: usize) -> bool {
        let within = |ends: [f64; 2], limits| ends.iter().all(|&level| beyond(level, limits) == 0);
        match (&self.judge, &self.planes[..]) {
            (&Judge::Colours { red, green: [of_cb, of_cr], blue }, [luma, cb, cr]) => {
                let limits = luma.limits;
                let [y, cb, cr] = [luma, cb, cr].map(|plane| plane.bounds(block));
                within(y, limits)
                    && within([0, 1].map(|end| y[end] + red * cr[end]), limits)
                    // Green falls where colour differences rise.
                    && within([0, 1].map(|end| y[end] + of_cb * cb[1 - end] + of_cr * cr[1 - end]), limits)
                    && within([0, 1].map(|end| y[end] + blue * cb[end]), limits)
            }
            (_, planes) => planes.iter().all(|plane| within(plane.bounds(block), plane.limits)),
        }
    }

    /// Pixels outside among the first `pixels` of the current block.
    fn outside_of_block(&self, pixels: usize) -> u32 {
        fn first(plane: &Plane, pixels: usize) -> &[f64] {
            &plane.levels[..pixels]
        }
        match (&self.judge, &self.planes[..]) {
            (&Judge::Colours { red, green: [of_cb, of_cr], blue }, [luma, cb, cr]) => {
                let limits = luma.limits;
                (first(luma, pixels).iter().zip(first(cb, pixels)).zip(first(cr, pixels)))
                    .map(|((y, cb), cr)| {
                        beyond(*y, limits)
                            | beyond(y + red * cr, limits)
                            | beyond(y + of_cb * cb + of_cr * cr, limits)
                            | beyond(y + blue * cb, limits)
                    })
                    .sum()
            }
            (_, [r, g, b]) => (first(r, pixels).iter().zip(first(g, pixels)).zip(first(b, pixels)))
                .map(|((red, green), blue)| {
                    beyond(*red, r.limits) | beyond(*green, g.limits) | beyond(*blue, b.limits)
                })
                .sum(),
            (_, planes) => planes
                .iter()
                .flat_map(|plane| first(plane, pixels).iter().map(|y| beyond(*y, plane.limits)))
                .sum(),
        }
    }

    /// Reads picture row `row` of a plane, spreads its samples over the pixels, and filters it into `rows[slot]`.
    fn load(&mut self, views: &[ComponentView<'_>], plane: usize, row: usize, slot: usize) -> Option<()> {
        let plane = &mut self.planes[plane];
        let view = views.get(plane.index)?;
        let ComponentFormat { horizontal, vertical, .. } = plane.format;
        let row = sample_at(vertical, row);
        let (first, last) =
            (sample_at(horizontal, self.columns.start), sample_at(horizontal, self.columns.end - 1));
        if row >= view.height() || last >= view.width() {
            return None;
        }
        self.codes.resize(last - first + 1, 0);
        view.read_row(row, first, &mut self.codes);

        let pixels = self.columns.len();
        let inner = &mut self.spread[REACH..REACH + pixels];
        if horizontal.step == 1 {
            for (pixel, &code) in inner.iter_mut().zip(&self.codes) {
                *pixel = i32::from(code);
            }
        } else {
            // Pixels of a block share its sample; the first block may begin before the first pixel.
            let step = horizontal.step.max(1) as usize;
            let skipped = self.columns.start.saturating_sub(horizontal.phase as usize + first * step);
            let (head, rest) = inner.split_at_mut((step - skipped).min(pixels));
            head.fill(i32::from(self.codes[0]));
            let codes = self.codes.get(1..).unwrap_or_default();
            match step {
                2 => repeat::<2>(codes, rest),
                4 => repeat::<4>(codes, rest),
                _ => rest.chunks_mut(step).zip(codes).for_each(|(block, &code)| block.fill(i32::from(code))),
            }
        }
        let (left, right) = (self.spread[REACH], self.spread[REACH + pixels - 1]);
        self.spread[..REACH].fill(left);
        self.spread[REACH + pixels..].fill(right);
        for (filtered, near) in plane.rows[slot].iter_mut().zip(self.spread.windows(2 * REACH + 1)) {
            *filtered = near[0] + near[6] + 2 * (near[1] + near[5]) + 3 * (near[2] + near[4]) + 4 * near[3];
        }
        for (ends, values) in plane.extremes[slot].iter_mut().zip(plane.rows[slot].chunks(BLOCK)) {
            *ends = extremes(values);
        }
        Some(())
    }
}

/// Writes each code `N` times, the last one as often as there is room; a loop of known length is what makes it fast.
fn repeat<const N: usize>(codes: &[u16], out: &mut [i32]) {
    let (blocks, rest) = out.as_chunks_mut::<N>();
    let last = codes.get(blocks.len());
    blocks.iter_mut().zip(codes).for_each(|(block, &code)| *block = [i32::from(code); N]);
    if let Some(&last) = last {
        rest.fill(i32::from(last));
    }
}

/// Smallest and largest value.
fn extremes(values: &[i32]) -> [i32; 2] {
    /// Values that are compared side by side.
    const LANES: usize = 8;
    let (groups, rest) = values.as_chunks::<LANES>();
    let (mut low, mut high) = ([i32::MAX; LANES], [i32::MIN; LANES]);
    for group in groups {
        for lane in 0..LANES {
            low[lane] = low[lane].min(group[lane]);
            high[lane] = high[lane].max(group[lane]);
        }
    }
    let all = |ends: [i32; LANES]| ends.into_iter().chain(rest.iter().copied());
    [all(low).min().unwrap_or(i32::MAX), all(high).max().unwrap_or(i32::MIN)]
}

/// The sample whose block pixel `at` lies in.
fn sample_at(sampling: Sampling, at: usize) -> usize {
    at.saturating_sub(sampling.phase as usize) / (sampling.step.max(1) as usize)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_are_those_of_the_recommendation() {
        // EBU QC item 0051B for 8 and 10 bits; 12 and 16 bits by the same rule.
        for (depth, low, high) in
            [(8, 5.0, 246.0), (10, 20.0, 984.0), (12, 81.0, 3935.0), (16, 1293.0, 62963.0)]
        {
            let scale = Scale::new(Range::Narrow, Channel::Y, depth);
            let [found_low, found_high] = limits(depth).map(|level| scale.black + level * scale.span);
            let rounding = 1.01 * ROUNDING * scale.span;
            assert!((found_low - low).abs() < rounding && (found_high - high).abs() < rounding, "{depth}");
        }
        assert_eq!(limits(5), limits(8));
    }
}
