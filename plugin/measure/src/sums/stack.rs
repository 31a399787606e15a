//! Everything that is summed over the frames of a window for one component of one region: the full set.

use crate::sums::bands::BandSums;
use crate::sums::blocks::{BLOCK, ColumnBlocks, block_pairs, block_sums, column_form, far_pairs};
use crate::sums::energies::Energies;
use crate::sums::exact::{DifferenceSums, FormSums, LagSums, PixelSums, StackTotals};
use crate::sums::kernels::Sample;
use crate::sums::kernels::row::{accumulate, dot, moments, neighbour_products};

/// Edge of the piece that spatial correlations are taken from.
pub const PIECE: usize = 64;
/// Frames of the piece that are kept.
pub const PIECE_FRAMES: usize = 8;
/// Sums of one frame while its rows come in.
#[derive(Debug, Clone, Default)]
struct FrameSums {
    sum: u64,
    square: u64,
    /// Σ of products with the sample to the right, and below.
    right: u64,
    below: u64,
    /// Sum of the first and last column, and of the first and last row.
    side_columns: u64,
    side_rows: u64,
    /// Σ of products with the frame before, and the one before that.
    previous: u64,
    before_previous: u64,
    /// Form of far pairs of blocks along rows, and what is linear in it.
    rows: i128,
    rows_linear: i128,
}

/// The full set of one component of one region, one field where there are fields.
#[derive(Debug)]
pub struct Stack<T> {
    width: usize,
    height: usize,
    frame: FrameSums,
    columns: ColumnBlocks,
    row_blocks: Vec<u32>,
    /// This frame, the one before and the one before that.
    ring: [Vec<T>; 3],
    /// Frames since the last break, this one not counted.
    run: u64,
    sums: Vec<u64>,
    total: i128,
    level_square: i128,
    last_square: u64,
    pixel: PixelSums,
    ends: [PixelSums; 2],
    squares: FormSums,
    right: FormSums,
    below: FormSums,
    rows: FormSums,
    cols: FormSums,
    lags: [LagSums; 2],
    differences: DifferenceSums,
    bands: BandSums,
    piece: Vec<(u64, Vec<T>)>,
    piece_stride: u64,
    energies: Energies,
}

impl<T: Sample> Stack<T> {
    /// An empty stack of `width` × `height` samples.
    #[must_use]
    pub fn new(width: usize, height: usize) -> Self {
        let samples = width * height;
        Self {
            width,
            height,
            frame: FrameSums::default(),
            columns: ColumnBlocks::new(width, height),
            row_blocks: vec![0; width / BLOCK],
            ring: [vec![T::default(); samples], vec![T::default(); samples], vec![T::default(); samples]],
            run: 0,
            sums: Vec::new(),
            total: 0,
            level_square: 0,
            last_square: 0,
            pixel: PixelSums::new(samples, T::MAX),
            ends: [PixelSums::new(samples, T::MAX), PixelSums::new(samples, T::MAX)],
            squares: FormSums::default(),
            right: FormSums::default(),
            below: FormSums::default(),
            rows: FormSums::default(),
            cols: FormSums::default(),
            lags: [LagSums::default(); 2],
            differences: DifferenceSums::default(),
            bands: BandSums::new(height),
            piece: Vec::new(),
            piece_stride: 1,
            energies: Energies::default(),
        }
    }

    /// Opens a frame; its rows follow from top to bottom.
    pub fn begin_frame(&mut self) {
        self.frame = FrameSums::default();
        self.pixel.begin();
    }

