//! A ledger open for writing, and what every writer does before and after its commits.
//!
//! `append` appends batches, `import` stores downloads, and `settle` settles the journal: each is a part of
//! [`Ledger`] in a file of its own. What this is not: it reads no clock (stamps are passed in).

use super::acts;
use super::aside::Limits;
use super::state::State;
use crate::ledger::db::error::Error;
use crate::ledger::db::place::{self, Place};
use crate::ledger::db::query;
use crate::ledger::db::radio::{RadioId, radio};
use crate::ledger::db::tx::snapshot;
use crate::ledger::db::{schema, wal};
use crate::ledger::digest::table;
use crate::ledger::write::batch::Receipt;
use crate::record::acts::{ActKind, Actor};
use crate::record::coverage::Coverage;
use crate::time::Stamp;
use rusqlite::{Connection, TransactionBehavior};
use std::path::{Path, PathBuf};

/// A ledger open for writing.
#[derive(Debug)]
pub struct Ledger {
    pub(in crate::ledger) db: Connection,
    pub(in crate::ledger) path: PathBuf,
    /// Its files as they were when it was opened; `None` if it has none, or `stat` failed on them.
    pub(in crate::ledger) place: Option<Place>,
    /// What the last commit of a batch did, if the files were not in their place afterwards.
    pub(in crate::ledger) unreached: Option<Receipt>,
    pub(in crate::ledger) state: State,
    pub(in crate::ledger) limits: Limits,
    /// Who runs the program, if that is to be stored.
    pub(in crate::ledger) actor: Option<Actor>,
}

impl Ledger {
    /// Opens a ledger for writing; creates a missing one, and migrates an older one.
    pub fn open(path: &Path) -> Result<Self, Error> {
        let db = crate::ledger::digest::open::open_for_writing(path)?;
        let state = snapshot(&db, State::load)?;
        let place = Place::of(path, &db);
        Ok(Self {
            db,
            path: path.to_owned(),
            place,
            unreached: None,
            state,
            limits: Limits::default(),
            actor: None,
        })
    }

    /// A ledger in memory that is discarded: a placeholder while the ledger on the disk is exchanged.
    pub(crate) fn nowhere() -> Result<Self, Error> {
        let db = schema::in_memory()?;
        let state = snapshot(&db, State::load)?;
        Ok(Self {
            db,
            path: PathBuf::new(),
            place: None,
            unreached: None,
            state,
            limits: Limits::default(),
            actor: None,
        })
    }

    /// Sets other limits for what is set aside.
    pub fn with_limits(mut self, limits: Limits) -> Self {
        self.limits = limits;
        self
    }

    /// After [`Error::Vanished`] of a batch: what its commit did. It may be called committed once the files
    /// that were written to are found again.
    pub fn take_unreached(&mut self) -> Option<Receipt> {
        self.unreached.take()
    }

    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Coverage as this process last saw it. It is exact while no other process writes, and is checked again
    /// under the lock before anything is judged.
    pub fn coverage(&self) -> &Coverage {
        &self.state.coverage
    }

    /// Journal rows that are not settled yet.
    pub fn unsettled_rows(&self) -> u64 {
        self.state.unsettled()
    }

    /// The numbers of these radios in the ledger, in the order of `names`.
    pub fn radios(&mut self, names: &[&str]) -> Result<Vec<RadioId>, Error> {
        // Read first: only a new name needs the write lock, which another process may hold for a long time.
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
            table::change(&transaction, "radio", "name = ?", [name], |db| {
                Ok(db.execute("INSERT INTO radio (name) VALUES (?) ON CONFLICT DO NOTHING", [name])?)
            })?;
            ids.extend(radio(&transaction, name)?);
        }
        transaction.commit()?;
        Ok(ids)
    }

    /// Records that a text is in force, unless it is already the newest one recorded for that file. `file` says
    /// which of the configuration's files it is; never the keyring. `true` if it was recorded.
    pub fn note_configuration(&mut self, file: &str, content: &str, at: Stamp) -> Result<bool, Error> {
        use sha2::{Digest, Sha256};
        let digest = crate::text::hex(&Sha256::digest(content.as_bytes()));
        // Read first: only a change needs the write lock, which another process may hold for a long time.
        let newest = "SELECT digest FROM configuration_version WHERE file = ? ORDER BY id DESC LIMIT 1";
        let last: Option<String> = query::first_value(&self.db, newest, [file])?;
        if last.as_ref() == Some(&digest) {
            return Ok(false);
        }
        let transaction = rusqlite::Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        let newest: i64 =
            query::value(&transaction, "SELECT coalesce(max(id), 0) FROM configuration_version", [])?;
        let noted = table::change(&transaction, "configuration_version", "id > ?", [newest], |db| {
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

    /// Moves what the -wal holds into the ledger, except for what a reader still needs. Waits for no other
    /// process. Returns the pages left in the -wal.
    pub fn checkpoint(&mut self) -> Result<u64, Error> {
        // Busy, pages in the -wal, pages moved.
        let (_, log, done): (i64, i64, i64) = query::one(&self.db, "PRAGMA wal_checkpoint(PASSIVE)", [])?;
        if let Some(place) = &mut self.place {
            place.grown();
        }
        Ok(u64::try_from(log - done).unwrap_or(0))
    }

    pub fn wal(&self) -> wal::Wal {
        wal::Wal::of(&self.path, &self.db, schema::CHECKPOINT_PAGES)
    }

    /// Runs after each commit, before anything is called committed: checks that the files at the ledger's paths
    /// are the ones that were written to. Costs two cheap calls to the kernel and one for the -shm.
    pub(in crate::ledger) fn is_reachable(&mut self) -> Result<(), Error> {
        let Some(place) = &mut self.place else { return Ok(()) };
        let frames = place::frames_in_wal(&self.db).unwrap_or(0);
        match place.differs(&self.db, frames) {
            None => Ok(()),
            Some(what) => Err(Error::Vanished { path: self.path.clone(), what }),
        }
    }

    /// Does the same, and moves what the -wal holds into the ledger if it has become long, without waiting for
    /// a reader. Only a failed sync of that move is an error. On any other failure the commit remains valid,
    /// the -wal stays as it is, and the next commit tries again.
    pub(in crate::ledger) fn after_commit(&mut self) -> Result<(), Error> {
        self.is_reachable()?;
        let pages = place::frames_in_wal(&self.db);
        if pages.is_ok_and(|pages| pages >= u64::from(schema::CHECKPOINT_PAGES))
            && let Err(error @ Error::Sync(_)) = self.checkpoint()
        {
            return Err(error);
        }
        Ok(())
    }

    /// Empties the -wal if no other process blocks it; otherwise gives up at once.
    pub fn truncate_wal(&mut self) -> Result<bool, Error> {
        self.db.busy_timeout(std::time::Duration::ZERO)?;
        let busy = query::one(&self.db, "PRAGMA wal_checkpoint(TRUNCATE)", []);
        self.db.busy_timeout(schema::BUSY_TIMEOUT)?;
        let (busy, _, _): (i64, i64, i64) = busy?;
        Ok(busy == 0)
    }
}
