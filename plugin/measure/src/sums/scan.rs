//! What is counted over the whole active picture of every frame.

use crate::frame::format::{Channel, FrameFormat, Model, Scale, Scan};
use crate::frame::place::{Place, field_place};
use crate::frame::region::Rect;
use crate::frame::view::ComponentView;
use crate::record::FrameRecord;
use crate::sums::kernels::clip::{ClipLimits, STEPS, at_step};
use crate::sums::kernels::fingerprint::Fingerprint;
use crate::sums::kernels::row::{count_any_outside, extremes, moments};
use crate::sums::kernels::steps::CodeSteps;

/// Bins of the row profile.
pub const PROFILE: usize = 256;
/// Most components that are counted together: R, G and B.
const MOST: usize = 3;

/// Counts over the frames of a window.
#[derive(Debug, Clone)]
pub struct FrameScan {
    limits: Vec<ClipLimits>,
    pixels: u64,
    clipped_low: u64,
    clipped_high: [u64; STEPS],
    below_black: u64,
    above_white: u64,
    reserved: u64,
    /// Sum and number of samples of every bin, a component each.
    profile: Vec<Vec<(u64, u64)>>,
}

impl FrameScan {
    /// No frames yet.
    #[must_use]
    pub fn new(format: &FrameFormat) -> Self {
        let limits = format.components.iter().map(|c| ClipLimits::new(format.range, c.channel, c.depth));
        Self {
            limits: limits.collect(),
            pixels: 0,
            clipped_low: 0,
            clipped_high: [0; STEPS],
            below_black: 0,
            above_white: 0,
            reserved: 0,
            profile: vec![vec![(0, 0); PROFILE]; format.components.len()],
        }
    }

