//! Offsets, dates and instants as people write them.
//!
//! Input: text of the site's files. Output: times by the gateway's clock, and offsets in seconds. What this is not: it
//! reads no clock and knows no daylight saving, because a site has one fixed offset.
//!
//! Standards: RFC 3339 for instants; ISO 8601 calendar dates in the form `YYYY-MM-DD`.
//!
//! ```
//! use stonechat::when;
//!
//! // Harrow Tarn embankment has one offset all year.
//! let utc_offset_s = when::offset_s("-07:00")?;
//! let midnight = when::instant("2026-05-04", utc_offset_s)?;
//! assert_eq!(midnight, when::instant("2026-05-04T07:00:00Z", 0)?);
//! assert_eq!(when::by_clock("2026-05-04 08:15", utc_offset_s), Some(midnight.later(8 * 3600 + 15 * 60)));
//!
//! // An instant must have its offset, and a date must be in the calendar.
//! assert_eq!(when::instant("2026-05-04T08:15", utc_offset_s), Err("has no offset from UTC"));
//! assert_eq!(when::day("2026-02-29"), Err("is not a day in the calendar"));
//! # Ok::<(), &str>(())
//! ```

pub mod civil;

use crate::time::{Days, GatewayTime, LoggerTime};
use chrono::{DateTime, Datelike, Months, NaiveDate, NaiveDateTime, NaiveTime};

/// The largest offset from UTC in minutes, in either direction: 14 hours is the largest in civil use.
const OFFSET_MAX_MINUTES: i32 = 14 * 60;
const DAY_S: i64 = 86_400;
/// The last second that a logger's clock can show (32 bits, from 1970).
const INSTANT_MAX: i64 = u32::MAX as i64;

/// An offset such as `-07:00`, in seconds east of UTC.
pub fn offset_s(text: &str) -> Result<i32, &'static str> {
    let (sign, rest) = match text.split_at_checked(1) {
        Some(("+", rest)) => (1, rest),
        Some(("-", rest)) => (-1, rest),
        _ => return Err("is not an offset"),
    };
    let two_digits = |part: &str| match part.as_bytes() {
        [a, b] if a.is_ascii_digit() && b.is_ascii_digit() => part.parse::<i32>().ok(),
        _ => None,
    };
    let (hours, minutes) = rest.split_once(':').ok_or("is not an offset")?;
    let (Some(hours), Some(minutes)) = (two_digits(hours), two_digits(minutes)) else {
        return Err("is not an offset");
    };
    let all_minutes = hours * 60 + minutes;
    if minutes > 59 || all_minutes > OFFSET_MAX_MINUTES {
        return Err("is out of range, allowed -14:00 to +14:00");
    }
    Ok(sign * all_minutes * 60)
}

/// A date `YYYY-MM-DD` of the calendar.
pub fn date(text: &str) -> Result<NaiveDate, &'static str> {
    let in_form = text.len() == 10
        && text.bytes().enumerate().all(|(i, byte)| match i {
            4 | 7 => byte == b'-',
            _ => byte.is_ascii_digit(),
        });
    if !in_form {
        return Err("is not a date");
    }
    let date = NaiveDate::parse_from_str(text, "%Y-%m-%d").map_err(|_| "is not a day in the calendar")?;
    in_range(date.and_time(NaiveTime::MIN).and_utc().timestamp())?;
    Ok(date)
}

/// The first second of a date `YYYY-MM-DD`, in UTC.
pub fn day(text: &str) -> Result<GatewayTime, &'static str> {
    Ok(GatewayTime(date(text)?.and_time(NaiveTime::MIN).and_utc().timestamp()))
}

/// The last months of a calendar with this offset, up to the month of `now`, oldest first: the first second of each,
/// and the second after its last.
pub fn months(now: GatewayTime, offset_s: i32, number: u32) -> Vec<(GatewayTime, GatewayTime)> {
    let offset = i64::from(offset_s);
    let Some(date) = DateTime::from_timestamp(now.later(offset).unix_s(), 0) else {
        return Vec::new();
    };
    let Some(first) = date.date_naive().with_day(1) else { return Vec::new() };
    let start = |back: i64| -> Option<GatewayTime> {
        let months = Months::new(u32::try_from(back.unsigned_abs()).ok()?);
        let day = if back >= 0 { first.checked_sub_months(months) } else { first.checked_add_months(months) };
        Some(GatewayTime(day?.and_time(NaiveTime::MIN).and_utc().timestamp() - offset))
    };
    (0..i64::from(number)).rev().filter_map(|back| Some((start(back)?, start(back - 1)?))).collect()
}

