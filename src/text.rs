//! How times, numbers, sizes and digests are written: the single place for everything that people and files read.
//!
//! Input: values. Output: text. What this is not: it does no layout, and reads no clock and no terminal.
//!
//! ```
//! use stonechat::text::{counted, date, duration, local, offset_label, rfc3339};
//!
//! // Logger 17 (P-17 toe drain) was read out at 08:15 on the clock of Harrow Tarn embankment.
//! let (read_out_at, utc_offset_s) = (1_777_907_700, -7 * 3600);
//! assert_eq!(rfc3339(read_out_at), "2026-05-04T15:15:00Z");
//! assert_eq!(local(read_out_at, utc_offset_s), "2026-05-04 08:15");
//! assert_eq!(offset_label(utc_offset_s), "UTC-07:00");
//! assert_eq!(counted(1512, "record"), "1,512 records");
//! assert_eq!(duration(1512 * 3600), "63 d 0 h");
//!
//! // An impossible time is not written as a date.
//! assert_eq!(rfc3339(i64::MAX), "not a plausible time");
//! assert_eq!(date(i64::MAX), None);
//! ```

use crate::time::{GatewayTime, LoggerTime, PLAUSIBLE_S};
use chrono::{DateTime, FixedOffset, Utc};
use serde::{Serialize, Serializer};
use std::borrow::Cow;
use std::path::{Path, PathBuf};

/// The text that replaces a time outside [`PLAUSIBLE_S`].
const NOT_PLAUSIBLE: &str = "not a plausible time";

/// The name that belongs to a number, in the text of passwd(5) or group(5).
pub fn name_in_list(list: &str, number: u32) -> Option<String> {
    list.lines().find_map(|line| {
        let mut parts = line.split(':');
        let name = parts.next()?;
        (parts.nth(1)?.parse() == Ok(number)).then(|| name.to_owned())
    })
}

/// A time that can be written: of either clock, or of a calendar.
pub trait UnixSeconds: Copy {
    /// Seconds since 1970.
    fn unix_seconds(self) -> i64;
}

impl UnixSeconds for i64 {
    fn unix_seconds(self) -> i64 {
        self
    }
}

impl UnixSeconds for LoggerTime {
    fn unix_seconds(self) -> i64 {
        self.unix_s()
    }
}

impl UnixSeconds for GatewayTime {
    fn unix_seconds(self) -> i64 {
        self.unix_s()
    }
}

/// RFC 3339 in UTC, for files and JSON.
pub fn rfc3339(time: impl UnixSeconds) -> String {
    written(time, 0, "%Y-%m-%dT%H:%M:%SZ")
}

/// `20261125T120000Z`: UTC, for names of files. A time that no calendar has is written as its number.
pub fn for_file_names(time: impl UnixSeconds) -> String {
    let unix_s = time.unix_seconds();
    match DateTime::<Utc>::from_timestamp(unix_s, 0) {
        Some(time) => time.format("%Y%m%dT%H%M%SZ").to_string(),
        None => unix_s.to_string(),
    }
}

/// The day `YYYY-MM-DD` that a clock in UTC shows. `None`: the year does not have four digits, as RFC 3339 requires.
pub fn date(time: impl UnixSeconds) -> Option<String> {
    let unix_s = time.unix_seconds();
    let time = DateTime::<Utc>::from_timestamp(unix_s, 0)
        .filter(|_| (-62_167_219_200..253_402_300_800).contains(&unix_s))?;
    Some(time.format("%Y-%m-%d").to_string())
}

/// A time in an offset, or the text that it is not plausible.
fn written(time: impl UnixSeconds, utc_offset_s: i32, form: &str) -> String {
    let unix_s = time.unix_seconds();
    let time = DateTime::<Utc>::from_timestamp(unix_s, 0).filter(|_| PLAUSIBLE_S.contains(&unix_s));
    match time.zip(FixedOffset::east_opt(utc_offset_s)) {
        Some((time, offset)) => time.with_timezone(&offset).format(form).to_string(),
        None => NOT_PLAUSIBLE.to_owned(),
    }
}

/// For people: in the site's fixed offset, without naming it (the code that prints it labels the table).
pub fn local(time: impl UnixSeconds, utc_offset_s: i32) -> String {
    written(time, utc_offset_s, "%Y-%m-%d %H:%M")
}

/// For people: in the site's fixed offset, to the second, with the offset.
pub fn to_the_second(time: impl UnixSeconds, utc_offset_s: i32) -> String {
    written(time, utc_offset_s, "%Y-%m-%d %H:%M:%S %:z")
}

