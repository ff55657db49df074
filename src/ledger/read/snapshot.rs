//! What reports read: one consistent state of the ledger, let go of at once.
//!
//! Input: a ledger opened for reading, beside a daemon that may be writing. Output: coverage, [`Facts`] for
//! `gaps`, and the figures of `status`. Every look-up is a seek by a clustered key or a scan of the unsettled
//! journal, which is bounded; nothing here scans the years (but [`Snapshot::largest_sealed`], which says so).

use crate::ledger::db::error::Error;
use crate::ledger::db::rare;
use crate::ledger::db::row::{self, kind};
use crate::ledger::db::schema;
use crate::ledger::read::coverage::load_coverage;
use crate::record::clock::ClockEvent;
use crate::record::clock::PLAUSIBLE_FROM;
use crate::record::coverage::{Coverage, RangeSet};
pub use crate::record::damaged::DamagedLedger;
use crate::record::facts::{Came, Facts, Listening, ProfileSeen, Seen, WriteOff};
use crate::record::judge::{Outcome, Tally};
use crate::record::set_aside::SetAside;
use crate::time::GatewayTime;
use crate::wire::record::Profile;
use crate::wire::seq::{Address, Epoch, Identity, Sequence, Slot};
use rusqlite::{Connection, OptionalExtension, TransactionBehavior, params};
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet, HashMap};
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
    /// Opens it; the daemon may be up, stopped or killed.
    pub fn open(path: &Path) -> Result<Self, Error> {
        Ok(Self { db: schema::open_for_reading(path)? })
    }

    /// Runs `read` on one consistent state.
    pub fn read<T>(&self, read: impl FnOnce(&Snapshot<'_>) -> Result<T, Error>) -> Result<T, Error> {
        with_snapshot(&self.db, read)
    }

    /// Damaged ledgers that were set aside and not brought over yet, without looking at anything else.
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
        let aside = DamagedLedger {
            file: row.get(1)?,
            set_aside_at: row.get(2)?,
            reason: row.get(3)?,
            known_as_of: row.get(4)?,
            salvaged_at: row.get(5)?,
            records: row.get::<_, i64>(6)?.unsigned_abs(),
            reach: BTreeMap::new(),
        };
        Ok((row.get::<_, i64>(0)?, aside))
    })?;
    let mut all = Vec::new();
    for row in rows {
        let (id, mut aside) = row?;
        let mut statement = db.prepare_cached(
            "SELECT logger, epoch, max(last) FROM elsewhere WHERE ledger = ? GROUP BY logger, epoch",
        )?;
        let reach = statement.query_map([id], |row| Ok(((row.get(0)?, row.get(1)?), row.get(2)?)))?;
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

/// An unsettled record, as far as reports need it.
#[derive(Clone, Copy, Debug)]
struct Unsettled {
    rank: i64,
    /// Its time is not the record's, which nobody can read.
    opaque: bool,
    /// When it came by radio, by whatever the gateway's clock said.
    by_radio_at: Option<i64>,
    seen: Seen,
    slot: Option<u8>,
    stored_at: Option<i64>,
}

/// What was last heard of a logger.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LastHeard {
    /// When the newest record stored by radio came in.
    pub received_at: i64,
    /// Its cell, from the last reading by radio.
    pub battery_mv: Option<u16>,
    /// How strong it came in.
    pub rssi_dbm: Option<i8>,
    /// In quarters of a decibel.
    pub snr_quarter_db: Option<i8>,
}

/// One consistent state of the ledger.
pub struct Snapshot<'a> {
    pub(in crate::ledger) db: &'a Connection,
    coverage: Coverage,
    /// The unsettled journal by identity; sorted by rank within.
    unsettled: BTreeMap<Identity, Vec<Unsettled>>,
    /// By logger, settled or not.
    heard: BTreeMap<Address, LastHeard>,
    /// Answers that a report asks for several times a gap: events by logger, profiles by place.
    histories: RefCell<HashMap<Address, Rc<History>>>,
    profiles_before: RefCell<HashMap<Identity, Option<ProfileSeen>>>,
    last_profiles: RefCell<HashMap<(Address, Epoch), Option<ProfileSeen>>>,
    /// By logger and instant: of each epoch, the largest settled reading received before it.
    received_before: RefCell<HashMap<(Address, i64), Rc<LargestByEpoch>>>,
}

/// The largest sequence of each epoch.
type LargestByEpoch = BTreeMap<Epoch, u32>;

/// The most clock events of an epoch that are looked at.
const CLOCK_EVENTS_MAX: usize = 1000;

/// A logger's events that bear on times and on its memory: few, by identity.
#[derive(Debug, Default)]
struct History {
    /// Power-ups and clock settings, ascending by epoch and sequence.
    clock: Vec<(Epoch, ClockEvent)>,
    cleared: Vec<Identity>,
}

