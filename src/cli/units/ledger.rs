//! Readings of the ledger as `chain` asks for them: a window of each logger is kept, and moved when it is left.

use crate::clock::Corrected;
use crate::config::roster::Roster;
use crate::gaps::Facts;
use crate::ledger::Error;
use crate::ledger::query::Snapshot;
use crate::units::chain::{Around, Earlier, Inputs, Sample};
use crate::wire::record::RawUnit;
use crate::wire::seq::{Address, Identity};
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::rc::Rc;

/// How much is read before what is asked for, and after: values are mostly asked for in the order of time.
const BEFORE_S: i64 = 86_400;
const AFTER_S: i64 = 8 * 86_400;

/// A snapshot of the ledger.
pub(in crate::cli) struct LedgerInputs<'s> {
    snapshot: &'s Snapshot<'s>,
    roster: &'s Roster,
    windows: RefCell<BTreeMap<Address, Rc<Window>>>,
}

/// The readings of a logger from one instant until before another, by time.
struct Window {
    from: i64,
    to: i64,
    readings: Vec<Kept>,
}

struct Kept {
    identity: Identity,
    corrected: Corrected,
    counts: Vec<i32>,
    faults: u64,
    units: Rc<[u8]>,
}

impl<'s> LedgerInputs<'s> {
    pub(in crate::cli) fn new(snapshot: &'s Snapshot<'s>, roster: &'s Roster) -> Self {
        Self { snapshot, roster, windows: RefCell::default() }
    }

    /// The readings of a channel in a span, by time.
    pub(in crate::cli) fn samples(
        &self,
        logger: Address,
        channel: u8,
        (from, to): (i64, i64),
    ) -> Result<Vec<Sample>, Error> {
        let told = self.samples_told(logger, channel, (from, to))?;
        Ok(told.into_iter().map(|(sample, _)| sample).collect())
    }

    /// The same, each with whether it came from a hand download.
    pub(in crate::cli) fn samples_told(
        &self,
        logger: Address,
        channel: u8,
        (from, to): (i64, i64),
    ) -> Result<Vec<(Sample, bool)>, Error> {
        let mut samples = Vec::new();
        self.snapshot.readings_made_in(logger, (from, to), |reading| {
            if let Some((count, is_fault)) = reading.count(channel) {
                let told = reading.raw_unit(channel).or_else(|| self.of_roster(logger, channel));
                let sample = Sample {
                    identity: reading.identity,
                    time: reading.corrected.time,
                    is_corrected: reading.corrected.is_estimate,
                    count,
                    is_fault,
                    raw_unit: told.unwrap_or(RawUnit::Count),
                };
                samples.push((sample, reading.is_by_hand));
            }
            Ok(())
        })?;
        samples.sort_by_key(|(sample, _)| (sample.time, sample.identity));
        Ok(samples)
    }

    /// When the newest reading before an instant was made.
    pub(in crate::cli) fn newest_before(&self, logger: Address, before: i64) -> Result<Option<i64>, Error> {
        // No logger's clock shows more: so the first window is a sensible one.
        let newest =
            self.snapshot.heard(logger).map_or(i64::MAX, |heard| heard.received_at.saturating_add(1));
        let near = self.snapshot.newest_reading_before(logger, before.min(newest))?;
        match near {
            Some(at) => Ok(Some(at)),
            None => self.snapshot.newest_reading_before(logger, before.min(i64::from(u32::MAX))),
        }
    }

    fn read(&self, logger: Address, (from, to): (i64, i64)) -> Result<Window, Error> {
        let mut readings = Vec::new();
        let mut units: Rc<[u8]> = Rc::from([]);
        self.snapshot.readings_made_in(logger, (from, to), |reading| {
            if *units != *reading.units {
                units = Rc::from(reading.units);
            }
            readings.push(Kept {
                identity: reading.identity,
                corrected: reading.corrected,
                counts: reading.row.counts.clone(),
                faults: reading.row.faults,
                units: Rc::clone(&units),
            });
            Ok(())
        })?;
        readings.sort_by_key(|kept: &Kept| (kept.corrected.time, kept.identity));
        Ok(Window { from, to, readings })
    }

