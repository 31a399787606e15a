//! The tables: what was found, beside what it should be.

use std::fmt::Write;

use super::rounds::Spread;

/// What a figure is counted in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unit {
    /// A ratio.
    Times,
    /// A share.
    Percent,
    /// Milliseconds.
    Milliseconds,
    /// Megabytes.
    Megabytes,
}

impl Unit {
    fn write(self, value: f64) -> String {
        match self {
            Self::Times if value >= 10.0 => format!("{value:.1} ×"),
            Self::Times => format!("{value:.2} ×"),
            Self::Percent => format!("{:.2} %", 100.0 * value),
            Self::Milliseconds => format!("{value:.3} ms"),
            Self::Megabytes => format!("{value:.0} MB"),
        }
    }
}

/// The project's own line and ambition for a figure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Whether small is good.
    pub at_most: bool,
    /// What must be.
    pub must: f64,
    /// What would be fine.
    pub goal: f64,
}

impl Line {
    fn write(self, unit: Unit, value: f64) -> String {
        format!("{} {}", if self.at_most { "≤" } else { "≥" }, unit.write(value))
    }

    fn verdict(self, value: f64) -> &'static str {
        let holds = |line: f64| if self.at_most { value <= line } else { value >= line };
        if holds(self.goal) {
            "goal"
        } else if holds(self.must) {
            "must"
        } else {
            "**missed**"
        }
    }
}

/// `must` and `goal` that are not to be exceeded.
#[must_use]
pub const fn at_most(must: f64, goal: f64) -> Option<Line> {
    Some(Line { at_most: true, must, goal })
}

/// `must` and `goal` that are to be reached.
#[must_use]
pub const fn at_least(must: f64, goal: f64) -> Option<Line> {
    Some(Line { at_most: false, must, goal })
}

/// One figure.
#[derive(Debug, Clone)]
pub struct Row {
    /// What it is.
    pub name: String,
    /// What it is counted in.
    pub unit: Unit,
    /// The figure.
    pub found: Spread,
    /// What it should be.
    pub line: Option<Line>,
}

/// A ratio.
pub fn times(name: impl Into<String>, found: Spread, line: Option<Line>) -> Row {
    Row { name: name.into(), unit: Unit::Times, found, line }
}

/// A share.
pub fn share(name: impl Into<String>, found: Spread, line: Option<Line>) -> Row {
    Row { name: name.into(), unit: Unit::Percent, found, line }
}

/// A time, for information.
pub fn milliseconds(name: impl Into<String>, found: Spread) -> Row {
    Row { name: name.into(), unit: Unit::Milliseconds, found, line: None }
}

/// A table of rows under a title.
#[must_use]
pub fn table(title: &str, rows: &[Row], judged: bool) -> String {
    let mut text = format!("### {title}\n\n");
    let lines = rows.iter().any(|row| row.line.is_some());
    text += if lines {
        "| | median | p25 … p75 | must | goal | met |\n|---|---|---|---|---|---|\n"
    } else {
        "| | median | p25 … p75 |\n|---|---|---|\n"
    };
    for Row { name, unit, found, line } in rows {
        let spread = if found.low == found.high {
            String::new()
        } else {
            format!("{} … {}", unit.write(found.low), unit.write(found.high))
        };
        let _ = write!(text, "| {name} | {} | {spread} |", unit.write(found.median));
        if lines {
            let [must, goal, met] = line.map_or_else(Default::default, |line| {
                let met = if judged { line.verdict(found.median) } else { "" };
                [line.write(*unit, line.must), line.write(*unit, line.goal), met.to_owned()]
            });
            let _ = write!(text, " {must} | {goal} | {met} |");
        }
        text.push('\n');
    }
    text.push('\n');
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_figure_is_judged_on_its_own_side_of_the_line() {
        let met = |line: Option<Line>, value| line.expect("a line").verdict(value);
        assert_eq!(met(at_most(2.4, 1.7), 1.7), "goal");
        assert_eq!(met(at_most(2.4, 1.7), 1.8), "must");
        assert_eq!(met(at_most(2.4, 1.7), 2.5), "**missed**");
        assert_eq!(met(at_least(7.0, 9.0), 8.0), "must");
        assert_eq!(met(at_least(7.0, 9.0), f64::NAN), "**missed**");
    }
}
