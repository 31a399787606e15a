//! What a record must say of some frames, sample by sample from the definitions in docs/numbers.md.

use noise_measure::format::Scale;
use noise_measure::record::{GridColumns, WindowRecord};
use noise_measure::region::Rect;

use super::{Asked, Ring};

/// Relative rounding of a few thousand operations on f64, with room.
const ROUNDING: f64 = 1e-9;
/// Rows from which correlations are taken in the pairwise set: every fourth, and the one below it.
const ROW_STEP: usize = 4;

/// Numbers of one component in one rectangle, codes and shares.
#[derive(Debug)]
struct Plain {
    mean: f64,
    pair_variance: f64,
    correlations: [f64; 2],
    extremes: (u16, u16),
    clipped: [f64; 2],
}

/// Asserts that the meter's numbers of the first `frames` of `ring` are those of the definitions.
///
/// # Panics
/// Where one is not.
pub fn check(asked: &Asked, ring: &Ring, frames: usize) {
    let record = asked.record(ring, frames);
    check_frame(&record, ring, frames);
    for (region, got) in asked.regions.iter().zip(&record.regions) {
        for (i, (_, got)) in got.components.0.iter().enumerate() {
            let want = plain(ring, frames, i, region.rect);
            let scale = scale(ring, i);
            let codes = got.codes.as_ref().expect("native components have codes");
            let at = format!("{}, component {i}", region.name);
            same(got.mean_codes, want.mean, &at);
            same(got.temporal_pair, scale.spread(want.pair_variance.sqrt()), &at);
            if !asked.full {
                same(got.corr_x, want.correlations[0], &at);
                same(got.corr_y, want.correlations[1], &at);
            }
            let extremes = (codes.min_codes, codes.max_codes);
            assert_eq!(extremes, (Some(want.extremes.0.into()), Some(want.extremes.1.into())), "{at}");
            same(codes.clipped_low, want.clipped[0], &at);
            same(codes.clipped_high, want.clipped[1], &at);
        }
    }
    if let (Some(grid), Some(got)) = (asked.grid, &record.grid) {
        for (i, (_, columns)) in got.components.0.iter().enumerate() {
            for cell in 0..(grid.cols * grid.rows) as usize {
                check_cell(columns, cell, ring, frames, i, (grid.cols, grid.rows));
            }
        }
    }
}

fn check_cell(
    got: &GridColumns,
    cell: usize,
    ring: &Ring,
    frames: usize,
    component: usize,
    (cols, rows): (u32, u32),
) {
    let (width, height) = (ring.format.width / cols, ring.format.height / rows);
    assert_eq!((width * cols, height * rows), (ring.format.width, ring.format.height), "cells are alike");
    let (col, row) = (cell as u32 % cols, cell as u32 / cols);
    let rect = Rect { x: col * width, y: row * height, width, height };
    let want = plain(ring, frames, component, rect);
    let scale = scale(ring, component);
    let codes = got.codes.as_ref().expect("native components have codes");
    let at = format!("cell {cell}, component {component}");
    same(got.mean[cell], scale.percent(want.mean), &at);
    same(got.temporal_pair[cell], scale.spread(want.pair_variance.sqrt()), &at);
    same(got.corr_x[cell], want.correlations[0], &at);
    same(got.corr_y[cell], want.correlations[1], &at);
    assert_eq!(codes.min_codes[cell], Some(want.extremes.0.into()), "{at}");
    assert_eq!(codes.max_codes[cell], Some(want.extremes.1.into()), "{at}");
    same(codes.clipped_low[cell], want.clipped[0], &at);
    same(codes.clipped_high[cell], want.clipped[1], &at);
}

