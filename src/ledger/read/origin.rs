//! What `completeness` asks of the ledger: how each held record came, and when; now, or as it was known at a time.
//!
//! Input: one consistent state of the ledger, one logger. Output: its [`LoggerCounts`].
//!
//! **What it costs.** What is settled is counted by blocks of 256 sequences, with two seeks a block, where all of the
//! block came by radio, lies in one span with a day to spare, and the logger's clock needs no more than that day of
//! correction. Other blocks are read row by row: those on the border of two spans, and all of a logger of which
//! anything settled came by hand. As of an earlier time every row of the logger is read, some 100 bytes each, and some
//! 50 bytes a record are in memory until the logger is done.
//!
//! **As of a time.** Counted is what was stored by then (`stored_at` of the public views), less CSV rows whose import
//! was withdrawn by then; write-offs made by then; ends of epochs that profiles told by then. The roster is today's,
//! and so are the clocks' corrections, which place records and gaps in spans. Rows that retention gave up count from
//! the day on which they were settled.

use crate::ledger::db::error::Error;
use crate::ledger::db::row::kind;
use crate::ledger::read::snapshot::Snapshot;
use crate::record::clock::PLAUSIBLE_FROM;
use crate::record::clock::{ClockEvent, EpochClock};
use crate::record::clocks::Clocks;
use crate::record::coverage::{Basis, Coverage, RangeSet};
use crate::record::facts::{Came, Facts, Listening, ProfileSeen, Seen, WriteOff};
use crate::record::roster::{Logger, Roster};
use crate::report::completeness::{self, Count, LoggerCounts, Source, Span};
use crate::report::gaps::{self, Report};
use crate::time::GatewayTime;
use crate::wire::seq::{Address, Epoch, Identity, Sequence, Slot};
use rusqlite::params;
use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

/// A block is counted whole if its times keep this distance from the borders of spans.
const MARGIN_S: i64 = 86_400;

/// A stored record or CSV row, as far as it is counted.
#[derive(Clone, Copy, Debug)]
struct Stored {
    sequence: u32,
    rank: i64,
    /// On the logger's clock; `None`: opaque and by hand.
    time: Option<i64>,
    /// Opaque: its time is that of its reception.
    is_opaque: bool,
    /// By radio.
    received_at: Option<i64>,
    synchronised: bool,
    is_sealed: bool,
    stored_at: Option<i64>,
    withdrawn_at: Option<i64>,
}

impl Stored {
    /// Whether it counted at a time; `None`: now.
    fn counts(&self, as_of: Option<i64>) -> bool {
        match as_of {
            None => self.withdrawn_at.is_none() || self.rank == 0,
            Some(at) => {
                // Where nothing says when it came, it counts, as in an export.
                self.stored_at.is_none_or(|stored| stored <= at)
                    && (self.rank == 0 || self.withdrawn_at.is_none_or(|withdrawn| withdrawn > at))
            }
        }
    }

    fn source(&self) -> Source {
        match (self.rank, self.is_sealed) {
            (0, false) => Source::Radio,
            (0, true) => Source::Sealed,
            _ => Source::Csv,
        }
    }

    fn made(&self, clock: &EpochClock) -> Option<i64> {
        let received_at = self.received_at.filter(|_| self.synchronised);
        self.time.map(|time| clock.corrected(self.sequence, time, received_at).time)
    }
}

const IMPORTED: &str = "(SELECT imported_at FROM import i WHERE i.id = t.import)";
const WITHDRAWN: &str = "(SELECT withdrawn_at FROM import i WHERE i.id = t.import)";

/// From a row of sequence, rank, time, reception, synchronised, import, stored_at, withdrawn_at, opaque.
fn stored(row: &rusqlite::Row<'_>) -> rusqlite::Result<Stored> {
    Ok(Stored {
        sequence: row.get(0)?,
        rank: row.get(1)?,
        time: row.get(2)?,
        received_at: row.get(3)?,
        synchronised: row.get::<_, Option<bool>>(4)?.unwrap_or(false),
        is_sealed: row.get::<_, Option<i64>>(5)?.is_some(),
        stored_at: row.get(6)?,
        withdrawn_at: row.get(7)?,
        is_opaque: row.get(8)?,
    })
}