    /// A window that holds a span.
    fn window(&self, logger: Address, from: i64, to: i64) -> Result<Rc<Window>, Error> {
        if let Some(window) = self.windows.borrow().get(&logger)
            && window.from <= from
            && to <= window.to
        {
            return Ok(Rc::clone(window));
        }
        let span = (from.saturating_sub(BEFORE_S), to.saturating_add(AFTER_S));
        let window = Rc::new(self.read(logger, span)?);
        self.windows.borrow_mut().insert(logger, Rc::clone(&window));
        Ok(window)
    }

    fn sample(&self, kept: &Kept, channel: u8) -> Option<Sample> {
        let count = *kept.counts.get(usize::from(channel))?;
        let told = kept.units.get(usize::from(channel)).and_then(|&code| RawUnit::from_code(code));
        Some(Sample {
            identity: kept.identity,
            time: kept.corrected.time,
            is_corrected: kept.corrected.is_estimate,
            count,
            is_fault: kept.faults >> channel & 1 == 1,
            raw_unit: told
                .or_else(|| self.of_roster(kept.identity.address, channel))
                .unwrap_or(RawUnit::Count),
        })
    }

    /// Where no profile is held, the roster's word stands in.
    fn of_roster(&self, logger: Address, channel: u8) -> Option<RawUnit> {
        let logger = self.roster.logger(logger)?;
        logger.channels.get(usize::from(channel)).map(|channel| channel.raw_unit)
    }

    /// Whether a power-up is held between two records of an epoch.
    fn powered_up(&self, before: Identity, after: Identity) -> Result<bool, Error> {
        let events = self.snapshot.clock_events(after.address, after.epoch)?;
        let between = before.sequence.number()..=after.sequence.number();
        Ok(events.iter().any(|event| event.seconds_added.is_none() && between.contains(&event.sequence)))
    }

    /// Whether records are missing between two, or before the later one in its epoch.
    fn is_gap(&self, before: Identity, after: Identity) -> bool {
        let first = if before.epoch == after.epoch { before.sequence.number() + 1 } else { 1 };
        let last = after.sequence.number().saturating_sub(1);
        if first > last {
            return false;
        }
        let held = self.snapshot.coverage().epoch(after.address, after.epoch).map(|held| held.held());
        held.is_none_or(|held| !held.missing(first..=last).is_empty())
    }
}

impl Inputs for LedgerInputs<'_> {
    type Error = Error;

    fn around(&self, logger: Address, channel: u8, at: i64, within_s: i64) -> Result<Around, Error> {
        let (from, to) = (at.saturating_sub(within_s), at.saturating_add(within_s).saturating_add(1));
        let window = self.window(logger, from, to)?;
        let after = window.readings.partition_point(|kept| kept.corrected.time <= at);
        let (early, late) = window.readings.split_at(after);
        let sample = |kept: &Kept| self.sample(kept, channel);
        let before = early.iter().rev().take_while(|kept| kept.corrected.time >= from).find_map(sample);
        let after = late.iter().take_while(|kept| kept.corrected.time < to).find_map(sample);
        Ok(Around { before, after })
    }

    fn earlier(&self, channel: u8, sample: &Sample) -> Result<Option<Earlier>, Error> {
        let logger = sample.identity.address;
        let last = |window: &Window| {
            let before = window.readings.iter().rev().filter(|kept| kept.identity < sample.identity);
            before
                .filter(|kept| kept.corrected.time <= sample.time)
                .find_map(|kept| self.sample(kept, channel))
        };
        let mut found = last(&*self.window(logger, sample.time, sample.time.saturating_add(1))?);
        if found.is_none()
            && let Some(at) = self.snapshot.newest_reading_before(logger, sample.time)?
        {
            found = last(&self.read(logger, (at, sample.time))?);
        }
        let Some(earlier) = found else { return Ok(None) };
        let (before, after) = (earlier.identity, sample.identity);
        let restarted = before.epoch != after.epoch || self.powered_up(before, after)?;
        Ok(Some(Earlier { sample: earlier, restarted, gap: self.is_gap(before, after) }))
    }
}