    /// Counts the active picture of one buffer; `parity` matters for alternate fields alone.
    pub fn add(&mut self, format: &FrameFormat, views: &[ComponentView<'_>], active: Rect, parity: usize) {
        match format.model {
            Model::Gray | Model::Yuv => self.add_group(format, views, &[0], active, parity),
            Model::Rgb => self.add_group(format, views, &[0, 1, 2], active, parity),
            // The colours of a mosaic lie at different pixels: each sample counts for itself.
            Model::Bayer => {
                (0..views.len()).for_each(|i| self.add_group(format, views, &[i], active, parity))
            }
        }
    }

    /// Counts pixels where any of the components `group`, which share one sampling, is out of bounds.
    fn add_group(
        &mut self,
        format: &FrameFormat,
        views: &[ComponentView<'_>],
        group: &[usize],
        active: Rect,
        parity: usize,
    ) {
        let Some(component) = group.first().and_then(|&i| format.components.get(i)) else { return };
        let limits: Vec<ClipLimits> = group.iter().map(|&i| self.limits[i]).collect();
        for (field, parity) in fields(format.scan, parity) {
            let place = field_place(format, component, active, parity);
            let Place { x, y, width, height } = place;
            let mut rows = vec![vec![0u16; width]; group.len()];
            for line in 0..height {
                for (row, &i) in rows.iter_mut().zip(group) {
                    let Some(view) = views.get(i) else { return };
                    let view = if field { view.field(parity) } else { *view };
                    view.read_row(y + line, x, row);
                    let sum = moments(row).0;
                    for bin in profile_bins(line, height) {
                        let at = &mut self.profile[i][bin];
                        *at = (at.0 + sum, at.1 + width as u64);
                    }
                }
                self.count(&rows, &limits);
            }
            self.pixels += (width * height) as u64;
        }
    }

    /// Counts one row of up to three components that share their places.
    fn count(&mut self, rows: &[Vec<u16>], limits: &[ClipLimits]) {
        let found = rows.iter().zip(limits).filter_map(|(row, limits)| Some((extremes(row)?, limits)));
        let (mut inside, mut high) = (true, false);
        for ((min, max), limits) in found {
            inside &= min > limits.floor && min >= limits.black && max <= limits.white;
            high |= max >= limits.lowest_high();
        }
        if inside && !high {
            return;
        }
        let mut slices: [&[u16]; MOST] = [&[]; MOST];
        slices.iter_mut().zip(rows).for_each(|(slice, row)| *slice = row);
        let slices = &slices[..rows.len().min(MOST)];
        let count = |of: fn(&ClipLimits) -> (u16, u16)| {
            let mut bounds = [(0, 0); MOST];
            bounds.iter_mut().zip(limits).for_each(|(bounds, limits)| *bounds = of(limits));
            count_any_outside(slices, &bounds[..slices.len()])
        };
        self.clipped_low += count(|limits| (limits.floor.saturating_add(1), u16::MAX));
        self.below_black += count(|limits| (limits.black, u16::MAX));
        self.above_white += count(|limits| (0, limits.white));
        if limits.iter().all(|limits| limits.reserved > 0) {
            self.reserved += count(|limits| (limits.reserved, (limits.ceiling - 1) as u16));
        }
        if !high {
            return;
        }
        for x in 0..slices.first().map_or(0, |row| row.len()) {
            let step = slices.iter().zip(limits).filter_map(|(row, limits)| limits.step_needed(row[x])).min();
            if let Some(step) = step {
                self.clipped_high[step] += 1;
            }
        }
    }

    /// The shares and the profile; `steps` are the components' code steps.
    #[must_use]
    pub fn finish(
        &self,
        format: &FrameFormat,
        steps: &[Option<u32>],
        outside_r103: Option<f64>,
    ) -> FrameRecord {
        let share = |count: u64| (self.pixels > 0).then(|| count as f64 / self.pixels as f64);
        let judged = if matches!(format.model, Model::Gray | Model::Yuv) { 1 } else { steps.len() };
        let step = steps.iter().take(judged).map(|step| step.unwrap_or(1)).min().unwrap_or(1);
        let has_reserved = self.limits.first().is_some_and(|limits| limits.reserved > 0);
        FrameRecord {
            clipped_high: share(at_step(&self.clipped_high, step)),
            clipped_low: share(self.clipped_low),
            below_black: share(self.below_black),
            above_white: share(self.above_white),
            reserved_codes: if has_reserved { share(self.reserved) } else { None },
            outside_r103,
            row_profile: self.row_profile(format),
        }
    }

    /// 256 means of luma rows, percent: Y; derived Y for RGB; both greens of a mosaic.
    fn row_profile(&self, format: &FrameFormat) -> Option<Vec<f64>> {
        let weights: Vec<f64> = format
            .components
            .iter()
            .enumerate()
            .map(|(i, component)| match (format.model, component.channel) {
                (Model::Rgb, _) => format.matrix.luma_weights().get(i).copied().unwrap_or(0.0),
                (Model::Bayer, Channel::G1 | Channel::G2) => 0.5,
                (_, Channel::Y) => 1.0,
                _ => 0.0,
            })
            .collect();
        (0..PROFILE)
            .map(|bin| {
                let mut level = 0.0;
                for ((component, weight), bins) in format.components.iter().zip(&weights).zip(&self.profile) {
                    if *weight != 0.0 {
                        let (sum, count) = bins[bin];
                        if count == 0 {
                            return None;
                        }
                        let scale = Scale::new(format.range, component.channel, component.depth);
                        level += weight * scale.percent(sum as f64 / count as f64);
                    }
                }
                Some(level)
            })
            .collect()
    }
}

/// Bins that row `line` of `height` belongs to: bin b holds rows ⌊b·height/256⌋ up to the next bin's, at least one.
fn profile_bins(line: usize, height: usize) -> std::ops::Range<usize> {
    let first = |line: usize| (line * PROFILE).div_ceil(height);
    if height >= PROFILE {
        // first(line) is the first bin that begins at or after `line`; the row belongs to the one before unless equal.
        let bin = (line * PROFILE + PROFILE - 1) / height;
        let bin = if bin * height / PROFILE > line { bin - 1 } else { bin };
        bin..bin + 1
    } else {
        first(line)..first(line + 1).min(PROFILE)
    }
}

/// Whether to split views into fields, and which parities one buffer holds.
pub fn fields(scan: Scan, parity: usize) -> impl Iterator<Item = (bool, usize)> + Clone {
    let (range, split) = match scan {
        Scan::Progressive => (0..1, false),
        Scan::Interleaved => (0..2, true),
        Scan::Alternate => (parity & 1..(parity & 1) + 1, false),
    };
    range.map(move |parity| (split, parity))
}

/// Takes in all visible samples: which codes occur, and the frame's fingerprint.
pub fn identify(views: &[ComponentView<'_>], steps: &mut [CodeSteps]) -> u128 {
    let mut print = Fingerprint::default();
    for (view, steps) in views.iter().zip(steps) {
        let mut row = vec![0u16; view.width()];
        for y in 0..view.height() {
            view.read_row(y, 0, &mut row);
            print.row(&row);
            steps.row(&row);
        }
    }
    print.finish()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_bin_of_the_profile_holds_the_rows_of_its_definition() {
        for height in [1usize, 2, 100, 255, 256, 257, 270, 511, 512, 1080, 2160] {
            for bin in 0..PROFILE {
                let start = bin * height / PROFILE;
                let end = ((bin + 1) * height / PROFILE).max(start + 1);
                for line in 0..height {
                    let holds = (start..end).contains(&line);
                    assert_eq!(profile_bins(line, height).contains(&bin), holds, "{height}: {bin} {line}");
                }
            }
        }
    }
}