fn reading_columns() -> String {
    format!(
        "sequence, rank, time, time + lag, synchronised, import, coalesce(stored_at, time + lag, {IMPORTED}),
         {WITHDRAWN}, false"
    )
}

/// A settled block.
#[derive(Clone, Copy, Debug)]
struct Block {
    first: u32,
    last: u32,
    time_min: i64,
    time_max: i64,
}

type ByEpoch = BTreeMap<Epoch, Vec<Stored>>;

/// What is not settled of one logger.
#[derive(Debug, Default)]
struct Recent {
    /// Readings and rows.
    readings: ByEpoch,
    /// How many records there are, those of other kinds among them.
    identities: u64,
}

/// What is not settled, of all loggers: the journal has no index, so it is read once.
#[derive(Debug, Default)]
pub struct Unsettled(HashMap<Address, Recent>);

impl Unsettled {
    /// Reads it; for use within the same [`Snapshot`] only.
    pub fn take(snapshot: &Snapshot<'_>) -> Result<Self, Error> {
        let sql = format!("SELECT {}, logger, epoch, kind FROM journal t WHERE kind > 0", reading_columns());
        let mut statement = snapshot.db.prepare_cached(&sql)?;
        let mut rows = statement.query([])?;
        let mut all = HashMap::<Address, Recent>::new();
        let mut identities = HashSet::new();
        while let Some(row) = rows.next()? {
            let (Some(address), Some(epoch)) = (Address::new(row.get(9)?), Epoch::new(row.get(10)?)) else {
                continue;
            };
            let (stored, recent) = (stored(row)?, all.entry(address).or_default());
            // What is withdrawn is not held, so it must not make up for what came by hand.
            if stored.counts(None) {
                recent.identities += u64::from(identities.insert((address, epoch, stored.sequence)));
            }
            if row.get::<_, i64>(11)? == kind::READING {
                recent.readings.entry(epoch).or_default().push(stored);
            }
        }
        Ok(Self(all))
    }
}

/// One logger's counts, now (`as_of` of `None`) or as of a time; `now` is what silences are judged by. `explain` takes from
/// the report those silences that are not the logger's.
pub fn count(
    snapshot: &Snapshot<'_>,
    unsettled: &Unsettled,
    logger: &Logger,
    spans: &[Span],
    now: i64,
    as_of: Option<i64>,
    explain: &dyn Fn(&mut Report),
) -> Result<LoggerCounts, Error> {
    let reader = OfLogger { snapshot, unsettled: unsettled.0.get(&logger.address), logger, as_of, explain };
    let rare = reader.rare()?;
    match as_of {
        None => reader.now(&rare, spans, now),
        Some(at) => reader.as_of(&rare, spans, at),
    }
}

struct OfLogger<'a, 'db> {
    snapshot: &'a Snapshot<'db>,
    unsettled: Option<&'a Recent>,
    logger: &'a Logger,
    as_of: Option<i64>,
    explain: &'a dyn Fn(&mut Report),
}

impl OfLogger<'_, '_> {
    /// Profiles, events and opaque records, settled or not: few.
    fn rare(&self) -> Result<ByEpoch, Error> {
        let mut all = ByEpoch::new();
        for (table, time, opaque) in [
            ("profile_row", "time", false),
            ("event_row", "time", false),
            ("opaque_row", "received_at", true),
        ] {
            let sql = format!(
                "SELECT sequence, rank, {time}, received_at, synchronised, import,
                     coalesce(stored_at, received_at, {IMPORTED}), NULL, {opaque}, epoch
                 FROM {table} t WHERE logger = ? AND rank = 0"
            );
            let mut statement = self.snapshot.db.prepare_cached(&sql)?;
            let mut rows = statement.query([self.logger.address.number()])?;
            while let Some(row) = rows.next()? {
                if let Some(epoch) = Epoch::new(row.get(9)?) {
                    all.entry(epoch).or_default().push(stored(row)?);
                }
            }
        }
        Ok(all)
    }

