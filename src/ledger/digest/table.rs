//! Digests that do not depend on order: the sum, modulo 2^128, of the first half of the SHA-256 of each row.
//!
//! A flipped bit in any row changes the sum. Rows can be added and removed one by one, so a settle does not
//! read the data of past years. This is ample against accidents; it does not protect against a person who may
//! write the file.
//!
//! Every table except those of the readings has its sum in `table_guard`; [`change`] keeps it correct around
//! each write.

use crate::ledger::db::error::Error;
use crate::ledger::db::query;
use rusqlite::types::{FromSql, FromSqlResult, ValueRef};
use rusqlite::{Connection, Params, params};
use sha2::{Digest, Sha256};

/// A sum of digests.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Sum(u128);

impl Sum {
    pub fn add(&mut self, other: Sum) {
        self.0 = self.0.wrapping_add(other.0);
    }

    pub fn take(&mut self, other: Sum) {
        self.0 = self.0.wrapping_sub(other.0);
    }

    /// The form that the ledger stores.
    pub fn bytes(self) -> [u8; 16] {
        self.0.to_be_bytes()
    }

    /// From the stored form; `None` unless there are 16 bytes.
    pub fn from_bytes(bytes: &[u8]) -> Option<Self> {
        bytes.try_into().ok().map(|bytes| Self(u128::from_be_bytes(bytes)))
    }

    pub fn of(bytes: &[u8]) -> Self {
        let digest = Sha256::digest(bytes);
        let mut half = [0; 16];
        half.copy_from_slice(&digest[..16]);
        Self(u128::from_be_bytes(half))
    }
}

impl FromSql for Sum {
    /// A value that is not a digest gives the digest of nothing, which fits nothing.
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        Ok(Self::from_bytes(value.as_blob()?).unwrap_or_default())
    }
}

/// The sum of a row's first columns. `scratch` is reused.
pub fn row_sum(row: &rusqlite::Row<'_>, columns: usize, scratch: &mut Vec<u8>) -> rusqlite::Result<Sum> {
    sum_of((0..columns).map(|at| row.get_ref(at)), scratch)
}

/// The sum of a row's values, in a form in which different rows have different bytes. `scratch` is reused.
pub fn sum_of<'r>(
    values: impl Iterator<Item = rusqlite::Result<ValueRef<'r>>>,
    scratch: &mut Vec<u8>,
) -> rusqlite::Result<Sum> {
    scratch.clear();
    for value in values {
        match value? {
            ValueRef::Null => scratch.push(0),
            ValueRef::Integer(value) => {
                scratch.push(1);
                scratch.extend(value.to_be_bytes());
            }
            ValueRef::Real(value) => {
                scratch.push(2);
                scratch.extend(value.to_be_bytes());
            }
            ValueRef::Text(bytes) | ValueRef::Blob(bytes) => {
                scratch.push(3);
                scratch.extend((bytes.len() as u64).to_be_bytes());
                scratch.extend_from_slice(bytes);
            }
        }
    }
    Ok(Sum::of(scratch))
}

/// The same as [`sum_of`], for a row of integers and nulls.
pub fn values_sum(values: &[Option<i64>], scratch: &mut Vec<u8>) -> Sum {
    scratch.clear();
    for value in values {
        match value {
            None => scratch.push(0),
            Some(value) => {
                scratch.push(1);
                scratch.extend(value.to_be_bytes());
            }
        }
    }
    Sum::of(scratch)
}

/// The tables that are written now and then: all except those of the readings (the journal has seals, settled
/// records have blocks).
pub const TABLES: [&str; 42] = [
    "named_epoch",
    "held_range",
    "stepped_back",
    "conflict",
    "unopened",
    "unopened_dropped",
    "slot_use",
    "sending_epoch",
    "asked",
    "asked_range",
    "clock_asked",
    "proven_key",
    "radio",
    "listening",
    "radio_day",
    "logger_day",
    "foreign_address",
    "last_heard",
    "import",
    "resolution",
    "notice",
    "write_off",
    "write_off_part",
    "remark_row",
    "manual_row",
    "backup_made",
    "size_day",
    "configuration_version",
    "meta",
    "channel_number",
    "block",
    "profile_row",
    "event_row",
    "statement_row",
    "opaque_row",
    "aside_ledger",
    "elsewhere",
    "once_held",
    "retired_row",
    "retired_block",
    "same_site",
    "act",
];

