//! What of a damaged ledger can be read: a block's settled records and CSV rows.
//!
//! Input: the damaged ledger, open and bounded, and a block's place. Output: records and rows, proven or not. A block is read
//! by key, and record by record where its pages cannot all be read.
//!
//! What this is not: it checks no digest (`proof`).

use crate::ledger::care::held::span_of;
use crate::ledger::db::error::Error;
use crate::ledger::db::row;
use crate::ledger::digest::block::{self, Place};
use crate::record::judge::{Placed, Row};
use crate::wire::record::{CHANNELS_MAX, Record};
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

/// A CSV row as it was taken in.
pub(in crate::ledger) struct CsvRow {
    pub id: Identity,
    pub row: Row,
    pub placed: Placed,
    pub resolution: Option<String>,
}

/// One as it is read: with the numbers of its import and of its resolution there.
pub(in crate::ledger) type FoundRow = (Identity, i64, Option<i64>, CsvRow);

/// A block's digests as they are kept there.
pub(in crate::ledger) fn stored(old: &Connection, place: Place) -> Option<block::Block> {
    let sql = format!("{} WHERE logger = ? AND epoch = ? AND block = ?", block::STORED);
    old.prepare_cached(&sql).ok()?.query_row(place, block::stored_row).ok()
}

/// A block's settled records, as far as they can be read.
pub(in crate::ledger) fn records(old: &Connection, place: Place) -> FoundBlock {
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
        block::reading_columns()
    );
    let mut statement = old.prepare_cached(&sql)?;
    let mut rows = statement.query(params![logger, epoch, first, last])?;
    while let Some(row) = rows.next()? {
        let (Ok(id), Ok(n)) = (block::identity(row), row.get::<_, u32>(8)) else { continue };
        let n = n as usize;
        if n > CHANNELS_MAX || !(first..=last).contains(&id.sequence.number()) {
            continue;
        }
        let slot = Slot(row.get::<_, Option<u8>>(10).ok().flatten().unwrap_or(0));
        if let Ok(Some(reading)) = block::reading_of(row, n) {
            found.insert(
                id.sequence.number(),
                FoundRecord { plaintext: row::encoded(&Record::Reading(reading)), slot },
            );
        }
    }
    for table in ["profile_row", "event_row", "opaque_row"] {
        let sql = format!(
            "SELECT logger, epoch, sequence, slot FROM {table}
             WHERE logger = ? AND epoch = ? AND sequence BETWEEN ? AND ? AND rank = 0"
        );
        let mut statement = old.prepare_cached(&sql)?;
        let mut rows = statement.query(params![logger, epoch, first, last])?;
        while let Some(row) = rows.next()? {
            let Ok(id) = block::identity(row) else { continue };
            let slot = Slot(row.get::<_, Option<u8>>(3).ok().flatten().unwrap_or(0));
            match row::rare_plaintext(old, id) {
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

/// A block's settled CSV rows, as far as they can be read: identity, import, resolution, the rest.
pub(in crate::ledger) fn csv_rows(old: &Connection, place: Place) -> Vec<FoundRow> {
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
    (logger, epoch, _): Place,
    first: u32,
    last: u32,
    found: &mut Vec<FoundRow>,
) -> Result<(), Error> {
    let sql = format!(
        "SELECT {} FROM settled WHERE logger = ? AND epoch = ? AND sequence BETWEEN ? AND ? AND rank > 0",
        block::reading_columns()
    );
    let mut statement = old.prepare_cached(&sql)?;
    let mut all = statement.query(params![logger, epoch, first, last])?;
    while let Some(row) = all.next()? {
        let take = || -> rusqlite::Result<Option<FoundRow>> {
            let (Ok(id), n) = (block::identity(row), row.get::<_, u32>(8)? as usize) else { return Ok(None) };
            if n == 0 || n > CHANNELS_MAX || !(first..=last).contains(&id.sequence.number()) {
                return Ok(None);
            }
            let content = Row {
                time: row.get(4)?,
                battery_mv: row.get(6)?,
                board_centi_c: row.get(7)?,
                faults: row.get::<_, i64>(9)? as u64,
                counts: (0..n).map(|at| row.get(19 + at)).collect::<Result<_, _>>()?,
                steps: None,
            };
            let placed = Placed::from_code(row.get(16)?);
            let csv = CsvRow { id, row: content, placed, resolution: None };
            Ok(Some((id, row.get(15)?, row.get(17)?, csv)))
        };
        // A value out of its range is none of ours.
        if let Ok(Some(one)) = take() {
            found.push(one);
        }
    }
    Ok(())
}

/// A reading that no digest proves here, as a row; `None`: it is no reading.
pub(in crate::ledger) fn unproven_row(id: Identity, found: &FoundRecord) -> Option<CsvRow> {
    let row = row_of(id, &found.plaintext)?;
    Some(CsvRow { id, row, placed: Placed::Unproven, resolution: None })
}

/// A reading as a CSV row; `None`: it is none.
fn row_of(id: Identity, plaintext: &[u8]) -> Option<Row> {
    match Record::decode(plaintext, id.epoch) {
        Ok(Record::Reading(reading)) => Some(Row::of(&reading)),
        _ => None,
    }
}
