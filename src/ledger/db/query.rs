//! Rows as values: each column is read in the order of the SELECT list, never by its number.
//!
//! Input: SQL and its parameters. Output: a value, or a tuple with one value per column of the SQL. Statements
//! are cached. What this is not: the rows of records have their own types (`db::row`).

use super::error::Error;
use crate::time::{GatewayTime, LoggerTime};
use rusqlite::types::{FromSql, FromSqlResult, ToSql, ToSqlOutput, ValueRef};
use rusqlite::{Connection, OptionalExtension, Params, Row};

/// A type that is made from a row: a tuple of its columns.
pub(in crate::ledger) trait FromRow: Sized {
    /// From the columns, first to last.
    fn from_row(row: &Row<'_>) -> rusqlite::Result<Self>;
}

impl<T> FromRow for T
where
    T: for<'row> TryFrom<&'row Row<'row>, Error = rusqlite::Error>,
{
    fn from_row(row: &Row<'_>) -> rusqlite::Result<Self> {
        Self::try_from(row)
    }
}

/// A text; empty if the stored value is not a text or is not UTF-8.
pub(in crate::ledger) struct AnyText(pub String);

impl FromSql for AnyText {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        Ok(Self(value.as_str().unwrap_or_default().to_owned()))
    }
}

// A time is stored as Unix seconds; the column determines which clock it is by.
macro_rules! stored_as_unix_s {
    ($($time:ident),+) => {$(
        impl FromSql for $time {
            fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
                i64::column_result(value).map(Self)
            }
        }

        impl ToSql for $time {
            fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
                Ok(self.unix_s().into())
            }
        }
    )+};
}
stored_as_unix_s!(LoggerTime, GatewayTime);

/// A row's columns, taken one after the other.
pub(in crate::ledger) struct Cells<'a, 'row> {
    row: &'a Row<'row>,
    next: usize,
}

impl<'a, 'row> Cells<'a, 'row> {
    /// From the first column on.
    pub fn of(row: &'a Row<'row>) -> Self {
        Self { row, next: 0 }
    }

    /// The next one.
    pub fn take<T: FromSql>(&mut self) -> rusqlite::Result<T> {
        let at = self.next;
        self.next += 1;
        self.row.get(at)
    }

    /// The next one, a blob, without a copy.
    pub fn bytes(&mut self) -> rusqlite::Result<&'a [u8]> {
        let at = self.next;
        self.next += 1;
        Ok(self.row.get_ref(at)?.as_blob()?)
    }
}

/// The only column of a row.
pub(in crate::ledger) fn only<T: FromSql>(row: &Row<'_>) -> rusqlite::Result<T> {
    row.get(0)
}

/// The only column of the only row, as of `SELECT count(*)`.
pub(in crate::ledger) fn value<T: FromSql>(
    db: &Connection,
    sql: &str,
    params: impl Params,
) -> Result<T, Error> {
    Ok(db.prepare_cached(sql)?.query_row(params, only)?)
}

/// The only column of the first row, if there is one.
pub(in crate::ledger) fn first_value<T: FromSql>(
    db: &Connection,
    sql: &str,
    params: impl Params,
) -> Result<Option<T>, Error> {
    Ok(db.prepare_cached(sql)?.query_row(params, only).optional()?)
}

/// The only column of each row.
pub(in crate::ledger) fn values<T: FromSql>(
    db: &Connection,
    sql: &str,
    params: impl Params,
) -> Result<Vec<T>, Error> {
    let mut statement = db.prepare_cached(sql)?;
    let rows = statement.query_map(params, only)?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// The only row.
pub(in crate::ledger) fn one<T: FromRow>(
    db: &Connection,
    sql: &str,
    params: impl Params,
) -> Result<T, Error> {
    Ok(db.prepare_cached(sql)?.query_row(params, T::from_row)?)
}

/// The first row, if there is one.
pub(in crate::ledger) fn first<T: FromRow>(
    db: &Connection,
    sql: &str,
    params: impl Params,
) -> Result<Option<T>, Error> {
    Ok(db.prepare_cached(sql)?.query_row(params, T::from_row).optional()?)
}

/// All rows.
pub(in crate::ledger) fn all<T: FromRow>(
    db: &Connection,
    sql: &str,
    params: impl Params,
) -> Result<Vec<T>, Error> {
    let mut statement = db.prepare_cached(sql)?;
    let rows = statement.query_map(params, T::from_row)?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// Passes on each row as it is read.
pub(in crate::ledger) fn each<T: FromRow>(
    db: &Connection,
    sql: &str,
    params: impl Params,
    mut take: impl FnMut(T) -> Result<(), Error>,
) -> Result<(), Error> {
    let mut statement = db.prepare_cached(sql)?;
    let mut rows = statement.query(params)?;
    while let Some(row) = rows.next()? {
        take(T::from_row(row)?)?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_come_as_tuples_in_the_order_of_the_select_list_and_a_wrong_type_is_an_error() {
        let db = Connection::open_in_memory().unwrap();
        db.execute_batch("CREATE TABLE t (a INTEGER, b TEXT); INSERT INTO t VALUES (1, 'x'), (2, NULL)")
            .unwrap();
        let rows: Vec<(Option<String>, u8)> = all(&db, "SELECT b, a FROM t ORDER BY a", []).unwrap();
        assert_eq!(rows, [(Some("x".to_owned()), 1), (None, 2)]);
        assert_eq!(value::<i64>(&db, "SELECT count(*) FROM t WHERE a > ?", [1]).unwrap(), 1);
        assert_eq!(first_value::<i64>(&db, "SELECT a FROM t WHERE a > 5", []).unwrap(), None);
        assert!(all::<(u8, u8)>(&db, "SELECT a, b FROM t", []).is_err());
        let mut seen = Vec::new();
        each(&db, "SELECT a, a * 2 FROM t", [], |pair: (u8, u8)| {
            seen.push(pair);
            Ok(())
        })
        .unwrap();
        assert_eq!(seen, [(1, 2), (2, 4)]);
    }
}
