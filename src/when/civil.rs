//! Days and times of day without an offset, as files in other styles write them, and civil time zones.
//!
//! Input: numbers, names of zones. Output: values that become instants by an offset or a zone. What this is not: it
//! reads no text of a file and guesses no zone.
//!
//! Time zones: the IANA database, as included in the `chrono-tz` crate.

use chrono::{
    DateTime, Datelike, FixedOffset, NaiveDate, NaiveDateTime, NaiveTime, Offset, TimeDelta, TimeZone,
    Timelike,
};

/// A day of the calendar.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct CivilDate(NaiveDate);

impl CivilDate {
    /// `None`: the calendar has no such day.
    pub fn of(year: i64, month: u32, day: u32) -> Option<Self> {
        NaiveDate::from_ymd_opt(i32::try_from(year).ok()?, month, day).map(Self)
    }

    /// Its weekday; Monday is 0.
    pub fn weekday(self) -> usize {
        self.0.weekday().num_days_from_monday() as usize
    }

    /// This day at this time of day. `None`: no day has such a time.
    pub fn at(self, hour: u32, minute: u32, second: u32) -> Option<CivilTime> {
        self.0.and_hms_opt(hour, minute, second).map(CivilTime)
    }
}

/// A day and a time of day.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct CivilTime(NaiveDateTime);

impl CivilTime {
    /// What a clock with this offset shows at an instant. `None`: outside the calendar.
    pub fn of_unix(unix_s: i64, utc_offset_s: i32) -> Option<Self> {
        let offset = FixedOffset::east_opt(utc_offset_s)?;
        DateTime::from_timestamp(unix_s, 0).map(|time| Self(time.with_timezone(&offset).naive_local()))
    }

    /// Unix seconds, if it is taken as UTC.
    pub fn as_utc_s(self) -> i64 {
        self.0.and_utc().timestamp()
    }

    /// The instant at which a clock with this offset shows it.
    pub fn unix_s(self, utc_offset_s: i32) -> Option<i64> {
        let offset = FixedOffset::east_opt(utc_offset_s)?;
        self.0.and_local_timezone(offset).single().map(|time| time.timestamp())
    }

    /// This day, with the time of day of another.
    #[must_use]
    pub fn with_clock_of(self, other: Self) -> Self {
        Self(self.0.date().and_time(other.0.time()))
    }

    /// Formatted with `strftime` codes.
    pub fn written(self, form: &str) -> String {
        self.0.format(form).to_string()
    }

    /// Seconds since midnight.
    pub fn second_of_day(self) -> u32 {
        self.0.num_seconds_from_midnight()
    }

    /// The day of its month, from 0.
    pub fn day0(self) -> u32 {
        self.0.day0()
    }

    /// Months since the year 0.
    pub fn month(self) -> i32 {
        self.0.year() * 12 + self.0.month0() as i32
    }

    /// Midnight of the first day of a month, counted as [`CivilTime::month`] does.
    pub fn of_month(month: i32) -> Option<Self> {
        let month0 = u32::try_from(month.rem_euclid(12)).ok()?;
        Some(Self(NaiveDate::from_ymd_opt(month.div_euclid(12), month0 + 1, 1)?.and_time(NaiveTime::MIN)))
    }

    pub fn later(self, seconds: i64) -> Option<Self> {
        self.0.checked_add_signed(TimeDelta::try_seconds(seconds)?).map(Self)
    }

    /// Seconds since another.
    pub fn since(self, earlier: Self) -> i64 {
        (self.0 - earlier.0).num_seconds()
    }
}

/// What a clock with this offset shows at an instant, formatted with `strftime` codes, which may include the offset.
/// `None`: outside the calendar.
pub fn shown(unix_s: i64, utc_offset_s: i32, form: &str) -> Option<String> {
    let offset = FixedOffset::east_opt(utc_offset_s)?;
    DateTime::from_timestamp(unix_s, 0).map(|time| time.with_timezone(&offset).format(form).to_string())
}

