//! The newest frames of a region, and those that open and close runs of neighbouring frames.

use crate::sums::kernels::Sample;
use crate::sums::kernels::lanes::padded;

/// Frames that are kept: the open one and two before it.
const KEPT: usize = 3;

/// The newest frames of one component of a region. Rows are [`padded`]; above the first is one of zeros.
#[derive(Debug, Clone)]
pub struct Ring<T> {
    width: usize,
    height: usize,
    stride: usize,
    /// The open frame, the one before and the one before that.
    frames: [Vec<T>; KEPT],
    /// The first two of the run, once newer ones took their place.
    opening: [Vec<T>; 2],
    moved: usize,
    /// Frames since the last break, the open one not counted.
    run: u64,
    /// Sums of the samples that open or close earlier runs of lag 1 and 2; nothing until a run ends.
    ends: [Vec<u64>; 2],
}

impl<T: Sample> Ring<T> {
    /// No frames yet of `width` × `height` samples.
    #[must_use]
    pub fn new(width: usize, height: usize) -> Self {
        let stride = padded(width);
        let room = || vec![T::default(); stride * (height + 1)];
        Self {
            width,
            height,
            stride,
            frames: [room(), room(), room()],
            opening: [room(), room()],
            moved: 0,
            run: 0,
            ends: [Vec::new(), Vec::new()],
        }
    }

    /// Frames since the last break, the open one not counted.
    pub fn run(&self) -> u64 {
        self.run
    }

    /// Samples from a row to the next.
    pub fn stride(&self) -> usize {
        self.stride
    }

    /// Makes room for a frame.
    pub fn begin_frame(&mut self) {
        // The room of the oldest frame is used again, unless a run began with it.
        if self.run == (KEPT + self.moved) as u64 && self.moved < self.opening.len() {
            std::mem::swap(&mut self.frames[0], &mut self.opening[self.moved]);
            self.moved += 1;
        }
    }

    /// From row `y` on: of the open frame, with the row above; of the one before; and of the one before that.
    pub fn rows_from(&mut self, y: usize) -> (&mut [T], &[T], &[T]) {
        let [this, previous, before_previous] = &mut self.frames;
        let (above, start) = (y * self.stride, (y + 1) * self.stride);
        (
            this.get_mut(above..).unwrap_or_default(),
            previous.get(start..).unwrap_or_default(),
            before_previous.get(start..).unwrap_or_default(),
        )
    }

    /// All rows, [`Self::stride`] samples each, of frame 0, the open one, or those before it.
    pub fn frame(&self, age: usize) -> &[T] {
        self.frames.get(age).and_then(|frame| frame.get(self.stride..)).unwrap_or_default()
    }

    /// Makes the open frame the one before.
    pub fn end_frame(&mut self) {
        self.frames.rotate_right(1);
        self.run += 1;
    }

    /// Frame `index` of the run.
    #[inline(always)]
    fn of_run(&self, index: usize) -> &[T] {
        let frame = if index < self.moved {
            &self.opening[index]
        } else {
            // The newest is in place 1, the one before in 2, and the next of them in 0 until a frame is opened there.
            &self.frames[(self.run as usize - index) % KEPT]
        };
        frame.get(self.stride..).unwrap_or_default()
    }

    /// Says that the next frame is no neighbour of the last one.
    #[inline(always)]
    pub fn break_run(&mut self) {
        let run = self.run as usize;
        for lag in [1, 2] {
            // A run of one frame both opens and closes with it.
            let ends = (0..lag.min(run)).chain(run.saturating_sub(lag)..run);
            let mut sums = std::mem::take(&mut self.ends[lag - 1]);
            for index in ends {
                sums.resize(self.width * self.height, 0);
                let rows = self.of_run(index).chunks(self.stride.max(1));
                for (sums, row) in sums.chunks_mut(self.width.max(1)).zip(rows) {
                    for (sum, &x) in sums.iter_mut().zip(row) {
                        *sum += u64::from(x.wide());
                    }
                }
            }
            self.ends[lag - 1] = sums;
        }
        (self.run, self.moved) = (0, 0);
    }

    /// Forgets all frames; their room stays. What stands in it is never read before a run has filled it again.
    pub fn reset(&mut self) {
        (self.run, self.moved) = (0, 0);
        self.ends.iter_mut().for_each(Vec::clear);
    }

    /// The sums of the samples that open or close runs of lag `lag`, once the last run is broken; none without frames.
    pub fn ends(&self, lag: usize) -> &[u64] {
        self.ends.get(lag - 1).map_or(&[], Vec::as_slice)
    }
}
