//! The authentic records of one block in a ledger, settled or not, each with the sum of its content.
//!
//! Input: an open ledger, and a block's place. Output: [`HeldRecord`] by sequence, for comparisons and
//! salvages.
//!
//! What this is not: it reads no CSV row, and no record that retention gave up. It checks no digest.

use crate::ledger::db::error::Error;
use crate::ledger::db::rare;
use crate::ledger::db::row::{self, Column, RowView, SETTLED};
use crate::ledger::digest::block::{self, BLOCK, BlockPlace};
use crate::ledger::digest::table::Sum;
use crate::time::LoggerTime;
use crate::wire::record::Record;
use crate::wire::seq::Identity;
use rusqlite::{Connection, params};
use std::collections::BTreeMap;

/// One record, with the fields that are compared.
#[derive(Clone, Copy, Debug)]
pub(in crate::ledger) struct HeldRecord {
    /// `None` if it cannot be read (given up, or its row is damaged).
    pub sum: Option<Sum>,
    /// On the logger's clock; `None` if it cannot be read.
    pub time: Option<LoggerTime>,
}

/// A block's first and last sequence.
pub(in crate::ledger) fn span_of(block: u32) -> (u32, u32) {
    let first = block.saturating_mul(BLOCK).saturating_add(1);
    (first, first.saturating_add(BLOCK - 1))
}

/// Every authentic record of a block of a ledger, settled or not.
pub(in crate::ledger) fn read_block(
    db: &Connection,
    (logger, epoch, block): BlockPlace,
) -> Result<BTreeMap<u32, HeldRecord>, Error> {
    let (first, last) = span_of(block);
    let mut held = BTreeMap::new();
    for table in ["settled", "journal"] {
        // The journal has no index; its length is limited, and blocks that differ are few.
        let only = if table == "journal" { "AND kind = 1" } else { "" };
        let sql = format!(
            "SELECT {} FROM {table} WHERE logger = ? AND epoch = ? AND sequence BETWEEN ? AND ? AND rank = 0 {only}",
            SETTLED.list()
        );
        let mut statement = db.prepare_cached(&sql)?;
        let mut readings = statement.query(params![logger, epoch, first, last])?;
        while let Some(row) = readings.next()? {
            let row = SETTLED.view(row);
            let id = row.identity()?;
            let found = reading_sum(&row, id)?;
            let time = row.number(Column::Time)?.map(LoggerTime);
            held.insert(id.sequence.number(), HeldRecord { sum: found.map(|(sum, _)| sum), time });
        }
    }
    // The opaque ones come last: if one could be read later, its plaintext is still the record.
    for table in &rare::ALL {
        let sql = format!(
            "SELECT logger, epoch, sequence, {} AS made_at FROM {}
             WHERE logger = ? AND epoch = ? AND sequence BETWEEN ? AND ? AND rank = 0",
            table.time, table.name
        );
        let mut statement = db.prepare_cached(&sql)?;
        let mut records = statement.query(params![logger, epoch, first, last])?;
        while let Some(row) = records.next()? {
            let id = row::identity(row)?;
            let sum = rare_plaintext(db, id)?.map(|plaintext| block::record_sum(id, &plaintext));
            held.insert(id.sequence.number(), HeldRecord { sum, time: row.get("made_at")? });
        }
    }
    Ok(held)
}

/// Sum and time of a reading; `None` if the row is damaged.
pub(in crate::ledger) fn reading_sum(
    row: &RowView<'_>,
    id: Identity,
) -> Result<Option<(Sum, LoggerTime)>, Error> {
    let Some(n) = row.channels()? else { return Ok(None) };
    let reading = row.reading(n)?;
    Ok(reading.map(|reading| {
        (block::record_sum(id, &row::encoded(&Record::Reading(reading))), LoggerTime(reading.time.into()))
    }))
}

/// The plaintext of a profile, an event or an opaque record; a damaged one has none.
pub(in crate::ledger) fn rare_plaintext(db: &Connection, id: Identity) -> Result<Option<Vec<u8>>, Error> {
    match rare::rare_plaintext(db, id) {
        Err(Error::Corrupt(_)) => Ok(None),
        other => other,
    }
}
