//! Readings by when they were made: the only way from a span of time, or from a stretch of sequences, to held
//! readings.
//!
//! Input: a snapshot, and a span of time by corrected clocks. Output: readings with the time at which they were
//! made, and with the raw units of their channels. Tables of values, calculations, pictures and exports take
//! their times from here, so that one reading has the same time in all of them.
//!
//! How: for each epoch the recorded times and receptions of all rows are read once (no counts). They show how
//! the logger's clock ran ([`ReadingClock`]), and in which stretch of sequences each reading was made. A span
//! is then looked up by stretches, so no reading is missed, no matter how wrong a clock was in the middle of an
//! epoch, and whether its setting is held or not.
//!
//! Cost: one scan of a logger's times for each command; a few bytes for each 256 rows are kept ([`Known`]).
//!
//! What this is not: it writes nothing, and no gap report depends on it.

use crate::ledger::db::error::Error;
use crate::ledger::db::query::{self, AnyText};
use crate::ledger::db::row::{CONTENT, Column, Selection};
use crate::ledger::read::snapshot::Snapshot;
use crate::record::clock::{self, Corrected, EpochClock, ReadingClock};
use crate::record::coverage::RangeSet;
use crate::record::raw_unit::{Passing, RawUnits, Stated};
use crate::record::roster::Roster;
use crate::time::{GatewayTime, LoggerTime};
use crate::wire::record::RawUnit;
use crate::wire::seq::{Address, Epoch, Identity};
use rusqlite::params;
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::rc::Rc;
use std::sync::{Arc, LazyLock};

/// The columns to read of a row.
static READ: LazyLock<Selection> =
    LazyLock::new(|| CONTENT.clone().then(&[Column::Sequence, Column::Lag, Column::Synchronised]));

/// Windows in which the smallest delay of receptions is searched: long enough to show a drift, and longer than
/// outages. The number is a choice of this program.
const WINDOW_S: i64 = 7 * 86_400;
/// Rows of a stretch: a day or two of a logger that measures often. The number is a choice of this program.
const STRETCH_ROWS: usize = 256;

/// Results that were looked up once and are valid for the whole command, whatever is committed in the meantime.
#[derive(Debug, Default)]
pub struct Known {
    as_of: Option<GatewayTime>,
    epochs: RefCell<BTreeMap<(Address, Epoch), Rc<EpochTimes>>>,
    units: RefCell<BTreeMap<Address, Arc<RawUnits>>>,
    lacking: RefCell<Option<Rc<Lacking>>>,
}

impl Known {
    /// An empty store. `as_of`: profiles that were stored later do not count.
    pub fn as_of(as_of: Option<GatewayTime>) -> Self {
        Self { as_of, ..Self::default() }
    }
}

/// Records that count as held but cannot be read here.
#[derive(Debug, Default)]
struct Lacking {
    /// Records in a damaged ledger that was set aside.
    elsewhere: BTreeMap<(Address, Epoch), RangeSet>,
    /// Readings that were given up to a verified backup.
    retired: BTreeMap<(Address, Epoch), RangeSet>,
}

/// When the readings of an epoch were made.
#[derive(Debug, Default)]
pub struct EpochTimes {
    clock: ReadingClock,
    stretches: Vec<Stretch>,
}

impl EpochTimes {
    pub fn clock(&self) -> &ReadingClock {
        &self.clock
    }
}

/// Consecutive rows by sequence.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Stretch {
    first: u32,
    last: u32,
    /// The earliest and the latest time at which one of them was made.
    made: (GatewayTime, GatewayTime),
}

/// A row's times.
#[derive(Clone, Copy, Debug)]
struct Timed {
    sequence: u32,
    recorded: LoggerTime,
    /// Reception by a synchronised gateway.
    received_at: Option<GatewayTime>,
    is_authentic: bool,
}

/// A reading, when it was made, and the units of its counts.
#[derive(Clone, Copy)]
pub struct MadeReading<'a> {
    pub identity: Identity,
    /// Recorded time, counts and faults.
    pub row: &'a crate::record::judge::Row,
    /// When it was made.
    pub corrected: Corrected,
    /// Raw units by channel; `None` where not known.
    pub units: &'a Arc<[Option<RawUnit>]>,
    /// Whether it came from a hand download, and not by radio.
    pub is_by_hand: bool,
}

