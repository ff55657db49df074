//! Reads days and times of day in a format of the layout.
//!
//! Input: cells and their formats. Output: the parts of a time, and the local time that they give together. A fraction of
//! a second is rounded to the nearest second, halves up, unless the layout says that the file cuts off.

use super::names;
use super::row::{NoRow, not_a_row};
use crate::config::layout::{Format, Piece, TimeRule};
use crate::hand::local::instants;
use crate::when::civil::{CivilDate, CivilTime, Instants};

/// The last day looked up, because rows of one day follow each other.
#[derive(Default)]
pub(super) struct DayCache(Option<(i64, u32, u32, CivilDate)>);

impl DayCache {
    fn get(&mut self, year: i64, month: u32, day: u32) -> Option<CivilDate> {
        match self.0 {
            Some((y, m, d, date)) if (y, m, d) == (year, month, day) => Some(date),
            _ => {
                let date = CivilDate::of(year, month, day)?;
                self.0 = Some((year, month, day, date));
                Some(date)
            }
        }
    }
}

/// Parts of a time.
#[derive(Clone, Default)]
pub(crate) struct Moment {
    year: i64,
    month: u32,
    day: u32,
    day_of_year: Option<u32>,
    /// Monday is 0.
    weekday: Option<usize>,
    hour: u32,
    half: Option<bool>,
    minute: u32,
    second: u32,
    /// Whether a fraction of a second is at least a half.
    is_past_half: bool,
    offset_s: Option<i32>,
    zone: Option<String>,
    unix: Option<i64>,
    /// Days since 30 December 1899, in 10^-12 days.
    serial: Option<i128>,
}

/// Where a cell does not have its format.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Mismatch {
    /// The first byte that does not fit.
    pub(crate) at: usize,
    /// What it should begin; `None`: the cell should have ended.
    pub(crate) wanted: Option<Piece>,
}

/// Days from 30 December 1899 to 1970.
const SERIAL_OF_1970: i64 = 25_569;
/// The decimals of a day number that are read; further ones are less than a microsecond.
const SERIAL_PLACES: u32 = 12;
const DAY_S: i64 = 86_400;

/// Day of the month and month of a day of the year.
fn of_year(year: i64, day: u32) -> Option<(u32, u32)> {
    let is_leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    let mut left = day;
    for month in 1..=12 {
        let len = match month {
            2 => 28 + u32::from(is_leap),
            4 | 6 | 9 | 11 => 30,
            _ => 31,
        };
        if (1..=len).contains(&left) {
            return Some((month, left));
        }
        left = left.checked_sub(len)?;
    }
    None
}

impl Moment {
    /// The local day and time of day, if each part that was read is valid; parts that were not read are the first of
    /// January 2000, midnight.
    pub(crate) fn local(&self) -> Option<CivilTime> {
        self.local_rounded(false)
    }

    /// Its offset from UTC, if it has one.
    pub(crate) fn offset_s(&self) -> Option<i32> {
        self.offset_s
    }

    /// The abbreviation of its zone.
    pub(crate) fn zone(&self) -> Option<&str> {
        self.zone.as_deref()
    }

    /// The same; a fraction of a second is rounded to the nearest second, or cut off.
    fn local_rounded(&self, cut: bool) -> Option<CivilTime> {
        if let Some(unix) = self.unix {
            return CivilTime::of_unix(unix + i64::from(self.is_past_half && !cut), 0);
        }
        if let Some(serial) = self.serial {
            return CivilTime::of_unix(serial_s(serial, cut)?, 0);
        }
        let has_day = (self.year, self.month, self.day, self.day_of_year) != (0, 0, 0, None);
        let date = if has_day {
            let (month, day) = self.month_and_day()?;
            CivilDate::of(self.year, month, day)?
        } else {
            CivilDate::of(2000, 1, 1)?
        };
        if has_day && self.weekday.is_some_and(|weekday| weekday != date.weekday()) {
            return None;
        }
        self.at(date, cut).ok()
    }

    fn month_and_day(&self) -> Option<(u32, u32)> {
        match self.day_of_year {
            Some(day) => of_year(self.year, day),
            None => Some((self.month, self.day)),
        }
    }

    /// The time of day on a date; a fraction of a second is rounded to the nearest second, or cut off.
    fn at(&self, date: CivilDate, cut: bool) -> Result<CivilTime, NoRow> {
        let bad = || not_a_row("its time is not a time of day");
        let hour = self.hour()?;
        // 24:00 is the end of the day.
        let is_end = (hour, self.minute, self.second, self.half) == (24, 0, 0, None);
        let time = date.at(if is_end { 0 } else { hour }, self.minute, self.second).ok_or_else(bad)?;
        let more = i64::from(self.is_past_half && !cut) + if is_end { DAY_S } else { 0 };
        if more == 0 { Ok(time) } else { time.later(more).ok_or_else(bad) }
    }