/// An instant with its offset, or a date that begins at midnight of the site's offset.
pub fn instant(text: &str, site_offset_s: i32) -> Result<GatewayTime, &'static str> {
    match date(text) {
        Ok(date) => {
            return in_range(date.and_time(NaiveTime::MIN).and_utc().timestamp() - i64::from(site_offset_s));
        }
        Err("is not a date") => {}
        Err(why) => return Err(why),
    }
    if let Ok(instant) = DateTime::parse_from_rfc3339(text) {
        return in_range(instant.timestamp());
    }
    // `T` or a space, with or without seconds: only the offset is missing.
    let local = text.replacen(' ', "T", 1);
    let forms = ["%Y-%m-%dT%H:%M:%S%.f", "%Y-%m-%dT%H:%M"];
    if forms.iter().any(|form| NaiveDateTime::parse_from_str(&local, form).is_ok()) {
        return Err("has no offset from UTC");
    }
    Err("is neither a date nor an instant")
}

/// A time as a person types it: an instant, or one of the site's days.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TypedTime {
    Instant(GatewayTime),
    /// A day without a time: its first second, and the one after its last.
    Day(GatewayTime, GatewayTime),
}

impl TypedTime {
    /// As the beginning of a span.
    pub fn begin(self) -> GatewayTime {
        let (Self::Instant(begin) | Self::Day(begin, _)) = self;
        begin
    }

    /// As the end of a span, which is not in it: a day is in the span, and an instant is not.
    pub fn end(self) -> GatewayTime {
        let (Self::Instant(end) | Self::Day(_, end)) = self;
        end
    }
}

/// Reads what a person types where a command takes a time: a date, a date and time, RFC 3339, a time before now (`2d`),
/// `today` or `yesterday`. A time without an offset has the site's.
pub fn typed(text: &str, utc_offset_s: i32, now: GatewayTime) -> Result<TypedTime, &'static str> {
    let text = text.trim();
    let midnight = |at: GatewayTime| {
        let days = Days::ahead_of_utc(utc_offset_s);
        GatewayTime(days.begin_s(days.of(at.unix_s())))
    };
    let day = |begin: GatewayTime| Ok(TypedTime::Day(plausible(begin)?, begin.later(DAY_S)));
    match text {
        "today" => return day(midnight(now)),
        "yesterday" => return day(midnight(now).later(-DAY_S)),
        _ => {}
    }
    match date(text) {
        Ok(date) => {
            let first = date.and_time(NaiveTime::MIN).and_utc().timestamp();
            return day(GatewayTime(first - i64::from(utc_offset_s)));
        }
        Err("is not a date") => {}
        Err(why) => return Err(why),
    }
    let at = ago(text)
        .map(|seconds| now.later(-seconds))
        .or_else(|| by_clock(text, utc_offset_s))
        .or_else(|| by_clock(&text.replacen('T', " ", 1), utc_offset_s))
        .or_else(|| as_printed(text))
        .ok_or(
            "is not a time; write it as 2026-05-04, '2026-05-04 08:15', 2026-05-04T15:15:00Z, 2d (two days ago), today or \
             yesterday",
        )?;
    Ok(TypedTime::Instant(plausible(at)?))
}

/// A time as reports and messages print it with its offset: `2026-05-04 08:15:00 -07:00`, also without seconds.
fn as_printed(text: &str) -> Option<GatewayTime> {
    let forms = ["%Y-%m-%d %H:%M:%S %:z", "%Y-%m-%d %H:%M %:z"];
    let time = forms.iter().find_map(|form| DateTime::parse_from_str(text, form).ok())?;
    Some(GatewayTime(time.timestamp()))
}

/// `90min`, `6h`, `2d`, `3w` in seconds.
fn ago(text: &str) -> Option<i64> {
    let (number, unit) = text.split_at(text.find(|c: char| !c.is_ascii_digit())?);
    let unit_s = match unit {
        "min" => 60,
        "h" => 3600,
        "d" => DAY_S,
        "w" => 7 * DAY_S,
        _ => return None,
    };
    Some(i64::from(number.parse::<u32>().ok()?) * unit_s)
}

