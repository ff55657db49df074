//! One logger's whole life: every record that it makes, in order.
//!
//! Input: the plan and the physics. Output: [`LoggerTruth`]. A logger does not know what happens to its records on the
//! way: it measures whether it is heard or not.
//!
//! A field in which loggers are asked lives a logger again whenever something was added to its plan; what it made before
//! stays the same.
//!
//! Order of an epoch: its profile, the event "powered up", then readings, a profile each day and at each change of
//! the interval, and events as they come. What is in the plan happens at the plan's instants. Readings and daily
//! profiles follow the logger's own clock, so each comes slightly later than the one before, and they start again after
//! the clock was set.
//!
//! Guarantees: sequences of an epoch are 1, 2, 3 and so on; a record's slot and bytes never change.

use super::clock::Clock;
use super::life::{EpochTruth, LoggerTruth, TruthRecord};
use super::physics::{Cell, Physics, Sensor};
use super::plan::{FieldPlan, LoggerPlan};
use super::true_time::TrueTime;
use crate::time::LoggerTime;
use crate::wire::record::{Event, Profile, ProfileFields, Reading, Record};
use crate::wire::seq::{Address, Epoch, Identity, Sequence, Slot};
use crate::wire::statement::{ENTRIES_MAX, Entry, Statement};

const DAY_S: i64 = 86_400;
/// How long an enclosure stays open.
const OPEN_S: i64 = 600;
/// What a clock shows after a loss of power: 2000-01-01T00:00:00Z (common practice, no source).
pub(super) const YEAR_2000: LoggerTime = LoggerTime(946_684_800);
/// The software name in the loggers' profiles. Invented.
const FIRMWARE: &str = "field 1.4";

/// What happens at an instant; at equal instants in this order.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Happening {
    SlotChange,
    /// The unit makes nothing from then on.
    Stopped,
    Replaced {
        unit: u64,
    },
    Start {
        names_previous: bool,
    },
    NewCell {
        names_previous: bool,
    },
    ClockSet,
    IntervalChange {
        interval_s: u32,
    },
    MemoryCleared,
    Opened,
    Closed,
    Statement,
    ClockSetByRadio {
        time: u32,
    },
    DailyProfile,
    Reading,
}

/// Makes every record of a logger.
pub(super) fn live(plan: &FieldPlan, logger: &LoggerPlan, physics: &Physics) -> LoggerTruth {
    let planned = timeline(plan, logger);
    // Nothing is made after that instant; a plan without any length still has its start.
    let end = plan.end().max(plan.from.later(i64::from(logger.offset_s / 2) + 1));
    let mut planned = planned.into_iter().take_while(|(at, _)| *at < end).peekable();
    let mut life = Life::new(plan, logger, physics);
    let mut now = plan.from;
    loop {
        let own = life.next_by_clock(now).filter(|(at, _)| *at < end);
        let is_first = |at: TrueTime| own.is_none_or(|(own_at, _)| at <= own_at);
        let Some((at, happening)) = planned.next_if(|(at, _)| is_first(*at)).or(own) else { break };
        life.happens(at, happening);
        now = at;
    }
    life.truth
}

/// Everything in the plan that happens to a logger, in order.
fn timeline(plan: &FieldPlan, logger: &LoggerPlan) -> Vec<(TrueTime, Happening)> {
    let own = |address| address == logger.address;
    let start = plan.from.later(i64::from(logger.offset_s / 2));
    let mut all = vec![(start, Happening::Start { names_previous: false })];
    let restarts = plan.restarts.iter().filter(|restart| own(restart.address));
    all.extend(
        restarts.map(|restart| (restart.at, Happening::Start { names_previous: restart.names_previous })),
    );
    for swap in plan.battery_swaps.iter().filter(|swap| own(swap.address)) {
        all.push((swap.at, Happening::NewCell { names_previous: swap.names_previous }));
        let set_after_s = swap.clock_set_after_s.map(i64::from);
        all.extend(set_after_s.map(|after_s| (swap.at.later(after_s), Happening::ClockSet)));
    }
    for new in plan.unit_replacements.iter().filter(|new| own(new.address)) {
        let stopped = new.at.later(-i64::from(new.stopped_before_s));
        all.extend((stopped < new.at).then_some((stopped, Happening::Stopped)));
        all.push((new.at, Happening::Replaced { unit: new.unit }));
    }
    let changes = plan.interval_changes.iter().filter(|change| own(change.address));
    all.extend(
        changes.map(|change| (change.at, Happening::IntervalChange { interval_s: change.interval_s })),
    );
    let mut at_moments = |moments: &[(Address, TrueTime)], delay_s: i64, happening: Happening| {
        let moments = moments.iter().filter(|(address, _)| own(*address));
        all.extend(moments.map(|(_, at)| (at.later(delay_s), happening)));
    };
    at_moments(&plan.slot_changes, 0, Happening::SlotChange);
    at_moments(&plan.memory_clears, 0, Happening::MemoryCleared);
    at_moments(&plan.openings, 0, Happening::Opened);
    at_moments(&plan.openings, OPEN_S, Happening::Closed);
    at_moments(&plan.statements, 0, Happening::Statement);
    let by_radio = plan.radio_clock_sets.iter().filter(|(address, ..)| own(*address));
    all.extend(by_radio.map(|&(_, at, time)| (at, Happening::ClockSetByRadio { time })));
    let clock_sets = plan.clock_sets.iter().filter(|set| own(set.address));
    all.extend(clock_sets.map(|set| (set.at, Happening::ClockSet)));
    all.retain(|(at, _)| *at >= start);
    all.sort_unstable();
    all
}

