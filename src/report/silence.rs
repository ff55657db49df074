//! Silences: loggers that should have been heard.
//!
//! Input: a logger of the roster, its interval, when it was last heard, the present time. Output: [`Silence`]. Whether
//! the gateway could have heard anything is decided elsewhere ([`super::gateway`]).

use super::memory::InMemory;
use crate::record::roster::{InService, Logger};
use crate::time::GatewayTime;
use crate::wire::seq::{Address, Identity};

/// If a reception is further than this in the future, a wrong clock stamped it.
pub const CLOCK_SLACK_S: i64 = 86_400;
/// Intervals without a new record by radio after which a logger is silent.
const SILENT_INTERVALS: i64 = 3;

/// A logger that should have been heard.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Silence {
    pub logger: Address,
    /// When it was last heard; `None` if never.
    pub last_heard: Option<GatewayTime>,
    /// Until when it should have been heard: now, or when it went out of service.
    pub until: GatewayTime,
    /// Readings that it should have made between these two times.
    pub presumed_readings: Option<u64>,
    /// Its newest held record.
    pub newest: Option<Identity>,
    /// What it has made since its newest held record: whether it still holds that, and until when.
    pub in_memory: InMemory,
}

/// Seconds without a new record by radio after which a logger is silent; `None` if it never is.
pub fn limit_s(logger: &Logger, interval: i64) -> Option<i64> {
    match logger.silent_after_s {
        Some(limit) => Some(i64::from(limit)),
        // A logger that promises no interval is never silent, unless the roster gives a limit.
        None if interval == 0 => None,
        None => Some(SILENT_INTERVALS * interval),
    }
}

/// The silence of a logger, if it is silent now.
pub fn of(
    logger: &Logger,
    interval: i64,
    limit: i64,
    last_heard: Option<GatewayTime>,
    now: GatewayTime,
) -> Option<Silence> {
    let in_service_from = match logger.in_service {
        Some(InService::From(since)) if since > now => return None,
        Some(InService::From(since)) => Some(since),
        _ => None,
    };
    // Receptions on the bench before the date of service do not count. A reception stamped far in the future
    // does not show when it really was.
    let heard = last_heard.filter(|&at| at <= now.later(CLOCK_SLACK_S));
    let since = heard.max(in_service_from);
    let until = logger.out_of_service_from.map_or(now, |out| out.min(now));
    if since.is_some_and(|since| until.since(since) <= limit) {
        return None;
    }
    let presumed_readings = match since {
        Some(since) if interval > 0 => u64::try_from(until.since(since) / interval).ok(),
        _ => None,
    };
    Some(Silence {
        logger: logger.address,
        last_heard,
        until,
        presumed_readings,
        newest: None,
        in_memory: InMemory::default(),
    })
}
