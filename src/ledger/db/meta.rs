//! Small facts of the ledger, by name, and whether another process has changed it.

use crate::ledger::db::error::Error;
use rusqlite::{Connection, OptionalExtension};

/// A small fact of the ledger.
pub(in crate::ledger) fn meta(db: &Connection, key: &str) -> Result<i64, Error> {
    let value: Option<i64> = db
        .prepare_cached("SELECT value FROM meta WHERE key = ?")?
        .query_row([key], |row| row.get(0))
        .optional()?;
    value.ok_or_else(|| Error::Corrupt(format!("the fact `{key}` is gone")))
}

pub(in crate::ledger) fn data_version(db: &Connection) -> Result<i64, Error> {
    Ok(db.prepare_cached("PRAGMA data_version")?.query_row([], |row| row.get(0))?)
}