impl History {
    /// The power-ups and settings of an epoch with sequences from `first` to `last`. It looks at those alone: a logger that
    /// started ten thousand times has as many epochs, and each asks.
    fn clock_between(&self, epoch: Epoch, first: u32, last: u32) -> &[(Epoch, ClockEvent)] {
        let place = |(of, event): &(Epoch, ClockEvent)| (*of, event.sequence);
        let from = self.clock.partition_point(|event| place(event) < (epoch, first));
        let to = self.clock.partition_point(|event| place(event) <= (epoch, last));
        self.clock.get(from..to).unwrap_or_default()
    }
}

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

    /// Coverage.
    pub fn coverage(&self) -> &Coverage {
        &self.coverage
    }

    fn read_last_heard(&mut self) -> Result<(), Error> {
        let mut statement = self.db.prepare_cached(
            "SELECT logger, received_at, battery_mv, rssi_dbm, snr_quarter_db FROM last_heard",
        )?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            if let Some(address) = Address::new(row.get(0)?) {
                let heard = LastHeard {
                    received_at: row.get(1)?,
                    battery_mv: row.get(2)?,
                    rssi_dbm: row.get(3)?,
                    snr_quarter_db: row.get(4)?,
                };
                self.heard.insert(address, heard);
            }
        }
        Ok(())
    }

    fn read_journal(&mut self) -> Result<(), Error> {
        let mut statement = self.db.prepare_cached(
            "SELECT kind, logger, epoch, sequence, rank, time, lag, battery_mv, rssi_dbm, snr_quarter_db,
                 stored_at, EXISTS (SELECT 1 FROM import i
                     WHERE i.id = journal.import AND i.withdrawn_at IS NOT NULL), synchronised, slot
             FROM journal WHERE kind > 0 ORDER BY row",
        )?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            let Some(identity) = Identity::new(row.get(1)?, row.get(2)?, row.get(3)?) else { continue };
            let (rank, withdrawn): (i64, bool) = (row.get(4)?, row.get(11)?);
            let (time, lag): (i64, Option<i64>) = (row.get(5)?, row.get(6)?);
            let received_at = lag.map(|lag| time + lag);
            let stored_at: Option<i64> = row.get(10)?;
            if let (Some(received_at), None) = (received_at, stored_at) {
                let heard = self.heard.entry(identity.address).or_default();
                heard.received_at = received_at;
                heard.battery_mv = row.get::<_, Option<u16>>(7)?.or(heard.battery_mv);
                heard.rssi_dbm = row.get::<_, Option<i8>>(8)?.or(heard.rssi_dbm);
                heard.snr_quarter_db = row.get::<_, Option<i8>>(9)?.or(heard.snr_quarter_db);
            }
            if !withdrawn {
                let kind: i64 = row.get(0)?;
                // Whether it came by radio has nothing to do with whether the clock was right.
                let by_radio_at = received_at;
                let received_at = received_at.filter(|_| is_synchronised(row.get(12)));
                let stamped_at = by_radio_at;
                let seen = Seen { time, received_at, stamped_at, is_reading: kind == kind::READING };
                let rows = self.unsettled.entry(identity).or_default();
                let slot = row.get(13)?;
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

    /// The smallest sequence of an epoch, from `first` on, that came by radio after an instant: its logger was alive
    /// then.
    pub(in crate::ledger) fn heard_after(
        &self,
        address: Address,
        epoch: Epoch,
        first: u32,
        after: i64,
    ) -> Result<Option<u32>, Error> {
        let heard = |row: &Unsettled| row.seen.received_at.is_some_and(|received| received > after);
        let mut unsettled = self.unsettled_of(address, epoch, first..=u32::MAX);
        let mut smallest = unsettled.find(|(_, row)| heard(row)).map(|(sequence, _)| sequence);
        for (table, _, received_at) in SEALED_TABLES {
            let sql = format!(
                "SELECT sequence FROM {table} WHERE logger = ? AND epoch = ? AND sequence >= ? AND rank = 0
                     AND synchronised = 1 AND {received_at} > ? ORDER BY sequence LIMIT 1"
            );
            let found: Option<u32> = self
                .db
                .prepare_cached(&sql)?
                .query_row(params![address.number(), epoch.number(), first, after], |row| row.get(0))
                .optional()?;
            smallest = [smallest, found].into_iter().flatten().min();
        }
        Ok(smallest)
    }

    /// The first profile of a logger that meets a condition on (epoch, sequence), in an order.
    fn profile(&self, condition: &str, order: &str, id: Identity) -> Result<Option<ProfileSeen>, Error> {
        let sql =
            format!("{PROFILE_SEEN} WHERE logger = ? AND {condition} AND rank = 0 ORDER BY {order} LIMIT 1");
        Ok(self.db.prepare_cached(&sql)?.query_row(key(id), profile_seen).optional()?.flatten())
    }

    /// The unsettled authentic records of a range of an epoch, ascending.
    fn unsettled_of(
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

    /// What is unsettled of a range of an epoch, ascending.
    fn unsettled_rows_of(
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

    /// The newest authentic record of an epoch, up to an identity, whose reception meets a condition: its sequence and
    /// reception.
    fn newest_where(
        &self,
        not_above: Identity,
        condition: &str,
        unsettled: impl Fn(&Unsettled) -> bool,
    ) -> Result<Option<(u32, Option<i64>)>, Error> {
        let last = not_above.sequence.number();
        let mut recent = self.unsettled_of(not_above.address, not_above.epoch, 1..=last).rev();
        let mut newest =
            recent.find(|(_, row)| unsettled(row)).map(|(sequence, row)| (sequence, row.seen.received_at));
        for (table, _, received_at) in SEALED_TABLES {
            let sql = format!(
                "SELECT sequence, {received_at} FROM {table} WHERE logger = ? AND epoch = ? AND sequence <= ?
                     AND rank = 0 AND {received_at} {condition} ORDER BY sequence DESC LIMIT 1"
            );
            let found = self
                .db
                .prepare_cached(&sql)?
                .query_row(key(not_above), |row| Ok((row.get(0)?, row.get(1)?)))
                .optional()?;
            newest = newest.max(found);
        }
        Ok(newest)
    }

    /// Of each epoch of a logger, the largest settled reading received before an instant by a synchronised clock. Where
    /// the counters of the days account for all that is held, it reads no further than they say that there are any.
    fn settled_received_before(
        &self,
        address: Address,
        before: i64,
    ) -> Result<Rc<BTreeMap<Epoch, u32>>, Error> {
        if let Some(known) = self.received_before.borrow().get(&(address, before)) {
            return Ok(Rc::clone(known));
        }
        let day = before.div_euclid(DAY_S);
        let (all, early): (f64, f64) = self
            .db
            .prepare_cached(
                "SELECT total(stored + opaque), total((stored + opaque) * (day <= ?)) FROM logger_day WHERE logger = ?",
            )?
            .query_row(params![day, address.number()], |row| Ok((row.get(0)?, row.get(1)?)))?;
        let held: u64 = self.coverage.epochs_of(address).map(|(_, held)| held.authentic.count()).sum();
        let unsettled = self
            .coverage
            .epochs_of(address)
            .map(|(epoch, _)| self.unsettled_of(address, epoch, 1..=u32::MAX).count());
        let is_all_counted = held <= all as u64 + unsettled.sum::<usize>() as u64;
        let mut left = if is_all_counted { early as u64 } else { u64::MAX };
        let until = day.saturating_add(1).saturating_mul(DAY_S);
        let mut found = BTreeMap::new();
        let mut statement = self.db.prepare_cached(
            "SELECT epoch, sequence, time + lag, synchronised FROM settled_or_retired
             WHERE logger = ? AND rank = 0 AND lag IS NOT NULL ORDER BY epoch, sequence",
        )?;
        let mut rows = statement.query([address.number()])?;
        while left > 0
            && let Some(row) = rows.next()?
        {
            let received_at: i64 = row.get(2)?;
            left -= u64::from(received_at < until);
            if let Some(epoch) = Epoch::new(row.get(0)?)
                && received_at < before
                && is_synchronised(row.get(3))
            {
                found.insert(epoch, row.get(1)?);
            }
        }
        let found = Rc::new(found);
        self.received_before.borrow_mut().insert((address, before), Rc::clone(&found));
        Ok(found)
    }

    fn history(&self, address: Address) -> Result<Rc<History>, Error> {
        if let Some(history) = self.histories.borrow().get(&address) {
            return Ok(Rc::clone(history));
        }
        let mut history = History::default();
        let mut statement = self.db.prepare_cached(
            "SELECT epoch, sequence, time, code, value FROM event_row
             WHERE logger = ? AND rank = 0 AND code IN (1, 2, 3) ORDER BY epoch, sequence",
        )?;
        let mut rows = statement.query([address.number()])?;
        while let Some(row) = rows.next()? {
            let Some(id) = Identity::new(address.number(), row.get(0)?, row.get(1)?) else { continue };
            let (time, code): (i64, u8) = (row.get(2)?, row.get(3)?);
            if code == 3 {
                history.cleared.push(id);
                continue;
            }
            let seconds_added = if code == 2 { row.get(4)? } else { None };
            let event = ClockEvent { sequence: id.sequence.number(), time, seconds_added };
            history.clock.push((id.epoch, event));
        }
        let history = Rc::new(history);
        self.histories.borrow_mut().insert(address, Rc::clone(&history));
        Ok(history)
    }

    /// Whether a power-up is held between two records of an epoch.
    pub fn powered_up_between(&self, before: Identity, after: Identity) -> Result<bool, Error> {
        let history = self.history(after.address)?;
        let between = history.clock_between(after.epoch, before.sequence.number(), after.sequence.number());
        Ok(between.iter().any(|(_, event)| event.seconds_added.is_none()))
    }

    /// The unsettled readings and rows of an epoch: sequence, time, reception by a synchronised gateway, and whether
    /// the row is authentic.
    pub(in crate::ledger) fn unsettled_readings(
        &self,
        address: Address,
        epoch: Epoch,
    ) -> impl Iterator<Item = (u32, i64, Option<i64>, bool)> + '_ {
        self.unsettled_rows_of(address, epoch, 1..=u32::MAX).flat_map(|(id, rows)| {
            let readings = rows.iter().filter(|row| row.seen.is_reading);
            readings.map(|row| (id.sequence.number(), row.seen.time, row.seen.received_at, row.rank == 0))
        })
    }

    /// What was last heard of a logger by radio.
    pub fn heard(&self, address: Address) -> Option<LastHeard> {
        self.heard.get(&address).copied()
    }

    fn settled_reading(&self, id: Identity) -> Result<Option<(i64, Seen)>, Error> {
        let found = self
            .db
            .prepare_cached(
                "SELECT rank, time, lag, synchronised FROM settled_or_retired s WHERE logger = ? AND epoch = ? AND sequence = ?
                     AND NOT EXISTS (SELECT 1 FROM import i WHERE i.id = s.import AND rank > 0
                         AND i.withdrawn_at IS NOT NULL)
                 ORDER BY rank LIMIT 1",
            )?
            .query_row(key(id), |row| {
                let (time, lag): (i64, Option<i64>) = (row.get(1)?, row.get(2)?);
                let stamped_at = lag.map(|lag| time.saturating_add(lag));
                let received_at = stamped_at.filter(|_| is_synchronised(row.get(3)));
                Ok((row.get(0)?, Seen { time, received_at, stamped_at, is_reading: true }))
            })
            .optional()?;
        Ok(found)
    }

    fn settled_rare(&self, id: Identity) -> Result<Option<Seen>, Error> {
        for (table, time) in [
            ("profile_row", "time"),
            ("event_row", "time"),
            // When an opaque record was made, nobody can read: its reception stands in, if there was one.
            ("opaque_row", "coalesce(received_at, stored_at)"),
        ] {
            let sql = format!(
                "SELECT {time}, received_at, synchronised FROM {table} WHERE logger = ? AND epoch = ? AND sequence = ?
                     AND rank = 0 AND {time} IS NOT NULL"
            );
            let seen = self
                .db
                .prepare_cached(&sql)?
                .query_row(key(id), |row| {
                    let stamped_at: Option<i64> = row.get(1)?;
                    let received_at = stamped_at.filter(|_| is_synchronised(row.get(2)));
                    Ok(Seen { time: row.get(0)?, received_at, stamped_at, is_reading: false })
                })
                .optional()?;
            if seen.is_some() {
                return Ok(seen);
            }
        }
        Ok(None)
    }

    /// Frames by outcome of each radio over all time, with noise bytes and bytes in.
    pub fn radio_totals(&self) -> Result<Vec<RadioTotal>, Error> {
        let mut statement = self.db.prepare_cached(
            "SELECT r.name, total(d.noise), total(d.skipped), total(d.\"foreign\"), total(d.unopened),
                 total(d.duplicate), total(d.conflict), total(d.opaque), total(d.stored),
                 total(d.noise_bytes), total(d.bytes)
             FROM radio r LEFT JOIN (
                 SELECT radio, noise, skipped, \"foreign\", unopened, duplicate, conflict, opaque, stored,
                     noise_bytes, bytes FROM radio_day
                 UNION ALL
                 SELECT radio, coalesce(c0, 0), coalesce(c1, 0), coalesce(c2, 0), coalesce(c3, 0),
                     coalesce(c4, 0), coalesce(c5, 0), coalesce(c6, 0), coalesce(c7, 0), coalesce(c8, 0),
                     coalesce(c9, 0)
                 FROM journal WHERE kind = 0 AND logger = 0
             ) d ON d.radio = r.id GROUP BY r.id ORDER BY r.id",
        )?;
        let rows = statement.query_map([], |row| {
            let mut tally = Tally::default();
            for (at, outcome) in Outcome::ALL.into_iter().enumerate() {
                tally.add(outcome, row.get::<_, f64>(1 + at)? as u64);
            }
            Ok(RadioTotal {
                name: row.get(0)?,
                tally,
                noise_bytes: row.get::<_, f64>(9)? as u64,
                bytes: row.get::<_, f64>(10)? as u64,
            })
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// What is set aside, oldest first.
    pub fn set_aside(&self) -> Result<Vec<SetAside>, Error> {
        self.set_aside_with(u32::MAX)
    }

    /// The same, with so many unopened frames, the newest: a year of them does not fit in a small memory.
    pub fn set_aside_with(&self, unopened: u32) -> Result<Vec<SetAside>, Error> {
        const COLUMNS: &str = "what, id, logger, epoch, sequence, slot, reason, source, first_at, last_at, seen, \
                               content_hex, content_json, import, withdrawn_at";
        let mut statement = self.db.prepare(&format!(
            "SELECT {COLUMNS} FROM set_aside WHERE what = 'conflict'
             UNION ALL SELECT * FROM (SELECT {COLUMNS} FROM set_aside WHERE what = 'unopened' ORDER BY id DESC LIMIT ?)
             ORDER BY what, id"
        ))?;
        let rows = statement.query_map([unopened], |row| {
            Ok(SetAside {
                what: row.get(0)?,
                id: row.get(1)?,
                logger: row.get(2)?,
                epoch: row.get(3)?,
                sequence: row.get(4)?,
                slot: row.get(5)?,
                reason: row.get(6)?,
                source: row.get(7)?,
                first_at: row.get(8)?,
                last_at: row.get(9)?,
                seen: row.get(10)?,
                content_hex: row.get(11)?,
                content_json: row.get(12)?,
                import: row.get(13)?,
                withdrawn_at: row.get(14)?,
            })
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// The authentic record held under an identity, as plaintext: the other side of a conflict.
    pub fn plaintext(&self, id: Identity) -> Result<Option<Vec<u8>>, Error> {
        if let Some(plaintext) = rare::rare_plaintext(self.db, id)? {
            return Ok(Some(plaintext));
        }
        for table in ["settled", "journal"] {
            let only = if table == "journal" { "AND kind = 1" } else { "" };
            let sql = format!(
                "SELECT {} FROM {table} WHERE logger = ? AND epoch = ? AND sequence = ? AND rank = 0 {only}",
                row::content_columns()
            );
            let content = self.db.prepare_cached(&sql)?.query_row(key(id), row::row_content).optional()?;
            if let Some(reading) = content.as_ref().and_then(row::reading) {
                return Ok(Some(row::encoded(&crate::wire::record::Record::Reading(reading))));
            }
        }
        Ok(None)
    }

    /// Notices that the limit has dropped since the ledger was made.
    pub fn notices_dropped(&self) -> Result<i64, Error> {
        crate::ledger::db::meta::meta(self.db, "notices_dropped")
    }

    /// Notices that are up: kind, subject, text, since when.
    pub fn notices(&self) -> Result<Vec<Notice>, Error> {
        let mut statement = self.db.prepare_cached(
            "SELECT kind, subject, text, raised_at FROM notice WHERE cleared_at IS NULL ORDER BY raised_at",
        )?;
        let rows = statement.query_map([], |row| {
            Ok(Notice { kind: row.get(0)?, subject: row.get(1)?, text: row.get(2)?, raised_at: row.get(3)? })
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Damaged ledgers that were set aside, and how many records count as held in each.
    pub fn ledgers_set_aside(&self) -> Result<Vec<DamagedLedger>, Error> {
        asides(self.db)
    }

    /// Those of them from which nobody has brought over yet what they hold.
    pub fn not_salvaged(&self) -> Result<Vec<DamagedLedger>, Error> {
        not_salvaged(self.db)
    }

    /// The newest profile held of a logger, by its identity.
    pub fn newest_profile(&self, address: Address) -> Result<Option<(Identity, Profile)>, Error> {
        let sql = format!(
            "SELECT {}, epoch, sequence FROM profile_row WHERE logger = ? AND rank = 0
             ORDER BY epoch DESC, sequence DESC LIMIT 1",
            rare::PROFILE_COLUMNS
        );
        let mut statement = self.db.prepare_cached(&sql)?;
        let mut found = statement.query([address.number()])?;
        let Some(row) = found.next()? else { return Ok(None) };
        let identity = Identity::new(address.number(), row.get(9)?, row.get(10)?);
        Ok(identity.zip(Some(rare::profile(row)?)))
    }

    /// The newest `records` records of each of these loggers that a key has opened, newest identity first.
    pub fn newest_sealed(
        &self,
        addresses: &[Address],
        records: usize,
    ) -> Result<BTreeMap<Address, Vec<Sealed>>, Error> {
        let mut newest: BTreeMap<Address, Vec<Sealed>> =
            addresses.iter().map(|&address| (address, Vec::new())).collect();
        let mut statement = self.db.prepare_cached(
            "SELECT epoch, sequence, slot, time, time + lag, logger FROM journal
             WHERE kind > 0 AND rank = 0 AND slot IS NOT NULL",
        )?;
        let mut found = statement.query([])?;
        while let Some(row) = found.next()? {
            if let Some(address) = Address::new(row.get(5)?)
                && let Some(mine) = newest.get_mut(&address)
            {
                mine.extend(sealed(address, row)?);
            }
        }
        for (&address, mine) in &mut newest {
            for (table, time, received_at) in SEALED_TABLES {
                let sql = format!(
                    "SELECT epoch, sequence, slot, {time}, {received_at} FROM {table}
                     WHERE logger = ? AND rank = 0 AND slot IS NOT NULL
                     ORDER BY epoch DESC, sequence DESC LIMIT ?"
                );
                let mut statement = self.db.prepare_cached(&sql)?;
                let mut found = statement.query(params![address.number(), records as i64])?;
                while let Some(row) = found.next()? {
                    mine.extend(sealed(address, row)?);
                }
            }
            // A rare record stands in the journal too, and an opaque one may have a typed row beside it.
            mine.sort_unstable_by_key(|sealed| std::cmp::Reverse(sealed.identity));
            mine.dedup_by_key(|sealed| sealed.identity);
            mine.truncate(records);
        }
        Ok(newest)
    }

    /// The key slots that have opened frames of these loggers, and since when.
    pub fn slots_opened(&self) -> Result<BTreeMap<Address, Vec<(Slot, i64)>>, Error> {
        let mut statement =
            self.db.prepare_cached("SELECT logger, slot, first_at FROM slot_use ORDER BY logger, slot")?;
        let mut slots = BTreeMap::<Address, Vec<(Slot, i64)>>::new();
        let mut found = statement.query([])?;
        while let Some(row) = found.next()? {
            if let Some(address) = Address::new(row.get(0)?) {
                slots.entry(address).or_default().push((Slot(row.get(1)?), row.get(2)?));
            }
        }
        Ok(slots)
    }

    /// The record with the largest identity that came under a slot. Reads back from the logger's newest record,
    /// so that this is quick for the slot in use, and reads what came since for one that was given up.
    pub fn largest_sealed(&self, address: Address, slot: Slot) -> Result<Option<Sealed>, Error> {
        let mut largest: Option<Sealed> = None;
        let journal = ("journal", "time", "time + lag");
        for (table, time, received_at) in SEALED_TABLES.into_iter().chain([journal]) {
            let only = if table == "journal" { "AND kind > 0" } else { "" };
            let sql = format!(
                "SELECT epoch, sequence, slot, {time}, {received_at} FROM {table}
                 WHERE logger = ? AND rank = 0 AND slot = ? {only}
                 ORDER BY epoch DESC, sequence DESC LIMIT 1"
            );
            let mut statement = self.db.prepare_cached(&sql)?;
            let mut found = statement.query(params![address.number(), slot.0])?;
            let Some(row) = found.next()? else { continue };
            let Some(here) = sealed(address, row)? else { continue };
            if largest.is_none_or(|largest| largest.identity < here.identity) {
                largest = Some(here);
            }
        }
        Ok(largest)
    }

    /// The record with the smallest identity that came under a slot. Reads on from the logger's oldest record.
    pub fn smallest_sealed(&self, address: Address, slot: Slot) -> Result<Option<Sealed>, Error> {
        let from = Identity::new(address.number(), 1, 1);
        let Some(from) = from else { return Ok(None) };
        Ok(self.sealed_from(from, slot, 1)?.into_iter().next())
    }

    /// The first `most` records that came under a slot, from an identity of its logger on.
    pub fn sealed_from(&self, from: Identity, slot: Slot, most: usize) -> Result<Vec<Sealed>, Error> {
        let mut all = Vec::new();
        let journal = ("journal", "time", "time + lag");
        let (address, most_rows) = (from.address, most as i64);
        for (table, time, received_at) in SEALED_TABLES.into_iter().chain([journal]) {
            let only = if table == "journal" { "AND kind > 0" } else { "" };
            let sql = format!(
                "SELECT epoch, sequence, slot, {time}, {received_at} FROM {table}
                 WHERE logger = ? AND (epoch, sequence) >= (?, ?) AND rank = 0 AND slot = ? {only}
                 ORDER BY epoch, sequence LIMIT ?"
            );
            let mut statement = self.db.prepare_cached(&sql)?;
            let (epoch, sequence) = (from.epoch.number(), from.sequence.number());
            let mut found = statement.query(params![address.number(), epoch, sequence, slot.0, most_rows])?;
            while let Some(row) = found.next()? {
                all.extend(sealed(address, row)?);
            }
        }
        // A rare record stands in the journal too, and an opaque one may have a typed row beside it.
        all.sort_unstable_by_key(|sealed| sealed.identity);
        all.dedup_by_key(|sealed| sealed.identity);
        all.truncate(most);
        Ok(all)
    }

    /// When the newest record that came by radio under a slot, with this or a larger identity, came in: what is in the
    /// journal is newer than what is settled, and there the row says the order. Looks at the `NEWEST_LOOKED_AT` largest
    /// identities of what is settled.
    pub fn latest_reception(&self, from: Identity, slot: Slot) -> Result<Option<(bool, i64)>, Error> {
        /// Settled records of a slot that are looked at.
        const NEWEST_LOOKED_AT: i64 = 1000;
        let (address, epoch, sequence) = (from.address.number(), from.epoch.number(), from.sequence.number());
        let row: Option<i64> = self
            .db
            .prepare_cached(
                "SELECT max(row) FROM journal WHERE logger = ? AND (epoch, sequence) >= (?, ?) AND rank = 0
                     AND slot = ? AND kind > 0 AND lag IS NOT NULL AND stored_at IS NULL",
            )?
            .query_row(params![address, epoch, sequence, slot.0], |row| row.get(0))?;
        if let Some(row) = row {
            return Ok(Some((true, row)));
        }
        let mut latest: Option<i64> = None;
        for (table, _, received_at) in SEALED_TABLES {
            let sql = format!(
                "SELECT max(at) FROM (SELECT {received_at} AS at FROM {table}
                     WHERE logger = ? AND (epoch, sequence) >= (?, ?) AND rank = 0 AND slot = ?
                     ORDER BY epoch DESC, sequence DESC LIMIT ?)"
            );
            let here: Option<i64> = self
                .db
                .prepare_cached(&sql)?
                .query_row(params![address, epoch, sequence, slot.0, NEWEST_LOOKED_AT], |row| row.get(0))?;
            latest = latest.max(here);
        }
        Ok(latest.map(|at| (false, at)))
    }

    /// Frames set aside because their slot is closed before them, by logger and slot.
    pub fn shut_by_closing(&self) -> Result<BTreeMap<(Address, Slot), u64>, Error> {
        let mut statement = self.db.prepare_cached(
            "SELECT logger, slot, count(*) FROM unopened WHERE reason = ? GROUP BY logger, slot",
        )?;
        let mut frames = BTreeMap::new();
        let mut found = statement.query([crate::record::unopened::WhyShut::Closed.text()])?;
        while let Some(row) = found.next()? {
            if let Some(address) = Address::new(row.get(0)?) {
                frames.insert((address, Slot(row.get(1)?)), row.get::<_, i64>(2)? as u64);
            }
        }
        Ok(frames)
    }

    /// The readings of one logger whose recorded time is in a span, with their counts, in order of identities:
    /// settled ones by the blocks that may hold them, then what the journal holds beyond.
    pub fn readings_in_time(
        &self,
        address: Address,
        from: i64,
        to: i64,
        mut take: impl FnMut(Identity, &crate::record::judge::Row),
    ) -> Result<(), Error> {
        let logger = address.number();
        let columns = row::content_columns();
        let shown = "(rank = 0 OR NOT EXISTS (SELECT 1 FROM stepped_back s WHERE s.logger = t.logger
                 AND s.epoch = t.epoch AND s.sequence = t.sequence AND s.rank = t.rank)
             AND NOT EXISTS (SELECT 1 FROM import i WHERE i.id = t.import AND i.withdrawn_at IS NOT NULL))";
        let mut found = |row: &rusqlite::Row<'_>| -> Result<(), Error> {
            // The identity comes after the content's 45 columns.
            if let Some(id) = Identity::new(row.get(45)?, row.get(46)?, row.get(47)?) {
                take(id, &row::row_content(row)?);
            }
            Ok(())
        };
        let mut settled = self.db.prepare_cached(&format!(
            "SELECT {columns}, logger, epoch, sequence FROM settled t
             WHERE logger = ? AND epoch = ? AND sequence BETWEEN ? AND ? AND time >= ? AND time < ? AND {shown}"
        ))?;
        for (epoch, first, last) in crate::ledger::digest::block::blocks_in_time(self.db, logger, from, to)? {
            let mut rows = settled.query(params![logger, epoch, first, last, from, to])?;
            while let Some(row) = rows.next()? {
                found(row)?;
            }
        }
        let mut journal = self.db.prepare_cached(&format!(
            "SELECT {columns}, logger, epoch, sequence FROM journal t
             WHERE kind = 1 AND logger = ? AND time >= ? AND time < ? AND {shown} ORDER BY epoch, sequence"
        ))?;
        let mut rows = journal.query(params![logger, from, to])?;
        while let Some(row) = rows.next()? {
            found(row)?;
        }
        Ok(())
    }

    /// The content of held readings and rows, of each the one that views show: a seek each in what is settled, and one
    /// scan of the journal for all.
    pub fn readings_at(
        &self,
        wanted: &BTreeSet<Identity>,
    ) -> Result<BTreeMap<Identity, crate::record::judge::Row>, Error> {
        let mut found = BTreeMap::new();
        let shown = "(t.rank = 0 OR NOT EXISTS (SELECT 1 FROM stepped_back s WHERE s.logger = t.logger
                 AND s.epoch = t.epoch AND s.sequence = t.sequence AND s.rank = t.rank)
             AND NOT EXISTS (SELECT 1 FROM import i WHERE i.id = t.import AND i.withdrawn_at IS NOT NULL))";
        let columns = row::content_columns();
        let mut journal = self.db.prepare_cached(&format!(
            "SELECT {columns}, logger, epoch, sequence FROM journal t WHERE kind = 1 AND {shown}
             ORDER BY rank DESC"
        ))?;
        let mut rows = journal.query([])?;
        while let Some(row) = rows.next()? {
            // The identity comes after the content's 45 columns; the lowest rank comes last and stays.
            let id = Identity::new(row.get(45)?, row.get(46)?, row.get(47)?);
            if let Some(id) = id.filter(|id| wanted.contains(id)) {
                found.insert(id, row::row_content(row)?);
            }
        }
        let mut settled = self.db.prepare_cached(&format!(
            "SELECT {columns}, rank FROM settled t WHERE logger = ? AND epoch = ? AND sequence = ? AND {shown}
             ORDER BY rank LIMIT 1"
        ))?;
        for &id in wanted {
            let mut rows = settled.query(key(id))?;
            if let Some(row) = rows.next()?
                && (row.get::<_, i64>(45)? == 0 || !found.contains_key(&id))
            {
                found.insert(id, row::row_content(row)?);
            }
        }
        Ok(found)
    }

    /// Records stored by radio, by logger and day of reception (days of UTC since 1970), of these loggers and from
    /// one day through another: the settled counters, and what is not settled yet.
    pub fn radio_days(
        &self,
        addresses: &[Address],
        (first, last): (i64, i64),
    ) -> Result<BTreeMap<(Address, i64), u64>, Error> {
        let mut days = BTreeMap::<(Address, i64), u64>::new();
        let mut statement = self.db.prepare_cached(
            "SELECT day, stored + opaque FROM logger_day WHERE logger = ? AND day BETWEEN ? AND ?",
        )?;
        for &address in addresses {
            let mut rows = statement.query(params![address.number(), first, last])?;
            while let Some(row) = rows.next()? {
                days.insert((address, row.get(0)?), row.get::<_, i64>(1)?.max(0) as u64);
            }
        }
        let unsettled = self.unsettled.iter().flat_map(|(id, rows)| rows.iter().map(move |row| (id, row)));
        for (id, row) in unsettled.filter(|(_, row)| row.rank == 0) {
            // As the settled counters do it.
            let day = row.by_radio_at.map(|at| at / DAY_S).filter(|day| (first..=last).contains(day));
            if let Some(day) = day {
                *days.entry((id.address, day)).or_default() += 1;
            }
        }
        Ok(days)
    }

    /// Records held from hand downloads only, by logger and day of the record's own time. Opaque ones are left out:
    /// when they were made, nobody can read.
    ///
    /// There is no counter for these. Where no import was made since the first day there can be none; of a logger
    /// all of whose records came by radio there is none; of the others the blocks of those days are read.
    pub fn hand_days(
        &self,
        addresses: &[Address],
        (first, last): (i64, i64),
    ) -> Result<BTreeMap<(Address, i64), u64>, Error> {
        let mut days = BTreeMap::<(Address, i64), u64>::new();
        let mut unsettled = BTreeMap::<Address, u64>::new();
        for (id, rows) in &self.unsettled {
            *unsettled.entry(id.address).or_default() += 1;
            let shown = rows.first().filter(|row| row.by_radio_at.is_none() && !row.opaque);
            if let Some(day) = shown.map(|row| row.seen.time / DAY_S)
                && (first..=last).contains(&day)
            {
                *days.entry((id.address, day)).or_default() += 1;
            }
        }
        let (from, to) = (first.saturating_mul(DAY_S), last.saturating_add(1).saturating_mul(DAY_S));
        let brought: bool = self
            .db
            .prepare_cached(
                "SELECT EXISTS (SELECT 1 FROM import WHERE withdrawn_at IS NULL AND imported_at >= ?)",
            )?
            .query_row([from], |row| row.get(0))?;
        if !brought {
            return Ok(days);
        }
        for &address in addresses {
            let by_radio: f64 = self
                .db
                .prepare_cached("SELECT total(stored + opaque) FROM logger_day WHERE logger = ?")?
                .query_row([address.number()], |row| row.get(0))?;
            let others = by_radio as u64 + unsettled.get(&address).copied().unwrap_or(0);
            let held: u64 = self.coverage.epochs_of(address).map(|(_, held)| held.held().count()).sum();
            if held <= others {
                continue;
            }
            let mut found = std::collections::BTreeSet::new();
            for (epoch, low, high) in
                crate::ledger::digest::block::blocks_in_time(self.db, address.number(), from, to)?
            {
                for (table, only) in HAND_TABLES {
                    let sql = format!(
                        "SELECT sequence, time FROM {table} t WHERE logger = ? AND epoch = ?
                             AND sequence BETWEEN ? AND ? AND time >= ? AND time < ? AND {only}"
                    );
                    let mut statement = self.db.prepare_cached(&sql)?;
                    let mut rows = statement.query(params![address.number(), epoch, low, high, from, to])?;
                    while let Some(row) = rows.next()? {
                        let id = Identity::new(address.number(), epoch, row.get(0)?);
                        // A rare record has its row before its journal row is settled.
                        let id = id.filter(|id| !self.unsettled.contains_key(id));
                        if id.is_some_and(|id| found.insert(id)) {
                            *days.entry((address, row.get::<_, i64>(1)? / DAY_S)).or_default() += 1;
                        }
                    }
                }
            }
        }
        Ok(days)
    }

    /// The ledger's size at the end of the days on which it was noted, newest first, at most 90.
    pub fn sizes(&self) -> Result<Vec<(i64, u64)>, Error> {
        let mut statement =
            self.db.prepare_cached("SELECT day, bytes FROM size_day ORDER BY day DESC LIMIT 90")?;
        let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get::<_, i64>(1)?.max(0) as u64)))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }
}

/// A record that a key has opened, as far as changing keys needs it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sealed {
    /// Which one.
    pub identity: Identity,
    /// Under which slot it came.
    pub slot: Slot,
    /// Seconds since 1970 on its logger's clock.
    pub time: i64,
    /// When it came by radio.
    pub received_at: Option<i64>,
}

/// Where records lie at rest, with what is their time and their reception.
const SEALED_TABLES: [(&str, &str, &str); 5] = [
    ("settled", "time", "time + lag"),
    ("retired_row", "time", "time + lag"),
    ("profile_row", "time", "received_at"),
    ("event_row", "time", "received_at"),
    ("opaque_row", "coalesce(received_at, stored_at, 0)", "received_at"),
];

/// Where authentic records lie at rest, and the column that is empty of those that came by hand; each has an index of them.
const BY_HAND: [(&str, &str); 5] = [
    ("settled", "lag"),
    ("retired_row", "lag"),
    ("profile_row", "received_at"),
    ("event_row", "received_at"),
    ("opaque_row", "received_at"),
];

/// Where records of hand downloads lie at rest, and what tells them from those that came by radio.
const HAND_TABLES: [(&str, &str); 3] = [
    (
        "settled_or_retired",
        "lag IS NULL AND (rank = 0 OR NOT EXISTS (SELECT 1 FROM stepped_back s WHERE s.logger = t.logger
                 AND s.epoch = t.epoch AND s.sequence = t.sequence AND s.rank = t.rank)
             AND NOT EXISTS (SELECT 1 FROM import i WHERE i.id = t.import AND i.withdrawn_at IS NOT NULL))",
    ),
    ("profile_row", "received_at IS NULL AND rank = 0"),
    ("event_row", "received_at IS NULL AND rank = 0"),
];

