//! Opens a file that is not the site's own ledger: a backup, a ledger from elsewhere, a damaged one, or
//! anything else with the mark of a ledger. Every command reads such files through this module.
//!
//! The content of a database decides what SQLite does when it is read: a view in a table's place can have rows
//! without end, and a tree of pages can lead to the same page repeatedly. So no code in the file is run, and
//! its schema is compared before any row is read. What is read afterwards has limits:
//!
//! - steps of SQLite's virtual machine on a connection: [`STEPS_LEAST`] and [`STEPS_PER_BYTE`] for each byte of
//!   the file. Reading all of a sound ledger takes less than a tenth of that (test; measured: one step a byte).
//! - one value or row: [`VALUE_MAX`] bytes; all that SQLite holds in memory: [`HEAP_MAX`] bytes.
//!
//! What this is not: it does not decide whether a file is sound (`verify` does), or which site it is of.

use crate::files;
use crate::ledger::db::error::Error;
use crate::ledger::db::query;
use crate::ledger::db::schema;
use rusqlite::config::DbConfig;
use rusqlite::limits::Limit;
use rusqlite::{Connection, OpenFlags};
use std::io::Read;
use std::path::Path;

/// The first bytes of every ledger's file (SQLite's file format, section 1.3).
const HEAD: &[u8] = b"SQLite format 3\0";
/// Steps of the virtual machine that any file may take.
const STEPS_LEAST: u64 = 10_000_000;
/// Steps that each byte of the file adds.
const STEPS_PER_BYTE: u64 = 50;
/// After how many steps they are counted.
const STEPS_AT_ONCE: u32 = 10_000;
/// Bytes of a value or a row: the largest that this program writes is a configuration file.
const VALUE_MAX: i32 = 16 << 20;
/// Bytes of all memory that SQLite may use in this process once such a file was opened.
const HEAP_MAX: i64 = 256 << 20;
/// Limits whose default values are far above what this program's schema needs.
const LIMITS: [(Limit, i32); 6] = [
    (Limit::SQLITE_LIMIT_LENGTH, VALUE_MAX),
    (Limit::SQLITE_LIMIT_SQL_LENGTH, 1_000_000),
    (Limit::SQLITE_LIMIT_EXPR_DEPTH, 200),
    (Limit::SQLITE_LIMIT_ATTACHED, 0),
    (Limit::SQLITE_LIMIT_TRIGGER_DEPTH, 1),
    (Limit::SQLITE_LIMIT_WORKER_THREADS, 0),
];

/// Opens a ledger of this or an older release for reading. `Err` if its tables are not as this program made
/// them: it is damaged, or another program changed it.
pub fn open(path: &Path) -> Result<Connection, Error> {
    let (db, version) = identified(path)?;
    as_made(db, version, path)
}

fn as_made(db: Connection, version: u32, path: &Path) -> Result<Connection, Error> {
    let differs = schema::differences_that_matter(&db, version).map_err(|error| within(path, error))?;
    match differs.is_empty() {
        true => Ok(db),
        false => Err(Error::NotAsMade { path: path.to_owned(), what: differs }),
    }
}

/// Does the same, for this program's schema only.
pub fn open_present(path: &Path) -> Result<Connection, Error> {
    let (db, version) = identified(path)?;
    schema::refuse_old(version, path)?;
    as_made(db, version, path)
}

/// Opens a ledger of this program's schema for checking. The caller reports differences in its schema.
pub fn open_to_check(path: &Path) -> Result<Connection, Error> {
    let (db, version) = identified(path)?;
    schema::refuse_old(version, path)?;
    Ok(db)
}

fn identified(path: &Path) -> Result<(Connection, u32), Error> {
    if files::length(path).is_none() {
        return Err(Error::Absent { path: path.to_owned() });
    }
    schema::refuse_unless_a_file(path)?;
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut db = Connection::open_with_flags(path, flags).map_err(|error| Error::at_open(path, error))?;
    bound(&mut db, path).map_err(|error| Error::at_open(path, error))?;
    schema::settings_of_every_connection(&db).map_err(|error| Error::at_open(path, error))?;
    match schema::identify(&db, path)? {
        0 => Err(Error::NotALedger { path: path.to_owned() }),
        version => Ok((db, version)),
    }
}

/// Whether a file begins as every ledger does. Nothing else of it is read; `false` for a folder.
pub fn looks_like_one(path: &Path) -> std::io::Result<bool> {
    if files::stat(path)?.is_folder {
        return Ok(false);
    }
    let mut head = Vec::new();
    files::open(path)?.take(HEAD.len() as u64).read_to_end(&mut head)?;
    Ok(head == HEAD)
}

/// Limits what reading through a connection can cost. Call it before the first statement. `path`: its file, for
/// its size.
pub fn bound(db: &mut Connection, path: &Path) -> rusqlite::Result<()> {
    for (limit, most) in LIMITS {
        db.set_limit(limit, most)?;
    }
    // Functions of a schema that could do more than calculate are refused.
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_TRUSTED_SCHEMA, false)?;
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_ENABLE_TRIGGER, false)?;
    let bytes: u64 = ["", "-wal"].iter().filter_map(|end| files::length(&files::with_tail(path, end))).sum();
    let mut left =
        STEPS_LEAST.saturating_add(bytes.saturating_mul(STEPS_PER_BYTE)) / u64::from(STEPS_AT_ONCE);
    let count = move || {
        #[cfg(test)]
        tests::TAKEN.with(|taken| taken.set(taken.get() + u64::from(STEPS_AT_ONCE)));
        left = left.saturating_sub(1);
        left == 0
    };
    db.progress_handler(STEPS_AT_ONCE as i32, Some(count))?;
    db.query_row(&format!("PRAGMA hard_heap_limit = {HEAP_MAX}"), [], |_| Ok(()))
}

