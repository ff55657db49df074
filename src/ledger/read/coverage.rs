//! The present coverage: the stored ranges, and the further records that the journal holds.
//!
//! What this is not: it keeps nothing between transactions; a writer does (`write::state`), using the same
//! walk.

use crate::ledger::db::error::Error;
use crate::ledger::db::meta::meta;
use crate::ledger::db::query;
use crate::ledger::db::ranges::load_ranges;
use crate::ledger::db::row::kind;
use crate::record::coverage::{Basis, Coverage};
use crate::wire::seq::Identity;
use rusqlite::Connection;

/// A record that is not settled yet.
#[derive(Clone, Copy, Debug)]
pub(in crate::ledger) struct InJournal {
    pub row: i64,
    pub identity: Identity,
    /// 0 for authentic; otherwise a CSV row.
    pub rank: i64,
    /// Whether it counts as held; no record of a withdrawn import does.
    pub covers: bool,
}

impl InJournal {
    pub fn cover(&self, coverage: &mut Coverage) {
        if self.rank == 0 {
            coverage.insert(self.identity, Basis::Authentic);
        } else if self.covers {
            coverage.insert(self.identity, Basis::Csv);
        }
    }
}

/// Passes on each record that the journal holds after row `after`, in order. Returns the journal's last row of
/// any kind; `after` if there is none.
pub(in crate::ledger) fn walk_journal(
    db: &Connection,
    after: i64,
    mut take: impl FnMut(InJournal),
) -> Result<i64, Error> {
    let mut last = after;
    query::each(
        db,
        "SELECT row, kind, logger, epoch, sequence, rank,
             EXISTS (SELECT 1 FROM import i WHERE i.id = journal.import AND i.withdrawn_at IS NOT NULL)
         FROM journal WHERE row > ? ORDER BY row",
        [after],
        |(row, kind, logger, epoch, sequence, rank, withdrawn): (i64, i64, u16, u32, u32, i64, bool)| {
            last = row;
            if kind < kind::READING {
                return Ok(());
            }
            let identity = Identity::new(logger, epoch, sequence)
                .ok_or_else(|| Error::Corrupt(format!("journal row {row} has a reserved identity")))?;
            take(InJournal { row, identity, rank, covers: !withdrawn });
            Ok(())
        },
    )?;
    Ok(last)
}

/// The complete coverage. Call it inside a transaction.
pub(in crate::ledger) fn load_coverage(db: &Connection) -> Result<Coverage, Error> {
    let mut coverage = load_ranges(db)?;
    walk_journal(db, meta(db, "settled_through")?, |record| record.cover(&mut coverage))?;
    Ok(coverage)
}
