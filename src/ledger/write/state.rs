//! What a writing process knows about the ledger between its transactions: coverage, the location of rows that
//! no index finds, and how far it has read.
//!
//! All of it can be computed at any moment from one read transaction: stored ranges, plus the journal rows that
//! came after them. Under the write lock it is updated whenever another process has committed.

use crate::ledger::db::error::Error;
use crate::ledger::db::meta::{data_version, meta};
use crate::ledger::db::ranges::{load_named, load_ranges};
use crate::ledger::read::coverage::{InJournal, walk_journal};
use crate::ledger::read::held::{HeldRows, RecentRow, Resolutions};
use crate::ledger::write::aside::AsideState;
use crate::record::coverage::Coverage;
use crate::wire::seq::Identity;
use rusqlite::Connection;
use std::collections::HashMap;

/// See the documentation of the module.
#[derive(Debug)]
pub(in crate::ledger) struct State {
    pub coverage: Coverage,
    /// Unsettled authentic records: identity to journal row.
    pub recent: HashMap<Identity, i64>,
    /// Unsettled CSV rows, by rank.
    pub recent_rows: HashMap<Identity, Vec<RecentRow>>,
    pub aside: AsideState,
    /// How far files rounded, by the number in their table; looked up once.
    resolutions: Resolutions,
    /// The last journal row that this state includes.
    pub seen_row: i64,
    /// The journal row up to which all is settled.
    pub settled_through: i64,
    /// Changes whenever coverage shrinks (a withdrawn import).
    pub generation: i64,
    data_version: i64,
    /// Cleared when a transaction failed after changing this state.
    pub valid: bool,
}

impl State {
    /// Reads the whole state. Call it inside a transaction.
    pub fn load(db: &Connection) -> Result<Self, Error> {
        let mut state = Self {
            coverage: load_ranges(db)?,
            recent: HashMap::new(),
            recent_rows: HashMap::new(),
            aside: AsideState::load(db)?,
            resolutions: Resolutions::default(),
            seen_row: 0,
            settled_through: meta(db, "settled_through")?,
            generation: meta(db, "coverage_generation")?,
            data_version: data_version(db)?,
            valid: true,
        };
        state.seen_row = state.settled_through;
        state.read_journal(db)?;
        Ok(state)
    }

    /// Updates the state. Call it under the write lock, before judging.
    pub fn refresh(&mut self, db: &Connection) -> Result<(), Error> {
        let version = data_version(db)?;
        if self.valid && version == self.data_version {
            return Ok(());
        }
        let settled_through = meta(db, "settled_through")?;
        let whole = !self.valid
            || meta(db, "coverage_generation")? != self.generation
            || settled_through > self.seen_row;
        if whole {
            *self = Self::load(db)?;
            return Ok(());
        }
        if settled_through != self.settled_through {
            self.forget_settled(settled_through);
        }
        self.aside.refresh(db)?;
        load_named(db, &mut self.coverage)?;
        self.read_journal(db)?;
        self.data_version = version;
        Ok(())
    }

    /// How many journal rows are not settled yet.
    pub fn unsettled(&self) -> u64 {
        u64::try_from(self.seen_row - self.settled_through).unwrap_or(0)
    }

    /// Removes rows up to `through`, which are settled: the clustered key finds them from now on.
    pub fn forget_settled(&mut self, through: i64) {
        self.recent.retain(|_, row| *row > through);
        self.recent_rows.retain(|_, rows| {
            rows.retain(|recent| recent.row > through);
            !rows.is_empty()
        });
        if through == self.seen_row {
            self.recent.shrink_to(4096);
        }
        self.settled_through = through;
    }

    fn read_journal(&mut self, db: &Connection) -> Result<(), Error> {
        let last = walk_journal(db, self.seen_row, |record| self.take_in(record))?;
        self.seen_row = self.seen_row.max(last);
        Ok(())
    }

    /// Adds a record that has been appended to the journal.
    pub fn take_in(&mut self, record: InJournal) {
        record.cover(&mut self.coverage);
        let InJournal { row, identity, rank, covers } = record;
        if rank == 0 {
            self.recent.insert(identity, row);
        } else {
            self.recent_rows.entry(identity).or_default().push(RecentRow { row, rank, covers });
        }
        self.seen_row = self.seen_row.max(row);
    }

    /// The view of held records that `judge` queries, and the coverage that it uses.
    pub fn split<'a>(&'a self, db: &'a Connection) -> (&'a Coverage, HeldRows<'a>) {
        let resolutions = &self.resolutions;
        (&self.coverage, HeldRows::new(db, &self.recent, &self.recent_rows, resolutions))
    }
}
