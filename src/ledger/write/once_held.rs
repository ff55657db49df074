//! Records that were held once and can no longer be read where they were: remembered, so that they count as
//! missing.

use crate::ledger::db::error::Error;
use crate::ledger::db::query;
use crate::record::coverage::RangeSet;
use crate::wire::seq::{Address, Epoch};
use rusqlite::{Connection, params};

/// Remembers that records were held which can no longer be read where they were. Call it under the write lock.
pub(in crate::ledger) fn keep_once_held(
    db: &Connection,
    address: Address,
    epoch: Epoch,
    lost: &RangeSet,
) -> Result<(), Error> {
    let (logger, epoch) = (address.number(), epoch.number());
    let mut all = lost.clone();
    let held = "SELECT first, last FROM once_held WHERE logger = ? AND epoch = ?";
    query::each(db, held, params![logger, epoch], |(first, last): (u32, u32)| {
        all.insert_range(first, last);
        Ok(())
    })?;
    if lost.is_empty() {
        return Ok(());
    }
    crate::ledger::digest::table::change(db, "once_held", "logger = ? AND epoch = ?", (logger, epoch), |db| {
        db.prepare_cached("DELETE FROM once_held WHERE logger = ? AND epoch = ?")?
            .execute(params![logger, epoch])?;
        for &(first, last) in all.ranges() {
            db.prepare_cached("INSERT INTO once_held VALUES (?, ?, ?, ?)")?
                .execute(params![logger, epoch, first, last])?;
        }
        Ok(())
    })
}