/// Something that repeats by the logger's clock: whenever the clock shows a multiple of `every_s` after `phase`.
#[derive(Clone, Copy)]
struct Alarm {
    every_s: i64,
    phase: LoggerTime,
    /// What the clock shows the next time.
    due: LoggerTime,
}

impl Alarm {
    fn new(every_s: i64, phase: LoggerTime) -> Self {
        // An interval of 0 would never end.
        Self { every_s: every_s.max(1), phase, due: LoggerTime(0) }
    }

    /// Sets the next time to `earliest` or later.
    fn aim(&mut self, earliest: LoggerTime) {
        self.due = earliest.later(self.phase.since(earliest).rem_euclid(self.every_s));
    }
}

struct Life<'a> {
    plan: &'a FieldPlan,
    logger: &'a LoggerPlan,
    physics: &'a Physics,
    clock: Clock,
    is_running: bool,
    slot: Slot,
    unit: u64,
    cell: Cell,
    pulses_since: TrueTime,
    /// The interval that its profiles promise.
    interval_s: u32,
    reading: Alarm,
    profile: Alarm,
    truth: LoggerTruth,
}

impl<'a> Life<'a> {
    fn new(plan: &'a FieldPlan, logger: &'a LoggerPlan, physics: &'a Physics) -> Self {
        let (from, offset_s) = (plan.from, i64::from(logger.offset_s));
        let drift = plan.clock_drift.iter().find(|(address, _)| *address == logger.address);
        let mut life = Self {
            plan,
            logger,
            physics,
            clock: Clock::new(drift.map(|(_, drift)| *drift), from, from.by_right_logger()),
            is_running: false,
            slot: logger.slot,
            unit: logger.unit,
            cell: Cell { put_in_at: from, empty_at: None },
            pulses_since: from,
            interval_s: logger.interval_s,
            reading: Alarm::new(i64::from(logger.interval_s), from.by_right_logger().later(offset_s)),
            profile: Alarm::new(DAY_S, from.by_right_logger().later(offset_s / 2)),
            truth: LoggerTruth {
                memory_records: logger.memory_records as usize,
                in_service_from: plan.in_service_since(logger.address),
                interval_s: plan.fastest_interval_s(logger).unwrap_or(u32::MAX).min(logger.interval_s),
                others_per_day: if plan.listens(logger) { 3 } else { 1 },
                records: Vec::new(),
                epochs: Vec::new(),
                clears: Vec::new(),
            },
        };
        life.put_cell_in(from);
        life.clock.set(from, from.by_right_logger().later(life.clock_error_after(from.later(-1))));
        life
    }

    /// The next reading or daily profile, not before `now`.
    fn next_by_clock(&self, now: TrueTime) -> Option<(TrueTime, Happening)> {
        let alarms = [(self.profile, Happening::DailyProfile), (self.reading, Happening::Reading)];
        let next = alarms.map(|(alarm, happening)| (self.clock.when(alarm.due, now), happening));
        next.into_iter().min().filter(|_| self.is_running)
    }