/// Luma of the whole picture.
fn check_frame(record: &WindowRecord, ring: &Ring, frames: usize) {
    let unit = 1u16 << (ring.layout.depth() - 8);
    let all = Rect { x: 0, y: 0, width: ring.format.width, height: ring.format.height };
    let codes: Vec<u16> = (0..frames).flat_map(|frame| codes(ring, frame, 0, all).concat()).collect();
    let share =
        |is: &dyn Fn(u16) -> bool| codes.iter().filter(|&&x| is(x)).count() as f64 / codes.len() as f64;
    let got = &record.frame;
    same(got.clipped_low, share(&|x| x <= unit), "clipped low");
    same(got.clipped_high, share(&|x| x >= 255 * unit - 1), "clipped high");
    same(got.below_black, share(&|x| x < 16 * unit), "below black");
    same(got.above_white, share(&|x| x > 235 * unit), "above white");
    same(got.reserved_codes, share(&|x| x < unit || x >= 255 * unit), "reserved");
}

fn same(got: Option<f64>, want: f64, at: &str) {
    let got = got.unwrap_or(f64::NAN);
    assert!((got - want).abs() <= ROUNDING * want.abs().max(1e-6), "{at}: {got}, by definition {want}");
}

fn scale(ring: &Ring, component: usize) -> Scale {
    let component = ring.format.components[component];
    ring.format.scale(component.channel, component.depth)
}

/// Rows of codes of the samples that lie wholly in `rect`.
fn codes(ring: &Ring, frame: usize, component: usize, rect: Rect) -> Vec<Vec<u16>> {
    let format = ring.format.components[component];
    let (x0, x1) = format.horizontal.inside(ring.format.width, rect.x, rect.x + rect.width);
    let (y0, y1) = format.vertical.inside(ring.format.height, rect.y, rect.y + rect.height);
    let view = ring.views(frame)[component];
    (y0..y1)
        .map(|y| {
            let mut row = vec![0; (x1 - x0) as usize];
            view.read_row(y as usize, x0 as usize, &mut row);
            row
        })
        .collect()
}

fn plain(ring: &Ring, frames: usize, component: usize, rect: Rect) -> Plain {
    let stack: Vec<Vec<Vec<u16>>> = (0..frames).map(|frame| codes(ring, frame, component, rect)).collect();
    let all = || stack.iter().flatten().flatten().copied();
    let count = all().count() as f64;
    let pixels = count / frames as f64;
    let (mut half, mut right, mut below) = (0.0, 0.0, 0.0);
    for pair in stack.windows(2) {
        let d: Vec<Vec<f64>> = pair[1]
            .iter()
            .zip(&pair[0])
            .map(|(now, before)| now.iter().zip(before).map(|(&a, &b)| f64::from(a) - f64::from(b)).collect())
            .collect();
        let mean = d.iter().flatten().sum::<f64>() / pixels;
        half += d.iter().flatten().map(|d| (d - mean) * (d - mean)).sum::<f64>() / 2.0;
        let product =
            |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| (a - mean) * (b - mean)).sum::<f64>();
        let (rows, width) = (d.len(), d[0].len());
        let sampled = rows.div_ceil(ROW_STEP);
        let with_below = (rows + ROW_STEP - 2) / ROW_STEP;
        right += d.iter().step_by(ROW_STEP).map(|row| product(&row[1..], &row[..width - 1])).sum::<f64>()
            / (sampled * (width - 1)) as f64;
        below += d
            .chunks(ROW_STEP)
            .filter(|rows| rows.len() > 1)
            .map(|rows| product(&rows[0], &rows[1]))
            .sum::<f64>()
            / (with_below * width) as f64;
    }
    let pairs = (frames - 1) as f64;
    let spread = 2.0 * half / (pairs * pixels);
    let unit = 1u16 << (ring.layout.depth() - 8);
    let share = |is: &dyn Fn(u16) -> bool| all().filter(|&x| is(x)).count() as f64 / count;
    Plain {
        mean: all().map(u64::from).sum::<u64>() as f64 / count,
        pair_variance: half / (pairs * (pixels - 1.0)),
        correlations: [right / pairs / spread, below / pairs / spread],
        extremes: (all().min().expect("samples"), all().max().expect("samples")),
        // Steps are 1: the pictures use every code.
        clipped: [share(&|x| x <= unit), share(&|x| x >= 255 * unit - 1)],
    }
}
