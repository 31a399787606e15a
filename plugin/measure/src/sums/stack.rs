//! Everything that is summed over the frames of a window for one component of one region: the full set.

use fearless_simd::{Level, Simd, dispatch};

use crate::sums::bands::BandSums;
use crate::sums::blocks::{BLOCK, ColumnBlocks, block_pairs, block_sums, far_pairs, short_far_pairs};
use crate::sums::energies::Energies;
use crate::sums::exact::{DifferenceSums, FormSums, LagSums, StackTotals};
use crate::sums::finished::{PieceFrame, Quadratic, StackNumbers};
use crate::sums::forms::{Sum, against, pixel_forms};
use crate::sums::kernels::Sample;
use crate::sums::kernels::full::{self, FullFrame, Memory};
use crate::sums::kernels::lanes::{budget, is_narrow};
use crate::sums::kernels::row::{dot, extremes, moments, neighbour_products};
use crate::sums::patch::Patch;
use crate::sums::pixels::PixelSums;
use crate::sums::ring::Ring;

/// Edge of the piece that spatial correlations are taken from.
pub const PIECE: usize = 64;
/// Frames of the piece that are kept.
pub const PIECE_FRAMES: usize = 8;

/// What is summed of a frame beside [`FullFrame`] while its rows come in.
#[derive(Debug, Clone, Default)]
struct Edges {
    /// Sum of the first and last column, and of the first and last row.
    side_columns: u64,
    side_rows: u64,
    /// Form of far pairs of blocks along rows, and what is linear in it.
    rows: i128,
    rows_linear: i128,
}

/// The full set of one component of one region, one field where there are fields.
#[derive(Debug)]
pub struct Stack<T> {
    width: usize,
    height: usize,
    /// Whether the vector loops can hold the samples.
    narrow: bool,
    /// Products of the largest values that 32 bits hold.
    budget: usize,
    frame: FullFrame,
    edges: Edges,
    columns: ColumnBlocks,
    row_blocks: Vec<u32>,
    ring: Ring<T>,
    sums: Vec<u64>,
    total: i128,
    level_square: i128,
    last_square: u64,
    pixels: PixelSums,
    squares: FormSums,
    right: FormSums,
    below: FormSums,
    rows: FormSums,
    cols: FormSums,
    lags: [LagSums; 2],
    differences: DifferenceSums,
    bands: BandSums,
    piece: Vec<(u64, Vec<T>)>,
    /// Room of frames that left the piece.
    spare_pieces: Vec<Vec<T>>,
    piece_stride: u64,
    energies: Energies,
}

impl<T: Sample> Stack<T> {
    /// An empty stack of `width` × `height` samples, none over `max`.
    #[must_use]
    pub fn new(width: usize, height: usize, max: u32) -> Self {
        let narrow = is_narrow::<T>(width, max);
        Self {
            width,
            height,
            narrow,
            budget: budget(max),
            frame: FullFrame::default(),
            edges: Edges::default(),
            columns: ColumnBlocks::new(width, height, max),
            row_blocks: vec![0; width / BLOCK],
            ring: Ring::new(width, height),
            sums: Vec::new(),
            total: 0,
            level_square: 0,
            last_square: 0,
            pixels: PixelSums::new(width, height, max, narrow),
            squares: FormSums::default(),
            right: FormSums::default(),
            below: FormSums::default(),
            rows: FormSums::default(),
            cols: FormSums::default(),
            lags: [LagSums::default(); 2],
            differences: DifferenceSums::default(),
            bands: BandSums::new(height),
            piece: Vec::new(),
            spare_pieces: Vec::new(),
            piece_stride: 1,
            energies: Energies::default(),
        }
    }

    /// Takes in one frame of `width` × `height` samples with the instructions of `level`.
    pub fn add(&mut self, level: Level, samples: &[T]) {
        let patch = Patch::new(samples, self.width, self.width, self.height);
        dispatch!(level, simd => self.add_patch(simd, patch));
    }

    #[inline(always)]
    fn add_patch<S: Simd>(&mut self, simd: S, patch: Patch<'_, T>) {
        self.begin_frame(simd);
        self.rows(simd, 0, patch);
        self.end_frame(simd);
    }

