//! Every record that was ever made, and which of them a gateway must hold.
//!
//! Input: the loggers' lives, and what [`super::Witness`] sees on the line. Output: expectations that tests
//! and the demo compare a ledger and its reports with.
//!
//! What this is not: no code of the judge, of coverage or of the gap report is used, so that a fault of
//! theirs cannot hide here. Sets are counted through record by record, on purpose.

use super::plan::FieldPlan;
use super::sealer::Sealer;
use super::{logger, physics::Physics};
use crate::wire::record::Record;
use crate::wire::seq::{Address, Epoch, Identity, Slot};
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, Write};
use std::ops::RangeInclusive;
use std::sync::Arc;

/// One record, as its logger made it.
#[derive(Clone, PartialEq, Eq)]
pub struct TruthRecord {
    /// Which record it is.
    pub identity: Identity,
    /// The key slot that it was sealed with.
    pub slot: Slot,
    /// When it was made, by a right clock.
    pub made_at_unix_s: i64,
    /// When it was made, by the logger's clock: the record's time.
    pub time: u32,
    /// The record before sealing.
    pub plaintext: Box<[u8]>,
    /// Whether a whole copy came over the line, as [`super::Witness`] saw it.
    pub heard: bool,
    /// When the first such copy came, by a right clock, where that was said.
    pub heard_at_unix_s: Option<i64>,
}

// Like the record itself: nothing of its content is printed.
impl std::fmt::Debug for TruthRecord {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "TruthRecord({}, heard: {})", self.identity, self.heard)
    }
}

impl TruthRecord {
    /// By when a gateway can know of it: when it came, and else when it was made.
    fn known_at(&self) -> i64 {
        self.heard_at_unix_s.unwrap_or(self.made_at_unix_s)
    }

    /// The record read back from its plaintext; always there.
    pub fn record(&self) -> Option<Record> {
        Record::decode(&self.plaintext, self.identity.epoch).ok()
    }
}

/// All records of a field.
#[derive(Clone, Debug)]
pub struct Truth {
    loggers: BTreeMap<Address, LoggerTruth>,
    sealer: Arc<Sealer>,
    to_unix_s: i64,
    /// When what is heard now comes over the line.
    line_at_unix_s: Option<i64>,
}

/// One logger's records, in the order in which it made them.
#[derive(Clone, Debug)]
pub(super) struct LoggerTruth {
    pub(super) memory_records: usize,
    /// From when on the roster expects its records, where it says.
    pub(super) in_service_from: Option<i64>,
    /// The shortest interval that the roster gives.
    pub(super) interval_s: u32,
    pub(super) records: Vec<TruthRecord>,
    /// In order; epochs grow.
    pub(super) epochs: Vec<EpochTruth>,
    /// Indices of the records that stand first in a cleared memory, or in a new unit's.
    pub(super) clears: Vec<usize>,
}

/// One epoch of a logger: its records stand without a gap from `first_index` to the next epoch's.
#[derive(Clone, Copy, Debug)]
pub(super) struct EpochTruth {
    pub(super) epoch: Epoch,
    pub(super) first_index: usize,
    /// The previous epoch and its last sequence, if the profiles of this one tell.
    pub(super) names: Option<(Epoch, u32)>,
}

impl LoggerTruth {
    /// The index of the oldest record in memory when `made` records have been made.
    pub(super) fn oldest_index(&self, made: usize) -> usize {
        let cleared = self.clears.iter().copied().filter(|index| *index < made).max().unwrap_or(0);
        made.saturating_sub(self.memory_records).max(cleared)
    }

    fn index(&self, identity: Identity) -> Option<usize> {
        let epoch = self.epochs.iter().find(|epoch| epoch.epoch == identity.epoch)?;
        let index = epoch.first_index + identity.sequence.number() as usize - 1;
        self.records.get(index).filter(|record| record.identity == identity).map(|_| index)
    }

    fn of_epoch(&self, epoch: u32) -> impl Iterator<Item = &TruthRecord> {
        self.records.iter().filter(move |record| record.identity.epoch.number() == epoch)
    }

    fn heard(&self) -> impl Iterator<Item = &TruthRecord> {
        self.records.iter().filter(|record| record.heard)
    }

