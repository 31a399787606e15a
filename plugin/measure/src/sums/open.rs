//! The window that is being filled: one set of sums a region and cell, and the counts of the whole picture.

use std::sync::Arc;

use fearless_simd::Simd;

use crate::config::MeterConfig;
use crate::frame::format::FrameFormat;
use crate::frame::region::{Grid, Rect};
use crate::sums::collect::{RegionSums, Set};
use crate::sums::scan::FrameScan;

/// The sums of the window that is being filled.
#[derive(Debug)]
pub(crate) struct OpenWindow {
    pub(crate) scan: FrameScan,
    pub(crate) regions: Vec<Option<RegionSums>>,
    pub(crate) cells: Vec<RegionSums>,
    /// Regions, then cells, from top to bottom: of each component of each field, by their place among both.
    pub(crate) order: Vec<Vec<Vec<usize>>>,
    /// Time of every distinct frame, ns.
    pub(crate) times: Vec<Option<u64>>,
    /// Buffers of each parity (progressive and interleaved: the first alone), and how many of them repeated the one before.
    pub(crate) buffers: [u64; 2],
    pub(crate) repeated: [u64; 2],
    pub(crate) holes: u64,
    pub(crate) corrupted: u64,
}

/// The emptied room of a window that was evaluated.
#[derive(Debug)]
pub struct Spare {
    config: Arc<MeterConfig>,
    window: OpenWindow,
}

impl Spare {
    /// Empties `window`, which was made for `config`.
    pub(crate) fn new(config: Arc<MeterConfig>, mut window: OpenWindow) -> Self {
        window.reset(&config);
        Self { config, window }
    }

    /// The room, if it was made for `config`.
    pub(crate) fn into_room(self, config: &Arc<MeterConfig>) -> Option<OpenWindow> {
        let fits = Arc::ptr_eq(&self.config, config) || self.config == *config;
        fits.then_some(self.window)
    }
}

impl OpenWindow {
    /// No frames yet.
    pub(crate) fn new(config: &MeterConfig) -> Self {
        let format = &config.format;
        let frame_area = f64::from(format.width) * f64::from(format.height);
        let mut area = 0.0;
        let regions: Vec<Option<RegionSums>> = config
            .regions
            .iter()
            .map(|region| {
                area += f64::from(region.rect.width) * f64::from(region.rect.height);
                let full = config.full_set_share.is_none_or(|share| area <= share * frame_area);
                region.inside.then(|| RegionSums::new(format, region.rect, Set { full, lent: false }))
            })
            .collect();
        let cells: Vec<RegionSums> = config
            .grid
            .map(|grid| {
                let set = Set { full: false, lent: true };
                cells(grid, config.active).map(|cell| RegionSums::new(format, cell, set)).collect()
            })
            .unwrap_or_default();
        Self {
            scan: FrameScan::new(format),
            order: order(format, &regions, &cells),
            regions,
            cells,
            times: Vec::new(),
            buffers: [0; 2],
            repeated: [0; 2],
            holes: 0,
            corrupted: 0,
        }
    }
}

impl OpenWindow {
    /// Forgets all frames; all room stays. `config` is the one that it was made for.
    pub(crate) fn reset(&mut self, config: &MeterConfig) {
        let Self { scan, regions, cells, order: _, times, buffers, repeated, holes, corrupted } = self;
        *scan = FrameScan::new(&config.format);
        for sums in regions.iter_mut().flatten().chain(cells) {
            sums.reset(&config.format);
        }
        times.clear();
        (*buffers, *repeated) = ([0; 2], [0; 2]);
        (*holes, *corrupted) = (0, 0);
    }

    /// All regions and cells that are measured.
    pub(crate) fn sums_mut(&mut self) -> impl Iterator<Item = &mut RegionSums> {
        self.regions.iter_mut().flatten().chain(&mut self.cells)
    }

    /// Closes the frame of the fields `fields`: it counts, unless it is `repeated`.
    #[inline(always)]
    pub(crate) fn end_frame<S: Simd>(
        &mut self,
        simd: S,
        fields: impl Iterator<Item = (bool, usize)> + Clone,
        repeated: bool,
    ) {
        self.scan.end_frame(repeated);
        for sums in self.sums_mut() {
            sums.end_frame(simd, fields.clone().map(|(_, parity)| parity), repeated);
        }
    }
}

/// One of `regions` or, after them, `cells`.
pub(crate) fn at<'a>(
    regions: &'a [Option<RegionSums>],
    cells: &'a [RegionSums],
    index: usize,
) -> Option<&'a RegionSums> {
    match index.checked_sub(regions.len()) {
        Some(cell) => cells.get(cell),
        None => regions.get(index)?.as_ref(),
    }
}

/// The same to add to.
pub(crate) fn at_mut<'a>(
    regions: &'a mut [Option<RegionSums>],
    cells: &'a mut [RegionSums],
    index: usize,
) -> Option<&'a mut RegionSums> {
    match index.checked_sub(regions.len()) {
        Some(cell) => cells.get_mut(cell),
        None => regions.get_mut(index)?.as_mut(),
    }
}

/// Regions and cells by their uppermost row, for each field and component.
fn order(format: &FrameFormat, regions: &[Option<RegionSums>], cells: &[RegionSums]) -> Vec<Vec<Vec<usize>>> {
    let all: Vec<(usize, &RegionSums)> = regions
        .iter()
        .map(Option::as_ref)
        .chain(cells.iter().map(Some))
        .enumerate()
        .filter_map(|(index, sums)| Some((index, sums?)))
        .collect();
    let sorted = |field: usize, component: usize| {
        let place = |sums: &RegionSums| sums.fields.get(field).and_then(|f| f.places.get(component).copied());
        let mut tops: Vec<(usize, usize)> = all
            .iter()
            .filter_map(|&(index, sums)| Some((place(sums).filter(|p| p.samples() > 0)?.y, index)))
            .collect();
        tops.sort_unstable();
        tops.into_iter().map(|(_, index)| index).collect()
    };
    (0..2)
        .map(|field| (0..format.components.len()).map(|component| sorted(field, component)).collect())
        .collect()
}

/// The cells of `grid` over `active`, row by row; edges at ⌊i·size/n + ½⌋.
pub fn cells(grid: Grid, active: Rect) -> impl Iterator<Item = Rect> {
    let edge = |i: u32, size: u32, n: u32| {
        ((2 * u64::from(i) * u64::from(size) + u64::from(n)) / (2 * u64::from(n.max(1)))) as u32
    };
    (0..grid.rows).flat_map(move |row| {
        (0..grid.cols).map(move |col| {
            let (x0, x1) = (edge(col, active.width, grid.cols), edge(col + 1, active.width, grid.cols));
            let (y0, y1) = (edge(row, active.height, grid.rows), edge(row + 1, active.height, grid.rows));
            Rect { x: active.x + x0, y: active.y + y0, width: x1 - x0, height: y1 - y0 }
        })
    })
}
