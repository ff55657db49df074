//! One logger's whole life: every record that it makes, in order.
//!
//! Input: the plan and the physics. Output: [`LoggerTruth`]. What becomes of the records on their way is
//! none of a logger's business: it measures whether it is heard or not.
//!
//! Order of an epoch: its profile, the event "powered up", then readings, a profile each day, and events as
//! they come. Promises: sequences of an epoch are 1, 2, 3 and so on; a record's slot and bytes never change.

use super::physics::Physics;
use super::plan::{FieldPlan, LoggerPlan};
use super::truth::{EpochTruth, LoggerTruth, TruthRecord};
use crate::wire::record::{Event, Profile, ProfileFields, Reading, Record};
use crate::wire::seq::{Epoch, Identity, Slot};

const DAY_S: i64 = 86_400;
/// How long an enclosure stays open.
const OPEN_S: i64 = 600;
/// What the loggers' profiles call their software. Invented.
const FIRMWARE: &str = "field 1.4";

/// What happens at an instant; at equal instants in this order.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Happening {
    SlotChange,
    Start { names_previous: bool },
    DailyProfile,
    ClockSet { seconds_added: i64 },
    MemoryCleared,
    Opened,
    Closed,
    Reading,
}

/// Makes every record of a logger.
pub(super) fn live(plan: &FieldPlan, logger: &LoggerPlan, physics: &Physics) -> LoggerTruth {
    let happenings = timeline(plan, logger);
    let mut life = Life {
        logger,
        physics,
        clock_error_s: -sum_of_clock_sets(plan, logger),
        slot: logger.slot,
        truth: LoggerTruth {
            memory_records: logger.memory_records as usize,
            records: Vec::with_capacity(happenings.len() + 1),
            epochs: Vec::new(),
            clears: Vec::new(),
        },
    };
    for (at_unix_s, happening) in happenings {
        life.happens(at_unix_s, happening);
    }
    life.truth
}

/// All that happens to a logger, in order.
fn timeline(plan: &FieldPlan, logger: &LoggerPlan) -> Vec<(i64, Happening)> {
    let (from, to) = (plan.from_unix_s, plan.to_unix_s());
    let own = |address| address == logger.address;
    let mut all = vec![(from + i64::from(logger.offset_s / 2), Happening::Start { names_previous: false })];
    let restarts = plan.restarts.iter().filter(|restart| own(restart.address));
    all.extend(
        restarts
            .map(|restart| (restart.at_unix_s, Happening::Start { names_previous: restart.names_previous })),
    );
    let mut at_moments =
        |moments: &[(crate::wire::seq::Address, i64)], delay_s: i64, happening: Happening| {
            let moments = moments.iter().filter(|(address, _)| own(*address));
            all.extend(moments.map(|(_, at_unix_s)| (at_unix_s + delay_s, happening)));
        };
    at_moments(&plan.slot_changes, 0, Happening::SlotChange);
    at_moments(&plan.memory_clears, 0, Happening::MemoryCleared);
    at_moments(&plan.openings, 0, Happening::Opened);
    at_moments(&plan.openings, OPEN_S, Happening::Closed);
    let clock_sets = plan.clock_sets.iter().filter(|set| own(set.address));
    all.extend(
        clock_sets.map(|set| (set.at_unix_s, Happening::ClockSet { seconds_added: set.seconds_added })),
    );
    // An interval of 0 would never end.
    let interval_s = i64::from(logger.interval_s.max(1));
    let offset_s = i64::from(logger.offset_s);
    let every = |first: i64, step: i64| (0..).map(move |n| first + n * step).take_while(move |at| *at < to);
    all.extend(every(from + offset_s, interval_s).map(|at_unix_s| (at_unix_s, Happening::Reading)));
    all.extend(
        every(from + offset_s / 2 + DAY_S, DAY_S).map(|at_unix_s| (at_unix_s, Happening::DailyProfile)),
    );
    let start = all[0].0;
    all.retain(|(at_unix_s, _)| (start..to.max(start + 1)).contains(at_unix_s));
    all.sort_unstable();
    all
}

fn sum_of_clock_sets(plan: &FieldPlan, logger: &LoggerPlan) -> i64 {
    let ahead = |at_unix_s| (plan.from_unix_s..plan.to_unix_s()).contains(&at_unix_s);
    let sets = plan.clock_sets.iter().filter(|set| set.address == logger.address && ahead(set.at_unix_s));
    sets.map(|set| set.seconds_added).sum()
}

