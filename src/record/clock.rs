//! What a logger's clock should have shown: recorded times are corrected as far as possible.
//!
//! Input: a record's recorded time, when it was received by a synchronised gateway, and the clock-set and power-up
//! events held of its epoch. Output: an estimate, for the times that reports show; `gaps` and `export` use it.
//!
//! ```text
//! power-up ──── records ──── set (+a) ──── records ──── set (+b) ────
//!   a jump:  + a + b  . . . . .  + b  . . . . . . . . . . .  + 0      back to the power-up, in full
//!   a drift: 0 . . . growing . . + b  (from the setting before)       spread over the time since the clock was right
//! ```
//!
//! What this is not: it does no I/O and reads no clock. The recorded time stays in the ledger and in its views, and no
//! identity, duplicate or gap depends on what is computed here.
//!
//! [`Drift`] is finer, and for exports: how far a clock drifted between its settings, judged by receptions. Each window
//! of time has one reading that came with the least delay; its delay, less the time that a frame may need to arrive, is
//! how slow the clock was. Between two such points the correction is a straight line; it never extends over a setting,
//! a power-up or an epoch. A late reception shows nothing: a point is left out if its delay is more than a drift can
//! cause.

use crate::time::{GatewayTime, LoggerTime};
use std::collections::BTreeSet;

/// No watch crystal is off by more than this, in the worst winter: if a setting adds more, the clock was wrong and not
/// slow. 200 ppm are 8.6 minutes a month. Our choice.
pub const DRIFT_PPM_MAX: i128 = 200;
/// The error of a setting by hand, however short the time since the setting before.
const SETTING_SLACK_S: i64 = 5;
/// This program was not used before 2020: an earlier time is from a clock that began in 1970 or in 2000.
pub const PLAUSIBLE_FROM: i64 = 1_577_836_800;
/// The same by a logger's clock.
const FIRST_RECORDED: LoggerTime = LoggerTime(PLAUSIBLE_FROM);
/// The same by the gateway's clock.
pub const FIRST_PLAUSIBLE: GatewayTime = GatewayTime(PLAUSIBLE_FROM);
/// Records that a logger made within this time before its power-up event belong to the same power-up. Our choice.
const START_S_MAX: i64 = 60;
/// A record that seems older than the epoch before its own, by up to this much, is from a slow clock and not from one
/// that was lost.
const SLOW_S_MAX: i64 = 3_600;

/// A logger's clock is seldom further ahead than this unless it was lost.
const AHEAD_S: i64 = 86_400;

/// Recorded times that are possible for a clock that was once set: from the first on, and before the second.
pub const fn possible(now: GatewayTime) -> (LoggerTime, LoggerTime) {
    (FIRST_RECORDED, recorded_if_right(now.later(AHEAD_S)))
}

/// Whether a recorded time cannot be from a right clock: it is outside [`possible`].
pub fn is_impossible(recorded: LoggerTime, now: GatewayTime) -> bool {
    let (first, end) = possible(now);
    recorded < first || recorded >= end
}

/// A logger's time read as the gateway's, if it is plausible: from 2020-01-01 on, and not more than a day after the
/// record's reception by a synchronised clock, if there was one.
pub fn plausible(recorded: LoggerTime, received_at: Option<GatewayTime>) -> Option<GatewayTime> {
    let time = as_if_right(recorded);
    (time >= FIRST_PLAUSIBLE && received_at.is_none_or(|at| time <= at.later(AHEAD_S))).then_some(time)
}

/// A recorded time, treated as if its logger's clock were right.
pub const fn as_if_right(recorded: LoggerTime) -> GatewayTime {
    GatewayTime(recorded.unix_s())
}

/// The time that a logger's clock shows at this time if it is right.
pub const fn recorded_if_right(time: GatewayTime) -> LoggerTime {
    LoggerTime(time.unix_s())
}

