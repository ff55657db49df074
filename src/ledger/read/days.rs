//! Counts by day, for the strip of `status`, and the growth of the ledger.

use crate::ledger::db::error::Error;
use crate::ledger::db::quarters::Quarters;
use crate::ledger::db::query::{self, Cells};
use crate::ledger::db::rare::{self, RECEIVED_AT};
use crate::ledger::read::snapshot::Snapshot;
use crate::ledger::read::tables::HAND_READINGS;
use crate::time::{Days, GatewayTime, LoggerTime};
use crate::wire::seq::{Address, Identity};
use rusqlite::params;
use std::collections::BTreeMap;

impl Snapshot<'_> {
    /// Records stored by radio, by logger and day of reception, of these loggers and from one day of a calendar
    /// through another: from the settled counters, and from the records that are not settled yet.
    pub fn radio_days(
        &self,
        addresses: &[Address],
        calendar: Days,
        (first, last): (i64, i64),
    ) -> Result<BTreeMap<(Address, i64), u64>, Error> {
        let mut days = BTreeMap::<(Address, i64), u64>::new();
        let mut count = |address: Address, at_s: i64, records: u64| {
            let day = calendar.of(at_s);
            if (first..=last).contains(&day) {
                *days.entry((address, day)).or_default() += records;
            }
        };
        let of_utc = |day: i64| Days::UTC.of(calendar.begin_s(day));
        let (first_row, last_row) = (of_utc(first), of_utc(last.saturating_add(1)));
        let mut statement = self.db.prepare_cached(
            "SELECT day, quarters FROM logger_day WHERE logger = ? AND day BETWEEN ? AND ?",
        )?;
        for &address in addresses {
            let mut rows = statement.query(params![address.number(), first_row, last_row])?;
            while let Some(row) = rows.next()? {
                let mut cells = Cells::of(row);
                let (day, quarters): (i64, Quarters) = (cells.take()?, cells.take()?);
                quarters.of_day(day).for_each(|(at_s, records)| count(address, at_s, records));
            }
        }
        let unsettled = self.unsettled.iter().flat_map(|(id, rows)| rows.iter().map(move |row| (id, row)));
        for (id, row) in unsettled.filter(|(_, row)| row.rank == 0) {
            if let Some(at) = row.by_radio_at {
                count(id.address, at.unix_s(), 1);
            }
        }
        Ok(days)
    }

    /// Records held only from hand downloads, by logger and day of the record's own time, from one day of a
    /// calendar through another. Opaque ones are left out, because the time at which they were made cannot be
    /// read.
    ///
    /// There is no counter for these. If no import was made since the first day, there are none. A logger whose
    /// records all came by radio has none either. For the others the blocks of those days are read.
    pub fn hand_days(
        &self,
        addresses: &[Address],
        calendar: Days,
        (first, last): (i64, i64),
    ) -> Result<BTreeMap<(Address, i64), u64>, Error> {
        let mut days = BTreeMap::<(Address, i64), u64>::new();
        let mut unsettled = BTreeMap::<Address, u64>::new();
        for (id, rows) in &self.unsettled {
            *unsettled.entry(id.address).or_default() += 1;
            let shown = rows.first().filter(|row| row.by_radio_at.is_none() && !row.opaque);
            if let Some(day) = shown.map(|row| calendar.of(row.seen.time.unix_s()))
                && (first..=last).contains(&day)
            {
                *days.entry((id.address, day)).or_default() += 1;
            }
        }
        // Midnights, by either clock.
        let (begin_s, end_s) = (calendar.begin_s(first), calendar.begin_s(last.saturating_add(1)));
        let (from, to) = (LoggerTime(begin_s), LoggerTime(end_s));
        let brought: bool = self
            .db
            .prepare_cached(
                "SELECT EXISTS (SELECT 1 FROM import WHERE withdrawn_at IS NULL AND imported_at >= ?)",
            )?
            .query_row([GatewayTime(begin_s)], query::only)?;
        if !brought {
            return Ok(days);
        }
        for &address in addresses {
            let by_radio: f64 = self
                .db
                .prepare_cached("SELECT total(stored + opaque) FROM logger_day WHERE logger = ?")?
                .query_row([address.number()], query::only)?;
            let others = by_radio as u64 + unsettled.get(&address).copied().unwrap_or(0);
            let held: u64 = self.coverage.epochs_of(address).map(|(_, held)| held.held().count()).sum();
            if held <= others {
                continue;
            }
            let mut found = std::collections::BTreeSet::new();
            let mut count = |row: &rusqlite::Row<'_>| -> Result<(), Error> {
                let mut cells = Cells::of(row);
                let id = Identity::new(address.number(), cells.take()?, cells.take()?);
                // A rare record has its row in its table before its journal row is settled.
                let id = id.filter(|id| !self.unsettled.contains_key(id));
                if id.is_some_and(|id| found.insert(id)) {
                    *days.entry((address, calendar.of(cells.take()?))).or_default() += 1;
                }
                Ok(())
            };
            let sql = format!(
                "SELECT epoch, sequence, time FROM settled_or_retired t WHERE logger = ? AND epoch = ?
                     AND sequence BETWEEN ? AND ? AND time >= ? AND time < ? AND {HAND_READINGS}"
            );
            let mut statement = self.db.prepare_cached(&sql)?;
            for (epoch, low, high) in
                crate::ledger::digest::block::blocks_in_time(self.db, address.number(), from, to)?
            {
                let mut rows = statement.query(params![address.number(), epoch, low, high, from, to])?;
                while let Some(row) = rows.next()? {
                    count(row)?;
                }
            }
            // The times of blocks are those of readings.
            for table in rare::read() {
                let sql = format!(
                    "SELECT epoch, sequence, time FROM {} WHERE logger = ? AND time >= ? AND time < ?
                         AND {RECEIVED_AT} IS NULL AND rank = 0",
                    table.name
                );
                let mut statement = self.db.prepare_cached(&sql)?;
                let mut rows = statement.query(params![address.number(), from, to])?;
                while let Some(row) = rows.next()? {
                    count(row)?;
                }
            }
        }
        Ok(days)
    }

    /// The ledger's size at the end of each day on which it was recorded, newest first, at most 90.
    pub fn sizes(&self) -> Result<Vec<(i64, u64)>, Error> {
        let mut statement =
            self.db.prepare_cached("SELECT day, bytes FROM size_day ORDER BY day DESC LIMIT 90")?;
        let rows = statement.query_map([], |row| {
            let mut cells = Cells::of(row);
            Ok((cells.take()?, cells.take::<i64>()?.max(0) as u64))
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }
}
