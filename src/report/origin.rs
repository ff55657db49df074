//! Counts how each held record came, and when: as known now, or as known at an earlier time.
//!
//! Input: the configuration, what is wanted, the present time. Output: [`LoggerCounts`] by logger.
//! `ledger::read::origin` reads the rows.
//!
//! **Cost.** Settled records are counted by blocks of 256 sequences, with two seeks a block, if the whole
//! block came by radio, lies in one span with a day to spare, and the logger's clock needs a correction of no more than
//! that day. Other blocks are read row by row: those on the border of two spans, and all blocks of a logger if any
//! settled record of it came by hand. For an earlier time every row of the logger is read, some 100 bytes each, and
//! some 50 bytes a record are in memory until the logger is done.
//!
//! **As of a time.** This counts what was stored by then (`stored_at` of the public views), less CSV rows whose import
//! was withdrawn by then; write-offs made by then; ends of epochs that profiles had given by then. The roster is
//! today's, and so are the clock corrections, which place records and gaps in spans. Rows that retention moved to a
//! backup count from the day on which they were settled.

use crate::config::Config;
use crate::ledger::read::origin::{ByEpoch, StoredRecord, Unsettled, UnsettledOfLogger};
use crate::ledger::read::snapshot::{Reader, Snapshot};
use crate::ledger::read::{Read, ReadError};
use crate::record::clock;
use crate::record::clock::{ClockEvent, EpochClock};
use crate::record::clocks::Clocks;
use crate::record::coverage::{Basis, Coverage, RangeSet};
use crate::record::expected;
use crate::record::facts::{Came, Facts, Listening, ProfileSeen, Seen, Stated, WriteOff};
use crate::record::roster::{Logger, Roster};
use crate::record::written::WrittenOff;
use crate::report::completeness::{
    self, Completeness, CompletenessWanted, Count, LoggerCounts, Source, Span,
};
use crate::report::gaps::{self, Report};
use crate::report::gateway::Gateway;
use crate::report::health;
use crate::report::service::service;
use crate::report::walk;
use crate::state::DaemonState;
use crate::time::GatewayTime;
use crate::wire::seq::{Address, Epoch, Identity, Sequence, Slot};
use std::collections::{BTreeMap, BTreeSet};
use std::time::{Duration, Instant};

/// A block is counted as a whole if its times are at least this far from the borders of spans.
const MARGIN_S: i64 = 86_400;
/// One state of the ledger is read for no longer than this plus one logger, so that the daemon's -wal can be
/// checkpointed in between.
const HOLD: Duration = Duration::from_secs(5);

/// Counts, logger by logger. Each logger is counted in one state of the ledger; two loggers may be counted in different
/// states.
pub fn count(
    config: &Config,
    wanted: &CompletenessWanted,
    now: GatewayTime,
    mut progress: impl FnMut(Address, usize, usize),
) -> Read<Vec<LoggerCounts>> {
    let loggers: Vec<_> = config.roster.loggers().filter(|logger| wanted.takes(logger.address)).collect();
    let reader = Reader::open(&config.ledger.path)?;
    let (daemon, is_alive) = DaemonState::look(config.runtime_dir.as_deref());
    let mut counts = Vec::new();
    while counts.len() < loggers.len() {
        reader.read(|snapshot| {
            let taken = Instant::now();
            let unsettled = Unsettled::take(snapshot)?;
            // If the gateway explains a silence, no readings are presumed, as in `gaps`.
            let explained: Box<dyn Fn(&mut Report)> = match wanted.as_of {
                None => {
                    let gateway = health::look(&config.roster, snapshot, daemon.as_ref(), is_alive, now)?;
                    Box::new(move |report| drop(gateway.take_explained(report)))
                }
                Some(at) => {
                    let then = health::Then::look(&config.roster, snapshot, at)?;
                    Box::new(move |report| then.take_explained(report))
                }
            };
            while let Some(logger) = loggers.get(counts.len()) {
                progress(logger.address, counts.len() + 1, loggers.len());
                counts.push(of_logger(
                    snapshot,
                    &unsettled,
                    logger,
                    &wanted.spans,
                    now,
                    wanted.as_of,
                    &explained,
                )?);
                if taken.elapsed() > HOLD {
                    break;
                }
            }
            Ok(())
        })?;
    }
    Ok(counts)
}

