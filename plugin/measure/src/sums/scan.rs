//! What is counted over the whole active picture of every frame.

use fearless_simd::Simd;

use crate::frame::format::{Channel, FrameFormat, Model, Scale, Scan};
use crate::record::FrameRecord;
use crate::sums::kernels::clip::{ClipLimits, STEPS, at_step};
use crate::sums::kernels::count::any_outside;
use crate::sums::patch::Patch;

/// Bins of the row profile.
pub const PROFILE: usize = 256;
/// Most components that are counted together: R, G and B.
pub const MOST: usize = 3;

/// What was counted.
#[derive(Debug, Clone)]
struct Counts {
    pixels: u64,
    clipped_low: u64,
    clipped_high: [u64; STEPS],
    below_black: u64,
    above_white: u64,
    reserved: u64,
    /// Sum and number of samples of every bin, a component each.
    profile: Vec<Vec<(u64, u64)>>,
}

impl Counts {
    fn new(components: usize) -> Self {
        Self {
            pixels: 0,
            clipped_low: 0,
            clipped_high: [0; STEPS],
            below_black: 0,
            above_white: 0,
            reserved: 0,
            profile: vec![vec![(0, 0); PROFILE]; components],
        }
    }

    /// Adds what `other` has.
    fn add(&mut self, other: &Self) {
        self.pixels += other.pixels;
        self.clipped_low += other.clipped_low;
        self.below_black += other.below_black;
        self.above_white += other.above_white;
        self.reserved += other.reserved;
        for (count, other) in self.clipped_high.iter_mut().zip(other.clipped_high) {
            *count += other;
        }
        for (bin, (sum, count)) in self.profile.iter_mut().flatten().zip(other.profile.iter().flatten()) {
            *bin = (bin.0 + sum, bin.1 + count);
        }
    }

    /// Begins anew; the room of the profile stays.
    fn clear(&mut self) {
        let profile = std::mem::take(&mut self.profile);
        *self = Self { profile, ..Self::new(0) };
        self.profile.iter_mut().for_each(|bins| bins.fill((0, 0)));
    }
}

/// Counts over the frames of a window.
#[derive(Debug, Clone)]
pub struct FrameScan {
    limits: Vec<ClipLimits>,
    counts: Counts,
    /// Of the frame whose rows are coming in.
    open: Counts,
}

impl FrameScan {
    /// No frames yet.
    #[must_use]
    pub fn new(format: &FrameFormat) -> Self {
        let limits = format.components.iter().map(|c| ClipLimits::new(format.range, c.channel, c.depth));
        let counts = Counts::new(format.components.len());
        Self { limits: limits.collect(), open: counts.clone(), counts }
    }

    /// Takes in the sum of line `line` of the `height` lines of component `component`.
    pub fn line(&mut self, component: usize, (line, height): (usize, usize), sum: u64, samples: usize) {
        for bin in profile_bins(line, height) {
            let at = &mut self.open.profile[component][bin];
            *at = (at.0 + sum, at.1 + samples as u64);
        }
    }

    /// Whether samples of component `component` from `min` to `max` may be out of any bounds.
    pub fn reaches(&self, component: usize, (min, max): (u16, u16)) -> bool {
        let limits = &self.limits[component];
        let inside = min > limits.floor && min >= limits.black && max <= limits.white;
        !inside || max >= limits.lowest_high()
    }

    /// Counts `pixels` pixels, and those of them where any of the components from `first` on is out of bounds: `patches`
    /// are their rows, which share their places, with their lowest and highest value.
    #[inline(always)]
    pub fn count<S: Simd>(
        &mut self,
        simd: S,
        first: usize,
        pixels: usize,
        patches: &[(Patch<'_>, (u16, u16))],
    ) {
        self.open.pixels += pixels as u64;
        if !patches.iter().enumerate().any(|(i, (_, extremes))| self.reaches(first + i, *extremes)) {
            return;
        }
        let limits = &self.limits[first..first + patches.len()];
        let high = patches.iter().zip(limits).any(|((_, (_, max)), limits)| *max >= limits.lowest_high());
        let open = &mut self.open;
        let count = |of: &dyn Fn(&ClipLimits) -> (u16, u16)| count(simd, patches, limits, of);
        open.clipped_low += count(&|limits| (limits.floor.saturating_add(1), u16::MAX));
        open.below_black += count(&|limits| (limits.black, u16::MAX));
        open.above_white += count(&|limits| (0, limits.white));
        if limits.iter().all(|limits| limits.reserved > 0) {
            open.reserved += count(&|limits| (limits.reserved, (limits.ceiling - 1) as u16));
        }
        // The component with the most steps leads; the others stop at their own last one.
        let leader = limits.iter().max_by_key(|limits| limits.steps()).filter(|_| high);
        if let Some(leader) = leader {
            leader.count_high(&mut open.clipped_high, |k| {
                count(&|limits| (0, limits.high_limit(k).saturating_sub(1)))
            });
        }
    }

    /// Closes the frame: it counts, unless it is `repeated`.
    pub fn end_frame(&mut self, repeated: bool) {
        if !repeated {
            self.counts.add(&self.open);
        }
        self.open.clear();
    }

    /// The shares and the profile; `steps` are the components' code steps.
    #[must_use]
    pub fn finish(
        &self,
        format: &FrameFormat,
        steps: &[Option<u32>],
        outside_r103: Option<f64>,
    ) -> FrameRecord {
        let share = |count: u64| (self.counts.pixels > 0).then(|| count as f64 / self.counts.pixels as f64);
        let judged = if matches!(format.model, Model::Gray | Model::Yuv) { 1 } else { steps.len() };
        let step = steps.iter().take(judged).map(|step| step.unwrap_or(1)).min().unwrap_or(1);
        let has_reserved = self.limits.first().is_some_and(|limits| limits.reserved > 0);
        FrameRecord {
            clipped_high: share(at_step(&self.counts.clipped_high, step)),
            clipped_low: share(self.counts.clipped_low),
            below_black: share(self.counts.below_black),
            above_white: share(self.counts.above_white),
            reserved_codes: if has_reserved { share(self.counts.reserved) } else { None },
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
                for ((component, weight), bins) in
                    format.components.iter().zip(&weights).zip(&self.counts.profile)
                {
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

/// Places where any of the patches is outside the bounds that `of` gives for its limits.
#[inline(always)]
fn count<S: Simd>(
    simd: S,
    patches: &[(Patch<'_>, (u16, u16))],
    limits: &[ClipLimits],
    of: &dyn Fn(&ClipLimits) -> (u16, u16),
) -> u64 {
    let at = |i: usize| (patches[i].0, of(&limits[i]));
    simd.vectorize(
        #[inline(always)]
        || match patches.len() {
            MOST => {
                let all = [at(0), at(1), at(2)];
                any_outside(simd, all.map(|(patch, _)| patch), all.map(|(_, bounds)| bounds))
            }
            _ => {
                let (patch, bounds) = at(0);
                any_outside(simd, [patch], [bounds])
            }
        },
    )
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