/// When a record was received, from how long after its recorded time it came: the ledger stores that delay.
pub const fn received(recorded: LoggerTime, lag_s: i64) -> GatewayTime {
    as_if_right(recorded).later(lag_s)
}

/// How long after its recorded time a record was received, in seconds: its travel time plus how slow the logger's clock
/// was.
pub const fn delay_s(recorded: LoggerTime, received_at: GatewayTime) -> i64 {
    received_at.since(as_if_right(recorded))
}

/// How far a logger's clock was off, in seconds, when it recorded this time for a record made at that time.
pub const fn off_s(recorded: LoggerTime, made: GatewayTime) -> u64 {
    made.unix_s().abs_diff(recorded.unix_s())
}

/// Whether a time is the recorded one, unchanged.
pub fn is_recorded(time: GatewayTime, recorded: LoggerTime) -> bool {
    time == as_if_right(recorded)
}

/// A change of a clock, in the order of sequences.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClockEvent {
    pub sequence: u32,
    /// Its recorded time: after the change.
    pub time: LoggerTime,
    /// Seconds added by a setting; `None`: the logger powered up.
    pub seconds_added: Option<i64>,
}

/// When a record was made, and whether that is the recorded time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Corrected {
    /// When it was made, by the gateway's clock or as if by it.
    pub time: GatewayTime,
    /// Whether it is an estimate and not what the logger recorded.
    pub is_estimate: bool,
    /// Whether this is only the earliest possible time.
    pub is_bound: bool,
}

/// The clock of one epoch of a logger.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct EpochClock {
    /// Ascending by sequence.
    events: Vec<ClockEvent>,
    /// The first record held of the epoch: sequence and recorded time.
    first: Option<(u32, LoggerTime)>,
    /// When the previous epoch is last known to have been running: nothing here was made before that.
    not_before: Option<GatewayTime>,
}

impl EpochClock {
    /// From the events held of the epoch, and its first held record (sequence and recorded time).
    pub fn new(mut events: Vec<ClockEvent>, first: Option<(u32, LoggerTime)>) -> Self {
        events.sort_unstable_by_key(|event| event.sequence);
        Self { events, first, not_before: None }
    }

    /// The same, with the earliest possible time: the corrected time of the last record held of the epochs before.
    pub fn not_before(self, not_before: Option<GatewayTime>) -> Self {
        Self { not_before, ..self }
    }

    /// When a record was made. `received_at`: by a gateway whose clock was synchronised.
    pub fn corrected(
        &self,
        sequence: u32,
        recorded: LoggerTime,
        received_at: Option<GatewayTime>,
    ) -> Corrected {
        let mut time = self.set_right(sequence, recorded);
        let mut is_bound = false;
        let received_at = received_at.filter(|&at| at >= FIRST_PLAUSIBLE);
        if let Some(received_at) = received_at {
            // A record cannot have been made after it was received.
            time = time.min(received_at);
            // It is only an upper bound, because a record may be asked for again months later. It is used as the time
            // only if the corrected time is impossible.
            if time < FIRST_PLAUSIBLE {
                time = received_at;
            }
        }
        // A record that was received before the floor proves the floor wrong.
        let floor = self.not_before.filter(|&floor| received_at.is_none_or(|at| at >= floor));
        if let Some(floor) = floor.filter(|&floor| time < floor) {
            time = match received_at {
                _ if floor.since(time) <= SLOW_S_MAX => floor,
                // The clock was lost: the reception is close to the true time.
                Some(received_at) => received_at,
                // By hand only: treat the epoch as if it had begun where the one before ended.
                None => {
                    is_bound = true;
                    let began = self.first.map_or(time, |(first, at)| self.set_right(first, at));
                    floor.later(time.since(began).max(0))
                }
            };
        }
        Corrected { time, is_estimate: !is_recorded(time, recorded), is_bound }
    }

