//! Makes a consistent copy of the ledger while the daemon continues to commit.
//!
//! This uses SQLite's backup in one step: a copy in small steps starts again whenever the daemon commits, and
//! never ends. The copy is written under another name, synced, verified, and only then renamed. Its digest is
//! stored in the ledger, and retention depends on it.

use crate::files;
use crate::ledger::care::verify;
use crate::ledger::db::error::Error;
use crate::ledger::db::meta::meta;
use crate::ledger::db::query;
use crate::ledger::db::schema::{open_for_reading, set_journal_mode};
use crate::ledger::digest::table;
use crate::ledger::read::snapshot::Reader;
use crate::ledger::write::open::Ledger;
use crate::time::{GatewayTime, Stamp};
use rusqlite::{Connection, OpenFlags, TransactionBehavior, params};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// The pause between two tries if another process holds the ledger.
const BUSY_PAUSE: Duration = Duration::from_millis(20);

/// A copy that was made.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct BackupMade {
    #[serde(serialize_with = "crate::text::as_path")]
    pub file: PathBuf,
    pub size_bytes: u64,
    /// Of the file, in hex.
    pub sha256: String,
    /// The result of its check; no differences.
    pub verified: verify::Verified,
}

/// Why no copy was made.
#[derive(Debug, thiserror::Error)]
pub enum BackupError {
    /// The target exists already.
    #[error("backup {}: there is a file already; it is not changed: name another one", .0.display())]
    Exists(PathBuf),
    /// The ledger or the copy could not be used.
    #[error(transparent)]
    Ledger(#[from] Error),
    /// The name under which the copy is made until it is complete.
    #[error("backup {}: {}; no backup was made", .0.display(), files::PartFile::refused(.1))]
    Part(PathBuf, std::io::Error),
    /// The target's folder or disk.
    #[error("backup {}: {}", .0.display(), .1)]
    File(PathBuf, std::io::Error),
    /// The copy is not sound, and was removed again.
    #[error(
        "no backup was made: the copy is not sound ({}); `stonechat verify` says whether the ledger is",
        .0.first().map_or("", String::as_str)
    )]
    NotSound(Vec<String>),
}

impl From<rusqlite::Error> for BackupError {
    fn from(error: rusqlite::Error) -> Self {
        Self::Ledger(error.into())
    }
}

/// Makes a verified copy of the ledger at `ledger` under the new name `target`.
pub fn make(
    ledger: &Path,
    target: &Path,
    now: Stamp,
    mut progress: impl FnMut(&str),
) -> Result<BackupMade, BackupError> {
    if target.symlink_metadata().is_ok() {
        return Err(BackupError::Exists(target.to_owned()));
    }
    let part = files::PartFile::take(&files::with_tail(target, ".part"))
        .map_err(|error| BackupError::Part(files::with_tail(target, ".part"), error))?;
    let partial = part.path();
    let done = copy(ledger, partial, &mut progress).and_then(|(settled_through, verified)| {
        let at = |error| BackupError::File(target.to_owned(), error);
        let (sha256, size_bytes) = digest(partial).map_err(at)?;
        files::take_name(partial, target, false).map_err(at)?;
        files::sync_folder(target).map_err(at)?;
        Ok((settled_through, BackupMade { file: target.to_owned(), size_bytes, sha256, verified }))
    });
    drop(part);
    let (settled_through, made) = done?;
    let mut ledger = Ledger::open(ledger)?;
    ledger.note_backup(&made, settled_through, now)?;
    Ok(made)
}

/// Copies and verifies; returns the journal row up to which the copy is settled.
fn copy(
    ledger: &Path,
    partial: &Path,
    progress: &mut impl FnMut(&str),
) -> Result<(i64, verify::Verified), BackupError> {
    progress("copying");
    let source = open_for_reading(ledger)?;
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE;
    let mut copy = Connection::open_with_flags(partial, flags)?;
    whole(&source, &mut copy, crate::ledger::db::schema::BUSY_TIMEOUT)?;
    drop(source);
    // One file, complete by itself: no -wal is left next to it, and none is made when it is opened for reading.
    set_journal_mode(&copy, "DELETE")?;
    drop(copy);
    let verified = verify::verify(partial, |step| progress(step))?;
    if !verified.differences.is_empty() {
        return Err(BackupError::NotSound(verified.differences));
    }
    let copy = open_for_reading(partial)?;
    let settled_through = meta(&copy, "settled_through")?;
    drop(copy);
    files::sync(partial).map_err(|e| BackupError::File(partial.to_owned(), e))?;
    Ok((settled_through, verified))
}

/// Copies a ledger of any schema, all of it or not at all. Waits `patience` for a lock that another process
/// holds.
///
/// Errors: `Busy` if the lock was not free in time; the copy is then empty or missing. `Unexpected` if the copy
/// does not reach as far as the ledger did before.
pub(in crate::ledger) fn whole(
    source: &Connection,
    copy: &mut Connection,
    patience: Duration,
) -> Result<(), Error> {
    use rusqlite::{backup::StepResult, ffi};
    let before = reach(source)?;
    {
        let backup = rusqlite::backup::Backup::new(source, copy)?;
        let until = Instant::now() + patience;
        // A busy ledger is not an error of this call: the result shows it, and nothing is copied.
        while backup.step(-1)? != StepResult::Done {
            if Instant::now() >= until {
                let busy = ffi::Error::new(ffi::SQLITE_BUSY);
                return Err(rusqlite::Error::SqliteFailure(busy, None).into());
            }
            std::thread::sleep(BUSY_PAUSE);
        }
    }
    let copied = reach(copy)?;
    if copied.0 < before.0 || copied.1 < before.1 {
        return Err(Error::Unexpected(format!(
            "a copy has {} records up to journal row {}, and the ledger had {} up to {}",
            copied.1, copied.0, before.1, before.0
        )));
    }
    Ok(())
}