    /// The settled readings and rows of a range.
    fn settled(&self, epoch: Epoch, first: u32, last: u32) -> Result<Vec<Stored>, Error> {
        let sql = format!(
            "SELECT {} FROM settled_or_retired t WHERE logger = ? AND epoch = ? AND sequence BETWEEN ? AND ?",
            reading_columns()
        );
        let mut statement = self.snapshot.db.prepare_cached(&sql)?;
        let rows = statement
            .query_map(params![self.logger.address.number(), epoch.number(), first, last], stored)?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// The first and the last settled reading of a range.
    fn ends(&self, epoch: Epoch, first: u32, last: u32) -> Result<Vec<Stored>, Error> {
        let mut ends = Vec::new();
        for order in ["", "DESC"] {
            let sql = format!(
                "SELECT {} FROM settled_or_retired t WHERE logger = ? AND epoch = ? AND sequence BETWEEN ? AND ?
                 ORDER BY sequence {order} LIMIT 1",
                reading_columns()
            );
            let mut statement = self.snapshot.db.prepare_cached(&sql)?;
            let rows = statement
                .query_map(params![self.logger.address.number(), epoch.number(), first, last], stored)?;
            for row in rows {
                ends.push(row?);
            }
        }
        Ok(ends)
    }

    fn blocks(&self) -> Result<BTreeMap<Epoch, Vec<Block>>, Error> {
        let mut statement = self.snapshot.db.prepare_cached(
            "SELECT epoch, first, last, time_min, time_max FROM chunk WHERE logger = ?1
             UNION ALL
             SELECT epoch, first, last, time_min, time_max FROM retired_block WHERE logger = ?1
             ORDER BY epoch, first",
        )?;
        let mut rows = statement.query([self.logger.address.number()])?;
        let mut all = BTreeMap::<Epoch, Vec<Block>>::new();
        while let Some(row) = rows.next()? {
            let block =
                Block { first: row.get(1)?, last: row.get(2)?, time_min: row.get(3)?, time_max: row.get(4)? };
            if let Some(epoch) = Epoch::new(row.get(0)?) {
                all.entry(epoch).or_default().push(block);
            }
        }
        Ok(all)
    }

    /// Whether all that is settled of the logger came by radio: the counters of the days, and what is not settled,
    /// make up for all that is held.
    fn all_by_radio(&self, coverage: &Coverage) -> Result<bool, Error> {
        let counted: f64 = self
            .snapshot
            .db
            .prepare_cached("SELECT total(stored + opaque) FROM logger_day WHERE logger = ?")?
            .query_row([self.logger.address.number()], |row| row.get(0))?;
        let held: u64 = coverage.epochs_of(self.logger.address).map(|(_, held)| held.held().count()).sum();
        Ok(held <= counted as u64 + self.unsettled.map_or(0, |unsettled| unsettled.identities))
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
        facts: &Told<'_, '_>,
    ) -> Result<BTreeMap<Epoch, (u32, u32)>, Error> {
        let all = gaps::missing(self.logger, coverage, facts)?;
        Ok(all.into_iter().filter_map(|of| Some((of.epoch, (of.first?, of.last)))).collect())
    }

    /// A roster of this logger alone.
    fn roster(&self) -> Roster {
        let mut roster = Roster::default();
        // It is the only one, so there is room.
        let _ = roster.add(self.logger.clone());
        roster
    }

    fn now(&self, rare: &ByEpoch, spans: &[Span], now: i64) -> Result<LoggerCounts, Error> {
        let (coverage, address) = (self.coverage(), self.logger.address);
        let facts = Told { snapshot: self.snapshot, as_of: None };
        let mut report =
            gaps::report(&self.roster(), &coverage, &facts, now, |of| of == self.logger.address)?;
        (self.explain)(&mut report);
        let mut count = Count::new(address, spans);
        let blocks = self.blocks()?;
        let by_radio = self.all_by_radio(&coverage)?;
        let clocks = Clocks::new(&coverage, &facts, address);
        for (epoch, window) in self.windows(&coverage, &facts)? {
            let Some(held) = coverage.epoch(address, epoch) else { continue };
            let held = completeness::within(&held.held(), window);
            let clock = clocks.of(epoch)?;
            let mut tally = Tally { held, done: RangeSet::default(), clock: &clock, count: &mut count };
            let unsettled = self.unsettled.and_then(|unsettled| unsettled.readings.get(&epoch));
            // Authentic ones first: a CSV row counts where there is none.
            let of_kind = |opaque: bool| {
                rare.get(&epoch).into_iter().flatten().filter(move |row| row.is_opaque == opaque)
            };
            let mut rows: Vec<Stored> = of_kind(false).copied().collect();
            let mut csv = Vec::new();
            for row in unsettled.into_iter().flatten() {
                if row.rank == 0 { rows.push(*row) } else { csv.push(*row) }
            }
            tally.rows(&rows, None);
            for block in blocks.get(&epoch).into_iter().flatten() {
                let (from, to) =
                    (block.time_min.saturating_sub(MARGIN_S), block.time_max.saturating_add(MARGIN_S));
                let whole = by_radio
                    && block.time_min <= block.time_max
                    && tally.count.is_one_span(from, to)
                    && self.ends(epoch, block.first, block.last)?.iter().all(|row| {
                        let made = row.time.zip(row.made(&clock));
                        made.is_some_and(|(time, made)| time.abs_diff(made) <= MARGIN_S.unsigned_abs())
                    });
                if whole {
                    let left = tally.left(block.first, block.last);
                    tally.count.held(Source::Radio, Some(block.time_min), left.count());
                    tally.take(&left);
                } else {
                    let settled = self.settled(epoch, block.first, block.last)?;
                    let (authentic, more): (Vec<Stored>, Vec<Stored>) =
                        settled.into_iter().partition(|row| row.rank == 0);
                    tally.rows(&authentic, None);
                    csv.extend(more);
                }
            }
            // What a later version has learnt to read has its own time.
            let opaque: Vec<Stored> = of_kind(true).copied().collect();
            tally.rows(&opaque, None);
            tally.rows(&csv, None);
            // Held by coverage, and no row says how: only where rows are damaged, which `verify` tells.
            let left = tally.left(window.0, window.1);
            tally.count.held(Source::GivenUp, None, left.count());
        }
        Ok(count.finish(&report))
    }

    fn as_of(&self, rare: &ByEpoch, spans: &[Span], at: i64) -> Result<LoggerCounts, Error> {
        let address = self.logger.address;
        let mut rows: ByEpoch = rare.clone();
        for (epoch, unsettled) in self.unsettled.iter().flat_map(|unsettled| &unsettled.readings) {
            rows.entry(*epoch).or_default().extend(unsettled);
        }
        let blocks = self.blocks()?;
        for (&epoch, blocks) in &blocks {
            let (Some(first), Some(last)) =
                (blocks.iter().map(|block| block.first).min(), blocks.iter().map(|block| block.last).max())
            else {
                continue;
            };
            rows.entry(epoch).or_default().extend(self.settled(epoch, first, last)?);
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
        let told = AsOf { at, last_heard, rows: &rows };
        let facts = Told { snapshot: self.snapshot, as_of: Some(told) };
        let mut report = gaps::report(&self.roster(), &coverage, &facts, at, |of| of == self.logger.address)?;
        (self.explain)(&mut report);
        let mut count = Count::new(address, spans);
        let clocks = Clocks::new(&coverage, &facts, address);
        for (epoch, window) in self.windows(&coverage, &facts)? {
            let Some(held) = coverage.epoch(address, epoch) else { continue };
            let held = completeness::within(&held.held(), window);
            let clock = clocks.of(epoch)?;
            let mut tally = Tally { held, done: RangeSet::default(), clock: &clock, count: &mut count };
            tally.rows(rows.get(&epoch).map_or(&[], Vec::as_slice), self.as_of);
        }
        Ok(count.finish(&report))
    }

    /// Ends of epochs that profiles had told by a time.
    fn name_epochs(&self, coverage: &mut Coverage, at: i64) -> Result<(), Error> {
        let sql = format!(
            "SELECT epoch, previous_epoch, previous_last FROM profile_row t WHERE logger = ? AND rank = 0
                 AND previous_epoch > 0 AND coalesce(stored_at, received_at, {IMPORTED}, ?2) <= ?2"
        );
        let mut statement = self.snapshot.db.prepare_cached(&sql)?;
        let mut rows = statement.query(params![self.logger.address.number(), at])?;
        while let Some(row) = rows.next()? {
            if let (Some(by), Some(previous)) = (Epoch::new(row.get(0)?), Epoch::new(row.get(1)?)) {
                coverage.name_epoch(self.logger.address, previous, row.get(2)?, by);
            }
        }
        Ok(())
    }
}

/// The held sequences of one epoch, each counted once.
struct Tally<'a, 'b> {
    held: RangeSet,
    done: RangeSet,
    clock: &'a EpochClock,
    count: &'a mut Count<'b>,
}

impl Tally<'_, '_> {
    fn rows(&mut self, rows: &[Stored], as_of: Option<i64>) {
        for row in rows.iter().filter(|row| row.counts(as_of)) {
            if self.held.contains(row.sequence) && self.done.insert(row.sequence) {
                self.count.held(row.source(), row.made(self.clock), 1);
            }
        }
    }

    /// What of a range is held and not counted yet.
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
    at: i64,
    last_heard: Option<i64>,
    rows: &'a ByEpoch,
}

impl AsOf<'_> {
    fn authentic_of(&self, epoch: Epoch) -> impl Iterator<Item = &Stored> {
        self.rows.get(&epoch).into_iter().flatten().filter(|row| row.rank == 0)
    }
}

/// The ledger's facts, without what only outages need; at a time, or now.
struct Told<'a, 'db> {
    snapshot: &'a Snapshot<'db>,
    as_of: Option<AsOf<'a>>,
}

impl Facts for Told<'_, '_> {
    type Error = Error;

