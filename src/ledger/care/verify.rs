//! Checks a ledger: SQLite's own integrity, and coverage and the counts by day computed again from the
//! records.
//!
//! Input: a ledger opened for reading. Output: the differences, by logger and range. Nothing is changed.

use crate::ledger::care::stranger;
use crate::ledger::db::error::Error;
use crate::ledger::db::quarters::Quarters;
use crate::ledger::db::ranges::address_epoch;
use crate::ledger::db::rare;
use crate::ledger::db::row::kind;
use crate::ledger::db::{query, schema};
use crate::ledger::digest::seal;
use crate::ledger::digest::{block, table};
use crate::ledger::read::coverage::load_coverage;
use crate::ledger::read::elsewhere::elsewhere;
use crate::ledger::read::receptions::receptions;
use crate::record::coverage::{Basis, Coverage, EpochCoverage};
use crate::text;
use crate::time::Days;
use crate::wire::seq::Epoch;
use rusqlite::{Connection, TransactionBehavior};
use std::collections::BTreeMap;
use std::path::Path;

/// The result of a check.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Verified {
    /// Authentic records held.
    pub records: u64,
    /// CSV rows held.
    pub rows: u64,
    /// The problems, one line each; empty if there are none.
    pub differences: Vec<String>,
}

/// Checks all of it. If SQLite itself finds damage, the rest is not checked. `progress` gets the name of each
/// step.
pub fn verify(path: &Path, mut progress: impl FnMut(&str)) -> Result<Verified, Error> {
    let db = stranger::open_to_check(path)?;
    let transaction = rusqlite::Transaction::new_unchecked(&db, TransactionBehavior::Deferred)?;
    let mut found = Verified::default();
    progress("SQLite integrity");
    integrity(&transaction, &mut found)?;
    found.differences.extend(schema::differences(&transaction)?);
    if found.differences.is_empty() {
        progress("coverage against records");
        coverage_against_records(&transaction, &mut found)?;
        progress("counts by day against records");
        days_against_records(&transaction, &mut found)?;
        progress("digests of unsettled records");
        seal::check_seals(&transaction, |what| found.differences.push(what))?;
        let read = |rows: u64| progress(&format!("digests of settled records, {rows} read"));
        block::check_blocks(&transaction, read, |what| found.differences.push(what))?;
        tables(&transaction, &mut found)?;
    }
    transaction.finish()?;
    Ok(found)
}

/// What SQLite itself finds wrong with a file, one line each.
pub fn integrity_of(path: &Path) -> Result<Vec<String>, Error> {
    let mut found = Verified::default();
    integrity(&stranger::open_to_check(path)?, &mut found)?;
    Ok(found.differences)
}

fn integrity(db: &Connection, found: &mut Verified) -> Result<(), Error> {
    query::each(db, "PRAGMA integrity_check(100)", [], |(line,): (String,)| {
        if line != "ok" {
            found.differences.push(format!("SQLite: {line}"));
        }
        Ok(())
    })
}

/// Compares the tables that hold no record with their stored sums.
fn tables(db: &Connection, found: &mut Verified) -> Result<(), Error> {
    for table in table::TABLES {
        let sum = table::table_sum(db, table, "true", ())?;
        if sum != table::kept(db, table)?.unwrap_or_default() {
            found.differences.push(format!("table {table} is damaged: its rows do not fit their digest"));
        }
    }
    query::each(db, "SELECT name FROM table_guard", [], |(name,): (String,)| {
        if !table::TABLES.contains(&name.as_str()) {
            found.differences.push(format!("table_guard names {name:?}, which is not a table of a ledger"));
        }
        Ok(())
    })
}

