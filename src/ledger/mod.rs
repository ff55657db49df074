//! The ledger: the SQLite file, and the only SQL of the program.
//!
//! Input: batches of opened records, frames that stay shut, and counts, from the daemon and from imports.
//! Output: durable commits, coverage for `judge`, and facts for the reports ([`query`]).
//!
//! ```text
//! batch ── judge, under the write lock ── journal (appended) ── once a day ── settled (clustered)
//!                     ▲                                                      + ranges
//!                 coverage = ranges + what the journal holds beyond them
//! ```
//!
//! Promises: records are only ever added; a batch is in whole or not at all; what is told committed has been
//! synced; several processes may write, each judging again under SQLite's lock.
//!
//! What this is not: it reads no clock (stamps are passed in) and knows no keys. `docs/ledger.md` has the
//! reasons for the layout.

mod ahead;
mod append;
mod aside;
pub mod backup;
mod care;
mod chunk;
pub mod compare;
pub mod damage;
mod db;
mod error;
pub mod extract;
mod guard;
pub mod held;
pub mod import;
pub mod known;
pub mod made;
pub mod people;
pub mod proven;
pub mod query;
pub mod read;
pub mod restore;
pub mod retire;
mod rows;
pub mod salvage;
mod schema;
mod settle;
mod state;
mod unread;
pub mod verify;
mod write;

pub use crate::time::Stamp;
pub use append::{
    Arrival, Batch, BatchItem, Content, ItemOutcome, Receipt, Reception, Shut, Window, row_content,
};
pub use aside::{Limits as AsideLimits, Retried, Retry};
pub use care::{rescue, site};
pub use db::actor;
pub use db::lock::DaemonLock;
pub use db::lock_holder::{Holder, lock_holder, readers};
pub use db::wal;
pub use error::Error;
pub use rows::{steps_from_json, steps_json};
pub use schema::VERSION as SCHEMA_VERSION;
pub use settle::Settled;

use crate::record::acts::{ActKind, Actor};
use crate::record::coverage::Coverage;
use db::place::{self, Place};
use rusqlite::{Connection, OptionalExtension, TransactionBehavior};
use state::State;
use std::path::{Path, PathBuf};
use write::acts;

/// A radio's number in the ledger.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct RadioId(pub u8);

/// A ledger open for writing.
#[derive(Debug)]
pub struct Ledger {
    db: Connection,
    path: PathBuf,
    /// Its files as they were when it was opened; `None`: it has none, or they could not be asked for.
    place: Option<Place>,
    /// What the last commit of a batch did, where the files were not at their place afterwards.
    unreached: Option<Receipt>,
    state: State,
    limits: AsideLimits,
    /// Who runs the program, where that is to be kept.
    actor: Option<Actor>,
}

/// How soon a notice that was cleared comes back as the same one.
const NOTICE_AGAIN_S: i64 = 3600;

/// Notices that are kept. Beyond it the oldest cleared ones go; one that is up stays.
pub const NOTICES_MAX: i64 = 2000;

impl Ledger {
    /// Opens a ledger for writing; makes it where there is none, and brings an older one up to date.
    pub fn open(path: &Path) -> Result<Self, Error> {
        let db = schema::open_for_writing(path)?;
        let state = snapshot(&db, State::load)?;
        let place = Place::of(path, &db);
        Ok(Self {
            db,
            path: path.to_owned(),
            place,
            unreached: None,
            state,
            limits: AsideLimits::default(),
            actor: None,
        })
    }

    /// A ledger in memory that nobody keeps: stands in while the one on the disk is exchanged.
    pub(crate) fn nowhere() -> Result<Self, Error> {
        let db = schema::in_memory()?;
        let state = snapshot(&db, State::load)?;
        Ok(Self {
            db,
            path: PathBuf::new(),
            place: None,
            unreached: None,
            state,
            limits: AsideLimits::default(),
            actor: None,
        })
    }

    /// With other limits for what is set aside.
    pub fn with_limits(mut self, limits: AsideLimits) -> Self {
        self.limits = limits;
        self
    }