    /// Opens a frame; its rows follow from top to bottom.
    #[inline(always)]
    pub(crate) fn begin_frame<S: Simd>(&mut self, simd: S) {
        self.frame = FullFrame::default();
        self.edges = Edges::default();
        self.ring.begin_frame();
        simd.vectorize(
            #[inline(always)]
            || self.pixels.begin(),
        );
    }

    /// Takes in rows `y..` of the open frame; gives their lowest and highest value.
    #[inline(always)]
    pub(crate) fn rows<S: Simd>(&mut self, simd: S, y: usize, patch: Patch<'_, T>) -> Option<(T, T)> {
        if patch.width != self.width || y + patch.rows > self.height || self.width == 0 {
            return None;
        }
        simd.vectorize(
            #[inline(always)]
            || match T::narrow(patch) {
                Some(narrow) if self.narrow => {
                    let (low, high) = self.narrow_rows(simd, y, narrow);
                    Some((T::from_narrow(low), T::from_narrow(high)))
                }
                _ => self.plain_rows(y, patch),
            },
        )
    }

    /// By the vector loops.
    #[inline(always)]
    fn narrow_rows<S: Simd>(&mut self, simd: S, first: usize, patch: Patch<'_>) -> (u16, u16) {
        let Self { ring, pixels, columns, bands, row_blocks, edges, height, .. } = self;
        let (this, previous, before_previous) = ring.rows_from(first);
        let (Some(this), Some(previous), Some(before_previous)) =
            (T::narrow_mut(this), T::narrow_slice(previous), T::narrow_slice(before_previous))
        else {
            return (u16::MAX, 0);
        };
        let mut fine = columns.lend_fine();
        let memory =
            Memory { this, previous, before_previous, pixels: pixels.rows_from(first), columns: &mut fine };
        let extremes = full::rows(
            simd,
            &mut self.frame,
            patch,
            memory,
            self.budget,
            #[inline(always)]
            |i, sum, fine| {
                let (y, row) = (first + i, patch.row(i));
                bands.row(y, sum);
                edges.sides(y, *height, sum, row);
                block_sums(row, row_blocks);
                let (form, linear) = short_far_pairs(row_blocks);
                edges.rows += i128::from(form);
                edges.rows_linear += i128::from(linear);
                columns.fine_row(y, fine);
            },
        );
        self.columns.return_fine(fine);
        extremes
    }

    /// By plain loops, for samples of any width.
    #[inline(always)]
    fn plain_rows(&mut self, first: usize, patch: Patch<'_, T>) -> Option<(T, T)> {
        let (width, stride) = (self.width, self.ring.stride());
        let mut found: Option<(T, T)> = None;
        for i in 0..patch.rows {
            let (y, row) = (first + i, patch.row(i));
            let (low, high) = extremes(row)?;
            found = Some(found.map_or((low, high), |(l, h)| (l.min(low), h.max(high))));
            let (sum, square) = moments(row);
            let (this, previous, before_previous) = self.ring.rows_from(y);
            let frame = &mut self.frame;
            frame.sum += sum;
            frame.square += square;
            frame.right += neighbour_products(row);
            // Above the first row are zeros.
            frame.below += dot(row, &this[..width]);
            frame.previous += dot(row, previous);
            frame.before_previous += dot(row, before_previous);
            this[stride..stride + width].copy_from_slice(row);
            self.edges.sides(y, self.height, sum, row);
            self.pixels.add_row(y, row);
            self.bands.row(y, sum);
            block_sums(row, &mut self.row_blocks);
            let (form, linear) = far_pairs(self.row_blocks.iter().map(|&b| i128::from(b)));
            self.edges.rows += form;
            self.edges.rows_linear += linear;
            self.columns.row(y, row);
        }
        found
    }

    /// Closes the frame whose rows all came.
    #[inline(always)]
    pub(crate) fn end_frame<S: Simd>(&mut self, simd: S) {
        simd.vectorize(
            #[inline(always)]
            || self.close_frame(simd),
        );
    }

