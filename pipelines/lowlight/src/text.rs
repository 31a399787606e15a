//! File names as text: on one line, and without losing bytes that are not UTF-8.

use std::ffi::OsStr;
use std::fmt::Write;
use std::os::unix::ffi::OsStrExt;

/// `name` as text that can be told back: unchanged where it is UTF-8, else with every byte that is not, and every `%`, as `%XX`.
#[must_use]
pub fn lossless(name: &OsStr) -> String {
    match name.to_str() {
        Some(text) => text.to_owned(),
        None => escape_bytes(name.as_bytes(), "%25"),
    }
}

/// `bytes` as text: what is UTF-8 stays, other bytes become `%XX`, and `%` itself becomes `percent`.
#[must_use]
pub fn escape_bytes(bytes: &[u8], percent: &str) -> String {
    let mut text = String::with_capacity(bytes.len());
    for chunk in bytes.utf8_chunks() {
        text.push_str(&chunk.valid().replace('%', percent));
        for byte in chunk.invalid() {
            // Writing to a String cannot fail.
            let _ = write!(text, "%{byte:02X}");
        }
    }
    text
}

/// `text` on one line: line breaks and other control characters as `\n`, `\u{7f}` and the like.
#[must_use]
pub fn one_line(text: &str) -> String {
    let mut line = String::with_capacity(text.len());
    for character in text.chars() {
        if character.is_control() {
            line.extend(character.escape_default());
        } else {
            line.push(character);
        }
    }
    line
}

/// `name` for a message to people: lossless and on one line.
#[must_use]
pub fn shown(name: &OsStr) -> String {
    one_line(&lossless(name))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn utf8_stays_and_other_bytes_can_be_told_back() {
        assert_eq!(lossless(OsStr::new("50 % grey.mov")), "50 % grey.mov");
        assert_eq!(lossless(OsStr::from_bytes(b"a\xff%b.mov")), "a%FF%25b.mov");
        assert_eq!(escape_bytes(b"\xc3\xa9\xc3", "_"), "é%C3");
    }

    #[test]
    fn messages_stay_on_one_line() {
        assert_eq!(shown(OsStr::new("a\nb\t\"c\".mov")), "a\\nb\\t\"c\".mov");
    }
}