/// Seconds in a day of UTC, as the counters count days.
const DAY_S: i64 = 86_400;

/// From a row of epoch, sequence, slot, time and reception.
fn sealed(address: Address, row: &rusqlite::Row<'_>) -> rusqlite::Result<Option<Sealed>> {
    let identity = Identity::new(address.number(), row.get(0)?, row.get(1)?);
    let (slot, time, received_at) = (Slot(row.get(2)?), row.get(3)?, row.get(4)?);
    Ok(identity.map(|identity| Sealed { identity, slot, time, received_at }))
}

/// One radio's frames over all time.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RadioTotal {
    /// The radio's name.
    pub name: String,
    /// Frames by outcome.
    pub tally: Tally,
    /// Encoded bytes of noise.
    pub noise_bytes: u64,
    /// All bytes read.
    pub bytes: u64,
}

/// A notice that is up.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Notice {
    /// What kind.
    pub kind: String,
    /// Of whom.
    pub subject: String,
    /// What to do.
    pub text: String,
    /// Since when, Unix seconds.
    pub raised_at: i64,
}

fn key(id: Identity) -> (u16, u32, u32) {
    (id.address.number(), id.epoch.number(), id.sequence.number())
}

fn profile_seen(row: &rusqlite::Row<'_>) -> rusqlite::Result<Option<ProfileSeen>> {
    let Some(identity) = Identity::new(row.get(0)?, row.get(1)?, row.get(2)?) else { return Ok(None) };
    let unit: String = row.get(7)?;
    Ok(Some(ProfileSeen {
        identity,
        time: row.get(3)?,
        interval_s: row.get(4)?,
        capacity: row.get(5)?,
        oldest: row.get(6)?,
        unit: unit.parse().unwrap_or(0),
    }))
}

