//! What the results of a clip are called.

use std::collections::HashMap;
use std::ffi::OsString;
use std::os::unix::ffi::OsStrExt;
use std::path::{Component, Path, PathBuf};

use crate::errors::Error;
use crate::fragment::Fragment;
use crate::text::{escape_bytes, shown};

/// Longest file name that common file systems take, bytes.
const LONGEST_FILE_NAME: usize = 255;
/// Longest of the endings that a result's name gets, `.windows.jsonl.part`, bytes.
const LONGEST_ENDING: usize = 19;

/// A clip as far as its name is concerned.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Named {
    /// The argument.
    pub given: OsString,
    /// The path in it, without fragment.
    pub path: PathBuf,
    /// The fragment in it.
    pub fragment: Option<Fragment>,
}

/// One name for each of `clips`: the path relative to the common parent of all, `/` as `__`, `%` as `_`, the fragment
/// as `@12.000-15.500`, the extension kept. Bytes that are not UTF-8 become `%XX`; since no other `%` is left, such a
/// name can be told back.
///
/// # Errors
/// Two clips of one name, a name that no file system takes, or a current directory that cannot be read.
pub fn names(clips: &[Named]) -> Result<Vec<String>, Error> {
    let absolute: Vec<PathBuf> = clips.iter().map(|clip| normalised(&clip.path)).collect::<Result<_, _>>()?;
    let parent = common_parent(&absolute);
    let mut first: HashMap<String, &Named> = HashMap::new();
    let mut names = Vec::with_capacity(clips.len());
    for (clip, path) in clips.iter().zip(&absolute) {
        let relative = path.strip_prefix(&parent).unwrap_or(path);
        let parts: Vec<String> =
            relative.components().map(|part| escape_bytes(part.as_os_str().as_bytes(), "_")).collect();
        let name = parts.join("__") + &clip.fragment.map(|fragment| fragment.suffix()).unwrap_or_default();
        if name.len() + LONGEST_ENDING > LONGEST_FILE_NAME {
            return Err(Error::usage(
                shown(&clip.given),
                format!(
                    "its results would be named by {} bytes; {} fit a file name",
                    name.len(),
                    LONGEST_FILE_NAME - LONGEST_ENDING
                ),
            ));
        }
        if let Some(other) = first.insert(name.clone(), clip) {
            return Err(Error::usage(
                shown(&clip.given),
                format!(
                    "its results would have the same name, {}, as those of {}; measure them in two runs with different --out",
                    crate::text::one_line(&name),
                    shown(&other.given)
                ),
            ));
        }
        names.push(name);
    }
    Ok(names)
}

/// `path` from the root, without `.` and `..`; links are left alone, so that a clip keeps the name it was given by.
fn normalised(path: &Path) -> Result<PathBuf, Error> {
    let absolute = std::path::absolute(path)
        .map_err(|error| Error::usage(shown(path.as_os_str()), format!("no absolute path: {error}")))?;
    let mut plain = PathBuf::new();
    for part in absolute.components() {
        match part {
            Component::ParentDir => {
                plain.pop();
            }
            Component::CurDir => {}
            other => plain.push(other),
        }
    }
    Ok(plain)
}

fn common_parent(paths: &[PathBuf]) -> PathBuf {
    let mut parents = paths.iter().map(|path| path.parent().unwrap_or(path));
    let Some(first) = parents.next() else {
        return PathBuf::new();
    };
    let mut common: Vec<Component<'_>> = first.components().collect();
    for parent in parents {
        let same = common.iter().zip(parent.components()).take_while(|(a, b)| **a == *b).count();
        common.truncate(same);
    }
    common.iter().collect()
}

#[cfg(test)]
mod tests {
    use std::ffi::OsStr;

    use super::*;

    fn named(path: &str, fragment: Option<&str>) -> Named {
        Named {
            given: path.into(),
            path: path.into(),
            fragment: fragment.map(|text| Fragment::parse(text).unwrap()),
        }
    }

    #[test]
    fn relative_to_the_common_parent() {
        let one = names(&[named("/shoot/a/x.mov", None)]).unwrap();
        assert_eq!(one, ["x.mov"]);
        let two = names(&[named("/shoot/a/x.mov", None), named("/shoot/b/c/x.mov", None)]).unwrap();
        assert_eq!(two, ["a__x.mov", "b__c__x.mov"]);
        let nested = names(&[named("/shoot/x.mov", None), named("/shoot/b/../b/./x.mov", None)]).unwrap();
        assert_eq!(nested, ["x.mov", "b__x.mov"]);
        let here = names(&[named("x.mov", None), named("./b/x.mov", None)]).unwrap();
        assert_eq!(here, ["x.mov", "b__x.mov"]);
    }

    #[test]
    fn fragments_patterns_and_odd_characters() {
        let parts =
            [named("/s/a.mov", Some("12.0,15.5")), named("/s/a.mov", None), named("/s/a.mov", Some("3"))];
        assert_eq!(names(&parts).unwrap(), ["a.mov@12.000-15.500", "a.mov", "a.mov@3.000-"]);
        assert_eq!(names(&[named("/s/frames/%05d.tif", None)]).unwrap(), ["_05d.tif"]);
        assert_eq!(names(&[named("/s/it's \"a\"\nb.mov", None)]).unwrap(), ["it's \"a\"\nb.mov"]);
        let bytes = Named {
            given: "x".into(),
            path: Path::new(OsStr::from_bytes(b"/s/a\xff%.mov")).to_path_buf(),
            fragment: None,
        };
        assert_eq!(names(&[bytes]).unwrap(), ["a%FF_.mov"]);
    }

    #[test]
    fn equal_names_are_refused_by_name() {
        let error = names(&[named("/s/a__b.mov", None), named("/s/a/b.mov", None)]).unwrap_err().to_string();
        assert!(
            error.contains("/s/a/b.mov") && error.contains("/s/a__b.mov") && error.contains("a__b.mov,"),
            "{error}"
        );
        assert!(names(&[named("/s/a.mov", None), named("/s/./a.mov", None)]).is_err());
        assert!(names(&[named("/s/a.mov", Some("1,2")), named("/s/a.mov", Some("1.0001,2"))]).is_err());
    }

    #[test]
    fn names_that_no_file_can_have() {
        let long = format!("/s/{}.mov", "x".repeat(LONGEST_FILE_NAME - LONGEST_ENDING - 4));
        assert!(names(&[named(&long, None)]).is_ok());
        let longer = format!("/s/x{}", &long[3..]);
        assert!(names(&[named(&longer, None)]).is_err());
    }
}
