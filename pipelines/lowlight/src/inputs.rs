//! The clips to measure: what each argument stands for, and the stamp by which a changed file is told.

use std::ffi::{OsStr, OsString};
use std::fs::{File, Metadata};
use std::hash::Hasher;
use std::io::{self, Read, Seek, SeekFrom};
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};
use std::time::UNIX_EPOCH;

use serde::{Deserialize, Serialize};

use crate::errors::Error;
use crate::fragment::Fragment;
use crate::images::pattern::{Numbered, Pattern};
use crate::naming::{Named, names};
use crate::text::{lossless, shown};

/// Endings of stills that are read without GStreamer.
const STILLS: &[&str] = &["tif", "tiff", "png", "exr"];
/// Bytes sampled at the beginning, the middle and the end of a file.
const SAMPLE: u64 = 65_536;

/// A clip to measure.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Clip {
    /// The argument, for messages.
    pub given: OsString,
    /// Its file or pattern.
    pub path: PathBuf,
    /// The part that is measured.
    pub fragment: Option<Fragment>,
    /// What its path leads to.
    pub kind: Kind,
    /// What its results are called.
    pub name: String,
}

/// What a path leads to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Kind {
    /// A file for GStreamer.
    Media,
    /// One image.
    Still,
    /// Numbered images.
    Sequence(Pattern),
}

/// What tells that an input is still what was measured; free of inode and path, so that a copy counts as the same.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stamp {
    /// Files; one unless it is a sequence.
    pub files: u64,
    /// Bytes of all of them.
    pub bytes: u64,
    /// Youngest modification, nanoseconds since 1970.
    pub modified: u64,
    /// FNV-1a over numbers, sizes and times of the files and three samples of the first one's bytes.
    pub digest: String,
}

impl Clip {
    /// What each of `arguments` stands for.
    ///
    /// # Errors
    /// A fragment that cannot be read, or names that clash.
    pub fn all(arguments: &[OsString]) -> Result<Vec<Self>, Error> {
        let named = arguments.iter().map(|argument| split(argument)).collect::<Result<Vec<_>, _>>()?;
        let names = names(&named)?;
        let clips = named.into_iter().zip(names);
        Ok(clips
            .map(|(Named { given, path, fragment }, name)| {
                let kind = kind(&path);
                Self { given, path, fragment, kind, name }
            })
            .collect())
    }

    /// The file name as given, fragment and all: what results say they are of.
    #[must_use]
    pub fn source(&self) -> String {
        let given = self.given.as_bytes();
        let name =
            given.iter().rposition(|&byte| byte == b'/').map_or(given, |slash| given.split_at(slash + 1).1);
        lossless(OsStr::from_bytes(name))
    }

    /// Files of the clip in order.
    ///
    /// # Errors
    /// One sentence on what is missing.
    pub fn files(&self) -> Result<Vec<Numbered>, String> {
        match &self.kind {
            Kind::Media | Kind::Still => Ok(vec![Numbered { number: 0, path: self.path.clone() }]),
            Kind::Sequence(pattern) => {
                let files =
                    pattern.files().map_err(|error| format!("its directory: {}", in_words(&error)))?;
                if files.is_empty() {
                    let example = pattern.name(1);
                    return Err(format!("no such file, and no file named like {}", shown(&example)));
                }
                Ok(files)
            }
        }
    }

    /// The stamp of the clip as it is now.
    ///
    /// # Errors
    /// One sentence on why it cannot be measured.
    pub fn stamp(&self) -> Result<Stamp, String> {
        let files = self.files()?;
        let mut digest = Fnv::default();
        let mut stamp = Stamp { files: files.len() as u64, bytes: 0, modified: 0, digest: String::new() };
        for file in &files {
            let within = |problem: String| match self.kind {
                Kind::Sequence(_) => {
                    format!("{}: {problem}", shown(file.path.file_name().unwrap_or_default()))
                }
                Kind::Media | Kind::Still => problem,
            };
            let metadata = std::fs::metadata(&file.path).map_err(|error| within(in_words(&error)))?;
            regular(&metadata).map_err(within)?;
            let modified = metadata.modified().ok().and_then(|time| time.duration_since(UNIX_EPOCH).ok());
            let modified = modified.map_or(0, |age| u64::try_from(age.as_nanos()).unwrap_or(u64::MAX));
            stamp.bytes += metadata.len();
            stamp.modified = stamp.modified.max(modified);
            for number in [file.number, metadata.len(), modified] {
                digest.write(&number.to_le_bytes());
            }
        }
        if let Some(first) = files.first() {
            sample(&first.path, &mut digest).map_err(|error| in_words(&error))?;
        }
        stamp.digest = format!("{:016x}", digest.finish());
        Ok(stamp)
    }
}

/// Path and fragment of an argument. A file that really is named so is taken as it is.
fn split(argument: &OsStr) -> Result<Named, Error> {
    let whole = || Named { given: argument.to_owned(), path: argument.into(), fragment: None };
    let bytes = argument.as_bytes();
    let mark = b"#t=";
    let place = bytes.windows(mark.len()).rposition(|window| window == mark);
    let Some((path, text)) =
        place.map(|place| (bytes.split_at(place).0, bytes.split_at(place + mark.len()).1))
    else {
        return Ok(whole());
    };
    if std::fs::symlink_metadata(argument).is_ok() {
        return Ok(whole());
    }
    let text = String::from_utf8_lossy(text);
    let fragment = Fragment::parse(&text).map_err(|problem| Error::usage(shown(argument), problem))?;
    let path = Path::new(OsStr::from_bytes(path)).to_path_buf();
    Ok(Named { given: argument.to_owned(), path, fragment: Some(fragment) })
}

