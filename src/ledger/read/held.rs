//! Held records by identity: unsettled ones from maps that the caller keeps, settled ones by the clustered key.
//! What this is not: it judges nothing; it is the port that `record::judge` queries.

use crate::ledger::db::error::Error;
use crate::ledger::db::query;
use crate::ledger::db::rare;
use crate::ledger::db::row::{self, CONTENT, Column, Selection};
use crate::record::judge::{Held, Row, Steps};
use crate::wire::record::{Reading, Record};
use crate::wire::seq::Identity;
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
pub(in crate::ledger) type Resolutions = RefCell<HashMap<i64, Arc<Steps>>>;

// Made once: joining forty column names takes longer than the look-up.
static CONTENT_AND_RESOLUTION: LazyLock<Selection> =
    LazyLock::new(|| CONTENT.clone().then(&[Column::Resolution]));

static JOURNAL_ROW: LazyLock<String> = LazyLock::new(|| {
    format!("SELECT {} FROM journal WHERE row = ? AND kind = 1", CONTENT_AND_RESOLUTION.list())
});

static SETTLED_ROW: LazyLock<String> = LazyLock::new(|| {
    format!(
        "SELECT {} FROM settled WHERE logger = ? AND epoch = ? AND sequence = ? AND rank = ?",
        CONTENT_AND_RESOLUTION.list()
    )
});

/// Finds held records: unsettled ones in the maps, settled ones by the clustered key.
pub(in crate::ledger) struct HeldRows<'a> {
    db: &'a Connection,
    recent: &'a HashMap<Identity, i64>,
    recent_rows: &'a HashMap<Identity, Vec<RecentRow>>,
    resolutions: &'a Resolutions,
}

impl<'a> HeldRows<'a> {
    /// A view with the unsettled rows that the caller knows.
    pub fn new(
        db: &'a Connection,
        recent: &'a HashMap<Identity, i64>,
        recent_rows: &'a HashMap<Identity, Vec<RecentRow>>,
        resolutions: &'a Resolutions,
    ) -> Self {
        Self { db, recent, recent_rows, resolutions }
    }
}

impl HeldRows<'_> {
    pub fn db(&self) -> &Connection {
        self.db
    }

    /// Whether the record is not settled yet.
    pub fn is_recent(&self, id: Identity) -> bool {
        self.recent.contains_key(&id)
    }

    /// The authentic reading's row, whether it can be decoded or not.
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
                    let steps = "SELECT steps FROM resolution WHERE id = ?";
                    let json: Option<String> = query::first_value(self.db, steps, [number])?;
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

    /// The rank for the next CSV row of this identity.
    pub fn next_rank(&self, id: Identity) -> Result<i64, Error> {
        let key = params![id.address.number(), id.epoch.number(), id.sequence.number()];
        let settled: Option<i64> = query::value(
            self.db,
            "SELECT max(rank) FROM settled_or_retired WHERE logger = ? AND epoch = ? AND sequence = ?",
            key,
        )?;
        let recent = self.recent_rows.get(&id).and_then(|rows| rows.iter().map(|r| r.rank).max());
        Ok(settled.unwrap_or(0).max(recent.unwrap_or(0)) + 1)
    }

    /// The import that a CSV row came with.
    pub fn import_of_row(&self, id: Identity, rank: i64) -> Result<Option<i64>, Error> {
        let recent = self.recent_rows.get(&id).and_then(|rows| rows.iter().find(|row| row.rank == rank));
        let import: Option<Option<i64>> = match recent {
            Some(recent) => {
                query::first_value(self.db, "SELECT import FROM journal WHERE row = ?", [recent.row])?
            }
            None => query::first_value(
                self.db,
                "SELECT import FROM settled_or_retired WHERE logger = ? AND epoch = ? AND sequence = ? AND rank = ?",
                params![id.address.number(), id.epoch.number(), id.sequence.number(), rank],
            )?,
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
        query::first_value(
            self.db,
            "SELECT rank FROM settled_or_retired s WHERE logger = ? AND epoch = ? AND sequence = ? AND rank > 0
                 AND NOT EXISTS (SELECT 1 FROM import i WHERE i.id = s.import AND withdrawn_at IS NOT NULL)
             ORDER BY rank LIMIT 1",
            key,
        )
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
            if let Some(held) = rare::rare_plaintext(self.db, identity)? {
                return Ok(Some(held == plaintext));
            }
            // A row that exists but cannot be decoded is still held: its place is taken.
            Ok(content.map(|_| false))
        };
        match compare() {
            // A damaged value differs from the new record: both are kept, and `verify` names the place.
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
        crate::ledger::read::elsewhere::is_elsewhere(self.db, id)
    }

    fn is_other(&mut self, id: Identity) -> Result<bool, Error> {
        rare::is_other(self.db, id)
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

/// The content, and the number of its resolution.
fn content_and_resolution(row: &rusqlite::Row<'_>) -> rusqlite::Result<(Row, Option<i64>)> {
    let row = CONTENT_AND_RESOLUTION.view(row);
    Ok((row.content()?, row.get(Column::Resolution)?))
}