    /// After [`Error::Vanished`] of a batch: what its commit did. It may be called committed once the files that were
    /// written to are found again.
    pub fn take_unreached(&mut self) -> Option<Receipt> {
        self.unreached.take()
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Coverage as of this process's last look: exact while no other process writes, and looked at again
    /// under the lock before anything is judged.
    pub fn coverage(&self) -> &Coverage {
        &self.state.coverage
    }

    /// Journal rows that are not settled yet.
    pub fn unsettled_rows(&self) -> u64 {
        self.state.unsettled()
    }

    /// The numbers of these radios in the ledger, in their order.
    pub fn radios(&mut self, names: &[&str]) -> Result<Vec<RadioId>, Error> {
        // Read first: only a new name needs the write lock, which another process may hold for long.
        let mut known = Vec::new();
        for name in names {
            known.extend(radio(&self.db, name)?);
        }
        if known.len() == names.len() {
            return Ok(known);
        }
        let transaction = rusqlite::Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        let mut ids = Vec::new();
        for name in names {
            guard::change(&transaction, "radio", "name = ?", [name], |db| {
                Ok(db.execute("INSERT INTO radio (name) VALUES (?) ON CONFLICT DO NOTHING", [name])?)
            })?;
            ids.extend(radio(&transaction, name)?);
        }
        transaction.commit()?;
        Ok(ids)
    }

    /// Notes that a text is in force, unless it is the newest one noted of that file already. `file` says which
    /// of the configuration's files it is; never the keyring. `true` if it was noted.
    pub fn note_configuration(&mut self, file: &str, content: &str, at: Stamp) -> Result<bool, Error> {
        use sha2::{Digest, Sha256};
        let digest = crate::text::hex(&Sha256::digest(content.as_bytes()));
        // Read first: only news needs the write lock, which another process may hold for long.
        let last: Option<String> = self
            .db
            .query_row(
                "SELECT digest FROM configuration_version WHERE file = ? ORDER BY id DESC LIMIT 1",
                [file],
                |row| row.get(0),
            )
            .optional()?;
        if last.as_ref() == Some(&digest) {
            return Ok(false);
        }
        let transaction = rusqlite::Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        let newest: i64 =
            transaction
                .query_row("SELECT coalesce(max(id), 0) FROM configuration_version", [], |r| r.get(0))?;
        let noted = guard::change(&transaction, "configuration_version", "id > ?", [newest], |db| {
            Ok(db.execute(
                "INSERT INTO configuration_version (digest, file, content, in_force_from)
                 SELECT ?1, ?2, ?3, ?4 WHERE ?1 IS NOT
                     (SELECT digest FROM configuration_version WHERE file = ?2 ORDER BY id DESC LIMIT 1)",
                rusqlite::params![digest, file, content, at.unix_s],
            )?)
        })?;
        if noted > 0 && self.actor.is_some() {
            let act =
                acts::NewAct { file: Some(file), text: Some("in force from then on"), ..Default::default() };
            acts::note(&transaction, ActKind::Configuration, act, self.actor.as_ref(), at)?;
        }
        transaction.commit()?;
        Ok(noted > 0)
    }

    /// Moves what the -wal holds into the ledger as far as no reader needs it, without waiting for anybody.
    /// Returns the pages left in the -wal.
    pub fn checkpoint(&mut self) -> Result<u64, Error> {
        let (log, done): (i64, i64) =
            self.db.query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |row| Ok((row.get(1)?, row.get(2)?)))?;
        if let Some(place) = &mut self.place {
            place.grown();
        }
        Ok(u64::try_from(log - done).unwrap_or(0))
    }

    /// Its -wal as it is now.
    pub fn wal(&self) -> wal::Wal {
        wal::Wal::of(&self.path, &self.db, schema::CHECKPOINT_PAGES)
    }

    /// What follows each commit, before anything is called committed: are the files under the ledger's names the ones
    /// that were written to? Two cheap questions to the kernel and one for the -shm.
    fn is_reachable(&mut self) -> Result<(), Error> {
        let Some(place) = &mut self.place else { return Ok(()) };
        let frames = place::frames_in_wal(&self.db).unwrap_or(0);
        match place.differs(&self.db, frames) {
            None => Ok(()),
            Some(what) => Err(Error::Vanished { path: self.path.clone(), what }),
        }
    }

    /// The same, and moves what the -wal holds into the ledger where it has become long: never waiting for a reader.
    /// Only a failed sync is an error of that: of anything else the commit stands, the -wal stays as it is, and the
    /// next commit tries again.
    fn after_commit(&mut self) -> Result<(), Error> {
        self.is_reachable()?;
        let pages = place::frames_in_wal(&self.db);
        if pages.is_ok_and(|pages| pages >= u64::from(schema::CHECKPOINT_PAGES))
            && let Err(error @ Error::Sync(_)) = self.checkpoint()
        {
            return Err(error);
        }
        Ok(())
    }

