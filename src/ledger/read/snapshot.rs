//! The data for reports: one consistent state of the ledger, held only for a short time.
//!
//! Input: a ledger opened for reading, next to a daemon that may be writing. Output: coverage,
//! [`crate::record::facts::Facts`] for `gaps`, and the figures of `status`. Every look-up is a seek by a
//! clustered key or a scan of the unsettled journal, which is limited. Nothing here scans the data of past
//! years (except [`Snapshot::largest_sealed`], which documents it).

use crate::ledger::db::error::Error;
use crate::ledger::db::query::Cells;
use crate::ledger::db::row::kind;
use crate::ledger::db::schema;
use crate::ledger::read::coverage::load_coverage;
use crate::ledger::read::history::History;
use crate::ledger::read::tables::is_synchronised;
use crate::record::clock;
use crate::record::coverage::Coverage;
pub use crate::record::damaged::DamagedLedger;
use crate::record::facts::{ProfileSeen, Seen};
use crate::time::{GatewayTime, LoggerTime};
use crate::wire::seq::{Address, Epoch, Identity, Sequence};
use rusqlite::{Connection, TransactionBehavior};
use std::cell::RefCell;
use std::collections::{BTreeMap, HashMap};
use std::path::Path;
use std::rc::Rc;

/// Runs `read` on one consistent state of a connection.
pub(in crate::ledger) fn with_snapshot<T>(
    db: &Connection,
    read: impl FnOnce(&Snapshot<'_>) -> Result<T, Error>,
) -> Result<T, Error> {
    let transaction = rusqlite::Transaction::new_unchecked(db, TransactionBehavior::Deferred)?;
    let value = read(&Snapshot::take(&transaction)?)?;
    transaction.finish()?;
    Ok(value)
}

/// A ledger open for reading.
#[derive(Debug)]
pub struct Reader {
    db: Connection,
}

impl Reader {
    /// Opens it; the daemon may be running, stopped or killed.
    pub fn open(path: &Path) -> Result<Self, Error> {
        Ok(Self { db: schema::open_for_reading(path)? })
    }

    /// Runs `read` on one consistent state.
    pub fn read<T>(&self, read: impl FnOnce(&Snapshot<'_>) -> Result<T, Error>) -> Result<T, Error> {
        with_snapshot(&self.db, read)
    }

    /// Damaged ledgers that were set aside and not salvaged yet; reads nothing else.
    pub fn not_salvaged(&self) -> Result<Vec<DamagedLedger>, Error> {
        crate::ledger::db::tx::snapshot(&self.db, not_salvaged)
    }

    /// The connection, for tests and benches that read through the public views.
    pub fn connection(&self) -> &Connection {
        &self.db
    }
}

fn asides(db: &Connection) -> Result<Vec<DamagedLedger>, Error> {
    let mut statement = db.prepare_cached(
        "SELECT id, file, set_aside_at, reason, known_as_of, salvaged_at, coalesce(records, 0)
         FROM ledger_set_aside ORDER BY id",
    )?;
    let rows = statement.query_map([], |row| {
        let mut cells = Cells::of(row);
        let id: i64 = cells.take()?;
        let aside = DamagedLedger {
            file: cells.take()?,
            set_aside_at: cells.take()?,
            reason: cells.take()?,
            known_as_of: cells.take()?,
            salvaged_at: cells.take()?,
            records: cells.take::<i64>()?.unsigned_abs(),
            reach: BTreeMap::new(),
        };
        Ok((id, aside))
    })?;
    let mut all = Vec::new();
    for row in rows {
        let (id, mut aside) = row?;
        let mut statement = db.prepare_cached(
            "SELECT logger, epoch, max(last) FROM elsewhere WHERE ledger = ? GROUP BY logger, epoch",
        )?;
        let reach = statement.query_map([id], |row| {
            let mut cells = Cells::of(row);
            Ok(((cells.take()?, cells.take()?), cells.take()?))
        })?;
        aside.reach = reach.collect::<Result<_, _>>()?;
        all.push(aside);
    }
    Ok(all)
}

fn not_salvaged(db: &Connection) -> Result<Vec<DamagedLedger>, Error> {
    let mut all = asides(db)?;
    all.retain(|aside| aside.salvaged_at.is_none());
    Ok(all)
}

/// An unsettled record, with the fields that reports need.
#[derive(Clone, Copy, Debug)]
pub(in crate::ledger) struct Unsettled {
    pub rank: i64,
    /// Whether it is opaque: then the time is not the record's own, which cannot be read.
    pub opaque: bool,
    /// When it was received by radio, by the gateway's clock, synchronised or not.
    pub by_radio_at: Option<GatewayTime>,
    pub seen: Seen,
    pub slot: Option<u8>,
    pub stored_at: Option<GatewayTime>,
}

/// The last record received from a logger.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LastHeard {
    /// When the newest record stored by radio was received.
    pub received_at: GatewayTime,
    /// The battery voltage from the last reading by radio.
    pub battery_mv: Option<u16>,
    /// Its signal strength.
    pub rssi_dbm: Option<i8>,
    pub snr_quarter_db: Option<i8>,
}

/// One consistent state of the ledger.
pub struct Snapshot<'a> {
    pub(in crate::ledger) db: &'a Connection,
    pub(in crate::ledger) coverage: Coverage,
    /// The unsettled journal by identity; sorted by rank within.
    pub(in crate::ledger) unsettled: BTreeMap<Identity, Vec<Unsettled>>,
    /// By logger, settled or not.
    pub(in crate::ledger) heard: BTreeMap<Address, LastHeard>,
    /// Cached answers that a report needs several times for each gap: events by logger, profiles by place.
    pub(in crate::ledger) histories: RefCell<HashMap<Address, Rc<History>>>,
    pub(in crate::ledger) profiles_before: RefCell<HashMap<Identity, Option<ProfileSeen>>>,
    pub(in crate::ledger) last_profiles: RefCell<HashMap<(Address, Epoch), Option<ProfileSeen>>>,
    /// By logger and instant: for each epoch, the largest settled reading received before the instant.
    pub(in crate::ledger) received_before: RefCell<HashMap<(Address, GatewayTime), Rc<LargestByEpoch>>>,
}

