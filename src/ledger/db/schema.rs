//! Opening a ledger: the file's identity, its schema and migrations, and SQLite's settings with their reasons.
//!
//! Nothing else in the program opens the ledger. While a connection is open, no code of this process opens the
//! ledger, its -wal or its -shm by any other means: closing such a file would drop SQLite's POSIX locks, and
//! another process's exit could then delete the -wal under the daemon.

use crate::files;
use crate::ledger::db::error::Error;
use crate::ledger::db::names;
use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags};
use std::path::Path;
use std::time::Duration;

/// Marks the file as a ledger: "stch" in ASCII, in SQLite's application id.
pub const APPLICATION_ID: i32 = 0x7374_6368;

/// A migration is never edited once it is released; add the next number.
pub const MIGRATIONS: &[&str] = &[
    include_str!("../../../migrations/0001_first.sql"),
    include_str!("../../../migrations/0002_logbook.sql"),
    include_str!("../../../migrations/0003_asking.sql"),
];

/// The version that this program writes.
pub const VERSION: u32 = MIGRATIONS.len() as u32;

/// The oldest version of SQLite allowed. In older ones, two checkpoints at one time can lose a commit (fixed in
/// 3.51.3; SQLite's own release notes).
const SQLITE_MIN: i32 = 3_051_003;

/// Number of pages in the -wal at which a commit moves them into the ledger: 4 MB, and few enough for one page
/// of the -shm (4,062), which then need not grow on a disk that has become full.
pub const CHECKPOINT_PAGES: u32 = 4000;

/// How long a statement waits for another process's commit.
pub const BUSY_TIMEOUT: Duration = Duration::from_secs(5);

/// Refuses the path of a ledger, or of a file that SQLite opens next to it, if it leads to something that is
/// not a file: opening a FIFO for reading would wait without end.
pub fn refuse_unless_a_file(path: &Path) -> Result<(), Error> {
    for tail in ["", "-wal", "-shm", "-journal"] {
        let path = crate::files::with_tail(path, tail);
        crate::files::refuse_unless_a_file(&path).map_err(|source| Error::NoFile { path, source })?;
    }
    Ok(())
}

/// Opens a ledger so that no other connection can read or write it until this one closes. Fails as busy while
/// another connection has it open. Returns with an open transaction in which nothing has been written.
pub fn open_alone(path: &Path) -> Result<Connection, Error> {
    names::refuse_other(path)?;
    let at = |source| Error::at_open(path, source);
    refuse_unless_a_file(path)?;
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let db = Connection::open_with_flags(path, flags).map_err(at)?;
    db.busy_timeout(BUSY_TIMEOUT).map_err(at)?;
    // This must come first, before some of the settings too: the first access then locks the whole file, also
    // in write-ahead mode.
    db.pragma_update(None, "locking_mode", "EXCLUSIVE").map_err(at)?;
    db.execute_batch("BEGIN EXCLUSIVE; COMMIT").map_err(at)?;
    settings_of_every_connection(&db).map_err(at)?;
    db.execute_batch("BEGIN EXCLUSIVE").map_err(at)?;
    refuse_old(identify(&db, path)?, path)?;
    Ok(db)
}

/// Syncs the ledger's folder, so that a power cut cannot remove the name of a -wal that has commits in it.
/// SQLite does this with a process's first sync of a -wal, but ignores a failure.
pub fn sync_folder(path: &Path) -> Result<(), Error> {
    let folder = path.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
    match std::fs::File::open(folder).and_then(|folder| folder.sync_all()) {
        // A file system that cannot sync folders returns this error.
        Err(error) if error.kind() == std::io::ErrorKind::InvalidInput => Ok(()),
        done => done.map_err(|source| Error::SyncFolder { path: folder.to_owned(), source }),
    }
}

