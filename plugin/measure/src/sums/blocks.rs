//! Far pairs of samples along rows and columns, by sums of blocks: what shows offsets that whole lines share.
//!
//! Two samples of a line that lie two blocks or more apart have nothing in common but the line. Sums over all such pairs
//! follow from the blocks' sums b in one pass: (Σb)² − Σb² − 2Σb·b_next.

use crate::sums::kernels::Sample;
use crate::sums::kernels::row::accumulate;

/// Samples along a block, for far-pair covariances of rows and columns.
pub const BLOCK: usize = 16;

/// Running block sums down every column.
#[derive(Debug, Clone, Default)]
pub struct ColumnBlocks {
    current: Vec<u32>,
    last: Vec<u32>,
    first: Vec<u32>,
    total: Vec<u64>,
    square: i128,
    adjacent: i128,
    done: usize,
}

impl ColumnBlocks {
    /// No rows yet; columns too short for far pairs need no room.
    #[must_use]
    pub fn new(width: usize, height: usize) -> Self {
        let room = if height / BLOCK >= 3 { width } else { 0 };
        Self {
            current: vec![0; room],
            last: vec![0; room],
            first: vec![0; room],
            total: vec![0; room],
            ..Self::default()
        }
    }

    /// Takes in row `y`.
    pub fn row<T: Sample>(&mut self, y: usize, row: &[T]) {
        if self.current.is_empty() {
            return;
        }
        accumulate(&mut self.current, row);
        if !(y + 1).is_multiple_of(BLOCK) {
            return;
        }
        for x in 0..self.current.len() {
            let block = self.current[x];
            self.total[x] += u64::from(block);
            self.square += i128::from(block) * i128::from(block);
            if self.done > 0 {
                self.adjacent += i128::from(block) * i128::from(self.last[x]);
            } else {
                self.first[x] = block;
            }
            self.last[x] = block;
            self.current[x] = 0;
        }
        self.done += 1;
    }

    /// The form of far pairs over all columns of the frame and what is linear in it; ready for the next frame.
    pub fn end_frame(&mut self) -> (i128, i128) {
        let blocks = self.done as i128;
        let (mut whole, mut sum, mut ends) = (0i128, 0i128, 0i128);
        for x in 0..self.total.len() {
            let total = i128::from(self.total[x]);
            whole += total * total;
            sum += total;
            ends += i128::from(self.first[x]) + i128::from(self.last[x]);
        }
        let form = whole - self.square - 2 * self.adjacent;
        let linear = 2 * BLOCK as i128 * ((blocks - 3) * sum + ends);
        self.current.fill(0);
        self.total.fill(0);
        (self.square, self.adjacent, self.done) = (0, 0, 0);
        if blocks >= 3 { (form, linear) } else { (0, 0) }
    }
}

/// Sums of `BLOCK` samples each; the rest of the row is not used.
pub fn block_sums<T: Sample>(row: &[T], blocks: &mut [u32]) {
    for (block, samples) in blocks.iter_mut().zip(row.chunks_exact(BLOCK)) {
        *block = samples.iter().map(|&x| x.wide()).sum();
    }
}

/// Number of products of samples in ordered pairs of blocks at least two apart.
pub fn block_pairs(blocks: usize) -> i128 {
    if blocks < 3 { 0 } else { (BLOCK * BLOCK * (blocks - 1) * (blocks - 2)) as i128 }
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
pub fn column_form(t: &[u64], width: usize, height: usize) -> i128 {
    let blocks = height / BLOCK;
    if blocks < 3 {
        return 0;
    }
    (0..width)
        .map(|x| {
            let block =
                |j: usize| (0..BLOCK).map(|k| i128::from(t[(j * BLOCK + k) * width + x])).sum::<i128>();
            far_pairs((0..blocks).map(block)).0
        })
        .sum()
}
