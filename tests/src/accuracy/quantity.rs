//! Numbers of a record that are held against a truth, each with the error that it claims.

use noise_measure::format::Channel;
use noise_measure::record::{ComponentRecord, Interval, NoteCode, WindowRecord};

/// Half the width of a normal 95 % interval, in standard errors.
const HALF_INTERVAL: f64 = 1.959_964;

/// A number of the first region's record. Spreads are read as signed variances in codes²: a root has no sign, and its
/// mean over many recordings is biased.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quantity {
    /// `temporal`².
    Temporal,
    /// `temporal_long`².
    TemporalLong,
    /// `temporal_unclipped`².
    Unclipped,
    /// `row`².
    Row,
    /// `column`².
    Column,
    /// `fixed`².
    Fixed,
    /// `corr_x`.
    CorrX,
    /// `corr_y`.
    CorrY,
    /// `corr_t`.
    CorrT,
    /// `mean`, percent.
    Mean,
    /// `light.snr_temporal_db`.
    Snr,
}

/// What a record says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// The number.
    pub value: f64,
    /// Its standard error as the record gives it, where it does.
    pub error: Option<f64>,
}

/// How a number is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A variance in codes².
    Spread,
    /// −1..1.
    Correlation,
    /// Percent.
    Level,
    /// Decibels.
    Decibels,
}

/// The component of the first region.
#[must_use]
pub fn component(record: &WindowRecord, channel: Channel) -> Option<&ComponentRecord> {
    record.regions.first()?.components.get(channel)
}

/// Whether the first region has a note of `code`.
#[must_use]
pub fn noted(record: &WindowRecord, code: NoteCode) -> bool {
    record.regions.first().is_some_and(|region| region.notes.iter().any(|note| note.code == code))
}

/// Standard error of a variance from the 95 % interval of its root, both in units of the root itself.
fn of_interval([low, high]: Interval) -> f64 {
    (high * high - low * low) / (2.0 * HALF_INTERVAL)
}

impl Quantity {
    /// The field's name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Temporal => "temporal",
            Self::TemporalLong => "temporal_long",
            Self::Unclipped => "temporal_unclipped",
            Self::Row => "row",
            Self::Column => "column",
            Self::Fixed => "fixed",
            Self::CorrX => "corr_x",
            Self::CorrY => "corr_y",
            Self::CorrT => "corr_t",
            Self::Mean => "mean",
            Self::Snr => "snr_temporal_db",
        }
    }

    /// What sort of number it is.
    #[must_use]
    pub const fn kind(self) -> Kind {
        match self {
            Self::CorrX | Self::CorrY | Self::CorrT => Kind::Correlation,
            Self::Mean => Kind::Level,
            Self::Snr => Kind::Decibels,
            _ => Kind::Spread,
        }
    }

    /// What `record` says of the component `channel` of its first region; `None` where it says null.
    #[must_use]
    pub fn read(self, record: &WindowRecord, channel: Channel) -> Option<Reading> {
        let numbers = component(record, channel)?;
        let var = &numbers.var;
        // Codes² of a percent².
        let codes = || Some(var.temporal? / numbers.temporal?.powi(2));
        let plain = |value: Option<f64>| Some(Reading { value: value?, error: None });
        match self {
            Self::Temporal => {
                let value = var.temporal.filter(|_| numbers.temporal.is_some())?;
                Some(Reading { value, error: Some(value * (2.0 / var.nu?).sqrt()) })
            }
            Self::TemporalLong => {
                let value = numbers.temporal_long?.powi(2) * codes()?;
                Some(Reading { value, error: Some(of_interval(numbers.temporal_long_ci?) * codes()?) })
            }
            Self::Unclipped => plain(Some(numbers.temporal_unclipped?.powi(2) * codes()?)),
            Self::Row => plain(var.row),
            Self::Column => plain(var.column),
            Self::Fixed => plain(var.fixed),
            Self::CorrX => plain(numbers.corr_x),
            Self::CorrY => plain(numbers.corr_y),
            Self::CorrT => plain(numbers.corr_t),
            Self::Mean => plain(numbers.mean),
            Self::Snr => {
                let light = record.regions.first()?.light.as_ref()?;
                let [low, high] = light.snr_temporal_ci_db?;
                let error = (high - low) / (2.0 * HALF_INTERVAL);
                Some(Reading { value: light.snr_temporal_db?, error: Some(error) })
            }
        }
    }
}