    /// The recorded time, with the settings after it applied backwards.
    fn set_right(&self, sequence: u32, recorded: LoggerTime) -> GatewayTime {
        let mut time = as_if_right(recorded);
        let after = self.events.partition_point(|event| event.sequence <= sequence);
        for (at, event) in self.events.iter().enumerate().skip(after) {
            let Some(added) = event.seconds_added else {
                // Before a power-up another clock ran; the profile that a logger starts with comes before the event.
                let lies_before = event.time.since(recorded);
                if (0..=START_S_MAX).contains(&lies_before) {
                    continue;
                }
                break;
            };
            let right_since = match at.checked_sub(1).and_then(|before| self.events.get(before)) {
                Some(before) => Some((before.sequence, before.time)),
                None => self.first.filter(|&(first, _)| first < event.sequence),
            };
            time = time.later(match right_since.and_then(|since| drift(since, event, added)) {
                None => added,
                // The clock was right at that setting: what it lost since does not affect an earlier record.
                Some((since, _)) if sequence < since.0 => 0,
                Some((since, lasted_s)) => {
                    let share = i128::from(recorded.since(since.1)).clamp(0, i128::from(lasted_s));
                    // At most `added`, so it fits.
                    i64::try_from(i128::from(added) * share / i128::from(lasted_s)).unwrap_or(added)
                }
            });
        }
        time
    }
}

/// Seconds that a record may take from its logger to the gateway without a meaning for the clock: a repeat or two. Our
/// choice.
const ON_THE_WAY_S: i64 = 5;

/// What a reception shows about a clock: its part (the number of events before it), its sequence and recorded time, and
/// the seconds to add there.
type DriftPoint = (usize, u32, LoggerTime, i64);

/// How an epoch's clock drifted between its settings.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Drift {
    /// Ascending: by part, then by sequence.
    points: Vec<DriftPoint>,
}

impl EpochClock {
    /// The sequences at which a correction must stop: settings and power-ups.
    pub fn breaks(&self) -> Vec<u32> {
        self.events.iter().map(|event| event.sequence).collect()
    }

    /// How the clock drifted, by receptions: (sequence, recorded time, reception by a synchronised gateway), each the
    /// one with the least delay in its window.
    pub fn drift(&self, receptions: &[(u32, LoggerTime, GatewayTime)]) -> Drift {
        // With each point: whether a drift can explain it, if the clock was right when its part began.
        let mut points: Vec<(DriftPoint, bool)> = Vec::new();
        for &(sequence, recorded, received_at) in receptions {
            if recorded < FIRST_RECORDED || received_at < FIRST_PLAUSIBLE {
                continue;
            }
            let part = self.part(sequence);
            let slow_s = received_at.since(self.set_right(sequence, recorded));
            // A delay on the way makes a clock seem slow, never fast.
            let slow_s = slow_s - slow_s.clamp(0, ON_THE_WAY_S);
            let since = match part.checked_sub(1).and_then(|at| self.events.get(at)) {
                Some(event) => Some(event.time),
                None => self.first.map(|(_, time)| time),
            };
            let lasted_s = since.map_or(0, |since| recorded.since(since)).max(0);
            // A fast clock shows itself; one that seems slower than any crystal was only heard late.
            let most = drift_most(lasted_s);
            if slow_s <= most {
                points.push(((part, sequence, recorded, slow_s), slow_s >= -most));
            }
        }
        points.sort_unstable();
        // If some readings of a part are right within a drift, and a clock was further ahead in others, a setting that
        // was lost had set it wrong there. That is not drift, and must not change the others.
        let right: BTreeSet<usize> =
            points.iter().filter(|(_, is_right)| *is_right).map(|(point, _)| point.0).collect();
        points.retain(|(point, is_right)| *is_right || !right.contains(&point.0));
        let points: Vec<DriftPoint> = points.into_iter().map(|(point, _)| point).collect();
        // A window in which everything came late is above the line through its neighbours by more than the clock can
        // have drifted between them, on both sides. If only on one side, the clock was set there.
        let before = late(points.iter());
        let mut after = late(points.iter().rev());
        after.reverse();
        // For the last one, one side is enough; the first one would have been slower than any crystal.
        let is_late =
            before.into_iter().zip(after).map(|(before, after)| before == Some(true) && after != Some(false));
        let points = points.iter().zip(is_late).filter(|(_, is_late)| !is_late).map(|(point, _)| *point);
        Drift { points: points.collect() }
    }