    /// The possible instants, by the layout's rule.
    pub(super) fn instants(&self, rule: &TimeRule, days: &mut DayCache) -> Result<Instants, NoRow> {
        let bad = |what: &str| not_a_row(format!("its time is {what}"));
        let (seconds, found) = if let Some(unix) = self.unix {
            let unix = unix + i64::from(self.is_past_half && !rule.cut);
            (unix, Instants::One(unix))
        } else {
            let local = if self.serial.is_some() {
                self.local_rounded(rule.cut).ok_or_else(|| bad("not a day number of this century"))?
            } else {
                let date = self.month_and_day().and_then(|(month, day)| days.get(self.year, month, day));
                let date = date.ok_or_else(|| bad(self.no_day()))?;
                if self.weekday.is_some_and(|weekday| weekday != date.weekday()) {
                    return Err(bad("on a day with another weekday than the one that it names"));
                }
                self.at(date, rule.cut)?
            };
            let seconds = local.as_utc_s();
            let offset_s = match (&self.zone, self.offset_s) {
                (Some(zone), _) => Some(named_offset(zone, rule).ok_or_else(|| {
                    bad(&format!(
                        "in the zone {zone:?}, and `abbreviations` in the layout's [time] does not give its offset"
                    ))
                })?),
                (None, offset_s) => offset_s,
            };
            match offset_s {
                Some(offset_s) => (seconds, Instants::One(seconds - i64::from(offset_s))),
                None => (seconds, instants(rule.zone, local)),
            }
        };
        // Day numbers have no seconds that could be finer than stated.
        if rule.step_s > 1 && self.serial.is_none() && seconds % i64::from(rule.step_s) != 0 {
            return Err(NoRow(
                "finer than stated",
                format!(
                    "its time is not a multiple of {} s, the resolution that the layout gives",
                    rule.step_s
                ),
            ));
        }
        // For a time that was truncated, use the middle of its step: then half a step in either direction contains the
        // true time.
        let middle = if rule.cut { i64::from(rule.step_s / 2) } else { 0 };
        Ok(match found {
            Instants::One(at) => Instants::One(at + middle),
            Instants::Twice(a, b) => Instants::Twice(a + middle, b + middle),
            Instants::Skipped(a, b) => Instants::Skipped(a + middle, b + middle),
        })
    }

    /// Why its day is none.
    fn no_day(&self) -> &'static str {
        let swapped = self.day_of_year.is_none() && CivilDate::of(self.year, self.day, self.month).is_some();
        if swapped {
            "not a day of the calendar; are day and month swapped? Swap %d and %m in the layout's format"
        } else {
            "not a day of the calendar"
        }
    }

    fn hour(&self) -> Result<u32, NoRow> {
        match self.half {
            None => Ok(self.hour),
            Some(_) if self.hour == 0 || self.hour > 12 => {
                Err(not_a_row("its time has an hour that is not 1 to 12"))
            }
            Some(is_afternoon) => Ok(self.hour % 12 + if is_afternoon { 12 } else { 0 }),
        }
    }

    /// Reads the parts of a cell, if it has this format.
    pub(crate) fn read(&mut self, format: &Format, cell: &[u8]) -> Result<(), Mismatch> {
        let mut rest = cell;
        let mut pieces = format.pieces.iter().enumerate();
        while let Some((nth, &piece)) = pieces.next() {
            let at = cell.len() - rest.len();
            // A whole second may be written without its fraction.
            if let Piece::Literal(byte @ (b'.' | b',')) = piece
                && format.pieces.get(nth + 1) == Some(&Piece::Fraction)
                && rest.first() != Some(&byte)
            {
                pieces.next();
                continue;
            }
            self.piece(piece, &mut rest).ok_or(Mismatch { at, wanted: Some(piece) })?;
        }
        if rest.is_empty() { Ok(()) } else { Err(Mismatch { at: cell.len() - rest.len(), wanted: None }) }
    }

    fn piece(&mut self, piece: Piece, rest: &mut &[u8]) -> Option<()> {
        match piece {
            Piece::Literal(byte) => *rest = rest.strip_prefix(std::slice::from_ref(&byte))?,
            Piece::Year => self.year = digits(rest, 4, 4)?.into(),
            Piece::ShortYear => self.year = 2000 + i64::from(digits(rest, 2, 2)?),
            Piece::Month => self.month = padded(rest, 2)?,
            Piece::Day => self.day = padded(rest, 2)?,
            Piece::DayOfYear => self.day_of_year = Some(padded(rest, 3)?),
            Piece::Hour | Piece::HalfHour => self.hour = padded(rest, 2)?,
            Piece::Minute => self.minute = digits(rest, 2, 2)?,
            Piece::Second => self.second = digits(rest, 2, 2)?,
            Piece::MonthName => {
                let (month, len) = names::month(rest)?;
                self.month = month as u32 + 1;
                *rest = &rest[len..];
            }
            Piece::Weekday => {
                let (weekday, len) = names::weekday(rest)?;
                self.weekday = Some(weekday);
                *rest = &rest[len..];
            }
            Piece::Half => {
                let (half, len) = names::half(rest)?;
                self.half = Some(half);
                *rest = &rest[len..];
            }
            Piece::Fraction => {
                let len = rest.iter().take_while(|byte| byte.is_ascii_digit()).count();
                self.is_past_half = *rest.first().filter(|_| len > 0)? >= b'5';
                *rest = &rest[len..];
            }
            Piece::Offset => self.offset_s = Some(offset(rest)?),
            Piece::ZoneName => {
                let zone = names::zone(rest)?;
                self.zone = Some(zone.to_owned());
                *rest = &rest[zone.len()..];
            }
            Piece::Unix => self.unix = Some(number(rest)?),
            Piece::UnixMillis => {
                let millis: i64 = number(rest)?;
                (self.unix, self.is_past_half) = (Some(millis / 1000), millis % 1000 >= 500);
            }
            Piece::Serial => self.serial = Some(serial(rest)?),
        }
        Some(())
    }
}

