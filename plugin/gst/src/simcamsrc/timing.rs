//! Frame numbers and times.

/// Frames a second, a positive fraction.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rate {
    frames: u64,
    seconds: u64,
}

const SECOND: u128 = 1_000_000_000;

impl Rate {
    /// The rate of caps; `None` where it is not above 0.
    #[must_use]
    pub fn new(framerate: gst::Fraction) -> Option<Self> {
        let positive = |part: i32| u64::try_from(part).ok().filter(|&part| part > 0);
        Some(Self { frames: positive(framerate.numer())?, seconds: positive(framerate.denom())? })
    }

    /// Frames a second.
    #[must_use]
    pub fn per_second(self) -> f64 {
        self.frames as f64 / self.seconds as f64
    }

    /// Start of frame `n`, cut to whole nanoseconds; `None` beyond what a clock can say.
    #[must_use]
    pub fn start(self, n: u64) -> Option<gst::ClockTime> {
        let time = u128::from(n) * u128::from(self.seconds) * SECOND / u128::from(self.frames);
        u64::try_from(time).ok().and_then(|time| gst::ClockTime::try_from(time).ok())
    }

    /// The frame that lasts at `time`: the last one that has started by then.
    #[must_use]
    pub fn at(self, time: gst::ClockTime) -> u64 {
        // Starts are cut down to nanoseconds, so a frame may begin up to one before its true time.
        let end = (u128::from(time.nseconds()) + 1) * u128::from(self.frames);
        ((end - 1) / (u128::from(self.seconds) * SECOND)) as u64
    }

    /// Length of one frame, cut to whole nanoseconds.
    #[must_use]
    pub fn frame(self) -> gst::ClockTime {
        self.start(1).unwrap_or(gst::ClockTime::SECOND)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_frame_is_found_at_its_start_and_until_the_next() {
        for (frames, seconds) in [(25, 1), (24_000, 1001), (60_000, 1001), (1, 7), (10_000, 1), (3, 1)] {
            let rate = Rate::new(gst::Fraction::new(frames, seconds)).expect("above 0");
            for n in [0, 1, 2, 23, 24, 1000, 123_456_789] {
                let start = rate.start(n).expect("a time");
                let next = rate.start(n + 1).expect("a time");
                assert_eq!(rate.at(start), n, "{frames}/{seconds} frame {n}");
                assert_eq!(
                    rate.at(next - gst::ClockTime::from_nseconds(1)),
                    n,
                    "{frames}/{seconds} frame {n}"
                );
            }
        }
    }

    #[test]
    fn a_rate_of_nothing_is_none_and_the_end_of_time_is_told() {
        assert_eq!(Rate::new(gst::Fraction::new(0, 1)), None);
        let slow = Rate::new(gst::Fraction::new(1, i32::MAX)).expect("above 0");
        assert_eq!(slow.start(u64::MAX), None);
        assert_eq!(slow.at(gst::ClockTime::MAX), 8);
    }
}
