//! Clipping, rails and levels outside nominal range, counted exactly before the code step is known.

use crate::frame::format::{Channel, Range, Scale};

use super::count::{above, below, tail};
use super::lanes::Simd;
use crate::sums::patch::Patch;

/// Thresholds of one component at its depth (docs/numbers.md, "Clipping").
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ClipLimits {
    /// clipped_high counts codes ≥ `ceiling` − code_step: 255·2^(n−8) in narrow range, 2ⁿ in full.
    pub ceiling: u32,
    /// clipped_low counts codes ≤ this: 2^(n−8) in narrow range, 0 in full.
    pub floor: u16,
    /// Codes under this are below 0 %; 0 where 0 % is the lowest code or the component has no black.
    pub black: u16,
    /// Codes over this are above 100 %.
    pub white: u16,
    /// Codes under this, or at or over `ceiling`, are reserved; 0 where none are.
    pub reserved: u16,
    /// log₂ of the largest step counted for.
    steps: u32,
}

/// Counters for steps 1, 2, 4 … 2¹².
pub const STEPS: usize = 13;

impl ClipLimits {
    /// Limits of `channel` at `depth` bits.
    #[must_use]
    pub fn new(range: Range, channel: Channel, depth: u32) -> Self {
        let unit = (1u32 << depth) / 256;
        let top = (1u32 << depth) - 1;
        // Steps are told from 16 codes on, so none is over 2^(n−4).
        let steps = depth.saturating_sub(4).min(STEPS as u32 - 1);
        match range {
            // Narrow range below 8 bits has no code for its offsets; it is read as full.
            Range::Narrow if unit > 0 => {
                let scale = Scale::new(range, channel, depth);
                let (black, white) = if channel.is_chroma() {
                    (scale.black - scale.span / 2.0, scale.black + scale.span / 2.0)
                } else {
                    (scale.black, scale.black + scale.span)
                };
                Self {
                    ceiling: 255 * unit,
                    floor: unit as u16,
                    black: black as u16,
                    white: white as u16,
                    reserved: unit as u16,
                    steps,
                }
            }
            Range::Narrow | Range::Full => {
                Self { ceiling: top + 1, floor: 0, black: 0, white: top as u16, reserved: 0, steps }
            }
            Range::Fixed => Self {
                ceiling: top + 1,
                floor: 0,
                black: 0,
                white: crate::frame::format::FIXED_POINT_ONE as u16,
                reserved: 0,
                steps: 0,
            },
        }
    }

    /// Lowest code that counts as clipped where the step is 2ᵏ; beyond the largest step that is counted, where it is that.
    #[must_use]
    pub fn high_limit(&self, k: usize) -> u16 {
        self.ceiling.saturating_sub(1 << (k as u32).min(self.steps)).min(u32::from(u16::MAX)) as u16
    }

    /// log₂ of the largest step counted for.
    #[must_use]
    pub const fn steps(&self) -> u32 {
        self.steps
    }

    /// Codes at or over this may count as clipped for some step.
    #[must_use]
    pub fn lowest_high(&self) -> u16 {
        self.high_limit(self.steps as usize)
    }

    /// Adds to each counter the places that clip at its step but at none smaller; `at_step` counts those that clip at 2ᵏ.
    pub fn count_high(&self, counters: &mut [u64; STEPS], mut at_step: impl FnMut(usize) -> u64) {
        let mut known = 0;
        for (k, counter) in counters.iter_mut().enumerate().take(self.steps as usize + 1) {
            let count = at_step(k);
            *counter += count - known;
            known = count;
        }
    }
}

/// The two outermost codes on one side and how often each occurs.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Tail {
    outer: Option<(u16, u64)>,
    inner: Option<(u16, u64)>,
}

impl Tail {
    /// Whether samples as far out as `extreme` change anything; `flip` them (`!code`) for the high side.
    fn reaches(&self, extreme: u16, flip: u16) -> bool {
        self.inner.is_none_or(|(inner, _)| extreme ^ flip <= inner)
    }