    /// Empties the -wal if nobody is in its way; gives up at once otherwise.
    pub fn truncate_wal(&mut self) -> Result<bool, Error> {
        self.db.busy_timeout(std::time::Duration::ZERO)?;
        let busy = self.db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |row| row.get::<_, i64>(0));
        self.db.busy_timeout(schema::BUSY_TIMEOUT)?;
        Ok(busy? == 0)
    }

    /// Raises a notice unless the same one is up; `text` says what a person should do. One that was cleared within the
    /// last hour comes back, with the new text: trouble that comes and goes is one notice.
    pub fn raise_notice(&mut self, kind: &str, subject: &str, text: &str, at: Stamp) -> Result<(), Error> {
        if self.is_notice_up(kind, subject)? {
            return Ok(());
        }
        self.change_notice(kind, subject, |db| {
            let came_back = db
                .prepare_cached(
                    "UPDATE notice SET cleared_at = NULL, text = ?3, returned = returned + 1
                     WHERE kind = ?1 AND subject = ?2 AND cleared_at > ?4
                         AND id = (SELECT max(id) FROM notice WHERE kind = ?1 AND subject = ?2)",
                )?
                .execute(rusqlite::params![kind, subject, text, at.unix_s.saturating_sub(NOTICE_AGAIN_S)])?;
            if came_back > 0 {
                return Ok(came_back);
            }
            db.prepare_cached(
                "INSERT INTO notice (kind, subject, text, raised_at) SELECT ?1, ?2, ?3, ?4 WHERE NOT EXISTS
                     (SELECT 1 FROM notice WHERE kind = ?1 AND subject = ?2 AND cleared_at IS NULL)",
            )?
            .execute(rusqlite::params![kind, subject, text, at.unix_s])
        })
    }

    /// The subjects of the notices of a kind that are up.
    pub fn notices_up(&self, kind: &str) -> Result<Vec<String>, Error> {
        let mut statement =
            self.db.prepare("SELECT subject FROM notice WHERE kind = ? AND cleared_at IS NULL")?;
        let subjects = statement.query_map([kind], |row| row.get(0))?;
        Ok(subjects.collect::<Result<_, _>>()?)
    }

    /// Clears it.
    pub fn clear_notice(&mut self, kind: &str, subject: &str, at: Stamp) -> Result<(), Error> {
        if !self.is_notice_up(kind, subject)? {
            return Ok(());
        }
        self.change_notice(kind, subject, |db| {
            db.execute(
                "UPDATE notice SET cleared_at = ?3 WHERE kind = ?1 AND subject = ?2 AND cleared_at IS NULL",
                rusqlite::params![kind, subject, at.unix_s],
            )
        })
    }

    /// Read first: only news needs the write lock, which another process may hold for long.
    fn is_notice_up(&self, kind: &str, subject: &str) -> Result<bool, Error> {
        let sql =
            "SELECT EXISTS (SELECT 1 FROM notice WHERE kind = ? AND subject = ? AND cleared_at IS NULL)";
        Ok(self.db.prepare_cached(sql)?.query_row([kind, subject], |row| row.get(0))?)
    }

    fn change_notice(
        &mut self,
        kind: &str,
        subject: &str,
        write: impl FnOnce(&Connection) -> rusqlite::Result<usize>,
    ) -> Result<(), Error> {
        let transaction = rusqlite::Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        let key = (kind, subject);
        let changed =
            guard::change(&transaction, "notice", "kind = ? AND subject = ?", key, |db| Ok(write(db)?))?;
        if changed > 0 {
            drop_old_notices(&transaction)?;
        }
        Ok(transaction.commit()?)
    }
}

/// Takes out the oldest notices that are cleared, as far as there are more than [`NOTICES_MAX`], and counts them.
fn drop_old_notices(db: &Connection) -> Result<(), Error> {
    let held: i64 = db.prepare_cached("SELECT count(*) FROM notice")?.query_row([], |row| row.get(0))?;
    let over = held - NOTICES_MAX;
    if over <= 0 {
        return Ok(());
    }
    let old = {
        let mut statement =
            db.prepare_cached("SELECT id FROM notice WHERE cleared_at IS NOT NULL ORDER BY id LIMIT ?")?;
        statement.query_map([over], |row| row.get(0))?.collect::<Result<Vec<i64>, _>>()?
    };
    for id in &old {
        guard::change(db, "notice", "id = ?", [id], |db| {
            Ok(db.prepare_cached("DELETE FROM notice WHERE id = ?")?.execute([id])?)
        })?;
    }
    let dropped = state::meta(db, "notices_dropped")?.saturating_add(old.len() as i64);
    guard::set_meta(db, "notices_dropped", dropped)
}

/// A radio's number by its name.
fn radio(db: &Connection, name: &str) -> Result<Option<RadioId>, Error> {
    let id: Option<i64> =
        db.query_row("SELECT id FROM radio WHERE name = ?", [name], |row| row.get(0)).optional()?;
    id.map(|id| u8::try_from(id).map(RadioId).map_err(|_| Error::TooManyRadios)).transpose()
}

/// Runs `read` on one consistent state of the ledger, and lets go of it at once.
fn snapshot<T>(db: &Connection, read: impl FnOnce(&Connection) -> Result<T, Error>) -> Result<T, Error> {
    let transaction = rusqlite::Transaction::new_unchecked(db, TransactionBehavior::Deferred)?;
    let value = read(&transaction)?;
    transaction.finish()?;
    Ok(value)
}
