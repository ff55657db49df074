//! The ledger that a backup will replace: opened so that no other process can use it, and compared with the
//! backup.

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

/// The ledger that will be replaced.
pub(super) enum Present {
    Absent,
    /// It can be read; no other process can use it unless this is a dry run.
    Sound(Rc<Connection>),
    /// It cannot be read; no other process can use it, if SQLite can open it at all.
    Damaged(Option<Rc<Connection>>),
}

impl Present {
    /// Opens it: only for reading in a dry run, otherwise exclusively.
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

    /// The connection that locks it.
    pub fn connection(self) -> Option<Rc<Connection>> {
        match self {
            Self::Absent => None,
            Self::Sound(db) => Some(db),
            Self::Damaged(db) => db,
        }
    }

    /// Whether the backup is of its site; `None` if it cannot be read.
    pub fn site(&self, part: &Path, signs: &Signs) -> Result<Option<site::SitesCompared>, Error> {
        let Self::Sound(db) = self else { return Ok(None) };
        site::compare(db, &stranger::open_present(part)?, signs, false).map(Some)
    }

    /// Its number, and the numbers that it knows.
    pub fn ids(&self) -> BTreeSet<i64> {
        match self {
            Self::Sound(db) => site::signs(db).ids,
            _ => BTreeSet::new(),
        }
    }

    /// What only it has, compared with the backup, and how many records it has; `None` if it cannot be read.
    pub fn more(&self, part: &Path) -> Result<Option<(u64, MoreThanBackup)>, Error> {
        match self {
            Self::Sound(db) => more::more(db, part).map(Some),
            _ => Ok(None),
        }
    }
}

/// Makes a ledger one file. No other process can use the ledger at this time.
pub(super) fn one_file(db: &Connection, ledger: &Path) -> Result<(), RestoreError> {
    let attempt = || -> Result<String, Error> {
        // The lock stays; the mode just cannot be changed within a transaction.
        db.execute_batch("COMMIT")?;
        Ok(schema::set_journal_mode(db, "DELETE")?)
    };
    match attempt() {
        Ok(mode) if mode == "delete" => {
            // The journal of that change: while the lock is held, SQLite empties it instead of removing it. And
            // the index of the removed -wal.
            for end in ["-journal", "-shm"] {
                files::remove_own(&with_tail(ledger, end));
            }
            Ok(())
        }
        Ok(_) | Err(Error::Busy(_)) => Err(RestoreError::InUse),
        Err(error) => Err(RestoreError::Ledger(error)),
    }
}