    /// Both codes; the outer one twice where it is the only one.
    fn codes(&self, flip: u16) -> Option<(u16, u16)> {
        let (outer, _) = self.outer?;
        Some((outer ^ flip, self.inner.map_or(outer, |(inner, _)| inner) ^ flip))
    }

    /// Takes in samples, of which `found` are equal to the outer and the inner code, and reach the inner one or beyond.
    fn patch(&mut self, patch: Patch<'_>, found: Option<[u64; 3]>, flip: u16) {
        match (&mut self.outer, &mut self.inner, found) {
            // Beyond the inner code there is nothing but the outer one: both stay what they are.
            (Some((_, outer)), Some((_, inner)), Some([at_outer, at_inner, reach]))
                if reach == at_outer + at_inner =>
            {
                *outer += at_outer;
                *inner += at_inner;
            }
            // Nothing but the one code that there is.
            (Some((_, outer)), None, Some([all, ..])) if all == (patch.width * patch.rows) as u64 => {
                *outer += all;
            }
            _ => (0..patch.rows).flat_map(|y| patch.row(y)).for_each(|&code| self.code(code ^ flip)),
        }
    }

    /// Takes in one sample, flipped for the high side.
    fn code(&mut self, code: u16) {
        match self.outer {
            Some((outer, ref mut count)) if code == outer => *count += 1,
            Some((outer, _)) if code > outer => match self.inner {
                Some((inner, ref mut count)) if code == inner => *count += 1,
                Some((inner, _)) if code > inner => {}
                _ => self.inner = Some((code, 1)),
            },
            _ => {
                self.inner = self.outer;
                self.outer = Some((code, 1));
            }
        }
    }

    /// The outermost code with its count, and the count one `step` further in.
    fn rail(&self, step: u32, flip: u16) -> Option<(u16, u64, u64)> {
        let (code, count) = self.outer?;
        let inner = match self.inner {
            // No code lies between two multiples of the step, so the next occupied one is the neighbour or there is none.
            Some((inner, inner_count)) if u32::from(inner - code) == step => inner_count,
            _ => 0,
        };
        Some((code ^ flip, count, inner))
    }
}

/// What was counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Counted {
    low: Tail,
    high: Tail,
    min: u16,
    max: u16,
    below_black: u64,
    above_white: u64,
    clipped_low: u64,
    /// By the smallest step for which a sample counts.
    clipped_high: [u64; STEPS],
}

/// Extremes, clipping and tails of one component of one region.
#[derive(Debug, Clone)]
pub struct CodeCounts {
    limits: ClipLimits,
    /// Whether the outermost codes are wanted, for rails.
    tails: bool,
    samples: u64,
    counted: Counted,
    /// Samples of the open frame, and what had been counted before it, once it changed anything.
    open: u64,
    kept: Option<Counted>,
}

impl CodeCounts {
    /// No samples yet; without `tails` there are no rails.
    #[must_use]
    pub fn new(limits: ClipLimits, tails: bool) -> Self {
        let counted = Counted {
            low: Tail::default(),
            high: Tail::default(),
            min: u16::MAX,
            max: 0,
            below_black: 0,
            above_white: 0,
            clipped_low: 0,
            clipped_high: [0; STEPS],
        };
        Self { limits, tails, samples: 0, counted, open: 0, kept: None }
    }

    /// Opens a frame.
    pub fn begin_frame(&mut self) {
        (self.open, self.kept) = (0, None);
    }

    /// Forgets the open frame.
    pub fn abandon_frame(&mut self) {
        self.samples -= self.open;
        if let Some(kept) = self.kept.take() {
            self.counted = kept;
        }
        self.open = 0;
    }