    fn seen(&self, identity: Identity) -> Result<Option<Seen>, Error> {
        self.snapshot.seen(identity)
    }

    fn profile_before(&self, identity: Identity) -> Result<Option<ProfileSeen>, Error> {
        self.snapshot.profile_before(identity)
    }

    fn profile_after(&self, identity: Identity) -> Result<Option<ProfileSeen>, Error> {
        self.snapshot.profile_after(identity)
    }

    // What a logger still holds is in no count.

    fn last_profile(&self, _: Address, _: Epoch) -> Result<Option<ProfileSeen>, Error> {
        Ok(None)
    }

    fn last_profile_with(&self, _: Identity) -> Result<Option<Identity>, Error> {
        Ok(None)
    }

    fn shortest_interval(&self, address: Address, epoch: Epoch) -> Result<Option<u32>, Error> {
        self.snapshot.shortest_interval(address, epoch)
    }

    fn slots(&self, _: Address, _: Epoch) -> Result<BTreeSet<Slot>, Error> {
        Ok(BTreeSet::new())
    }

    fn memory_cleared(&self, _: Address) -> Result<Vec<Identity>, Error> {
        Ok(Vec::new())
    }

    fn came(&self, identity: Identity) -> Result<Option<Came>, Error> {
        self.snapshot.came(identity)
    }

