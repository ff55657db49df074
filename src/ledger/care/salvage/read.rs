//! What can be read of a damaged ledger: a block's settled records and CSV rows.
//!
//! Input: the damaged ledger, open and limited in work, and a block's place. Output: records and rows, proven
//! or not. A block is read by key, and record by record if some of its pages cannot be read.
//!
//! What this is not: it checks no digest (`proof`).

use crate::ledger::care::held::span_of;
use crate::ledger::db::error::Error;
use crate::ledger::db::rare;
use crate::ledger::db::row::{self, Column, SETTLED};
use crate::ledger::digest::block::{self, BlockPlace};
use crate::record::judge::{Placed, Row};
use crate::wire::record::Record;
use crate::wire::seq::{Identity, Slot};
use rusqlite::{Connection, params};
use std::collections::BTreeMap;

/// A record as it was read.
#[derive(Clone, Debug)]
pub(in crate::ledger) struct FoundRecord {
    pub plaintext: Vec<u8>,
    pub slot: Slot,
}

/// The records of a block that can be read, by sequence.
pub(in crate::ledger) type FoundBlock = BTreeMap<u32, FoundRecord>;

/// A CSV row as it was stored.
pub(in crate::ledger) struct CsvRow {
    pub id: Identity,
    pub row: Row,
    pub placed: Placed,
    pub resolution: Option<String>,
}

/// A row as it is read, with the numbers of its import and of its resolution in the damaged ledger.
pub(in crate::ledger) type FoundRow = (Identity, i64, Option<i64>, CsvRow);

/// The stored digests of a block in the damaged ledger.
pub(in crate::ledger) fn stored(old: &Connection, place: BlockPlace) -> Option<block::Block> {
    block::stored(old, place).ok().flatten()
}

/// A block's settled records that can be read.
pub(in crate::ledger) fn records(old: &Connection, place: BlockPlace) -> FoundBlock {
    let (logger, epoch, block) = place;
    let (first, last) = span_of(block);
    let mut found = FoundBlock::new();
    if range(old, (logger, epoch), first, last, &mut found).is_err() {
        found.clear();
        for sequence in first..=last {
            let _ = range(old, (logger, epoch), sequence, sequence, &mut found);
        }
    }
    found
}

fn range(
    old: &Connection,
    (logger, epoch): (u16, u32),
    first: u32,
    last: u32,
    found: &mut FoundBlock,
) -> Result<(), Error> {
    let sql = format!(
        "SELECT {} FROM settled WHERE logger = ? AND epoch = ? AND sequence BETWEEN ? AND ? AND rank = 0",
        SETTLED.list()
    );
    let mut statement = old.prepare_cached(&sql)?;
    let mut rows = statement.query(params![logger, epoch, first, last])?;
    while let Some(row) = rows.next()? {
        let row = SETTLED.view(row);
        let (Ok(id), Ok(Some(n))) = (row.identity(), row.channels()) else { continue };
        if !(first..=last).contains(&id.sequence.number()) {
            continue;
        }
        let slot = Slot(row.get::<Option<u8>>(Column::Slot).ok().flatten().unwrap_or(0));
        if let Ok(Some(reading)) = row.reading(n) {
            found.insert(
                id.sequence.number(),
                FoundRecord { plaintext: row::encoded(&Record::Reading(reading)), slot },
            );
        }
    }
    for table in &rare::ALL {
        let sql = format!(
            "SELECT logger, epoch, sequence, slot FROM {}
             WHERE logger = ? AND epoch = ? AND sequence BETWEEN ? AND ? AND rank = 0",
            table.name
        );
        let mut statement = old.prepare_cached(&sql)?;
        let mut rows = statement.query(params![logger, epoch, first, last])?;
        while let Some(row) = rows.next()? {
            let Ok(id) = row::identity(row) else { continue };
            let slot = Slot(row.get::<_, Option<u8>>("slot").ok().flatten().unwrap_or(0));
            match rare::rare_plaintext(old, id) {
                Ok(Some(plaintext)) => {
                    found.insert(id.sequence.number(), FoundRecord { plaintext, slot });
                }
                Ok(None) | Err(Error::Corrupt(_)) => {}
                Err(other) => return Err(other),
            }
        }
    }
    Ok(())
}

/// A block's settled CSV rows that can be read: identity, import, resolution, the rest.
pub(in crate::ledger) fn csv_rows(old: &Connection, place: BlockPlace) -> Vec<FoundRow> {
    let (first, last) = span_of(place.2);
    let mut found = Vec::new();
    if rows_of(old, place, first, last, &mut found).is_err() {
        found.clear();
        for sequence in first..=last {
            let _ = rows_of(old, place, sequence, sequence, &mut found);
        }
    }
    found
}

fn rows_of(
    old: &Connection,
    (logger, epoch, _): BlockPlace,
    first: u32,
    last: u32,
    found: &mut Vec<FoundRow>,
) -> Result<(), Error> {
    let sql = format!(
        "SELECT {} FROM settled WHERE logger = ? AND epoch = ? AND sequence BETWEEN ? AND ? AND rank > 0",
        SETTLED.list()
    );
    let mut statement = old.prepare_cached(&sql)?;
    let mut all = statement.query(params![logger, epoch, first, last])?;
    while let Some(row) = all.next()? {
        let row = SETTLED.view(row);
        let take = || -> rusqlite::Result<Option<FoundRow>> {
            let (Ok(id), Some(n)) = (row.identity(), row.channels()?) else { return Ok(None) };
            if n == 0 || !(first..=last).contains(&id.sequence.number()) {
                return Ok(None);
            }
            let placed = Placed::from_code(row.get(Column::Matched)?);
            let csv = CsvRow { id, row: row.content()?, placed, resolution: None };
            Ok(Some((id, row.get(Column::Import)?, row.get(Column::Resolution)?, csv)))
        };
        // This program does not write a value out of its range.
        if let Ok(Some(one)) = take() {
            found.push(one);
        }
    }
    Ok(())
}

/// A reading that no digest proves, as a row; `None` if it is not a reading.
pub(in crate::ledger) fn unproven_row(id: Identity, found: &FoundRecord) -> Option<CsvRow> {
    let row = row_of(id, &found.plaintext)?;
    Some(CsvRow { id, row, placed: Placed::Unproven, resolution: None })
}

/// A reading as a CSV row; `None` if it is not a reading.
fn row_of(id: Identity, plaintext: &[u8]) -> Option<Row> {
    match Record::decode(plaintext, id) {
        Ok(Record::Reading(reading)) => Some(Row::of(&reading)),
        _ => None,
    }
}