/// The last journal row that was ever written, and how many authentic records are settled: neither number ever
/// decreases.
fn reach(db: &Connection) -> Result<(i64, i64), Error> {
    let last = meta(db, "settled_through")?;
    let last_row: i64 = query::value(db, "SELECT coalesce(max(row), 0) FROM journal", [])?;
    let records = "SELECT coalesce(sum(last - first + 1), 0) FROM held_range WHERE basis = 0";
    let records = query::value(db, records, [])?;
    Ok((last.max(last_row), records))
}

/// When the backup with this digest of a ledger was made.
pub fn made_at(reader: &Reader, sha256: &str) -> Result<Option<GatewayTime>, Error> {
    let sql = "SELECT made_at FROM backup_made WHERE sha256 = ? ORDER BY id DESC LIMIT 1";
    query::first_value(reader.connection(), sql, [sha256])
}

/// A backup of the ledger that was seen whole.
#[derive(Debug)]
pub struct SeenBackup {
    pub made_at: GatewayTime,
    /// Why it could not be recorded that the backup was seen, if that failed.
    pub not_noted: Option<Error>,
}

/// Records in the ledger that a backup of it was seen whole; retention depends on this. `None`: the file is not
/// a backup that this ledger knows. All connections to the file must be closed.
pub fn see(ledger: &Path, file: &Path, now: Stamp) -> Option<SeenBackup> {
    if files::place(file) == files::place(ledger) {
        return None;
    }
    let (sha256, _) = digest(file).ok()?;
    let made_at = Reader::open(ledger).and_then(|reader| made_at(&reader, &sha256)).ok()??;
    let file = std::path::absolute(file).unwrap_or_else(|_| file.to_owned());
    let noted = Ledger::open(ledger).and_then(|mut ledger| ledger.note_backup_seen(&file, &sha256, now));
    Some(SeenBackup { made_at, not_noted: noted.err() })
}

/// SHA-256 and size of a copy that no connection of this process has open.
pub fn digest(path: &Path) -> std::io::Result<(String, u64)> {
    files::digest(&mut files::open(path)?)
}

impl Ledger {
    /// Records that a file was seen whole which is a backup of this ledger, by its digest. `false`: it is not
    /// one.
    pub fn note_backup_seen(&mut self, file: &Path, sha256: &str, now: Stamp) -> Result<bool, Error> {
        let transaction = rusqlite::Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        let seen = table::change(&transaction, "backup_made", "sha256 = ?", [sha256], |db| {
            Ok(db.execute(
                "UPDATE backup_made SET seen_at = max(?, coalesce(seen_at, made_at)), seen_as = ? WHERE sha256 = ?",
                params![now.unix_s, file.display().to_string(), sha256],
            )?)
        })?;
        transaction.commit()?;
        Ok(seen > 0)
    }

    fn note_backup(&mut self, made: &BackupMade, settled_through: i64, now: Stamp) -> Result<(), Error> {
        let transaction = rusqlite::Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        let copy = Copy {
            file: &made.file,
            size_bytes: made.size_bytes,
            sha256: &made.sha256,
            made_at: now.time(),
            seen_at: None,
        };
        note(&transaction, &copy, settled_through)?;
        Ok(transaction.commit()?)
    }
}

/// A complete copy of a ledger, in the form that the ledger records.
pub(in crate::ledger) struct Copy<'a> {
    pub file: &'a Path,
    pub size_bytes: u64,
    pub sha256: &'a str,
    pub made_at: GatewayTime,
    /// When it was last seen whole after it was made.
    pub seen_at: Option<GatewayTime>,
}

/// Records a copy that is settled up to a journal row. Call it within a transaction that writes.
pub(in crate::ledger) fn note(db: &Connection, copy: &Copy<'_>, settled_through: i64) -> Result<(), Error> {
    let id: i64 = query::value(db, "SELECT coalesce(max(id), 0) + 1 FROM backup_made", [])?;
    table::change(db, "backup_made", "id = ?", [id], |db| {
        db.execute(
            "INSERT INTO backup_made (id, file, size_bytes, sha256, made_at, settled_through, seen_at)
             VALUES (?, ?, ?, ?, ?, ?, ?)",
            params![
                id,
                copy.file.display().to_string(),
                i64::try_from(copy.size_bytes).unwrap_or(i64::MAX),
                copy.sha256,
                copy.made_at,
                settled_through,
                copy.seen_at
            ],
        )?;
        Ok(())
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_copy_of_a_ledger_that_another_process_holds_is_not_a_copy() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("ledger.db");
        drop(Ledger::open(&path).unwrap());
        let source = Connection::open(&path).unwrap();
        set_journal_mode(&source, "DELETE").unwrap();
        source.busy_timeout(Duration::ZERO).unwrap();
        let other = Connection::open(&path).unwrap();
        other.execute_batch("BEGIN EXCLUSIVE").unwrap();
        let mut copy = Connection::open(dir.path().join("copy.db")).unwrap();
        let refused = whole(&source, &mut copy, Duration::from_millis(20));
        assert!(matches!(refused, Err(Error::Busy(_))), "{refused:?}");
        other.execute_batch("ROLLBACK").unwrap();
        whole(&source, &mut copy, Duration::from_millis(20)).unwrap();
        assert!(crate::ledger::db::schema::differences(&copy).unwrap().is_empty());
    }
}