    fn happens(&mut self, at: TrueTime, happening: Happening) {
        // A unit that has stopped waits for its successor.
        let waits = !self.is_running && !self.truth.epochs.is_empty();
        if waits && !matches!(happening, Happening::Replaced { .. }) {
            return;
        }
        match happening {
            Happening::SlotChange => self.next_slot(),
            Happening::Stopped => self.is_running = false,
            Happening::Replaced { unit } => self.replaced(at, unit),
            Happening::Start { names_previous } => self.restarted(at, names_previous),
            Happening::NewCell { names_previous } => self.new_cell(at, names_previous),
            Happening::ClockSet => self.set_clock(at),
            Happening::IntervalChange { interval_s } => self.change_interval(at, interval_s),
            Happening::MemoryCleared => {
                self.truth.clears.push(self.truth.records.len());
                self.event(at, Event::MEMORY_CLEARED, 0);
            }
            Happening::Opened => self.event(at, Event::ENCLOSURE_OPENED, 0),
            Happening::Closed => self.event(at, Event::ENCLOSURE_CLOSED, 0),
            Happening::Statement => self.make_statement(at),
            Happening::ClockSetByRadio { time } => self.set_clock_to(at, LoggerTime(i64::from(time))),
            Happening::DailyProfile => {
                self.profile.due = self.profile.due.later(self.profile.every_s);
                self.make_profile(at);
            }
            Happening::Reading => {
                self.reading.due = self.reading.due.later(self.reading.every_s);
                self.make_reading(at);
            }
        }
    }

    fn next_slot(&mut self) {
        self.slot = Slot(self.slot.0.wrapping_add(1));
    }

    fn restarted(&mut self, at: TrueTime, names_previous: bool) {
        self.is_running = true;
        let epoch = match self.truth.epochs.last() {
            None => Some(self.logger.start_epoch),
            Some(before) => before.epoch.number().checked_add(1).and_then(Epoch::new),
        };
        self.power_up(at, epoch, names_previous);
    }

    fn new_cell(&mut self, at: TrueTime, names_previous: bool) {
        self.put_cell_in(at);
        self.pulses_since = at;
        self.clock.set(at, YEAR_2000);
        self.restarted(at, names_previous);
    }

    fn replaced(&mut self, at: TrueTime, unit: u64) {
        self.is_running = true;
        self.unit = unit;
        self.next_slot();
        self.put_cell_in(at);
        self.pulses_since = at;
        self.interval_s = self.logger.interval_s;
        self.reading.every_s = i64::from(self.interval_s).max(1);
        self.clock.set(at, at.by_right_logger().later(self.clock_error_after(at)));
        self.truth.clears.push(self.truth.records.len());
        let above = self.truth.epochs.last().map_or(1, |before| i64::from(before.epoch.number()) + 1);
        let epoch = u32::try_from(above.max(at.unix_s())).ok().and_then(Epoch::new);
        self.power_up(at, epoch, false);
    }

    /// A new epoch. If there is no larger epoch, such a logger just continues.
    fn power_up(&mut self, at: TrueTime, epoch: Option<Epoch>, names_previous: bool) {
        let first_index = self.truth.records.len();
        let names =
            self.truth.epochs.last().map(|before| (before.epoch, (first_index - before.first_index) as u32));
        self.aim(at);
        if let Some(epoch) = epoch {
            self.truth.epochs.push(EpochTruth {
                epoch,
                first_index,
                names: names.filter(|_| names_previous),
            });
            self.make_profile(at);
            self.event(at, Event::POWERED_UP, 0);
        }
    }

    fn put_cell_in(&mut self, at: TrueTime) {
        let swaps = self.plan.battery_swaps.iter().filter(|swap| swap.address == self.logger.address);
        let empty_at = swaps.map(|swap| swap.at).filter(|swap_at| *swap_at > at).min();
        self.cell = Cell { put_in_at: at, empty_at };
    }

    fn set_clock(&mut self, at: TrueTime) {
        self.set_clock_to(at, at.by_right_logger().later(self.clock_error_after(at)));
    }

    fn set_clock_to(&mut self, at: TrueTime, right: LoggerTime) {
        let seconds_added = right.since(self.clock.shows(at));
        self.clock.set(at, right);
        self.aim(at);
        self.event(at, Event::CLOCK_SET, seconds_added);
    }

    /// The error of a clock after it was set at that instant: what later settings will add, up to
    /// the next time that it loses its power.
    fn clock_error_after(&self, at: TrueTime) -> i64 {
        let own = |address: Address| address == self.logger.address;
        let swaps = self.plan.battery_swaps.iter().filter(|swap| own(swap.address));
        let new_units = self.plan.unit_replacements.iter().filter(|new| own(new.address));
        let end = swaps
            .map(|swap| swap.at)
            .chain(new_units.map(|new| new.at))
            .filter(|loses_power| *loses_power > at)
            .fold(self.plan.end(), TrueTime::min);
        let later = |set_at: TrueTime| set_at > at && set_at < end;
        let sets = self.plan.clock_sets.iter().filter(|set| own(set.address) && later(set.at));
        -sets.map(|set| set.seconds_added).sum::<i64>()
    }

