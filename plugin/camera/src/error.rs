//! What can be wrong with a camera file or a setting.

/// Says in one line which field or setting is wrong and what would be right.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{what}: {problem}")]
pub struct Error {
    /// The field or setting.
    pub what: String,
    /// What is wrong and what would be right.
    pub problem: String,
}

impl Error {
    /// An error about `what`.
    pub fn new(what: impl Into<String>, problem: impl Into<String>) -> Self {
        Self { what: what.into(), problem: problem.into() }
    }
}

/// `value` where it lies in `range`.
///
/// # Errors
/// Names `what`, its value and the range.
pub(crate) fn within(
    what: impl Into<String>,
    value: f64,
    range: std::ops::RangeInclusive<f64>,
    unit: &str,
) -> Result<f64, Error> {
    if range.contains(&value) {
        return Ok(value);
    }
    let (least, most) = (range.start(), range.end());
    Err(Error::new(what, format!("is {value}; {least} to {most}{unit} would be right")))
}