    fn newest_by_radio(&self, _: Identity) -> Result<Option<Identity>, Error> {
        Ok(None)
    }

    fn newest_synchronised(&self, _: Identity) -> Result<Option<GatewayTime>, Error> {
        Ok(None)
    }

    fn last_received_before(
        &self,
        address: Address,
        epoch: Epoch,
        before: GatewayTime,
    ) -> Result<Option<u32>, Error> {
        let Some(told) = &self.as_of else {
            return self.snapshot.last_received_before(address, epoch, before);
        };
        let early =
            |row: &&Stored| row.received_at.is_some_and(|at| row.synchronised && at < before.unix_s());
        Ok(told.authentic_of(epoch).filter(early).map(|row| row.sequence).max())
    }

    fn first_received_or_timed_from(
        &self,
        address: Address,
        epoch: Epoch,
        from: GatewayTime,
    ) -> Result<Option<u32>, Error> {
        let Some(told) = &self.as_of else {
            return self.snapshot.first_received_or_timed_from(address, epoch, from);
        };
        let from = from.unix_s();
        let late = |row: &&Stored| {
            row.received_at.is_some_and(|at| row.synchronised && at >= from)
                || row.time.is_some_and(|time| !row.is_opaque && time >= from)
        };
        Ok(told.authentic_of(epoch).filter(late).map(|row| row.sequence).min())
    }

