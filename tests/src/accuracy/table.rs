//! What came out, as tables of the book.

use super::case::{Finding, Said};
use super::quantity::Kind;

/// Heading of a table of numbers.
pub const NUMBERS: &str = "| case | number | truth | measured | off | one recording ± | mean z | rms z | |\n\
                           |---|---|---|---|---|---|---|---|---|\n";

/// Heading of a table of sayings.
pub const SAYINGS: &str = "| case | must say | did | |\n|---|---|---|---|\n";

/// Verdict of a row.
#[must_use]
pub fn verdict(fault: &str) -> String {
    if fault.is_empty() { "holds".to_owned() } else { format!("**{fault}**") }
}

/// Root of a variance, its sign kept.
fn root(variance: f64) -> f64 {
    variance.signum() * variance.abs().sqrt()
}

/// A row of a table of numbers.
#[must_use]
pub fn number(finding: &Finding) -> String {
    let Finding { truth, measured, error, scores, .. } = finding;
    let shown = match finding.quantity.kind() {
        Kind::Spread => {
            let percent = |variance: f64| format!("{:.4} %", finding.percent_per_code * root(variance));
            // Half of a variance's relative error is its root's; there is none of a spread of zero.
            let of_truth =
                |v: f64| if *truth > 0.0 { format!("{:.3} %", 100.0 * v) } else { "–".to_owned() };
            [
                percent(*truth),
                percent(*measured),
                of_truth((measured / truth).max(0.0).sqrt() - 1.0),
                of_truth(0.5 * error / truth),
            ]
        }
        Kind::Correlation => [truth, measured, &(measured - truth), error].map(|value| format!("{value:.4}")),
        Kind::Level => [truth, measured, &(measured - truth), error].map(|value| format!("{value:.4} %")),
        Kind::Decibels => [truth, measured, &(measured - truth), error].map(|value| format!("{value:.3} dB")),
    };
    format!(
        "| {} | {} `{}` | {} | {:.2} | {:.2} | {} |\n",
        finding.case,
        finding.channel.name(),
        finding.quantity.name(),
        shown.join(" | "),
        scores.mean,
        scores.rms,
        verdict(&finding.fault)
    )
}

/// A row of a table of sayings.
#[must_use]
pub fn saying(said: &Said) -> String {
    let fault = if said.times == said.of { "" } else { "not always" };
    format!("| {} | {} | {} of {} | {} |\n", said.case, said.what, said.times, said.of, verdict(fault))
}
