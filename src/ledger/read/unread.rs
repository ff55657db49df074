//! Received data that is not a readable record of the roster: frames addressed elsewhere, frames that no key
//! opens, and records that this version does not understand.
//!
//! Input: one consistent state of the ledger. Output: counts by address or logger. What this is not: it lists
//! no content; `Snapshot::set_aside` does.

use crate::ledger::db::error::Error;
use crate::ledger::db::query::{Cells, FromRow};
use crate::ledger::db::rare;
use crate::ledger::read::snapshot::Snapshot;
use crate::record::roster::Roster;
use crate::record::unopened::WhyUnopened;
use crate::record::unread::{Dropped, Foreign, Kept, Opaque};
use crate::record::wrong_key::{Failing, Heard};
use crate::time::GatewayTime;
use crate::wire::record::Record;
use crate::wire::seq::{Address, Identity, Slot};
use rusqlite::params;
use std::collections::BTreeMap;

/// The address under which all further foreign addresses are counted.
const FURTHER: u16 = u16::MAX;
/// The most opaque records of one logger that are read, newest first: a report must not become slower over the
/// years.
const OPAQUE_READ_MAX: u64 = 5_000;

impl Snapshot<'_> {
    /// Addresses that are not on the roster, the last heard first. An address that was counted and has been
    /// added to the roster since is left out.
    pub fn foreign(&self, roster: &Roster) -> Result<Vec<Foreign>, Error> {
        let mut statement = self.db.prepare_cached(
            "SELECT address, sum(frames), min(first_at), max(last_at) FROM (
                 SELECT address, frames, first_at, last_at FROM foreign_address
                 UNION ALL SELECT logger, c2, time, time FROM journal WHERE kind = 0 AND logger <> 0 AND c2 > 0)
             GROUP BY address ORDER BY 4 DESC, 1",
        )?;
        let rows = statement.query_map([], |row| {
            let mut cells = Cells::of(row);
            let address: u16 = cells.take()?;
            Ok(Foreign {
                address: (address != FURTHER).then_some(address),
                frames: cells.take::<i64>()?.unsigned_abs(),
                first_heard: cells.take()?,
                last_heard: cells.take()?,
            })
        })?;
        let is_on = |one: &Foreign| one.address.and_then(Address::new).is_some_and(|of| roster.contains(of));
        let mut all = rows.collect::<Result<Vec<_>, _>>()?;
        all.retain(|one| !is_on(one));
        Ok(all)
    }

    /// Records that disagree with held ones, by logger, without those of withdrawn imports.
    pub fn open_conflicts(&self) -> Result<Vec<(Address, u64)>, Error> {
        let mut statement = self.db.prepare_cached(
            "SELECT logger, count(*) FROM conflict c WHERE NOT EXISTS (SELECT 1 FROM import i
                 WHERE i.id = c.import AND i.withdrawn_at IS NOT NULL) GROUP BY logger ORDER BY logger",
        )?;
        let mut all = Vec::new();
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            let mut cells = Cells::of(row);
            if let Some(logger) = Address::new(cells.take()?) {
                all.push((logger, cells.take::<i64>()?.unsigned_abs()));
            }
        }
        Ok(all)
    }

    /// Frames that are kept because no key opens them, by logger, slot and reason.
    pub fn kept_unopened(&self) -> Result<Vec<Kept>, Error> {
        // When the stores are full, further frames are only counted: by day, and in the unsettled journal.
        let mut counted = BTreeMap::<u16, GatewayTime>::new();
        let mut statement = self.db.prepare_cached(
            "SELECT logger, max(at) FROM (
                 SELECT logger, day * 86400 AS at FROM logger_day WHERE unopened > 0
                     AND logger IN (SELECT logger FROM unopened) AND day >= (SELECT max(day) FROM logger_day) - 1
                 UNION ALL SELECT logger, time FROM journal WHERE kind = 0 AND logger <> 0 AND c3 > 0)
             GROUP BY logger",
        )?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            let mut cells = Cells::of(row);
            counted.insert(cells.take()?, cells.take()?);
        }
        let mut statement = self.db.prepare_cached(
            "SELECT logger, slot, reason, count(*), min(received_at), max(received_at) FROM unopened
             GROUP BY 1, 2, 3 ORDER BY 1, 2, 3",
        )?;
        let mut rows = statement.query([])?;
        let mut all = Vec::new();
        while let Some(row) = rows.next()? {
            let (number, slot, reason, frames, first_at, last_at): (
                u16,
                u8,
                String,
                i64,
                Option<GatewayTime>,
                Option<GatewayTime>,
            ) = FromRow::from_row(row)?;
            let (Some(logger), Some(why)) = (Address::new(number), WhyUnopened::from_text(&reason)) else {
                continue;
            };
            let last_at = last_at.map(|last| counted.get(&number).map_or(last, |&counted| counted.max(last)));
            all.push(Kept {
                logger,
                slot: Slot(slot),
                why,
                frames: frames.unsigned_abs(),
                first_at,
                last_at,
            });
        }
        Ok(all)
    }

    /// Frames of these loggers that wait for a correct key since one of the logger's frames was last opened.
    pub fn failing(&self, loggers: &[Heard], now: GatewayTime) -> Result<Vec<Failing>, Error> {
        crate::ledger::read::failing::failing(self.db, loggers, now)
    }

    /// Frames that waited for a key and found no room, by logger.
    pub fn found_no_room(&self) -> Result<Vec<Dropped>, Error> {
        let mut statement = self.db.prepare_cached(
            "SELECT logger, frames, first_at, last_at FROM unopened_dropped ORDER BY logger",
        )?;
        let mut rows = statement.query([])?;
        let mut all = Vec::new();
        while let Some(row) = rows.next()? {
            let mut cells = Cells::of(row);
            let Some(logger) = Address::new(cells.take()?) else { continue };
            all.push(Dropped {
                logger,
                frames: cells.take::<i64>()?.unsigned_abs(),
                first_at: cells.take()?,
                last_at: cells.take()?,
            });
        }
        Ok(all)
    }

    /// Frames that are still set aside unopened, by the name of the radio that heard them.
    pub fn still_unopened(&self) -> Result<BTreeMap<String, u64>, Error> {
        let mut statement = self.db.prepare_cached(
            "SELECT r.name, count(*) FROM unopened u JOIN radio r ON r.id = u.radio GROUP BY r.id",
        )?;
        let rows = statement.query_map([], |row| {
            let mut cells = Cells::of(row);
            Ok((cells.take()?, cells.take::<i64>()?.unsigned_abs()))
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Authentic records that this version cannot read, of the loggers that have any.
    pub fn opaque(&self, loggers: impl IntoIterator<Item = Address>) -> Result<Vec<Opaque>, Error> {
        // An opaque record that has been read since is in the table of its kind.
        let kinds = rare::read().map(|table| table.name).chain(std::iter::once("settled_or_retired"));
        let is_read = kinds.map(|table| {
            format!(
                "AND NOT EXISTS (SELECT 1 FROM {table} t WHERE t.logger = o.logger AND t.epoch = o.epoch
                     AND t.sequence = o.sequence AND t.rank = 0)"
            )
        });
        let mut statement = self.db.prepare_cached(&format!(
            "SELECT epoch, sequence, plaintext FROM {} o WHERE logger = ?1 AND rank = 0 {}
             ORDER BY epoch DESC, sequence DESC LIMIT ?2",
            rare::OPAQUE,
            is_read.collect::<Vec<_>>().join(" ")
        ))?;
        let mut all = Vec::new();
        for logger in loggers {
            let mut opaque =
                Opaque { logger, records: 0, is_more: false, rules: BTreeMap::new(), readable: 0 };
            let limit = i64::try_from(OPAQUE_READ_MAX + 1).unwrap_or(i64::MAX);
            let mut rows = statement.query(params![logger.number(), limit])?;
            while let Some(row) = rows.next()? {
                if opaque.records == OPAQUE_READ_MAX {
                    opaque.is_more = true;
                    break;
                }
                let mut cells = Cells::of(row);
                let Some(id) = Identity::new(logger.number(), cells.take()?, cells.take()?) else { continue };
                let plaintext = cells.bytes()?;
                opaque.records += 1;
                match Record::decode(plaintext, id) {
                    Err(rule) => *opaque.rules.entry(rule).or_default() += 1,
                    Ok(_) => opaque.readable += 1,
                }
            }
            if opaque.records > 0 {
                all.push(opaque);
            }
        }
        Ok(all)
    }
}
