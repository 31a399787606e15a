//! One set-up over many seeds: is the number right on average, and is its error as large as it says?

use std::fmt;

use noise_measure::format::Channel;
use noise_measure::record::WindowRecord;

use super::parallel;
use super::quantity::{Kind, Quantity, Reading};
use super::stage::Stage;
use super::statistics::{Scores, moments};

/// Recordings of a case, every one with random numbers of its own, that the bounds of [`Scores::hold`] are made for.
pub const SEEDS: usize = 64;

/// Largest standard error of one recording that makes a case sharp enough: spreads as a share of themselves, …
const SHARP_SPREAD: f64 = 0.005;
/// … correlations …
const SHARP_CORRELATION: f64 = 0.02;
/// … and decibels, 20·log₁₀(1.005).
const SHARP_DECIBELS: f64 = 0.0433;

/// The truth of a recording.
pub enum Truth {
    /// The same for every seed.
    Fixed(f64),
    /// What the variances drawn with a seed, from a first frame on, make it.
    Drawn(Box<dyn Fn(u64, u64) -> f64 + Send + Sync>),
}

/// Where the standard error of a deviation comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Claim {
    /// The record's own.
    Record,
    /// A closed form.
    Formula(f64),
    /// The scatter over the seeds, for numbers whose error nobody claims; their rms is then 1 by itself.
    Scatter,
}

/// A number and its truth.
pub struct Check {
    channel: Channel,
    quantity: Quantity,
    truth: Truth,
    claim: Claim,
}

/// Something that every recording must say.
pub struct Saying {
    what: String,
    holds: Box<dyn Fn(&WindowRecord) -> bool + Send + Sync>,
}

/// A set-up and what must come out.
pub struct Case {
    /// In plain words.
    pub name: String,
    /// What is recorded.
    pub stage: Stage,
    checks: Vec<Check>,
    sayings: Vec<Saying>,
}

/// What came out for one number.
#[derive(Debug, Clone)]
pub struct Finding {
    /// The case.
    pub case: String,
    /// Component.
    pub channel: Channel,
    /// The number.
    pub quantity: Quantity,
    /// Mean truth, as [`Quantity::read`] reads it.
    pub truth: f64,
    /// Mean of what was measured.
    pub measured: f64,
    /// Standard error of one recording.
    pub error: f64,
    /// Percent of a code; what turns spreads into percent.
    pub percent_per_code: f64,
    /// Deviations over errors.
    pub scores: Scores,
    /// Why it does not hold; empty where it does.
    pub fault: String,
}

/// What came out for a saying.
#[derive(Debug, Clone)]
pub struct Said {
    /// The case.
    pub case: String,
    /// What had to be said.
    pub what: String,
    /// Recordings that said it.
    pub times: usize,
    /// Of how many.
    pub of: usize,
}

/// All that came out of a case.
#[derive(Debug, Clone, Default)]
pub struct Outcome {
    /// Numbers.
    pub findings: Vec<Finding>,
    /// Sayings.
    pub said: Vec<Said>,
}

/// Seed of recording `index` of what is called `name`: no two cases share random numbers (FNV-1a).
#[must_use]
pub fn seed(name: &str, index: usize) -> u64 {
    let hash = name.bytes().fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3)
    });
    hash.wrapping_add(index as u64)
}

impl Case {
    /// A case without expectations.
    pub fn new(name: impl Into<String>, stage: Stage) -> Self {
        Self { name: name.into(), stage, checks: Vec::new(), sayings: Vec::new() }
    }

    /// Expects `truth` of `quantity`, in the unit in which it is read.
    #[must_use]
    pub fn expect(self, channel: Channel, quantity: Quantity, truth: f64, claim: Claim) -> Self {
        self.expect_drawn(channel, quantity, Truth::Fixed(truth), claim)
    }

    /// The same where the truth depends on what was drawn.
    #[must_use]
    pub fn expect_drawn(mut self, channel: Channel, quantity: Quantity, truth: Truth, claim: Claim) -> Self {
        self.checks.push(Check { channel, quantity, truth, claim });
        self
    }

    /// Expects every recording to say `what`.
    #[must_use]
    pub fn say(
        mut self,
        what: impl Into<String>,
        holds: impl Fn(&WindowRecord) -> bool + Send + Sync + 'static,
    ) -> Self {
        self.sayings.push(Saying { what: what.into(), holds: Box::new(holds) });
        self
    }