/// An instant with its offset (RFC 3339), or a day and time as on a clock with this offset (`2026-05-04 08:15`, with or
/// without seconds). `None`: it is in another form.
pub fn by_clock(text: &str, utc_offset_s: i32) -> Option<GatewayTime> {
    if let Ok(time) = DateTime::parse_from_rfc3339(text) {
        return Some(GatewayTime(time.timestamp()));
    }
    let forms = ["%Y-%m-%d %H:%M:%S", "%Y-%m-%d %H:%M"];
    let local = forms.iter().find_map(|form| NaiveDateTime::parse_from_str(text, form).ok())?;
    Some(GatewayTime(local.and_utc().timestamp() - i64::from(utc_offset_s)))
}

/// An RFC 3339 instant in whole seconds that a logger recorded. Files have millions of them, so the usual form is read
/// without the general parser. `None`: it is in another form.
pub fn in_whole_seconds(text: &[u8]) -> Option<LoggerTime> {
    quick(text).or_else(|| {
        let time = DateTime::parse_from_rfc3339(std::str::from_utf8(text).ok()?).ok()?;
        (time.timestamp_subsec_nanos() == 0).then(|| LoggerTime(time.timestamp()))
    })
}

/// `2026-05-04T00:00:00Z`, without the general parser, which takes ten times as long; anything else: `None`.
fn quick(cell: &[u8]) -> Option<LoggerTime> {
    let cell: &[u8; 20] = cell.try_into().ok()?;
    let marks = [(4, b'-'), (7, b'-'), (10, b'T'), (13, b':'), (16, b':'), (19, b'Z')];
    if marks.iter().any(|&(at, mark)| cell[at] != mark) {
        return None;
    }
    let digits = |from: usize, to: usize| {
        cell[from..to]
            .iter()
            .try_fold(0_u32, |sum, byte| byte.is_ascii_digit().then(|| sum * 10 + u32::from(byte - b'0')))
    };
    let (year, month, day) = (digits(0, 4)?, digits(5, 7)?, digits(8, 10)?);
    let (hour, minute, second) = (digits(11, 13)?, digits(14, 16)?, digits(17, 19)?);
    let date = NaiveDate::from_ymd_opt(i32::try_from(year).ok()?, month, day)?;
    Some(LoggerTime(date.and_hms_opt(hour, minute, second)?.and_utc().timestamp()))
}

/// Refuses a time that a person cannot mean.
pub fn plausible(instant: GatewayTime) -> Result<GatewayTime, &'static str> {
    match crate::time::PLAUSIBLE_S.contains(&instant.unix_s()) {
        true => Ok(instant),
        false => Err("is not a plausible time; write the year with four digits, 1900 or later"),
    }
}

