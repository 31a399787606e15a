//! Rows of one component: read once for what is asked of every sample of a frame, and given to regions as code values.

use fearless_simd::Simd;

use crate::frame::place::Place;
use crate::frame::view::{ComponentView, Kind};
use crate::sums::collect::Rows;
use crate::sums::kernels::fingerprint::{Fingerprint, PERIOD};
use crate::sums::kernels::scan::{self, Bytes, EveryOther, Raised, Row, Values};
use crate::sums::kernels::steps::CodeSteps;
use crate::sums::patch::Patch;
use crate::sums::scan::FrameScan;

/// Bytes of the tallest component in a strip, in 16-bit samples: enough for the memory's own reading ahead to pay, and few
/// enough for a strip of all components, with what regions keep of it, to stay in the second-level cache. Where the frame
/// before is read as well, both share it.
const STRIP_BYTES: usize = 192 * 1024;
const SHARED_STRIP_BYTES: usize = 128 * 1024;
/// Most rows in a strip.
const MOST_ROWS: usize = 64;

/// Rows of a strip of a component of `width` samples.
pub fn strip_rows(width: usize, shared: bool) -> usize {
    let bytes = if shared { SHARED_STRIP_BYTES } else { STRIP_BYTES };
    (bytes / (2 * width.max(1))).clamp(1, MOST_ROWS)
}

/// Reading rows of a component for what is asked of every sample of a frame.
pub struct Read<'a> {
    /// Which codes the component uses.
    pub steps: &'a mut CodeSteps,
    /// Of the frame so far.
    pub print: Fingerprint,
    /// Where the picture's own counts go, if the component has a part in them.
    pub scan: Option<&'a mut FrameScan>,
    /// Which one it is.
    pub component: usize,
    /// The active picture.
    pub place: Place,
}

impl Read<'_> {
    /// Takes in rows `y..y + rows` of `view` where they lie; gives the extremes of those of the active picture. `None` where
    /// they do not lie as loops can read them or hold more than code values: nothing counts then but the codes that
    /// `steps` has seen, which the same rows bring again.
    #[inline(always)]
    pub fn in_place<S: Simd>(
        &mut self,
        simd: S,
        view: &ComponentView<'_>,
        y: usize,
        rows: usize,
    ) -> Option<(u16, u16)> {
        let max = view.max();
        match view.kind() {
            Kind::Bytes => self.rows(simd, y, rows, max, |line| Some(Bytes(view.row_bytes(line)))),
            Kind::EveryOtherByte => {
                self.rows(simd, y, rows, max, |line| Some(EveryOther(view.row_bytes(line))))
            }
            Kind::Words => {
                self.rows(simd, y, rows, max, |line| bytemuck::try_cast_slice(view.row_bytes(line)).ok())
            }
            Kind::Raised(bits) => self.rows(simd, y, rows, max, |line| {
                Some(Raised(bytemuck::try_cast_slice(view.row_bytes(line)).ok()?, bits))
            }),
            Kind::Other => None,
        }
    }

    /// The same of code values.
    #[inline(always)]
    pub fn copied<S: Simd>(&mut self, simd: S, y: usize, patch: Patch<'_>) -> (u16, u16) {
        self.rows(simd, y, patch.rows, u16::MAX, |line| Some(patch.row(line - y))).unwrap_or((u16::MAX, 0))
    }

    fn rows<S: Simd, V: Values>(
        &mut self,
        simd: S,
        y: usize,
        rows: usize,
        max: u16,
        row: impl Fn(usize) -> Option<V>,
    ) -> Option<(u16, u16)> {
        let mut print = self.print;
        let mut extremes = (u16::MAX, 0);
        let mut sums = [0; MOST_ROWS];
        let Place { x, y: top, width, height } = self.place;
        for line in y..y + rows {
            let values = row(line)?;
            let whole = x == 0 && width == values.len() && self.scan.is_some();
            let mut found = Row::EMPTY;
            for start in (0..values.len()).step_by(PERIOD) {
                let part = values.part(start, values.len().min(start + PERIOD));
                let (next, keyed) = match (whole, self.steps.is_finest()) {
                    (true, true) => scan::row::<S, V, true, false>(simd, part),
                    (false, true) => scan::row::<S, V, false, false>(simd, part),
                    // Few codes are told apart by their extremes.
                    (_, false) => scan::row::<S, V, true, true>(simd, part),
                };
                print.sums(&keyed, part.len());
                found.join(&next);
            }
            if found.bits.0 > max {
                return None;
            }
            self.steps.row((0..values.len()).map(|i| values.get(i)), &found);
            if self.scan.is_none() || !(top..top + height).contains(&line) {
                continue;
            }
            if !whole {
                found = Row::EMPTY;
                let end = values.len().min(x + width);
                for start in (x.min(end)..end).step_by(PERIOD) {
                    let part = values.part(start, end.min(start + PERIOD));
                    found.join(&scan::row::<S, V, true, false>(simd, part).0);
                }
            }
            extremes = (extremes.0.min(found.low), extremes.1.max(found.high));
            if let Some(sum) = sums.get_mut(line - y) {
                *sum = found.sum;
            }
        }
        self.print = print;
        if let Some(scan) = &mut self.scan {
            for (line, &sum) in (y..y + rows).zip(&sums) {
                if let Some(line) = line.checked_sub(top).filter(|&line| line < height) {
                    scan.line(self.component, (line, height), sum, width);
                }
            }
        }
        Some(extremes)
    }
}

/// Reads a sample of every cache line, row after row.
pub fn fetch(patch: Patch<'_>) {
    /// Samples of a cache line.
    const LINE: usize = 32;
    let mut read = 0;
    for y in 0..patch.rows {
        for line in patch.row(y).chunks(LINE) {
            read |= line[0];
        }
    }
    std::hint::black_box(read);
}

/// The rectangle `place` of `view` as code values in `room`.
#[inline(always)]
pub fn copy<'a, S: Simd>(
    simd: S,
    view: &ComponentView<'_>,
    place: Place,
    room: &'a mut Vec<u16>,
) -> Patch<'a> {
    let Place { x, y, width, height } = place;
    if room.len() < width * height {
        room.resize(width * height, 0);
    }
    simd.vectorize(
        #[inline(always)]
        || {
            for (row, line) in room.chunks_exact_mut(width.max(1)).zip(y..y + height) {
                view.read_row(line, x, row);
            }
        },
    );
    Patch::new(room, width, width, height)
}

/// Sums of the components `a` and `b`, of this frame and, where it is lent, the one before.
#[inline(always)]
pub fn mixture<'a, T: Copy + Default>(
    a: Rows<'_>,
    b: Rows<'_>,
    rooms: &'a mut [Vec<T>; 2],
    sum: impl Fn(u16, u16) -> T,
) -> Rows<'a, T> {
    let [this, before] = rooms;
    let fill = |room: &'a mut Vec<T>, a: Patch<'_>, b: Patch<'_>| {
        room.resize(a.width * a.rows, T::default());
        for (y, room) in room.chunks_exact_mut(a.width.max(1)).enumerate() {
            room.iter_mut().zip(a.row(y).iter().zip(b.row(y))).for_each(|(room, (&a, &b))| *room = sum(a, b));
        }
        Patch::new(room, a.width, a.width, a.rows)
    };
    let before = a.before.zip(b.before).map(|(a, b)| fill(before, a, b));
    Rows { x: a.x, y: a.y, this: fill(this, a.this, b.this), before }
}
