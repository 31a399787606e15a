//! What ends the program before anything is measured.

use std::io;
use std::path::PathBuf;

/// Wrong usage or input: exit code 2. Every text is one line that names the option or file and what would be right.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// An option or a clip argument cannot be used as it stands.
    #[error("{what}: {problem}")]
    Usage {
        /// The option, file or field.
        what: String,
        /// What is wrong and what would be right.
        problem: String,
    },
    /// A text was refused by the parser that the element uses as well.
    #[error("{option}: {source}")]
    Text {
        /// The option, or the file behind it.
        option: String,
        /// What the parser said.
        source: noise_measure::Error,
    },
    /// The results cannot be written where they should go.
    #[error("--out {}: {source}", path.display())]
    Output {
        /// The directory.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
}

impl Error {
    /// A [`Error::Usage`] about `what`.
    pub fn usage(what: impl Into<String>, problem: impl Into<String>) -> Self {
        Self::Usage { what: what.into(), problem: problem.into() }
    }
}
