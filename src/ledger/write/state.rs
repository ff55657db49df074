//! What a writing process knows of the ledger between its transactions: coverage, where the rows are that no
//! index finds, and how far it has read.
//!
//! All of it can be worked out at any instant from one read transaction: stored ranges, plus the journal rows
//! that came after them. Under the write lock it is brought up to date whenever another process has committed.

use crate::ledger::db::error::Error;
use crate::ledger::db::row::SHARED;
use crate::ledger::db::row::{self, kind};
use crate::ledger::write::aside::AsideState;
use crate::record::coverage::{Basis, Coverage, RangeSet};
use crate::record::judge::{Held, Row, Steps};
use crate::wire::record::{Reading, Record};
use crate::wire::seq::{Address, Epoch, Identity};
use rusqlite::{Connection, OptionalExtension, params};
use std::cell::RefCell;
use std::collections::HashMap;
use std::sync::{Arc, LazyLock};

/// An unsettled CSV row.
#[derive(Clone, Copy, Debug)]
pub(in crate::ledger) struct RecentRow {
    pub row: i64,
    pub rank: i64,
    pub covers: bool,
}

/// Steps by the number of their resolution.
type Resolutions = RefCell<HashMap<i64, Arc<Steps>>>;

/// See the module's page.
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
    /// The journal row last taken in.
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
    /// Reads all of it. Call inside a transaction.
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

    /// Brings it up to date. Call under the write lock, before judging.
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

    /// Rows up to `through` are settled: the clustered key finds them from now on.
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
        let mut statement = db.prepare_cached(
            "SELECT row, kind, logger, epoch, sequence, rank,
                 EXISTS (SELECT 1 FROM import i WHERE i.id = journal.import AND i.withdrawn_at IS NOT NULL)
             FROM journal WHERE row > ? ORDER BY row",
        )?;
        let mut rows = statement.query([self.seen_row])?;
        while let Some(row) = rows.next()? {
            let number: i64 = row.get(0)?;
            self.seen_row = number;
            if row.get::<_, i64>(1)? < kind::READING {
                continue;
            }
            let identity = Identity::new(row.get(2)?, row.get(3)?, row.get(4)?)
                .ok_or_else(|| Error::Corrupt(format!("journal row {number} has a reserved identity")))?;
            let rank: i64 = row.get(5)?;
            let withdrawn: bool = row.get(6)?;
            self.take_in(identity, rank, number, !withdrawn);
        }
        Ok(())
    }

    /// A record has been appended as journal row `row`.
    pub fn take_in(&mut self, identity: Identity, rank: i64, row: i64, covers: bool) {
        if rank == 0 {
            self.coverage.insert(identity, Basis::Authentic);
            self.recent.insert(identity, row);
        } else {
            if covers {
                self.coverage.insert(identity, Basis::Csv);
            }
            self.recent_rows.entry(identity).or_default().push(RecentRow { row, rank, covers });
        }
        self.seen_row = self.seen_row.max(row);
    }

    /// The view of what is held that `judge` asks, and the coverage it asks it for.
    pub fn split<'a>(&'a self, db: &'a Connection) -> (&'a Coverage, HeldRows<'a>) {
        let resolutions = &self.resolutions;
        (&self.coverage, HeldRows { db, recent: &self.recent, recent_rows: &self.recent_rows, resolutions })
    }
}

// Made once: putting forty column names together takes longer than the look-up.
static JOURNAL_ROW: LazyLock<String> = LazyLock::new(|| {
    format!("SELECT {}, resolution FROM journal WHERE row = ? AND kind = 1", row::content_columns())
});
static SETTLED_ROW: LazyLock<String> = LazyLock::new(|| {
    format!(
        "SELECT {}, resolution FROM settled WHERE logger = ? AND epoch = ? AND sequence = ? AND rank = ?",
        row::content_columns()
    )
});