impl MadeReading<'_> {
    /// Count and fault of a channel; `None` where the reading has no such channel.
    pub fn count(&self, channel: u8) -> Option<(i32, bool)> {
        let count = self.row.counts.get(usize::from(channel))?;
        Some((*count, self.row.faults >> channel & 1 == 1))
    }

    /// The unit of one count of a channel, if it is known.
    pub fn raw_unit(&self, channel: u8) -> Option<RawUnit> {
        self.units.get(usize::from(channel)).copied().flatten()
    }
}

/// Readings of a snapshot.
#[derive(Clone, Copy)]
pub struct Readings<'s> {
    snapshot: &'s Snapshot<'s>,
    roster: &'s Roster,
    known: &'s Known,
}

impl<'s> Readings<'s> {
    /// `known` may have been used for other snapshots of the same ledger in the same command.
    pub fn new(snapshot: &'s Snapshot<'s>, roster: &'s Roster, known: &'s Known) -> Self {
        Self { snapshot, roster, known }
    }

    pub fn snapshot(&self) -> &'s Snapshot<'s> {
        self.snapshot
    }

    /// When the readings of an epoch were made.
    pub fn times(&self, address: Address, epoch: Epoch) -> Result<Rc<EpochTimes>, Error> {
        if let Some(times) = self.known.epochs.borrow().get(&(address, epoch)) {
            return Ok(Rc::clone(times));
        }
        let clocks = crate::record::clocks::Clocks::new(self.snapshot.coverage(), self.snapshot, address);
        let clock = clocks.of(epoch)?.as_ref().clone();
        let times = Rc::new(epoch_times(clock, &self.timed(address, epoch)?));
        self.known.epochs.borrow_mut().insert((address, epoch), Rc::clone(&times));
        Ok(times)
    }

    /// The times of all rows of an epoch, ascending by sequence.
    fn timed(&self, address: Address, epoch: Epoch) -> Result<Vec<Timed>, Error> {
        let mut all = Vec::new();
        query::each(
            self.snapshot.db,
            "SELECT sequence, time, CASE WHEN synchronised = 1 THEN time + lag END, rank = 0
             FROM settled_or_retired WHERE logger = ? AND epoch = ? ORDER BY sequence",
            params![address.number(), epoch.number()],
            |(sequence, recorded, received_at, is_authentic)| {
                all.push(Timed { sequence, recorded, received_at, is_authentic });
                Ok(())
            },
        )?;
        let unsettled = self.snapshot.unsettled_readings(address, epoch);
        all.extend(unsettled.map(|(sequence, recorded, received_at, is_authentic)| Timed {
            sequence,
            recorded,
            received_at,
            is_authentic,
        }));
        all.sort_by_key(|timed| timed.sequence);
        Ok(all)
    }