    #[inline(always)]
    fn close_frame<S: Simd>(&mut self, simd: S) {
        let (frame, edges) = (std::mem::take(&mut self.frame), std::mem::take(&mut self.edges));
        let (sum, run) = (frame.sum, self.ring.run());
        let both = |kept: u64| 2 * i128::from(sum) - i128::from(kept);
        self.squares.add(i128::from(frame.square), 2 * i128::from(sum), sum);
        self.right.add(i128::from(frame.right), both(edges.side_columns), sum);
        self.below.add(i128::from(frame.below), both(edges.side_rows), sum);
        self.rows.add(edges.rows, edges.rows_linear, sum);
        let (form, linear) = self.columns.end_frame();
        self.cols.add(form, linear, sum);
        let last = self.sums.last().copied().unwrap_or_default();
        if run >= 1 {
            self.lags[0].add(frame.previous, (last, sum));
            let square =
                i128::from(frame.square) + i128::from(self.last_square) - 2 * i128::from(frame.previous);
            self.differences.add(square, i128::from(sum) - i128::from(last));
            let level = (sum as f64 - last as f64) / (self.width * self.height) as f64;
            let (stride, size) = (self.ring.stride(), (self.width, self.height));
            self.energies.add(simd, self.narrow, self.ring.frame(0), self.ring.frame(1), stride, size, level);
        }
        if let Some(&before) = self.sums.iter().rev().nth(1).filter(|_| run >= 2) {
            self.lags[1].add(frame.before_previous, (before, sum));
        }
        self.bands.end_frame(run >= 1);
        self.keep_piece(self.sums.len() as u64);
        self.total += i128::from(sum);
        self.level_square += i128::from(sum) * i128::from(sum);
        self.last_square = frame.square;
        self.sums.push(sum);
        self.ring.end_frame();
    }

    /// Forgets the open frame, whose rows all came.
    pub(crate) fn abandon_frame(&mut self) {
        self.pixels.take_back(self.ring.frame(0));
        self.columns.clear();
        self.bands.clear();
    }

    /// Says that the next frame is no neighbour of the last one.
    pub fn break_run(&mut self) {
        self.ring.break_run();
    }

