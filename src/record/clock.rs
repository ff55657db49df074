//! What a logger's clock should have shown: recorded times set right as far as that can be told.
//!
//! Input: a record's recorded time, when it was received by a synchronised gateway, and the clock-set and power-up
//! events held of its epoch. Output: an estimate, for the times that reports show; `gaps`
//! and `export` are its callers.
//!
//! ```text
//! power-up ──── records ──── set (+a) ──── records ──── set (+b) ────
//!   a jump:  + a + b  . . . . .  + b  . . . . . . . . . . .  + 0      back to the power-up, in full
//!   a drift: 0 . . . growing . . + b  (from the setting before)       spread over the time since the clock was right
//! ```
//!
//! What this is not: no I/O and no clock of its own; the recorded time stays in the ledger and in its views, and no
//! identity, duplicate or gap rests on what is worked out here.
//!
//! [`Drift`] is finer, and for exports: how a clock went between its settings, by receptions. Each window of time has
//! one reading that came with the least delay; its delay, less what a frame may take on its way, is how slow the clock
//! was. Between two such points the correction is a straight line; it never reaches over a setting, a power-up or an
//! epoch. What came late tells nothing: a point is left out if its delay is more than a drift can have made.

use crate::time::{GatewayTime, LoggerTime};
use std::collections::BTreeSet;

/// No watch crystal is further off than this, in the worst of winters: what a setting adds beyond that was a wrong
/// clock and no slow one. 200 ppm are 8.6 minutes a month. Ours.
const DRIFT_PPM_MAX: i128 = 200;
/// A setting by hand is off by so much, however short the time since the one before.
const SETTING_SLACK_S: i64 = 5;
/// Nobody used this program before 2020: an earlier time is of a clock that began in 1970 or in 2000.
pub const PLAUSIBLE_FROM: i64 = 1_577_836_800;
/// The same by a logger's clock.
const FIRST_RECORDED: LoggerTime = LoggerTime(PLAUSIBLE_FROM);
/// The same by the gateway's clock.
pub const FIRST_PLAUSIBLE: GatewayTime = GatewayTime(PLAUSIBLE_FROM);
/// What a logger makes in so short a time before its power-up event is of the same power-up. Ours.
const START_S_MAX: i64 = 60;
/// A record that seems this much older than the epoch before its own is of a slow clock, not of one that was lost.
const SLOW_S_MAX: i64 = 3_600;

/// A logger's clock is seldom further ahead without having been lost.
const AHEAD_S: i64 = 86_400;

/// Recorded times that a clock can have that was once set: from the first on, and before the second.
pub const fn possible(now: GatewayTime) -> (LoggerTime, LoggerTime) {
    (FIRST_RECORDED, recorded_if_right(now.later(AHEAD_S)))
}

/// Whether a recorded time is of no right clock: before 2001-09-09, when Unix time passed 1,000,000,000 (ours), or further
/// ahead than one.
pub fn is_odd(recorded: LoggerTime, now: GatewayTime) -> bool {
    const EARLIEST: LoggerTime = LoggerTime(1_000_000_000);
    recorded < EARLIEST || as_if_right(recorded) > now.later(AHEAD_S)
}

/// A logger's time read as the gateway's, if it is plausible: from 2020-01-01 on, and not more than a day after the
/// record's reception by a synchronised clock, if there was one.
pub fn plausible(recorded: LoggerTime, received_at: Option<GatewayTime>) -> Option<GatewayTime> {
    let time = as_if_right(recorded);
    (time >= FIRST_PLAUSIBLE && received_at.is_none_or(|at| time <= at.later(AHEAD_S))).then_some(time)
}

/// A recorded time as if its logger's clock were right.
pub const fn as_if_right(recorded: LoggerTime) -> GatewayTime {
    GatewayTime(recorded.unix_s())
}

/// What a logger's clock shows at this time if it is right.
pub const fn recorded_if_right(time: GatewayTime) -> LoggerTime {
    LoggerTime(time.unix_s())
}

/// A record's reception, from how long after its recorded time it came: the ledger stores that.
pub const fn received(recorded: LoggerTime, lag_s: i64) -> GatewayTime {
    as_if_right(recorded).later(lag_s)
}

