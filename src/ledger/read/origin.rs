//! How each held record was received, and when: the rows that `report::origin` counts.
//!
//! Input: one consistent state of the ledger, one logger. Output: [`StoredRecord`]s, and the blocks that
//! contain the settled ones. What this is not: it counts nothing.

use crate::ledger::db::error::Error;
use crate::ledger::db::query::{self, FromRow};
use crate::ledger::db::rare;
use crate::ledger::db::row::kind;
use crate::ledger::read::snapshot::Snapshot;
use crate::record::clock::EpochClock;
use crate::time::{GatewayTime, LoggerTime};
use crate::wire::seq::{Address, Epoch};
use rusqlite::params;
use std::collections::{BTreeMap, HashMap, HashSet};

/// A stored record or CSV row, with the fields that are needed to count it.
#[derive(Clone, Copy, Debug)]
pub struct StoredRecord {
    pub sequence: u32,
    /// 0 for authentic; otherwise a CSV row.
    pub rank: i64,
    /// On the logger's clock; `None` for an opaque record from a hand download.
    pub time: Option<LoggerTime>,
    /// For an opaque record, the time is that of its reception.
    pub is_opaque: bool,
    /// By radio.
    pub received_at: Option<GatewayTime>,
    /// Whether the gateway's clock was synchronised at the time.
    pub synchronised: bool,
    /// It came in a sealed dump.
    pub is_sealed: bool,
    /// When it was stored, if known.
    pub stored_at: Option<GatewayTime>,
    pub withdrawn_at: Option<GatewayTime>,
}

impl StoredRecord {
    /// Whether it counted at a time; `None` for now.
    pub fn counts(&self, as_of: Option<GatewayTime>) -> bool {
        match as_of {
            None => self.withdrawn_at.is_none() || self.rank == 0,
            Some(at) => {
                // If its time of storing is unknown, it counts, as in an export.
                self.stored_at.is_none_or(|stored| stored <= at)
                    && (self.rank == 0 || self.withdrawn_at.is_none_or(|withdrawn| withdrawn > at))
            }
        }
    }

    /// When it was made, by the corrected clock of the logger.
    pub fn made(&self, clock: &EpochClock) -> Option<GatewayTime> {
        let received_at = self.received_at.filter(|_| self.synchronised);
        self.time.map(|time| clock.corrected(self.sequence, time, received_at).time)
    }
}

const IMPORTED: &str = "(SELECT imported_at FROM import i WHERE i.id = t.import)";
const WITHDRAWN: &str = "(SELECT withdrawn_at FROM import i WHERE i.id = t.import)";

/// A row of sequence, rank, time, reception, synchronised, import, stored_at, withdrawn_at, opaque.
type Columns = (
    u32,
    i64,
    Option<LoggerTime>,
    Option<GatewayTime>,
    Option<bool>,
    Option<i64>,
    Option<GatewayTime>,
    Option<GatewayTime>,
    bool,
);

impl From<Columns> for StoredRecord {
    fn from(columns: Columns) -> Self {
        let (sequence, rank, time, received_at, synchronised, import, stored_at, withdrawn_at, is_opaque) =
            columns;
        Self {
            sequence,
            rank,
            time,
            is_opaque,
            received_at,
            synchronised: synchronised.unwrap_or(false),
            is_sealed: import.is_some(),
            stored_at,
            withdrawn_at,
        }
    }
}

fn reading_columns() -> String {
    format!(
        "sequence, rank, time, time + lag, synchronised, import, coalesce(stored_at, time + lag, {IMPORTED}),
         {WITHDRAWN}, false"
    )
}

/// A settled block: its first and last sequence, and the earliest and latest recorded time in it.
#[derive(Clone, Copy, Debug)]
pub struct BlockSpan {
    pub first: u32,
    pub last: u32,
    pub time_min: LoggerTime,
    pub time_max: LoggerTime,
}

/// Records by epoch.
pub type ByEpoch = BTreeMap<Epoch, Vec<StoredRecord>>;

/// The unsettled records of one logger.
#[derive(Debug, Default)]
pub struct UnsettledOfLogger {
    /// Readings and rows.
    pub readings: ByEpoch,
    /// How many records there are, including those of other kinds.
    pub identities: u64,
}

/// The unsettled records of all loggers: the journal has no index, so it is read once.
#[derive(Debug, Default)]
pub struct Unsettled(HashMap<Address, UnsettledOfLogger>);

impl Unsettled {
    /// Reads the unsettled records; use them only within the same [`Snapshot`].
    pub fn take(snapshot: &Snapshot<'_>) -> Result<Self, Error> {
        let sql = format!("SELECT logger, epoch, kind, {} FROM journal t WHERE kind > 0", reading_columns());
        let mut all = HashMap::<Address, UnsettledOfLogger>::new();
        let mut identities = HashSet::new();
        query::each(snapshot.db, &sql, [], |row| {
            let (logger, epoch, kind, a, b, c, d, e, f, g, h, i): (u16, u32, i64, _, _, _, _, _, _, _, _, _) =
                row;
            let (Some(address), Some(epoch)) = (Address::new(logger), Epoch::new(epoch)) else {
                return Ok(());
            };
            let columns: Columns = (a, b, c, d, e, f, g, h, i);
            let (stored, recent) = (StoredRecord::from(columns), all.entry(address).or_default());
            // A withdrawn record is not held, so it must not count in place of one from a hand download.
            if stored.counts(None) {
                recent.identities += u64::from(identities.insert((address, epoch, stored.sequence)));
            }
            if kind == kind::READING {
                recent.readings.entry(epoch).or_default().push(stored);
            }
            Ok(())
        })?;
        Ok(Self(all))
    }