    /// Records and measures `seeds` times.
    #[must_use]
    pub fn run(&self, seeds: usize) -> Outcome {
        let records = parallel::map(seeds, |index| {
            let seed = seed(&self.name, index);
            let record = self.stage.window(seed);
            let readings: Vec<Option<(f64, Reading)>> =
                self.checks.iter().map(|check| check.reading(seed, &record)).collect();
            let said: Vec<bool> = self.sayings.iter().map(|saying| (saying.holds)(&record)).collect();
            (readings, said)
        });
        let findings = self.checks.iter().enumerate().map(|(i, check)| {
            let readings: Vec<Option<(f64, Reading)>> = records.iter().map(|(all, _)| all[i]).collect();
            self.judge(check, &readings)
        });
        let said = self.sayings.iter().enumerate().map(|(i, saying)| Said {
            case: self.name.clone(),
            what: saying.what.clone(),
            times: records.iter().filter(|(_, said)| said[i]).count(),
            of: records.len(),
        });
        Outcome { findings: findings.collect(), said: said.collect() }
    }

    fn judge(&self, check: &Check, readings: &[Option<(f64, Reading)>]) -> Finding {
        let known: Vec<(f64, Reading)> = readings.iter().flatten().copied().collect();
        let scatter =
            moments(&known.iter().map(|(truth, reading)| reading.value - truth).collect::<Vec<_>>()).1;
        let error = |reading: &Reading| match check.claim {
            Claim::Record => reading.error.unwrap_or(f64::NAN),
            Claim::Formula(error) => error,
            Claim::Scatter => scatter,
        };
        let z: Vec<f64> = known.iter().map(|(truth, r)| (r.value - truth) / error(r)).collect();
        let mean =
            |get: &dyn Fn(&(f64, Reading)) -> f64| known.iter().map(get).sum::<f64>() / known.len() as f64;
        let format = self.stage.seen();
        let mut finding = Finding {
            case: self.name.clone(),
            channel: check.channel,
            quantity: check.quantity,
            truth: mean(&|(truth, _)| *truth),
            measured: mean(&|(_, reading)| reading.value),
            error: mean(&|(_, reading)| error(reading)),
            percent_per_code: 100.0 / format.scale(check.channel, format.components[0].depth).span,
            scores: Scores::of(&z),
            fault: String::new(),
        };
        finding.fault = if known.len() < readings.len() {
            format!("null in {} of {}", readings.len() - known.len(), readings.len())
        } else if !finding.is_sharp(check.claim) {
            "too few samples to tell".to_owned()
        } else if !finding.scores.hold() {
            "out of bounds".to_owned()
        } else {
            String::new()
        };
        finding
    }
}

impl Check {
    fn reading(&self, seed: u64, record: &WindowRecord) -> Option<(f64, Reading)> {
        let truth = match &self.truth {
            Truth::Fixed(truth) => *truth,
            Truth::Drawn(of) => of(seed, 0),
        };
        Some((truth, self.quantity.read(record, self.channel)?))
    }
}

impl Finding {
    /// Whether one recording tells enough for 64 of them to mean something; a spread of zero has no share of itself.
    fn is_sharp(&self, claim: Claim) -> bool {
        match self.quantity.kind() {
            Kind::Spread => {
                claim == Claim::Scatter || self.truth <= 0.0 || 0.5 * self.error <= SHARP_SPREAD * self.truth
            }
            Kind::Correlation => self.error <= SHARP_CORRELATION,
            Kind::Decibels => self.error <= SHARP_DECIBELS,
            Kind::Level => true,
        }
    }

    /// Whether the number holds.
    #[must_use]
    pub fn holds(&self) -> bool {
        self.fault.is_empty()
    }
}

impl Outcome {
    /// What does not hold.
    #[must_use]
    pub fn faults(&self) -> Vec<String> {
        let findings = self.findings.iter().filter(|finding| !finding.holds()).map(ToString::to_string);
        let said = self.said.iter().filter(|said| said.times < said.of).map(ToString::to_string);
        findings.chain(said).collect()
    }
}

impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { case, quantity, truth, measured, error, scores, fault, .. } = self;
        write!(
            f,
            "{case}: {} {} {measured:.6} ± {error:.6}, truth {truth:.6}, mean z {:.2}, rms z {:.2} {fault}",
            self.channel.name(),
            quantity.name(),
            scores.mean,
            scores.rms
        )
    }
}

impl fmt::Display for Said {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: \"{}\" in {} of {}", self.case, self.what, self.times, self.of)
    }
}
