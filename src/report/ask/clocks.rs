//! Whether a logger's clock should be set over the radio: how far it is behind, and whether setting it helps.
//!
//! Input: new records of one logger with the time of their reception, the requests to set its clock, the limit of the
//! configuration. Output: how far behind the clock is, if it should be set now.
//!
//! **The estimate.** A record comes at or after the time at which it was made, never before. So of [`RECEPTIONS`] records
//! in a row the smallest difference between reception and recorded time says most, if most of the others agree with it.
//! Records that were asked for, or came late, are older than the newest one and do not count; nor does anything received
//! while the gateway's clock was not synchronised.
//!
//! **When it is not set**: below the limit; less than a day after the last request; and if the logger's clock was set and
//! is behind again by more than a crystal loses in that time: then the difference is not the clock's, for example because
//! the logger sends long after it measures.
//!
//! No I/O, no clock. What this is not: it does not send.

use crate::record::asked::ClockRequest;
use crate::record::clock::{DRIFT_PPM_MAX, FIRST_PLAUSIBLE};
use crate::time::{GatewayTime, Stamp};
use crate::wire::record::Event;
use crate::wire::seq::{Epoch, Identity};
use std::collections::VecDeque;

/// Receptions for an estimate.
pub const RECEPTIONS: usize = 5;
/// So many of them agree with the smallest difference …
const AGREEING_MIN: usize = 3;
/// … within this many seconds: they took about the same time to come.
const AGREE_S: i64 = 30;
/// At most one request within this time.
const DAY_S: i64 = 86_400;
/// A clock was set as requested if the seconds that it added differ by no more than this: it has drifted since, and the
/// estimate is not exact.
const SET_WITHIN_S: i64 = 120;
/// An event that a clock was set belongs to a request if it comes within this time; a person may set it later.
const CLOSES_WITHIN_S: i64 = 7 * DAY_S;

/// One logger's clock, as far as its records show.
#[derive(Clone, Debug, Default)]
pub struct ClockWatch {
    /// The newest record.
    newest: Option<Identity>,
    /// How far the clock was behind by each of the last new records, in seconds.
    behind_s: VecDeque<i64>,
    /// The last request to set it.
    request: Option<ClockRequest>,
    /// It was set to anything, or lost its time, since the last request was carried out.
    is_lost: bool,
}

impl ClockWatch {
    /// The last request, from the ledger.
    pub fn continue_from(&mut self, request: Option<ClockRequest>) {
        self.is_lost = false;
        self.request = request;
    }

    /// The gateway's clock was changed: what came before says nothing about the logger's.
    pub fn gateway_clock_changed(&mut self) {
        self.behind_s.clear();
    }

    /// A new record was heard. If it is the event that the request was carried out, returns the request and the seconds
    /// that were added.
    pub fn heard(
        &mut self,
        identity: Identity,
        recorded_s: u32,
        event: Option<Event>,
        now: Stamp,
    ) -> Option<(ClockRequest, i64)> {
        let closed = event.filter(|event| event.code == Event::CLOCK_SET).and_then(|event| {
            let request = self.request.as_mut().filter(|request| request.set_at.is_none())?;
            let is_after = identity > request.answers && now.time().since(request.at) <= CLOSES_WITHIN_S;
            let is_as_requested =
                event.value.saturating_sub(request.behind_s).saturating_abs() <= SET_WITHIN_S;
            if !is_after || !is_as_requested {
                return None;
            }
            request.set_at = Some(now.time());
            self.is_lost = false;
            Some((*request, event.value))
        });
        if self.newest.is_some_and(|newest| identity <= newest) {
            return closed;
        }
        let is_new_epoch = self.newest.is_some_and(|newest| newest.epoch != identity.epoch);
        self.newest = Some(identity);
        let is_changed = event.is_some_and(|of| matches!(of.code, Event::CLOCK_SET | Event::POWERED_UP));
        if is_new_epoch || is_changed || !now.synchronised {
            self.behind_s.clear();
            self.is_lost |= closed.is_none() && (is_new_epoch || is_changed);
        }
        // The time of an event that the clock was set is that after the change, but it may wait before it is sent.
        if now.synchronised && !is_changed {
            if self.behind_s.len() == RECEPTIONS {
                self.behind_s.pop_front();
            }
            self.behind_s.push_back(now.time().unix_s().saturating_sub(recorded_s.into()));
        }
        closed
    }

