//! The window that is being filled: one set of sums a region and cell, and the counts of the whole picture.

use crate::config::MeterConfig;
use crate::frame::region::{Grid, Rect};
use crate::sums::collect::RegionSums;
use crate::sums::scan::FrameScan;

/// The sums of the window that is being filled.
#[derive(Debug)]
pub(crate) struct OpenWindow {
    pub(crate) scan: FrameScan,
    pub(crate) regions: Vec<Option<RegionSums>>,
    pub(crate) cells: Vec<RegionSums>,
    /// Time of every distinct frame, ns.
    pub(crate) times: Vec<Option<u64>>,
    /// Buffers of each parity (progressive and interleaved: the first alone), and how many of them repeated the one before.
    pub(crate) buffers: [u64; 2],
    pub(crate) repeated: [u64; 2],
    pub(crate) holes: u64,
    pub(crate) corrupted: u64,
}

impl OpenWindow {
    /// No frames yet.
    pub(crate) fn new(config: &MeterConfig) -> Self {
        let format = &config.format;
        let frame_area = f64::from(format.width) * f64::from(format.height);
        let mut area = 0.0;
        let regions = config
            .regions
            .iter()
            .map(|region| {
                area += f64::from(region.rect.width) * f64::from(region.rect.height);
                let full = config.full_set_share.is_none_or(|share| area <= share * frame_area);
                region.inside.then(|| RegionSums::new(format, region.rect, full))
            })
            .collect();
        let cells = config
            .grid
            .map(|grid| cells(grid, config.active).map(|cell| RegionSums::new(format, cell, false)).collect())
            .unwrap_or_default();
        Self {
            scan: FrameScan::new(format),
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