fn in_range(unix_s: i64) -> Result<GatewayTime, &'static str> {
    match unix_s {
        0..=INSTANT_MAX => Ok(GatewayTime(unix_s)),
        _ => Err("is out of range, allowed 1970 to 2106"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn offsets_have_a_sign_and_two_digits_twice() {
        for (text, seconds) in [("+00:00", 0), ("-07:00", -25200), ("+05:45", 20700), ("-14:00", -50400)] {
            assert_eq!(offset_s(text), Ok(seconds), "{text}");
        }
        for text in ["", "Z", "07:00", "-7:00", "-0700", "+1:000", "-07:00 ", "+\u{661}1:00", "−07:00"] {
            assert_eq!(offset_s(text), Err("is not an offset"), "{text}");
        }
        for text in ["+14:01", "-15:00", "+00:60"] {
            assert_eq!(offset_s(text), Err("is out of range, allowed -14:00 to +14:00"), "{text}");
        }
    }

    #[test]
    fn a_date_begins_at_the_sites_midnight_and_an_instant_has_its_own_offset() {
        assert_eq!(instant("1970-01-02", 0), Ok(GatewayTime(86400)));
        assert_eq!(instant("1970-01-02", -25200), Ok(GatewayTime(86400 + 25200)));
        for text in ["1970-01-02T07:00:00+07:00", "1970-01-02T00:00:00Z", "1970-01-02T00:00:00.9Z"] {
            assert_eq!(instant(text, -25200), Ok(GatewayTime(86400)), "{text}");
        }
        assert_eq!(instant("2106-02-07T06:28:15Z", 0), Ok(GatewayTime(INSTANT_MAX)));
        assert!(instant("2106-02-07T06:28:16Z", 0).is_err());
        assert!(instant("1970-01-01", 3600).is_err());
        assert!(date("2024-02-29").is_ok() && date("2026-02-29").is_err() && date("+026-02-28").is_err());
    }

    #[test]
    fn what_people_type_is_a_time_of_the_site() {
        // 2026-05-04 01:30 at the site, where the day has begun 90 minutes ago.
        let (offset, now) = (-25_200, instant("2026-05-04T08:30:00Z", 0).unwrap());
        let at = |text: &str| TypedTime::Instant(instant(text, 0).unwrap());
        let day = |text: &str| {
            let begin = instant(text, offset).unwrap();
            TypedTime::Day(begin, begin.later(86_400))
        };
        for (text, expected) in [
            ("2026-11-14", day("2026-11-14")),
            (" 2026-11-14 ", day("2026-11-14")),
            ("today", day("2026-05-04")),
            ("yesterday", day("2026-05-03")),
            ("2026-11-14 08:15", at("2026-11-14T15:15:00Z")),
            ("2026-11-14T08:15", at("2026-11-14T15:15:00Z")),
            ("2026-11-14 08:15:30", at("2026-11-14T15:15:30Z")),
            ("2026-11-14T15:15:00Z", at("2026-11-14T15:15:00Z")),
            ("2026-11-14T17:15:00+02:00", at("2026-11-14T15:15:00Z")),
            ("2026-11-14 08:15:00 -07:00", at("2026-11-14T15:15:00Z")),
            ("2026-11-14 17:15 +02:00", at("2026-11-14T15:15:00Z")),
            ("2d", at("2026-05-02T08:30:00Z")),
            ("6h", at("2026-05-04T02:30:00Z")),
            ("90min", at("2026-05-04T07:00:00Z")),
            ("3w", at("2026-04-13T08:30:00Z")),
            ("0d", at("2026-05-04T08:30:00Z")),
        ] {
            assert_eq!(typed(text, offset, now), Ok(expected), "{text}");
        }
        assert_eq!(day("2026-05-04").begin().later(86_400), day("2026-05-04").end());
        assert_eq!(at("2026-05-04T08:30:00Z").begin(), at("2026-05-04T08:30:00Z").end());
        for text in [
            "",
            "d",
            "2",
            "2m",
            "2 d",
            "-2d",
            "+2d",
            "2.5d",
            "99999999999d",
            "2d ago",
            "Yesterday",
            "tomorrow",
            "now",
            "last tuesday",
            "08:15",
            "2026-11",
            "2026-11-14 8",
            "2026-11-14 25:00",
            "14.11.2026",
            "2026/11/14",
            "2026-11-14 08:15 -07:00x",
            "\u{662}d",
        ] {
            let why = typed(text, offset, now).unwrap_err();
            assert!(why.starts_with("is not a time; write it as 2026-05-04, "), "{text}: {why}");
        }
        assert_eq!(typed("2026-02-29", offset, now), Err("is not a day in the calendar"));
        for text in ["0001-01-01T00:00:00Z", "0026-05-04 08:15", "4294967295w"] {
            assert!(typed(text, offset, now).unwrap_err().starts_with("is not a plausible time"), "{text}");
        }
    }

    proptest::proptest! {
        #[test]
        fn a_time_that_is_printed_reads_back(unix in 86_400_i64..4_294_000_000, quarter in -56_i32..=56) {
            let (at, offset, now) = (GatewayTime(unix), quarter * 900, GatewayTime(0));
            let instant = Ok(TypedTime::Instant(at));
            proptest::prop_assert_eq!(typed(&crate::text::rfc3339(at), offset, now), instant);
            proptest::prop_assert_eq!(typed(&crate::text::to_the_second(at, offset), offset, now), instant);
            let minute = GatewayTime(unix - unix % 60);
            let read = typed(&crate::text::local(minute, offset), offset, now);
            proptest::prop_assert_eq!(read, Ok(TypedTime::Instant(minute)));
            let Ok(day) = typed(&crate::text::local(at, offset)[..10], offset, now) else {
                return Err(proptest::test_runner::TestCaseError::fail("no day"));
            };
            proptest::prop_assert!(day.begin() <= at && at < day.end());
            proptest::prop_assert_eq!(typed("today", offset, at), Ok(day));
        }

        #[test]
        fn no_text_is_a_panic(text in ".{0,24}", quarter in -56_i32..=56) {
            let _ = typed(&text, quarter * 900, GatewayTime(1_800_000_000));
        }

        #[test]
        fn the_quick_reader_of_times_equals_the_general_one(unix in 0_i64..4_294_967_295) {
            let text = crate::text::rfc3339(unix);
            proptest::prop_assert_eq!(quick(text.as_bytes()), Some(LoggerTime(unix)));
            proptest::prop_assert_eq!(in_whole_seconds(text.as_bytes()), Some(LoggerTime(unix)));
            proptest::prop_assert_eq!(by_clock(&text, 0), Some(GatewayTime(unix)));
        }
    }
}
