//! Every record that was ever made, and which ones a gateway must hold.
//!
//! Input: the loggers' lives, and what [`super::Witness`] sees on the line. Output: expectations with which tests
//! and the demo compare a ledger and its reports.
//!
//! No code of the judge, of coverage or of the gap report is used, so that a fault in
//! them cannot hide here. Sets are counted record by record, on purpose.

use super::life::{LoggerTruth, TruthRecord};
use super::plan::FieldPlan;
use super::sealer::Sealer;
use super::true_time::TrueTime;
use super::{logger, physics::Physics};
use crate::text::rfc3339;
use crate::wire::record::Record;
use crate::wire::seq::{Address, Identity, Slot};
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, Write};
use std::ops::RangeInclusive;
use std::sync::Arc;

/// All records of a field.
#[derive(Clone, Debug)]
pub struct Truth {
    loggers: BTreeMap<Address, LoggerTruth>,
    sealer: Arc<Sealer>,
    physics: Physics,
    end: TrueTime,
    /// The time at which what is heard now comes over the line.
    line_at: Option<TrueTime>,
}

impl Truth {
    /// Runs every logger through the plan. Nothing is heard yet.
    pub fn new(plan: &FieldPlan) -> Self {
        let physics = Physics::new(plan.seed, plan.from);
        let mut loggers = BTreeMap::new();
        for of in &plan.loggers {
            loggers.entry(of.address).or_insert_with(|| logger::live(plan, of, &physics));
        }
        let sealer = Arc::new(Sealer::new(plan));
        Self { loggers, sealer, physics, end: plan.end(), line_at: None }
    }

    /// Runs one logger through the plan again, after something was added to it. Returns how many of its records stay as
    /// they were: all of them up to then.
    pub(super) fn live_again(&mut self, plan: &FieldPlan, address: Address) -> usize {
        let Some(of) = plan.logger(address) else { return 0 };
        let mut again = logger::live(plan, of, &self.physics);
        let Some(before) = self.loggers.get(&address) else { return 0 };
        let is_same = |(new, old): &(&mut TruthRecord, &TruthRecord)| {
            (new.identity, new.made_at, &new.plaintext) == (old.identity, old.made_at, &old.plaintext)
        };
        let mut same = 0;
        for (new, old) in again.records.iter_mut().zip(&before.records).take_while(is_same) {
            (new.heard, new.heard_at) = (old.heard, old.heard_at);
            same += 1;
        }
        self.loggers.insert(address, again);
        same
    }

    /// What a frame to a logger says, if it is authentic.
    pub(super) fn open_to_logger(&self, address: Address, slot: Slot, air: &[u8]) -> Option<Vec<u8>> {
        self.sealer.open_to_logger(address, slot, air)
    }

    pub fn end(&self) -> TrueTime {
        self.end
    }

    pub fn addresses(&self) -> impl Iterator<Item = Address> {
        self.loggers.keys().copied()
    }

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

    /// What a correct gap report lists for an epoch: the sequences that were not heard, from 1 (or from the first that
    /// the roster expects) to the largest heard sequence, or to the end that a heard profile names if that is larger.
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

    /// Every gap of a correct report: logger, epoch, missing sequences; epochs without one are left out.
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

    /// The epochs of a logger that are over (a later one was heard or named), of which something was heard and
    /// expected, and whose end no heard profile names.
    pub fn unclosed(&self, address: Address) -> Vec<u32> {
        let Some(logger) = self.loggers.get(&address) else { return Vec::new() };
        let heard: BTreeSet<u32> = logger.heard().map(|record| record.identity.epoch.number()).collect();
        let named: BTreeSet<u32> = logger.named().map(|(epoch, _)| epoch).collect();
        let newest = heard.iter().chain(&named).max().copied().unwrap_or(0);
        let is_open = |epoch: &u32| *epoch < newest && !named.contains(epoch);
        heard.into_iter().filter(is_open).filter(|epoch| logger.first_expected(*epoch).is_some()).collect()
    }

    /// Sets the time at which what is heard from now on comes over the line; `None`: not known, or by hand.
    pub fn set_line_time(&mut self, at: Option<TrueTime>) {
        self.line_at = at;
    }

    /// Marks a record as held; `true` if it was not before.
    pub fn mark_heard(&mut self, identity: Identity) -> bool {
        let Some(logger) = self.loggers.get_mut(&identity.address) else { return false };
        let Some(index) = logger.index(identity) else { return false };
        let record = &mut logger.records[index];
        if !record.heard {
            record.heard_at = self.line_at;
        }
        !std::mem::replace(&mut record.heard, true)
    }

    /// Forgets what was heard, so that another [`super::Witness`] can listen.
    pub fn forget_heard(&mut self) {
        for record in self.loggers.values_mut().flat_map(|logger| &mut logger.records) {
            record.heard = false;
            record.heard_at = None;
        }
    }

    /// The air frame of a record: the same bytes whenever it is sent or copied.
    pub fn air_frame(&self, record: &TruthRecord) -> Vec<u8> {
        self.sealer.seal(record.slot, record.identity, &record.plaintext)
    }

    /// One line of JSON for each record: logger, epoch, sequence, type, time (RFC 3339, by the logger's clock), made_at
    /// (the same by a correct clock), battery, board temperature, counts and faults (the numbers of the faulted
    /// channels; null for what the type does not have), heard, in memory at the field's end.
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
            made_at: rfc3339(record.made_at),
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
            Some(Record::Statement(_)) => line.kind = "memory statement",
            None => {}
        }
        line
    }
}