/// Finds held records: unsettled ones by the maps, settled ones by the clustered key.
pub(in crate::ledger) struct HeldRows<'a> {
    db: &'a Connection,
    recent: &'a HashMap<Identity, i64>,
    recent_rows: &'a HashMap<Identity, Vec<RecentRow>>,
    resolutions: &'a Resolutions,
}

impl HeldRows<'_> {
    /// The ledger.
    pub fn db(&self) -> &Connection {
        self.db
    }

    /// Whether the record is not settled yet.
    pub fn is_recent(&self, id: Identity) -> bool {
        self.recent.contains_key(&id)
    }

    /// The authentic reading's row, whether it decodes or not.
    fn content(&self, identity: Identity) -> Result<Option<Row>, Error> {
        match self.recent.get(&identity) {
            Some(&row) => self.journal_row(row),
            None => self.settled_row(identity, 0),
        }
    }

    fn journal_row(&self, row: i64) -> Result<Option<Row>, Error> {
        let found =
            self.db.prepare_cached(&JOURNAL_ROW)?.query_row([row], content_and_resolution).optional()?;
        self.with_steps(found)
    }

    fn settled_row(&self, id: Identity, rank: i64) -> Result<Option<Row>, Error> {
        let key = params![id.address.number(), id.epoch.number(), id.sequence.number(), rank];
        let found =
            self.db.prepare_cached(&SETTLED_ROW)?.query_row(key, content_and_resolution).optional()?;
        self.with_steps(found)
    }

    fn with_steps(&self, found: Option<(Row, Option<i64>)>) -> Result<Option<Row>, Error> {
        let Some((mut row, resolution)) = found else { return Ok(None) };
        if let Some(number) = resolution {
            let known = self.resolutions.borrow().get(&number).cloned();
            let steps = match known {
                Some(steps) => steps,
                None => {
                    let json: Option<String> = self
                        .db
                        .prepare_cached("SELECT steps FROM resolution WHERE id = ?")?
                        .query_row([number], |row| row.get(0))
                        .optional()?;
                    let json = json.ok_or_else(|| Error::Corrupt(format!("resolution {number} is gone")))?;
                    let steps = Arc::new(row::steps_from_json(&json)?);
                    self.resolutions.borrow_mut().insert(number, steps.clone());
                    steps
                }
            };
            row.steps = Some(steps);
        }
        Ok(Some(row))
    }

    /// The rank that a further CSV row of this identity takes.
    pub fn next_rank(&self, id: Identity) -> Result<i64, Error> {
        let key = params![id.address.number(), id.epoch.number(), id.sequence.number()];
        let settled: Option<i64> = self
            .db
            .prepare_cached(
                "SELECT max(rank) FROM settled_or_retired WHERE logger = ? AND epoch = ? AND sequence = ?",
            )?
            .query_row(key, |row| row.get(0))?;
        let recent = self.recent_rows.get(&id).and_then(|rows| rows.iter().map(|r| r.rank).max());
        Ok(settled.unwrap_or(0).max(recent.unwrap_or(0)) + 1)
    }

    /// The import that a CSV row came with.
    pub fn import_of_row(&self, id: Identity, rank: i64) -> Result<Option<i64>, Error> {
        let recent = self.recent_rows.get(&id).and_then(|rows| rows.iter().find(|row| row.rank == rank));
        let import: Option<Option<i64>> = match recent {
            Some(recent) => self
                .db
                .prepare_cached("SELECT import FROM journal WHERE row = ?")?
                .query_row([recent.row], |row| row.get(0))
                .optional()?,
            None => self
                .db
                .prepare_cached(
                    "SELECT import FROM settled_or_retired WHERE logger = ? AND epoch = ? AND sequence = ? AND rank = ?",
                )?
                .query_row(
                    params![id.address.number(), id.epoch.number(), id.sequence.number(), rank],
                    |row| row.get(0),
                )
                .optional()?,
        };
        Ok(import.flatten())
    }

    /// The rank of the CSV row that covers this identity, if one does.
    pub fn covering_rank(&self, id: Identity) -> Result<Option<i64>, Error> {
        if let Some(rows) = self.recent_rows.get(&id)
            && let Some(recent) = rows.iter().find(|recent| recent.covers)
        {
            return Ok(Some(recent.rank));
        }
        let key = params![id.address.number(), id.epoch.number(), id.sequence.number()];
        Ok(self
            .db
            .prepare_cached(
                "SELECT rank FROM settled_or_retired s WHERE logger = ? AND epoch = ? AND sequence = ? AND rank > 0
                     AND NOT EXISTS (SELECT 1 FROM import i WHERE i.id = s.import AND withdrawn_at IS NOT NULL)
                 ORDER BY rank LIMIT 1",
            )?
            .query_row(key, |row| row.get(0))
            .optional()?)
    }
}

