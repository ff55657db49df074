//! Readings of the ledger in the form that `units::chain` needs: for each logger a window is kept, and replaced when a
//! request is outside it.
//!
//! Times and raw units come only from `ledger::read::readings`, for the reading and for everything that corrects it.

use crate::ledger::read::readings::{Known, MadeReading, Readings};
use crate::ledger::read::snapshot::Snapshot;
use crate::record::facts::Facts;
use crate::record::roster::Roster;
use crate::time::GatewayTime;
use crate::units::inputs::{Around, Earlier, Inputs, Sample};
use crate::wire::record::RawUnit;
use crate::wire::seq::{Address, Epoch, Identity};
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::rc::Rc;
use std::sync::Arc;

/// The error of reading the ledger.
pub type ReadError = <Snapshot<'static> as Facts>::Error;

/// How much is read before the requested time and after it: values are mostly requested in the order of time.
const BEFORE_S: i64 = 86_400;
const AFTER_S: i64 = 8 * 86_400;
/// The same in records, for totals of counters.
const BEFORE_RECORDS: u32 = 256;
const AFTER_RECORDS: u32 = 4096;

/// The inputs that one snapshot of the ledger gives.
pub struct LedgerInputs<'s> {
    readings: Readings<'s>,
    windows: RefCell<BTreeMap<Address, Rc<Window>>>,
    orders: RefCell<BTreeMap<Address, Rc<Order>>>,
}

/// The readings of a logger by time, from one instant to another, end exclusive.
struct Window {
    from: GatewayTime,
    to: GatewayTime,
    readings: Vec<Kept>,
}

/// The readings of a range of sequences of one epoch, by sequence.
struct Order {
    epoch: Epoch,
    first: u32,
    last: u32,
    readings: Vec<Kept>,
}

struct Kept {
    identity: Identity,
    time: GatewayTime,
    is_corrected: bool,
    counts: Vec<i32>,
    faults: u64,
    units: Arc<[Option<RawUnit>]>,
}

impl Kept {
    fn new(reading: &MadeReading<'_>) -> Self {
        Self {
            identity: reading.identity,
            time: reading.corrected.time,
            is_corrected: reading.corrected.is_estimate,
            counts: reading.row.counts.clone(),
            faults: reading.row.faults,
            units: Arc::clone(reading.units),
        }
    }

    fn sample(&self, channel: u8) -> Option<Sample> {
        let at = usize::from(channel);
        Some(Sample {
            identity: self.identity,
            time: self.time,
            is_corrected: self.is_corrected,
            count: *self.counts.get(at)?,
            is_fault: self.faults >> channel & 1 == 1,
            raw_unit: self.units.get(at).copied().flatten(),
        })
    }
}

impl<'s> LedgerInputs<'s> {
    /// Inputs from a snapshot. What `known` has looked up once holds for all snapshots of a command.
    pub fn new(snapshot: &'s Snapshot<'s>, roster: &'s Roster, known: &'s Known) -> Self {
        let readings = Readings::new(snapshot, roster, known);
        Self { readings, windows: RefCell::default(), orders: RefCell::default() }
    }

