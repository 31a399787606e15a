//! Which window a buffer belongs to: plain numbers in, decisions out.
//!
//! Windows lie on a grid of `interval` from the first buffer after a start. Time is stream time, by distance from that
//! buffer, so that reverse playback fills windows like forward playback; where buffers have no time, frames are counted.

/// Frames a second where neither caps nor time stamps tell.
pub const FALLBACK_RATE: f64 = 25.0;
/// A step of more than this many frames is a hole.
const HOLE_FRAMES: f64 = 1.5;
/// Steps remembered for the median step.
const STEPS: usize = 31;
const SECOND: f64 = 1e9;

/// What is known of a buffer's time, in nanoseconds.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Stamp {
    /// Stream time, negative before the segment's start; `None` without PTS or outside a time segment.
    pub stream: Option<i128>,
    /// Duration, where the buffer has one.
    pub duration: Option<u64>,
    /// A discontinuity is marked on the buffer, or a gap came before it.
    pub discont: bool,
}

/// What to do with a buffer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Step {
    /// The open window ends before this buffer.
    pub close: Option<Ending>,
    /// The buffer is the first of its window.
    pub first: bool,
    /// Something is missing between this buffer and the one before.
    pub hole: bool,
    /// The open window goes on past its end, since nobody could take it.
    pub merged: bool,
    /// The buffer's time, where it has one or follows one that had.
    pub time: Option<i128>,
    /// The time was counted from frames.
    pub counted: bool,
}

/// How a window ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ending {
    /// Length in nanoseconds.
    pub duration: u64,
    /// Ended early, not by the next window's first buffer.
    pub partial: bool,
}

/// The clock of one stream.
#[derive(Debug, Clone)]
pub struct Timing {
    /// Length of windows; the largest value is one window to the end.
    interval: u64,
    /// Nanoseconds a frame by the caps.
    frame: Option<f64>,
    /// Whether buffers hold a field each.
    fields: bool,
    /// Stream time that passes while a buffer's duration does.
    scale: f64,
    grid: Option<Grid>,
    steps: Vec<u64>,
    next_step: usize,
}

#[derive(Debug, Clone, Copy)]
struct Grid {
    /// Time of the first buffer.
    origin: i128,
    /// Grid cell of the open window.
    cell: u128,
    /// Time of the open window's first buffer, `None` while no window is open.
    open: Option<i128>,
    /// Time and duration of the newest buffer.
    last: i128,
    last_duration: Option<u64>,
    /// Frames whose time was counted, for exact multiples of the frame time.
    counted_from: i128,
    counted: u64,
    /// Whether any buffer had a time of its own.
    stamped: bool,
}

impl Timing {
    /// A clock for windows of `interval` ns, frames of `rate` (numerator, denominator; 0 is unknown).
    #[must_use]
    pub fn new(interval: u64, rate: (u32, u32), fields: bool) -> Self {
        let frame = (rate.0 > 0 && rate.1 > 0).then(|| SECOND * f64::from(rate.1) / f64::from(rate.0));
        Self {
            interval: interval.max(1),
            frame,
            fields,
            scale: 1.0,
            grid: None,
            steps: Vec::new(),
            next_step: 0,
        }
    }

    /// Begins a new grid with the next buffer; the open window must have been ended.
    pub fn restart(&mut self) {
        self.grid = None;
    }

    /// Sets the stream time that passes in one unit of buffer time: the segment's applied rate.
    pub fn set_scale(&mut self, applied_rate: f64) {
        let scale = applied_rate.abs();
        self.scale = if scale.is_finite() && scale > 0.0 { scale } else { 1.0 };
    }

    /// Sets another length; a change begins a new grid with the next buffer.
    pub fn set_interval(&mut self, interval: u64) {
        if self.interval != interval.max(1) {
            self.interval = interval.max(1);
            self.restart();
        }
    }

    /// Frames a second: by the caps, by the median step, or [`FALLBACK_RATE`].
    #[must_use]
    pub fn rate(&self) -> f64 {
        match (self.frame, self.median()) {
            (Some(frame), _) => SECOND / frame,
            (None, Some(step)) if self.fields => SECOND / (2.0 * step),
            (None, Some(step)) => SECOND / step,
            (None, None) => FALLBACK_RATE,
        }
    }