/// The sum over those rows of a table that meet a condition.
pub fn table_sum(db: &Connection, table: &str, condition: &str, key: impl Params) -> Result<Sum, Error> {
    let mut statement = db.prepare_cached(&format!("SELECT * FROM {table} WHERE {condition}"))?;
    let columns = statement.column_count();
    let (mut sum, mut scratch) = (Sum::default(), Vec::new());
    let mut rows = statement.query(key)?;
    while let Some(row) = rows.next()? {
        sum.add(row_sum(row, columns, &mut scratch)?);
    }
    Ok(sum)
}

/// The stored sum of a table.
pub fn kept(db: &Connection, table: &str) -> Result<Option<Sum>, Error> {
    let bytes: Option<Vec<u8>> =
        query::first_value(db, "SELECT sum FROM table_guard WHERE name = ?", [table])?;
    Ok(bytes.and_then(|bytes| Sum::from_bytes(&bytes)))
}

/// The tables that exist and fit their sums.
pub fn sound_tables(db: &Connection) -> Vec<&'static str> {
    let fits = |table: &str| {
        let kept = kept(db, table).ok().flatten();
        kept.is_some_and(|kept| table_sum(db, table, "true", ()).is_ok_and(|sum| sum == kept))
    };
    TABLES.into_iter().filter(|table| fits(table)).collect()
}

/// Stores a table's sum.
pub fn keep(db: &Connection, table: &str, sum: Sum) -> Result<(), Error> {
    db.prepare_cached("INSERT OR REPLACE INTO table_guard VALUES (?, ?)")?
        .execute(params![table, sum.bytes().as_slice()])?;
    Ok(())
}

/// Makes a change that affects only the rows of `table` that meet a condition (before or after it), and keeps
/// the table's sum correct.
pub fn change<T>(
    db: &Connection,
    table: &str,
    condition: &str,
    key: impl Params + Copy,
    write: impl FnOnce(&Connection) -> Result<T, Error>,
) -> Result<T, Error> {
    let before = table_sum(db, table, condition, key)?;
    let done = write(db)?;
    let after = table_sum(db, table, condition, key)?;
    if before != after {
        let mut sum = kept(db, table)?.unwrap_or_default();
        sum.take(before);
        sum.add(after);
        keep(db, table, sum)?;
    }
    Ok(done)
}

/// Changes a small fact of the ledger.
pub fn set_meta(db: &Connection, key: &str, value: i64) -> Result<(), Error> {
    change(db, "meta", "key = ?", [key], |db| {
        db.prepare_cached("UPDATE meta SET value = ? WHERE key = ?")?.execute(params![value, key])?;
        Ok(())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sums_follow_changes_and_notice_what_changed_behind_their_back() {
        let db = Connection::open_in_memory().unwrap();
        db.execute_batch(
            "CREATE TABLE table_guard (name TEXT PRIMARY KEY, sum BLOB) WITHOUT ROWID;
             CREATE TABLE radio (id INTEGER PRIMARY KEY, name TEXT)",
        )
        .unwrap();
        for (id, name) in [(1, "a"), (2, "b"), (2, "c")] {
            change(&db, "radio", "id = ?", [id], |db| {
                Ok(db.execute("INSERT OR REPLACE INTO radio VALUES (?, ?)", params![id, name])?)
            })
            .unwrap();
            assert_eq!(kept(&db, "radio").unwrap(), Some(table_sum(&db, "radio", "true", []).unwrap()));
        }
        db.execute("UPDATE radio SET name = 'd' WHERE id = 1", []).unwrap();
        assert_ne!(kept(&db, "radio").unwrap(), Some(table_sum(&db, "radio", "true", []).unwrap()));
    }
}
