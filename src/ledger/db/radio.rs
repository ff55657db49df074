//! Radios by number: the ledger keeps each name once.

use super::error::Error;
use super::query;
use rusqlite::Connection;

/// A radio's number in the ledger.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct RadioId(pub u8);

/// A radio's number by its name.
pub(in crate::ledger) fn radio(db: &Connection, name: &str) -> Result<Option<RadioId>, Error> {
    let id: Option<i64> = query::first_value(db, "SELECT id FROM radio WHERE name = ?", [name])?;
    id.map(|id| u8::try_from(id).map(RadioId).map_err(|_| Error::TooManyRadios)).transpose()
}