    /// Takes in samples whose lowest and highest are `min` and `max`.
    #[inline(always)]
    pub fn patch<S: Simd>(&mut self, simd: S, patch: Patch<'_>, (min, max): (u16, u16)) {
        let samples = (patch.width * patch.rows) as u64;
        if samples == 0 {
            return;
        }
        self.samples += samples;
        self.open += samples;
        let (limits, tails, counted) = (self.limits, self.tails, &self.counted);
        let further = min < counted.min || max > counted.max;
        let reaches = tails && (counted.low.reaches(min, 0) || counted.high.reaches(max, u16::MAX));
        let clips = min <= limits.floor || max >= limits.lowest_high();
        let outside = min < limits.black || max > limits.white;
        if !(further || reaches || clips || outside) {
            return;
        }
        if self.kept.is_none() {
            self.kept = Some(self.counted);
        }
        let counted = &mut self.counted;
        simd.vectorize(
            #[inline(always)]
            || counted.patch(simd, &limits, tails, patch, (min, max)),
        );
    }

    /// Lowest and highest code.
    #[must_use]
    pub fn extremes(&self) -> Option<(u16, u16)> {
        (self.samples > 0).then_some((self.counted.min, self.counted.max))
    }

    /// Samples counted.
    #[must_use]
    pub fn samples(&self) -> u64 {
        self.samples
    }

    /// Samples under 0 %.
    #[must_use]
    pub fn below_black(&self) -> u64 {
        self.counted.below_black
    }

    /// Samples over 100 %.
    #[must_use]
    pub fn above_white(&self) -> u64 {
        self.counted.above_white
    }

    /// Samples at or below the lower threshold.
    #[must_use]
    pub fn clipped_low(&self) -> u64 {
        self.counted.clipped_low
    }

    /// Samples at or above the upper threshold at this code step.
    #[must_use]
    pub fn clipped_high(&self, step: u32) -> u64 {
        at_step(&self.counted.clipped_high, step)
    }

    /// The floor and the ceiling inside the range: code and count, or `None` where the outermost code is no rail.
    #[must_use]
    pub fn rails(&self, step: u32) -> [Option<(u16, u64)>; 2] {
        let Counted { min, max, low, high, .. } = self.counted;
        let wide_enough = u32::from(max.saturating_sub(min)) >= 8 * step;
        let ceiling = self.limits.ceiling.saturating_sub(step);
        [low.rail(step, 0), high.rail(step, u16::MAX)].map(|rail| {
            let (code, count, inner) = rail?;
            // Codes that clip are counted as such.
            let inside = code > self.limits.floor && u32::from(code) < ceiling;
            (wide_enough && inside && count >= 30 && 1000 * count >= self.samples && count > inner)
                .then_some((code, count))
        })
    }
}

impl Counted {
    #[inline(always)]
    fn patch<S: Simd>(
        &mut self,
        simd: S,
        limits: &ClipLimits,
        tails: bool,
        patch: Patch<'_>,
        (min, max): (u16, u16),
    ) {
        self.min = self.min.min(min);
        self.max = self.max.max(max);
        if tails && self.low.reaches(min, 0) {
            let found = self.low.codes(0).map(
                #[inline(always)]
                |codes| tail::<S, false>(simd, patch, codes),
            );
            self.low.patch(patch, found, 0);
        }
        if tails && self.high.reaches(max, u16::MAX) {
            let found = self.high.codes(u16::MAX).map(
                #[inline(always)]
                |codes| tail::<S, true>(simd, patch, codes),
            );
            self.high.patch(patch, found, u16::MAX);
        }
        if min < limits.black {
            self.below_black += below(simd, patch, limits.black);
        }
        if max > limits.white {
            self.above_white += above(simd, patch, limits.white);
        }
        if min <= limits.floor {
            self.clipped_low += below(simd, patch, limits.floor.saturating_add(1));
        }
        if max >= limits.lowest_high() {
            limits.count_high(&mut self.clipped_high, |k| {
                let limit = limits.high_limit(k);
                // A limit of 0 would need codes of less than 4 bits.
                if limit > max {
                    return 0;
                }
                simd.vectorize(
                    #[inline(always)]
                    || above(simd, patch, limit.saturating_sub(1)),
                )
            });
        }
    }
}

