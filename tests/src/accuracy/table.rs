//! What came out, as tables of the book.

use super::case::{Finding, Said};
use super::coverage::Covered;
use super::quantity::Kind;
use super::statistics::Scores;

/// Heading of a table of numbers.
pub const NUMBERS: &str = "| case | number | truth | measured | off | one recording ± | mean z | rms z | |\n\
                           |---|---|---|---|---|---|---|---|---|\n";

/// Heading of a table of sayings.
pub const SAYINGS: &str = "| case | must say | did | |\n|---|---|---|---|\n";

/// Heading of a table of intervals.
pub const INTERVALS: &str = "| case | interval | of | held the truth | too high | too low | right is | |\n\
                             |---|---|---|---|---|---|---|---|\n";

/// A row of a table of numbers.
#[derive(Debug, Clone)]
pub struct Row {
    /// In plain words.
    pub case: String,
    /// Which number.
    pub number: String,
    /// Truth, what was measured, their difference, and the error of one recording.
    pub shown: [String; 4],
    /// Deviations over errors.
    pub scores: Scores,
    /// Why it does not hold; empty where it does.
    pub fault: String,
}

/// Verdict of a row.
fn verdict(fault: &str) -> String {
    if fault.is_empty() { "holds".to_owned() } else { format!("**{fault}**") }
}

/// Root of a variance, its sign kept.
fn root(variance: f64) -> f64 {
    variance.signum() * variance.abs().sqrt()
}

impl From<&Finding> for Row {
    fn from(finding: &Finding) -> Self {
        let Finding { truth, measured, error, scores, .. } = *finding;
        let digits = |places: usize, unit: &str| {
            [truth, measured, measured - truth, error].map(|value| format!("{value:.places$}{unit}"))
        };
        let shown = match finding.quantity.kind() {
            Kind::Spread => {
                let percent = |variance: f64| format!("{:.4} %", finding.percent_per_code * root(variance));
                // Half of a variance's relative error is its root's; there is none of a spread of zero.
                let of_truth =
                    |v: f64| if truth > 0.0 { format!("{:.3} %", 100.0 * v) } else { "–".to_owned() };
                [
                    percent(truth),
                    percent(measured),
                    of_truth((measured / truth).max(0.0).sqrt() - 1.0),
                    of_truth(0.5 * error / truth),
                ]
            }
            Kind::Correlation => digits(4, ""),
            Kind::Level => digits(4, " %"),
            Kind::Decibels => digits(3, " dB"),
        };
        Self {
            case: finding.case.clone(),
            number: format!("{} `{}`", finding.channel.name(), finding.quantity.name()),
            shown,
            scores,
            fault: finding.fault.clone(),
        }
    }
}

/// A row of a table of numbers.
#[must_use]
pub fn number(row: &Row) -> String {
    let Row { case, number, shown, scores, fault } = row;
    // No minus before a zero that rounding made.
    let two = |value: f64| format!("{:.2}", (100.0 * value).round() / 100.0 + 0.0);
    format!(
        "| {case} | {number} | {} | {} | {} | {} |\n",
        shown.join(" | "),
        two(scores.mean),
        two(scores.rms),
        verdict(fault)
    )
}

/// A row of a table of sayings.
#[must_use]
pub fn saying(said: &Said) -> String {
    let fault = if said.times == said.of { "" } else { "not always" };
    format!("| {} | {} | {} of {} | {} |\n", said.case, said.what, said.times, said.of, verdict(fault))
}

/// A row of a table of intervals.
#[must_use]
pub fn interval(covered: &Covered) -> String {
    let Covered { name, what, count, missed: [above, below], band, .. } = covered;
    let percent = |share: f64| format!("{:.1} %", 100.0 * share);
    let share = |times: usize| percent(times as f64 / *count as f64);
    let word = match (covered.holds(), covered.limit) {
        (true, None) => "holds".to_owned(),
        (true, Some(why)) => format!("limit: {why}"),
        (false, _) => verdict("out of bounds"),
    };
    format!(
        "| {name} | {what} | {count} | {} | {} | {} | {}–{} | {} |\n",
        percent(covered.share()),
        share(*above),
        share(*below),
        percent(band.0),
        percent(band.1),
        word
    )
}