/// The label of an offset: `UTC-07:00`.
pub fn offset_label(utc_offset_s: i32) -> String {
    let sign = if utc_offset_s < 0 { '-' } else { '+' };
    let minutes = utc_offset_s.unsigned_abs() / 60;
    format!("UTC{sign}{:02}:{:02}", minutes / 60, minutes % 60)
}

/// A time that may be missing, for [`as_rfc3339`].
pub trait Moment {
    /// Unix seconds.
    fn moment(&self) -> Option<i64>;
}

impl<T: UnixSeconds> Moment for T {
    fn moment(&self) -> Option<i64> {
        Some(self.unix_seconds())
    }
}

impl<T: Moment> Moment for Option<T> {
    fn moment(&self) -> Option<i64> {
        self.as_ref().and_then(Moment::moment)
    }
}

/// Writes a time of an answer as [`rfc3339`] does: for `#[serde(serialize_with)]`.
pub fn as_rfc3339<S: Serializer>(time: &impl Moment, serializer: S) -> Result<S::Ok, S::Error> {
    time.moment().map(rfc3339).serialize(serializer)
}

/// A path that may be missing, for [`as_path`].
pub trait Place {
    /// The path as messages show it.
    fn place(&self) -> Option<Cow<'_, str>>;
}

impl Place for &Path {
    fn place(&self) -> Option<Cow<'_, str>> {
        Some(self.to_string_lossy())
    }
}

impl Place for PathBuf {
    fn place(&self) -> Option<Cow<'_, str>> {
        Some(self.to_string_lossy())
    }
}

impl<T: Place> Place for Option<T> {
    fn place(&self) -> Option<Cow<'_, str>> {
        self.as_ref().and_then(Place::place)
    }
}

/// Writes a path of an answer as messages show it, for `#[serde(serialize_with)]`: names of files need not be UTF-8,
/// but JSON must be.
pub fn as_path<S: Serializer>(path: &impl Place, serializer: S) -> Result<S::Ok, S::Error> {
    path.place().serialize(serializer)
}