/// Sum of the counters up to the one for `step`.
#[must_use]
pub fn at_step(counters: &[u64; STEPS], step: u32) -> u64 {
    let last = (step.max(1).ilog2() as usize).min(STEPS - 1);
    counters[..=last].iter().sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sums::kernels::{Level, oracle};
    use fearless_simd::dispatch;

    fn counts(range: Range, depth: u32, row: &[u16]) -> CodeCounts {
        let mut counts = CodeCounts::new(ClipLimits::new(range, Channel::Y, depth), true);
        add(&mut counts, row);
        counts
    }

    fn add(counts: &mut CodeCounts, row: &[u16]) {
        let extremes = oracle::extremes(row).unwrap();
        let patch = Patch::new(row, row.len(), row.len(), 1);
        dispatch!(Level::new(), simd => counts.patch(simd, patch, extremes));
    }

    /// The four thresholds that docs/numbers.md gives as examples.
    #[test]
    fn thresholds_follow_depth_range_and_step() {
        for (range, depth, step, threshold) in [
            (Range::Narrow, 8, 1, 254u16),
            (Range::Narrow, 10, 1, 1019),
            (Range::Narrow, 10, 4, 1016),
            (Range::Narrow, 12, 1, 4079),
            (Range::Full, 8, 1, 255),
            (Range::Full, 10, 4, 1020),
            (Range::Full, 16, 1, 65535),
            (Range::Full, 16, 256, 65280),
        ] {
            let mut got = counts(range, depth, &[threshold - 1, threshold, threshold]);
            assert_eq!(got.clipped_high(step), 2, "{range:?} {depth} bits, step {step}");
            add(&mut got, &[0]);
            assert_eq!(got.clipped_low(), 1);
        }
    }

    #[test]
    fn every_code_is_counted_as_the_definition_says() {
        for (range, depth) in [(Range::Narrow, 8), (Range::Narrow, 10), (Range::Full, 8), (Range::Full, 10)] {
            let limits = ClipLimits::new(range, Channel::Y, depth);
            for k in 0..=(depth - 4).min(12) {
                let all: Vec<u16> = (0..1u32 << depth).map(|x| x as u16).collect();
                let got = counts(range, depth, &all).clipped_high(1 << k);
                let want = all.iter().filter(|&&x| u32::from(x) >= limits.ceiling - (1 << k)).count();
                assert_eq!(got, want as u64, "{range:?} {depth} bits step {}", 1 << k);
            }
        }
    }

    #[test]
    fn a_rail_needs_weight_and_a_lighter_neighbour() {
        let mut row: Vec<u16> = (100..200).flat_map(|code| [code; 3]).collect();
        row.extend([100; 40]);
        let [low, high] = counts(Range::Narrow, 10, &row).rails(1);
        assert_eq!(low, Some((100, 43)));
        assert_eq!(high, None, "three samples are no ceiling");
        let mut both = row.clone();
        both.extend([101; 60]);
        assert_eq!(counts(Range::Narrow, 10, &both).rails(1)[0], None, "the neighbour holds more");
        assert_eq!(counts(Range::Narrow, 10, &[100; 500]).rails(1), [None, None], "one code is no range");
    }

    #[test]
    fn tails_do_not_depend_on_the_order_of_rows() {
        let rows: [&[u16]; 4] = [&[9, 7, 7], &[5, 5, 9], &[5, 6], &[100, 5]];
        let mut forward = CodeCounts::new(ClipLimits::new(Range::Full, Channel::Y, 8), true);
        let mut backward = forward.clone();
        rows.iter().for_each(|row| add(&mut forward, row));
        rows.iter().rev().for_each(|row| add(&mut backward, row));
        assert_eq!(forward.counted, backward.counted);
        assert_eq!(forward.counted.low.rail(1, 0), Some((5, 4, 1)));
    }
}
