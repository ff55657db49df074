//! Copies the records that came in since the sidecar was written from a damaged journal, if its seals prove
//! them.

use crate::ledger::care::sidecar::Sidecar;
use crate::ledger::db::error::Error;
use crate::ledger::db::row::{self, Column, StoredRow, journal_insert, kind};
use crate::ledger::digest::seal::{OddValue, SEAL_ROWS, Seal, Walk};
use crate::record::coverage::{Basis, Coverage};
use rusqlite::Connection;

/// Copies the records that came in since, if seals prove them; returns how many. An error in reading the
/// damaged ledger ends only this copy: what cannot be read stays there.
pub(super) fn carry_over(
    db: &Connection,
    old: &Connection,
    known: &Sidecar,
    covered: &mut Coverage,
    here: &mut Coverage,
) -> Result<u64, Error> {
    let mut carried = 0;
    let mut writer = Carried { db, row: known.seen_row, seal: Seal::default() };
    let walk = Walk {
        after: known.seen_row,
        odd: OddValue::BreaksSeal,
        most: 2 * SEAL_ROWS as usize,
        ..Walk::WHOLE
    };
    // A page that cannot be read ends the walk: what was proven before it stays.
    let _ = walk.stretches(
        old,
        |row| Some(*row),
        |stretch| {
            for row in stretch.rows.iter().filter(|_| stretch.fits) {
                carried += u64::from(writer.take(row, covered, here)?);
            }
            Ok(())
        },
    )?;
    writer.seal()?;
    Ok(carried)
}

struct Carried<'a> {
    db: &'a Connection,
    row: i64,
    seal: Seal,
}

impl Carried<'_> {
    /// Takes a proven row; `true` if a record was copied. Of profiles, events and opaque records it takes only
    /// that they are held, because no seal covers their tables. The same for CSV rows, because their imports
    /// may not be known here.
    fn take(&mut self, row: &StoredRow, covered: &mut Coverage, here: &mut Coverage) -> Result<bool, Error> {
        let kind = row.get(Column::Kind).unwrap_or(0);
        if kind >= kind::READING {
            let Some(id) = row.identity() else { return Ok(false) };
            let is_authentic = row.get(Column::Rank) == Some(0);
            let basis = if is_authentic { Basis::Authentic } else { Basis::Csv };
            covered.insert(id, basis);
            if kind != kind::READING || !is_authentic {
                return Ok(false);
            }
            here.insert(id, basis);
        }
        self.row += 1;
        let mut row = *row;
        row.set(Column::Row, Some(self.row));
        let n = row.filled().len().saturating_sub(Column::ALL.len());
        row::insert(&mut *self.db.prepare_cached(&journal_insert(n))?, row.of_journal(n))?;
        self.seal.feed(&row);
        if self.seal.is_full(self.row) {
            self.seal()?;
        }
        Ok(kind == kind::READING)
    }

    fn seal(&mut self) -> Result<(), Error> {
        if self.seal.close(self.db, self.row + 1)? {
            self.row += 1;
        }
        Ok(())
    }
}