impl Held for HeldRows<'_> {
    type Error = Error;

    fn is_same(&mut self, identity: Identity, plaintext: &[u8]) -> Result<Option<bool>, Error> {
        let compare = || {
            let content = self.content(identity)?;
            let reading = content.as_ref().and_then(row::reading);
            if reading.is_some_and(|reading| row::encoded(&Record::Reading(reading)) == plaintext) {
                return Ok(Some(true));
            }
            if let Some(held) = row::rare_plaintext(self.db, identity)? {
                return Ok(Some(held == plaintext));
            }
            // A row that is there and decodes to nothing is held all the same: its place is taken.
            Ok(content.map(|_| false))
        };
        match compare() {
            // A damaged value is not what came: both are kept, and `verify` names the place.
            Err(error) if Error::is_of_a_value(&error) => Ok(Some(false)),
            compared => compared,
        }
    }

    fn is_given_up(&mut self, id: Identity) -> Result<bool, Error> {
        crate::ledger::read::given_up::is_given_up(self.db, id, false)
    }

    fn is_row_given_up(&mut self, id: Identity) -> Result<bool, Error> {
        crate::ledger::read::given_up::is_given_up(self.db, id, true)
    }

    fn is_elsewhere(&mut self, id: Identity) -> Result<bool, Error> {
        crate::ledger::read::snapshot::is_elsewhere(self.db, id)
    }

    fn is_other(&mut self, id: Identity) -> Result<bool, Error> {
        row::is_other(self.db, id)
    }

    fn reading(&mut self, identity: Identity) -> Result<Option<Reading>, Error> {
        Ok(self.content(identity)?.as_ref().and_then(row::reading))
    }

    fn row(&mut self, identity: Identity) -> Result<Option<Row>, Error> {
        if let Some(rows) = self.recent_rows.get(&identity)
            && let Some(recent) = rows.iter().find(|recent| recent.covers)
        {
            return self.journal_row(recent.row);
        }
        match self.covering_rank(identity)? {
            Some(rank) => self.settled_row(identity, rank),
            None => Ok(None),
        }
    }
}

/// The content, and the number of its resolution, which comes after the content's 45 columns.
fn content_and_resolution(row: &rusqlite::Row<'_>) -> rusqlite::Result<(Row, Option<i64>)> {
    Ok((row::row_content(row)?, row.get(45)?))
}

/// A small fact of the ledger.
pub(in crate::ledger) fn meta(db: &Connection, key: &str) -> Result<i64, Error> {
    let value: Option<i64> = db
        .prepare_cached("SELECT value FROM meta WHERE key = ?")?
        .query_row([key], |row| row.get(0))
        .optional()?;
    value.ok_or_else(|| Error::Corrupt(format!("the fact `{key}` is gone")))
}

fn data_version(db: &Connection) -> Result<i64, Error> {
    Ok(db.prepare_cached("PRAGMA data_version")?.query_row([], |row| row.get(0))?)
}