    /// How far the clock is behind; negative: ahead. `None`: not known.
    pub fn estimate(&self) -> Option<i64> {
        let least = *self.behind_s.iter().min().filter(|_| self.behind_s.len() == RECEPTIONS)?;
        let agreeing =
            self.behind_s.iter().filter(|&&behind| behind.saturating_sub(least) <= AGREE_S).count();
        (agreeing >= AGREEING_MIN).then_some(least)
    }

    /// Whether it was set and is wrong again, by more than it can have drifted.
    pub fn is_not_helped(&self, beyond_s: u32, now: GatewayTime) -> bool {
        let Some((request, behind)) = self.request.zip(self.beyond(beyond_s)) else { return false };
        let Some(set_at) = request.set_at.filter(|_| !self.is_lost) else { return false };
        // Another epoch since then: it was powered up again.
        if self.newest.is_some_and(|newest| newest.epoch != request.answers.epoch) {
            return false;
        }
        let passed_s = i128::from(now.since(set_at).max(0));
        let drift_s = passed_s * DRIFT_PPM_MAX / 1_000_000 + i128::from(SET_WITHIN_S);
        i128::from(behind).abs() > drift_s
    }

    fn beyond(&self, beyond_s: u32) -> Option<i64> {
        self.estimate().filter(|behind| behind.unsigned_abs() > u64::from(beyond_s))
    }

    /// How far it is behind, if it should be set now.
    pub fn due(&self, beyond_s: u32, now: Stamp) -> Option<i64> {
        let behind = self.beyond(beyond_s)?;
        // A logger refuses earlier times. A request of a time to come was sent under another clock.
        let is_plausible = now.synchronised && now.time() >= FIRST_PLAUSIBLE;
        let is_rested = self.request.is_none_or(|request| now.time().since(request.at) >= DAY_S);
        (is_plausible && is_rested && !self.is_not_helped(beyond_s, now.time())).then_some(behind)
    }

    /// The port has taken a request.
    pub fn asked(&mut self, request: ClockRequest) {
        self.request = Some(request);
    }