    /// The readings by when they were made.
    pub fn readings(&self) -> Readings<'s> {
        self.readings
    }

    /// The readings of a channel in a span, by time, each with whether it came from a hand download.
    pub fn samples(
        &self,
        logger: Address,
        channel: u8,
        span: (GatewayTime, GatewayTime),
    ) -> Result<Vec<(Sample, bool)>, ReadError> {
        let mut samples = Vec::new();
        self.readings.made_in(logger, span, |reading| {
            if let Some((count, is_fault)) = reading.count(channel) {
                let sample = Sample {
                    identity: reading.identity,
                    time: reading.corrected.time,
                    is_corrected: reading.corrected.is_estimate,
                    count,
                    is_fault,
                    raw_unit: reading.raw_unit(channel),
                };
                samples.push((sample, reading.is_by_hand));
            }
            Ok(())
        })?;
        samples.sort_by_key(|(sample, _)| (sample.time, sample.identity));
        Ok(samples)
    }

    /// A window that contains a span.
    fn window(&self, logger: Address, from: GatewayTime, to: GatewayTime) -> Result<Rc<Window>, ReadError> {
        if let Some(window) = self.windows.borrow().get(&logger)
            && window.from <= from
            && to <= window.to
        {
            return Ok(Rc::clone(window));
        }
        let (from, to) = (from.later(-BEFORE_S), to.later(AFTER_S));
        let mut readings = Vec::new();
        self.readings.made_in(logger, (from, to), |reading| {
            readings.push(Kept::new(reading));
            Ok(())
        })?;
        readings.sort_by_key(|kept: &Kept| (kept.time, kept.identity));
        let window = Rc::new(Window { from, to, readings });
        self.windows.borrow_mut().insert(logger, Rc::clone(&window));
        Ok(window)
    }

    /// A range that contains a sequence, and some records before and after it.
    fn order(&self, logger: Address, epoch: Epoch, sequence: u32) -> Result<Rc<Order>, ReadError> {
        if let Some(order) = self.orders.borrow().get(&logger)
            && order.epoch == epoch
            && (order.first..=order.last).contains(&sequence)
        {
            return Ok(Rc::clone(order));
        }
        let first = sequence.saturating_sub(BEFORE_RECORDS).max(1);
        let last = sequence.saturating_add(AFTER_RECORDS);
        let mut readings = Vec::new();
        self.readings.of_sequences(logger, epoch, (first, last), |reading| {
            readings.push(Kept::new(reading));
            Ok(())
        })?;
        readings.sort_by_key(|kept: &Kept| kept.identity);
        let order = Rc::new(Order { epoch, first, last, readings });
        self.orders.borrow_mut().insert(logger, Rc::clone(&order));
        Ok(order)
    }

    /// The last reading before a record, in the order in which the logger made them, whose channel has a count and
    /// no fault; with the number of readings that were skipped.
    fn counted_before(&self, channel: u8, id: Identity) -> Result<Option<(Sample, u64)>, ReadError> {
        let coverage = self.readings.snapshot().coverage();
        let epochs = coverage.epochs_of(id.address).rev().filter(|(epoch, _)| *epoch <= id.epoch);
        let mut passed = 0;
        for (epoch, held) in epochs {
            let held = held.held();
            let mut below = if epoch == id.epoch { id.sequence.number() } else { u32::MAX };
            // The largest held sequence below: a gap is skipped in one step.
            while let Some(at) = held.largest_below(below) {
                let order = self.order(id.address, epoch, at)?;
                for kept in order.readings.iter().rev().filter(|kept| kept.identity.sequence.number() <= at) {
                    match kept.sample(channel) {
                        Some(sample) if !sample.is_fault => return Ok(Some((sample, passed))),
                        _ => passed += 1,
                    }
                }
                below = order.first;
            }
        }
        Ok(None)
    }
}

impl Inputs for LedgerInputs<'_> {
    type Error = ReadError;

    fn around(
        &self,
        logger: Address,
        channel: u8,
        at: GatewayTime,
        within_s: i64,
    ) -> Result<Around, ReadError> {
        let (from, to) = (at.later(-within_s), at.later(within_s).later(1));
        let window = self.window(logger, from, to)?;
        let after = window.readings.partition_point(|kept| kept.time <= at);
        let (early, late) = window.readings.split_at(after);
        let sample = |kept: &Kept| kept.sample(channel);
        let before = early.iter().rev().take_while(|kept| kept.time >= from).find_map(sample);
        let after = late.iter().take_while(|kept| kept.time < to).find_map(sample);
        Ok(Around { before, after })
    }

    fn of_record(&self, channel: u8, identity: Identity) -> Result<Option<Sample>, ReadError> {
        let order = self.order(identity.address, identity.epoch, identity.sequence.number())?;
        let at = order.readings.partition_point(|kept| kept.identity < identity);
        let kept = order.readings.get(at).filter(|kept| kept.identity == identity);
        Ok(kept.and_then(|kept| kept.sample(channel)))
    }

    fn earlier(&self, channel: u8, sample: &Sample) -> Result<Option<Earlier>, ReadError> {
        let Some((earlier, faults)) = self.counted_before(channel, sample.identity)? else { return Ok(None) };
        let (before, after) = (earlier.identity, sample.identity);
        let restarted =
            before.epoch != after.epoch || self.readings.snapshot().powered_up_between(before, after)?;
        let gap = self.readings.is_gap_between(before, after)?;
        Ok(Some(Earlier { sample: earlier, restarted, gap, faults }))
    }
}
