//! Decides when a port that opens or closes is worth a log line or a notice: an unstable port must neither fill
//! the log nor wear out the memory card.
//!
//! Input: the port's events, and the steady time of each. Output: what to report. Pure.
//!
//! The rule: a port works once a valid frame came through it, or after a minute of connection. If it was lost
//! more than [`LOSSES_REPORTED`] times within an hour, only the minute counts. The first loss of an hour is
//! reported. Further ones are reported if the port had worked before, up to [`LOSSES_REPORTED`] in that hour; all
//! others are counted, and the next report includes the count.

use std::time::{Duration, Instant};

/// A connection of this length works, whether valid frames come through it or not.
pub const STEADY: Duration = Duration::from_secs(60);
/// How often losses that were only counted are reported.
pub const REPORTED_EVERY: Duration = Duration::from_secs(3600);
/// Losses reported one by one within that time.
const LOSSES_REPORTED: u32 = 3;

/// One port; see the documentation of the module.
#[derive(Debug, Default)]
pub struct PortNews {
    /// When the present connection began.
    up_at: Option<Instant>,
    /// Whether the port has worked since its last loss.
    works: bool,
    /// When the hour began in which losses are counted.
    hour_began: Option<Instant>,
    /// Losses in that hour.
    losses: u32,
    /// Losses that have not been reported yet.
    unreported: u32,
}

impl PortNews {
    /// The port has opened. `true`: report it now; otherwise when it works.
    pub fn up(&mut self, now: Instant) -> bool {
        self.up_at = Some(now);
        self.is_quiet(now)
    }

    /// The port was lost, or cannot be opened. `Some`: report it now, with this number of losses.
    pub fn lost(&mut self, now: Instant) -> Option<u32> {
        let worked = std::mem::take(&mut self.works);
        self.up_at = None;
        let is_new_hour = self.is_quiet(now);
        if is_new_hour {
            (self.hour_began, self.losses) = (Some(now), 0);
        }
        self.losses = self.losses.saturating_add(1);
        self.unreported = self.unreported.saturating_add(1);
        (is_new_hour || (worked && self.losses <= LOSSES_REPORTED))
            .then(|| std::mem::take(&mut self.unreported))
    }

    /// A valid frame came. `Some`: the port works from now on, which must be reported, with this number of
    /// unreported losses.
    pub fn right_frame(&mut self, now: Instant) -> Option<u32> {
        if self.losses > LOSSES_REPORTED && !self.is_quiet(now) {
            self.steady(now)
        } else {
            self.begins_to_work()
        }
    }

    /// The same for a connection that has lasted long enough.
    pub fn steady(&mut self, now: Instant) -> Option<u32> {
        let up_at = self.up_at?;
        (now.saturating_duration_since(up_at) >= STEADY).then(|| self.begins_to_work()).flatten()
    }

    /// When to ask [`PortNews::steady`].
    pub fn steady_at(&self) -> Option<Instant> {
        self.up_at.filter(|_| !self.works).map(|up_at| up_at + STEADY)
    }

    fn begins_to_work(&mut self) -> Option<u32> {
        self.up_at?;
        let is_news = !std::mem::replace(&mut self.works, true);
        is_news.then(|| std::mem::take(&mut self.unreported))
    }

    /// Whether no loss was counted within the last hour.
    fn is_quiet(&self, now: Instant) -> bool {
        self.hour_began.is_none_or(|began| now.saturating_duration_since(began) >= REPORTED_EVERY)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(begin: Instant, seconds: u64) -> Instant {
        begin + Duration::from_secs(seconds)
    }

    #[test]
    fn a_port_that_is_unplugged_and_plugged_in_again_is_reported_both_times() {
        let begin = Instant::now();
        let mut port = PortNews::default();
        assert!(port.up(begin));
        assert_eq!(port.right_frame(at(begin, 1)), Some(0));
        assert_eq!(port.right_frame(at(begin, 2)), None, "reported once");
        assert_eq!(port.lost(at(begin, 10_000)), Some(1));
        assert!(!port.up(at(begin, 10_030)), "reported when it works");
        assert_eq!(port.right_frame(at(begin, 10_040)), Some(0));
        assert_eq!(port.lost(at(begin, 10_400)), Some(1));
        port.up(at(begin, 10_430));
        assert_eq!((port.steady_at(), port.steady(at(begin, 10_489))), (Some(at(begin, 10_490)), None));
        assert_eq!(port.steady(at(begin, 10_490)), Some(0));
        assert_eq!(port.steady_at(), None);
    }

    #[test]
    fn a_port_that_flaps_for_a_day_is_reported_once_an_hour_with_a_count_and_never_works() {
        let begin = Instant::now();
        let mut port = PortNews::default();
        let mut reported = Vec::new();
        for second in 0..86_400 {
            port.up(at(begin, second));
            reported.extend(port.lost(at(begin, second)));
        }
        assert_eq!(reported.len(), 24);
        assert_eq!((reported[0], reported[1]), (1, 3600));
        assert_eq!(port.right_frame(at(begin, 86_400)), None, "it is closed");
    }

    #[test]
    fn a_port_that_flaps_between_right_frames_works_again_after_a_minute() {
        let begin = Instant::now();
        let mut port = PortNews::default();
        let (mut lines, mut changes) = (0, 0);
        for second in 0..3600 {
            lines += u32::from(port.up(at(begin, second)));
            changes += u32::from(port.right_frame(at(begin, second)).is_some());
            lines += u32::from(port.lost(at(begin, second)).is_some());
        }
        assert!(
            lines <= 1 + LOSSES_REPORTED && changes <= 1 + LOSSES_REPORTED,
            "{lines} lines, {changes} changes"
        );
        port.up(at(begin, 3_500));
        assert_eq!(port.right_frame(at(begin, 3_559)), None);
        assert!(port.right_frame(at(begin, 3_560)).is_some_and(|unreported| unreported > 3_000));
    }
}