/// The same, with what comes before any logger: those that left, and the gateway.
pub fn completeness(
    config: &Config,
    wanted: &CompletenessWanted,
    now: GatewayTime,
    progress: impl FnMut(Address, usize, usize),
) -> Read<Completeness> {
    let loggers = count(config, wanted, now, progress)?;
    let (daemon, is_alive) = DaemonState::look(config.runtime_dir.as_deref());
    Reader::open(&config.ledger.path)?.read(|snapshot| {
        let takes = |logger: Address| wanted.takes(logger);
        let service = service(&config.roster, snapshot.coverage(), snapshot, now, takes)?;
        // The gateway of today says nothing about what was known at an earlier time.
        let gateway = match wanted.as_of {
            None => health::look(&config.roster, snapshot, daemon.as_ref(), is_alive, now)?,
            Some(_) => Gateway::default(),
        };
        let first_to_overwrite = match gateway.explained.is_empty() {
            true => None,
            false => {
                let mut report = gaps::report(&config.roster, snapshot.coverage(), snapshot, now, takes)?;
                let unheard = gateway.take_explained(&mut report);
                walk::first_to_overwrite(&unheard, &walk::known(&config.roster, snapshot, takes, now)?)
            }
        };
        Ok(Completeness { loggers, service, gateway, first_to_overwrite })
    })
}

fn source(row: &StoredRecord, is_asked: bool) -> Source {
    match (row.rank, row.is_sealed) {
        (0, false) if is_asked => Source::AskedFor,
        (0, false) => Source::Radio,
        (0, true) => Source::Sealed,
        _ => Source::Csv,
    }
}

/// One logger's counts, now (`as_of` of `None`) or as of a time; silences are judged by `now`. `explain` removes from
/// the report the silences that are not the logger's own.
pub fn of_logger(
    snapshot: &Snapshot<'_>,
    unsettled: &Unsettled,
    logger: &Logger,
    spans: &[Span],
    now: GatewayTime,
    as_of: Option<GatewayTime>,
    explain: &dyn Fn(&mut Report),
) -> Result<LoggerCounts, ReadError> {
    let reader = OfLogger { snapshot, unsettled: unsettled.of(logger.address), logger, explain };
    let rare = snapshot.stored_rare(logger.address)?;
    match as_of {
        None => reader.now(&rare, spans, now),
        Some(at) => reader.as_of(&rare, spans, at),
    }
}

struct OfLogger<'a, 'db> {
    snapshot: &'a Snapshot<'db>,
    unsettled: Option<&'a UnsettledOfLogger>,
    logger: &'a Logger,
    explain: &'a dyn Fn(&mut Report),
}

impl OfLogger<'_, '_> {
    /// Whether everything settled of the logger came by radio: the daily counters and the unsettled records together
    /// equal all held records.
    fn all_by_radio(&self, coverage: &Coverage) -> Result<bool, ReadError> {
        let counted = self.snapshot.counted_by_radio(self.logger.address)?;
        let held: u64 = coverage.epochs_of(self.logger.address).map(|(_, held)| held.held().count()).sum();
        Ok(held <= counted + self.unsettled.map_or(0, |unsettled| unsettled.identities))
    }

    /// The ledger's coverage of this logger alone.
    fn coverage(&self) -> Coverage {
        let (all, address) = (self.snapshot.coverage(), self.logger.address);
        let mut coverage = Coverage::default();
        for (epoch, held) in all.epochs_of(address) {
            for (basis, set) in [(Basis::Authentic, &held.authentic), (Basis::Csv, &held.csv)] {
                for &(first, last) in set.ranges() {
                    coverage.insert_range(address, epoch, basis, first, last);
                }
            }
        }
        for (epoch, named) in all.named_of(address) {
            coverage.name_epoch(address, epoch, named.last, named.by_epoch);
        }
        coverage
    }

    /// What must exist: the first and the last sequence of each epoch.
    fn windows(
        &self,
        coverage: &Coverage,
        facts: &FactsAsOf<'_, '_>,
    ) -> Result<BTreeMap<Epoch, (u32, u32)>, ReadError> {
        let all = expected::missing(self.logger, coverage, facts)?;
        Ok(all.into_iter().filter_map(|of| Some((of.epoch, (of.first?, of.last)))).collect())
    }

    /// A roster of this logger alone.
    fn roster(&self) -> Roster {
        let mut roster = Roster::default();
        // It is the only one, so there is room.
        let _ = roster.add(self.logger.clone());
        roster
    }