/// How long after its recorded time a record was received, in seconds: its way, and what the logger's clock was slow.
pub const fn delay_s(recorded: LoggerTime, received_at: GatewayTime) -> i64 {
    received_at.since(as_if_right(recorded))
}

/// How far a logger's clock was off, in seconds, when it recorded this for what was made then.
pub const fn off_s(recorded: LoggerTime, made: GatewayTime) -> u64 {
    made.unix_s().abs_diff(recorded.unix_s())
}

/// Whether a time is the recorded one, unchanged.
pub fn is_recorded(time: GatewayTime, recorded: LoggerTime) -> bool {
    time == as_if_right(recorded)
}

/// What happened to a clock, in the order of sequences.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClockEvent {
    pub sequence: u32,
    /// Its recorded time: after the change.
    pub time: LoggerTime,
    /// Seconds added by a setting; `None`: the logger powered up.
    pub seconds_added: Option<i64>,
}

/// When something was made, and whether that is the recorded time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Corrected {
    /// When it was, by the gateway's clock or as if by it.
    pub time: GatewayTime,
    /// It is not what the logger recorded, but an estimate.
    pub is_estimate: bool,
    /// It is only known that it was not before this.
    pub is_bound: bool,
}

/// The clock of one epoch of a logger.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct EpochClock {
    /// Ascending by sequence.
    events: Vec<ClockEvent>,
    /// The first record held of the epoch: sequence and recorded time.
    first: Option<(u32, LoggerTime)>,
    /// When the epoch before was last known to go on: nothing here was made before that.
    not_before: Option<GatewayTime>,
}

impl EpochClock {
    /// From the events held of the epoch, and its first record that is held (sequence and recorded time).
    pub fn new(mut events: Vec<ClockEvent>, first: Option<(u32, LoggerTime)>) -> Self {
        events.sort_unstable_by_key(|event| event.sequence);
        Self { events, first, not_before: None }
    }