    /// Takes in row `y` of the open frame.
    pub fn row(&mut self, y: usize, row: &[T]) {
        let (width, start) = (self.width, y * self.width);
        if row.len() != width || y >= self.height || width == 0 {
            return;
        }
        let frame = &mut self.frame;
        let (sum, square) = moments(row);
        frame.sum += sum;
        frame.square += square;
        frame.right += neighbour_products(row);
        frame.side_columns += u64::from(row[0].wide()) + u64::from(row[width - 1].wide());
        if y > 0 {
            frame.below += dot(row, &self.ring[0][start - width..start]);
        }
        if y == 0 {
            frame.side_rows += sum;
        }
        if y == self.height - 1 {
            frame.side_rows += sum;
        }
        if self.run >= 1 {
            frame.previous += dot(row, &self.ring[1][start..start + width]);
        }
        if self.run >= 2 {
            frame.before_previous += dot(row, &self.ring[2][start..start + width]);
        }
        self.ring[0][start..start + width].copy_from_slice(row);
        accumulate(self.pixel.row_mut(start, width), row);
        self.bands.row(y, sum);
        block_sums(row, &mut self.row_blocks);
        let (form, linear) = far_pairs(self.row_blocks.iter().map(|&b| i128::from(b)));
        self.frame.rows += form;
        self.frame.rows_linear += linear;
        self.columns.row(y, row);
    }

    /// Closes the frame whose rows all came.
    pub fn end_frame(&mut self) {
        let frame = std::mem::take(&mut self.frame);
        let sum = frame.sum;
        let both = |kept: u64| 2 * i128::from(sum) - i128::from(kept);
        self.squares.add(i128::from(frame.square), 2 * i128::from(sum), sum);
        self.right.add(i128::from(frame.right), both(frame.side_columns), sum);
        self.below.add(i128::from(frame.below), both(frame.side_rows), sum);
        self.rows.add(frame.rows, frame.rows_linear, sum);
        let (form, linear) = self.columns.end_frame();
        self.cols.add(form, linear, sum);
        let last = self.sums.last().copied().unwrap_or_default();
        if self.run >= 1 {
            self.lags[0].add(frame.previous, (last, sum));
            let square =
                i128::from(frame.square) + i128::from(self.last_square) - 2 * i128::from(frame.previous);
            self.differences.add(square, i128::from(sum) - i128::from(last));
            let level = (sum as f64 - last as f64) / (self.width * self.height) as f64;
            self.energies.add(&self.ring[0], &self.ring[1], self.width, self.height, level);
        }
        if let Some(&before) = self.sums.iter().rev().nth(1).filter(|_| self.run >= 2) {
            self.lags[1].add(frame.before_previous, (before, sum));
        }
        self.bands.end_frame(self.run >= 1);
        self.keep_piece(self.sums.len() as u64);
        if self.run < 1 {
            self.add_end(0, 0);
        }
        if self.run < 2 {
            self.add_end(1, 0);
        }
        self.total += i128::from(sum);
        self.level_square += i128::from(sum) * i128::from(sum);
        self.last_square = frame.square;
        self.sums.push(sum);
        self.run += 1;
        // The newest frame becomes the one before; the oldest gives its room to the next.
        self.ring.rotate_right(1);
    }

    /// Says that the next frame is no neighbour of the last one.
    pub fn break_run(&mut self) {
        // A run of one frame both opens and closes with it.
        if self.run >= 1 {
            self.add_end(0, 1);
            self.add_end(1, 1);
        }
        if self.run >= 2 {
            self.add_end(1, 2);
        }
        self.run = 0;
    }

    /// Adds the frame in ring place `place` to the run ends of lag `lag` + 1.
    fn add_end(&mut self, lag: usize, place: usize) {
        self.ends[lag].begin();
        let length = self.ring[place].len();
        accumulate(self.ends[lag].row_mut(0, length), &self.ring[place]);
    }

    /// Offers frame `index`, which is in ring place 0, to the piece.
    fn keep_piece(&mut self, index: u64) {
        if !index.is_multiple_of(self.piece_stride) {
            return;
        }
        if self.piece.len() == PIECE_FRAMES {
            self.piece_stride *= 2;
            let stride = self.piece_stride;
            self.piece.retain(|(kept, _)| kept.is_multiple_of(stride));
            if !index.is_multiple_of(stride) {
                return;
            }
        }
        let (x0, y0, w, h) = piece_rect(self.width, self.height);
        let mut samples = Vec::with_capacity(w * h);
        for y in y0..y0 + h {
            let start = y * self.width + x0;
            samples.extend_from_slice(&self.ring[0][start..start + w]);
        }
        self.piece.push((index, samples));
    }

