//! A grid's cells, pooled over windows.

use super::distinct;
use crate::record::{ByChannel, GridCodes, GridColumns, GridRecord, WindowRecord};

/// Pools the grids of windows that share one; `None` without any.
pub fn pooled(windows: &[&WindowRecord]) -> Option<GridRecord> {
    let first = windows.iter().find_map(|window| window.grid.as_ref())?;
    let same: Vec<(&GridRecord, f64)> = windows
        .iter()
        .filter_map(|window| Some((window.grid.as_ref()?, distinct(window) as f64)))
        .filter(|(grid, _)| (grid.cols, grid.rows) == (first.cols, first.rows))
        .collect();
    let components: ByChannel<GridColumns> = first
        .components
        .iter()
        .map(|(channel, columns)| {
            let parts: Vec<(&GridColumns, f64)> = same
                .iter()
                .filter_map(|(grid, frames)| Some((grid.components.get(channel)?, *frames)))
                .collect();
            let root = |mean: Option<f64>| mean.map(f64::sqrt);
            // A window of N frames has N − 1 pairs.
            let pairs: Vec<(&GridColumns, f64)> =
                parts.iter().map(|(columns, frames)| (*columns, (frames - 1.0).max(0.0))).collect();
            let cells = columns.mean.len();
            let codes = columns.codes.as_ref().map(|_| {
                let of = |get: fn(&GridCodes) -> &Vec<Option<u32>>| {
                    parts.iter().filter_map(|(c, _)| Some(get(c.codes.as_ref()?))).collect::<Vec<_>>()
                };
                let (low, high) = (of(|codes| &codes.min_codes), of(|codes| &codes.max_codes));
                let cell = |columns: &[&Vec<Option<u32>>], i: usize| -> Vec<u32> {
                    columns.iter().filter_map(|column| column.get(i).copied().flatten()).collect()
                };
                GridCodes {
                    min_codes: (0..cells).map(|i| cell(&low, i).into_iter().min()).collect(),
                    max_codes: (0..cells).map(|i| cell(&high, i).into_iter().max()).collect(),
                    clipped_low: means(&parts, cells, |c| c.codes.as_ref().map(|c| &c.clipped_low), |v| v),
                    clipped_high: means(&parts, cells, |c| c.codes.as_ref().map(|c| &c.clipped_high), |v| v),
                }
            });
            let pooled = GridColumns {
                mean: means(&parts, cells, |c| Some(&c.mean), |v| v),
                // There is no signed variance to pool: windows with a value alone would read high.
                temporal_pair: means(&pairs, cells, |c| Some(&c.temporal_pair), |v| v * v)
                    .into_iter()
                    .enumerate()
                    .map(|(i, mean)| {
                        root(
                            mean.filter(|_| !pairs.iter().any(|(c, pairs)| *pairs > 0.0 && lacks_pair(c, i))),
                        )
                    })
                    .collect(),
                corr_x: means(&parts, cells, |c| Some(&c.corr_x), |v| v),
                corr_y: means(&parts, cells, |c| Some(&c.corr_y), |v| v),
                codes,
            };
            (channel, pooled)
        })
        .collect();
    Some(GridRecord { cols: first.cols, rows: first.rows, components })
}

/// Whether cell `i` differs from frame to frame by less than can be told.
fn lacks_pair(columns: &GridColumns, i: usize) -> bool {
    let there = |column: &[Option<f64>]| column.get(i).copied().flatten().is_some();
    there(&columns.mean) && !there(&columns.temporal_pair)
}

/// Mean of f(value) of every cell over the windows that have it, weighted by what stands beside them in `parts`.
fn means(
    parts: &[(&GridColumns, f64)],
    cells: usize,
    get: impl Fn(&GridColumns) -> Option<&Vec<Option<f64>>>,
    f: impl Fn(f64) -> f64,
) -> Vec<Option<f64>> {
    (0..cells)
        .map(|i| {
            let (mut sum, mut weight) = (0.0, 0.0);
            for (columns, frames) in parts {
                if let Some(value) = get(columns).and_then(|column| column.get(i).copied().flatten()) {
                    sum += f(value) * frames;
                    weight += frames;
                }
            }
            (weight > 0.0).then(|| sum / weight)
        })
        .collect()
}