    /// As [`EpochClock::corrected`], with the drift between settings removed.
    pub fn corrected_by(
        &self,
        drift: &Drift,
        sequence: u32,
        recorded: LoggerTime,
        received_at: Option<GatewayTime>,
    ) -> Corrected {
        let plain = self.corrected(sequence, recorded, received_at);
        // A clock that was lost did not drift.
        if plain.is_bound || recorded < FIRST_RECORDED {
            return plain;
        }
        let add = drift.at(self.part(sequence), recorded);
        let mut time = self.set_right(sequence, recorded).later(add);
        if let Some(received_at) = received_at.filter(|&at| at >= FIRST_PLAUSIBLE) {
            time = time.min(received_at);
        }
        if add == 0 || self.not_before.is_some_and(|floor| time < floor) {
            return plain;
        }
        Corrected { time, is_estimate: !is_recorded(time, recorded), is_bound: false }
    }

    /// How many settings and power-ups lie before a record.
    pub fn part(&self, sequence: u32) -> usize {
        self.events.partition_point(|event| event.sequence <= sequence)
    }
}

/// The single rule for when the readings of an epoch were made: its clock, with the drift between settings removed.
///
/// All code that shows a reading or looks it up by time uses this, so that a reading and its corrections have one time.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ReadingClock {
    clock: EpochClock,
    drift: Drift,
}

impl ReadingClock {
    /// `receptions`: see [`EpochClock::drift`].
    pub fn new(clock: EpochClock, receptions: &[(u32, LoggerTime, GatewayTime)]) -> Self {
        let drift = clock.drift(receptions);
        Self { clock, drift }
    }

    /// When a reading was made. `received_at`: by a gateway whose clock was synchronised.
    pub fn made(&self, sequence: u32, recorded: LoggerTime, received_at: Option<GatewayTime>) -> Corrected {
        self.clock.corrected_by(&self.drift, sequence, recorded, received_at)
    }
}

impl Drift {
    /// Seconds to add at a recorded time of a part: on a straight line between its points, and beyond them as at the
    /// nearest one.
    fn at(&self, part: usize, recorded: LoggerTime) -> i64 {
        let from = self.points.partition_point(|point| point.0 < part);
        let to = self.points.partition_point(|point| point.0 <= part);
        let points = self.points.get(from..to).unwrap_or_default();
        let next = points.partition_point(|point| point.2 < recorded);
        match (next.checked_sub(1).and_then(|at| points.get(at)), points.get(next)) {
            (Some(a), Some(b)) if b.2 > a.2 => {
                let share = i128::from(recorded.since(a.2)) * i128::from(b.3.saturating_sub(a.3));
                a.3.saturating_add(i64::try_from(share / i128::from(b.2.since(a.2))).unwrap_or(0))
            }
            (Some(near), _) | (None, Some(near)) => near.3,
            (None, None) => 0,
        }
    }
}

/// Whether each point is higher above the last one that is not late than a clock can have drifted in between; `None`
/// for the first of a part.
fn late<'a>(points: impl Iterator<Item = &'a DriftPoint>) -> Vec<Option<bool>> {
    let mut last: Option<&DriftPoint> = None;
    let is_late = points.map(|point| {
        let before = last.filter(|last| last.0 == point.0);
        let is_above = before.map(|last| {
            let meanwhile_s = point.2.since(last.2).saturating_abs();
            point.3.saturating_sub(last.3) > drift_most(meanwhile_s)
        });
        if is_above != Some(true) {
            last = Some(point);
        }
        is_above
    });
    is_late.collect()
}