    /// Frames taken in.
    #[must_use]
    pub fn frames(&self) -> u64 {
        self.sums.len() as u64
    }

    /// Turns the sums into numbers; ends the open run.
    #[must_use]
    pub fn finish(mut self) -> StackNumbers {
        self.break_run();
        let (width, height) = (self.width, self.height);
        let (p, n) = (width * height, self.sums.len());
        let totals = StackTotals {
            samples: p as i128,
            frames: n as i128,
            sum: self.total,
            level_square: self.level_square,
        };
        let t: Vec<u64> = self.pixel.iter().collect();
        let squares: i128 = t.iter().map(|&t| i128::from(t) * i128::from(t)).sum();
        let (mut right, mut below) = (0i128, 0i128);
        let mut rows = 0i128;
        let mut blocks = vec![0u64; width / BLOCK];
        for (y, row) in t.chunks(width.max(1)).enumerate() {
            right += row.windows(2).map(|pair| i128::from(pair[0]) * i128::from(pair[1])).sum::<i128>();
            if y > 0 {
                let above = &t[(y - 1) * width..y * width];
                below += row.iter().zip(above).map(|(&a, &b)| i128::from(a) * i128::from(b)).sum::<i128>();
            }
            for (block, part) in blocks.iter_mut().zip(row.chunks_exact(BLOCK)) {
                *block = part.iter().sum();
            }
            rows += far_pairs(blocks.iter().map(|&b| i128::from(b))).0;
        }
        let cols = column_form(&t, width, height);
        let lag = |lag: usize| {
            let (mut with_ends, mut ends) = (0i128, 0i128);
            for (&t, end) in t.iter().zip(self.ends[lag].iter()) {
                with_ends += i128::from(t) * i128::from(end);
                ends += i128::from(end);
            }
            let sums = &self.lags[lag];
            let wanted = n.saturating_sub(lag + 1) as f64;
            (sums.pairs > 0)
                .then(|| sums.residual(&totals, squares, with_ends, ends) * wanted / sums.pairs as f64)
        };
        let far = |sums: &FormSums, of_pixel_sums: i128, kappa: i128| {
            (kappa > 0 && n > 0)
                .then(|| sums.residual(&totals, of_pixel_sums, kappa) / (kappa as f64 * n as f64))
        };
        let pairs = self.differences.pairs;
        let bin_samples = (self.bands.rows * width) as f64;
        let bands = self.bands.variances().map(|pair| pair.map(|v| v / (bin_samples * bin_samples)));
        let mean_of = |sum: u64| sum as f64 / p as f64;
        let frame_means: Vec<f64> = self.sums.iter().map(|&sum| mean_of(sum)).collect();
        let mean = if n > 0 && p > 0 { Some(self.total as f64 / (p as f64 * n as f64)) } else { None };
        let mean_image: Vec<f64> = t.iter().map(|&t| t as f64 / n as f64).collect();
        StackNumbers {
            width,
            height,
            frames: n as u64,
            mean,
            frame_means,
            mean_image,
            piece: self
                .piece
                .into_iter()
                .map(|(index, samples)| PieceFrame {
                    index: index as usize,
                    samples: samples.into_iter().map(|x| f64::from(x.wide())).collect(),
                })
                .collect(),
            energies: Some(self.energies),
            pairs,
            bins: self.bands.bins,
            quadratic: Quadratic {
                c0: self.squares.residual(&totals, squares, p as i128),
                cx: self.right.residual(&totals, right, (height * width.saturating_sub(1)) as i128),
                cy: self.below.residual(&totals, below, (width * height.saturating_sub(1)) as i128),
                ct: lag(0),
                ct2: lag(1),
                pair: (pairs > 0).then(|| self.differences.half_residual(p as i128)),
                row: far(&self.rows, rows, block_pairs(width / BLOCK) * height as i128),
                column: far(&self.cols, cols, block_pairs(height / BLOCK) * width as i128),
                band: bands.map(|[spread, _]| spread),
                band_null: bands.map(|[_, null]| null),
            },
        }
    }
}