    fn last_by_hand_timed_before(
        &self,
        address: Address,
        epoch: Epoch,
        below: u32,
        before: GatewayTime,
    ) -> Result<Option<u32>, Error> {
        let Some(told) = &self.as_of else {
            return self.snapshot.last_by_hand_timed_before(address, epoch, below, before);
        };
        let early = |row: &&Stored| {
            let timed = row.time.filter(|_| !row.is_opaque && row.received_at.is_none());
            row.sequence < below
                && timed.is_some_and(|time| (PLAUSIBLE_FROM..before.unix_s()).contains(&time))
        };
        Ok(told.authentic_of(epoch).filter(early).map(|row| row.sequence).max())
    }

    fn clock_events(&self, address: Address, epoch: Epoch) -> Result<Vec<ClockEvent>, Error> {
        self.snapshot.clock_events(address, epoch)
    }

    fn clock_set_between(&self, after: Identity, before: Sequence) -> Result<bool, Error> {
        self.snapshot.clock_set_between(after, before)
    }

    fn last_heard(&self, address: Address) -> Result<Option<i64>, Error> {
        match &self.as_of {
            Some(told) => Ok(told.last_heard),
            None => self.snapshot.last_heard(address),
        }
    }

    fn by_hand(&self, _: Address) -> Result<BTreeMap<Epoch, RangeSet>, Error> {
        Ok(BTreeMap::new())
    }

    fn listening(&self) -> Result<Vec<Listening>, Error> {
        Ok(Vec::new())
    }

    fn written_off(&self, address: Address) -> Result<Vec<WriteOff>, Error> {
        match &self.as_of {
            None => self.snapshot.written_off(address),
            Some(told) => {
                let mut all = self.snapshot.write_offs(Some(address))?;
                all.retain(|off| off.written_at <= told.at);
                for off in all.iter_mut().filter(|off| off.last.is_none()) {
                    // A rest ends where the logger was heard again, as far as that was known.
                    let heard = told.rows.get(&off.epoch).into_iter().flatten().filter(|row| {
                        let heard = row.received_at.filter(|_| row.synchronised);
                        row.rank == 0
                            && row.sequence >= off.first
                            && heard.is_some_and(|at| at > off.written_at)
                    });
                    off.ended_by = heard.map(|row| row.sequence).min();
                }
                Ok(all.iter().filter_map(crate::record::written::WrittenOff::in_force).collect())
            }
        }
    }
}

impl Snapshot<'_> {
    /// The newest authentic reading of each logger, by identity: its content.
    pub fn newest_readings(
        &self,
        addresses: &[Address],
    ) -> Result<BTreeMap<Address, (Identity, crate::record::judge::Row)>, Error> {
        let columns = crate::ledger::db::row::content_columns();
        let mut newest = BTreeMap::<Address, (Identity, crate::record::judge::Row)>::new();
        // The content has 45 columns; the identity stands behind it.
        let mut settled = self.db.prepare_cached(&format!(
            "SELECT {columns}, epoch, sequence FROM settled WHERE logger = ? AND rank = 0
             ORDER BY epoch DESC, sequence DESC LIMIT 1"
        ))?;
        for &address in addresses {
            let mut rows = settled.query([address.number()])?;
            if let Some(row) = rows.next()?
                && let Some(id) = Identity::new(address.number(), row.get(45)?, row.get(46)?)
            {
                newest.insert(address, (id, crate::ledger::db::row::row_content(row)?));
            }
        }
        let mut journal = self.db.prepare_cached(&format!(
            "SELECT {columns}, epoch, sequence, logger FROM journal WHERE kind = 1 AND rank = 0"
        ))?;
        let mut rows = journal.query([])?;
        while let Some(row) = rows.next()? {
            let Some(id) = Identity::new(row.get(47)?, row.get(45)?, row.get(46)?) else { continue };
            let is_newer = newest.get(&id.address).is_none_or(|(held, _)| *held < id);
            if is_newer && addresses.contains(&id.address) {
                newest.insert(id.address, (id, crate::ledger::db::row::row_content(row)?));
            }
        }
        Ok(newest)
    }
}
