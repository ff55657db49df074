//! Reads days and times of day in a format of the layout.
//!
//! Input: cells and their formats. Output: the parts of a time, and the local time that they give together.

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
#[derive(Default)]
pub(crate) struct Moment {
    year: i64,
    month: u32,
    day: u32,
    hour: u32,
    half: Option<bool>,
    minute: u32,
    second: u32,
    offset_s: Option<i32>,
    unix: Option<i64>,
}

const MONTHS: [&[u8; 3]; 12] =
    [b"jan", b"feb", b"mar", b"apr", b"may", b"jun", b"jul", b"aug", b"sep", b"oct", b"nov", b"dec"];

impl Moment {
    /// The local day and time of day, if each part that was read is valid; parts that were not read are the first of
    /// January 2000, midnight.
    pub(crate) fn local(&self) -> Option<CivilTime> {
        if let Some(unix) = self.unix {
            return CivilTime::of_unix(unix, 0);
        }
        let has_day = (self.year, self.month, self.day) != (0, 0, 0);
        let (year, month, day) = if has_day { (self.year, self.month, self.day) } else { (2000, 1, 1) };
        let date = CivilDate::of(year, month, day)?;
        date.at(self.hour().ok()?, self.minute, self.second)
    }

    /// The possible instants, by the layout's rule.
    pub(super) fn instants(&self, rule: &TimeRule, days: &mut DayCache) -> Result<Instants, NoRow> {
        let bad = |what: &str| not_a_row(format!("its time is {what}"));
        let (seconds, found) = if let Some(unix) = self.unix {
            (unix, Instants::One(unix))
        } else {
            let date =
                days.get(self.year, self.month, self.day).ok_or_else(|| bad("not a day of the calendar"))?;
            let local = date.at(self.hour()?, self.minute, self.second);
            let local = local.ok_or_else(|| bad("not a time of day"))?;
            let seconds = local.as_utc_s();
            match self.offset_s {
                Some(offset_s) => (seconds, Instants::One(seconds - i64::from(offset_s))),
                None => (seconds, instants(rule.zone, local)),
            }
        };
        if rule.step_s > 1 && seconds % i64::from(rule.step_s) != 0 {
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

    fn hour(&self) -> Result<u32, NoRow> {
        match self.half {
            None => Ok(self.hour),
            Some(_) if self.hour == 0 || self.hour > 12 => {
                Err(not_a_row("its time has an hour that is not 1 to 12"))
            }
            Some(is_afternoon) => Ok(self.hour % 12 + if is_afternoon { 12 } else { 0 }),
        }
    }

    /// Reads the parts of a cell; `None` if it does not have this format.
    pub(crate) fn read(&mut self, format: &Format, cell: &[u8]) -> Option<()> {
        let mut rest = cell;
        for piece in &format.pieces {
            match piece {
                Piece::Literal(byte) => rest = rest.strip_prefix(std::slice::from_ref(byte))?,
                Piece::Year => self.year = digits(&mut rest, 4, 4)?.into(),
                Piece::ShortYear => self.year = 2000 + i64::from(digits(&mut rest, 2, 2)?),
                Piece::Month => self.month = digits(&mut rest, 1, 2)?,
                Piece::Day => self.day = digits(&mut rest, 1, 2)?,
                Piece::Hour | Piece::HalfHour => self.hour = digits(&mut rest, 1, 2)?,
                Piece::Minute => self.minute = digits(&mut rest, 2, 2)?,
                Piece::Second => self.second = digits(&mut rest, 2, 2)?,
                Piece::MonthName => {
                    let name = rest.get(..3)?.to_ascii_lowercase();
                    self.month = MONTHS.iter().position(|month| name == month.as_slice())? as u32 + 1;
                    rest = &rest[3..];
                }
                Piece::Half => {
                    self.half = Some(match rest.get(..2)?.to_ascii_lowercase().as_slice() {
                        b"am" => false,
                        b"pm" => true,
                        _ => return None,
                    });
                    rest = &rest[2..];
                }
                Piece::Fraction => {
                    let len = rest.iter().take_while(|byte| byte.is_ascii_digit()).count();
                    if len == 0 || rest[..len].iter().any(|&byte| byte != b'0') {
                        return None;
                    }
                    rest = &rest[len..];
                }
                Piece::Offset => {
                    if let Some(left) = rest.strip_prefix(b"Z") {
                        (self.offset_s, rest) = (Some(0), left);
                        continue;
                    }
                    let sign = match rest.first()? {
                        b'+' => 1,
                        b'-' => -1,
                        _ => return None,
                    };
                    rest = &rest[1..];
                    let hours = digits(&mut rest, 2, 2)?;
                    rest = rest.strip_prefix(b":").unwrap_or(rest);
                    let minutes = digits(&mut rest, 2, 2)?;
                    if hours > 14 || minutes > 59 {
                        return None;
                    }
                    self.offset_s = Some(sign * (hours * 3600 + minutes * 60) as i32);
                }
                Piece::Unix => {
                    let len = rest.iter().take_while(|byte| byte.is_ascii_digit()).count();
                    self.unix = Some(std::str::from_utf8(&rest[..len]).ok()?.parse().ok()?);
                    rest = &rest[len..];
                }
            }
        }
        rest.is_empty().then_some(())
    }
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