/// A reception counts for times only where the gateway knew its own.
fn is_synchronised(column: rusqlite::Result<Option<bool>>) -> bool {
    matches!(column, Ok(Some(true)))
}

const PROFILE_SEEN: &str =
    "SELECT logger, epoch, sequence, time, interval_s, capacity, oldest, unit FROM profile_row";

impl Facts for Snapshot<'_> {
    type Error = Error;

    fn seen(&self, id: Identity) -> Result<Option<Seen>, Error> {
        let unsettled = self.unsettled.get(&id).and_then(|rows| rows.first());
        if let Some(unsettled) = unsettled.filter(|unsettled| unsettled.rank == 0 && !unsettled.opaque) {
            return Ok(Some(unsettled.seen));
        }
        let settled = self.settled_reading(id)?;
        if let Some((0, seen)) = settled {
            return Ok(Some(seen));
        }
        if let Some(seen) = self.settled_rare(id)? {
            return Ok(Some(seen));
        }
        if self.coverage.holds_authentic(id) {
            return Ok(None);
        }
        Ok(settled.map(|(_, seen)| seen).or(unsettled.map(|unsettled| unsettled.seen)))
    }

    fn profile_before(&self, id: Identity) -> Result<Option<ProfileSeen>, Error> {
        if let Some(profile) = self.profiles_before.borrow().get(&id) {
            return Ok(*profile);
        }
        let found = self.profile("(epoch, sequence) <= (?, ?)", "epoch DESC, sequence DESC", id)?;
        self.profiles_before.borrow_mut().insert(id, found);
        Ok(found)
    }

    fn profile_after(&self, id: Identity) -> Result<Option<ProfileSeen>, Error> {
        self.profile("epoch = ? AND sequence > ?", "sequence", id)
    }

    fn clock_events(&self, address: Address, epoch: Epoch) -> Result<Vec<ClockEvent>, Error> {
        let history = self.history(address)?;
        let of_epoch = history.clock_between(epoch, 0, u32::MAX);
        // The newest, should there be more.
        Ok(of_epoch.iter().rev().take(CLOCK_EVENTS_MAX).map(|(_, event)| *event).collect())
    }

    fn memory_cleared(&self, address: Address) -> Result<Vec<Identity>, Error> {
        Ok(self.history(address)?.cleared.clone())
    }

    fn last_profile(&self, address: Address, epoch: Epoch) -> Result<Option<ProfileSeen>, Error> {
        if let Some(profile) = self.last_profiles.borrow().get(&(address, epoch)) {
            return Ok(*profile);
        }
        let end = Identity { address, epoch, sequence: Sequence::LARGEST };
        let found = self.profile("epoch = ? AND sequence <= ?", "sequence DESC", end)?;
        self.last_profiles.borrow_mut().insert((address, epoch), found);
        Ok(found)
    }

    fn last_profile_with(&self, id: Identity) -> Result<Option<Identity>, Error> {
        let found = self.profile("epoch = ?2 AND sequence > ?3 AND oldest <= ?3", "sequence DESC", id)?;
        Ok(found.map(|profile| profile.identity))
    }

    fn shortest_interval(&self, address: Address, epoch: Epoch) -> Result<Option<u32>, Error> {
        let mut statement = self.db.prepare_cached(
            "SELECT min(interval_s) FROM profile_row WHERE logger = ? AND epoch = ? AND rank = 0",
        )?;
        Ok(statement.query_row(params![address.number(), epoch.number()], |row| row.get(0))?)
    }

    fn slots(&self, address: Address, epoch: Epoch) -> Result<BTreeSet<Slot>, Error> {
        let place = params![address.number(), epoch.number()];
        let mut slots: BTreeSet<Slot> = BTreeSet::new();
        for table in ["profile_row", "event_row", "opaque_row"] {
            let sql = format!(
                "SELECT DISTINCT slot FROM {table} WHERE logger = ? AND epoch = ? AND rank = 0 AND slot IS NOT NULL"
            );
            let mut statement = self.db.prepare_cached(&sql)?;
            let mut rows = statement.query(place)?;
            while let Some(row) = rows.next()? {
                slots.insert(Slot(row.get(0)?));
            }
        }
        for order in ["", "DESC"] {
            let sql = format!(
                "SELECT slot FROM settled_or_retired WHERE logger = ? AND epoch = ? AND rank = 0 AND slot IS NOT NULL
                 ORDER BY sequence {order} LIMIT 1"
            );
            let found = self.db.prepare_cached(&sql)?.query_row(place, |row| row.get(0)).optional()?;
            slots.extend(found.map(Slot));
        }
        let unsettled = self.unsettled_of(address, epoch, 1..=u32::MAX);
        slots.extend(unsettled.filter_map(|(_, row)| row.slot).map(Slot));
        Ok(slots)
    }

    fn came(&self, id: Identity) -> Result<Option<Came>, Error> {
        let came = |is_radio: bool, received_at: Option<i64>, stored_at: Option<i64>| match is_radio {
            true => Came::Radio { received_at: received_at.map(GatewayTime) },
            false => Came::Hand { imported_at: stored_at.map(GatewayTime) },
        };
        let sequence = id.sequence.number();
        if let Some((_, row)) = self.unsettled_of(id.address, id.epoch, sequence..=sequence).next() {
            return Ok(Some(came(row.by_radio_at.is_some(), row.seen.received_at, row.stored_at)));
        }
        for (table, _, received_at) in SEALED_TABLES {
            let sql = format!(
                "SELECT {received_at}, synchronised,
                     coalesce(stored_at, (SELECT imported_at FROM import i WHERE i.id = t.import))
                 FROM {table} t WHERE logger = ? AND epoch = ? AND sequence = ? AND rank = 0"
            );
            let found = self
                .db
                .prepare_cached(&sql)?
                .query_row(key(id), |row| {
                    let at: Option<i64> = row.get(0)?;
                    Ok(came(at.is_some(), at.filter(|_| is_synchronised(row.get(1))), row.get(2)?))
                })
                .optional()?;
            if found.is_some() {
                return Ok(found);
            }
        }
        Ok(None)
    }

    fn newest_by_radio(&self, not_above: Identity) -> Result<Option<Identity>, Error> {
        let newest = self.newest_where(not_above, "IS NOT NULL", |row| row.by_radio_at.is_some())?;
        Ok(newest
            .and_then(|(sequence, _)| Sequence::new(sequence))
            .map(|sequence| Identity { sequence, ..not_above }))
    }

    fn newest_synchronised(&self, not_above: Identity) -> Result<Option<GatewayTime>, Error> {
        let condition = "IS NOT NULL AND synchronised = 1";
        let newest = self.newest_where(not_above, condition, |row| row.seen.received_at.is_some())?;
        Ok(newest.and_then(|(_, at)| at).map(GatewayTime))
    }

    fn last_received_before(
        &self,
        address: Address,
        epoch: Epoch,
        before: GatewayTime,
    ) -> Result<Option<u32>, Error> {
        let before = before.unix_s();
        let mut last = self.settled_received_before(address, before)?.get(&epoch).copied();
        let others =
            SEALED_TABLES.into_iter().filter(|(table, ..)| !["settled", "retired_row"].contains(table));
        for (table, _, received_at) in others {
            let sql = format!(
                "SELECT max(sequence) FROM {table} WHERE logger = ? AND epoch = ? AND rank = 0 AND synchronised = 1
                     AND {received_at} < ?"
            );
            let place = params![address.number(), epoch.number(), before];
            let found: Option<u32> = self.db.prepare_cached(&sql)?.query_row(place, |row| row.get(0))?;
            last = last.max(found);
        }
        let mut unsettled = self.unsettled_of(address, epoch, 1..=u32::MAX).rev();
        let found = unsettled.find(|(_, row)| row.seen.received_at.is_some_and(|at| at < before));
        Ok(last.max(found.map(|(sequence, _)| sequence)))
    }

    fn first_received_or_timed_from(
        &self,
        address: Address,
        epoch: Epoch,
        from: GatewayTime,
    ) -> Result<Option<u32>, Error> {
        let from = from.unix_s();
        let late = |row: &Unsettled| {
            row.seen.received_at.is_some_and(|at| at >= from) || (!row.opaque && row.seen.time >= from)
        };
        let mut unsettled = self.unsettled_of(address, epoch, 1..=u32::MAX);
        let mut first = unsettled.find(|(_, row)| late(row)).map(|(sequence, _)| sequence);
        for (table, time, received_at) in SEALED_TABLES {
            let timed = if table == "opaque_row" { "false".to_owned() } else { format!("{time} >= ?3") };
            let sql = format!(
                "SELECT sequence FROM {table} WHERE logger = ?1 AND epoch = ?2 AND rank = 0
                     AND ((synchronised = 1 AND {received_at} >= ?3) OR {timed}) ORDER BY sequence LIMIT 1"
            );
            let place = params![address.number(), epoch.number(), from];
            let found: Option<u32> =
                self.db.prepare_cached(&sql)?.query_row(place, |row| row.get(0)).optional()?;
            first = [first, found].into_iter().flatten().min();
        }
        Ok(first)
    }

    fn last_by_hand_timed_before(
        &self,
        address: Address,
        epoch: Epoch,
        below: u32,
        before: GatewayTime,
    ) -> Result<Option<u32>, Error> {
        let Some(most) = below.checked_sub(1) else { return Ok(None) };
        let before = before.unix_s();
        let by_hand = |row: &Unsettled| {
            row.by_radio_at.is_none() && !row.opaque && (PLAUSIBLE_FROM..before).contains(&row.seen.time)
        };
        let mut unsettled = self.unsettled_of(address, epoch, 1..=most).rev();
        let mut last = unsettled.find(|(_, row)| by_hand(row)).map(|(sequence, _)| sequence);
        for (table, time, received_at) in
            SEALED_TABLES.into_iter().filter(|(table, ..)| *table != "opaque_row")
        {
            let sql = format!(
                "SELECT sequence FROM {table} WHERE logger = ? AND epoch = ? AND sequence <= ? AND rank = 0
                     AND {received_at} IS NULL AND {time} >= ? AND {time} < ? ORDER BY sequence DESC LIMIT 1"
            );
            let place = params![address.number(), epoch.number(), most, PLAUSIBLE_FROM, before];
            let found: Option<u32> =
                self.db.prepare_cached(&sql)?.query_row(place, |row| row.get(0)).optional()?;
            last = last.max(found);
        }
        Ok(last)
    }

    fn clock_set_between(&self, after: Identity, before: Sequence) -> Result<bool, Error> {
        let history = self.history(after.address)?;
        let between = history.clock_between(
            after.epoch,
            after.sequence.number() + 1,
            before.number().saturating_sub(1),
        );
        Ok(between.iter().any(|(_, event)| event.seconds_added.is_some()))
    }

    fn last_heard(&self, address: Address) -> Result<Option<i64>, Error> {
        Ok(self.heard(address).map(|heard| heard.received_at))
    }

    fn by_hand(&self, address: Address) -> Result<BTreeMap<Epoch, RangeSet>, Error> {
        let mut all = BTreeMap::<Epoch, RangeSet>::new();
        for (table, received_at) in BY_HAND {
            let sql = format!(
                "SELECT epoch, sequence FROM {table} WHERE logger = ? AND rank = 0 AND {received_at} IS NULL
                 ORDER BY epoch, sequence"
            );
            let mut statement = self.db.prepare_cached(&sql)?;
            let mut rows = statement.query([address.number()])?;
            while let Some(row) = rows.next()? {
                if let Some(epoch) = Epoch::new(row.get(0)?) {
                    all.entry(epoch).or_default().insert(row.get(1)?);
                }
            }
        }
        let unsettled = self.unsettled.iter().filter(|(id, rows)| {
            id.address == address && rows.iter().any(|row| row.rank == 0 && row.by_radio_at.is_none())
        });
        for (id, _) in unsettled {
            all.entry(id.epoch).or_default().insert(id.sequence.number());
        }
        Ok(all)
    }

    fn listening(&self) -> Result<Vec<Listening>, Error> {
        let mut statement =
            self.db.prepare_cached("SELECT radio, synchronised, since, until FROM listening")?;
        let rows = statement.query_map([], listening_row)?;
        let mut all = rows.collect::<Result<Vec<_>, _>>()?;
        all.extend(unsettled_listening(self.db, i64::MAX)?);
        Ok(merge_windows(all))
    }

    fn written_off(&self, address: Address) -> Result<Vec<WriteOff>, Error> {
        let all = self.write_offs(Some(address))?;
        Ok(all.iter().filter_map(crate::record::written::WrittenOff::in_force).collect())
    }
}

