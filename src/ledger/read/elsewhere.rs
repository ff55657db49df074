//! Records that count as held because a ledger that was set aside contains them.

use crate::ledger::db::error::Error;
use crate::ledger::db::{query, ranges};
use crate::record::coverage::Coverage;
use crate::wire::seq::Identity;
use rusqlite::{Connection, params};

/// Whether a sequence counts as held because a ledger that was set aside contains it.
pub(in crate::ledger) fn is_elsewhere(db: &Connection, id: Identity) -> Result<bool, Error> {
    query::value(
        db,
        "SELECT EXISTS (SELECT 1 FROM elsewhere WHERE logger = ? AND epoch = ? AND first <= ?3 AND last >= ?3)",
        params![id.address.number(), id.epoch.number(), id.sequence.number()],
    )
}

/// All records that count as held because a ledger that was set aside contains them.
pub(in crate::ledger) fn elsewhere(db: &Connection) -> Result<Coverage, Error> {
    ranges::ranges(db, "SELECT logger, epoch, basis, first, last FROM elsewhere", [])
}