/// The most that a crystal can have lost or gained in this many seconds.
fn drift_most(lasted_s: i64) -> i64 {
    let most = i128::from(lasted_s) * DRIFT_PPM_MAX / 1_000_000 + i128::from(SETTING_SLACK_S);
    i64::try_from(most).unwrap_or(i64::MAX)
}

/// Whether a setting only corrected what a clock had lost since it was right; and over how many of its seconds.
fn drift(right_since: (u32, LoggerTime), set: &ClockEvent, added: i64) -> Option<((u32, LoggerTime), i64)> {
    let lasted_s = set.time.unix_s().saturating_sub(added).saturating_sub(right_since.1.unix_s());
    let most = i128::from(lasted_s) * DRIFT_PPM_MAX / 1_000_000 + i128::from(SETTING_SLACK_S);
    (lasted_s > 0 && i128::from(added).abs() <= most).then_some((right_since, lasted_s))
}

#[cfg(test)]
mod tests {
    use super::*;

    const DAY: i64 = 86_400;
    const NOW: i64 = 1_780_000_000;

    fn set(sequence: u32, time: i64, added: i64) -> ClockEvent {
        ClockEvent { sequence, time: LoggerTime(time), seconds_added: Some(added) }
    }

    fn power_up(sequence: u32, time: i64) -> ClockEvent {
        ClockEvent { sequence, time: LoggerTime(time), seconds_added: None }
    }

    fn corrected(clock: &EpochClock, sequence: u32, recorded: i64, received_at: Option<i64>) -> Corrected {
        clock.corrected(sequence, LoggerTime(recorded), received_at.map(GatewayTime))
    }

    fn drift_by(clock: &EpochClock, receptions: &[(u32, i64, i64)]) -> Drift {
        let typed = |&(sequence, recorded, at)| (sequence, LoggerTime(recorded), GatewayTime(at));
        clock.drift(&receptions.iter().map(typed).collect::<Vec<_>>())
    }

    fn corrected_by(
        clock: &EpochClock,
        drift: &Drift,
        sequence: u32,
        recorded: i64,
        received_at: Option<i64>,
    ) -> Corrected {
        clock.corrected_by(drift, sequence, LoggerTime(recorded), received_at.map(GatewayTime))
    }

    fn time(clock: &EpochClock, sequence: u32, recorded: i64) -> i64 {
        corrected(clock, sequence, recorded, None).time.unix_s()
    }

    #[test]
    fn a_jump_goes_back_to_the_power_up_in_full_and_no_further() {
        let events = vec![power_up(10, NOW), set(20, NOW + 7_200, 3_600), set(30, NOW + 9_000, -60)];
        let clock = EpochClock::new(events, Some((1, LoggerTime(NOW - DAY))));
        assert_eq!(time(&clock, 35, NOW + 9_500), NOW + 9_500);
        assert_eq!(time(&clock, 25, NOW + 8_000), NOW + 7_940);
        assert_eq!(time(&clock, 12, NOW + 500), NOW + 500 + 3_600 - 60);
        assert_eq!(time(&clock, 9, NOW - 500), NOW - 500);
        assert_eq!(time(&clock, 9, NOW - 1), NOW - 1 + 3_600 - 60, "the profile that it starts with");
        assert!(!corrected(&clock, 9, NOW - 500, Some(NOW - 498)).is_estimate);
    }

    #[test]
    fn a_drift_is_spread_over_the_time_since_the_clock_was_right() {
        let events = vec![power_up(2, NOW), set(400, NOW + 30 * DAY + 60, 60), set(900, NOW + 60 * DAY, 90)];
        let clock = EpochClock::new(events, Some((1, LoggerTime(NOW))));
        assert_eq!(time(&clock, 3, NOW), NOW);
        assert_eq!(time(&clock, 200, NOW + 15 * DAY), NOW + 15 * DAY + 30);
        assert_eq!(time(&clock, 399, NOW + 30 * DAY), NOW + 30 * DAY + 60);
        assert_eq!(time(&clock, 401, NOW + 30 * DAY + 60), NOW + 30 * DAY + 60);
    }

