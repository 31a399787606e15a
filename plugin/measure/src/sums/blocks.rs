//! Far pairs of samples along rows and columns, by sums of blocks: what shows offsets that whole lines share.
//!
//! Two samples of a line that lie two blocks or more apart have nothing in common but the line. Sums over all such pairs
//! follow from the blocks' sums b in one pass: (Σb)² − Σb² − 2Σb·b_next.

use crate::sums::kernels::Sample;
use crate::sums::kernels::lanes::padded;
use crate::sums::kernels::row::accumulate;

/// Samples along a block, for far-pair covariances of rows and columns.
pub const BLOCK: usize = 16;

/// Running block sums down every column.
#[derive(Debug, Clone, Default)]
pub struct ColumnBlocks {
    /// Sums of the newest rows, 16 bits each: as many rows as cannot overflow.
    fine: Vec<u16>,
    fine_rows: usize,
    current: Vec<u32>,
    last: Vec<u32>,
    first: Vec<u32>,
    total: Vec<u64>,
    square: u64,
    adjacent: u64,
    done: usize,
}

impl ColumnBlocks {
    /// No rows yet of values up to `max`; columns too short for far pairs need hardly any room.
    #[must_use]
    pub fn new(width: usize, height: usize, max: u32) -> Self {
        let room = if height / BLOCK >= 3 { width } else { 0 };
        Self {
            fine: vec![0; padded(width)],
            fine_rows: (u16::MAX as usize / max.max(1) as usize).clamp(1, BLOCK),
            current: vec![0; room],
            last: vec![0; room],
            first: vec![0; room],
            total: vec![0; room],
            ..Self::default()
        }
    }

    /// Lends the 16-bit sums, a row of [`padded`] ones that rows are to be added to.
    pub fn lend_fine(&mut self) -> Vec<u16> {
        std::mem::take(&mut self.fine)
    }

    /// Takes them back.
    pub fn return_fine(&mut self, fine: Vec<u16>) {
        self.fine = fine;
    }

    /// Takes in row `y`, which was added to `fine`; empties it in time.
    #[inline(always)]
    pub fn fine_row(&mut self, y: usize, fine: &mut [u16]) {
        if (y + 1).is_multiple_of(self.fine_rows) || (y + 1).is_multiple_of(BLOCK) {
            accumulate(&mut self.current, fine);
            fine.fill(0);
        }
        self.end_row(y);
    }

    /// Takes in row `y`.
    #[inline(always)]
    pub fn row<T: Sample>(&mut self, y: usize, row: &[T]) {
        accumulate(&mut self.current, row);
        self.end_row(y);
    }

    /// Closes the blocks where row `y` is their last.
    #[inline(always)]
    fn end_row(&mut self, y: usize) {
        if !(y + 1).is_multiple_of(BLOCK) || self.current.is_empty() {
            return;
        }
        // 21 bits a block: squares of 2²¹ blocks, as many as the largest frame has, fit.
        let (mut square, mut adjacent) = (0u64, 0u64);
        for ((&block, last), total) in self.current.iter().zip(&mut self.last).zip(&mut self.total) {
            *total += u64::from(block);
            square += u64::from(block) * u64::from(block);
            adjacent += u64::from(block) * u64::from(*last);
            *last = block;
        }
        self.square += square;
        if self.done > 0 {
            self.adjacent += adjacent;
        } else {
            self.first.copy_from_slice(&self.current);
        }
        self.current.fill(0);
        self.done += 1;
    }

