//! A consistent copy of the ledger while the daemon goes on committing.
//!
//! SQLite's backup in one step: a copy in small steps begins again whenever the daemon commits, and never ends.
//! The copy is written under another name, synced, verified, and only then renamed; its digest is kept in the
//! ledger, and it is what retention rests on.

use super::schema::{open_for_reading, set_journal_mode};
use super::{Error, Ledger, Stamp, guard, verify};
use crate::files;
use crate::ledger::state::meta;
use rusqlite::{Connection, OpenFlags, TransactionBehavior, params};
use std::fs::File;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

/// A copy that was made.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Made {
    /// Where it is.
    pub file: PathBuf,
    /// Its size.
    pub size_bytes: u64,
    /// Of the file, in hex.
    pub sha256: String,
    /// What its check found; no differences.
    pub verified: verify::Verified,
}

/// Why no copy was made.
#[derive(Debug)]
pub enum BackupError {
    /// The target exists already.
    Exists(PathBuf),
    /// The ledger, or the copy, could not serve.
    Ledger(Error),
    /// The target's folder or disk.
    File(PathBuf, std::io::Error),
    /// The copy is not sound, and was taken away again.
    NotSound(Vec<String>),
}

impl std::fmt::Display for BackupError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Exists(path) => write!(
                f,
                "backup {}: there is a file already; it is left as it is: name another one",
                path.display()
            ),
            Self::Ledger(error) => error.fmt(f),
            Self::File(path, error) => write!(f, "backup {}: {error}", path.display()),
            Self::NotSound(differences) => write!(
                f,
                "no backup was made: the copy is not sound ({}); `stonechat verify` says whether the ledger is",
                differences.first().map_or("", String::as_str)
            ),
        }
    }
}

impl std::error::Error for BackupError {}

impl From<Error> for BackupError {
    fn from(error: Error) -> Self {
        Self::Ledger(error)
    }
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
) -> Result<Made, BackupError> {
    if target.symlink_metadata().is_ok() {
        return Err(BackupError::Exists(target.to_owned()));
    }
    let mut beside = target.as_os_str().to_owned();
    beside.push(".part");
    let beside = PathBuf::from(beside);
    // Made by us or not at all: somebody else's file under this name is nobody's to remove.
    let part = std::fs::OpenOptions::new().write(true).create_new(true).mode(0o640).open(&beside);
    match part {
        Ok(_) => {}
        Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {
            return Err(BackupError::Exists(beside));
        }
        Err(error) => return Err(BackupError::File(beside, error)),
    }
    let done = copy(ledger, &beside, &mut progress).and_then(|(settled_through, verified)| {
        let at = |error| BackupError::File(target.to_owned(), error);
        let (sha256, size_bytes) = digest(&beside).map_err(at)?;
        files::take_name(&beside, target, false).map_err(at)?;
        files::sync_folder(target).map_err(at)?;
        Ok((settled_through, Made { file: target.to_owned(), size_bytes, sha256, verified }))
    });
    for name in ["", "-wal", "-shm", "-journal"] {
        let mut path = beside.as_os_str().to_owned();
        path.push(name);
        // Part of a copy that is made, or of one that failed: nobody's only copy.
        let _ = std::fs::remove_file(path);
    }
    let (settled_through, made) = done?;
    let mut ledger = Ledger::open(ledger)?;
    ledger.note_backup(&made, settled_through, now)?;
    Ok(made)
}

/// Copies and verifies; gives the journal row up to which the copy is settled.
fn copy(
    ledger: &Path,
    beside: &Path,
    progress: &mut impl FnMut(&str),
) -> Result<(i64, verify::Verified), BackupError> {
    progress("copying");
    let source = open_for_reading(ledger)?;
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE;
    let mut copy = Connection::open_with_flags(beside, flags)?;
    rusqlite::backup::Backup::new(&source, &mut copy)?.step(-1)?;
    drop(source);
    // One file, whole by itself: no -wal is left beside it, and none is made by whoever opens it to read.
    set_journal_mode(&copy, "DELETE")?;
    drop(copy);
    let verified = verify::verify(beside, |step| progress(step))?;
    if !verified.differences.is_empty() {
        return Err(BackupError::NotSound(verified.differences));
    }
    let copy = open_for_reading(beside)?;
    let settled_through = meta(&copy, "settled_through")?;
    drop(copy);
    File::open(beside)
        .and_then(|file| file.sync_all())
        .map_err(|e| BackupError::File(beside.to_owned(), e))?;
    Ok((settled_through, verified))
}

pub(super) fn digest(path: &Path) -> std::io::Result<(String, u64)> {
    files::digest(&mut File::open(path)?)
}

impl Ledger {
    fn note_backup(&mut self, made: &Made, settled_through: i64, now: Stamp) -> Result<(), Error> {
        let transaction = rusqlite::Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        let id: i64 =
            transaction
                .query_row("SELECT coalesce(max(id), 0) + 1 FROM backup_made", [], |row| row.get(0))?;
        guard::change(&transaction, "backup_made", "id = ?", [id], |db| {
            Ok(db.execute(
                "INSERT INTO backup_made VALUES (?, ?, ?, ?, ?, ?)",
                params![
                    id,
                    made.file.display().to_string(),
                    made.size_bytes as i64,
                    made.sha256,
                    now.unix_s,
                    settled_through
                ],
            )?)
        })?;
        Ok(transaction.commit()?)
    }
}