/// Coverage as it is stored: ranges and named ends, without the journal.
pub(in crate::ledger) fn load_ranges(db: &Connection) -> Result<Coverage, Error> {
    let mut coverage = Coverage::default();
    let mut statement = db.prepare_cached("SELECT logger, epoch, basis, first, last FROM held_range")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let (address, epoch) = address_epoch(row)?;
        let basis = if row.get::<_, i64>(2)? == 0 { Basis::Authentic } else { Basis::Csv };
        coverage.insert_range(address, epoch, basis, row.get(3)?, row.get(4)?);
    }
    load_named(db, &mut coverage)?;
    Ok(coverage)
}

fn load_named(db: &Connection, coverage: &mut Coverage) -> Result<(), Error> {
    let mut statement = db.prepare_cached("SELECT logger, epoch, last, by_epoch FROM named_epoch")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let (address, epoch) = address_epoch(row)?;
        let by_epoch = Epoch::new(row.get(3)?)
            .ok_or_else(|| Error::Corrupt("a named epoch is named by epoch 0".into()))?;
        coverage.name_epoch(address, epoch, row.get(2)?, by_epoch);
    }
    let mut statement = db.prepare_cached("SELECT logger, epoch, first, last FROM once_held")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let (address, epoch) = address_epoch(row)?;
        coverage.note_once_held(address, epoch, row.get(2)?, row.get(3)?);
    }
    Ok(())
}

/// Keeps in mind that records were held which cannot be read any more where they were. Call under the write lock.
pub(in crate::ledger) fn keep_once_held(
    db: &Connection,
    address: Address,
    epoch: Epoch,
    lost: &RangeSet,
) -> Result<(), Error> {
    let (logger, epoch) = (address.number(), epoch.number());
    let mut all = lost.clone();
    {
        let mut statement =
            db.prepare_cached("SELECT first, last FROM once_held WHERE logger = ? AND epoch = ?")?;
        let mut rows = statement.query(params![logger, epoch])?;
        while let Some(row) = rows.next()? {
            all.insert_range(row.get(0)?, row.get(1)?);
        }
    }
    if lost.is_empty() {
        return Ok(());
    }
    crate::ledger::digest::table::change(db, "once_held", "logger = ? AND epoch = ?", (logger, epoch), |db| {
        db.prepare_cached("DELETE FROM once_held WHERE logger = ? AND epoch = ?")?
            .execute(params![logger, epoch])?;
        for &(first, last) in all.ranges() {
            db.prepare_cached("INSERT INTO once_held VALUES (?, ?, ?, ?)")?
                .execute(params![logger, epoch, first, last])?;
        }
        Ok(())
    })
}

/// Logger and epoch from the first two columns.
pub(in crate::ledger) fn address_epoch(row: &rusqlite::Row<'_>) -> Result<(Address, Epoch), Error> {
    match (Address::new(row.get(0)?), Epoch::new(row.get(1)?)) {
        (Some(address), Some(epoch)) => Ok((address, epoch)),
        _ => Err(Error::Corrupt("a row has a reserved logger or epoch".into())),
    }
}

/// Coverage alone, for reports: one read transaction's truth.
pub(in crate::ledger) fn load_coverage(db: &Connection) -> Result<Coverage, Error> {
    Ok(State::load(db)?.coverage)
}

/// The journal's insert for a record with `n` channels.
pub(in crate::ledger) fn journal_insert(n: usize) -> String {
    let columns = if n == 0 {
        format!("row, kind, {SHARED}")
    } else {
        format!("row, kind, {SHARED}, {}", row::channel_columns(n))
    };
    let marks = vec!["?"; 21 + n].join(", ");
    format!("INSERT INTO journal ({columns}) VALUES ({marks})")
}

/// The clustered table's insert for a record with `n` channels.
pub(in crate::ledger) fn settled_insert(n: usize) -> String {
    let columns = if n == 0 { SHARED.to_owned() } else { format!("{SHARED}, {}", row::channel_columns(n)) };
    let marks = vec!["?"; 19 + n].join(", ");
    format!("INSERT INTO settled ({columns}) VALUES ({marks})")
}