/// Opens a file that may be damaged or of an older schema, to read what can be read; `None` if nothing can. The
/// file is not a ledger that another program has open.
pub(in crate::ledger) fn open_damaged(path: &Path) -> Option<Connection> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut db = Connection::open_with_flags(path, flags).ok()?;
    bound(&mut db, path).ok()?;
    can_be_read(&db).ok()?;
    Some(db)
}

/// Whether SQLite finds tables in a damaged ledger, opened for reading only; `Err`: why not. A file that passes
/// here can be salvaged; any other is unreadable, and its records are missing.
pub(in crate::ledger) fn can_be_read(db: &Connection) -> Result<(), String> {
    // Without this, SQLite refuses a file that was cut off, no matter what its pages hold. Nothing is written.
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_WRITABLE_SCHEMA, true).map_err(|error| error.to_string())?;
    match db.query_row("SELECT count(*) FROM sqlite_schema", [], query::only::<i64>) {
        Ok(tables) if tables > 0 => tables_are_tables(db).map_err(|error| error.cause()),
        Ok(_) => Err("there is no table in it".to_owned()),
        Err(error) => Err(error.to_string()),
    }
}

/// Checks that a damaged ledger, opened and limited, has nothing else in a table's place; `Err`: what it has.
/// The caller handles damaged or missing tables.
fn tables_are_tables(db: &Connection) -> Result<(), Error> {
    match schema::impostors(db)?.first() {
        None => Ok(()),
        Some(what) => Err(Error::Corrupt(what.clone())),
    }
}

/// An error with the file's name, if it is about the whole file.
fn within(path: &Path, error: Error) -> Error {
    match error {
        Error::Sql(source) => Error::at_open(path, source),
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::care::compare::ComparedSide;
    use crate::ledger::care::salvage::{SalvageOptions, salvage};
    use crate::ledger::care::verify;
    use crate::ledger::write::batch::Arrival;
    use crate::ledger::write::open::Ledger;
    use crate::sim::{Field, FieldPlan, TrueTime};
    use crate::time::Stamp;
    use std::cell::Cell;

    thread_local! {
        /// Steps that were counted on this thread.
        pub static TAKEN: Cell<u64> = const { Cell::new(0) };
    }

    const NOW: Stamp = Stamp { unix_s: 1_790_000_000, synchronised: true };

    #[test]
    fn what_reads_all_of_a_sound_ledger_takes_a_small_part_of_the_steps_that_it_may() {
        let dir = tempfile::tempdir().unwrap();
        let (path, fresh) = (dir.path().join("ledger.db"), dir.path().join("fresh.db"));
        let plan = FieldPlan::harrow_tarn(95, 12, TrueTime(1_780_000_000), 20).without_incidents();
        let run = Field::new(plan.clone()).run_out();
        let mut ledger = Ledger::open(&path).unwrap();
        let records: Vec<_> = run.truth.records().collect();
        for part in records.chunks(1000) {
            let mut batch = crate::ledger::write::batch::Batch::default();
            for made in part {
                let (identity, slot) = (made.identity, Some(made.slot));
                let stored_at = Some(NOW.time());
                let arrival = Arrival { identity, slot, reception: None, import: None, stored_at };
                batch.push_record(arrival, &made.plaintext);
            }
            ledger.append(&batch, &plan.to_roster(), NOW).unwrap();
        }
        // Settled except for the last ones, so that both ways to hold a record are read.
        ledger.settle(records.len() as u32 * 9 / 10, 20_000).unwrap();
        drop(ledger);
        let ids = crate::ledger::care::site::signs_of_file(&path).unwrap().ids;
        let how = crate::ledger::care::site::SameSiteReason::Copy;
        Ledger::open(&fresh).unwrap().note_same_site(&ids, how, NOW).unwrap();
        let bytes: u64 =
            ["", "-wal"].iter().filter_map(|end| files::length(&files::with_tail(&path, end))).sum();
        let may = STEPS_PER_BYTE * bytes;
        let took = |what: &str| {
            let taken = TAKEN.with(|taken| taken.replace(0));
            println!("{what}: {taken} steps, {:.1} a byte of {bytes}", taken as f64 / bytes as f64);
            assert!(taken > 0 && taken < may / 10, "{what}: {taken} steps of {may}");
        };
        assert!(verify::verify(&path, |_| ()).unwrap().differences.is_empty());
        took("verify");
        drop(ComparedSide::ledger(&path, true, |_| ()).unwrap());
        took("compare --full");
        let done =
            salvage(&path, &fresh, &plan.to_roster(), SalvageOptions::default(), NOW, |_, _| ()).unwrap();
        assert_eq!(done.brought, records.len() as u64);
        took("salvage");
    }
}