struct Life<'a> {
    logger: &'a LoggerPlan,
    physics: &'a Physics,
    /// What its clock shows beyond the right time.
    clock_error_s: i64,
    slot: Slot,
    truth: LoggerTruth,
}

impl Life<'_> {
    fn happens(&mut self, at: i64, happening: Happening) {
        match happening {
            Happening::SlotChange => self.slot = Slot(self.slot.0.wrapping_add(1)),
            Happening::Start { names_previous } => self.start(at, names_previous),
            Happening::DailyProfile => self.profile(at),
            Happening::ClockSet { seconds_added } => {
                self.clock_error_s += seconds_added;
                self.event(at, Event::CLOCK_SET, seconds_added);
            }
            Happening::MemoryCleared => {
                self.truth.clears.push(self.truth.records.len());
                self.event(at, Event::MEMORY_CLEARED, 0);
            }
            Happening::Opened => self.event(at, Event::ENCLOSURE_OPENED, 0),
            Happening::Closed => self.event(at, Event::ENCLOSURE_CLOSED, 0),
            Happening::Reading => self.reading(at),
        }
    }

    fn start(&mut self, at: i64, names_previous: bool) {
        let first_index = self.truth.records.len();
        let (epoch, names) = match self.truth.epochs.last() {
            None => (Some(self.logger.start_epoch), None),
            Some(before) => {
                let last = (first_index - before.first_index) as u32;
                (
                    before.epoch.number().checked_add(1).and_then(Epoch::new),
                    names_previous.then_some((before.epoch, last)),
                )
            }
        };
        // After the largest epoch there is none: such a logger just goes on.
        if let Some(epoch) = epoch {
            self.truth.epochs.push(EpochTruth { epoch, first_index, names });
            self.profile(at);
            self.event(at, Event::POWERED_UP, 0);
        }
    }

    fn profile(&mut self, at: i64) {
        let Some(epoch) = self.truth.epochs.last() else { return };
        let (previous_epoch, previous_last) =
            epoch.names.map_or((0, 0), |(epoch, last)| (epoch.number(), last));
        // The profile itself counts: it is in memory once it is made.
        let oldest_index = self.truth.oldest_index(self.truth.records.len() + 1);
        let fields = ProfileFields {
            time: self.clock(at),
            unit: self.logger.unit,
            interval_s: self.logger.interval_s,
            capacity: self.logger.memory_records,
            oldest: oldest_index.saturating_sub(epoch.first_index) as u32 + 1,
            previous_epoch,
            previous_last,
        };
        let units: Vec<u8> = self.logger.channels.iter().map(|channel| channel.raw_unit() as u8).collect();
        self.make(at, Profile::new(fields, &units, FIRMWARE).map(Record::Profile));
    }

    fn event(&mut self, at: i64, code: u8, value: i64) {
        let time = self.clock(at);
        self.make(at, Some(Record::Event(Event { time, code, value })));
    }

    fn reading(&mut self, at: i64) {
        let (physics, address) = (self.physics, self.logger.address);
        let mut faults = 0;
        let mut counts = Vec::with_capacity(self.logger.channels.len());
        for (number, channel) in (0u8..).zip(&self.logger.channels) {
            let measured = physics.measure(&channel.sensor, address, number, at);
            faults |= u64::from(measured.fault) << (number & 63);
            counts.push(measured.counts);
        }
        let board_centi_c = (100.0 * physics.board_c(at, address)).round() as i16;
        let battery_mv = physics.battery_mv(at, address);
        let reading = Reading::new(self.clock(at), battery_mv, Some(board_centi_c), faults, &counts);
        self.make(at, reading.map(Record::Reading));
    }

    /// Puts a record into memory under the next sequence.
    fn make(&mut self, at: i64, record: Option<Record>) {
        let Some(epoch) = self.truth.epochs.last() else { return };
        let sequence = (self.truth.records.len() - epoch.first_index) as u32 + 1;
        let identity = Identity::new(self.logger.address.number(), epoch.epoch.number(), sequence);
        if let (Some(identity), Some(record)) = (identity, record) {
            let mut plaintext = Vec::with_capacity(64);
            record.encode(&mut plaintext);
            self.truth.records.push(TruthRecord {
                identity,
                slot: self.slot,
                made_at_unix_s: at,
                time: record.time(),
                plaintext: plaintext.into(),
                heard: false,
            });
        }
    }

    fn clock(&self, at: i64) -> u32 {
        (at + self.clock_error_s).clamp(0, i64::from(u32::MAX)) as u32
    }
}