    #[test]
    fn reception_and_the_epoch_before_bound_it() {
        let clock = EpochClock::new(Vec::new(), Some((1, LoggerTime(946_684_800))))
            .not_before(Some(GatewayTime(NOW)));
        let by_radio = corrected(&clock, 5, 946_684_800 + 600, Some(NOW + 700));
        assert_eq!(by_radio, Corrected { time: GatewayTime(NOW + 700), is_estimate: true, is_bound: false });
        // By hand: as far after the end of the epoch before as after the first record.
        let by_hand = Corrected { time: GatewayTime(NOW + 600), is_estimate: true, is_bound: true };
        assert_eq!(corrected(&clock, 5, 946_684_800 + 600, None), by_hand);
        // A reception of 1970 does not count.
        assert_eq!(corrected(&clock, 5, 946_684_800 + 600, Some(90)), by_hand);
        // A little before it: the clock was slow.
        assert_eq!(time(&clock, 5, NOW - 90), NOW);
        let first = EpochClock::default();
        assert_eq!(corrected(&first, 5, 946_684_800, Some(NOW)).time.unix_s(), NOW);
        assert!(!corrected(&first, 5, NOW, Some(NOW + 300 * DAY)).is_estimate, "months under way");
        // Ahead: the result is not after its reception.
        assert_eq!(corrected(&clock, 5, NOW + 3_600, Some(NOW + 10)).time.unix_s(), NOW + 10);
        // An earlier reception proves the floor wrong.
        assert_eq!(corrected(&clock, 5, NOW - 7_203, Some(NOW - 7_200)).time.unix_s(), NOW - 7_203);
    }

    #[test]
    fn a_clock_that_went_slow_is_set_right_by_receptions_in_straight_lines() {
        let clock = EpochClock::new(vec![power_up(1, NOW)], Some((1, LoggerTime(NOW))));
        // 40 s slow after 30 days, then no more; windows of ten days; 3 s on the way do not count.
        let receptions = [
            (10, NOW + DAY, NOW + DAY + 3),
            (310, NOW + 31 * DAY, NOW + 31 * DAY + 45),
            (400, NOW + 40 * DAY, NOW + 43 * DAY),
            (510, NOW + 51 * DAY, NOW + 51 * DAY + 45),
        ];
        let drift = drift_by(&clock, &receptions);
        let at = |sequence, recorded| {
            corrected_by(&clock, &drift, sequence, recorded, None).time.unix_s() - recorded
        };
        assert_eq!(at(10, NOW + DAY), 0);
        assert_eq!(at(160, NOW + 16 * DAY), 20);
        assert_eq!(at(410, NOW + 41 * DAY), 40, "what came three days late shows nothing");
        assert_eq!(at(900, NOW + 90 * DAY), 40);
        // Never after its own reception.
        let received = corrected_by(&clock, &drift, 411, NOW + 41 * DAY, Some(NOW + 41 * DAY + 7));
        assert_eq!(received.time.unix_s(), NOW + 41 * DAY + 7);
    }

    #[test]
    fn a_drift_never_reaches_over_a_setting() {
        // Fast by 60 s until it is set back by an hour's mistake, right afterwards.
        let clock = EpochClock::new(
            vec![power_up(1, NOW), set(100, NOW + 10 * DAY, -3_600)],
            Some((1, LoggerTime(NOW))),
        );
        let receptions = [
            (50, NOW + 5 * DAY + 3_600, NOW + 5 * DAY - 60),
            (110, NOW + 11 * DAY, NOW + 11 * DAY + 2),
            (200, NOW + 20 * DAY, NOW + 20 * DAY + 2),
        ];
        let drift = drift_by(&clock, &receptions);
        let at = |sequence, recorded| corrected_by(&clock, &drift, sequence, recorded, None).time.unix_s();
        assert_eq!(at(60, NOW + 6 * DAY + 3_600), NOW + 6 * DAY - 60);
        assert_eq!(at(150, NOW + 15 * DAY), NOW + 15 * DAY);
        assert_eq!(at(101, NOW + 10 * DAY), NOW + 10 * DAY);
    }

