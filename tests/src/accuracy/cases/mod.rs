//! The cases, by what they are about.

mod change;
mod codes;
pub mod filters;
mod intervals;
mod moving;

pub use intervals::intervals;
use noise_measure::format::Channel;

use super::case::{Case, Claim};
use super::expect;
use super::quantity::Quantity;

/// Cases that belong together, under a heading of the book.
pub struct Group {
    /// A word for the command line and for tests.
    pub word: &'static str,
    /// The heading.
    pub title: &'static str,
    /// The cases.
    pub cases: Vec<Case>,
}

/// All of them.
#[must_use]
pub fn all() -> Vec<Group> {
    let group = |word, title, cases| Group { word, title, cases };
    vec![
        group("white", "White noise and photons", moving::photons()),
        group("lines", "Rows and columns that move", moving::lines()),
        group("standing", "Standing patterns and fall-off", moving::standing()),
        group("recursive", "Time filters", filters::recursive()),
        group("blur", "Space filters", filters::blur()),
        group("change", "Noise that changes, frames that repeat", change::cases()),
        group("clipping", "Crushed black", codes::clipping()),
        group("steps", "Noise as fine as the codes", codes::steps()),
        group("formats", "Ranges, depths, curves and colour", codes::formats()),
    ]
}

/// Expects of `channel` the moving noise that the camera knows.
fn temporal(case: Case, channel: Channel) -> Case {
    let truth = expect::temporal(&case.stage, channel);
    case.expect(channel, Quantity::Temporal, truth, Claim::Record)
}