    /// The epoch of the newest record.
    pub fn epoch(&self) -> Option<Epoch> {
        self.newest.map(|newest| newest.epoch)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::wire::seq::Address;

    const NOW: i64 = 1_780_000_000;

    fn id(epoch: u32, sequence: u32) -> Identity {
        Identity::new(17, epoch, sequence).unwrap()
    }

    fn at(unix_s: i64) -> Stamp {
        Stamp { unix_s, synchronised: true }
    }

    /// A logger whose clock is behind; each record takes a while to come.
    fn hears(watch: &mut ClockWatch, from: u32, behind: i64, took: &[i64]) -> Stamp {
        let mut now = at(NOW);
        for (sequence, took) in (from..).zip(took) {
            now = at(NOW + 900 * i64::from(sequence));
            let recorded = u32::try_from(now.unix_s - took - behind).unwrap();
            assert_eq!(watch.heard(id(1, sequence), recorded, None, now), None);
        }
        now
    }

    #[test]
    fn five_receptions_of_which_three_agree_say_how_far_a_clock_is_behind() {
        let mut watch = ClockWatch::default();
        hears(&mut watch, 1, 95, &[1, 1, 1, 1]);
        assert_eq!(watch.estimate(), None, "four are too few");
        let now = hears(&mut watch, 5, 95, &[60]);
        assert_eq!(watch.estimate(), Some(96));
        assert_eq!((watch.due(90, now), watch.due(96, now)), (Some(96), None));
        assert_eq!(watch.due(90, Stamp { synchronised: false, ..now }), None);
        // Ahead.
        let mut watch = ClockWatch::default();
        let now = hears(&mut watch, 1, -7_200, &[2, 40, 2, 3, 2]);
        assert_eq!(watch.due(60, now), Some(-7_198));
        // Sent in one go, the oldest first: the differences do not agree.
        let mut watch = ClockWatch::default();
        hears(&mut watch, 1, 0, &[3_600, 2_700, 1_800, 900, 0]);
        assert_eq!(watch.estimate(), None);
    }

    #[test]
    fn what_is_old_or_came_while_the_clock_was_not_right_does_not_count() {
        let mut watch = ClockWatch::default();
        hears(&mut watch, 10, 95, &[1, 1, 1, 1]);
        // It was asked for.
        assert_eq!(watch.heard(id(1, 3), NOW as u32, None, at(NOW + 90_000)), None);
        assert_eq!(watch.estimate(), None);
        hears(&mut watch, 14, 95, &[1]);
        assert_eq!(watch.estimate(), Some(96));
        let later = Stamp { unix_s: NOW + 900 * 15, synchronised: false };
        watch.heard(id(1, 15), NOW as u32, None, later);
        assert_eq!(watch.estimate(), None);
        for start_anew in [
            |watch: &mut ClockWatch| watch.gateway_clock_changed(),
            |watch: &mut ClockWatch| {
                let event = Event { time: NOW as u32, code: Event::POWERED_UP, value: 0 };
                watch.heard(id(1, 99), NOW as u32, Some(event), at(NOW + 99 * 900));
            },
            |watch: &mut ClockWatch| {
                watch.heard(id(2, 1), NOW as u32, None, at(NOW + 99 * 900));
            },
        ] {
            let mut watch = ClockWatch::default();
            hears(&mut watch, 1, 95, &[1; RECEPTIONS]);
            start_anew(&mut watch);
            assert_eq!(watch.estimate(), None);
        }
    }

    fn set(watch: &mut ClockWatch, sequence: u32, added: i64, now: i64) -> Option<(ClockRequest, i64)> {
        let event = Event { time: now as u32, code: Event::CLOCK_SET, value: added };
        watch.heard(id(1, sequence), now as u32, Some(event), at(now))
    }

    #[test]
    fn a_clock_is_set_at_most_once_a_day_and_not_again_if_that_did_not_help() {
        let mut watch = ClockWatch::default();
        let now = hears(&mut watch, 1, 600, &[1; RECEPTIONS]);
        assert_eq!(watch.due(60, now), Some(601));
        let logger = Address::new(17).unwrap();
        let request = ClockRequest { logger, at: now.time(), answers: id(1, 5), behind_s: 601, set_at: None };
        watch.asked(request);
        hears(&mut watch, 6, 600, &[1; RECEPTIONS]);
        assert_eq!(watch.due(60, at(now.unix_s + DAY_S - 1)), None);
        assert_eq!(watch.due(60, at(now.unix_s + DAY_S)), Some(601));
        assert_eq!(watch.due(60, at(now.unix_s - 9_000)), None, "the clock was set back");
        // A person set it to something else; then it is set as requested.
        assert_eq!(set(&mut watch, 11, -3_600, now.unix_s + 9_000), None);
        assert!(set(&mut watch, 12, 602, now.unix_s + 9_900).is_some());
        assert_eq!(set(&mut watch, 13, 602, now.unix_s + 9_910), None, "each request ends once");
        // The logger sends ten minutes after it measures: its clock is right.
        hears(&mut watch, 14, 600, &[1; RECEPTIONS]);
        let later = at(now.unix_s + 2 * DAY_S);
        assert!(!watch.is_not_helped(60, later.time()), "it was set by another as well");
        watch.is_lost = false;
        assert!(watch.is_not_helped(60, later.time()));
        assert_eq!(watch.due(60, later), None);
        // After years it may have drifted that far.
        assert!(!watch.is_not_helped(60, later.time().later(365 * DAY_S)));
    }
}