    /// The form of far pairs over all columns of the frame and what is linear in it; ready for the next frame.
    #[inline(always)]
    pub fn end_frame(&mut self) -> (i128, i128) {
        let blocks = self.done as i128;
        let sum: u64 = self.total.iter().sum();
        let most = self.total.iter().copied().max().unwrap_or(0);
        let whole = if u128::from(most) * u128::from(most) * self.total.len() as u128 <= u128::from(u64::MAX)
        {
            i128::from(self.total.iter().map(|&total| total * total).sum::<u64>())
        } else {
            self.total.iter().map(|&total| i128::from(total) * i128::from(total)).sum()
        };
        let of = |blocks: &[u32]| blocks.iter().map(|&block| u64::from(block)).sum::<u64>();
        let ends = i128::from(of(&self.first) + of(&self.last));
        let form = whole - i128::from(self.square) - 2 * i128::from(self.adjacent);
        let linear = 2 * BLOCK as i128 * ((blocks - 3) * i128::from(sum) + ends);
        self.clear();
        if blocks >= 3 { (form, linear) } else { (0, 0) }
    }

    /// Forgets the rows of the open frame.
    pub fn clear(&mut self) {
        self.fine.fill(0);
        self.current.fill(0);
        self.total.fill(0);
        (self.square, self.adjacent, self.done) = (0, 0, 0);
    }
}

/// Sums of `BLOCK` samples each; the rest of the row is not used.
#[inline(always)]
pub fn block_sums<T: Sample>(row: &[T], blocks: &mut [u32]) {
    for (block, samples) in blocks.iter_mut().zip(row.chunks_exact(BLOCK)) {
        *block = samples.iter().map(|&x| x.wide()).sum();
    }
}

/// Number of products of samples in ordered pairs of blocks at least two apart.
pub fn block_pairs(blocks: usize) -> i128 {
    if blocks < 3 { 0 } else { (BLOCK * BLOCK * (blocks - 1) * (blocks - 2)) as i128 }
}

/// [`far_pairs`] of a row's block sums, as long as they add up to less than 2³¹.
#[inline(always)]
pub fn short_far_pairs(blocks: &[u32]) -> (i64, i64) {
    let [first, .., last] = blocks else { return (0, 0) };
    if blocks.len() < 3 {
        return (0, 0);
    }
    let sum: u32 = blocks.iter().sum();
    let square: u64 = blocks.iter().map(|&b| u64::from(b) * u64::from(b)).sum();
    let adjacent: u64 = blocks.iter().zip(&blocks[1..]).map(|(&a, &b)| u64::from(a) * u64::from(b)).sum();
    let (sum, ends) = (i64::from(sum), i64::from(*first) + i64::from(*last));
    (
        sum * sum - square as i64 - 2 * adjacent as i64,
        2 * BLOCK as i64 * ((blocks.len() as i64 - 3) * sum + ends),
    )
}

/// (Σb)² − Σb² − 2Σb·b_next of one line's block sums: the sum over ordered pairs at least two apart; and what is linear
/// in a level of the samples.
pub fn far_pairs(blocks: impl ExactSizeIterator<Item = i128>) -> (i128, i128) {
    let count = blocks.len() as i128;
    if count < 3 {
        return (0, 0);
    }
    let (mut sum, mut square, mut adjacent) = (0, 0, 0);
    let mut first = None;
    let mut last: Option<i128> = None;
    for block in blocks {
        sum += block;
        square += block * block;
        adjacent += last.unwrap_or(0) * block;
        first = first.or(Some(block));
        last = Some(block);
    }
    let ends = first.unwrap_or(0) + last.unwrap_or(0);
    (sum * sum - square - 2 * adjacent, 2 * BLOCK as i128 * ((count - 3) * sum + ends))
}

/// The far-pair form down the columns of per-sample sums.
pub fn column_form<N: Copy + Into<u64>>(t: &[N], width: usize, height: usize) -> i128 {
    let blocks = height / BLOCK;
    if blocks < 3 {
        return 0;
    }
    (0..width)
        .map(|x| {
            let block = |j: usize| {
                (0..BLOCK).map(|k| i128::from(t[(j * BLOCK + k) * width + x].into())).sum::<i128>()
            };
            far_pairs((0..blocks).map(block)).0
        })
        .sum()
}
