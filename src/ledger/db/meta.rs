//! Small facts of the ledger, by name, and whether another process has changed it.

use super::error::Error;
use super::query;
use rusqlite::Connection;

/// A small fact of the ledger.
pub(in crate::ledger) fn meta(db: &Connection, key: &str) -> Result<i64, Error> {
    query::first_value(db, "SELECT value FROM meta WHERE key = ?", [key])?
        .ok_or_else(|| Error::Corrupt(format!("the fact `{key}` is gone")))
}

/// A number that changes with each commit of another connection.
pub(in crate::ledger) fn data_version(db: &Connection) -> Result<i64, Error> {
    query::value(db, "PRAGMA data_version", [])
}
