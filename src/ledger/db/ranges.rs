//! Stored coverage: ranges of held sequences, ends of epochs that a later epoch names, and records that were
//! once held.

use crate::ledger::db::error::Error;
use crate::record::coverage::Coverage;
use crate::wire::seq::{Address, Epoch};
use rusqlite::{Connection, Params};

use super::query;
use crate::record::coverage::Basis;

/// Coverage as it is stored, ranges and named ends, without the journal.
pub(in crate::ledger) fn load_ranges(db: &Connection) -> Result<Coverage, Error> {
    let mut coverage = ranges(db, "SELECT logger, epoch, basis, first, last FROM held_range", [])?;
    load_named(db, &mut coverage)?;
    Ok(coverage)
}

/// The ranges from a SELECT of logger, epoch, basis, first and last.
pub(in crate::ledger) fn ranges(
    db: &Connection,
    select: &str,
    params: impl Params,
) -> Result<Coverage, Error> {
    let mut coverage = Coverage::default();
    query::each(db, select, params, |(logger, epoch, basis, first, last): (u16, u32, i64, u32, u32)| {
        let (address, epoch) = address_epoch(logger, epoch)?;
        let basis = if basis == 0 { Basis::Authentic } else { Basis::Csv };
        coverage.insert_range(address, epoch, basis, first, last);
        Ok(())
    })?;
    Ok(coverage)
}

/// Adds the named ends of epochs, and the records that were once held, to `coverage`.
pub(in crate::ledger) fn load_named(db: &Connection, coverage: &mut Coverage) -> Result<(), Error> {
    let named = "SELECT logger, epoch, last, by_epoch FROM named_epoch";
    query::each(db, named, [], |(logger, epoch, last, by_epoch): (u16, u32, u32, u32)| {
        let (address, epoch) = address_epoch(logger, epoch)?;
        let by_epoch =
            Epoch::new(by_epoch).ok_or_else(|| Error::Corrupt("a named epoch is named by epoch 0".into()))?;
        coverage.name_epoch(address, epoch, last, by_epoch);
        Ok(())
    })?;
    let once = "SELECT logger, epoch, first, last FROM once_held";
    query::each(db, once, [], |(logger, epoch, first, last): (u16, u32, u32, u32)| {
        let (address, epoch) = address_epoch(logger, epoch)?;
        coverage.note_once_held(address, epoch, first, last);
        Ok(())
    })
}

/// Logger and epoch of a row.
pub(in crate::ledger) fn address_epoch(logger: u16, epoch: u32) -> Result<(Address, Epoch), Error> {
    match (Address::new(logger), Epoch::new(epoch)) {
        (Some(address), Some(epoch)) => Ok((address, epoch)),
        _ => Err(Error::Corrupt("a row has a reserved logger or epoch".into())),
    }
}

/// Joins ranges of one epoch that touch. The input must be sorted.
pub(in crate::ledger) fn join_ranges(ranges: Vec<(u32, u32, u32)>) -> Vec<(u32, u32, u32)> {
    let mut joined: Vec<(u32, u32, u32)> = Vec::new();
    for (epoch, first, last) in ranges {
        match joined.last_mut() {
            Some((of, _, end)) if *of == epoch && first <= end.saturating_add(1) => *end = (*end).max(last),
            _ => joined.push((epoch, first, last)),
        }
    }
    joined
}