fn kind(path: &Path) -> Kind {
    let exists = std::fs::symlink_metadata(path).is_ok();
    if let Some(pattern) = Pattern::parse(path).filter(|_| !exists) {
        return Kind::Sequence(pattern);
    }
    let ending = path.extension().and_then(OsStr::to_str).map(str::to_ascii_lowercase);
    if ending.is_some_and(|ending| STILLS.contains(&ending.as_str())) { Kind::Still } else { Kind::Media }
}

fn regular(metadata: &Metadata) -> Result<(), String> {
    if metadata.is_dir() {
        return Err("is a directory; name a file, or a sequence as in DIR/%05d.tif".to_owned());
    }
    if !metadata.is_file() {
        return Err("is not a regular file".to_owned());
    }
    if metadata.len() == 0 {
        return Err("is empty".to_owned());
    }
    Ok(())
}

/// An error of the system without its number.
#[must_use]
pub fn in_words(error: &io::Error) -> String {
    let text = error.to_string();
    let words = text.split(" (os error").next().unwrap_or(&text);
    let mut letters = words.chars();
    letters.next().map_or_else(String::new, |first| first.to_lowercase().chain(letters).collect())
}

fn sample(path: &Path, digest: &mut Fnv) -> io::Result<()> {
    let mut file = File::open(path)?;
    let length = file.metadata()?.len();
    for start in [0, length / 2, length.saturating_sub(SAMPLE)] {
        file.seek(SeekFrom::Start(start))?;
        let mut bytes = Vec::new();
        (&mut file).take(SAMPLE).read_to_end(&mut bytes)?;
        digest.write(&bytes);
    }
    Ok(())
}

/// FNV-1a of 64 bits (draft-eastlake-fnv): the same on every machine and in every version, which std's hasher is not.
struct Fnv(u64);

impl Default for Fnv {
    fn default() -> Self {
        Self(0xcbf2_9ce4_8422_2325)
    }
}

impl Hasher for Fnv {
    fn write(&mut self, bytes: &[u8]) {
        for byte in bytes {
            self.0 = (self.0 ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3);
        }
    }

    fn finish(&self) -> u64 {
        self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fnv_as_published() {
        // draft-eastlake-fnv-21, appendix C, 64-bit FNV-1a of "" and "foobar".
        let digest = |text: &str| {
            let mut fnv = Fnv::default();
            fnv.write(text.as_bytes());
            fnv.finish()
        };
        assert_eq!(digest(""), 0xcbf2_9ce4_8422_2325);
        assert_eq!(digest("foobar"), 0x8594_4171_f739_67e8);
    }

    #[test]
    fn real_names_come_before_forms() {
        let directory = tempfile::tempdir().unwrap();
        let path = |name: &str| directory.path().join(name).into_os_string();
        for name in ["a%05d.mov", "a#t=1,2", "b.TIF"] {
            std::fs::write(path(name), "x").unwrap();
        }
        let clips =
            Clip::all(&[path("a%05d.mov"), path("a#t=1,2"), path("b.TIF"), path("c%05d.mov#t=1,2")]).unwrap();
        let kinds: Vec<bool> = clips.iter().map(|clip| matches!(clip.kind, Kind::Sequence(_))).collect();
        assert_eq!(kinds, [false, false, false, true]);
        assert_eq!(
            clips.iter().map(|clip| clip.fragment.is_some()).collect::<Vec<_>>(),
            [false, false, false, true]
        );
        assert_eq!(clips[2].kind, Kind::Still);
        assert_eq!(
            clips.iter().map(Clip::source).collect::<Vec<_>>(),
            ["a%05d.mov", "a#t=1,2", "b.TIF", "c%05d.mov#t=1,2"]
        );
        assert!(Clip::all(&[path("c.mov#t=2,1")]).unwrap_err().to_string().contains("c.mov#t=2,1"));
    }

    #[test]
    fn stamps_tell_changes_from_copies() {
        let directory = tempfile::tempdir().unwrap();
        let clip = |name: &str| Clip::all(&[directory.path().join(name).into_os_string()]).unwrap().remove(0);
        std::fs::write(directory.path().join("a"), "one").unwrap();
        let first = clip("a").stamp().unwrap();
        assert_eq!(clip("a").stamp().unwrap(), first);
        let modified = std::fs::metadata(directory.path().join("a")).unwrap().modified().unwrap();
        std::fs::write(directory.path().join("b"), "two").unwrap();
        File::options().write(true).open(directory.path().join("b")).unwrap().set_modified(modified).unwrap();
        assert_ne!(clip("b").stamp().unwrap(), first, "same size and time, other bytes");
        std::fs::write(directory.path().join("b"), "one").unwrap();
        File::options().write(true).open(directory.path().join("b")).unwrap().set_modified(modified).unwrap();
        assert_eq!(clip("b").stamp().unwrap(), first, "a copy");
        assert!(clip("c").stamp().unwrap_err().contains("no such file"));
        assert!(clip("c%03d.png").stamp().unwrap_err().contains("c001.png"));
    }
}