    /// The same, where nothing was made before this: the corrected time of what was last held of the epochs before.
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
            // It bounds from above only, since a record may be asked for again months later; unless the time is none.
            if time < FIRST_PLAUSIBLE {
                time = received_at;
            }
        }
        // What was received before the floor proves the floor wrong.
        let floor = self.not_before.filter(|&floor| received_at.is_none_or(|at| at >= floor));
        if let Some(floor) = floor.filter(|&floor| time < floor) {
            time = match received_at {
                _ if floor.since(time) <= SLOW_S_MAX => floor,
                // The clock was lost: the reception is near the truth.
                Some(received_at) => received_at,
                // By hand only: as if the epoch had begun where the one before ended.
                None => {
                    is_bound = true;
                    let began = self.first.map_or(time, |(first, at)| self.set_right(first, at));
                    floor.later(time.since(began).max(0))
                }
            };
        }
        Corrected { time, is_estimate: !is_recorded(time, recorded), is_bound }
    }

    /// The recorded time with the settings after it applied backwards.
    fn set_right(&self, sequence: u32, recorded: LoggerTime) -> GatewayTime {
        let mut time = as_if_right(recorded);
        let after = self.events.partition_point(|event| event.sequence <= sequence);
        for (at, event) in self.events.iter().enumerate().skip(after) {
            let Some(added) = event.seconds_added else {
                // Before a power-up another clock ran; the profile that a logger starts with stands before the event.
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
                // The clock was right at that setting: what it lost since is no matter of an earlier record.
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

/// Seconds that a record may take from its logger to the gateway without a word on the clock. Ours: a repeat or two.
const ON_THE_WAY_S: i64 = 5;

/// What a reception tells of a clock: its part (the events that lie before it), its sequence and recorded time, and the
/// seconds to add there.
type DriftPoint = (usize, u32, LoggerTime, i64);

/// How an epoch's clock went between its settings.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Drift {
    /// Ascending: by part, then by sequence.
    points: Vec<DriftPoint>,
}

impl EpochClock {
    /// The sequences at which a correction may not go on: settings and power-ups.
    pub fn breaks(&self) -> Vec<u32> {
        self.events.iter().map(|event| event.sequence).collect()
    }

    /// How the clock went, by receptions: (sequence, recorded time, reception by a synchronised gateway), each the one
    /// with the least delay of its window.
    pub fn drift(&self, receptions: &[(u32, LoggerTime, GatewayTime)]) -> Drift {
        // With each point, whether a drift can have made it of a clock that was right when its part began.
        let mut points: Vec<(DriftPoint, bool)> = Vec::new();
        for &(sequence, recorded, received_at) in receptions {
            if recorded < FIRST_RECORDED || received_at < FIRST_PLAUSIBLE {
                continue;
            }
            let part = self.part(sequence);
            let slow_s = received_at.since(self.set_right(sequence, recorded));
            // What is on its way for a while makes a clock seem slow, never fast.
            let slow_s = slow_s - slow_s.clamp(0, ON_THE_WAY_S);
            let since = match part.checked_sub(1).and_then(|at| self.events.get(at)) {
                Some(event) => Some(event.time),
                None => self.first.map(|(_, time)| time),
            };
            let lasted_s = since.map_or(0, |since| recorded.since(since)).max(0);
            // A clock that is fast shows it by itself; one that seems slower than any crystal was only heard late.
            let most = drift_most(lasted_s);
            if slow_s <= most {
                points.push(((part, sequence, recorded, slow_s), slow_s >= -most));
            }
        }
        points.sort_unstable();
        // Where some readings of a part are right within a drift, a clock that was further ahead in others was set wrong
        // there, by a setting that is lost: that is no drift, and must not move the others.
        let right: BTreeSet<usize> =
            points.iter().filter(|(_, is_right)| *is_right).map(|(point, _)| point.0).collect();
        points.retain(|(point, is_right)| *is_right || !right.contains(&point.0));
        let points: Vec<DriftPoint> = points.into_iter().map(|(point, _)| point).collect();
        // A window in which everything came late stands above the line through its neighbours by more than the clock
        // can have gone between them: from both sides. From one side only, the clock was set there.
        let before = late(points.iter());
        let mut after = late(points.iter().rev());
        after.reverse();
        // Of the last one it is enough; the first one would have been slower than any crystal.
        let is_late =
            before.into_iter().zip(after).map(|(before, after)| before == Some(true) && after != Some(false));
        let points = points.iter().zip(is_late).filter(|(_, is_late)| !is_late).map(|(point, _)| *point);
        Drift { points: points.collect() }
    }

    /// As [`EpochClock::corrected`], with the drift between settings taken out.
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

/// The one answer to when the readings of an epoch were made: its clock, with the drift between settings taken out.
///
/// Everything that shows a reading or looks it up by time uses this, so that a reading and its corrections have one time.
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
    /// Seconds to add at a recorded time of a part: on a straight line between its points, and as at the nearest one
    /// beyond them.
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

/// Whether each point stands higher above the last one that does not than a clock can have gone meanwhile; `None` for the
/// first of a part.
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

/// The most that a crystal can have lost or gained in so many seconds.
fn drift_most(lasted_s: i64) -> i64 {
    let most = i128::from(lasted_s) * DRIFT_PPM_MAX / 1_000_000 + i128::from(SETTING_SLACK_S);
    i64::try_from(most).unwrap_or(i64::MAX)
}

/// Whether a setting only made good what a clock had lost since it was right; then over how many of its seconds.
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
        // A reception of 1970 is none.
        assert_eq!(corrected(&clock, 5, 946_684_800 + 600, Some(90)), by_hand);
        // A little before it: the clock was slow.
        assert_eq!(time(&clock, 5, NOW - 90), NOW);
        let first = EpochClock::default();
        assert_eq!(corrected(&first, 5, 946_684_800, Some(NOW)).time.unix_s(), NOW);
        assert!(!corrected(&first, 5, NOW, Some(NOW + 300 * DAY)).is_estimate, "months under way");
        // Ahead: not after its reception.
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
        assert_eq!(at(410, NOW + 41 * DAY), 40, "what came three days late tells nothing");
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
        // By hand: 100 days at 100 ppm are 864 s. One window alone is right; one that came an hour late between others is
        // above both of them.
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
        // An hour ahead after a year: what was made before is left where it is.
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