/// The offset of an abbreviation: as the layout gives it; UTC and GMT are known.
fn named_offset(zone: &str, rule: &TimeRule) -> Option<i32> {
    let listed = rule.abbreviations.iter().find(|(name, _)| name == zone).map(|&(_, offset_s)| offset_s);
    listed.or_else(|| matches!(zone, "UTC" | "GMT").then_some(0))
}

/// `Z`, `+hh:mm`, `+hhmm`, `+hh`, `UTC`, `GMT`, `UTC+h`.
fn offset(rest: &mut &[u8]) -> Option<i32> {
    if let Some(left) = rest.strip_prefix(b"Z") {
        *rest = left;
        return Some(0);
    }
    let named = rest.strip_prefix(b"UTC").or_else(|| rest.strip_prefix(b"GMT"));
    let (least, from) = (if named.is_some() { 1 } else { 2 }, named.unwrap_or(rest));
    let sign = match from.first() {
        Some(b'+') => 1,
        Some(b'-') => -1,
        _ => {
            *rest = named?;
            return Some(0);
        }
    };
    *rest = &from[1..];
    let hours = digits(rest, least, 2)?;
    let minutes = match rest.strip_prefix(b":") {
        Some(left) => {
            *rest = left;
            digits(rest, 2, 2)?
        }
        None if rest.first().is_some_and(u8::is_ascii_digit) => digits(rest, 2, 2)?,
        None => 0,
    };
    (hours <= 14 && minutes <= 59).then_some(sign * (hours * 3600 + minutes * 60) as i32)
}

/// A day number with decimals, in 10^-12 days.
fn serial(rest: &mut &[u8]) -> Option<i128> {
    let mut value = i128::from(digits(rest, 1, 6)?);
    let decimals = rest.strip_prefix(b".").or_else(|| rest.strip_prefix(b","));
    let mut left = SERIAL_PLACES;
    if let Some(decimals) = decimals {
        let len = decimals.iter().take_while(|byte| byte.is_ascii_digit()).count();
        for digit in decimals[..len].iter().take(SERIAL_PLACES as usize) {
            value = value * 10 + i128::from(digit - b'0');
            left -= 1;
        }
        *rest = &decimals[len..];
    }
    Some(value * 10_i128.pow(left))
}

/// The local time of a day number, in seconds since 1970; to the nearest second, or cut off.
fn serial_s(serial: i128, cut: bool) -> Option<i64> {
    let unit = 10_i128.pow(SERIAL_PLACES);
    let half = if cut { 0 } else { unit / 2 };
    let seconds = i64::try_from((serial * i128::from(DAY_S) + half) / unit).ok()?;
    Some(seconds - SERIAL_OF_1970 * DAY_S)
}

/// All digits there are.
fn number(rest: &mut &[u8]) -> Option<i64> {
    let len = rest.iter().take_while(|byte| byte.is_ascii_digit()).count();
    let number = std::str::from_utf8(&rest[..len]).ok()?.parse().ok()?;
    *rest = &rest[len..];
    Some(number)
}

/// As many digits as there are, at most `most`, perhaps after spaces that fill up a shorter number.
fn padded(rest: &mut &[u8], most: usize) -> Option<u32> {
    while let Some(left) = rest.strip_prefix(b" ") {
        *rest = left;
    }
    digits(rest, 1, most)
}