/// Left, top, width and height of the piece of a region of `width` × `height` samples.
#[must_use]
pub fn piece_rect(width: usize, height: usize) -> (usize, usize, usize, usize) {
    let (w, h) = (width.min(PIECE), height.min(PIECE));
    ((width - w) / 2, (height - h) / 2, w, h)
}

/// One kept frame of the piece.
#[derive(Debug, Clone)]
pub struct PieceFrame {
    /// Its place among the distinct frames of the window.
    pub index: usize,
    /// Samples, row by row, codes.
    pub samples: Vec<f64>,
}

/// Everything of a stack that is quadratic in the samples, so that a weighted sum of components follows from sums of pairs
/// of them. Codes².
#[derive(Debug, Clone, Copy, Default)]
pub struct Quadratic {
    /// Σe².
    pub c0: f64,
    /// Σe·e_right.
    pub cx: f64,
    /// Σe·e_below.
    pub cy: f64,
    /// Σe·e_next, brought to N − 1 pairs.
    pub ct: Option<f64>,
    /// Σe·e_next-but-one, brought to N − 2 pairs.
    pub ct2: Option<f64>,
    /// ½Σ(d − d̄)² over `pairs` adjacent differences.
    pub pair: Option<f64>,
    /// Mean product of far samples in a row.
    pub row: Option<f64>,
    /// Mean product of far samples in a column.
    pub column: Option<f64>,
    /// Half the variance of the profile's frame differences.
    pub band: Option<f64>,
    /// The same from the differences of neighbouring bins: what independent bins would give.
    pub band_null: Option<f64>,
}

impl Quadratic {
    /// Σ factorₖ·partₖ; `None` in any part makes the sum `None`.
    #[must_use]
    pub fn combine(parts: &[(f64, &Self)]) -> Self {
        let plain = |get: fn(&Self) -> f64| parts.iter().map(|(factor, part)| factor * get(part)).sum();
        let maybe = |get: fn(&Self) -> Option<f64>| {
            parts.iter().map(|(factor, part)| get(part).map(|value| factor * value)).sum()
        };
        Self {
            c0: plain(|q| q.c0),
            cx: plain(|q| q.cx),
            cy: plain(|q| q.cy),
            ct: maybe(|q| q.ct),
            ct2: maybe(|q| q.ct2),
            pair: maybe(|q| q.pair),
            row: maybe(|q| q.row),
            column: maybe(|q| q.column),
            band: maybe(|q| q.band),
            band_null: maybe(|q| q.band_null),
        }
    }
}

/// A finished stack.
#[derive(Debug, Clone)]
pub struct StackNumbers {
    /// Samples a row.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Distinct frames.
    pub frames: u64,
    /// Mean code.
    pub mean: Option<f64>,
    /// Mean code of each frame.
    pub frame_means: Vec<f64>,
    /// Mean code of each sample over the frames.
    pub mean_image: Vec<f64>,
    /// Kept frames of the central piece.
    pub piece: Vec<PieceFrame>,
    /// How changes spread over the blocks of the piece; none for derived components, whose samples were never formed.
    pub energies: Option<Energies>,
    /// Adjacent pairs of frames.
    pub pairs: u64,
    /// Bins of the row profile.
    pub bins: usize,
    /// Quadratic sums.
    pub quadratic: Quadratic,
}

impl StackNumbers {
    /// Samples a frame.
    #[must_use]
    pub const fn samples(&self) -> usize {
        self.width * self.height
    }
}