/// Two windows of one radio with no more than this between them, in seconds, are one.
pub(in crate::ledger) const LISTENING_SLACK_S: i64 = 5;

/// The windows of listening that the journal holds up to a row, in its order.
pub(in crate::ledger) fn unsettled_listening(db: &Connection, through: i64) -> Result<Vec<Listening>, Error> {
    // What an older release wrote does not say whether the clock was synchronised: it mostly is.
    let mut statement = db.prepare_cached(
        "SELECT radio, coalesce(synchronised, 1), time, time + lag FROM journal
         WHERE kind = 0 AND logger = 0 AND lag > 0 AND radio IS NOT NULL AND row <= ? ORDER BY row",
    )?;
    let rows = statement.query_map([through], listening_row)?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// From radio, synchronised, since, until.
fn listening_row(row: &rusqlite::Row<'_>) -> rusqlite::Result<Listening> {
    Ok(Listening {
        radio: row.get(0)?,
        synchronised: row.get(1)?,
        since: GatewayTime(row.get(2)?),
        until: GatewayTime(row.get(3)?),
    })
}

/// Windows of a radio that touch become one, if the clock was synchronised in both or in neither.
pub(in crate::ledger) fn merge_windows(mut windows: Vec<Listening>) -> Vec<Listening> {
    windows.sort_unstable();
    let mut merged: Vec<Listening> = Vec::new();
    for window in windows {
        match merged.last_mut() {
            Some(last)
                if (last.radio, last.synchronised) == (window.radio, window.synchronised)
                    && window.since <= last.until.later(LISTENING_SLACK_S) =>
            {
                last.until = last.until.max(window.until);
            }
            _ => merged.push(window),
        }
    }
    merged
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_of_many_epochs_looks_at_its_own_clock_events_alone() {
        // A logger that starts anew each minute: as many epochs as events, or more.
        let event = |sequence| ClockEvent { sequence, time: 0, seconds_added: None };
        let epochs = || (1..=20_000).filter_map(Epoch::new);
        let clock = epochs().flat_map(|epoch| [2, 5].map(|sequence| (epoch, event(sequence)))).collect();
        let history = History { clock, cleared: Vec::new() };
        let looked_at: usize = epochs().map(|of| history.clock_between(of, 0, u32::MAX).len()).sum();
        assert_eq!(looked_at, history.clock.len());
        let epoch = Epoch::new(7_000).unwrap();
        let sequences = |first, last| -> Vec<u32> {
            history.clock_between(epoch, first, last).iter().map(|(_, event)| event.sequence).collect()
        };
        assert_eq!(sequences(2, 5), [2, 5]);
        assert_eq!(sequences(3, 5), [5]);
        assert!(sequences(3, 4).is_empty());
        assert!(sequences(6, 5).is_empty());
        assert!(history.clock_between(Epoch::new(20_001).unwrap(), 0, u32::MAX).is_empty());
    }
}