    pub fn of(&self, address: Address) -> Option<&UnsettledOfLogger> {
        self.0.get(&address)
    }
}

impl Snapshot<'_> {
    /// Profiles, events and opaque records of a logger, settled or not: few.
    pub fn stored_rare(&self, address: Address) -> Result<ByEpoch, Error> {
        let mut all = ByEpoch::new();
        for table in &rare::ALL {
            let (name, time, opaque) = (table.name, table.time, !table.is_read);
            let sql = format!(
                "SELECT epoch, sequence, rank, {time}, received_at, synchronised, import,
                     coalesce(stored_at, received_at, {IMPORTED}), NULL, {opaque}
                 FROM {name} t WHERE logger = ? AND rank = 0"
            );
            query::each(self.db, &sql, [address.number()], |row| {
                let (epoch, a, b, c, d, e, f, g, h, i): (u32, _, _, _, _, _, _, _, _, _) = row;
                let columns: Columns = (a, b, c, d, e, f, g, h, i);
                if let Some(epoch) = Epoch::new(epoch) {
                    all.entry(epoch).or_default().push(columns.into());
                }
                Ok(())
            })?;
        }
        Ok(all)
    }

    /// The settled readings and rows of a range.
    pub fn stored_between(
        &self,
        address: Address,
        epoch: Epoch,
        first: u32,
        last: u32,
    ) -> Result<Vec<StoredRecord>, Error> {
        self.stored_in(address, epoch, first, last, "")
    }

    /// The first and the last settled reading of a range.
    pub fn stored_ends(
        &self,
        address: Address,
        epoch: Epoch,
        first: u32,
        last: u32,
    ) -> Result<Vec<StoredRecord>, Error> {
        let mut ends = Vec::new();
        for order in ["ORDER BY sequence LIMIT 1", "ORDER BY sequence DESC LIMIT 1"] {
            ends.extend(self.stored_in(address, epoch, first, last, order)?);
        }
        Ok(ends)
    }

    fn stored_in(
        &self,
        address: Address,
        epoch: Epoch,
        first: u32,
        last: u32,
        order: &str,
    ) -> Result<Vec<StoredRecord>, Error> {
        let sql = format!(
            "SELECT {} FROM settled_or_retired t WHERE logger = ? AND epoch = ? AND sequence BETWEEN ? AND ? {order}",
            reading_columns()
        );
        let mut statement = self.db.prepare_cached(&sql)?;
        let mut rows = statement.query(params![address.number(), epoch.number(), first, last])?;
        let mut all = Vec::new();
        while let Some(row) = rows.next()? {
            all.push(Columns::from_row(row)?.into());
        }
        Ok(all)
    }

    /// The settled blocks of a logger, including those given up to backups, by epoch and first sequence.
    pub fn stored_blocks(&self, address: Address) -> Result<BTreeMap<Epoch, Vec<BlockSpan>>, Error> {
        let mut all = BTreeMap::<Epoch, Vec<BlockSpan>>::new();
        query::each(
            self.db,
            "SELECT epoch, first, last, time_min, time_max FROM block WHERE logger = ?1
             UNION ALL
             SELECT epoch, first, last, time_min, time_max FROM retired_block WHERE logger = ?1
             ORDER BY epoch, first",
            [address.number()],
            |(epoch, first, last, time_min, time_max): (u32, u32, u32, LoggerTime, LoggerTime)| {
                if let Some(epoch) = Epoch::new(epoch) {
                    all.entry(epoch).or_default().push(BlockSpan { first, last, time_min, time_max });
                }
                Ok(())
            },
        )?;
        Ok(all)
    }

    /// Records of a logger that were received by radio, from the daily counters: the settled ones.
    pub fn counted_by_radio(&self, address: Address) -> Result<u64, Error> {
        let sql = "SELECT total(stored + opaque) FROM logger_day WHERE logger = ?";
        Ok(query::value::<f64>(self.db, sql, [address.number()])? as u64)
    }

    /// Ends of epochs that records stored by a time give: the epoch of the record, the other epoch, and its last
    /// sequence.
    pub fn named_by(&self, address: Address, at: GatewayTime) -> Result<Vec<(u32, u32, u32)>, Error> {
        let sql = format!(
            "SELECT by_epoch, epoch, last FROM named_end t WHERE logger = ?
                 AND coalesce(stored_at, received_at, {IMPORTED}, ?2) <= ?2"
        );
        query::all(self.db, &sql, params![address.number(), at])
    }
}
