//! Opens a ledger for writing: creates it if there is none, migrates it if it is older, and gives every table
//! its sum.
//!
//! What this is not: the settings of SQLite that readers share, and the definition of a valid schema, are in
//! `db::schema`.

use super::table;
use crate::files;
use crate::ledger::db::error::Error;
use crate::ledger::db::names;
use crate::ledger::db::place::file_identity;
use crate::ledger::db::query;
use crate::ledger::db::schema::{
    APPLICATION_ID, CHECKPOINT_PAGES, MIGRATIONS, VERSION, identify, refuse_old_library,
    refuse_unless_a_file, set_journal_mode, settings_of_every_connection, sync_folder,
};
use rusqlite::{Connection, OpenFlags};
use std::path::Path;

/// Small pages: a commit of a few readings rewrites the journal's last page, so the page size is the cost of a
/// commit. Measured in `docs/ledger.md`.
const PAGE_SIZE: u32 = 1024;

/// How often to open a ledger again if a restore exchanges it at that very moment.
const EXCHANGED_TRIES: u32 = 5;

/// Opens for writing; creates a missing ledger; migrates an older one.
pub fn open_for_writing(path: &Path) -> Result<Connection, Error> {
    refuse_old_library(rusqlite::version_number())?;
    refuse_unless_a_file(path)?;
    // A restore puts another file under the name, and holds the old file's lock until it is done. A process
    // that waited for that lock has the old file open, and would write its -wal next to the new one. So it
    // opens the ledger again instead. From here on the connection holds a lock that keeps every restore out.
    names::refuse_other(path)?;
    for _ in 1..EXCHANGED_TRIES {
        create_file(path)?;
        let before = file_identity(path);
        let opened = open_present_for_writing(path);
        if file_identity(path) == before {
            return opened;
        }
    }
    create_file(path)?;
    open_present_for_writing(path)
}

fn open_present_for_writing(path: &Path) -> Result<Connection, Error> {
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut db = Connection::open_with_flags(path, flags).map_err(|source| Error::at_open(path, source))?;
    settings_of_every_connection(&db).map_err(|source| Error::at_open(path, source))?;
    // SQLite opens a file read-only if this user may only read it, and would report that only at the first
    // commit.
    if db.is_readonly("main").map_err(|source| Error::at_open(path, source))?
        && let Some(error) = Error::closed(path, files::Wanted::Write)
    {
        return Err(error);
    }
    let found = identify(&db, path)?;
    if found == 0 {
        // This has an effect only before the first page is written.
        db.pragma_update(None, "page_size", PAGE_SIZE).map_err(|source| Error::at_open(path, source))?;
    }
    // Readers continue while the daemon commits, and a commit is one sequential write and one sync.
    let mode = set_journal_mode(&db, "WAL").map_err(|source| Error::at_open(path, source))?;
    if mode != "wal" {
        return Err(Error::NoWal { path: path.to_owned(), mode });
    }
    writer_settings(&db).map_err(|source| Error::at_open(path, source))?;
    // A ledger that is up to date needs no write lock, which another process may hold for a long time. The
    // version is read again: if the mode has just changed, the first read makes the -wal.
    if identify(&db, path)? == VERSION {
        sync_folder(path)?;
    } else {
        migrate(&mut db, path)?;
    }
    Ok(db)
}

/// Creates a missing file that the owner's group can read, so that reports can run as another user. An existing
/// file is not opened: see the documentation of the module `schema`.
fn create_file(path: &Path) -> Result<(), Error> {
    match files::make(path, 0o640) {
        Ok(_) => sync_folder(path),
        Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => Ok(()),
        Err(source) => Err(Error::Create { path: path.to_owned(), source }),
    }
}

fn writer_settings(db: &Connection) -> Result<(), rusqlite::Error> {
    // A commit is reported only when it is on the disk.
    db.pragma_update(None, "synchronous", "FULL")?;
    // Pages collect in the -wal, where the journal's last page is written many times, and move into the ledger
    // once, by `Ledger::after_commit`. SQLite's own checkpoint after a commit ignores all its errors, but a
    // failed sync must end the daemon.
    db.pragma_update(None, "wal_autocheckpoint", 0)?;
    // After a large transaction the -wal shrinks again.
    db.pragma_update(None, "journal_size_limit", i64::from(CHECKPOINT_PAGES * PAGE_SIZE) * 2)?;
    Ok(())
}

fn migrate(db: &mut Connection, path: &Path) -> Result<(), Error> {
    let at = |source| Error::at_open(path, source);
    let transaction = db.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate).map_err(at)?;
    // Read again under the lock: another process may have migrated in the meantime.
    let found = identify(&transaction, path)? as usize;
    // The -wal exists from the first lock on, and is still empty.
    sync_folder(path)?;
    if found < MIGRATIONS.len() {
        // Tables that were damaged before stay marked as damaged. A table that does not exist yet cannot be
        // damaged.
        let sound = table::sound_tables(&transaction);
        let before = tables(&transaction)?;
        for (number, sql) in MIGRATIONS.iter().enumerate().skip(found) {
            transaction.execute_batch(sql).map_err(at)?;
            transaction.pragma_update(None, "user_version", number as i64 + 1).map_err(at)?;
        }
        transaction.pragma_update(None, "application_id", APPLICATION_ID).map_err(at)?;
        // A statement that was prepared before the migration has the old number of columns.
        transaction.flush_prepared_statement_cache();
        // A column or a row that a migration adds is not damage. A table that was lost stays lost.
        let mut new = tables(&transaction)?;
        new.retain(|name| !before.contains(name));
        for name in sound.into_iter().chain(new) {
            table::keep(&transaction, name, table::table_sum(&transaction, name, "true", ())?)?;
        }
        name_ledger(&transaction)?;
    }
    transaction.commit().map_err(at)
}

/// The tables of this program that exist.
fn tables(db: &Connection) -> Result<Vec<&'static str>, Error> {
    let there: Vec<String> = query::values(db, "SELECT name FROM sqlite_schema WHERE type = 'table'", [])?;
    Ok(table::TABLES.into_iter().filter(|&name| there.iter().any(|found| found == name)).collect())
}

/// Gives the ledger its own number, which distinguishes the sidecar files of this ledger from those of another.
fn name_ledger(db: &Connection) -> Result<(), Error> {
    table::change(db, "meta", "key = 'ledger_id'", (), |db| {
        Ok(db.execute("INSERT OR IGNORE INTO meta VALUES ('ledger_id', random())", [])?)
    })?;
    Ok(())
}
