//! How times, numbers, sizes and digests are written: one place for all that people and files read.
//!
//! Input: values. Output: text. What this is not: it lays nothing out, and reads no clock and no terminal.

use crate::time::PLAUSIBLE_S;
use chrono::{DateTime, FixedOffset, Utc};

/// What is written in place of a time outside [`PLAUSIBLE_S`].
const NOT_PLAUSIBLE: &str = "not a plausible time";

/// The name of a number in the text of passwd(5) or group(5).
pub fn name_in_list(list: &str, number: u32) -> Option<String> {
    list.lines().find_map(|line| {
        let mut parts = line.split(':');
        let name = parts.next()?;
        (parts.nth(1)?.parse() == Ok(number)).then(|| name.to_owned())
    })
}

/// RFC 3339 in UTC, as files and JSON write it.
pub fn rfc3339(unix_s: i64) -> String {
    written(unix_s, 0, "%Y-%m-%dT%H:%M:%SZ")
}

/// A time in an offset, or that it is not plausible.
fn written(unix_s: i64, utc_offset_s: i32, form: &str) -> String {
    let time = DateTime::<Utc>::from_timestamp(unix_s, 0).filter(|_| PLAUSIBLE_S.contains(&unix_s));
    match time.zip(FixedOffset::east_opt(utc_offset_s)) {
        Some((time, offset)) => time.with_timezone(&offset).format(form).to_string(),
        None => NOT_PLAUSIBLE.to_owned(),
    }
}

/// For people: the site's fixed offset, without saying which (whoever prints it labels the table).
pub fn local(unix_s: i64, utc_offset_s: i32) -> String {
    written(unix_s, utc_offset_s, "%Y-%m-%d %H:%M")
}

/// For people: the site's fixed offset, to the second, and which offset it is.
pub fn to_the_second(unix_s: i64, utc_offset_s: i32) -> String {
    written(unix_s, utc_offset_s, "%Y-%m-%d %H:%M:%S %:z")
}

/// The label of an offset: `UTC-07:00`.
pub fn offset_label(utc_offset_s: i32) -> String {
    let sign = if utc_offset_s < 0 { '-' } else { '+' };
    let minutes = utc_offset_s.unsigned_abs() / 60;
    format!("UTC{sign}{:02}:{:02}", minutes / 60, minutes % 60)
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

/// A cell of a CSV line, quoted where RFC 4180 asks for it.
pub fn csv_cell(text: &str) -> String {
    if text.contains(['"', ',', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}

/// A span of time, to two units: `3 d 4 h`, `12 min`, `45 s`.
pub fn duration(seconds: i64) -> String {
    let s = seconds.max(0);
    match s {
        0..60 => format!("{s} s"),
        60..3600 => format!("{} min", s / 60),
        3600..86_400 => format!("{} h {} min", s / 3600, s % 3600 / 60),
        _ => format!("{} d {} h", s / 86_400, s % 86_400 / 3600),
    }
}

/// A size in bytes: `12.3 kB`, by powers of 1000.
pub fn size(bytes: u64) -> String {
    match bytes {
        0..1_000_000 => format!("{:.1} kB", bytes as f64 / 1e3),
        1_000_000..1_000_000_000 => format!("{:.1} MB", bytes as f64 / 1e6),
        _ => format!("{:.1} GB", bytes as f64 / 1e9),
    }
}

/// Lower-case hexadecimal digits, two a byte.
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
}