    /// Offers frame `index`, the open one, to the piece.
    fn keep_piece(&mut self, index: u64) {
        if !index.is_multiple_of(self.piece_stride) {
            return;
        }
        if self.piece.len() == PIECE_FRAMES {
            self.piece_stride *= 2;
            let stride = self.piece_stride;
            let spare = &mut self.spare_pieces;
            self.piece.retain_mut(|(kept, samples)| {
                let stays = kept.is_multiple_of(stride);
                if !stays {
                    spare.push(std::mem::take(samples));
                }
                stays
            });
            if !index.is_multiple_of(stride) {
                return;
            }
        }
        let (x0, y0, w, h) = piece_rect(self.width, self.height);
        let mut samples = self.spare_pieces.pop().unwrap_or_default();
        samples.clear();
        samples.reserve(w * h);
        for row in self.ring.frame(0).chunks(self.ring.stride().max(1)).skip(y0).take(h) {
            samples.extend_from_slice(&row[x0..x0 + w]);
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
    pub fn finish(&mut self) -> StackNumbers {
        // Whole numbers up to the last step, so that all levels give the same.
        dispatch!(Level::new(), simd => simd.vectorize(
            #[inline(always)]
            || {
                self.ring.break_run();
                match self.pixels.short() {
                    Some(sums) => self.numbers(&sums),
                    None => self.numbers(&self.pixels.all()),
                }
            },
        ))
    }

    /// The numbers, given the sums of every pixel.
    #[inline(always)]
    fn numbers<N: Sum>(&self, sums: &[N]) -> StackNumbers {
        let (width, height) = (self.width, self.height);
        let (p, n) = (width * height, self.sums.len());
        let totals = StackTotals {
            samples: p as i128,
            frames: n as i128,
            sum: self.total,
            level_square: self.level_square,
        };
        let forms = pixel_forms(sums, width, height);
        let lag = |lag: usize| {
            let lags = &self.lags[lag];
            let wanted = n.saturating_sub(lag + 1) as f64;
            (lags.pairs > 0).then(|| {
                let (with_ends, ends) = against(sums, self.ring.ends(lag + 1));
                lags.residual(&totals, forms.squares, with_ends, ends) * wanted / lags.pairs as f64
            })
        };
        let far = |sums: &FormSums, of_pixel_sums: i128, kappa: i128| {
            (kappa > 0 && n > 0)
                .then(|| sums.residual(&totals, of_pixel_sums, kappa) / (kappa as f64 * n as f64))
        };
        let pairs = self.differences.pairs;
        let bin_samples = (self.bands.rows * width) as f64;
        let bands = self.bands.variances().map(|pair| pair.map(|v| v / (bin_samples * bin_samples)));
        let mut mean_image = vec![0.0; sums.len()];
        for (mean, &sum) in mean_image.iter_mut().zip(sums) {
            *mean = sum.into() as f64 / n as f64;
        }
        let mean_of = |sum: u64| sum as f64 / p as f64;
        StackNumbers {
            width,
            height,
            frames: n as u64,
            mean: (n > 0 && p > 0).then(|| self.total as f64 / (p as f64 * n as f64)),
            frame_means: self.sums.iter().map(|&sum| mean_of(sum)).collect(),
            mean_image,
            piece: self.piece.iter().map(|(index, samples)| piece_frame(*index, samples)).collect(),
            energies: Some(self.energies.clone()),
            pairs,
            bins: self.bands.bins,
            quadratic: Quadratic {
                c0: self.squares.residual(&totals, forms.squares, p as i128),
                cx: self.right.residual(&totals, forms.right, (height * width.saturating_sub(1)) as i128),
                cy: self.below.residual(&totals, forms.below, (width * height.saturating_sub(1)) as i128),
                ct: lag(0),
                ct2: lag(1),
                pair: (pairs > 0).then(|| self.differences.half_residual(p as i128)),
                row: far(&self.rows, forms.rows, block_pairs(width / BLOCK) * height as i128),
                column: far(&self.cols, forms.cols, block_pairs(height / BLOCK) * width as i128),
                band: bands.map(|[spread, _]| spread),
                band_null: bands.map(|[_, null]| null),
            },
        }
    }

    /// Forgets all frames; all room stays, so that the next ones need no more.
    pub fn reset(&mut self) {
        // By name, so that none is left out.
        let Self {
            width: _,
            height: _,
            narrow: _,
            budget: _,
            frame,
            edges,
            columns,
            row_blocks: _,
            ring,
            sums,
            total,
            level_square,
            last_square,
            pixels,
            squares,
            right,
            below,
            rows,
            cols,
            lags,
            differences,
            bands,
            piece,
            spare_pieces,
            piece_stride,
            energies,
        } = self;
        (*frame, *edges) = Default::default();
        columns.clear();
        ring.reset();
        sums.clear();
        (*total, *level_square, *last_square) = (0, 0, 0);
        pixels.reset();
        for form in [squares, right, below, rows, cols] {
            *form = FormSums::default();
        }
        *lags = Default::default();
        *differences = DifferenceSums::default();
        bands.reset();
        spare_pieces.extend(piece.drain(..).map(|(_, samples)| samples));
        *piece_stride = 1;
        energies.reset();
    }
}

/// Frame `index` of the piece.
fn piece_frame<T: Sample>(index: u64, samples: &[T]) -> PieceFrame {
    PieceFrame { index: index as usize, samples: samples.iter().map(|x| f64::from(x.wide())).collect() }
}

/// Left, top, width and height of the piece of a region of `width` × `height` samples.
#[must_use]
pub fn piece_rect(width: usize, height: usize) -> (usize, usize, usize, usize) {
    let (w, h) = (width.min(PIECE), height.min(PIECE));
    ((width - w) / 2, (height - h) / 2, w, h)
}

impl Edges {
    /// Takes in row `y` of `height` with its sum.
    #[inline(always)]
    fn sides<T: Sample>(&mut self, y: usize, height: usize, sum: u64, row: &[T]) {
        let [first, ..] = row else { return };
        let last = row.last().unwrap_or(first);
        self.side_columns += u64::from(first.wide()) + u64::from(last.wide());
        self.side_rows += sum * (u64::from(y == 0) + u64::from(y + 1 == height));
    }
}
