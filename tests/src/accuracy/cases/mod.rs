//! The cases, by what they are about.

mod filters;
mod moving;

use super::case::Case;

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
    ]
}
