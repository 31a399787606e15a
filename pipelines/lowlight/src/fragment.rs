//! Media fragments: the part of a clip that `#t=START,END` asks for (W3C Media Fragments URI 1.0, clause 4.2.1).

/// Nanoseconds in a second.
const SECOND: f64 = 1e9;
/// Longest time that is taken, in seconds: ten years, far under what nanoseconds in 64 bits can hold.
const LONGEST: f64 = 10.0 * 365.25 * 86_400.0;

/// A part of a clip: frames that begin in `start..end`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Fragment {
    /// Nanoseconds of stream time.
    pub start: u64,
    /// Nanoseconds of stream time; the clip's end where absent.
    pub end: Option<u64>,
}

impl Fragment {
    /// Parses what follows `#t=`: `START,END`, `START` or `,END`, in seconds or `[HH:]MM:SS`, with or without `npt:`.
    ///
    /// # Errors
    /// One sentence on what is wrong and what would be right.
    pub fn parse(text: &str) -> Result<Self, String> {
        let times = text.strip_prefix("npt:").unwrap_or(text);
        let (start, end) = match times.split_once(',') {
            Some((start, end)) => (start, Some(end)),
            None => (times, None),
        };
        if start.is_empty() && end.is_none_or(str::is_empty) {
            return Err("no time after #t=; write #t=START,END in seconds, as in #t=12.0,15.5".to_owned());
        }
        let start = if start.is_empty() { 0 } else { time(start)? };
        let end = end.map(time).transpose()?;
        if end.is_some_and(|end| end <= start) {
            return Err(format!("#t={text} ends before it begins; write #t=START,END with END after START"));
        }
        Ok(Self { start, end })
    }

    /// The part of a result's name that tells fragments of a clip apart: `@12.000-15.500`.
    #[must_use]
    pub fn suffix(&self) -> String {
        let end = self.end.map(seconds).unwrap_or_default();
        format!("@{}-{end}", seconds(self.start))
    }

    /// Whether a frame that begins at `time` (nanoseconds of stream time) belongs to the fragment.
    #[must_use]
    pub fn contains(&self, time: u64) -> bool {
        time >= self.start && self.end.is_none_or(|end| time < end)
    }
}

/// Nanoseconds as seconds with three decimals.
#[must_use]
pub fn seconds(time: u64) -> String {
    let milliseconds = (time + 500_000) / 1_000_000;
    format!("{}.{:03}", milliseconds / 1000, milliseconds % 1000)
}

fn time(text: &str) -> Result<u64, String> {
    let wrong =
        || format!("{text:?} is not a time; write seconds or HH:MM:SS, as in #t=12.0,15.5 or #t=0:12,0:15.5");
    let parts: Vec<&str> = text.split(':').collect();
    if parts.len() > 3 || parts.iter().any(|part| part.is_empty() || !plain_number(part)) {
        return Err(wrong());
    }
    let mut total = 0.0;
    for (place, part) in parts.iter().enumerate() {
        let value: f64 = part.parse().map_err(|_| wrong())?;
        let whole = place + 1 < parts.len();
        if (whole && part.contains('.')) || (place > 0 && value >= 60.0) {
            return Err(wrong());
        }
        total = total * 60.0 + value;
    }
    if total > LONGEST {
        return Err(wrong());
    }
    // At most LONGEST seconds, which is well inside u64.
    Ok((total * SECOND).round() as u64)
}

fn plain_number(text: &str) -> bool {
    text.bytes().all(|byte| byte.is_ascii_digit() || byte == b'.')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn forms() {
        let both = Fragment { start: 12_000_000_000, end: Some(15_500_000_000) };
        for text in ["12.0,15.5", "12,15.5", "npt:12,15.5", "0:12,0:15.5", "0:00:12,00:00:15.500"] {
            assert_eq!(Fragment::parse(text), Ok(both), "{text}");
        }
        assert_eq!(both.suffix(), "@12.000-15.500");
        assert_eq!(Fragment::parse("7"), Ok(Fragment { start: 7_000_000_000, end: None }));
        assert_eq!(Fragment::parse(",7"), Ok(Fragment { start: 0, end: Some(7_000_000_000) }));
        assert_eq!(Fragment::parse("7").unwrap().suffix(), "@7.000-");
    }

    #[test]
    fn refused() {
        for text in [
            "",
            ",",
            "a",
            "1,b",
            "2,1",
            "1,1",
            "-1,2",
            "1e3",
            "nan",
            "inf,",
            "1:61,5:00",
            "1.5:00",
            "1:2:3:4",
            "9e99",
        ] {
            assert!(Fragment::parse(text).is_err(), "{text}");
        }
    }

    #[test]
    fn a_frame_belongs_where_it_begins() {
        let fragment = Fragment::parse("1,2").unwrap();
        assert!(!fragment.contains(999_999_999));
        assert!(fragment.contains(1_000_000_000));
        assert!(!fragment.contains(2_000_000_000));
    }
}
