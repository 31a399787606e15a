//! How often intervals hold the truth.

use noise_measure::format::Channel;
use noise_measure::record::{ComponentRecord, Interval, WindowRecord};
use noise_measure::summary;

use super::case::{Truth, seed};
use super::parallel;
use super::quantity::component;
use super::stage::Stage;

/// Windows or clips of the full campaign.
pub const FULL: usize = 2000;

/// Frames that recordings may begin at: a pulse is met at any of its phases.
const BEGINNINGS: u64 = 12;

/// An interval that must hold a truth.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Of {
    /// `temporal_ci`.
    Temporal,
    /// `temporal_long_ci`.
    TemporalLong,
    /// `light.snr_temporal_ci_db`.
    Snr,
}

/// A set-up whose intervals are counted.
pub struct Cover {
    /// In plain words.
    pub name: String,
    /// What is recorded.
    pub stage: Stage,
    /// Windows of a clip; 1 takes windows themselves.
    pub windows: u64,
    /// Component.
    pub channel: Channel,
    /// Which interval.
    pub of: Of,
    /// Truth as a variance in codes², or decibels.
    pub truth: Truth,
    /// Least and largest share that is right.
    pub band: (f64, f64),
    /// Why the band is another than the acceptance's, where it is: a known limit.
    pub limit: Option<&'static str>,
}

/// What came out.
#[derive(Debug, Clone)]
pub struct Covered {
    /// The set-up.
    pub name: String,
    /// Component and field.
    pub what: String,
    /// Intervals.
    pub count: usize,
    /// Intervals that held the truth.
    pub held: usize,
    /// Intervals that lay above and below it.
    pub missed: [usize; 2],
    /// Null intervals.
    pub null: usize,
    /// Least and largest share that is right.
    pub band: (f64, f64),
    /// A known limit.
    pub limit: Option<&'static str>,
}

/// Shares that the acceptance of windows allows.
pub const WINDOW_BAND: (f64, f64) = (0.93, 0.97);
/// Shares for clips, whose intervals are the wider of two.
pub const CLIP_BAND: (f64, f64) = (0.93, 0.99);

impl Of {
    /// The field's name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Temporal => "temporal_ci",
            Self::TemporalLong => "temporal_long_ci",
            Self::Snr => "snr_temporal_ci_db",
        }
    }

    /// The interval, of a variance in codes² or of decibels.
    fn read(self, record: &WindowRecord, channel: Channel) -> Option<Interval> {
        let numbers: &ComponentRecord = component(record, channel)?;
        let codes = numbers.var.temporal? / numbers.temporal?.powi(2);
        let square = |ends: Interval| ends.map(|end| end * end * codes);
        match self {
            Self::Temporal => numbers.temporal_ci.map(square),
            Self::TemporalLong => numbers.temporal_long_ci.map(square),
            Self::Snr => record.regions.first()?.light.as_ref()?.snr_temporal_ci_db,
        }
    }
}

impl Cover {
    /// Counts over `count` recordings.
    #[must_use]
    pub fn run(&self, count: usize) -> Covered {
        let outcomes = parallel::map(count, |index| {
            let seed = seed(&self.name, index);
            let first = index as u64 % BEGINNINGS;
            let mut records = self.stage.measure(seed, first, self.windows);
            let record = if self.windows == 1 { records.remove(0) } else { summary::summarize(&records)? };
            let truth = match &self.truth {
                Truth::Fixed(truth) => *truth,
                Truth::Drawn(of) => of(seed, first),
            };
            let [low, high] = self.of.read(&record, self.channel)?;
            Some([low > truth, high < truth])
        });
        let times = |test: &dyn Fn(&[bool; 2]) -> bool| outcomes.iter().flatten().filter(|o| test(o)).count();
        Covered {
            name: self.name.clone(),
            what: format!("{} `{}`", self.channel.name(), self.of.name()),
            count,
            held: times(&|outcome| *outcome == [false; 2]),
            missed: [times(&|o| o[0]), times(&|o| o[1])],
            null: outcomes.iter().filter(|outcome| outcome.is_none()).count(),
            band: self.band,
            limit: self.limit,
        }
    }
}

impl Covered {
    /// Share of intervals that held the truth; null ones did not.
    #[must_use]
    pub fn share(&self) -> f64 {
        self.held as f64 / self.count as f64
    }

    /// Whether the share is right.
    #[must_use]
    pub fn holds(&self) -> bool {
        (self.band.0..=self.band.1).contains(&self.share())
    }
}