/// As many digits as there are, at least `least`, at most `most`.
fn digits(rest: &mut &[u8], least: usize, most: usize) -> Option<u32> {
    let (mut value, mut len) = (0_u32, 0);
    while let Some(digit) = rest.get(len).filter(|byte| len < most && byte.is_ascii_digit()) {
        value = value * 10 + u32::from(digit - b'0');
        len += 1;
    }
    *rest = &rest[len..];
    (len >= least).then_some(value)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::config::layout::Zone;

    fn read(format: &str, cell: &str) -> Result<i64, String> {
        read_by(format, cell, false)
    }

    fn read_by(format: &str, cell: &str, cut: bool) -> Result<i64, String> {
        let abbreviations = vec![("MST".to_owned(), -7 * 3600)];
        let rule = TimeRule { zone: Zone::Offset(0), step_s: 1, cut, abbreviations };
        let mut moment = Moment::default();
        let format = Format::parse(format).unwrap();
        moment.read(&format, cell.as_bytes()).map_err(|mismatch| format!("{mismatch:?}"))?;
        match moment.instants(&rule, &mut DayCache::default()) {
            Ok(Instants::One(at)) => Ok(at),
            other => Err(format!("{other:?}")),
        }
    }

    #[test]
    fn one_instant_in_every_form() {
        // 2026-05-28 20:26:40 UTC, a Thursday; GNU date: `date -u -d @1780000000`.
        const AT: i64 = 1_780_000_000;
        for (format, cell) in [
            ("%Y-%m-%d %H:%M:%S", "2026-05-28 20:26:40"),
            ("%Y-%m-%d %H:%M:%S.%f", "2026-05-28 20:26:40"),
            ("%Y-%m-%d %H:%M:%S.%f", "2026-05-28 20:26:39.5"),
            ("%Y-%m-%d %H:%M:%S,%f", "2026-05-28 20:26:40,499999"),
            ("%Y%m%d%H%M%S", "20260528202640"),
            ("%Y-%j %H:%M:%S", "2026-148 20:26:40"),
            ("%Y/%j/%H:%M:%S", "2026/148/20:26:40"),
            ("%a, %d %b %Y %I:%M:%S %p", "Thu, 28 May 2026 08:26:40 p.m."),
            ("%a %d. %b %Y %H:%M:%S", "Do. 28. Mai 2026 20:26:40"),
            ("%a %d %b %Y %H:%M:%S", "jeudi 28 mai 2026 20:26:40"),
            ("%a %d-%b-%y %H:%M:%S", "jue. 28-may-26 20:26:40"),
            ("%d.%m.%Y %H.%M.%S", "28.5.2026 20.26.40"),
            ("%Y-%m-%d %H:%M:%S %Z", "2026-05-28 13:26:40 MST"),
            ("%Y-%m-%d %H:%M:%S %Z", "2026-05-28 20:26:40 GMT"),
            ("%Y-%m-%d %H:%M:%S%z", "2026-05-28 13:26:40-07"),
            ("%Y-%m-%d %H:%M:%S %z", "2026-05-28 22:26:40 UTC+2"),
            ("%Y-%m-%dT%H:%M:%S%z", "2026-05-28T20:26:40Z"),
            ("%s", "1780000000"),
            ("%s.%f", "1779999999.75"),
            ("%Q", "1779999999500"),
            ("serial", "46170.8518518518"),
            ("serial", "46170,85185"),
        ] {
            assert_eq!(read(format, cell), Ok(AT), "{format}: {cell}");
        }
        assert_eq!(read_by("%S.%f %H:%M %Y-%j", "39.9 20:26 2026-148", true), Ok(AT - 1), "cut off");
        assert_eq!(read("%Y-%m-%d %H:%M", "2026-05-28 24:00"), read("%Y-%m-%d %H:%M", "2026-05-29 00:00"));
        assert_eq!(read("serial", "46170.25"), read("%Y-%m-%d %H:%M", "2026-05-28 06:00"));
    }

    #[test]
    fn what_does_not_fit_is_no_time() {
        for (format, cell) in [
            ("%a %Y-%m-%d %H:%M", "Fri 2026-05-28 20:26"),
            ("%Y-%j %H:%M", "2026-366 20:26"),
            ("%Y-%m-%d %H:%M", "2026-05-28 24:01"),
            ("%Y-%m-%d %H:%M %Z", "2026-05-28 20:26 CST"),
            ("%Y-%m-%d %H:%M", "2026-05-28 20:26 "),
            ("%Y-%m-%d %I:%M %p", "2026-05-28 13:26 PM"),
        ] {
            assert!(read(format, cell).is_err(), "{format}: {cell}");
        }
        let swapped = read("%Y-%m-%d %H:%M", "2026-28-05 20:26").unwrap_err();
        assert!(swapped.contains("are day and month swapped?"), "{swapped}");
    }
}