    fn now(&self, rare: &ByEpoch, spans: &[Span], now: GatewayTime) -> Result<LoggerCounts, ReadError> {
        let (coverage, address) = (self.coverage(), self.logger.address);
        let facts = FactsAsOf { snapshot: self.snapshot, as_of: None };
        let mut report =
            gaps::report(&self.roster(), &coverage, &facts, now, |of| of == self.logger.address)?;
        (self.explain)(&mut report);
        let mut count = Count::new(address, spans);
        let blocks = self.snapshot.stored_blocks(address)?;
        let by_radio = self.all_by_radio(&coverage)?;
        let clocks = Clocks::new(&coverage, &facts, address);
        let ever_asked = self.snapshot.ever_asked(address)?;
        for (epoch, window) in self.windows(&coverage, &facts)? {
            let Some(held) = coverage.epoch(address, epoch) else { continue };
            let held = completeness::within(&held.held(), window);
            let clock = clocks.of(epoch)?;
            let asked = ever_asked.get(&epoch).cloned().unwrap_or_default();
            let mut tally =
                Tally { held, done: RangeSet::default(), asked, clock: &clock, count: &mut count };
            let unsettled = self.unsettled.and_then(|unsettled| unsettled.readings.get(&epoch));
            // Authentic records first: a CSV row counts only where there is none.
            let of_kind = |opaque: bool| {
                rare.get(&epoch).into_iter().flatten().filter(move |row| row.is_opaque == opaque)
            };
            let mut rows: Vec<StoredRecord> = of_kind(false).copied().collect();
            let mut csv = Vec::new();
            for row in unsettled.into_iter().flatten() {
                if row.rank == 0 { rows.push(*row) } else { csv.push(*row) }
            }
            tally.rows(&rows, None);
            for block in blocks.get(&epoch).into_iter().flatten() {
                let (began, ended) = (clock::as_if_right(block.time_min), clock::as_if_right(block.time_max));
                let whole = by_radio
                    && block.time_min <= block.time_max
                    && tally.count.is_one_span(began.later(-MARGIN_S), ended.later(MARGIN_S))
                    && self.snapshot.stored_ends(address, epoch, block.first, block.last)?.iter().all(
                        |row| {
                            let made = row.time.zip(row.made(&clock));
                            made.is_some_and(|(time, made)| {
                                clock::off_s(time, made) <= MARGIN_S.unsigned_abs()
                            })
                        },
                    );
                if whole {
                    let left = tally.left(block.first, block.last);
                    let asked = left.intersection(&tally.asked).count();
                    tally.count.held(Source::AskedFor, Some(began), asked);
                    tally.count.held(Source::Radio, Some(began), left.count() - asked);
                    tally.take(&left);
                } else {
                    let settled = self.snapshot.stored_between(address, epoch, block.first, block.last)?;
                    let (authentic, more): (Vec<StoredRecord>, Vec<StoredRecord>) =
                        settled.into_iter().partition(|row| row.rank == 0);
                    tally.rows(&authentic, None);
                    csv.extend(more);
                }
            }
            // A record type that a later version can read has its own time.
            let opaque: Vec<StoredRecord> = of_kind(true).copied().collect();
            tally.rows(&opaque, None);
            tally.rows(&csv, None);
            // Held by coverage, but no row says how it came: only where rows are damaged, which `verify` reports.
            let left = tally.left(window.0, window.1);
            tally.count.held(Source::GivenUp, None, left.count());
        }
        Ok(count.finish(&report))
    }