/// The largest sequence of each epoch.
pub(in crate::ledger) type LargestByEpoch = BTreeMap<Epoch, u32>;

impl<'a> Snapshot<'a> {
    pub(in crate::ledger) fn take(db: &'a Connection) -> Result<Self, Error> {
        let mut snapshot = Self {
            db,
            coverage: load_coverage(db)?,
            unsettled: BTreeMap::new(),
            heard: BTreeMap::new(),
            histories: RefCell::default(),
            profiles_before: RefCell::default(),
            last_profiles: RefCell::default(),
            received_before: RefCell::default(),
        };
        snapshot.read_last_heard()?;
        snapshot.read_journal()?;
        Ok(snapshot)
    }

    /// Whether a record is not settled yet.
    pub(in crate::ledger) fn is_unsettled(&self, id: Identity) -> bool {
        self.unsettled.contains_key(&id)
    }

    pub fn coverage(&self) -> &Coverage {
        &self.coverage
    }

    fn read_last_heard(&mut self) -> Result<(), Error> {
        let mut statement = self.db.prepare_cached(
            "SELECT logger, received_at, battery_mv, rssi_dbm, snr_quarter_db FROM last_heard",
        )?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            let mut cells = Cells::of(row);
            if let Some(address) = Address::new(cells.take()?) {
                let heard = LastHeard {
                    received_at: cells.take()?,
                    battery_mv: cells.take()?,
                    rssi_dbm: cells.take()?,
                    snr_quarter_db: cells.take()?,
                };
                self.heard.insert(address, heard);
            }
        }
        Ok(())
    }

    fn read_journal(&mut self) -> Result<(), Error> {
        let mut statement = self.db.prepare_cached(
            "SELECT logger, epoch, sequence, kind, rank, EXISTS (SELECT 1 FROM import i
                     WHERE i.id = journal.import AND i.withdrawn_at IS NOT NULL), time, lag, stored_at,
                 synchronised, slot, battery_mv, rssi_dbm, snr_quarter_db
             FROM journal WHERE kind > 0 ORDER BY row",
        )?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            let mut cells = Cells::of(row);
            let place = (cells.take()?, cells.take()?, cells.take()?);
            let Some(identity) = Identity::new(place.0, place.1, place.2) else { continue };
            let (kind, rank, withdrawn): (i64, i64, bool) = (cells.take()?, cells.take()?, cells.take()?);
            let (time, lag): (LoggerTime, Option<i64>) = (cells.take()?, cells.take()?);
            let received_at = lag.map(|lag_s| clock::received(time, lag_s));
            let stored_at: Option<GatewayTime> = cells.take()?;
            let (synchronised, slot) = (is_synchronised(cells.take()), cells.take()?);
            if let (Some(received_at), None) = (received_at, stored_at) {
                let never = LastHeard { received_at, battery_mv: None, rssi_dbm: None, snr_quarter_db: None };
                let heard = self.heard.entry(identity.address).or_insert(never);
                heard.received_at = received_at;
                heard.battery_mv = cells.take::<Option<u16>>()?.or(heard.battery_mv);
                heard.rssi_dbm = cells.take::<Option<i8>>()?.or(heard.rssi_dbm);
                heard.snr_quarter_db = cells.take::<Option<i8>>()?.or(heard.snr_quarter_db);
            }
            if !withdrawn {
                // Whether it came by radio does not depend on whether the clock was synchronised.
                let by_radio_at = received_at;
                let received_at = received_at.filter(|_| synchronised);
                let stamped_at = by_radio_at;
                let seen = Seen { time, received_at, stamped_at, is_reading: kind == kind::READING };
                let rows = self.unsettled.entry(identity).or_default();
                rows.push(Unsettled {
                    rank,
                    opaque: kind == kind::OPAQUE,
                    by_radio_at,
                    seen,
                    slot,
                    stored_at,
                });
                rows.sort_by_key(|unsettled| unsettled.rank);
            }
        }
        Ok(())
    }

    /// The unsettled authentic records of a range of an epoch, ascending.
    pub(in crate::ledger) fn unsettled_of(
        &self,
        address: Address,
        epoch: Epoch,
        range: std::ops::RangeInclusive<u32>,
    ) -> impl DoubleEndedIterator<Item = (u32, &Unsettled)> {
        self.unsettled_rows_of(address, epoch, range).filter_map(|(id, rows)| {
            let row = rows.first().filter(|row| row.rank == 0)?;
            Some((id.sequence.number(), row))
        })
    }

    /// The unsettled rows of a range of an epoch, ascending.
    pub(in crate::ledger) fn unsettled_rows_of(
        &self,
        address: Address,
        epoch: Epoch,
        range: std::ops::RangeInclusive<u32>,
    ) -> impl DoubleEndedIterator<Item = (&Identity, &Vec<Unsettled>)> {
        let ends = Sequence::new((*range.start()).max(1)).zip(Sequence::new(*range.end()));
        let ends = ends.filter(|(first, last)| first <= last);
        let span = ends.map(|(first, last)| {
            let at = |sequence| Identity { address, epoch, sequence };
            self.unsettled.range(at(first)..=at(last))
        });
        span.into_iter().flatten()
    }

    /// The unsettled readings and rows of an epoch: sequence, time, reception by a synchronised gateway, and whether
    /// the row is authentic.
    pub(in crate::ledger) fn unsettled_readings(
        &self,
        address: Address,
        epoch: Epoch,
    ) -> impl Iterator<Item = (u32, LoggerTime, Option<GatewayTime>, bool)> + '_ {
        self.unsettled_rows_of(address, epoch, 1..=u32::MAX).flat_map(|(id, rows)| {
            let readings = rows.iter().filter(|row| row.seen.is_reading);
            readings.map(|row| (id.sequence.number(), row.seen.time, row.seen.received_at, row.rank == 0))
        })
    }

    /// The last record received from a logger by radio.
    pub fn heard(&self, address: Address) -> Option<LastHeard> {
        self.heard.get(&address).copied()
    }

    /// Damaged ledgers that were set aside, and how many records count as held in each.
    pub fn ledgers_set_aside(&self) -> Result<Vec<DamagedLedger>, Error> {
        asides(self.db)
    }

    /// Those of them whose records have not been salvaged yet.
    pub fn not_salvaged(&self) -> Result<Vec<DamagedLedger>, Error> {
        not_salvaged(self.db)
    }
}