    /// The raw units of a logger's channels.
    pub fn raw_units(&self, address: Address) -> Result<Arc<RawUnits>, Error> {
        if let Some(units) = self.known.units.borrow().get(&address) {
            return Ok(Arc::clone(units));
        }
        let mut held = BTreeMap::<Epoch, RangeSet>::new();
        let lacking = self.lacking()?;
        for (epoch, all) in self.snapshot.coverage().epochs_of(address) {
            let all = all.held();
            let here = lacking.elsewhere.get(&(address, epoch)).map(|lacking| all.without(lacking));
            held.insert(epoch, here.unwrap_or(all));
        }
        let mut profiles: Vec<(Identity, Stated)> = Vec::new();
        query::each(
            self.snapshot.db,
            "SELECT epoch, sequence, raw_units, ?2 IS NULL OR coalesce(stored_at, received_at,
                 (SELECT imported_at FROM import i WHERE i.id = t.import), 0) <= ?2
             FROM profile_row t WHERE logger = ?1 AND rank = 0 ORDER BY epoch, sequence",
            params![address.number(), self.known.as_of],
            |(epoch, sequence, AnyText(names), is_delivered): (u32, u32, AnyText, bool)| {
                let Some(id) = Identity::new(address.number(), epoch, sequence) else { return Ok(()) };
                if !is_delivered {
                    // It had not been delivered at that time, so it is treated as missing.
                    let one = [(id.sequence.number(), id.sequence.number())].into_iter().collect();
                    held.entry(id.epoch).and_modify(|held| *held = held.without(&one));
                    return Ok(());
                }
                let units: Stated = names.split_whitespace().filter_map(RawUnit::from_name).collect();
                let units = match profiles.last() {
                    Some((_, last)) if *last == units => Arc::clone(last),
                    _ => units,
                };
                profiles.push((id, units));
                Ok(())
            },
        )?;
        let roster = self.roster.logger(address).map(|logger| &logger.channels);
        let roster = roster.into_iter().flatten().map(|channel| channel.raw_unit).collect();
        let units = Arc::new(RawUnits::new(profiles, held, roster));
        self.known.units.borrow_mut().insert(address, Arc::clone(&units));
        Ok(units)
    }

    fn lacking(&self) -> Result<Rc<Lacking>, Error> {
        if let Some(lacking) = &*self.known.lacking.borrow() {
            return Ok(Rc::clone(lacking));
        }
        let mut lacking = Lacking::default();
        for (address, epoch, held) in crate::ledger::read::elsewhere::elsewhere(self.snapshot.db)?.epochs() {
            lacking.elsewhere.insert((address, epoch), held.held());
        }
        for (logger, epoch, first, last) in crate::ledger::read::given_up::given_up(self.snapshot.db)? {
            if let Some(id) = Identity::new(logger, epoch, first) {
                let retired = lacking.retired.entry((id.address, id.epoch)).or_default();
                retired.insert_range(first, last);
            }
        }
        let lacking = Rc::new(lacking);
        *self.known.lacking.borrow_mut() = Some(Rc::clone(&lacking));
        Ok(lacking)
    }

    /// The readings of one logger that were made in a span of time, in no particular order. One row is held at a time.
    pub fn made_in(
        &self,
        address: Address,
        (from, to): (GatewayTime, GatewayTime),
        mut take: impl FnMut(&MadeReading<'_>) -> Result<(), Error>,
    ) -> Result<(), Error> {
        for (epoch, _) in self.snapshot.coverage().epochs_of(address) {
            let times = self.times(address, epoch)?;
            let stretches = times.stretches.iter().filter(|s| s.made.0 < to && s.made.1 >= from);
            let ranges: RangeSet = stretches.map(|stretch| (stretch.first, stretch.last)).collect();
            for &(first, last) in ranges.ranges() {
                self.of_sequences(address, epoch, (first, last), |reading| {
                    let is_in = (from..to).contains(&reading.corrected.time);
                    if is_in { take(reading) } else { Ok(()) }
                })?;
            }
        }
        Ok(())
    }

    /// When the newest reading of a logger was made, before an instant.
    pub fn newest_before(&self, address: Address, before: GatewayTime) -> Result<Option<GatewayTime>, Error> {
        let mut newest: Option<GatewayTime> = None;
        for (epoch, _) in self.snapshot.coverage().epochs_of(address) {
            let times = self.times(address, epoch)?;
            let mut may: Vec<&Stretch> = times.stretches.iter().filter(|s| s.made.0 < before).collect();
            may.sort_by_key(|stretch| std::cmp::Reverse(stretch.made.1));
            for stretch in may {
                if newest.is_some_and(|newest| newest >= stretch.made.1) {
                    break;
                }
                self.of_sequences(address, epoch, (stretch.first, stretch.last), |reading| {
                    newest = newest.max(Some(reading.corrected.time).filter(|&at| at < before));
                    Ok(())
                })?;
            }
        }
        Ok(newest)
    }

    /// The readings of a stretch of sequences, settled ones first, each group ascending.
    pub fn of_sequences(
        &self,
        address: Address,
        epoch: Epoch,
        (first, last): (u32, u32),
        mut take: impl FnMut(&MadeReading<'_>) -> Result<(), Error>,
    ) -> Result<(), Error> {
        let times = self.times(address, epoch)?;
        let units = self.raw_units(address)?;
        let mut passing = Passing::default();
        let columns = &*READ;
        let is_unsettled = self
            .snapshot
            .unsettled_readings(address, epoch)
            .any(|(sequence, ..)| (first..=last).contains(&sequence));
        for (table, only) in [("settled", "true"), ("journal", "kind = 1")] {
            if table == "journal" && !is_unsettled {
                continue;
            }
            let mut statement = self.snapshot.db.prepare_cached(&format!(
                "SELECT {} FROM {table} t
                 WHERE logger = ? AND epoch = ? AND sequence BETWEEN ? AND ? AND {only}
                     AND (rank = 0 OR NOT EXISTS (SELECT 1 FROM stepped_back s WHERE s.logger = t.logger
                         AND s.epoch = t.epoch AND s.sequence = t.sequence AND s.rank = t.rank)
                     AND NOT EXISTS (SELECT 1 FROM import i WHERE i.id = t.import AND i.withdrawn_at IS NOT NULL))
                 ORDER BY sequence",
                columns.list()
            ))?;
            let mut found = statement.query(params![address.number(), epoch.number(), first, last])?;
            while let Some(row) = found.next()? {
                let row = columns.view(row);
                let identity = Identity::new(address.number(), epoch.number(), row.get(Column::Sequence)?);
                let Some(identity) = identity else { continue };
                let content = row.content()?;
                let lag: Option<i64> = row.get(Column::Lag)?;
                let synchronised: Option<bool> = row.get(Column::Synchronised)?;
                let recorded = LoggerTime(i64::from(content.time));
                let received_at =
                    lag.map(|lag_s| clock::received(recorded, lag_s)).filter(|_| synchronised == Some(true));
                let corrected = times.clock.made(identity.sequence.number(), recorded, received_at);
                let units = passing.at(&units, identity).units();
                take(&MadeReading { identity, row: &content, corrected, units, is_by_hand: lag.is_none() })?;
            }
        }
        Ok(())
    }

    /// Whether a record between two readings of a logger may be missing: within the held records that can be
    /// read here, at the end of an epoch whose end is not known, or in an epoch between them.
    pub fn is_gap_between(&self, before: Identity, after: Identity) -> Result<bool, Error> {
        let coverage = self.snapshot.coverage();
        let (address, lacking) = (after.address, self.lacking()?);
        let is_missing = |epoch: Epoch, first: u32, last: u32| {
            if first > last {
                return false;
            }
            let window: RangeSet = [(first, last)].into_iter().collect();
            let not_here = [&lacking.elsewhere, &lacking.retired];
            let mut not_here = not_here.into_iter().filter_map(|all| all.get(&(address, epoch)));
            let held = coverage.epoch(address, epoch).map(|held| held.held());
            not_here.any(|all| !all.intersection(&window).is_empty())
                || held.is_none_or(|held| !held.missing(first..=last).is_empty())
        };
        let (first, last) = (before.sequence.number().saturating_add(1), after.sequence.number() - 1);
        if before.epoch == after.epoch {
            return Ok(is_missing(before.epoch, first, last));
        }
        // From epoch to epoch: each must be named by the next one, and held up to the named end.
        let named: BTreeMap<Epoch, crate::record::coverage::Named> = coverage.named_of(address).collect();
        let (mut at, mut first) = (before.epoch, first);
        while at < after.epoch {
            let Some(named) = named.get(&at).filter(|named| named.by_epoch > at) else { return Ok(true) };
            let held = coverage.epoch(address, at).and_then(|held| held.held().largest()).unwrap_or(0);
            if is_missing(at, first, named.last.max(held)) {
                return Ok(true);
            }
            (at, first) = (named.by_epoch, 1);
        }
        Ok(at != after.epoch || is_missing(after.epoch, 1, last))
    }
}

/// Fits the clock to the smallest delays, then forms the stretches by that clock.
fn epoch_times(clock: EpochClock, timed: &[Timed]) -> EpochTimes {
    let clock = ReadingClock::new(clock.clone(), &least_delays(&clock, timed));
    let stretches = timed.chunks(STRETCH_ROWS).filter_map(|rows| {
        let made = rows.iter().map(|row| clock.made(row.sequence, row.recorded, row.received_at).time);
        let made = made.fold(None, |span: Option<(GatewayTime, GatewayTime)>, at| {
            Some(span.map_or((at, at), |(from, to)| (from.min(at), to.max(at))))
        });
        Some(Stretch { first: rows.first()?.sequence, last: rows.last()?.sequence, made: made? })
    });
    EpochTimes { stretches: stretches.collect(), clock }
}

/// For each window of recorded time, the authentic reading that a synchronised gateway received with the
/// smallest delay. A new window begins after each setting and power-up.
fn least_delays(epoch_clock: &EpochClock, timed: &[Timed]) -> Vec<(u32, LoggerTime, GatewayTime)> {
    let mut least: BTreeMap<(usize, i64), (i64, &Timed)> = BTreeMap::new();
    for row in timed.iter().filter(|row| row.is_authentic) {
        let Some(received_at) = row.received_at else { continue };
        let delay_s = clock::delay_s(row.recorded, received_at);
        let window = (epoch_clock.part(row.sequence), row.recorded.unix_s().div_euclid(WINDOW_S));
        let entry = least.entry(window).or_insert((delay_s, row));
        if delay_s < entry.0 {
            *entry = (delay_s, row);
        }
    }
    let mut all: Vec<_> =
        least.values().filter_map(|(_, row)| Some((row.sequence, row.recorded, row.received_at?))).collect();
    all.sort_unstable();
    all
}