    /// Takes a buffer in. `hold` keeps the open window open past its end.
    pub fn advance(&mut self, stamp: Stamp, hold: bool) -> Step {
        let stamp =
            Stamp { duration: stamp.duration.map(|d| (d as f64 * self.scale).round() as u64), ..stamp };
        let Some(mut grid) = self.grid else {
            let origin = stamp.stream.unwrap_or(0);
            self.grid = Some(Grid {
                origin,
                cell: 0,
                open: Some(origin),
                last: origin,
                last_duration: stamp.duration,
                counted_from: origin,
                counted: 0,
                stamped: stamp.stream.is_some(),
            });
            return Step {
                close: None,
                first: true,
                hole: false,
                merged: false,
                time: stamp.stream,
                counted: stamp.stream.is_none(),
            };
        };
        let time = match stamp.stream {
            Some(time) => {
                (grid.counted_from, grid.counted, grid.stamped) = (time, 0, true);
                time
            }
            None => {
                grid.counted += 1;
                grid.counted_from + (grid.counted as f64 * self.buffer_time()).round() as i128
            }
        };
        let step = (time - grid.origin).abs() - (grid.last - grid.origin).abs();
        let hole = stamp.discont || self.is_hole(step, grid.last_duration);
        if let Ok(step) = u64::try_from(step)
            && step > 0
            && !hole
        {
            self.remember(step);
        }
        let cell = (time - grid.origin).unsigned_abs() / u128::from(self.interval);
        let mut result =
            Step { close: None, first: grid.open.is_none(), hole, merged: false, time: None, counted: false };
        result.time = (stamp.stream.is_some() || grid.stamped).then_some(time);
        result.counted = stamp.stream.is_none();
        if let Some(open) = grid.open
            && (cell > grid.cell || cell + 1 < grid.cell)
        {
            if hold && cell > grid.cell {
                result.merged = true;
            } else {
                let duration = if hole || cell < grid.cell {
                    distance(open, self.end_of(&grid))
                } else {
                    u64::try_from((time - open).unsigned_abs()).unwrap_or(u64::MAX)
                };
                result.close = Some(Ending { duration, partial: cell < grid.cell });
                result.first = true;
                grid.open = None;
            }
        }
        if result.first {
            grid.open = Some(time);
            if cell < grid.cell {
                // Time ran back by more than a window without a new segment: the grid begins anew.
                grid.origin = time;
            }
        }
        if cell > grid.cell || result.first {
            grid.cell = (time - grid.origin).unsigned_abs() / u128::from(self.interval);
        }
        (grid.last, grid.last_duration) = (time, stamp.duration);
        self.grid = Some(grid);
        result
    }

    /// Ends the open window where the stream ends, is cut or changes; `None` when none is open.
    pub fn end(&mut self) -> Option<Ending> {
        let grid = self.grid.as_mut()?;
        let open = grid.open.take()?;
        let grid = *grid;
        let end = self.end_of(&grid);
        let interval = u128::from(self.interval);
        let due = interval.saturating_mul(grid.cell.saturating_add(1));
        let reached = distance_from(grid.origin, end, self.direction(&grid));
        let frame = grid.last_duration.map(|duration| duration as f64).unwrap_or_else(|| self.buffer_time());
        let missing = due.saturating_sub(reached) as f64;
        let partial = self.interval != u64::MAX && missing > frame / 2.0;
        Some(Ending { duration: distance(open, end), partial })
    }

    /// The end of the newest buffer, in the direction of play.
    fn end_of(&self, grid: &Grid) -> i128 {
        let length = grid.last_duration.map_or_else(|| self.buffer_time().round() as i128, i128::from);
        grid.last + self.direction(grid) * length
    }

    /// Whether time runs up or down.
    fn direction(&self, grid: &Grid) -> i128 {
        if grid.last < grid.origin { -1 } else { 1 }
    }

    /// Nanoseconds a buffer, where its duration is unknown.
    fn buffer_time(&self) -> f64 {
        let frame = self.frame.map(|frame| self.scale * if self.fields { frame / 2.0 } else { frame });
        frame.or_else(|| self.median()).unwrap_or(SECOND / FALLBACK_RATE)
    }

    /// A step back, or one of more than one and a half frames by the caps' rate, or else by the buffer's own duration.
    fn is_hole(&self, step: i128, last_duration: Option<u64>) -> bool {
        // The two fields of a frame may share a time, so a frame is the unit for fields as well.
        let frame = self.frame.map(|frame| frame * self.scale);
        let frame = frame.or_else(|| last_duration.filter(|&d| d > 0).map(|duration| duration as f64));
        step < 0 || frame.is_some_and(|frame| step as f64 > HOLE_FRAMES * frame)
    }