    fn as_of(&self, rare: &ByEpoch, spans: &[Span], at: GatewayTime) -> Result<LoggerCounts, ReadError> {
        let address = self.logger.address;
        let mut rows: ByEpoch = rare.clone();
        for (epoch, unsettled) in self.unsettled.iter().flat_map(|unsettled| &unsettled.readings) {
            rows.entry(*epoch).or_default().extend(unsettled);
        }
        let blocks = self.snapshot.stored_blocks(address)?;
        for (&epoch, blocks) in &blocks {
            let (Some(first), Some(last)) =
                (blocks.iter().map(|block| block.first).min(), blocks.iter().map(|block| block.last).max())
            else {
                continue;
            };
            rows.entry(epoch).or_default().extend(self.snapshot.stored_between(address, epoch, first, last)?);
        }
        for rows in rows.values_mut() {
            rows.retain(|row| row.counts(Some(at)));
            rows.sort_unstable_by_key(|row| (row.rank > 0, row.sequence, row.is_opaque));
        }
        let mut coverage = Coverage::default();
        for (&epoch, rows) in &rows {
            for row in rows {
                let basis = if row.rank == 0 { Basis::Authentic } else { Basis::Csv };
                let sequence = Sequence::new(row.sequence);
                if let Some(sequence) = sequence {
                    coverage.insert(Identity { address, epoch, sequence }, basis);
                }
            }
        }
        self.name_epochs(&mut coverage, at)?;
        let last_heard =
            rows.values().flatten().filter(|row| row.rank == 0).filter_map(|row| row.received_at).max();
        let as_of = AsOf { at, last_heard, rows: &rows };
        let facts = FactsAsOf { snapshot: self.snapshot, as_of: Some(as_of) };
        let mut report = gaps::report(&self.roster(), &coverage, &facts, at, |of| of == self.logger.address)?;
        (self.explain)(&mut report);
        let mut count = Count::new(address, spans);
        let clocks = Clocks::new(&coverage, &facts, address);
        let ever_asked = self.snapshot.ever_asked(address)?;
        for (epoch, window) in self.windows(&coverage, &facts)? {
            let Some(held) = coverage.epoch(address, epoch) else { continue };
            let held = completeness::within(&held.held(), window);
            let clock = clocks.of(epoch)?;
            let asked = ever_asked.get(&epoch).cloned().unwrap_or_default();
            let mut tally =
                Tally { held, done: RangeSet::default(), asked, clock: &clock, count: &mut count };
            tally.rows(rows.get(&epoch).map_or(&[], Vec::as_slice), Some(at));
        }
        Ok(count.finish(&report))
    }

    /// Ends of epochs that profiles had given by a time.
    fn name_epochs(&self, coverage: &mut Coverage, at: GatewayTime) -> Result<(), ReadError> {
        for (by, previous, last) in self.snapshot.named_by(self.logger.address, at)? {
            if let (Some(by), Some(previous)) = (Epoch::new(by), Epoch::new(previous)) {
                coverage.name_epoch(self.logger.address, previous, last, by);
            }
        }
        Ok(())
    }
}

/// The held sequences of one epoch, each counted once.
struct Tally<'a, 'b> {
    held: RangeSet,
    done: RangeSet,
    /// What was ever asked for.
    asked: RangeSet,
    clock: &'a EpochClock,
    count: &'a mut Count<'b>,
}

impl Tally<'_, '_> {
    fn rows(&mut self, rows: &[StoredRecord], as_of: Option<GatewayTime>) {
        for row in rows.iter().filter(|row| row.counts(as_of)) {
            if self.held.contains(row.sequence) && self.done.insert(row.sequence) {
                let source = source(row, self.asked.contains(row.sequence));
                self.count.held(source, row.made(self.clock), 1);
            }
        }
    }

    /// The held part of a range that is not counted yet.
    fn left(&self, first: u32, last: u32) -> RangeSet {
        let held = completeness::within(&self.held, (first, last));
        if held.is_empty() { held } else { held.intersection(&self.done.missing(first..=last)) }
    }

    fn take(&mut self, counted: &RangeSet) {
        for &(first, last) in counted.ranges() {
            self.done.insert_range(first, last);
        }
    }
}

/// What was known at a time.
struct AsOf<'a> {
    at: GatewayTime,
    last_heard: Option<GatewayTime>,
    rows: &'a ByEpoch,
}

impl AsOf<'_> {
    fn authentic_of(&self, epoch: Epoch) -> impl Iterator<Item = &StoredRecord> {
        self.rows.get(&epoch).into_iter().flatten().filter(|row| row.rank == 0)
    }
}

/// The ledger's facts, without those that only outages need; at a time, or now.
struct FactsAsOf<'a, 'db> {
    snapshot: &'a Snapshot<'db>,
    as_of: Option<AsOf<'a>>,
}

impl Facts for FactsAsOf<'_, '_> {
    type Error = ReadError;

    fn seen(&self, identity: Identity) -> Result<Option<Seen>, ReadError> {
        self.snapshot.seen(identity)
    }

    fn profile_before(&self, identity: Identity) -> Result<Option<ProfileSeen>, ReadError> {
        self.snapshot.profile_before(identity)
    }

    fn profile_after(&self, identity: Identity) -> Result<Option<ProfileSeen>, ReadError> {
        self.snapshot.profile_after(identity)
    }

    // No count depends on what a logger still holds.

    fn last_profile(&self, _: Address, _: Epoch) -> Result<Option<ProfileSeen>, ReadError> {
        Ok(None)
    }

    fn last_profile_with(&self, _: Identity) -> Result<Option<Identity>, ReadError> {
        Ok(None)
    }

    fn shortest_interval(&self, address: Address, epoch: Epoch) -> Result<Option<u32>, ReadError> {
        self.snapshot.shortest_interval(address, epoch)
    }