/// Opens for reading. The daemon may be running, stopped or killed; the reader may be another user.
pub fn open_for_reading(path: &Path) -> Result<Connection, Error> {
    refuse_old_library(rusqlite::version_number())?;
    refuse_unless_a_file(path)?;
    match path.symlink_metadata() {
        Ok(_) => {}
        Err(error) if error.kind() == std::io::ErrorKind::PermissionDenied => {
            return Err(Error::closed(path, files::Wanted::Read)
                .unwrap_or_else(|| Error::Absent { path: path.to_owned() }));
        }
        Err(_) => return Err(Error::Absent { path: path.to_owned() }),
    }
    names::refuse_other(path)?;
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let db = Connection::open_with_flags(path, flags).map_err(|source| Error::at_open(path, source))?;
    settings_of_every_connection(&db).map_err(|source| Error::at_open(path, source))?;
    refuse_old(identify(&db, path)?, path)?;
    Ok(db)
}

/// Refuses an empty file, and a schema that must be migrated first.
pub fn refuse_old(version: u32, path: &Path) -> Result<(), Error> {
    match version {
        0 => Err(Error::NotALedger { path: path.to_owned() }),
        VERSION => Ok(()),
        found => Err(Error::SchemaTooOld { path: path.to_owned(), found, supported: VERSION }),
    }
}

/// Fails for versions below `SQLITE_MIN`.
pub fn refuse_old_library(version: i32) -> Result<(), Error> {
    if version < SQLITE_MIN {
        return Err(Error::LibraryTooOld { found: version, least: SQLITE_MIN });
    }
    Ok(())
}

/// Sets the journal mode and returns the mode in force. SQLite commits the change in the step after the row
/// that reports the mode. A query for one row would miss a failed sync, and a power cut could then leave an
/// empty file, whose -wal SQLite deletes with all commits in it.
pub fn set_journal_mode(db: &Connection, mode: &str) -> Result<String, rusqlite::Error> {
    let mut statement = db.prepare(&format!("PRAGMA journal_mode = {mode}"))?;
    let mut rows = statement.query([])?;
    let mut in_force = String::new();
    while let Some(row) = rows.next()? {
        in_force = row.get(0)?;
    }
    Ok(in_force)
}

/// Settings of every connection of this program, for every purpose.
pub fn settings_of_every_connection(db: &Connection) -> Result<(), rusqlite::Error> {
    // A closing connection leaves the -wal and the -shm in place. A reader that runs as another user and could
    // not create them can then open the ledger at any time.
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true)?;
    // A query plan does not depend on the values bound to it. Without this setting, SQLite prepares a look-up
    // by key again for each key (measured: four fifths of a gap report's time).
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_ENABLE_QPSG, true)?;
    db.busy_timeout(BUSY_TIMEOUT)?;
    // A settle sorts up to 100,000 rows. It does so in memory, never in files on the memory card.
    db.pragma_update(None, "temp_store", "MEMORY")?;
    // 2 MiB of page cache per connection.
    db.pragma_update(None, "cache_size", -2048)?;
    db.set_prepared_statement_cache_capacity(128);
    Ok(())
}

/// The schema's version; 0 for a new, empty file. Refuses a file that is not a ledger, or is newer than this
/// program.
pub fn identify(db: &Connection, path: &Path) -> Result<u32, Error> {
    let integer = |pragma: &str| -> Result<i64, Error> {
        db.query_row(pragma, [], |row| row.get(0)).map_err(|source| Error::at_open(path, source))
    };
    let version = integer("PRAGMA user_version")?;
    let application = integer("PRAGMA application_id")?;
    let tables = integer("SELECT count(*) FROM sqlite_schema")?;
    if version == 0 && application == 0 && tables == 0 {
        return Ok(0);
    }
    if application != i64::from(APPLICATION_ID) {
        return Err(Error::NotALedger { path: path.to_owned() });
    }
    match u32::try_from(version) {
        Ok(found) if found <= VERSION => Ok(found),
        _ => Err(Error::SchemaTooNew { path: path.to_owned(), found: version, supported: VERSION }),
    }
}

