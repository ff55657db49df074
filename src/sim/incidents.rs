//! What can happen to a logger or to its path, as plain data; [`super::FieldPlan`] has lists of it.
//!
//! Input: from the author of a field plan. Output: read by `logger` (what happens to a unit) and by `field` (what
//! happens to its frames). Nothing here happens by itself, and nothing is random.

use super::true_time::TrueTime;
use crate::wire::seq::Address;

/// A span of time, end exclusive.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Span {
    /// The first second.
    pub from: TrueTime,
    /// The second after the last.
    pub to: TrueTime,
}

impl Span {
    /// From one instant to another, end exclusive.
    pub fn new(from: TrueTime, to: TrueTime) -> Self {
        Self { from, to }
    }

    /// Whether an instant lies in it.
    pub fn contains(&self, at: TrueTime) -> bool {
        (self.from..self.to).contains(&at)
    }
}

/// A logger restarts and takes a new epoch. Its clock keeps running.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RestartPlan {
    pub address: Address,
    pub at: TrueTime,
    /// Whether its new profiles say which epoch was before and where it ended. If not, that epoch is never
    /// closed.
    pub names_previous: bool,
}

/// A logger gets a new battery: a new epoch, a clock that begins at 2000-01-01T00:00:00Z, pulses that count from 0;
/// its memory keeps its content. That loggers begin in 2000 is common practice, no source.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BatterySwap {
    pub address: Address,
    /// When the new battery is in.
    pub at: TrueTime,
    /// As in [`RestartPlan`].
    pub names_previous: bool,
    /// How long after that its clock is set; `None`: it is never set.
    pub clock_set_after_s: Option<u32>,
}

/// Another unit under the same address: the next key slot, an epoch above all used ones (the Unix time), an
/// empty memory, a correct clock, a new battery; its profiles name no epoch of the old unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct UnitReplacement {
    pub address: Address,
    /// When the new unit is switched on.
    pub at: TrueTime,
    /// The new unit's serial number.
    pub unit: u64,
    /// How long before that the old unit had stopped permanently; 0: it worked to the end.
    pub stopped_before_s: u32,
}

/// A logger changes to another interval, and says so at once in a profile. Readings follow the new interval from
/// the next one on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct IntervalChange {
    pub address: Address,
    pub at: TrueTime,
    /// Seconds between readings; 0: it no longer promises an interval, and continues as before.
    pub interval_s: u32,
}

/// A technician sets a logger's clock. Before that it was wrong by this many seconds, in addition to what it had lost.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClockSet {
    pub address: Address,
    pub at: TrueTime,
    /// What is added to its clock, in addition to what it had lost. The clock is then right except for later settings:
    /// it was wrong by those too, back to the last time that it lost its power.
    pub seconds_added: i64,
}

/// A path that loses frames in bursts: a chain of two states, with one step for each frame sent, and a share lost in
/// each state.
///
/// Source: E. N. Gilbert, "Capacity of a burst-noise channel", Bell System Technical Journal 39, 1960 (the
/// chain); E. O. Elliott, "Estimates of error rates for codes on burst-noise channels", Bell System Technical
/// Journal 42, 1963 (losses in the good state too). Its figures here are invented.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BurstLoss {
    /// Probability of a step from the good to the bad state.
    pub into_bad: f64,
    /// Probability of a step from the bad to the good state: its inverse is a burst's mean length in frames.
    pub out_of_bad: f64,
    /// Share lost in the good state.
    pub lost_good: f64,
    /// Share lost in the bad state.
    pub lost_bad: f64,
}

impl BurstLoss {
    /// A path that loses this share in the long run (0.01 to 0.85), in bursts of this many frames on average.
    pub fn new(share: f64, burst_frames: f64) -> Self {
        let (lost_good, lost_bad) = (0.01, 0.85);
        let out_of_bad = 1.0 / burst_frames.max(1.0);
        let bad = ((share - lost_good) / (lost_bad - lost_good)).clamp(0.0, 0.999);
        Self { into_bad: (out_of_bad * bad / (1.0 - bad)).min(1.0), out_of_bad, lost_good, lost_bad }
    }

    /// Share of the time in the bad state, in the long run.
    pub fn bad_share(&self) -> f64 {
        let steps = self.into_bad + self.out_of_bad;
        if steps > 0.0 { self.into_bad / steps } else { 0.0 }
    }

    /// Share lost in the long run.
    pub fn lost_share(&self) -> f64 {
        self.lost_good + (self.lost_bad - self.lost_good) * self.bad_share()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_burst_path_loses_the_share_that_was_asked_for() {
        for (share, frames) in [(0.01, 1.0), (0.1, 10.0), (0.15, 10.0), (0.3, 25.0)] {
            let path = BurstLoss::new(share, frames);
            assert!((path.lost_share() - share).abs() < 1e-12, "{share}: {}", path.lost_share());
            assert!((1.0 / path.out_of_bad - frames).abs() < 1e-12);
        }
    }
}