impl std::fmt::Display for CivilTime {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0.fmt(f)
    }
}

/// The instants that a local time can mean, in seconds since 1970.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Instants {
    One(i64),
    /// The clock was set back and showed it twice: the earlier instant first.
    Twice(i64, i64),
    /// The clock was set forward and never showed it: the instants by the offset before and by the one after.
    Skipped(i64, i64),
}

/// A civil time zone, with daylight saving where it has it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CivilZone(chrono_tz::Tz);

impl CivilZone {
    /// The zone with a name in the IANA database, such as `America/Denver`.
    pub fn named(name: &str) -> Option<Self> {
        name.parse().ok().map(Self)
    }

    /// Its name in the IANA database.
    pub fn name(self) -> &'static str {
        self.0.name()
    }

    /// The offset from UTC at an instant, in seconds east. `None`: outside the calendar.
    pub fn offset_s_at(self, unix_s: i64) -> Option<i32> {
        let utc = DateTime::from_timestamp(unix_s, 0)?.naive_utc();
        Some(self.0.offset_from_utc_datetime(&utc).fix().local_minus_utc())
    }

    /// The instants of a local time, by the rules of the zone.
    pub fn instants(self, local: CivilTime) -> Instants {
        let (seconds, local) = (local.as_utc_s(), local.0);
        let of = |offset: FixedOffset| seconds - i64::from(offset.local_minus_utc());
        match self.0.offset_from_local_datetime(&local) {
            chrono::LocalResult::Single(offset) => Instants::One(of(offset.fix())),
            chrono::LocalResult::Ambiguous(first, second) => {
                let (first, second) = (of(first.fix()), of(second.fix()));
                Instants::Twice(first.min(second), first.max(second))
            }
            chrono::LocalResult::None => {
                // A day on either side is certainly beyond the change, and no zone changes twice within two days.
                let near = |shift: TimeDelta| {
                    let near = local.checked_add_signed(shift).unwrap_or(local);
                    of(self.0.offset_from_utc_datetime(&near).fix())
                };
                Instants::Skipped(near(TimeDelta::days(-1)), near(TimeDelta::days(1)))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_local_time_is_one_instant_or_two_or_was_skipped() {
        let zone = CivilZone::named("Europe/Oslo").unwrap();
        let at =
            |month, day, hour, minute| CivilDate::of(2026, month, day).unwrap().at(hour, minute, 0).unwrap();
        let plain = at(6, 1, 12, 0);
        assert_eq!(zone.instants(plain), Instants::One(plain.as_utc_s() - 7200));
        let twice = at(10, 25, 2, 30);
        let (first, second) = (twice.as_utc_s() - 7200, twice.as_utc_s() - 3600);
        assert_eq!(zone.instants(twice), Instants::Twice(first, second));
        let skipped = at(3, 29, 2, 30);
        let (before, after) = (skipped.as_utc_s() - 3600, skipped.as_utc_s() - 7200);
        assert_eq!(zone.instants(skipped), Instants::Skipped(before, after));
        assert_eq!(zone.offset_s_at(plain.as_utc_s()), Some(7200));
        assert!(CivilZone::named("Harrow Tarn").is_none());
        assert!(
            CivilDate::of(2026, 2, 30).is_none() && CivilDate::of(2026, 2, 1).unwrap().at(24, 0, 0).is_none()
        );
    }

    #[test]
    fn months_are_counted_on_through_the_years() {
        let time = CivilTime::of_unix(1_767_262_500, -7 * 3600).unwrap();
        assert_eq!(time.to_string(), "2026-01-01 03:15:00");
        assert_eq!(CivilTime::of_month(time.month() - 1).unwrap().to_string(), "2025-12-01 00:00:00");
        assert_eq!(time.unix_s(-7 * 3600), Some(1_767_262_500));
        assert_eq!((time.second_of_day(), time.day0()), (3 * 3600 + 15 * 60, 0));
    }
}
