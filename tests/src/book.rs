//! Tables that programs of this crate write into pages of the book.

use std::path::Path;

/// Puts `text` between the two lines `marks` of the page at `path`.
///
/// # Errors
/// One line that names the page, where it cannot be read or written or has not these lines.
pub fn write(path: &Path, marks: [&str; 2], text: &str) -> Result<(), String> {
    let told = |problem: &dyn std::fmt::Display| format!("{}: {problem}", path.display());
    let book = std::fs::read_to_string(path).map_err(|error| told(&error))?;
    let [begin, end] = marks;
    let split = book.split_once(begin).and_then(|(before, rest)| Some((before, rest.split_once(end)?.1)));
    let (before, after) =
        split.ok_or_else(|| told(&format!("the lines \"{begin}\" and \"{end}\" are missing")))?;
    std::fs::write(path, format!("{before}{begin}\n{text}\n{end}{after}")).map_err(|error| told(&error))
}