    fn change_interval(&mut self, at: TrueTime, interval_s: u32) {
        self.interval_s = interval_s;
        if interval_s > 0 {
            self.reading.every_s = i64::from(interval_s);
            self.reading.aim(self.clock.shows(at));
        }
        self.make_profile(at);
    }

    /// Determines again when readings and the daily profile are due; a profile for this very second has been made
    /// already.
    fn aim(&mut self, at: TrueTime) {
        let shows = self.clock.shows(at);
        self.reading.aim(shows);
        self.profile.aim(shows.later(1));
    }

    fn make_profile(&mut self, at: TrueTime) {
        let Some(epoch) = self.truth.epochs.last() else { return };
        let (previous_epoch, previous_last) =
            epoch.names.map_or((0, 0), |(epoch, last)| (epoch.number(), last));
        // The profile itself counts: it is in memory once it is made.
        let oldest_index = self.truth.oldest_index(self.truth.records.len() + 1);
        let fields = ProfileFields {
            time: self.time(at),
            unit: self.unit,
            interval_s: self.interval_s,
            capacity: self.logger.memory_records,
            oldest: oldest_index.saturating_sub(epoch.first_index) as u32 + 1,
            previous_epoch,
            previous_last,
        };
        let units: Vec<u8> = self.logger.channels.iter().map(|channel| channel.raw_unit() as u8).collect();
        self.make(at, Profile::new(fields, &units, FIRMWARE).map(Record::Profile));
    }

    /// What is in memory once the statement itself is, the newest epoch first.
    fn make_statement(&mut self, at: TrueTime) {
        let made = self.truth.records.len() + 1;
        let oldest = self.truth.oldest_index(made);
        let ends = self.truth.epochs.iter().skip(1).map(|epoch| epoch.first_index).chain([made]);
        let mut entries: Vec<Entry> = (self.truth.epochs.iter().zip(ends))
            .filter(|(_, end)| *end > oldest)
            .map(|(epoch, end)| Entry {
                epoch: epoch.epoch,
                first: oldest.saturating_sub(epoch.first_index) as u32 + 1,
                last: (end - epoch.first_index) as u32,
            })
            .collect();
        entries.reverse();
        entries.truncate(ENTRIES_MAX);
        let Some(own) = entries.first() else { return };
        let Some(sequence) = Sequence::new(own.last) else { return };
        let statement = Statement::new(self.time(at), &entries, own.epoch, sequence);
        self.make(at, statement.ok().map(Record::Statement));
    }

    fn event(&mut self, at: TrueTime, code: u8, value: i64) {
        let time = self.time(at);
        self.make(at, Some(Record::Event(Event { time, code, value })));
    }

    fn make_reading(&mut self, at: TrueTime) {
        let (physics, address) = (self.physics, self.logger.address);
        let mut faults = 0;
        let mut counts = Vec::with_capacity(self.logger.channels.len());
        for (number, channel) in (0u8..).zip(&self.logger.channels) {
            let mut measured = physics.measure(&channel.sensor, address, number, at);
            if channel.sensor == Sensor::RainGauge && self.pulses_since > self.plan.from {
                let before = physics.measure(&channel.sensor, address, number, self.pulses_since);
                measured.counts -= before.counts;
            }
            faults |= u64::from(measured.fault) << (number & 63);
            counts.push(measured.counts);
        }
        let board_centi_c = (100.0 * physics.board_c(at, address)).round() as i16;
        let battery_mv = physics.cell_mv(at, address, self.cell);
        let reading = Reading::new(self.time(at), battery_mv, Some(board_centi_c), faults, &counts);
        self.make(at, reading.map(Record::Reading));
    }

    /// Puts a record into memory under the next sequence.
    fn make(&mut self, at: TrueTime, record: Option<Record>) {
        let Some(epoch) = self.truth.epochs.last() else { return };
        let sequence = (self.truth.records.len() - epoch.first_index) as u32 + 1;
        let identity = Identity::new(self.logger.address.number(), epoch.epoch.number(), sequence);
        if let (Some(identity), Some(record)) = (identity, record) {
            let mut plaintext = Vec::with_capacity(64);
            record.encode(&mut plaintext);
            self.truth.records.push(TruthRecord {
                identity,
                slot: self.slot,
                made_at: at,
                time: record.time(),
                plaintext: plaintext.into(),
                heard: false,
                heard_at: None,
            });
        }
    }

    /// What its clock shows, in the form of a record's time.
    fn time(&self, at: TrueTime) -> u32 {
        self.clock.shows(at).unix_s().clamp(0, i64::from(u32::MAX)) as u32
    }
}
