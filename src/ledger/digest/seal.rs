//! Seals: digests over stretches of the journal, and the one walk over them.
//!
//! ```text
//! row row row SEAL   row row SEAL   row row
//! └── a stretch ──┘  └─ stretch ─┘  └ not sealed ┘
//! ```
//!
//! Input: rows when they are written, or when the journal is read again. Output: seal rows, and [`Stretch`]es
//! with whether their seal fits. What this is not: it does not decide how far to trust a stretch without a
//! fitting seal.

use crate::ledger::db::error::Error;
use crate::ledger::db::meta::meta;
use crate::ledger::db::row::{Column, JOURNAL, JOURNAL_COLUMNS, StoredRow, kind};
use rusqlite::{Connection, params};
use sha2::{Digest, Sha256};
use std::collections::BTreeSet;

/// The most journal rows under one seal. A settle takes whole seals, so this limits how much a slice can exceed
/// its size.
pub const SEAL_ROWS: i64 = 10_000;

/// Computes the seal over journal rows when they are written or read again.
#[derive(Clone, Default)]
pub struct Seal {
    hasher: Sha256,
    /// The first row under it; `None` if it is empty.
    pub first_row: Option<i64>,
}

impl Seal {
    /// Adds the columns of a row, row number first; trailing nulls make no difference.
    pub fn feed(&mut self, row: &StoredRow) {
        self.first_row = self.first_row.or(row.get(Column::Row));
        let mut bytes = [0; 9 * JOURNAL_COLUMNS + 1];
        let mut end = 0;
        for value in row.filled() {
            match value {
                None => end += 1,
                Some(value) => {
                    bytes[end] = 1;
                    bytes[end + 1..end + 9].copy_from_slice(&value.to_be_bytes());
                    end += 9;
                }
            }
        }
        // Ends the row.
        bytes[end] = 2;
        self.hasher.update(&bytes[..=end]);
    }

    /// Whether the seal has reached its limit of rows with row `row`.
    pub fn is_full(&self, row: i64) -> bool {
        row - self.first_row.unwrap_or(row) >= SEAL_ROWS
    }

    /// Closes the rows under the seal with journal row `row`; `false` if there are none. The seal is empty
    /// afterwards.
    pub fn close(&mut self, db: &Connection, row: i64) -> Result<bool, Error> {
        let Some(first) = self.first_row else { return Ok(false) };
        db.prepare_cached(
            "INSERT INTO journal (row, kind, logger, epoch, sequence, rank, time) VALUES (?, -1, 0, ?, 0, 0, ?)",
        )?
        .execute(params![row, first, self.take()])?;
        Ok(true)
    }

    /// The digest as an integer that SQLite can store. The seal is empty afterwards.
    fn take(&mut self) -> i64 {
        self.first_row = None;
        let digest = self.hasher.finalize_reset();
        let mut half = [0; 8];
        half.copy_from_slice(&digest[..8]);
        i64::from_be_bytes(half)
    }
}

impl std::fmt::Debug for Seal {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Seal(from row {:?})", self.first_row)
    }
}

/// Consecutive rows of the journal, up to a seal or to the journal's end.
pub struct Stretch<K> {
    /// What the caller keeps of each row, in order.
    pub rows: Vec<K>,
    /// The first row that was found.
    pub first: Option<i64>,
    /// The first row that the seal names.
    pub named: Option<i64>,
    /// The seal's own row; at the journal's end, the last row.
    pub last: i64,
    pub is_sealed: bool,
    /// Whether the seal is over exactly these rows.
    pub fits: bool,
}

/// How to treat a row with a value that is neither a whole number nor null. This program never writes such a
/// row.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum OddValue {
    /// Reading ends there, as with a page that cannot be read.
    EndsWalk,
    /// The row is skipped, and no seal fits its stretch.
    BreaksSeal,
}

/// How the journal is walked.
pub struct Walk {
    /// Only rows after this one.
    pub after: i64,
    pub odd: OddValue,
    /// Whether row numbers that do not ascend end the walk. In a damaged tree that leads to the same page
    /// repeatedly, rows never end.
    pub in_order: bool,
    /// The most rows of one stretch to keep at once. With more rows, what was kept of the stretch so far is
    /// dropped.
    pub most: usize,
}