    /// The first sequence of an epoch that is expected; `None`: none of it is.
    fn first_expected(&self, epoch: u32) -> Option<u32> {
        let Some(since) = self.in_service_from else { return Some(1) };
        let heard = || self.heard().filter(move |record| record.identity.epoch.number() == epoch);
        let sequence = |record: &TruthRecord| u64::from(record.identity.sequence.number());
        let before = heard().filter(|r| r.known_at() < since).map(sequence).max().unwrap_or(0);
        let after = heard().filter(|r| sequence(r) > before).min_by_key(|r| r.identity);
        let later = self.heard().filter(|r| r.identity.epoch.number() > epoch).min_by_key(|r| r.identity);
        let (first, at) = match (after, later) {
            (Some(after), _) => (sequence(after), Some(after.known_at())),
            (None, Some(later)) if later.known_at() <= since => return None,
            (None, later) => {
                let named = self.named().filter(|(of, _)| *of == epoch).map(|(_, last)| last).max();
                (before.max(u64::from(named.unwrap_or(0))) + 1, later.map(|r| r.known_at()))
            }
        };
        let profiles = heard().filter_map(|record| match record.record() {
            Some(Record::Profile(profile)) => Some(profile.interval_s),
            _ => None,
        });
        let interval = i64::from(profiles.chain([self.interval_s]).min().unwrap_or(0));
        let Some(span) = at.map(|at| at - since).filter(|&span| span >= 0 && interval > 0) else {
            return u32::try_from(before + 1).ok();
        };
        let up = |by: i64| u64::try_from((span + by - 1) / by).unwrap_or(0);
        let most = up(interval) + up(86_400) + 6;
        u32::try_from(before.max(first.saturating_sub(most + 1)) + 1).ok()
    }

    /// What the heard profiles say of earlier epochs: (epoch, its last sequence).
    fn named(&self) -> impl Iterator<Item = (u32, u32)> {
        self.heard().filter_map(|record| match record.record() {
            Some(Record::Profile(profile)) if profile.previous_epoch != 0 => {
                Some((profile.previous_epoch, profile.previous_last))
            }
            _ => None,
        })
    }
}

impl Truth {
    /// Lets every logger live through the plan. Nothing is heard yet.
    pub fn new(plan: &FieldPlan) -> Self {
        let physics = Physics::new(plan.seed, plan.from_unix_s);
        let mut loggers = BTreeMap::new();
        for of in &plan.loggers {
            loggers.entry(of.address).or_insert_with(|| logger::live(plan, of, &physics));
        }
        Self {
            loggers,
            sealer: Arc::new(Sealer::new(plan)),
            to_unix_s: plan.to_unix_s(),
            line_at_unix_s: None,
        }
    }

    /// When the field ends.
    pub fn to_unix_s(&self) -> i64 {
        self.to_unix_s
    }

    /// All loggers.
    pub fn addresses(&self) -> impl Iterator<Item = Address> {
        self.loggers.keys().copied()
    }

    /// Whether an address is one of this field's.
    pub fn contains(&self, address: Address) -> bool {
        self.loggers.contains_key(&address)
    }

    /// Every record, by logger, in the order in which they were made.
    pub fn records(&self) -> impl Iterator<Item = &TruthRecord> {
        self.loggers.values().flat_map(|logger| &logger.records)
    }

    /// One logger's records, in the order in which it made them.
    pub fn records_of(&self, address: Address) -> &[TruthRecord] {
        self.loggers.get(&address).map_or(&[], |logger| &logger.records)
    }

    /// One record.
    pub fn record(&self, identity: Identity) -> Option<&TruthRecord> {
        let logger = self.loggers.get(&identity.address)?;
        logger.records.get(logger.index(identity)?)
    }

    /// The records of which a whole copy came over the line.
    pub fn heard(&self) -> impl Iterator<Item = &TruthRecord> {
        self.records().filter(|record| record.heard)
    }

    /// One logger's epochs, oldest first.
    pub fn epochs(&self, address: Address) -> Vec<u32> {
        self.loggers
            .get(&address)
            .map_or_else(Vec::new, |logger| logger.epochs.iter().map(|epoch| epoch.epoch.number()).collect())
    }

    /// What a right gap report lists for an epoch: of 1 (or of the first that the roster expects) to its largest
    /// heard sequence, or to the end that a heard profile names, whichever is more, the sequences that were not heard.
    pub fn missing_ranges(&self, address: Address, epoch: u32) -> Vec<RangeInclusive<u32>> {
        let Some(logger) = self.loggers.get(&address) else { return Vec::new() };
        let Some(first) = logger.first_expected(epoch) else { return Vec::new() };
        let heard: BTreeSet<u32> = logger
            .of_epoch(epoch)
            .filter(|record| record.heard)
            .map(|record| record.identity.sequence.number())
            .collect();
        let named = logger.named().filter(|(of, _)| *of == epoch).map(|(_, last)| last).max().unwrap_or(0);
        let last = heard.last().copied().unwrap_or(0).max(named);
        let mut ranges: Vec<RangeInclusive<u32>> = Vec::new();
        for sequence in (first..=last).filter(|sequence| !heard.contains(sequence)) {
            match ranges.last_mut() {
                Some(range) if *range.end() + 1 == sequence => *range = *range.start()..=sequence,
                _ => ranges.push(sequence..=sequence),
            }
        }
        ranges
    }

