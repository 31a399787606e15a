//! Clipping, rails and levels outside nominal range, counted exactly before the code step is known.

use crate::frame::format::{Channel, Range, Scale};

use super::row::{count_above, count_below, extremes};

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

    /// Smallest k for which `code` ≥ ceiling − 2ᵏ, if it is one that is counted.
    #[inline]
    #[must_use]
    pub fn step_needed(&self, code: u16) -> Option<usize> {
        let below = self.ceiling.saturating_sub(u32::from(code));
        let k = if below <= 1 { 0 } else { u32::BITS - (below - 1).leading_zeros() };
        (k <= self.steps).then_some(k as usize)
    }

    /// Codes at or over this may count as clipped for some step.
    #[must_use]
    pub fn lowest_high(&self) -> u16 {
        self.ceiling.saturating_sub(1 << self.steps).min(u32::from(u16::MAX)) as u16
    }
}

/// The two outermost codes on one side and how often each occurs.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Tail {
    outer: Option<(u16, u64)>,
    inner: Option<(u16, u64)>,
}

impl Tail {
    /// Takes in one row for the low side; `flip` it (`!code`) for the high side.
    fn row(&mut self, row: &[u16], extreme: u16, flip: u16) {
        // Nothing in this row reaches the two codes that are kept.
        if self.inner.is_some_and(|(inner, _)| (extreme ^ flip) > inner) {
            return;
        }
        for &code in row {
            let code = code ^ flip;
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

/// Extremes, clipping and tails of one component of one region.
#[derive(Debug, Clone)]
pub struct CodeCounts {
    limits: ClipLimits,
    /// Samples counted.
    pub samples: u64,
    low: Tail,
    high: Tail,
    min: u16,
    max: u16,
    /// Samples under 0 %.
    pub below_black: u64,
    /// Samples over 100 %.
    pub above_white: u64,
    clipped_low: u64,
    /// By the smallest step for which a sample counts.
    clipped_high: [u64; STEPS],
}

impl CodeCounts {
    /// No samples yet.
    #[must_use]
    pub fn new(limits: ClipLimits) -> Self {
        Self {
            limits,
            samples: 0,
            low: Tail::default(),
            high: Tail::default(),
            min: u16::MAX,
            max: 0,
            below_black: 0,
            above_white: 0,
            clipped_low: 0,
            clipped_high: [0; STEPS],
        }
    }

    /// Takes in one row.
    pub fn row(&mut self, row: &[u16]) {
        let Some((min, max)) = extremes(row) else { return };
        self.samples += row.len() as u64;
        self.min = self.min.min(min);
        self.max = self.max.max(max);
        self.low.row(row, min, 0);
        self.high.row(row, max, u16::MAX);
        if min < self.limits.black {
            self.below_black += count_below(row, self.limits.black);
        }
        if max > self.limits.white {
            self.above_white += count_above(row, self.limits.white);
        }
        if min <= self.limits.floor {
            self.clipped_low += row.len() as u64 - count_above(row, self.limits.floor);
        }
        if max >= self.limits.lowest_high() {
            for &code in row {
                if let Some(k) = self.limits.step_needed(code) {
                    self.clipped_high[k] += 1;
                }
            }
        }
    }

    /// Lowest and highest code.
    #[must_use]
    pub fn extremes(&self) -> Option<(u16, u16)> {
        (self.samples > 0).then_some((self.min, self.max))
    }

    /// Samples at or below the lower threshold.
    #[must_use]
    pub fn clipped_low(&self) -> u64 {
        self.clipped_low
    }

    /// Samples at or above the upper threshold at this code step.
    #[must_use]
    pub fn clipped_high(&self, step: u32) -> u64 {
        at_step(&self.clipped_high, step)
    }

    /// The floor and the ceiling inside the range: code and count, or `None` where the outermost code is no rail.
    #[must_use]
    pub fn rails(&self, step: u32) -> [Option<(u16, u64)>; 2] {
        let wide_enough = u32::from(self.max.saturating_sub(self.min)) >= 8 * step;
        let ceiling = self.limits.ceiling.saturating_sub(step);
        [self.low.rail(step, 0), self.high.rail(step, u16::MAX)].map(|rail| {
            let (code, count, inner) = rail?;
            // Codes that clip are counted as such.
            let inside = code > self.limits.floor && u32::from(code) < ceiling;
            (wide_enough && inside && count >= 30 && 1000 * count >= self.samples && count > inner)
                .then_some((code, count))
        })
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

    fn counts(range: Range, depth: u32, row: &[u16]) -> CodeCounts {
        let mut counts = CodeCounts::new(ClipLimits::new(range, Channel::Y, depth));
        counts.row(row);
        counts
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
            got.row(&[0]);
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
        let mut forward = CodeCounts::new(ClipLimits::new(Range::Full, Channel::Y, 8));
        let mut backward = forward.clone();
        rows.iter().for_each(|row| forward.row(row));
        rows.iter().rev().for_each(|row| backward.row(row));
        assert_eq!(forward.low, backward.low);
        assert_eq!(forward.high, backward.high);
        assert_eq!(forward.low.rail(1, 0), Some((5, 4, 1)));
    }
}
