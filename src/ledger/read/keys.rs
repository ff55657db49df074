//! Under which key slots records were received, for the reports on keys.

use crate::ledger::db::error::Error;
use crate::ledger::db::query::Cells;
use crate::ledger::db::query::{self};
use crate::ledger::read::snapshot::Snapshot;
use crate::ledger::read::tables::sealed_tables;
use crate::time::{GatewayTime, LoggerTime};
use crate::wire::seq::{Address, Identity, Slot};
use rusqlite::params;
use std::collections::BTreeMap;

impl Snapshot<'_> {
    /// The newest `records` records of each of these loggers that a key has opened, newest identity first.
    pub fn newest_sealed(
        &self,
        addresses: &[Address],
        records: usize,
    ) -> Result<BTreeMap<Address, Vec<Sealed>>, Error> {
        let mut newest: BTreeMap<Address, Vec<Sealed>> =
            addresses.iter().map(|&address| (address, Vec::new())).collect();
        let mut statement = self.db.prepare_cached(
            "SELECT logger, epoch, sequence, slot, time, time + lag FROM journal
             WHERE kind > 0 AND rank = 0 AND slot IS NOT NULL",
        )?;
        let mut found = statement.query([])?;
        while let Some(row) = found.next()? {
            let mut cells = Cells::of(row);
            if let Some(address) = Address::new(cells.take()?)
                && let Some(mine) = newest.get_mut(&address)
            {
                mine.extend(sealed(address, cells)?);
            }
        }
        for (&address, mine) in &mut newest {
            for (table, time, received_at) in sealed_tables() {
                let sql = format!(
                    "SELECT epoch, sequence, slot, {time}, {received_at} FROM {table}
                     WHERE logger = ? AND rank = 0 AND slot IS NOT NULL
                     ORDER BY epoch DESC, sequence DESC LIMIT ?"
                );
                let mut statement = self.db.prepare_cached(&sql)?;
                let mut found = statement.query(params![address.number(), records as i64])?;
                while let Some(row) = found.next()? {
                    mine.extend(sealed(address, Cells::of(row))?);
                }
            }
            // A rare record is in the journal too, and an opaque one may have a typed row in addition.
            mine.sort_unstable_by_key(|sealed| std::cmp::Reverse(sealed.identity));
            mine.dedup_by_key(|sealed| sealed.identity);
            mine.truncate(records);
        }
        Ok(newest)
    }

    /// The key slots that have opened frames of these loggers, and since when.
    pub fn slots_opened(&self) -> Result<BTreeMap<Address, Vec<(Slot, GatewayTime)>>, Error> {
        let mut statement =
            self.db.prepare_cached("SELECT logger, slot, first_at FROM slot_use ORDER BY logger, slot")?;
        let mut slots = BTreeMap::<Address, Vec<(Slot, GatewayTime)>>::new();
        let mut found = statement.query([])?;
        while let Some(row) = found.next()? {
            let mut cells = Cells::of(row);
            if let Some(address) = Address::new(cells.take()?) {
                slots.entry(address).or_default().push((Slot(cells.take()?), cells.take()?));
            }
        }
        Ok(slots)
    }

    /// The record with the largest identity that was received under a slot. It reads backwards from the
    /// logger's newest record. This is quick for the slot in use; for an abandoned slot it reads all later
    /// records.
    pub fn largest_sealed(&self, address: Address, slot: Slot) -> Result<Option<Sealed>, Error> {
        let mut largest: Option<Sealed> = None;
        let journal = ("journal", "time", "time + lag");
        for (table, time, received_at) in sealed_tables().chain([journal]) {
            let only = if table == "journal" { "AND kind > 0" } else { "" };
            let sql = format!(
                "SELECT epoch, sequence, slot, {time}, {received_at} FROM {table}
                 WHERE logger = ? AND rank = 0 AND slot = ? {only}
                 ORDER BY epoch DESC, sequence DESC LIMIT 1"
            );
            let mut statement = self.db.prepare_cached(&sql)?;
            let mut found = statement.query(params![address.number(), slot.0])?;
            let Some(row) = found.next()? else { continue };
            let Some(here) = sealed(address, Cells::of(row))? else { continue };
            if largest.is_none_or(|largest| largest.identity < here.identity) {
                largest = Some(here);
            }
        }
        Ok(largest)
    }

    /// The record with the smallest identity that was received under a slot. It reads forwards from the
    /// logger's oldest record.
    pub fn smallest_sealed(&self, address: Address, slot: Slot) -> Result<Option<Sealed>, Error> {
        let from = Identity::new(address.number(), 1, 1);
        let Some(from) = from else { return Ok(None) };
        Ok(self.sealed_from(from, slot, 1)?.into_iter().next())
    }

    /// The first `most` records that were received under a slot, starting from an identity of its logger.
    pub fn sealed_from(&self, from: Identity, slot: Slot, most: usize) -> Result<Vec<Sealed>, Error> {
        let mut all = Vec::new();
        let journal = ("journal", "time", "time + lag");
        let (address, most_rows) = (from.address, most as i64);
        for (table, time, received_at) in sealed_tables().chain([journal]) {
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
                all.extend(sealed(address, Cells::of(row))?);
            }
        }
        // A rare record is in the journal too, and an opaque one may have a typed row in addition.
        all.sort_unstable_by_key(|sealed| sealed.identity);
        all.dedup_by_key(|sealed| sealed.identity);
        all.truncate(most);
        Ok(all)
    }

    /// The reception of the newest record that came by radio under a slot, with this or a larger identity. Of
    /// the settled records it reads the `NEWEST_LOOKED_AT` largest identities.
    pub fn latest_reception(&self, from: Identity, slot: Slot) -> Result<Option<Latest>, Error> {
        /// How many settled records of a slot are read.
        const NEWEST_LOOKED_AT: i64 = 1000;
        let (address, epoch, sequence) = (from.address.number(), from.epoch.number(), from.sequence.number());
        let row: Option<i64> = self
            .db
            .prepare_cached(
                "SELECT max(row) FROM journal WHERE logger = ? AND (epoch, sequence) >= (?, ?) AND rank = 0
                     AND slot = ? AND kind > 0 AND lag IS NOT NULL AND stored_at IS NULL",
            )?
            .query_row(params![address, epoch, sequence, slot.0], query::only)?;
        if let Some(row) = row {
            return Ok(Some(Latest::InJournal(row)));
        }
        let mut latest: Option<GatewayTime> = None;
        for (table, _, received_at) in sealed_tables() {
            let sql = format!(
                "SELECT max(at) FROM (SELECT {received_at} AS at FROM {table}
                     WHERE logger = ? AND (epoch, sequence) >= (?, ?) AND rank = 0 AND slot = ?
                     ORDER BY epoch DESC, sequence DESC LIMIT ?)"
            );
            let here: Option<GatewayTime> = self
                .db
                .prepare_cached(&sql)?
                .query_row(params![address, epoch, sequence, slot.0, NEWEST_LOOKED_AT], query::only)?;
            latest = latest.max(here);
        }
        Ok(latest.map(Latest::Settled))
    }

    /// Frames set aside because their slot was closed at a point before them, by logger and slot.
    pub fn unopened_by_closing(&self) -> Result<BTreeMap<(Address, Slot), u64>, Error> {
        let mut statement = self.db.prepare_cached(
            "SELECT logger, slot, count(*) FROM unopened WHERE reason = ? GROUP BY logger, slot",
        )?;
        let mut frames = BTreeMap::new();
        let mut found = statement.query([crate::record::unopened::WhyUnopened::Closed.text()])?;
        while let Some(row) = found.next()? {
            let mut cells = Cells::of(row);
            if let Some(address) = Address::new(cells.take()?) {
                frames.insert((address, Slot(cells.take()?)), cells.take::<i64>()? as u64);
            }
        }
        Ok(frames)
    }
}

/// When a record was received, for comparison: records in the journal are newer than settled ones.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Latest {
    /// By the gateway's clock.
    Settled(GatewayTime),
    /// By the journal row.
    InJournal(i64),
}

/// A record that a key has opened, with the fields that a change of keys needs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sealed {
    pub identity: Identity,
    pub slot: Slot,
    pub time: LoggerTime,
    /// When it was received by radio.
    pub received_at: Option<GatewayTime>,
}

/// From a row of epoch, sequence, slot, time and reception.
pub(in crate::ledger) fn sealed(
    address: Address,
    mut cells: Cells<'_, '_>,
) -> rusqlite::Result<Option<Sealed>> {
    let identity = Identity::new(address.number(), cells.take()?, cells.take()?);
    let (slot, time, received_at) = (Slot(cells.take()?), cells.take()?, cells.take()?);
    Ok(identity.map(|identity| Sealed { identity, slot, time, received_at }))
}
