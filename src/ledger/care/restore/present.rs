//! The ledger that a backup is to replace: opened so that no other process can use it, and compared with the backup.

use super::more::{self, MoreThanBackup};
use super::outcome::{RestoreError, RestoreOptions};
use crate::files::{self, with_tail};
use crate::ledger::care::{site, stranger};
use crate::ledger::db::error::Error;
use crate::ledger::db::schema;
use crate::record::site::Signs;
use rusqlite::Connection;
use std::collections::BTreeSet;
use std::path::Path;
use std::rc::Rc;

/// The ledger that is to be replaced.
pub(super) enum Present {
    Absent,
    /// It can be read; no other process can use it unless this is a dry run.
    Sound(Rc<Connection>),
    /// It cannot be read; as far as SQLite can open it, no other process can use it.
    Damaged(Option<Rc<Connection>>),
}

impl Present {
    /// Opens it: to be read only in a dry run, else alone.
    pub fn open(ledger: &Path, how: RestoreOptions<'_>) -> Result<Self, RestoreError> {
        let opened = if how.dry_run {
            schema::open_for_reading(ledger).and_then(|db| Ok(db.execute_batch("BEGIN").map(|()| db)?))
        } else {
            schema::open_alone(ledger)
        };
        match opened {
            Ok(db) => Ok(Self::Sound(Rc::new(db))),
            Err(Error::Busy(_)) => Err(RestoreError::InUse),
            Err(error) if !error.is_damage() && !matches!(error, Error::NotALedger { .. }) => {
                Err(RestoreError::Ledger(error))
            }
            Err(_) if how.over_damaged => Ok(Self::Damaged(None)),
            Err(error) => Err(RestoreError::Unreadable(error)),
        }
    }

    /// The connection by which it is locked.
    pub fn connection(self) -> Option<Rc<Connection>> {
        match self {
            Self::Absent => None,
            Self::Sound(db) => Some(db),
            Self::Damaged(db) => db,
        }
    }

    /// Whether the backup is of its site; `None`: it cannot be read.
    pub fn site(&self, part: &Path, signs: &Signs) -> Result<Option<site::SitesCompared>, Error> {
        let Self::Sound(db) = self else { return Ok(None) };
        site::compare(db, &stranger::open_present(part)?, signs, false).map(Some)
    }

    /// Its number, and those that it knows.
    pub fn ids(&self) -> BTreeSet<i64> {
        match self {
            Self::Sound(db) => site::signs(db).ids,
            _ => BTreeSet::new(),
        }
    }

    /// What it has more than the backup, and how many records it has; `None`: it cannot be read.
    pub fn more(&self, part: &Path) -> Result<Option<(u64, MoreThanBackup)>, Error> {
        match self {
            Self::Sound(db) => more::more(db, part).map(Some),
            _ => Ok(None),
        }
    }
}

/// Makes a ledger that no other process can use one file.
pub(super) fn one_file(db: &Connection, ledger: &Path) -> Result<(), RestoreError> {
    let attempt = || -> Result<String, Error> {
        // The lock stays; only the mode cannot be changed within a transaction.
        db.execute_batch("COMMIT")?;
        Ok(schema::set_journal_mode(db, "DELETE")?)
    };
    match attempt() {
        Ok(mode) if mode == "delete" => {
            // Of that very change; while the lock is kept, SQLite empties it instead of taking it away. And the index
            // of the -wal that is no more.
            for end in ["-journal", "-shm"] {
                files::remove_own(&with_tail(ledger, end));
            }
            Ok(())
        }
        Ok(_) | Err(Error::Busy(_)) => Err(RestoreError::InUse),
        Err(error) => Err(RestoreError::Ledger(error)),
    }
}