/// A table, view, index or trigger: type, name, SQL.
type Object = (String, String, Option<String>);

/// The schema that this program's migrations up to a version make, sorted.
fn expected(version: u32) -> Result<Vec<Object>, Error> {
    let db = Connection::open_in_memory()?;
    for sql in MIGRATIONS.iter().take(version as usize) {
        db.execute_batch(sql)?;
    }
    objects(&db)
}

fn objects(db: &Connection) -> Result<Vec<Object>, Error> {
    let mut statement = db.prepare("SELECT type, name, sql FROM sqlite_schema ORDER BY type, name")?;
    let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// The names of what differs in a ledger's schema from what its migrations made.
pub fn differences(db: &Connection) -> Result<Vec<String>, Error> {
    let (expected, found) = (expected(VERSION)?, objects(db)?);
    let mut names: Vec<String> = expected
        .iter()
        .filter(|object| !found.contains(object))
        .chain(found.iter().filter(|object| !expected.contains(object)))
        .map(not_as_made)
        .collect();
    names.dedup();
    Ok(names)
}

/// An empty ledger in memory.
pub fn in_memory() -> Result<Connection, Error> {
    let db = Connection::open_in_memory()?;
    for sql in MIGRATIONS {
        db.execute_batch(sql)?;
    }
    Ok(db)
}

/// Which table or index is missing or changed. Objects that were added are not damage, and a removed view is
/// not damage either, because a view holds no record.
pub fn lost(db: &Connection) -> Result<Option<String>, Error> {
    let found = objects(db)?;
    let lost = expected(VERSION)?.into_iter().find(|object| object.0 != "view" && !found.contains(object));
    Ok(lost.as_ref().map(not_as_made))
}

/// The differences from the schema of this program's migrations up to `version` that affect how its tables are
/// read. Added views and tables are never read, and a removed view of this program is not missed.
pub fn differences_that_matter(db: &Connection, version: u32) -> Result<Vec<String>, Error> {
    let (expected, found) = (expected(version)?, objects(db)?);
    let is_ours = |name: &str| expected.iter().any(|(_, known, _)| known == name);
    let lost = expected.iter().filter(|object| object.0 != "view" && !found.contains(object));
    let odd = found.iter().filter(|object| {
        !expected.contains(object)
            && (is_ours(&object.1) || ["index", "trigger"].contains(&object.0.as_str()))
    });
    let mut names: Vec<String> = lost.chain(odd).map(not_as_made).collect();
    // The indexes of a missing table are missing too, so the table is named first.
    names.sort_by_key(|name| !name.starts_with("the table"));
    names.dedup();
    Ok(names)
}

/// Objects that have the name of a table of this program but are not a table, or whose rows are computed.
pub fn impostors(db: &Connection) -> Result<Vec<String>, Error> {
    // The schema may be damaged: a cell may be of any type.
    let mut statement = db.prepare(
        "SELECT CAST(name AS TEXT) FROM sqlite_schema
         WHERE name IS NOT NULL AND (type IS NOT 'table' OR sql LIKE 'CREATE VIRTUAL%')",
    )?;
    let names = statement.query_map([], |row| row.get::<_, String>(0))?;
    let ours = expected(VERSION)?;
    let is_table = |name: &str| ours.iter().any(|(kind, known, _)| kind == "table" && known == name);
    let odd = names.filter_map(Result::ok).filter(|name| is_table(name));
    Ok(odd.map(|name| format!("the table {name} is not as the program made it")).collect())
}

fn not_as_made((kind, name, _): &Object) -> String {
    format!("the {kind} {name} is not as the program made it")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_library_whose_checkpoints_can_race_is_refused() {
        assert!(refuse_old_library(rusqlite::version_number()).is_ok());
        let refused = refuse_old_library(3_051_002).unwrap_err().to_string();
        assert!(refused.contains("3.51.2") && refused.contains("3.51.3"), "{refused}");
    }
}
