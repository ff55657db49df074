//! Checking a ledger: SQLite's own integrity, and coverage worked out again from the records.
//!
//! Input: a ledger opened for reading. Output: what differs, by logger and range; nothing is changed.

use super::rows::kind;
use super::state::{address_epoch, load_coverage};
use super::{Error, schema};
use crate::coverage::{Basis, Coverage};
use rusqlite::{Connection, TransactionBehavior};
use std::path::Path;

/// What a check found.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Verified {
    /// Authentic records held.
    pub records: u64,
    /// CSV rows held.
    pub rows: u64,
    /// What is wrong, one line each; empty: nothing.
    pub differences: Vec<String>,
}

/// Checks all of it. `progress` is told of each step.
pub fn verify(path: &Path, mut progress: impl FnMut(&str)) -> Result<Verified, Error> {
    let db = schema::open_for_reading(path)?;
    let transaction = rusqlite::Transaction::new_unchecked(&db, TransactionBehavior::Deferred)?;
    let mut found = Verified::default();
    progress("SQLite integrity");
    integrity(&transaction, &mut found)?;
    progress("coverage against records");
    coverage_against_records(&transaction, &mut found)?;
    transaction.finish()?;
    Ok(found)
}

fn integrity(db: &Connection, found: &mut Verified) -> Result<(), Error> {
    let mut statement = db.prepare("PRAGMA integrity_check(100)")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let line: String = row.get(0)?;
        if line != "ok" {
            found.differences.push(format!("SQLite: {line}"));
        }
    }
    Ok(())
}

fn coverage_against_records(db: &Connection, found: &mut Verified) -> Result<(), Error> {
    let stored = load_coverage(db)?;
    let mut counted = Coverage::default();
    // Identities of rare records are in their tables whether settled or not; a reading is in one of two.
    let tables = [
        ("settled", "rank", "import"),
        ("profile_row", "rank", "NULL"),
        ("event_row", "rank", "NULL"),
        ("opaque_row", "rank", "NULL"),
    ];
    for (table, rank, import) in tables {
        let sql = format!(
            "SELECT logger, epoch, sequence, {rank}, {rank} > 0 AND EXISTS (SELECT 1 FROM import i
                 WHERE i.id = t.{import} AND i.withdrawn_at IS NOT NULL) FROM {table} t"
        );
        let sql = sql.replace("t.NULL", "NULL");
        count(db, &sql, &mut counted, found)?;
    }
    let journal = format!(
        "SELECT logger, epoch, sequence, rank, rank > 0 AND EXISTS (SELECT 1 FROM import i
             WHERE i.id = t.import AND i.withdrawn_at IS NOT NULL) FROM journal t WHERE kind = {}",
        kind::READING
    );
    count(db, &journal, &mut counted, found)?;
    compare(&stored, &counted, found);
    Ok(())
}

fn count(db: &Connection, sql: &str, counted: &mut Coverage, found: &mut Verified) -> Result<(), Error> {
    let mut statement = db.prepare(sql)?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let (address, epoch) = address_epoch(row)?;
        let sequence: u32 = row.get(2)?;
        let authentic = row.get::<_, i64>(3)? == 0;
        let withdrawn: bool = row.get(4)?;
        if authentic {
            found.records += 1;
            counted.insert_range(address, epoch, Basis::Authentic, sequence, sequence);
        } else {
            found.rows += 1;
            if !withdrawn {
                counted.insert_range(address, epoch, Basis::Csv, sequence, sequence);
            }
        }
    }
    Ok(())
}

fn compare(stored: &Coverage, counted: &Coverage, found: &mut Verified) {
    let mut all: Vec<_> = stored.epochs().chain(counted.epochs()).map(|(a, e, _)| (a, e)).collect();
    all.sort_unstable();
    all.dedup();
    let empty = crate::coverage::EpochCoverage::default();
    for (address, epoch) in all {
        let a = stored.epoch(address, epoch).unwrap_or(&empty);
        let b = counted.epoch(address, epoch).unwrap_or(&empty);
        let kinds = [(&a.authentic, &b.authentic, "records"), (&a.csv, &b.csv, "CSV rows")];
        for (stored, counted, what) in kinds {
            for (mine, theirs, problem) in [
                (stored, counted, "are covered, but not there"),
                (counted, stored, "are there, but not covered"),
            ] {
                for &(first, last) in mine.ranges() {
                    for &(from, to) in theirs.missing(first..=last).ranges() {
                        found.differences.push(format!(
                            "logger {address}, epoch {epoch}: {what} {from} to {to} {problem}"
                        ));
                    }
                }
            }
        }
    }
}