    /// Every gap of a right report: logger, epoch, missing sequences; epochs without one are left out.
    pub fn missing(&self) -> Vec<(Address, u32, RangeInclusive<u32>)> {
        let mut all = Vec::new();
        for address in self.addresses() {
            for epoch in self.epochs(address) {
                all.extend(
                    self.missing_ranges(address, epoch).into_iter().map(|range| (address, epoch, range)),
                );
            }
        }
        all
    }

    /// The epochs of a logger of which something was heard and expected, that are over (a later one was heard or
    /// named) and whose end no heard profile names.
    pub fn unclosed(&self, address: Address) -> Vec<u32> {
        let Some(logger) = self.loggers.get(&address) else { return Vec::new() };
        let heard: BTreeSet<u32> = logger.heard().map(|record| record.identity.epoch.number()).collect();
        let named: BTreeSet<u32> = logger.named().map(|(epoch, _)| epoch).collect();
        let newest = heard.iter().chain(&named).max().copied().unwrap_or(0);
        let is_open = |epoch: &u32| *epoch < newest && !named.contains(epoch);
        heard.into_iter().filter(is_open).filter(|epoch| logger.first_expected(*epoch).is_some()).collect()
    }

    /// Says when what is heard from here on comes over the line; `None`: not known, or by hand.
    pub fn set_line_time(&mut self, at_unix_s: Option<i64>) {
        self.line_at_unix_s = at_unix_s;
    }

    /// Says that a record is held after all; `true` if it was not before.
    pub fn mark_heard(&mut self, identity: Identity) -> bool {
        let Some(logger) = self.loggers.get_mut(&identity.address) else { return false };
        let Some(index) = logger.index(identity) else { return false };
        let record = &mut logger.records[index];
        if !record.heard {
            record.heard_at_unix_s = self.line_at_unix_s;
        }
        !std::mem::replace(&mut record.heard, true)
    }

    /// Forgets what was heard, to have another [`super::Witness`] listen.
    pub fn forget_heard(&mut self) {
        for record in self.loggers.values_mut().flat_map(|logger| &mut logger.records) {
            record.heard = false;
            record.heard_at_unix_s = None;
        }
    }

    /// The air frame of a record: the same bytes whenever it is sent or copied.
    pub fn air_frame(&self, record: &TruthRecord) -> Vec<u8> {
        self.sealer.seal(record.slot, record.identity, &record.plaintext)
    }

    /// One line of JSON a record: logger, epoch, sequence, type, time (RFC 3339, by the logger's clock), made_at (the
    /// same by a right clock), battery, board temperature, counts and faults (the numbers of the faulted channels; null for what a
    /// type has not), heard, in memory at the field's end.
    pub fn write_jsonl(&self, out: &mut impl Write) -> io::Result<()> {
        for logger in self.loggers.values() {
            let oldest = logger.oldest_index(logger.records.len());
            for (index, record) in logger.records.iter().enumerate() {
                serde_json::to_writer(&mut *out, &Line::new(record, index >= oldest))?;
                out.write_all(b"\n")?;
            }
        }
        Ok(())
    }

    pub(super) fn of_logger(&self, address: Address) -> Option<&LoggerTruth> {
        self.loggers.get(&address)
    }
}

#[derive(Serialize)]
struct Line<'a> {
    logger: u16,
    epoch: u32,
    sequence: u32,
    #[serde(rename = "type")]
    kind: &'a str,
    time: String,
    made_at: String,
    battery_mv: Option<u16>,
    board_centi_c: Option<i16>,
    counts: Option<Vec<i32>>,
    faults: Option<Vec<u32>>,
    heard: bool,
    in_memory: bool,
}

impl Line<'_> {
    fn new(record: &TruthRecord, in_memory: bool) -> Self {
        let mut line = Self {
            logger: record.identity.address.number(),
            epoch: record.identity.epoch.number(),
            sequence: record.identity.sequence.number(),
            kind: "opaque",
            time: rfc3339(i64::from(record.time)),
            made_at: rfc3339(record.made_at_unix_s),
            battery_mv: None,
            board_centi_c: None,
            counts: None,
            faults: None,
            heard: record.heard,
            in_memory,
        };
        match record.record() {
            Some(Record::Reading(reading)) => {
                line.kind = "reading";
                line.battery_mv = Some(reading.battery_mv);
                line.board_centi_c = reading.board_centi_c;
                line.counts = Some(reading.counts().to_vec());
                line.faults = Some((0..64).filter(|bit| reading.faults() >> bit & 1 == 1).collect());
            }
            Some(Record::Profile(_)) => line.kind = "profile",
            Some(Record::Event(_)) => line.kind = "event",
            None => {}
        }
        line
    }
}

fn rfc3339(unix_s: i64) -> String {
    chrono::DateTime::from_timestamp(unix_s, 0)
        .map_or_else(String::new, |time| time.format("%FT%TZ").to_string())
}
