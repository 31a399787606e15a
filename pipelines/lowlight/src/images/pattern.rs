//! Numbered files: `frames/%05d.tif`.

use std::ffi::{OsStr, OsString};
use std::io;
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::path::{Path, PathBuf};

/// A file name with one number in it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pattern {
    directory: PathBuf,
    before: Vec<u8>,
    after: Vec<u8>,
    /// Digits, at the least, with zeros in front.
    digits: usize,
}

/// One file of a sequence.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Numbered {
    /// Its number.
    pub number: u64,
    /// Where it is.
    pub path: PathBuf,
}

impl Pattern {
    /// The pattern in the last part of `path`: exactly one `%d` or `%05d`, and `%%` for a percent sign.
    #[must_use]
    pub fn parse(path: &Path) -> Option<Self> {
        let name = path.file_name()?.as_bytes();
        let mut before = Vec::new();
        let mut after = Vec::new();
        let mut digits = None;
        let mut rest = name;
        while let Some((&byte, tail)) = rest.split_first() {
            rest = tail;
            let part = if digits.is_some() { &mut after } else { &mut before };
            if byte != b'%' {
                part.push(byte);
            } else if let Some(tail) = rest.strip_prefix(b"%") {
                part.push(b'%');
                rest = tail;
            } else {
                let (width, tail) = number_form(rest)?;
                if digits.replace(width).is_some() {
                    return None;
                }
                rest = tail;
            }
        }
        let directory = path.parent().unwrap_or(Path::new("")).to_path_buf();
        Some(Self { directory, before, after, digits: digits? })
    }

    /// The files that match, by number.
    ///
    /// # Errors
    /// What the system says about the directory.
    pub fn files(&self) -> io::Result<Vec<Numbered>> {
        let directory: &Path =
            if self.directory.as_os_str().is_empty() { Path::new(".") } else { &self.directory };
        let mut files = Vec::new();
        for entry in std::fs::read_dir(directory)? {
            let name = entry?.file_name();
            if let Some(number) = self.number(&name) {
                files.push(Numbered { number, path: self.directory.join(name) });
            }
        }
        files.sort_by_key(|file| file.number);
        Ok(files)
    }

    /// The name of file `number`.
    #[must_use]
    pub fn name(&self, number: u64) -> OsString {
        let digits = format!("{number:0width$}", width = self.digits);
        OsString::from_vec([&self.before, digits.as_bytes(), &self.after].concat())
    }

    fn number(&self, name: &OsStr) -> Option<u64> {
        let digits =
            name.as_bytes().strip_prefix(self.before.as_slice())?.strip_suffix(self.after.as_slice())?;
        let number = std::str::from_utf8(digits).ok()?.parse().ok()?;
        (self.name(number) == name).then_some(number)
    }
}

/// Digits of a `%d` or `%05d` whose percent sign is gone, and what follows it.
fn number_form(text: &[u8]) -> Option<(usize, &[u8])> {
    let end = text.iter().position(|&byte| byte == b'd')?;
    let (width, rest) = (text.get(..end)?, text.get(end + 1..)?);
    if width.is_empty() {
        return Some((1, rest));
    }
    let width = std::str::from_utf8(width.strip_prefix(b"0")?).ok()?;
    // A file name has at most 255 bytes.
    let width = width.bytes().all(|byte| byte.is_ascii_digit()).then(|| width.parse().ok()).flatten()?;
    (1..=200).contains(&width).then_some((width, rest))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn forms() {
        for text in ["a%05d.tif", "%d.png", "x/%%%03d%%.exr"] {
            assert!(Pattern::parse(Path::new(text)).is_some(), "{text}");
        }
        for text in [
            "a.tif",
            "100%.mov",
            "%5d.tif",
            "%05d_%05d.tif",
            "%05x.tif",
            "%0d.tif",
            "%s.tif",
            "%05d/a.tif",
            "50%% d.tif",
        ] {
            assert!(Pattern::parse(Path::new(text)).is_none(), "{text}");
        }
        assert_eq!(Pattern::parse(Path::new("x/%%%03d%%.exr")).unwrap().name(7), "%007%.exr");
    }

    #[test]
    fn only_names_that_the_number_would_give() {
        let pattern = Pattern::parse(Path::new("f%03d.png")).unwrap();
        assert_eq!(pattern.number(OsStr::new("f007.png")), Some(7));
        assert_eq!(pattern.number(OsStr::new("f1007.png")), Some(1007));
        for name in ["f07.png", "f0007.png", "f007.tif", "f+07.png", "f-01.png", "f.png", "g007.png"] {
            assert_eq!(pattern.number(OsStr::new(name)), None, "{name}");
        }
    }
}