    #[test]
    fn a_lone_window_tells_how_a_clock_went_and_one_that_came_late_does_not() {
        let clock = EpochClock::new(vec![power_up(1, NOW)], Some((1, LoggerTime(NOW))));
        // By hand: 100 days at 100 ppm are 864 s. A single window is right; a window that came an hour late between
        // others is above both of them.
        let at = |receptions: &[(u32, i64, i64)], days: i64| {
            let drift = drift_by(&clock, receptions);
            corrected_by(&clock, &drift, 900, NOW + days * DAY, None).time.unix_s() - (NOW + days * DAY)
        };
        let right = (1000, NOW + 100 * DAY, NOW + 100 * DAY + 869);
        assert_eq!(at(&[right], 100), 864);
        let before = (930, NOW + 93 * DAY, NOW + 93 * DAY + 809);
        let late = (965, NOW + 96 * DAY + DAY / 2, NOW + 96 * DAY + DAY / 2 + 1_600);
        let between = at(&[before, late, right], 96);
        assert!((804..864).contains(&between), "{between}");
    }

    #[test]
    fn a_clock_that_was_set_ahead_and_back_moves_no_other_reading() {
        let clock = EpochClock::new(vec![power_up(1, NOW)], Some((1, LoggerTime(NOW))));
        // Right at first, two years ahead for a while, right again; both settings are lost.
        let ahead = 730 * DAY;
        let receptions = [
            (10, NOW + DAY, NOW + DAY + 3),
            (110, NOW + 11 * DAY + ahead, NOW + 11 * DAY + 3),
            (210, NOW + 21 * DAY, NOW + 21 * DAY + 3),
        ];
        let drift = drift_by(&clock, &receptions);
        let made = |sequence, recorded, received| {
            corrected_by(&clock, &drift, sequence, recorded, Some(received)).time.unix_s()
        };
        assert_eq!(made(12, NOW + 2 * DAY, NOW + 2 * DAY + 3), NOW + 2 * DAY);
        assert_eq!(made(115, NOW + 12 * DAY + ahead, NOW + 12 * DAY + 3), NOW + 12 * DAY + 3);
        assert_eq!(made(215, NOW + 22 * DAY, NOW + 22 * DAY + 3), NOW + 22 * DAY);
        // An hour ahead after a year: earlier records keep their times.
        let receptions: Vec<(u32, i64, i64)> = (0..52)
            .map(|week| {
                let made = NOW + 7 * week * DAY;
                (10 * week as u32 + 10, made + if week > 40 { 3_600 } else { 0 }, made + 3)
            })
            .collect();
        let drift = drift_by(&clock, &receptions);
        let made = |sequence, recorded| corrected_by(&clock, &drift, sequence, recorded, None).time.unix_s();
        assert_eq!(made(215, NOW + 150 * DAY), NOW + 150 * DAY);
        assert_eq!(made(505, NOW + 350 * DAY + 3_600), NOW + 350 * DAY + 3, "and what it took to come");
    }

    #[test]
    fn nonsense_neither_panics_nor_wraps() {
        let all = [i64::MIN, -1, 0, 1, NOW, i64::MAX];
        for a in all {
            for b in all {
                let clock = EpochClock::new(
                    vec![power_up(1, a), set(9, a, b), set(12, b, a)],
                    Some((1, LoggerTime(b))),
                )
                .not_before(Some(GatewayTime(a)));
                let drift = drift_by(&clock, &[(1, a, b), (5, b, a), (13, NOW, a)]);
                for sequence in [0, 1, 5, 10, u32::MAX] {
                    corrected_by(&clock, &drift, sequence, b, Some(a));
                    corrected(&clock, sequence, b, None);
                    corrected(&clock, sequence, a, Some(b));
                }
            }
        }
    }
}
