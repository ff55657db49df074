//! Clocks, and the only place that reads one.
//!
//! Everything else is given a [`Stamp`]. A stamp says whether the gateway's clock was synchronised when it was
//! taken: a gateway that starts in 1970 still loses nothing, and what it received then is marked.

use std::path::PathBuf;
use std::time::{SystemTime, UNIX_EPOCH};

/// A time as the gateway's clock gave it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stamp {
    /// Seconds since 1970.
    pub unix_s: i64,
    /// Whether the clock was synchronised.
    pub synchronised: bool,
}

/// A gateway's clock.
pub trait Clock: Send {
    /// The time now.
    fn now(&self) -> Stamp;

    /// Seconds from some beginning, by a clock that nobody sets: where this and [`Clock::now`] move apart, the
    /// time was changed.
    fn steady_s(&self) -> i64;
}

/// The computer's clock. It counts as synchronised while the file exists that the time service keeps.
#[derive(Clone, Debug)]
pub struct SystemClock {
    /// See `[site] clock_synchronised_file`.
    pub synchronised_file: PathBuf,
}

impl Clock for SystemClock {
    fn now(&self) -> Stamp {
        Stamp { unix_s: unix_s(), synchronised: self.synchronised_file.exists() }
    }

    fn steady_s(&self) -> i64 {
        // Counts on while the computer sleeps.
        rustix::time::clock_gettime(rustix::time::ClockId::Boottime).tv_sec
    }
}

/// The clock of a simulated field: a small file with the Unix time in seconds as text, moved on by whoever
/// simulates. Where it cannot be read, the computer's clock stands in and counts as not synchronised.
///
/// After the time may stand `unsynchronised`, and the seconds of a steady clock: without the latter every step of
/// the time is the simulation's, and no change of the clock.
#[derive(Clone, Debug)]
pub struct FileClock {
    /// The file.
    pub file: PathBuf,
}

impl FileClock {
    /// The time, whether it is synchronised, and the steady clock's.
    fn read(&self) -> Option<(i64, bool, Option<i64>)> {
        let text = std::fs::read_to_string(&self.file).ok()?;
        let mut words = text.split_whitespace().peekable();
        let unix_s = words.next()?.parse().ok()?;
        let synchronised = words.next_if_eq(&"unsynchronised").is_none();
        Some((unix_s, synchronised, words.next().and_then(|steady| steady.parse().ok())))
    }
}

impl Clock for FileClock {
    fn now(&self) -> Stamp {
        match self.read() {
            Some((unix_s, synchronised, _)) => Stamp { unix_s, synchronised },
            None => Stamp { unix_s: unix_s(), synchronised: false },
        }
    }

    fn steady_s(&self) -> i64 {
        // A simulated time jumps by steps of its own.
        self.read().and_then(|(_, _, steady)| steady).unwrap_or_else(|| self.now().unix_s)
    }
}

/// The computer's time now, in Unix seconds.
pub fn unix_s() -> i64 {
    match SystemTime::now().duration_since(UNIX_EPOCH) {
        Ok(since) => i64::try_from(since.as_secs()).unwrap_or(i64::MAX),
        Err(before) => -i64::try_from(before.duration().as_secs()).unwrap_or(i64::MAX),
    }
}

/// RFC 3339 in UTC, as files and JSON write it. A time that no calendar reaches is written as a number.
pub fn rfc3339(unix_s: i64) -> String {
    match chrono::DateTime::from_timestamp(unix_s, 0) {
        Some(time) => time.format("%Y-%m-%dT%H:%M:%SZ").to_string(),
        None => unix_s.to_string(),
    }
}

/// For people: the site's fixed offset, without saying which (whoever prints it labels the table).
pub fn local(unix_s: i64, utc_offset_s: i32) -> String {
    match chrono::DateTime::from_timestamp(unix_s.saturating_add(i64::from(utc_offset_s)), 0) {
        Some(time) => time.format("%Y-%m-%d %H:%M").to_string(),
        None => unix_s.to_string(),
    }
}

/// The label of an offset: `UTC-07:00`.
pub fn offset_label(utc_offset_s: i32) -> String {
    let sign = if utc_offset_s < 0 { '-' } else { '+' };
    let minutes = utc_offset_s.unsigned_abs() / 60;
    format!("UTC{sign}{:02}:{:02}", minutes / 60, minutes % 60)
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
        assert_eq!(rfc3339(i64::MAX), i64::MAX.to_string());
    }

    #[test]
    fn a_file_clock_that_is_gone_is_not_synchronised() {
        let clock = FileClock { file: "/nowhere/clock".into() };
        assert!(!clock.now().synchronised);
    }
}
