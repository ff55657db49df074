//! Stored coverage: ranges of held sequences, ends of epochs that a later epoch names, and what was once held.

use crate::ledger::db::error::Error;
use crate::record::coverage::{Basis, Coverage};
use crate::wire::seq::{Address, Epoch};
use rusqlite::Connection;

/// Coverage as it is stored: ranges and named ends, without the journal.
pub(in crate::ledger) fn load_ranges(db: &Connection) -> Result<Coverage, Error> {
    let mut coverage = Coverage::default();
    let mut statement = db.prepare_cached("SELECT logger, epoch, basis, first, last FROM held_range")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let (address, epoch) = address_epoch(row)?;
        let basis = if row.get::<_, i64>(2)? == 0 { Basis::Authentic } else { Basis::Csv };
        coverage.insert_range(address, epoch, basis, row.get(3)?, row.get(4)?);
    }
    load_named(db, &mut coverage)?;
    Ok(coverage)
}

pub(in crate::ledger) fn load_named(db: &Connection, coverage: &mut Coverage) -> Result<(), Error> {
    let mut statement = db.prepare_cached("SELECT logger, epoch, last, by_epoch FROM named_epoch")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let (address, epoch) = address_epoch(row)?;
        let by_epoch = Epoch::new(row.get(3)?)
            .ok_or_else(|| Error::Corrupt("a named epoch is named by epoch 0".into()))?;
        coverage.name_epoch(address, epoch, row.get(2)?, by_epoch);
    }
    let mut statement = db.prepare_cached("SELECT logger, epoch, first, last FROM once_held")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let (address, epoch) = address_epoch(row)?;
        coverage.note_once_held(address, epoch, row.get(2)?, row.get(3)?);
    }
    Ok(())
}

/// Logger and epoch from the first two columns.
pub(in crate::ledger) fn address_epoch(row: &rusqlite::Row<'_>) -> Result<(Address, Epoch), Error> {
    match (Address::new(row.get(0)?), Epoch::new(row.get(1)?)) {
        (Some(address), Some(epoch)) => Ok((address, epoch)),
        _ => Err(Error::Corrupt("a row has a reserved logger or epoch".into())),
    }
}
