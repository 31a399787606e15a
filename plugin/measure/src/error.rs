//! What can be wrong with the text, numbers or samples handed to this crate.

/// Every error says in one line what was wrong and what would be right.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// A component's rows would reach past the end of its bytes.
    #[error(
        "{channel}: {height} rows of {row_bytes} bytes every {stride} from byte {offset} need {needed} bytes, the buffer has {available}"
    )]
    ViewOutOfBounds {
        /// Name of the component.
        channel: &'static str,
        /// First byte of the first sample.
        offset: usize,
        /// Bytes from one row to the next.
        stride: usize,
        /// Bytes that the visible samples of one row span.
        row_bytes: usize,
        /// Rows.
        height: usize,
        /// Bytes that would be needed.
        needed: usize,
        /// Bytes that there are.
        available: usize,
    },
    /// A component's packing cannot be read: shift or depth do not fit its word.
    #[error("{channel}: {depth} bits shifted by {shift} do not fit a word of {word_bits} bits")]
    Packing {
        /// Name of the component.
        channel: &'static str,
        /// Significant bits.
        depth: u32,
        /// Right shift.
        shift: u32,
        /// Bits of the word.
        word_bits: u32,
    },
    /// The views do not belong to the format the meter was made for.
    #[error("the frame has {found}, the meter expects {expected}")]
    FrameMismatch {
        /// What was handed in.
        found: String,
        /// What the format says.
        expected: String,
    },
    /// A text such as `regions` or `grid` cannot be parsed.
    #[error("{what}: {problem}")]
    Text {
        /// Which text: property, option or file, and the entry inside it.
        what: String,
        /// What is wrong and what would be right.
        problem: String,
    },
}

impl Error {
    /// An [`Error::Text`] about `what`.
    pub fn text(what: impl Into<String>, problem: impl Into<String>) -> Self {
        Self::Text { what: what.into(), problem: problem.into() }
    }
}