fn coverage_against_records(db: &Connection, found: &mut Verified) -> Result<(), Error> {
    let stored = load_coverage(db)?;
    let mut counted = Coverage::default();
    // Identities of rare records are in their tables whether settled or not; a reading is in one of two tables.
    let rare = rare::ALL.iter().map(|rare| (rare.name, "rank", "NULL"));
    for (table, rank, import) in std::iter::once(("settled", "rank", "import")).chain(rare) {
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
    // What retention gave up is still covered, but is not here.
    let retired = "SELECT logger, epoch, sequence, rank, rank > 0 AND EXISTS (SELECT 1 FROM import i
             WHERE i.id = t.import AND i.withdrawn_at IS NOT NULL) FROM retired_row t";
    count(db, retired, &mut counted, &mut Verified::default())?;
    // Also what a ledger that was set aside holds.
    for (address, epoch, held) in elsewhere(db)?.epochs() {
        for (set, basis) in [(&held.authentic, Basis::Authentic), (&held.csv, Basis::Csv)] {
            for &(first, last) in set.ranges() {
                counted.insert_range(address, epoch, basis, first, last);
            }
        }
    }
    compare(&stored, &counted, found);
    named_against_records(db, &stored, found)
}

/// Compares the settled counts by quarter of an hour with the receptions of the settled records.
fn days_against_records(db: &Connection, found: &mut Verified) -> Result<(), Error> {
    let loggers = "SELECT logger FROM held_range UNION SELECT logger FROM logger_day";
    for logger in query::values::<u16>(db, loggers, [])? {
        let mut counted = receptions(db, logger)?;
        let mut stored = BTreeMap::new();
        let sql = "SELECT day, stored + opaque, quarters FROM logger_day WHERE logger = ?";
        query::each(db, sql, [logger], |(day, records, quarters): (i64, i64, Quarters)| {
            counted.entry(day).or_default();
            stored.insert(day, (records, quarters));
            Ok(())
        })?;
        for (day, counted) in counted {
            let (records, quarters) = stored.remove(&day).unwrap_or_default();
            let came = counted.sum();
            let problem = match u64::try_from(records) == Ok(came) {
                true if quarters == counted => continue,
                true => "but their counts by quarter of an hour differ".to_owned(),
                false => format!("but {records} are counted"),
            };
            let date = text::date(Days::UTC.begin_s(day)).unwrap_or_else(|| format!("day {day}"));
            found
                .differences
                .push(format!("logger {logger}: {came} records came by radio on {date} (UTC), {problem}"));
        }
    }
    Ok(())
}

/// Compares the ends of epochs with the records that name them.
fn named_against_records(db: &Connection, stored: &Coverage, found: &mut Verified) -> Result<(), Error> {
    let mut given = Coverage::default();
    let sql = "SELECT logger, epoch, last, by_epoch FROM named_end";
    query::each(db, sql, [], |(logger, epoch, last, by): (u16, u32, u32, u32)| {
        let (address, epoch) = address_epoch(logger, epoch)?;
        if let Some(by) = Epoch::new(by) {
            given.name_epoch(address, epoch, last, by);
        }
        Ok(())
    })?;
    // The records that name them may be in a ledger that was set aside, or gone; the records here must still
    // agree.
    let nothing_lost: bool = query::value(db, "SELECT NOT EXISTS (SELECT 1 FROM once_held)", [])?;
    let is_whole = nothing_lost && elsewhere(db)?.epochs().next().is_none();
    let fits = if is_whole {
        given.named().eq(stored.named())
    } else {
        let mut both = stored.clone();
        given.named().all(|(address, epoch, named)| {
            both.name_epoch(address, epoch, named.last, named.by_epoch).is_none()
        })
    };
    if !fits {
        found.differences.push("the ends of epochs differ from the held records".to_owned());
    }
    Ok(())
}

fn count(db: &Connection, sql: &str, counted: &mut Coverage, found: &mut Verified) -> Result<(), Error> {
    query::each(db, sql, [], |(logger, epoch, sequence, rank, is_withdrawn): (u16, u32, u32, i64, bool)| {
        let (address, epoch) = address_epoch(logger, epoch)?;
        if rank == 0 {
            found.records += 1;
            counted.insert_range(address, epoch, Basis::Authentic, sequence, sequence);
        } else {
            found.rows += 1;
            if !is_withdrawn {
                counted.insert_range(address, epoch, Basis::Csv, sequence, sequence);
            }
        }
        Ok(())
    })
}

fn compare(stored: &Coverage, counted: &Coverage, found: &mut Verified) {
    let mut all: Vec<_> = stored.epochs().chain(counted.epochs()).map(|(a, e, _)| (a, e)).collect();
    all.sort_unstable();
    all.dedup();
    let empty = EpochCoverage::default();
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