    fn slots(&self, _: Address, _: Epoch) -> Result<BTreeSet<Slot>, ReadError> {
        Ok(BTreeSet::new())
    }

    fn memory_cleared(&self, _: Address) -> Result<Vec<Identity>, ReadError> {
        Ok(Vec::new())
    }

    fn statements(&self, _: Address) -> Result<Vec<Stated>, ReadError> {
        Ok(Vec::new())
    }

    fn came(&self, identity: Identity) -> Result<Option<Came>, ReadError> {
        self.snapshot.came(identity)
    }

    fn newest_by_radio(&self, _: Identity) -> Result<Option<Identity>, ReadError> {
        Ok(None)
    }

    fn newest_synchronised(&self, _: Identity) -> Result<Option<GatewayTime>, ReadError> {
        Ok(None)
    }

    fn last_received_before(
        &self,
        address: Address,
        epoch: Epoch,
        before: GatewayTime,
    ) -> Result<Option<u32>, ReadError> {
        let Some(as_of) = &self.as_of else {
            return self.snapshot.last_received_before(address, epoch, before);
        };
        let early = |row: &&StoredRecord| row.received_at.is_some_and(|at| row.synchronised && at < before);
        Ok(as_of.authentic_of(epoch).filter(early).map(|row| row.sequence).max())
    }

    fn first_received_or_timed_from(
        &self,
        address: Address,
        epoch: Epoch,
        from: GatewayTime,
    ) -> Result<Option<u32>, ReadError> {
        let Some(as_of) = &self.as_of else {
            return self.snapshot.first_received_or_timed_from(address, epoch, from);
        };
        let late = |row: &&StoredRecord| {
            row.received_at.is_some_and(|at| row.synchronised && at >= from)
                || row.time.is_some_and(|time| !row.is_opaque && clock::as_if_right(time) >= from)
        };
        Ok(as_of.authentic_of(epoch).filter(late).map(|row| row.sequence).min())
    }

    fn last_by_hand_timed_before(
        &self,
        address: Address,
        epoch: Epoch,
        below: u32,
        before: GatewayTime,
    ) -> Result<Option<u32>, ReadError> {
        let Some(as_of) = &self.as_of else {
            return self.snapshot.last_by_hand_timed_before(address, epoch, below, before);
        };
        let early = |row: &&StoredRecord| {
            let timed = row.time.filter(|_| !row.is_opaque && row.received_at.is_none());
            row.sequence < below
                && timed.and_then(|time| clock::plausible(time, None)).is_some_and(|made| made < before)
        };
        Ok(as_of.authentic_of(epoch).filter(early).map(|row| row.sequence).max())
    }

    fn clock_events(&self, address: Address, epoch: Epoch) -> Result<Vec<ClockEvent>, ReadError> {
        self.snapshot.clock_events(address, epoch)
    }

    fn clock_set_between(&self, after: Identity, before: Sequence) -> Result<bool, ReadError> {
        self.snapshot.clock_set_between(after, before)
    }

    fn last_heard(&self, address: Address) -> Result<Option<GatewayTime>, ReadError> {
        match &self.as_of {
            Some(as_of) => Ok(as_of.last_heard),
            None => self.snapshot.last_heard(address),
        }
    }

    fn by_hand(&self, _: Address) -> Result<BTreeMap<Epoch, RangeSet>, ReadError> {
        Ok(BTreeMap::new())
    }

    fn listening(&self) -> Result<Vec<Listening>, ReadError> {
        Ok(Vec::new())
    }

    fn written_off(&self, address: Address) -> Result<Vec<WriteOff>, ReadError> {
        match &self.as_of {
            None => self.snapshot.written_off(address),
            Some(as_of) => {
                let mut all = self.snapshot.write_offs(Some(address))?;
                all.retain(|off| off.written_at <= as_of.at);
                for off in all.iter_mut().filter(|off| off.last.is_none()) {
                    // The rest of an epoch ends where the logger was heard again, as far as that was known.
                    let heard = as_of.rows.get(&off.epoch).into_iter().flatten().filter(|row| {
                        let heard = row.received_at.filter(|_| row.synchronised);
                        row.rank == 0
                            && row.sequence >= off.first
                            && heard.is_some_and(|at| at > off.written_at)
                    });
                    off.ended_by = heard.map(|row| row.sequence).min();
                }
                Ok(all.iter().filter_map(WrittenOff::in_force).collect())
            }
        }
    }
}
