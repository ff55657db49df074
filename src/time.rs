//! Clocks, and the only place that reads the clock.
//!
//! All other code is given a [`Stamp`]. A stamp says whether the gateway's clock was synchronised when it was taken: a
//! gateway that starts in 1970 still loses nothing, and what it received then is marked.
//!
//! ```
//! use stonechat::time::{Clock, SystemClock};
//!
//! // The time service of the gateway at Harrow Tarn embankment makes this file once the clock is right.
//! let folder = tempfile::tempdir()?;
//! let clock = SystemClock { synchronised_file: folder.path().join("synchronized") };
//! assert!(!clock.now().synchronised);
//! std::fs::write(&clock.synchronised_file, "")?;
//! assert!(clock.now().synchronised);
//! # Ok::<(), std::io::Error>(())
//! ```
//!
//! Times of two clocks are two types. Mixing them does not compile:
//!
//! ```compile_fail,E0308
//! use stonechat::time::{GatewayTime, LoggerTime};
//!
//! let made_at = LoggerTime(1_777_907_700); // by the clock of logger 17, P-17 toe drain
//! let received_at = GatewayTime(1_777_907_760);
//! received_at.since(made_at);
//! ```

use std::path::{Path, PathBuf};
use std::time::{SystemTime, UNIX_EPOCH};

/// The range of seconds since 1970 for every time that a person can mean: the years 1900 to 9999. Nothing on a site is
/// older, a year with two digits was mistyped, and RFC 3339 has no years with five digits.
pub const PLAUSIBLE_S: std::ops::RangeInclusive<i64> = -2_208_988_800..=253_402_300_799;

/// A time as the gateway's clock gave it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stamp {
    /// Seconds since 1970.
    pub unix_s: i64,
    pub synchronised: bool,
}

/// A gateway's clock.
pub trait Clock: Send {
    fn now(&self) -> Stamp;

    /// Seconds from some starting point, by a clock that is never set: if this and [`Clock::now`] move apart, the time
    /// was changed.
    fn steady_s(&self) -> i64;

    /// The same, if other processes of this computer share that clock: [`steady_s`].
    fn computer_s(&self) -> Option<i64>;

    /// From now on the time counts as synchronised while this file exists: `[site] clock_synchronised_file`, read
    /// again. A simulated clock knows itself whether it is.
    fn follow(&mut self, synchronised_file: &Path);
}

/// The computer's clock. It counts as synchronised while the time service's file exists.
#[derive(Clone, Debug)]
pub struct SystemClock {
    /// See `[site] clock_synchronised_file`.
    pub synchronised_file: PathBuf,
}

impl Clock for SystemClock {
    fn now(&self) -> Stamp {
        Stamp { unix_s: now().unix_s(), synchronised: self.synchronised_file.exists() }
    }

    fn steady_s(&self) -> i64 {
        steady_s()
    }

    fn computer_s(&self) -> Option<i64> {
        Some(steady_s())
    }

    fn follow(&mut self, synchronised_file: &Path) {
        synchronised_file.clone_into(&mut self.synchronised_file);
    }
}

/// The seconds since the computer started, including sleep: a clock that is never set.
pub fn steady_s() -> i64 {
    rustix::time::clock_gettime(rustix::time::ClockId::Boottime).tv_sec
}

/// The computer's time now.
pub fn now() -> GatewayTime {
    GatewayTime(match SystemTime::now().duration_since(UNIX_EPOCH) {
        Ok(since) => i64::try_from(since.as_secs()).unwrap_or(i64::MAX),
        Err(before) => -i64::try_from(before.duration().as_secs()).unwrap_or(i64::MAX),
    })
}

/// A time by a logger's own clock, in Unix seconds. It may be wrong by years.
///
/// It is never compared with a [`GatewayTime`]: `record::clock` is the only place where one becomes the other.
///
/// ```compile_fail,E0308
/// use stonechat::time::{GatewayTime, LoggerTime};
/// assert!(LoggerTime(0) < GatewayTime(1));
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize)]
#[serde(transparent)]
pub struct LoggerTime(pub i64);

/// A time by the gateway's clock, or one estimated as if by it, in Unix seconds.
///
/// ```
/// use stonechat::time::GatewayTime;
/// assert_eq!(GatewayTime(60).later(-90), GatewayTime(-30));
/// assert_eq!(GatewayTime(60).since(GatewayTime(90)), -30);
/// ```
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize,
)]
#[serde(transparent)]
pub struct GatewayTime(pub i64);

macro_rules! arithmetic {
    ($($time:ident),+) => {$(
        impl $time {
            pub const MIN: Self = Self(i64::MIN);
            pub const MAX: Self = Self(i64::MAX);

            pub const fn unix_s(self) -> i64 {
                self.0
            }

            /// This many seconds later, limited to the ends of the range.
            #[must_use]
            pub const fn later(self, seconds: i64) -> Self {
                Self(self.0.saturating_add(seconds))
            }

            /// Seconds since another time of the same clock.
            pub const fn since(self, earlier: Self) -> i64 {
                self.0.saturating_sub(earlier.0)
            }
        }
    )+};
}
arithmetic!(LoggerTime, GatewayTime);

/// Every offset from UTC in civil use is a multiple of this many seconds, so any site's midnight falls on a quarter of
/// an hour of UTC.
pub const QUARTER_S: i64 = 900;

/// The days of a calendar with a fixed offset from UTC, each from its own midnight to the next, numbered from
/// 1970-01-01.
///
/// ```
/// use stonechat::time::Days;
///
/// // At Harrow Tarn embankment a day begins at 07:00 UTC.
/// let days = Days::ahead_of_utc(-7 * 3600);
/// assert_eq!(days.begin_s(1), 86_400 + 7 * 3600);
/// assert_eq!((days.of(86_400 + 7 * 3600), days.of(86_400 + 7 * 3600 - 1)), (1, 0));
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Days {
    utc_offset_s: i32,
}

impl Days {
    pub const LENGTH_S: i64 = 86_400;
    pub const UTC: Self = Self::ahead_of_utc(0);

    /// The offset in seconds east of UTC.
    pub const fn ahead_of_utc(utc_offset_s: i32) -> Self {
        Self { utc_offset_s }
    }

    /// The day in which a second lies. Units: Unix seconds, of either clock.
    pub const fn of(self, unix_s: i64) -> i64 {
        unix_s.saturating_add(self.utc_offset_s as i64).div_euclid(Self::LENGTH_S)
    }

    /// The first second of a day, in Unix seconds.
    pub const fn begin_s(self, day: i64) -> i64 {
        day.saturating_mul(Self::LENGTH_S).saturating_sub(self.utc_offset_s as i64)
    }
}

impl Stamp {
    /// The time, whether the clock was synchronised or not.
    pub const fn time(self) -> GatewayTime {
        GatewayTime(self.unix_s)
    }
}