    fn remember(&mut self, step: u64) {
        if self.steps.len() < STEPS {
            self.steps.push(step);
        } else if let Some(slot) = self.steps.get_mut(self.next_step) {
            *slot = step;
        }
        self.next_step = (self.next_step + 1) % STEPS;
    }

    fn median(&self) -> Option<f64> {
        let mut steps = self.steps.clone();
        steps.sort_unstable();
        steps.get(steps.len() / 2).map(|&step| step as f64)
    }
}

fn distance(from: i128, to: i128) -> u64 {
    u64::try_from((to - from).unsigned_abs()).unwrap_or(u64::MAX)
}

/// How far `to` lies from `from` in the `direction` of play; 0 on the other side.
fn distance_from(from: i128, to: i128, direction: i128) -> u128 {
    u128::try_from((to - from) * direction).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    const MS: u64 = 1_000_000;

    fn at(ms: i128) -> Stamp {
        Stamp { stream: Some(ms * i128::from(MS)), duration: None, discont: false }
    }

    /// Endings and holes of buffers at these times, with 25 frames a second.
    fn run(interval_ms: u64, times: impl IntoIterator<Item = Stamp>) -> (Timing, Vec<Ending>, usize) {
        let mut timing = Timing::new(interval_ms * MS, (25, 1), false);
        let (mut endings, mut holes) = (Vec::new(), 0);
        for stamp in times {
            let step = timing.advance(stamp, false);
            endings.extend(step.close);
            holes += usize::from(step.hole);
        }
        (timing, endings, holes)
    }

    fn ending(ms: u64, partial: bool) -> Ending {
        Ending { duration: ms * MS, partial }
    }

    #[test]
    fn windows_tile_without_holes() {
        let (mut timing, endings, holes) = run(1000, (0..60).map(|i| at(10 + 40 * i)));
        assert_eq!(endings, [ending(1000, false); 2]);
        assert_eq!(holes, 0);
        assert_eq!(timing.end(), Some(ending(400, true)));
        assert_eq!(timing.end(), None);
    }

    #[test]
    fn a_full_last_window_is_not_partial() {
        let (mut timing, endings, _) = run(1000, (0..25).map(|i| at(40 * i)));
        assert!(endings.is_empty());
        assert_eq!(timing.end(), Some(ending(1000, false)));
        // Half a frame short still counts as whole: 24 frames of 23.976 in 1.001 s fill a window of 1.02 s.
        let mut timing = Timing::new(1020 * MS, (24000, 1001), false);
        for i in 0..24 {
            timing.advance(
                Stamp { stream: Some(i * 1_001_000_000 / 24), duration: None, discont: false },
                false,
            );
        }
        let end = timing.end().expect("a window is open");
        // Whole nanoseconds of the last time stamp and of a frame: 959 291 666 + 41 708 333.
        assert_eq!((end.duration, end.partial), (1_000_999_999, false));
    }

    #[test]
    fn frames_a_window_alternate_on_a_grid() {
        // 23.976 fps: 23 or 24 frames fall into a second of the grid.
        let mut timing = Timing::new(1000 * MS, (24000, 1001), false);
        let (mut counts, mut count) = (Vec::new(), 0);
        for i in 0..(24 * 60) {
            let step = timing.advance(
                Stamp { stream: Some(i * 1_001_000_000 / 24), duration: None, discont: false },
                false,
            );
            assert!(!step.hole);
            if step.close.is_some() {
                counts.push(count);
                count = 0;
            }
            count += 1;
        }
        assert!(counts.iter().all(|count| [23, 24].contains(count)), "{counts:?}");
        assert!(counts.contains(&23) && counts.contains(&24));
    }

    #[test]
    fn a_hole_ends_a_window_at_its_last_buffer() {
        let times = (0..10).chain(60..70).map(|i| at(40 * i));
        let (_, endings, holes) = run(1000, times);
        assert_eq!(endings, [ending(400, false)]);
        assert_eq!(holes, 1);
        // One and a half frames are not yet a hole.
        let (_, _, holes) = run(1000, [at(0), at(60), at(121)]);
        assert_eq!(holes, 1);
    }

    #[test]
    fn marked_discontinuities_are_holes_but_for_the_first_buffer() {
        let (_, endings, holes) = run(200, (0..10).map(|i| Stamp { discont: true, ..at(40 * i) }));
        assert_eq!(holes, 9);
        // The length is that of the last buffer's end, which here is the next one's time.
        assert_eq!(endings, [ending(200, false)]);
    }

    #[test]
    fn reverse_playback_fills_windows_by_distance() {
        let (mut timing, endings, holes) = run(1000, (0..30).map(|i| at(5000 - 40 * i)));
        assert_eq!(endings, [ending(1000, false)]);
        assert_eq!(holes, 0);
        assert_eq!(timing.end(), Some(ending(200, true)));
    }

    #[test]
    fn buffers_without_time_are_counted() {
        let mut timing = Timing::new(1000 * MS, (50, 1), false);
        let mut closes = 0;
        for _ in 0..101 {
            let step = timing.advance(Stamp::default(), false);
            assert!(step.counted && step.time.is_none() && !step.hole);
            closes += usize::from(step.close == Some(ending(1000, false)));
        }
        assert_eq!(closes, 2);
        // 25 a second where the rate is unknown as well.
        let mut timing = Timing::new(1000 * MS, (0, 1), false);
        let closes = (0..26).filter(|_| timing.advance(Stamp::default(), false).close.is_some()).count();
        assert_eq!(closes, 1);
        assert_eq!(timing.rate(), FALLBACK_RATE);
    }

    #[test]
    fn a_time_stamp_on_the_first_buffer_alone_counts_on_from_there() {
        let mut timing = Timing::new(200 * MS, (25, 1), false);
        assert!(!timing.advance(at(1000), false).counted);
        let steps: Vec<Step> = (0..5).map(|_| timing.advance(Stamp::default(), false)).collect();
        assert!(steps.iter().all(|step| step.counted));
        assert_eq!(steps[4].time, Some(1200 * i128::from(MS)));
        assert_eq!(steps[4].close, Some(ending(200, false)));
    }

    #[test]
    fn variable_rate_has_no_holes_by_step_and_uses_the_median() {
        let mut timing = Timing::new(1000 * MS, (0, 1), false);
        for ms in [0, 10, 50, 300, 340, 380, 420, 460] {
            assert!(!timing.advance(at(ms), false).hole);
        }
        // Steps 10, 40, 250, 40, 40, 40, 40: median 40, so the last buffer ends at 500.
        assert_eq!(timing.rate(), 25.0);
        assert_eq!(timing.end(), Some(ending(500, true)));
    }

    #[test]
    fn the_longest_interval_is_one_window() {
        let mut timing = Timing::new(u64::MAX, (25, 1), false);
        for i in 0..10_000 {
            assert_eq!(timing.advance(at(40 * i), false).close, None);
        }
        assert_eq!(timing.end(), Some(ending(400_000, false)));
    }

    #[test]
    fn a_held_window_takes_the_next_one_in() {
        let mut timing = Timing::new(200 * MS, (25, 1), false);
        let merged: Vec<bool> = (0..15).map(|i| timing.advance(at(40 * i), i < 9).merged).collect();
        assert_eq!(merged.iter().filter(|&&merged| merged).count(), 1);
        let mut timing = Timing::new(200 * MS, (25, 1), false);
        let endings: Vec<Ending> = (0..15).filter_map(|i| timing.advance(at(40 * i), i < 9).close).collect();
        assert_eq!(endings, [ending(400, false)]);
    }

    #[test]
    fn time_that_runs_back_begins_a_new_grid() {
        let times = (0..30).chain(0..3).map(|i| at(2000 + 40 * i));
        let (mut timing, endings, holes) = run(200, times);
        assert_eq!(endings.len(), 6);
        assert_eq!(endings[5], ending(200, true));
        assert_eq!(holes, 1);
        assert_eq!(timing.end(), Some(ending(120, true)));
    }

    #[test]
    fn buffer_durations_come_first() {
        let (mut timing, _, _) = run(
            1000,
            [Stamp { duration: Some(15 * MS), ..at(0) }, Stamp { duration: Some(7 * MS), ..at(40) }],
        );
        assert_eq!(timing.end(), Some(ending(47, true)));
    }

    #[test]
    fn numbers_at_their_ends_do_not_overflow() {
        let far = Stamp { stream: Some(i128::from(u64::MAX)), duration: Some(u64::MAX), discont: true };
        let near = Stamp { stream: Some(-i128::from(u64::MAX)), duration: Some(u64::MAX), discont: false };
        for interval in [1, 10 * MS, u64::MAX] {
            for pair in [[far, near], [near, far], [far, far], [near, near]] {
                let mut timing = Timing::new(interval, (1, i32::MAX as u32), true);
                for stamp in pair {
                    timing.advance(stamp, false);
                }
                assert!(timing.end().is_some());
            }
        }
    }
}
