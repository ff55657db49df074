//! Records that count as held because of ledgers that were set aside.

use crate::ledger::db::error::Error;
use crate::record::coverage::Coverage;
use crate::wire::seq::Identity;
use rusqlite::{Connection, params};

/// Whether a sequence counts as held because of a ledger that was set aside.
pub(in crate::ledger) fn is_elsewhere(db: &Connection, id: Identity) -> Result<bool, Error> {
    let (logger, epoch, sequence) = (id.address.number(), id.epoch.number(), id.sequence.number());
    Ok(db
        .prepare_cached(
            "SELECT EXISTS (SELECT 1 FROM elsewhere WHERE logger = ? AND epoch = ? AND first <= ?3 AND last >= ?3)",
        )?
        .query_row(params![logger, epoch, sequence], |row| row.get(0))?)
}

/// What counts as held because of ledgers that were set aside.
pub(in crate::ledger) fn elsewhere(db: &Connection) -> Result<Coverage, Error> {
    let mut coverage = Coverage::default();
    let mut statement = db.prepare_cached("SELECT logger, epoch, basis, first, last FROM elsewhere")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let (address, epoch) = crate::ledger::db::ranges::address_epoch(row)?;
        let basis = if row.get::<_, i64>(2)? == 0 {
            crate::record::coverage::Basis::Authentic
        } else {
            crate::record::coverage::Basis::Csv
        };
        coverage.insert_range(address, epoch, basis, row.get(3)?, row.get(4)?);
    }
    Ok(coverage)
}