impl Walk {
    /// All rows of a whole journal.
    pub const WHOLE: Self =
        Self { after: i64::MIN, odd: OddValue::EndsWalk, in_order: false, most: usize::MAX };

    /// Passes each stretch to `take`. `keep` selects what is kept of a row until its stretch is passed on.
    /// Returns the error that ended reading, if any; stretches passed on before it remain valid. An error of
    /// `take` is an error of the walk.
    pub fn stretches<K>(
        &self,
        db: &Connection,
        mut keep: impl FnMut(&StoredRow) -> Option<K>,
        mut take: impl FnMut(Stretch<K>) -> Result<(), Error>,
    ) -> Result<Result<(), Error>, Error> {
        let mut walking = Walking { seal: Seal::default(), rows: Vec::new(), last: None };
        let sql = format!("SELECT {} FROM journal WHERE row > ? ORDER BY row", JOURNAL.list());
        let mut statement = match db.prepare(&sql) {
            Ok(statement) => statement,
            Err(error) => return Ok(Err(error.into())),
        };
        let mut rows = match statement.query([self.after]) {
            Ok(rows) => rows,
            Err(error) => return Ok(Err(error.into())),
        };
        loop {
            let row = match rows.next() {
                Ok(Some(row)) => row,
                Ok(None) => break,
                Err(error) => return Ok(Err(error.into())),
            };
            let row = match StoredRow::from_journal(row) {
                Ok(row) => row,
                Err(_) if self.odd == OddValue::BreaksSeal => {
                    walking.seal.feed(&StoredRow::default());
                    continue;
                }
                Err(error) => return Ok(Err(error.into())),
            };
            let number = row.get(Column::Row);
            if self.in_order && number <= walking.last {
                return Ok(Err(Error::Corrupt("the journal's rows are not in order".to_owned())));
            }
            walking.last = number;
            if row.get(Column::Kind) == Some(kind::SEAL) {
                take(walking.sealed(&row))?;
                continue;
            }
            walking.seal.feed(&row);
            walking.rows.extend(keep(&row));
            if walking.rows.len() > self.most {
                walking.rows.clear();
            }
        }
        if walking.seal.first_row.is_some() {
            take(walking.rest())?;
        }
        Ok(Ok(()))
    }
}

/// A walk between two seals.
struct Walking<K> {
    seal: Seal,
    rows: Vec<K>,
    last: Option<i64>,
}

impl<K> Walking<K> {
    /// The stretch that a seal row closes.
    fn sealed(&mut self, seal: &StoredRow) -> Stretch<K> {
        let (first, named) = (self.seal.first_row, seal.get(Column::Epoch));
        let fits = self.seal.take() == seal.get(Column::Time).unwrap_or(0) && first == named;
        let last = seal.get(Column::Row).unwrap_or(0);
        Stretch { rows: std::mem::take(&mut self.rows), first, named, last, is_sealed: true, fits }
    }

    /// The rows at the end that no seal closes.
    fn rest(&mut self) -> Stretch<K> {
        let (first, last) = (self.seal.first_row, self.last.unwrap_or(0));
        Stretch {
            rows: std::mem::take(&mut self.rows),
            first,
            named: None,
            last,
            is_sealed: false,
            fits: false,
        }
    }
}

/// Checks every seal of the journal; reports each stretch that is damaged or not sealed.
pub fn check_seals(db: &Connection, mut report: impl FnMut(String)) -> Result<(), Error> {
    // Row numbers have no gaps, so a stretch that is missing together with its seal is detected too.
    let mut next = meta(db, "settled_through")? + 1;
    let logger = |row: &StoredRow| row.get(Column::Logger).filter(|&logger| logger > 0);
    Walk::WHOLE.stretches(db, logger, |stretch| {
        let loggers: BTreeSet<i64> = stretch.rows.into_iter().collect();
        let loggers = loggers.iter().map(i64::to_string).collect::<Vec<_>>().join(", ");
        let right = stretch.fits && stretch.first == Some(next);
        next = stretch.last + 1;
        let last = stretch.last;
        let first = stretch.first.or(stretch.named).unwrap_or(last);
        if !stretch.is_sealed {
            report(format!("journal rows {first} to {last}: not sealed (records of loggers {loggers})"));
        } else if !right {
            report(format!("journal rows {first} to {last}: damaged (records of loggers {loggers})"));
        }
        Ok(())
    })?
}