/// 12,345,678.
pub fn thousands(number: u64) -> String {
    let digits = number.to_string();
    let mut text = String::new();
    for (at, digit) in digits.chars().enumerate() {
        if at > 0 && (digits.len() - at).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

/// A count with its noun: `1 record`, `12 records`.
pub fn counted(number: u64, noun: &str) -> String {
    let s = if number == 1 { "" } else { "s" };
    format!("{} {noun}{s}", thousands(number))
}

/// The words as they begin a sentence.
pub fn capitalised(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or(String::new(), |first| first.to_uppercase().collect::<String>() + letters.as_str())
}

/// A cell of a CSV line, quoted if RFC 4180 requires it.
pub fn csv_cell(text: &str) -> String {
    if text.contains(['"', ',', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}

/// A span of time, in two units: `3 d 4 h`, `12 min`, `45 s`.
pub fn duration(seconds: i64) -> String {
    let s = seconds.max(0);
    match s {
        0..60 => format!("{s} s"),
        60..3600 => format!("{} min", s / 60),
        3600..86_400 => format!("{} h {} min", s / 3600, s % 3600 / 60),
        _ => format!("{} d {} h", s / 86_400, s % 86_400 / 3600),
    }
}

/// A size in bytes: `12.3 kB`, in powers of 1000.
pub fn size(bytes: u64) -> String {
    match bytes {
        0..1_000_000 => format!("{:.1} kB", bytes as f64 / 1e3),
        1_000_000..1_000_000_000 => format!("{:.1} MB", bytes as f64 / 1e6),
        _ => format!("{:.1} GB", bytes as f64 / 1e9),
    }
}

/// Whether a terminal obeys a character instead of showing it: controls, line and paragraph separators, and characters
/// that change the direction of writing. Only this function decides it.
pub fn is_obeyed(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

/// A name or text from elsewhere, on one line, without characters that a terminal obeys.
pub fn shown(text: &str) -> String {
    text.chars().map(|c| if is_obeyed(c) { ' ' } else { c }).collect()
}

/// Text for printing: line ends, tabs and form feeds stay; every other character that a terminal obeys becomes a space.
pub fn printable(text: &str) -> std::borrow::Cow<'_, str> {
    let stays = |c: char| !is_obeyed(c) || matches!(c, '\n' | '\t' | '\u{c}');
    if text.chars().all(stays) {
        return text.into();
    }
    let mut chars = text.chars().peekable();
    let mut clean = String::with_capacity(text.len());
    while let Some(c) = chars.next() {
        // A line end may have two characters, as in CSV.
        let is_kept = stays(c) || (c == '\r' && chars.peek() == Some(&'\n'));
        clean.push(if is_kept { c } else { ' ' });
    }
    clean.into()
}

/// Writes text so that a terminal obeys nothing in it. For text only: bytes that are not text are replaced.
pub struct Printed<W>(pub W);

impl<W: std::io::Write> std::io::Write for Printed<W> {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        let text = String::from_utf8_lossy(bytes);
        self.0.write_all(printable(&text).as_bytes())?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        self.0.flush()
    }
}

/// An answer as JSON, with sorted keys. Characters that a terminal obeys are written as numbers: the value is the same.
///
/// Errors: values that JSON cannot hold, such as a path that is not UTF-8 (see [`as_path`]).
pub fn json(answer: &impl Serialize) -> serde_json::Result<String> {
    // A `Value` sorts keys.
    let value = serde_json::to_value(answer)?;
    let text = serde_json::to_string_pretty(&value)?;
    let mut escaped = String::with_capacity(text.len());
    for c in text.chars() {
        // These are inside strings; between values there is only the line end.
        if is_obeyed(c) && c != '\n' {
            escaped += &format!("\\u{:04x}", u32::from(c));
        } else {
            escaped.push(c);
        }
    }
    Ok(escaped)
}

/// Lower-case hexadecimal digits, two per byte.
pub fn hex(bytes: &[u8]) -> String {
    use std::fmt::Write;
    bytes.iter().fold(String::with_capacity(2 * bytes.len()), |mut text, byte| {
        // Writing into a String cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_print_in_utc_and_in_the_sites_offset() {
        assert_eq!(rfc3339(1_767_262_500), "2026-01-01T10:15:00Z");
        assert_eq!(local(1_767_262_500, -7 * 3600), "2026-01-01 03:15");
        assert_eq!(offset_label(-25_200), "UTC-07:00");
        assert_eq!(offset_label(20_700), "UTC+05:45");
        assert_eq!(rfc3339(253_402_300_799), "9999-12-31T23:59:59Z");
        assert_eq!(local(-2_208_988_800, -7 * 3600), "1899-12-31 17:00", "a dip of the year 1900");
        for absurd in [-3_863_679_000_000, 253_402_300_800, -2_208_988_801, i64::MAX, i64::MIN] {
            assert_eq!(rfc3339(absurd), "not a plausible time");
            assert_eq!(local(absurd, -7 * 3600), "not a plausible time");
            assert_eq!(to_the_second(absurd, 0), "not a plausible time");
        }
        assert_eq!(to_the_second(1_767_262_500, -7 * 3600), "2026-01-01 03:15:00 -07:00");
    }

    #[test]
    fn numbers_are_grouped_and_spans_have_two_units() {
        assert_eq!(thousands(1_234_567), "1,234,567");
        assert_eq!(duration(59), "59 s");
        assert_eq!(duration(2 * 86_400 + 3 * 3600 + 1), "2 d 3 h");
        assert_eq!(counted(1, "gap"), "1 gap");
        assert_eq!(size(2_300_000), "2.3 MB");
        assert_eq!(hex(&[0, 0xAB]), "00ab");
    }

    #[test]
    fn what_a_terminal_obeys_is_never_printed() {
        // ECMA-48 (C0 and C1 controls), Unicode Standard Annex 9 (changes of direction), and line separators.
        let bad = "a\u{1b}[2Jb\u{9b}31mc\u{202e}d\u{2066}e\u{61c}f\u{7f}g\u{85}h\u{2028}i\u{7}j\rk";
        let ends = "one\ttwo\r\nthree\u{c}\n";
        let clean = "a [2Jb 31mc d e f g h i j k";
        assert_eq!((shown(bad).as_str(), &*printable(bad), &*printable(ends)), (clean, clean, ends));
        assert_eq!(shown("one\ntwo"), "one two");
        let mut out = Vec::new();
        std::io::Write::write_all(&mut Printed(&mut out), bad.as_bytes()).unwrap();
        assert_eq!(out, clean.as_bytes());
        let value = serde_json::json!({ bad: [bad, "ä"] });
        let text = json(&value).unwrap();
        assert!(!text.chars().any(|c| is_obeyed(c) && c != '\n'), "{text}");
        assert_eq!(serde_json::from_str::<serde_json::Value>(&text).unwrap(), value);
    }
}
