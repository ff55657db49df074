//! The true time of the simulated field. `clock` derives from it what clocks show.
//!
//! It is not what any clock shows. What a logger's or the gateway's clock shows has the type of that clock.

use crate::text::UnixSeconds;

/// An instant of the simulated world, in Unix seconds.
///
/// ```compile_fail,E0308
/// use stonechat::{sim::TrueTime, time::LoggerTime};
/// assert!(TrueTime(0) < LoggerTime(1));
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct TrueTime(pub i64);

arithmetic!(TrueTime);

impl UnixSeconds for TrueTime {
    fn unix_seconds(self) -> i64 {
        self.unix_s()
    }
}
